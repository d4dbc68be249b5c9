"""The verdict on a speaker: eight lines that answer a reader's first questions, each with its number, a word as far as
the error lets one choose it, and a sentence (method:statistics#verdict). Words' cuts are own judgement."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Any

import numpy as np
import polars as pl

from speakerdb import figures
from speakerdb.analysis import peers
from speakerdb.analysis.grading import Grade, Scale, grade, quarter
from speakerdb.answering import music, standing
from speakerdb.answering.facts import Facts
from speakerdb.answering.standing import Base
from speakerdb.errors import SpeakerdbError
from speakerdb.metric import Metric, Swept
from speakerdb.metrics import METRICS
from speakerdb.metrics.directivity_rows import BEAMWIDTH_EVENNESS, BEAMWIDTHS, TONE
from speakerdb.metrics.output_rows import CLEAN_BASS, CLEAN_MID, PROGRAMME, PROGRAMME_MANAGED, THD, USABLE
from speakerdb.metrics.response_rows import BASS_BALANCE, BEST_ANGLE, F6, HALF_RANGE, PREFERENCE, TREBLE_BALANCE
from speakerdb.metrics.subwoofer_rows import LIMITS, OUTPUT

BEAMWIDTH, BEAMWIDTH_SD = BEAMWIDTHS[0], BEAMWIDTH_EVENNESS["horizontal"]
THD_MID_96, THD_BASS_96 = THD["mid", 96.0], THD["bass", 96.0]
SUB_F6 = LIMITS[6]
_BETTER, _WORSE = "{} or better", "{} or worse"
EVENNESS = Scale((1.5, 2.5, 3.5), ("very even", "even", "uneven", "very uneven"), more=_WORSE, less=_BETTER)
BASS_TILT = Scale((-3.0, -1.0, 1.0, 3.0), ("lean", "slightly lean", "level", "slightly full", "full"))
TREBLE_TILT = Scale((-3.0, -1.0, 1.0, 3.0), ("dull", "slightly dull", "level", "slightly bright", "bright"))
DEPTH = Scale(
    (28.0, 40.0, 55.0, 80.0),
    ("lowest octave", "deep", "medium", "short of bass", "needs a subwoofer"),
    log=True,
    more="{} or less deep",
    less="{} or deeper",
)
LOUDNESS = Scale((85.0, 95.0, 105.0), ("quiet", "moderate", "loud", "very loud"))
SPREAD = Scale((90.0, 120.0), ("narrow", "medium", "wide"), log=True)
STEADINESS = Scale((0.1, 0.2), ("steady", "fairly steady", "changing"), more=_WORSE, less=_BETTER)
MID_DISTORTION = Scale((0.5, 1.0, 3.0), ("very low", "low", "moderate", "high"), log=True)
BASS_DISTORTION = Scale((3.0, 10.0), ("low", "moderate", "high"), log=True)
SCALES = {  # metric id -> its words
    metric.id: scale
    for metric, scale in (
        (HALF_RANGE, EVENNESS),
        (BASS_BALANCE, BASS_TILT),
        (TREBLE_BALANCE, TREBLE_TILT),
        (F6, DEPTH),
        (SUB_F6, DEPTH),
        (PROGRAMME, LOUDNESS),
        (BEAMWIDTH, SPREAD),
        (BEAMWIDTH_SD, STEADINESS),
        (THD_MID_96, MID_DISTORTION),
        (THD_BASS_96, BASS_DISTORTION),
    )
}
LONGEST = 120  # characters of a sentence
_SEAT_M = {"monitor": 1.0}  # how far away one listens; else:
_FAR_M = 3.0
SURELY = 0.95  # that a rival is better by a step that matters
_NOT_DEFAULT = "not judged: not its default setting"
LINES = ("Tonal balance", "Bass", "Level", "Directivity", "Distortion", "Value", "Rank", "To settle")


@dataclass(frozen=True)
class Figure:
    """A number of a line: value, low, high, censored and unit as in `pooled`; word; state: known | unclear |
    withheld."""

    metric: str
    value: float | None
    low: float | None
    high: float | None
    censored: str
    unit: str
    word: str
    state: str


@dataclass(frozen=True)
class Line:
    """One line of the verdict. number: as printed; state: that of the first value."""

    line: str
    number: str
    values: tuple[Figure, ...]
    word: str
    sentence: str

    @property
    def state(self) -> str:
        return self.values[0].state if self.values else "known"


Pooled = Mapping[str, Mapping[str, Any]]  # metric id -> its value with everything that stands beside it


@dataclass(frozen=True)
class _Subject:
    """Whom the verdict is on: its values in a setting, and what is known of it."""

    base: Base
    speaker_id: int
    slug: str
    setting: str
    pooled: Pooled
    facts: Facts
    sessions: int
    disagree: frozenset[str]

    @property
    def kind(self) -> str | None:
        kind: str | None = self.facts.values["kind"]
        return kind

    @property
    def is_subwoofer(self) -> bool:
        return self.kind == "subwoofer"

    @property
    def is_default(self) -> bool:
        return self.setting == self.base.setting(self.slug)


def strip(base: Base, speaker_id: int, slug: str, setting: str, rows: pl.DataFrame, facts: Facts) -> list[Line]:
    """The verdict on a speaker in a setting. rows: of `stored.show`."""
    mine = rows.filter(setting=setting)
    pooled = {r["metric"]: r for r in mine.filter(pl.col("session").is_null()).iter_rows(named=True)}
    single = mine.filter(pl.col("session").is_not_null())
    disagree = frozenset(m for m, r in pooled.items() if r["disagree"])
    subject = _Subject(base, speaker_id, slug, setting, pooled, facts, single["session"].n_unique(), disagree)
    lines = [_tone(subject), _bass(subject), _level(subject), _directivity(subject), _distortion(subject)]
    lines += [_value(subject), _rank(subject)]
    return [*lines, _settle(subject, lines)]


# ---- values and words


def _figure(s: _Subject, metric: Metric) -> Figure:
    """A metric's value, with its word where it has a scale."""
    row = s.pooled.get(metric.id)
    if row is None or row["status"] != "ok":
        return _withheld(metric.id, metric.unit)
    found = _graded(metric, row) if metric.id in SCALES else None
    word, state = (found.text, found.state) if found is not None else ("", "known")
    return Figure(metric.id, row["value"], row["low"], row["high"], row["censored"], metric.unit, word, state)


