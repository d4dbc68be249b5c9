"""Folders in: read, check identity, derive, store in groups. Each session stands alone."""

from __future__ import annotations

import dataclasses
import itertools
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from speakerdb import derive, formats
from speakerdb.errors import DataError, ErrorItem, SpeakerdbError
from speakerdb.field import error_models
from speakerdb.store import NewSession, Store, changes, session_key, session_rows, writing
from speakerdb.upkeep import identity, repooling

if TYPE_CHECKING:
    from speakerdb.formats import Sheet
    from speakerdb.session import LedgerEntry

GROUP_SESSIONS, GROUP_S = 20, 0.5  # a commit is due after so many sessions or so long (method:data#the-database-file)
_READERS = 2  # folders read ahead at the same time
_AHEAD = 8
_LONGEST_FAULT = 200

Result = Literal["stored", "already", "replaced", "withdrawn", "asked", "refused"]
NOT_STORED: tuple[Result, ...] = ("withdrawn", "asked", "refused")  # what stands in the way of a folder's session


@dataclass(frozen=True)
class IngestResult:
    """What became of one folder. session and speaker are None where the folder could not be read that far."""

    folder: str
    result: Result
    session: str | None = None
    speaker: str | None = None
    errors: tuple[ErrorItem, ...] = ()
    warnings: tuple[str, ...] = ()
    ledger: tuple[LedgerEntry, ...] = ()


