"""Pooling: what stands for a speaker in one setting (method:statistics#pooling): means of metric values, not of curves.

On the metric's scale (log2 where ratios count): sessions within sample and lab first, then labs, then samples, with
equal weights at each step. Draws pool as the values do, so that errors which sessions share stay shared.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import response
from speakerdb.derive.uncertainty import another, ends_in_units, scaled, unscaled
from speakerdb.metric import CENSORED, ENDS, UNCERTAINTY, Metric, ValueTable
from speakerdb.metrics import METRICS
from speakerdb.metrics.response_rows import LISTENING_AXIS
from speakerdb.statistics import intervals, weights
from speakerdb.statistics.benches import Pattern
from speakerdb.statistics.clusters import codes, sums
from speakerdb.statistics.error_model import SharedKeys
from speakerdb.statistics.heterogeneity import disagreement, widening

Array = NDArray[np.float64]
OPPOSITE = "sessions bound it from both sides (one at most, one at least)"
USABLE = ("usable_low", "usable_high", "usable_cause")  # curves of ends that may be open, with what sets the lower one
NOISE = "noise_"  # start of the names of curves that hold a standard deviation: their mean shrinks with the sessions
_AT_MOST, _AT_LEAST, _BETWEEN = 1, 2, 3


@dataclass(frozen=True, eq=False)
class Grouping:
    """Which sessions stand together: group (S,), 0 … G − 1, a speaker's setting each; sample and lab (S,), what they
    are pooled by."""

    group: NDArray[np.int64]
    sample: Sequence[str]
    lab: Sequence[str]

    @property
    def count(self) -> int:
        return int(self.group.max()) + 1 if len(self.group) else 0

    def take(self, rows: NDArray[np.int64]) -> Grouping:
        """Some sessions as one group."""
        return Grouping(np.zeros(len(rows), np.int64), [self.sample[r] for r in rows], [self.lab[r] for r in rows])

    def steps(self) -> list[NDArray[np.int64]]:
        """For each step the parent of each node: sessions -> (group, sample, lab) -> (group, sample) -> group."""
        return weights.steps(self.group, self.sample, self.lab)

    def weights(self) -> Array:
        """(S,) the share of each session in its group's mean when every session has the value."""
        return weights.pool_weights(self.group, self.sample, self.lab)


def pool_table(values: ValueTable, by: Grouping) -> ValueTable:
    """Pool the rows of values by group; withheld values take no part.

    A bound ("≤ 255 Hz") that the mean of the exact values lies within says nothing more and is left out; one that
    contradicts them, or stands where nothing is exact, makes the pooled value a bound of its side. Of values that lie
    between two ends both ends are pooled, those of exact ones being alike. A group's value is withheld where all of its
    sessions withhold it or their bounds are opposite.
    """
    groups = by.count
    if not groups:
        return values
    steps = by.steps()
    rows = [METRICS[m] for m in values.metrics]
    x = _by_column(scaled, rows, values.value)
    finite = (values.censored == 0) | (values.censored == _BETWEEN)
    exact = _step_means(np.where(finite, x, np.nan), steps)
    ends = np.where(values.censored == _BETWEEN, _by_column(scaled, rows, values.upper), np.where(finite, x, np.nan))
    upper = _step_means(ends, steps)
    at_most = (values.censored == _AT_MOST) & ~(x >= exact[by.group])
    at_least = (values.censored == _AT_LEAST) & ~(x <= exact[by.group])
    pooled = _step_means(np.where(finite | at_most | at_least, x, np.nan), steps)
    below, above = (_any(bound & ~np.isnan(x), by.group, groups) for bound in (at_most, at_least))
    opposite = below & above
    pooled[opposite] = np.nan
    apart = upper > exact
    censored = np.select([np.isnan(pooled), below, above, apart], [0, _AT_MOST, _AT_LEAST, _BETWEEN], 0).astype(np.int8)
    upper[censored != _BETWEEN] = np.nan
    reason: dict[tuple[int, str], str] = {}
    column = {m: j for j, m in enumerate(values.metrics)}
    for (row, metric), text in values.reason.items():
        g = int(by.group[row])
        if np.isnan(pooled[g, column[metric]]):
            reason.setdefault((g, metric), text)
    for g, j in zip(*np.nonzero(opposite), strict=True):
        reason[int(g), values.metrics[j]] = OPPOSITE
    return ValueTable(
        values.metrics, _by_column(unscaled, rows, pooled), censored, reason, _by_column(unscaled, rows, upper)
    )


