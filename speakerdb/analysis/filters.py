"""Which speakers a question is about: limits on columns of the field."""

from __future__ import annotations

import operator
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import polars as pl

from speakerdb import figures

_TESTS = {"==": operator.eq, ">=": operator.ge, "<=": operator.le}


@dataclass(frozen=True)
class Limit:
    """One filter: its name, the column of the field that it keeps, and how; ends are included."""

    name: str
    column: str
    test: Literal["==", ">=", "<="]
    value: float | str | bool


def words(limits: Sequence[Limit]) -> str:
    """The filters, for headings: 'kind bookshelf, price max 1000'."""
    said = []
    for one in limits:
        value = {True: "yes", False: "no"}[one.value] if isinstance(one.value, bool) else one.value
        said.append(f"{one.name.replace('_', ' ')} {figures.plain(value, 10) if isinstance(value, float) else value}")
    return ", ".join(said)


def apply(limits: Sequence[Limit], field: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Split the field's rows: those that pass, and those that can't be judged (with `reason`: what is unknown).

    A speaker that fails one limit is out even where another of its facts is unknown.
    """
    passes, unknown, reason = pl.lit(True), pl.lit(False), []
    for one in limits:
        value = pl.col(one.column)
        passes &= _TESTS[one.test](value, one.value).fill_null(True)
        unknown |= value.is_null()
        words: pl.Expr = pl.lit(f"{one.column.rsplit('_', 1)[0]} unknown")
        if one.column == "price":
            words = pl.coalesce("price_reason", words)
        reason.append(pl.when(value.is_null()).then(words))
    candidates = field.filter(passes)
    judged = candidates.filter(~unknown)
    if not reason:
        return judged, candidates.clear().with_columns(reason=pl.lit(None, pl.String))
    open_rows = candidates.filter(unknown).with_columns(reason=pl.concat_str(reason, separator=", ", ignore_nulls=True))
    return judged, open_rows
