"""Which few filters undo what a loudspeaker does alike in all directions (method:metrics#equalisation).

A filter moves every curve by the same. So only what all curves show alike can be mended: what one of them lacks comes
from the direction, and stays.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from speakerdb.acoustics import biquads, grid, response
from speakerdb.acoustics.biquads import Kind
from speakerdb.acoustics.curveset import CurveSet

Array = NDArray[np.float64]

TO_HZ = 16000.0
LEAST_CUT_DB, MOST_BOOST_DB = -12.0, 3.0
MOST_FILTERS = 5
SAMPLING_HZ = 48000.0
LEAST_GAIN_DB, LEAST_ERRORS = 0.3, 2.0  # a filter below either says nothing
BASS_LIFT_DB = 0.5  # the most that anything below the bass limit may be lifted
SHOULDER_OCT = 0.5  # above where the bass has fallen 3 dB (own judgement)
CANCELLED = 2.0  # dips deeper than so many times the largest boost are taken for cancellations
_PEAK_Q, _SHELF_Q = (0.4, 10.0), (0.5, 0.9)
_MORE = 2  # filters tried beyond those asked for, before the least useful are dropped
_WIDTHS = (3, 7, 15, 31)  # grid points that the residual is averaged over where a filter is looked for
_SHELVES: tuple[tuple[Kind, float], ...] = (("low_shelf", 200.0), ("high_shelf", 4000.0))
_SHELVES_MEET = np.log2(1000.0)  # a low shelf is for the bass, a high one for the treble (own judgement)
_TRIED = 3
_RIDGE = 0.00003  # of gains, a point: lest two filters fight each other
_WORTH = 0.02  # of the first residual: what a filter must take away to be kept
_FREE_DB = 0.5  # how far gains may still move in the last pass, without the ridge
_SCALES = np.array([0.1, 1.0, 0.3])  # log2 of the frequency, dB, log2 of Q: steps that are felt alike
_STEPS = np.array([1e-4, 1e-3, 1e-4])  # of the differences that stand for slopes
_MOVES = np.concatenate([np.zeros((1, 3)), np.diag(_STEPS)])
_Q_OF_ONE_POINT = 28.0  # a peak of Q 28 is about as wide as one point of the grid
_FEW = 5  # evaluations to see what a set would be without one filter
_STICKS_OUT_DB = 0.2
_PASSES = 4
_LEVEL_RIDGE = 0.0001  # of the level that a set takes away: a set that leaves it is the plainer one
_EXCHANGES, _BETTER = 2, 0.9  # of the residual's RMS
_NO_BOOST_DB = 1e-6
_HIGHEST_HZ = 20000.0


@dataclass(frozen=True)
class Filter:
    """One filter of second order."""

    kind: Kind
    frequency_hz: float
    gain_db: float
    q: float

    def response_db(self, sampling_hz: float) -> Array:
        """(199,) over the analysis grid."""
        return together_db([self], sampling_hz)


def _below_half(sampling_hz: float) -> Array:
    """(199,) the grid's frequencies, those that no filter of this rate knows at the highest that it does."""
    return np.minimum(grid.FREQUENCY_HZ, 0.499 * sampling_hz)


def together_db(filters: Sequence[Filter], sampling_hz: float) -> Array:
    """(199,) what filters add together."""
    kinds = [one.kind for one in filters]
    f, gain, q = np.array([(one.frequency_hz, one.gain_db, one.q) for one in filters]).reshape(-1, 3).T
    return np.asarray(biquads.response_db(kinds, f, gain, q, _below_half(sampling_hz), sampling_hz).sum(axis=0))


def deviations(c: CurveSet) -> Array:
    """(5, 199) of on axis, window, early reflections, sound power, in room from what they would be without a fault.

    The first two about their own mean over 300 Hz–3 kHz. The others fall on purpose: each is first raised by the line
    over log f (100 Hz–16 kHz) of what the window lies above it, then set to the window's mean. So what a filter does to
    all alike stands in all five alike: a line through each curve itself would take a part of it away.
    """
    window = response.mean(c.lw, response.REFERENCE)
    found = [c.on_axis - response.mean(c.on_axis, response.REFERENCE), c.lw - window]
    for curve in (c.er, c.sp, c.in_room):
        line = response.line(c.lw - curve, response.IN_ROOM)
        x = grid.LOG2_HZ - grid.LOG2_HZ[response.IN_ROOM].mean()
        middle = (c.lw - curve)[response.IN_ROOM].mean()
        found.append(curve + middle + line.slope_per_octave * x - window)
    return np.stack(found)


