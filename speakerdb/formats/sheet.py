"""A sheet: session.toml keys of many folders as a spreadsheet, one folder a row."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class SheetRow:
    """One row: keys as in session.toml, and the row's own text for the sources."""

    line: int
    folder: str
    keys: dict[str, Any]
    excerpt: bytes


@dataclass(frozen=True)
class Sheet:
    """A read sheet. Folders are looked for beside the sheet, then below the ingested folder."""

    path: Path
    rows: tuple[SheetRow, ...]
