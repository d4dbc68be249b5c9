"""Places of 10,000 speakers, 3 % of them one of two: against judging every pair, and against sorting. Run: python
tests/benchmarks/bench_ranks.py [SPEAKERS]

Seconds of processor time, so that other work on the machine does not count, and ratios within the run. Wanted at
10,000: places ≤ 0.5 s, luck ≤ 0.3 s; at 100,000 places ≤ 3 s where errors are an eighth of the field.
"""

from __future__ import annotations

import resource
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from speakerdb.statistics.benches import Benches
from speakerdb.statistics.jointsets import critical_value
from speakerdb.statistics.luck import luck
from speakerdb.statistics.places import Scores, exact, place_of, places

DRAWS = 400
BRANCHED = 0.03
MOST_JOINT = 20_000  # speakers whose draws are made up


def field(speakers: int, benches: int, wide: float, seed: int = 1) -> Scores:
    """Values with many ties, errors that differ fourfold, benches whose errors count between them, and values that are
    one of two."""
    random = np.random.default_rng(seed)
    x = random.normal(0, wide, speakers).round(1)
    loading = np.eye(benches) - np.eye(benches)[0]
    shared = Benches(random.integers(0, benches, speakers), random.uniform(0.1, 0.5, speakers), loading)
    plain = exact(x, random.uniform(0.2, 0.8, speakers) ** 2, 0.1, shared)
    two = random.random(speakers) < BRANCHED
    other = (x + random.normal(0, wide, speakers), plain.v, random.uniform(0.05, 0.5, speakers))
    other_x, other_v, other_share = (np.where(two, a, np.nan) for a in other)
    return replace(plain, other_x=other_x, other_v=other_v, other_share=other_share)


def seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def main() -> None:
    speakers = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    for benches, wide in ((1, 2.0), (4, 2.0), (20, 2.0), (1, 5.0), (4, 5.0)):
        scores = field(speakers, benches, wide)
        sorting = min(seconds(lambda s=scores: np.argsort(s.x, kind="stable")) for _ in range(5))
        some = range(0, speakers, max(1, speakers // 50))
        all_pairs = seconds(lambda s=scores, r=some: [place_of(s, row) for row in r]) * speakers / len(some)
        found = seconds(lambda s=scores: places(s))
        told = seconds(lambda s=scores: luck(s))
        print(
            f"{speakers} speakers, {benches} benches, field {wide / 0.5:.0f} errors wide: places {found:.2f} s "
            f"({found / sorting:.0f} × sorting, 1/{all_pairs / found:.0f} of judging every pair); luck {told:.2f} s"
        )
        if speakers <= MOST_JOINT:
            draws = np.random.default_rng(2).standard_normal((speakers, DRAWS), np.float32)
            draws *= np.sqrt(scores.v)[:, None].astype(np.float32)
            print(
                f"  joint: critical value {seconds(lambda s=scores, d=draws: critical_value(s, d)):.2f} s, "
                f"places {seconds(lambda s=scores, d=draws: places(s, critical_value(s, d))):.2f} s with it"
            )
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
