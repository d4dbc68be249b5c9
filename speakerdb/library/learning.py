"""`derive --learn` and `--adopt`: what the repeats in a file say of the sizes of errors and of benches, and what counts of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from speakerdb.derive.measuring import readings_of
from speakerdb.session import GridSession, SessionInfo
from speakerdb.statistics import learning
from speakerdb.statistics.error_model import (
    DEFAULT_SD,
    LEARNABLE,
    NOISE,
    Alignment,
    ErrorModel,
    SharedKeys,
    bench_key,
    bench_words,
    sd_over_frequency,
)
from speakerdb.statistics.learning import BENCH, LEAST, BenchPair, Head, Reading, Size
from speakerdb.store import Store, reading
from speakerdb.store import learned as stored
from speakerdb.store.learned import SessionHead, StoredAlignment, StoredModel, StoredPart

WHOLE = (
    "flatness_window_db"  # has a value where the window is whole over 100 Hz–10 kHz and fine enough for shape metrics
)
BATCH_SESSIONS = 64
PART_WORDS = {
    "repeatability": "repeat of a curve", "session": "session", "level": "level of a run", "sample": "sample", BENCH: "benches",
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Learned:
    """parts: every learnable part; benches: every pair of benches that share a specimen; sessions: by part (and "bench") how many
    sessions teach it. version: of the error model that counts; counts: whether that is already what is learned here."""

    parts: tuple[Size, ...]
    benches: tuple[BenchPair, ...]
    sessions: Mapping[str, int]
    version: int
    counts: bool

    @property
    def adoptable(self) -> bool:
        """Whether anything is learned from enough."""
        return any(s.reason is None for s in self.parts) or any(p.reason is None for p in self.benches)


def current(store: Store) -> ErrorModel:
    """The error model that counts: version 0, the defaults, where nothing was adopted."""
    return _model(stored.read_model(store.con))


def _model(found: StoredModel) -> ErrorModel:
    alignments = {a.bench: Alignment(a.to_bench, a.offset_db, a.residual_sd_db, a.n) for a in found.alignments}
    factor = {p.part: p.factor for p in found.parts if p.part in LEARNABLE}
    return ErrorModel(found.version, factor, alignments)


def learned(store: Store) -> Learned:
    """What the repeats say, from the curves as measured: the same before and after it was adopted."""
    heads, readings = _repeats(store)
    found = Learned(
        learning.sizes(readings), learning.bench_pairs(readings, sessions_by_bench(store)),
        {part: learning.count(heads, part).sessions for part in (*LEARNABLE, BENCH)}, 0, False,
    )  # fmt: skip
    now = stored.read_model(store.con)
    return replace(found, version=now.version, counts=_same(_model(now), _model(_wanted(found))))


def bench_pairs(store: Store) -> tuple[BenchPair, ...]:
    """The same of pairs of benches alone."""
    return learning.bench_pairs(_repeats(store)[1], sessions_by_bench(store))


def sessions_by_bench(store: Store) -> dict[str, int]:
    """Bench key -> how many sessions that count it has measured."""
    rows = stored.sessions_by_bench(store.con)
    return {bench_key(lab, method, calibration): n for lab, method, calibration, n in rows}


def adopt(store: Store) -> Learned:
    """Make what the repeats say the error model that counts; a new version unless it does already. Values and intervals are then out
    of date until they are worked out anew."""
    found = learned(store)
    if found.counts:
        return found
    return replace(found, version=_keep(store, _wanted(found)), counts=True)


def forget(store: Store) -> int:
    """Back to the default sizes and to benches as they are; returns the version that counts. It is a new one: numbers of versions are
    never used again, lest a session worked out under an older one pass for up to date."""
    now = stored.read_model(store.con)
    if _same(_model(now), ErrorModel()):
        return now.version
    heads = _heads(store)
    parts = (StoredPart(part, 1.0, 0, learning.count(heads, part).sessions) for part in (*LEARNABLE, BENCH))
    return _keep(store, StoredModel(0, tuple(parts), ()))


def news(store: Store) -> str | None:
    """One line where sessions can teach what was not looked at yet; from what they say of themselves, without their curves."""
    known = {p.part: p.of_sessions for p in stored.read_model(store.con).parts}
    heads = _heads(store)
    counted = {part: learning.count(heads, part) for part in (*LEARNABLE, BENCH)}
    new = [PART_WORDS[part] for part, c in counted.items() if c.n >= LEAST and c.sessions != known.get(part, 0)]
    return f"New to learn of errors: {', '.join(new)}. `speakerdb derive --learn` shows it" if new else None


def told(found: Learned) -> list[str]:
    """What is adopted, in sentences: sizes beside their defaults, then each bench that was aligned."""
    sizes = [
        f"{PART_WORDS[s.part]} {s.wanted_sd_db:.2f} dB (default {s.default_sd_db:.2f}; {s.n} speakers)"
        for s in found.parts
        if s.reason is None
    ]
    lines = [f"Errors as large as the repeats show them: {'; '.join(sizes)}."] if sizes else []
    for pair in found.benches:
        if pair.reason is None:
            lines.append(
                f"{bench_words(pair.bench)} is brought in line with {bench_words(pair.to_bench)} by {pair.n} specimens that both "
                f"have measured: {pair.shape_db:.2f} dB RMS, {pair.residual_sd_db:.2f} dB left."
            )
    return lines


def alignments_of(store: Store, speaker_id: int, setting: str) -> tuple[str, ...]:
    """What was added to the curves of a speaker's sessions to bring their benches in line, in sentences without full stops."""
    model = current(store)
    rows = store.con.execute(
        "SELECT DISTINCT l.name, s.method, s.calibration FROM session s JOIN lab l USING (lab_id) "
        "WHERE s.speaker_id = ? AND s.setting = ? AND s.status = 'active' ORDER BY ALL",
        [speaker_id, setting],
    ).fetchall()
    found = []
    for row in rows:
        key = bench_key(*row)
        if (alignment := model.alignments.get(key)) is not None:
            size = float(np.sqrt(np.mean(alignment.offset_db.astype(np.float64) ** 2)))
            found.append(
                f"Curves from {bench_words(key)} are brought in line with {bench_words(alignment.to_bench)} first: {size:.2f} dB RMS, "
                f"learned from {alignment.n} specimens (error model {model.version})"
            )
    return tuple(found)


