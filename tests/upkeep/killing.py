"""Kills the program at random moments of ingest, --replace, upgrade, derive, withdraw, rename, merge, export and
repair, and looks at what is left.

Run: python tests/upkeep/killing.py [TIMES] [SEED]. After each kill the file must open, verify must find nothing, and
every session that was reported stored must be there with its content. An export or a repaired file is whole or is not
there.
"""

from __future__ import annotations

import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import duckdb

import speakerdb
from speakerdb.errors import StoreError
from speakerdb.store import migrations
from speakerdb.upkeep import maintenance
from tests.folders import write_session

SESSIONS = 30
CHILD = """
import sys
import speakerdb
from speakerdb.store import migrations
from speakerdb.upkeep import maintenance
job, database, folder = sys.argv[1:]
print("started", flush=True)
def report(result):
    print(result.result, result.session, flush=True)
if job == "upgrade":
    maintenance.upgrade(__import__("pathlib").Path(database))
    print("done", flush=True)
    sys.exit()
if job == "repair":
    from pathlib import Path
    from speakerdb.upkeep import rebuilding
    rebuilding.repair(Path(database), Path(database).with_name("try.repaired.duckdb"))
    print("done", flush=True)
    sys.exit()
with speakerdb.open(database, write=True) as base:
    if job == "curation":
        rows = base.store.con.execute(
            "SELECT slug, session FROM session JOIN speaker USING (speaker_id) ORDER BY slug"
        ).fetchall()
        for (slug, first), (other, second) in zip(rows[::2], rows[1::2]):
            base.withdraw(first, "x")
            base.undo_withdrawal(first)
            base.rename(slug, slug + " b")
            base.withdraw(second, "x")
            base.merge(slug + "-b", other)
        print("done", flush=True)
        sys.exit()
    if job == "export":
        maintenance.export(base.store, __import__("pathlib").Path(database).with_name("try.export"))
    if job in ("ingest", "replace"):
        base.ingest(folder, replace=job == "replace", report=report)
    elif job == "derive":
        base.derive(everything=True)
    elif job == "from-raw":
        base.derive(from_raw=True)
    base.work_out()
print("done", flush=True)
"""


def write_folders(root: Path, tilt_db: float) -> Path:
    for i in range(SESSIONS):
        write_session(root / f"s{i:02d}", bass_hz=30.0 + i, model=f"Sill {i}", tilt_db=tilt_db)
    return root


def make_older(path: Path, version: int = 1) -> None:
    """Turn a file into one of an older schema, as an older program would have left it: its migrations up to that one,
    and all that both schemas have in common; its metrics were defined otherwise."""
    newer = path.with_name(f"{path.name}.newer")
    path.rename(newer)
    con = duckdb.connect(str(path))
    migrations.apply(con, 0, tuple(m for m in migrations.available() if m.version <= version))
    con.execute("DELETE FROM schema_version")
    con.execute(f"ATTACH '{newer}' AS newer (READ_ONLY)")

    def columns(database: str) -> dict[tuple[str, str], str]:
        rows = con.execute(
            "SELECT table_name, column_name, data_type FROM duckdb_columns() WHERE database_name = ? AND NOT internal",
            [database],
        ).fetchall()
        return {(table, column): kind for table, column, kind in rows}

    mine, theirs = columns(path.stem), columns("newer")
    views = {row[0] for row in con.execute("SELECT view_name FROM duckdb_views() WHERE NOT internal").fetchall()}
    for table in dict.fromkeys(table for table, _ in mine if table not in views):
        common = [c for t, c in mine if t == table and theirs.get((t, c)) == mine[t, c]]
        if common:
            names = ", ".join(common)
            con.execute(f"INSERT INTO {table} ({names}) SELECT {names} FROM newer.{table}")
    con.execute("DELETE FROM schema_version WHERE version > ?", [version])
    con.execute("UPDATE metric SET version = 1")
    con.close()
    newer.unlink()


