"""Tables in a terminal of any width: words wrap, numbers stay whole, nothing is lost."""

from __future__ import annotations

import pytest

from speakerdb.cli import terminal

HEADINGS = ("metric", "unit", "value now", "95 % interval", "id")
ROWS = [
    ["Ripple of the early-reflections directivity index", "dB", "−0.87", "−0.91 … −0.83", "di_early_ripple_db"],
    ["LF extension (−6 dB)", "Hz", "44.1", "43.6 … 44.5", "f6_hz"],
]


@pytest.fixture
def printed(capsys, monkeypatch):
    def call(width, **more):
        monkeypatch.setattr(terminal, "WIDTH", width)
        terminal.table(HEADINGS, ROWS, right=(2, 3), **more)
        return capsys.readouterr().out.splitlines()

    return call


def words(lines):
    return " ".join(lines).split()


def test_where_a_row_fits_it_stands_on_one_line(printed):
    lines = printed(120)
    assert len(lines) == 3
    assert lines[2].split("  ")[0] == "LF extension (−6 dB)"


@pytest.mark.parametrize("width", [70, 50, 30])
def test_no_line_is_wider_than_the_terminal_and_no_number_is_broken(printed, width):
    lines = printed(width)
    assert max(len(line.rstrip()) for line in lines) <= width
    for number in ("−0.87", "−0.91 … −0.83", "44.1", "43.6 … 44.5"):
        assert any(number in line for line in lines), number


def test_columns_that_do_not_fit_stand_below_with_the_first_column_again(printed):
    lines = printed(40)
    assert words(lines).count("early-reflections") > 1
    assert {w for row in [HEADINGS, *ROWS] for cell in row for w in cell.split()} == set(words(lines))


def test_a_spare_column_is_left_out_where_rows_would_not_fit(printed):
    assert "f6_hz" in words(printed(120, spare=(4,)))
    assert "f6_hz" not in words(printed(90, spare=(4,)))


def test_headings_give_way_before_words(printed):
    wide = printed(120)
    tight = printed(max(len(line.rstrip()) for line in wide) - 1)
    assert any("Ripple of the early-reflections directivity index" in line for line in tight)
    assert not any("value now" in line for line in tight)
