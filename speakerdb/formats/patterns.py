"""Patterns of file names and headings, such as "{orbit}_{angle}deg.txt"."""

from __future__ import annotations

import itertools
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from speakerdb.terms import COMPONENTS

MINUS_SIGNS = "-\N{MINUS SIGN}\N{EN DASH}\N{FIGURE DASH}\N{SMALL HYPHEN-MINUS}\N{FULLWIDTH HYPHEN-MINUS}"
_SIGNS = "+" + MINUS_SIGNS
_NUMBER = rf"[{re.escape(_SIGNS)}]?\d{{1,6}}(?:[.,]\d{{1,6}})?"
FIELDS = {  # -> column; azimuth and elevation together tell orbit and angle
    "orbit": "orbit",
    "angle": "angle_deg",
    "azimuth": "angle_deg",
    "elevation": "elevation_deg",
    "drive": "drive_db",
    "component": "component",
}
SESSION = "session"  # any text, by which the files of several sessions in one folder are told apart
SIGN = "sign"  # a word in the place of the angle's sign; it has no column of its own
_WORDS = ("orbit", "component", SIGN)  # fields that are words out of a list, not numbers
ORBIT_WORDS = {"h": 0, "hor": 0, "horiz": 0, "horizontal": 0, "v": 1, "ver": 1, "vert": 1, "vertical": 1}
# signs spelt out; left and right are not among them, since they may be the speaker's or the listener's
SIGN_WORDS = {"m": -1, "minus": -1, "n": -1, "neg": -1, "cw": -1, "down": -1, "d": -1} | {
    "p": 1, "plus": 1, "pos": 1, "ccw": 1, "up": 1, "u": 1
}  # fmt: skip


def same_form(text: str) -> str:
    """Text as it is compared: composed letters, single spaces, no capitals."""
    return " ".join(unicodedata.normalize("NFC", text).split()).casefold()


@dataclass(frozen=True)
class Words:
    """Words that stand for orbits, components and signs, each with its code."""

    orbit: Mapping[str, int]
    component: Mapping[str, int]
    sign: Mapping[str, int]

    def codes(self, column: str) -> Mapping[str, int]:
        return {"orbit": self.orbit, "component": self.component, SIGN: self.sign}[column]


def words_of(said: Mapping[str, Any]) -> Words:
    """The built-in words and those of `orbit_words`, `component_words` and `sign_words`; the user's win."""
    orbit, component = dict(ORBIT_WORDS), {name: i for i, name in enumerate(COMPONENTS)}
    sign = dict(SIGN_WORDS)
    for code, name in enumerate(("horizontal", "vertical")):
        orbit.update((same_form(w), code) for w in said.get("orbit_words", {}).get(name, ()))
    for code, name in enumerate(COMPONENTS):
        component.update((same_form(w), code) for w in said.get("component_words", {}).get(name, ()))
    for code, name in ((1, "plus"), (-1, "minus")):
        sign.update((same_form(w), code) for w in said.get("sign_words", {}).get(name, ()))
    return Words(orbit, component, sign)


def number_in(text: str) -> float:
    """A number as it stands in a name: with a decimal comma or point, and any of the signs."""
    sign = -1.0 if text[0] in MINUS_SIGNS else 1.0
    return sign * float(text.lstrip(_SIGNS).replace(",", "."))


@dataclass(frozen=True)
class Pattern:
    """A compiled pattern. `columns`: the columns whose values stand in the name.

    `parts`: for each folder of the name, what stands between the stars, from left to right. A name is matched part by
    part from its end, each as far right as it goes, so that the time grows with the length of the name alone. `gap`:
    the folder and the star that {session} stands for.
    """

    text: str
    columns: tuple[str, ...]
    parts: tuple[tuple[re.Pattern[str], ...], ...]
    words: Words
    gap: tuple[int, int] | None = None

    def texts(self, name: str) -> dict[str, str] | None:
        """What stands in a name in the place of each field; None where the name does not fit."""
        places = same_form(name).split("/")
        if len(places) != len(self.parts):
            return None
        found: dict[str, str] = {}
        for i, (place, parts) in enumerate(zip(places, self.parts, strict=True)):
            gap = self.gap[1] if self.gap is not None and self.gap[0] == i else None
            if not _match_parts(place, parts, found, gap):
                return None
        if (text := found.get(SESSION)) is not None:  # as it is written, where that is no longer or shorter
            at = name.casefold().find(text)
            found[SESSION] = name[at : at + len(text)] if at >= 0 and len(name.casefold()) == len(name) else text
        return found

    def match(self, name: str) -> dict[str, float] | None:
        """The values that stand in a name, by column (codes for words); None where the name does not fit."""
        return self.values(self.texts(name))

    def values(self, found: Mapping[str, str] | None) -> dict[str, float] | None:
        """What the texts in a name say, as `match` gives it."""
        if found is None:
            return None
        values: dict[str, float] = {}
        for field, text in found.items():
            if field == SESSION:
                continue
            if field in _WORDS:
                values[FIELDS.get(field, field)] = self.words.codes(field)[text]
            else:
                values[FIELDS[field]] = number_in(text)
        sign = values.pop(SIGN, None)
        if sign is not None and found.get("angle", found.get("azimuth", ""))[:1] in set(_SIGNS):
            return None  # signed twice: which of the two holds can't be told
        if sign == -1:
            values["angle_deg"] = -values["angle_deg"] + 0.0
        return values