def run_and_kill(job: str, path: Path, folder: Path, after_s: float) -> tuple[set[str], bool]:
    """Start a job, kill it; returns the sessions it reported stored or replaced, and whether it had finished."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, job, str(path), str(folder)], stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    assert child.stdout is not None
    assert child.stdout.readline() == "started\n"
    time.sleep(after_s)
    child.send_signal(signal.SIGKILL)
    try:
        lines = child.communicate(timeout=30)[0].splitlines()
    except subprocess.TimeoutExpired:  # something it started outlives it and holds the pipe
        raise AssertionError(f"{job}: processes were left behind after the kill") from None
    stored = {line.split()[1] for line in lines if line.split()[0] in {"stored", "replaced", "already"}}
    return stored, "done" in lines


def look(path: Path, stored: set[str]) -> list[str]:
    """What is wrong with the file after a kill."""
    if not path.exists():
        return ["the file is gone"] if stored else []
    try:
        base = speakerdb.open(path)
    except StoreError as error:
        if "empty" in error.message and not stored:
            return []
        if "speakerdb upgrade" not in error.message:
            return [f"does not open: {error.message}"]
        maintenance.upgrade(path)  # killed before the upgrade took effect: it can be done again
        base = speakerdb.open(path)
    with base:
        stale = bool(maintenance.stale_metrics(base.store))
    if stale:  # an upgrade leaves values of older definitions to `derive`
        with speakerdb.open(path, write=True) as base:
            base.derive()
    with speakerdb.open(path) as base:
        found = {row[0] for row in base.store.con.execute("SELECT session FROM session").fetchall()}
        problems = list(base.verify())
    missing = stored - found
    return problems + ([f"{len(missing)} sessions reported stored are not there"] if missing else [])


JOBS = ("ingest", "replace", "upgrade", "derive", "from-raw", "curation", "export", "repair")


class Kills:
    """What the jobs work on, in a folder: two readings of the same sessions, a file that holds the first, and an older
    one."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.first, self.second = write_folders(root / "first", 0.0), write_folders(root / "second", 0.3)
        self.full, self.older = root / "full.duckdb", root / "older.duckdb"
        with speakerdb.open(self.full, write=True) as base:
            self.stored = {r.session for r in base.ingest(self.first) if r.session}
            tables = base.store.con.execute("SELECT table_name FROM duckdb_tables()").fetchall()
            self.tables = {name for (name,) in tables}
        shutil.copy(self.full, self.older)
        make_older(self.older)

    def kill(self, job: str, rng: random.Random) -> tuple[list[str], bool]:
        """Kill one job; returns what is wrong with its file, and whether it had finished already."""
        path = self.root / "try.duckdb"
        before: set[str] = set()
        if job != "ingest":
            shutil.copy(self.older if job == "upgrade" else self.full, path)
            before = self.stored
        after_s = rng.uniform(0.0, 1.2 if job == "upgrade" else 3.0)
        stored, done = run_and_kill(job, path, self.second if job == "replace" else self.first, after_s)
        problems = look(path, stored | before)
        repaired = self.root / "try.repaired.duckdb"
        if repaired.exists():
            problems += look(repaired, before)
        exported = self.root / "try.export"
        if exported.exists() and {p.stem for p in exported.iterdir()} != self.tables:
            problems.append("a part of an export")
        for left in self.root.glob("try*"):
            shutil.rmtree(left) if left.is_dir() else left.unlink()
        return problems, done


def main(times: int, seed: int) -> int:
    rng = random.Random(seed)
    failures = finished = 0
    with tempfile.TemporaryDirectory() as work:
        kills = Kills(Path(work))
        for number in range(times):
            job = JOBS[number % len(JOBS)]
            problems, done = kills.kill(job, rng)
            finished += done
            if problems:
                failures += 1
                print(f"kill {number} during {job}: {problems[:3]}")
        print(f"{times} kills (seed {seed}): {failures} files with problems; {finished} jobs had already finished")
    return failures


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 200, int(sys.argv[2]) if len(sys.argv) > 2 else 1) > 0)
