"""Opening the one DuckDB file, and saying in plain words why it can't be opened."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from speakerdb.errors import BusyError, StoreError
from speakerdb.files import refuse_odd
from speakerdb.store import doing

if TYPE_CHECKING:
    from collections.abc import Iterable

    import duckdb

LOCK_WAIT_S = 10.0  # how long a writer waits for another process to finish (method:data#the-database-file)
_HEADER_BYTES = 12  # DuckDB writes the letters DUCK at byte 8 of every file
# That rows are of some sessions; by the range DuckDB passes over blocks of rows that hold none of them
_FULL = ("no space left", "disk full", "quota", "not enough space", "could not write all bytes")
_NO_WRITING = ("read-only file system", "permission denied", "read-only mode")
_LONGEST_REASON = 160
OF_SESSIONS = "session_id BETWEEN ? AND ? AND list_contains(?, session_id)"


# a file may come from a stranger: nothing in it may reach beyond it
_LOCKED: dict[str, str | bool | int | float | list[str]] = {
    "enable_external_access": False,
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "lock_configuration": True,
}


def connect(
    path: Path, *, write: bool, wait_s: float | None = None, beside: Path | None = None
) -> duckdb.DuckDBPyConnection:
    """Connect to the file at `path`; with write=True it is made where it does not exist. Nothing in it can read or
    write other files; beside: a folder that may be written to all the same.

    Raises StoreError for a missing, locked, damaged or foreign file. Writers wait up to LOCK_WAIT_S for the lock, and
    ask readers to let go of it.
    """
    if not write and not path.exists():
        raise StoreError(
            f"there is no database at {path}. Make one with `speakerdb ingest FOLDER` or `speakerdb demo`, "
            "or name yours with --db"
        )
    if path.is_dir():
        raise StoreError(f"{path} is a folder; expected a database file")
    if path.exists():
        _refuse_foreign_bytes(path)
    elif not path.parent.exists():
        raise StoreError(f"the folder {path.parent} does not exist; make it first")
    deadline = time.monotonic() + (LOCK_WAIT_S if write else 0.0) if wait_s is None else time.monotonic() + wait_s
    try:
        return _open(path, write=write, deadline=deadline, beside=beside)
    finally:
        if write:
            doing.ask_no_more(path)


def _open(path: Path, *, write: bool, deadline: float, beside: Path | None) -> duckdb.DuckDBPyConnection:
    """Open the file, waiting for its lock; a reader is asked to let go meanwhile."""
    import duckdb

    while True:
        try:
            if beside is None:
                return duckdb.connect(str(path), read_only=not write, config=_LOCKED)
            con = duckdb.connect(str(path), read_only=not write)
            con.execute("SET allowed_directories = [$1]", [str(beside.absolute())])
            for key, value in _LOCKED.items():
                con.execute(f"SET {key} = {value}")
            return con
        except duckdb.IOException as error:
            text = str(error)
            if "lock" not in text.lower():
                raise _plain(path, text) from None
            if time.monotonic() >= deadline:
                raise BusyError(_lock_sentence(path, text)) from None
            if write:
                doing.ask_to_write(path)
            time.sleep(0.1)
        except duckdb.Error as error:
            raise _plain(path, str(error)) from None


def _refuse_foreign_bytes(path: Path) -> None:
    try:
        refuse_odd(path)
        with path.open("rb") as file:
            head = file.read(_HEADER_BYTES)
    except OSError as error:
        raise StoreError(f"{path} can't be read: {error.strerror or error}") from None
    if head and head[8:12] != b"DUCK":
        raise StoreError(f"{path} is not a database of this program: its first bytes are not those of a DuckDB file")
    if not head:
        raise StoreError(f"{path} is an empty file; expected a database. Delete it or choose another name")


def _lock_sentence(path: Path, text: str) -> str:
    holder = re.search(r"held in (.*?)\(PID (\d+)\)", text)
    pid = re.search(r"PID (\d+)", text)
    who = f" by process {pid.group(1)}" if pid else ""
    name = f" ({Path(holder.group(1).strip()).name})" if holder and holder.group(1).strip() else ""
    writes = doing.by(path, int(pid.group(1))) if pid else None
    if writes is not None:
        return f"{path} is being written{who} ({writes}). Wait until it has finished, then try again"
    return (
        f"{path} is in use{who}{name}: whoever reads keeps out who writes, and one that writes keeps out all others. "
        "Wait until it has finished, then try again"
    )


def _plain(path: Path, text: str) -> StoreError:
    first = text.strip().splitlines()[0]
    if "version" in text.lower() and "storage" in text.lower():
        return StoreError(f"{path} was written in another DuckDB storage format than this installation reads: {first}")
    if "permission" in text.lower():
        return StoreError(f"{path} can't be opened: permission denied")
    return StoreError(
        f"{path} is damaged or not a complete database ({first}). Restore a copy, or ingest the session "
        "folders into a new file; `speakerdb repair` saves what can be read"
    )


def in_words(error: BaseException) -> str | None:
    """What a fault of the database or of the disk means and what to do; None for any other fault."""
    import duckdb

    text = str(error).strip()
    first = text.splitlines()[0] if text else type(error).__name__
    lower = text.lower()
    if isinstance(error, OSError | duckdb.Error) and any(word in lower for word in _FULL):
        return (
            "the disk is full: what had not been reported as done was not kept. Free some room and run the command "
            "again; it goes on where it stopped"
        )
    if isinstance(error, duckdb.Error) and any(word in lower for word in _NO_WRITING):
        return f"the place can't be written to ({first})"
    ours = (duckdb.BinderException, duckdb.ParserException, duckdb.InvalidInputException)
    if isinstance(error, duckdb.Error) and not isinstance(error, ours):
        return (
            f"the database file is damaged ({first[:_LONGEST_REASON]}). `speakerdb verify --deep` names what is, "
            "`speakerdb repair` writes a new file with all that can be saved"
        )
    return None


def fetch_one(con: duckdb.DuckDBPyConnection, sql: str, params: object = None) -> tuple[Any, ...] | None:
    """The first row, or None. Reads the whole result: DuckDB 2 keeps a connection busy until a result is used up."""
    rows = con.execute(sql, params).fetchall()
    return rows[0] if rows else None


def of_sessions(session_ids: Iterable[int]) -> list[object]:
    """What OF_SESSIONS is asked with, for one session or more."""
    ids = [int(i) for i in session_ids]
    return [min(ids), max(ids), ids]
