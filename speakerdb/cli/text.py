"""Plain text for the terminal: aligned tables with units in the heading, intervals beside values, reasons for gaps."""

from __future__ import annotations

import math
import os
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING

from speakerdb.dictionary import METRICS, MetricDef

if TYPE_CHECKING:
    from rich.console import Console

PIPED_WIDTH = 200  # columns where the output is not a terminal: nothing is cut


def console(*, stderr: bool = False) -> Console:
    """A console of the terminal's width, or a wide plain one in a pipe."""
    from rich.console import Console

    class Quiet(Console):
        def on_broken_pipe(self) -> None:
            """The reader of a pipe went away (`… | head`): that is no failure."""
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            raise SystemExit(0)

    stream = sys.stderr if stderr else sys.stdout
    return Quiet(file=stream, highlight=False, width=None if stream.isatty() else PIPED_WIDTH, markup=False)


def say(message: str = "") -> None:
    """One message on standard error (progress and remarks, never answers)."""
    console(stderr=True).print(message)


def number(value: float | None, decimals: int) -> str:
    """A number with so many decimals; – where there is none; a true minus sign."""
    if value is None or not math.isfinite(value):
        return "–"
    return f"{round(value, decimals) + 0.0:.{decimals}f}".replace("-", "−")  # + 0.0: no negative zero


_SIGN = {"none": "", "at_most": "≤ ", "at_least": "≥ "}


def value(metric: MetricDef, number_: float | None, censored: str | None) -> str:
    """A metric's value in its display step, with its censoring sign."""
    return bounded(number_, metric.decimals, censored)


def bounded(number_: float | None, decimals: int, censored: str | None) -> str:
    """A number that is no metric of the dictionary, with its censoring sign."""
    return "–" if number_ is None else _SIGN[censored or "none"] + number(number_, decimals)


def interval(metric: MetricDef, low: float | None, high: float | None) -> str:
    """'41.2 … 44.0', an open end as –; empty where no interval has been worked out."""
    if low is None and high is None:
        return ""
    return f"{number(low, metric.decimals)} … {number(high, metric.decimals)}"


RATIO_DECIMALS = 2


def difference(metric: MetricDef, value_: float | None, ratio: bool) -> str:
    """A difference in the metric's display step, or how many times the other a value is: '× 1.30'."""
    if not ratio:
        return number(value_, metric.decimals)
    return "–" if value_ is None else f"× {number(value_, RATIO_DECIMALS)}"


def difference_interval(metric: MetricDef, low: float | None, high: float | None, ratio: bool) -> str:
    """The interval of a difference: '0.3 … 0.9', of a ratio '1.27 … 1.34'."""
    decimals = RATIO_DECIMALS if ratio else metric.decimals
    return f"{number(low, decimals)} … {number(high, decimals)}"


def table(headings: Sequence[str], rows: Sequence[Sequence[object]], *, right: Sequence[int] = ()) -> None:
    """Print an aligned table on standard output; right: columns that are numbers."""
    from rich.table import Table

    grid = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
    for i, heading in enumerate(headings):
        # a name is never broken: headings and reasons give way first
        grid.add_column(heading, justify="right" if i in right else "left", overflow="fold", no_wrap=i == 0)
    for row in rows:
        grid.add_row(*("–" if cell is None else str(cell) for cell in row))
    console().print(grid)


def line(text: str = "") -> None:
    """One line of the answer on standard output."""
    console().print(text)


def metric_of(metric_id: str) -> MetricDef:
    return METRICS[metric_id]
