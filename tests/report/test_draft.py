"""The draft: filled, traceable, and told when it no longer agrees."""

from __future__ import annotations

import json
import re
from pathlib import Path

import polars as pl
import pytest

import speakerdb
from speakerdb.errors import RequestError
from speakerdb.library import Database
from speakerdb.report.draft import draft
from tests.folders import write_session


def written(folder: Path, text: str) -> Path:
    file = folder / "review.md"
    file.write_text(text, encoding="utf-8")
    return file


def filled(base: Database, folder: Path, text: str) -> str:
    return draft(base, written(folder, text)).out.read_text(encoding="utf-8")


def test_placeholders_are_filled_with_what_show_says(field: Database, tmp_path: Path) -> None:
    row = field.show("alder-fen-sill-2", exact=True).rows.row(
        by_predicate=(pl.col("metric") == "f6_hz") & pl.col("session").is_null(), named=True
    )
    text = filled(field, tmp_path, 'Bass to {{ value("sill-2", "f6_hz") }} ({{ interval("sill-2", "f6_hz") }}).\n')
    assert text == f"Bass to {row['value']:.1f} Hz ({row['low']:.1f} to {row['high']:.1f} Hz).\n"


def test_markdown_around_placeholders_stays_as_it_is(field: Database, tmp_path: Path) -> None:
    text = "# Title {#anchor}\n\n50 % {of} *it*\n"
    assert filled(field, tmp_path, text) == text


def test_tables_comparisons_lists_and_pictures(field: Database, tmp_path: Path) -> None:
    text = filled(
        field,
        tmp_path,
        '{{ table(["sill-1", "sill-2"], "f6_hz") }}\n{{ compare("sill-0", "sill-6", "f6_hz") }}\n{{ '
        'relatives("sill-2", 2) }}\n'
        '{{ chart("sill-2", "tone") }}\n{{ overlay("sill-1", "sill-2") }}\n{{ place("sill-2", "f6_hz") }}\n'
        '{{ percentile("sill-2", "f6_hz") }}\n{{ fact("sill-2", "mass_kg") }}\n{{ name("sill-2") }} {{ state() }}\n',
    )
    assert "| LF extension (−6 dB) |" in text
    assert re.search(r"LF extension \(−6 dB\): 0\.\d\d times that of Alder Fen Sill 6 \(0\.\d\d to 0\.\d\d\)\.", text)
    assert text.count("\n- ") == 2 or text.count("- Alder Fen") == 2
    assert (tmp_path / "review.filled-charts" / "alder-fen-sill-2-plain-tone.svg").exists()
    assert "9.5" in text
    assert f"state {field.state.state}" in text


def test_a_price_carries_its_kind_and_date(tmp_path: Path) -> None:
    folder = write_session(tmp_path / "a")
    with (folder / "session.toml").open("a", encoding="utf-8") as toml:
        for kind, amount, day in (("list", 640, 2), ("street", 565, 7)):
            toml.write(f'[[prices]]\namount = {amount}\ncurrency = "EUR"\nper = "pair"\nkind = "{kind}"\n')
            toml.write(f"date = 2026-01-0{day}\n")
    with speakerdb.open(tmp_path / "s.duckdb", write=True) as base:
        base.ingest(folder)
        text = filled(base, tmp_path, '{{ price("sill-5", "street") }} {{ price("sill-5", "list") }}')
    assert text.strip() == "565 EUR a pair (street, 2026-01-07) 640 EUR a pair (list, 2026-01-02)"


def test_facts_and_lines_of_the_verdict_carry_their_units(field: Database, tmp_path: Path) -> None:
    text = filled(
        field,
        tmp_path,
        '{{ fact("sill-2", "mass_kg") }}\n{{ fact("sill-2", "mass_kg", unit=False) }}\n{{ strip("sill-2", "bass") }}\n',
    )
    mass, bare, bass = text.strip().splitlines()[-3:]
    assert mass == f"{bare} kg"
    line = next(row for row in field.show("sill-2").strip if row["line"] == "Bass")
    assert bass.startswith(f"{line['number']}, {line['word']}.")


@pytest.mark.parametrize(
    ("placeholder", "said"),
    [
        ('strip("sill-2", "colour")', "the verdict has no line 'colour'; it has tonal balance"),
        ('price("sill-2", "scrap")', "no scrap price of alder-fen-sill-2 is known"),
    ],
)
def test_what_is_not_there_is_told_with_what_is(field: Database, tmp_path: Path, placeholder: str, said: str) -> None:
    with pytest.raises(RequestError) as error:
        filled(field, tmp_path, f"{{{{ {placeholder} }}}}")
    assert said in str(error.value.items[0])


def test_names_from_the_database_cannot_become_markup(field: Database, tmp_path: Path) -> None:
    text = filled(field, tmp_path, '{{ name("script") }} {{ name("quotes") }} {{ table("quotes", "f6_hz") }}')
    assert "<script>" not in text
    assert "<img" not in text
    assert r"\_b\_ \[c\](d)" in text
    assert r"\|" in text


