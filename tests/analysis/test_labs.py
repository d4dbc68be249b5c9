import numpy as np
import pytest

from speakerdb.acoustics import grid
from speakerdb.analysis.labs import Measured, labs, shared, shrunk

FLAT = np.zeros(199)


def session(speaker, lab, sample="1", window=FLAT, **values):
    return Measured(speaker, lab, sample, values, window)


def fleet(n=6, offset=0.5, spread=0.1, tilt_db=0.0, seed=1, metric="bass_balance_db"):
    """Speakers that barn and shed both measured; barn reads `offset` more, and tilts by tilt_db per octave."""
    random = np.random.default_rng(seed)
    octaves = np.log2(grid.FREQUENCY_HZ / 1000.0)
    found = []
    for i in range(n):
        truth = random.normal()
        for lab, more in (("barn", 1.0), ("shed", 0.0)):
            value = truth + more * offset + spread * random.normal()
            window = 85.0 + 5 * more + more * tilt_db * octaves + spread * random.normal(size=199)
            found.append(session(f"s{i}", lab, window=window, **{metric: value}))
    return found


def test_an_offset_is_found_from_shared_speakers_with_its_interval():
    found = labs(fleet(), ["bass_balance_db"])
    row = found.offsets.row(0, named=True)
    assert (row["lab_a"], row["lab_b"], row["speakers"], row["unit"]) == ("barn", "shed", 6, "dB")
    assert row["offset"] == pytest.approx(0.5, abs=0.2)  # the mean of six differences has an sd of 0.06
    assert row["p"] < 0.01
    assert row["sd"] == pytest.approx(0.1 * np.sqrt(2), rel=0.6)
    rows = [labs(fleet(seed=s), ["bass_balance_db"]).offsets.row(0, named=True) for s in range(200)]
    assert 0.91 <= np.mean([r["low"] < 0.5 < r["high"] for r in rows]) <= 0.985


def test_speakers_of_one_lab_only_say_nothing_of_the_difference():
    alone = [session(f"x{i}", "barn", bass_balance_db=100.0) for i in range(5)]
    with_them, without = labs(fleet() + alone, ["bass_balance_db"]), labs(fleet(), ["bass_balance_db"])
    assert with_them.offsets.rows() == without.offsets.rows()


def test_two_shared_speakers_are_too_few():
    found = labs(fleet(n=2), ["bass_balance_db"])
    row = found.offsets.row(0, named=True)
    assert row["offset"] is None
    assert "2 shared speakers have it in both; at least 3" in row["reason"]
    assert found.curves == ()
    assert found.pairs["speakers"].to_list() == [["s0", "s1"]]


def test_offsets_of_a_ratio_scale_are_in_per_cent():
    pairs = [(40.0, 44.0), (60.0, 66.0), (50.0, 55.5)]
    found = [
        session(f"s{i}", lab, f6_hz=v) for i, p in enumerate(pairs) for lab, v in zip(("barn", "shed"), p, strict=True)
    ]
    row = labs(found, ["f6_hz"]).offsets.row(0, named=True)
    assert row["unit"] == "%"
    assert row["offset"] == pytest.approx(-9.2, abs=0.3)


def test_a_common_sample_is_preferred_to_another_one():
    a = [session("s", "barn", "1", f6_hz=40.0), session("s", "barn", "2", f6_hz=99.0)]
    (one,) = shared([*a, session("s", "shed", "1", f6_hz=41.0)], "barn", "shed")
    assert [m.sample for m in one.a] == ["1"]
    assert one.same_sample


def test_a_tilted_calibration_shows_in_the_curves_and_a_level_does_not():
    (found,) = labs(fleet(tilt_db=0.5), []).curves
    octave = int(np.argmin(np.abs(grid.FREQUENCY_HZ - 8000.0))), int(np.argmin(np.abs(grid.FREQUENCY_HZ - 1000.0)))
    assert found.offset_db[octave[0]] - found.offset_db[octave[1]] == pytest.approx(1.5, abs=0.25)
    assert abs(found.offset_db[grid.band(300.0, 3000.0)].mean()) < 1e-6
    assert found.spread_sd_db == pytest.approx(0.1, rel=0.15)
    level, = labs(fleet(tilt_db=0.0), []).curves  # fmt: skip
    assert level.calibration_sd_db < 0.05
    assert found.calibration_sd_db > 0.5


def test_a_seen_spread_moves_the_models_by_what_it_is_worth():
    assert shrunk(1.0, 0.0, 0.5) == 0.5
    assert shrunk(1.0, 8.0, 0.5) == pytest.approx(np.sqrt((0.25 + 1.0) / 2))
    assert shrunk(1.0, 1e9, 0.5) == pytest.approx(1.0)


def test_labs_that_do_not_differ_are_rarely_said_to():
    metrics = ["bass_balance_db"]
    false = [labs(fleet(offset=0.0, seed=s), metrics).offsets["p"].item() < 0.05 for s in range(200)]
    assert 0.02 <= np.mean(false) <= 0.09


def test_three_labs_make_three_pairs_and_q_counts_them_all():
    third = [Measured(m.speaker, "attic", m.sample, m.values, m.listening_window) for m in fleet() if m.lab == "shed"]
    found = labs(fleet() + third, ["bass_balance_db", "treble_balance_db"])
    assert found.pairs.select("lab_a", "lab_b").rows() == [("attic", "barn"), ("attic", "shed"), ("barn", "shed")]
    assert len(found.offsets) == 6
    tested = found.offsets.drop_nulls("p")
    assert (tested["q"] >= tested["p"]).all()
