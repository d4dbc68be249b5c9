"""Every chart validates against the Vega-Lite schema (altair does so in to_dict), renders, and keeps awkward names
whole."""

from __future__ import annotations

import itertools
import json
import xml.etree.ElementTree as ET
from typing import Any

import numpy as np
import polars as pl
import pytest

from speakerdb.charts import curves_chart, directivity_chart, field_chart, output_chart, saving
from speakerdb.charts.quantity import plotted
from speakerdb.errors import RequestError
from tests.charts import frames, gallery

DESKTOP_PX, PHONE_PX = 920, 372  # what a column of a page and a phone have room for
SVG = "{http://www.w3.org/2000/svg}"


def texts(svg: str) -> list[str]:
    return ["".join(t.itertext()) for t in ET.fromstring(svg).iter(f"{SVG}text")]


def rows_with(spec: dict[str, Any], column: str) -> list[dict[str, Any]]:
    """The rows of the first data set of a specification that has the column."""
    tables = [json.loads(rows) if isinstance(rows, str) else rows for rows in spec["datasets"].values()]
    return next(rows for rows in tables if rows and column in rows[0])


@pytest.mark.parametrize("width", gallery.WIDTHS.values(), ids=gallery.WIDTHS)
@pytest.mark.parametrize("name", gallery.charts())
def test_chart_validates_and_renders(name: str, width: int) -> None:
    chart = gallery.charts()[name](width)
    svg = saving.svg(chart)
    assert len(texts(svg)) > 3
    assert not any(word in svg for word in ("NaN", "Infinity", "undefined"))
    assert float(ET.fromstring(svg).get("width", "inf")) <= (DESKTOP_PX if width > 400 else PHONE_PX)


@pytest.mark.parametrize("name", gallery.charts())
def test_awkward_names_stay_text(name: str) -> None:
    svg = saving.svg(gallery.charts(gallery.AWKWARD)[name](620))
    assert ET.fromstring(svg).find(f".//{SVG}script") is None
    assert any("<script>alert(1)</script>" in t for t in texts(svg))


def test_curve_set_names_every_curve_and_leaves_out_what_is_missing() -> None:
    frame = frames.curve_set()
    shown = texts(saving.svg(curves_chart.curve_set(frame, hover=False)))
    assert {"On axis", "Listening window", "Early reflections", "Predicted in-room", "Sound power"} <= set(shown)
    horizontal_only = frame.filter(pl.col("part").is_in(["on_axis"]))
    shown = texts(saving.svg(curves_chart.curve_set(horizontal_only, hover=False)))
    assert "On axis" in shown
    assert not {"Sound power", "Directivity index (dB)"} & set(shown)


def test_an_overlay_takes_two_to_five_speakers() -> None:
    six = [f"S{i}" for i in range(6)]
    for names in (six, six[:1]):
        with pytest.raises(RequestError, match="two to five"):
            curves_chart.overlay(frames.overlay(names), names)


def test_settings_show_the_change_against_the_first() -> None:
    names = ["plain", "shelf"]
    spec = curves_chart.settings(frames.settings(names), names, hover=False).to_dict()
    changes = [abs(row["change_db"]) for row in rows_with(spec, "change_db")]
    assert max(changes) == pytest.approx(2.0, abs=0.05)  # the shelf of the frame takes off 2 dB in the bass


def inside(spec: dict[str, Any], band: str, point: float, angle_deg: float) -> bool:
    """Whether a place lies within the outlines of a band, by how often a line from it to the right crosses them."""
    outline = [r for r in rows_with(spec, "band") if r["band"] == band]
    crossed = 0
    for a, b in itertools.pairwise(outline):
        if None in (a["point"], b["point"]) or (a["angle_deg"] > angle_deg) == (b["angle_deg"] > angle_deg):
            continue
        share = (angle_deg - a["angle_deg"]) / (b["angle_deg"] - a["angle_deg"])
        crossed += a["point"] + share * (b["point"] - a["point"]) > point
    return crossed % 2 == 1


