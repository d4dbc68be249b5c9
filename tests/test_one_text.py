"""A value is the same text on the command line, on a page and in a report."""

from __future__ import annotations

import html
import re
import shutil
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

import speakerdb
from speakerdb.cli.main import run
from speakerdb.errors import RequestError
from speakerdb.metrics import METRICS
from speakerdb.report.placeholders import Scope
from speakerdb.resources import resource_dir
from speakerdb.web.app import create_app

# of the demo's fleet: several sessions that disagree, a subwoofer, a soundbar, bounds, values that are one of two,
# other units
SPEAKERS = (
    "alder-fen-sill-5",
    "brackwater-culvert-10",
    "pennywort-tuppence",
)


@pytest.fixture(scope="module")
def file(tmp_path_factory) -> Path:
    root = tmp_path_factory.mktemp("demo")
    for session in sorted((resource_dir("seed_data") / "fleet").iterdir()):
        if session.name.startswith(SPEAKERS):
            shutil.copytree(session, root / "in" / session.name)
    with speakerdb.open(root / "speakers.duckdb", write=True) as base:
        assert {r.result for r in base.ingest(root / "in")} == {"stored"}
        base.work_out()
    return root / "speakers.duckdb"


def on_the_command_line(file: Path, speaker: str, setting: str, capsys) -> dict[str, tuple[str, str]]:
    """Metric -> its value with the unit, its interval, as `show` prints them."""
    with pytest.raises(SystemExit):
        run(["show", speaker, "--setting", setting, "--db", str(file), "--wide", "--ids"])
    found = {}
    for line in capsys.readouterr().out.splitlines():
        cells = re.split(r" {2,}", line.strip())
        named = re.search(r" \[(\w+)\]$", cells[0])
        if named:
            found[named[1]] = (with_unit(cells[1], METRICS[named[1]].unit), cells[2] if len(cells) > 2 else "")
    return found


def with_unit(value: str, unit: str) -> str:
    """A table that has the unit in the name of its row, read as a person does."""
    return value if value == "–" else f"{value}{'' if unit == '°' else ' '}{unit}"


def on_the_page(client: TestClient, speaker: str, setting: str) -> dict[str, tuple[str, str]]:
    page = client.get(f"/speaker/{speaker}", params={"setting": setting}).text
    found = {}
    row = (
        r'<tr><th scope="row"><a href="/speaker/[^/]+/([a-z0-9_]+)[^>]*>[^<]*</a></th><td class="n">(.*?)</td>'
        r'<td class="n">(.*?)</td></tr>'
    )
    for metric, value, interval in re.findall(row, page, re.S):
        told = re.sub(r'<span class="under remark">.*?</span>', "", value)
        found[metric] = bare(told), bare(interval)
    return found


def bare(markup: str) -> str:
    return html.unescape(re.sub(r"<[^>]+>", "", markup)).replace("\N{NO-BREAK SPACE}", " ").strip()


def in_a_report(base: speakerdb.Database, speaker: str, setting: str, metrics) -> dict[str, tuple[str, str]]:
    scope = Scope(base, Path("charts"))
    found = {}
    for metric in metrics:
        unit = METRICS[metric].unit
        try:
            interval = scope.interval(speaker, metric, setting).removesuffix(unit).strip()
        except RequestError:  # none worked out
            interval = ""
        found[metric] = scope.value(speaker, metric, setting), interval
    return found


def disagreements(file: Path, settings: dict[str, list[str]], capsys) -> tuple[list[str], int]:
    """What differs among the three, and how many values were looked at."""
    found, looked_at = [], 0
    with speakerdb.open(file) as base, TestClient(create_app(file, patience_s=300.0), "http://127.0.0.1") as client:
        for speaker, named in settings.items():
            for setting in named:
                printed = on_the_command_line(file, speaker, setting, capsys)
                page = on_the_page(client, speaker, setting)
                report = in_a_report(base, speaker, setting, printed)
                assert set(printed) == set(page)
                looked_at += len(printed)
                for metric, texts in printed.items():
                    if not texts == page[metric] == report[metric]:
                        found.append(f"{speaker} {setting} {metric}: {texts} {page[metric]} {report[metric]}")
    return found, looked_at


def test_a_value_is_one_text_wherever_it_is_read(file, capsys):
    with speakerdb.open(file) as base:
        known = base.field.base.select("speaker", "setting").unique(maintain_order=True)
    settings: dict[str, list[str]] = {}
    for speaker, setting in known.iter_rows():
        settings.setdefault(speaker, []).append(setting)
    assert set(settings) == set(SPEAKERS)
    found, looked_at = disagreements(file, settings, capsys)
    assert looked_at > 150
    assert not found, "\n".join(found)
