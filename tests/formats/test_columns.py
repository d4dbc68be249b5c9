"""Tables of other programs, read by the map under [columns] in folder.toml."""

from __future__ import annotations

import gzip
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from speakerdb.errors import DataError, ErrorItem
from speakerdb.formats import content_hash, read_session
from tests.formats import sessions

ANGLES = sessions.ANGLES[1::6]
FRAME = sessions.response_frame(seed=4, angles=ANGLES)


def mapped(folder: Path, toml: str, files: dict[str, str | bytes]):
    sessions.write_keys(folder)
    (folder / "folder.toml").write_text(toml, encoding="utf-8")
    for name, content in files.items():
        (folder / name).write_bytes(content if isinstance(content, bytes) else content.encode())
    return read_session(folder)


def refused(folder: Path, toml: str, files: dict[str, str | bytes]) -> list[ErrorItem]:
    with pytest.raises(DataError) as caught:
        mapped(folder, toml, files)
    return list(caught.value.items)


def plain_hash(tmp_path: Path, **options: object) -> str:
    return content_hash(read_session(sessions.write_plain(tmp_path / "plain", FRAME, **options)))


def german(frame: pl.DataFrame) -> str:
    rows = [
        f"{f};{ {'horizontal': 'waagerecht', 'vertical': 'senkrecht'}[o] };{a};{y};".replace(".", ",")
        for f, o, a, y in frame.iter_rows()
    ]
    return "\n".join(["Messung 12", "", "Frequenz;Ebene;Winkel;Pegel;", "Hz;;Grad;dB;", *rows]) + "\n"


GERMAN = """
[columns]
file = "messung.csv"
delimiter = ";"
decimal_comma = true
skip_rows = 2
units_row = true
frequency_hz = "Frequenz"
orbit = "Ebene"
angle_deg = "Winkel"
level_db = "Pegel"
orbit_words = {horizontal = ["waagerecht"], vertical = ["senkrecht"]}
"""


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "cp1252"])
def test_another_language_with_units_row_and_decimal_comma(tmp_path, encoding):
    named = GERMAN + (f'encoding = "{encoding}"\n')
    session = mapped(tmp_path / "s", named, {"messung.csv": german(FRAME).encode(encoding)})
    assert content_hash(session) == plain_hash(tmp_path)


def test_a_map_reads_gzip_and_parquet_too(tmp_path):
    packed = mapped(
        tmp_path / "a", GERMAN.replace("messung.csv", "*.gz"), {"m.csv.gz": gzip.compress(german(FRAME).encode())}
    )
    assert content_hash(packed) == plain_hash(tmp_path)
    foreign = FRAME.rename({"frequency_hz": "f", "level_db": "L"}).with_columns(f=pl.col("f") / 1000)
    sessions.write_keys(tmp_path / "b")
    foreign.write_parquet(tmp_path / "b" / "responses.parquet")
    session = mapped(tmp_path / "b", '[columns]\nfrequency_hz = "f"\nlevel_db = "L"\nfrequency_unit = "kHz"\n', {})
    assert content_hash(session) == content_hash(read_session(tmp_path / "plain"))


def test_columns_by_number_without_headings(tmp_path):
    rows = "\n".join(f"{o[0]} {a} {y} {f}" for f, o, a, y in FRAME.iter_rows())
    toml = (
        '[columns]\nfile = "dump.txt"\ndelimiter = "space"\nheading = false\norbit = 1\nangle_deg = 2\nlevel_db '
        "= 3\nfrequency_hz = 4\n"
    )
    assert content_hash(mapped(tmp_path / "s", toml, {"dump.txt": rows})) == plain_hash(tmp_path)


def wide(frame: pl.DataFrame, heading: str = "{o} {a:+d}°") -> str:
    columns = {"Freq [Hz]": sessions.FREQUENCY_HZ}
    for (orbit, angle), rows in frame.group_by("orbit", "angle_deg", maintain_order=True):
        columns[heading.format(o=str(orbit)[0].upper(), a=int(angle))] = rows["level_db"].to_numpy()
    return pl.DataFrame(columns).write_csv(separator="\t")


def test_a_wide_table_with_orbit_and_angle_in_the_heading(tmp_path):
    toml = '[columns]\nfile = "polar.txt"\nfrequency_hz = "Freq [Hz]"\nwide = "{orbit} {angle}°"\n'
    assert content_hash(mapped(tmp_path / "s", toml, {"polar.txt": wide(FRAME)})) == plain_hash(tmp_path)


def test_a_wide_file_for_each_orbit(tmp_path):
    toml = '[columns]\nfile = "polar_{orbit}.txt"\nfrequency_hz = "Freq [Hz]"\nwide = "{angle}"\n'
    files = {f"polar_{o}.txt": wide(FRAME.filter(pl.col("orbit") == o), heading="{a}") for o in sessions.ORBITS}
    assert content_hash(mapped(tmp_path / "s", toml, files)) == plain_hash(tmp_path)


