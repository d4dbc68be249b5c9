"""Sentences say no more than the interval carries."""

from __future__ import annotations

import pytest

from speakerdb import figures
from speakerdb.answering.standing import Place
from speakerdb.metrics import METRICS
from speakerdb.report import words


def place(
    rank_low: int | None,
    rank_high: int | None,
    *,
    count: int = 41,
    metric: str = "f6_hz",
    rank: int = 5,
    superlative: bool = False,
    censored: str = "none",
) -> Place:
    return Place(METRICS[metric], 41.26, 40.0, 43.0, censored, rank, rank_low, rank_high, superlative, count)


@pytest.mark.parametrize(
    ("rank_low", "rank_high", "said"),
    [
        (2, 9, "among the deepest fifth"),
        (2, 11, "among the deepest quarter"),
        (2, 21, "among the deepest half"),
        (35, 40, "among the highest fifth"),
        (15, 28, "about the middle"),
        (3, 35, "3rd to 35th of 41 monitors"),
    ],
)
def test_a_place_is_told_as_wide_as_its_range(rank_low: int, rank_high: int, said: str) -> None:
    assert said in (words.standing(place(rank_low, rank_high), "monitors") or "")


def test_a_superlative_needs_all_speakers_looked_at_together() -> None:
    assert "the deepest of" not in (words.standing(place(1, 1), "monitors") or "")
    sure = place(1, 1, superlative=True)
    assert words.standing(sure, "monitors") == "LF extension (−6 dB), 41.3 Hz: the deepest of 41 monitors."
    last = place(41, 41, superlative=True)
    assert words.standing(last, "monitors") == "LF extension (−6 dB), 41.3 Hz: the highest of 41 monitors."


def test_without_uncertainty_or_in_a_small_group_nothing_is_said() -> None:
    assert words.standing(place(None, None), "monitors") is None
    assert words.standing(place(1, 2, count=8), "monitors") is None
    assert words.share(place(1, 2, count=8)) == "not placed: 7 others have it"
    assert words.share(place(1, 2, count=2)) == "not placed: 1 other has it"
    assert words.share(place(None, None)) == "5th of 41, its range not worked out"
    assert (
        words.share(place(1, 2, count=9)) == "1st to 2nd of 9"
    )  # method:statistics#among-its-peers: fewer than 8 others widen the group


def test_a_place_is_told_by_the_places_it_can_have() -> None:
    # method:statistics#among-its-peers: "3rd to 9th of 9"
    assert words.share(place(3, 9, count=9)) == "3rd to 9th of 9"
    assert words.share(place(12, 12)) == "12th of 41"
    assert words.share(place(21, 23)) == "21st to 23rd of 41"
    assert words.share(place(1, 41)) == "place not known: 1st to 41st of 41"


def test_the_shares_it_surely_and_possibly_beats_are_those_of_its_range() -> None:
    assert place(5, 13).beats == ((41 - 13) / 40, (41 - 5) / 40)


def test_where_neither_direction_is_better_no_place_is_called_better() -> None:
    wide = "beamwidth_horizontal_deg"
    assert "widest fifth" in (words.standing(place(2, 9, metric=wide), "monitors") or "")
    counted = words.standing(place(3, 35, metric=wide), "monitors") or ""
    assert "3rd to 35th of 41 monitors from the widest" in counted
    assert "better" not in counted


def test_differences_are_told_only_where_the_whole_interval_matters() -> None:
    flat = METRICS["flatness_window_db"]
    assert (
        words.difference(flat, "X", -1.2, -1.6, -0.8, "yes")
        == "Flatness, listening window: 1.20 dB lower than X (0.80 to 1.60)."
    )
    assert (
        words.difference(flat, "X", -0.6, -1.2, 0.1, "unclear")
        == "Flatness, listening window can't be told from X at this precision."
    )
    assert (
        words.difference(flat, "X", 0.04, -0.05, 0.12, "no")
        == "Flatness, listening window: no difference from X that matters."
    )
    assert "only a bound" in words.difference(flat, "X", None, None, -0.8, "yes")


def test_of_metrics_in_which_ratios_count_the_ratio_is_told() -> None:
    f6 = METRICS["f6_hz"]
    assert words.difference(f6, "X", 0.75, 0.7, 0.8, "yes") == f"{f6.label}: 0.75 times that of X (0.70 to 0.80)."
    assert "can't be told" in words.difference(f6, "X", 1.1, 0.9, 1.3, "unclear")


def test_lists_with_commas_inside_are_parted_by_semicolons() -> None:
    assert figures.listing(["a", "b", "c"]) == "a, b and c"
    assert figures.listing(["a, b", "c", "d"]) == "a, b; c and d"
    assert figures.listing([]) == ""
