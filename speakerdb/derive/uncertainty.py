"""How sure the values of a session are: the metric functions run on what might have been measured, layer by layer.

own is what a repeat would change, bench what all measurements there share, sample what another unit would change
(method:statistics#three-statements). Each is drawn alone and they add; metrics that errors may carry to another place
(two_valued) are drawn with the layers together.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import curveset, directivity, grid, response
from speakerdb.acoustics.bounds import AT_LEAST, BETWEEN, Bounded
from speakerdb.acoustics.grid import Points
from speakerdb.acoustics.measured import Measured, Smoothed, Turned
from speakerdb.acoustics.output import Usable
from speakerdb.derive import drives
from speakerdb.derive.measuring import LEFT, RIGHT, readings_of
from speakerdb.derive.strained import POINTS, OutputDraws
from speakerdb.metric import ENDS, SAMPLE, UNCERTAINTY, Curve, Metric, Pattern
from speakerdb.metrics import METRICS
from speakerdb.session import GridSession
from speakerdb.statistics import branches as branching
from speakerdb.statistics import intervals
from speakerdb.statistics.averages import TURNED_AT, Averages, Errors, averages_of, repeat_errors, sample_errors
from speakerdb.statistics.branches import Branch
from speakerdb.statistics.draws import AWAY, Reader
from speakerdb.statistics.error_model import DRAWS, ErrorModel
from speakerdb.statistics.intervals import Layer, layer_of

LEAST_EXACT = 0.1  # of the draws, for a standard deviation of usable output
# Beamwidths jump from one grid point to the next, and their median is that of few points: half of them give intervals
# from a third as wide to twice as wide
PATTERN_AT = directivity.EVERY

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SessionUncertainty:
    """columns: those of metric.UNCERTAINTY and sample_down, sample_up, each (M,), NaN where there is no interval; own,
    bench (M, B) int8 draws in eighths of the layer's standard error. noise: curve name -> (199,) standard deviation in
    dB of a repeat (beamwidths as 20·log10), the level apart."""

    metrics: tuple[str, ...]
    columns: dict[str, Array]
    own: NDArray[np.int8]
    bench: NDArray[np.int8]
    noise: dict[str, NDArray[np.float32]] = field(default_factory=dict)


def session_uncertainty(
    session: GridSession,
    content_hash: str,
    metrics: tuple[str, ...],
    value: Array,
    model: ErrorModel,
    upper: Array | None = None,
) -> SessionUncertainty:
    """Uncertainty of the given metrics with the session's plain values (M,), NaN where withheld; upper (M,): the upper
    ends of those that lie between two: their intervals reach to above these."""
    rows = tuple(METRICS[m] for m in metrics)
    t = np.array([scaled(m, v) for m, v in zip(rows, value, strict=True)])
    work = _Work(session, content_hash, model)
    own, bench, sample, both, whole = (work.draws(rows, t, layer) for layer in LAYERS)
    # what jumps: the bench's part is what it adds to the same draws of the own errors, so that both added are the joint
    # draws again
    bench = np.where(np.isnan(both), bench, t[:, None] + both - own)
    first = layer_of(rows, t, own)
    second = layer_of(rows, t, bench, first)
    layers = first, second, layer_of(rows, t, sample, second)
    columns = _columns(rows, t, layers, (own, both, whole))
    if upper is not None:
        for j, ends in _upper_ends(work, rows, upper).items():
            for name, end in ends.items():
                columns[name][j] = end
    return SessionUncertainty(
        metrics,
        columns,
        intervals.encode(first),
        intervals.encode(second),
        work.noise(),
    )


def _value(found: Bounded) -> Array:
    return found.value


def _upper(found: Bounded) -> Array:
    """The upper ends of bounds, infinite where open."""
    end = found.value if found.upper is None else np.where(found.code == BETWEEN, found.upper, found.value)
    return np.asarray(np.where(found.code == AT_LEAST, np.inf, end))


def _upper_ends(work: _Work, metrics: tuple[Metric, ...], upper: Array) -> dict[int, dict[str, float]]:
    """Of each metric with an upper end: how far up its intervals reach, NaN where more draws than lie above an interval
    leave it open."""
    chosen = np.flatnonzero(np.isfinite(upper)).tolist()
    if not chosen:
        return {}
    rows, t = tuple(metrics[j] for j in chosen), upper[chosen]
    own, bench, sample, both, whole = (work.draws(rows, t, layer, _upper) for layer in LAYERS)
    open_above = np.isposinf(own).mean(axis=1) > intervals.TAIL
    for drawn in (own, bench, sample):
        highest = np.where(np.isfinite(drawn), drawn, -np.inf).max(axis=1)
        np.copyto(drawn, np.where(np.isfinite(highest), highest, t)[:, None], where=np.isposinf(drawn))
    first = layer_of(rows, t, own)
    second = layer_of(rows, t, bench, first)
    columns = _columns(rows, t, (first, second, layer_of(rows, t, sample, second)), (own, both, whole))
    names = [f"high{end}" for end in ENDS]
    return {
        j: {name: float("nan") if open_above[k] else float(columns[name][k]) for name in names}
        for k, j in enumerate(chosen)
    }


def own_uncertainty(
    session: GridSession, content_hash: str, metrics: tuple[str, ...], value: Array, model: ErrorModel
) -> dict[str, Array]:
    """The columns (M,) as measured, NaN where there is no interval: for a look before anything is stored."""
    rows = tuple(METRICS[m] for m in metrics)
    t = np.array([scaled(m, v) for m, v in zip(rows, value, strict=True)])
    own = _Work(session, content_hash, model).draws(rows, t, OWN)
    none = np.full(own.shape, np.nan)
    layer, nothing = layer_of(rows, t, own), layer_of(rows, t, none)
    columns = _columns(
        rows, t, (layer, nothing, nothing), (own, none, np.where([[m.two_valued] for m in rows], own, np.nan))
    )
    looked = ("se", "low", "high", "noise_limited", "other_value", "other_low", "other_high", "other_share")
    return {name: columns[name] for name in looked}


@dataclass(frozen=True)
class _Layer:
    """Errors drawn by themselves or together: what might have been measured, and on which metrics that bears."""

    measured: Callable[[_Work], Measured]
    bears_on: Callable[[Metric], bool]
    own: bool = True  # whether a session's own errors are among them


class _Work:
    """What might have been measured of one session, layer by layer, each worked out once."""

    def __init__(self, session: GridSession, content_hash: str, model: ErrorModel) -> None:
        readings = readings_of([session])[0]
        self.level = curveset.share_poles(readings)
        self.sides = readings[LEFT], readings[RIGHT]
        self.reader = Reader.of(session.info, content_hash, model, readings)
        self.averages: Averages = averages_of(self.level)
        self._repeat, self._repeat_sd = repeat_errors(self.averages, self.reader)
        self.output = OutputDraws.of(session, self.reader)
        self.deep = session.info.kind == "subwoofer"

    def draws(
        self, metrics: tuple[Metric, ...], value: Array, layer: _Layer, end: Callable[[Bounded], Array] = _value
    ) -> Array:
        """(M, B) draws on the metrics' scales, NaN rows where the layer has none. What is drawn at fewer points of the
        grid is taken as a change from what these give without errors, and set upon the value (M,) itself. end: what is
        taken of a bound."""
        found = np.full((len(metrics), DRAWS), np.nan)
        measured = layer.measured(self)
        for j, metric in enumerate(metrics):
            if layer.bears_on(metric):
                found[j] = scaled(metric, end(metric.compute(measured)))
                if metric.group == "output" or any(curve.turned for curve in metric.reading(Curve)):
                    coarser = value[j] - scaled(metric, end(metric.compute(self.plain)))
                    found[j] += np.where(np.isfinite(coarser), coarser, 0.0)
                if layer.own and metric.gate_adds:
                    found[j] += self.reader.gate_in_shape(metric.gate_adds)
        return found

    # each layer alone

    @cached_property
    def own(self) -> Measured:
        """(B, …)."""
        errors, common = self._repeat + Errors.common(self.reader.own_common), self.reader.own_common
        curves = self.averages.curve_set(errors)
        found = Measured(
            curves, subwoofer=self.deep, sides=self._sides(common), turned=self._turned(errors), smoothed=self._pattern
        )
        if (output := self.output) is None:
            return found
        return replace(
            found,
            strain=output.strain,
            at_error_db=_at_error(common, drives.band_of(self.reader.info)),
            bracket=output.bracket(),
            impedance_ohm=output.impedance_ohm(),
            impedance_phase_deg=output.impedance_phase_deg(),
            impedance_shift=output.impedance_shift(),
            voltage_v=output.voltage_v,
        )

    def bench(self) -> Measured:
        """Without what is between curves: the bench is common to all of them."""
        return self._with_plain_sweeps(Errors.common(self.reader.bench), self.reader.bench)

    def sample(self) -> Measured:
        """Another unit."""
        common, away = self.reader.sample
        errors = sample_errors(self.averages, common, away)
        return replace(self._with_plain_sweeps(errors, common), turned=self._turned(errors))

    # what jumps: layers together

    def own_and_bench(self) -> Measured:
        """What session and bench add to all curves does not move patterns."""
        common = self.reader.own_common + self.reader.bench
        return Measured(self.averages.curve_set(self._repeat + Errors.common(common)), sides=self._sides(common))

    def all_layers(self) -> Measured:
        """The sample's errors as far as a newly bought unit lies from the one measured: what jumps does not grow with
        them evenly."""
        spread, away = (np.float32(np.sqrt(another(1))) * error for error in self.reader.sample)
        common = self.reader.own_common + self.reader.bench
        errors = self._repeat + Errors.common(common) + sample_errors(self.averages, spread, away)
        return Measured(
            self.averages.curve_set(errors),
            sides=self._sides(common + spread, away),
            smoothed=lambda: self._pattern((spread, away)),
        )

    @cached_property
    def plain(self) -> Measured:
        """(1, …) without errors, at the points of the draws."""
        nothing = Errors.common(np.zeros((1, len(grid.LOG2_HZ)), np.float32))
        return replace(self._with_plain_sweeps(nothing, nothing.curves[0]), turned=self._turned(nothing))

    def noise(self) -> dict[str, NDArray[np.float32]]:
        """Standard deviations of a repeat, the level apart, of the curves that speakers are matched by; of beamwidths
        as 20·log10."""
        session = self.reader.model.common_sd(self.reader.info).astype(np.float64)
        window, room = self._repeat_sd[1], self._repeat_sd[4]
        index = np.std(
            self._repeat.curves[1] - self._repeat.curves[3], axis=0
        )  # window and power share curves, so that part of it cancels
        found = {"listening_window": np.hypot(window, session), "in_room": np.hypot(room, session), "di_power": index}
        known = ~np.isnan(
            [
                self.averages.level_db[1],
                self.averages.level_db[4],
                self.averages.level_db[1] - self.averages.level_db[3],
            ]
        )
        found = {name: np.where(there, sd, np.nan) for (name, sd), there in zip(found.items(), known, strict=True)}
        if self.reader.info.kind == "subwoofer":  # these are matched by their axis
            axis = np.hypot(self._repeat_sd[0], session)
            found["on_axis"] = np.where(np.isnan(self.averages.level_db[0]), np.nan, axis)
        with np.errstate(divide="ignore", invalid="ignore"):
            for plane, width in self.own.beamwidth_deg.items():
                found[f"beamwidth_{plane}"] = _over_the_grid(PATTERN_AT, np.std(20.0 * np.log10(width), axis=0))
        if self.output is not None:
            found["usable_output"] = _over_the_grid(POINTS, _sd_where_exact(self.own.usable, self.reader.level))
        return {name: sd.astype(np.float32) for name, sd in found.items()}

    # parts

    def _with_plain_sweeps(self, errors: Errors, common: NDArray[np.float32]) -> Measured:
        """Curves with errors, and the sweeps as they are, moved by what the errors do to levels."""
        found = Measured(self.averages.curve_set(errors), subwoofer=self.deep)
        if (output := self.output) is None:
            return found
        return replace(
            found,
            strain=lambda: output.plain,
            at_error_db=_at_error(common, drives.band_of(self.reader.info)),
            voltage_v=output.voltage_v,
            impedance_ohm=output.plain_impedance_ohm,
        )

    def _turned(self, errors: Errors) -> Callable[[], Turned]:
        return lambda: Turned(self.averages.turned_in_room(errors), TURNED_AT)

    def _sides(
        self, common: NDArray[np.float32], away: NDArray[np.float32] | None = None
    ) -> Callable[[], tuple[NDArray[np.float32], NDArray[np.float32]]] | None:
        """The listening axis keeps H 0 alone, lest the mean of two readings make 0° the quieter one. What is common to
        all curves moves it too: narrow-band deviation is no sum of parts."""
        single = self._single
        if single is None:
            return None

        def sides() -> tuple[NDArray[np.float32], NDArray[np.float32]]:
            drawn = single + common[:, None]
            if away is not None:
                drawn += away[:, None] * AWAY[[*LEFT, *RIGHT[1:]], None]
            return drawn[:, :4], drawn[:, [0, 4, 5, 6]]

        return sides

    @cached_property
    def _single(self) -> NDArray[np.float32] | None:
        """(B, 7, 199) horizontal curves to 30° as they might be read; None where they are not all there."""
        both = np.concatenate([self.sides[0], self.sides[1][1:]])
        return (
            None if np.isnan(both[:, response.IN_ROOM]).any() else self.reader.single_readings(both.astype(np.float32))
        )

    def _pattern(self, sample: tuple[NDArray[np.float32], NDArray[np.float32]] | None = None) -> Smoothed:
        """Smoothed curves with the errors of single readings, and of another sample (its spread and its directivity
        error)."""
        smooth, window, share = self._smoothed
        drawn = self._smoothed_readings
        if sample is not None:
            drawn = self._sample_in_smoothed(*sample)
            drawn += self._smoothed_readings
        moved = sum(share[slot] * (drawn[:, slot] - smooth[slot]) for slot in np.flatnonzero(share.any(axis=1)))
        return Smoothed(drawn, window + moved, PATTERN_AT)

    @cached_property
    def _smoothed_readings(self) -> NDArray[np.float32]:
        """(B, 72, F) smoothed curves as they might be read."""
        drawn = self.reader.smoothed_errors(PATTERN_AT)
        drawn += self._smoothed[0]
        return drawn

    def _sample_in_smoothed(self, spread: NDArray[np.float32], away: NDArray[np.float32]) -> NDArray[np.float32]:
        """(B, 72, F) what a sample's errors do to smoothed curves, less what is common to all. Where power leans to one
        side of the third of an octave, as beside a dip, smoothing takes even the common error from there: to the first
        order by its slope."""
        at = PATTERN_AT.of_grid
        slope, slope_away = (np.gradient(error, axis=1)[:, at] for error in (spread, away))
        smooth_away = _smooth_error(away)[:, at]
        found = np.empty((curveset.SLOTS, *slope.shape), np.float32)
        # a curve at a time is quickest
        for slot, (grows, lean) in enumerate(zip(AWAY, self._lean[:, at], strict=True)):
            found[slot] = (slope + grows * slope_away) * lean + grows * smooth_away
        return found.swapaxes(0, 1)

    @cached_property
    def _lean(self) -> NDArray[np.float32]:
        """(72, 199) how many grid points the centre of the power that is smoothed into one lies above that."""
        power, place = curveset.power_of(self.level), np.arange(len(grid.LOG2_HZ))
        return (grid.smooth_third_octave(power * place) / grid.smooth_third_octave(power) - place).astype(np.float32)

    @cached_property
    def _smoothed(self) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
        """1/3-octave smoothed levels (72, F) and window (F,) in dB, and the share of each slot in the window (72,
        F)."""
        at = PATTERN_AT.of_grid
        power = curveset.power_of(self.level)
        smooth = 10.0 * np.log10(grid.smooth_third_octave(power))
        window = 10.0 * np.log10(grid.smooth_third_octave(curveset.power_of(self.averages.level_db[1])))
        share = np.nan_to_num(self.averages.share[1])
        return smooth[:, at].astype(np.float32), window[at].astype(np.float32), share[:, at].astype(np.float32)


# Errors that move a value evenly are drawn one layer after the other, and add; those that may carry it to another
# place, together. What a bench adds to all curves alike does not move what is a difference between them.
OWN = _Layer(lambda w: w.own, lambda m: True)
BENCH = _Layer(_Work.bench, lambda m: not m.two_valued and m.group != "directivity", own=False)
SAMPLE_OF = _Layer(_Work.sample, lambda m: not m.two_valued, own=False)
OWN_AND_BENCH = _Layer(_Work.own_and_bench, lambda m: m.two_valued)
ALL_LAYERS = _Layer(_Work.all_layers, lambda m: m.two_valued or bool(m.reading(Pattern)))
LAYERS = (OWN, BENCH, SAMPLE_OF, OWN_AND_BENCH, ALL_LAYERS)


def _at_error(common: NDArray[np.float32], band: slice) -> Array:
    """(B,) what an error (B, 199) does to the level of drives, the mean over a band."""
    return np.asarray(common[:, band].mean(axis=1))


def _smooth_error(error: NDArray[np.float32]) -> NDArray[np.float32]:
    """An error (B, 199) as it stands in a 1/3-octave smoothed curve."""
    return np.asarray(grid.smooth_third_octave(error), np.float32)


def _over_the_grid(points: Points, sd: Array) -> Array:
    return np.asarray(np.interp(grid.LOG2_HZ, points.log2_hz, sd, left=np.nan, right=np.nan))


def _sd_where_exact(drawn: Usable, level_db: NDArray[np.float32]) -> Array:
    """(F,) standard deviation over the draws (B, F) that are no bounds, without the level (B,); NaN where few are."""
    exact = np.where(drawn.low_db == drawn.high_db, drawn.low_db - level_db[:, None], np.nan)
    few = (~np.isnan(exact)).mean(axis=0) < LEAST_EXACT
    exact[:, few] = 0.0
    return np.where(few, np.nan, np.nanstd(exact, axis=0))


def scaled(metric: Metric, values: NDArray[Any]) -> Array:
    """Values on the scale that errors work on: log2 where ratios count."""
    return np.asarray(np.log2(np.maximum(values, metric.step / 100.0)) if metric.scale == "log" else values, np.float64)


def unscaled(metric: Metric, values: NDArray[Any]) -> Array:
    """The inverse of `scaled`."""
    return np.asarray(np.exp2(values) if metric.scale == "log" else values, np.float64)


def least_gap(metric: Metric) -> float:
    """How far two branches must lie apart on the metric's scale: a tenth of an octave, else a fifth of what matters."""
    return branching.LEAST_GAP_OCT if metric.scale == "log" else metric.matters / 5.0


