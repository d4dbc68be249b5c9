"""Sizes of errors, what is shared with what, and what learning changes (method:statistics#errors-and-their-sizes)."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics.grid import FREQUENCY_HZ, LOG2_HZ
from speakerdb.statistics.error_model import (
    DEFAULT,
    DEFAULT_SD,
    LEARNABLE,
    WIDTH_OCT,
    Alignment,
    ErrorModel,
    SharedKeys,
    bench_key,
    bench_words,
    sd_over_frequency,
)
from tests.store.builders import info


def at(sd, frequency_hz):
    return float(np.interp(np.log2(frequency_hz), LOG2_HZ, sd))


def test_sizes_and_widths_are_those_of_the_table():
    # method:statistics#errors-and-their-sizes, own judgement
    flat = {
        "repeatability": 0.15,
        "level": 0.15,
        "sample_spread": 0.5,
        "sample_directivity": 0.5,
        "distortion": 1.0,
        "distortion_per_drive": 1.0,
        "compression": 0.1,
        "impedance_percent": 2.0,
    }
    for part, size in flat.items():
        np.testing.assert_allclose(DEFAULT.sd(info(), part), size, rtol=1e-6)
    assert set(DEFAULT_SD) == {*flat, "session", "calibration", "gate", "merge"}
    assert WIDTH_OCT == {
        "repeatability": 1 / 6,
        "session": 1 / 2,
        "calibration": 1.0,
        "sample_spread": 1 / 2,
        "sample_directivity": 1 / 2,
        "distortion": 1.0,
        "distortion_per_drive": 1 / 6,
        "compression": 1 / 6,
        "gate": 1 / 2,
        "merge": 1.0,
    }


def test_the_bench_is_sure_in_the_middle_and_less_so_towards_both_ends():
    sd = DEFAULT.sd(info(), "calibration")
    assert [at(sd, f) for f in (21, 30)] == pytest.approx([1.0, 1.0], abs=0.02)
    assert [at(sd, f) for f in (110, 1000, 4500)] == pytest.approx([0.25] * 3)
    assert [at(sd, f) for f in (10500, 18000)] == pytest.approx([0.5, 0.5])
    middle = np.sqrt(30 * 100)  # half-way in log f
    assert at(sd, middle) == pytest.approx(0.625, abs=1e-3)
    assert at(sd, np.sqrt(5000 * 10000)) == pytest.approx(0.375, abs=1e-3)


def test_a_session_is_three_times_less_sure_at_the_bottom():
    sd = DEFAULT.sd(info(), "session")
    assert [at(sd, f) for f in (25, 39, np.sqrt(4000), 101, 5000)] == pytest.approx([0.3, 0.3, 0.2, 0.1, 0.1], abs=1e-3)


def test_a_table_is_linear_over_log_f_and_constant_beyond_its_ends():
    sd = sd_over_frequency(((100.0, 0.2), (400.0, 0.6)))
    assert [at(sd, f) for f in (30, 100, 200, 400, 9000)] == pytest.approx([0.2, 0.2, 0.4, 0.6, 0.6], abs=0.01)


def test_what_is_learned_scales_the_default_and_what_a_session_says_goes_before_both():
    model = ErrorModel(version=3, factor={"session": 0.5, "sample": 2.0})
    plain, own = info(), info(uncertainty={"session": 0.7})
    np.testing.assert_allclose(model.sd(plain, "session"), 0.5 * DEFAULT.sd(plain, "session"))
    for part in LEARNABLE["sample"]:
        np.testing.assert_allclose(model.sd(plain, part), 1.0)
    np.testing.assert_allclose(model.sd(plain, "repeatability"), DEFAULT.sd(plain, "repeatability"))
    np.testing.assert_allclose(model.sd(own, "session"), 0.7)
    assert ErrorModel(factor={"level": 2.0}).level_sd(plain) == pytest.approx(0.3)


def test_a_sessions_noise_is_the_floor_of_its_repeatability_and_never_added():
    noise = ((100.0, 0.05), (1000.0, 0.4))
    for known in ({}, {"repeatability": 0.15}):
        sd = DEFAULT.sd(info(uncertainty={"noise": noise, **known}), "repeatability")
        assert at(sd, 60) == pytest.approx(0.15)
        assert at(sd, 2000) == pytest.approx(0.4)
    np.testing.assert_allclose(DEFAULT.sd(info(uncertainty={"noise": noise}), "session"), DEFAULT.sd(info(), "session"))


def keys(content="c", **changes):
    return SharedKeys.of(info(**changes), content)


@pytest.mark.parametrize(
    ("changes", "shared"),
    [
        ({"setting": "other"}, {"bench", "sample", "run"}),
        ({"date": "2026-03-02"}, {"bench", "sample"}),
        ({"sample": "0018"}, {"bench"}),
        ({"model": "Sill 8"}, {"bench"}),
        ({"lab": "attic"}, {"sample"}),
        ({"method": "gated"}, {"sample", "run"}),
        ({"calibration": "2026-01"}, {"sample", "run"}),
    ],
)
def test_what_two_sessions_share(changes, shared):
    a, b = keys(), keys("d", **changes)
    assert {part for part in ("bench", "sample", "run", "session") if getattr(a, part) == getattr(b, part)} == shared


def test_a_run_by_name_goes_over_days_and_samples_but_not_over_labs():
    a, b = keys(run="one", date="2026-03-01"), keys("d", run="one", date="2026-03-09", sample="0018")
    assert a.run == b.run
    assert a.run != keys(run="one", lab="attic").run


def test_a_bench_in_words():
    assert bench_words(bench_key("shed", "near-field-scan", "2025-08")) == "shed (near-field-scan, 2025-08)"
    assert bench_words(bench_key("shed", "gated", None)) == "shed (gated)"


def test_an_aligned_bench_carries_the_error_of_the_one_it_was_brought_in_line_with():
    a, b = bench_key("shed", "gated", None), bench_key("attic", "gated", None)
    model = ErrorModel(alignments={b: Alignment(a, np.zeros(len(FREQUENCY_HZ), np.float32), 0.03, 8)})
    assert model.bench_of(b) == model.bench_of(a) == a
    assert DEFAULT.bench_of(b) == b


def test_every_version_has_seeds_of_its_own():
    assert ErrorModel(version=1).seed != ErrorModel(version=2).seed
    assert ErrorModel(version=1).seed == ErrorModel(version=1, factor={"level": 0.5}).seed


def test_the_benchs_size_over_the_middle_of_the_range():
    # 0.25 dB over log2(50) octaves, then from there to 0.5 dB over one: ∫ of a line squared is (a² + ab + b²)/3
    flat, rising = np.log2(50.0), 1.0
    expected = np.sqrt((flat * 0.25**2 + rising * (0.25**2 + 0.25 * 0.5 + 0.5**2) / 3) / (flat + rising))
    assert DEFAULT.bench_sd_db == pytest.approx(expected, rel=0.01)
