"""What an address asks: its parameters as they were typed, and what is wrong with them, in words beside the field."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, TypeVar

from starlette.datastructures import QueryParams

from speakerdb import figures
from speakerdb.declare import LONGEST, Question, parts
from speakerdb.questions.whom import Whom
from speakerdb.web.addresses import read

Q = TypeVar("Q", bound=Question[Any])


class Ask:
    """The parameters of one address. A parameter that can't be read counts as not given and leaves a problem."""

    def __init__(self, given: QueryParams) -> None:
        self._given = given
        self.problems: dict[str, str] = {}

    @classmethod
    def of(cls, given: Mapping[str, str | list[str]]) -> Ask:
        """As if the address held these parameters."""
        return cls(QueryParams([(k, v) for k, vs in given.items() for v in ([vs] if isinstance(vs, str) else vs)]))

    def raw(self, name: str) -> str:
        """The parameter as it was typed, for showing it in its field again."""
        return self._given.get(name, "")[:LONGEST]

    def given(self) -> dict[str, str]:
        """Every parameter as typed."""
        return {name: self.raw(name) for name in self._given}

    def read(self, question: type[Q], **fixed: Any) -> Q | None:
        """The question that the parameters ask, with the fields that the page knows; what is wrong with them stands in
        `problems`. None where something that it needs is missing."""
        found, problems = read(question, self._given, **fixed)
        self.problems |= problems
        return found

    def any(self, *names: str) -> bool:
        """Whether any of the parameters is given."""
        return any(self.raw(name) for name in names)

    def text(self, name: str) -> str | None:
        return self.raw(name).replace("\0", "").strip() or None

    def whole(self, name: str, low: int = 0, high: int = 10**6) -> int | None:
        """A whole number within limits."""
        text = self.text(name)
        if text is None:
            return None
        if not text.isdecimal():
            self.problems[name] = f"“{text}” is not a whole number"
        elif not low <= int(text) <= high:
            self.problems[name] = f"{text} is outside {low} to {high}"
        else:
            return int(text)
        return None

    def number(self, name: str, low: float, high: float) -> float | None:
        """A number within limits; a decimal comma is understood."""
        text = self.text(name)
        if text is None:
            return None
        try:
            found = float(text.replace(",", "."))
        except ValueError:
            found = float("nan")
        if not low <= found <= high:
            self.problems[name] = f"“{text}” is not a number from {figures.plain(low)} to {figures.plain(high)}"
            return None
        return found

    def choice(self, name: str, options: Iterable[str]) -> str | None:
        text = self.text(name)
        known = list(options)
        if text is not None and text not in known:
            shown = ", ".join(known[:12]) + (" …" if len(known) > 12 else "")
            self.problems[name] = f"“{text}” is not among {shown}"
            return None
        return text

    def many(self, name: str, most: int = 100) -> list[str]:
        """Every value of a repeated parameter, also comma-separated ones, each once."""
        values = [part.strip() for text in self._given.getlist(name) for part in text.split(",")]
        return list(dict.fromkeys(v for v in values if v))[:most]


# Limits that the filter form offers: name in the address, heading, unit
LIMITS = tuple((p.name, p.label, p.ask.unit) for p in parts(Whom) if p.ask.keeps and p.type in {int, float})
FILTER_NAMES = tuple(p.name for p in parts(Whom) if not p.ask.local)


def filter_address(ask: Ask) -> dict[str, str]:
    """The filter parameters that are set, for links that keep them."""
    return {name: ask.raw(name) for name in FILTER_NAMES if ask.raw(name)}
