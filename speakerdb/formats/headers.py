"""What the remarks above the numbers of a file say of how it is to be read; each is quoted, none is guessed."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

_LINES = 80
_LONGEST_QUOTE = 120
_COUNTER = r"counter[- ]?clockwise|anti[- ]?clockwise|\bccw\b|gegen(?: den)? uhrzeigersinn"
_CLOCKWISE = r"(?<!counter)(?<!counter-)(?<!counter )(?<!anti)(?<!anti-)(?<!anti )clockwise|\bcw\b|\bim uhrzeigersinn"
_TABLE = r"turn ?table|rotator|dreh(?:teller|tisch)|motor|\bmic"  # what turns there is not the angle
_UP = (
    r"(?:positive|\+|plus)[^.;,]{0,30}\b(?:up|upwards?|above|oben)\b|"
    r"\b(?:up|above|oben)\b\s*(?:is|=|:)?\s*(?:positive|\+|plus)"
)
_DOWN = (
    r"(?:positive|\+|plus)[^.;,]{0,30}\b(?:down|downwards?|below|unten)\b|"
    r"\b(?:down|below|unten)\b\s*(?:is|=|:)?\s*(?:positive|\+|plus)"
)
_RELATIVE = r"normali[sz]ed|re(?:lative to| the)? on[- ]?axis|\bdbfs\b|db re 1 ?v|normiert|relative level"
_SPL = r"(?:\bspl\b|re 20 ?[µu]pa).{0,40}\b1 ?m\b|\b1 ?m\b.{0,40}(?:\bspl\b|re 20 ?[µu]pa)"
_SAYS = (
    ("angle_sense", "counter-clockwise", _COUNTER),
    ("angle_sense", "clockwise", _CLOCKWISE),
    ("vertical_positive", "up", _UP),
    ("vertical_positive", "down", _DOWN),
    ("level_is", "relative", _RELATIVE),
    ("level_is", "spl_1m", _SPL),
)


@dataclass(frozen=True)
class Said:
    """A key's value as a line of a file says it."""

    key: str
    value: Any
    quote: str


def header_says(text: str) -> dict[str, Said]:
    """What the lines above the first row of numbers say, by key. A key of which two values are said is left out."""
    found: dict[str, list[Said]] = {}
    for line in text.split("\n")[:_LINES]:
        row = line.strip().strip('*#;!%/"').strip()
        if not re.search(r"[^\W\d_]{2}", row) or len(re.findall(r"\d[\d.,]*", row)) > 12:
            continue
        lower = row.casefold()
        for key, value, pattern in _SAYS:
            if re.search(pattern, lower) and not (key == "angle_sense" and re.search(_TABLE, lower)):
                found.setdefault(key, []).append(Said(key, value, row[:_LONGEST_QUOTE]))
    return {k: said[0] for k, said in found.items() if len({s.value for s in said}) == 1}
