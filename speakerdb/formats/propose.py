"""Looks at files that nobody has described yet, and writes a folder.toml and a sheet to start from."""

from __future__ import annotations

import csv
import io
import os
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from speakerdb.errors import DataError, ErrorItem
from speakerdb.formats import judge, splitting
from speakerdb.formats.guess_files import Guess, guess_reading, session_places
from speakerdb.formats.keys import BLANK, schema
from speakerdb.formats.ledger import RECORDINGS, TEXT_SUFFIXES
from speakerdb.formats.patterns import SESSION, compile_pattern, words_of
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
    """A curve as the proposal reads it. reading: the pattern of its reading, where two fit."""

    reading: str
    folder: str
    orbit: str
    angle_deg: float
    frequency_hz: FloatArray
    level_db: FloatArray


@dataclass(frozen=True, eq=False)
class Proposal:
    """What was written, what is still to be filled in, and up to three curves of each reading to look at. Nothing is
    stored."""

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
            f"no measurement files{_seen(folder)}",
            f"text tables or traces ({', '.join(TEXT_SUFFIXES)}), Parquet or SOFA files",
        )
    try:
        guess = guess_reading(places)
        parts = _parts(places, guess)
        looked = _look(folder, parts, guess)
    except OSError as error:
        raise _error(folder, f"a folder that cannot be read ({error.strerror})", "readable folders") from error
    places = [place for place, _ in parts]
    names = [os.path.relpath(p, folder).replace(os.sep, "/") for p in places]
    senses = _senses(guess, looked)
    doubts = judge.doubts(looked.blocks, "relative", None) if looked.blocks else []
    doubts = [d for d in doubts if d.question != judge.LEVEL]  # that is asked in any case
    tables = _asked(guess.tables) if doubts else guess.tables
    looked.notes += [f"as read, {d.found}; expected {d.expected}" for d in doubts]
    toml_text, sheet_text = _toml_text(tables, senses), _sheet_text(names, places)
    for target, text in zip(targets, (toml_text, sheet_text), strict=True):
        try:
            with open(target, "x", encoding="utf-8") as file:
                file.write(text)
        except OSError as error:
            raise _error(
                folder, f"{target.name} cannot be written ({error.strerror})", "a folder to write in"
            ) from error
    blanks = tuple(_blanks(tables, senses))
    return Proposal(*targets, toml_text, sheet_text, tuple(names), blanks, looked.curves, (*guess.notes, *looked.notes))


def _seen(folder: Path) -> str:
    """What lies below a folder instead, by kind: " (36 .wav files)"."""
    kinds: Counter[str] = Counter()
    for _, _, files in os.walk(folder):
        kinds.update(Path(f).suffix.lower() or "nameless" for f in files if not f.startswith("."))
    some = [f"{n} {kind} file{'s' * (n > 1)}" for kind, n in kinds.most_common(3)]
    recordings = (
        "; recordings are no finished curves: `speakerdb prepare` takes them"
        if any(k in RECORDINGS for k in kinds)
        else ""
    )
    return f" ({', '.join(some)}{recordings})" if some else ""


def _error(folder: Path, found: str, expected: str) -> DataError:
    return DataError(
        f"{folder}: found {found}; expected {expected}",
        (ErrorItem(folder=str(folder), found=found, expected=expected),),
    )


@dataclass(frozen=True)
class Sense:
    """A key that curves alone can't tell: its value with the reason for it, or a blank with what is asked."""

    table: str | None  # None: a key of the session
    key: str
    value: str | None  # None: it makes no difference
    remark: str


_ASKED = {
    "angle_sense": "to which side the horizontal angle grows, seen from above: counter-clockwise or clockwise",
    "vertical_positive": "where positive vertical angles point: up or down",
    "level_is": "what the levels are: spl_1m (dB re 20 µPa at 1 m), spl_at_distance (with distance_m) or relative",
}
ALIKE_DB = 0.5  # sides that differ by less make no difference


def _senses(guess: Guess, looked: Looked) -> list[Sense]:
    """What is asked besides, each only where the data and their remarks leave it open."""
    if not guess.tables:
        return []
    (table,) = guess.tables
    told = guess.tables[table].get("level_unit") != BLANK  # numbers of an unknown unit tell nothing of sides
    found = [_sense(guess, None, "level_is", None)]
    for key, horizontal in (("angle_sense", True), ("vertical_positive", False)):
        if not looked.blocks or looked.off_axis[horizontal]:
            found.append(_sense(guess, table, key, looked.sides_db[horizontal] if told and looked.blocks else None))
    return found


def _sense(guess: Guess, table: str | None, key: str, apart_db: float | None) -> Sense:
    if key in guess.header:
        said = guess.header[key]
        return Sense(table, key, said.value, f"the file says: {said.quote}")
    if apart_db is not None and apart_db <= ALIKE_DB:
        return Sense(table, key, None, f"both sides alike within {apart_db:.1f} dB: makes no difference")
    return Sense(table, key, BLANK, _ASKED[key])


def _asked(tables: Mapping[str, Any]) -> dict[str, Any]:
    """Tables with a blank in place of what says which number is the angle."""
    asked = {}
    for name, said in tables.items():
        key = "pattern" if name == "traces" else "wide" if "wide" in said else "angle_deg"
        asked[name] = {**said, key: BLANK}
    return asked


def _toml_text(tables: Mapping[str, Any], senses: Sequence[Sense]) -> str:
    lines = [
        '# Holds for every folder below. Fill in each "?"; a key that differs from folder to folder goes '
        "into the sheet.",
        "# Keys and their meaning: schemas/session.schema.json.",
        *(f'{key} = "{BLANK}"  # {_described(key)}' for key in _SHARED_KEYS),
        *(_sense_line(s) for s in senses if s.table is None),
    ]
    for name, said in tables.items():
        lines += ["", f"[{name}]", *(f"{key} = {_inline(value)}" for key, value in said.items())]
        lines += [_sense_line(s) for s in senses if s.table == name]
    return "\n".join(lines) + "\n"


