"""What the user's own repeats say of the sizes of errors, and how benches lie to one another
(method:statistics#learning-from-repeats).

Everything rests on V = mean over pairs of the mean over 100 Hz–10 kHz of D²/2, D = difference of two curves minus its
mean over 300 Hz–3 kHz: the variance of one curve's error. Taking that mean off takes 0.1 % (w = 1/6 octave) and 0.8 %
(w = 1/2) of a field's variance with it, by its correlation exp(−π(Δ/w)²) on the grid: half of the points lie within 300
Hz–3 kHz and lose about what the other half gains. V is therefore not corrected for it.

Give only sessions that are whole over 100 Hz–10 kHz and fine enough for shape metrics: what a coarse analyser or a
short gate does to a curve depends on the speaker, so it is neither an error that repeats show nor an offset that can be
taken off.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset, grid
from speakerdb.statistics.error_model import DEFAULT_SD, LEARNABLE, sd_over_frequency

FloatArray = NDArray[np.float64]

LEAST = 5  # speakers (benches: specimens) from which a size is adopted
PRIOR = 4.0  # speakers that the default counts for
LEAST_SAMPLE_TEXT = 4  # characters: "1" may be another unit the next time
BAND = grid.band(100.0, 10000.0)
LEVEL_BAND = grid.band(300.0, 3000.0)
# Σ of squared weights of the listening window's independent curves: nine; or 0°, V ±10 and three pairs that are one
# curve each
ONE_CURVE_EACH, MIRRORED = 9 / 81, (3 * 1 + 3 * 4) / 81
BENCH = "bench"
# what the sessions of a group have in common, and what they differ in
_GROUPS: Mapping[str, tuple[tuple[str, ...], str]] = {
    "repeatability": (("speaker", "sample", "setting", "bench"), "session"),
    "session": (("speaker", "sample", "setting", "bench"), "session"),
    "level": (("speaker", "sample", "setting"), "run"),
    "sample": (("speaker", "setting", "bench"), "sample"),
    BENCH: (("speaker", "sample", "setting"), "bench"),
}
# what a session may not have sized itself if it is to teach a part: its errors are then not those of the others
_UNDECLARED: Mapping[str, frozenset[str]] = {
    "repeatability": frozenset({"repeatability", "session"}),
    "session": frozenset({"repeatability", "session"}),
    "level": frozenset({"level"}),
    "sample": frozenset({"repeatability", "session", "sample"}),
    BENCH: frozenset(),
}


@dataclass(frozen=True)
class Head:
    """What learning takes from a session's own words. session: its id; bench, run: keys of what shares those errors;
    symmetric: ± are one curve; drive_db: level of the voltage it was driven with, None where levels of two visits say
    nothing of each other (relative ones, and a powered speaker's: who knows how its gain was set); declared: parts of
    LEARNABLE that it gives a size of its own."""

    session: int
    speaker: str
    sample: str
    setting: str
    bench: str
    run: str
    symmetric: bool = False
    drive_db: float | None = None
    declared: frozenset[str] = frozenset()

    def teaches(self, part: str) -> bool:
        """Whether the session could teach a part, if there is another to set it against."""
        named = len(self.sample) >= LEAST_SAMPLE_TEXT
        return named and (part != "level" or self.drive_db is not None) and not self.declared & _UNDECLARED[part]


@dataclass(frozen=True, eq=False)
class Reading:
    """A session's curves as measured, (199,) in dB, NaN where not: axis_db, H 0 alone; window_db, the listening window
    of the nine curves (before H 0 and V 0 share one axis). Rows of larger arrays are fine."""

    head: Head
    axis_db: NDArray[np.floating]
    window_db: NDArray[np.floating]

    @property
    def level_db(self) -> float:
        """Mean of the listening window over 300 Hz–3 kHz above the drive; NaN where that is not known."""
        drive_db = np.nan if self.head.drive_db is None else self.head.drive_db
        return float(np.mean(self.window_db[LEVEL_BAND], dtype=np.float64)) - drive_db

    @property
    def complete(self) -> bool:
        return bool(np.isfinite(self.axis_db[BAND]).all() and np.isfinite(self.window_db[BAND]).all())


def as_measured(level_db: NDArray[np.floating]) -> tuple[FloatArray, FloatArray]:
    """Axis and listening window (…, 199) of the curves (…, 72, 199): H 0 alone (V 0 where there is no other), and the
    energy mean of the nine curves of the window; NaN where a curve is missing."""
    level = np.asarray(level_db, np.float64)
    horizontal = level[..., curveset.ON_AXIS, :]
    absent = np.isnan(horizontal).all(axis=-1, keepdims=True)
    axis = np.where(absent, level[..., curveset.V_AXIS, :], horizontal)
    others = [slot for slot in curveset.WINDOW_SLOTS if slot != curveset.ON_AXIS]
    power = curveset.power_of(axis) + curveset.power_of(level[..., others, :]).sum(axis=-2)
    return axis, curveset.level_of(power / len(curveset.WINDOW_SLOTS))


@dataclass(frozen=True)
class Count:
    """What could teach a part: n speakers (benches: specimens of the pair that shares most), and in how many
    sessions."""

    n: int
    sessions: int


def groups(heads: Sequence[Head], part: str) -> list[list[int]]:
    """Positions of the sessions that teach a part, those together that have all in common but what the part is
    about."""
    same, apart = _GROUPS[part]
    found: dict[tuple[object, ...], list[int]] = defaultdict(list)
    for i, head in enumerate(heads):
        if head.teaches(part):
            found[tuple(getattr(head, name) for name in same)].append(i)
    return [g for g in found.values() if len({getattr(heads[i], apart) for i in g}) > 1]


def count(heads: Sequence[Head], part: str) -> Count:
    """How much there is to learn a part from, without looking at a curve."""
    if part == BENCH:
        pairs = [units for units in _shared(heads, {}).values() if _too_few(heads, units) is None]
        rows = {i for units in pairs for sides in units.values() for side in sides for one in side for i in one}
        return Count(max(map(len, pairs), default=0), len(rows))
    found = groups(heads, part)
    speakers = len({heads[g[0]].speaker for g in found})
    if part == "level":
        speakers = min(speakers, sum(pair.freedom for pair in _run_pairs(heads)))
    return Count(speakers, sum(map(len, found)))


# sizes


@dataclass(frozen=True)
class Size:
    """What is known of one part. default_sd_db: root mean square of the default over 100 Hz–10 kHz; seen_sd_db: what
    the repeats say by themselves, NaN without any; wanted_sd_db: √((4·s0² + n·ŝ²)/(4 + n)); n: speakers with repeats,
    in so many sessions."""

    part: str
    default_sd_db: float
    seen_sd_db: float
    n: int
    sessions: int

    @property
    def wanted_sd_db(self) -> float:
        if not self.n:
            return self.default_sd_db
        return float(np.sqrt((PRIOR * self.default_sd_db**2 + self.n * self.seen_sd_db**2) / (PRIOR + self.n)))

    @property
    def reason(self) -> str | None:
        """Why it stays as it is; None where it can be adopted."""
        return (
            None
            if self.n >= LEAST
            else f"{self.n or 'no'} {'speaker' if self.n == 1 else 'speakers'}; it takes {LEAST}"
        )

    @property
    def factor(self) -> float:
        """What the default is multiplied by on adoption: 1 where it stays."""
        return self.wanted_sd_db / self.default_sd_db if self.reason is None else 1.0


def default_sd_db(part: str) -> float:
    """Root mean square over 100 Hz–10 kHz of a learnable part's default."""
    sd = sd_over_frequency(DEFAULT_SD[LEARNABLE[part][0]])[BAND].astype(np.float64)
    return round(float(np.sqrt(np.mean(sd**2))), 6)


def sizes(readings: Iterable[Reading]) -> tuple[Size, ...]:
    """Every learnable part, in the order of LEARNABLE."""
    found = distinct(readings)
    heads = [r.head for r in found]
    shapes = _Shapes.of(found)
    repeat_v, session_v = _repeat_variances(heads, shapes)
    repeat, session = (_size(part, v, heads) for part, v in (("repeatability", repeat_v), ("session", session_v)))
    sample = _size("sample", _sample_variance(heads, shapes, repeat.wanted_sd_db, session.wanted_sd_db), heads)
    level = _size("level", _level_variance(heads, found), heads)
    by_part = {s.part: s for s in (repeat, session, sample, level)}
    return tuple(by_part[part] for part in LEARNABLE)


def distinct(readings: Iterable[Reading]) -> list[Reading]:
    """Complete readings, each once: the same curves under two names are no repeat."""
    seen: dict[bytes, Reading] = {}
    for r in readings:
        if r.complete:
            seen.setdefault(np.round(np.concatenate([r.axis_db, r.window_db]), 3).tobytes(), r)
    return list(seen.values())


def _size(part: str, variance: float, heads: Sequence[Head]) -> Size:
    found = count(heads, part)
    return Size(part, default_sd_db(part), float(np.sqrt(variance)), found.n, found.sessions)


@dataclass(frozen=True, eq=False)
class _Shapes:
    """axis, window (n, 133): curves over 100 Hz–10 kHz less their mean over 300 Hz–3 kHz; weight (n,): Σ of squared
    weights."""

    axis: FloatArray
    window: FloatArray
    weight: FloatArray

    @classmethod
    def of(cls, readings: Sequence[Reading]) -> _Shapes:
        axis, window = (
            np.array([getattr(r, name) for r in readings], np.float64).reshape(-1, len(grid.FREQUENCY_HZ))
            for name in ("axis_db", "window_db")
        )
        weight = np.array([MIRRORED if r.head.symmetric else ONE_CURVE_EACH for r in readings])
        return cls(_shape(axis)[:, BAND], _shape(window)[:, BAND], weight)


def _shape(curves: FloatArray) -> FloatArray:
    return np.asarray(curves - curves[..., LEVEL_BAND].mean(axis=-1, keepdims=True))


def _within(shapes: FloatArray) -> float:
    """Mean over all pairs of rows of the mean of D²/2: the variance of k rows about their mean, k − 1 in the
    denominator."""
    return float(shapes.var(axis=0, ddof=1).mean())


def _across(a: FloatArray, b: FloatArray) -> float:
    """Mean over all pairs of a row of a and a row of b of the mean of D²/2, without forming the pairs."""
    squares = (a**2).mean(axis=0) + (b**2).mean(axis=0) - 2.0 * a.mean(axis=0) * b.mean(axis=0)
    return float(squares.mean() / 2.0)


def _mean_by_speaker(rows: Sequence[tuple[str, float, FloatArray]]) -> FloatArray:
    """Rows (speaker, weight, values): weighted mean over each speaker's, then over speakers."""
    own: dict[str, list[tuple[float, FloatArray]]] = defaultdict(list)
    for speaker, weight, values in rows:
        own[speaker].append((weight, values))
    means = [np.average([v for _, v in mine], axis=0, weights=[w for w, _ in mine]) for mine in own.values()]
    return np.asarray(np.mean(means, axis=0))


def _repeat_variances(heads: Sequence[Head], shapes: _Shapes) -> tuple[float, float]:
    """r² and c²: the mean of nine curves has 1/9 of r² and all of c², a curve alone has all of both."""
    rows = [
        (
            heads[g[0]].speaker,
            len(g) - 1.0,
            np.array([_within(shapes.axis[g]), _within(shapes.window[g]), shapes.weight[g].mean()]),
        )
        for g in groups(heads, "repeatability")
    ]
    if not rows:
        return np.nan, np.nan
    axis, window, weight = _mean_by_speaker(rows)
    repeat = max(0.0, float((axis - window) / (1.0 - weight)))
    return repeat, max(0.0, float(window - weight * repeat))


def _sample_variance(heads: Sequence[Head], shapes: _Shapes, repeat_sd: float, session_sd: float) -> float:
    """s²: what is left between serials once repeat and session are taken off, as large as they would be adopted."""
    rows = []
    for g in groups(heads, "sample"):
        units: dict[str, list[int]] = defaultdict(list)
        for i in g:
            units[heads[i].sample].append(i)
        for a, b in combinations(units.values(), 2):
            values = np.array([_across(shapes.window[a], shapes.window[b]), shapes.weight[[*a, *b]].mean()])
            rows.append((heads[g[0]].speaker, 1.0, values))
    if not rows:
        return np.nan
    window, weight = _mean_by_speaker(rows)
    return max(0.0, float(window - session_sd**2 - weight * repeat_sd**2))


# level


_Sides = tuple[list[list[int]], list[list[int]]]  # positions of the sessions on either side, setting by setting


@dataclass(frozen=True, eq=False)
class _RunPairs:
    """Runs of one sample set against each other, between two benches or within one. by_speaker: the pairs of each."""

    within: bool
    by_speaker: Mapping[str, Sequence[_Sides]]

    @property
    def freedom(self) -> int:
        """How many independent differences: one a speaker, less the one that the benches' own difference costs."""
        return len(self.by_speaker) - (not self.within)


def _run_pairs(heads: Sequence[Head]) -> list[_RunPairs]:
    """A pair of runs that holds several speakers has one difference of level, so it counts with the first of them
    alone."""
    sides: dict[tuple[tuple[str, str], tuple[str, str]], _Sides] = defaultdict(lambda: ([], []))
    owner: dict[object, str] = {}
    for g in groups(heads, "level"):
        runs: dict[tuple[str, str], list[int]] = defaultdict(list)
        for i in g:
            runs[heads[i].bench, heads[i].run].append(i)
        for a, b in combinations(sorted(runs), 2):
            if a[1] != b[1]:
                sides[a, b][0].append(runs[a])
                sides[a, b][1].append(runs[b])
                owner[a, b] = min(owner.get((a, b), heads[g[0]].speaker), heads[g[0]].speaker)
    found: dict[tuple[str, str], dict[str, list[_Sides]]] = defaultdict(lambda: defaultdict(list))
    for (a, b), of_pair in sides.items():
        found[a[0], b[0]][owner[a, b]].append(of_pair)
    return [_RunPairs(a == b, by_speaker) for (a, b), by_speaker in found.items()]


def _level_variance(heads: Sequence[Head], readings: Sequence[Reading]) -> float:
    """Variance of a run's level: half the mean square of run differences, the mean of each pair of benches taken off.

    It holds the mean over 300 Hz–3 kHz of the session's error too: 3 % of the standard deviation with the defaults.
    """
    level = np.array([r.level_db for r in readings])
    total, freedom = 0.0, 0
    for found in _run_pairs(heads):
        by_speaker = [[_gap(level, pair) for pair in pairs] for pairs in found.by_speaker.values()]
        centre = 0.0 if found.within else float(np.mean([np.mean(gaps) for gaps in by_speaker]))
        total += sum(float(np.mean((np.array(gaps) - centre) ** 2)) for gaps in by_speaker)
        freedom += found.freedom
    return total / (2.0 * freedom) if freedom else np.nan


def _gap(values: FloatArray, sides: _Sides) -> FloatArray:
    """Mean over settings of the difference of the two sides' means over sessions; values (n, …)."""
    return np.asarray(
        np.mean([values[a].mean(axis=0) - values[b].mean(axis=0) for a, b in zip(*sides, strict=True)], axis=0)
    )


# benches


@dataclass(frozen=True, eq=False)
class BenchPair:
    """How `bench` lies to `to_bench`, the one with more sessions (tie: by name), by the specimens that both have
    measured.

    offset_db (199,): what is added to the curves of `bench`: mean difference to_bench − bench, 1/3-octave smoothed, and
    the mean difference of level where both know it (level_db, else NaN). residual_sd_db: of what is left between the
    two, 100 Hz–10 kHz, levels apart; NaN from one specimen. specimens: (speaker, sample). reason: why it is not
    adopted, None where it is.
    """

    bench: str
    to_bench: str
    specimens: tuple[tuple[str, str], ...]
    offset_db: FloatArray
    level_db: float
    residual_sd_db: float
    reason: str | None

    @property
    def n(self) -> int:
        return len(self.specimens)

    @property
    def shape_db(self) -> float:
        """Root mean square of the offset over 100 Hz–10 kHz, its mean over 300 Hz–3 kHz set aside."""
        return float(np.sqrt(np.mean(_shape(self.offset_db)[BAND] ** 2)))


_Unit = tuple[str, str]  # speaker, sample


def _shared(heads: Sequence[Head], order: Mapping[str, int]) -> dict[tuple[str, str], dict[_Unit, _Sides]]:
    """(bench, bench) -> unit -> sides, the bench that comes first in `order` (then by name) first."""
    found: dict[tuple[str, str], dict[_Unit, _Sides]] = defaultdict(lambda: defaultdict(lambda: ([], [])))
    for g in groups(heads, BENCH):
        benches: dict[str, list[int]] = defaultdict(list)
        for i in g:
            benches[heads[i].bench].append(i)
        for a, b in combinations(sorted(benches, key=lambda bench: (order.get(bench, 0), bench)), 2):
            sides = found[a, b][heads[g[0]].speaker, heads[g[0]].sample]
            sides[0].append(benches[a])
            sides[1].append(benches[b])
    return found


def bench_pairs(readings: Iterable[Reading], sessions: Mapping[str, int]) -> tuple[BenchPair, ...]:
    """Every pair of benches that share a specimen, those of the best known benches first. sessions: how many each bench
    has in all.

    A bench is aligned to one that is not aligned itself, first to the reference, the one with most sessions: so no
    bench carries the residual of a third.
    """
    found = distinct(readings)
    heads = [r.head for r in found]
    windows = np.array([r.window_db for r in found], np.float64)
    levels = np.array([r.level_db for r in found])
    order = {bench: i for i, bench in enumerate(sorted(sessions, key=lambda b: (-sessions[b], b)))}
    aligned: set[str] = set()
    pairs = []
    for (to_bench, bench), units in sorted(_shared(heads, order).items(), key=lambda item: [order[b] for b in item[0]]):
        reason = _too_few(heads, units)
        if aligned & {bench, to_bench}:
            reason = "one of the two is aligned to a third"
        elif reason is None:
            aligned.add(bench)
        window = np.array([_gap(windows, sides) for sides in units.values()])
        level = np.array([_gap(levels, sides) for sides in units.values() if _leveled(heads, sides)])
        shape, residual = _offset(_shape(window))
        level_db = float(level.mean()) if len(level) else np.nan
        offset = shape + (level_db if len(level) else 0.0)
        pairs.append(BenchPair(bench, to_bench, tuple(units), offset, level_db, residual, reason))
    return tuple(pairs)


def _leveled(heads: Sequence[Head], sides: _Sides) -> bool:
    return all(heads[i].drive_db is not None for side in sides for sessions in side for i in sessions)


def _too_few(heads: Sequence[Head], units: Mapping[_Unit, _Sides]) -> str | None:
    """Why two benches can't be aligned by these units, None where they can: by shape and level, or by shape alone where
    not one unit tells the level."""
    if len(units) < LEAST:
        return f"{len(units)} {'specimen' if len(units) == 1 else 'specimens'}; it takes {LEAST}"
    leveled = sum(_leveled(heads, sides) for sides in units.values())
    return (
        f"the level is known on both for {leveled} of {len(units)}; it takes {LEAST}" if 0 < leveled < LEAST else None
    )


def _smooth(curves: FloatArray) -> FloatArray:
    """1/3-octave smoothed, with what that takes off the curve smoothed too and put back: else the offset's own bends
    would be cut.

    Simulated with two default bench errors (w = 1 octave) of double size, r 0.2 and c 0 dB, 12 specimens: the offset
    found is
    0.022 dB from the truth, smoothed once 0.044, not at all 0.027.
    """
    once = grid.smooth_third_octave(curves)
    return once + grid.smooth_third_octave(curves - once)


def _offset(shapes: FloatArray) -> tuple[FloatArray, float]:
    """Differences (n, 199) with their level taken off -> the smoothed mean (199,), held beyond where enough specimens
    know it, and the standard deviation of what is left once it is taken off: the error of the mean, and what is finer
    than the smoothing."""
    n = len(shapes)
    smooth = _smooth(shapes)
    known = np.flatnonzero(np.isfinite(shapes).sum(axis=0) >= min(n, LEAST))
    mean = np.nanmean(smooth[:, known], axis=0)
    held = np.interp(np.arange(shapes.shape[1]), known, mean)
    offset = held - held[LEVEL_BAND].mean()
    if n < 2:
        return offset, np.nan
    of_mean = smooth[:, BAND].var(axis=0, ddof=1).mean() / n
    rest = shapes[:, BAND] - smooth[:, BAND]
    finer = max(0.0, float((rest.mean(axis=0) ** 2).mean() - rest.var(axis=0, ddof=1).mean() / n))
    return offset, float(np.sqrt(of_mean + finer))
