"""Zip archives and workbooks, read in place and within limits: what counts is their size when unpacked."""

from __future__ import annotations

import io
import stat
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from speakerdb.files import MAX_FILE_BYTES, MAX_MEMBERS, place_below
from speakerdb.formats.problems import Problems, shown

ARCHIVE_SUFFIX, WORKBOOK_SUFFIX = ".zip", ".xlsx"
_FAULTS = (zipfile.BadZipFile, zlib.error, EOFError, OSError, ValueError, NotImplementedError, RuntimeError, KeyError)


def members(path: Path) -> tuple[dict[str, int], list[tuple[str, str]]]:
    """The files in an archive with their sizes in bytes, and what else stands in it with the reason why it is not read.
    Raises ValueError, in words, for an archive that is damaged or too large."""
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
    except _FAULTS as error:
        raise ValueError(f"a damaged archive ({shown(str(error))[1:-1]})") from None
    if len(entries) > MAX_MEMBERS:
        raise ValueError(f"an archive of {len(entries)} files, more than {MAX_MEMBERS}")
    found: dict[str, int] = {}
    passed = []
    for entry in entries:
        if entry.is_dir():
            continue
        try:
            reason = why_not_read(entry)
        except ValueError as error:
            reason = str(error)
        if reason is None:
            found[entry.filename] = entry.file_size
        else:
            passed.append((entry.filename, reason))
    if sum(e.file_size for e in entries) > 2 * MAX_FILE_BYTES:
        raise ValueError(f"an archive of more than {2 * MAX_FILE_BYTES // 10**6} MB when unpacked")
    return found, passed


def why_not_read(entry: zipfile.ZipInfo) -> str | None:
    """Why a file in an archive is passed over; None where it is read. Raises ValueError, in words, for one that no
    plain archive of measurements holds."""
    if stat.S_IFMT(entry.external_attr >> 16) not in {0, stat.S_IFREG}:
        raise ValueError("a link or special file")
    if entry.flag_bits & 1:
        raise ValueError("encrypted")
    return None if place_below(entry.filename) else "a hidden file, as archives and other systems leave behind"


def read_member(path: Path, name: str) -> bytes:
    """The bytes of a file in an archive. Raises ValueError, in words."""
    try:
        with zipfile.ZipFile(path) as archive, archive.open(name) as member:
            content = member.read(MAX_FILE_BYTES + 1)
    except _FAULTS as error:
        raise ValueError(f"a damaged archive ({shown(str(error))[1:-1]})") from None
    if len(content) > MAX_FILE_BYTES:
        raise ValueError(f"more than {MAX_FILE_BYTES // 10**6} MB when unpacked")
    return content


def workbook_text(name: str, content: bytes, said: Mapping[str, Any], problems: Problems) -> str | None:
    """A worksheet as text, cells set apart by tabs: the one that `worksheet` names, else the first. None with problems
    noted."""
    import polars as pl

    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            size = sum(e.file_size for e in archive.infolist())
        if size > MAX_FILE_BYTES:
            problems.add(f"{size / 1e6:.0f} MB when unpacked", "a smaller workbook", file=name)
            return None
        sheets = pl.read_excel(
            io.BytesIO(content), engine="calamine", sheet_id=0, has_header=False, raise_if_empty=False
        )
    except (Exception, pl.exceptions.PanicException) as error:  # the reader has errors of its own
        reason = shown(str(error).splitlines()[0] if str(error) else type(error).__name__)[1:-1]
        problems.add(f"a damaged workbook ({reason})", "an .xlsx workbook", file=name)
        return None
    wanted = said.get("worksheet", next(iter(sheets), None))
    if wanted not in sheets:
        there = ", ".join(map(shown, sheets)) or "none"
        problems.add(f"worksheets {there}", f"one called {shown(wanted)}", file=name, key="worksheet")
        return None
    if "worksheet" not in said and len(sheets) > 1:
        problems.warn(f"{name}: of its {len(sheets)} worksheets the first, {wanted}, is read")
    rows = sheets[wanted].cast(pl.String, strict=False).fill_null("").rows()
    return "\n".join("\t".join(" ".join(cell.split()) for cell in row) for row in rows)
