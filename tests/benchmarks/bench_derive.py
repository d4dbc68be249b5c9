"""Deriving stored sessions, batched and without database, against one pass of 10**(x/10) and log10 over the same array.

Run: python tests/benchmarks/bench_derive.py [SESSIONS]. Target: ≤ 10. Then one session's 400 draws of all metrics
against the plain derivation of one session, and against 300 ms a session.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import numpy as np

from speakerdb import derive, formats
from speakerdb.derive.measuring import slots_of

BATCH = 20


def fastest(*runs, times: int = 5) -> list[float]:
    """Least processor time of each, in turn, so that a busy machine weighs on all alike."""
    took = []
    for _ in range(times):
        for number, run in enumerate(runs):
            start = time.process_time()
            run()
            took.append((number, time.process_time() - start))
    return [min(t for n, t in took if n == number) for number in range(len(runs))]


def main(count: int) -> None:
    fleet = ROOT / "seed_data" / "fleet"
    grids = [derive.to_grid(formats.read_session(folder)) for folder in formats.find_sessions(fleet)[:40]]
    grids = [g for g in grids if len(g.angle_deg) >= 70]
    grids = (grids * (count // len(grids) + 1))[:count]
    level = slots_of(grids)

    def one_pass():
        np.log10(10 ** (level / 10))

    def whole():
        for start in range(0, count, BATCH):
            derive.derive(grids[start : start + BATCH])

    alone, derived = fastest(one_pass, whole)
    print(f"{count} sessions of (72, 199)")
    print(f"one pass       {alone / count * 1e3:7.2f} ms a session")
    print(f"derive         {derived / count * 1e3:7.2f} ms a session")
    print(f"derive / pass  {derived / alone:7.2f}  (target ≤ 10)")
    value = derive.derive(grids[:1]).values
    (drawn,) = fastest(lambda: derive.session_uncertainty(grids[0], "content", value.metrics, value.value[0]), times=3)
    (averaged,) = fastest(
        lambda: derive.averaged_uncertainty(grids[0], "content", value.metrics, value.value[0]), times=3
    )
    print(f"400 draws      {drawn * 1e3:7.0f} ms a session (target ≤ 300 on one core)")
    print(f"of averages    {averaged * 1e3:7.0f} ms a session (target ≤ 40)")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
