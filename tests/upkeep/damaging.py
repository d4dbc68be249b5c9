"""Damaged files: bytes flipped, files cut, rows deleted or altered behind the program's back. `verify --deep` finds
each, nothing ends in a traceback, and `repair` brings back what the sources hold.

    python -m tests.upkeep.damaging [COUNT] [SEED]
"""

from __future__ import annotations

import contextlib
import datetime as dt
import io
import random
import shutil
import sys
import tempfile
from collections import Counter
from pathlib import Path

import duckdb

import speakerdb
from speakerdb.cli.main import _run
from tests.folders import write_fleet

TABLES = (
    "session",
    "speaker",
    "speaker_alias",
    "maker",
    "lab",
    "fact",
    "price",
    "curve",
    "summary_curve",
    "listening_axis",
    "metric",
    "metric_value",
    "uncertainty",
    "own_draw",
    "bench_draw",
    "pooled_value",
    "pooled_curve",
    "speaker_setting",
    "source_file",
)
STAMPS = ("ingested_at", "changed_at", "applied_at")


def build(place: Path) -> Path:
    """A small file with something in every table."""
    write_fleet(place / "in", 3)
    path = place / "speakers.duckdb"
    facts = place / "facts.csv"
    facts.write_text("speaker,name,value,currency,per,date,source\n")
    with speakerdb.open(path, write=True) as base:
        base.ingest(place / "in")
        slugs = [row[0] for row in base.store.con.execute("SELECT slug FROM speaker ORDER BY 1").fetchall()]
        rows = [f"{slugs[0]},price_street,500,EUR,pair,2026-01-02,shop", f"{slugs[1]},mass_kg,7.5,,,2026-01-02,scale"]
        facts.write_text("speaker,name,value,currency,per,date,source\n" + "\n".join(rows) + "\n")
        base.bring_facts(facts)
        base.rename(slugs[2], "another name")
        base.work_out()
    return path


def alter(path: Path, rng: random.Random, table: str) -> str:
    """Change one value of one row."""
    with duckdb.connect(str(path)) as con:
        columns = con.execute(
            "SELECT column_name, data_type FROM duckdb_columns() WHERE table_name = ? ORDER BY column_index", [table]
        ).fetchall()
        while True:
            name, kind = rng.choice(columns)
            rows = con.execute(f'SELECT rowid FROM {table} WHERE "{name}" IS NOT NULL').fetchall()
            if rows and name not in STAMPS:
                break
        (row,) = rng.choice(rows)
        con.execute(f'UPDATE {table} SET "{name}" = {_other(name, kind, rng)} WHERE rowid = ?', [row])
    return f"altered {table}.{name} ({kind})"


def _other(name: str, kind: str, rng: random.Random) -> str:
    column = f'"{name}"'
    if "[" in kind:
        at, step = rng.randrange(40, 150), "1" if kind.startswith("F") else "3"
        return (
            f"list_transform({column}::{kind.split('[', maxsplit=1)[0]}[], lambda v, i: CASE WHEN i = {at} "
            f"THEN (CASE WHEN isnan(v::DOUBLE) THEN 1 WHEN v > 100 THEN v - {step} ELSE v + {step} END) "
            f"ELSE v END)::{kind}"
        )
    if kind in {"INTEGER", "SMALLINT", "BIGINT"}:
        return f"{column} + 1000"
    if kind in {"DOUBLE", "FLOAT"}:
        return f"{column} * 1.01 + 0.5"
    if kind == "BOOLEAN":
        return f"NOT {column}"
    if kind == "DATE":
        return f"{column} + 1"
    if kind == "BLOB":
        return f"substring(hex({column}), 1, 20)::BLOB"
    if kind == "JSON":
        return f"replace({column}::VARCHAR, 'a', 'e')::JSON"
    return f"{column} || 'x'"


def delete(path: Path, rng: random.Random, table: str) -> str:
    with duckdb.connect(str(path)) as con:
        rows = con.execute(f"SELECT rowid FROM {table}").fetchall()
        con.execute(f"DELETE FROM {table} WHERE rowid = ?", [rng.choice(rows)[0]])
    return f"deleted a row of {table}"


def flip(path: Path, rng: random.Random) -> str:
    content = bytearray(path.read_bytes())
    at = rng.randrange(len(content))
    content[at] ^= 1 << rng.randrange(8)
    path.write_bytes(content)
    return f"flipped a bit at {at}"