@dataclass(frozen=True)
class _About:
    """One statement about one metric on its scale: the interval; how far percentiles lie from the value, without the
    noise's first helping (bias); the spread of its branch; the other branch."""

    low: float
    high: float
    down: float
    up: float
    sd: float
    bias: float = 0.0
    other: Branch | None = None


def _about(metric: Metric, t: float, draws: Array, *, told: bool = True) -> _About:
    """About a value that may be one of two: draws (B,) as they are. told: whether a second branch is told beside the
    interval; where it is not, the interval goes over both."""
    there = draws[np.isfinite(draws)]
    two = branching.branches(there, least_gap(metric)) if told else None
    if two is None:
        return _about_one(metric, t, there)
    main, other = sorted(two, key=lambda b: max(b.low - t, t - b.high, 0.0) or abs(b.median - t) * 1e-9)
    low, high = min(main.low, t), max(main.high, t)
    return _About(low, high, t - low, high - t, main.sd, other=other)


def _about_one(metric: Metric, t: float, draws: Array) -> _About:
    """About a value whose draws are one group. Its first helping is told by their median, which a few draws far away
    don't move. Where some stand at one and the same place, as a gain of none does, the truth may be just there: the
    interval then also holds the percentiles of the draws as they are."""
    low, median, high = map(float, intervals.ends(draws))
    sd = float(intervals.standard_error((draws - median)[None])[0])
    times = intervals.WORST if metric.worst else 1.0
    bias = float(intervals.beyond_luck(times * (median - t), times * sd, len(draws))) if metric.two_valued else 0.0
    down, up = max(median - low, 0.0), max(high - median, 0.0)
    if metric.worst:
        up = max(up, down)  # the better side as far as the worse one, as of any worst of several
    if metric.two_valued and _alike(draws):
        down, up = max(down, t - low), max(up, high - t)
    return _About(t - down - max(bias, 0.0), t + up + max(-bias, 0.0), down, up, sd, bias)


