"""Runs the program in this process as a user would type it."""

from __future__ import annotations

import json
from dataclasses import dataclass

import pytest

from speakerdb.cli.main import run


@dataclass(frozen=True)
class Outcome:
    code: int
    out: str
    err: str

    @property
    def document(self):
        return json.loads(self.out)


@pytest.fixture
def speakerdb(capsys, monkeypatch, tmp_path):
    """Call with arguments; the working folder is empty and so is the environment."""
    monkeypatch.delenv("SPEAKERDB_FILE", raising=False)
    monkeypatch.chdir(tmp_path)

    def call(*arguments):
        with pytest.raises(SystemExit) as stop:
            run([str(a) for a in arguments])
        captured = capsys.readouterr()
        return Outcome(int(stop.value.code or 0), captured.out, captured.err)

    return call
