"""A relative in words: whether it measures differently."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def verdict(row: Mapping[str, Any]) -> str:
    """In words, for a row of the answer."""
    if row["distinguishable"] is None:
        return f"whether it measures differently is not judged: {row['reason']}"
    return "measures differently" if row["distinguishable"] else "the measurements can't tell them apart"
