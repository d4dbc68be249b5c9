"""What a trade-off costs: the frontier by quadrature, the price from which a rival beats, the quantile line's band.

Run: python tests/benchmarks/bench_tradeoff.py [SPEAKERS]. Wanted at 10,000: price against a metric of one bench within
1.3 s of processor time, with a tenth of the values bounds within 3.5 s (400 draws took that); the band of 60 speakers
within 0.05 s.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np

from speakerdb.statistics.dominance import Known, fact, frontier
from speakerdb.statistics.expectation import quantile_band


def measured(value: np.ndarray, se: float, random: np.random.Generator, benches: int = 1) -> Known:
    """Errors that differ by speaker; as many benches, whose errors are as large as a speaker's own."""
    n = len(value)
    shared = se * (np.eye(benches) - np.eye(benches)[0])[random.integers(0, benches, n)]
    return replace(fact(value), se=se * np.exp(0.3 * random.standard_normal(n)), shared=shared)


def timed(what: str, run: Callable[[], object]) -> None:
    start = time.process_time()
    run()
    print(f"{what:60} {time.process_time() - start:6.2f} s")


def main(n: int) -> None:
    random = np.random.default_rng(1)
    price = 2.0 ** random.uniform(7, 12, n)
    quality = random.standard_normal(n) + 0.5 * np.log2(price)
    x = fact(-price)
    for se in (0.05, 0.2, 0.5):
        for benches in (1, 2, 3):
            y = measured(quality, se, random, benches)
            timed(f"{n} speakers, error {se} of the spread, benches {benches}", lambda y=y: frontier(x, y))
    y = measured(quality, 0.2, random)
    timed("the same of 0.2, a tenth of them bounds", lambda: frontier(x, replace(y, open_above=np.arange(n) % 10 == 0)))
    both = measured(-np.log2(price), 0.1, random)
    timed("both measured, errors 0.1 and 0.2", lambda: frontier(both, y))
    timed("all equal", lambda: frontier(x, measured(np.zeros(n), 0.3, random)))
    for count, makers in ((60, 15), (n, max(n // 20, 2)), (n, 15)):
        z, at = random.standard_normal(count), np.linspace(-1.0, 1.0, 25)
        maker = random.integers(0, makers, count)
        timed(
            f"quantile line of {count} speakers, {makers} makers",
            lambda z=z, m=maker, at=at: quantile_band(
                z, z + random.standard_normal(len(z)), 0.9, m.tolist(), at, random
            ),
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000)
