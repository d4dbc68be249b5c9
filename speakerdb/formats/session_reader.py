"""A session folder into one Session, or one error that holds everything that is wrong with it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from speakerdb.errors import DataError, ErrorItem
from speakerdb.formats import keys as session_keys
from speakerdb.formats.columns import map_of, mapped_files, read_mapped
from speakerdb.formats.decoding import decode
from speakerdb.formats.guess_files import rival_reading
from speakerdb.formats.headers import header_says
from speakerdb.formats.judge import ANGLE, Doubt, judge, of_remarks, of_signs
from speakerdb.formats.keys import Keys, SheetOrigin
from speakerdb.formats.ledger import entries, warn_of_overlooked
from speakerdb.formats.problems import Problems, shown
from speakerdb.formats.responses import ResponseFiles, find_responses, read_responses
from speakerdb.formats.session_sheet import KEPT_NAME, Sheet, SheetRow, rows_from
from speakerdb.formats.splitting import open_folder
from speakerdb.formats.sweeps import compression_of, distortion_of, impedance_of
from speakerdb.formats.tables import (
    COMPRESSION,
    DISTORTION,
    IMPEDANCE,
    ORBITS,
    TABLE_SUFFIXES,
    Table,
    TableForm,
    find_table,
    read_table,
)
from speakerdb.formats.toml_files import parse_toml
from speakerdb.formats.traces import TRACE_FOLDER, explain_no_match, patterns_of
from speakerdb.formats.view import (
    IMPULSES,
    PREPARED_FILE,
    RAW_FILE,
    SESSION_FILE,
    FolderView,
    KeptFolder,
    above,
    readable,
)
from speakerdb.session import CurveBlock, Session, SourceFile, SphereBlock

_NO_TEXT = (".parquet", ".gz", ".xlsx")

T = TypeVar("T")


def read_session(folder: Path, root: Path | None = None, sheet: Sheet | None = None) -> Session:
    """Read a session folder.

    Defaults come from every folder.toml in the folder and above it up to root, the nearest winning key by key; then
    come the row of the sheet that names the folder, and session.toml, which must not contradict each other. root: the
    folder that was asked for (default: the folder itself), below which sheet rows are looked for.

    Raises DataError whose items name every defect with folder, file, line or key, what was found and what was expected.
    """
    problems = Problems(readable(str(folder)))
    rows = sheet.rows_of(folder, root) if sheet is not None else []
    try:
        view = open_folder(folder, sheet.path if sheet is not None else None, root)
    except OSError as error:
        problems.add(f"a folder that cannot be read ({error.strerror})", "a readable folder of a session's files")
        raise problems.error() from None
    if view is None:
        file = sheet.path.name if sheet is not None and rows else None
        line = rows[0].line if rows else None
        problems.add("no such folder", "a folder that holds session.toml and responses", file=file, line=line)
        raise problems.error()
    if sheet is not None:
        for row in rows[1:]:
            problems.add(
                f"a second row for this folder (the first is line {rows[0].line})",
                "one row for each folder",
                file=sheet.path.name,
                line=row.line,
                key="folder",
            )
        if rows:
            view.add(KEPT_NAME + sheet.path.name, rows[0].excerpt)
            view.roles[KEPT_NAME + sheet.path.name] = "keys"
    outer = above(root or folder)
    if outer is not None:
        problems.warn(f"{readable(str(outer))} lies above the folder that was given and does not count")
    try:
        return _read(view, rows[0] if rows else None, problems, judged=True)
    except DataError as error:
        if outer is None or not any(i.found in {"nothing", "no responses"} for i in error.items):
            raise
        found = f"{readable(str(outer))}, above the folder that was given: it does not count"
        hint = ErrorItem(
            error.items[0].folder, found=found, expected="that folder, where its defaults are meant to count"
        )
        raise DataError(error.message, (*error.items, hint)) from None


def read_sources(folder: str, sources: Iterable[SourceFile]) -> Session:
    """Read a session again from its kept source files alone; folder is its name in messages. Raises DataError."""
    sources = tuple(sources)
    problems = Problems(folder)
    kept = next((s for s in sources if s.name.startswith(KEPT_NAME)), None)
    rows = rows_from(kept.name, kept.content, problems) if kept is not None else []
    view = KeptFolder(folder, sources)
    if kept is not None:
        view.add(kept.name, kept.content)
    return _read(view, rows[0] if rows else None, problems, judged=False)


def _read(view: FolderView, row: SheetRow | None, problems: Problems, *, judged: bool) -> Session:
    """judged: hold the reading against what loudspeakers do; what is stored was judged when it came in."""
    keys = _keys_of(view, row, problems)
    unsound = session_keys.check(keys, problems) if keys is not None else session_keys.READING_TABLES
    values = keys.values if keys is not None else {}
    blocks: tuple[CurveBlock, ...] = ()
    sphere = None
    if not unsound & session_keys.READING_TABLES:
        blocks, sphere = _responses(view, values, problems, judged=judged)
    distortion = _optional(view, DISTORTION, distortion_of, values, unsound, problems) or ()
    compression = _optional(view, COMPRESSION, compression_of, values, unsound, problems) or ()
    impedance = _optional(view, IMPEDANCE, impedance_of, values, unsound, problems)
    _keep_prepared(view, problems)
    if judged:
        warn_of_overlooked(view, problems)
    problems.raise_if_any()
    assert keys is not None
    info = session_keys.build(values)
    session_keys.warn_of_gates(info, min(float(b.frequency_hz[0]) for b in blocks), problems)
    return Session(
        folder=view.folder,
        info=info,
        blocks=blocks,
        sphere=sphere,
        distortion=distortion,
        compression=compression,
        impedance=impedance,
        sources=view.sources(),
        warnings=tuple(problems.warnings),
        ledger=entries(view),
    )


def _keys_of(view: FolderView, row: SheetRow | None, problems: Problems) -> Keys | None:
    """The keys folded together; None where a file is so broken that what is missing cannot be told."""
    keys, whole = Keys(), True
    for name in reversed(view.inherited):
        whole = _fold_file(view, name, keys, problems) and whole
    if row is not None:
        keys.fold_in(row.keys, SheetOrigin(row.sheet, row.line))
    if SESSION_FILE in view.names:
        own = Keys()
        whole = _fold_file(view, SESSION_FILE, own, problems) and whole
        if row is not None:
            _refuse_contradictions(row.keys, own, keys, problems)
        for said, origin in own.said:
            keys.fold_in(said, origin)
    return keys if whole else None


def _fold_file(view: FolderView, name: str, keys: Keys, problems: Problems) -> bool:
    content = view.read(name, problems)
    view.roles[name] = "keys"
    parsed = parse_toml(name, content, problems) if content is not None else None
    if parsed is not None:
        keys.fold_in(parsed.keys, parsed)
    return parsed is not None


def _refuse_contradictions(in_sheet: Mapping[str, Any], own: Keys, keys: Keys, problems: Problems) -> None:
    for key, value in in_sheet.items():
        if key in own.values and not isinstance(value, dict) and own.values[key] != value:
            file, line = keys.where((key,))
            problems.add(
                f"{shown(value)}, where session.toml says {shown(own.values[key])}",
                "the same in both, or in one only",
                file=file,
                line=line,
                key=key,
            )


def _responses(
    view: FolderView, said: Mapping[str, Any], problems: Problems, *, judged: bool
) -> tuple[tuple[CurveBlock, ...], SphereBlock | None]:
    """The one set of responses, in whichever form it stands."""
    before = len(problems.items)
    found = find_responses(view, said, problems)
    if found is None:
        if len(problems.items) == before:
            _explain_absence(view, said, problems)
        return (), None
    for name, told in found.files:
        view.roles[name] = _curve_role(told)
    blocks, sphere = read_responses(view, found, problems, level_is=said.get("level_is"))
    if not blocks and len(problems.items) == before:
        problems.add("no level on either orbit", "at least one measured curve", file=found.files[0][0])
    if judged and blocks and len(problems.items) == before:
        judge(
            found.files[0][0],
            blocks,
            said,
            problems,
            also=_said_otherwise(view, found, said),
            rival=lambda question: rival_reading(view, found.said, question),
        )
    return blocks, sphere


def _keep_prepared(view: FolderView, problems: Problems) -> None:
    """Keep what `prepare` left beside the curves: its choices, with the hashes of the recordings, and the impulse
    responses."""
    for name in view.names:
        if name == PREPARED_FILE or (name.startswith(IMPULSES) and name.endswith(".wav")):
            view.read(name, problems)
            view.roles[name] = "choices of prepare" if name == PREPARED_FILE else "impulse response, kept as it is"


def _said_otherwise(view: FolderView, found: ResponseFiles, said: Mapping[str, Any]) -> list[Doubt]:
    """What names and remarks of files that other programs wrote say against the way they are read."""
    if found.form not in {"traces", "mapped"}:
        return []
    first = found.files[0][0]
    content = None if first.lower().endswith(_NO_TEXT) else view.read(first, Problems(""))
    text = decode(first, content, found.said.get("encoding"), Problems("")) if content is not None else None
    doubts = of_remarks(header_says(text), found.said, said.get("level_is")) if text is not None else []
    if found.form == "traces":
        for pattern in patterns_of(found.said):
            texts = [t["angle"] for name, _ in found.files if (t := pattern.texts(name)) is not None and "angle" in t]
            doubts += of_signs(texts)
    return doubts


def _curve_role(told: Mapping[str, float]) -> str:
    """What a file of responses is read as, with the orbit and the angle that its name tells."""
    parts = [ORBITS[int(told["orbit"])]] if "orbit" in told else []
    parts += [f"{told['angle_deg']:g}°"] if "angle_deg" in told else []
    return " ".join(["responses", *parts])


def _explain_absence(view: FolderView, said: Mapping[str, Any], problems: Problems) -> None:
    if RAW_FILE in view.names:
        problems.add("raw recordings", "the session folder that `speakerdb prepare` makes of them", file=RAW_FILE)
    elif "pattern" in said.get("traces", {}) or any(n.startswith(TRACE_FOLDER) for n in view.names):
        traces = said.get("traces", {})
        explain_no_match(view, traces, problems, rival_reading(view, traces, ANGLE))
    elif "file" in said.get("columns", {}):
        problems.add("no file of that name", f"responses named like {said['columns']['file']}", key="columns.file")
    else:
        problems.add("no responses", "responses.csv, .csv.gz, .parquet or .sofa, or a folder responses/ of text traces")


def _optional(
    view: FolderView,
    form: TableForm,
    parse: Callable[[Table, Problems], T],
    said: Mapping[str, Any],
    unsound: frozenset[str],
    problems: Problems,
) -> T | None:
    mapping = map_of(said.get("columns", {}), form) if not unsound & session_keys.READING_TABLES else None
    if mapping is not None:
        files = mapped_files(view, form, mapping, problems)
        table = read_mapped(view, form, files, mapping, problems) if files else None
        view.roles |= {name: form.name for name, _ in files}
    elif "columns" in unsound:
        return None
    else:
        file = find_table(view, form.name, TABLE_SUFFIXES, problems)
        table = read_table(view, file, form, problems) if file is not None else None
        view.roles |= {file: form.name} if file is not None else {}
    return parse(table, problems) if table is not None else None
