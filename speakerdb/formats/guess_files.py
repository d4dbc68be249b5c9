"""Guesses which folders are sessions and how their responses are to be read."""

from __future__ import annotations

import codecs
import os
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from speakerdb.formats.archives import ARCHIVE_SUFFIX, WORKBOOK_SUFFIX, workbook_text
from speakerdb.formats.decoding import decode
from speakerdb.formats.guess_tables import (
    guess_columns,
    guess_table,
    in_db,
    is_phase,
    name_keys,
    orbit_keys,
    trace_columns,
    trace_thousands,
)
from speakerdb.formats.headers import Said, header_says
from speakerdb.formats.judge import in_bands
from speakerdb.formats.keys import BLANK
from speakerdb.formats.ledger import TEXT_SUFFIXES
from speakerdb.formats.name_readings import choose, is_orbit_word
from speakerdb.formats.patterns import same_form
from speakerdb.formats.problems import Problems
from speakerdb.formats.responses import SOFA_SUFFIX
from speakerdb.formats.sofa_out import toml_value
from speakerdb.formats.tables import RESPONSES, TABLE_SUFFIXES, parquet_frame, read_table, unpack
from speakerdb.formats.traces import parse_rows, parse_trace
from speakerdb.formats.view import SHEET_FILE, DiskFolder, FolderView
from speakerdb.session import FloatArray

_INNER_FOLDERS = ("responses", "polar", "polars", "traces", "raw", "data")
_FOLDERS_LOOKED_AT = 5
_MOST_COLUMNS = 6  # of a file of one curve
_FILES_LOOKED_AT = 6


def session_places(folder: Path) -> list[Path]:
    """Folders that hold measurement files; those in an inner folder such as responses/ count for the folder around
    it."""
    found = set()
    for place, inner, files in os.walk(folder):
        inner[:] = sorted(n for n in inner if not n.startswith("."))
        if any(_is_data_file(f) for f in files):
            path = Path(place)
            found.add(path.parent if path != folder and _is_inner(path.name) else path)
    return sorted(found)


def _is_inner(name: str) -> bool:
    """Whether a folder's name tells of an orbit or of raw data, not of a session."""
    words = re.findall(r"[^\W\d_]+", name.lower())
    return name.lower() in _INNER_FOLDERS or any(is_orbit_word(w) for w in words)


def _is_data_file(name: str) -> bool:
    if name == SHEET_FILE:
        return False
    return name.lower().endswith((*TEXT_SUFFIXES, ".gz", ".parquet", SOFA_SUFFIX, ARCHIVE_SUFFIX, WORKBOOK_SUFFIX))


@dataclass(frozen=True)
class Guess:
    """[columns] or [traces] as far as files tell, with blanks; notes on what was seen; the readings worth drawing: one,
    or two that fit as well; what the remarks in a file say, by key. Empty where files stand in the plain form."""

    tables: dict[str, Any]
    notes: tuple[str, ...] = ()
    drawn: tuple[dict[str, Any], ...] = ()
    header: Mapping[str, Said] = field(default_factory=dict)


def guess_reading(places: Sequence[Path]) -> Guess:
    """How the files of the first folders are to be read."""
    return _guess([DiskFolder(p) for p in places[:_FOLDERS_LOOKED_AT]])


def _guess(views: Sequence[DiskFolder]) -> Guess:
    if _stands_plain(views[0]):
        return Guess({})
    samples = [_largest(v) for v in views]
    content = _unpacked(views[0], samples[0])
    encoding = _guess_encoding(content) if content is not None else None
    text = decode(samples[0], content, encoding, Problems("")) if content is not None else None
    if samples[0].lower().endswith(WORKBOOK_SUFFIX):
        workbook = views[0].read(samples[0], Problems(""))
        text = workbook_text(samples[0], workbook, {}, Problems("")) if workbook is not None else None
    header = header_says(text) if text is not None else {}
    if text is not None and _is_trace(samples[0], text):
        traces = _guess_traces(views, samples[0], text, encoding, header)
        if traces is not None:
            return traces
    columns = guess_table(text) if text is not None else _guess_parquet(views[0], samples[0])
    if columns is None:
        blank = dict.fromkeys(("frequency_hz", "orbit", "angle_deg", "level_db"), BLANK)
        return Guess({"columns": blank}, (f"{samples[0]}: no table of numbers could be made out",))
    notes = []
    if columns.get("heading") is False:
        notes.append(f"{samples[0]} has no headings: its columns go by their numbers, 1, 2 …")
    if encoding:
        columns = {"encoding": encoding} | columns
    pair = _orbit_pair([n for n in views[0].names if _is_data_file(n)])
    pattern, words = pair if pair is not None else (_common_name(samples), ())
    if words and "orbit" in columns.get("fixed", {}):
        columns["fixed"] = {k: v for k, v in columns["fixed"].items() if k != "orbit"}
        columns |= orbit_keys(words)
    tables = {"columns": {"file": pattern} | {k: v for k, v in columns.items() if v != {}}}
    return Guess(tables, tuple(notes), (tables,), header)