def _by_column(scale: Callable[[Metric, Array], Array], metrics: Sequence[Metric], values: Array) -> Array:
    return np.stack([scale(m, values[:, j]) for j, m in enumerate(metrics)], axis=1) if metrics else values


def _step_means(value: Array, steps: Sequence[NDArray[np.int64]]) -> Array:
    """Means over each step's parents in turn, of what is there: (S, M) -> (G, M), NaN where nothing is."""
    for parent in steps:
        there = ~np.isnan(value)
        total, count = sums(parent, np.where(there, value, 0.0)), sums(parent, there.astype(float))
        value = np.where(count > 0, total / np.maximum(count, 1.0), np.nan)
    return value


def _any(flags: NDArray[np.bool_], group: NDArray[np.int64], groups: int) -> NDArray[np.bool_]:
    found = np.zeros((groups, flags.shape[1]), bool)
    np.logical_or.at(found, group, flags)
    return found


def pool_listening_axis(pooled: ValueTable, axis: tuple[Array, Array], by: Grouping) -> ValueTable:
    """The listening axis of groups: narrow-band deviation and treble balance (S, 4) are pooled per angle, then one is
    picked."""
    if not by.count:
        return pooled
    steps = by.steps()
    picked = response.best_listening_angle(*(_step_means(part, steps) for part in axis))
    value = pooled.value.copy()
    for metric, found in zip(LISTENING_AXIS, picked, strict=True):
        j = pooled.metrics.index(metric.id)
        value[:, j] = np.where(np.isnan(value[:, j]), np.nan, found)
    return replace(pooled, value=value)


@dataclass(frozen=True, eq=False)
class Spread:
    """Uncertainty of sessions: columns as in metric.UNCERTAINTY and SAMPLE, each (S, M), NaN where there is none;
    draws(rows) gives the centred own and bench draws of some sessions, each (s, M, B); keys (S,): what each shares its
    errors with."""

    columns: dict[str, Array]
    keys: Sequence[SharedKeys]
    draws: Callable[[NDArray[np.int64]], tuple[NDArray[np.float32], NDArray[np.float32]]]


@dataclass(frozen=True, eq=False)
class PooledSpread:
    """columns: those of metric.UNCERTAINTY, each (G, M); disagree (G, M); pattern: (G, M) codes into patterns, −1 where
    there is no value; value: the pooled ones (G, M), by branch where a metric is one of two."""

    columns: dict[str, Array]
    disagree: NDArray[np.bool_]
    pattern: NDArray[np.int64]
    patterns: list[Pattern]
    value: Array


def pool_spread(values: ValueTable, pooled: ValueTable, spread: Spread, by: Grouping) -> PooledSpread:
    """Pool the uncertainty of sessions (values (S, M)) as their values were pooled (pooled (G, M)).

    Sessions that disagree beyond the errors that they don't share are flagged, and the standard error is widened by
    √(Q/df).
    """
    groups, metrics = by.count, [METRICS[m] for m in values.metrics]
    found = {name: np.full((groups, len(metrics)), np.nan) for name in UNCERTAINTY}
    disagree = np.zeros((groups, len(metrics)), bool)
    book = _Patterns()
    pattern = np.full((groups, len(metrics)), -1, np.int64)
    value = pooled.value.copy()
    order = np.argsort(by.group, kind="stable")
    ends = np.searchsorted(by.group[order], np.arange(groups + 1))
    known = ~np.isnan(spread.columns["se"])
    for g in range(groups):
        rows = order[ends[g] : ends[g + 1]]
        if len(rows) == 1:
            row = int(rows[0])
            for name in UNCERTAINTY:
                found[name][g] = spread.columns[name][row]
            # one sample measured: another unit lies about it by its own spread and this one's
            found["se_sample"][g] *= np.sqrt(another(1))
            pattern[g] = np.where(known[row], book.number(((spread.keys[row].bench, 1.0),)), -1)
            continue
        several = _Several(values, spread, by, rows, metrics, known[rows])
        for name, column in several.columns().items():
            found[name][g] = column
        disagree[g] = several.disagree
        for j in np.flatnonzero(several.there).tolist():
            pattern[g, j] = book.number(several.pattern(j))
        for j, x in several.by_branch.items():
            value[g, j] = float(unscaled(metrics[j], np.array(x)))
    gone = np.isnan(pooled.value)
    for column in found.values():
        column[gone] = np.nan
    pattern[gone] = -1
    return PooledSpread(found, disagree & ~gone, pattern, book.all, np.where(gone, np.nan, value))


