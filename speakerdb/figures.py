"""Numbers as people read them, each form once: the same value is the same text on the command line, a page and a sheet.

Rounded first, then written. A value exactly half way between two goes to the even digit (0.25 to 0.2, 0.75 to 0.8),
where the nearest binary fraction is half way at all: 0.15 is stored a little lower and gives 0.1. A minus is U+2212,
what rounds to zero has no sign, and from 10 000 on a narrow no-break space (U+202F) stands between thousands. What a
program reads (JSON, CSV, addresses, commands to copy) never comes from here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

GAP = "–"  # no number
MINUS = "\u2212"
THOUSANDS = "\u202f"  # narrow no-break space, one cell wide in a terminal
GROUPED_FROM = 10_000
RATIO_DECIMALS = 2
RARE, ALMOST = 0.01, 0.99  # beyond these a probability is told no more closely
SMALLEST_P = 0.0001

_SIGN = {"none": "", "at_most": "≤ ", "at_least": "≥ ", "between": "≥ "}
_WORDS = {"none": "", "at_most": "at most ", "at_least": "at least ", "between": "at least "}


def _known(value: float | None) -> bool:
    """Whether there is a number: neither None nor NaN nor infinite."""
    return value is not None and math.isfinite(value)


def number(value: float | None, decimals: int = 0, *, signed: bool = False) -> str:
    """A number with so many decimals: '−1.3', '12 346'; with signed '+1.3', '0.0'; – where there is none.

    >>> number(-0.04, 1), number(-1.26, 1), number(8900), number(1.26, 1, signed=True)
    ('0.0', '−1.3', '8900', '+1.3')
    """
    if value is None or not math.isfinite(value):
        return GAP
    rounded = round(float(value), decimals) + 0.0  # + 0.0: no negative zero
    text = f"{abs(rounded):{',' if abs(rounded) >= GROUPED_FROM else ''}.{decimals}f}".replace(",", THOUSANDS)
    return (MINUS if rounded < 0 else "+" if signed and rounded > 0 else "") + text


def plain(value: float | None, digits: int = 6, *, signed: bool = False) -> str:
    """A number as it was given: no trailing zeros, at most so many significant digits after the point; whole ones keep
    all theirs.

    >>> plain(2.83), plain(3.0), plain(-0.5), plain(1234.5, 3)
    ('2.83', '3', '−0.5', '1234')
    """
    if value is None or not math.isfinite(value):
        return GAP
    text = number(value, max(_decimals(float(value), digits), 0), signed=signed)
    return text.rstrip("0").rstrip(".") if "." in text else text


def _decimals(value: float, digits: int) -> int:
    """Decimals that show so many significant digits of a value; negative where its whole part has more."""
    return digits - 1 - math.floor(math.log10(abs(value))) if value else 0


def alike(values: Sequence[float | None]) -> list[str]:
    """Signed changes in the same digits, three significant ones of the largest: '+2.21', '+0.82'; – where there is
    none."""
    largest = max((abs(v) for v in values if v is not None and math.isfinite(v)), default=0.0)
    return [number(v, min(max(_decimals(largest, 3), 0), 9), signed=True) for v in values]


def joined(text: str, unit: str) -> str:
    """A number and its unit: '43.1 Hz', '42°'; a gap has no unit."""
    return text if text == GAP or not unit else f"{text}{'' if unit == '°' else ' '}{unit}"


@dataclass(frozen=True)
class Quantity:
    """How the values of one kind are written. decimals None: as many as each needs; ratio: differences are told as
    ratios."""

    unit: str = ""
    decimals: int | None = None
    ratio: bool = False

    @classmethod
    def stepped(cls, unit: str, step: float, *, ratio: bool = False) -> Quantity:
        """A quantity shown in steps of 0.1, 1, …: as many decimals as the step has."""
        return cls(unit, len(f"{step:f}".rstrip("0").partition(".")[2]), ratio)

    def finer(self, unit: str) -> Quantity:
        """What is said of its mean changes: in percent to a tenth, or in its own unit with one more decimal."""
        return Quantity("%", 1) if unit == "%" else Quantity(unit, (self.decimals or 0) + 1)

    def number(
        self, value: float | None, censored: str | None = "none", other: float | None = None, *, signed: bool = False
    ) -> str:
        """A value without its unit, which the heading of its column gives: '≤ 41.2'; '52.0 or 249.0' where it is one of
        two."""
        if not _known(value):
            return GAP
        text = plain(value, signed=signed) if self.decimals is None else number(value, self.decimals, signed=signed)
        return _SIGN[censored or "none"] + text + (f" or {self.number(other)}" if _known(other) else "")

    def text(
        self, value: float | None, censored: str | None = "none", other: float | None = None, *, signed: bool = False
    ) -> str:
        """A value with its unit: '≥ 105.0 dB'.

        >>> Quantity("dB", 1).text(105.04, "at_least"), Quantity("°", 0).text(-12.0)
        ('≥ 105.0 dB', '−12°')
        """
        return joined(self.number(value, censored, other, signed=signed), self.unit)

    def said(self, value: float | None, censored: str | None = "none") -> str:
        """A value as a sentence has it: 'at least 105.0 dB'."""
        return f"{_WORDS[censored or 'none']}{self.text(value)}" if _known(value) else GAP

    def interval(self, low: float | None, high: float | None, *, signed: bool = False) -> str:
        """'41.2 to 44.0' without unit; '≥ 41.2' or '≤ 44.0' where an end is open; empty where nothing is known."""
        if _known(low) and _known(high):
            return f"{self.number(low, signed=signed)} to {self.number(high, signed=signed)}"
        if _known(low):
            return self.number(low, "at_least", signed=signed)
        return self.number(high, "at_most", signed=signed) if _known(high) else ""

    def interval_text(self, low: float | None, high: float | None) -> str:
        """'41.2 to 44.0 Hz'; empty where nothing is known."""
        span = self.interval(low, high)
        return joined(span, self.unit) if span else ""

    def told(
        self,
        value: float | None,
        low: float | None,
        high: float | None,
        censored: str | None = "none",
        other: float | None = None,
    ) -> str:
        """A value with its interval: '43.0 Hz (41.2 to 44.0)'; a bound that is open stands
        alone."""
        span = self.interval(low, high) if (censored or "none") in ("none", "between") else ""
        return self.text(value, censored, other) + (f" ({span})" if span else "")

    def difference(self, value: float | None, *, signed: bool = False) -> str:
        """A difference without unit, or how many times the other a value is: '× 1.30'."""
        shown = self._of_differences
        return f"× {shown.number(value)}" if self.ratio and _known(value) else shown.number(value, signed=signed)

    def difference_text(self, value: float | None, *, signed: bool = False) -> str:
        """The same with its unit, which a ratio has none of: '1.2 dB', '× 1.30'."""
        return joined(self.difference(value, signed=signed), self._of_differences.unit)

    def difference_interval(self, low: float | None, high: float | None) -> str:
        """The interval of a difference without unit: '0.3 to 0.9', of a ratio '1.27 to 1.34'; empty where nothing is
        known."""
        return self._of_differences.interval(low, high)

    @property
    def _of_differences(self) -> Quantity:
        return Quantity("", RATIO_DECIMALS) if self.ratio else self


DB = Quantity("dB", 1)
FACTS = {
    "price": Quantity("", 0),
    "volume_l": Quantity("l", 1),
    "mass_kg": Quantity("kg", 1),
    "height_mm": Quantity("mm", 0),
    "width_mm": Quantity("mm", 0),
    "depth_mm": Quantity("mm", 0),
    "year": Quantity("", 0),
}


def span(low: float | None, high: float | None, decimals: int = 0) -> str:
    """'3–9', of places, years and counts; one number where both ends are written alike; – where one is not known.

    >>> span(3, 9), span(4, 4), span(None, 4)
    ('3–9', '4', '–')
    """
    first, last = number(low, decimals), number(high, decimals)
    if first == last or GAP in (first, last):
        return first if first == last else GAP
    return f"{first}–{last}"


def count(n: int, one: str, many: str | None = None) -> str:
    """'1 speaker', '12 346 speakers'."""
    return f"{number(n)} {one if n == 1 else many or one + 's'}"


def ordinal(place: int) -> str:
    """'1st', '2nd', '11th', '23rd'."""
    ending = "th" if place % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(place % 10, "th")
    return f"{number(place)}{ending}"


def headed(label: str, unit: str) -> str:
    """A label with its unit, as a heading or an axis has it: 'Price (EUR)', 'LF extension (−6 dB), Hz'."""
    if not unit:
        return label
    return f"{label}, {unit}" if "(" in label + unit else f"{label} ({unit})"


def listing(items: Sequence[str]) -> str:
    """'a', 'a and b', 'a, b and c'; semicolons where an item holds a comma itself."""
    if len(items) < 2:
        return "".join(items)
    comma = "; " if any("," in i for i in items) else ", "
    return f"{comma.join(items[:-1])} and {items[-1]}"


def percent(share: float | None, digits: int = 3) -> str:
    """A share as '95 %', '2.5 %'."""
    return joined(plain(None if share is None else 100.0 * share, digits), "%")


def probability(share: float | None) -> str:
    """A probability in whole percent, never 0 or 100 %: '62 %', '> 99 %', '< 1 %'."""
    if share is None or not math.isfinite(share):
        return GAP
    if share > ALMOST:
        return f"> {number(100.0 * ALMOST)} %"
    return f"< {number(100.0 * RARE)} %" if share < RARE else f"{number(100.0 * share)} %"


def p_value(p: float | None) -> str:
    """Two significant digits without exponent: '0.012', '< 0.0001'."""
    return f"< {plain(SMALLEST_P)}" if p is not None and p < SMALLEST_P else plain(p, 2)


def p_text(name: str, p: float | None) -> str:
    """'p = 0.012', 'q < 0.0001'."""
    text = p_value(p)
    return f"{name} {text}" if text.startswith("<") else f"{name} = {text}"


def hertz(frequency: float, digits: int = 2) -> str:
    """A frequency by which a band or centre is named, to so many digits: '80 Hz', '2.5 kHz'."""
    rounded = round(float(frequency), _decimals(float(frequency), digits))
    return f"{plain(rounded / 1000.0)} kHz" if rounded >= 1000.0 else f"{plain(rounded)} Hz"


def band(low: float, high: float, digits: int = 2) -> str:
    """'50–100 Hz', '2–10 kHz', '100 Hz–10 kHz'."""
    (first, unit), last = hertz(low, digits).split(" "), hertz(high, digits)
    return f"{first}–{last}" if last.endswith(f" {unit}") else f"{first} {unit}–{last}"


def price(amount: float | None, currency: str | None = None, per: str | None = None) -> str:
    """'8900 EUR', '12 346 EUR'; of a pair '8900 EUR a pair'."""
    return joined(number(amount), currency or "") + (" a pair" if per == "pair" else "")


def duration(hours: float | None) -> str:
    """'12 h', '2.5 h', '12 min', '40 s'; – where there is none."""
    if hours is None or not math.isfinite(hours):
        return GAP
    if hours >= 1.0:
        return f"{number(hours, 0 if hours >= 10.0 else 1)} h"
    return f"{number(60.0 * hours)} min" if hours >= 1.0 / 60.0 else f"{number(3600.0 * hours)} s"


def megabytes(size: float, decimals: int = 1) -> str:
    """A size in bytes: '6.4 MB'."""
    return f"{number(size / 1e6, decimals)} MB"


def vega(value: str, decimals: int | None = None) -> str:
    """`number`, or `plain` without decimals, as an expression of Vega for what a chart works out itself: labels of
    ticks, points hovered over. value: an expression too. Half way it rounds up, away from zero."""
    form = "~f" if decimals is None else f".{decimals}f"
    least = GROUPED_FROM - (0.5 * 10.0**-decimals if decimals is not None else 0.0)
    grouped = f"replace(format({value}, ',{form}'), /,/g, '{THOUSANDS}')"
    return f"!isValid({value}) ? '{GAP}' : abs({value}) >= {least} ? {grouped} : format({value}, '{form}')"


def phrase(label: str) -> str:
    """A label within a sentence: its first letter small, unless it starts with an abbreviation."""
    return label if label[:2].isupper() else label[:1].lower() + label[1:]