def cut(path: Path, rng: random.Random) -> str:
    content = path.read_bytes()
    at = rng.randrange(len(content))
    path.write_bytes(content[:at])
    return f"cut at {at}"


def blank(path: Path, rng: random.Random) -> str:
    content = bytearray(path.read_bytes())
    at, length = rng.randrange(len(content)), rng.choice((16, 4096, 300_000))
    content[at : at + length] = bytes(len(content[at : at + length]))
    path.write_bytes(content)
    return f"blanked {length} bytes at {at}"


def run_command(*arguments: str) -> tuple[int, str]:
    """Exit code, and all that was printed."""
    out, errors = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(errors):
        code = _run(list(arguments), json=False)
    return code, out.getvalue() + errors.getvalue()


def content_of(path: Path) -> dict[str, object] | None:
    """A hash of each table's rows; None where they can't all be read."""
    try:
        with duckdb.connect(str(path), read_only=True) as con:
            names = [r[0] for r in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()]
            return {n: con.execute(f"SELECT count(*), sum(hash(t)) FROM {n} t").fetchall() for n in sorted(names)}
    except duckdb.Error:
        return None


def answers_of(path: Path) -> object:
    """What the file answers: pooled values of all speakers by metric."""
    with duckdb.connect(str(path), read_only=True) as con:
        return con.execute(
            "SELECT m.id, round(p.value, 6), p.censored, p.status, round(p.low, 4), round(p.high, 4) "
            "FROM pooled_value p JOIN metric m USING (metric_no) ORDER BY ALL"
        ).fetchall()


def one(sound: Path, place: Path, rng: random.Random, number: int) -> tuple[str, str]:
    """(what was done, what came of it: found, harmless, restored …, or FAULT with what)."""
    path = place / "speakers.duckdb"
    shutil.copy(sound, path)
    way = number % 5
    if way < 2:
        what = alter(path, rng, TABLES[(number // 5) % len(TABLES)] if rng.random() < 0.7 else rng.choice(TABLES))
    elif way == 2:
        what = delete(path, rng, rng.choice(TABLES))
    else:
        what = rng.choice((flip, flip, cut, blank))(path, rng)
    code, printed = run_command("verify", "--deep", "--db", str(path))
    if "Traceback" in printed or "did not foresee" in printed:
        return what, f"FAULT: verify says {printed[-600:]}"
    if code == 0:
        if content_of(path) == content_of(sound):
            return what, "harmless"  # in room that holds nothing
        return what, "FAULT: not found"
    target = place / "repaired.duckdb"
    code, printed = run_command("repair", "--db", str(path), "--out", str(target))
    if "Traceback" in printed or "did not foresee" in printed:
        return what, f"FAULT: repair says {printed[-600:]}"
    if not target.exists():
        return what, "found, nothing left to restore" if content_of(path) is None else f"FAULT: {printed[-300:]}"
    again, told = run_command("verify", "--deep", "--db", str(target))
    if again and "as they stood" not in printed:
        return what, f"FAULT: the repaired file: {told[-300:]}"
    if answers_of(target) == answers_of(sound):
        return what, "found, answers restored"
    if "lost" in printed and " 0 lost" not in printed:
        return what, "found, a session lost"
    return what, "found, restored in part"


def run(count: int, seed: int, *, progress: bool = False) -> tuple[Counter[str], list[str]]:
    rng = random.Random(seed)
    outcomes: Counter[str] = Counter()
    faults = []
    with tempfile.TemporaryDirectory() as root:
        sound = build(Path(root) / "sound")
        code, printed = run_command("verify", "--deep", "--db", str(sound))
        assert code == 0, printed
        for number in range(count):
            place = Path(root) / f"{number}"
            place.mkdir()
            what, outcome = one(sound, place, rng, number)
            outcomes[outcome.partition(":")[0]] += 1
            if outcome.startswith("FAULT"):
                faults.append(f"{number}: {what}: {outcome}")
            if progress:
                print(f"{dt.datetime.now():%H:%M:%S} {number}: {what}: {outcome[:300]}", flush=True)
            shutil.rmtree(place)
    return outcomes, faults


def main() -> int:
    count, seed = int(sys.argv[1]) if len(sys.argv) > 1 else 200, int(sys.argv[2]) if len(sys.argv) > 2 else 1
    outcomes, faults = run(count, seed, progress=True)
    print(dict(outcomes))
    print("\n".join(faults))
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
