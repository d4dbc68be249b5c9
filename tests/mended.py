"""Speakers with faults that are known: filters injected at random, lobes, combs, dips. Run as a program, a batch of
other seeds: `python -m tests.mended COUNT SEED`."""

from __future__ import annotations

import sys

import numpy as np

from speakerdb.acoustics import grid
from speakerdb.acoustics.curveset import CurveSet
from speakerdb.analysis import filter_fitting
from speakerdb.analysis.filter_fitting import Asked, Filter

FS = 48000.0
BAND = grid.band(100.0, 16000.0)
SLOPES = (0.0, 0.0, -0.4, -0.9, -0.5)  # dB per octave of the five curves of a speaker without a fault


def random_filters(rng: np.random.Generator) -> list[Filter]:
    """One to five, gains −3 to +12 dB."""
    found = []
    for _ in range(rng.integers(1, 6)):
        kind = str(rng.choice(["peaking", "peaking", "peaking", "low_shelf", "high_shelf"]))
        low, high = {"peaking": (120, 12000), "low_shelf": (100, 400), "high_shelf": (2500, 9000)}[kind]
        q = 2.0 ** rng.uniform(-1, 3) if kind == "peaking" else rng.uniform(0.5, 0.9)
        found.append(Filter(kind, 2.0 ** rng.uniform(np.log2(low), np.log2(high)), rng.uniform(-3, 12), q))
    return found


def even() -> np.ndarray:
    """(5, 199) curves of a speaker without a fault, down to the lowest frequency."""
    return 85.0 + np.multiply.outer(SLOPES, grid.LOG2_HZ - 10.0)


def found_for(curves: np.ndarray, from_hz: float = 20.0, bass_hz: float = 20.0) -> tuple[Filter, ...]:
    common = filter_fitting.mendable(filter_fitting.deviations(CurveSet(*curves)), from_hz)
    gone = filter_fitting.cancelled(common, filter_fitting.MOST_BOOST_DB)
    return filter_fitting.fit(common, gone, from_hz, bass_hz, Asked())


def missed(injected: list[Filter]) -> tuple[float, float]:
    """By how much the filters found fail to undo those injected: RMS and largest, the level apart, in dB."""
    fault = filter_fitting.together_db(injected, FS)
    left = (fault + filter_fitting.together_db(found_for(even() + fault), FS))[BAND]
    left = left - left.mean()
    return float(np.sqrt(np.mean(left**2))), float(np.abs(left).max())


def main(count: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    found = np.array([missed(random_filters(rng)) for _ in range(count)])
    within = (found[:, 0] <= 0.1) & (found[:, 1] <= 0.25)
    print(f"{int(within.sum())} of {count} sets recovered to 0.1 dB RMS and 0.25 dB at most (seed {seed})")
    print(
        f"RMS: median {np.median(found[:, 0]):.3f}, largest {found[:, 0].max():.3f} dB; most {found[:, 1].max():.3f} dB"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
