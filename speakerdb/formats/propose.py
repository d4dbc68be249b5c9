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
from speakerdb.formats.guess_names import guess_pattern
from speakerdb.formats.guess_tables import angle_keys, guess_table, orbit_keys
from speakerdb.formats.keys import BLANK, schema
from speakerdb.formats.problems import Problems
from speakerdb.formats.responses import SOFA_SUFFIX, find_responses, read_responses
from speakerdb.formats.sheet import FOLDER_COLUMN
from speakerdb.formats.sofa_out import toml_value
from speakerdb.formats.tables import RESPONSES, TABLE_SUFFIXES, read_table
from speakerdb.formats.text import decode
from speakerdb.formats.traces import parse_trace
from speakerdb.formats.view import FOLDER_FILE, SESSION_FILE, DiskFolder
from speakerdb.session import CurveBlock, FloatArray

SHEET_FILE = "sessions.csv"
_TEXT_SUFFIXES = (".txt", ".csv", ".tsv", ".dat", ".frd", ".asc", ".prn", ".out")
_SHARED_KEYS = ("lab", "method")  # asked for once, in folder.toml
_SHEET_KEYS = ("maker", "model", "kind", "powered", "drive_voltage_v", "date", "sample", "setting")
_INNER_FOLDERS = (
    "responses",
    "polar",
    "polars",
    "traces",
    "raw",
    "data",
    "h",
    "v",
    "hor",
    "ver",
    "horizontal",
    "vertical",
)
_CURVES_SHOWN = 3
_FOLDERS_LOOKED_AT = 5


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
    places = _candidates(folder)
    if not places:
        raise _error(
            folder,
            "no measurement files",
            f"text tables or traces ({', '.join(_TEXT_SUFFIXES)}), Parquet or SOFA files",
        )
    tables, notes = _reading_tables(places)
    names = [os.path.relpath(p, folder).replace(os.sep, "/") for p in places]
    toml_text, sheet_text = _toml_text(tables), _sheet_text(names, places)
    curves, more = _preview(folder, places, tables)
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


def _candidates(folder: Path) -> list[Path]:
    """Folders that hold measurement files; those in an inner folder such as responses/ count for the folder around it."""
    found = set()
    for place, inner, files in os.walk(folder):
        inner[:] = sorted(n for n in inner if not n.startswith("."))
        if any(_is_data_file(f) for f in files):
            path = Path(place)
            found.add(path.parent if path != folder and path.name.lower() in _INNER_FOLDERS else path)
    return sorted(found)


def _is_data_file(name: str) -> bool:
    plain = name.lower().removesuffix(".gz")
    return (
        not name.startswith(".") and plain.endswith((*_TEXT_SUFFIXES, ".parquet", SOFA_SUFFIX)) and name != SHEET_FILE
    )


def _reading_tables(places: Sequence[Path]) -> tuple[dict[str, Any], list[str]]:
    """[columns] or [traces] for the files of the first folders; empty where those stand in the plain form."""
    views = [DiskFolder(p) for p in places[:_FOLDERS_LOOKED_AT]]
    if _stands_plain(views[0]):
        return {}, []
    names = [n for v in views for n in v.names if _is_data_file(n)]
    traces = guess_pattern(names)
    sample = next(n for n in views[0].names if _is_data_file(n))
    text = _text_of(views[0], sample)
    if (
        traces is not None
        and text is not None
        and parse_trace(sample, text, {}, Problems("")) is not None
        and _narrow(text)
    ):
        said = {"pattern": traces.pattern} | orbit_keys(traces.orbit_words) | angle_keys(traces.greatest_angle)
        return {"traces": said}, []
    columns = guess_table(text) if text is not None else None
    if columns is None:
        return {"columns": {"frequency_hz": BLANK, "level_db": BLANK}}, [
            f"{sample}: no headings and numbers could be made out"
        ]
    return {"columns": {"file": _file_pattern(views)} | _orbit_from_name(columns, views)}, []


def _stands_plain(view: DiskFolder) -> bool:
    file = next((f"responses{s}" for s in (*TABLE_SUFFIXES, SOFA_SUFFIX) if f"responses{s}" in view.names), None)
    if file is None or file.endswith(SOFA_SUFFIX):
        return file is not None
    return read_table(view, file, RESPONSES, Problems("")) is not None


def _text_of(view: DiskFolder, name: str) -> str | None:
    problems = Problems("")
    content = view.read(name, problems)
    return (
        decode(name, content, None, problems)
        if content is not None and not name.endswith((".parquet", ".gz", SOFA_SUFFIX))
        else None
    )


def _narrow(text: str) -> bool:
    """Whether lines hold no more than frequency, level and phase."""
    rows = [r.replace(";", " ").split() for r in text.split("\n")[-20:] if r.strip()]
    return bool(rows) and max(map(len, rows)) <= 3 and all(r.count(",") <= 3 for r in text.split("\n")[-20:])


def _file_pattern(views: Sequence[DiskFolder]) -> str:
    """The table's name where all folders share it, else with a star."""
    per_folder = [[n for n in v.names if _is_data_file(n)] for v in views]
    first = per_folder[0]
    if len(first) == 2:
        for word_h, word_v in (("horizontal", "vertical"), ("hor", "ver"), ("h", "v")):
            swapped = [n for n in first if word_h in n.lower()]
            if len(swapped) == 1 and {n.lower() for n in first} == {
                swapped[0].lower(),
                swapped[0].lower().replace(word_h, word_v),
            }:
                return swapped[0].lower().replace(word_h, "{orbit}")
    if all(names[:1] == first[:1] for names in per_folder):
        return first[0]
    suffix = first[0][first[0].index(".") :] if "." in first[0] else ""
    return f"*{suffix}"


def _orbit_from_name(said: Mapping[str, Any], views: Sequence[DiskFolder]) -> dict[str, Any]:
    out = dict(said)
    fixed = dict(out.get("fixed", {}))
    if "{orbit}" in _file_pattern(views) and fixed.pop("orbit", None):
        out["fixed"] = fixed
        if not fixed:
            del out["fixed"]
    return out


def _toml_text(tables: Mapping[str, Any]) -> str:
    lines = [
        '# Holds for every folder below. Fill in each "?"; a key that differs from folder to folder goes into the sheet.',
        "# Keys and their meaning: schemas/session.schema.json.",
        *(f'{key} = "{BLANK}"  # {_described(key)}' for key in _SHARED_KEYS),
        '# level_is = "relative"  # where the levels are not dB re 20 µPa at 1 m',
    ]
    for name, said in tables.items():
        lines += ["", f"[{name}]", *(f"{key} = {_inline(value)}" for key, value in said.items())]
        lines += [
            '# angle_sense = "clockwise"  # where the horizontal angle grows to the right of the speaker, seen from above',
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
            if BLANK in (value if isinstance(value, str) else str(value)) and f'"{BLANK}"' in _inline(value):
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
            notes += [str(item) for item in problems.items[:_CURVES_SHOWN]]
    if unread:
        notes.append(
            f"{unread} of {len(places)} folders hold files that this does not read; propose for them by themselves"
        )
    return curves, notes


def _filled(tables: Mapping[str, Any]) -> dict[str, Any]:
    """Tables with something in place of their blanks, for the preview."""
    out: dict[str, Any] = {}
    for name, said in tables.items():
        out[name] = dict(said)
        for key, blank in (said.get("fixed") or {}).items():
            if blank == BLANK:
                out[name]["fixed"] = {**out[name]["fixed"], key: "horizontal" if key == "orbit" else 0}
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