def test_columns_of_a_wide_table_that_are_not_used_are_told(tmp_path):
    text = wide(FRAME).replace("H +140°", "H backwards")
    toml = '[columns]\nfile = "polar.txt"\nfrequency_hz = "Freq [Hz]"\nwide = "{orbit} {angle}°"\n'
    session = mapped(tmp_path / "s", toml, {"polar.txt": text})
    assert any("H backwards" in w for w in session.warnings)


def test_angles_from_0_to_360_clockwise_with_the_circle_closed(tmp_path):
    turned = FRAME.with_columns(
        angle_deg=pl.when(pl.col("orbit") == "horizontal").then(-pl.col("angle_deg")).otherwise("angle_deg") % 360.0
    )
    again = turned.filter(pl.col("angle_deg") == 0).with_columns(angle_deg=pl.lit(360.0))
    toml = '[columns]\nangle_range = "0-360"\nangle_sense = "clockwise"\n'
    session = mapped(tmp_path / "s", toml, {"responses.csv": pl.concat([turned, again]).write_csv()})
    assert content_hash(session) == plain_hash(tmp_path)


@pytest.mark.parametrize(("unit", "reference"), [("linear", 1.0), ("Pa", 20e-6)])
def test_linear_magnitudes(tmp_path, unit, reference):
    pressures = FRAME.with_columns(level_db=reference * 10 ** (pl.col("level_db") / 20))
    session = mapped(tmp_path / "s", f'[columns]\nlevel_unit = "{unit}"\n', {"responses.csv": pressures.write_csv()})
    assert content_hash(session) == plain_hash(tmp_path)


def test_thousands_points_beside_decimal_commas(tmp_path):
    toml = '[columns]\ndelimiter = ";"\ndecimal_comma = true\n'
    text = "frequency_hz;orbit;angle_deg;level_db\n1.000,5;h;0;80,5\n12.500,0;h;0;79\n"
    (block,) = mapped(tmp_path / "a", toml, {"responses.csv": text}).blocks
    assert block.frequency_hz.tolist() == [1000.5, 12500.0]
    (item,) = refused(tmp_path / "b", toml, {"responses.csv": text.replace("1.000,5", "1.000")})
    assert item.line == 2
    assert "decimal_comma" in item.found


def test_distortion_compression_and_impedance_by_maps_of_their_own(tmp_path):
    wide_thd = {"Hz": sessions.FREQUENCY_HZ[::12]}
    frame = sessions.distortion_frame()
    files: dict[str, str] = {}
    for (drive,), at_drive in frame.group_by("drive_db", maintain_order=True):
        wide_thd |= {
            str(c): rows["percent"].to_numpy() for (c,), rows in at_drive.group_by("component", maintain_order=True)
        }
        files[f"klirr {int(drive)} dB.csv"] = (
            pl.DataFrame(wide_thd).rename({"thd": "K ges", "h2": "K2", "h3": "K3"}).write_csv(separator=";")
        )
    compression = sessions.compression_frame().pivot("drive_db", index="frequency_hz", values="level_db")
    files["kompression.csv"] = compression.rename({"frequency_hz": "Hz"}).write_csv(separator=";")
    files["impedance.csv"] = (
        sessions.impedance_frame()
        .rename({"frequency_hz": "Hz", "magnitude_ohm": "Z", "phase_deg": "phi"})
        .write_csv(separator=";")
    )
    toml = """
[columns]
frequency_hz = "Hz"
delimiter = ";"
level_db = "L"
[columns.distortion]
file = "klirr {drive} dB.csv"
wide = "{component}"
level_unit = "percent"
component_words = {thd = ["K ges"], h2 = ["K2"], h3 = ["K3"]}
[columns.compression]
file = "kompression.csv"
wide = "{drive}"
[columns.impedance]
magnitude_ohm = "Z"
phase_deg = "phi"
"""
    files["responses.csv"] = FRAME.rename({"frequency_hz": "Hz", "level_db": "L"}).write_csv(separator=";")
    session = mapped(tmp_path / "s", toml, files)
    assert content_hash(session) == plain_hash(tmp_path, whole=True)


def test_a_table_without_a_map_of_its_own_stays_plain(tmp_path):
    folder = sessions.write_plain(tmp_path / "s", FRAME, whole=True)
    (folder / "responses.csv").unlink()
    session = mapped(folder, GERMAN, {"messung.csv": german(FRAME)})
    assert content_hash(session) == plain_hash(tmp_path, whole=True)


