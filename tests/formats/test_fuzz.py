"""Damaged folders: no error but DataError, and no answer slower than 5 seconds. `python -m tests.formats.fuzz` runs
many."""

from __future__ import annotations

import pytest

from tests.formats import fuzz


@pytest.mark.parametrize(("count", "seed"), [(300, 1), pytest.param(20_000, 2, marks=pytest.mark.slow)])
def test_a_damaged_folder_is_read_or_refused(count, seed):
    outcomes, failures = fuzz.run(count, seed)
    assert failures == []
    assert outcomes["read"] > 0
    assert outcomes["refused"] > 0
