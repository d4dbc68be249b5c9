"""Where compression and distortion set in, word by word."""

from __future__ import annotations

import polars as pl

from speakerdb.answering.music import Binds
from speakerdb.report import loudness

NOTE = "Labs choose the highest drive: “at least” means that it was not driven to its limit."


def said(*rows: tuple[str, float, float | None, float | None, str], status: str = "ok") -> list[str]:
    """rows: metric, value, low, high, censored, as pooled."""
    columns = ["metric", "value", "low", "high", "censored"]
    frame = pl.DataFrame(rows, columns, orient="row", schema_overrides={"low": pl.Float64, "high": pl.Float64})
    return loudness.sentences(frame.with_columns(session=pl.lit(None, pl.String), status=pl.lit(status)))


def test_levels_that_were_reached_are_told_with_their_intervals() -> None:
    assert said(
        ("max_level_db", 104.26, 103.0, 105.5, "none"),
        ("programme_level_db", 101.0, 100.0, 101.9, "none"),
        ("programme_level_managed_db", 102.0, 101.5, 103.9, "between"),
        ("clean_level_bass_db", 88.0, 86.0, 90.0, "none"),
        ("clean_level_mid_db", 96.2, 95.4, 97.2, "none"),
        ("clean_level_multitone_db", 93.0, None, 94.0, "none"),
    ) == [
        "Music reaches 101.0 dB (100.0 to 101.9) at 1 m.",
        "From 80 Hz up, with a subwoofer below, music reaches ≥ 102.0 dB (101.5 to 103.9) at 1 m.",
        "At 1 m it delivers 104.3 dB (103.0 to 105.5) where compression reaches 3 dB.",
        "Highest drive with total harmonic distortion at most 10 % everywhere in 50–100 Hz: 88.0 dB (86.0 to 90.0).",
        "Highest drive with total harmonic distortion at most 3 % everywhere in 200 Hz–5 kHz: 96.2 dB (95.4 to 97.2).",
        "Highest drive with multitone distortion at most 3 % everywhere in 100 Hz–10 kHz, full range: 93.0 "
        "dB (≤ 94.0).",
    ]


def test_what_a_subwoofer_reaches_is_told_frequency_by_frequency() -> None:
    assert said(
        ("sub_max_level_40hz_db", 93.9, 92.7, 95.0, "none"),
        ("sub_max_level_31hz_db", 91.5, 91.0, None, "at_least"),
    ) == [
        "At the lower of 3 dB compression and 10 % distortion it reaches at 1 m at least 91.5 dB at 31.5 Hz, 93.9 dB "
        "(92.7 to 95.0) at 40 Hz.",
        NOTE,
    ]


def test_what_was_not_driven_to_its_limit_is_told_as_a_bound_with_what_that_means() -> None:
    assert said(("max_level_db", 102.0, 102.0, None, "at_least")) == [
        "Compression did not reach 3 dB at the highest drive: at 1 m it delivers at least 102.0 dB.",
        NOTE,
    ]
    assert said(("clean_level_mid_db", 96.0, 96.0, None, "at_least"))[-1] == NOTE
    assert said(("clean_level_mid_db", 80.0, None, 80.0, "at_most")) == [
        "Highest drive with total harmonic distortion at most 3 % everywhere in 200 Hz–5 kHz: at most 80.0 dB."
    ]


def test_bounds_of_other_values_and_what_is_withheld_are_not_its_affair() -> None:
    assert said(("f6_hz", 50.0, 50.0, None, "at_least")) == []
    assert said(("max_level_db", 102.0, 102.0, None, "at_least"), status="withheld") == []
    assert said() == []


def test_what_limits_music_is_told_with_its_band() -> None:
    bound = Binds("programme_level_db", "distortion", 50.0, 0.67, 104.0)
    none = Binds("programme_level_managed_db", None, None, None, 104.0)
    frame = pl.DataFrame(
        {
            "metric": ["programme_level_db", "programme_level_managed_db"],
            "value": [101.0, 102.0],
            "low": [100.0, 101.0],
            "high": [102.0, 103.0],
            "censored": ["none", "none"],
            "status": ["ok", "ok"],
            "session": pl.Series([None, None], dtype=pl.String),
        }
    )
    whole, managed = loudness.sentences(frame, [bound, none])
    assert whole == (
        "Music reaches 101.0 dB (100.0 to 102.0) at 1 m, limited by distortion at 50 Hz, which takes 67 % of "
        "what it can "
        "do there."
    )
    assert managed.endswith("(101.0 to 103.0) at 1 m, limited by no single band.")
