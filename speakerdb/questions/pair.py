"""A main speaker with a subwoofer: from which crossover, how loud, and what their sum can be."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

from speakerdb.declare import INNER, Answer, Ask, AskError, Question, Row, Shape, Told
from speakerdb.questions.shared import Base, Exact, Setting, Withheld
from speakerdb.terms import Censoring

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.answering.pairing import Pairing, Sub


class SubRow(Row):
    """A subwoofer beside the main speaker."""

    subwoofer: str
    setting: str
    level_db: Annotated[float | None, Told("loudest music that it lets play at this crossover, at 1 m")]
    censored: Censoring
    keeps_up: Annotated[Literal["yes", "no", "unclear"], Told("whether it is not the quieter of both")]
    price: float | None
    currency: str | None
    mass_kg: float | None


class AtCrossover(Row):
    """How loud the main speaker lets music play from a crossover up."""

    crossover_hz: float
    level_db: float | None
    censored: Censoring


class SumRow(Row):
    """The ends of what the sum can be, each side re its own level."""

    frequency_hz: float
    low_db: float | None
    high_db: float | None


class Beginning(Row):
    """Polarity and delay of the main speaker to begin with, if both are of minimum phase."""

    inverted: bool
    delay_m: Annotated[float, Told("as a way of sound; below 0 the subwoofer is to be delayed")]
    delay_ms: float
    lowest_db: Annotated[float, Told("the least of the sum within an octave of the crossover")]
    plain_db: Annotated[float, Told("the same without either")]


@dataclass(eq=False, repr=False)
class Paired(Answer):
    """How loud a main speaker and a subwoofer let music play together, which of them limits it, what their sum can be,
    and from which crossover the main speaker is loud enough. Without a subwoofer: those that keep up, by price. In
    Python `rows` holds the subwoofers."""

    main: str
    setting: str
    subwoofer: str | None
    crossover_hz: float
    main_level_db: float | None
    main_level_censored: Censoring
    level_db: Annotated[float | None, Told("of both together, with a subwoofer named")]
    level_censored: Censoring
    limited_by: Literal["main", "subwoofer", "either"] | None
    wanted_db: float | None
    needs_hz: Annotated[float | None, Told("the lowest crossover from which the main speaker reaches what is wanted")]
    crossovers: Annotated[list[Any], Shape(list[AtCrossover])]
    alignment: Annotated[dict[str, Any] | None, Shape(Beginning | None)]
    response: Annotated[list[Any], Shape(list[SumRow])]
    rows: Annotated[pl.DataFrame, SubRow]
    too_quiet: Annotated[pl.DataFrame, SubRow]
    not_judged: Annotated[pl.DataFrame, Withheld]
    cautions: list[str]
    found: Pairing = dataclasses.field(metadata=INNER)


BEST = "best"


@dataclass(frozen=True, repr=False)
class Pair(Question[Paired]):
    """Pair a main speaker with a subwoofer, or list those that keep up."""

    name = "pair"
    address = "/speakers/{main}/pair"
    example = {"main": "sill-5", "sub": "culvert-12", "crossover": "best"}

    main: Annotated[str, Ask("The main speaker's slug, or any unambiguous part of it.", place=0)]
    sub: Annotated[
        str | None, Ask("The subwoofer. Default: those of the field that keep up.", "Subwoofer", place=1)
    ] = None
    crossover: Annotated[str, Ask("Crossover, Hz, 40 to 160, or best.", "Crossover", "Hz")] = "80"
    level: Annotated[
        float | None, Ask("Level that is to be reached at 1 m, dB.", "Peaks of", "dB", above=30, most=140)
    ] = None
    setting: Setting = None
    exact: Exact = False

    def check(self) -> None:
        self._crossover()

    def _crossover(self) -> float | None:
        """None: the best one."""
        if self.crossover.strip().lower() == BEST:
            return None
        try:
            hz = float(self.crossover.replace(",", "."))
        except ValueError:
            hz = 0.0
        if not 40.0 <= hz <= 160.0:
            raise AskError("crossover", f"crossover: {self.crossover!r}; expected 40 to 160 Hz, or {BEST}")
        return hz

    def answer(self, base: Base) -> Paired:
        import polars as pl

        from speakerdb.acoustics.grid import FREQUENCY_HZ
        from speakerdb.acoustics.room import SPEED_OF_SOUND_M_S
        from speakerdb.answering import pairing

        main_id, main = base.find(self.main, exact=self.exact)
        setting = base.setting(main, self.setting)
        sub = None if self.sub is None else base.side(self.sub, exact=self.exact)
        found = pairing.pair(base.store, base.field, (main_id, setting), sub, self._crossover(), self.level)
        chosen, alignment = found.chosen, found.alignment
        both = None if chosen is None else pairing.lower_of(found.main, chosen.loudest)
        main_level, main_censored = found.main.told()
        level, censored = both.told() if both else (None, "none")
        response = (
            pl.DataFrame({"frequency_hz": FREQUENCY_HZ.round(2), "low_db": found.low_db, "high_db": found.high_db})
            .with_columns(pl.when(pl.col(pl.Float64).is_finite()).then(pl.col(pl.Float64)))
            .to_dicts()
            if found.low_db is not None
            else []
        )
        beginning = (
            None
            if alignment is None
            else {
                "inverted": alignment.inverted,
                "delay_m": alignment.delay_m,
                "delay_ms": 1000.0 * alignment.delay_m / SPEED_OF_SOUND_M_S,
                "lowest_db": alignment.lowest_db,
                "plain_db": alignment.plain_db,
            }
        )
        names = {"speaker": pl.String, "setting": pl.String, "reason": pl.String}
        return Paired(
            main,
            setting,
            None if chosen is None else chosen.row["speaker"],
            found.crossover_hz,
            main_level,
            main_censored,  # type: ignore[arg-type]
            level,
            censored,  # type: ignore[arg-type]
            None if chosen is None else pairing.limited_by(found.main, chosen.loudest),
            self.level,
            found.needs_hz,
            [
                {"crossover_hz": hz, "level_db": told[0], "censored": told[1]}
                for hz, one in found.by_crossover
                for told in (one.told(),)
            ],
            beginning,
            response,
            _subs(found.keep_up, found.currency),
            _subs(found.too_quiet, found.currency),
            pl.DataFrame(found.not_judged, names, orient="row"),
            found.cautions,
            found,
        )


def _subs(subs: list[Sub], currency: str | None) -> pl.DataFrame:
    import polars as pl

    schema = {
        "subwoofer": pl.String,
        "setting": pl.String,
        "level_db": pl.Float64,
        "censored": pl.String,
        "keeps_up": pl.String,
        "price": pl.Float64,
        "currency": pl.String,
        "mass_kg": pl.Float64,
    }
    rows = []
    for one in subs:
        level, censored = one.loudest.told()
        price = one.row["price"]
        told = None if price is None else currency
        rows.append(
            (one.row["speaker"], one.row["setting"], level, censored, one.keeps_up, price, told, one.row["mass_kg"])
        )
    return pl.DataFrame(rows, schema, orient="row")