def _withheld(metric: str, unit: str = "", value: float | None = None) -> Figure:
    """A number of which nothing can be said. value: a price, which is known all the same."""
    return Figure(metric, value, None, None, "none", unit, "", "withheld")


def _graded(metric: Metric, row: Mapping[str, Any]) -> Grade:
    """The words for a value, by its error as measured; one whose error was not worked out has none."""
    if row["se"] is None or row["other_value"] is not None:
        return Grade(())
    scale, se = SCALES[metric.id], row["se"]
    if scale.log and metric.scale != "log":
        se = se / (row["value"] * math.log(2.0))
    return grade(scale, row["value"], se, row["censored"], row["high"] if row["censored"] == "between" else None)


def _number(metric: Metric, figure: Figure) -> str:
    """'43.1 Hz (36.2 to 49.0)', '≥ 104.7 dB'."""
    if figure.value is None:
        return "–"
    number = metric.quantity.text(figure.value, figure.censored)
    interval = metric.quantity.interval(figure.low, figure.high) if figure.censored in {"none", "between"} else ""
    return f"{number} ({interval})" if interval else number


def _said(metric: Metric, figure: Figure) -> str:
    """The number in a sentence, without its interval."""
    return metric.quantity.said(figure.value or 0.0, figure.censored)


def _unclear(s: _Subject, metric: Metric) -> str:
    """Why no word can be chosen."""
    row = s.pooled[metric.id]
    if row["se"] is None:
        return "can’t be told: its error was not worked out"
    if row["other_value"] is not None:
        return "can’t be told: one of two values"
    if row["censored"] != "none":
        return "can’t be told: only a bound is known"
    if metric.id in s.disagree:
        return "can’t be told: its measurements disagree"
    return "can’t be told: one session" if s.sessions == 1 else "can’t be told: its error spans more than two words"


def _line(s: _Subject, name: str, metric: Metric, values: Sequence[Figure], word: str, sentence: str) -> Line:
    first = values[0]
    if first.state == "withheld":
        reason = _reason(s, metric)
        return Line(name, "–", tuple(values[:1]), f"not judged: {reason}", sentence)
    return Line(name, _number(metric, first), tuple(values), word or _unclear(s, metric), sentence)


