"""The truth that other tests are held against: its three stages differ by the errors that seed_data/README.md states,
and by no others."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from seed_data.generate import FLEET
from seed_data.model.air import FREQUENCY_HZ
from seed_data.model.noise import SEED
from seed_data.plan import Visit, visits
from speakerdb.acoustics import curveset, grid
from speakerdb.formats import read_session
from tests import truth
from tests.covariances import kinship, law, size, standing

FloatArray = NDArray[np.float64]

SEEDS = 200
LIMIT = 4.0  # standard errors; 1 in 16,000 by chance
LOG_HZ = np.log(FREQUENCY_HZ)
H0, V0, H30, REAR = curveset.ON_AXIS, curveset.V_AXIS, curveset.h(30)[0], curveset.h(180)[0]

# The law as README.md states it
REPEAT = law(FREQUENCY_HZ, 0.1, 1 / 6)
SESSION = law(FREQUENCY_HZ, np.interp(LOG_HZ, np.log([40.0, 100.0]), [0.3, 0.1]), 1 / 2)
BENCH = law(FREQUENCY_HZ, np.interp(LOG_HZ, np.log([30.0, 100.0, 5000.0, 10000.0]), [1.0, 0.25, 0.25, 0.5]), 1.0)
SAMPLE = law(FREQUENCY_HZ, 0.4, 1 / 2)
LEVEL = np.full(REPEAT.shape, 0.15**2)


@cache
def pair() -> tuple[Visit, ...]:
    """A speaker's first visit and its repeat of the same day, another speaker in the same lab, and that one in the
    other lab."""
    every = truth.every_visit()
    adze = [v for v in every if v.design.model == "Adze"]
    gimlet = [v for v in every if v.design.model == "Gimlet"]
    found = (
        adze[0],
        next(v for v in adze if v.repeat == 2),
        gimlet[0],
        next(v for v in gimlet if v.lab != gimlet[0].lab),
    )
    assert [v.lab for v in found] == ["shed", "shed", "shed", "attic"]
    return found


@cache
def errors(stage: str) -> FloatArray:
    """(SEEDS, 4, 72, 199) what a stage has beyond the one before it at the four visits, over seeds."""
    below = {"unit": lambda seed: truth.levels_of(pair()), "measured": lambda seed: truth.units_of(pair(), seed)}[stage]
    of = {"unit": truth.units_of, "measured": truth.measured_of}[stage]
    return np.stack([of(pair(), seed) - below(seed) for seed in range(SEEDS)])


def on_grid(covariance: FloatArray) -> FloatArray:
    """A law over the model's 240 frequencies as the grid's 199 points have it: cell averages take a little off narrow
    errors."""
    step = 1e-3
    response = (
        grid.to_grid(FREQUENCY_HZ, step * np.eye(len(FREQUENCY_HZ))) / step
    )  # of a flat curve, first order in the error
    return np.asarray(response.T @ covariance @ response)


def agrees(drawn: FloatArray, covariance: FloatArray, width_oct: float) -> None:
    """Drawn (N, 199) have the law's size, and its correlation half a width apart (0.46 at that distance)."""
    expected = on_grid(covariance)
    for weights in (size(expected), kinship(expected, round(width_oct * grid.POINTS_PER_OCTAVE / 2))):
        assert abs(standing(drawn, drawn, weights, expected, expected, expected)) < LIMIT


def test_a_curve_has_its_own_error_of_0_1_db_and_a_sixth_of_an_octave() -> None:
    first = errors("measured")[:, 0]
    agrees((first[:, H30] - first[:, H0]) / np.sqrt(2.0), REPEAT, 1 / 6)


def test_horizontal_and_vertical_axis_are_two_readings() -> None:
    first = errors("measured")[:, 0]
    agrees((first[:, H0] - first[:, V0]) / np.sqrt(2.0), REPEAT, 1 / 6)


def test_a_session_has_0_1_db_and_more_in_the_bass_in_common() -> None:
    first, again = errors("measured")[:, :2].mean(axis=2).swapaxes(0, 1)  # one run: level and bench cancel
    agrees((again - first) / np.sqrt(2.0), SESSION + REPEAT / curveset.SLOTS, 1 / 2)


