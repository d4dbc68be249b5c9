"""Which speakers measure like one?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

from speakerdb.declare import Answer, Ask, AskError, Question, Row, Told
from speakerdb.questions.shared import Base, Exact, Setting, Speaker, Top
from speakerdb.questions.whom import Whom

if TYPE_CHECKING:
    import polars as pl


class Parts(Row):
    """RMS differences in dB, part by part; null where one of the two lacks it."""

    bass: float | None
    listening_window: float | None
    in_room: float | None
    directivity_index: float | None
    beamwidth: float | None
    output: float | None


class MatchRow(Row):
    """One relative."""

    speaker: str
    setting: str
    distance_db: Annotated[float, Told("RMS over all parts, weighted")]
    parts: Parts
    bass_from_hz: Annotated[float | None, Told("the lowest frequency that bass was compared at")]
    distinguishable: Annotated[
        bool | None,
        Told("true: it measures differently; false: the measurements can't tell them apart; null: not judged"),
    ]
    reason: Annotated[str | None, Told("why it is not judged")]
    remarks: Annotated[list[str], Told("what was not compared")]
    unit: Literal["dB"]


@dataclass(eq=False, repr=False)
class Matches(Answer):
    """The nearest relatives, nearest first; those compared on fewer curves come last."""

    speaker: str
    setting: str
    weights: dict[str, float]
    filters: Annotated[str, Told("the filters in words")]
    rows: Annotated[pl.DataFrame, MatchRow]


@dataclass(frozen=True, repr=False)
class Match(Whom, Question[Matches]):
    """Find speakers that measure alike."""

    name = "match"
    address = "/speakers/{speaker}/relatives"
    example = {"speaker": "sill-5", "top": 5}
    pictures = ("overlay",)

    speaker: Speaker
    setting: Setting = None
    weight: Annotated[tuple[str, ...], Ask("Weight of a part, e.g. beamwidth=2; may be repeated.")] = ()
    top: Top = 10
    exact: Exact = False

    def answer(self, base: Base) -> Matches:
        import polars as pl

        from speakerdb.analysis import nearness
        from speakerdb.answering import stored, telling

        speaker_id, slug = base.find(self.speaker, exact=self.exact)
        setting, selection = base.setting(slug, self.setting), self.selection()
        weights = {**nearness.WEIGHTS, **self._weights(tuple(nearness.WEIGHTS))}
        found = stored.match(base.store, base.field, speaker_id, setting, selection, weights, self.top)
        rows = found.select(
            "speaker",
            "setting",
            "distance_db",
            pl.struct(list(nearness.CURVES)).alias("parts"),
            "bass_from_hz",
            "distinguishable",
            "reason",
            pl.Series(
                "remarks", [telling.remarks(row) for row in found.iter_rows(named=True)], dtype=pl.List(pl.String)
            ),
            pl.lit("dB").alias("unit"),
        )
        return Matches(slug, setting, weights, selection.words(), rows)

    def _weights(self, parts: tuple[str, ...]) -> dict[str, float]:
        """Weights by part. Raises AskError for what is no PART=NUMBER, an unknown part, or a number that is no
        weight."""
        found = {}
        for one in self.weight:
            part, _, number = one.partition("=")
            try:
                found[part] = float(number)
            except ValueError:
                raise AskError(
                    "weight", f"weight: {one!r} is no weight; expected PART=NUMBER, e.g. beamwidth=2"
                ) from None
            if part not in parts or not 0 <= found[part] < float("inf"):
                raise AskError("weight", f"weight: {one!r}; the parts are {', '.join(parts)}, weights are 0 or more")
        return found
