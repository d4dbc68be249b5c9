"""Where compression and distortion set in, word by word."""

from __future__ import annotations

import polars as pl

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
        ("balance_level_db", 101.0, 100.0, 101.9, "none"),
        ("clean_level_bass_db", 88.0, 86.0, 90.0, "none"),
        ("clean_level_mid_db", 96.2, 95.4, 97.2, "none"),
        ("clean_level_multitone_db", 93.0, None, 94.0, "none"),
    ) == [
        "At 1 m it delivers 104.3 dB (103.0 to 105.5) where compression reaches 3 dB.",
        "Compression leaves its tonal balance within 1.5 dB up to 101.0 dB (100.0 to 101.9) delivered.",
        "The lower of the two counts: the level with its balance.",
        "Highest drive with total harmonic distortion at most 10 % everywhere in 50–100 Hz: 88.0 dB (86.0 to 90.0).",
        "Highest drive with total harmonic distortion at most 3 % everywhere in 200 Hz–5 kHz: 96.2 dB (95.4 to 97.2).",
        "Highest drive with multitone distortion at most 3 % everywhere in 100 Hz–10 kHz, full range: 93.0 "
        "dB (≤ 94.0).",
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


def test_which_of_two_levels_is_lower_is_told_only_where_their_intervals_are_apart() -> None:
    def lower(
        maximum: tuple[float, float | None, float | None, str], balance: tuple[float, float | None, float | None, str]
    ) -> str:
        (told,) = [s for s in said(("max_level_db", *maximum), ("balance_level_db", *balance)) if "lower" in s]
        return told

    vague = "Which of the two is the lower can't be told; they lie close together or were not driven to their limit."
    maximum, balance = (
        "The lower of the two counts: the maximum level.",
        "The lower of the two counts: the level with its balance.",
    )
    apart, above = (96.0, 95.0, 97.0, "none"), (100.0, 97.1, 102.0, "none")
    assert lower(apart, above) == maximum
    assert lower(above, apart) == balance
    assert lower(apart, (98.0, 97.0, 99.0, "none")) == vague  # they touch
    bare = (96.0, None, None, "none")  # its uncertainty not worked out: its value stands for both ends
    assert lower(bare, above) == maximum
    assert lower(bare, (96.0, None, None, "none")) == vague
    assert lower(apart, (97.5, None, None, "at_least")) == maximum
    assert lower(apart, (96.5, None, None, "at_least")) == vague
    assert lower((94.0, None, 94.0, "at_most"), apart) == maximum
    assert lower((98.0, None, None, "at_most"), apart) == vague
    assert lower(apart, (99.0, None, None, "at_most")) == vague  # it may lie anywhere below
