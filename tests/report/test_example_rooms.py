"""What is said of a speaker in a room is as strong as its chance."""

from __future__ import annotations

import pytest

from speakerdb.report.example_rooms import ROOMS, _judged


def told(low: float | None, high: float | None, margin: float) -> tuple[str, bool | None]:
    row = {
        "pair": True,
        "level_at_seat_db": 96.0 + margin,
        "margin_db": margin,
        "censored": "none",
        "level_low_db": 91.0,
        "level_high_db": 101.0,
        "p_meets_low": low,
        "p_meets_high": high,
        "limited_by": "no single band",
        "limited_at_hz": None,
    }
    name, question = ROOMS[0]
    found = _judged(name, f"{question.distance_m:g} m", row)
    return found.verdict, found.suits


@pytest.mark.parametrize(
    ("low", "high", "margin", "said", "suits"),
    [
        (0.97, 0.97, 5.0, "suits, about 5 dB of headroom", True),
        (0.93, 0.93, 3.0, "very likely enough (93 %): about 3 dB of headroom", None),
        (0.66, 0.66, 1.0, "likely enough (66 %): about 1 dB of headroom", None),
        (0.45, 0.45, -0.3, "an even chance (45 %): about 0 dB short", None),
        (0.07, 0.07, -3.0, "likely too much to ask (7 %): about 3 dB short", None),
        (0.02, 0.02, -6.0, "too much to ask: about 6 dB short", False),
        (0.32, 0.5, -1.0, "an even chance (32 to 50 %): about 1 dB short", None),
        (0.3, 1.0, -1.0, "can't be told (at least 30 %): about 1 dB short", None),
        (0.0, 1.0, -1.0, "can't be told: about 1 dB short", None),
        (None, None, 2.0, "chance not worked out: about 2 dB of headroom", None),
    ],
)
def test_the_verdict_follows_the_chance(
    low: float | None, high: float | None, margin: float, said: str, suits: bool | None
) -> None:
    assert told(low, high, margin) == (said, suits)


def test_what_limits_it_is_told_where_one_band_does() -> None:
    row = {
        "pair": True,
        "level_at_seat_db": 99.0,
        "margin_db": 3.0,
        "censored": "none",
        "level_low_db": 91.0,
        "level_high_db": 101.0,
        "p_meets_low": 0.93,
        "p_meets_high": 0.93,
        "limited_by": "distortion",
        "limited_at_hz": 125.0,
    }
    verdict = _judged(ROOMS[0][0], "", row).verdict
    assert verdict == "very likely enough (93 %): about 3 dB of headroom, limited by distortion at 125 Hz"
