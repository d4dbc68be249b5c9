"""Patterns of file names and headings, such as "{orbit}_{angle}deg.txt"."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from speakerdb.terms import COMPONENTS

_NUMBER = r"[+\-−]?\d{1,6}(?:[.,]\d{1,6})?"
FIELDS = {"orbit": "orbit", "angle": "angle_deg", "drive": "drive_db", "component": "component"}  # -> column
_ORBIT_WORDS = {"h": 0, "hor": 0, "horiz": 0, "horizontal": 0, "v": 1, "ver": 1, "vert": 1, "vertical": 1}


def same_form(text: str) -> str:
    """Text as it is compared: composed letters, single spaces, no capitals."""
    return " ".join(unicodedata.normalize("NFC", text).split()).casefold()


@dataclass(frozen=True)
class Words:
    """Words that stand for orbits and components, each with its code."""

    orbit: Mapping[str, int]
    component: Mapping[str, int]

    def codes(self, column: str) -> Mapping[str, int]:
        return self.orbit if column == "orbit" else self.component


def words_of(said: Mapping[str, Any]) -> Words:
    """The built-in words and those of `orbit_words` and `component_words`; the user's win."""
    orbit, component = dict(_ORBIT_WORDS), {name: i for i, name in enumerate(COMPONENTS)}
    for code, name in enumerate(("horizontal", "vertical")):
        orbit.update((same_form(w), code) for w in said.get("orbit_words", {}).get(name, ()))
    for code, name in enumerate(COMPONENTS):
        component.update((same_form(w), code) for w in said.get("component_words", {}).get(name, ()))
    return Words(orbit, component)


@dataclass(frozen=True)
class Pattern:
    """A compiled pattern. `columns`: the columns whose values stand in the name."""

    text: str
    columns: tuple[str, ...]
    regex: re.Pattern[str]
    words: Words

    def match(self, name: str) -> dict[str, float] | None:
        """The values that stand in a name, by column (codes for words); None where the name does not fit."""
        found = self.regex.fullmatch(same_form(name))
        if found is None:
            return None
        values: dict[str, float] = {}
        for field, text in found.groupdict().items():
            column = FIELDS[field]
            if column in {"orbit", "component"}:
                values[column] = self.words.codes(column)[text]
            else:
                values[column] = float(text.replace(",", ".").replace("−", "-"))
        return values


def compile_pattern(text: str, words: Words) -> Pattern:
    """Compile a pattern. Raises ValueError, in words, where it is not one."""
    regex, columns = "", []
    for part in re.split(r"(\{[^{}]*\}|\*)", same_form(text)):
        if part == "*":
            regex += "[^/]*"
        elif part.startswith("{") and part.endswith("}"):
            field = part[1:-1]
            if field not in FIELDS:
                raise ValueError(f"{part}, where {', '.join('{' + f + '}' for f in FIELDS)} and * are known")
            if FIELDS[field] in columns:
                raise ValueError(f"{part} twice")
            columns.append(FIELDS[field])
            known = words.codes(FIELDS[field]) if field in {"orbit", "component"} else None
            choice = "|".join(re.escape(w) for w in sorted(known, key=len, reverse=True)) if known else _NUMBER
            regex += f"(?P<{field}>{choice})"
        else:
            regex += re.escape(part)
    return Pattern(text, tuple(columns), re.compile(regex), words)
