"""Layouts of other people's exports, each with the truth known: right, asked or refused, and none wrong without a word.

Those with names below are one departure each from a plain layout; the others are composed at random
(`python -m tests.formats.conventions COUNT SEED`).
"""

from __future__ import annotations

import dataclasses
from collections import Counter

import pytest

from tests.formats import conventions
from tests.formats.conventions import Convention, bring_in

PLAIN = Convention(
    "traces", "full", "", "words", "minus", "none", "plain", "dB", "_", "d", ".txt", False, False, False, 5
)
_LOUD = ("lead", "trail", "serial", "time")
_HEADED = ("minus", "both", "dash", "letters", "turning")
NAMED = {
    **{f"a name with a {c} counter": {"counter": c} for c in conventions.COUNTERS if c != "none"},
    **{
        f"a {c} counter before a sign word": {"counter": c, "sign": "letters"}
        for c in ("lead", "trail", "serial", "time")
    },
    **{f"signs as {s}": {"sign": s} for s in conventions.SIGNS if s != "turn"},
    **{f"signs as {s} after a hyphen": {"sign": s, "separator": "-"} for s in ("minus", "both", "dash", "letters")},
    **{
        f"signs as {s} in headings": {"sign": s, "kind": "wide"}
        for s in ("minus", "both", "dash", "letters", "turning")
    },
    **{f"orbits as {o}": {"orbits": o} for o in conventions.ORBIT_WORDS},
    **{f"orbits as {o} in a table": {"orbits": o, "kind": "long"} for o in conventions.ORBIT_WORDS},
    **{f"files of {c} columns": {"content": c} for c in dict.fromkeys(conventions.CONTENTS)},
    **{f"a {k} table": {"kind": k} for k in ("long", "wide", "radians", "azimuths", "transposed", "orbit files")},
    **{f"a model called {m!r}": {"model": m, "orbits": "letters"} for m in conventions.MODELS if m},
    "angles counted round": {"angles": "turn", "sign": "turn"},
    "angles counted round, clockwise": {"angles": "turn", "sign": "turn", "clockwise": True},
    "one side": {"angles": "half"},
    "one side, clockwise": {"angles": "half", "clockwise": True},
    "one side after a hyphen": {"angles": "half", "separator": "-", "clockwise": True},
    "the header tells the sense": {"told": True, "clockwise": True, "down": True},
    "levels re the axis": {"unit": "relative"},
    "pressures": {"unit": "Pa"},
    "levels beside phases": {"kind": "pairs"},
    "two models in one folder": {"kind": "two models"},
    "responses over time": {"kind": "times"},
    "a folder for each orbit": {"kind": "folders"},
    "angles with decimals": {"number": ".1f"},
    "angles with a degree sign": {"suffix": "°.txt"},
}
# what only the user knows, or what is no measurement of a speaker
NOT_RIGHT = {
    "orbits as unknown": "right",  # sorted by hand, then read
    "files of smoothed columns": "asked",
    "two models in one folder": "right",  # whoever answers that they are two orbits is believed
    "responses over time": None,
}


@pytest.mark.parametrize("name", NAMED)
def test_a_named_layout(tmp_path, name):
    outcome = bring_in(dataclasses.replace(PLAIN, **NAMED[name]), tmp_path / "old")
    wanted = NOT_RIGHT.get(name, "right")
    assert outcome.word in ({wanted} if wanted else {"asked", "refused"}), outcome


def test_there_are_enough_of_them():
    assert len(NAMED) >= 60


def _held(count, seed):
    results = conventions.run(count, seed)
    words = Counter(o.word for _, o in results)
    assert [(str(c), o) for c, o in results if o.word == "WRONG"] == []
    curves = [o for c, o in results if c.kind != "times"]  # which hold no responses over frequency
    assert words["right"] >= 0.8 * len(curves), words


def test_of_layouts_at_random_none_is_wrong_without_a_word():
    _held(60, 1)


@pytest.mark.slow
def test_of_ten_thousand_layouts_none_is_wrong_without_a_word():
    _held(10_000, 12)
