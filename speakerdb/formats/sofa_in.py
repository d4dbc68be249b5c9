"""AES69 (SOFA) files of measured directivity, convention FreeFieldDirectivityTF, into curves and a sphere.

Directions are seen from the source: x along SourceView, z along SourceUp; azimuth counter-clockwise, elevation upward.
Where level_is = "relative", magnitudes are in dB re 1; else they are pressures in pascal, in dB re 20 µPa.
A direction that both orbits share (on the axis, straight behind) may stand twice in a file: then the first is of the
horizontal orbit, the second of the vertical one.
"""

from __future__ import annotations

import tempfile
import threading
import warnings
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.formats.curves import MAX_FREQUENCY_HZ, MAX_LEVEL_DB, ON_ORBIT_DEG, SURELY_KHZ, gather, wrap
from speakerdb.formats.problems import Problems, shown
from speakerdb.session import CurveBlock, FloatArray, SphereBlock

CONVENTION = "FreeFieldDirectivityTF"
REFERENCE_PA = 20e-6
HDF5_LOCK = threading.Lock()  # the HDF5 library is not safe on several threads

_WIDEST_HOLE_DEG = 25.0  # with a wider hole the directions do not count as all around
_MAX_VALUES = 50_000_000
_HERTZ = {"hertz": 1.0, "hz": 1.0, "kilohertz": 1000.0, "khz": 1000.0}
# the first that stands in a variable's units counts: "centimetre" holds "metre"
_LENGTHS = {"centimet": 0.01, "millimet": 0.001, "cm": 0.01, "mm": 0.001, "met": 1.0, " m": 1.0, "m,": 1.0}
_LOUDEST_PA = 20.0  # 120 dB: numbers that are larger in the middle are no pressures
_AS_ONE = 1e-6


def read_sofa(
    file: str, content: bytes, *, level_is: str | None, problems: Problems
) -> tuple[tuple[CurveBlock, ...], SphereBlock | None]:
    """Curves on the two orbits and, where directions lie all around, the sphere; empty with problems noted. level_is:
    what the session says of its levels, if anything."""
    relative = level_is == "relative"
    data = _load(file, content, problems)
    if data is None:
        return (), None
    f, magnitude = _frequencies(file, data, problems), _magnitude(file, data, problems)
    if f is None or magnitude is None:
        return (), None
    directions = _directions(file, data, len(magnitude), problems)
    if directions is None:
        return (), None
    level = _level(file, magnitude.reshape(-1, magnitude.shape[2]), relative, problems)
    if level is None:
        return (), None
    if level.shape != (len(directions), len(f)):
        problems.add(
            f"{level.shape[0]} × {level.shape[1]} values for {len(directions)} directions and {len(f)} frequencies",
            "one value for each direction and frequency",
            file=file,
            key="Data.Real",
        )
        return (), None
    order = np.argsort(f, kind="stable")
    f, level = f[order], level[:, order]
    if (f[1:] == f[:-1]).any():
        problems.add("a frequency that stands twice", "each frequency once", file=file, key="N")
        return (), None
    blocks = _orbits(file, f, directions, level, problems)
    if blocks and not _check_magnitudes(file, data, magnitude, level_is, problems):
        return (), None
    return blocks, _sphere(file, f, directions, level, problems)


def _load(file: str, content: bytes, problems: Problems) -> Any:
    """The opened file, None with a problem noted."""
    if not content.startswith(b"\x89HDF\r\n\x1a\n"):
        problems.add("a file that is not HDF5", "an AES69 (SOFA) file", file=file)
        return None
    import sofar

    with tempfile.TemporaryDirectory() as place, HDF5_LOCK, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        path = Path(place) / "responses.sofa"
        path.write_bytes(content)
        if (count := _numbers_in(path)) > 2 * _MAX_VALUES:
            problems.add(f"{count / 1e6:.0f} million numbers when unpacked", "a smaller AES69 (SOFA) file", file=file)
            return None
        try:
            data = sofar.read_sofa(str(path), verify=False, verbose=False)
        except Exception as error:  # the library raises whatever it meets in a damaged file
            problems.add(f"a damaged or incomplete file ({shown(str(error))[1:-1]})", "an AES69 (SOFA) file", file=file)
            return None
    convention = getattr(data, "GLOBAL_SOFAConventions", None)
    if convention != CONVENTION:
        problems.add(f"convention {shown(convention)}", CONVENTION, file=file, key="GLOBAL_SOFAConventions")
        return None
    return data