def test_every_wrong_placeholder_is_told_with_its_line(field: Database, tmp_path: Path) -> None:
    file = written(
        tmp_path,
        'one\n{{ value("sill-22", "f6_hz") }}\n\n{{ value("sill-2", "f6_hertz") }}\n{{ value("sill-2") '
        '}}\n{{ chart("sill-2", "nope") }}\n',
    )
    with pytest.raises(RequestError) as error:
        draft(field, file)
    assert [i.line for i in error.value.items] == [2, 4, 5, 6]
    said = [str(i) for i in error.value.items]
    assert "alder-fen-sill-2" in said[0]
    assert "f6_hz" in said[1]
    assert "metric" in said[2]
    assert "curves" in said[3]
    assert list(tmp_path.iterdir()) == [file]


def test_an_unknown_placeholder_names_the_nearest(field: Database, tmp_path: Path) -> None:
    with pytest.raises(RequestError) as error:
        draft(field, written(tmp_path, 'one\ntwo {{ valeu("sill-2", "f6_hz") }}\n'))
    assert error.value.items[0].line == 2
    assert "the nearest is value" in str(error.value.items[0])


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("a\n{{ value( }}", 2),
        ("a\n\n{% for x in %}", 3),
        ('a\n{{ name("sill-2").__class__.__mro__ }}', 2),
        ('a\n{{ name.__globals__["base"] }}', 2),
        ("{{ 1 / 0 }}", 1),
        ("{{ cycler.__init__.__globals__ }}", 1),
    ],
)
def test_broken_or_sly_placeholders_are_errors_of_the_draft(
    field: Database, tmp_path: Path, text: str, line: int
) -> None:
    with pytest.raises(RequestError) as error:
        draft(field, written(tmp_path, text))
    assert error.value.items[0].line == line


def test_a_withheld_value_is_an_error_with_its_reason(field: Database, tmp_path: Path) -> None:
    with pytest.raises(RequestError) as error:
        draft(field, written(tmp_path, '{{ value("flat", "preference") }}'))
    assert "withheld" in str(error.value.items[0])


def test_an_edited_filling_is_not_overwritten(field: Database, tmp_path: Path) -> None:
    result = draft(field, written(tmp_path, '{{ value("sill-2", "f6_hz") }}'))
    result.out.write_text("edited by hand")
    with pytest.raises(RequestError, match="was edited"):
        draft(field, tmp_path / "review.md")
    assert result.out.read_text() == "edited by hand"
    assert draft(field, tmp_path / "review.md", check=True).stale == []


def test_the_draft_itself_is_never_the_output(field: Database, tmp_path: Path) -> None:
    file = written(tmp_path, "text")
    with pytest.raises(RequestError, match="is the draft itself"):
        draft(field, file, file)


def test_what_no_longer_agrees_is_told_with_both_states(tmp_path: Path) -> None:
    write_session(tmp_path / "in" / "one", bass_hz=40.0)
    write_session(tmp_path / "in" / "two", bass_hz=60.0, model="Sill 6")
    file = written(
        tmp_path,
        'a\n{{ value("sill-5", "f6_hz") }} {{ value("sill-6", "f6_hz") }} {{ state() }}\n{{ chart("sill-5", '
        '"curves") }}\n',
    )
    with speakerdb.open(tmp_path / "s.duckdb", write=True) as base:
        base.ingest(tmp_path / "in")
        first = draft(base, file)
        assert draft(base, file).stale == []
        write_session(tmp_path / "more" / "again", bass_hz=50.0, date="2026-04-01")
        base.ingest(tmp_path / "more")
        checked = draft(base, file, check=True)
        assert not checked.written
        assert [(s.line, s.placeholder) for s in checked.stale] == [
            (2, 'value("sill-5", "f6_hz")'),
            (3, 'chart("sill-5", "curves")'),
        ]
        assert checked.stale[0].was_state == first.state != checked.state
        assert checked.stale[0].was in first.out.read_text()
        again = draft(base, file)
        assert again.stale == checked.stale
        assert again.stale[0].now in again.out.read_text()
        assert draft(base, file).stale == []


def test_the_record_names_every_filled_text_and_the_state(field: Database, tmp_path: Path) -> None:
    result = draft(field, written(tmp_path, 'x\n{{ value("sill-2", "f6_hz") }}\n'))
    record = json.loads(result.record.read_text(encoding="utf-8"))
    assert record["state"] == field.state.state
    assert record["filled"][0]["line"] == 2
    assert record["filled"][0]["text"] in result.out.read_text(encoding="utf-8")


def test_a_damaged_record_is_told(field: Database, tmp_path: Path) -> None:
    result = draft(field, written(tmp_path, "text"))
    result.record.write_text("{}")
    with pytest.raises(RequestError, match="delete it to start anew"):
        draft(field, tmp_path / "review.md")


def test_a_draft_that_cannot_be_read_is_told(field: Database, tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="can't be read"):
        draft(field, tmp_path / "none.md")
    (tmp_path / "latin.md").write_bytes("Größe".encode("latin-1"))
    with pytest.raises(RequestError, match="not UTF-8"):
        draft(field, tmp_path / "latin.md")
