"""What uncertainty costs: draws on disk against the curves they come from, and relatives told apart or not.

Run: python tests/benchmarks/bench_statistics.py. Wanted: draws of both layers at most 0.75 × the raw single-precision
curves of the session (72 × 199), 1.7 times what one layer took; match with its test under 200 ms. Places:
bench_ranks.py; 400 draws of a session: bench_derive.py.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import duckdb

import speakerdb

RAW_CURVES = 72 * 199 * 4  # bytes a session
DRAWS = ("own_draw", "bench_draw")
TABLES = (*DRAWS, "curve")


def on_disk(source: Path, table: str, folder: Path) -> int:
    """Bytes of a file that holds this table alone, less those of an empty file."""
    sizes = []
    for name, condition in (("empty", " WHERE false"), ("full", "")):
        target = folder / f"{table}-{name}.duckdb"
        with duckdb.connect(str(target)) as con:
            con.execute(f"ATTACH '{source}' AS source (READ_ONLY)")
            con.execute(f"CREATE TABLE {table} AS SELECT * FROM source.{table}{condition}")
        sizes.append(target.stat().st_size)
    return sizes[1] - sizes[0]


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "speakers.duckdb"
        with speakerdb.open(path, write=True) as base:
            base.ingest(ROOT / "seed_data" / "fleet")
            start = time.perf_counter()
            count = base.work_out()
            took = time.perf_counter() - start
        print(
            f"{count} sessions, intervals worked out in {took:.0f} s ({took / count * 1e3:.0f} ms a session "
            "on all cores)"
        )
        sizes = {table: on_disk(path, table, folder) / count for table in TABLES}
        for table, size in sizes.items():
            print(f"table {table:10}  {size / 1e3:6.1f} kB a session, {size / RAW_CURVES:.2f} × the raw curves")
        print(f"draws together    {sum(sizes[t] for t in DRAWS) / RAW_CURVES:.2f} × the raw curves  (target ≤ 0.75)")
        with speakerdb.open(path) as base:
            speakers = base.list().rows.filter(kind="bookshelf")["speaker"].to_list()
            base.match(speakers[0])  # curves and facts are read once per state
            times = []
            for speaker in speakers[1:8]:
                start = time.perf_counter()
                base.match(speaker)
                times.append(time.perf_counter() - start)
            print(
                f"match with its test, 10 relatives  {min(times) * 1e3:.0f} … {max(times) * 1e3:.0f} ms  (target < 200)"
            )


if __name__ == "__main__":
    main()
