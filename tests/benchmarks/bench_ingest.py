"""Ingest of 200 CSV sessions against reading the same files with polars alone; sizes on disk against the raw data.

Run: python tests/benchmarks/bench_ingest.py [SESSIONS]. Targets: ingest ≤ 8 × read_csv; curve table ≤ 0.5 × the raw
float32 curves; source files ≤ 0.25 × the bytes that came in. Ratios are of one run on one machine.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
import polars as pl

import speakerdb
from tests.folders import ANGLES, FREQUENCY_HZ, KEYS, level_db, toml_text


def write_noisy_sessions(root: Path, count: int) -> None:
    """72 curves × 240 points each, with measurement noise, so that nothing compresses better than real data."""
    rng = np.random.default_rng(20260301)
    orbit = np.repeat(["horizontal", "vertical"], len(ANGLES) * len(FREQUENCY_HZ))
    for i in range(count):
        base = level_db(ANGLES.astype(float), bass_hz=rng.uniform(30, 90), narrowing=rng.uniform(0.7, 1.4))
        levels = np.concatenate([base, base]) + rng.normal(0, 0.3, (2 * len(ANGLES), len(FREQUENCY_HZ)))
        levels[len(ANGLES) + 17] = levels[17]  # the axis is the same direction on both orbits
        folder = root / f"s{i:04d}"
        folder.mkdir(parents=True)
        (folder / "session.toml").write_text(toml_text({**KEYS, "model": f"Sill {i}"}))
        pl.DataFrame(
            {
                "frequency_hz": np.tile(np.round(FREQUENCY_HZ, 3), 2 * len(ANGLES)),
                "orbit": orbit,
                "angle_deg": np.tile(np.repeat(ANGLES, len(FREQUENCY_HZ)), 2),
                "level_db": np.round(levels.reshape(-1), 2),
            }
        ).write_csv(folder / "responses.csv")


def bytes_of(con, table: str) -> int:
    """Bytes a table takes in the file: its blocks times the block size."""
    blocks = con.execute(
        f"SELECT count(DISTINCT block_id) FROM pragma_storage_info('{table}') WHERE block_id >= 0"
    ).fetchall()[0][0]
    extra = con.execute(f"SELECT additional_block_ids FROM pragma_storage_info('{table}')").fetchall()
    ids = {b for (row,) in extra for b in (row or [])}
    size = con.execute("SELECT block_size FROM pragma_database_size()").fetchall()[0][0]
    return (blocks + len(ids)) * size


def main(count: int) -> None:
    with tempfile.TemporaryDirectory() as work:
        root = Path(work) / "in"
        write_noisy_sessions(root, count)
        files = sorted(root.rglob("responses.csv"))
        came_in = sum(f.stat().st_size for f in root.rglob("*.*") if f.is_file())
        speakerdb.open(Path(work) / "warm.duckdb", write=True).close()  # imports are not part of either side
        pl.read_csv(files[0])

        start = time.perf_counter()
        for file in files:
            pl.read_csv(file)
        alone = time.perf_counter() - start

        database = Path(work) / "speakers.duckdb"
        start = time.perf_counter()
        with speakerdb.open(database, write=True) as base:
            results = base.ingest(root)
        whole = time.perf_counter() - start
        assert all(r.result == "stored" for r in results)

        with speakerdb.open(database) as base:
            con = base.store.con
            curves = con.execute("SELECT count(*) FROM curve").fetchall()[0][0]
            packed = con.execute("SELECT sum(octet_length(zstd)) FROM source_file").fetchall()[0][0]
            table = bytes_of(con, "curve")
        print(f"{count} sessions, {came_in / 1e6:.0f} MB of files")
        print(f"read_csv alone        {alone / count * 1e3:8.2f} ms a session")
        print(f"ingest                {whole / count * 1e3:8.2f} ms a session")
        print(f"ingest / read_csv     {whole / alone:8.2f}     (target ≤ 8)")
        print(f"curve table / raw     {table / (curves * 199 * 4):8.2f}     (target ≤ 0.5)")
        print(f"source files / input  {packed / came_in:8.2f}     (target ≤ 0.25)")
        print(f"database file         {database.stat().st_size / 1e6:8.1f} MB")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
