"""The error model that counts, and curves brought in line by it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.session import GridSession
from speakerdb.statistics import learning
from speakerdb.statistics.error_model import LEARNABLE, Alignment, ErrorModel, bench_key, bench_words
from speakerdb.store import Store, session_rows
from speakerdb.store import learned as stored
from speakerdb.store.learned import StoredModel


def current(store: Store) -> ErrorModel:
    """The error model that counts: version 0, the defaults, where nothing was adopted."""
    return model_of(stored.read_model(store.con))


def model_of(found: StoredModel) -> ErrorModel:
    alignments = {a.bench: Alignment(a.to_bench, a.offset_db, a.residual_sd_db, a.n) for a in found.alignments}
    factor = {p.part: p.factor for p in found.parts if p.part in LEARNABLE}
    return ErrorModel(found.version, factor, alignments)


def alignments_of(store: Store, speaker_id: int, setting: str) -> tuple[str, ...]:
    """What was added to the curves of a speaker's sessions to bring their benches in line, in sentences without full
    stops."""
    model = current(store)
    found = []
    for row in session_rows.benches_of(store.con, speaker_id, setting):
        key = bench_key(*row)
        if (alignment := model.alignments.get(key)) is not None:
            size = float(np.sqrt(np.mean(alignment.offset_db.astype(np.float64) ** 2)))
            found.append(
                f"Curves from {bench_words(key)} are brought in line with {bench_words(alignment.to_bench)} "
                f"first: {figures.number(size, 2)} dB RMS, "
                f"learned from {alignment.n} specimens (error model {model.version})"
            )
    return tuple(found)


def aligned(sessions: Sequence[GridSession], model: ErrorModel) -> list[GridSession]:
    """Sessions with their bench's offset added to every level they hold; drives move by its mean over 300 Hz–3 kHz, as
    levels do."""
    found = []
    for s in sessions:
        alignment = model.alignments.get(bench_key(s.info.lab, s.info.method, s.info.calibration))
        found.append(s if alignment is None else _moved(s, alignment.offset_db))
    return found


def _moved(s: GridSession, offset_db: NDArray[np.float32]) -> GridSession:
    at_drive = float(offset_db[learning.LEVEL_BAND].mean(dtype=np.float64))
    power = None if s.sphere_power_db is None else s.sphere_power_db + offset_db
    compression = s.compression
    if compression is not None:
        level = compression.level_db + offset_db
        compression = replace(compression, drive_db=compression.drive_db + at_drive, level_db=level)
    distortion = s.distortion
    if distortion is not None:
        distortion = replace(distortion, drive_db=distortion.drive_db + at_drive)
    return replace(
        s, level_db=s.level_db + offset_db, sphere_power_db=power, compression=compression, distortion=distortion
    )
