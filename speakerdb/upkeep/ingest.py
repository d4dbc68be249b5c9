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
from speakerdb.errors import DataError, ErrorItem
from speakerdb.field import error_models
from speakerdb.store import NewSession, Store, changes, session_key, session_rows, writing
from speakerdb.upkeep import identity, repooling

if TYPE_CHECKING:
    from speakerdb.formats import Sheet

GROUP_SESSIONS, GROUP_S = 20, 0.5  # a commit is due after so many sessions or so long (method:data#the-database-file)
_READERS = 2  # folders read ahead at the same time
_AHEAD = 8

Result = Literal["stored", "already", "replaced", "refused"]


@dataclass(frozen=True)
class IngestResult:
    """What became of one folder. session and speaker are None where the folder could not be read that far."""

    folder: str
    result: Result
    session: str | None = None
    speaker: str | None = None
    errors: tuple[ErrorItem, ...] = ()
    warnings: tuple[str, ...] = ()


def prepare(folder: Path, root: Path | None, sheet: Sheet | None) -> NewSession:
    """Read one folder as far as the analysis grid; raises DataError with all that is wrong in it."""
    session = formats.read_session(folder, root=root, sheet=sheet)
    grid = derive.to_grid(session)
    warnings = (*session.warnings, *derive.axis_notes(grid))
    return NewSession(formats.content_hash(session), grid, str(folder), session.sources, warnings)


def _read_ahead(tasks: Sequence[Task], sheet: Sheet | None) -> Iterator[tuple[Path, NewSession | DataError]]:
    """Read folders on other threads, a few ahead, and give them in order."""

    def attempt(folder: Path, root: Path | None) -> NewSession | DataError:
        try:
            return prepare(folder, root, sheet)
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
) -> list[IngestResult]:
    """Store every session found in the folders; store None is a dry run.

    begin is called with the number of folders found, report with each result once it is final (after its commit). name
    gives what a folder is called in results and in the file: its path, unless that lasts for this run only.
    Raises DataError where there is nothing to ingest at all.
    """
    tasks, table = find_tasks(folders, sheet)
    begin(len(tasks))
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
        settle(_store_group(store, pending, replace=replace))
        pending.clear()
        keys.clear()
        last_commit = time.monotonic()

    for folder, outcome in _read_ahead(tasks, table):
        if isinstance(outcome, DataError):
            items = outcome.items or (ErrorItem(found=outcome.message),)
            errors = tuple(identity.in_folder(item, name(folder)) for item in items)
            settle([IngestResult(name(folder), "refused", errors=errors)])
            continue
        key = session_key(outcome.info)
        if key in keys or len(pending) >= GROUP_SESSIONS or time.monotonic() - last_commit > GROUP_S:
            flush()
        pending.append((name(folder), dataclasses.replace(outcome, folder=name(folder))))
        keys.add(key)
    flush()
    return results


def _store_group(store: Store | None, group: Sequence[tuple[str, NewSession]], *, replace: bool) -> list[IngestResult]:
    """Decide on each session of the group and store those that are new, in one transaction."""
    if not group:
        return []
    if store is None:
        return [
            IngestResult(folder, "stored", session_key(new.info), new.info.slug, warnings=new.warnings)
            for folder, new in group
        ]
    results: list[IngestResult] = []
    fresh: list[NewSession] = []
    superseded: list[int] = []
    known = identity.look_up(store, [new for _, new in group])
    for folder, new in group:
        key, slug = session_key(new.info), new.info.slug
        verdict = identity.check(store, new, known, replace=replace)
        if verdict.errors:
            items = tuple(identity.in_folder(e, folder) for e in verdict.errors)
            results.append(IngestResult(folder, "refused", key, slug, items))
        elif verdict.already:
            results.append(IngestResult(folder, "already", key, slug))
        else:
            fresh.append(new)
            known.add(new)
            if verdict.supersedes is not None:
                superseded.append(verdict.supersedes)
            word: Result = "stored" if verdict.supersedes is None else "replaced"
            results.append(IngestResult(folder, word, key, slug, warnings=(*new.warnings, *verdict.warnings)))
    if fresh:
        derived = derive.derive(error_models.aligned([new.grid for new in fresh], error_models.current(store)))
        with store.transaction():
            for old in superseded:
                changes.supersede(store.con, old)
            ids = writing.insert_sessions(store.con, fresh, derived.values, derived.summary, derived.listening_axis)
            repooling.repool(store, session_rows.speakers_of(store.con, ids))
    return results