def test_speakers_of_one_bench_share_its_error_and_nothing_else() -> None:
    first, other = errors("measured")[:, 0].mean(axis=1), errors("measured")[:, 2].mean(axis=1)
    bench = on_grid(BENCH)
    alone = on_grid(BENCH + SESSION + LEVEL + REPEAT / curveset.SLOTS)
    for weights in (size(bench), kinship(bench, grid.POINTS_PER_OCTAVE // 2)):
        assert abs(standing(first, other, weights, alone, alone, bench)) < LIMIT


def test_speakers_of_two_benches_share_nothing() -> None:
    shed, attic = errors("measured")[:, 2].mean(axis=1), errors("measured")[:, 3].mean(axis=1)
    alone = on_grid(BENCH + SESSION + LEVEL + REPEAT / curveset.SLOTS)
    assert abs(standing(shed, attic, size(alone), alone, alone, np.zeros_like(alone))) < LIMIT


def test_a_run_has_a_level_of_0_15_db_of_its_own() -> None:
    first, other = errors("measured")[:, 0].mean(axis=1), errors("measured")[:, 2].mean(axis=1)  # one bench, two runs
    expected = on_grid(2.0 * (SESSION + LEVEL + REPEAT / curveset.SLOTS))
    everywhere = np.full(expected.shape, 1.0 / expected.size)  # the square of the mean over frequency
    assert abs(standing(first - other, first - other, everywhere, expected, expected, expected)) < LIMIT


def test_a_unit_differs_from_the_design_by_0_4_db_in_front_and_as_much_more_behind() -> None:
    unit = errors("unit")[:, 0]
    agrees(unit[:, H0], SAMPLE, 1 / 2)
    agrees(unit[:, REAR] - unit[:, H0], SAMPLE, 1 / 2)


def test_one_specimen_is_one_unit_in_all_its_sessions() -> None:
    unit = errors("unit")
    np.testing.assert_array_equal(unit[:, 0], unit[:, 1])
    np.testing.assert_array_equal(unit[:, 2], unit[:, 3])


def test_seeds_of_the_whole_fleet_are_those_of_its_speakers() -> None:
    slugs = ("gannetmoor-adze", "tornskar-hylla")
    rows = [[known.slug for known in truth.designs()].index(slug) for slug in slugs]
    assert len(truth.designs()) == len(truth.levels()) == 63
    np.testing.assert_array_equal(truth.levels(*slugs), truth.levels()[rows])
    np.testing.assert_array_equal(truth.unit_levels(5, *slugs), truth.unit_levels(5)[rows])
    np.testing.assert_array_equal(truth.measured_levels(5, *slugs), truth.measured_levels(5)[rows])


@pytest.mark.parametrize("benches", [("shed",), ("shed", "attic")])
def test_sessions_say_where_they_were_measured(benches: tuple[str, ...]) -> None:
    found = truth.sessions(truth.measured_levels(5, benches=benches), benches=benches)
    assert [s.info.lab for s in found] == [benches[n % len(benches)] for n in range(63)]
    assert {(s.info.lab, s.info.method, s.info.calibration) for s in found} == {
        bench
        for bench in (("shed", "near-field-scan", "2025-08"), ("attic", "anechoic", "2025-08"))
        if bench[0] in benches
    }
    assert len({(s.info.slug, s.info.sample) for s in found}) == 63


def test_the_fleets_seed_gives_what_the_fleets_files_hold() -> None:
    """Wherever the visit took nothing away: the file's 0.01 dB, and the grid's."""
    plain = {
        v.folder
        for v in visits()
        if v.angles == "all"
        and v.points == 24
        and not v.smoothing_oct
        and not v.gate_ms
        and v.level_is == "spl_1m"
        and not v.symmetric
        and v.form == "parquet"
    }
    chosen = [v for v in truth.every_visit() if v.folder in plain]
    assert len(chosen) > 80
    made = truth.sessions_of(chosen, truth.measured_of(chosen, SEED))
    for visit, session in zip(chosen, made, strict=True):
        read = read_session(FLEET / visit.folder)
        (block,) = read.blocks
        order = np.lexsort((block.angle_deg, ~block.horizontal))
        np.testing.assert_array_equal(block.angle_deg[order], session.angle_deg)
        np.testing.assert_array_equal(block.horizontal[order], session.horizontal)
        on_grid_db = grid.to_grid(block.frequency_hz, block.level_db[order])
        np.testing.assert_allclose(on_grid_db, session.level_db, atol=0.0151, err_msg=visit.folder)
        for key in (
            "slug",
            "sample",
            "setting",
            "lab",
            "method",
            "calibration",
            "date",
            "repeat",
            "default_setting",
            "kind",
        ):
            assert getattr(read.info, key) == getattr(session.info, key), key
