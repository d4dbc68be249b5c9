"""Sessions that repeat others, from which the sizes of errors and of benches are learned."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from speakerdb.acoustics.gates import gates_ms
from speakerdb.derive.measuring import readings_of
from speakerdb.metrics.response_rows import FLATNESS_WINDOW
from speakerdb.session import SessionInfo
from speakerdb.statistics import learning
from speakerdb.statistics.error_model import DEFAULT_SD, LEARNABLE, NOISE, SharedKeys, bench_key, sd_over_frequency
from speakerdb.statistics.learning import BENCH, BenchPair, Head, Reading
from speakerdb.store import Store, reading
from speakerdb.store import learned as stored
from speakerdb.store.learned import SessionHead

BATCH_SESSIONS = 64


def bench_pairs(store: Store) -> tuple[BenchPair, ...]:
    """How benches lie to one another, by the specimens that both have measured."""
    return learning.bench_pairs(repeats_of(store)[1], sessions_by_bench(store))


def sessions_by_bench(store: Store) -> dict[str, int]:
    """Bench key -> how many sessions that count it has measured."""
    rows = stored.sessions_by_bench(store.con)
    return {bench_key(lab, method, calibration): n for lab, method, calibration, n in rows}


def heads_of(store: Store) -> list[Head]:
    # that metric has a value where the window is whole over 100 Hz–10 kHz and fine enough for shape metrics
    return [_head(h) for h in stored.repeated(store.con, FLATNESS_WINDOW.id) if not gates_ms(h.info)]


def _head(of: SessionHead) -> Head:
    info = of.info
    keys = SharedKeys.of(info, "")
    return Head(
        of.session_id,
        of.speaker,
        info.sample,
        info.setting,
        keys.bench,
        keys.run,
        info.symmetric,
        _drive_db(info),
        _declared(info),
    )


def _drive_db(info: SessionInfo) -> float | None:
    """Level of the drive in dB re 1 V where levels stand for a passive speaker's output at it."""
    if info.powered or info.level_is == "relative" or not info.drive_voltage_v:
        return None
    return 20.0 * math.log10(info.drive_voltage_v)


def _declared(info: SessionInfo) -> frozenset[str]:
    """Learnable parts that a session sizes itself; noise of its own above the default repeat is such a size too."""
    found = {name for name, parts in LEARNABLE.items() if any(part in info.uncertainty for part in parts)}
    if NOISE in info.uncertainty:
        noise, usual = (
            sd_over_frequency(sd)[learning.BAND] for sd in (info.uncertainty[NOISE], DEFAULT_SD["repeatability"])
        )
        if float(np.mean(noise**2)) > float(np.mean(usual**2)):
            found.add("repeatability")
    return frozenset(found)


def repeats_of(store: Store) -> tuple[list[Head], list[Reading]]:
    """Every session that could teach, and the curves of those that have another to be set against."""
    heads = heads_of(store)
    ids = sorted({heads[i].session for part in (*LEARNABLE, BENCH) for g in learning.groups(heads, part) for i in g})
    return heads, _readings(store, {h.session: h for h in heads}, ids)


def _readings(store: Store, heads: Mapping[int, Head], ids: Sequence[int]) -> list[Reading]:
    found = []
    for start in range(0, len(ids), BATCH_SESSIONS):
        batch = ids[start : start + BATCH_SESSIONS]
        axis, window = learning.as_measured(readings_of(reading.grid_sessions(store.con, batch)))
        found += [
            Reading(heads[i], a, w)
            for i, a, w in zip(batch, axis.astype(np.float32), window.astype(np.float32), strict=True)
        ]
    return found
