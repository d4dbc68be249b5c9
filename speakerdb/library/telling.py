"""Are two speakers told apart by their curves, or could errors of measurement alone put them so far from each other?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from speakerdb.analysis import match as matching
from speakerdb.derive import Grouping
from speakerdb.library import learning
from speakerdb.library.field import Field
from speakerdb.library.pooling import NOISE
from speakerdb.session import SessionInfo
from speakerdb.statistics import match_noise
from speakerdb.statistics.error_model import MODEL_VERSION, WIDTH_OCT, SharedKeys
from speakerdb.statistics.fields import generator, smooth_field
from speakerdb.statistics.match_noise import CurveNoise
from speakerdb.store import Store
from speakerdb.store.writing import info_from_json

TESTED = 100  # relatives tested, nearest first; beyond that the answer is "not tested"
_CURVES = ("listening_window", "in_room", "di_power", "beamwidth_horizontal", "beamwidth_vertical")


def told_apart(
    store: Store, field: Field, own: int, others: Sequence[int], parts: Mapping[str, np.ndarray[Any, Any]],
    distance_db: Sequence[float], weights: Mapping[str, float],
) -> list[tuple[bool | None, float | None]]:  # fmt: skip
    """For each other row of the field: whether the distance exceeds the 95 % point of noise alone, and what of it lies
    beyond the noise, √max(0, d² − E[noise²]); None, None where intervals have not been worked out.

    parts: part -> (rows of the field,) distances, NaN where a part was not compared.
    """
    tested = list(others[:TESTED])
    noise = _noise_of(store, field, [own, *tested])
    answers: list[tuple[bool | None, float | None]] = []
    for row, distance in zip(tested, distance_db, strict=False):
        if own not in noise or row not in noise:
            answers.append((None, None))
            continue
        apart = match_noise.noise_curves(noise[own], noise[row], f"{own}|{row}")
        compared = {p for p, values in parts.items() if not np.isnan(values[row])}
        zero = {name: np.ones(199) if name.startswith("beamwidth") else np.zeros(199) for name in apart}
        kept = {p: w for p, w in weights.items() if p in compared}
        total, _ = matching.distances(zero, apart, {p: kept.get(p, 0.0) for p in weights})
        beyond = float(np.sqrt(max(0.0, distance**2 - float(np.mean(total**2)))))
        answers.append((bool(distance > np.quantile(total, match_noise.LEVEL)), beyond))
    return answers + [(None, None)] * (len(others) - len(tested))


def _noise_of(store: Store, field: Field, rows: Sequence[int]) -> dict[int, CurveNoise]:
    """Errors of the pooled curves of rows of the field; rows without worked-out noise are left out."""
    curves = field.curves([NOISE + name for name in _CURVES])
    known = [row for row in rows if not np.isnan(curves[NOISE + "listening_window"][row]).all()]
    sessions, model = _sessions_of(store, field, known), learning.current(store)
    cache: dict[tuple[str, str], np.ndarray[Any, Any]] = {}
    found = {}
    for row in known:
        mine = sessions[row]
        share = Grouping(np.zeros(len(mine), np.int64), [s.sample for s in mine], [s.lab for s in mine]).weights()
        common = np.zeros((match_noise.DRAWS, 199), np.float32)
        for (info, content, _, _), weight in zip(mine, share, strict=True):
            shared = SharedKeys.of(info, content)
            for part, key in (("calibration", shared.bench),):
                if (part, key) not in cache:
                    cache[part, key] = smooth_field(
                        generator(part, key, MODEL_VERSION), match_noise.DRAWS, WIDTH_OCT[part]
                    )
                common += np.float32(weight) * cache[part, key] * model.sd(info, part)
        found[row] = CurveNoise(common, {name: np.nan_to_num(curves[NOISE + name][row]) for name in _CURVES})
    return found


class _Session(NamedTuple):
    info: SessionInfo
    content_hash: str
    sample: str
    lab: str


def _sessions_of(store: Store, field: Field, rows: Sequence[int]) -> dict[int, list[_Session]]:
    """The sessions that count for rows of the field, with their labs' learned errors."""
    keys = {
        key: row
        for row, key in zip(rows, field.base[list(rows)].select("speaker_id", "setting").iter_rows(), strict=True)
    }
    stored = store.con.execute(
        "SELECT speaker_id, setting, info, content_hash, sample, l.name FROM session JOIN lab l USING (lab_id) "
        "WHERE list_contains(?, speaker_id) AND status = 'active' ORDER BY session_id",
        [[speaker_id for speaker_id, _ in keys]],
    ).fetchall()
    stored = [row for row in stored if (row[0], row[1]) in keys]
    infos = [info_from_json(row[2]) for row in stored]
    found: dict[int, list[_Session]] = {row: [] for row in rows}
    for (speaker_id, setting, _, *rest), info in zip(stored, infos, strict=True):
        found[keys[speaker_id, setting]].append(_Session(info, *rest))
    return found
