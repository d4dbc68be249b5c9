"""Eight export layouts as different programs might leave them: language, units, angles, encoding and arrangement
differ.

Each layout writes the same session's curves into a folder in its own way. What makes sessions of it again is one
folder.toml for the layout and one sheet for all.
"""

from __future__ import annotations

import csv
import gzip
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl

from tests.formats import sessions

Writer = Callable[[Path, pl.DataFrame], None]


@dataclass(frozen=True)
class Layout:
    """folder_toml makes sense of what write leaves; whole: distortion, compression and impedance come along."""

    name: str
    folder_toml: str
    write: Writer
    whole: bool = False


def curves(frame: pl.DataFrame) -> Iterator[tuple[str, float, np.ndarray, np.ndarray]]:
    for (orbit, angle), unsorted in frame.group_by("orbit", "angle_deg", maintain_order=True):
        rows = unsorted.sort("frequency_hz")
        yield str(orbit), float(angle), rows["frequency_hz"].to_numpy(), rows["level_db"].to_numpy()  # type: ignore[arg-type]


def comma(number: float) -> str:
    return repr(float(number)).replace(".", ",")


def german_long_table(folder: Path, frame: pl.DataFrame) -> None:
    """Semicolons, decimal commas, a preamble, a row of units, Windows text."""
    words = {"horizontal": "waagerecht", "vertical": "senkrecht"}
    rows = ["Prüfstand 3;;;", "Raum: schalltot, 20 °C;;;", "Frequenz;Ebene;Winkel;Pegel", "Hz;;°;dB"]
    rows += [f"{comma(f)};{words[o]};{int(a)};{comma(y)}" for f, o, a, y in frame.iter_rows()]
    (folder / "Messung.csv").write_text("\r\n".join(rows) + "\r\n", encoding="cp1252", newline="")


def utf16_wide_kilohertz(folder: Path, frame: pl.DataFrame) -> None:
    """One wide table, tabs, UTF-16, kHz, orbit and angle in the headings, commas as decimals."""
    columns = list(curves(frame))
    out = ["\t".join(["f [kHz]", *(f"{o[0].upper()} {a:+.0f}°" for o, a, _, _ in columns)])]
    for i, f in enumerate(columns[0][2]):
        out.append("\t".join([comma(round(f / 1000, 8)), *(comma(y[i]) for _, _, _, y in columns)]))
    (folder / "polars.txt").write_text("\n".join(out), encoding="utf-16")


def traces_0_to_360_clockwise(folder: Path, frame: pl.DataFrame) -> None:
    """A file per angle, named 000 to 350, turning to the right; a comment above the numbers; the phase is nonsense."""
    for orbit, angle, f, y in curves(frame):
        turned = -angle % 360 if orbit == "horizontal" else angle % 360
        lines = ["* SPL (dB) against frequency (Hz)", f"* {orbit} {angle}"]
        lines += [f"{f_:.4f}\t{y_:.3f}\t{(f_ * 7) % 360 - 180:.2f}" for f_, y_ in zip(f, y, strict=True)]
        (folder / f"{orbit[:3]} {turned:03.0f}.frd").write_text("\n".join(lines) + "\n")


def pascal_file_per_orbit(folder: Path, frame: pl.DataFrame) -> None:
    """A wide file for each orbit, linear sound pressure in pascal, vertical angles positive downward."""
    for orbit in sessions.ORBITS:
        columns = list(curves(frame.filter(pl.col("orbit") == orbit)))
        sign = -1 if orbit == "vertical" else 1
        heading = ["Frequency", *(f"{sign * a if abs(a) < 180 else a:g} deg" for _, a, _, _ in columns)]
        pressures = [20e-6 * 10 ** (y / 20) for *_, y in columns]
        rows = [[repr(float(f)), *(repr(float(p[i])) for p in pressures)] for i, f in enumerate(columns[0][2])]
        with open(folder / f"plane_{orbit[0]}.csv", "w", newline="") as file:
            csv.writer(file).writerows([heading, *rows])


