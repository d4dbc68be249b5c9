"""Where compression and distortion set in, in sentences."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb import figures
from speakerdb.answering.music import Binds
from speakerdb.errors import RequestError
from speakerdb.metric import Metric
from speakerdb.metrics.output_rows import CLEAN, MAXIMUM, PROGRAMME, PROGRAMME_MANAGED
from speakerdb.metrics.subwoofer_rows import OUTPUT

if TYPE_CHECKING:
    from speakerdb.library import Database

_LEVELS = frozenset(m.id for m in (MAXIMUM, PROGRAMME, PROGRAMME_MANAGED, *CLEAN, *OUTPUT.values()))


def sentences(rows: pl.DataFrame, binds: Sequence[Binds] = ()) -> list[str]:
    """From the pooled rows of `show`: what it reaches with music and what limits that, the compression-limited and the
    distortion-limited levels. binds: what limits the music, of the whole and of the part from 80 Hz up."""
    pooled = {r["metric"]: r for r in rows.filter(pl.col("session").is_null()).iter_rows(named=True)}
    said = []
    reached = _level(pooled, MAXIMUM)
    limits = {one.metric: one.words for one in binds}
    for metric, what in ((PROGRAMME, "Music"), (PROGRAMME_MANAGED, "From 80 Hz up, with a subwoofer below, music")):
        if (level := _level(pooled, metric)) is not None:
            by = f", limited by {limits[metric.id]}" if metric.id in limits else ""
            said.append(f"{what} reaches {level} at 1 m{by}.")
    if reached and pooled[MAXIMUM.id]["censored"] == "at_least":
        said.append(f"Compression did not reach 3 dB at the highest drive: at 1 m it delivers {reached}.")
    elif reached:
        said.append(f"At 1 m it delivers {reached} where compression reaches 3 dB.")
    bass = [(level, hz) for hz, metric in OUTPUT.items() if (level := _level(pooled, metric)) is not None]
    if bass:
        levels = ", ".join(f"{level} at {figures.hertz(hz, 3)}" for level, hz in bass)
        said.append(f"At the lower of 3 dB compression and 10 % distortion it reaches at 1 m {levels}.")
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
        what.told(r["value"], r["low"], r["high"], r["censored"])
        if r["censored"] in ("none", "between")
        else what.said(r["value"], r["censored"])
    )


def claim(base: Database, slug: str, setting: str) -> list[str]:
    """The maker's claimed maximum level, step by step; empty where nothing is claimed."""
    try:
        return base.claim(slug, setting=setting, exact=True).sentences
    except RequestError:
        return []