def _sense_line(sense: Sense) -> str:
    if sense.value is None:
        return f"# {sense.key}: {sense.remark}"
    return f"{sense.key} = {toml_value(sense.value)}  # {sense.remark}"


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


def _blanks(tables: Mapping[str, Any], senses: Sequence[Sense]) -> Iterable[str]:
    yield from _SHARED_KEYS
    yield from (s.key for s in senses if s.table is None and s.value == BLANK)
    for name, said in tables.items():
        for key, value in said.items():
            if f'"{BLANK}"' in _inline(value):
                yield f"{name}.{key}"
        yield from (f"{name}.{s.key}" for s in senses if s.table == name and s.value == BLANK)


@dataclass
class Looked:
    """What reading the folders shows: curves to draw, all curves of the first folder that could be read, notes; for the
    horizontal orbit (True) and the vertical one: whether there are curves off the axis, and by how much the sides
    differ at most, NaN counting as infinitely (one side alone)."""

    curves: tuple[ProposedCurve, ...] = ()
    blocks: tuple[CurveBlock, ...] = ()
    notes: list[str] = field(default_factory=list)
    off_axis: dict[bool, bool] = field(default_factory=lambda: {True: False, False: False})
    sides_db: dict[bool, float] = field(default_factory=lambda: {True: 0.0, False: 0.0})

    def compare_sides(self, blocks: Sequence[CurveBlock]) -> None:
        reading = judge.reading_of(blocks)
        for horizontal in (True, False):
            angle, _ = reading.orbit(horizontal)
            if ((angle != 0) & (np.abs(angle) != 180.0)).any():
                self.off_axis[horizontal] = True
                apart = judge.sides_differ_db(reading, horizontal)
                self.sides_db[horizontal] = max(self.sides_db[horizontal], np.inf if np.isnan(apart) else apart)

    @property
    def settled(self) -> bool:
        """Whether no further folder can change what is asked."""
        return bool(self.curves) and min(self.sides_db.values()) > ALIKE_DB


def _parts(places: Sequence[Path], guess: Guess) -> list[tuple[Path, DiskFolder]]:
    """The folders, those that hold several sessions session by session. Raises OSError."""
    said = guess.tables.get("traces", {})
    views = [(place, DiskFolder(place)) for place in places]
    if "{" + SESSION + "}" not in said.get("pattern", ""):
        return views
    pattern = compile_pattern(said["pattern"], words_of(_filled(guess.tables)["traces"]))
    return [part for place, view in views for part in splitting.parted(place, view, [pattern])]


def _look(folder: Path, places: Sequence[tuple[Path, DiskFolder]], guess: Guess) -> Looked:
    """Read the folders by each reading that fits, as far as it takes."""
    readings = [_filled(tables) for tables in guess.drawn] or [_filled(guess.tables)]
    looked = Looked()
    unread = 0
    for place, view in places:
        problems = Problems(str(place))
        if looked.settled:
            unread += find_responses(view, readings[0], problems) is None
            continue
        blocks = _read_blocks(view, readings[0], problems)
        if not blocks:
            unread += 1
            looked.notes = looked.notes or [str(item) for item in problems.items[:1]]
            continue
        looked.compare_sides(blocks)
        if not looked.curves:
            looked.blocks = blocks
            looked.notes += problems.warnings
            for said in readings:
                name = said.get("traces", {}).get("pattern", "") if len(readings) > 1 else ""
                read = blocks if said is readings[0] else _read_blocks(view, said, Problems(""))
                looked.curves += _choose(name, os.path.relpath(place, folder), read)
    open_blanks = [b for b in _blanks(guess.tables, ()) if b not in _SHARED_KEYS]
    if not looked.curves and open_blanks:
        looked.notes = [f"no curve can be shown before {', '.join(open_blanks)} are filled in"]
    elif unread:
        looked.notes.append(
            f"{unread} of {len(places)} folders hold files that this does not read; propose for them by themselves"
        )
    return looked


_LEFT_OUT = ("level_unit", "level_column", "frequency_column")  # what has a usual value


def _filled(tables: Mapping[str, Any]) -> dict[str, Any]:
    """Tables with something in place of the blanks that leave the curves in sight."""
    stand_in = {"orbit": "horizontal", "angle_deg": 0}
    out: dict[str, Any] = {}
    for name, said in tables.items():
        out[name] = {k: v for k, v in said.items() if not (k in _LEFT_OUT and v == BLANK)}
        if "fixed" in said:
            out[name]["fixed"] = {k: stand_in[k] if v == BLANK else v for k, v in said["fixed"].items()}
        for key, names in (("orbit_words", ORBITS), ("sign_words", ("plus", "minus"))):
            unsorted = [words[1:] for words in said.get(key, {}).values() if words[0] == BLANK]
            if unsorted:
                out[name][key] = {n: [word] for n, word in zip(names, unsorted[0], strict=False)}
    return out


def _read_blocks(view: DiskFolder, said: Mapping[str, Any], problems: Problems) -> tuple[CurveBlock, ...]:
    found = find_responses(view, said, problems)
    return read_responses(view, found, problems, level_is="relative")[0] if found is not None else ()


def _choose(reading: str, folder: str, blocks: Sequence[CurveBlock]) -> tuple[ProposedCurve, ...]:
    """On the axis, and the most sideways and the most upward curve, as far as they are there."""
    every = [
        ProposedCurve(reading, folder, "horizontal" if h else "vertical", float(a), b.frequency_hz, y)
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
