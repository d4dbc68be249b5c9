"""The walk-through, without running its steps: the gate runs it whole."""

from __future__ import annotations

import re
import shlex

import pytest
import typer

from speakerdb.cli import demo
from speakerdb.cli.main import app


@pytest.fixture
def told(speakerdb, monkeypatch, tmp_path):
    """The outcome of the demo with its steps noted instead of run, and the steps."""
    steps = []

    def noted(command, file):
        steps.append(shlex.split(command))
        file.write_bytes(b"")

    monkeypatch.setattr(demo, "_step", noted)
    return speakerdb("demo", "some where"), steps


def test_every_step_is_a_command_with_options_that_exist(told):
    outcome, steps = told
    assert outcome.code == 0, outcome.err
    group = typer.main.get_command(app)
    for name, *arguments in steps:
        command = group.commands[name]
        command.make_context(name, arguments)  # parses, and fails on what is not known


def test_each_of_the_three_asks_and_each_step_is_introduced_by_a_question(told):
    outcome, steps = told
    assert [line.split()[2] for line in outcome.out.splitlines() if line.startswith("━━━━")] == [
        "reviewer",
        "buyer",
        "analyst",
    ]
    questions = re.findall(r"^━━ .*?\?$", outcome.out, re.M | re.S)
    assert len(questions) == len(steps) - 1  # the ingest comes first
    assert all("\n$" not in question for question in questions)
    assert {"show", "match", "compare", "rank", "shortlist", "tradeoff", "trend", "report", "draft"} <= {
        s[0] for s in steps
    }


def test_the_files_it_names_are_those_that_its_steps_write(told, tmp_path):
    outcome, steps = told
    written = {argument for step in steps for argument in step if argument.startswith("some where/")}
    for name in demo._FILES:
        assert name in outcome.out
        assert f"some where/{name.replace('.filled', '')}" in written
    assert (tmp_path / "some where" / "review.md").is_file()


def test_it_never_overwrites_a_demo_that_was_run_before(told, speakerdb):
    again = speakerdb("demo", "some where")
    assert again.code == 1
    assert "the demo has been run here" in again.err