def reach_upper_ends(
    columns: Mapping[str, Array], values: ValueTable, pooled: ValueTable, spread: Spread, by: Grouping
) -> dict[str, Array]:
    """Columns (G, M) whose intervals reach to above the upper ends of pooled values that lie between two: of a single
    session as its own do, of several by what each session's reach above its end, as squares of its share."""
    found = dict(columns)
    between = pooled.censored == _BETWEEN
    if not between.any():
        return found
    counted = np.isin(values.censored, (0, _BETWEEN)) & ~np.isnan(values.value)
    end = np.where(values.censored == _BETWEEN, values.upper, values.value)
    share = np.where(counted, by.weights()[:, None], 0.0)
    whole = sums(by.group, share)
    share = share / np.where(whole > 0, whole, 1.0)[by.group]
    for of_target in ENDS:
        name = f"high{of_target}"
        further = np.where(counted, share * (spread.columns[name] - end), 0.0)
        found[name] = np.where(between, pooled.upper + np.sqrt(sums(by.group, further**2)), columns[name])
    return found


def open_ends(columns: dict[str, Array], censored: NDArray[np.int8]) -> dict[str, Array]:
    """Intervals open on the side a bound leaves open; censored: codes into CENSORED, of the columns' shape."""
    shown = dict(columns)
    for end, word in (("low", "at_most"), ("high", "at_least")):
        for of_target in ENDS:
            shown[end + of_target] = np.where(censored == CENSORED.index(word), np.nan, columns[end + of_target])
    return shown


@dataclass(eq=False)
class _Patterns:
    """Patterns of benches by number, in the order in which they turn up."""

    all: list[Pattern] = field(default_factory=list)
    _numbers: dict[Pattern, int] = field(default_factory=dict)

    def number(self, pattern: Pattern) -> int:
        if pattern not in self._numbers:
            self._numbers[pattern] = len(self.all)
            self.all.append(pattern)
        return self._numbers[pattern]


