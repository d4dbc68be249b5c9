"""A main speaker with a subwoofer, as an answer: how loud each lets the other play, what their sum can be, and from
which crossover the main speaker is loud enough."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import polars as pl
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.acoustics import crossover, exposure, grid, programme, response, subwoofer
from speakerdb.acoustics.bounds import from_ends
from speakerdb.acoustics.crossover import Alignment
from speakerdb.analysis import seat
from speakerdb.answering.facts import facts_of
from speakerdb.answering.room_cautions import exposure_sentence
from speakerdb.declare import AskError
from speakerdb.errors import RequestError
from speakerdb.field.field import Field
from speakerdb.metric import CENSORED
from speakerdb.store import Store

Array = NDArray[np.float64]
KeepsUp = Literal["yes", "no", "unclear"]

TRIED_HZ = (40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0)
SUB_FROM_HZ, SUB_TO_HZ = 25.0, 160.0  # what a subwoofer is asked for
NO_SWEEPS = "no compression or distortion was measured at two drives or more"
NO_PHASE = (
    "No phase was measured: the sum can lie anywhere between the curves. Polarity and delay are a beginning, as if "
    "both were of minimum phase and as far away; set them by measuring at the seat. A session with phase would tell."
)
LOCATED_HZ = 100.0  # common practice, no source
LOCATED = "Above about 100 Hz one hears where a subwoofer stands (common practice): put it near the main speakers."
MAINS = (
    "Subwoofers are mains-powered: unplug before connecting, and leave mains wiring to a licensed electrician; follow "
    "local codes."
)


@dataclass(frozen=True)
class Loudest:
    """Between which levels the loudest music lies, dB at 1 m; infinite where open."""

    low_db: float
    high_db: float

    @property
    def known(self) -> bool:
        return bool(np.isfinite(self.low_db) or np.isfinite(self.high_db))

    def told(self) -> tuple[float | None, str]:
        """Value and kind of bound, as metrics have them."""
        found = from_ends(np.array(self.low_db), np.array(self.high_db), programme.SAME_DB)
        value = float(found.value)
        return (value if np.isfinite(value) else None), CENSORED[int(found.code)]


def lower_of(a: Loudest, b: Loudest) -> Loudest:
    """What both together reach: as loud as the quieter one."""
    return Loudest(min(a.low_db, b.low_db), min(a.high_db, b.high_db))


@dataclass(frozen=True, eq=False)
class Sub:
    """A subwoofer beside the main speaker: its row of the field, how loud it is, whether it keeps up."""

    row: dict[str, Any]
    loudest: Loudest
    keeps_up: KeepsUp


@dataclass(frozen=True, eq=False)
class Pairing:
    """The whole answer. chosen: the subwoofer that was asked about; low_db, high_db (199,) the sum with it."""

    crossover_hz: float
    main: Loudest
    by_crossover: list[tuple[float, Loudest]]
    needs_hz: float | None
    keep_up: list[Sub]
    too_quiet: list[Sub]
    not_judged: list[tuple[str, str, str]]
    chosen: Sub | None
    alignment: Alignment | None
    low_db: Array | None
    high_db: Array | None
    currency: str | None
    cautions: list[str]


class _Levels:
    """How loud rows of a field let music play, each side of a crossover."""

    def __init__(self, field: Field) -> None:
        self._field = field
        curves = field.curves(["usable_low", "usable_high"])
        low, high = (curves[name][:, programme.POINTS].astype(np.float64) for name in ("usable_low", "usable_high"))
        self._low, self._high = np.where(np.isnan(low), -np.inf, low), np.where(np.isnan(high), np.inf, high)

    def known(self, row: int) -> bool:
        """Whether any sweep tells."""
        return bool(np.isfinite(self._low[row]).any() or np.isfinite(self._high[row]).any())

    def main(self, row: int, crossover_hz: float) -> Loudest:
        return self._of(row, programme.asked_db(programme.SPECTRA["programme"], crossover_hz=crossover_hz))

    def sub(self, row: int, crossover_hz: float) -> Loudest:
        """Its usable output against the low-passed spectrum, 25–160 Hz."""
        f = programme.BANDS_HZ
        asked = programme.SPECTRA["programme"] - 20.0 * np.log10(1.0 + (f / crossover_hz) ** 4)
        at = np.arange(len(f))
        inside = (at >= programme.band_of(SUB_FROM_HZ)) & (at <= programme.band_of(SUB_TO_HZ))
        return self._of(row, np.where(inside, asked, -np.inf))

    def _of(self, row: int, asked_db: Array) -> Loudest:
        ends = (float(programme.level_db(asked_db, end[row])) for end in (self._low, self._high))
        return Loudest(*ends)


def pair(
    store: Store,
    field: Field,
    main: tuple[int, str],
    sub: tuple[int, str] | None,
    crossover_hz: float | None,
    level_db: float | None,
) -> Pairing:
    """main and sub: speaker and setting; crossover_hz None: the best. Raises RequestError where one is not what it is
    asked as, or its levels are not known."""
    frame = field.frame()
    one = _row(frame, main)
    if one["kind"] == "subwoofer":
        raise RequestError(f"{one['speaker']} is a subwoofer; expected a main speaker first")
    other = None if sub is None else _row(frame, sub)
    if other is not None and other["kind"] != "subwoofer":
        raise RequestError(
            f"{other['speaker']} is a {other['kind'] or 'speaker of unknown kind'}; expected a subwoofer"
        )
    levels = _Levels(field)
    for asked in (one, other):
        if asked is not None and not levels.known(asked["row"]):
            raise RequestError(f"the level of {asked['speaker']} is withheld: {NO_SWEEPS}")
    by_crossover = [(hz, levels.main(one["row"], hz)) for hz in TRIED_HZ]
    needs = None if level_db is None else next((hz for hz, got in by_crossover if got.low_db >= level_db), None)
    fc = crossover_hz or _best(levels, one, other, by_crossover, level_db, needs)
    reached = levels.main(one["row"], fc)
    subs = [_sub(levels, row, fc, reached) for row in _subwoofers(frame, other) if levels.known(row["row"])]
    silent = [(r["speaker"], r["setting"], NO_SWEEPS) for r in _subwoofers(frame, other) if not levels.known(r["row"])]
    chosen = next((s for s in subs if other is not None), None)
    sums = None if chosen is None else _sum(field, one, chosen.row, fc)
    return Pairing(
        fc,
        reached,
        by_crossover,
        needs,
        _by_price(s for s in subs if s.keeps_up != "no"),
        _by_price(s for s in subs if s.keeps_up == "no"),
        silent,
        chosen,
        sums and sums[0],
        None if sums is None else sums[1],
        None if sums is None else sums[2],
        frame["currency"][0],
        [
            *([] if chosen is None else _ends_below(field, chosen.row, fc)),
            *([LOCATED] if fc > LOCATED_HZ else []),
            *_cautions(store, one, chosen, reached, level_db, needs),
        ],
    )


def _row(frame: pl.DataFrame, side: tuple[int, str]) -> dict[str, Any]:
    return frame.filter(speaker_id=side[0], setting=side[1]).row(0, named=True)


def _subwoofers(frame: pl.DataFrame, other: dict[str, Any] | None) -> list[dict[str, Any]]:
    """The one that was asked about, else all in their default settings."""
    if other is not None:
        return [other]
    return frame.filter(pl.col("kind") == "subwoofer", pl.col("is_default")).to_dicts()


def _by_price(subs: Any) -> list[Sub]:
    return sorted(subs, key=lambda s: (s.row["price"] is None, s.row["price"] or 0.0, s.row["speaker"]))


def _sub(levels: _Levels, row: dict[str, Any], fc: float, main: Loudest) -> Sub:
    loudest = levels.sub(row["row"], fc)
    if loudest.low_db >= main.high_db:
        return Sub(row, loudest, "yes")
    return Sub(row, loudest, "no" if loudest.high_db < main.low_db else "unclear")


def _best(
    levels: _Levels,
    main: dict[str, Any],
    sub: dict[str, Any] | None,
    by_crossover: list[tuple[float, Loudest]],
    level_db: float | None,
    needs: float | None,
) -> float:
    """With a level the lowest crossover at which both reach it, else the one at which both together are loudest."""
    if sub is None:
        if level_db is None:
            raise AskError("crossover", "crossover: best needs a subwoofer, or the level that is to be reached")
        return needs or TRIED_HZ[-1]
    both = [(hz, lower_of(got, levels.sub(sub["row"], hz)).low_db) for hz, got in by_crossover]
    if level_db is not None and (enough := [hz for hz, low in both if low >= level_db]):
        return enough[0]
    return max(both, key=lambda pair: (round(pair[1], 1), -abs(np.log2(pair[0] / programme.CROSSOVER_HZ))))[0]


def _sum(field: Field, main: dict[str, Any], sub: dict[str, Any], fc: float) -> tuple[Alignment | None, Array, Array]:
    """Polarity and delay to begin with, and the ends of what the sum can be, each re its own level."""
    curves = field.curves(["listening_window", "on_axis"])
    a = curves["on_axis"][sub["row"]].astype(np.float64)
    b = curves["listening_window"][main["row"]].astype(np.float64)
    if np.isnan(b).all():
        b = curves["on_axis"][main["row"]].astype(np.float64)
    a, b = a - subwoofer.reference_db(a), b - response.mean(b, response.REFERENCE)
    band = grid.band(fc / 2.0, fc * 2.0)
    known = not (np.isnan(a[band]).any() or np.isnan(b[band]).any())
    found = crossover.aligned(crossover.minimum_phase(b), crossover.minimum_phase(a), fc) if known else None
    return found, *crossover.bounds_db(b, a, fc)


def _ends_below(field: Field, sub: dict[str, Any], fc: float) -> list[str]:
    """Where a subwoofer's own range ends below the crossover."""
    axis = field.curves(["on_axis"])["on_axis"][sub["row"]].astype(np.float64)
    upper = subwoofer.upper_limit(axis[None], 6.0)
    if upper.at_most[0] or not upper.hz[0] < fc:
        return []
    return [f"{sub['speaker']} itself falls 6 dB by {figures.number(float(upper.hz[0]))} Hz, below the crossover."]