_ASKED_OF = {  # which keys answer which question
    "angle_deg": ("pattern", "wide", "angle_deg", "angle_unit", "angle_range"),
    "level_is": ("level_column", "level_db", "level_unit"),
}


def rival_reading(view: FolderView, said: Mapping[str, Any], question: str) -> str:
    """The keys, as they are written, by which the files of a folder would be read if nothing had been said, where those
    differ as to a question; empty where they don't, or can't be told."""
    if not isinstance(view, DiskFolder) or question not in _ASKED_OF:
        return ""
    guess = _guess([view])
    if len(guess.drawn) != 1:
        return ""
    (own,) = guess.drawn[0].values()
    other = {k: own[k] for k in _ASKED_OF[question] if k in own and own[k] not in {BLANK, said.get(k)}}
    return ", ".join(f"{key} = {toml_value(value)}" for key, value in other.items())


def _guess_traces(
    views: Sequence[DiskFolder], sample: str, text: str, encoding: str | None, header: Mapping[str, Said]
) -> Guess | None:
    """[traces] for files of one curve each; None where their names tell no angle."""
    said: dict[str, Any] = {"encoding": encoding} if encoding else {}
    if separator := trace_thousands(text):
        said["thousands"] = separator
    said |= _columns_of(views[0], sample, text, said)
    reading = {k: v for k, v in said.items() if v != BLANK}

    def level_of(name: str) -> FloatArray | None:
        problems = Problems("")
        content = _unpacked(views[0], name)
        text = decode(name, content, encoding, problems) if content is not None else None
        trace = parse_trace(name, text, reading, problems) if text is not None else None
        if trace is None or (np.diff(trace.frequency) <= 0).any() or trace.frequency[0] <= 0 or is_phase(trace.level):
            return None
        f_hz = trace.frequency * (1000.0 if reading.get("frequency_unit") == "kHz" else 1.0)
        return np.asarray(in_bands(f_hz, in_db(trace.level, said.get("level_unit"))[None])[0])

    choice = choose([[n for n in v.names if _is_data_file(n)] for v in views], level_of)
    if choice is None:
        return None
    best, rival, notes = choice.best, choice.rival, []
    if choice.together is not None:
        tables = {"traces": {"pattern": choice.together} | said | name_keys(best)}
        shown = {"traces": {"pattern": choice.together} | reading | name_keys(best)}
        return Guess(tables, ("files of several sessions lie together: {session} tells them apart",), (shown,), header)
    if best.doubled:
        notes.append(
            f"{best.pattern}: {best.doubled} files mean a curve that another means too; files of several speakers, "
            "takes or revisions go into folders of their own"
        )
    elif rival is not None:
        notes.append(f"the pattern may be {best.pattern} or {rival.pattern}: the curves fit both")
    if best.unread:
        count, some = len(best.unread), ", ".join(best.unread[:3])
        notes.append(f"{count} file{'s' * (count > 1)} not read by {best.pattern}: {some}{' …' * (count > 3)}")
    drawn = [{"traces": {"pattern": r.pattern} | reading | name_keys(r)} for r in (best, rival) if r is not None]
    if best.unclear:
        notes.append(f"{best.pattern}: what {', '.join(best.unclear)} beside the angle mean is not known")
    clear = rival is None and not best.doubled and not best.unclear
    tables = {"traces": drawn[0]["traces"] | said | ({} if clear else {"pattern": BLANK})}
    return Guess(tables, tuple(notes), tuple(drawn), header)