def test_a_plain_folder_below_a_map_stays_plain(tmp_path):
    session = mapped(tmp_path / "s", GERMAN, {"responses.csv": FRAME.write_csv()})
    assert content_hash(session) == plain_hash(tmp_path)


def test_without_its_units_row_the_first_row_of_a_foreign_table_would_be_lost(tmp_path):
    text = "\n".join(row for i, row in enumerate(german(FRAME).split("\n")) if i != 3)
    assert content_hash(mapped(tmp_path / "s", GERMAN, {"messung.csv": text})) != plain_hash(tmp_path)


@pytest.mark.parametrize(
    ("change", "line", "key"),
    [
        (("Pegel", "Level"), 3, "columns.level_db"),
        (("senkrecht", "schräg"), 5 + len(FRAME) // 2, "orbit"),
        (("25,0;", "25,0.1;"), 5, "frequency_hz"),
    ],
)
def test_a_defect_in_a_foreign_table_is_named_with_its_line(tmp_path, change, line, key):
    item = refused(tmp_path / "s", GERMAN, {"messung.csv": german(FRAME).replace(*change)})[0]
    assert (item.file, item.line, item.key) == ("messung.csv", line, key)


def test_what_no_heading_tells_is_asked_for(tmp_path):
    (item,) = refused(
        tmp_path / "s", '[columns]\nlevel_db = "L"\n', {"responses.csv": "frequency_hz,orbit,L\n100,h,80\n"}
    )
    assert item.key == "angle_deg"
    assert "{angle}" in item.expected
    session = mapped(
        tmp_path / "t",
        '[columns]\nlevel_db = "L"\nfixed = {angle_deg = 0}\n',
        {"responses.csv": "frequency_hz,orbit,L\n100,h,80\n"},
    )
    assert session.blocks[0].angle_deg.tolist() == [0.0]


def test_no_file_of_the_name_is_told(tmp_path):
    (item,) = refused(tmp_path / "s", GERMAN, {"other.csv": "x"})
    assert item.key == "columns.file"


@pytest.mark.parametrize(
    ("toml", "key"),
    [
        ("[columns]\nfrequency = 'f'\n", "columns.frequency"),
        ("[columns]\nskip_rows = -1\n", "columns.skip_rows"),
        ("[columns]\nencoding = 'ebcdic'\n", "columns.encoding"),
        ("[columns]\nwide = '{o}'\n", "columns.wide"),
        ("[columns.distortion]\nfile = '{}'\n", "columns.distortion.file"),
        ("[columns.impedance]\nfiel = 'x'\n", "columns.impedance.fiel"),
        ("[columns.noise]\nfile = 'x'\n", "columns.noise"),
    ],
)
def test_a_wrong_map_is_named_by_key_and_line_and_no_table_is_read_by_it(tmp_path, toml, key):
    (item,) = refused(tmp_path / "s", toml, {"responses.csv": "junk"})
    assert (item.file, item.key, item.line) == ("folder.toml", key, 1 if key == "columns.noise" else 2)


def test_curves_turn_the_right_way(tmp_path):
    """A clockwise angle of 30° lies to the other side than ours."""
    rows = "frequency_hz,orbit,angle_deg,level_db\n100,h,30,70\n100,h,-30,60\n100,v,30,50\n100,v,-30,40\n"
    session = mapped(tmp_path / "s", "[columns]\nangle_sense = 'clockwise'\n", {"responses.csv": rows})
    levels = {
        (bool(h), float(a)): float(y[0])
        for b in session.blocks
        for h, a, y in zip(b.horizontal, b.angle_deg, b.level_db, strict=True)
    }
    assert levels == {(True, -30.0): 70.0, (True, 30.0): 60.0, (False, 30.0): 50.0, (False, -30.0): 40.0}
    assert np.isfinite(list(levels.values())).all()


def test_files_of_one_table_need_not_have_the_same_spare_columns(tmp_path):
    toml = '[columns]\nfile = "polar_{orbit}.csv"\n'
    files = {
        "polar_h.csv": "frequency_hz,angle_deg,level_db,phase_deg\n100,0,80,12\n200,0,81,13\n",
        "polar_v.csv": "frequency_hz,angle_deg,level_db\n100,0,80\n200,0,81\n",
    }
    (block,) = mapped(tmp_path / "s", toml, files).blocks
    assert block.horizontal.tolist() == [True, False]


def test_a_parquet_file_without_rows_or_columns(tmp_path):
    for name, frame in {"rows": FRAME.clear(), "columns": pl.DataFrame()}.items():
        sessions.write_keys(tmp_path / name)
        frame.write_parquet(tmp_path / name / "responses.parquet")
        (item,) = refused(tmp_path / name, "[columns]\nskip_rows = 0\n", {})
        assert "without rows" in item.found
