"""A speaker with the filters that mend it: which these are, and what its values are with them
(method:metrics#equalisation)."""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb import derive
from speakerdb.acoustics import grid
from speakerdb.acoustics.curveset import CurveSet
from speakerdb.acoustics.response import IN_ROOM
from speakerdb.analysis import filter_fitting, unmendable
from speakerdb.analysis.filter_fitting import Asked, Filter
from speakerdb.analysis.unmendable import Left
from speakerdb.derive.gridding import rounded
from speakerdb.errors import RequestError
from speakerdb.field import error_models
from speakerdb.field.sessions import shared_keys
from speakerdb.metric import Metric, ValueTable
from speakerdb.metrics import METRICS
from speakerdb.metrics.response_rows import F3, F6, NBD_IN_ROOM, NBD_ON_AXIS
from speakerdb.session import GridSession
from speakerdb.statistics.intervals import decode
from speakerdb.store import Store, equalised, reading, values

Array = NDArray[np.float64]

CURVES = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
JUDGED = tuple(m.id for m in METRICS.values() if m.group == "response")
PLATEAU = 2.0  # a −3 dB point so far above the −6 dB one is a slope of the response and no roll-off (own judgement)
OVERDRIVES = "the filters found would overdrive the bass"
SUBWOOFER = "it is a subwoofer: what equalisation mends is told of main speakers, from their bass limit to 16 kHz"


VERSION = 1  # of how filters are found: raised where a change of the code may change them


def definitions() -> str:
    """By what filters and values with them are worked out: another text makes kept ones out of date."""
    of_metrics = ",".join(f"{m}:{METRICS[m].version}" for m in JUDGED)
    return f"{VERSION} {hashlib.sha256(of_metrics.encode()).hexdigest()[:10]}"


def kept(store: Store, speaker_id: int, setting: str, basis: str) -> equalised.Equalised:
    """A speaker worked out as it is kept."""
    try:
        found = mend(store, speaker_id, setting, Asked())
    except RequestError as error:
        return equalised.Equalised(speaker_id, setting, basis, (), None, error.message, None)
    filters = [asdict(one) for one in found.filters]
    return equalised.Equalised(speaker_id, setting, basis, filters, found.withheld, None, found.after)


@dataclass(frozen=True, eq=False)
class Mended:
    """filters: those found; withheld: why they are not to be used, else None; added_db (199,): what those in use add.
    left: what they leave, and why. after: one row of values with their uncertainty, of JUDGED; None where no filter is
    in use: then the values are as they were."""

    filters: tuple[Filter, ...]
    withheld: str | None
    added_db: Array
    left: list[Left]
    after: ValueTable | None

    @property
    def in_use(self) -> tuple[Filter, ...]:
        return () if self.withheld else self.filters


def mend(store: Store, speaker_id: int, setting: str, asked: Asked) -> Mended:
    """Work it out. Raises RequestError where the speaker can't be judged."""
    measured = _Sessions(store, speaker_id, setting)
    deviation, from_hz, bass_hz = _faults(store, speaker_id, setting, measured)
    common = filter_fitting.mendable(deviation, from_hz)
    cancelled = filter_fitting.cancelled(common, asked.most_boost_db)
    filters = filter_fitting.fit(common, cancelled, from_hz, bass_hz, asked)
    added = filter_fitting.together_db(filters, asked.sampling_hz)
    after = measured.with_filters(added) if filters else None
    why_not = None
    if (added[grid.band(1.0, bass_hz)] > filter_fitting.BASS_LIFT_DB).any():
        why_not = OVERDRIVES
    elif after is not None:
        why_not = _worse(measured.before, after)
    if why_not is not None:
        added, after = np.zeros_like(added), None
    return Mended(filters, why_not, added, unmendable.left_over(deviation, added, cancelled, from_hz), after)


