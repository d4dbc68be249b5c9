"""Collects everything that is wrong in one folder, so that the user mends it in one go."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb.errors import DataError, ErrorItem

_ROWS_NAMED = 5  # rows of one defect named one by one before "and N more rows"

Place = Callable[[int], tuple[str, int | None]]  # row of a table -> file and line


class Problems:
    """The defects of one folder so far, and the warnings."""

    def __init__(self, folder: str) -> None:
        self.folder = folder
        self.items: list[ErrorItem] = []
        self.questions = 0  # of the items: what is not wrong but left open
        self.warnings: list[str] = []

    def add(
        self, found: str, expected: str, *, file: str | None = None, line: int | None = None, key: str | None = None
    ) -> None:
        self.items.append(ErrorItem(folder=self.folder, file=file, line=line, key=key, found=found, expected=expected))

    def ask(self, found: str, expected: str, *, file: str, key: str, line: int | None = None) -> None:
        """Something that only the user knows."""
        self.add(found, expected, file=file, line=line, key=key)
        self.questions += 1

    def warn(self, text: str) -> None:
        """Something the user should know that does not stand in the way."""
        if text not in self.warnings:
            self.warnings.append(text)

    def add_rows(
        self,
        bad: NDArray[np.bool_],
        describe: Callable[[int], str],
        expected: str,
        *,
        place: Place,
        key: str,
    ) -> bool:
        """Name the first rows of a table that are marked bad; tells whether there were any."""
        rows = np.flatnonzero(bad)
        for row in rows[:_ROWS_NAMED]:
            file, line = place(int(row))
            self.add(describe(int(row)), expected, file=file, line=line, key=key)
        rest = len(rows) - _ROWS_NAMED
        if rest > 0:
            self.add(
                f"the same in {rest} more row{'s' if rest > 1 else ''}", expected, file=place(int(rows[-1]))[0], key=key
            )
        return len(rows) > 0

    def error(self) -> DataError:
        name = Path(self.folder).name or self.folder
        count = len(self.items)
        lead = f"{name}: {self.items[0]}" if self.items else f"{name} cannot be read"
        asked = 0 < self.questions == count
        return DataError(lead + (f" (and {count - 1} more)" if count > 1 else ""), self.items, asked=asked)

    def raise_if_any(self) -> None:
        if self.items:
            raise self.error()


def shown(value: Any) -> str:
    """A value as it is named in a message: short, on one line."""
    text = repr(value) if isinstance(value, str) else str(value)
    text = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return text if len(text) <= 80 else text[:77] + "…"