def _alike(draws: Array) -> bool:
    """Whether a share of the draws that would be a branch stands at one place."""
    x, few = np.sort(draws), int(np.ceil(branching.LEAST_SHARE * len(draws)))
    return bool((x[few:] == x[:-few]).any())


def _columns(
    metrics: tuple[Metric, ...], t: Array, layers: tuple[Layer, Layer, Layer], together: tuple[Array, Array, Array]
) -> dict[str, Array]:
    """The uncertainty columns in the metrics' units. together: draws (M, B) of own, own and bench, all layers, NaN rows
    for what adds."""
    own, bench, sample = layers
    zero = np.zeros((len(metrics), 1))
    bench_draws, bench_bias = (
        np.where(bench.known[:, None], bench.centred, zero),
        np.where(bench.known, bench.bias, 0.0),
    )
    found = {name: np.full(len(metrics), np.nan) for name in (*UNCERTAINTY, *SAMPLE)}
    spans = (
        intervals.span(t, own.centred, own.bias),
        intervals.span(t, own.centred + bench_draws, own.bias + bench_bias),
    )
    half = (spans[0].down + spans[0].up) / 2.0
    alone = intervals.span(t, sample.centred, np.zeros(len(metrics)))
    se = own.se.copy()
    found |= {
        "se_bench": np.where(bench.known, bench.se, 0.0),
        "se_sample": np.where(sample.known, sample.se, 0.0),
        "sample_down": np.nan_to_num(alone.down),
        "sample_up": np.nan_to_num(alone.up),
    }
    bias, bias_bench = own.bias.copy(), bench_bias.copy()
    ends = {"low": spans[0].low, "high": spans[0].high, "low_absolute": spans[1].low, "high_absolute": spans[1].high}
    down, up = (
        spans[1].down + np.maximum(own.bias + bench_bias, 0.0),
        spans[1].up + np.maximum(-own.bias - bench_bias, 0.0),
    )
    for j in np.flatnonzero(own.known & ~np.isnan(together[2]).all(axis=1)).tolist():
        metric = metrics[j]
        first = _about(metric, float(t[j]), together[0][j])
        told = first.other is not None
        second = first if np.isnan(together[1][j]).all() else _about(metric, float(t[j]), together[1][j], told=told)
        third = _about(metric, float(t[j]), together[2][j], told=told)
        if metric.two_valued:
            bias[j], bias_bench[j] = first.bias, second.bias - first.bias
            ends["low"][j], ends["high"][j] = first.low, first.high
            se[j] = first.sd
            if first.other is not None:
                for name, value in (
                    ("value", first.other.median),
                    ("low", first.other.low),
                    ("high", first.other.high),
                ):
                    found[f"other_{name}"][j] = unscaled(metric, np.array(value))
                found["other_se"][j], found["other_share"][j] = first.other.sd, first.other.share
            ends["low_absolute"][j], ends["high_absolute"][j] = min(second.low, first.low), max(second.high, first.high)
            down[j], up[j] = float(t[j]) - ends["low_absolute"][j], ends["high_absolute"][j] - float(t[j])
        # of one sample's errors: those drawn were of a newly bought unit
        found["se_sample"][j] = np.sqrt(max(third.sd**2 - second.sd**2, 0.0) / another(1))
        found["sample_down"][j] = np.sqrt(max(third.down**2 - second.down**2, 0.0) / another(1))
        found["sample_up"][j] = np.sqrt(max(third.up**2 - second.up**2, 0.0) / another(1))
    ends["low_unit"] = t - np.hypot(down, np.sqrt(another(1)) * found["sample_down"])
    ends["high_unit"] = t + np.hypot(up, np.sqrt(another(1)) * found["sample_up"])
    noise = np.maximum(bias, 0.0)
    found |= ends_in_units(metrics, t, ends, noise, half)
    found |= {"se": se, "bias": bias, "bias_bench": bias_bench}
    found["noise_limited"] = np.where(own.known, intervals.noise_limited(metrics, bias, half), np.nan)
    for name, column in found.items():
        found[name] = np.where(own.known, column, np.nan)
    return found


def ends_in_units(
    metrics: tuple[Metric, ...], x: Array, ends: Mapping[str, Array], noise: Array, half: Array
) -> dict[str, Array]:
    """low and high (M,) of each statement in the metrics' units, from those on the scale: cut to what a metric can be,
    about the value x. noise, half: as `intervals.within_nature` takes them."""
    found = {}
    for kind in ENDS:
        low, high = intervals.within_nature(metrics, ends[f"low{kind}"], ends[f"high{kind}"], noise, half)
        for end, column in (("low", np.minimum(low, x)), ("high", np.maximum(high, x))):
            found[end + kind] = np.array([unscaled(m, v) for m, v in zip(metrics, column, strict=True)])
    return found


def another(samples: int) -> float:
    """Variance of a newly bought unit about the mean of n measured ones, in those of one sample: 1 + 1/n."""
    return 1.0 + 1.0 / samples