def _numbers_in(path: Path) -> int:
    """How many numbers a file holds, by its heads alone; 0 where that can't be told: reading it then tells why."""
    import netCDF4

    try:
        with netCDF4.Dataset(str(path)) as opened:
            return sum(int(np.prod([float(n) for n in v.shape])) for v in opened.variables.values())
    except (OSError, RuntimeError, ValueError, AttributeError):
        return 0


def _array(data: Any, variable: str) -> FloatArray | None:
    """A variable as float64, None where it is missing or no numbers."""
    try:
        return np.asarray(getattr(data, variable), dtype=np.float64)
    except (AttributeError, TypeError, ValueError):
        return None


def _frequencies(file: str, data: Any, problems: Problems) -> FloatArray | None:
    f = _array(data, "N")
    if f is None:
        problems.add("no frequencies", "frequencies in hertz", file=file, key="N")
        return None
    unit = str(getattr(data, "N_Units", "hertz") or "hertz").strip().lower()
    if unit not in _HERTZ:
        known = ", ".join(sorted(_HERTZ))
        problems.add(f"frequencies in {shown(unit)}", f"one of {known}", file=file, key="N.Units")
        return None
    f = f.reshape(-1) * _HERTZ[unit]
    if f.max(initial=0.0) < SURELY_KHZ:
        found = f"{f.max(initial=0.0):g} as the highest frequency, in {unit}"
        problems.add(found, "hertz; of kilohertz N.Units says so", file=file, key="N.Units")
        return None
    if not ((f > 0) & (f <= MAX_FREQUENCY_HZ)).all():
        expected = f"frequencies in hertz above 0, at most {MAX_FREQUENCY_HZ:g}"
        problems.add(f"frequencies from {f.min():g} to {f.max():g}", expected, file=file, key="N")
        return None
    return f


def _magnitude(file: str, data: Any, problems: Problems) -> FloatArray | None:
    """(measurements, receivers, frequencies) magnitudes."""
    real, imaginary = _array(data, "Data_Real"), _array(data, "Data_Imag")
    expected = "Data.Real and Data.Imag, measurements × receivers × frequencies, one emitter"
    if real is None or imaginary is None or real.shape != imaginary.shape or not 0 < real.size <= _MAX_VALUES:
        problems.add("no readable transfer functions", expected, file=file, key="Data.Real")
        return None
    if real.ndim < 3 or any(n != 1 for n in real.shape[3:]):
        problems.add(f"data of shape {real.shape}", expected, file=file, key="Data.Real")
        return None
    return np.hypot(real, imaginary).reshape(real.shape[:3])


def _check_magnitudes(file: str, data: Any, magnitude: FloatArray, level_is: str | None, problems: Problems) -> bool:
    """Whether the numbers can be what they are taken for: pressures or ratios, no decibels; where nobody says which of
    the two, that is asked of data that look normalised."""
    real, imaginary = _array(data, "Data_Real"), _array(data, "Data_Imag")
    if real is not None and imaginary is not None and not imaginary.any():
        middle = float(np.median(real))
        if (real < 0).any() or _LOUDEST_PA < middle <= MAX_LEVEL_DB:
            found = f"real numbers from {real.min():g} to {real.max():g} without imaginary parts: decibels, as it seems"
            problems.add(found, "pressures or ratios as complex numbers", file=file, key="Data.Real")
            return False
    if level_is is not None:
        return True
    peak, flat = float(magnitude.max()), np.abs(magnitude - 1.0) < _AS_ONE
    if abs(peak - 1.0) < _AS_ONE or flat.all(axis=2).any():
        found = "magnitudes of exactly 1 on the axis or at the peak: normalised, as it seems"
        expected = 'level_is = "relative" in session.toml, or what else the levels are'
        problems.ask(found, expected, file=file, key="level_is")
        return False
    return True


