"""Draws of every metric from all curves and sweeps at every grid point: slow, without any of the short ways of
derive.uncertainty."""

from __future__ import annotations

import numpy as np

from speakerdb.acoustics import curveset, directivity
from speakerdb.acoustics.measured import Measured, Turned
from speakerdb.acoustics.output import LEVEL_BAND
from speakerdb.derive import drives
from speakerdb.derive.drives import Drives
from speakerdb.derive.measuring import LEFT, RIGHT, readings_of, smoothed
from speakerdb.metrics import METRICS
from speakerdb.statistics.draws import AWAY, Reader
from speakerdb.statistics.error_model import DEFAULT, DRAWS, WIDTH_OCT
from speakerdb.statistics.fields import smooth_field


def own(session, key):
    """Metric -> (B,) with what a repeat would change."""
    reader, readings = _reader(session, key)
    common = reader.own_common
    single = readings[:36].astype(np.float32) + common[:, None] + _fields(reader, "single", "repeatability", 36)
    noisy = {
        kind: Drives(d.drive_db, d.level_db + _sweep_errors(reader, kind, len(d.drive_db)))
        for kind, d in drives.sweeps_of(session).items()
    }
    return _values(readings, common[:, None] + reader.curve_errors(), noisy, common, single)


def sample(session, key):
    """Metric -> (B,) with what another sample would change."""
    reader, readings = _reader(session, key)
    common, away = reader.sample
    return _values(readings, common[:, None] + away[:, None] * AWAY[:, None], drives.sweeps_of(session), common)


def _reader(session, key):
    readings = readings_of([session])[0]
    return Reader.of(session.info, key, DEFAULT, readings), readings


def _values(readings, error, sweeps, common, single=None):
    """single (B, 36, 199): the horizontal orbit as read, for the listening axis."""
    level = curveset.share_poles(readings).astype(np.float32) + error
    power = curveset.power_of(level)
    curves = curveset.curve_set(level, power)
    measured = Measured(
        curves,
        sides=None if single is None else lambda: (single[:, LEFT], single[:, RIGHT]),
        turned=lambda: Turned(directivity.turned_in_room(power)),
        smoothed=lambda: smoothed(power, curves.lw),
        strain=lambda: drives.strain_of(sweeps),
        at_error_db=common[:, LEVEL_BAND].mean(axis=1),
    )
    found = {m.id: np.asarray(m.compute(measured).value, np.float64) for m in METRICS.values()}
    return {metric: draws for metric, draws in found.items() if not np.isnan(draws).all()}


def _sweep_errors(reader, kind, number):
    if kind == drives.COMPRESSION:
        return _fields(reader, kind, "compression", number)
    return _fields(reader, kind, "distortion", 1) + _fields(reader, kind, "distortion_per_drive", number)


def _fields(reader, name, part, number):
    """(B, n, 199)."""
    rng = np.random.default_rng([len(name), number, *reader.keys.session.encode()])
    return smooth_field(rng, DRAWS * number, WIDTH_OCT[part]).reshape(DRAWS, number, -1) * reader.model.sd(
        reader.info, part
    )
