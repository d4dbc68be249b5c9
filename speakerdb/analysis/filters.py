"""Which speakers a question is about: by kind, price, size, year, mains power."""

from __future__ import annotations

from dataclasses import dataclass, fields

import polars as pl

from speakerdb import figures


@dataclass(frozen=True)
class Filters:
    """Limits, ends included; None asks nothing. Prices are for a pair, in one currency."""

    kind: str | None = None
    price_min: float | None = None
    price_max: float | None = None
    year_min: int | None = None
    year_max: int | None = None
    volume_max_l: float | None = None
    height_max_mm: float | None = None
    width_max_mm: float | None = None
    depth_max_mm: float | None = None
    mass_max_kg: float | None = None
    powered: bool | None = None

    def words(self) -> str:
        """The filters that ask something, for headings: 'kind bookshelf, price max 1000'."""
        asked = {f.name.replace("_", " "): getattr(self, f.name) for f in fields(self)}
        return ", ".join(
            f"{name} {figures.plain(limit, 10) if isinstance(limit, float) else limit}"
            for name, limit in asked.items()
            if limit is not None
        )


_COLUMN = {
    "kind": "kind", "price_min": "price", "price_max": "price", "year_min": "year", "year_max": "year",
    "volume_max_l": "volume_l", "height_max_mm": "height_mm", "width_max_mm": "width_mm",
    "depth_max_mm": "depth_mm", "mass_max_kg": "mass_kg", "powered": "powered",
}  # fmt: skip


def apply(filters: Filters, field: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Split the field's rows: those that pass, and those that can't be judged (with `reason`: what is unknown).

    A speaker that fails one limit is out even where another of its facts is unknown.
    """
    passes, unknown, reason = pl.lit(True), pl.lit(False), []
    for name, column in _COLUMN.items():
        wanted = getattr(filters, name)
        if wanted is None:
            continue
        value = pl.col(column)
        if "_max" in name:
            test = value <= wanted
        elif "_min" in name:
            test = value >= wanted
        else:
            test = value == wanted
        passes &= test.fill_null(True)
        unknown |= value.is_null()
        words: pl.Expr = pl.lit(f"{column.rsplit('_', 1)[0]} unknown")
        if column == "price":
            words = pl.coalesce("price_reason", words)
        reason.append(pl.when(value.is_null()).then(words))
    candidates = field.filter(passes)
    judged = candidates.filter(~unknown)
    if not reason:
        return judged, candidates.clear().with_columns(reason=pl.lit(None, pl.String))
    open_rows = candidates.filter(unknown).with_columns(reason=pl.concat_str(reason, separator=", ", ignore_nulls=True))
    return judged, open_rows
