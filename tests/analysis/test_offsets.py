import dataclasses

import numpy as np
import pytest

from speakerdb.analysis.offsets import Measured, labs, shared

ORDER = ["barn", "shed", "attic"]


def session(speaker, bench, sample="0017", line=None, aligned=None, **values):
    return Measured(speaker, bench, sample, values, line or bench, values if aligned is None else aligned)


def fleet(n=6, offset=0.5, spread=0.1, seed=1, metric="bass_balance_db", removed=None):
    """Speakers that barn and shed both measured; barn reads `offset` more. removed: shed is in line with barn by so
    much."""
    random = np.random.default_rng(seed)
    found = []
    for i in range(n):
        truth = random.normal()
        for bench, more in (("barn", 1.0), ("shed", 0.0)):
            value = truth + more * offset + spread * random.normal()
            if removed is None or bench == "barn":
                found.append(session(f"s{i}", bench, **{metric: value}))
            else:
                found.append(session(f"s{i}", bench, line="barn", aligned={metric: value + removed}, **{metric: value}))
    return found


def test_an_offset_is_found_from_shared_speakers_with_its_interval():
    row = labs(fleet(), ["bass_balance_db"], ORDER).offsets.row(0, named=True)
    assert (row["bench_a"], row["bench_b"], row["speakers"], row["unit"]) == ("barn", "shed", 6, "dB")
    assert row["offset"] == pytest.approx(0.5, abs=0.2)  # the mean of six differences has an sd of 0.06
    assert row["p"] < 0.01
    rows = [labs(fleet(seed=s), ["bass_balance_db"], ORDER).offsets.row(0, named=True) for s in range(200)]
    assert 0.91 <= np.mean([r["low"] < 0.5 < r["high"] for r in rows]) <= 0.985
    assert np.sqrt(np.mean([r["sd"] ** 2 for r in rows])) == pytest.approx(0.1 * np.sqrt(2), rel=0.1)


def test_the_better_known_bench_comes_first():
    one, other = (
        labs(fleet(), ["bass_balance_db"], order).offsets.row(0, named=True) for order in (ORDER, ORDER[::-1])
    )
    assert (other["bench_a"], other["bench_b"]) == ("shed", "barn")
    assert other["offset"] == pytest.approx(-one["offset"])


def test_benches_out_of_line_have_nothing_left_to_tell():
    row = labs(fleet(), ["bass_balance_db"], ORDER).offsets.row(0, named=True)
    assert row["left"] is row["left_low"] is row["left_high"] is None


def test_what_is_left_once_aligned_is_told_beside_what_was_measured():
    plain, aligned = (
        labs(fleet(removed=r), ["bass_balance_db"], ORDER).offsets.row(0, named=True) for r in (None, 0.45)
    )
    assert aligned["offset"] == plain["offset"]
    assert aligned["left"] == pytest.approx(plain["offset"] - 0.45)
    assert aligned["left_low"] == pytest.approx(plain["low"] - 0.45)
    assert aligned["left_high"] == pytest.approx(plain["high"] - 0.45)


def test_two_benches_in_line_with_a_third_are_in_line_with_one_another():
    found = [dataclasses.replace(m, line="attic") for m in fleet()]
    assert labs(found, ["bass_balance_db"], ORDER).offsets["left"].item() is not None


def test_speakers_of_one_bench_only_say_nothing_of_the_difference():
    alone = [session(f"x{i}", "barn", bass_balance_db=100.0) for i in range(5)]
    with_them, without = (labs(f, ["bass_balance_db"], ORDER) for f in (fleet() + alone, fleet()))
    assert with_them.offsets.rows() == without.offsets.rows()


def test_two_shared_speakers_are_too_few():
    found = labs(fleet(n=2), ["bass_balance_db"], ORDER)
    row = found.offsets.row(0, named=True)
    assert row["offset"] is None
    assert "2 shared speakers have it in both; at least 3" in row["reason"]
    assert found.pairs.rows() == [("barn", "shed", ["s0", "s1"], 2)]


def test_offsets_of_a_ratio_scale_are_in_per_cent():
    pairs = [(40.0, 44.0), (60.0, 66.0), (50.0, 55.5)]
    found = [
        session(f"s{i}", bench, f6_hz=v)
        for i, p in enumerate(pairs)
        for bench, v in zip(("barn", "shed"), p, strict=True)
    ]
    row = labs(found, ["f6_hz"], ORDER).offsets.row(0, named=True)
    assert row["unit"] == "%"
    assert row["offset"] == pytest.approx(100 * (np.prod([a / b for a, b in pairs]) ** (1 / 3) - 1))


def test_a_common_unit_is_preferred_to_another_one():
    a = [session("s", "barn", "0017", f6_hz=40.0), session("s", "barn", "0022", f6_hz=99.0)]
    (one,) = shared([*a, session("s", "shed", "0017", f6_hz=41.0)], "barn", "shed")
    assert [m.sample for m in one.a] == ["0017"]
    assert one.same_sample


def test_a_short_serial_may_be_another_unit():
    (one,) = shared([session("s", "barn", "1", f6_hz=40.0), session("s", "shed", "1", f6_hz=41.0)], "barn", "shed")
    assert not one.same_sample


def test_benches_that_do_not_differ_are_rarely_said_to():
    false = [labs(fleet(offset=0.0, seed=s), ["bass_balance_db"], ORDER).offsets["p"].item() < 0.05 for s in range(200)]
    assert 0.02 <= np.mean(false) <= 0.09


def test_three_benches_make_three_pairs_and_q_counts_them_all():
    third = [dataclasses.replace(m, bench="attic", line="attic") for m in fleet() if m.bench == "shed"]
    found = labs(fleet() + third, ["bass_balance_db", "treble_balance_db"], ORDER)
    pairs = found.pairs.select("bench_a", "bench_b").rows()
    assert pairs == [("barn", "shed"), ("barn", "attic"), ("shed", "attic")]
    assert len(found.offsets) == 6
    tested = found.offsets.drop_nulls("p")
    assert (tested["q"] >= tested["p"]).all()


def test_a_pair_that_shares_no_speaker_has_no_row():
    found = labs([*fleet(), session("x", "attic", bass_balance_db=1.0)], ["bass_balance_db"], ORDER)
    assert len(found.pairs) == 1
    assert len(found.offsets) == 1
