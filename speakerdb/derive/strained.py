"""How sure output and distortion are: the sweeps of a session with the errors of the error model (statistics.md §1)."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import bounds, output
from speakerdb.derive import strength
from speakerdb.derive.strength import Drives, Response, Strength, Sweeps, Values
from speakerdb.session import GridSession
from speakerdb.statistics.draws import SharedErrors
from speakerdb.statistics.error_model import (
    DRAWS,
    MODEL_VERSION,
    WIDTH_OCT,
    SharedKeys,
    sd_over_frequency,
    standard_deviation,
)
from speakerdb.statistics.fields import generator, smooth_field

Array = NDArray[np.floating[Any]]

_DISTORTION = ("thd", "multitone", "multitone_hp80")


def output_draws(session: GridSession, keys: SharedKeys, shared: SharedErrors, response: Response) -> Values:
    """Draws (B,) of every output metric. response: lw, reference_db, f6_hz of the same draws (B, …).

    The level errors of the session move the true drives; distortion has an error of its own per session and per drive,
    compression per drive, impedance one factor.
    """
    sweeps = strength.sweeps_of(session)
    noisy: dict[str, Drives] = {}
    for kind in _DISTORTION:
        drives: Drives | None = getattr(sweeps, kind)
        if drives is not None:
            noisy[kind] = Drives(
                drives.drive_db,
                drives.level_db.astype(np.float32) + _distortion_errors(session, keys, kind, len(drives.drive_db)),
            )
    if sweeps.compression is not None:
        error = _per_drive(session, keys, "compression", "compression", len(sweeps.compression.drive_db))
        noisy["compression"] = Drives(
            sweeps.compression.drive_db, sweeps.compression.level_db.astype(np.float32) + error
        )
    at_error = shared.common[:, output.LEVEL_BAND].mean(axis=1).astype(np.float64)
    found = strength.strength(Sweeps(**noisy), response, at_error)
    values = dict(found.values)
    values["max_level_db"] = values["max_level_db"].plus(_within_bracket(found, keys))
    if not session.info.powered:
        values["sensitivity_db"] = bounds.exact(
            output.sensitivity(response.reference_db, session.info.drive_voltage_v or np.nan)
        )
        if session.impedance_ohm is not None:
            percent = sd_over_frequency(standard_deviation(session.info, "impedance_percent")).mean()
            factor = 1.0 + percent / 100.0 * generator("impedance", keys.session, MODEL_VERSION).standard_normal(DRAWS)
            values["impedance_min_ohm"] = bounds.exact(output.lowest_impedance(session.impedance_ohm[None]) * factor)
    return values


def _within_bracket(found: Strength, keys: SharedKeys) -> NDArray[np.float64]:
    """(B,) where between the two drives around it 3 dB are lost is not measured: the level may be anywhere between what both
    delivered (metrics.md §5). Even on either side of the value drawn, with weights that leave its mean; 0 for bounds."""
    down, up = found.low_db - found.values["max_level_db"].value, found.high_db - found.values["max_level_db"].value
    down, up = np.nan_to_num(down), np.nan_to_num(up)
    rng = generator("bracket", keys.session, MODEL_VERSION)
    side, share = rng.random(DRAWS), rng.random(DRAWS)
    with np.errstate(invalid="ignore"):
        falls = side < np.nan_to_num(up / (up - down))
    return np.where(falls, down, up) * share


def _distortion_errors(session: GridSession, keys: SharedKeys, kind: str, drives: int) -> Array:
    """(B, drives, 199): one field for the session, one for each drive."""
    common = smooth_field(
        generator("distortion", f"{keys.session}|{kind}", MODEL_VERSION), DRAWS, WIDTH_OCT["distortion"]
    )
    common *= sd_over_frequency(standard_deviation(session.info, "distortion"))
    return common[:, None, :] + _per_drive(session, keys, "distortion_per_drive", kind, drives)


def _per_drive(session: GridSession, keys: SharedKeys, part: str, kind: str, drives: int) -> Array:
    rng = generator(part, f"{keys.session}|{kind}", MODEL_VERSION)
    field = smooth_field(rng, DRAWS * drives, WIDTH_OCT[part]).reshape(DRAWS, drives, -1)
    return np.asarray(field * sd_over_frequency(standard_deviation(session.info, part)))
