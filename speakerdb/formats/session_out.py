"""A session folder out of prepared recordings: session.toml, responses.csv, impulses/ and the choices it rests on."""

from __future__ import annotations

import io
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from speakerdb.formats.keys import Keys, check
from speakerdb.formats.problems import Problems
from speakerdb.formats.sofa_out import toml_key, toml_value
from speakerdb.formats.tables import ORBITS
from speakerdb.formats.toml_files import TomlFile
from speakerdb.formats.view import IMPULSES, PREPARED_FILE, SESSION_FILE
from speakerdb.session import FloatArray, Sweep

AXIS_SAMPLES, OTHER_SAMPLES = 8192, 512
_DATES = ("date",)


@dataclass(frozen=True, eq=False)
class ResponseTable:
    """Curves (n, F), NaN where not to be written."""

    frequency_hz: FloatArray
    horizontal: Sequence[bool]
    angle_deg: Sequence[float]
    level_db: FloatArray
    phase_deg: FloatArray


@dataclass(frozen=True, eq=False)
class Impulse:
    """A gated impulse response; zero: the sample of the arrival."""

    horizontal: bool
    angle_deg: float
    samples: FloatArray
    zero: int
    rate_hz: float


def significant(value: float) -> float:
    """A number with eight significant digits."""
    return float(f"{value:.8g}")


def check_facts(keys: Mapping[str, Any], problems: Problems) -> None:
    """Hold the keys of a session against its schema: what is missing is asked for."""
    own = Keys()
    own.fold_in(keys, TomlFile(SESSION_FILE, "", dict(keys)))
    check(own, problems)


def choices_text(keys: Mapping[str, Any], remarks: Mapping[str, str]) -> str:
    """prepared.toml: numbers to edit, each with what it stands for."""
    head = "# What was chosen. Edit any number, then: speakerdb prepare RAW --accept --out SESSION\n"
    flat = {k: v for k, v in keys.items() if not isinstance(v, dict)}
    text = head + "".join(
        f"{name} = {toml_value(value)}" + (f"  # {remarks[name]}" if name in remarks else "") + "\n"
        for name, value in flat.items()
    )
    return text + "".join(_table_text((name,), value) for name, value in keys.items() if isinstance(value, dict))


def keys_text(keys: Mapping[str, Any]) -> str:
    """Keys as TOML: flat ones first, then tables and lists of tables."""
    tables = {k: v for k, v in keys.items() if isinstance(v, Mapping)}
    lists = {k: v for k, v in keys.items() if isinstance(v, list) and v and isinstance(v[0], Mapping)}
    flat = {k: v for k, v in keys.items() if k not in tables and k not in lists}
    text = "".join(_line(k, v) for k, v in flat.items())
    text += "".join(_table_text((name,), table) for name, table in tables.items())
    for name, rows in lists.items():
        for row in rows:
            text += f"\n[[{toml_key(name)}]]\n" + "".join(_line(k, v) for k, v in row.items())
    return text


def _table_text(path: tuple[str, ...], table: Mapping[str, Any]) -> str:
    own = {k: v for k, v in table.items() if not isinstance(v, Mapping)}
    text = f"\n[{'.'.join(map(toml_key, path))}]\n" + "".join(_line(k, v) for k, v in own.items())
    return text + "".join(_table_text((*path, k), v) for k, v in table.items() if isinstance(v, Mapping))


def _line(name: str, value: Any) -> str:
    return f"{toml_key(name)} = {toml_value(value, is_date=name in _DATES)}\n"


def write_session(
    out: Path,
    keys: Mapping[str, Any],
    table: ResponseTable,
    sweeps: Mapping[str, Sequence[Sweep]],
    impulses: Sequence[Impulse],
    choices: bytes,
) -> None:
    """Write the folder whole or not at all: the same content gives the same bytes."""
    out.parent.mkdir(parents=True, exist_ok=True)
    made = Path(tempfile.mkdtemp(prefix=f".{out.name}.", dir=out.parent))
    try:
        (made / SESSION_FILE).write_text(keys_text(keys), encoding="utf-8")
        (made / "responses.csv").write_text(responses_text(table), encoding="utf-8")
        for name, members in sweeps.items():
            if members:
                (made / f"{name}.csv").write_text(sweeps_text(members), encoding="utf-8")
        (made / PREPARED_FILE).write_bytes(choices)
        (made / IMPULSES).mkdir()
        for one in impulses:
            name = f"{ORBITS[0] if one.horizontal else ORBITS[1]}_{one.angle_deg:g}.wav"
            (made / IMPULSES / name).write_bytes(_wave(one))
        made.chmod(0o755)
        if out.is_dir():
            out.rmdir()  # empty
        made.rename(out)
    except BaseException:
        shutil.rmtree(made, ignore_errors=True)
        raise


def responses_text(table: ResponseTable) -> str:
    """responses.csv: a row a point, those that are not to be trusted left out."""
    f = [f"{x:.4f}" for x in table.frequency_hz.tolist()]
    lines = ["frequency_hz,orbit,angle_deg,level_db,phase_deg"]
    for horizontal, angle, level, phase in zip(
        table.horizontal, table.angle_deg, table.level_db, table.phase_deg, strict=True
    ):
        middle = f"{ORBITS[0] if horizontal else ORBITS[1]},{angle:g}"
        there = np.flatnonzero(np.isfinite(level))
        lines += [f"{f[i]},{middle},{level[i]:.3f},{phase[i]:.2f}" for i in there]
    return "\n".join(lines) + "\n"


def sweeps_text(sweeps: Sequence[Sweep]) -> str:
    """distortion.csv or compression.csv: a row a point, those that are not known left out."""
    named = sweeps[0].component is not None
    lines = ["drive_db,frequency_hz," + ("component," if named else "") + "level_db"]
    for sweep in sweeps:
        middle = f"{sweep.component}," if named else ""
        there = np.flatnonzero(np.isfinite(sweep.level_db))
        lines += [f"{sweep.drive_db:g},{sweep.frequency_hz[i]:.4f},{middle}{sweep.level_db[i]:.3f}" for i in there]
    return "\n".join(lines) + "\n"


def _wave(impulse: Impulse) -> bytes:
    """32-bit float WAV: written by SciPy, since other writers put the time of day into the file."""
    from scipy.io import wavfile

    buffer = io.BytesIO()
    wavfile.write(buffer, round(impulse.rate_hz), np.asarray(impulse.samples, np.float32))
    return buffer.getvalue()
