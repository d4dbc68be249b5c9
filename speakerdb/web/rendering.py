"""Pages from templates: numbers in the dictionary's digits, gaps with their reason, links that fit where the page lies."""

from __future__ import annotations

import re
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup, escape

from speakerdb.charts.quantity import Quantity
from speakerdb.metrics import METRICS
from speakerdb.web.links import Links
from speakerdb.words import room_words, sentences

HERE = Path(__file__).parent
STATIC = HERE / "static"
GAP = "–"
RATIO_DECIMALS = 2
_SIGN = {"none": "", "at_most": "≤ ", "at_least": "≥ "}


def number(value: float | None, decimals: int = 0) -> str:
    """A number with so many decimals, thousands set apart and a true minus; – where there is none."""
    if value is None:
        return GAP
    text = f"{value:,.{decimals}f}" if abs(value) >= 10_000 else f"{value:.{decimals}f}"
    text = text.replace(",", "\u202f")
    return (
        "0" + text[2:] if text.startswith("-0") and float(text.replace("\u202f", "")) == 0 else text.replace("-", "−")
    )


def metric_number(value: float | None, metric: str) -> str:
    return number(value, METRICS[metric].decimals)


def shown(m: dict[str, Any], metric: str) -> str:
    """A metric's value with its censoring sign and without unit; – where it is withheld."""
    if m.get("value") is None or m.get("status", "ok") not in {"ok", None}:
        return GAP
    return _SIGN[m.get("censored") or "none"] + metric_number(m["value"], metric)


def interval(m: dict[str, Any], metric: str) -> str:
    """'41.2 … 44.0'; an open end is left out; empty where none has been worked out."""
    low, high = m.get("low"), m.get("high")
    if low is None and high is None:
        return ""
    if low is None or high is None:
        return f"≤ {metric_number(high, metric)}" if low is None else f"≥ {metric_number(low, metric)}"
    return f"{metric_number(low, metric)} … {metric_number(high, metric)}"


def difference(value: float | None, metric: str, ratio: bool) -> str:
    """A difference in the metric's digits, or how many times the other a value is: '× 1.30'."""
    if not ratio:
        return metric_number(value, metric)
    return GAP if value is None else f"× {number(value, RATIO_DECIMALS)}"


def difference_interval(low: float | None, high: float | None, metric: str, ratio: bool) -> str:
    """Its interval; an open end is left out, and empty where both are."""
    ends = [None if end is None else difference(end, metric, ratio).removeprefix("× ") for end in (low, high)]
    if None in ends:
        return f"≥ {ends[0]}" if ends[0] else f"≤ {ends[1]}" if ends[1] else ""
    return f"{ends[0]} … {ends[1]}"


def other(m: dict[str, Any], metric: str) -> str:
    """'or 249.0' of a value that is one of two; else empty."""
    value = m.get("other_value")
    return "" if value is None else f"or {metric_number(value, metric)}"


def with_unit(text: str, unit: str) -> str:
    """A number and its unit, which stay on one line."""
    if text == GAP or not unit:
        return text
    return text + unit if unit == "°" else f"{text}\u00a0{unit}"


def property_text(value: float | None, name: str, censored: str = "none") -> str:
    """A metric or a fact in its digits, with its censoring sign."""
    if value is None:
        return GAP
    digits = METRICS[name].decimals if name in METRICS else 1 if name in {"volume_l", "mass_kg"} else 0
    return _SIGN[censored] + number(value, digits)


def share(value: float | None) -> str:
    """A probability in percent, never 0 or 100 %."""
    return GAP if value is None else room_words.percent(value)


def chance(row: dict[str, Any]) -> str:
    """How likely a speaker of a shortlist meets the question."""
    return room_words.chance_text(row["p_meets_low"], row["p_meets_high"])


def front(row: dict[str, Any]) -> str:
    """How likely a speaker stands on the frontier."""
    return room_words.chance_text(row["p_frontier_low"], row["p_frontier_high"])


def plain(name: str) -> str:
    """A name of the data in words: sound_power -> sound power."""
    return name.replace("_", " ")


def lower_first(text: str) -> str:
    """In the middle of a sentence: 'Bass limit −6 dB' -> 'bass limit −6 dB'."""
    return text[:1].lower() + text[1:]


def sentence(text: str) -> Markup:
    """A message as a sentence: a capital first, a full stop last, `commands` set off, options of a command left out."""
    text = re.sub(r" \(--[a-z-]+\)", "", text)
    full = text[:1].upper() + text[1:] + ("" if text.endswith((".", "?", "!", "…")) else ".")
    return Markup(re.sub(r"`([^`]+)`", r"<code>\1</code>", str(escape(full))))


def note(m: dict[str, Any]) -> str:
    """Why a value is withheld, or what else has to be said of it."""
    return f"withheld: {m['reason'] or 'not worked out'}" if m["value"] is None else f"note: {m['reason']}"


@cache
def environment() -> Environment:
    made = Environment(
        loader=FileSystemLoader(HERE / "templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    made.filters |= {
        "number": number, "shown": shown, "interval": interval, "share": share, "chance": chance, "front": front, "plain": plain, "with_unit": with_unit,
        "metric_number": metric_number, "lower_first": lower_first, "property": property_text, "difference": difference, "difference_interval": difference_interval, "alike": sentences.alike, "other": other, "sentence": sentence, "note": note,
    }  # fmt: skip
    made.globals |= {"METRICS": METRICS, "GAP": GAP, "version": version("speakerdb"), "quantity": Quantity.of}
    return made


def render(template: str, links: Links, **content: Any) -> str:
    return environment().get_template(template).render(link=links, **content)
