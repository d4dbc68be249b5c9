"""All that metrics are computed from: what was measured of a batch of sessions, or what might have been measured, as
draws.

What several metrics take is worked out once. A metric of something that was not measured is NaN.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.acoustics import bounds, curveset, directivity, electrical, grid, output, programme, response
from speakerdb.acoustics import subwoofer as deep
from speakerdb.acoustics.bounds import AT_MOST, Bounded
from speakerdb.acoustics.curveset import CurveSet
from speakerdb.acoustics.directivity import Angle, Beamwidth
from speakerdb.acoustics.grid import Points
from speakerdb.acoustics.output import Distortion, Strain, Usable
from speakerdb.metric import Curve, Pattern, Swept

Array = NDArray[np.float64]
Floats = NDArray[np.floating[Any]]


# What a row says it reads, of a band of the grid


def curve(
    name: str, band: slice, *, turned: bool = False, down: bool = False, up: bool = False, needed: bool = True
) -> Curve:
    """A summary curve; what is none of the curve set is made of no slots."""
    return Curve(*grid.named(band), name, curveset.SLOTS_OF.get(name, ()), turned, down, up, needed)


def single(slots: Sequence[int], band: slice, toward: str = "", name: str = "") -> Pattern:
    """Single curves."""
    return Pattern(*grid.named(band), tuple(dict.fromkeys(slots)), toward, name)


def swept(kind: str, band: slice, at_db: float | None = None) -> Swept:
    """Sweeps at rising drives."""
    return Swept(*grid.named(band), kind, at_db)


def words(band: slice) -> str:
    """'100 Hz–10 kHz', of a band of the grid."""
    return figures.band(*grid.named(band))


@dataclass(frozen=True, eq=False)
class Smoothed:
    """Single curves (..., 72, F) and the listening window (..., F) in dB, 1/3-octave smoothed, at some points of the
    grid."""

    level_db: Floats
    window_db: Floats
    points: Points = grid.WHOLE


@dataclass(frozen=True, eq=False)
class Turned:
    """In-room curves (..., 7, F) in dB with the axis at each of directivity.TURNED, at some points of the grid."""

    level_db: Floats
    points: Points = grid.WHOLE


Plane = Literal["horizontal", "vertical"]
Side = Literal["left", "right", "up", "down"]
SIDES: dict[Plane, tuple[Side, Side]] = {"horizontal": ("left", "right"), "vertical": ("up", "down")}


@dataclass(eq=False)
class Measured:
    """Leading dimensions (...): sessions (S,), or draws (B,). None: not measured; what takes time is asked for where it
    is needed.

    subwoofer (...): whose levels refer to a band of their own. sides: horizontal curves (..., 4, 199) at 0, 10, 20, 30°
    to the left and to the right, as read. sphere_db (...,
    199): sound power of directions all around. at_error_db (...): what the true drives of sweeps are above the stated
    ones; drives are then known to that only, so the outermost distortion curves may be prolonged that far. bracket
    (..., ), (...): see `output.within_bracket`; None: the maximum level is the value itself. impedance_ohm and
    impedance_phase_deg (..., 199), voltage_v (...): NaN where not measured, and of powered speakers. impedance_shift
    (...): what its features really lie above where they were seen, a ratio.
    """

    curves: CurveSet
    subwoofer: NDArray[np.bool_] | bool = False
    sides: Callable[[], tuple[Floats, Floats]] | None = None
    turned: Callable[[], Turned] | None = None
    smoothed: Callable[[], Smoothed] | None = None
    sphere_db: Array | None = None
    strain: Callable[[], Strain] | None = None
    at_error_db: Array | float = 0.0
    bracket: tuple[Array, Array] | None = None
    impedance_ohm: Floats | None = None
    impedance_phase_deg: Floats | None = None
    impedance_shift: Array | float = 1.0
    voltage_v: Array | float | None = None

    @property
    def unknown(self) -> Bounded:
        """(...) without a value."""
        return bounds.exact(np.full(self.curves.lw.shape[:-1], np.nan))

    # response

    @cached_property
    def reference_db(self) -> Array:
        """(...) mean of the listening window, 300 Hz–3 kHz."""
        return response.mean(self.curves.lw, response.REFERENCE)

    @cached_property
    def own_reference_db(self) -> Array:
        """(...) what drives refer to: the on-axis mean of a subwoofer's band, else the reference level."""
        return np.where(self.subwoofer, deep.reference_db(self.curves.on_axis), self.reference_db)

    @cached_property
    def window_mean_db(self) -> Array:
        """(...) the same over 300 Hz–10 kHz, which bass limits are taken from."""
        return response.mean(self.curves.lw, response.BASS_MEAN)

    def bass_limit(self, curve_db: Array, fall_db: float) -> Bounded:
        """(...) where a curve (..., 199) falls so far below the window's mean."""
        limit = response.bass_limit(curve_db, self.window_mean_db - fall_db)
        return bounds.flagged(limit.hz, limit.at_most, AT_MOST)

    @cached_property
    def f6(self) -> Bounded:
        """(...) the listening window's −6 dB limit."""
        return self.bass_limit(self.curves.lw, 6.0)

    @cached_property
    def power_f6(self) -> Bounded:
        """(...) the sound power's."""
        return self.bass_limit(self.curves.sp, 6.0)

    @cached_property
    def nbd_on_axis(self) -> Array:
        """(...) narrow-band deviation on axis."""
        return response.narrow_band_deviation(self.curves.on_axis)

    @cached_property
    def nbd_in_room(self) -> Array:
        """(...) narrow-band deviation of the in-room curve."""
        return response.narrow_band_deviation(self.curves.in_room)

    @cached_property
    def in_room_line(self) -> response.Line:
        """The straight line through the in-room curve."""
        return response.line(self.curves.in_room, response.IN_ROOM)

    @cached_property
    def axis_deviations(self) -> tuple[Array, Array]:
        """(..., 4), (..., 4): narrow-band deviation and treble balance at 0, 10, 20, 30°."""
        if self.sides is None:
            nothing = np.full((*self.curves.lw.shape[:-1], 4), np.nan)
            return nothing, nothing
        return response.axis_deviations(*self.sides())

    @cached_property
    def listening_axis(self) -> tuple[Array, Array, Array]:
        """(...) the optimum listening axis, its gain, its change of treble."""
        return response.best_listening_angle(*self.axis_deviations)

    # directivity

    @cached_property
    def pattern(self) -> Smoothed | None:
        """Smoothed single curves."""
        return None if self.smoothed is None else self.smoothed()

    @cached_property
    def _widths(self) -> dict[Plane, Angle]:
        p = self.pattern
        return {} if p is None else {plane: directivity.full_angle(p.level_db, sides) for plane, sides in SIDES.items()}

    @cached_property
    def beamwidth_deg(self) -> dict[str, Array]:
        """Plane -> (..., F) full −6 dB angles over the pattern's frequencies, NaN where they are not closed."""
        return {plane: np.where(a.at_least, np.nan, a.deg) for plane, a in self._widths.items()}

    @cached_property
    def _beams(self) -> dict[Plane, Beamwidth]:
        return {plane: directivity.beamwidth(a, self._points) for plane, a in self._widths.items()}

    @property
    def _points(self) -> Points:
        return grid.WHOLE if self.pattern is None else self.pattern.points

    def beamwidth(self, plane: Plane) -> Beamwidth | None:
        """(...) of one plane."""
        return self._beams.get(plane)

    @cached_property
    def _tones(self) -> dict[str, Angle]:
        p = self.pattern
        return (
            {}
            if p is None
            else {
                side: directivity.tone_angle(p.level_db, p.window_db, side, p.points)
                for sides in SIDES.values()
                for side in sides
            }
        )

    def tone(self, side: Side) -> Angle | None:
        """(...) the angle up to which the tone holds on one side."""
        return self._tones.get(side)

    # output

    @cached_property
    def strained(self) -> Strain:
        """Compression and distortion."""
        return Strain(None, {}) if self.strain is None else self.strain()

    def distortion(self, kind: str) -> Distortion | None:
        """Sweeps of a kind of distortion."""
        return self.strained.distortion.get(kind)

    @cached_property
    def _harmonic(self) -> dict[float, Array]:
        return {}

    def harmonic_db(self, drive_db: float) -> Array | None:
        """(..., F) total harmonic distortion at a drive."""
        thd = self.distortion("thd")
        if thd is None:
            return None
        if drive_db not in self._harmonic:
            at, error = drive_db - np.asarray(self.at_error_db), float(np.max(np.abs(self.at_error_db)))
            self._harmonic[drive_db] = output.distortion_at(thd.drive_db, thd.level_db, at, beyond_db=error)
        return self._harmonic[drive_db]

    @cached_property
    def maximum(self) -> Bounded:
        """(...) the level delivered where the loss reaches 3 dB."""
        c = self.strained.compression
        if c is None:
            return self.unknown
        found = output.max_level(c)
        level = found.level.plus(self.at_error_db)
        if self.bracket is None:
            return level
        low, high = found.low_db + self.at_error_db, found.high_db + self.at_error_db
        return level.plus(output.within_bracket(level.value, low, high, *self.bracket))

    @cached_property
    def _held(self) -> Usable:
        """(..., F) what is delivered at the limit, the response apart, at the strain's points."""
        shape = (*self.curves.lw.shape[:-1], len(self.strained.points.index))
        found = output.usable_output(self.strained.compression, self.distortion("thd"), shape)
        return found.moved(np.asarray(self.at_error_db)[..., None])

    @cached_property
    def usable(self) -> Usable:
        """(..., F) usable output at the strain's points."""
        return self._held.moved(self._of_output[..., self.strained.points.of_grid] - self.own_reference_db[..., None])

    @property
    def _of_output(self) -> Array:
        """(..., 199) the curve that output follows: the listening window, of a subwoofer the axis."""
        return np.where(np.asarray(self.subwoofer)[..., None], self.curves.on_axis, self.curves.lw)

    @cached_property
    def usable_bands(self) -> Usable:
        """(..., 31) usable output in the third-octave bands, with the listening window 1/3-octave smoothed; nothing is
        known in a band of which no point lies among the strain's."""
        log2_hz = self.strained.points.log2_hz
        away = np.abs(log2_hz[:, None] - np.log2(programme.BANDS_HZ))
        window = output.smoothed_db(self._of_output)[..., programme.POINTS] - self.own_reference_db[..., None]
        return self._held[..., away.argmin(axis=0)].moved(window).only(away.min(axis=0) < 1.0 / 6.0)

    @cached_property
    def lowest_impedance(self) -> electrical.Lowest | None:
        """(...) of the magnitude."""
        return None if self.impedance_ohm is None else electrical.lowest(self.impedance_ohm)

    @cached_property
    def lowest_epdr(self) -> electrical.Lowest | None:
        """(...) of the equivalent peak dissipation resistance."""
        if self.impedance_ohm is None or self.impedance_phase_deg is None:
            return None
        return electrical.lowest(electrical.epdr(self.impedance_ohm, self.impedance_phase_deg))

    @cached_property
    def tuning(self) -> electrical.Tuning | None:
        """(...) what box the impedance shows."""
        return None if self.impedance_ohm is None else electrical.box_tuning(np.asarray(self.impedance_ohm))

    def programme(self, asked_db: Array) -> Bounded:
        """(...) the loudest music of a spectrum (31,), as programme.asked_db gives it."""
        usable = self.usable_bands
        low, high = (programme.level_db(asked_db, end) for end in (usable.low_db, usable.high_db))
        return bounds.from_ends(low, high, programme.SAME_DB)
