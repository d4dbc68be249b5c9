"""A folder of raw recordings: raw.toml, and which file is what (method:data#raw-recordings)."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from speakerdb.files import read_file
from speakerdb.formats.audio import Audio, is_clipped, read_audio, read_spectrum
from speakerdb.formats.decoding import decode
from speakerdb.formats.keys import Keys, hold
from speakerdb.formats.ledger import RECORDINGS
from speakerdb.formats.patterns import compile_pattern, words_of
from speakerdb.formats.problems import Problems, shown
from speakerdb.formats.toml_files import parse_toml
from speakerdb.formats.traces import parse_trace
from speakerdb.formats.view import PREPARED_FILE, RAW_FILE, SESSION_FILE, DiskFolder, readable
from speakerdb.session import FloatArray, LedgerEntry

RAW_SCHEMA = "raw.schema.json"
PREPARED_SCHEMA = "prepared.schema.json"
PAGE_FILE = "prepared.html"
USUAL_PATTERN = "{orbit}_{angle}.wav"
SINGLE = ("reference", "calibrator", "microphone", "silent")  # keys that name one file
SIZES = ("height_mm", "width_mm", "depth_mm")
_NORMALS = {
    "front": (1.0, 0.0, 0.0),
    "rear": (-1.0, 0.0, 0.0),
    "left": (0.0, 1.0, 0.0),
    "right": (0.0, -1.0, 0.0),
    "top": (0.0, 0.0, 1.0),
    "bottom": (0.0, 0.0, -1.0),
}


@dataclass(frozen=True)
class Angle:
    """A recording from one direction."""

    file: str
    horizontal: bool
    angle_deg: float

    @property
    def on_axis(self) -> bool:
        return self.angle_deg == 0.0


@dataclass(frozen=True)
class Near:
    """A recording close to a source; lengths in metres, normal: of the face it sits in; drive_db: as of the levels,
    where it is known."""

    file: str
    role: str
    centre_m: tuple[float, float, float]
    normal: tuple[float, float, float]
    radius_m: float
    gap_m: float
    count: int
    drive_db: float | None = None


@dataclass(frozen=True)
class Drive:
    """A recording on axis at one level; tones_hz: of a multitone, else empty."""

    file: str
    drive_db: float
    tones_hz: tuple[float, ...] = ()
    period_s: float | None = None


@dataclass(frozen=True, eq=False)
class RawFolder:
    """What raw.toml says, and the recordings it names. said: its keys, with the sizes of session.toml where it has
    none; facts: the keys of session.toml, empty where there is none; sha256: of every file that counts."""

    path: Path
    said: Mapping[str, Any]
    facts: Mapping[str, Any]
    angles: tuple[Angle, ...]
    near: tuple[Near, ...]
    levels: tuple[Drive, ...]
    multitones: tuple[Drive, ...]
    ledger: tuple[LedgerEntry, ...]

    @property
    def name(self) -> str:
        return readable(str(self.path))

    @property
    def size_m(self) -> tuple[float, float, float] | None:
        """Height, width, depth of the box."""
        if not all(key in self.said for key in SIZES):
            return None
        height, width, depth = (float(self.said[key]) / 1000.0 for key in SIZES)
        return height, width, depth

    @property
    def files(self) -> tuple[str, ...]:
        """Every recording and table that counts, raw.toml apart."""
        single = [str(self.said[key]) for key in SINGLE if key in self.said]
        many = [one.file for group in (self.angles, self.near, self.levels, self.multitones) for one in group]
        return tuple(dict.fromkeys([*single, *many]))

    def bytes_of(self, file: str, problems: Problems) -> bytes | None:
        """The bytes of a file; None with a problem noted: that it is missing was noted when raw.toml was read."""
        if not (self.path / file).exists():
            return None
        try:
            return read_file(self.path / file)
        except OSError as error:
            problems.add(f"a file that cannot be read ({error.strerror})", "a readable file", file=file)
            return None

    def recording(self, file: str, problems: Problems, *, heard: bool = True, played: bool = True) -> Audio | None:
        """A recording; None with problems noted. heard: by the microphone, which must not have run into full scale;
        played: with the loopback beside it."""
        content = self.bytes_of(file, problems)
        spectrum = self.said.get("holds") == "spectra" and heard and played
        if content is None:
            return None
        if spectrum:
            return read_spectrum(file, content, problems)
        audio = read_audio(file, content, problems, self.said.get("rate_hz"))
        if audio is None or not heard:
            return audio
        last = max(self.channel, self.loopback or 0) if played else self.channel
        if last >= len(audio.samples):
            many = f"{len(audio.samples)} channel" + ("s" if len(audio.samples) > 1 else "")
            problems.add(many, f"a channel {last + 1} ({RAW_FILE})", file=file)
            return None
        if is_clipped(audio, self.channel):
            found = "a clipped recording (three equal samples of full scale)"
            problems.add(found, "a recording with less gain", file=file)
            return None
        return audio

    @property
    def holds_impulses(self) -> bool:
        """Impulse responses, or spectra that are read as such."""
        return self.said.get("holds") in {"impulses", "spectra"}

    @property
    def channel(self) -> int:
        return int(self.said.get("channel", 1)) - 1

    @property
    def loopback(self) -> int | None:
        return int(self.said["loopback_channel"]) - 1 if "loopback_channel" in self.said else None

    def table(self, file: str, problems: Problems) -> tuple[FloatArray, FloatArray] | None:
        """Frequency and level of a text table, frequencies rising; None with problems noted."""
        content = self.bytes_of(file, problems)
        text = decode(file, content, None, problems) if content is not None else None
        trace = parse_trace(file, text, {}, problems) if text is not None else None
        if trace is None:
            return None
        if len(trace.frequency) < 2 or (np.diff(trace.frequency) <= 0).any() or trace.frequency[0] <= 0:
            problems.add("frequencies that do not rise", "lines of frequency in Hz and level in dB", file=file)
            return None
        return trace.frequency, trace.level

    def digests(self, problems: Problems) -> dict[str, str]:
        """SHA-256 of raw.toml, of session.toml where there is one, and of every file that counts."""
        found = {}
        own = [RAW_FILE, *([SESSION_FILE] if (self.path / SESSION_FILE).is_file() else [])]
        for file in (*own, *self.files):
            content = self.bytes_of(file, problems)
            if content is not None:
                found[file] = hashlib.sha256(content).hexdigest()
        return found


def _opened(folder: Path, problems: Problems) -> DiskFolder | None:
    """The folder; None with problems noted."""
    try:
        return DiskFolder(folder)
    except OSError as error:
        problems.add(f"no folder that can be read ({error.strerror})", f"a folder with {RAW_FILE} and recordings")
        return None


def read_raw(folder: Path, problems: Problems) -> RawFolder | None:
    """Read raw.toml and tell which file is what; None with problems noted."""
    view = _opened(folder, problems)
    if view is None:
        return None
    if RAW_FILE not in view.names:
        problems.add("nothing", f"{RAW_FILE}: how the recordings were made (schemas/{RAW_SCHEMA})", file=RAW_FILE)
        return None
    before = len(problems.items)
    said = _keys(view, RAW_FILE, RAW_SCHEMA, problems)
    facts = _facts(view, problems)
    if said is None or facts is None or len(problems.items) > before:
        return None
    said = {**{key: facts[key] for key in SIZES if isinstance(facts.get(key), int | float)}, **said}
    if said.get("holds", "sweeps") != "sweeps":
        for key in ("reference", "loopback_channel", "seconds", "silent"):
            if key in said:
                problems.add(f"{key} beside {said['holds']}", "sweeps, or no such key", file=RAW_FILE, key=key)
    elif "reference" not in said and "loopback_channel" not in said:
        for key in ("f_low_hz", "f_high_hz", "seconds"):
            if key not in said:
                expected = "this, or `reference`: the file of the sweep that was played"
                problems.add("nothing", expected, file=RAW_FILE, key=key)
    if said.get("f_low_hz", 0.0) >= said.get("f_high_hz", np.inf):
        found = f"{said['f_high_hz']:g}, not above f_low_hz = {said['f_low_hz']:g}"
        problems.add(found, "a frequency above f_low_hz", file=RAW_FILE, key="f_high_hz")
    names = frozenset(view.names)
    levels = tuple(Drive(one["file"], float(one["drive_db"])) for one in said.get("level", ()))
    near = tuple(map(_near, said.get("near", ())))
    multitones = tuple(_multitone(view, one, problems) for one in said.get("multitone", ()))
    named = {one.file for group in (levels, near, multitones) for one in group}
    named |= {str(said[key]) for key in SINGLE if key in said}
    for file in sorted(named - names):
        problems.add("no such file", f"the file that {RAW_FILE} names", file=file)
    angles = _angles(said, view.names, frozenset(named), frozenset(one.file for one in levels), problems)
    raw = RawFolder(folder, said, facts, angles, near, levels, multitones, ())
    return RawFolder(folder, said, facts, angles, near, levels, multitones, _ledger(view, raw))


def _keys(view: DiskFolder, file: str, schema: str, problems: Problems) -> dict[str, Any] | None:
    """The keys of a file, held against a schema; None where it is no TOML."""
    content = view.read(file, problems)
    parsed = parse_toml(file, content, problems) if content is not None else None
    if parsed is None:
        return None
    keys = Keys(schema=schema, main=file)
    keys.fold_in(parsed.keys, parsed)
    hold(keys, problems)
    return keys.values


def read_choices(folder: Path, problems: Problems) -> dict[str, Any] | None:
    """The keys of prepared.toml; None with problems noted."""
    view = _opened(folder, problems)
    if view is None:
        return None
    if PREPARED_FILE not in view.names:
        problems.add("nothing", "the choices: `speakerdb prepare` writes them", file=PREPARED_FILE)
        return None
    return _keys(view, PREPARED_FILE, PREPARED_SCHEMA, problems)


def _facts(view: DiskFolder, problems: Problems) -> dict[str, Any] | None:
    if SESSION_FILE not in view.names:
        return {}
    content = view.read(SESSION_FILE, problems)
    parsed = parse_toml(SESSION_FILE, content, problems) if content is not None else None
    return parsed.keys if parsed is not None else None


def _near(one: Mapping[str, Any]) -> Near:
    x, y, z = (float(v) / 1000.0 for v in one["centre_mm"])
    return Near(
        one["file"],
        one["role"],
        (x, y, z),
        _NORMALS[one.get("face", "front")],
        float(one["diameter_mm"]) / 2000.0,
        float(one.get("gap_mm", 5.0)) / 1000.0,
        int(one.get("count", 1)),
        float(one["drive_db"]) if "drive_db" in one else None,
    )


def _multitone(view: DiskFolder, one: Mapping[str, Any], problems: Problems) -> Drive:
    tones = one["tones_hz"]
    if isinstance(tones, str):
        content = view.read(tones, problems)
        text = decode(tones, content, None, problems) if content is not None else None
        try:
            tones = [float(line) for line in (text or "").split("\n") if line.strip()]
        except ValueError:
            problems.add("lines that are no frequencies", "one frequency in Hz a line", file=str(one["tones_hz"]))
            tones = []
    period = one.get("period_s")
    return Drive(one["file"], float(one["drive_db"]), tuple(sorted(map(float, tones))), period)


def _angles(
    said: Mapping[str, Any], names: Sequence[str], named: frozenset[str], levels: frozenset[str], problems: Problems
) -> tuple[Angle, ...]:
    """The recordings that the pattern reads; those that it does not read and that are not named otherwise are a
    defect. One at a level may be one of a direction too."""
    text = said.get("pattern", USUAL_PATTERN)
    try:
        pattern = compile_pattern(text, words_of(said))
    except ValueError as error:
        problems.add(str(error), "a pattern such as " + USUAL_PATTERN, file=RAW_FILE, key="pattern")
        return ()
    found: dict[tuple[bool, float], Angle] = {}
    for name in names:
        if name in named and name not in levels:
            continue
        values = pattern.match(name)
        if values is None or "angle_deg" not in values:
            if name.lower().endswith(RECORDINGS) and name not in named:
                expected = f"a name like {text}, or a key of {RAW_FILE} that names it"
                problems.add("a recording whose name tells no angle", expected, file=name)
            continue
        horizontal = values.get("orbit", 0) == 0
        angle = float(values["angle_deg"])
        whole = said.get("angle_range") == "0-360"
        if not (0.0 <= angle <= 360.0 if whole else -180.0 <= angle <= 180.0):
            expected = "an angle from 0 to 360" if whole else "an angle from -180 to 180 (or angle_range)"
            problems.add(f"an angle of {angle:g} degrees", expected, file=name, key="angle_range")
            continue
        if horizontal and said.get("angle_sense") == "clockwise":
            angle = -angle
        angle = (angle + 180.0) % 360.0 - 180.0
        angle = 180.0 if angle == -180.0 else angle + 0.0
        twin = found.setdefault((horizontal, angle), Angle(name, horizontal, angle))
        if twin.file != name:
            problems.add(f"the same direction as {shown(twin.file)}", "each direction once", file=name)
    if not found and not problems.items:
        problems.add("no recording around the speaker", f"files named like {text}", file=RAW_FILE, key="pattern")
    return tuple(found[key] for key in sorted(found, key=lambda k: (not k[0], k[1])))


def _ledger(view: DiskFolder, raw: RawFolder) -> tuple[LedgerEntry, ...]:
    """Every file of the folder: read as what, or why not."""
    roles = {str(raw.said[key]): key for key in SINGLE if key in raw.said}
    roles |= {a.file: f"{'horizontal' if a.horizontal else 'vertical'} {a.angle_deg:g}°" for a in raw.angles}
    roles |= {one.file: f"near the {one.role}" for one in raw.near}
    roles |= {one.file: f"at {one.drive_db:g} dB" for one in raw.levels}
    roles |= {one.file: f"tones at {one.drive_db:g} dB" for one in raw.multitones}
    roles |= {RAW_FILE: "keys", SESSION_FILE: "facts", PREPARED_FILE: "choices", PAGE_FILE: "the page of plots"}
    found = [
        LedgerEntry(name, roles.get(name), None if name in roles else f"{RAW_FILE} does not name it")
        for name in view.names
    ]
    return (*found, *(LedgerEntry(name, None, reason) for name, reason in view.passed))
