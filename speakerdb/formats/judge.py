"""Holds a reading of a folder's curves against what loudspeakers do (method:data#rival-readings).

A reading that speaks against itself is refused unless the user confirms it: with the question and a hash of the
reading, so that the confirmation covers that reading and no other. The limits are judgement of our own: the demo's
speakers, dipoles and cardioids among them, keep well within.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from speakerdb.formats.headers import Said
from speakerdb.formats.patterns import MINUS_SIGNS, number_in
from speakerdb.formats.problems import Problems
from speakerdb.formats.tables import ORBITS
from speakerdb.session import CurveBlock, FloatArray

LEVEL, ANGLE, ORBIT = "level_is", "angle_deg", "orbit"  # the questions

_BANDS_HZ = 200.0 * 2.0 ** (np.arange(39) / 6.0)  # sixth octaves, 200 Hz to 16 kHz
_EDGES_HZ = 200.0 * 2.0 ** ((np.arange(40) - 0.5) / 6.0)
_TREBLE = slice(14, 34)  # 1 to 9 kHz
_TOP = slice(26, 39)  # from 4 kHz
QUIETEST_DB, LOUDEST_DB = 40.0, 140.0  # means of curves near the axis that can be sound pressure levels at a metre
_NEAR_AXIS_DEG = 30.0
TURNS = {360.0: "degrees", 2.0 * np.pi: "radians"}  # what a phase may be counted in
_PHASE_JUMP = 0.75  # of a turn, between two points: no level does so
_WRAPPED_CURVES = 0.2  # share of curves with such a jump that makes phases of them
_MOST_DISORDER = 0.75
_LEAST_VALUES = 20  # of which it can be said that none is below 0
_LEAST_CURVES = 5  # of an orbit whose order is judged
_LEAST_CONTRAST_DB = 1.0  # root mean square difference of its curves below which an orbit has no order to judge
_LEAST_FALL_DB = 6.0  # range of levels below which a speaker counts as one that radiates all around
_MOST_RISE = -0.3  # rank correlation of level with the distance from the axis
LOUDER_DB, AWAY_DEG = 3.0, 30.0  # by how much, and how far off the axis, the loudest direction may not lie
_COUNT_TO, _COUNTED = 90.0, 5  # angles in steps of one that don't reach this far are a count
_NARROW_DEG, _NARROW_FALL_DB = 60.0, 15.0  # within so few degrees the treble doesn't fall so far
_BACK_DB = 3.0  # by which the orbits may differ behind, where they are the same direction


@dataclass(frozen=True, eq=False)
class Reading:
    """Curves in sixth octaves: horizontal (n,) bool, angle_deg (n,), level_db (n, 39), NaN where not measured."""

    horizontal: np.ndarray[Any, np.dtype[np.bool_]]
    angle_deg: FloatArray
    level_db: FloatArray

    def orbit(self, horizontal: bool) -> tuple[FloatArray, FloatArray]:
        """Angles, rising, and levels of one orbit."""
        rows = np.flatnonzero(self.horizontal == horizontal)
        rows = rows[np.argsort(self.angle_deg[rows], kind="stable")]
        return self.angle_deg[rows], self.level_db[rows]


@dataclass(frozen=True)
class Doubt:
    """What speaks against a reading: the question it leaves open, what was found, and what may be meant instead."""

    question: str
    found: str
    expected: str


def of_remarks(header: Mapping[str, Said], said: Mapping[str, Any], level_is: str | None) -> list[Doubt]:
    """Where the remarks in a file say otherwise than the keys by which it is read."""
    found = []
    for key, usual in (("angle_sense", "counter-clockwise"), ("vertical_positive", "up")):
        told, taken = header.get(key), said.get(key, usual)
        if told is not None and told.value != taken:
            what = f"{key} = {taken!r}, where the file says: {told.quote}"
            found.append(Doubt(key, what, f'{key} = "{told.value}" under [columns] or [traces]'))
    told = header.get(LEVEL)
    if told is not None and told.value == "relative" and level_is is None:
        what = f"levels taken as spl_1m, where the file says: {told.quote}"
        found.append(Doubt(LEVEL, what, 'level_is = "relative" in session.toml, or what else they are'))
    return found


def of_signs(angles: Sequence[str]) -> list[Doubt]:
    """Angles as they stand in names: a minus before every one, 0 too, is a hyphen."""
    signed = [a for a in angles if a[:1] and a[0] in MINUS_SIGNS]
    if len(angles) >= _COUNTED and len(signed) == len(angles) and any(number_in(a) == 0 for a in angles):
        found = f"a minus before every angle, 0 too ({', '.join(angles[:3])} …): a hyphen, as it seems"
        return [Doubt(ANGLE, found, "the hyphen in the pattern, before {angle}")]
    return []


def reading_of(blocks: Sequence[CurveBlock]) -> Reading:
    """Blocks of curves as one reading."""
    return Reading(
        np.concatenate([b.horizontal for b in blocks]),
        np.concatenate([b.angle_deg for b in blocks]),
        np.concatenate([in_bands(b.frequency_hz, b.level_db) for b in blocks]),
    )


def in_bands(frequency_hz: FloatArray, level_db: FloatArray) -> FloatArray:
    """Levels (n, F) at rising frequencies (F,) as means of sixth octaves (n, 39); between points where a band holds
    none."""
    low, high = np.searchsorted(frequency_hz, _EDGES_HZ[:-1]), np.searchsorted(frequency_hz, _EDGES_HZ[1:])
    known = ~np.isnan(level_db)
    total = _running(np.where(known, level_db, 0.0))
    count = _running(known.astype(np.float64))
    points = count[:, high] - count[:, low]
    with np.errstate(invalid="ignore", divide="ignore"):
        mean: FloatArray = (total[:, high] - total[:, low]) / points
    right = np.clip(np.searchsorted(frequency_hz, _BANDS_HZ), 1, max(len(frequency_hz) - 1, 1))
    if len(frequency_hz) < 2:
        return mean
    x = np.log(frequency_hz)
    part = (np.log(_BANDS_HZ) - x[right - 1]) / (x[right] - x[right - 1])
    between = level_db[:, right - 1] * (1.0 - part) + level_db[:, right] * part
    between[:, (part < 0) | (part > 1)] = np.nan
    return np.where(points > 0, mean, between)


def _running(values: FloatArray) -> FloatArray:
    return np.concatenate((np.zeros((len(values), 1)), np.cumsum(values, axis=1)), axis=1)


def doubts(blocks: Sequence[CurveBlock], level_is: str, kind: str | None) -> list[Doubt]:
    """All that speaks against a reading. level_is, kind: what the session says of itself."""
    found = _of_levels(blocks, level_is)
    if found:
        return found  # where levels are none, neither is what they say of angles
    reading = reading_of(blocks)
    found = _of_numbers(reading)
    if not found and kind != "subwoofer":
        found = [*_of_order(reading), *_of_fall(reading), *_of_the_back(reading)][:1]
    return found


def _of_levels(blocks: Sequence[CurveBlock], level_is: str) -> list[Doubt]:
    elsewhere = "the column of levels (columns.level_db) or files of levels"
    for turn, name in TURNS.items():
        wrapped = [wraps(b.level_db, turn) for b in blocks]
        if np.concatenate(wrapped).mean() > _WRAPPED_CURVES:
            return [
                Doubt(LEVEL, f"values that jump from one end of a circle to the other: a phase in {name}", elsewhere)
            ]
    level = np.concatenate([b.level_db.ravel() for b in blocks])
    level = level[~np.isnan(level)]
    low, high, top = float(level.min()), float(level.max()), float(np.mean(level >= 99.0))
    if high <= 100.0 and top > 0.3:
        return [
            Doubt(LEVEL, f"{top:.0%} of all values between 99 and 100: percentages, of coherence perhaps", elsewhere)
        ]
    if level_is == "relative":
        if low >= 0.0 and high <= 20.0 and len(level) >= _LEAST_VALUES:
            found = f"values from {low:.3g} to {high:.3g}, none below 0: ratios, taken as dB"
            return [Doubt(LEVEL, found, 'dB, or level_unit = "linear" or "Pa" under [columns] or [traces]')]
        return []
    mean = _mean_near_the_axis(blocks)
    if not QUIETEST_DB <= mean <= LOUDEST_DB:
        unit = 'level_unit = "Pa" or "linear" under [columns] or [traces], or ' if low >= 0.0 and high < 30.0 else ""
        expected = f'{QUIETEST_DB:g} to {LOUDEST_DB:g} dB re 20 µPa, {unit}level_is = "relative" in session.toml'
        return [Doubt(LEVEL, f"levels of {mean:.0f} dB on average, taken as {level_is}", expected)]
    return []


def wraps(curves: FloatArray, turn: float) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """(n,) whether a curve (n, F) keeps within half a turn on either side and jumps by nearly a whole one: a phase."""
    level = np.where(np.isnan(curves), 0.0, curves)
    within = (np.abs(level) <= turn / 2 * 1.003).all(axis=1)
    jumps = (np.abs(np.diff(level, axis=1)) > _PHASE_JUMP * turn).any(axis=1)
    return np.asarray(within & jumps)


def _mean_near_the_axis(blocks: Sequence[CurveBlock]) -> float:
    near = [b.level_db[np.abs(b.angle_deg) <= _NEAR_AXIS_DEG] for b in blocks]
    near = near if any(n.size for n in near) else [b.level_db for b in blocks]
    levels = np.concatenate([n.ravel() for n in near])
    return float(levels[~np.isnan(levels)].mean()) if not np.isnan(levels).all() else 0.0


def _of_numbers(reading: Reading) -> list[Doubt]:
    """Angles that look like something else by their numbers alone."""
    different = np.unique(np.abs(reading.angle_deg))
    whole = bool((different == np.rint(different)).all())
    top = float(different[-1])
    if are_radians(different):
        found = f"angles up to {top:.4g} whose steps are whole degrees if they are radians"
        return [Doubt(ANGLE, found, 'angle_unit = "rad" under [columns] or [traces]')]
    steps = np.diff(different)
    if whole and len(different) >= _COUNTED and top < _COUNT_TO and (steps == 1).all():
        some = ", ".join(f"{a:g}" for a in different[:3])
        found = f"angles {some} … {top:g}, in steps of 1: a count of the files"
        return [Doubt(ANGLE, found, "the number that is the angle, in the pattern or column that is read")]
    return []


def are_radians(angles: FloatArray) -> bool:
    """Whether angles are fractions within a turn in radians whose steps are whole degrees then."""
    different = np.unique(np.abs(angles))
    if len(different) < _COUNTED or different[-1] > 2.0 * np.pi * 1.001 or (different == np.rint(different)).all():
        return False
    degrees = np.degrees(different)
    return bool(np.allclose(degrees, np.rint(degrees), atol=0.06))


def disorder(angle_deg: FloatArray, level_db: FloatArray) -> float:
    """How much neighbours differ, of how much any two curves of an orbit differ: near 0 where curves stand in their
    order, about 1 where they don't; NaN where that can't be told. Angles rise."""
    if len(angle_deg) < _LEAST_CURVES:
        return float("nan")
    known = ~np.isnan(level_db).any(axis=0)
    if known.sum() < 3:
        return float("nan")
    y = level_db[:, known]
    square = ((y[:, None, :] - y[None, :, :]) ** 2).mean(axis=2)
    all_pairs = float(square.sum() / (len(y) * (len(y) - 1)))
    if all_pairs < _LEAST_CONTRAST_DB**2:
        return float("nan")
    near = np.diagonal(square, offset=1)
    return float(np.sqrt(np.mean(near) / all_pairs))


def rise(angle_deg: FloatArray, level_db: FloatArray) -> float:
    """Rank correlation of the mean level, 1 to 9 kHz, with the distance from the axis, in front where there are curves
    enough; NaN for a speaker that radiates all around alike."""
    mean = level_db[:, _TREBLE].mean(axis=1)
    used = ~np.isnan(mean)
    if (used & (np.abs(angle_deg) <= 90.0)).sum() >= _LEAST_CURVES:
        used &= np.abs(angle_deg) <= 90.0
    away, mean = np.abs(angle_deg[used]), mean[used]
    if len(np.unique(away)) < 3 or np.ptp(mean) < _LEAST_FALL_DB:
        return float("nan")
    from scipy.stats import spearmanr

    return float(spearmanr(away, mean).statistic)


def loudest_deg(angle_deg: FloatArray, level_db: FloatArray) -> tuple[float, float]:
    """The direction of the highest mean level, 1 to 9 kHz, and by how many dB it is above that nearest the axis."""
    mean = level_db[:, _TREBLE].mean(axis=1)
    if np.isnan(mean).any():
        return 0.0, 0.0
    first = int(np.argmax(mean))
    return float(angle_deg[first]), float(mean[first] - mean[np.argmin(np.abs(angle_deg))])


def _of_order(reading: Reading) -> list[Doubt]:
    for horizontal in (True, False):
        angle, level = reading.orbit(horizontal)
        amount = disorder(angle, level)
        if amount > _MOST_DISORDER:
            orbit = ORBITS[not horizontal]
            found = f"{orbit} curves in no order: neighbouring angles differ {amount:.0%} as much as any two do"
            return [Doubt(ANGLE, found, "the number that is the angle, in the pattern or column that is read")]
    return []


def _of_fall(reading: Reading) -> list[Doubt]:
    for horizontal in (True, False):
        angle, level = reading.orbit(horizontal)
        if len(angle) < _LEAST_CURVES:
            continue
        orbit = ORBITS[not horizontal]
        at, louder = loudest_deg(angle, level)
        if louder > LOUDER_DB and abs(at) > AWAY_DEG and not _alike_behind(angle, level):
            found = f"the {orbit} orbit is loudest at {at:g}°, {louder:.0f} dB above its axis"
            return [Doubt(ANGLE, found, "angles counted from the speaker's axis, or another number as the angle")]
        if rise(angle, level) > _MOST_RISE:
            found = f"levels of the {orbit} orbit that do not fall off the axis"
            return [Doubt(ANGLE, found, "angles counted from the speaker's axis, or another number as the angle")]
        top = level[:, _TOP].mean(axis=1)
        fall, widest = float(top.max() - top.min()), float(np.abs(angle).max())
        if widest < _NARROW_DEG and fall > _NARROW_FALL_DB:
            found = f"treble that falls by {fall:.0f} dB within {widest:g}° ({orbit})"
            return [Doubt(ANGLE, found, "the number that is the angle, in the pattern or column that is read")]
    return []


def _alike_behind(angle: FloatArray, level: FloatArray) -> bool:
    """Whether front and back are alike, as of a dipole: then either may be the louder."""
    front, back = np.argmin(np.abs(angle)), np.argmax(np.abs(angle))
    return bool(abs(angle[back]) > 150.0 and abs(np.nanmean(level[front] - level[back])) < _LEAST_FALL_DB)


def _of_the_back(reading: Reading) -> list[Doubt]:
    curves = [level[angle == 180.0] for angle, level in (reading.orbit(True), reading.orbit(False))]
    if not all(len(c) for c in curves):
        return []
    difference = np.abs(curves[0][0, : _TREBLE.stop] - curves[1][0, : _TREBLE.stop])
    if np.isnan(difference).all():
        return []
    apart = float(np.nanmedian(difference))
    if apart > _BACK_DB:
        found = f"orbits that differ by {apart:.1f} dB at 180°, where they are the same direction"
        return [Doubt(ORBIT, found, "two orbits of one speaker, both counted from its axis")]
    return []


def sides_differ_db(reading: Reading, horizontal: bool) -> float:
    """How much the two sides of an orbit differ, root mean square; NaN where only one was measured."""
    angle, level = reading.orbit(horizontal)
    row = {float(a): i for i, a in enumerate(angle)}
    pairs = [(row[a], row[-a]) for a in row if 0 < a < 180 and -a in row]
    if not pairs:
        return float("nan")
    plus, minus = np.array(pairs).T
    return float(np.sqrt(np.nanmean((level[plus] - level[minus]) ** 2)))


def mark(question: str, blocks: Sequence[CurveBlock], said: Mapping[str, Any]) -> str:
    """What confirms a reading: the question, and a hash of how the files are read and which curves that gives."""
    how = {k: said.get(k) for k in ("columns", "traces", "level_is")}
    curves = sorted(
        (not h, a) for b in blocks for h, a in zip(b.horizontal.tolist(), b.angle_deg.tolist(), strict=True)
    )
    text = json.dumps([question, how, curves], sort_keys=True, default=str)
    return f"{question}:{hashlib.sha256(text.encode()).hexdigest()[:8]}"


def judge(
    file: str,
    blocks: Sequence[CurveBlock],
    said: Mapping[str, Any],
    problems: Problems,
    *,
    also: Sequence[Doubt] = (),
    rival: Callable[[str], str] = lambda _: "",
) -> None:
    """Refuse a reading that speaks against itself, unless the keys confirm it. also: what the files themselves say
    against it; rival: in words, the reading that fits better as to a question, empty where there is none."""
    confirmed = set(said.get("confirmed", ()))
    used = set()
    for doubt in (*also, *doubts(blocks, said.get("level_is", "spl_1m"), said.get("kind"))):
        needed = mark(doubt.question, blocks, said)
        if needed in confirmed:
            used.add(needed)
        else:
            better = rival(doubt.question)
            expected = f"{doubt.expected}{f'; {better} would fit' if better else ''}"
            expected += f'; if it is right as it is read: confirmed = ["{needed}"] in folder.toml'
            problems.ask(doubt.found, expected, file=file, key=doubt.question)
    for stale in sorted(confirmed - used):
        problems.warn(f"confirmed: {stale} is none of this reading's open questions and does nothing")
