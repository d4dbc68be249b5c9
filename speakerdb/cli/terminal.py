"""Plain text for the terminal: aligned tables with units in the heading, intervals beside values, reasons for gaps."""

from __future__ import annotations

import operator
import os
import re
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from speakerdb import figures

if TYPE_CHECKING:
    import polars as pl
    from rich.console import Console

    from speakerdb.metric import Metric

WIDTH = 80  # columns, on a terminal and in a pipe
WIDE = 1000  # columns where nothing should be broken


@dataclass
class Look:
    """How tables look in this run. ids: metrics with their id, as scripts name them."""

    wide: bool = False
    ids: bool = False


LOOK = Look()
# options of every command, taken before it reads its own
OPTIONS = ("--wide", "--ids")


# what a terminal would obey instead of showing it: control characters, and those that turn the direction of writing
_OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def escaped(text: str) -> str:
    """Text from files as it may be shown: characters that a terminal would obey are spelt out."""
    return _OBEYED.sub(lambda found: repr(found[0])[1:-1], text)


def console(*, stderr: bool = False) -> Console:
    """A console of 80 columns, of a narrower terminal's width, or of any width where that is asked for."""
    from rich.console import Console

    class Quiet(Console):
        def on_broken_pipe(self) -> None:
            """The reader of a pipe went away (`… | head`): that is no failure."""
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise SystemExit(0)

        def print(self, *objects: object, **options: Any) -> None:
            super().print(*(escaped(o) if isinstance(o, str) else o for o in objects), **options)

    stream = sys.stderr if stderr else sys.stdout
    made = Quiet(file=stream, highlight=False, width=None if stream.isatty() else WIDTH, markup=False)
    made.width = WIDE if LOOK.wide else min(made.width, WIDTH)
    return made


def say(message: str = "") -> None:
    """One message on standard error (progress and remarks, never answers)."""
    console(stderr=True).print(message)


def name(metric: Metric) -> str:
    """A metric's label with its unit, for the first column of a table."""
    return figures.headed(metric.label, metric.unit) + (f" [{metric.id}]" if LOOK.ids else "")


BETWEEN = 2  # spaces between columns
LEAST_TEXT = 6  # characters of a column of words, however narrow the terminal


def table(
    headings: Sequence[str], rows: Sequence[Sequence[object]], *, right: Sequence[int] = (), spare: Sequence[int] = ()
) -> None:
    """Print an aligned table on standard output; right: columns that are numbers; spare: columns that are left out
    where a whole row would not fit a line.

    Words wrap, numbers are never broken: where they would have to be, the columns stand in several tables below each
    other, the first column in each.
    """
    from rich.table import Table

    cells = [["–" if cell is None else escaped(str(cell)) for cell in row] for row in rows]
    wide = console()
    for columns, widths in _blocks(headings, cells, frozenset(right), frozenset(spare), wide.width):
        grid = Table(box=None, pad_edge=False, padding=(0, BETWEEN, 0, 0), header_style="bold")
        for i, width in zip(columns, widths, strict=True):
            grid.add_column(headings[i], justify="right" if i in right else "left", overflow="fold", width=width)
        for row in cells:
            grid.add_row(*(row[i] for i in columns))
        wide.print(grid)


def _blocks(
    headings: Sequence[str], cells: Sequence[Sequence[str]], right: frozenset[int], spare: frozenset[int], room: int
) -> list[tuple[list[int], list[int]]]:
    """Columns and their widths, of each table that the columns have to be parted into to fit so many characters."""
    from rich.cells import cell_len

    columns = list(range(len(headings)))

    def longest(parts: Iterable[str]) -> int:
        return min(max(map(cell_len, parts), default=1), room)

    whole = [longest([headings[i], *(row[i] for row in cells)]) for i in columns]
    wrapped = [longest([*headings[i].split(), *(row[i] for row in cells)]) for i in columns]  # the heading alone
    least = [
        wrapped[i]
        if i in right
        else longest([*headings[i].split(), *(part for row in cells for part in row[i].split())])
        for i in columns
    ]
    broken = [least[i] if i in right else min(least[i], LEAST_TEXT) for i in columns]
    if _across(whole) > room:
        columns = [i for i in columns if i not in spare]
    blocks = [columns[:1]]
    for i in columns[1:]:
        if _across([least[j] for j in [*blocks[-1], i]]) > room and len(blocks[-1]) > 1:
            blocks.append(columns[:1])
        blocks[-1].append(i)
    found = []
    for block in blocks:
        widths = [whole[i] for i in block]
        for floor in (wrapped, least, broken):  # headings give way before words wrap, and words before numbers
            widths = _fitted(widths, [floor[i] for i in block], room)
        found.append((block, widths))
    return found


def _across(widths: Sequence[int]) -> int:
    return sum(widths) + BETWEEN * (len(widths) - 1)


def _fitted(widths: Sequence[int], least: Sequence[int], room: int) -> list[int]:
    """Widths of columns that fit so many characters: the widest gives way first, none below what it needs least."""
    found = list(widths)
    while _across(found) > room and any(map(operator.gt, found, least)):
        found[max(range(len(found)), key=lambda i: found[i] if found[i] > least[i] else 0)] -= 1
    return found


def line(text: str = "", *, whole: bool = False) -> None:
    """A paragraph of the answer on standard output; whole: never broken, for what is copied as one line."""
    console().print(text, soft_wrap=whole)


def metric_of(metric_id: str) -> Metric:
    from speakerdb.metrics import METRICS

    return METRICS[metric_id]


def among(filters: str) -> str:
    """The filters, behind a heading."""
    return f"; {filters}" if filters else ""


def cautions(said: Sequence[str]) -> None:
    """A line a caution."""
    for one in said:
        line(f"Caution: {one.removesuffix('.')}.")


def not_judged(rows: pl.DataFrame) -> None:
    """Who has no place in an answer, by reason."""
    if len(rows):
        line(f"\nNot judged ({len(rows)}):")
    for (reason,), group in rows.group_by("reason", maintain_order=True):
        line(f"  {reason}: {', '.join(group['speaker'])}")