def test_a_map_s_bands_tell_the_level_of_their_place() -> None:
    """Held against the level itself at 400 places drawn at random, but for those within a few degrees of an edge."""
    angle, level = frames.orbit()
    spec = directivity_chart.sound_map(
        angle, frames.FREQUENCY_HZ, level, frames.edge(angle, level), "horizontal"
    ).to_dict()
    names = ["over 0", "0 to −3", "−3 to −6", "−6 to −9", "−9 to −12", "−12 to −18", "−18 to −24", "under −24"]
    rng = np.random.default_rng(3)
    order = np.argsort(angle)
    judged = 0
    for column, at in zip(rng.integers(3, level.shape[1] - 3, 400), rng.uniform(-178, 178, 400), strict=True):
        near = [
            np.interp(at + d, np.asarray(angle)[order], level[order, column + c])
            for d in (-4, 0, 4)
            for c in (-1, 0, 1)
        ]
        bands = {int(np.digitize(v, directivity_chart.BAND_EDGES_DB, right=True)) for v in near}
        if len(bands) > 1 or at < min(angle) + 1:
            continue
        (band,) = bands
        judged += 1
        covering = [i for i, name in enumerate(names) if inside(spec, name, column, at)]
        assert min(covering) == band, (column, at)
    assert judged > 100


def test_an_unmeasured_part_of_an_orbit_stays_empty() -> None:
    angle, level = frames.orbit(tuple(range(0, 91, 10)))
    spec = directivity_chart.sound_map(
        angle, frames.FREQUENCY_HZ, level, frames.edge(angle, level), "vertical"
    ).to_dict()
    angles = [r["angle_deg"] for r in rows_with(spec, "band") if r["angle_deg"] is not None]
    assert (min(angles), max(angles)) == (0, 90)


def test_the_better_side_is_to_the_right_whichever_way_a_metric_runs() -> None:
    rows = pl.DataFrame(
        [
            {"metric": m, "value": 1.0, "low": 0.9, "high": 1.1, "censored": "none", "text": "1.0", "note": ""}
            for m in ("f6_hz", "preference")
        ]
    )
    peers = pl.DataFrame({"metric": ["f6_hz"] * 3 + ["preference"] * 3, "value": [0.5, 2.0, 4.0] * 2})
    strips = rows_with(field_chart.place(rows, peers).to_dict(), "value")
    at = {s["strip"]: s["at"] for s in strips}
    assert at["LF extension (−6 dB)"] > 0.5 > at["Predicted preference"]


def test_of_many_peers_a_tick_stands_for_several_and_the_picture_says_so() -> None:
    few, many = (json.dumps(field_chart.place(frames.places(), frames.peers(n)).to_dict()) for n in (37, 6000))
    assert "a tick for about" not in few
    assert f"a tick for about {6000 / field_chart.MOST_TICKS:.0f} peers" in many
    assert len(many) < 5 * len(few)


def test_the_band_that_limits_music_is_ringed_where_its_point_stands_and_not_where_it_was_not_measured():
    points = frames.usable_output()
    ringed = json.dumps(output_chart.usable_output(points, [], binds=(50.0, "distortion")).to_dict())
    assert "distortion limits music here" in ringed
    beyond = points.filter(points["frequency_hz"] > 100.0)
    assert "limits music" not in json.dumps(
        output_chart.usable_output(beyond, [], binds=(50.0, "distortion")).to_dict()
    )


def test_a_censored_value_points_to_where_the_true_one_lies() -> None:
    spec = json.dumps(field_chart.place(frames.places(), frames.peers()).to_dict())
    assert "triangle-right" in spec  # the maximum level is at least so high
    points = frames.usable_output()
    svg = saving.svg(output_chart.usable_output(points, []))
    assert svg.count("none") != 0
    assert "at_least" in json.dumps(output_chart.usable_output(points, []).to_dict())


def test_two_speakers_of_one_name_keep_their_own_rows() -> None:
    shown = texts(saving.svg(field_chart.ranking(frames.ranking(["Twin", "Twin", "Other"]), plotted("f6_hz"))))
    assert shown.count("Twin") == 2


def test_a_speaker_alone_in_the_field_has_a_strip_without_peers() -> None:
    rows = frames.places()
    svg = saving.svg(field_chart.place(rows, frames.peers().clear()))
    assert "Predicted preference" in texts(svg)
