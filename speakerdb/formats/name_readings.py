"""What a set of file names or headings that differ by orbit and angle may say: every number that could be the angle is
a reading, and the curves tell which of them is one (method:data#rival-readings)."""

from __future__ import annotations

import dataclasses
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from speakerdb.formats.judge import AWAY_DEG, LOUDER_DB, disorder, loudest_deg, rise
from speakerdb.formats.patterns import (
    MINUS_SIGNS,
    ORBIT_WORDS,
    SESSION,
    SIGN_WORDS,
    Pattern,
    compile_pattern,
    same_form,
    words_of,
)
from speakerdb.formats.tables import ORBITS
from speakerdb.session import FloatArray

# words for the orbits in the languages of common exports, beside those every pattern knows
HORIZONTAL_WORDS = (
    "azimuth",
    "waagerecht",
    "waagrecht",
    "horizontale",
    "orizzontale",
    "horizontaal",
    "horisontal",
    "poziom",
    "水平",
)
VERTICAL_WORDS = ("elevation", "senkrecht", "lotrecht", "verticale", "vertikal", "verticaal", "pion", "垂直")
_KNOWN = {*ORBIT_WORDS, *HORIZONTAL_WORDS, *VERTICAL_WORDS}
SIDE_WORDS = {"l", "r", "left", "right", "links", "rechts", "li", "re", "gauche", "droite", "g"}  # of whom isn't said
_NUMBER, _WORD = "a number", "a word"  # the kinds of tokens in a shape; other tokens stand for themselves
_TOKEN = re.compile(r"\d+(?:[.,]\d+)?|[^\W\d_]+|.")
_SIGN_CHARACTERS = "+" + MINUS_SIGNS
_MOST_SHAPES = 6  # of which readings are made, the commonest first
_LEAST_NAMES = 3
_MOST_NUMBERED = 12  # numbers by which they may: models, takes, samples
_MOST_PARTS = 4  # values of a word by which files of one folder may fall apart
_UNREAD = 3.0  # the cost of names whose files hold no levels
CLEAR = 0.25  # by which a reading must be better than its rival
_UNTOLD = 0.5  # the cost of an order that can't be judged

LevelOf = Callable[[str], FloatArray | None]  # a name's curve in the judge's bands, None where it can't be read


@dataclass(frozen=True)
class NameReading:
    """A pattern, the words in place of {orbit} and {sign} (none where it has none), and what it makes of the names:
    orbit word or "" and angle of each, and the names it does not read."""

    pattern: str
    orbit_words: tuple[str, ...]
    sign_words: tuple[str, ...]
    found: dict[str, tuple[str, float]]
    unread: tuple[str, ...]
    unclear: tuple[str, ...] = ()  # words beside the angle that may be part of it and are not understood

    @property
    def greatest_angle(self) -> float:
        return max(abs(a) for _, a in self.found.values())

    @property
    def doubled(self) -> int:
        """Names that mean a curve which another name means too."""
        return len(self.found) - len(set(self.found.values()))


@dataclass(frozen=True)
class Choice:
    """The reading that fits the curves best, and the next best where it fits as well."""

    best: NameReading
    rival: NameReading | None
    together: str | None = None  # the pattern by which files of several sessions are told apart, where they are


def choose(groups: Sequence[Sequence[str]], level_of: LevelOf) -> Choice | None:
    """The reading that curves speak for; None where there is no angle to be seen. groups: the names of each folder of
    one kind (or the headings of a table); level_of gives the curves of the first."""
    names = list(dict.fromkeys(name for group in groups for name in group))
    every = [_within(r, groups[0]) for r in readings(names)]
    every = [r for r in every if len(r.found) >= _LEAST_NAMES]
    if not every:
        return None
    curves = {n: level_of(n) for n in groups[0]} if len(every) > 1 else {}
    costs = [cost(r, curves) + len(r.unread) / (len(r.unread) + len(r.found)) for r in every]
    order = sorted(range(len(every)), key=lambda i: (costs[i], i))
    best = every[order[0]]
    if best.doubled or best.unread:
        together = next((t for i in order if (t := _together(every[i], groups[0])) is not None), None)
        if together is not None:
            return Choice(best, None, together)
    rivals = [every[i] for i in order[1:] if costs[i] < costs[order[0]] + CLEAR and every[i].found != best.found]
    return Choice(best, rivals[0] if rivals else None)


