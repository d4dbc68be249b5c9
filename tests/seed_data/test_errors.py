"""The errors of the fleet's benches against the law that README.md states: sizes, widths, and what is shared by
what."""

from __future__ import annotations

import ast
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

import seed_data
from seed_data.errors import Errors
from seed_data.model.air import FREQUENCY_HZ, POINTS_PER_OCTAVE, FloatArray
from seed_data.plan import Visit, first_visits
from tests.covariances import kinship, law, size, standing

SEEDS = 400
LIMIT = 4.0  # standard errors; 1 in 16,000 by chance
LOG_HZ = np.log(FREQUENCY_HZ)
ALL_ROUND = np.cos(np.radians([0.0, 90.0, 180.0]))

Part = Callable[[Errors], FloatArray | float]


@cache
def visit() -> Visit:
    return first_visits()[0]


def over_seeds(part: Part) -> FloatArray:
    """(SEEDS, …) one part of the errors under as many seeds."""
    return np.stack([np.asarray(part(Errors(f"test {n}"))) for n in range(SEEDS)])


# The law as README.md states it, written down a second time
SESSION_SD_DB = np.interp(LOG_HZ, np.log([40.0, 100.0]), [0.3, 0.1])
BENCH_SD_DB = np.interp(LOG_HZ, np.log([30.0, 100.0, 5000.0, 10000.0]), [1.0, 0.25, 0.25, 0.5])
PARTS: dict[str, tuple[Part, FloatArray | float, float]] = {
    "repeat": (lambda e: e.repeat_db(visit(), 1)[0], 0.1, 1 / 6),
    "session": (lambda e: e.session_db(visit()), SESSION_SD_DB, 1 / 2),
    "bench": (lambda e: e.bench_db(visit()), BENCH_SD_DB, 1.0),
    "sample": (lambda e: e.sample_db(visit(), ALL_ROUND)[0], 0.4, 1 / 2),
    "sample directivity": (lambda e: np.diff(e.sample_db(visit(), ALL_ROUND), axis=0).sum(axis=0), 0.4, 1 / 2),
    "compression": (lambda e: e.compression_db(visit(), 1)[0], 0.1, 1 / 6),
    "distortion of a drive": (
        lambda e: np.diff(e.distortion_db(visit(), "h2", 2), axis=0)[0] / np.sqrt(2.0),
        1.0,
        1 / 6,
    ),
}


@pytest.mark.parametrize("name", PARTS)
def test_each_part_has_the_stated_size_and_width(name: str) -> None:
    part, sd_db, width_oct = PARTS[name]
    drawn, expected = over_seeds(part), law(FREQUENCY_HZ, sd_db, width_oct)
    apart = round(width_oct * POINTS_PER_OCTAVE / 2)  # half a width: correlation exp(−π/4) = 0.46
    for weights in (size(expected), kinship(expected, apart)):
        assert abs(standing(drawn, drawn, weights, expected, expected, expected)) < LIMIT


def test_distortion_of_a_session_has_a_common_part_of_1_db_and_1_octave() -> None:
    first, second = over_seeds(lambda e: np.stack([e.distortion_db(visit(), c, 1)[0] for c in ("h2", "h3")])).swapaxes(
        0, 1
    )
    common = law(FREQUENCY_HZ, 1.0, 1.0)
    alone = common + law(FREQUENCY_HZ, 1.0, 1 / 6)
    for weights in (size(common), kinship(common, POINTS_PER_OCTAVE // 2)):
        assert abs(standing(first, second, weights, alone, alone, common)) < LIMIT


@pytest.mark.parametrize(
    ("part", "sd"),
    [(lambda e: e.level_db(visit()), 0.15), (lambda e: e.impedance_factor(visit()) - 1.0, 0.02)],
    ids=["level", "impedance"],
)
def test_flat_parts_have_the_stated_size(part: Part, sd: float) -> None:
    assert np.mean(over_seeds(part) ** 2) / sd**2 == pytest.approx(1.0, abs=LIMIT * np.sqrt(2.0 / SEEDS))


def test_specimens_differ_beside_and_behind_by_half_and_all_of_the_turning_part() -> None:
    ahead, beside, behind = Errors("x").sample_db(visit(), ALL_ROUND)
    np.testing.assert_allclose(beside - ahead, (behind - ahead) / 2.0, atol=1e-12)
    assert np.std(behind - ahead) > 0.1


def test_every_curve_is_a_reading_of_its_own() -> None:
    curves = Errors("x").repeat_db(visit(), 72)
    assert len(np.unique(np.round(curves, 6), axis=0)) == 72  # so H 0° and V 0° too


CHANGES: dict[str, dict[str, object]] = {
    "repeat": {"repeat": 2},
    "setting": {"setting": "other"},
    "day": {"day": "2026-04-01"},
    "sample": {"sample": "other"},
    "lab": {"lab": "attic"},
    "calibration": {"day": "2025-08-01"},
}
SHARED: dict[str, tuple[Callable[[Errors, Visit], object], set[str]]] = {
    "session": (lambda e, v: e.session_db(v), set()),
    "repeat": (lambda e, v: e.repeat_db(v, 2), set()),
    "level": (lambda e, v: e.level_db(v), {"repeat", "setting"}),
    "bench": (lambda e, v: e.bench_db(v), {"repeat", "setting", "day", "sample"}),
    "sample": (lambda e, v: e.sample_db(v, ALL_ROUND), {"repeat", "setting", "day", "lab", "calibration"}),
}


@pytest.mark.parametrize("name", SHARED)
def test_parts_are_shared_by_what_the_law_says_and_by_no_more(name: str) -> None:
    part, common = SHARED[name]
    errors = Errors("x")
    same = {
        what
        for what, change in CHANGES.items()
        if np.array_equal(part(errors, visit()), part(errors, replace(visit(), **change)))
    }
    assert same == common
    assert not np.array_equal(part(errors, visit()), part(Errors("y"), visit()))


def test_another_method_is_another_bench() -> None:
    other = replace(visit(), method="gated")
    assert not np.array_equal(Errors("x").bench_db(visit()), Errors("x").bench_db(other))


def test_no_speaker_shares_but_the_bench_with_another() -> None:
    errors, other = Errors("x"), replace(first_visits()[1], lab=visit().lab, day=visit().day, sample=visit().sample)
    assert np.array_equal(errors.bench_db(visit()), errors.bench_db(other))
    assert errors.level_db(visit()) != errors.level_db(other)
    assert not np.array_equal(errors.sample_db(visit(), ALL_ROUND), errors.sample_db(other, ALL_ROUND))
    assert not np.array_equal(errors.session_db(visit()), errors.session_db(other))


def test_the_law_is_the_fleets_own() -> None:
    for file in Path(seed_data.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [name for name in names if name.split(".")[0] == "speakerdb"], file