def limited_by(main: Loudest, sub: Loudest) -> Literal["main", "subwoofer", "either"]:
    """Which of both is the quieter one."""
    if main.high_db < sub.low_db:
        return "main"
    return "subwoofer" if sub.high_db < main.low_db else "either"


def _cautions(
    store: Store,
    main: dict[str, Any],
    chosen: Sub | None,
    reached: Loudest,
    level_db: float | None,
    needs: float | None,
) -> list[str]:
    said = []
    if level_db is not None and needs is None:
        low = TRIED_HZ[-1]
        said.append(
            f"{main['speaker']} reaches {figures.plain(level_db)} dB with no crossover up to {figures.plain(low)} Hz, "
            "as far as it was measured."
        )
    said.append(
        "Levels are of one main speaker and one subwoofer at 1 m in free field; a pair of main speakers gives about 3 "
        "dB more, and the room decides how loud the bass is at a seat."
    )
    if chosen is not None:
        said.append(NO_PHASE)
    said.append(MAINS)
    if chosen is not None:
        said += [f"{one}." for one in facts_of(store, chosen.row["speaker_id"]).cautions()]
    told = level_db if level_db is not None else reached.told()[0]
    if told is not None:
        hours = {name: float(h[0]) for name, h in seat.hours(np.array([told])).items()}
        said.append(exposure_sentence(round(told, 1), hours, "dynamic"))
        said.append(f"NIOSH's is an occupational limit, not free of risk. {exposure.ADVICE}")
    return said