def mendable(deviation_db: Array, from_hz: float) -> Array:
    """(199,) what all curves (5, 199) show alike: the least of it where all agree in sign, else nothing; nothing below
    from_hz, where the box rolls off, and above 16 kHz. Averaged over three points."""
    alike = (deviation_db > 0).all(axis=0) | (deviation_db < 0).all(axis=0)
    least = np.sign(deviation_db[0]) * np.abs(deviation_db).min(axis=0)
    inside = np.zeros(least.shape, bool)
    inside[grid.band(from_hz, TO_HZ)] = True
    return np.asarray(np.where(inside, averaged(np.where(alike, least, 0.0)), 0.0))


def above_shoulder_hz(mendable_db: Array, from_hz: float) -> float:
    """Where the fit begins: from_hz, or where the dip ends that begins there, the roll-off's shoulder, half an octave
    further up at most: what the box loses there is no fault to mend either."""
    reach = grid.band(from_hz, from_hz * 2.0**SHOULDER_OCT)
    up = np.flatnonzero(mendable_db[reach] >= 0.0)
    return float(grid.FREQUENCY_HZ[reach.start + (int(up[0]) if len(up) else reach.stop - reach.start)])


def averaged(curve: Array) -> Array:
    """(..., 199) over three points, two at the ends."""
    padded = np.concatenate([curve[..., :1], curve, curve[..., -1:]], axis=-1)
    return np.asarray((padded[..., :-2] + padded[..., 1:-1] + padded[..., 2:]) / 3.0)


def cancelled(mendable_db: Array, most_boost_db: float) -> NDArray[np.bool_]:
    """(199,) dips within an octave so deep that they are taken for cancellations, from top to top: a boost would not
    fill them."""
    found = np.zeros(mendable_db.shape, bool)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (mendable_db < 0.0).astype(np.int8), [0]])))
    for first, last in edges.reshape(-1, 2).tolist():
        narrow = last - first <= grid.POINTS_PER_OCTAVE
        if narrow and mendable_db[first:last].min() < -CANCELLED * most_boost_db:
            start, end = first, last
            while start > 0 and mendable_db[start - 1] > mendable_db[start]:
                start -= 1
            while end < len(found) and mendable_db[end] > mendable_db[end - 1]:
                end += 1
            found[start:end] = True
    return found


@dataclass(frozen=True)
class Asked:
    """How many filters there may be, at which sampling rate, and how far one may boost."""

    count: int = MOST_FILTERS
    sampling_hz: float = SAMPLING_HZ
    most_boost_db: float = MOST_BOOST_DB


def fit(
    mendable_db: Array, left_out: NDArray[np.bool_], from_hz: float, bass_hz: float, asked: Asked
) -> tuple[Filter, ...]:
    """Filters that undo mendable_db (199,) from from_hz to 16 kHz but for the level, lifting nothing below bass_hz; in
    the order of their frequencies; points that are left_out (199,) don't count. None where none is worth it.

    Least squares from the residual's extremes, one filter more at a time, then the least useful dropped.
    """
    inside = np.arange(len(mendable_db))[grid.band(above_shoulder_hz(mendable_db, from_hz), TO_HZ)]
    work = _Fit(mendable_db, inside[~left_out[inside]], grid.band(1.0, bass_hz), asked)
    starts = (
        _NONE,
        work.refined(work.shelves(_NONE)),
    )  # where both ends are to be moved, either shelf alone helps little
    tried = [work.without_the_unsure(work.exchanged(work.without_the_useless(work.built(one)))) for one in starts]
    found = min(tried, key=work.rms)
    return tuple(sorted(found.filters(), key=lambda one: one.frequency_hz))


@dataclass(frozen=True, eq=False)
class _Set:
    """Filters as the solver has them: kinds; x (k, 3) log2 of the frequency, gain, log2 of Q."""

    kinds: tuple[Kind, ...]
    x: Array

    def __len__(self) -> int:
        return len(self.kinds)

    def only(self, rows: Sequence[int]) -> _Set:
        return _Set(tuple(self.kinds[i] for i in rows), self.x[list(rows)])

    def without(self, row: int) -> _Set:
        return self.only([i for i in range(len(self)) if i != row])

    def plus(self, other: _Set) -> _Set:
        return _Set(self.kinds + other.kinds, np.concatenate([self.x, other.x]))

    def filters(self) -> list[Filter]:
        return [
            Filter(kind, float(2.0 ** x[0]), float(x[1]), float(2.0 ** x[2]))
            for kind, x in zip(self.kinds, self.x, strict=True)
        ]


_NONE = _Set((), np.empty((0, 3)))