def _together(reading: NameReading, names: Sequence[str]) -> str | None:
    """The pattern with {session} in the place of what stands before the first field of a reading, if that parts the
    names into sessions of the same curves each."""
    before, brace, after = reading.pattern.partition("{")
    separator = re.search(r"[^\w*]+$|_+$", before)
    if not brace or separator is None or separator.start() == 0:
        return None
    text = "{" + SESSION + "}" + separator[0] + brace + after
    try:
        pattern = compile_pattern(text, words_of(_said_of(reading.orbit_words, reading.sign_words)))
    except ValueError:
        return None
    sets: dict[str, list[tuple[str, float]]] = {}
    for name in names:
        texts = pattern.texts(name)
        values = pattern.values(texts)
        if texts is None or values is None or "angle_deg" not in values:
            return None  # a name that it doesn't read: then it is not how these are named
        sets.setdefault(same_form(texts[SESSION]), []).append((texts.get("orbit", ""), values["angle_deg"]))
    curves = {frozenset(found) for found in sets.values()}
    whole = all(len(set(found)) == len(found) for found in sets.values())
    return text if len(sets) > 1 and whole and len(curves) == 1 else None


def _within(reading: NameReading, group: Sequence[str]) -> NameReading:
    found = {n: reading.found[n] for n in group if n in reading.found}
    return dataclasses.replace(reading, found=found, unread=tuple(n for n in reading.unread if n in group))


def readings(names: Sequence[str]) -> list[NameReading]:
    """Every reading in which some number is an angle, those of the commonest shape first."""
    shapes: dict[tuple[str, ...], list[list[_Token]]] = {}
    for name in names:
        tokens = _tokens(name)
        shapes.setdefault(tuple(t.kind for t in tokens), []).append(tokens)
    found: dict[str, NameReading] = {}
    for shape, members in sorted(shapes.items(), key=lambda item: -len(item[1]))[:_MOST_SHAPES]:
        if len(members) < _LEAST_NAMES:
            continue
        columns = [[m[i] for m in members] for i in range(len(shape))]
        for angle in _angle_columns(shape, columns):
            reading = _reading(shape, columns, angle, names)
            if reading is not None:
                found.setdefault(reading.pattern, reading)
            if reading is not None and reading.doubled:
                for part in _parts(shape, members):
                    apart = [[m[i] for m in part] for i in range(len(shape))]
                    one = _reading(shape, apart, angle, names)
                    if one is not None and not one.doubled:
                        found.setdefault(one.pattern, one)
    most = max((len(r.found) for r in found.values()), default=0)
    return [r for r in found.values() if _MOST_PARTS * len(r.found) >= most]


def _parts(shape: Sequence[str], members: Sequence[Sequence[_Token]]) -> list[list[Sequence[_Token]]]:
    """Names that share one of the few values of a word: files of levels beside files of phases, raw beside smoothed."""
    parts = []
    for i, kind in enumerate(shape):
        values = {m[i].text for m in members}
        few = 2 <= len(values) <= (_MOST_PARTS if kind == _WORD else _MOST_NUMBERED)
        if kind in {_WORD, _NUMBER} and few and not {same_form(v) for v in values} <= _KNOWN:
            parts += [[m for m in members if m[i].text == v] for v in sorted(values)]
    return [p for p in parts if len(p) >= _LEAST_NAMES]


def cost(reading: NameReading, curves: dict[str, FloatArray | None]) -> float:
    """How much speaks against a reading; 0 is a set of curves that stand in their order and fall off the axis."""
    if reading.doubled:
        return 10.0 + reading.doubled / len(reading.found)
    total = 0.0
    by_orbit: dict[str, list[tuple[float, FloatArray]]] = {}
    for name, (orbit, angle) in reading.found.items():
        level = curves.get(name)
        if level is not None:
            by_orbit.setdefault(orbit, []).append((angle if abs(angle) <= 180 else angle - 360.0, level))
    for members in by_orbit.values():
        members.sort(key=lambda m: m[0])
        total += _cost_of(np.array([a for a, _ in members]), np.array([y for _, y in members])) / len(by_orbit)
    if not by_orbit:
        total = _UNTOLD
    total += _UNREAD * sum(n in curves and curves[n] is None for n in reading.found) / len(reading.found)
    angles = np.unique([abs(a) for _, a in reading.found.values()])
    steps = np.diff(angles)
    if len(steps) > 2:
        total += 0.3 * (len(np.unique(np.round(steps, 2))) - 1) / len(steps)  # even sets are the rule
        total += 0.3 * bool((steps == 1).all() and angles[-1] < 90)  # a count
    return total