def aligned(sessions: Sequence[GridSession], model: ErrorModel) -> list[GridSession]:
    """Sessions with their bench's offset added to every level they hold; drives move by its mean over 300 Hz–3 kHz, as levels do."""
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


def _keep(store: Store, wanted: StoredModel) -> int:
    """A new version. Sessions without intervals have values of the model that counted until now: they are marked with it, so that
    `derive` renews them with the others."""
    before = current(store).seed
    with store.transaction():
        store.con.execute("UPDATE session SET error_model = ? WHERE error_model IS NULL", [before])
        return stored.write_model(store.con, wanted.parts, wanted.alignments)


def _wanted(found: Learned) -> StoredModel:
    parts = [StoredPart(s.part, s.factor, s.n, found.sessions[s.part]) for s in found.parts]
    pairs = [p for p in found.benches if p.reason is None]
    parts.append(StoredPart(BENCH, 1.0, max((p.n for p in pairs), default=0), found.sessions[BENCH]))
    alignments = (
        StoredAlignment(p.bench, p.to_bench, p.offset_db.astype(np.float32), p.residual_sd_db, p.n) for p in pairs
    )
    return StoredModel(0, tuple(parts), tuple(alignments))


def _same(a: ErrorModel, b: ErrorModel) -> bool:
    """Whether two models give the same errors, whatever their versions."""
    if any(not np.isclose(a.factor.get(part, 1.0), b.factor.get(part, 1.0), rtol=1e-6) for part in LEARNABLE):
        return False
    return a.alignments.keys() == b.alignments.keys() and all(
        x.to_bench == y.to_bench
        and np.isclose(x.residual_sd_db, y.residual_sd_db, rtol=1e-6)
        and np.allclose(x.offset_db, y.offset_db, atol=1e-5)
        for x, y in ((a.alignments[key], b.alignments[key]) for key in a.alignments)
    )


def _heads(store: Store) -> list[Head]:
    return [_head(h) for h in stored.repeated(store.con, WHOLE)]


def _head(of: SessionHead) -> Head:
    info = of.info
    keys = SharedKeys.of(info, "")
    return Head(
        of.session_id, of.speaker, info.sample, info.setting, keys.bench, keys.run, info.symmetric,
        _drive_db(info), _declared(info),
    )  # fmt: skip


def _drive_db(info: SessionInfo) -> float | None:
    """Level of the drive in dB re 1 V where levels stand for a passive speaker's output at it."""
    if info.powered or info.level_is == "relative" or not info.drive_voltage_v:
        return None
    return 20.0 * math.log10(info.drive_voltage_v)


def _declared(info: SessionInfo) -> frozenset[str]:
    """Learnable parts that a session sizes itself; noise of its own above the default repeat is such a size too."""
    found = {name for name, parts in LEARNABLE.items() if any(part in info.uncertainty for part in parts)}
    if NOISE in info.uncertainty:
        noise, usual = (
            sd_over_frequency(sd)[learning.BAND] for sd in (info.uncertainty[NOISE], DEFAULT_SD["repeatability"])
        )
        if float(np.mean(noise**2)) > float(np.mean(usual**2)):
            found.add("repeatability")
    return frozenset(found)


def _repeats(store: Store) -> tuple[list[Head], list[Reading]]:
    """Every session that could teach, and the curves of those that have another to be set against."""
    heads = _heads(store)
    ids = sorted({heads[i].session for part in (*LEARNABLE, BENCH) for g in learning.groups(heads, part) for i in g})
    return heads, _readings(store, {h.session: h for h in heads}, ids)


def _readings(store: Store, heads: Mapping[int, Head], ids: Sequence[int]) -> list[Reading]:
    found = []
    for start in range(0, len(ids), BATCH_SESSIONS):
        batch = ids[start : start + BATCH_SESSIONS]
        axis, window = learning.as_measured(readings_of(reading.grid_sessions(store.con, batch)))
        found += [
            Reading(heads[i], a, w)
            for i, a, w in zip(batch, axis.astype(np.float32), window.astype(np.float32), strict=True)
        ]
    return found
