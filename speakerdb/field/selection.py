"""Whom a question is about: filters, the currency that prices are in, and which settings stand."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from speakerdb.analysis import filters
from speakerdb.analysis.filters import Limit
from speakerdb.errors import DataError, ErrorItem, RequestError
from speakerdb.field.field import Field
from speakerdb.files import MAX_LIST_BYTES, read_file


@dataclass(frozen=True)
class Selection:
    """Filters, the currency and kind of price that they are in, whether every setting stands by itself, and rates
    between currencies."""

    limits: tuple[Limit, ...] = ()
    currency: str | None = None
    price_kind: str | None = None
    all_settings: bool = False
    rates: Mapping[tuple[str, str], float] | None = None

    def words(self) -> str:
        """The filters that ask something, for headings: 'kind bookshelf, price max 1000'."""
        return filters.words(self.limits)

    def split(self, field: Field) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Rows of the field that pass, and those that can't be judged (column reason)."""
        if self.currency is not None and not self.rates and self.currency not in field.currencies():
            known = ", ".join(field.currencies()) or "none"
            raise RequestError(f"no price is held in {self.currency}; prices are in {known}")
        frame = field.frame(self.currency, self.price_kind, self.rates)
        if not self.all_settings:
            frame = frame.filter(pl.col("is_default"))
        return filters.apply(self.limits, frame)


def read_rates(path: Path) -> dict[tuple[str, str], float]:
    """A rates file: CSV with the columns from, to, rate (1 `from` = rate `to`). Raises DataError with every wrong
    row."""
    try:
        text = read_file(path, MAX_LIST_BYTES).decode("utf-8-sig")
        rows = list(csv.DictReader(io.StringIO(text), skipinitialspace=True))
    except OSError as error:
        raise DataError(f"{path} can't be read: {error.strerror or error}") from None
    except (UnicodeDecodeError, csv.Error):
        raise DataError(f"{path} is not a CSV file in UTF-8") from None
    rates: dict[tuple[str, str], float] = {}
    items = []
    for line, row in enumerate(rows, 2):
        try:
            rate = float(row["rate"])
            pair = (row["from"].strip().upper(), row["to"].strip().upper())
            if not (math.isfinite(rate) and rate > 0 and all(len(c) == 3 for c in pair)):
                raise ValueError
        except (KeyError, ValueError, TypeError, AttributeError):
            items.append(
                ErrorItem(file=path.name, line=line, found=str(row), expected="from,to,rate such as USD,EUR,0.9")
            )
            continue
        rates[pair] = rate
        rates.setdefault((pair[1], pair[0]), 1.0 / rate)
    if items or not rates:
        raise DataError(f"{path} holds no usable rates" if not items else f"{path}: {len(items)} rows are wrong", items)
    return rates