def _columns_of(view: DiskFolder, sample: str, text: str, said: Mapping[str, Any]) -> dict[str, Any]:
    """The columns of the traces of a folder, by the first of a few files that holds a level: others may be phases."""
    first: dict[str, Any] = {}
    names = [sample, *(n for n in view.names if _is_data_file(n) and n != sample)]
    for name in names[:_FILES_LOOKED_AT]:
        content = _unpacked(view, name) if name != sample else None
        other = decode(name, content, said.get("encoding"), Problems("")) if content is not None else text
        rows = parse_rows(name, other, said, Problems("")) if other is not None else None
        if rows is None:
            continue
        found = trace_columns(other or "", rows[0])
        if found.get("level_column") != BLANK:
            return found
        first = first or found
    return first


def _stands_plain(view: DiskFolder) -> bool:
    file = next((f"responses{s}" for s in (*TABLE_SUFFIXES, SOFA_SUFFIX) if f"responses{s}" in view.names), None)
    if file is None or file.endswith(SOFA_SUFFIX):
        return file is not None
    return read_table(view, file, RESPONSES, Problems("")) is not None


def _largest(view: DiskFolder) -> str:
    """The name of the largest data file: where there are several tables, the responses are the longest."""
    names = [n for n in view.names if _is_data_file(n)]
    return max(names, key=lambda n: (view.size(n), n))


def _unpacked(view: DiskFolder, name: str) -> bytes | None:
    """The bytes of a text file, None for other kinds."""
    problems = Problems("")
    content = view.read(name, problems) if not name.endswith((".parquet", SOFA_SUFFIX, WORKBOOK_SUFFIX)) else None
    return unpack(name, content, problems) if content is not None and name.endswith(".gz") else content


def _guess_encoding(content: bytes) -> str | None:
    """The encoding where it has to be named: text that is neither Unicode nor Western European."""
    if content.startswith((codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or 0 in content[:400]:
        return None
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        controls = sum(0x80 <= b < 0xA0 for b in content)  # hardly any in Western text, frequent in Shift-JIS
        high = sum(b >= 0x80 for b in content)
        try:
            content.decode("shift_jis")
        except UnicodeDecodeError:
            return "cp1252" if controls else None
        return "shift_jis" if controls * 4 > high else None
    return None


def _guess_parquet(view: DiskFolder, name: str) -> dict[str, Any] | None:
    problems = Problems("")
    content = view.read(name, problems) if name.endswith(".parquet") else None
    frame = parquet_frame(name, content, problems) if content is not None else None
    if frame is None:
        return None
    rows = [["" if v is None else str(v) for v in row] for row in frame.iter_rows()]
    return guess_columns(frame.columns, [], rows)


def _is_trace(name: str, text: str) -> bool:
    """Whether a file holds one curve: lines of frequency, level and perhaps more, a few numbers each."""
    rows = parse_rows(name, text, {}, Problems(""))
    if rows is None or not 2 <= rows[0].shape[1] <= _MOST_COLUMNS:
        return False
    return any((np.diff(column) > 0).all() or (np.diff(column) < 0).all() for column in rows[0].T) or bool(
        trace_thousands(text)
    )


def _orbit_pair(names: Sequence[str]) -> tuple[str, tuple[str, str]] | None:
    """The pattern of two files that differ in the word for the orbit only, and the two words."""
    if len(names) != 2:
        return None
    tokens_a, tokens_b = (re.findall(r"[^\W\d_]+|.", same_form(n)) for n in names)
    differing = [i for i, (x, y) in enumerate(zip(tokens_a, tokens_b, strict=False)) if x != y]
    if len(tokens_a) != len(tokens_b) or len(differing) != 1:
        return None
    at = differing[0]
    if not (is_orbit_word(tokens_a[at]) and is_orbit_word(tokens_b[at])):
        return None
    return f"{''.join(tokens_a[:at])}{{orbit}}{''.join(tokens_a[at + 1 :])}", (tokens_a[at], tokens_b[at])


def _common_name(samples: Sequence[str]) -> str:
    """The name that all folders share, else a star and its ending."""
    if len(set(samples)) == 1 and not set(samples[0]) & set("{}*"):
        return samples[0]
    _, dot, ending = samples[0].partition(".")
    return f"*{dot}{ending}" if dot and "/" not in ending else "*"
