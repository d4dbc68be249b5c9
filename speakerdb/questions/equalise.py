"""What can equalisation mend of a speaker, and what not?"""

from __future__ import annotations

import dataclasses
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

from speakerdb.declare import INNER, Answer, Ask, AskError, Question, Row, Shape, Told
from speakerdb.questions.shared import Base, Exact, Setting, Speaker, sides_of
from speakerdb.questions.show import Value, metric_map
from speakerdb.terms import Censoring

if TYPE_CHECKING:
    import polars as pl


class FilterRow(Row):
    """One filter of second order, at the sampling rate of the answer."""

    type: Literal["peaking", "low_shelf", "high_shelf"]
    frequency_hz: float
    gain_db: float
    q: float
    b: Annotated[list[float], Told("b0, b1, b2")]
    a: Annotated[list[float], Told("a0, which is 1, a1, a2")]
    purpose: Annotated[Literal["speaker", "room"], Told("what it is for: the room's ring at a seat alone")]


class Unmended(Row):
    """A stretch of frequencies that filters leave."""

    from_hz: float
    to_hz: float
    why: str


class NearMode(Row):
    """A frequency that rings, and the mode of the room within 5 % of it; null where there is none."""

    frequency_hz: float
    mode_hz: float | None
    order: Annotated[list[int] | None, Told("half waves along length, width and height")]
    kind: Literal["axial", "tangential"] | None


@dataclass(eq=False, repr=False)
class Equalised(Answer):
    """The filters that mend what a speaker does alike in all directions, its response metrics without and with them,
    what they leave, and what they cost in level. In Python `rows` holds the filters."""

    speaker: str
    setting: str
    sampling_hz: float
    filters: Annotated[list[Any], Shape(list[FilterRow], in_rows=True)]
    pregain_db: Annotated[float, Told("to be set before the filters, lest their boosts overload what follows")]
    gain_db: Annotated[float, Told("what the speaker's filters change of the mean level, 300 Hz–3 kHz")]
    withheld: Annotated[str | None, Told("why the filters that were found are not given")]
    before: Annotated[dict[str, Any], Shape(dict[str, Value])]
    after: Annotated[dict[str, Any], Shape(dict[str, Value])]
    not_mendable: Annotated[list[Any], Shape(list[Unmended])]
    ringing: Annotated[list[Any], Shape(list[NearMode])]
    level_before_db: Annotated[float | None, Told("loudest music, played as the speaker is; null where no sweep tells")]
    level_before_censored: Censoring
    level_after_db: float | None
    level_after_censored: Censoring
    cautions: list[str]
    rows: pl.DataFrame = dataclasses.field(metadata=INNER)

    def as_file(self, suffix: str) -> str:
        from speakerdb.answering import equalising

        if suffix == ".csv":
            return equalising.as_csv(self.filters, self.sampling_hz)
        return equalising.as_json(self.filters, self.sampling_hz, self.pregain_db)


MOST_RINGING = 3


@dataclass(frozen=True, repr=False)
class Equalise(Question[Equalised]):
    """Find the filters that mend a speaker, and what none can mend."""

    name = "equalise"
    address = "/speakers/{speaker}/equalise"
    example = {"speaker": "sill-5", "bands": 3}
    files = (".csv", ".json")

    speaker: Speaker
    setting: Setting = None
    bands: Annotated[int, Ask("The most filters.", "Filters", least=1, most=5)] = 5
    fs: Annotated[
        float, Ask("Sampling rate of the equaliser, Hz.", "Sampling rate", "Hz", least=32000, most=768000)
    ] = 48000.0
    max_boost: Annotated[float, Ask("The largest boost, dB.", "Boost at most", "dB", least=0, most=12)] = 3.0
    ringing: Annotated[
        str | None, Ask("Frequencies that ring at your seat, Hz, up to three: 34,68.", "What rings", "Hz")
    ] = None
    room: Annotated[
        str | None, Ask("Length, width and height of the room in metres: 5.2x4.1x2.5.", "The room's sides", "m")
    ] = None
    reverberation: Annotated[
        float | None, Ask("Reverberation time, seconds. Default: 0.4, assumed.", "Reverberation", "s", above=0, most=20)
    ] = None
    exact: Exact = False

    def check(self) -> None:
        self._ringing()
        if self.room is not None:
            sides_of("room", self.room)
            if self.ringing is None:
                raise AskError("room", "room: it serves to name the modes that ring; give what rings too")

    def _ringing(self) -> tuple[float, ...]:
        if self.ringing is None:
            return ()
        try:
            found = tuple(float(one) for one in re.split(r"[,;\s]+", self.ringing.strip()))
        except ValueError:
            found = ()
        if not (0 < len(found) <= MOST_RINGING and all(15.0 <= f <= 300.0 for f in found)):
            expected = f"expected one to {MOST_RINGING} frequencies from 15 to 300 Hz, e.g. 34,68"
            raise AskError("ringing", f"ringing: {self.ringing!r}; {expected}")
        return found

    def answer(self, base: Base) -> Equalised:
        import polars as pl

        from speakerdb.analysis.filter_fitting import Asked
        from speakerdb.analysis.question import ASSUMED_REVERBERATION_S
        from speakerdb.answering import equalising, stored
        from speakerdb.errors import RequestError
        from speakerdb.field import mending

        speaker_id, slug = base.find(self.speaker, exact=self.exact)
        setting = base.setting(slug, self.setting)
        try:
            mended = mending.mend(base.store, speaker_id, setting, Asked(self.bands, self.fs, self.max_boost))
        except RequestError as error:
            raise RequestError(f"{slug} can't be equalised: {error.message}") from None
        sides = None if self.room is None else sides_of("room", self.room)
        ring = equalising.ringing(self._ringing(), sides, self.reverberation or ASSUMED_REVERBERATION_S)
        purposes = [*((one, "speaker") for one in mended.in_use), *((one.filter, "room") for one in ring)]
        filters = equalising.rows(purposes, self.fs)
        shown = stored.show(base.store, speaker_id, setting)
        before = shown.filter(pl.col("session").is_null(), pl.col("metric").is_in(mending.JUDGED))
        field = base.of([speaker_id])
        row = field.base.filter(speaker_id=speaker_id, setting=setting)["row"][0]
        without = equalising.level(field, row, 0.0 * mended.added_db)
        with_filters = equalising.level(field, row, mended.added_db)
        return Equalised(
            slug,
            setting,
            self.fs,
            filters,
            equalising.pregain_db([one for one, _ in purposes], self.fs),
            equalising.gain_db(mended),
            mended.withheld,
            metric_map(before),
            metric_map(equalising.told_after(mended, before)),
            [dataclasses.asdict(one) for one in mended.left],
            [
                {
                    "frequency_hz": one.filter.frequency_hz,
                    "mode_hz": one.mode and one.mode.frequency_hz,
                    "order": one.mode and list(one.mode.order),
                    "kind": one.mode and one.mode.kind,
                }
                for one in ring
            ],
            equalising.known(float(without.value)),
            equalising.censoring(without),
            equalising.known(float(with_filters.value)),
            equalising.censoring(with_filters),
            equalising.cautions(mended, ring, without, with_filters),
            pl.DataFrame(filters, equalising.SCHEMA),
        )