def _level(file: str, magnitude: FloatArray, relative: bool, problems: Problems) -> FloatArray | None:
    """Magnitudes in dB, NaN where not measured."""
    silent = magnitude == 0.0
    if silent.any():
        problems.warn(f"{file}: magnitudes of exactly 0 count as not measured")
    with np.errstate(divide="ignore"):
        raw: FloatArray = 20.0 * np.log10(magnitude if relative else magnitude / REFERENCE_PA)
    level = np.round(raw, 9)  # a level that went through its magnitude is the same level to the digit
    level[silent] = np.nan
    if np.isnan(level).all():
        problems.add("no value at any frequency", "measured transfer functions", file=file, key="Data.Real")
        return None
    absurd = np.abs(level) > MAX_LEVEL_DB
    if absurd.any():
        expected = f"levels between {-MAX_LEVEL_DB:g} and {MAX_LEVEL_DB:g} dB"
        problems.add(f"{level[absurd][0]:g} dB", expected, file=file, key="Data.Real")
        return None
    return level


def _directions(file: str, data: Any, measurements: int, problems: Problems) -> FloatArray | None:
    """(measurements · receivers, 3) unit vectors from the source, in its own frame."""
    try:
        receiver = _cartesian(data, "ReceiverPosition").transpose(2, 0, 1)  # (1 or M, R, 3)
        source, view, up = (_cartesian(data, v)[:, :, 0] for v in ("SourcePosition", "SourceView", "SourceUp"))
        seen = np.broadcast_to(receiver - source[:, None], (measurements, receiver.shape[1], 3))
        frame = np.broadcast_to(_frames(view, up), (measurements, 3, 3))
    except (AttributeError, TypeError, ValueError) as error:
        why = f" ({shown(str(error))[1:-1]})" if isinstance(error, ValueError) and " " in str(error) else ""
        problems.add(
            f"no readable directions{why}",
            "ReceiverPosition, SourcePosition, SourceView and SourceUp in spherical or cartesian coordinates",
            file=file,
            key="ReceiverPosition",
        )
        return None
    turned = np.einsum("mij,mrj->mri", frame, seen).reshape(-1, 3)
    with np.errstate(invalid="ignore", divide="ignore"):
        unit: FloatArray = turned / np.linalg.norm(turned, axis=1, keepdims=True)
    if not np.isfinite(unit).all():
        problems.add(
            "a direction that is none", "finite positions apart from the source", file=file, key="ReceiverPosition"
        )
        return None
    return unit


def _cartesian(data: Any, variable: str) -> FloatArray:
    """A position variable as (n, 3, 1 or M) cartesian coordinates. SourceUp shares the type of SourceView."""
    values = np.asarray(getattr(data, variable), dtype=np.float64)
    values = values.reshape(values.shape[0], 3, -1)
    units = str(getattr(data, f"{variable}_Units", "") or getattr(data, "SourceView_Units", "") or "metre").lower()
    length = next((size for word, size in _LENGTHS.items() if word in units), None)
    kind = getattr(data, f"{variable}_Type", None) or getattr(data, "SourceView_Type", "cartesian")
    if length is None:
        raise ValueError(f"{variable} in {units}")
    if kind == "cartesian":
        return values * length
    if kind != "spherical":
        raise ValueError(f"{variable} of type {kind}")
    unit = 1.0 if "radian" in units else np.pi / 180.0
    azimuth, elevation, radius = values[:, 0] * unit, values[:, 1] * unit, values[:, 2] * length
    return np.stack(
        (
            radius * np.cos(elevation) * np.cos(azimuth),
            radius * np.cos(elevation) * np.sin(azimuth),
            radius * np.sin(elevation),
        ),
        axis=1,
    )