def _cost_of(angle: FloatArray, level: FloatArray) -> float:
    amount, rising = disorder(angle, level), rise(angle, level)
    at, louder = loudest_deg(angle, level)
    total = _UNTOLD if np.isnan(amount) else amount
    if not np.isnan(rising):
        total += 0.5 * (1.0 + rising)
    return total + (0.5 if louder > LOUDER_DB and abs(at) > AWAY_DEG else 0.0)


@dataclass(frozen=True)
class _Token:
    """A word, a number with the sign character before it, or another character."""

    kind: str
    text: str
    sign: str = ""


def _tokens(name: str) -> list[_Token]:
    out: list[_Token] = []
    pending = ""
    for text in _TOKEN.findall(name):
        if text[0].isdigit():
            out.append(_Token(_NUMBER, text, pending))
            pending = ""
            continue
        if pending:
            out.append(_Token(pending, pending))
            pending = ""
        if text in _SIGN_CHARACTERS and not (out and out[-1].kind == _NUMBER):
            pending = text
        elif text.isalpha():
            out.append(_Token(_WORD, text))
        else:
            out.append(_Token(text, text))
    return [*out, *([_Token(pending, pending)] if pending else [])]


def _value(token: _Token) -> float:
    return float(token.text.replace(",", ".")) * (-1.0 if token.sign and token.sign in MINUS_SIGNS else 1.0)


def _angle_columns(shape: Sequence[str], columns: Sequence[Sequence[_Token]]) -> list[int]:
    """The numbers that take three values or more, all of them within a turn."""
    return [
        i
        for i, kind in enumerate(shape)
        if kind == _NUMBER
        and all(abs(_value(t)) <= 360 and len(t.text) <= 6 for t in columns[i])
        and len({_value(t) for t in columns[i]}) >= 3
    ]


def _reading(
    shape: Sequence[str], columns: Sequence[Sequence[_Token]], angle: int, names: Sequence[str]
) -> NameReading | None:
    orbit = _orbit_column(shape, columns, angle)
    sign = _sign_column(shape, columns, angle, orbit)
    fused = orbit is None and sign is None and _is_fused(shape, columns, angle)
    parts: list[str] = []
    for i, column in enumerate(columns):
        signs = {t.sign for t in column}
        if i == angle:
            after_hyphen = i > 0 and shape[i - 1] in set(_SIGN_CHARACTERS)
            if signs <= set(MINUS_SIGNS) and not after_hyphen:  # before every one, 0 too: a hyphen
                parts.append(column[0].sign if len(signs) == 1 else "*")
            parts.append("{angle}")
        elif i == orbit:
            parts.append(column[0].sign + "{orbit}")
        elif i == sign:
            parts.append("{sign}")
        elif fused and i == angle - 1:
            parts.append("{orbit}{sign}")
        else:
            texts = {t.sign + t.text for t in column}
            parts.append(column[0].sign + column[0].text if len(texts) == 1 and not texts & set("{}*") else "*")
    text = re.sub(r"\*+", "*", "".join(parts))
    orbit_words = () if orbit is None else tuple(sorted({same_form(t.text) for t in columns[orbit]}))
    sign_words = () if sign is None else tuple(sorted({same_form(t.text) for t in columns[sign]}))
    pattern = compile_pattern(text, words_of(_said_of(orbit_words, sign_words)))
    found, unread = _matched(pattern, names)
    if len(found) < _LEAST_NAMES:
        return None
    unclear: set[str] = set()
    for i in (angle - 1, angle + 1):
        if 0 <= i < len(shape) and shape[i] == _WORD and i not in {orbit, sign} and not (fused and i == angle - 1):
            words = {t.text for t in columns[i]}
            unclear |= words if len(words) > 1 else set()
    return NameReading(text, orbit_words, sign_words, found, unread, tuple(sorted(unclear)))


