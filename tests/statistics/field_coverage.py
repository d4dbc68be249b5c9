"""Do intervals cover the truth? The demo fleet's noiseless model is measured over and over with errors of the stated law.

Each run takes one of the fleet's speakers, adds one helping of all errors, works out values and intervals as for any session, and
notes for each metric whether the noiseless value lies within; then the same for the difference of two speakers in one lab.
Run: python -m tests.statistics.field_coverage [RUNS] [SEED]
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, fields
from functools import cache
from pathlib import Path

import numpy as np

from seed_data.model.air import FREQUENCY_HZ
from seed_data.model.speaker import ORBIT_DEG, field_of
from seed_data.plan import visits
from speakerdb.acoustics import curveset, grid
from speakerdb.derive import derive, session_uncertainty
from speakerdb.dictionary import METRICS
from speakerdb.session import GridSession, SessionInfo
from speakerdb.statistics.comparison import differences
from speakerdb.statistics.draws import noisy_levels, shared_errors
from speakerdb.statistics.error_model import DRAWS, MODEL_VERSION, SharedKeys
from speakerdb.statistics.intervals import Uncertain

RESULT = Path(__file__).parent / "interval_coverage.json"
RUNS, SEED = 2000, 20260105
JUDGED = tuple(m for m in METRICS if METRICS[m].group in ("response", "directivity") and METRICS[m].ranked and m != "di_sphere_mean_db")  # fmt: skip
# on which noise has a bias of its own, so that covering more than asked for is allowed (statistics.md §5)
BIAS_PRONE = frozenset(m for m in JUDGED if METRICS[m].ripple or METRICS[m].plain_interval) | {
    "smoothness_in_room", "preference", "preference_bass_managed",
}  # fmt: skip

STEP = np.array([METRICS[m].step for m in JUDGED])

FloatArray = np.ndarray


@cache
def truths() -> FloatArray:
    """(speakers, 72, 199) levels of the noiseless model on the analysis grid, one setting of each full-range speaker."""
    designs = {(v.design.maker, v.design.model): v.design for v in visits() if v.design.kind != "subwoofer"}
    levels = []
    for design in designs.values():
        field = field_of(design, design.settings[:1], ORBIT_DEG)[0]
        slot = (field.angle_deg / 10).round().astype(int) + 17 + np.where(field.horizontal, 0, curveset.PER_ORBIT)
        level = np.full((curveset.SLOTS, len(grid.FREQUENCY_HZ)), np.nan)
        level[slot] = grid.to_grid(FREQUENCY_HZ, field.level_db)
        levels.append(level)
    return curveset.share_poles(np.stack(levels))


def session_of(level_db: FloatArray, name: str, lab: str = "") -> GridSession:
    """A session with levels (72, 199), all of whose keys carry `name` (that of the calibration: `lab`, where given)."""
    info = SessionInfo(maker="x", model="y", slug=f"s {name}", kind="bookshelf", powered=True, lab=f"lab {lab or name}",
                       method="anechoic", date="2026-01-01", sample="1", setting="plain", run=name)  # fmt: skip
    horizontal = np.arange(curveset.SLOTS) < curveset.PER_ORBIT
    angles = np.concatenate([curveset.ANGLES_DEG, curveset.ANGLES_DEG]).astype(float)
    return GridSession(info, horizontal, angles, np.round(level_db, 2).astype(np.float32), 20.0)


def measured(true_level: FloatArray, name: str, lab: str = "") -> Uncertain:
    """Corrected values, intervals and draws (M, …) of JUDGED for one measurement of a speaker, with the errors that `name` seeds."""
    nature = session_of(true_level, f"{name} nature", lab and f"{lab} nature").info
    keys = SharedKeys.of(nature, f"{name} nature")
    shared = shared_errors(nature, keys, draws=1)
    session = session_of(noisy_levels(true_level.astype(np.float32), shared, nature, keys, 0, 1)[0], name, lab)
    every = tuple(METRICS)
    table = derive([session], every).values
    value = np.where(table.censored[0] == 0, table.value[0], np.nan)
    found = session_uncertainty(session, name, every, value).uncertain
    judged = [every.index(m) for m in JUDGED]
    return Uncertain(*(getattr(found, f.name)[judged] for f in fields(Uncertain)))


@cache
def true_values() -> FloatArray:
    """(speakers, M) values of the noiseless model, NaN where withheld or censored."""
    table = derive([session_of(level, "truth") for level in truths()], JUDGED).values
    return np.where(table.censored == 0, table.value, np.nan)


@dataclass(frozen=True, eq=False)
class Tally:
    """Per metric of JUDGED: in how many runs an interval held the truth, and in how many there was one."""

    hits: FloatArray
    runs: FloatArray

    @classmethod
    def empty(cls) -> Tally:
        return cls(np.zeros(len(JUDGED), int), np.zeros(len(JUDGED), int))

    def add(self, true: FloatArray, low: FloatArray, high: FloatArray) -> None:
        judged = ~np.isnan(true) & ~np.isnan(low)
        slack = STEP / 2 * (low == high)  # a value that no draw moves is told to the display step
        self.runs[:] += judged
        self.hits[:] += judged & (low - slack <= true) & (true <= high + slack)

    def shares(self) -> dict[str, tuple[float, int]]:
        return {m: (float(h / max(r, 1)), int(r)) for m, h, r in zip(JUDGED, self.hits, self.runs, strict=True)}


def coverage(runs: int, seed: int) -> dict[str, tuple[float, int]]:
    """Metric -> (share of runs whose interval holds the noiseless value, runs that gave an interval)."""
    tally = Tally.empty()
    for run in range(runs):
        row = run % len(truths())
        found = measured(truths()[row], f"coverage|{seed}|{run}")
        tally.add(true_values()[row], found.low, found.high)
    return tally.shares()


def pair_coverage(runs: int, seed: int) -> dict[str, tuple[float, int]]:
    """The same for the differences of pairs of speakers in one lab, whose calibration error is common and cancels."""
    tally = Tally.empty()
    random = np.random.default_rng(seed)
    for run in range(runs):
        rows = random.choice(len(truths()), 2, replace=False)
        a, b = (measured(truths()[r], f"pair|{seed}|{run}|{r}", f"pair|{seed}|{run}") for r in rows)
        unbounded = (np.full(len(JUDGED), 0.0),) * 2
        found = differences(a.draws, b.draws, unbounded, unbounded)
        tally.add(true_values()[rows[0]] - true_values()[rows[1]], found.low, found.high)
    return tally.shares()


def main(arguments: list[str]) -> None:
    runs, seed = int(arguments[0]) if arguments else RUNS, int(arguments[1]) if len(arguments) > 1 else SEED
    tables = {"values": coverage(runs, seed), "differences": pair_coverage(runs // 4, seed)}
    result = {"runs": runs, "seed": seed, "draws": DRAWS, "speakers": len(truths()), "error_model": MODEL_VERSION,
              **{name: {m: [round(share, 4), count] for m, (share, count) in t.items()} for name, t in tables.items()}}  # fmt: skip
    RESULT.write_text(json.dumps(result, indent=1) + "\n")
    for name, table in tables.items():
        print(name)
        for metric, (share, count) in table.items():
            print(f"  {metric:34} {100 * share:5.1f} % of {count}{'  bias-prone' if metric in BIAS_PRONE else ''}")


if __name__ == "__main__":
    main(sys.argv[1:])
