"""Learning from repeats: sizes and offsets that were put in come out. All errors are drawn here, by white noise folded
over octaves, not by the fields that intervals are drawn from."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest

from speakerdb.acoustics import curveset, grid
from speakerdb.statistics.error_model import LEARNABLE
from speakerdb.statistics.learning import (
    BENCH,
    LEAST,
    MIRRORED,
    ONE_CURVE_EACH,
    Head,
    Reading,
    as_measured,
    bench_pairs,
    count,
    sizes,
)

OCTAVE = np.log2(grid.FREQUENCY_HZ)
ATTIC, SHED, BARN = "/attic|anechoic|c", "/shed|near-field-scan|c", "/barn|gated|c"
H, V = curveset.h(0, 10, -10, 20, -20, 30, -30), curveset.v(10, -10)


@cache
def kernel(width_oct):
    axis = np.arange(OCTAVE[0] - 2 * width_oct, OCTAVE[-1] + 2 * width_oct, width_oct / 10)
    weights = np.exp(-2 * np.pi * ((OCTAVE[:, None] - axis) / width_oct) ** 2)
    return weights / np.sqrt((weights**2).sum(axis=1, keepdims=True))


def smooth_noise(random, width_oct, count=1):
    """(count, 199) fields of unit variance with correlation exp(−π(Δ/w)²)."""
    return random.standard_normal((count, kernel(width_oct).shape[1])) @ kernel(width_oct).T


class World:
    """Speakers, units and benches with errors of stated sizes in dB."""

    def __init__(self, seed, repeat=0.1, session=0.1, level=0.15, sample=0.4, bench=0.25):
        self.random = np.random.default_rng(seed)
        self.repeat, self.session, self.level, self.sample, self.bench = repeat, session, level, sample, bench
        self.designs, self.units, self.runs, self.benches = {}, {}, {}, {}
        self.made = 0

    @staticmethod
    def _once(table, key, make):
        if key not in table:
            table[key] = make()
        return table[key]

    def bench_error(self, name):
        return self._once(self.benches, name, lambda: self.bench * smooth_noise(self.random, 1.0)[0])

    def read(self, speaker, sample="0017", bench=SHED, run="a", setting="plain", **more):
        """One session: 85 dB and the design's own bumps, the unit's, the bench's, the run's level, its own drift and
        nine readings."""
        random = self.random
        design = self._once(self.designs, (speaker, setting), lambda: 3.0 * smooth_noise(random, 0.3)[0])
        unit = self._once(self.units, (speaker, sample), lambda: self.sample * smooth_noise(random, 0.5)[0])
        level = self._once(
            self.runs, (bench, speaker, sample, run), lambda: np.array([self.level * random.standard_normal()])
        )
        common = 85.0 + design + unit + self.bench_error(bench) + level + self.session * smooth_noise(random, 0.5)[0]
        curves = np.full((72, 199), np.nan)
        curves[H + V] = common + self.repeat * smooth_noise(random, 1 / 6, 9)
        if more.get("symmetric"):
            curves[curveset.h(-10, -20, -30)] = curves[curveset.h(10, 20, 30)]
        curves += more.pop("drive", 0.0)
        self.made += 1
        head = Head(
            self.made, speaker, sample, setting, bench, f"{bench}|{speaker}|{sample}|{run}", **{"drive_db": 0.0, **more}
        )
        return Reading(head, *as_measured(curves))


def by_part(readings):
    return {s.part: s for s in sizes(readings)}


def seen(readings):
    return {part: s.seen_sd_db for part, s in by_part(readings).items()}


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def repeats(world, speakers=8, **more):
    return [world.read(f"s{i}", run=run, **more) for i in range(speakers) for run in "ab"]


def test_a_window_of_nine_curves_has_a_ninth_of_the_variance_and_more_where_three_pairs_are_one_curve_each():
    weights = np.full(9, 1 / 9)
    assert pytest.approx(np.sum(weights**2)) == ONE_CURVE_EACH
    shared = np.array([1, 2, 2, 2, 1, 1]) / 9  # 0°, ±10, ±20, ±30 of the horizontal orbit, V 10, V −10
    assert pytest.approx(np.sum(shared**2)) == MIRRORED == 15 / 81
    random, level = np.random.default_rng(3), np.full((400, 72, 199), np.nan)
    level[:, H + V] = 80.0 + 0.1 * random.standard_normal((400, 9, 199))
    assert as_measured(level)[1].var() == pytest.approx(0.01 * ONE_CURVE_EACH, rel=0.03)
    level[:, curveset.h(-10, -20, -30)] = level[:, curveset.h(10, 20, 30)]
    assert as_measured(level)[1].var() == pytest.approx(0.01 * MIRRORED, rel=0.03)


def test_the_axis_is_the_horizontal_reading_alone():
    level = np.full((72, 199), 80.0)
    level[curveset.ON_AXIS], level[curveset.V_AXIS] = 84.0, 76.0
    axis, window = as_measured(level)
    assert (axis == 84.0).all()
    np.testing.assert_allclose(window, 10 * np.log10((10**8.4 + 8 * 10**8.0) / 9))
    level[curveset.ON_AXIS] = np.nan
    assert (as_measured(level)[0] == 76.0).all()  # where no other was read
    level[curveset.V_AXIS] = np.nan
    assert np.isnan(as_measured(level)[1]).all()


@pytest.mark.parametrize(("repeat", "session"), [(0.2, 0.1), (0.1, 0.1), (0.15, 0.0), (0.0, 0.2)])
@pytest.mark.parametrize("symmetric", [False, True])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_repeat_and_session_are_told_apart(repeat, session, symmetric, seed):
    """Within four standard errors of the estimated variances, from 60 speakers measured twice.

    A product of two fields of widths v and w has the correlation exp(−πΔ²(1/v² + 1/w²)): its mean over the 6.64 octaves
    is one of
    6.64·√(1/v² + 1/w²) independent values.
    """
    found = seen(repeats(World(seed, repeat=repeat, session=session), 60, symmetric=symmetric))
    w = MIRRORED if symmetric else ONE_CURVE_EACH
    r2, c2 = repeat**2, session**2
    of_r, of_c, of_both = np.log2(100.0) * np.array([np.hypot(6, 6), np.hypot(2, 2), np.hypot(6, 2)])
    r_error = np.sqrt(2 / 60 * (r2**2 / of_r + 2 * r2 * c2 / of_both)) / (1 - w)
    c_error = np.sqrt(2 / 60 * (c2**2 / of_c + (w * r2) ** 2 / of_r + 2 * w * r2 * c2 / of_both)) + w * r_error
    assert found["repeatability"] ** 2 == pytest.approx(r2, abs=4 * r_error + 1e-6)
    assert found["session"] ** 2 == pytest.approx(c2, abs=4 * c_error + 1e-6)


def test_taking_symmetric_curves_for_nine_would_say_the_session_drifts():
    readings = repeats(World(1, repeat=0.3, session=0.0), 32, symmetric=True)
    taken = [dataclasses.replace(r, head=dataclasses.replace(r.head, symmetric=False)) for r in readings]
    assert seen(readings)["session"] < 0.04
    assert seen(taken)["session"] == pytest.approx(0.3 * np.sqrt(MIRRORED - ONE_CURVE_EACH), rel=0.2)


def test_the_spread_between_serials_is_what_repeat_and_session_leave():
    found = []
    for seed in range(8):
        world = World(seed, sample=0.4)
        found.append(seen([*repeats(world), *(world.read(f"s{i}", sample="0022") for i in range(8))])["sample"])
    assert rms(found) == pytest.approx(0.4, rel=0.06)


def test_serials_that_are_alike_show_no_spread():
    world = World(5, sample=0.0)
    readings = [world.read(f"s{i}", sample=s, run=run) for i in range(40) for s in ("0017", "0022") for run in "ab"]
    assert seen(readings)["sample"] < 0.04


def test_the_level_of_runs_is_found_between_benches_however_far_these_are_apart():
    found = []
    for seed in range(40):
        world = World(seed, level=0.3, session=0.0, bench=0.0)
        world.bench_error(ATTIC)[:] = 5.0
        found.append(seen([world.read(f"s{i}", bench=b) for i in range(8) for b in (ATTIC, SHED)])["level"])
    assert rms(found) == pytest.approx(0.3, rel=0.1)  # 7 · 40 differences: 4 % of the standard deviation


def test_the_level_of_runs_is_found_within_a_bench():
    found = [seen(repeats(World(seed, level=0.3, session=0.0)))["level"] for seed in range(40)]
    assert rms(found) == pytest.approx(0.3, rel=0.1)


def test_readings_of_one_run_say_nothing_of_its_level():
    world = World(1)
    assert by_part([world.read(f"s{i}") for i in range(9) for _ in range(2)])["level"].n == 0


def test_a_run_that_holds_many_speakers_has_one_level():
    world = World(1)
    readings = [
        dataclasses.replace(r, head=dataclasses.replace(r.head, run=f"/shed|{r.head.run[-1]}")) for r in repeats(world)
    ]
    assert by_part(readings)["level"].n == 1
    assert by_part(readings)["repeatability"].n == 8


def test_another_drive_voltage_is_no_error_of_level():
    world = World(2, level=0.1, session=0.0)
    readings = [
        world.read(f"s{i}", run=run, drive=db, drive_db=db) for i in range(20) for run, db in (("a", 0.0), ("b", 9.0))
    ]
    assert seen(readings)["level"] == pytest.approx(0.1, rel=0.4)


def test_a_powered_speakers_gain_says_nothing_of_the_level():
    world = World(2)
    readings = [
        world.read(f"s{i}", run=run, drive=db, drive_db=None) for i in range(8) for run, db in (("a", 0.0), ("b", 9.0))
    ]
    found = by_part(readings)
    assert found["level"].n == 0
    assert found["repeatability"].n == 8
    assert found["repeatability"].seen_sd_db == pytest.approx(0.1, rel=0.1)


def test_the_default_counts_for_four_speakers():
    found = by_part(repeats(World(1, repeat=0.3), speakers=8))["repeatability"]
    assert found.wanted_sd_db**2 == pytest.approx((4 * 0.15**2 + 8 * found.seen_sd_db**2) / 12)
    assert found.factor == pytest.approx(found.wanted_sd_db / 0.15)


def test_from_five_speakers_a_size_is_adopted_and_from_four_it_is_not():
    four, five = (by_part(repeats(World(1), speakers=n))["repeatability"] for n in (4, 5))
    assert (four.n, four.factor, four.reason) == (4, 1.0, "4 speakers; it takes 5")
    assert five.n == LEAST
    assert five.reason is None
    assert five.factor != 1.0


def test_many_repeats_of_one_speaker_are_one_speaker():
    world = World(2)
    found = by_part([world.read("s0", run=str(k)) for k in range(20)])
    assert found["repeatability"].n == 1
    assert found["repeatability"].factor == 1.0


def test_without_repeats_the_defaults_stay():
    for readings in ([], [World(1).read("s0")]):
        assert [part.part for part in sizes(readings)] == list(LEARNABLE)
        for part in sizes(readings):
            assert (part.n, part.factor) == (0, 1.0)
            assert part.wanted_sd_db == part.default_sd_db
            assert part.reason == "no speakers; it takes 5"
        assert bench_pairs(readings, {SHED: 1}) == ()


def test_a_session_that_sizes_a_part_itself_does_not_teach_it():
    world = World(1, repeat=0.5)
    noisy = repeats(world, declared=frozenset({"repeatability"}))
    assert by_part(noisy)["repeatability"].n == 0
    assert by_part(noisy)["level"].n == 8
    quiet = World(2, repeat=0.1)
    both = [*noisy, *(quiet.read(f"q{i}", run=run) for i in range(8) for run in "ab")]
    assert seen(both)["repeatability"] == pytest.approx(0.1, rel=0.1)


def test_a_short_serial_may_be_another_unit_and_does_not_teach():
    world = World(1)
    assert all(part.n == 0 for part in sizes(repeats(world, sample="1")))
    assert all(part.n > 0 for part in sizes(repeats(world, sample="0001")) if part.part != "sample")
    both = [world.read(f"s{i}", sample="2", bench=b) for i in range(6) for b in (ATTIC, SHED)]
    assert bench_pairs(both, {ATTIC: 6, SHED: 6}) == ()


def test_the_same_curves_under_two_names_are_no_repeat():
    readings = repeats(World(1))
    copies = [
        dataclasses.replace(r, head=dataclasses.replace(r.head, session=1000 + r.head.session, run="copy"))
        for r in readings
    ]
    assert seen([*readings, *copies]) == pytest.approx(seen(readings), nan_ok=True)


def test_a_curve_with_a_hole_does_not_teach_and_spoils_nothing():
    world = World(1)
    readings = repeats(world)
    holed = world.read("s0", run="c")
    holed.window_db[grid.band(100.0, 250.0)] = np.nan
    bass = world.read("s1", run="c")
    bass.axis_db[:40] = np.nan  # below 100 Hz nothing is asked for
    assert seen([*readings, holed]) == pytest.approx(seen(readings), nan_ok=True)
    assert np.isfinite(seen([*readings, bass])["repeatability"])
    assert seen([*readings, bass]) != pytest.approx(seen(readings), nan_ok=True)


def test_what_is_counted_without_curves_is_what_is_learned_from():
    world = World(1)
    readings = [
        *repeats(world),
        *(world.read(f"s{i}", bench=ATTIC, run="c") for i in range(6)),
        world.read("s7", sample="0022"),
    ]
    heads = [r.head for r in readings]
    for part in sizes(readings):
        assert (count(heads, part.part).n, count(heads, part.part).sessions) == (part.n, part.sessions)
    assert count(heads, BENCH).n == bench_pairs(readings, {SHED: 17, ATTIC: 6})[0].n == 6
    assert count(heads, BENCH).sessions == 18


# benches


def shared(world, specimens=12, benches=(ATTIC, SHED), **more):
    return [world.read(f"s{i}", bench=b, **more) for i in range(specimens) for b in benches]


def between(world, to_bench, bench):
    gap = world.bench_error(to_bench) - world.bench_error(bench)
    return gap, rms((gap - gap[grid.band(300.0, 3000.0)].mean())[grid.band(100.0, 10000.0)])


def test_a_bench_is_aligned_to_the_one_with_more_sessions_to_within_what_is_said():
    errors, told, levels = [], [], []
    for seed in range(24):
        world = World(seed)
        (pair,) = bench_pairs(shared(world), {SHED: 70, ATTIC: 40})
        assert (pair.to_bench, pair.bench, pair.n, pair.reason) == (SHED, ATTIC, 12, None)
        gap, shape = between(world, SHED, ATTIC)
        error = pair.offset_db - gap
        levels.append(error[grid.band(300.0, 3000.0)].mean())
        errors.append(rms((error - levels[-1])[grid.band(100.0, 10000.0)]))
        told.append(pair.residual_sd_db)
        assert pair.shape_db == pytest.approx(shape, abs=4 * pair.residual_sd_db)
    assert rms(errors) == pytest.approx(rms(told), rel=0.15)
    assert rms(errors) < 0.06  # the benches differ by 0.35
    assert rms(levels) == pytest.approx(np.sqrt(2 / 12) * 0.15, rel=0.4)


def test_what_is_finer_than_the_smoothing_is_told_as_left():
    world = World(1, session=0.02)
    world.bench_error(ATTIC)[::2] += 0.3  # a comb of neighbouring points
    (pair,) = bench_pairs(shared(world), {SHED: 70, ATTIC: 40})
    error = pair.offset_db - between(world, SHED, ATTIC)[0]
    left = rms((error - error[grid.band(300.0, 3000.0)].mean())[grid.band(100.0, 10000.0)])
    assert left > 0.14
    assert pair.residual_sd_db == pytest.approx(left, rel=0.05)


def test_equal_benches_are_ordered_by_name():
    (pair,) = bench_pairs(shared(World(1)), {SHED: 12, ATTIC: 12})
    assert (pair.to_bench, pair.bench) == (ATTIC, SHED)


def test_the_offset_is_the_other_way_round_for_the_other_bench():
    readings = shared(World(1))
    (one,), (other,) = bench_pairs(readings, {SHED: 2, ATTIC: 1}), bench_pairs(readings, {SHED: 1, ATTIC: 2})
    np.testing.assert_allclose(one.offset_db, -other.offset_db, atol=1e-12)


def test_four_specimens_are_too_few_and_two_serials_of_one_speaker_are_two():
    world = World(1)
    (pair,) = bench_pairs(shared(world, 4), {SHED: 4, ATTIC: 4})
    assert pair.reason == "4 specimens; it takes 5"
    assert np.isfinite(pair.offset_db).all()
    more = [*shared(world, 4), *(world.read("s0", sample="0022", bench=b) for b in (ATTIC, SHED))]
    (pair,) = bench_pairs(more, {SHED: 5, ATTIC: 5})
    assert pair.n == 5
    assert pair.reason is None


def test_other_units_of_the_same_speakers_say_nothing_of_the_benches():
    world = World(1)
    readings = [world.read(f"s{i}", sample=s, bench=b) for i in range(6) for s, b in (("0017", ATTIC), ("0022", SHED))]
    assert bench_pairs(readings, {SHED: 6, ATTIC: 6}) == ()


def test_a_bench_reads_another_setting_beside_its_own_kind():
    world = World(1)
    other = [world.read(f"s{i}", bench=b, setting=s) for i in range(6) for b, s in ((ATTIC, "plain"), (SHED, "desk"))]
    assert bench_pairs(other, {SHED: 6, ATTIC: 6}) == ()


def test_an_aligned_bench_is_no_ones_reference():
    world = World(1)
    readings = [
        *shared(world, 6),
        *(world.read(f"s{i}", bench=BARN) for i in range(6, 12)),
        *(world.read(f"s{i}", bench=ATTIC) for i in range(6, 12)),
    ]
    pairs = {(p.to_bench, p.bench): p.reason for p in bench_pairs(readings, {SHED: 30, ATTIC: 20, BARN: 10})}
    assert pairs == {(SHED, ATTIC): None, (ATTIC, BARN): "one of the two is aligned to a third"}
    alone = [r for r in readings if r.head.bench != SHED]
    assert [(p.to_bench, p.bench, p.reason) for p in bench_pairs(alone, {SHED: 30, ATTIC: 20, BARN: 10})] == [
        (ATTIC, BARN, None)
    ]


def test_all_are_aligned_to_the_reference_where_they_share_enough_with_it():
    pairs = bench_pairs(shared(World(1), 6, (ATTIC, BARN, SHED)), {SHED: 30, ATTIC: 20, BARN: 10})
    assert {p.bench: p.to_bench for p in pairs if p.reason is None} == {ATTIC: SHED, BARN: SHED}


def test_powered_speakers_align_the_shape_whatever_their_gain_was():
    world = World(3)
    readings = [
        world.read(f"s{i}", bench=b, drive=d, drive_db=None) for i in range(12) for b, d in ((ATTIC, 3.0), (SHED, 0.0))
    ]
    (pair,) = bench_pairs(readings, {SHED: 70, ATTIC: 40})
    assert pair.reason is None
    assert np.isnan(pair.level_db)
    assert pair.offset_db[grid.band(300.0, 3000.0)].mean() == pytest.approx(0.0, abs=1e-9)
    assert pair.shape_db == pytest.approx(between(world, SHED, ATTIC)[1], abs=4 * pair.residual_sd_db)
    some = [*readings, *(world.read(f"p{i}", bench=b) for i in range(3) for b in (ATTIC, SHED))]
    (pair,) = bench_pairs(some, {SHED: 70, ATTIC: 40})
    assert pair.reason == "the level is known on both for 3 of 15; it takes 5"


def test_beyond_what_the_specimens_show_the_offset_is_held():
    readings = shared(World(1))
    for r in readings:
        r.window_db[grid.FREQUENCY_HZ < 50.0] = np.nan
        r.axis_db[grid.FREQUENCY_HZ < 50.0] = np.nan
    (pair,) = bench_pairs(readings, {SHED: 70, ATTIC: 40})
    below = pair.offset_db[grid.FREQUENCY_HZ < 50.0]
    assert np.isfinite(pair.offset_db).all()
    assert (below == below[0]).all()
