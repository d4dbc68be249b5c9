import numpy as np
import pytest

from speakerdb.analysis.compare import Origin, compare, why
from tests.analysis.columns import DRAWS, column


def origin(lab="shed|anechoic", sample="a|1", run="r1"):
    return Origin(frozenset([lab]), frozenset([sample]), frozenset([run]))


TWO = (origin(), origin(sample="b|1", run="r2"))


def rows(*columns, pairs=((0, 1),), origins=TWO):
    return compare(columns, list(pairs), list(origins)).to_dicts()


def test_a_lower_bass_limit_is_the_better_and_five_hertz_matter():
    (row,) = rows(column("f6_hz", [40.0, 60.0], se=0.5))
    assert row["difference"] == pytest.approx(-20.0, abs=1e-4)
    assert row["p_a_better"] > 0.999
    assert (row["differs"], row["matters"]) == (True, "yes")
    assert (row["a"], row["b"], row["unit"]) == ("a", "b", "Hz")


def test_a_sure_difference_need_not_matter_and_an_unsure_one_is_unclear():
    (small,) = rows(column("f6_hz", [50.0, 52.0], se=0.2))
    assert (small["differs"], small["matters"]) == (True, "no")
    (unsure,) = rows(column("f6_hz", [50.0, 55.0], se=3.0))
    assert (unsure["differs"], unsure["matters"]) == (False, "unclear")


def test_where_neither_direction_is_better_no_one_is():
    (row,) = rows(column("di_power_mean_db", [7.0, 9.0], se=0.1))
    assert row["p_a_better"] is None
    assert row["differs"]


def test_predicted_preferences_keep_the_residual_of_the_rating():
    (row,) = rows(column("preference", [5.0, 5.9], se=0.02))
    assert row["se"] == pytest.approx(0.8 * np.sqrt(2), rel=0.1)
    assert not row["differs"]
    assert "unexplained (0.8 points)" in row["because"]
    (flat,) = rows(column("flatness_window_db", [1.0, 1.9], se=0.02))
    assert flat["differs"]


def test_a_common_calibration_cancels():
    shared = 3.0 * np.random.default_rng(3).normal(size=DRAWS)
    (row,) = rows(column("bass_balance_db", [1.0, 2.0], se=0.1, shared=shared))
    assert row["se"] < 0.2


def test_a_withheld_side_withholds_the_difference_with_its_reason():
    first, second = rows(column("f6_hz", [40.0, 60.0], withheld=[1]), column("f3_hz", [50.0, 70.0]))
    assert first["difference"] is None
    assert first["q"] is None
    assert first["reason"] == "b: not measured"
    assert second["reason"] is None
    assert second["q"] == second["p"]  # the untested row does not count


def test_a_bound_has_an_open_end_and_no_difference():
    (row,) = rows(column("max_level_db", [110.0, 100.0], se=0.2, at_least=[0]))
    assert row["difference"] is None
    assert row["low"] == pytest.approx(10.0, abs=0.7)
    assert row["high"] == np.inf
    assert (row["censored_a"], row["matters"], row["differs"]) == ("at_least", "yes", True)


def test_many_comparisons_of_equals_are_hardly_ever_called_different():
    columns = [column(m, [5.0, 5.0], se=0.5, seed=k) for k, m in enumerate(("f3_hz", "f6_hz", "f10_hz") * 5)]
    assert not any(r["differs"] for r in rows(*columns))


@pytest.mark.parametrize(
    ("a", "b", "words"),
    [
        (
            origin(),
            origin(),
            "tight: the same sample in the same lab, so its own spread and the calibration cancel, and so does the level",
        ),
        (origin(), origin(run="r2"), "calibration cancel"),
        (origin(), origin(lab="barn|gated", run="r2"), "both calibrations count"),
        (origin(), origin(sample="b|1"), "level of their run; each sample's own spread counts"),
        (origin(), origin(sample="b|1", run="r2"), "one lab, so the calibration cancels; each"),
        (origin(), origin(lab="barn|gated", sample="b|1", run="r2"), "wide"),
    ],
)
def test_the_answer_says_why_its_interval_is_tight_or_wide(a, b, words):
    assert words in why(a, b)