def _reason(s: _Subject, metric: Metric) -> str:
    """Why a metric is withheld."""
    if s.is_subwoofer and metric.kinds == "not_subwoofer":
        return "not given for subwoofers"
    row = s.pooled.get(metric.id)
    return str(row["reason"]) if row is not None and row["reason"] else "not measured"


# ---- the lines


def _tone(s: _Subject) -> Line:
    even = _figure(s, HALF_RANGE)
    bass, treble = _figure(s, BASS_BALANCE), _figure(s, TREBLE_BALANCE)
    parts = []
    for name, figure in (("bass", bass), ("treble", treble)):
        if figure.value is not None:
            number = f"{figures.number(figure.value, 1, signed=True)} dB"
            parts.append(f"{name} {figure.word or 'can’t be told'} ({number})")
    told = _line(s, LINES[0], HALF_RANGE, (even, bass, treble), even.word, _sentence(parts))
    return told if even.value is None else _with(told, f"± {told.number}")


def _bass(s: _Subject) -> Line:
    metric = SUB_F6 if s.is_subwoofer else F6
    limit = _figure(s, metric)
    outputs, sentence = _outputs(s, OUTPUT if s.is_subwoofer else USABLE, (40, 63))
    return _line(s, LINES[1], metric, (limit, *outputs), limit.word, sentence)


def _outputs(s: _Subject, by_hz: Mapping[float, Metric], at_hz: Sequence[float]) -> tuple[list[Figure], str]:
    """What it can do at some frequencies, and the same as a sentence."""
    found = [(hz, by_hz[hz], _figure(s, by_hz[hz])) for hz in at_hz]
    parts = [f"{_said(m, f)} at {figures.hertz(hz, 3)}" for hz, m, f in found if f.value is not None]
    return [f for _, _, f in found], _sentence(parts)


def _level(s: _Subject) -> Line:
    if s.is_subwoofer:
        _, sentence = _outputs(s, OUTPUT, (25, 63))
        return _line(s, LINES[2], OUTPUT[40], (_figure(s, OUTPUT[40]),), "at 40 Hz", sentence)
    full, managed = _figure(s, PROGRAMME), _figure(s, PROGRAMME_MANAGED)
    parts = []
    if full.value is not None:
        field = s.base.of([s.speaker_id])
        row = field.frame().filter(setting=s.setting)
        found = music.binds(field, int(row["row"][0])) if len(row) else []
        limit = next((one for one in found if one.metric == PROGRAMME.id), None)
        if limit is not None and limit.by is not None and limit.at_hz is not None:
            parts.append(f"limited by {limit.by} at {figures.hertz(limit.at_hz, 3)}")
        elif full.censored != "none":
            parts.append("not driven to its limit")
    if managed.value is not None:
        parts.append(f"{_said(PROGRAMME_MANAGED, managed)} from 80 Hz up")
    return _line(s, LINES[2], PROGRAMME, (full, managed), full.word, _sentence(parts, "; "))


def _directivity(s: _Subject) -> Line:
    wide, steady = _figure(s, BEAMWIDTH), _figure(s, BEAMWIDTH_SD)
    word = ", ".join(w for w in (wide.word, steady.word) if w) if wide.word else ""
    far = _SEAT_M.get(s.kind or "", _FAR_M)
    up, down = (_figure(s, TONE[side]) for side in ("up", "down"))
    parts = []
    if up.value is not None and down.value is not None:
        angles = f"{_said(TONE['up'], up)} up and {_said(TONE['down'], down)} down"
        most = max(up.value, down.value)
        above, below = (figures.number(far * math.tan(math.radians(f.value or 0.0)), 1) for f in (up, down))
        metres = f" (at {figures.plain(far)} m {above} m and {below} m)" if most <= 60 else ""
        parts.append(f"ears within {angles}{metres}")
    axis = _figure(s, BEST_ANGLE)
    if axis.value:
        parts.append(f"evenest {BEST_ANGLE.quantity.text(axis.value)} off axis")
    return _line(s, LINES[3], BEAMWIDTH, (wide, steady), word, _sentence(parts, "; "))


