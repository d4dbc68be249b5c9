"""Writes a session folder: session.toml and its tables, byte for byte the same on every run."""

from __future__ import annotations

import gzip
import io
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

from seed_data import measure
from seed_data.errors import Errors
from seed_data.model.air import FREQUENCY_HZ, REFERENCE_PA, FloatArray
from seed_data.model.speaker import SUBWOOFER_BAND_HZ, Field
from seed_data.plan import Visit

Scalar = str | float | int | bool | tuple[float, ...]


def toml_value(value: Scalar) -> str:
    """A TOML literal; dates are passed as strings of ten characters and written bare."""
    if isinstance(value, tuple):
        return f"[{', '.join(f'{one:g}' for one in value)}]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        is_date = len(value) == 10 and value[4] == value[7] == "-" and value.replace("-", "").isdigit()
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return value if is_date else f'"{escaped}"'
    return repr(round(float(value), 6)) if isinstance(value, float) else str(value)


def _lines(table: dict[str, Scalar]) -> list[str]:
    return [f"{key} = {toml_value(value)}" for key, value in table.items()]


def session_toml(visit: Visit, field: Field) -> str:
    """The text of session.toml: flat keys, then [electronics], [uncertainty], [[prices]]."""
    design = visit.design
    setting = next(s for s in design.settings if s.name == visit.setting)
    head: dict[str, Scalar] = {"maker": design.maker, "model": design.model, "kind": design.kind}
    if design.slug:
        head["slug"] = design.slug
    head |= {"powered": design.powered}
    if not design.powered:
        head["drive_voltage_v"] = 2.83
    head |= {
        "lab": visit.lab,
        "method": visit.method,
        "date": visit.day,
        "sample": visit.sample,
        "setting": visit.setting,
    }
    if visit.repeat > 1:
        head["repeat"] = visit.repeat
    if len(design.settings) > 1:
        head["default_setting"] = setting is design.settings[0]
    head["calibration"] = visit.calibration
    if visit.level_is != "spl_1m" or visit.distance_m != 1.0 or visit.form == "sofa":
        head |= {"level_is": visit.level_is, "distance_m": visit.distance_m}
    for key, value in (
        ("valid_from_hz", visit.valid_hz[0]),
        ("valid_to_hz", visit.valid_hz[1]),
        ("gate_ms", visit.gate_ms),
        ("smoothing_oct", visit.smoothing_oct),
        ("symmetric", visit.symmetric or None),
    ):
        if value is not None:
            head[key] = value
    if design.kind == "subwoofer" and visit.sweeps:
        head["drive_band"] = SUBWOOFER_BAND_HZ
    height, width, depth = design.size_mm
    head |= {"height_mm": height, "width_mm": width, "depth_mm": depth, "mass_kg": design.mass_kg, "year": design.year}
    head |= {"layout": design.layout, "enclosure": design.enclosure}
    if design.claim:
        head |= {"claimed_max_db": design.claim[0], "claim_pair": design.claim[1], "claim_distance_m": design.claim[2]}
    if visit.notes:
        head["notes"] = visit.notes
    out = _lines(head)
    if setting.switches:
        out += ["", "[electronics]", *_lines(dict(setting.switches))]
    if visit.uncertainty:
        out += ["", "[uncertainty]", *_lines(dict(visit.uncertainty))]
    if visit.form == "traces":
        reading: dict[str, Scalar] = {"pattern": "responses/{orbit}_{angle}.txt", "decimal_comma": True, "comment": "*"}
        out += ["", "[traces]", *_lines(reading)]
    for tag in visit.prices:
        price: dict[str, Scalar] = {
            "amount": round_price(design.price * tag.share),
            "currency": tag.currency,
            "per": design.sold,
            "kind": tag.kind,
            "date": tag.day,
            "source": "shop window" if tag.kind == "street" else "maker's list",
        }
        out += ["", "[[prices]]", *_lines(price)]
    return "\n".join(out) + "\n"


