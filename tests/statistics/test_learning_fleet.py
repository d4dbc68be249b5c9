"""What the demo fleet's repeats and shared specimens teach, against the errors that were drawn for it, for several
helpings of these.

Sizes: seed_data/errors.py. The tolerance is what so few pairs leave open: 8 speakers measured twice, 7 with two
serials, 9 passive specimens on both benches, 12 in all.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from seed_data.errors import Errors
from seed_data.model.air import FREQUENCY_HZ
from speakerdb.acoustics import grid
from speakerdb.statistics.error_model import SharedKeys
from speakerdb.statistics.learning import BAND, LEVEL_BAND, Head, Reading, as_measured, bench_pairs, sizes
from tests import truth

pytestmark = pytest.mark.slow
SEEDS = range(5)


@pytest.fixture(scope="module")
def helpings():
    """For each seed: readings of every visit, sessions per bench, and what lies between the attic and the shed in
    truth."""
    visits = truth.every_visit()
    found = []
    for seed in SEEDS:
        level = truth.measured_of(visits, seed)
        axis, window = as_measured(level)
        infos = [s.info for s in truth.sessions_of(visits, level)]
        keys = [SharedKeys.of(info, "") for info in infos]
        readings = [
            Reading(
                Head(
                    i, info.slug, info.sample, info.setting, key.bench, key.run, drive_db=None if info.powered else 0.0
                ),
                axis[i],
                window[i],
            )
            for i, (info, key) in enumerate(zip(infos, keys, strict=True))
        ]
        lab = {v.lab: Errors(str(seed)).bench_db(v) for v in visits if v.method in {"near-field-scan", "anechoic"}}
        between = grid.to_grid(FREQUENCY_HZ, (lab["shed"] - lab["attic"])[None])[0]
        found.append((readings, Counter(k.bench for k in keys), between))
    return found


# Files have 24 points an octave; on the grid's 20 a value is a mean of two neighbours, weighed 1 − x and x with x
# anywhere from 0 to 1: of the repeat's variance 1 − (1 − ρ)/3 is left, ρ being the correlation of neighbours. It is
# that which intervals are drawn with.
ON_GRID = np.sqrt(1 - (1 - np.exp(-np.pi * (6 / 24) ** 2)) / 3)


@pytest.mark.parametrize(
    ("part", "size", "within"),
    [("repeatability", 0.1 * ON_GRID, 0.2), ("session", 0.1, 0.3), ("level", 0.15, 0.5), ("sample", 0.4, 0.25)],
)
def test_the_sizes_that_were_drawn_are_found(helpings, part, size, within):
    seen = [{s.part: s for s in sizes(readings)}[part].seen_sd_db for readings, *_ in helpings]
    assert seen == pytest.approx([size] * len(seen), rel=within)
    assert np.sqrt(np.mean(np.square(seen))) == pytest.approx(size, rel=within / 2)


def test_the_attic_comes_in_line_with_the_shed(helpings):
    errors, told, levels = [], [], []
    for readings, sessions, between in helpings:
        pair = bench_pairs(readings, sessions)[0]
        assert pair.reason is None
        assert pair.n == 12
        error = pair.offset_db - between
        levels.append(float(error[LEVEL_BAND].mean()))
        errors.append(float(np.sqrt(np.mean((error - levels[-1])[BAND] ** 2))))
        told.append(pair.residual_sd_db)
    assert max(errors) < 0.07
    assert np.sqrt(np.mean(np.square(errors))) == pytest.approx(np.sqrt(np.mean(np.square(told))), rel=0.25)
    assert np.max(np.abs(levels)) < 3 * 0.15 * np.sqrt(2 / 9)
