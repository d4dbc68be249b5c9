"""What one would notice, held against the error function and rows whose group is plain."""

from __future__ import annotations

import math
from typing import Any

import polars as pl
import pytest

from speakerdb.analysis import noticing
from speakerdb.analysis.differences import SCHEMA
from speakerdb.metrics import METRICS


def row(metric: str, middle: float | None, low: float | None, high: float | None, matters: str) -> dict[str, Any]:
    known = {"metric": metric, "a": "a", "b": "b", "setting_a": "s", "setting_b": "s"}
    return known | {"difference": middle, "low": low, "high": high, "matters": matters}


def judged(*rows: dict[str, Any]) -> pl.DataFrame:
    schema = {name: SCHEMA[name] for name in rows[0]}
    return noticing.noticed(pl.DataFrame(list(rows), schema=schema))


def beyond(middle: float, se: float) -> float:
    """P(|d| > 1) by the error function."""
    upper = 0.5 * math.erfc((1 - middle) / (se * math.sqrt(2)))
    lower = 0.5 * math.erfc((middle + 1) / (se * math.sqrt(2)))
    return upper + lower


@pytest.mark.parametrize("middle", [0.2, 0.9, 1.2, 1.3, 1.4, 2.0, -1.3, -1.6])
@pytest.mark.parametrize("se", [0.1, 0.3, 0.8])
def test_probably_is_four_in_five_beyond_what_matters(middle: float, se: float) -> None:
    reach = 1.959964 * se
    low, high = middle - reach, middle + reach
    matters = "yes" if low > 1 or high < -1 else "no" if low > -1 and high < 1 else "unclear"
    (found,) = judged(row("bass_balance_db", middle, low, high, matters))["noticed"]
    expected = "probably" if beyond(middle, se) >= 0.8 else "unclear"
    assert found == {"yes": "notice", "no": "small"}.get(matters, expected)


def test_steps_are_positive_where_the_first_is_better() -> None:
    f6 = METRICS["f6_hz"]
    found = judged(
        row("f6_hz", f6.matters**-3, f6.matters**-4, f6.matters**-2, "yes"),  # deeper: better
        row("flatness_window_db", 1.0, 0.8, 1.2, "yes"),  # two steps less even
        row("preference", 1.5, 1.2, 1.8, "yes"),
    )
    steps = dict(zip(found["metric"], found["steps"], strict=True))
    assert steps["f6_hz"] == pytest.approx(3.0)
    assert steps["flatness_window_db"] == pytest.approx(-2.0)
    assert steps["preference"] == pytest.approx(1.5)
    assert found["metric"][0] == "f6_hz"  # the largest first


def test_a_bound_counts_with_what_it_surely_has_and_no_more() -> None:
    found = judged(
        row("max_level_db", None, 3.0, math.inf, "yes"),
        row("programme_level_db", None, -math.inf, math.inf, "unclear"),
    )
    assert found["noticed"].to_list() == ["notice", "unclear"]
    assert found["steps"].to_list() == [3.0, None]


def test_one_row_of_a_family_stands_for_those_in_the_same_group() -> None:
    ratio = METRICS["f6_hz"].matters
    rows = [row(m, ratio**n, ratio ** (n - 0.5), ratio ** (n + 0.5), "yes") for m, n in (("f3_hz", 2), ("f6_hz", 4))]
    rows += [row("f10_hz", 1.0, 0.99, 1.01, "no"), row("bass_balance_db", 2.0, 1.5, 2.5, "yes")]
    found = noticing.families(judged(*rows))
    assert found.select("metric", "noticed", "alike").rows() == [
        ("f6_hz", "notice", 1),
        ("bass_balance_db", "notice", 0),
        ("f10_hz", "small", 0),
    ]