def _faults(store: Store, speaker_id: int, setting: str, measured: _Sessions) -> tuple[Array, float, float]:
    """(5, 199) deviations of the pooled curves, and the −3 and the −6 dB limit at the upper end of its interval."""
    if measured.sessions[0].info.kind == "subwoofer":
        raise RequestError(SUBWOOFER)
    curves = {name: np.array(values.pooled_curve(store.con, name, speaker_id, setting)) for name in CURVES}
    for name, curve in curves.items():
        if not len(curve) or np.isnan(curve[IN_ROOM]).any():
            words = name.replace("_", " ")
            raise RequestError(
                f"its {words} curve is not known over all of 100 Hz–16 kHz: what all directions share can't be told"
            )
    limits = []
    for metric in (F3, F6):
        row = (
            values.shown_pooled(store.con, speaker_id, [setting])
            .filter(pl.col("metric") == metric.id)
            .row(0, named=True)
        )
        if row["value"] is None:
            raise RequestError(f"{metric.phrase} withheld: {row['reason']}")
        limits.append(row["value"] if row["high"] is None else row["high"])
    return filter_fitting.deviations(CurveSet(*curves.values())), min(limits[0], PLATEAU * limits[1]), limits[1]


def _worse(before: ValueTable, after: ValueTable) -> str | None:
    """Why a set is not used that makes narrow bands less even."""
    for metric in (NBD_ON_AXIS, NBD_IN_ROOM):
        was, would = (_value(table, metric) for table in (before, after))
        if would > was:
            text = metric.quantity.text
            return f"the filters found would raise {metric.phrase} from {text(was)} to {text(would)}"
    return None


def _value(table: ValueTable, metric: Metric) -> float:
    return float(table.value[0, table.metrics.index(metric.id)])


class _Sessions:
    """The sessions of a speaker in one setting, as values are pooled from them."""

    def __init__(self, store: Store, speaker_id: int, setting: str) -> None:
        active = reading.active_values(store.con, [speaker_id])
        rows = np.array([i for i, one in enumerate(active.setting) if one == setting], np.int64)
        ids = active.session_id[rows].tolist()
        self.model = error_models.current(store)
        self.sessions = error_models.aligned(reading.grid_sessions(store.con, ids), self.model)
        self._hashes = [active.content_hash[i] for i in rows]
        keys = shared_keys(active)
        self._keys = [keys[i] for i in rows]
        self._by = derive.Grouping(
            np.zeros(len(rows), np.int64), [active.sample[i] for i in rows], [active.lab[i] for i in rows]
        )
        kept = active.values.only(JUDGED)
        reason = {
            (k, m): kept.reason[i, m] for k, i in enumerate(rows.tolist()) for m in JUDGED if (i, m) in kept.reason
        }
        mine = ValueTable(kept.metrics, kept.value[rows], kept.censored[rows], reason, kept.upper[rows])
        self.before = derive.pool_table(mine, self._by)

    def with_filters(self, added_db: Array) -> ValueTable:
        """Pooled values with their uncertainty, one row of JUDGED, of the sessions with what filters add: derived as
        measured ones are, from levels rounded as these are stored."""
        filtered = [_filtered(s, added_db) for s in self.sessions]
        found = derive.derive(filtered, JUDGED)
        table = found.values
        pooled = derive.pool_listening_axis(derive.pool_table(table, self._by), found.listening_axis, self._by)
        each = [
            derive.session_uncertainty(s, h, table.metrics, v, self.model, u)
            for s, h, v, u in zip(filtered, self._hashes, table.value, table.upper, strict=True)
        ]
        stacked = {name: np.stack([one.columns[name] for one in each]) for name in each[0].columns}
        columns = derive.open_ends(stacked, table.censored)
        own, bench = (np.stack([getattr(one, layer) for one in each]) for layer in ("own", "bench"))

        def draws(rows: NDArray[np.int64]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
            return decode(columns["se"][rows], own[rows]), decode(columns["se_bench"][rows], bench[rows])

        spread = derive.Spread(columns, self._keys, draws)
        together = derive.pool_spread(table, pooled, spread, self._by)
        ends = derive.reach_upper_ends(together.columns, table, pooled, spread, self._by)
        return replace(pooled, value=together.value).with_uncertainty(derive.open_ends(ends, pooled.censored))


def _filtered(s: GridSession, added_db: Array) -> GridSession:
    """A session through filters: its curves alone, which is all that the response is told from."""
    level = rounded(s.level_db.astype(np.float64) + added_db)
    sphere = None if s.sphere_power_db is None else rounded(s.sphere_power_db.astype(np.float64) + added_db)
    return replace(s, level_db=level, sphere_power_db=sphere, distortion=None, compression=None)
