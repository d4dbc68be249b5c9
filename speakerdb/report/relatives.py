"""What measures like a speaker, and in what these differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb import figures
from speakerdb.analysis.nearness import WORDS
from speakerdb.answering import standing
from speakerdb.charts import field_chart
from speakerdb.errors import RequestError, SpeakerdbError
from speakerdb.metrics import METRICS
from speakerdb.report import words
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
    def sentence(self) -> str:
        return f"{self.name}: {figures.DB.text(self.distance_db)} RMS away; {self.told}."


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


@dataclass(frozen=True, eq=False)
class Differences:
    """What sets the speaker apart from one relative, in sentences. rows: metric, difference (own − other's, or
    own/other's), low, high, matters; what is withheld on either side is left out."""

    name: str
    sentences: list[str]
    rows: pl.DataFrame


def differences(base: Database, slug: str, setting: str, others: list[Relative]) -> list[Differences]:
    """What surely differs by as much as matters, what surely does not, and what can't be told, from each of a few
    relatives."""
    if not others:
        return []
    answer = base.compare((f"{slug}@{setting}", *(o.slug for o in others)), metric=tuple(standing.VERDICT), exact=True)
    own = answer.rows.filter((pl.col("a") == slug) & (pl.col("setting_a") == setting)).with_columns(
        pl.when(pl.col(c).is_finite()).then(c).alias(c) for c in ("difference", "low", "high")
    )
    return [_told(o.name, own.filter(pl.col("b") == o.slug)) for o in others]


def _told(name: str, rows: pl.DataFrame) -> Differences:
    rows = rows.select("metric", "difference", "low", "high", "matters")
    if not len(rows):
        return Differences(name, ["They can't be compared: no figure is known of both with its uncertainty."], rows)
    said = [
        words.difference(METRICS[r["metric"]], name, r["difference"], r["low"], r["high"], r["matters"])
        for r in rows.filter(pl.col("matters") == "yes").iter_rows(named=True)
    ]
    if not said:
        said.append("No figure surely differs by as much as matters.")
    for verdict, start in (("no", "No difference that matters"), ("unclear", "Can't be told at this precision")):
        labels = [METRICS[m].phrase for m in rows.filter(pl.col("matters") == verdict)["metric"]]
        said += [f"{start}: {figures.listing(labels)}."] if labels else []
    return Differences(name, said, rows)


def differences_chart(found: Differences, width: int) -> Any:
    """The same as a chart."""
    rows = found.rows.drop_nulls("difference")
    if not len(rows):
        raise RequestError("no figure is known of both speakers with its uncertainty")
    return field_chart.differences(rows, width=width)