def _said_of(orbit_words: Sequence[str], sign_words: Sequence[str]) -> dict[str, Any]:
    """Keys by which words are known, whatever they mean: which is which makes no odds here."""
    sides = {"plus": list(sign_words[::2]), "minus": list(sign_words[1::2])}
    unknown = bool(set(sign_words) - set(SIGN_WORDS))
    return {"orbit_words": {"horizontal": list(orbit_words)}, "sign_words": sides if unknown else {}}


def _matched(pattern: Pattern, names: Sequence[str]) -> tuple[dict[str, tuple[str, float]], tuple[str, ...]]:
    found, unread = {}, []
    for name in names:
        texts = pattern.texts(name)
        values = pattern.values(texts)
        if texts is None or values is None or "angle_deg" not in values or abs(values["angle_deg"]) > 360:
            unread.append(name)
        else:
            found[name] = (texts.get("orbit", ""), values["angle_deg"])
    return found, tuple(unread)


def _orbit_column(shape: Sequence[str], columns: Sequence[Sequence[_Token]], angle: int) -> int | None:
    """The word that names the orbit: known words of both, else a known whole word, else a word or number of two
    values by which each angle stands once."""
    words = [i for i, kind in enumerate(shape) if kind == _WORD]
    values = {i: {same_form(t.text) for t in columns[i]} for i in words}
    known = [i for i in words if values[i] <= _KNOWN]
    both = [i for i in known if len({orbit_of(w) for w in values[i]}) == 2]
    if both:
        return both[-1]
    whole = [i for i in known if all(len(w) > 1 for w in values[i])]
    if whole:
        return whole[-1]
    near = [i for i in known if i == angle - 1]  # a single h right before the angle
    if near:
        return near[0]
    signs = set(SIGN_WORDS) | SIDE_WORDS
    near_by = range(max(angle - 1, 0), min(angle + 2, len(shape)))
    for i, kind in enumerate(shape):
        texts = [same_form(t.text) for t in columns[i]]
        if i == angle or kind not in {_WORD, _NUMBER} or len(set(texts)) != 2 or set(texts) <= signs:
            continue
        if kind == _WORD:
            return i
        beside = [tuple(columns[j][k].sign + columns[j][k].text for j in near_by if j != i) for k in range(len(texts))]
        twice = max(Counter(beside).values()) == 2 == len(texts) / len(set(beside))
        if twice and len({t.sign for t in columns[i]}) == 1:  # of two numbers, each beside every angle
            return i
    return None


def _sign_column(
    shape: Sequence[str], columns: Sequence[Sequence[_Token]], angle: int, orbit: int | None
) -> int | None:
    """A word beside the angle that stands for its sign."""
    if len({t.sign for t in columns[angle]}) > 1:  # signed already
        return None
    for i in (angle - 1, angle + 1, angle - 2, angle + 2):
        if i != orbit and 0 <= i < len(shape) and shape[i] == _WORD:
            words = {same_form(t.text) for t in columns[i]}
            known = words <= set(SIGN_WORDS) | SIDE_WORDS
            if known and (len(words) > 1 or words <= SIDE_WORDS | {"p"} or len(next(iter(words))) > 1):
                return i
            if len(words) == 2 and abs(i - angle) == 1 and not words & _KNOWN:  # two words beside it: asked
                return i
    return None


def _is_fused(shape: Sequence[str], columns: Sequence[Sequence[_Token]], angle: int) -> bool:
    """Whether the word right before the angle is orbit and sign in one, such as hp and hm."""
    if angle == 0 or shape[angle - 1] != _WORD:
        return False
    words = {same_form(t.text) for t in columns[angle - 1]}
    return len(words) > 1 and all(len(w) == 2 and w[0] in "hv" and w[1] in "pm" for w in words)


def orbit_of(word: str) -> str | None:
    """The orbit that a word stands for, None where it is not known."""
    if word in ORBIT_WORDS:
        return ORBITS[ORBIT_WORDS[word]]
    return "horizontal" if word in HORIZONTAL_WORDS else "vertical" if word in VERTICAL_WORDS else None


def is_orbit_word(word: str) -> bool:
    """Whether a word names an orbit in a language known here."""
    return same_form(word) in _KNOWN
