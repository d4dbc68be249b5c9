"""Where compression and distortion set in, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb.dictionary import METRICS
from speakerdb.errors import RequestError
from speakerdb.report import words

if TYPE_CHECKING:
    from speakerdb.library import Database

_CLEAN = (
    ("clean_level_bass_db", "Total harmonic distortion stays at or below 10 % from 50 to 100 Hz"),
    ("clean_level_mid_db", "Total harmonic distortion stays at or below 3 % from 200 Hz to 5 kHz"),
    ("clean_level_multitone_db", "Multitone distortion, full range, stays at or below 3 % from 100 Hz to 10 kHz"),
)


def sentences(rows: pl.DataFrame) -> list[str]:
    """From the pooled rows of `show`: maximum and balance level, which counts, and the clean levels."""
    pooled = {r["metric"]: r for r in rows.filter(pl.col("session").is_null()).iter_rows(named=True)}
    said = []
    for metric_id, what in (
        ("max_level_db", "At 1 m it delivers {} where compression reaches 3 dB"),
        ("balance_level_db", "Compression leaves its tonal balance within 1.5 dB up to {} delivered"),
    ):
        text = _level(pooled, metric_id)
        said += [what.format(text) + "."] if text else []
    lower = _lower(pooled)
    said += [lower] if lower else []
    for metric_id, what in _CLEAN:
        text = _level(pooled, metric_id)
        said += [f"{what} up to a drive of {text}."] if text else []
    if said:
        said.append("Labs choose the highest drive: a value marked ≥ was not driven to its limit.")
    return said


def _level(pooled: dict[str, Any], metric_id: str) -> str | None:
    r = pooled.get(metric_id)
    if r is None or r["status"] != "ok":
        return None
    metric = METRICS[metric_id]
    span = words.interval(metric, r["low"], r["high"]) if r["censored"] == "none" else ""
    return words.value(metric, r["value"], r["censored"]) + (f" ({span})" if span else "")


def _lower(pooled: dict[str, Any]) -> str | None:
    """Which of the two levels counts, where their intervals let one say so."""
    a, b = pooled.get("max_level_db"), pooled.get("balance_level_db")
    if not a or not b or a["status"] != "ok" or b["status"] != "ok":
        return None
    for low, high, name in ((a, b, "maximum level"), (b, a, "level with its balance")):
        upper = low["high"] if low["high"] is not None else (low["value"] if low["censored"] == "none" else None)
        floor = high["low"] if high["low"] is not None else (high["value"] if high["censored"] != "at_most" else None)
        if upper is not None and floor is not None and upper < floor:
            return f"The lower of the two counts: the {name}."
    return "Which of the two is the lower can't be told; they lie close together or were not driven to their limit."


def claim(base: Database, slug: str, setting: str) -> list[str]:
    """The maker's claimed maximum level, step by step; empty where nothing is claimed."""
    try:
        return base.claim(slug, setting=setting, exact=True).sentences
    except RequestError:
        return []
