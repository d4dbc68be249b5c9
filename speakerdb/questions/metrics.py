"""The dictionary: what every number means."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

from speakerdb.declare import Answer, Ask, Question, Row, Told
from speakerdb.questions.shared import Base

if TYPE_CHECKING:
    import polars as pl


class Meaning(Row):
    """One metric."""

    id: str
    label: str
    unit: str
    better: Literal["high", "low", "neither"]
    definition: str
    source: Annotated[str, Told("of the definition")]
    step: Annotated[float, Told("the display step")]
    matters: Annotated[float, Told("the difference from which on it matters; a ratio where ratios count")]
    group: str
    ranked: Annotated[bool, Told("false: a setting of the measurement or of the amplifier")]


@dataclass(eq=False, repr=False)
class Dictionary(Answer):
    """One row per metric."""

    rows: Annotated[pl.DataFrame, Meaning]


@dataclass(frozen=True, repr=False)
class Metrics(Question[Dictionary]):
    """Explain each metric."""

    name = "metrics"
    address = "/metrics"
    example = {"metric": "preference"}
    needs_database = False

    metric: Annotated[str | None, Ask("One metric's id, or any unambiguous part of it.", place=0)] = None

    def answer(self, base: Base | None) -> Dictionary:
        from speakerdb.answering.stored import metrics_frame

        return Dictionary(metrics_frame(self.metric))
