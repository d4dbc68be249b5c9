"""What benches add to values and to differences of values (method:statistics#benches-in-line), in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb.acoustics.grid import FREQUENCY_HZ
from speakerdb.statistics.benches import Benches, loadings, one_bench, reference_bench
from speakerdb.statistics.error_model import DEFAULT, Alignment, ErrorModel, bench_key

A, B, C = (bench_key(lab, "gated", None) for lab in ("shed", "attic", "barn"))
ALONE = [((bench, 1.0),) for bench in (A, B, C)]


def aligned(sd_db):
    """C brought in line with A, with so much left."""
    return ErrorModel(alignments={C: Alignment(A, np.zeros(len(FREQUENCY_HZ), np.float32), sd_db, 8)})


def test_between_two_benches_both_errors_count_within_one_none():
    loading, alone = loadings(ALONE[:2], A, DEFAULT)
    assert alone == pytest.approx([1.0, 1.0])
    benches = Benches(np.array([0, 0, 1]), np.array([0.04, 0.09, 0.04]), loading)
    assert benches.variance(0, 1) == 0.0
    assert benches.variance(0, 2) == pytest.approx(2 * 0.04)
    assert benches.variance(1, 2) == pytest.approx(2 * 0.065)  # τ of both in the mean
    assert benches.own == pytest.approx([0.0, 0.0, 2 * 0.04])  # against the reference bench
    assert benches.take(np.array([2, 0])).own == pytest.approx([0.08, 0.0])


def test_shared_errors_give_the_same_variances_when_added_up():
    patterns = [*ALONE, ((A, 0.5), (B, 0.5)), ((B, 0.25), (C, 0.75))]
    loading, _ = loadings(patterns, A, aligned(0.1))
    benches = Benches(np.arange(5), np.full(5, 0.3), loading)
    assert benches.shared.shape == (5, loading.shape[1])
    for j in range(5):
        for k in range(5):
            apart = np.sum((benches.shared[j] - benches.shared[k]) ** 2)
            assert benches.variance(j, k) == pytest.approx(apart)
        assert benches.own[j] == pytest.approx(np.sum(benches.shared[j] ** 2))


def test_a_mean_over_two_benches_feels_half_of_each():
    loading, alone = loadings([((A, 0.5), (B, 0.5)), ALONE[0]], A, DEFAULT)
    assert alone == pytest.approx([0.5, 1.0])
    # ½A + ½B − A = ½B − ½A: twice a quarter
    assert Benches(np.array([0, 1]), np.ones(2), loading).variance(0, 1) == pytest.approx(0.5)


def test_an_aligned_bench_differs_from_the_one_it_was_brought_in_line_with_by_what_is_left():
    model = aligned(0.1)
    loading, alone = loadings(ALONE, A, model)
    left = (0.1 / model.bench_sd_db) ** 2
    benches = Benches(np.arange(3), np.ones(3), loading)
    assert benches.variance(0, 2) == pytest.approx(left)
    assert benches.variance(0, 1) == pytest.approx(2.0)
    assert benches.variance(1, 2) == pytest.approx(2.0 + left)
    assert alone == pytest.approx([1.0, 1.0, 1.0 + left])


def test_where_all_comes_from_the_reference_bench_nothing_is_added():
    benches = one_bench(3)
    assert not benches.own.any()
    assert not benches.variance(np.arange(3)[:, None], np.arange(3)).any()


def test_the_reference_is_the_bench_with_the_most_sessions():
    assert reference_bench({B: 3, A: 5, C: 5}) == min(A, C)
    assert reference_bench({B: 6, A: 5}) == B
    assert reference_bench({}) is None
    loading, alone = loadings([((A, 1.0),)], None, DEFAULT)
    assert (loading.tolist(), alone.tolist()) == ([[1.0]], [1.0])
