"""Every chart of the tool on made-up frames, by name: what the tests and the contact sheet draw."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from speakerdb.charts import curves_chart, directivity_chart, field_chart, output_chart, theme, tradeoff_chart
from speakerdb.charts.directivity_chart import ToneReach
from speakerdb.charts.output_chart import Demand
from speakerdb.charts.quantity import Plotted, plotted
from speakerdb.charts.theme import Heading
from tests.charts import frames

NAMES = (
    "Alder Fen Sill 5",
    "Corrie Works Tarn",
    "Holm & Daughter Very Long Model Name Mark III",
    "Umber A1",
    "Quill Nine",
)
AWKWARD = ("<script>alert(1)</script>", "Quote \" and ' & <b>", "مكبر الصوت ٥", "🔊 Loud 🎺", "a\\b{c}[d].e")
REACHES = (
    ToneReach("left", 42.0, 38.0, 47.0),
    ToneReach("right", 39.0, 35.0, 44.0),
    ToneReach("up", 17.0, 14.0, 19.0),
    ToneReach("down", 9.0, 7.0, 12.0, "at_least"),
)


def demands() -> list[Demand]:
    hz = tuple(frames.THIRD_OCTAVES_HZ)
    return [
        Demand("15 m³, 1.5 m, 95 dB", hz, tuple(93.0 for _ in hz)),
        Demand("60 m³, 3.5 m, 105 dB", hz, tuple(107.0 - i / 26 for i in range(len(hz)))),
    ]


def _map(plane: str, heading: Heading, width: int) -> Any:
    angle, level = frames.orbit()
    return directivity_chart.sound_map(
        angle,
        frames.FREQUENCY_HZ,
        level,
        frames.edge(angle, level),
        plane,
        heading,
        width=width,
    )  # type: ignore[arg-type]


def charts(names: tuple[str, ...] = NAMES) -> dict[str, Callable[[int], Any]]:
    """Chart name -> function of the plot's width."""

    def head(title: str) -> Heading:
        return Heading(
            f"{names[0]} · {title}",
            ("Setting plain, pooled over 2 sessions, 2 samples", "state 1a2b3c4d · 38 speakers · 2026-11-25"),
        )

    overlaid, some = list(names[:5]), list(names[:3])
    many = [f"{names[i % len(names)]} {i}" for i in range(18)]
    trend_points, line = frames.trend()
    group_points, summary = frames.groups()
    fall = frames.tradeoff()
    fall = fall.with_columns(speaker=fall["speaker"].replace({"Maker 7 Model 0": names[0]}))
    one = frames.curve_set()
    one = one.filter(one["part"] == "in_room")
    return {
        "curve-set": lambda w: curves_chart.curve_set(frames.curve_set(), head("curve set"), width=w),
        "one-curve": lambda w: curves_chart.curve_set(one, head("one curve"), width=w),
        "off-axis": lambda w: curves_chart.off_axis(frames.off_axis(), head("off the axis"), width=w),
        "overlay": lambda w: curves_chart.overlay(frames.overlay(overlaid), overlaid, head("overlaid"), width=w),
        "settings": lambda w: curves_chart.settings(frames.settings(some), some, head("settings"), width=w),
        "map-horizontal": lambda w: _map("horizontal", head("horizontal map"), w),
        "map-vertical": lambda w: _map("vertical", head("vertical map"), w),
        "beamwidth": lambda w: directivity_chart.beamwidth(frames.beamwidths(), head("beamwidth"), width=w),
        "tone": lambda w: directivity_chart.tone(REACHES, head("how far the tone holds"), width=w),
        "distortion": lambda w: output_chart.distortion(frames.distortion(), head("distortion"), width=w),
        "compression": lambda w: output_chart.compression(frames.compression(), head("compression"), width=w),
        "usable-output": lambda w: output_chart.usable_output(
            frames.usable_output(), demands(), head("usable output"), binds=(50.0, "distortion"), width=w
        ),
        "place": lambda w: field_chart.place(frames.places(), frames.peers(), head("its place in the field"), width=w),
        "ranking": lambda w: field_chart.ranking(
            frames.ranking(many), plotted("f6_hz"), head("rank"), width=w, mark=many[4]
        ),
        "differences": lambda w: field_chart.differences(frames.differences(), head("differences"), width=w),
        "tradeoff": lambda w: tradeoff_chart.tradeoff(
            fall,
            plotted("price", currency="EUR"),
            plotted("preference"),
            head("price and preference"),
            width=w,
            mark=names[0],
        ),
        "trend": lambda w: tradeoff_chart.trend(
            trend_points, line, plotted("year"), plotted("di_power_mean_db"), head("trend"), width=w
        ),
        "groups": lambda w: tradeoff_chart.groups(
            group_points,
            summary,
            Plotted("Layout"),
            plotted("tone_width_vertical_deg"),
            head("groups"),
            width=w,
        ),
    }


WIDTHS = {"desktop": theme.WIDE, "phone": theme.PHONE}
