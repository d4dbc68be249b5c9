"""Statements that hold for any input, tried on many (hypothesis)."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from speakerdb.errors import DataError
from speakerdb.formats import content_hash, read_session, slugify
from speakerdb.formats.conventions import to_ours
from speakerdb.formats.patterns import compile_pattern, words_of
from speakerdb.formats.problems import Problems
from speakerdb.formats.session_sheet import rows_from
from speakerdb.formats.tables import RESPONSES, Table
from speakerdb.formats.toml_files import parse_toml
from speakerdb.formats.traces import parse_trace
from tests.formats import sessions

few = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
level = st.decimals(min_value=-60, max_value=140, places=2).map(float)
frequency = st.lists(
    st.decimals(min_value=10, max_value=20000, places=2).map(float), min_size=2, max_size=30, unique=True
)
STYLES = {
    "white space": "   ".join,
    "tab": "\t".join,
    "semicolon": ";".join,
    "comma and space": ", ".join,
    "semicolon, decimal comma": lambda cells: "; ".join(c.replace(".", ",") for c in cells),
    "tab, decimal comma": lambda cells: "\t".join(c.replace(".", ",") for c in cells),
    "comma and space, decimal comma": lambda cells: ", ".join(c.replace(".", ",") for c in cells),
    "comma": ",".join,
}


@few
@given(
    f=frequency,
    data=st.data(),
    style=st.sampled_from(sorted(STYLES)),
    phase=st.booleans(),
    heading=st.sampled_from(["", "Freq Level\n", "* 1.5 m\n", "# 3,5;7\n\n", "Hz dB 1\n"]),
)
def test_a_trace_reads_back_however_its_cells_are_set_apart(f, data, style, phase, heading):
    levels = data.draw(st.lists(level, min_size=len(f), max_size=len(f)))
    extra = ["12.50"] if phase else []
    text = heading + "\n".join(STYLES[style]([f"{a:.2f}", f"{b:.2f}", *extra]) for a, b in zip(f, levels, strict=True))
    problems = Problems("")
    trace = parse_trace("h_0.txt", text, {}, problems)
    assert problems.items == []
    assert trace is not None
    np.testing.assert_array_equal(trace.frequency, f)
    np.testing.assert_array_equal(trace.level, levels)


@few
@given(
    angle=st.integers(-179, 180),
    horizontal=st.booleans(),
    clockwise=st.booleans(),
    down=st.booleans(),
    full=st.booleans(),
)
def test_an_angle_comes_back_from_any_convention(angle, horizontal, clockwise, down, full):
    turned = -angle if (clockwise if horizontal else down) else angle
    written = turned % 360 if full else turned
    said = {
        "angle_sense": "clockwise" if clockwise else "counter-clockwise",
        "vertical_positive": "down" if down else "up",
        "angle_range": "0-360" if full else "-180-180",
    }
    numbers = {"frequency_hz": np.array([100.0]), "angle_deg": np.array([float(written)]), "level_db": np.array([80.0])}
    table = Table(RESPONSES, "x", numbers, {"orbit": np.array([0 if horizontal else 1])}, lambda row: ("x", row))
    ours = to_ours(table, said, Problems(""))
    assert ours is not None
    assert ours.numbers["angle_deg"][0] % 360 == angle % 360


@few
@given(
    orbit=st.sampled_from(["h", "Hor", "VERTICAL", "v"]),
    angle=st.integers(-180, 360),
    around=st.text("abc _-.()[]+$^", max_size=6),
)
def test_a_name_made_by_a_pattern_is_read_by_it(orbit, angle, around):
    pattern = compile_pattern("x" + around + "/{orbit}_{angle}deg*", words_of({}))
    values = pattern.match(f"x{around}/{orbit}_{angle}deg.txt")
    assert values == {"orbit": 0 if orbit.lower().startswith("h") else 1, "angle_deg": float(angle)}


@few
@given(seed=st.integers(0, 1000), drop=st.sets(st.integers(0, 80), max_size=20))
def test_order_of_rows_makes_no_difference_with_any_holes(seed, drop):
    frame = sessions.response_frame(angles=sessions.ANGLES[5::10], frequency_hz=sessions.FREQUENCY_HZ[::12])
    kept = frame.with_row_index().filter(~pl.col("index").is_in(list(drop))).drop("index")
    with tempfile.TemporaryDirectory() as name:
        a = sessions.write_plain(Path(name) / "a", kept)
        b = sessions.write_plain(Path(name) / "b", kept.sample(fraction=1.0, shuffle=True, seed=seed))
        assert content_hash(read_session(a)) == content_hash(read_session(b))


@few
@given(
    content=st.one_of(st.binary(max_size=200), st.text(max_size=200).map(lambda t: t.encode("utf-8", "replace"))),
    name=st.sampled_from(
        [
            "responses.csv",
            "responses.csv.gz",
            "responses.parquet",
            "responses.sofa",
            "responses/h_0.txt",
            "distortion.csv",
            "impedance.csv",
            "session.toml",
            "folder.toml",
        ]
    ),
)
@example(content=b"\xef\xbb\xbf", name="responses.csv")
@example(content=b"a = {", name="folder.toml")
def test_anything_at_all_in_a_file_is_read_or_refused(content, name):
    with tempfile.TemporaryDirectory() as place:
        folder = sessions.write_keys(Path(place) / "s")
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes(content)
        with pytest.raises(DataError):
            read_session(folder)


@few
@given(text=st.text(max_size=300))
@example(text="a = '\x0b'")
@example(text="\ufeff[a]\nb = 1979-05-27T07:32:00")
def test_any_text_is_toml_or_a_named_line(text):
    problems = Problems("")
    parsed = parse_toml("session.toml", text.encode("utf-8", "replace"), problems)
    assert (parsed is None) == bool(problems.items)
    assert all(i.line is None or 1 <= i.line <= text.count("\n") + text.count("\r") + 1 for i in problems.items)


@few
@given(text=st.text("folder,maker;\n\"'x \t?1", max_size=120))
def test_any_text_is_a_sheet_or_a_named_defect(text):
    problems = Problems("")
    rows = rows_from("sheet.csv", ("folder,maker,mass_kg\n" + text).encode(), problems)
    assert all(r.folder for r in rows)


@few
@given(maker=st.text(max_size=20), model=st.text(max_size=20))
def test_a_slug_is_made_of_lower_case_latin_letters_digits_and_single_hyphens(maker, model):
    slug = slugify(maker, model)
    assert set(slug) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    assert "--" not in slug
    assert slug == slug.strip("-")
    assert slugify(slug, "") == slug
