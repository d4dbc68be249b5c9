"""What became of each file of a folder: read as what, or why not (method:data#the-ledger)."""

from __future__ import annotations

import numpy as np

from speakerdb.formats.decoding import decode
from speakerdb.formats.judge import wraps
from speakerdb.formats.problems import Problems, shown
from speakerdb.formats.tables import unpack
from speakerdb.formats.traces import parse_rows
from speakerdb.formats.view import FolderView
from speakerdb.session import LedgerEntry

TEXT_SUFFIXES = (".txt", ".csv", ".tsv", ".dat", ".frd", ".asc", ".prn", ".out")
DATA_SUFFIXES = (*TEXT_SUFFIXES, ".gz", ".parquet", ".sofa", ".xlsx", ".zip")
RECORDINGS = (".wav", ".aif", ".aiff", ".flac", ".ogg", ".mp3", ".w64", ".caf")
_LOOKED_AT = 12  # files whose numbers are looked at
_LARGEST_LOOKED_AT = 2_000_000
_LEAST_POINTS = 10
_NAMED = 4
_DEGREES = 360.0  # of a turn, which files of phases are counted in


def entries(view: FolderView) -> tuple[LedgerEntry, ...]:
    """Every file of a folder, those that were not read with the reason."""
    found = [LedgerEntry(name, role, None) for name, role in sorted(view.roles.items())]
    for name in view.names:
        if name not in view.roles:
            found.append(LedgerEntry(name, None, _why_not(name)))
    found += [LedgerEntry(name, None, reason) for name, reason in view.passed]
    return tuple(found)


def _why_not(name: str) -> str:
    lower = name.lower()
    if lower.endswith(RECORDINGS):
        return "a recording, no finished curve: `speakerdb prepare` makes curves of those"
    if lower.endswith(".toml"):
        return "neither session.toml nor folder.toml"
    if lower.endswith(DATA_SUFFIXES):
        return "fits no usual name and nothing that [columns] or [traces] say"
    return "not a kind of file that holds measurements here"


def warn_of_overlooked(view: FolderView, problems: Problems) -> None:
    """Name the files that look like measurements and were not read."""
    left = [n for n in view.names if n not in view.roles and n.lower().endswith(DATA_SUFFIXES)]
    found = [n for n in left[:_LOOKED_AT] if _looks_measured(view, n)]
    if not found:
        return
    count = len(found) if len(left) <= _LOOKED_AT else len(left)
    some = ", ".join(shown(n)[1:-1] for n in found[:_NAMED]) + (" …" if count > _NAMED else "")
    problems.warn(
        f"{count} file{'s that look like measurements were' if count > 1 else ' that looks like a measurement was'} "
        f"not read: {some}"
    )


def _looks_measured(view: FolderView, name: str) -> bool:
    """Whether a file holds rows of numbers of which one rises as frequencies do, and that are no phases."""
    if not name.lower().endswith((*TEXT_SUFFIXES, ".gz")):
        return True  # Parquet, SOFA, workbooks and archives are for measurements
    content = view.peek(name, _LARGEST_LOOKED_AT)
    quiet = Problems("")
    if content is not None and name.endswith(".gz"):
        content = unpack(name, content, quiet)
    text = decode(name, content, None, quiet) if content else None
    rows = parse_rows(name, text, {}, quiet) if text is not None else None
    if rows is None or rows[0].shape[1] < 2 or len(rows[0]) < _LEAST_POINTS:
        return False
    values = rows[0]
    rising = bool((np.diff(values[:, 0]) > 0).all())
    return bool(rising and values[0, 0] >= 0 and not wraps(values[None, :, 1], _DEGREES)[0])
