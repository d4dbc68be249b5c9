"""A subwoofer's own reference and limits, in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb import derive
from speakerdb.acoustics import grid, subwoofer
from speakerdb.errors import DataError
from speakerdb.metrics import METRICS
from speakerdb.session import CurveBlock, Session, Sweep
from tests.store.builders import info

F = grid.FREQUENCY_HZ
RAW_HZ = 20.0 * 2.0 ** (np.arange(120) / 24.0)  # to 640 Hz


def band_pass(f, low_hz, high_hz):
    """Fourth-order Butterworth high-pass and low-pass, in dB."""
    return -10.0 * np.log10(1.0 + (low_hz / f) ** 8) - 10.0 * np.log10(1.0 + (f / high_hz) ** 8)


@pytest.mark.parametrize("low_hz", [24.0, 28.0, 31.0])
@pytest.mark.parametrize("high_hz", [150.0, 220.0])
def test_limits_of_butterworth_filters_are_where_their_formula_says(low_hz, high_hz):
    # f = f0·(10^(d/10) − 1)^(∓1/8); what is lost in the reference band is taken off
    curve = band_pass(F, low_hz, high_hz)[None]
    reference = float(subwoofer.reference_db(curve)[0])
    for fall in (3.0, 6.0, 10.0):
        at = low_hz * (10.0 ** ((fall - reference) / 10.0) - 1.0) ** (-1.0 / 8.0)
        found = subwoofer.lower_limit(curve, fall)
        if at > F[0] * 1.02:
            assert found.hz[0] == pytest.approx(at, rel=4e-3)
            assert not found.at_most[0]
    at = high_hz * (10.0 ** ((6.0 - reference) / 10.0) - 1.0) ** (1.0 / 8.0)
    assert subwoofer.upper_limit(curve, 6.0).hz[0] == pytest.approx(at, rel=4e-3)


def test_what_does_not_end_is_a_bound():
    curve = np.where(F > 400.0, np.nan, 90.0)[None]
    lower, upper = subwoofer.lower_limit(curve, 6.0), subwoofer.upper_limit(curve, 6.0)
    assert (lower.hz[0], lower.at_most[0]) == (pytest.approx(F[0]), True)
    assert (upper.hz[0], upper.at_most[0]) == (pytest.approx(F[F <= 400.0][-1]), True)


def session(drive_offset_db=0.0, **keys):
    """91 dB over 40–80 Hz nearly; 3 dB are lost where the drive is 102 dB, 10 % reached at 106 dB."""
    level = 91.0 + band_pass(RAW_HZ, 26.0, 180.0)
    block = CurveBlock(RAW_HZ, np.array([True]), np.zeros(1), level[None])
    drives = np.array([80.0, 86.0, 92.0, 96.0, 100.0, 104.0, 108.0])
    loss = 0.5 * np.maximum(0.0, drives - 96.0)
    reference = level - float(subwoofer.reference_db(grid.to_grid(RAW_HZ, level[None]))[0])
    swept = tuple(
        Sweep(d + drive_offset_db, None, RAW_HZ, reference + d - x) for d, x in zip(drives, loss, strict=True)
    )
    thd = tuple(Sweep(d + drive_offset_db, "thd", RAW_HZ, np.full(120, -20.0 + 2.0 * (d - 106.0))) for d in drives)
    return Session("made", info(kind="subwoofer", **keys), (block,), distortion=thd, compression=swept)


def values_of(made):
    table = derive.derive([derive.to_grid(made)]).values
    return {
        m: (float(table.value[0, j]), int(table.censored[0, j]), table.reason.get((0, m)))
        for j, m in enumerate(table.metrics)
    }


def test_output_is_told_at_its_frequencies_from_its_own_reference():
    values = values_of(session())
    shape = band_pass(np.array([25.0, 31.5, 40.0, 63.0]), 26.0, 180.0)
    level = 91.0 + band_pass(RAW_HZ, 26.0, 180.0)
    reference = float(subwoofer.reference_db(grid.to_grid(RAW_HZ, level[None]))[0]) - 91.0
    for name, at in zip(("25", "31", "40", "63"), shape, strict=True):
        value, code, _ = values[f"sub_max_level_{name}hz_db"]
        assert code == 0
        assert value == pytest.approx(99.0 + at - reference, abs=0.1)
    assert values["f6_hz"][2] == "a subwoofer: it refers to 300 Hz and above"
    assert all(np.isfinite(values[m.id][0]) for m in METRICS.values() if m.kinds == "subwoofer")


def test_drives_of_another_band_are_moved_to_the_reference():
    band = (30.0, 50.0)
    level = grid.to_grid(RAW_HZ, 91.0 + band_pass(RAW_HZ, 26.0, 180.0)[None])
    lower = float(level[0, grid.band(*band)].mean() - subwoofer.reference_db(level)[0])
    moved, plain = values_of(session(lower, drive_band=band)), values_of(session())
    for m in METRICS.values():
        if m.kinds == "subwoofer":
            assert moved[m.id][0] == pytest.approx(plain[m.id][0], abs=0.02)
    with pytest.raises(DataError) as caught:
        derive.to_grid(session(3.0))
    assert "40–80 Hz" in caught.value.items[0].found


def test_other_kinds_have_none_of_it():
    made = session()
    made = Session("made", info(), made.blocks)
    values = values_of(made)
    assert {values[m.id][2] for m in METRICS.values() if m.kinds == "subwoofer"} == {"for subwoofers only"}