class _Several:
    """One speaker's setting that was measured several times."""

    def __init__(
        self,
        values: ValueTable,
        spread: Spread,
        by: Grouping,
        rows: NDArray[np.int64],
        metrics: Sequence[Metric],
        known: NDArray[np.bool_],
    ) -> None:
        self.metrics, self.rows = metrics, rows
        self.keys = [spread.keys[r] for r in rows]
        self.sample = [by.sample[r] for r in rows]
        self.x = _by_column(scaled, metrics, values.value[rows])
        self.part = {name: column[rows] for name, column in spread.columns.items()}
        usable = known & np.isin(values.censored[rows], (0, _BETWEEN))
        usable |= known & ~usable.any(axis=0)  # bounds count only where nothing is exact
        self.usable = usable
        self.weight = np.zeros(usable.shape)
        for pattern in np.unique(usable, axis=1).T:
            if pattern.any():
                mine = np.flatnonzero((usable == pattern[:, None]).all(axis=0))
                self.weight[np.ix_(np.flatnonzero(pattern), mine)] = by.take(rows[pattern]).weights()[:, None]
        self.there = usable.any(axis=0)
        self.own, self.bench = spread.draws(rows)
        self.by_branch: dict[int, float] = {}
        self.disagree, self.widen = self._widening()

    def pattern(self, j: int) -> Pattern:
        """What benches stand behind a metric's value, and with which weight."""
        shares: dict[str, float] = {}
        for key, weight in zip(self.keys, self.weight[:, j].tolist(), strict=True):
            if weight > 0:
                shares[key.bench] = shares.get(key.bench, 0.0) + weight
        return tuple(sorted((bench, round(share, 9)) for bench, share in shares.items()))

    def _widening(self) -> tuple[NDArray[np.bool_], Array]:
        """(M,), (M,): where sessions disagree, and by what their pooled error is widened.

        Each session has the errors that it does not share: its own (sessions of one run share the level), the bench's
        where benches differ, the sample's where samples do.
        """
        flagged, widen = np.zeros(len(self.metrics), bool), np.ones(len(self.metrics))
        bench = np.array([[a.bench == b.bench for b in self.keys] for a in self.keys], float)
        sample = np.array([[a == b for b in self.sample] for a in self.sample], float)
        run = np.array([[a.run == b.run for b in self.keys] for a in self.keys], bool)
        for j in np.flatnonzero(self.usable.sum(axis=0) > 1).tolist():
            mine = np.flatnonzero(self.usable[:, j])
            own, benches, samples = (self.part[name][mine, j] for name in ("se", "se_bench", "se_sample"))
            covariance = np.diag(own**2)
            shared = run[np.ix_(mine, mine)] & ~np.eye(len(mine), dtype=bool)
            if shared.any():  # of one run: the level's part is in the draws of all
                covariance = np.where(shared, np.cov(self.own[mine, j]), covariance)
            covariance += bench[np.ix_(mine, mine)] * np.outer(benches, benches)
            covariance += sample[np.ix_(mine, mine)] * np.outer(samples, samples)
            ratio, p = disagreement(self.x[mine, j], self.weight[mine, j], covariance)
            widen[j], flagged[j] = widening(ratio, p)
        return flagged, widen

    def columns(self) -> dict[str, Array]:
        w, part = self.weight, self.part

        def mean(name: str) -> Array:
            return np.asarray((w * np.where(self.usable, part[name], 0.0)).sum(axis=0))

        x = (w * np.where(self.usable, self.x, 0.0)).sum(axis=0)
        own = (
            np.einsum("sm,smb->mb", w, np.where(self.usable[:, :, None], np.nan_to_num(self.own), 0.0))
            * self.widen[:, None]
        )
        bench = np.einsum("sm,smb->mb", w, np.where(self.usable[:, :, None], np.nan_to_num(self.bench), 0.0))
        bias, bias_bench = mean("bias"), mean("bias_bench")
        se = intervals.standard_error(own)
        first, second = intervals.span(x, own, bias), intervals.span(x, own + bench, bias + bias_bench)
        samples = len(set(self.sample))
        sample = {
            name: np.sqrt((w * np.where(self.usable, part[name], 0.0) ** 2).sum(axis=0))
            for name in ("se_sample", "sample_down", "sample_up")
        }
        factor = np.sqrt(another(samples))
        ends = {
            "low": first.low,
            "high": first.high,
            "low_absolute": second.low,
            "high_absolute": second.high,
            "low_unit": x - np.hypot(x - second.low, factor * sample["sample_down"]),
            "high_unit": x + np.hypot(second.high - x, factor * sample["sample_up"]),
        }
        half = (first.down + first.up) / 2.0
        found = {
            "se": se,
            "bias": bias,
            "se_bench": bench.std(axis=1),
            "bias_bench": bias_bench,
            "se_sample": factor * sample["se_sample"],
            "noise_limited": intervals.noise_limited(tuple(self.metrics), bias, half),
        }
        found |= ends_in_units(tuple(self.metrics), x, ends, np.maximum(bias, 0.0), half)
        for name in ("other_value", "other_se", "other_low", "other_high", "other_share"):
            found[name] = np.full(len(self.metrics), np.nan)
        for j in np.flatnonzero((self.usable & ~np.isnan(part["other_share"])).any(axis=0)).tolist():
            self._pool_branches(
                j, found, {"low": factor * sample["sample_down"][j], "high": factor * sample["sample_up"][j]}
            )
        return {name: np.where(self.there, column, np.nan) for name, column in found.items()}

    def _pool_branches(self, j: int, found: dict[str, Array], another_unit: Mapping[str, float]) -> None:
        """Total the shares over sessions, take the larger branch, average each session's value in it; never across.
        another_unit: how far such a one lies away to either end."""
        metric = self.metrics[j]
        parts = [part for s in np.flatnonzero(self.usable[:, j]).tolist() for part in self._branches_of(s, j)]
        at = np.sort([p.value for p in parts])
        gap = int(np.argmax(np.diff(at)))
        cut = (at[gap] + at[gap + 1]) / 2.0
        sides = [[p for p in parts if (p.value < cut) == lower] for lower in (True, False)]
        shares = [sum(p.weight * p.share for p in side) for side in sides]
        main, other = (_pooled_part(sides[i]) for i in ((0, 1) if shares[0] >= shares[1] else (1, 0)))
        self.by_branch[j] = main.value
        found["se"][j], found["bias"][j], found["bias_bench"][j], found["noise_limited"][j] = main.se, 0.0, 0.0, 0.0
        for end, value, side in (("low", main.low, -1.0), ("high", main.high, 1.0)):
            own = abs(value - main.value)
            absolute = np.hypot(own, self._of_benches(j, end))
            for kind, away in zip(ENDS, (own, absolute, np.hypot(absolute, another_unit[end])), strict=True):
                found[end + kind][j] = float(unscaled(metric, np.clip(main.value + side * away, *metric.nature)))
        for name, value in (("value", other.value), ("low", other.low), ("high", other.high)):
            found[f"other_{name}"][j] = float(unscaled(metric, np.array(value)))
        found["other_se"][j], found["other_share"][j] = other.se, min(shares) / sum(shares)

    def _of_benches(self, j: int, end: str) -> float:
        """How much further the benches' errors carry a pooled value that is one of two, by what each session tells of
        itself: draws of what may jump can't be averaged. Whole within a bench, by squares between them."""
        mine = np.flatnonzero(self.usable[:, j])
        own, absolute = (
            self.x[mine, j] - scaled(self.metrics[j], self.part[end + kind][mine, j]) for kind in ("", "_absolute")
        )
        more = self.weight[mine, j] * np.sqrt(np.maximum(absolute**2 - own**2, 0.0))
        return float(np.linalg.norm(sums(codes(np.array([self.keys[s].bench for s in mine])), more)))

    def _branches_of(self, s: int, j: int) -> list[_Part]:
        """One session's branches of a metric, on its scale; the first is that of its value."""
        metric, part, weight = self.metrics[j], self.part, float(self.weight[s, j])
        other = float(np.nan_to_num(part["other_share"][s, j]))

        def at(name: str) -> float:
            return float(scaled(metric, part[name][s, j]))

        found = [_Part(weight, float(self.x[s, j]), float(part["se"][s, j]), at("low"), at("high"), 1.0 - other)]
        if other > 0.0:
            second = _Part(
                weight, at("other_value"), float(part["other_se"][s, j]), at("other_low"), at("other_high"), other
            )
            found.append(second)
        return found


