"""What would settle it: the further measurement that would narrow the difference of two speakers most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from speakerdb import derive
from speakerdb.analysis import settle as settling
from speakerdb.analysis.field import PREFERENCES
from speakerdb.analysis.settle import Sides
from speakerdb.dictionary import METRICS, MetricDef
from speakerdb.errors import RequestError
from speakerdb.library.comparing import NOT_MODELLED, Side, column, rows_of
from speakerdb.library.field import Field
from speakerdb.library.lab_errors import with_lab_errors
from speakerdb.statistics.error_model import SharedKeys, sd_over_frequency, standard_deviation
from speakerdb.statistics.settle import Measured, parts_of
from speakerdb.store import Store, reading

ASSUMED = "a further measurement is expected to have the errors of those at hand; the difference itself may move when it is made"
RESIDUAL = "predicted preferences are left out: no measurement takes off what the formula leaves unexplained"


@dataclass(frozen=True)
class SettleAnswer:
    """rows: the frame of analysis.settle; overall: each measurement over all undecided metrics; undecided, decided: metric ids;
    cautions."""

    rows: pl.DataFrame
    overall: pl.DataFrame
    undecided: tuple[str, ...]
    decided: tuple[str, ...]
    cautions: tuple[str, ...]


def settle(
    store: Store, field: Field, sides: tuple[Side, Side], metrics: Sequence[MetricDef] | None = None
) -> SettleAnswer:
    """The measurements that would narrow undecided differences of two sides, in the metrics asked for or all that are ranked.

    Raises RequestError for a side against itself, or where no metric can be judged.
    """
    if sides[0] == sides[1]:
        raise RequestError("settle needs two different speakers or settings, e.g. `settle sill-5 sill-8`")
    rows = rows_of(field, sides)
    wanted = [m for m in METRICS.values() if m.ranked] if metrics is None else list(metrics)
    wanted = [m for m in wanted if m.id not in PREFERENCES]
    columns = [column(field, m, rows) for m in wanted]
    judged = [c for c in columns if bool(c.known.all()) and set(c.censored) == {"none"}]
    if not judged:
        raise RequestError(
            "none of these metrics is known of both without a bound"
            + ("" if wanted else f": {RESIDUAL}")
            + "; `compare` says why"
        )
    measured = _measured(store, sides, [c.metric for c in judged])
    labs = [str(r[0]) for r in store.con.execute("SELECT name FROM lab ORDER BY name").fetchall()]
    frame = settling.settle(judged, (0, 1), measured, labs)
    open_ = set(settling.undecided(judged, (0, 1)))
    ids = [c.metric.id for c in judged]
    asked = metrics is None or any(m.id in PREFERENCES for m in metrics)
    return SettleAnswer(
        frame, settling.overall(frame), tuple(m for m in ids if m in open_), tuple(m for m in ids if m not in open_),
        (ASSUMED, NOT_MODELLED, *((RESIDUAL,) if asked else ())),
    )  # fmt: skip


def _measured(store: Store, sides: tuple[Side, Side], metrics: Sequence[MetricDef]) -> dict[str, Sides]:
    """metric id -> the sessions of both sides that have it, with the parts of their errors."""
    found = [_side(store, side, metrics) for side in sides]
    return {m.id: (found[0][m.id], found[1][m.id]) for m in metrics if found[0][m.id] and found[1][m.id]}


def _side(store: Store, side: Side, metrics: Sequence[MetricDef]) -> dict[str, list[Measured]]:
    heads = store.con.execute(
        "SELECT s.session_id, s.session, s.content_hash, sp.slug FROM session s JOIN speaker sp USING (speaker_id) "
        "WHERE s.status = 'active' AND s.speaker_id = ? AND s.setting = ? ORDER BY s.session_id",
        list(side),
    ).fetchall()
    ids, names = [int(h[0]) for h in heads], tuple(METRICS)
    grids, value = reading.grid_sessions(store.con, ids), reading.session_values(store.con, ids, names)
    infos = with_lab_errors(store, [grid.info for grid in grids])
    stored = {m.id: reading.session_draws(store.con, ids, m.id) for m in metrics}
    found: dict[str, list[Measured]] = {m.id: [] for m in metrics}
    for i, (_, session, content_hash, slug) in enumerate(heads):
        info = infos[i]
        unit = derive.session_uncertainty(
            replace(grids[i], info=info), content_hash, names, value[i], unit=True
        ).uncertain.se
        keys = SharedKeys.of(info, content_hash)
        level = float(sd_over_frequency(standard_deviation(info, "level")).mean())
        for metric in metrics:
            draws, own = stored[metric.id], float(unit[names.index(metric.id)])
            se, calibration = float(draws.se[i, 0]), float(draws.se_calibration[i, 0])
            if not np.isnan(se) and not np.isnan(own):
                parts = parts_of(se, own, calibration, level if metric.absolute else 0.0)
                found[metric.id].append(
                    Measured(slug, info.lab, keys.calibration, keys.sample, keys.run, session, parts)
                )
    return found
