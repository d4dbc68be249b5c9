"""Pages from templates: numbers in the dictionary's digits, gaps with their reason, links that fit where the page
lies."""

from __future__ import annotations

import re
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from speakerdb import figures
from speakerdb.charts import theme
from speakerdb.figures import Quantity
from speakerdb.metrics import METRICS
from speakerdb.report.page import SHARED_CSS, TEMPLATES
from speakerdb.web.links import Links
from speakerdb.web.security import PAGE_POLICY
from speakerdb.words import room_words

HERE = Path(__file__).parent
STATIC = HERE / "static"
NO_BREAK = "\u00a0"


def shown(m: dict[str, Any], metric: str) -> str:
    """A metric's value with its censoring sign and without unit; – where it is withheld."""
    if m.get("status", "ok") not in {"ok", None}:
        return figures.GAP
    return METRICS[metric].quantity.number(m.get("value"), m.get("censored"))


def interval(m: dict[str, Any], metric: str) -> str:
    """Its interval; an open end is left out; empty where none has been worked out."""
    return METRICS[metric].quantity.interval(m.get("low"), m.get("high"))


def difference(value: float | None, metric: str) -> str:
    """A difference in the metric's digits, or how many times the other a value is: '× 1.30'."""
    return METRICS[metric].quantity.difference(value)


def difference_interval(low: float | None, high: float | None, metric: str) -> str:
    """Its interval; an open end is left out, and empty where both are."""
    return METRICS[metric].quantity.difference_interval(low, high)


def other(m: dict[str, Any], metric: str) -> str:
    """'or 249.0' of a value that is one of two; else empty."""
    value = m.get("other_value")
    return "" if value is None else f"or {METRICS[metric].quantity.number(value)}"


def together(text: str) -> str:
    """A number and its unit, which stay on one line."""
    return text.replace(" ", NO_BREAK)


def miss(by: float, unit: str) -> str:
    return together(room_words.miss_text(by, unit))


def with_unit(text: str, unit: str) -> str:
    return together(figures.joined(text, unit))


def quantity(name: str) -> Quantity:
    """How a metric or a fact is written."""
    return METRICS[name].quantity if name in METRICS else figures.FACTS[name]


def property_text(value: float | None, name: str, censored: str = "none") -> str:
    """A metric or a fact in its digits, with its censoring sign."""
    return quantity(name).number(value, censored)


def limited(row: dict[str, Any]) -> str:
    """What sets a level at a seat: 'distortion at 50 Hz'."""
    return room_words.limited_text(row["limited_by"], row["limited_at_hz"]) or figures.GAP


def chance(row: dict[str, Any]) -> str:
    """How likely a speaker of a shortlist meets the question."""
    return room_words.chance_text(row["p_meets_low"], row["p_meets_high"])


def front(row: dict[str, Any]) -> str:
    """How likely a speaker stands on the frontier."""
    return room_words.chance_text(row["p_frontier_low"], row["p_frontier_high"])


_UNITS = {
    "db": "dB",
    "hz": "Hz",
    "deg": "°",
    "mm": "mm",
    "m": "m",
    "m2": "m²",
    "m3": "m³",
    "l": "l",
    "kg": "kg",
    "w": "W",
    "s": "s",
}


def plain(name: str) -> str:
    """A name of the data in words: sound_power -> sound power, most_hz -> most (Hz)."""
    words = name.split("_")
    if len(words) > 1 and words[-1] in _UNITS:
        words[-1] = f"({_UNITS[words[-1]]})"
    return " ".join(words)


def titled(name: str) -> str:
    """The same as a heading."""
    return plain(name[:1].upper() + name[1:])


def sentence(text: str) -> Markup:
    """A message as a sentence: a capital first, a full stop last, `commands` set off, options of a command left out."""
    text = re.sub(r" \(--[a-z-]+\)", "", text)
    full = text[:1].upper() + text[1:] + ("" if text.endswith((".", "?", "!", "…")) else ".")
    return Markup(re.sub(r"`([^`]+)`", r"<code>\1</code>", str(escape(full))))


def note(m: dict[str, Any]) -> str:
    """Why a value is withheld, or what else has to be said of it."""
    return f"withheld: {m['reason'] or 'not worked out'}" if m["value"] is None else f"note: {m['reason']}"


def to_speakers(link: Links, slugs: dict[str, str]) -> dict[str, str]:
    """Name as printed -> address of the speaker's page."""
    return {name: link(f"/speaker/{slug}") for name, slug in slugs.items()}


def palette() -> str:
    """The style that pages share with the review sheet: colours, the verdict."""
    return theme.css() + (TEMPLATES / SHARED_CSS).read_text(encoding="utf-8")


@cache
def environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader([HERE / "templates", TEMPLATES]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {
        "number": figures.number,
        "headed": figures.headed,
        "shown": shown,
        "interval": interval,
        "share": figures.probability,
        "chance": chance,
        "limited": limited,
        "front": front,
        "plain": plain,
        "titled": titled,
        "plain_pair": lambda word: (word, plain(word)),
        "with_unit": with_unit,
        "phrase": figures.phrase,
        "p_text": figures.p_text,
        "p_value": figures.p_value,
        "plain_number": figures.plain,
        "miss": miss,
        "property": property_text,
        "difference": difference,
        "difference_interval": difference_interval,
        "alike": figures.alike,
        "other": other,
        "sentence": sentence,
        "note": note,
    }
    made.globals |= {
        "METRICS": METRICS,
        "GAP": figures.GAP,
        "POLICY": PAGE_POLICY,
        "DB": figures.DB,
        "HZ": figures.Quantity("Hz", 1),
        "quantity": quantity,
        "to_speakers": to_speakers,
        "version": version("speakerdb"),
    }
    return made


def render(template: str, links: Links, **content: Any) -> str:
    return environment().get_template(template).render(**{"link": links, "drawn": None, **content})
