"""What reading sessions costs beside polars.read_csv of the same files: `python tests/benchmarks/bench_formats.py
[SESSIONS]`."""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from speakerdb.formats import content_hash, find_sessions, read_session
from tests.formats import sessions

FREQUENCY_HZ = np.round(20.0 * 2.0 ** (np.arange(240) / 24.0), 3)  # 72 curves × 240 points, as in the ingest target


def best_of(times: int, action: Callable[[], object]) -> float:
    """Shortest of several runs, in seconds."""
    shortest = float("inf")
    for _ in range(times):
        start = time.perf_counter()
        action()
        shortest = min(shortest, time.perf_counter() - start)
    return shortest


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    with tempfile.TemporaryDirectory() as name:
        folders = [
            sessions.write_plain(
                Path(name) / f"s{i:03d}", sessions.response_frame(seed=i, frequency_hz=FREQUENCY_HZ), model=f"Sill {i}"
            )
            for i in range(count)
        ]
        read_session(folders[0])  # imports and the compiled schema are paid once
        find_s = best_of(3, lambda: find_sessions(Path(name)))
        csv_s = read_s = hash_s = levels = 0.0
        for folder in folders:  # in turn and the shortest of several, so that a busy machine weighs on all alike
            csv_s += best_of(5, lambda: pl.read_csv(folder / "responses.csv"))  # noqa: B023
            read_s += best_of(5, lambda: read_session(folder, Path(name)))  # noqa: B023
            session = read_session(folder, Path(name))
            hash_s += best_of(5, lambda: content_hash(session))  # noqa: B023
            levels += sum(b.level_db.size for b in session.blocks)
    print(f"{count} sessions of 72 curves × 240 points, {levels:,.0f} levels")
    print(f"polars.read_csv        {1000 * csv_s / count:6.2f} ms a session   1.00")
    for label, seconds in (
        ("find_sessions", find_s),
        ("read_session", read_s),
        ("content_hash", hash_s),
        ("all of them", find_s + read_s + hash_s),
    ):
        print(f"{label:<22} {1000 * seconds / count:6.2f} ms a session  {seconds / csv_s:5.2f}")


if __name__ == "__main__":
    main()
