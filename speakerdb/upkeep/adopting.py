"""`derive --learn` and `--adopt`: what the repeats in a file say of the sizes of errors and of benches, and what counts
of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from speakerdb.field.error_models import current, model_of
from speakerdb.field.repeats import heads_of, repeats_of, sessions_by_bench
from speakerdb.statistics import learning
from speakerdb.statistics.error_model import LEARNABLE, ErrorModel
from speakerdb.statistics.learning import BENCH, LEAST, BenchPair, Size
from speakerdb.store import Store, changes
from speakerdb.store import learned as stored
from speakerdb.store.learned import StoredAlignment, StoredModel, StoredPart

PART_WORDS = {
    "repeatability": "repeat of a curve",
    "session": "session",
    "level": "level of a run",
    "sample": "sample",
    BENCH: "benches",
}


@dataclass(frozen=True, eq=False)
class Learned:
    """parts: every learnable part; benches: every pair of benches that share a specimen; sessions: by part (and
    "bench") how many sessions teach it. version: of the error model that counts; counts: whether that is already what
    is learned here."""

    parts: tuple[Size, ...]
    benches: tuple[BenchPair, ...]
    sessions: Mapping[str, int]
    version: int
    counts: bool

    @property
    def adoptable(self) -> bool:
        """Whether anything is learned from enough."""
        return any(s.reason is None for s in self.parts) or any(p.reason is None for p in self.benches)


def learned(store: Store) -> Learned:
    """What the repeats say, from the curves as measured: the same before and after it was adopted."""
    heads, readings = repeats_of(store)
    found = Learned(
        learning.sizes(readings),
        learning.bench_pairs(readings, sessions_by_bench(store)),
        {part: learning.count(heads, part).sessions for part in (*LEARNABLE, BENCH)},
        0,
        False,
    )
    now = stored.read_model(store.con)
    return replace(found, version=now.version, counts=_same(model_of(now), model_of(_wanted(found))))


def adopt(store: Store) -> Learned:
    """Make what the repeats say the error model that counts; a new version unless it does already. Values and intervals
    are then out of date until they are worked out anew."""
    found = learned(store)
    if found.counts:
        return found
    return replace(found, version=_keep(store, _wanted(found)), counts=True)


def forget(store: Store) -> int:
    """Back to the default sizes and to benches as they are; returns the version that counts. It is a new one: numbers
    of versions are never used again, lest a session worked out under an older one pass for up to date."""
    now = stored.read_model(store.con)
    if _same(model_of(now), ErrorModel()):
        return now.version
    heads = heads_of(store)
    parts = (StoredPart(part, 1.0, 0, learning.count(heads, part).sessions) for part in (*LEARNABLE, BENCH))
    return _keep(store, StoredModel(0, tuple(parts), ()))


def news(store: Store) -> str | None:
    """One line where sessions can teach what was not looked at yet; from what they say of themselves, without their
    curves."""
    known = {p.part: p.of_sessions for p in stored.read_model(store.con).parts}
    heads = heads_of(store)
    counted = {part: learning.count(heads, part) for part in (*LEARNABLE, BENCH)}
    new = [PART_WORDS[part] for part, c in counted.items() if c.n >= LEAST and c.sessions != known.get(part, 0)]
    return f"New to learn of errors: {', '.join(new)}. `speakerdb derive --learn` shows it" if new else None


def _keep(store: Store, wanted: StoredModel) -> int:
    """A new version. Sessions without intervals have values of the model that counted until now: they are marked with
    it, so that `derive` renews them with the others."""
    before = current(store).seed
    with store.transaction():
        changes.mark_error_model(store.con, before)
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
