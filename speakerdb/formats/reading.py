"""A session folder into one Session, or one error that holds everything that is wrong with it."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import TypeVar

from speakerdb.formats import keys as session_keys
from speakerdb.formats.curves import blocks_of
from speakerdb.formats.keys import Keys
from speakerdb.formats.problems import Problems
from speakerdb.formats.sheet import Sheet
from speakerdb.formats.sweeps import compression_of, distortion_of, impedance_of
from speakerdb.formats.tables import (
    COMPRESSION,
    DISTORTION,
    IMPEDANCE,
    RESPONSES,
    TABLE_SUFFIXES,
    Table,
    TableForm,
    find_table,
    read_table,
)
from speakerdb.formats.toml_files import parse_toml
from speakerdb.formats.view import SESSION_FILE, DiskFolder, FolderView, KeptFolder
from speakerdb.session import CurveBlock, Session, SourceFile

T = TypeVar("T")


def read_session(folder: Path, root: Path | None = None, sheet: Sheet | None = None) -> Session:
    """Read a session folder.

    Defaults come from every folder.toml in the folder and above it, the nearest winning key by key, then from the row of
    the sheet that names the folder, then from session.toml. root: the folder that was asked for, below which sheet rows
    are looked for.

    Raises DataError whose items name every defect with folder, file, line or key, what was found and what was expected.
    """
    problems = Problems(str(folder))
    if not folder.is_dir():
        problems.add("no such folder", "a folder that holds session.toml and responses")
        raise problems.error()
    return _read(DiskFolder(folder), problems)


def read_sources(folder: str, sources: Iterable[SourceFile]) -> Session:
    """Read a session again from its kept source files alone; folder is its name in messages. Raises DataError."""
    return _read(KeptFolder(folder, sources), Problems(folder))


def _read(view: FolderView, problems: Problems) -> Session:
    keys = _keys_of(view, problems)
    if keys is not None:
        session_keys.check(keys, problems)
    blocks = _responses(view, problems)
    distortion = _optional(view, DISTORTION, distortion_of, problems) or ()
    compression = _optional(view, COMPRESSION, compression_of, problems) or ()
    impedance = _optional(view, IMPEDANCE, impedance_of, problems)
    problems.raise_if_any()
    assert keys is not None
    return Session(
        folder=view.folder,
        info=session_keys.build(keys.values),
        blocks=blocks,
        distortion=distortion,
        compression=compression,
        impedance=impedance,
        sources=view.sources(),
    )


def _keys_of(view: FolderView, problems: Problems) -> Keys | None:
    """The keys folded together; None where a file is so broken that what is missing cannot be told."""
    keys, whole = Keys(), True
    own = (SESSION_FILE,) if SESSION_FILE in view.names else ()
    for name in (*reversed(view.inherited), *own):
        content = view.read(name, problems)
        parsed = parse_toml(name, content, problems) if content is not None else None
        if parsed is None:
            whole = False
        else:
            keys.fold_in(parsed.keys, parsed)
    return keys if whole else None


def _responses(view: FolderView, problems: Problems) -> tuple[CurveBlock, ...]:
    file = find_table(view, RESPONSES.name, TABLE_SUFFIXES, problems)
    if file is None:
        if not any(n.startswith("responses.") for n in view.names):
            problems.add("no responses", "responses.csv, .csv.gz, .parquet or .sofa, or a folder of text traces")
        return ()
    table = read_table(view, file, RESPONSES, problems)
    return blocks_of(table, problems) if table is not None else ()


def _optional(view: FolderView, form: TableForm, parse: Callable[[Table, Problems], T], problems: Problems) -> T | None:
    file = find_table(view, form.name, TABLE_SUFFIXES, problems)
    table = read_table(view, file, form, problems) if file is not None else None
    return parse(table, problems) if table is not None else None
