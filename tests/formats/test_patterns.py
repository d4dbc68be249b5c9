"""Patterns of names: what they read, what they leave, and how long they take."""

from __future__ import annotations

import time

import pytest

from speakerdb.formats.patterns import compile_pattern, words_of

WORDS = words_of({"sign_words": {"plus": ["L"], "minus": ["R"]}})


def read(pattern: str, name: str) -> dict[str, float] | None:
    return compile_pattern(pattern, WORDS).match(name)


@pytest.mark.parametrize(
    ("pattern", "name", "angle"),
    [
        ("*{angle}.txt", "box 120.txt", 120.0),  # all digits, whatever stands before
        ("*{angle}.txt", "box-120.txt", -120.0),  # after a star a sign belongs to its number
        ("box-{angle}.txt", "box-120.txt", 120.0),  # a hyphen of the pattern is none
        ("h{angle}*", "h30deg.txt", 30.0),
        ("h{angle}*", "H-7.5 deg.txt", -7.5),
        ("h{angle}*", "h\N{EN DASH}30.txt", -30.0),
        ("h{angle}*", "h\N{MINUS SIGN}30.txt", -30.0),
        ("h{angle}.txt", "h7,5.txt", 7.5),
        ("*{angle}*", "take 2 of 40.txt", 40.0),  # the last number
        ("h{sign}{angle}.txt", "hL30.txt", 30.0),
        ("h{sign}{angle}.txt", "hR30.txt", -30.0),
        ("h{sign}{angle}.txt", "h0.txt", 0.0),
        ("h {angle}{sign}.txt", "h 30minus.txt", -30.0),
        ("h_{sign}_{angle}.txt", "h_cw_30.txt", -30.0),
    ],
)
def test_the_angle_that_a_name_tells(pattern, name, angle):
    assert read(pattern, name) == {"angle_deg": angle}


@pytest.mark.parametrize(
    ("pattern", "name"),
    [
        ("{orbit}*{angle}.txt", "house 30.txt"),  # no letter inside a word is an orbit
        ("*{orbit} {angle}.txt", "stretch 30.txt"),
        ("h{angle}5.txt", "h1234.txt"),
        ("h{sign}{angle}.txt", "hm-30.txt"),  # signed twice
        ("*{angle}.txt", "inner/30.txt"),  # a star stays within a folder
        ("{angle}.txt", "30.TXT.bak"),
    ],
)
def test_names_that_do_not_fit(pattern, name):
    assert read(pattern, name) is None


def test_letters_beside_a_star_are_whole_words():
    assert read("*{orbit}*{angle}*", "Vale 7 h 30 deg.txt") == {"orbit": 0, "angle_deg": 30.0}


@pytest.mark.parametrize("pattern", ["{sign}.txt", "{angle}{angle}", "{what}"])
def test_what_is_no_pattern(pattern):
    with pytest.raises(ValueError, match="known|twice|without"):
        compile_pattern(pattern, WORDS)


@pytest.mark.parametrize("pattern", ["*" * 200, "*a" * 100 + "b", "*{angle}" + "*1" * 90, "*x*{orbit}" * 1 + "*y" * 60])
def test_stars_take_no_longer_than_the_name(pattern):
    start = time.process_time()
    for _ in range(20):
        read(pattern, "a1" * 120 + ".txt")
    assert time.process_time() - start < 5.0  # backtracking would take hours