def read_as_new(folder: Path, root: Path | None, sheet: Sheet | None) -> NewSession:
    """Read one folder as far as the analysis grid; raises DataError with all that is wrong in it, whatever is in it."""
    try:
        session = formats.read_session(folder, root=root, sheet=sheet)
        grid = derive.to_grid(session)
    except (SpeakerdbError, KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:  # a library's panic is no Exception: it must not take the other folders with it
        raise unforeseen(folder, error) from error
    warnings = (*session.warnings, *derive.axis_notes(grid))
    return NewSession(formats.content_hash(session), grid, str(folder), session.sources, warnings, session.ledger)


def unforeseen(folder: Path | str, error: BaseException) -> DataError:
    """What a folder is refused with that met a fault of this program or of a library."""
    what = f"{type(error).__name__}: {error}".splitlines()[0][:_LONGEST_FAULT]
    found = f"something that could not be read (internal: {what})"
    item = ErrorItem(folder=str(folder), found=found, expected="a report of it, with the folder; the others are stored")
    return DataError(f"{folder}: {item}", (item,))


def _read_ahead(tasks: Sequence[Task], sheet: Sheet | None) -> Iterator[tuple[Path, NewSession | DataError]]:
    """Read folders on other threads, a few ahead, and give them in order."""

    def attempt(folder: Path, root: Path | None) -> NewSession | DataError:
        try:
            return read_as_new(folder, root, sheet)
        except DataError as error:
            return error

    with ThreadPoolExecutor(_READERS) as pool:
        waiting: deque[tuple[Path, Future[NewSession | DataError]]] = deque()
        upcoming = iter(tasks)
        for folder, root in itertools.islice(upcoming, _AHEAD):
            waiting.append((folder, pool.submit(attempt, folder, root)))
        while waiting:
            folder, future = waiting.popleft()
            yield folder, future.result()
            for folder_, root in itertools.islice(upcoming, 1):
                waiting.append((folder_, pool.submit(attempt, folder_, root)))


Task = tuple[Path, Path | None]


def find_tasks(folders: Iterable[Path], sheet: Path | None = None) -> tuple[list[Task], Sheet | None]:
    """Every session folder below the given ones, with the folder it was asked for under (defaults are looked for up to
    there).

    Also the sheet, read. Raises DataError where there is nothing to ingest or the sheet can't be read.
    """
    table = formats.read_sheet(sheet) if sheet is not None else None
    tasks: dict[Path, Task] = {}
    for folder in folders:
        for session_folder in formats.find_sessions(folder, sheet=table):
            tasks.setdefault(session_folder.resolve(), (session_folder, folder))
    return list(tasks.values()), table


def ingest(
    store: Store | None,
    folders: Sequence[Path],
    *,
    sheet: Path | None = None,
    replace: bool = False,
    report: Callable[[IngestResult], None] = lambda _: None,
    begin: Callable[[int], None] = lambda _: None,
    name: Callable[[Path], str] = str,
    read: Sequence[tuple[Path, NewSession | DataError]] | None = None,
) -> list[IngestResult]:
    """Store every session found in the folders; store None is a dry run. read: what they hold, where it was read
    already.

    begin is called with the number of folders found, report with each result once it is final (after its commit). name
    gives what a folder is called in results and in the file: its path, unless that lasts for this run only.
    Raises DataError where there is nothing to ingest at all.
    """
    tasks, table = find_tasks(folders, sheet) if read is None else ([], None)
    begin(len(tasks) if read is None else len(read))
    results: list[IngestResult] = []

    def settle(group: Sequence[IngestResult]) -> None:
        results.extend(group)
        for result in group:
            report(result)

    pending: list[tuple[str, NewSession]] = []
    keys: set[str] = set()
    last_commit = time.monotonic()

    def flush() -> None:
        nonlocal last_commit
        settle(_store(store, pending, replace=replace))
        pending.clear()
        keys.clear()
        last_commit = time.monotonic()

    for folder, outcome in _read_ahead(tasks, table) if read is None else read:
        if isinstance(outcome, DataError):
            items = outcome.items or (ErrorItem(found=outcome.message),)
            errors = tuple(identity.in_folder(item, name(folder)) for item in items)
            settle([IngestResult(name(folder), "asked" if outcome.asked else "refused", errors=errors)])
            continue
        key = session_key(outcome.info)
        if key in keys or len(pending) >= GROUP_SESSIONS or time.monotonic() - last_commit > GROUP_S:
            flush()
        pending.append((name(folder), dataclasses.replace(outcome, folder=name(folder))))
        keys.add(key)
    flush()
    return results


def _store(store: Store | None, group: Sequence[tuple[str, NewSession]], *, replace: bool) -> list[IngestResult]:
    """Store a group; where it meets a fault, each of its sessions by itself, so that one is refused and not all."""
    try:
        return _store_group(store, group, replace=replace)
    except (SpeakerdbError, OSError, KeyboardInterrupt, SystemExit):
        raise
    except BaseException as error:
        if store is not None and not store.is_sound():
            raise
        if len(group) == 1:
            (folder, new), fault = group[0], unforeseen(group[0][0], error)
            return [IngestResult(folder, "refused", session_key(new.info), new.info.slug, fault.items)]
        return [result for one in group for result in _store(store, [one], replace=replace)]


def _store_group(store: Store | None, group: Sequence[tuple[str, NewSession]], *, replace: bool) -> list[IngestResult]:
    """Decide on each session of the group and store those that are new, in one transaction."""
    if not group:
        return []
    if store is None:
        return [
            IngestResult(
                folder, "stored", session_key(new.info), new.info.slug, warnings=new.warnings, ledger=new.ledger
            )
            for folder, new in group
        ]
    results: list[IngestResult] = []
    fresh: list[NewSession] = []
    superseded: list[int] = []
    known = identity.look_up(store, [new for _, new in group])
    for folder, as_read in group:
        new, renamed = identity.as_stored(as_read, known)
        key, slug = session_key(new.info), new.info.slug
        verdict = identity.check(store, new, known, replace=replace)
        if verdict.errors:
            items = tuple(identity.in_folder(e, folder) for e in verdict.errors)
            results.append(IngestResult(folder, verdict.result, key, slug, items, ledger=new.ledger))
        elif verdict.already:
            results.append(IngestResult(folder, "already", key, slug, warnings=renamed, ledger=new.ledger))
        else:
            fresh.append(new)
            known.add(new)
            if verdict.supersedes is not None:
                superseded.append(verdict.supersedes)
            word: Result = "stored" if verdict.supersedes is None else "replaced"
            warnings = (*new.warnings, *renamed, *verdict.warnings)
            results.append(IngestResult(folder, word, key, slug, warnings=warnings, ledger=new.ledger))
    if fresh:
        derived = derive.derive(error_models.aligned([new.grid for new in fresh], error_models.current(store)))
        with store.transaction():
            for old in superseded:
                changes.supersede(store.con, old)
            ids = writing.insert_sessions(store.con, fresh, derived.values, derived.summary, derived.listening_axis)
            repooling.repool(store, session_rows.speakers_of(store.con, ids))
    return results
