"""Functions of curves take any number of batch dimensions before frequency: each curve gets what it would get alone."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics import curveset, directivity, electrical, grid, output, programme, response, room, roompower

F = grid.FREQUENCY_HZ


def curves(shape, seed=0):
    """High-passes of differing limits with some ripple: (*shape, 199)."""
    random = np.random.default_rng(seed)
    limit = 30.0 * 2.0 ** random.uniform(0.0, 1.0, shape)[..., None]
    return random.normal(0.0, 0.5, (*shape, len(F))) - 10.0 * np.log10(1.0 + (limit / F) ** 4)


def all_round(shape, seed=0):
    """(*shape, 72, 199), narrowing with frequency."""
    angle = np.abs(np.concatenate([curveset.ANGLES_DEG, curveset.ANGLES_DEG]))[:, None]
    narrowing = np.random.default_rng(seed).uniform(4.0, 8.0, shape)[..., None, None]
    return curves(shape, seed=seed)[..., None, :] - narrowing * (angle / 45.0) ** 2 * np.log2(1.0 + F / 500.0)


def fields(found):
    """The arrays of an answer: an array, a tuple of such, or a data class."""
    if isinstance(found, np.ndarray | np.generic | float):
        return [np.asarray(found)]
    parts = found if isinstance(found, tuple) else [getattr(found, n) for n in found.__dataclass_fields__]
    return [array for part in parts if part is not None and not isinstance(part, grid.Points) for array in fields(part)]


DRIVES_DB = np.array([76.0, 86.0, 96.0, 106.0])


def swept(shape):
    loss = 0.01 * np.maximum(DRIVES_DB - 84.0, 0.0) ** 2
    return DRIVES_DB[:, None] - loss[:, None] * (1.0 + 0.1 * curves((*shape, 1), seed=2)) + curves((*shape, 1))


def distorted(shape):
    return -60.0 + 0.9 * (DRIVES_DB[:, None] - 76.0) + curves((*shape, 1), seed=3)


def sides(shape):
    return curves((*shape, 4))


def hz(shape):
    return np.random.default_rng(4).uniform(60.0, 90.0, shape)


HORIZONTAL = ("left", "right")
# function, what makes its arguments
FUNCTIONS = {
    "deviation": (response.deviation, curves),
    "half_range": (response.half_range, curves),
    "mean": (lambda c: response.mean(c, response.SHAPE), curves),
    "narrow_band_deviation": (response.narrow_band_deviation, curves),
    "line": (lambda c: response.line(c, response.SHAPE), curves),
    "bass_limit": (lambda c, f: response.bass_limit(c, 0.0 * f - 6.0), curves, hz),
    "axis_deviations": (lambda left: response.axis_deviations(left, 0.9 * left), sides),
    "curve_set": (curveset.curve_set, all_round),
    "share_poles": (curveset.share_poles, all_round),
    "full_angle": (lambda c: directivity.full_angle(c, HORIZONTAL), all_round),
    "beamwidth": (lambda c: directivity.beamwidth(directivity.full_angle(c, HORIZONTAL)), all_round),
    "smooth_third_octave": (lambda c: grid.smooth_third_octave(10.0 ** (c / 10.0)), curves),
    "distortion_at": (lambda d: output.distortion_at(DRIVES_DB, d, 90.0), distorted),
    "max_level": (lambda c: output.max_level(output.compression(DRIVES_DB, c)), swept),
    "usable_output": (
        lambda c, d: output.usable_output(
            output.compression(DRIVES_DB, c),
            output.distortion(DRIVES_DB, d),
            np.broadcast_shapes(c.shape[:-2] + c.shape[-1:]),
        ),
        swept,
        distorted,
    ),
    "epdr": (lambda c: electrical.lowest(electrical.epdr(8.0 + 0.01 * c, c)), curves),
    "box_tuning": (lambda c: electrical.box_tuning(10.0 ** (-c / 20.0)), curves),
    "room_power": (roompower.room_power, all_round),
    "programme": (
        lambda c: programme.level_db(programme.asked_db(programme.music_db()), c[..., programme.POINTS]),
        curves,
    ),
    "clean_level": (lambda d: output.clean_level(output.distortion(DRIVES_DB, d), 3.0, output.MID_BAND), distorted),
    "boundary_gain_db": (lambda c: room.boundary_gain_db(0.5, c), curves),
}


@pytest.mark.parametrize("name", FUNCTIONS)
@pytest.mark.parametrize("shape", [(1,), (2,), (2, 3), (3, 2, 2)], ids=str)
def test_each_curve_of_a_batch_gets_what_it_gets_alone(name, shape):
    function, *make = FUNCTIONS[name]
    arguments = [of(shape) for of in make]
    together = fields(function(*arguments))
    assert any(np.isfinite(array).all() for array in together)
    for at in np.ndindex(shape):
        alone = fields(function(*(argument[at] for argument in arguments)))
        for one, many in zip(alone, together, strict=True):
            np.testing.assert_allclose(one, many[at] if many.ndim >= len(shape) else many, rtol=1e-9, atol=1e-12)
