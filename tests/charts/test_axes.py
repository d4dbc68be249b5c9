from __future__ import annotations

import json
import math
import re
from itertools import pairwise

import altair as alt
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from speakerdb import figures
from speakerdb.charts import axes, saving
from speakerdb.charts.quantity import Plotted, axis, plotted, scale


def test_the_frequency_axis_carries_the_labels_of_the_trade() -> None:
    spec = axes.frequency_x().to_dict(context={"data": None})
    assert spec["scale"] == {"type": "log", "domain": [20, 20000], "nice": False}
    assert {20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000} <= set(spec["axis"]["values"])


def test_25_db_are_as_long_as_a_decade() -> None:
    assert axes.level_height(300, 25.0, (100, 1000)) == 300
    assert axes.level_height(600, 50.0, (20, 20000)) == pytest.approx(400, abs=1)


def test_a_level_axis_holds_the_highest_value_and_no_more_than_its_span() -> None:
    assert axes.level_domain([86.0, 40.0, None, math.nan]) == (40.0, 90.0)
    assert axes.level_domain([86.0, 85.0]) == (70.0, 90.0)
    assert axes.level_domain([]) == (0.0, 20.0)


def test_what_was_not_measured_is_null_in_the_data() -> None:
    data = axes.inline(pl.DataFrame({"y": [1.234, math.nan, math.inf, None]})).to_dict()
    assert [row["y"] for row in json.loads(data["values"])] == [1.23, None, None, None]


@given(st.lists(st.floats(0, 100), min_size=1, max_size=6))
def test_labels_keep_their_order_and_distance(positions: list[float]) -> None:
    placed = axes.spread(positions, 10.0, 0.0, 100.0)
    order = sorted(range(len(positions)), key=lambda i: (positions[i], placed[i]))
    gaps = [placed[b] - placed[a] for a, b in pairwise(order)]
    assert all(g >= 10.0 - 1e-6 for g in gaps)
    assert all(-1e-6 <= p <= 100.0 + 1e-6 for p in placed)


def test_labels_that_do_not_collide_stay_where_they_are() -> None:
    assert axes.spread([10.0, 50.0, 90.0], 10.0, 0.0, 100.0) == pytest.approx([10.0, 50.0, 90.0])


def test_axis_titles_and_units_come_from_the_dictionary() -> None:
    assert plotted("f6_hz").title == "LF extension (−6 dB), Hz"
    assert plotted("f6_hz").log
    assert plotted("price", currency="EUR").title == "Price (EUR)"


@given(st.floats(0.01, 1e5), st.floats(1.0001, 1e4))
def test_a_log_axis_has_ticks_within_its_range_and_few_enough(low: float, ratio: float) -> None:
    what = Plotted("x", log=True)
    around = scale(what, [low, low * ratio])
    ticks = axis(what, around, count=6)["values"]
    first, last = around["domain"]
    assert 2 <= len(ticks) <= 12
    assert all(first * 0.999 <= t <= last * 1.001 for t in ticks)


def test_a_chart_writes_what_it_works_out_itself_as_figures_do() -> None:
    values = [-1.26, -0.04, 0.0, 0.5, 8900.0, 9999.96, 12345.6, 1234567.0]
    for decimals, write in ((None, figures.plain), (1, lambda v: figures.number(v, 1)), (0, figures.number)):
        rows = [{"v": v, "row": i} for i, v in enumerate(values)]
        drawn = (
            alt.Chart(alt.InlineData(values=rows))
            .transform_calculate(text=figures.vega("datum.v", decimals))
            .mark_text()
            .encode(y=alt.Y("row:O", axis=None), text="text:N")
        )
        shown = set(re.findall(r"<text[^>]*>([^<]*)</text>", saving.svg(drawn)))
        assert shown == {write(v) for v in values if v != 0.5 or decimals != 0} | ({"1"} if decimals == 0 else set())