def round_price(amount: float) -> int:
    """A price as shops write it: to 5 below 1000, to 10 above."""
    step = 5 if amount < 1000 else 10
    return int(round(amount / step) * step)


def _csv(header: str, rows: Iterable[str]) -> bytes:
    return ("\n".join([header, *rows]) + "\n").encode()


def _write_bytes(path: Path, form: str, content: bytes) -> None:
    if form == "csv.gz":
        buffer = io.BytesIO()
        with gzip.GzipFile(filename="", mode="wb", fileobj=buffer, mtime=0, compresslevel=9) as stream:
            stream.write(content)
        path.with_name(path.name + ".csv.gz").write_bytes(buffer.getvalue())
    else:
        path.with_name(path.name + ".csv").write_bytes(content)


def _parquet(path: Path, columns: dict[str, np.ndarray | Sequence[str]]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    pq.write_table(
        pa.table(columns),
        path.with_name(path.name + ".parquet"),
        compression="zstd",
        compression_level=19,
        use_dictionary=[name for name in columns if name != "level_db"],
        use_byte_stream_split=["level_db"],  # noisy levels pack a sixth smaller this way
    )


def _responses_traces(folder: Path, curves: measure.Curves) -> None:
    """One text file a curve, decimal comma, as an old analyser leaves them: responses/hor_-30.txt."""
    folder.mkdir(exist_ok=True)
    for horizontal, angle, row in zip(curves.horizontal, curves.angle_deg, curves.level_db, strict=True):
        name = f"{'hor' if horizontal else 'ver'}_{angle:+.0f}.txt"
        lines = [f"{f:.2f}\t{v:.2f}".replace(".", ",") for f, v in zip(curves.frequency_hz, row, strict=True)]
        text = "\n".join(["* turntable in the shed", "* Hz\tdB", *lines]) + "\n"
        (folder / name).write_text(text, encoding="utf-8")


def _responses_sofa(path: Path, curves: measure.Curves) -> None:
    """AES69, FreeFieldDirectivityTF: pressure in Pa at 1 m, zero phase; the two directions both orbits hold stand
    once."""
    import sofar

    sofa = sofar.Sofa("FreeFieldDirectivityTF")
    angle = curves.angle_deg
    over_the_top = np.abs(angle) > 90.0
    azimuth = np.where(curves.horizontal, angle % 360.0, np.where(over_the_top, 180.0, 0.0))
    elevation = np.where(curves.horizontal, 0.0, np.where(over_the_top, np.sign(angle) * 180.0 - angle, angle))
    once = curves.horizontal | ~np.isin(angle, (0.0, 180.0))
    pressure = REFERENCE_PA * 10.0 ** (np.round(curves.level_db, 2) / 20.0)
    sofa.Data_Real = pressure[once][None]
    sofa.Data_Imag = np.zeros_like(sofa.Data_Real)
    sofa.N = curves.frequency_hz
    sofa.ReceiverPosition = np.column_stack([azimuth, elevation, np.ones(angle.size)])[once]
    sofa.ReceiverPosition_Type = "spherical"
    sofa.ReceiverPosition_Units = "degree, degree, metre"
    sofa.GLOBAL_DateCreated = sofa.GLOBAL_DateModified = "2026-01-01 12:00:00"
    sofa.GLOBAL_Title, sofa.GLOBAL_License, sofa.GLOBAL_Origin = (
        "Invented loudspeaker of the demo fleet",
        "MIT",
        "model",
    )
    for name in ("EmitterDescriptions", "Description"):  # string variables: netCDF4 1.7 fails to write them
        if hasattr(sofa, name):
            sofa.protected = False
            delattr(sofa, name)
    sofar.write_sofa(str(path.with_name(path.name + ".sofa")), sofa)


def _responses_table(path: Path, form: str, curves: measure.Curves) -> None:
    if form == "traces":
        _responses_traces(path, curves)
        return
    if form == "sofa":
        _responses_sofa(path, curves)
        return
    frequency, level = curves.frequency_hz, np.round(curves.level_db, 2)
    orbit = ["horizontal" if h else "vertical" for h in curves.horizontal]
    if form == "parquet":
        per = frequency.size
        _parquet(
            path,
            {
                "frequency_hz": np.tile(frequency, len(orbit)),
                "orbit": np.repeat(orbit, per).tolist(),
                "angle_deg": np.repeat(curves.angle_deg, per).astype(np.float32),
                "level_db": level.ravel().astype(np.float32),
            },
        )
        return
    shown = [f"{f:.2f}" for f in frequency]
    rows = [
        f"{f},{name},{angle:.0f},{value:.2f}"
        for name, angle, row in zip(orbit, curves.angle_deg.tolist(), level.tolist(), strict=True)
        for f, value in zip(shown, row, strict=True)
    ]
    _write_bytes(path, form, _csv("frequency_hz,orbit,angle_deg,level_db", rows))


def _sweep_rows(tables: measure.Sweeps, percent: bool, with_component: bool) -> list[str]:
    rows = []
    for name, table in tables.tables.items():
        middle = f"{name}," if with_component else ""
        for drive, row in zip(tables.drive_db, table, strict=True):
            values = 100.0 * 10.0 ** (row / 20.0) if percent else row
            digits = 4 if percent else 2
            rows += [
                f"{drive:g},{f:.2f},{middle}{v:.{digits}f}"
                for f, v in zip(tables.frequency_hz.tolist(), values.tolist(), strict=True)
            ]
    return rows


def _sweeps_tables(folder: Path, form: str, visit: Visit, field: Field, errors: Errors) -> None:
    compression, harmonics, tones = measure.sweeps(visit, field, errors)
    text = "csv" if form == "csv" else "csv.gz"
    if form == "parquet":
        f, k = compression.frequency_hz, compression.drive_db
        _parquet(
            folder / "compression",
            {
                "drive_db": np.repeat(k, f.size).astype(np.float32),
                "frequency_hz": np.tile(f, k.size),
                "level_db": np.round(compression.tables[""], 2).ravel().astype(np.float32),
            },
        )
        parts = [(sweep, name) for sweep in (harmonics, tones) for name in sweep.tables]
        _parquet(
            folder / "distortion",
            {
                "drive_db": np.concatenate([np.repeat(k, s.frequency_hz.size) for s, _ in parts]).astype(np.float32),
                "frequency_hz": np.concatenate([np.tile(s.frequency_hz, k.size) for s, _ in parts]),
                "component": [name for s, name in parts for _ in range(k.size * s.frequency_hz.size)],
                "level_db": np.concatenate([np.round(s.tables[n], 2).ravel() for s, n in parts]).astype(np.float32),
            },
        )
        return
    _write_bytes(
        folder / "compression", text, _csv("drive_db,frequency_hz,level_db", _sweep_rows(compression, False, False))
    )
    value = "percent" if visit.percent else "level_db"
    rows = _sweep_rows(harmonics, visit.percent, True) + _sweep_rows(tones, visit.percent, True)
    _write_bytes(folder / "distortion", text, _csv(f"drive_db,frequency_hz,component,{value}", rows))


def _impedance_table(folder: Path, form: str, magnitude: FloatArray, phase: FloatArray) -> None:
    rows = [f"{f:.2f},{m:.3f},{p:.1f}" for f, m, p in zip(FREQUENCY_HZ.tolist(), magnitude, phase, strict=True)]
    _write_bytes(
        folder / "impedance", "csv" if form == "csv" else "csv.gz", _csv("frequency_hz,magnitude_ohm,phase_deg", rows)
    )


def write_session(out: Path, visit: Visit, field: Field, errors: Errors) -> Path:
    """Write one folder under `out` and return it."""
    folder = out / visit.folder
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "session.toml").write_text(session_toml(visit, field), encoding="utf-8")
    _responses_table(folder / "responses", visit.form, measure.responses(visit, field, errors))
    if visit.sweeps:
        _sweeps_tables(folder, visit.form, visit, field, errors)
    if not visit.design.powered:
        _impedance_table(folder, visit.form, *measure.electrical(visit, errors))
    return folder