def french_traces_in_subfolders(folder: Path, frame: pl.DataFrame) -> None:
    """A subfolder for each orbit, a file per angle, semicolons and decimal commas, a byte-order mark."""
    for orbit, angle, f, y in curves(frame):
        place = folder / {"horizontal": "Plan horizontale", "vertical": "Plan verticale"}[orbit]
        place.mkdir(exist_ok=True)
        lines = ["Fréquence;Niveau", *(f"{comma(f_)};{comma(y_)}" for f_, y_ in zip(f, y, strict=True))]
        (place / f"angle {angle:g}.dat").write_text("\n".join(lines), encoding="utf-8-sig")


def parquet_other_names_linear(folder: Path, frame: pl.DataFrame) -> None:
    """Parquet with other names and columns to spare, kHz, linear magnitude, whole-degree integers."""
    frame.select(
        (pl.col("frequency_hz") / 1000).alias("freq_khz"),
        pl.lit(1).alias("take"),
        pl.col("orbit").replace({"horizontal": "azimuthal", "vertical": "polar"}).alias("cut"),
        (-pl.col("angle_deg")).cast(pl.Int16).alias("theta"),
        (10 ** (pl.col("level_db") / 20)).alias("magnitude"),
    ).sample(fraction=1.0, shuffle=True, seed=1).write_parquet(folder / "balloon.parquet")


def numbers_without_headings(folder: Path, frame: pl.DataFrame) -> None:
    """Columns of numbers in white space, no headings, a comment sign, gzipped; orbits as 0 and 1, closed at ±180°."""
    closing = frame.filter(pl.col("angle_deg") == 180).with_columns(angle_deg=pl.lit(-180.0))
    rows = ["# run 12"]
    rows += [
        f"{sessions.ORBITS.index(o)} {a:7.1f} {f:12.4f} {y:9.3f}"
        for f, o, a, y in pl.concat([frame, closing]).iter_rows()
    ]
    (folder / "dump.gz").write_bytes(gzip.compress("\n".join(rows).encode()))


def japanese_with_output_tables(folder: Path, frame: pl.DataFrame) -> None:
    """Shift-JIS long table, 0 to 360° with the circle closed; distortion wide and a file per drive, compression
    wide."""
    turned = frame.with_columns(angle_deg=pl.col("angle_deg") % 360)
    both = pl.concat([turned, turned.filter(pl.col("angle_deg") == 0).with_columns(angle_deg=pl.lit(360.0))])
    words = {"horizontal": "水平", "vertical": "垂直"}
    out = io.StringIO()
    csv.writer(out).writerows(
        [["周波数", "面", "角度", "音圧"], *([f, words[o], int(a), y] for f, o, a, y in both.iter_rows())]
    )
    (folder / "指向性.csv").write_text(out.getvalue(), encoding="shift_jis")
    for (drive,), at_drive in sessions.distortion_frame().group_by("drive_db", maintain_order=True):
        wide = at_drive.pivot("component", index="frequency_hz", values="percent")
        wide = wide.rename({"frequency_hz": "周波数", "thd": "全高調波", "h2": "2次", "h3": "3次"})
        (folder / f"歪み_{int(drive)}dB.csv").write_text(wide.write_csv(), encoding="shift_jis")  # type: ignore[call-overload]
    compression = sessions.compression_frame().pivot("drive_db", index="frequency_hz", values="level_db")
    compression = compression.rename({"frequency_hz": "周波数"})
    (folder / "圧縮.csv").write_text(compression.write_csv(), encoding="shift_jis")
    impedance = sessions.impedance_frame().rename(
        {"frequency_hz": "周波数", "magnitude_ohm": "大きさ", "phase_deg": "位相"}
    )
    (folder / "impedance.csv").write_text(impedance.write_csv(), encoding="shift_jis")


