"""Rank sets of 10,000 speakers: seconds and peak memory. Run: python tests/benchmarks/bench_ranks.py [SPEAKERS]

Seconds of processor time, so that other work on the machine does not count. Wanted: under 2 s and 1 GB.
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from speakerdb.statistics import ranksets

DRAWS = 400


def field(speakers: int, labs: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Values with many near ties, unequal errors, and a calibration error per lab."""
    random = np.random.default_rng(seed)
    lab = random.integers(0, labs, speakers)
    own = random.uniform(0.2, 0.8, speakers).astype(np.float32)
    value = random.normal(0, 2, speakers).round(1)
    draws = random.standard_normal((speakers, DRAWS), np.float32) * own[:, None]
    calibration = 0.5 * random.standard_normal((labs, DRAWS), np.float32)
    draws += calibration[lab]
    draws += value[:, None].astype(np.float32)
    return draws, value, lab


def main() -> None:
    speakers = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    for labs in (2, 20):
        draws, value, lab = field(speakers, labs)
        start = time.process_time()
        sets = ranksets.rank_sets(draws, value, value, lab, 0.1)
        ranked = time.process_time()
        ranksets.overstatement(draws, 10)
        ended = time.process_time()
        width = np.median(sets.high - sets.low + 1)
        print(f"{speakers} speakers, {labs} labs: rank sets {ranked - start:.2f} s, overstatement {ended - ranked:.2f} s; "
              f"median width {width:.0f} ranks, c = {sets.critical:.2f}")  # fmt: skip
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
