"""Errors as large as the labs' shared speakers show them: adopted by `derive --labs`, then part of every later interval.

Only sizes are adopted. Offsets are shown by `labs` and never taken off: nothing tells which of two labs is right, and a correction
would be as uncertain as what it corrects.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from speakerdb.analysis.labs import CurveSpread
from speakerdb.session import SessionInfo
from speakerdb.statistics.error_model import DEFAULT_SD, scaled
from speakerdb.store import Store

PARTS = ("calibration", "repeatability")


@dataclass(frozen=True)
class LabError:
    """A lab's error of a part as a multiple of the error model's, known from so many shared speakers."""

    lab: str
    part: str
    factor: float
    speakers: int


def learned(curves: Sequence[CurveSpread]) -> list[LabError]:
    """Factors per lab and part from the pairs of labs that share enough speakers: root mean square over a lab's pairs.

    The offset of a pair is laid to both labs alike. Repeatability is learned only where every shared speaker was measured by
    the same sample: else the samples' own spread would be taken for it.
    """
    found = []
    for lab in sorted({name for c in curves for name in (c.lab_a, c.lab_b)}):
        mine = [c for c in curves if lab in (c.lab_a, c.lab_b)]
        same = [c for c in mine if c.same_sample == len(c.speakers)]
        for part, pairs, ratio in (
            ("calibration", mine, [c.calibration_shrunk_db / c.calibration_model_db for c in mine]),
            ("repeatability", same, [c.spread_shrunk_db / c.spread_model_db for c in same]),
        ):
            if pairs:
                speakers = {name for c in pairs for name in c.speakers}
                found.append(LabError(lab, part, float(np.sqrt(np.mean(np.square(ratio)))), len(speakers)))
    return found


def adopted(store: Store) -> list[LabError]:
    """What the file holds, by lab and part."""
    rows = store.con.execute(
        "SELECT l.name, e.part, e.factor, e.speakers FROM lab_error e JOIN lab l USING (lab_id) ORDER BY 1, 2"
    ).fetchall()
    return [LabError(*row) for row in rows]


def adopt(store: Store, curves: Sequence[CurveSpread]) -> list[LabError]:
    """Learn from pairs of labs and keep it; intervals of the labs that it changes are to be worked out anew."""
    found = learned(curves)
    _keep(store, found)
    return found


def forget(store: Store) -> None:
    """Back to the error model's own sizes for every lab."""
    _keep(store, [])


def _keep(store: Store, wanted: Sequence[LabError]) -> None:
    before = {(e.lab, e.part): e.factor for e in adopted(store)}
    after = {(e.lab, e.part): e.factor for e in wanted}
    changed = sorted(
        {lab for lab, part in before.keys() | after.keys() if before.get((lab, part)) != after.get((lab, part))}
    )
    with store.transaction():
        store.con.execute("DELETE FROM lab_error")
        for e in wanted:
            store.con.execute(
                "INSERT INTO lab_error SELECT lab_id, ?, ?, ? FROM lab WHERE name = ?",
                [e.part, e.factor, e.speakers, e.lab],
            )
        store.con.execute(
            "UPDATE session SET error_model = NULL WHERE lab_id IN (SELECT lab_id FROM lab WHERE list_contains(?, name))",
            [changed],
        )


def with_lab_errors(store: Store, infos: Sequence[SessionInfo]) -> list[SessionInfo]:
    """What sessions say of themselves, with their lab's learned errors where they give no figure of their own."""
    factors: dict[str, dict[str, float]] = {}
    for e in adopted(store):
        factors.setdefault(e.lab, {})[e.part] = e.factor
    if not factors:
        return list(infos)
    return [
        replace(info, uncertainty={**{p: scaled(DEFAULT_SD[p], f) for p, f in factors.get(info.lab, {}).items()}, **info.uncertainty})
        for info in infos
    ]  # fmt: skip


def frame(errors: Sequence[LabError]) -> pl.DataFrame:
    """lab, part, factor, speakers."""
    schema = {"lab": pl.String, "part": pl.String, "factor": pl.Float64, "speakers": pl.Int64}
    return pl.DataFrame([(e.lab, e.part, e.factor, e.speakers) for e in errors], schema=schema, orient="row")
