"""What measures like a speaker, and in what these differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.analysis.nearness import WORDS
from speakerdb.errors import SpeakerdbError
from speakerdb.report.frames import display_name
from speakerdb.words import match_words

if TYPE_CHECKING:
    from speakerdb.library import Database

SHOWN = 5


@dataclass(frozen=True)
class Relative:
    """One that measures like the speaker: distance in dB RMS; whether it measures differently, and what was left out,
    in words."""

    slug: str
    name: str
    distance_db: float
    told: str

    @property
    def away(self) -> str:
        return f"{figures.DB.text(self.distance_db)} RMS away"


def relatives(base: Database, slug: str, setting: str) -> tuple[list[Relative], str | None]:
    """The nearest; or none, and why there are none."""
    try:
        rows = base.match(slug, setting=setting, top=SHOWN, exact=True).rows
    except SpeakerdbError as error:
        return [], error.message
    found = [_relative(base, r) for r in rows.iter_rows(named=True)]
    return found, None if found else "it is the only speaker in the database"


def _relative(base: Database, r: dict[str, Any]) -> Relative:
    told = match_words.verdict(r)
    if r["distinguishable"]:
        told += (
            ", most in the "
            f"{max((r['parts'][part], name) for part, name in WORDS.items() if r['parts'][part] is not None)[1]}"
        )
    name = display_name(base, r["speaker"])
    return Relative(r["speaker"], name, r["distance_db"], "; ".join([told, *r["remarks"]]))
