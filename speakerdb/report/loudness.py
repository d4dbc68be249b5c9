"""Where compression and distortion set in, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb.errors import RequestError
from speakerdb.metric import Metric
from speakerdb.metrics.output_rows import BALANCE, CLEAN, MAXIMUM

if TYPE_CHECKING:
    from speakerdb.library import Database

_LEVELS = frozenset(m.id for m in (MAXIMUM, BALANCE, *CLEAN))


def sentences(rows: pl.DataFrame) -> list[str]:
    """From the pooled rows of `show`: maximum and balance level, which counts, and the clean levels."""
    pooled = {r["metric"]: r for r in rows.filter(pl.col("session").is_null()).iter_rows(named=True)}
    said = []
    reached, held = _level(pooled, MAXIMUM), _level(pooled, BALANCE)
    if reached and pooled[MAXIMUM.id]["censored"] == "at_least":
        said.append(f"Compression did not reach 3 dB at the highest drive: at 1 m it delivers {reached}.")
    elif reached:
        said.append(f"At 1 m it delivers {reached} where compression reaches 3 dB.")
    if held:
        said.append(f"Compression leaves its tonal balance within 1.5 dB up to {held} delivered.")
    lower = _lower(pooled)
    said += [lower] if lower else []
    for metric in CLEAN:
        text = _level(pooled, metric)
        said += [f"{metric.definition}: {text}."] if text else []
    if any(r["censored"] == "at_least" for m, r in pooled.items() if m in _LEVELS and r["status"] == "ok"):
        said.append("Labs choose the highest drive: “at least” means that it was not driven to its limit.")
    return said


def _level(pooled: dict[str, Any], metric: Metric) -> str | None:
    """'96.2 dB (95.4 to 97.2)', 'at least 102.4 dB'; None where withheld."""
    r = pooled.get(metric.id)
    if r is None or r["status"] != "ok":
        return None
    what = metric.quantity
    return (
        what.told(r["value"], r["low"], r["high"]) if r["censored"] == "none" else what.said(r["value"], r["censored"])
    )


def _lower(pooled: dict[str, Any]) -> str | None:
    """Which of the two levels counts, where their intervals let one say so."""
    a, b = pooled.get(MAXIMUM.id), pooled.get(BALANCE.id)
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
