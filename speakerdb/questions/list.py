"""What is stored: the speakers, and how often each was measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

from speakerdb.declare import Answer, Ask, Question, Row, Told
from speakerdb.questions.shared import Base

if TYPE_CHECKING:
    import polars as pl


class ListRow(Row):
    """One speaker, with the facts of its default setting; null where unknown."""

    speaker: Annotated[str, Told("its slug")]
    maker: str
    model: str
    kind: str | None
    powered: bool | None
    year: int | None
    volume_l: Annotated[float | None, Told("outer volume, litres")]
    mass_kg: float | None
    price: Annotated[float | None, Told("of what is bought: a pair, or one of a kind that stands alone")]
    currency: Annotated[str | None, Told("of the price")]
    settings: Annotated[list[str], Told("in which it was measured")]
    sessions: Annotated[int, Told("how many stand")]
    labs: list[str]
    samples: Annotated[int, Told("of how many units")]


@dataclass(eq=False, repr=False)
class Listing(Answer):
    """One row per speaker."""

    rows: Annotated[pl.DataFrame, ListRow]


@dataclass(frozen=True, repr=False)
class List(Question[Listing]):
    """List all speakers."""

    name = "list"
    address = "/speakers"
    example = {}

    currency: Annotated[str | None, Ask("Currency of prices. Default: the commonest.")] = None

    def answer(self, base: Base) -> Listing:
        from speakerdb.answering import stored

        return Listing(stored.list_speakers(base.field, base.store, self.currency.upper() if self.currency else None))
