"""Looks at files that nobody has described yet, and writes a folder.toml and a sheet to start from."""

from __future__ import annotations

import csv
import io
import os
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from speakerdb.errors import DataError, ErrorItem
from speakerdb.formats.guess_files import TEXT_SUFFIXES, reading_tables, session_places
from speakerdb.formats.keys import BLANK, schema
from speakerdb.formats.problems import Problems
from speakerdb.formats.responses import find_responses, read_responses
from speakerdb.formats.session_sheet import FOLDER_COLUMN
from speakerdb.formats.sofa_out import toml_value
from speakerdb.formats.tables import ORBITS
from speakerdb.formats.view import FOLDER_FILE, SESSION_FILE, SHEET_FILE, DiskFolder
from speakerdb.session import CurveBlock, FloatArray

_SHARED_KEYS = ("lab", "method")  # asked for once, in folder.toml
_SHEET_KEYS = ("maker", "model", "kind", "powered", "drive_voltage_v", "date", "sample", "setting")


@dataclass(frozen=True, eq=False)
class ProposedCurve:
    """A curve as the proposal reads it."""

    folder: str
    orbit: str
    angle_deg: float
    frequency_hz: FloatArray
    level_db: FloatArray


@dataclass(frozen=True, eq=False)
class Proposal:
    """What was written, what is still to be filled in, and up to three curves to look at. Nothing is stored."""

    folder_toml: Path
    sheet: Path
    toml_text: str
    sheet_text: str
    folders: tuple[str, ...]
    blanks: tuple[str, ...]
    curves: tuple[ProposedCurve, ...]
    notes: tuple[str, ...]


def propose(folder: Path) -> Proposal:
    """Look at the files below a folder and write folder.toml and sessions.csv there, blanks marked "?".

    Raises DataError where either file exists already (nothing is overwritten) or no measurement files are found.
    """
    if not folder.is_dir():
        raise _error(folder, "no such folder", "a folder of exported measurements")
    targets = folder / FOLDER_FILE, folder / SHEET_FILE
    for target in targets:
        if target.exists():
            raise _error(
                folder, f"{target.name}, which is there already", "a folder without it: it is never overwritten"
            )
    places = session_places(folder)
    if not places:
        raise _error(
            folder,
            "no measurement files",
            f"text tables or traces ({', '.join(TEXT_SUFFIXES)}), Parquet or SOFA files",
        )
    try:
        tables, notes = reading_tables(places)
        curves, more = _preview(folder, places, tables)
    except OSError as error:
        raise _error(folder, f"a folder that cannot be read ({error.strerror})", "readable folders") from error
    names = [os.path.relpath(p, folder).replace(os.sep, "/") for p in places]
    toml_text, sheet_text = _toml_text(tables), _sheet_text(names, places)
    for target, text in zip(targets, (toml_text, sheet_text), strict=True):
        try:
            with open(target, "x", encoding="utf-8") as file:
                file.write(text)
        except OSError as error:
            raise _error(
                folder, f"{target.name} cannot be written ({error.strerror})", "a folder to write in"
            ) from error
    return Proposal(*targets, toml_text, sheet_text, tuple(names), tuple(_blanks(tables)), curves, (*notes, *more))


def _error(folder: Path, found: str, expected: str) -> DataError:
    return DataError(
        f"{folder}: found {found}; expected {expected}",
        (ErrorItem(folder=str(folder), found=found, expected=expected),),
    )


def _toml_text(tables: Mapping[str, Any]) -> str:
    lines = [
        '# Holds for every folder below. Fill in each "?"; a key that differs from folder to folder goes '
        "into the sheet.",
        "# Keys and their meaning: schemas/session.schema.json.",
        *(f'{key} = "{BLANK}"  # {_described(key)}' for key in _SHARED_KEYS),
        '# level_is = "relative"  # where the levels are not dB re 20 µPa at 1 m',
    ]
    for name, said in tables.items():
        lines += ["", f"[{name}]", *(f"{key} = {_inline(value)}" for key, value in said.items())]
        lines += [
            '# angle_sense = "clockwise"  # where the horizontal angle grows to the right of the speaker, '
            "seen from above",
            '# vertical_positive = "down"  # where positive vertical angles point downward',
        ]
    return "\n".join(lines) + "\n"