def _distortion(s: _Subject) -> Line:
    mid, bass = _figure(s, THD_MID_96), _figure(s, THD_BASS_96)
    parts = [f"{f.word or 'can’t be told'} ({where})" for f, where in ((mid, "midrange"), (bass, "bass")) if f.value]
    word = ", ".join(parts) if mid.word or (mid.value and bass.word) else ""
    limits = [
        f"{share} in the {where}: {_said(m, f)}"
        for m, share, where in ((CLEAN_MID, "3 %", "midrange"), (CLEAN_BASS, "10 %", "bass"))
        if (f := _figure(s, m)).value is not None
    ]
    found = _line(s, LINES[4], THD_MID_96, (mid, bass), word, _sentence(limits, "; "))
    if mid.value is None or bass.value is None:
        return found
    both = (m.quantity.text(f.value, f.censored) for m, f in ((THD_MID_96, mid), (THD_BASS_96, bass)))
    return _with(found, f"{' and '.join(both)} at 96 dB")


def _value(s: _Subject) -> Line:
    from speakerdb.answering import relating
    from speakerdb.field.selection import Selection

    field = s.base.field
    frame = field.frame().filter(pl.col("is_default"))
    mine = frame.filter(speaker_id=s.speaker_id)
    price, currency = (mine["price"][0], mine["currency"][0]) if len(mine) else (None, None)
    if price is None or currency is None:
        return Line(LINES[5], "–", (_withheld("price"),), "not judged: no price is recorded for it", "")
    told = figures.price(price, currency, mine["price_per"][0])
    if not s.is_default:
        return Line(LINES[5], told, (_withheld("price", currency, price),), _NOT_DEFAULT, "")
    row: dict[str, Any] = {}
    reason = "its kind is unknown"
    if s.kind is not None:
        try:
            every = relating.expectation(field, "price", PREFERENCE.id, Selection())
            row = next(iter(every.filter(speaker=s.slug).iter_rows(named=True)), {})
            reason = f"too few {standing.plural(s.kind)} with a price to expect anything from"
        except SpeakerdbError as error:
            reason = error.message
    beats = row.get("beats")
    if not beats:
        is_scored = s.pooled.get(PREFERENCE.id, {}).get("status") == "ok"
        why = reason if is_scored else f"no score ({_reason(s, PREFERENCE)})"
        return Line(LINES[5], told, (_withheld("price", currency, price),), f"not judged: {why}", "")
    word = {"better": "above what its kind costs", "worse": "below what its kind costs"}.get(beats, "as its kind costs")
    figure = Figure("price", price, None, None, "none", currency, word, "known")
    span = PREFERENCE.quantity.interval(row["low"], row["high"])
    own = PREFERENCE.quantity.number(row["y"])
    first = f"{standing.plural(s.kind or '')} at this price score {span}, it scores {own}"
    return Line(LINES[5], told, (figure,), word, _sentence([first, _rivals(s, frame, price, currency)], "; "))


def _rivals(s: _Subject, frame: pl.DataFrame, price: float, currency: str) -> str:
    """Who of its kind costs no more and surely scores higher by a step that matters."""
    same = frame.filter((pl.col("kind") == s.kind) & (pl.col("currency") == currency) & (pl.col("price") <= price))
    column = s.base.field.metric_column(PREFERENCE, same)
    names, own = column.facts["speaker"].to_list(), column.facts["speaker"].to_list().index(s.slug)
    with np.errstate(invalid="ignore"):
        gap = column.value - column.value[own] - PREFERENCE.matters
        sure = gap > NormalDist().inv_cdf(SURELY) * np.hypot(column.se, column.se[own])
    better = [names[i] for i in np.argsort(-column.value) if sure[i] and i != own]
    if not better:
        return "none that costs no more scores surely higher"
    more = f" and {len(better) - 1} more" if len(better) > 1 else ""
    first = same.filter(speaker=better[0])
    return f"better for no more: {first['model'][0]} ({figures.price(first['price'][0], currency)}){more}"


