"""Guesses the pattern behind a set of file names or headings that differ by orbit and angle."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from speakerdb.formats.patterns import same_form

# words for the orbits in the languages of common exports, beside those every pattern knows
HORIZONTAL_WORDS = (
    "waagerecht",
    "waagrecht",
    "horizontale",
    "orizzontale",
    "horizontaal",
    "horisontal",
    "poziom",
    "水平",
)
VERTICAL_WORDS = ("elevation", "senkrecht", "lotrecht", "verticale", "vertikal", "verticaal", "pion", "垂直")
_KNOWN = {"h", "hor", "horiz", "horizontal", "v", "ver", "vert", "vertical", *HORIZONTAL_WORDS, *VERTICAL_WORDS}
_NUMBER, _WORD = "a number", "a word"  # the kinds of tokens in a shape; other tokens stand for themselves
_TOKEN = re.compile(r"[+\-−]?\d+(?:[.,]\d+)?|[^\W\d_]+|.")


@dataclass(frozen=True)
class NameGuess:
    """A pattern, the words in place of {orbit} (none where it has no {orbit}), and the greatest angle."""

    pattern: str
    orbit_words: tuple[str, ...]
    greatest_angle: float


def guess_pattern(names: Sequence[str]) -> NameGuess | None:
    """The pattern of names that differ in an angle at least; None where there is none to be seen."""
    shapes: dict[tuple[str, ...], list[list[str]]] = {}
    for name in names:
        tokens = _tokens(name)
        shapes.setdefault(tuple(_NUMBER if _is_number(t) else _WORD if t.isalpha() else t for t in tokens), []).append(
            tokens
        )
    if not shapes:
        return None
    shape, members = max(shapes.items(), key=lambda item: len(item[1]))
    columns = [[m[i] for m in members] for i in range(len(shape))]
    angle = _angle_column(shape, columns)
    if angle is None or len(members) < 3:
        return None
    orbit = _orbit_column(shape, columns)
    parts = []
    for i, column in enumerate(columns):
        if i == angle:
            parts.append("{angle}")
        elif i == orbit:
            parts.append("{orbit}")
        else:
            parts.append(column[0] if len(set(column)) == 1 and column[0] not in "{}*" else "*")
    words = tuple(sorted(set(map(same_form, columns[orbit])))) if orbit is not None else ()
    greatest = max(abs(_number(t)) for t in columns[angle])
    return NameGuess(re.sub(r"\*+", "*", "".join(parts)), words, greatest)


def _tokens(name: str) -> list[str]:
    """Words, numbers with their sign, and single characters."""
    return _TOKEN.findall(name)


def _is_number(token: str) -> bool:
    return token[-1].isdigit()


def _number(token: str) -> float:
    return float(token.replace(",", ".").replace("−", "-"))


def _angle_column(shape: Sequence[str], columns: Sequence[Sequence[str]]) -> int | None:
    """The number with the most different values, all of them angles."""
    best, most = None, 2
    for i, kind in enumerate(shape):
        if kind == _NUMBER and all(abs(_number(t)) <= 360 for t in columns[i]):
            different = len({_number(t) for t in columns[i]})
            if different > most:
                best, most = i, different
    return best


def _orbit_column(shape: Sequence[str], columns: Sequence[Sequence[str]]) -> int | None:
    """The word that names the orbit: one of the known words, else a word that takes two values."""
    words = [i for i, kind in enumerate(shape) if kind == _WORD]
    for i in words:
        if {same_form(t) for t in columns[i]} <= _KNOWN:
            return i
    two = [i for i in words if len(Counter(columns[i])) == 2]
    return two[0] if two else None


def orbit_of(word: str) -> str | None:
    """The orbit that a word stands for, None where it is not known."""
    if word in HORIZONTAL_WORDS or word.startswith("h"):
        return "horizontal"
    if word in VERTICAL_WORDS or word.startswith("v"):
        return "vertical"
    return None


def is_orbit_word(word: str) -> bool:
    """Whether a word names an orbit in a language known here."""
    return same_form(word) in _KNOWN
