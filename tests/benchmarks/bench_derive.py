"""Deriving stored sessions, batched and without database, against one pass of 10**(x/10) and log10 over the same array.

Run: python tests/benchmarks/bench_derive.py [SESSIONS]. Target: ≤ 10. Then the processor time of the 400 draws of all
metrics a session, own layer and all layers, against drawing every curve and sweep at every grid point, own layer alone:
that takes what a session took before errors came in layers (0.96 of it, measured beside it). Targets: ≤ 0.3 and ≤ 0.6.
OPENBLAS_NUM_THREADS=1 counts one core.
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
from speakerdb.statistics.error_model import DEFAULT
from tests.derive import full_draws

BATCH = 20
SESSIONS = 8


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
    whole_ones = [g for g in grids[:40] if g.compression is not None and g.distortion is not None][:SESSIONS]
    values = [derive.derive([g]).values for g in whole_ones]

    def draws(of):
        for session, table in zip(whole_ones, values, strict=True):
            of(session, "content", table.metrics, table.value[0], DEFAULT)

    own, every, full = fastest(
        lambda: draws(derive.own_uncertainty),
        lambda: draws(derive.session_uncertainty),
        lambda: [full_draws.own(session, "content") for session in whole_ones],
        times=3,
    )
    print(f"in full        {full / len(whole_ones) * 1e3:7.0f} ms a session")
    for name, took, share in (("own layer", own, 0.3), ("all layers", every, 0.6)):
        print(
            f"{name:14} {took / len(whole_ones) * 1e3:7.0f} ms a session, {took / full:.2f} of in full  "
            f"(target ≤ {share})"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
