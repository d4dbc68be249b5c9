"""What a draft may ask for between {{ and }}: each a function of names that gives Markdown text.

Names and sentences are escaped for Markdown with HTML in it, so that no name of a speaker can become markup.
"""

from __future__ import annotations

import hashlib
import html
import json
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import quote

import polars as pl

from speakerdb import figures
from speakerdb.answering import standing, stored
from speakerdb.errors import RequestError, UnknownNameError
from speakerdb.field.naming import find_metric
from speakerdb.metric import Metric
from speakerdb.report import frames, pictures, relatives, words
from speakerdb.report.speaker_pictures import PICTURES, Ask, cite, of_speaker

if TYPE_CHECKING:
    from speakerdb.library import Database


@dataclass(frozen=True)
class Drawn:
    """A picture that a draft shows: the chart, and a hash of what it shows (its heading, which cites the state,
    apart)."""

    chart: Any
    mark: str


@dataclass(frozen=True)
class Scope:
    """The placeholders over one database.

    charts: the folder that pictures will be written to, as the text links it; drawn: file name -> picture, filled as
    the placeholders are called and written only when all went well; known: values by speaker and setting, as looked up.
    """

    base: Database
    charts: Path
    drawn: dict[str, Drawn] = field(default_factory=dict)
    known: dict[tuple[str, str | None], dict[str, dict[str, Any]]] = field(default_factory=dict)

    @cached_property
    def functions(self) -> dict[str, Callable[..., str]]:
        """Placeholder name -> function."""
        return {
            "value": self.value,
            "interval": self.interval,
            "percentile": self.percentile,
            "place": self.place,
            "table": self.table,
            "chart": self.chart,
            "overlay": self.overlay,
            "compare": self.compare,
            "relatives": self.relatives,
            "name": self.name,
            "strip": self.strip,
            "price": self.price,
            "fact": self.fact,
            "state": self.state,
        }

    def value(self, speaker: str, metric: str, setting: str | None = None) -> str:
        """The value with its unit and sign of censoring: value("sill-5", "sensitivity_db") -> 86.3 dB."""
        m, r = self._row(speaker, metric, setting)
        return m.quantity.text(r["value"], r["censored"], r["other_value"])

    def interval(self, speaker: str, metric: str, setting: str | None = None) -> str:
        """Its 95 % interval: 85.9 to 86.7 dB."""
        m, r = self._row(speaker, metric, setting)
        text = m.quantity.interval_text(r["low"], r["high"])
        if not text:
            raise RequestError(
                f"{m.id} of {speaker} has no interval: no uncertainty has been worked out (`speakerdb derive`)"
            )
        return text

    def percentile(self, speaker: str, metric: str) -> str:
        """Its place among its peers: 3rd to 9th of 38."""
        found, _ = self._place(speaker, metric)
        return words.share(found)

    def place(self, speaker: str, metric: str) -> str:
        """The same as a sentence, only as strong as the data carry."""
        found, group = self._place(speaker, metric)
        return words.standing(found, group) or f"{found.metric.label}: {words.share(found)}."

    def compare(self, speaker: str, other: str, metric: str) -> str:
        """How one figure differs, as a sentence: compare("sill-5", "sill-6", "preference"); "sill-5@plugged" names a
        setting."""
        m = find_metric(metric)
        answer = self.base.compare((speaker, other), metric=(m.id,))
        if not len(answer.rows):
            raise RequestError(f"{m.id} can't be compared: {answer.withheld['reason'][0]}")
        r = answer.rows.row(0, named=True)
        finite = {k: r[k] if r[k] is not None and math.isfinite(r[k]) else None for k in ("difference", "low", "high")}
        name = frames.display_name(self.base, r["b"])
        same = r["a"] == r["b"]
        return _text(
            words.difference(
                m,
                f"setting {r['setting_b']}" if same else name,
                finite["difference"],
                finite["low"],
                finite["high"],
                r["matters"],
            )
        )

    def table(self, speakers: str | list[str], *metrics: str) -> str:
        """A Markdown table of one speaker or several: a row a metric, a column a speaker."""
        given = [speakers] if isinstance(speakers, str) else list(speakers)
        wanted = [find_metric(m) for m in (metrics or standing.VERDICT)]
        slugs = [self.base.find(s)[1] for s in given]
        pooled = [self._pooled(s, None) for s in slugs]
        head = "| | " + " | ".join(_cell(frames.display_name(self.base, s)) for s in slugs) + " |"
        lines = [head, "|---|" + "---:|" * len(slugs)]
        for m in wanted:
            cells = [_table_cell(m, p.get(m.id)) for p in pooled]
            if metrics or any(c != "–" for c in cells):
                lines.append(f"| {_cell(m.label)} | " + " | ".join(cells) + " |")
        return "\n".join(lines)

    def chart(
        self, speaker: str, picture: str = "curves", setting: str | None = None, format: Literal["svg", "png"] = "svg"
    ) -> str:
        """A picture, written beside the text: chart("sill-5", "map-horizontal")."""
        slug = self.base.find(speaker)[1]
        chosen = self.base.setting(slug, setting)
        ask = Ask(self.base, slug, chosen, hover=False)
        drawn, bare = of_speaker(picture, ask), of_speaker(picture, ask, headed=False)
        alt = f"{frames.display_name(self.base, slug)}: {PICTURES[picture].title.lower()}"
        return self._image(drawn, bare, f"{slug}-{chosen}-{picture}", alt, format)

    def overlay(self, *speakers: str, format: Literal["svg", "png"] = "svg") -> str:
        """Two to five speakers over each other as a picture."""
        slugs = [self.base.find(s)[1] for s in speakers]
        drawn = pictures.overlay(self.base, slugs, hover=False)
        bare = pictures.overlay(self.base, slugs, hover=False, headed=False)
        alt = "Overlaid: " + ", ".join(frames.display_name(self.base, s) for s in slugs)
        return self._image(drawn, bare, "overlay-" + "-".join(slugs), alt, format)

    def relatives(self, speaker: str, count: int = 3) -> str:
        """What measures most like a speaker, as a Markdown list."""
        slug = self.base.find(speaker)[1]
        found, why = relatives.relatives(self.base, slug, self.base.setting(slug))
        if not found:
            raise RequestError(f"{slug} has no relatives: {why}")
        return "\n".join(f"- {_text(f'{r.name}: {r.away}; {r.told}.')}" for r in found[: int(count)])

    def name(self, speaker: str) -> str:
        """Maker and model."""
        return _text(frames.display_name(self.base, self.base.find(speaker)[1]))

    def strip(self, speaker: str, line: str, setting: str | None = None) -> str:
        """A line of the verdict: strip("sill-5", "bass") -> 44.1 Hz (43.6 to 44.5), medium. 77.9 dB at 40 Hz, …"""
        lines = {row["line"].lower(): row for row in self.base.show(speaker, setting=setting).strip}
        if line.lower() not in lines:
            raise UnknownNameError(f"the verdict has no line {line!r}; it has {', '.join(lines)}")
        row = lines[line.lower()]
        head = ", ".join(text for text in (row["number"], row["word"]) if text)
        return _text(f"{head}. {row['sentence']}".strip() if head else row["sentence"])

    def price(self, speaker: str, kind: str | None = None) -> str:
        """A price with its kind and date, the first one where no kind is named: price("sill-5", "street") -> 565 EUR a
        pair (street, 2026-01-07)."""
        slug = self.base.find(speaker)[1]
        prices = self.base.facts(slug).prices
        found = next((p for p in prices if kind in {None, p["kind"]}), None)
        if found is None:
            kinds = ", ".join(dict.fromkeys(p["kind"] for p in prices)) or "none"
            raise RequestError(f"no {kind or ''} price of {slug} is known (there is {kinds})".replace("  ", " "))
        when = ", ".join(str(part) for part in (found["kind"], found["date"]) if part)
        return _text(f"{figures.price(found['price'], found['currency'], found['per'])} ({when})")

    def fact(self, speaker: str, fact: str, unit: bool = True) -> str:
        """What is known beside the measurements: fact("sill-5", "mass_kg") -> 7.1 kg; unit=False: the number alone."""
        import difflib

        slug = self.base.find(speaker)[1]
        known = self.base.facts(slug).values
        if fact not in known:
            near = difflib.get_close_matches(fact, list(known), 1, 0.3)
            raise UnknownNameError(
                f"no fact is named {fact!r}; "
                + (f"the nearest is {near[0]}" if near else f"there are {', '.join(known)}")
            )
        if known[fact] is None:
            raise RequestError(f"{fact} of {slug} is not known")
        value = known[fact]
        return _text(
            (figures.FACTS[fact].text(value) if unit else figures.FACTS[fact].number(value))
            if fact in figures.FACTS
            else figures.plain(value)
            if isinstance(value, float)
            else str(value)
        )

    def state(self) -> str:
        """The state of the database, to cite."""
        return cite(self.base)

    def _pooled(self, slug: str, setting: str | None) -> dict[str, dict[str, Any]]:
        key = (slug, setting)
        if key not in self.known:
            rows = stored.show(self.base.store, self.base.find(slug, exact=True)[0], setting)
            found = rows.filter(pl.col("session").is_null()).iter_rows(named=True)
            self.known[key] = {r["metric"]: r for r in found}
        return self.known[key]

    def _row(self, speaker: str, metric: str, setting: str | None) -> tuple[Metric, dict[str, Any]]:
        m, slug = find_metric(metric), self.base.find(speaker)[1]
        row = self._pooled(slug, setting).get(m.id)
        if row is None:
            raise RequestError(f"{m.id} of {slug} has not been worked out; run `speakerdb derive`")
        if row["status"] != "ok":
            raise RequestError(f"{m.id} of {slug} is withheld: {row['reason']}")
        return m, row

    def _place(self, speaker: str, metric: str) -> tuple[standing.Place, str]:
        m, slug = find_metric(metric), self.base.find(speaker)[1]
        group = standing.group_of(self.base, slug)
        found = standing.standing(self.base, slug, group, [m.id]).places
        if not found:
            raise RequestError(f"{m.id} of {slug} has no place in the field: it is withheld or never ranked")
        return found[0], group.noun

    def _image(self, chart: Any, bare: Any, stem: str, alt: str, format: str) -> str:
        if format not in ("svg", "png"):
            raise RequestError(f"a picture in a draft is svg or png, not {format!r}")
        file = f"{re.sub(r'[^a-z0-9-]+', '-', stem.lower())}.{format}"
        shown = json.dumps(
            sorted(bare.to_dict(validate=False)["datasets"].items())
        )  # the data: names of views are counted up
        self.drawn[file] = Drawn(chart, hashlib.sha256(shown.encode()).hexdigest()[:16])
        return f"![{_text(alt)}]({quote(self.charts.name)}/{file})"


def _text(text: str) -> str:
    """Plain text as Markdown: no HTML, no emphasis, no link can come of it."""
    escaped = html.escape(text, quote=False)
    for sign in "\\`*_[]":
        escaped = escaped.replace(sign, "\\" + sign)
    return escaped


def _cell(text: str) -> str:
    return _text(text).replace("|", "\\|")


def _table_cell(metric: Metric, row: dict[str, Any] | None) -> str:
    if row is None or row["status"] != "ok":
        return figures.GAP
    return metric.quantity.told(row["value"], row["low"], row["high"], row["censored"], row["other_value"])