def _rank(s: _Subject) -> Line:
    if s.is_subwoofer:
        others = len(s.base.field.frame().filter((pl.col("kind") == s.kind) & pl.col("is_default"))) - 1
        return _unranked(PREFERENCE.id, f"not ranked: {others} others", PREFERENCE.unit)
    score = _figure(s, PREFERENCE)
    if score.value is None:
        return _unranked(PREFERENCE.id, f"not judged: {_reason(s, PREFERENCE)}", PREFERENCE.unit)
    if not s.is_default:
        return _unranked("place", _NOT_DEFAULT)
    group = standing.group_of(s.base, s.slug)
    mine = next(iter(standing.standing(s.base, s.slug, group, (PREFERENCE.id,)).places), None)
    if mine is None or mine.rank_low is None or mine.rank_high is None or group.size <= peers.LEAST:
        return _unranked("place", f"not ranked: {group.size - 1} others")
    found = quarter(mine.rank_low, mine.rank_high, mine.count)
    first_or_last = {1: "1st", mine.count: "last"}.get(mine.rank) if mine.superlative else None
    word = first_or_last or found.text or "can’t be told: its range is too wide"
    place = Figure("place", mine.rank, mine.rank_low, mine.rank_high, "none", f"of {mine.count}", word, found.state)
    span = f" ({mine.rank_low} to {mine.rank_high})" if mine.rank_low != mine.rank_high else ""
    told = f"{figures.ordinal(mine.rank)}{span} of {mine.count}"
    ends = standing.firsts_and_lasts(s.base, s.slug, group, [m for m in standing.VERDICT if m != PREFERENCE.id])
    parts = [f"predicted preference {_said(PREFERENCE, score)}, among {group.noun}"]
    for where in ("first", "last"):
        those = [p.metric.phrase for p in ends if (p.rank == 1) == (where == "first")]
        parts += [f"{where} in {those[0]}" + (f" and {len(those) - 1} more" if len(those) > 1 else "")] if those else []
    while len(_sentence(parts, "; ")) > LONGEST:
        parts.pop()
    return Line(LINES[6], told, (place, score), word, _sentence(parts, "; "))


def _unranked(metric: str, why: str, unit: str = "") -> Line:
    return Line(LINES[6], "–", (_withheld(metric, unit),), why, "")


# ---- what would settle it


_MOST_SESSIONS = 4


def _settle(s: _Subject, lines: Sequence[Line]) -> Line:
    """The measurement that makes most lines known."""
    return Line(LINES[7], "", (), "", _sentence([_what_settles(s, lines[:5])]))


def _what_settles(s: _Subject, lines: Sequence[Line]) -> str:
    of = {line.line.lower(): METRICS[line.values[0].metric] for line in lines}
    lacking: dict[str, str] = {}  # line -> what a session would have to hold
    for line in lines:
        metric = of[line.line.lower()]
        if line.state == "withheld" and not (s.is_subwoofer and metric.kinds == "not_subwoofer"):
            lacking[line.line.lower()] = _missing(s, metric)
    if lacking:
        held = list(dict.fromkeys(lacking.values()))
        told = sorted(lacking, key=lambda name: held.index(lacking[name]))
        return f"one session with {figures.listing(held)} would tell {figures.listing(told)}"
    unclear = [line.line.lower() for line in lines if line.state == "unclear"]
    needed = {name: count for name in unclear if (count := _sessions_needed(s, of[name])) is not None}
    if needed:
        count = min(needed.values())
        told = [name for name, n in needed.items() if n == count]
        more = "one more session" if count == 1 else f"{count} more sessions"
        return f"{more} of the same sample would tell {figures.listing(told)}"
    if unclear:
        border = "lies at the border of two words" if len(unclear) == 1 else "lie at borders of words"
        return f"{figures.listing(unclear)} {border}: a few more sessions would hardly tell"
    return "nothing is left to settle"


def _sessions_needed(s: _Subject, metric: Metric) -> int | None:
    """How many sessions more would leave one word, if the value stayed: its error falls with the root of their
    number."""
    row = s.pooled[metric.id]
    if metric.id not in SCALES or row["se"] is None or row["censored"] != "none" or row["other_value"] is not None:
        return None
    for more in range(1, _MOST_SESSIONS + 1):
        smaller = {**row, "se": row["se"] * math.sqrt(s.sessions / (s.sessions + more))}
        if len(_graded(metric, smaller).words) == 1:
            return more
    return None


def _missing(s: _Subject, metric: Metric) -> str:
    """What a session would have to hold for a metric that is withheld."""
    reason = str(s.pooled.get(metric.id, {}).get("reason") or "")
    if "relative" in reason:
        return "a calibrated level"
    if "orbit" in reason or "vertical" in reason or "horizontal" in reason:
        return "both orbits"
    if metric.reading(Swept) and ("compression" in reason or "distortion" in reason):
        return "compression and distortion"
    return "finer curves of the whole band"


# ---- sentences


def _sentence(parts: Sequence[str], between: str = ", ") -> str:
    text = between.join(part for part in parts if part)
    return f"{text[:1].upper()}{text[1:]}." if text else ""


def _with(line: Line, number: str) -> Line:
    return Line(line.line, number, line.values, line.word, line.sentence)