class _Fit:
    def __init__(self, mendable_db: Array, band: NDArray[np.intp], bass: slice, asked: Asked) -> None:
        self.band, self.bass, self.asked = band, bass, asked
        self.wanted = -mendable_db
        self.points = len(band)
        f = grid.FREQUENCY_HZ
        self.lowest, self.highest = np.log2(f[band[0]]), np.log2(min(_HIGHEST_HZ, 0.45 * asked.sampling_hz))
        self.at_hz = _below_half(asked.sampling_hz)
        self.first = self.rms(_NONE)

    # what it is measured by

    def shapes(self, kinds: Sequence[Kind], x: Array) -> Array:
        """(k, ..., 199) of filters (k, ..., 3)."""
        f, q = 2.0 ** x[..., 0], 2.0 ** x[..., 2]
        return biquads.response_db(kinds, f, x[..., 1], q, self.at_hz, self.asked.sampling_hz)

    def residual(self, total: Array) -> Array:
        """(n,) left over in the band, the level apart, of what filters add together (199,): averaged as the curve to
        undo is."""
        left = (averaged(total) - self.wanted)[self.band]
        return np.asarray(left - left.mean())

    def left(self, filters: _Set) -> Array:
        return self.residual(self.shapes(filters.kinds, filters.x).sum(axis=0))

    def rms(self, filters: _Set) -> float:
        return float(np.sqrt(np.mean(self.left(filters) ** 2)))

    # how it is found

    def built(self, found: _Set) -> _Set:
        while len(found) < self.asked.count + _MORE and self.rms(found) >= LEAST_GAIN_DB / 10.0:
            found = self.with_one_more(found)
        return found

    def with_one_more(self, filters: _Set) -> _Set:
        seeds = sorted(self.seeds(filters), key=lambda one: self.rms(filters.plus(one)))[:_TRIED]
        return min((self.refined(filters.plus(one)) for one in seeds), key=self.rms)

    def with_one_less(self, filters: _Set) -> _Set:
        every = range(len(filters))
        return min((self.refined(filters.without(i), _FEW) for i in every), key=self.rms)

    def without_the_useless(self, filters: _Set) -> _Set:
        while len(filters):
            fewer = self.with_one_less(filters)
            if len(filters) <= self.asked.count and self._is_missed(filters, fewer):
                break
            filters = self.refined(fewer)
        return filters

    def exchanged(self, filters: _Set) -> _Set:
        """One more, then the least useful away, as long as that leaves clearly less: what was found one after the
        other is no best set."""
        for _ in range(_EXCHANGES):
            if not len(filters) or self.rms(filters) < LEAST_GAIN_DB / 10.0:
                break
            other = self.refined(self.with_one_less(self.with_one_more(filters)))
            if self.rms(other) > _BETTER * self.rms(filters):
                break
            filters = other
        return filters

    def without_the_unsure(self, filters: _Set) -> _Set:
        whole = filters = self.freed(filters)
        while len(filters):
            fewer = [self.freed(self.refined(filters.without(i))) for i in self.unsure(filters)]
            allowed = [one for one in fewer if self.says_as_much(one, whole)]
            if not allowed:
                break
            filters = min(allowed, key=self.rms)
        return filters

    def _is_missed(self, filters: _Set, fewer: _Set) -> bool:
        """Whether a filter is worth its place: taken away, the rest lies off by more, or sticks out somewhere."""
        with_it, without = self.left(filters), self.left(fewer)
        cost = np.sqrt(np.mean(without**2)) - np.sqrt(np.mean(with_it**2))
        return bool(cost >= _WORTH * self.first or np.abs(without).max() > max(np.abs(with_it).max(), _STICKS_OUT_DB))

    def seeds(self, filters: _Set) -> list[_Set]:
        """Where the residual is highest and lowest, averaged over a few points or many; a shelf at either end."""
        left = np.zeros(len(self.wanted))
        left[self.band] = -self.left(filters)
        found = []
        for width in _WIDTHS:
            smooth = np.convolve(left, np.full(width, 1.0 / width), "same")[self.band]
            for at in (int(smooth.argmax()), int(smooth.argmin())):
                x = [grid.LOG2_HZ[self.band[at]], smooth[at], np.log2(_Q_OF_ONE_POINT / width)]
                found.append(self.seed("peaking", np.array(x)))
        shelves = self.shelves(filters)
        return [*found, *(shelves.only([i]) for i in range(len(shelves)))]

    def shelves(self, filters: _Set) -> _Set:
        """Both shelves, each with the gain that takes most away."""
        left, found = -self.left(filters), _NONE
        for kind, hz in _SHELVES:
            x = np.array([np.log2(hz), 1.0, np.log2(0.7)])
            shape = self.shapes([kind], x[None])[0, self.band]
            shape = shape - shape.mean()
            x[1] = float(shape @ left / (shape @ shape))
            found = found.plus(self.seed(kind, x))
        return found

    def seed(self, kind: Kind, x: Array) -> _Set:
        low, high = self.limits(kind)
        return _Set((kind,), np.clip(x, low, high)[None])

    def limits(self, kind: Kind) -> tuple[Array, Array]:
        low, high = _PEAK_Q if kind == "peaking" else _SHELF_Q
        lowest = max(self.lowest, _SHELVES_MEET) if kind == "high_shelf" else self.lowest
        highest = min(self.highest, _SHELVES_MEET) if kind == "low_shelf" else self.highest
        return (
            np.array([lowest, LEAST_CUT_DB, np.log2(low)]),
            np.array([highest, max(self.asked.most_boost_db, _NO_BOOST_DB), np.log2(high)]),
        )

    def refined(self, filters: _Set, most: int = 15) -> _Set:
        """All of them moved to where the squares are least."""
        return self.solved(filters, [self.limits(kind) for kind in filters.kinds], _RIDGE, most)

    def freed(self, filters: _Set) -> _Set:
        """The same without the ridge, gains a little to either side, and again as long as one goes all the way."""
        for _ in range(_PASSES if len(filters) else 0):
            low, high = (np.stack(side) for side in zip(*map(self.limits, filters.kinds), strict=True))
            before = filters.x[:, 1]
            low[:, 1], high[:, 1] = (
                np.maximum(low[:, 1], before - _FREE_DB),
                np.minimum(high[:, 1], before + _FREE_DB),
            )
            filters = self.solved(filters, list(zip(low, high, strict=True)), 0.0, 60)
            if np.abs(filters.x[:, 1] - before).max() < 0.99 * _FREE_DB:
                break
        return filters

    def unsure(self, filters: _Set) -> list[int]:
        """Filters whose gain lies within two standard errors of none, or can't be heard."""
        columns, left = self.inside(self.slopes(filters)), self.left(filters)
        free = max(self.points - len(columns), 1)
        variance = float(left @ left) / free * np.linalg.pinv(columns @ columns.T)
        error, gains = np.sqrt(np.maximum(np.diag(variance)[1::3], 0.0)), np.abs(filters.x[:, 1])
        return np.flatnonzero(gains < np.maximum(LEAST_ERRORS * error, LEAST_GAIN_DB)).tolist()

    def says_as_much(self, fewer: _Set, filters: _Set) -> bool:
        """Whether what fewer filters leave over is within two standard errors too, or hardly more: of two filters that
        do the same, neither is sure by itself, and yet one is needed."""
        less, more = float(np.sum(self.left(fewer) ** 2)), float(np.sum(self.left(filters) ** 2))
        variance = more / max(self.points - filters.x.size, 1)
        moved = self.left(fewer) - self.left(filters)
        return less - more < LEAST_ERRORS**2 * variance or float(np.abs(moved).max()) < _STICKS_OUT_DB

    def slopes(self, filters: _Set) -> Array:
        """(3k, 199) what the sum does as each number of each filter grows, filter by filter."""
        every = averaged(self.shapes(filters.kinds, filters.x[:, None] + _MOVES))
        return np.asarray(((every[:, 1:] - every[:, :1]) / _STEPS[:, None]).reshape(3 * len(filters), -1))

    def inside(self, slopes: Array) -> Array:
        """(3k, n) the same of the residual."""
        part = slopes[:, self.band]
        return np.asarray(part - part.mean(axis=1, keepdims=True))

    def solved(self, filters: _Set, bounds: Sequence[tuple[Array, Array]], ridge: float, most: int) -> _Set:
        if not len(filters):
            return filters
        kinds, weight = filters.kinds, np.sqrt(ridge * self.points)
        gains = np.zeros((filters.x.size, len(kinds)))
        gains[1::3] = weight * np.eye(len(kinds))
        at_level = np.sqrt(_LEVEL_RIDGE * self.points) if ridge else 0.0

        def errors(x: Array) -> Array:
            total = self.shapes(kinds, x.reshape(-1, 3)).sum(axis=0)
            level = at_level * total[self.band].mean(keepdims=True)
            return np.concatenate([self.residual(total), np.maximum(total[self.bass], 0.0), weight * x[1::3], level])

        def jacobian(x: Array) -> Array:
            here = _Set(kinds, x.reshape(-1, 3))
            slopes = self.slopes(here)
            lifts = self.shapes(kinds, here.x).sum(axis=0)[self.bass] > 0.0
            level = at_level * slopes[:, self.band].mean(axis=1, keepdims=True)
            return np.concatenate([self.inside(slopes), slopes[:, self.bass] * lifts, gains, level], axis=1).T

        low, high = (np.concatenate(side) for side in zip(*bounds, strict=True))
        start = np.clip(filters.x.reshape(-1), low + 1e-9, high - 1e-9)
        scale = np.tile(_SCALES, len(kinds))
        found = least_squares(errors, start, jacobian, (low, high), x_scale=scale, max_nfev=most)
        return _Set(kinds, found.x.reshape(-1, 3))
