"""Do two speakers measure differently, or could errors of measurement alone put their curves so far from each other?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from speakerdb import figures
from speakerdb.acoustics import grid
from speakerdb.analysis import nearness
from speakerdb.derive import Grouping
from speakerdb.derive.pooling import NOISE
from speakerdb.field.field import Field
from speakerdb.session import SessionInfo
from speakerdb.statistics.error_model import ErrorModel, SharedKeys
from speakerdb.statistics.match_noise import RESPONSE, CurveNoise, noise_between
from speakerdb.store import Store, session_rows
from speakerdb.store.writing import info_from_json

Curves = Mapping[str, np.ndarray[Any, Any]]
TESTED = 100  # relatives tested, nearest first
ONLY_BASS = "subwoofers are compared by their bass alone"
NOT_WORKED_OUT = "the uncertainty of one or both has not been worked out"
TOO_FAR = f"only the nearest {TESTED} are judged"


class Told(NamedTuple):
    """Whether a pair measures differently; None with the reason where that is not judged."""

    differently: bool | None
    reason: str | None = None


class MatchedSession(NamedTuple):
    """A session that a speaker's pooled curves stand on."""

    info: SessionInfo
    content_hash: str


def told_apart(store: Store, field: Field, own: int, others: Sequence[int], weights: Mapping[str, float]) -> list[Told]:
    """For each other row of the field, nearest first."""
    tested = list(others[:TESTED])
    noise = _noise_of(store, field, [own, *tested], compared_by(field, own))
    curves = matched_curves(field, compared_by(field, own), [own, *tested])
    mine = {name: rows[0] for name, rows in curves.items()}
    answers = []
    for i, row in enumerate(tested, 1):
        if own not in noise or row not in noise:
            answers.append(Told(None, NOT_WORKED_OUT))
            continue
        theirs = {name: rows[i] for name, rows in curves.items()}
        answers.append(Told(measure_differently(mine, theirs, noise[own], noise[row], field.error_model, weights)))
    return answers + [Told(None, TOO_FAR)] * (len(others) - len(tested))


def compared_by(field: Field, row: int) -> tuple[str, ...]:
    """The curves that a row of the field is compared by."""
    return nearness.SUBWOOFERS if field.base["kind"][row] == "subwoofer" else nearness.NAMES


def matched_curves(
    field: Field, compared: Sequence[str], rows: Sequence[int] | slice = slice(None)
) -> dict[str, np.ndarray[Any, Any]]:
    """Curve name -> (rows of the field, 199); usable output only where it is no bound, which is no figure to
    compare."""
    names = [name for name in compared if name != "usable_output"]
    if len(names) == len(compared):
        return {name: curve[rows] for name, curve in field.curves(names).items()}
    curves = {name: curve[rows] for name, curve in field.curves([*names, "usable_low", "usable_high"]).items()}
    low, high = curves.pop("usable_low"), curves.pop("usable_high")
    return {**curves, "usable_output": np.where(low == high, low, np.nan)}


def measure_differently(
    mine: Curves, theirs: Curves, a: CurveNoise, b: CurveNoise, model: ErrorModel, weights: Mapping[str, float]
) -> bool:
    """Whether two speakers' curves, each (199,), lie further apart than errors of measurement alone would put them."""
    drawn = noise_between(a, b, model)
    equal = {name: np.full(199, 1.0 if name.startswith("beamwidth") else 0.0, np.float32) for name in drawn}
    found = nearness.distances(mine, {name: theirs[name][None] for name in drawn}, weights)
    for name in drawn:  # compared where the speakers were
        drawn[name][:, np.isnan(mine[name]) | np.isnan(theirs[name])] = np.nan
    return nearness.measures_differently(found, nearness.distances(equal, drawn, weights), weights)


def curve_noise(sessions: Sequence[MatchedSession], noise: Curves, model: ErrorModel) -> CurveNoise:
    """Errors of one speaker's pooled curves from its sessions and the stored noise of those curves, each (199,)."""
    infos = [s.info for s in sessions]
    shares = Grouping(np.zeros(len(infos), np.int64), [i.sample for i in infos], [i.lab for i in infos]).weights()
    session, bench = np.zeros(199, np.float32), np.zeros(199, np.float32)
    pattern: dict[str, float] = {}
    level: dict[str, float] = {}
    for (info, content_hash), share in zip(sessions, shares.tolist(), strict=True):
        keys = SharedKeys.of(info, content_hash)
        session += (share * model.common_sd(info)) ** 2
        bench += share * model.sd(info, "calibration") ** 2
        pattern[keys.bench] = pattern.get(keys.bench, 0.0) + share
        level[keys.run] = level.get(keys.run, 0.0) + share * model.level_sd(info)
    readings = {name: np.nan_to_num(sd) for name, sd in noise.items()}
    for name in readings.keys() & RESPONSE:  # stored with the session's share
        readings[name] = np.sqrt(np.maximum(readings[name] ** 2 - session, 0.0))
    if "usable_output" in noise:
        readings["usable_output"] = _between(noise["usable_output"])
    return CurveNoise(readings, np.sqrt(session), np.sqrt(bench), tuple(sorted(pattern.items())), level)


def _between(sd: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Where almost all draws of an output were bounds, its noise is taken from beside it."""
    known = np.isfinite(sd)
    if not known.any():
        return np.zeros_like(sd)
    return np.asarray(np.interp(grid.LOG2_HZ, grid.LOG2_HZ[known], sd[known]), sd.dtype)


def _noise_of(store: Store, field: Field, rows: Sequence[int], compared: Sequence[str]) -> dict[int, CurveNoise]:
    """Errors of the pooled curves of rows of the field; rows without noise worked out under the error model that counts
    are left out."""
    curves = field.curves([NOISE + name for name in compared])
    known = [row for row in rows if not np.isnan(curves[NOISE + compared[0]][row]).all()]
    return {
        row: curve_noise(sessions, {name: curves[NOISE + name][row] for name in compared}, field.error_model)
        for row, sessions in _sessions_of(store, field, known)
    }


def _sessions_of(store: Store, field: Field, rows: Sequence[int]) -> Iterator[tuple[int, list[MatchedSession]]]:
    """The sessions that count for rows of the field; rows that hold one of another error model are left out."""
    keys = dict(zip(rows, field.base[list(rows)].select("speaker_id", "setting").iter_rows(), strict=True))
    stored = session_rows.infos_of(store.con, sorted({speaker_id for speaker_id, _ in keys.values()}))
    by: dict[tuple[int, str], list[tuple[Any, ...]]] = {}
    for speaker_id, setting, *rest in stored:
        by.setdefault((speaker_id, setting), []).append(tuple(rest))
    for row, key in keys.items():
        mine = by.get(key, [])
        if mine and all(error_model == field.error_model.seed for *_, error_model in mine):
            yield row, [MatchedSession(info_from_json(info), content_hash) for info, content_hash, _ in mine]


def remarks(row: Mapping[str, Any]) -> list[str]:
    """What was left out of a comparison, for a row of the answer: "bass compared from 40 Hz", "usable output not
    compared"."""
    found = [f"{words} not compared" for part, words in nearness.WORDS.items() if row[part] is None]
    if len(found) == len(nearness.WORDS) - 1 and row["bass"] is not None:
        found = [ONLY_BASS]
    lowest = row["bass_from_hz"]
    if lowest is not None and lowest > grid.FREQUENCY_HZ[nearness.BASS.start] * (1 + 1e-9):
        found.insert(0, f"bass compared from {figures.number(lowest)} Hz")
    return found