LAYOUTS = (
    Layout(
        "german",
        """
[columns]
file = "messung.csv"
encoding = "cp1252"
delimiter = ";"
decimal_comma = true
skip_rows = 2
units_row = true
frequency_hz = "Frequenz"
orbit = "Ebene"
angle_deg = "Winkel"
level_db = "Pegel"
orbit_words = {horizontal = ["waagerecht"], vertical = ["senkrecht"]}
""",
        german_long_table,
    ),
    Layout(
        "utf16",
        """
[columns]
file = "polars.txt"
delimiter = "tab"
decimal_comma = true
frequency_hz = "f [kHz]"
frequency_unit = "kHz"
wide = "{orbit} {angle}°"
""",
        utf16_wide_kilohertz,
    ),
    Layout(
        "clockwise",
        """
[traces]
pattern = "{orbit} {angle}.frd"
angle_sense = "clockwise"
angle_range = "0-360"
""",
        traces_0_to_360_clockwise,
    ),
    Layout(
        "pascal",
        """
[columns]
file = "plane_{orbit}.csv"
frequency_hz = "Frequency"
wide = "{angle} deg"
level_unit = "Pa"
vertical_positive = "down"
""",
        pascal_file_per_orbit,
    ),
    Layout(
        "french",
        """
[traces]
pattern = "plan {orbit}/angle {angle}.dat"
decimal_comma = true
orbit_words = {horizontal = ["horizontale"], vertical = ["verticale"]}
""",
        french_traces_in_subfolders,
    ),
    Layout(
        "parquet",
        """
[columns]
file = "balloon.parquet"
frequency_hz = "freq_khz"
frequency_unit = "kHz"
orbit = "cut"
orbit_words = {horizontal = ["azimuthal"], vertical = ["polar"]}
angle_deg = "theta"
angle_sense = "clockwise"
vertical_positive = "down"
level_db = "magnitude"
level_unit = "linear"
""",
        parquet_other_names_linear,
    ),
    Layout(
        "numbers",
        """
[columns]
file = "dump.gz"
delimiter = "space"
comment = "#"
heading = false
orbit = 1
orbit_words = {horizontal = ["0"], vertical = ["1"]}
angle_deg = 2
frequency_hz = 3
level_db = 4
""",
        numbers_without_headings,
    ),
    Layout(
        "japanese",
        """
[columns]
file = "指向性.csv"
encoding = "shift_jis"
frequency_hz = "周波数"
orbit = "面"
angle_deg = "角度"
level_db = "音圧"
angle_range = "0-360"
orbit_words = {horizontal = ["水平"], vertical = ["垂直"]}
[columns.distortion]
file = "歪み_{drive}dB.csv"
wide = "{component}"
level_unit = "percent"
component_words = {thd = ["全高調波"], h2 = ["2次"], h3 = ["3次"]}
[columns.compression]
file = "圧縮.csv"
wide = "{drive}"
[columns.impedance]
magnitude_ohm = "大きさ"
phase_deg = "位相"
""",
        japanese_with_output_tables,
        whole=True,
    ),
)

SHEET_KEYS = (
    "maker",
    "model",
    "kind",
    "powered",
    "lab",
    "method",
    "date",
    "sample",
    "setting",
    "mass_kg",
    "electronics.bass_db",
)


def session_keys(layout: str, number: int) -> dict[str, object]:
    return {
        "maker": "Alder Fen",
        "model": f"Sill {layout} {number}",
        "kind": "monitor" if number % 2 else "standmount",
        "powered": True,
        "lab": "shed",
        "method": "anechoic",
        "date": f"2025-{1 + number % 12:02d}-{1 + number:02d}",
        "sample": f"{number:04d}",
        "setting": "plain",
        "mass_kg": 4.5 + number,
        "electronics.bass_db": -number,
    }


def write_shelf(shelf: Path, plain: Path, per_layout: int) -> None:
    """Every layout's folders below shelf, with a folder.toml each and one sheet, sessions.csv; the plain form below
    plain."""
    rows = [["folder", *SHEET_KEYS]]
    for place, layout in enumerate(LAYOUTS):
        (shelf / layout.name).mkdir(parents=True)
        (shelf / layout.name / "folder.toml").write_text(layout.folder_toml, encoding="utf-8")
        for number in range(per_layout):
            frame = sessions.response_frame(seed=1000 * place + number)
            folder = shelf / layout.name / f"s{number:02d}"
            folder.mkdir()
            layout.write(folder, frame)
            keys = session_keys(layout.name, number)
            rows.append([f"{layout.name}/s{number:02d}", *(str(keys[k]).replace("True", "yes") for k in SHEET_KEYS)])
            bass = keys.pop("electronics.bass_db")
            reference = sessions.write_plain(plain / layout.name / f"s{number:02d}", frame, whole=layout.whole, **keys)
            with open(reference / "session.toml", "a") as file:
                file.write(f"[electronics]\nbass_db = {bass}\n")
    with open(shelf / "sessions.csv", "w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows(rows)