def _frames(view: FloatArray, up: FloatArray) -> FloatArray:
    """(m, 3, 3): rows are the axes x (view), y and z (up, made square to the view)."""
    view, up = np.broadcast_arrays(view, up)
    with np.errstate(invalid="ignore", divide="ignore"):
        x = view / np.linalg.norm(view, axis=1, keepdims=True)
        z = up - (up * x).sum(axis=1, keepdims=True) * x
        z = z / np.linalg.norm(z, axis=1, keepdims=True)
    return np.stack((x, np.cross(z, x), z), axis=1)


def _degrees(sine: FloatArray) -> FloatArray:
    return np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))


def _angle(y: FloatArray, x: FloatArray) -> FloatArray:
    """Angle in (-180, 180], rounded to 0.001° so that 10° is 10°."""
    degrees: FloatArray = np.degrees(np.arctan2(y, x))
    return wrap(np.round(degrees, 3))


def _orbits(
    file: str, f: FloatArray, directions: FloatArray, level: FloatArray, problems: Problems
) -> tuple[CurveBlock, ...]:
    x, y, z = directions.T
    on_h, on_v = np.abs(_degrees(z)) <= ON_ORBIT_DEG, np.abs(_degrees(y)) <= ON_ORBIT_DEG
    h_angle, v_angle = _angle(y, x), _angle(z, x)
    horizontal = _first_of_each(h_angle, np.flatnonzero(on_h))
    repeated = np.setdiff1d(np.flatnonzero(on_h & on_v), horizontal)
    vertical_only = np.flatnonzero(on_v & ~on_h)
    vertical = np.zeros(0, dtype=np.intp)
    if len(repeated) or len(vertical_only):
        shared = np.flatnonzero(on_h & on_v)
        vertical = _first_of_each(v_angle, np.concatenate((repeated, vertical_only, shared)))
    if not len(horizontal) and not len(vertical):
        problems.add(
            f"{len(directions)} directions, none on an orbit",
            f"directions on the horizontal or vertical orbit through the axis (within {ON_ORBIT_DEG:g}°)",
            file=file,
            key="ReceiverPosition",
        )
        return ()
    unused = np.count_nonzero(on_h | on_v) - len(np.union1d(horizontal, vertical))
    if unused:
        problems.warn(f"{file}: {unused} directions stand more than once; the first of each is used")
    curves = [(True, float(h_angle[i]), f, level[i]) for i in horizontal]
    curves += [(False, float(v_angle[i]), f, level[i]) for i in vertical]
    return gather(curves, problems)


def _first_of_each(angle: FloatArray, members: NDArray[np.intp]) -> NDArray[np.intp]:
    """Of the members, the first at each angle, by rising angle."""
    _, first = np.unique(angle[members], return_index=True)
    return members[first]


def _sphere(
    file: str, f: FloatArray, directions: FloatArray, level: FloatArray, problems: Problems
) -> SphereBlock | None:
    """All directions, where they lie all around and not on the orbits alone."""
    _, y, z = directions.T
    if (np.minimum(np.abs(_degrees(z)), np.abs(_degrees(y))) <= ON_ORBIT_DEG).all():
        return None
    _, first = np.unique(np.round(directions, 6), axis=0, return_index=True)
    kept = np.sort(first)
    nearest = (_spread(500) @ directions[kept].T).max(axis=1)
    hole = float(np.degrees(np.arccos(np.clip(nearest.min(), -1.0, 1.0))))
    if hole > _WIDEST_HOLE_DEG:
        problems.warn(f"{file}: directions off the two orbits leave a hole of {hole:.0f}° and are not used")
        return None
    x, y, z = directions[kept].T
    return SphereBlock(f, _angle(y, x), np.round(_degrees(z), 3), level[kept])


def _spread(count: int) -> FloatArray:
    """(count, 3) unit vectors spread evenly over the sphere (golden-angle spiral)."""
    i = np.arange(count) + 0.5
    z = 1.0 - 2.0 * i / count
    azimuth = np.pi * (1.0 + 5.0**0.5) * i
    r = np.sqrt(1.0 - z * z)
    return np.stack((r * np.cos(azimuth), r * np.sin(azimuth), z), axis=1)
