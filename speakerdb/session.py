"""The in-memory measured session: what a folder says, in plain arrays, before any analysis.

Frequencies in Hz, angles in degrees (azimuth counter-clockwise seen from above, V positive upward),
levels in dB. NaN marks a value that was not measured. Nothing here computes; nothing here touches files.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from speakerdb.terms import PriceKind

FloatArray = NDArray[np.float64]

Orbit = Literal["horizontal", "vertical"]
BenchLimit = Literal["speaker", "amplifier", "chosen"]
LevelIs = Literal["spl_1m", "spl_at_distance", "relative"]


@dataclass(frozen=True, eq=False)
class CurveBlock:
    """Curves of one orbit or both that share one frequency axis.

    frequency_hz (F,) strictly ascending; horizontal (n,) bool, False = vertical orbit;
    angle_deg (n,) in (-180, 180]; level_db (n, F), NaN where not measured. A curve stands in one block only.
    """

    frequency_hz: FloatArray
    horizontal: NDArray[np.bool_]
    angle_deg: FloatArray
    level_db: FloatArray


@dataclass(frozen=True, eq=False)
class SphereBlock:
    """Levels over directions all around: azimuth_deg, elevation_deg (n,), frequency_hz (F,), level_db (n, F)."""

    frequency_hz: FloatArray
    azimuth_deg: FloatArray
    elevation_deg: FloatArray
    level_db: FloatArray


@dataclass(frozen=True, eq=False)
class Sweep:
    """One curve over frequency at one drive. component is None for compression sweeps.

    drive_db: on-axis 300 Hz-3 kHz mean level at 1 m that would be there without compression.
    frequency_hz (F,) ascending, level_db (F,): distortion in dB re the fundamental (0 dB = 100 %),
    or the on-axis level at that drive for compression.
    """

    drive_db: float
    component: str | None
    frequency_hz: FloatArray
    level_db: FloatArray


@dataclass(frozen=True, eq=False)
class Impedance:
    """frequency_hz (F,) ascending, magnitude_ohm (F,), phase_deg (F,) or None."""

    frequency_hz: FloatArray
    magnitude_ohm: FloatArray
    phase_deg: FloatArray | None


@dataclass(frozen=True)
class Price:
    """A price as found: never edited, only added to. per is 'each' or 'pair'; date is ISO, or None where unknown."""

    amount: float
    currency: str
    per: Literal["each", "pair"]
    kind: PriceKind
    date: str | None = None
    source: str | None = None


@dataclass(frozen=True)
class Band:
    """Part of the frequency range that was measured in a way of its own; gate_ms: of a gated one, else None."""

    from_hz: float
    to_hz: float
    method: str
    gate_ms: float | None = None


@dataclass(frozen=True)
class SourceFile:
    """A file of the session's folder exactly as it was read. name is relative to the folder."""

    name: str
    sha256: str
    content: bytes


@dataclass(frozen=True)
class LedgerEntry:
    """What became of a file of the session's folder: read_as what, or why_not; one of the two is None."""

    file: str
    read_as: str | None
    why_not: str | None


@dataclass(frozen=True)
class SessionInfo:
    """What session.toml (with folder.toml and the sheet folded in) says. None = unknown, and stays so."""

    maker: str
    model: str
    slug: str
    kind: str
    powered: bool
    lab: str
    method: str
    date: str  # ISO
    sample: str
    setting: str
    repeat: int = 1
    run: str | None = None
    calibration: str | None = None
    default_setting: bool = False
    drive_voltage_v: float | None = None
    drive_scale: Literal["absolute", "relative"] = "absolute"
    drive_band: tuple[float, float] | None = None  # of a subwoofer, Hz: what its drives are the mean level over
    bench_limit: BenchLimit | None = None  # what ended the sweeps
    bench_max_v: float | None = None  # the most that the bench could have given
    distance_m: float | None = None
    level_is: LevelIs = "spl_1m"
    valid_from_hz: float | None = None
    valid_to_hz: float | None = None
    gate_ms: float | None = None
    bands: tuple[Band, ...] = ()  # what was merged, ascending, each beginning where the one before ends
    time_reference: Literal["loopback", "none"] | None = None  # whether the phases of curves can be compared
    zero_sample: int | None = None  # of the files in impulses/: where the sound arrives
    smoothing_oct: float | None = None  # declared width, e.g. 1/24 -> 0.041667
    symmetric: bool = False
    height_mm: float | None = None
    width_mm: float | None = None
    depth_mm: float | None = None
    mass_kg: float | None = None
    layout: str | None = None  # e.g. "two-way", "coaxial"
    enclosure: str | None = None  # e.g. "sealed", "vented"
    year: int | None = None
    claimed_max_db: float | None = None
    claim_pair: bool = False
    claim_distance_m: float | None = None
    # sd per part of the error model, in dB: a number, or a table of (frequency_hz, sd) pairs
    uncertainty: dict[str, float | tuple[tuple[float, float], ...]] = field(default_factory=dict)
    electronics: dict[str, str | float | bool] = field(default_factory=dict)  # the switches of this setting
    prices: tuple[Price, ...] = ()
    notes: str | None = None


@dataclass(frozen=True, eq=False)
class Session:
    """One sample of one speaker, in one setting, measured once."""

    folder: str
    info: SessionInfo
    blocks: tuple[CurveBlock, ...]
    sphere: SphereBlock | None = None
    distortion: tuple[Sweep, ...] = ()
    compression: tuple[Sweep, ...] = ()
    impedance: Impedance | None = None
    sources: tuple[SourceFile, ...] = ()
    warnings: tuple[str, ...] = ()  # what the reader noticed and the user should know
    ledger: tuple[LedgerEntry, ...] = ()


@dataclass(frozen=True, eq=False)
class GridSession:
    """A session on the analysis grid (199 points, 20 per octave): what is stored, and all that metrics are computed
    from.

    Levels are float32 rounded to 0.01 dB. horizontal (n,) bool, angle_deg (n,) in (-180, 180], level_db (n, 199): every
    measured angle, NaN where not measured. resolution_per_octave: the lowest raw resolution found, points per octave.
    sphere_power_db (199,): area-weighted sound power over a full sphere where one was measured, else None.
    """

    info: SessionInfo
    horizontal: NDArray[np.bool_]
    angle_deg: FloatArray
    level_db: NDArray[np.float32]
    resolution_per_octave: float
    sphere_power_db: NDArray[np.float32] | None = None
    distortion: GridSweeps | None = None
    compression: GridSweeps | None = None
    impedance_ohm: NDArray[np.float32] | None = None
    impedance_phase_deg: NDArray[np.float32] | None = None


@dataclass(frozen=True, eq=False)
class GridSweeps:
    """Sweeps on the analysis grid: drive_db (k,), component (k,) ('' for compression), level_db (k, 199)."""

    drive_db: FloatArray
    component: tuple[str, ...]
    level_db: NDArray[np.float32]
