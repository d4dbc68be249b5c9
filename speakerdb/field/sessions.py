"""Sessions as comparisons take them: each value with its errors, and what those are shared by."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from speakerdb.analysis.metric_column import on_scale
from speakerdb.field.error_models import current
from speakerdb.metric import CENSORED, Metric
from speakerdb.statistics.contrasts import Measured
from speakerdb.statistics.error_model import ErrorModel, SharedKeys
from speakerdb.store import Store, reading
from speakerdb.store.reading import ActiveValues
from speakerdb.store.writing import info_from_json

Side = tuple[int, str]  # speaker_id, setting
BySide = dict[str, list[list[Measured]]]  # metric id -> for each side its sessions


def measured(store: Store, sides: Sequence[Side], metrics: Sequence[Metric]) -> BySide:
    """The sessions of each side that have an exact value with its error, per metric."""
    active = reading.active_values(store.con, sorted({speaker for speaker, _ in sides}))
    rows: dict[Side, list[int]] = {side: [] for side in sides}
    for row, side in enumerate(zip(active.speaker_id.tolist(), active.setting, strict=True)):
        rows.get(side, []).append(row)
    return Sessions(store, active).of([rows[side] for side in sides], metrics)


def shared_keys(active: ActiveValues) -> list[SharedKeys]:
    """What each session shares its errors with."""
    return [
        SharedKeys.made_of(*row)
        for row in zip(
            active.lab,
            active.method,
            active.calibration,
            active.slug,
            active.sample,
            active.run,
            active.date,
            active.content_hash,
            strict=True,
        )
    ]


class Sessions:
    """Sessions with the errors of their values."""

    def __init__(self, store: Store, active: ActiveValues) -> None:
        self._active, self._model = active, current(store)
        self._errors = reading.session_uncertainty(store.con, active.session_id.tolist())
        self._column = {metric: j for j, metric in enumerate(active.values.metrics)}
        self._level = [self._model.level_sd(info_from_json(info)) for info in active.info]
        self._keys = shared_keys(active)
        self._loads = [bench_loads(keys.bench, self._model) for keys in self._keys]

    def of(self, sides: Sequence[Sequence[int]], metrics: Sequence[Metric], *, bounds: bool = False) -> BySide:
        """Sides that are rows of `active`. bounds: where a side has bounds alone, these stand with their finite
        ends."""
        found: BySide = {}
        for metric in metrics:
            found[metric.id] = []
            for rows in sides:
                exact = [m for row in rows if (m := self._one(metric, row)) is not None]
                if bounds and not exact:
                    exact = [m for row in rows if (m := self._one(metric, row, bound=True)) is not None]
                found[metric.id].append(exact)
        return found

    def _one(self, metric: Metric, row: int, *, bound: bool = False) -> Measured | None:
        """One session's value of a metric; None where it has none or no error, and where it is a bound unless that is
        asked for."""
        j = self._column.get(metric.id)
        if j is None:
            return None
        active, keys, loads = self._active, self._keys[row], self._loads[row]
        value, error = (
            float(active.values.value[row, j]),
            {name: float(array[row, j]) for name, array in self._errors.items()},
        )
        if (
            np.isnan(value)
            or np.isnan(error["se"])
            or (active.values.censored[row, j] != CENSORED.index("none")) != bound
        ):
            return None
        # a level moves with its run's by as much; how far a percentage does is not known, so that nothing of it is
        # taken to cancel
        level = min(self._level[row], error["se"]) if metric.absolute and metric.unit.startswith("dB") else 0.0
        bench_sd = float(np.nan_to_num(error["se_bench"]) / np.sqrt(sum(load**2 for _, load in loads)))
        other = None
        if not np.isnan(error["other_share"]):
            other = float(on_scale(metric, np.array(error["other_value"]))), error["other_se"], error["other_share"]
        return Measured(
            active.slug[row],
            active.lab[row],
            keys.bench,
            keys.sample,
            keys.run,
            keys.session,
            float(on_scale(metric, np.array(value))),
            own=float(np.sqrt(error["se"] ** 2 - level**2)),
            level=level,
            bench_sd=bench_sd,
            sample_sd=error["se_sample"],
            bench_loads=loads,
            other=other,
        )


def bench_loads(key: str, model: ErrorModel) -> tuple[tuple[str, float], ...]:
    """The independent errors of unit variance that a bench's is made of: its own, or that of the bench it was aligned
    to and what was left between the two."""
    if key not in model.alignments:
        return ((key, 1.0),)
    return (model.bench_of(key), 1.0), (f"residual of {key}", model.alignments[key].residual_sd_db / model.bench_sd_db)