def _described(key: str) -> str:
    part = schema()["properties"][key]
    return f"one of {', '.join(part['enum'])}" if "enum" in part else str(part["description"])


def _inline(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{k} = {_inline(v)}" for k, v in value.items()) + "}"
    return toml_value(value)


def _sheet_text(names: Sequence[str], places: Sequence[Path]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([FOLDER_COLUMN, *_SHEET_KEYS])
    for name, place in zip(names, places, strict=True):
        if not (place / SESSION_FILE).exists():
            writer.writerow([name, *("" if key == "drive_voltage_v" else BLANK for key in _SHEET_KEYS)])
    return out.getvalue()


def _blanks(tables: Mapping[str, Any]) -> Iterable[str]:
    yield from _SHARED_KEYS
    for name, said in tables.items():
        for key, value in said.items():
            if f'"{BLANK}"' in _inline(value):
                yield f"{name}.{key}"


def _preview(
    folder: Path, places: Sequence[Path], tables: Mapping[str, Any]
) -> tuple[tuple[ProposedCurve, ...], list[str]]:
    """Curves of the first folder that can be read so, and notes on folders that hold other files."""
    said = tomllib.loads(_toml_text(_filled(tables)))
    notes: list[str] = []
    curves: tuple[ProposedCurve, ...] = ()
    unread = 0
    for place in places:
        problems = Problems(str(place))
        view = DiskFolder(place)
        if curves:
            unread += find_responses(view, said, problems) is None
            continue
        blocks = _read_blocks(view, said, problems)
        if blocks:
            curves = _choose(os.path.relpath(place, folder), blocks)
        else:
            unread += 1
            notes = notes or [str(item) for item in problems.items[:1]]
    open_blanks = [b for b in _blanks(tables) if b not in _SHARED_KEYS]
    if not curves and open_blanks:
        return (), [f"no curve can be shown before {', '.join(open_blanks)} are filled in"]
    if unread:
        notes.append(
            f"{unread} of {len(places)} folders hold files that this does not read; propose for them by themselves"
        )
    return curves, notes


def _filled(tables: Mapping[str, Any]) -> dict[str, Any]:
    """Tables with something in place of the blanks that leave the curves in sight."""
    stand_in = {"orbit": "horizontal", "angle_deg": 0}
    out: dict[str, Any] = {}
    for name, said in tables.items():
        out[name] = {k: v for k, v in said.items() if not (k == "level_unit" and v == BLANK)}
        if "fixed" in said:
            out[name]["fixed"] = {k: stand_in[k] if v == BLANK else v for k, v in said["fixed"].items()}
        unsorted = [words[1:] for words in said.get("orbit_words", {}).values() if words[0] == BLANK]
        if unsorted and len(unsorted[0]) == 2:
            out[name]["orbit_words"] = {o: [word] for o, word in zip(ORBITS, unsorted[0], strict=True)}
    return out


def _read_blocks(view: DiskFolder, said: Mapping[str, Any], problems: Problems) -> tuple[CurveBlock, ...]:
    found = find_responses(view, said, problems)
    return read_responses(view, found, problems, level_is="relative")[0] if found is not None else ()


def _choose(folder: str, blocks: Sequence[CurveBlock]) -> tuple[ProposedCurve, ...]:
    """On the axis, and the most sideways and the most upward curve, as far as they are there."""
    every = [
        ProposedCurve(folder, "horizontal" if h else "vertical", float(a), b.frequency_hz, y)
        for b in blocks
        for h, a, y in zip(b.horizontal, b.angle_deg, b.level_db, strict=True)
    ]
    wanted = (("horizontal", 0.0), ("horizontal", 90.0), ("vertical", 90.0))
    chosen: list[ProposedCurve] = []
    for orbit, angle in wanted:
        left = [c for c in every if c not in chosen]
        if left:
            chosen.append(min(left, key=lambda c: (c.orbit != orbit, abs(c.angle_deg - angle))))
    return tuple(chosen)
