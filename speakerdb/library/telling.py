"""Are two speakers told apart by their curves, or could errors of measurement alone put them so far from each other?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from speakerdb.analysis import match as matching
from speakerdb.derive import pool_weights
from speakerdb.library.field import Field
from speakerdb.library.lab_errors import with_lab_errors
from speakerdb.library.pooling import NOISE
from speakerdb.statistics import match_noise
from speakerdb.statistics.error_model import MODEL_VERSION, WIDTH_OCT, SharedKeys, sd_over_frequency, standard_deviation
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
    keys = field.base.select("speaker_id", "setting")
    cache: dict[tuple[str, str], np.ndarray[Any, Any]] = {}
    found = {}
    for row in rows:
        own = {name: np.nan_to_num(curves[NOISE + name][row]) for name in _CURVES}
        if np.isnan(curves[NOISE + "listening_window"][row]).all():
            continue
        speaker_id, setting = keys.row(row)
        sessions = store.con.execute(
            "SELECT info, content_hash, sample, l.name FROM session JOIN lab l USING (lab_id) "
            "WHERE speaker_id = ? AND setting = ? AND status = 'active' ORDER BY session_id",
            [speaker_id, setting],
        ).fetchall()
        share = pool_weights(np.zeros(len(sessions), np.int64), [s[2] for s in sessions], [s[3] for s in sessions])
        common = np.zeros((match_noise.DRAWS, 199), np.float32)
        for (text, content, _, _), weight in zip(sessions, share, strict=True):
            (info,) = with_lab_errors(store, [info_from_json(text)])
            shared = SharedKeys.of(info, content)
            for part, key in (("calibration", shared.calibration), ("sample_spread", shared.sample)):
                if (part, key) not in cache:
                    cache[part, key] = smooth_field(
                        generator(part, key, MODEL_VERSION), match_noise.DRAWS, WIDTH_OCT[part]
                    )
                sd = sd_over_frequency(standard_deviation(info, part))
                common += np.float32(weight) * cache[part, key] * sd
        found[row] = CurveNoise(common, own)
    return found
