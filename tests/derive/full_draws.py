"""Draws of every metric from all curves and sweeps at every grid point: slow, without any of the short ways of derive.uncertainty."""

from __future__ import annotations

import numpy as np

from speakerdb.acoustics import curveset, directivity, output, response
from speakerdb.acoustics.grid import smooth_third_octave
from speakerdb.derive import strength
from speakerdb.derive.measuring import averaged_metrics, axis_metrics, pattern_metrics, readings_of
from speakerdb.derive.strength import Drives, Response
from speakerdb.statistics.draws import AWAY, Reader
from speakerdb.statistics.error_model import DEFAULT, DRAWS, WIDTH_OCT
from speakerdb.statistics.fields import smooth_field

SIDES = (curveset.h(0, 10, 20, 30), curveset.h(0, -10, -20, -30))


def own(session, key):
    """Metric -> (B,) with what a repeat would change."""
    reader, readings = _reader(session, key)
    common = reader.own_common
    values, curves = _from_curves(readings, common[:, None] + reader.curve_errors())
    single = readings[:36].astype(np.float32) + common[:, None] + _fields(reader, "single", "repeatability", 36)
    values |= axis_metrics(*response.axis_deviations(*(single[:, side] for side in SIDES)))
    noisy = {kind: Drives(d.drive_db, d.level_db + _sweep_errors(reader, kind, len(d.drive_db)))
             for kind, d in strength.sweeps_of(session).items()}  # fmt: skip
    return _numbers(values | _from_sweeps(noisy, curves, common))


def sample(session, key):
    """Metric -> (B,) with what another sample would change."""
    reader, readings = _reader(session, key)
    common, away = reader.sample
    values, curves = _from_curves(readings, common[:, None] + away[:, None] * AWAY[:, None])
    return _numbers(values | _from_sweeps(strength.sweeps_of(session), curves, common))


def _reader(session, key):
    readings = readings_of([session])[0]
    return Reader.of(session.info, key, DEFAULT, readings), readings


def _from_curves(readings, error):
    level = curveset.share_poles(readings).astype(np.float32) + error
    power = curveset.power_of(level)
    curves = curveset.curve_set(level, power)
    smoothed, window = (10.0 * np.log10(smooth_third_octave(p)) for p in (power, curveset.power_of(curves.lw)))
    values = averaged_metrics(curves) | pattern_metrics(smoothed, window)[0]
    turning = directivity.turning_sensitivity(directivity.turned_in_room(power))
    return values | {"turning_sensitivity_db": strength.bounds.exact(turning)}, curves


def _from_sweeps(sweeps, curves, common):
    f6 = response.bass_limit(curves.lw, response.mean(curves.lw, response.BASS_MEAN) - 6.0).hz
    against = Response(curves.lw, response.mean(curves.lw, response.REFERENCE), f6)
    return strength.strength(strength.strain_of(sweeps), against, common[:, output.LEVEL_BAND].mean(axis=1)).values


def _sweep_errors(reader, kind, drives):
    if kind == strength.COMPRESSION:
        return _fields(reader, kind, "compression", drives)
    return _fields(reader, kind, "distortion", 1) + _fields(reader, kind, "distortion_per_drive", drives)


def _fields(reader, name, part, number):
    """(B, n, 199)."""
    rng = np.random.default_rng([len(name), number, *reader.keys.session.encode()])
    return smooth_field(rng, DRAWS * number, WIDTH_OCT[part]).reshape(DRAWS, number, -1) * reader.model.sd(
        reader.info, part
    )


def _numbers(values):
    return {name: np.asarray(b.value, np.float64) for name, b in values.items() if np.ndim(b.value)}
