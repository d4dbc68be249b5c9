"""What a time gate leaves of a response (method:metrics#gated-data).

A gate of length T cuts off what the impulse response holds after T: it resolves 1/T, and tells nothing below. From 2/T
up its levels count by themselves, from 1/T up where something that reaches lower was merged below it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics.grid import FREQUENCY_HZ, LOG2_HZ, named
from speakerdb.acoustics.response import SHAPE
from speakerdb.session import Band, SessionInfo

GATED = "gated"
ALONE, MERGED = 2.0, 1.0  # in 1/T: from where up a gated band counts, alone and above what was merged below it
SHAPE_MS = 3.5  # the shortest gate that shows the response's fine shape
SHAPE_HZ = named(SHAPE)  # what has to be covered for that
ERROR_DB = 0.7  # at 1/T, falling to nothing at 2/T over log f (own judgement)


def counted_hz(info: SessionInfo) -> tuple[float | None, float | None]:
    """From where to where a session's curves count, None: as far as they go. Of a gate of unknown length, with no
    lowest frequency stated either, no more is taken than of the shortest that shows fine shape."""
    low, high = info.valid_from_hz, info.valid_to_hz
    if info.bands:
        first = info.bands[0]
        ends = [first.from_hz, *([ALONE / _seconds(first.gate_ms)] if first.gate_ms else [])]
        return max(low or 0.0, *ends), min(high or np.inf, info.bands[-1].to_hz)
    if info.gate_ms is not None:
        return max(low or 0.0, ALONE / _seconds(info.gate_ms)), high
    if of_unknown_length(info) and low is None:
        return ALONE / _seconds(SHAPE_MS), high
    return low, high


def of_unknown_length(info: SessionInfo) -> bool:
    """Whether a session was gated, and nobody says for how long."""
    return info.method == GATED and info.gate_ms is None and not info.bands


def gates_ms(info: SessionInfo) -> tuple[float, ...]:
    """The lengths of all gates that a session's curves went through, ascending."""
    lengths = {b.gate_ms for b in info.bands} if info.bands else {info.gate_ms}
    return tuple(sorted(ms for ms in lengths if ms is not None))


def leaves_out_shape(info: SessionInfo) -> bool:
    """Whether gate or bands leave out part of what the response's fine shape is read from."""
    if not info.bands and not gates_ms(info) and not of_unknown_length(info):
        return False
    low, high = counted_hz(info)
    first, last = FREQUENCY_HZ[SHAPE.start], FREQUENCY_HZ[SHAPE.stop - 1]
    return bool((low or 0.0) > first * (1 + 1e-9) or (high or np.inf) < last * (1 - 1e-9))


def unresolved(info: SessionInfo) -> NDArray[np.float32]:
    """(199,) how little of the response the gates resolve: 1 at 1/T, falling to 0 at 2/T over log f, in the gated bands
    that count from below 2/T; 0 elsewhere."""
    found = np.zeros(len(LOG2_HZ), np.float32)
    for band in info.bands[1:]:
        if band.gate_ms is not None:
            found = np.maximum(found, _within(band) * np.clip(_octaves_below_alone(band.gate_ms), 0.0, 1.0))
    return np.asarray(found, np.float32)


def _octaves_below_alone(gate_ms: float) -> NDArray[np.float64]:
    return np.asarray((np.log2(ALONE / _seconds(gate_ms)) - LOG2_HZ) / np.log2(ALONE / MERGED))


def _within(band: Band) -> NDArray[np.bool_]:
    return (band.from_hz <= FREQUENCY_HZ) & (band.to_hz >= FREQUENCY_HZ)


def _seconds(gate_ms: float) -> float:
    return gate_ms / 1000.0