def _match_parts(name: str, parts: tuple[re.Pattern[str], ...], found: dict[str, str], gap: int | None) -> bool:
    """Match the parts between the stars; the first stands at the start of the name, the last at its end. gap: the star
    whose text is kept as {session}, which must not be empty."""
    if len(parts) == 1:
        whole = parts[0].fullmatch(name)
        found.update({k: v for k, v in whole.groupdict().items() if v is not None} if whole else {})
        return whole is not None
    first = parts[0].match(name)
    if first is None:
        return False
    groups, end = [first], len(name)
    for i in range(len(parts) - 1, 0, -1):
        part = _rightmost(parts[i], name, first.end(), end, last=i == len(parts) - 1)
        if part is None:
            return False
        groups.append(part)
        end = part.start()
    for match in groups:
        found.update({k: v for k, v in match.groupdict().items() if v is not None})
    if gap is not None:
        ordered = [groups[0], *reversed(groups[1:])]
        found[SESSION] = name[ordered[gap].end() : ordered[gap + 1].start()].strip()
        return bool(found[SESSION])
    return True


def _rightmost(part: re.Pattern[str], name: str, low: int, high: int, *, last: bool) -> re.Match[str] | None:
    """The match of a part within a stretch of a name that begins farthest right; the last part ends where the name
    does."""
    for start in range(high, low - 1, -1):
        match = part.fullmatch(name, start, high) if last else part.match(name, start, high)
        if match is not None:
            return match
    return None


def compile_pattern(text: str, words: Words) -> Pattern:
    """Compile a pattern. Raises ValueError, in words, where it is not one."""
    columns: list[str] = []
    places: list[tuple[re.Pattern[str], ...]] = []
    gap = None
    for place in same_form(text).split("/"):
        parts: list[str] = [""]
        pieces = [p for p in re.split(r"(\{[^{}]*\}|\*+)", place) if p]
        for piece, following in itertools.zip_longest(pieces, pieces[1:], fillvalue=""):
            if piece == "{" + SESSION + "}":
                if gap is not None or following.startswith(("*", "{")) or (len(parts) > 1 and not parts[-1]):
                    raise ValueError("{session} twice, or beside a star or another field: where it ends can't be told")
                gap = (len(places), len(parts) - 1)
                parts.append("")
            elif piece.startswith("*"):
                if parts[-1] or len(parts) == 1:
                    parts.append("")
            elif piece.startswith("{") and piece.endswith("}"):
                free = following.startswith("*") or not following
                parts[-1] += _field(piece, columns, words, after_star=len(parts) > 1 and not parts[-1], free=free)
            else:
                parts[-1] += re.escape(piece)
        places.append(tuple(map(re.compile, parts)))
    if SIGN in columns and "angle_deg" not in columns:
        raise ValueError("{sign} without {angle}")
    return Pattern(text, tuple(c for c in columns if c != SIGN), tuple(places), words, gap)


def _field(piece: str, columns: list[str], words: Words, *, after_star: bool, free: bool) -> str:
    """The regular expression of a field; free: a star or the end follows."""
    field = piece[1:-1]
    if field not in FIELDS and field != SIGN:
        known = ", ".join("{" + f + "}" for f in (*FIELDS, SIGN, SESSION))
        raise ValueError(f"{piece}, where {known} and * are known")
    column = FIELDS.get(field, field)
    if column in columns:
        raise ValueError(f"{piece} twice")
    columns.append(column)
    if field in _WORDS:
        choice = "|".join(re.escape(w) for w in sorted(words.codes(field), key=len, reverse=True))
        # beside a star a word is a whole one: never a letter inside another
        before, after = r"(?<![^\W\d_])" if after_star else "", r"(?![^\W\d_])" if free else ""
        return f"{before}(?P<{field}>{choice}){after if field != SIGN else '?'}"
    # a number is all of its digits; after a star its sign belongs to it
    before = rf"(?<![\d{re.escape(_SIGNS)}])(?<!\d[.,])" if after_star else ""
    return rf"{before}(?P<{field}>{_NUMBER})(?!\d)"
