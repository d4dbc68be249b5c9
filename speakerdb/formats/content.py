"""The content hash: one number for what was measured, whatever file it came in."""

from __future__ import annotations

import hashlib
import json
from dataclasses import astuple
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.session import CurveBlock, FloatArray, Session, Sweep

_STEPS = 1000.0  # values are compared in thousandths: 0.001 dB, 0.001°, 0.001 Ω
# Frequencies are compared in steps of at most 1e-4 of themselves, so that 32-bit copies of an axis are the same axis.
# The steps begin at an odd fraction, where no decimal number of a few digits lies on their border.
_FREQUENCY_OFFSET = 0.7345

# What is said about the data that changes values computed from them. Facts about the speaker, prices, names and notes
# are not among them: the same curves filed under another name are found by their hash.
_SAID = (
    "powered",
    "method",
    "drive_voltage_v",
    "drive_scale",
    "distance_m",
    "level_is",
    "valid_from_hz",
    "valid_to_hz",
    "gate_ms",
    "smoothing_oct",
    "symmetric",
    "run",
    "calibration",
    "uncertainty",
)


def content_hash(session: Session) -> str:
    """SHA-256 (hex) of the canonical parsed values.

    Frequencies rise, levels are rounded to 0.001 dB, points that were not measured are left out, curves stand in the
    order of orbit and angle: format, packing and order of rows make no difference.
    """
    total = hashlib.sha256(b"speakerdb content 1\n")
    said = {k: getattr(session.info, k) for k in _SAID}
    if session.info.bands:  # named only where there are any: what was stored before there could be keeps its hash
        said["bands"] = [astuple(band) for band in session.info.bands]
    total.update(json.dumps(said, sort_keys=True).encode())
    _add_curves(total, session.blocks)
    if session.sphere is not None:
        s = session.sphere
        order = np.lexsort((s.azimuth_deg, s.elevation_deg))
        _add(total, "sphere", s.frequency_hz, s.azimuth_deg[order], s.elevation_deg[order], s.level_db[order])
    for name, sweeps in (("distortion", session.distortion), ("compression", session.compression)):
        for sweep in sorted(sweeps, key=_sweep_key):
            measured = ~np.isnan(sweep.level_db)
            drive = np.array([sweep.drive_db])
            _add(
                total, f"{name} {sweep.component or ''}", sweep.frequency_hz[measured], drive, sweep.level_db[measured]
            )
    if session.impedance is not None:
        z = session.impedance
        measured = ~np.isnan(z.magnitude_ohm)
        phase = () if z.phase_deg is None else (z.phase_deg[measured],)
        _add(total, "impedance", z.frequency_hz[measured], z.magnitude_ohm[measured], *phase)
    return total.hexdigest()


def _sweep_key(sweep: Sweep) -> tuple[str, float]:
    return sweep.component or "", sweep.drive_db


def _thousandths(values: FloatArray) -> bytes:
    """Whole thousandths, NaN as the lowest integer."""
    unknown: NDArray[np.bool_] = np.isnan(values)
    steps = np.rint(np.where(unknown, 0.0, values) * _STEPS).astype("<i8")
    steps[unknown] = np.iinfo(np.int64).min
    return steps.tobytes()


def _axis(frequency_hz: FloatArray) -> bytes:
    step = np.where(frequency_hz < 100.0, 0.001, np.where(frequency_hz < 1000.0, 0.01, 0.1))
    return np.floor(frequency_hz / step + _FREQUENCY_OFFSET).astype("<i8").tobytes()


def _add(total: Any, name: str, frequency_hz: FloatArray, *arrays: FloatArray) -> None:
    total.update(f"\n{name} {[a.size for a in (frequency_hz, *arrays)]}\n".encode())
    total.update(_axis(frequency_hz))
    for array in arrays:
        total.update(_thousandths(array))


def _add_curves(total: Any, blocks: tuple[CurveBlock, ...]) -> None:
    rows = []
    for block in blocks:
        axis = hashlib.sha256(_axis(block.frequency_hz)).digest()
        holes = np.asarray(np.isnan(block.level_db).any(axis=1))
        levels = np.rint(np.where(holes[:, None], 0.0, block.level_db) * _STEPS).astype("<i8")
        for i, (horizontal, angle) in enumerate(zip(block.horizontal.tolist(), block.angle_deg.tolist(), strict=True)):
            if holes[i]:
                measured = ~np.isnan(block.level_db[i])
                row_axis = hashlib.sha256(_axis(block.frequency_hz[measured])).digest()
                row = _thousandths(block.level_db[i, measured])
            else:
                row_axis, row = axis, levels[i].tobytes()
            rows.append((not horizontal, round(angle * _STEPS), row_axis, row))
    rows.sort(key=lambda r: r[:2])
    for vertical, angle, row_axis, row in rows:
        total.update(f"\ncurve {'VH'[not vertical]} {angle}\n".encode())
        total.update(row_axis)
        total.update(row)