@dataclass(frozen=True)
class _Part:
    """A branch of one session's value on the metric's scale, the session's weight, and the branch's share of its
    draws."""

    weight: float
    value: float
    se: float
    low: float
    high: float
    share: float


def _pooled_part(side: Sequence[_Part]) -> _Part:
    """The weighted mean of several sessions' values in one branch, their errors and ends adding as squares."""
    weight = np.array([p.weight for p in side])
    share = weight / weight.sum()
    value, se, low, high = (np.array([getattr(p, name) for p in side]) for name in ("value", "se", "low", "high"))
    x = float(share @ value)
    down, up = (float(np.sqrt(np.sum((share * (end - value)) ** 2))) for end in (low, high))
    return _Part(
        float(weight.sum()), x, float(np.sqrt(np.sum((share * se) ** 2))), x - down, x + up, sum(p.share for p in side)
    )


def pool_curves(levels: Array, group: NDArray[np.int64], weight: Array, groups: int) -> Array:
    """Weighted mean of dB per group, over the sessions that have each point."""
    there = ~np.isnan(levels)
    total, shares = np.zeros((groups, levels.shape[1])), np.zeros((groups, levels.shape[1]))
    np.add.at(total, group, np.where(there, levels, 0.0) * weight[:, None])
    np.add.at(shares, group, there * weight[:, None])
    return np.where(shares > 0, total / np.where(shares > 0, shares, 1.0), np.nan)


def pool_noise(sd: Array, group: NDArray[np.int64], weight: Array, groups: int) -> Array:
    """Standard deviation of the weighted mean, as of `pool_curves`, of sessions with independent errors."""
    there = ~np.isnan(sd)
    total, shares = np.zeros((groups, sd.shape[1])), np.zeros((groups, sd.shape[1]))
    np.add.at(total, group, np.where(there, sd * weight[:, None], 0.0) ** 2)
    np.add.at(shares, group, there * weight[:, None])
    return np.where(shares > 0, np.sqrt(total) / np.where(shares > 0, shares, 1.0), np.nan)


def pool_usable(parts: Mapping[str, Array], group: NDArray[np.int64], weight: Array, groups: int) -> dict[str, Array]:
    """Of usable_low, usable_high and usable_cause (S, 199): the weighted mean of each end over the sessions that know
    both, else over all, open where one of them is; the cause is that of the session which can do least."""
    low, high, cause = (parts[name] for name in USABLE)
    finite = np.isfinite(low) & np.isfinite(high)
    there = ~np.isnan(low)
    some = np.zeros((groups, low.shape[1]), bool)
    np.logical_or.at(some, group, finite)
    counted = np.where(some[group], finite, there)
    found = {
        name: pool_curves(np.where(counted, end, np.nan), group, weight, groups)
        for name, end in zip(USABLE, (low, high), strict=False)
    }
    least = np.full((groups, low.shape[1]), np.inf)
    end = np.where(counted, np.where(np.isneginf(low), high, low), np.inf)
    np.minimum.at(least, group, end)
    chosen = np.full(least.shape, np.nan)
    s, point = np.nonzero(counted & (end <= least[group]))
    chosen[group[s], point] = cause[s, point]
    return found | {USABLE[2]: chosen}
