"""The field as a table: chosen columns, filters, an order, a part of the rows at a time."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from speakerdb.answering.stored import VALUE_COLUMNS
from speakerdb.errors import RequestError
from speakerdb.field.field import Field
from speakerdb.field.selection import Selection
from speakerdb.metrics import METRICS

# Facts that may stand in the table, with their headings
FACTS = {
    "maker": "Maker",
    "kind": "Kind",
    "powered": "Powered",
    "price": "Price",
    "year": "Year",
    "volume_l": "Outer volume (l)",
    "height_mm": "Height (mm)",
    "width_mm": "Width (mm)",
    "depth_mm": "Depth (mm)",
    "mass_kg": "Mass (kg)",
    "layout": "Layout",
    "enclosure": "Enclosure",
    "sessions": "Sessions",
}
_ROW = ("speaker", "setting", "maker", "model")


def check_columns(names: Sequence[str]) -> None:
    """RequestError where a column is neither a metric's id nor a known fact."""
    for name in names:
        if name not in METRICS and name not in FACTS:
            raise RequestError(f"there is no column {name!r}; columns are metric ids and {', '.join(FACTS)}")


def field_table(
    field: Field, selection: Selection, columns: Sequence[str], named: str | None, sort: str | None, descending: bool
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The rows of the field that pass, in order, whole; and those that can't be judged. What is unknown or withheld
    comes last in either order. Raises RequestError for an unknown column or currency."""
    check_columns([*columns, *([] if sort is None else [sort])])
    judged, unknown = selection.split(field)
    judged, unknown = _named(judged, named), _named(unknown, named)
    return _ordered(field, judged, sort, descending), unknown.select("speaker", "setting", "reason")


def with_values(field: Field, rows: pl.DataFrame, columns: Sequence[str]) -> pl.DataFrame:
    """Rows of the field with their facts and a column `metrics`: of each metric among the columns its value with all
    that stands beside it."""
    found = {}
    for metric_id in (c for c in columns if c in METRICS):
        values = rows.select("speaker_id", "setting").join(
            field.values(metric_id), on=["speaker_id", "setting"], how="left", maintain_order="left"
        )
        found[metric_id] = values.select(
            pl.struct(*VALUE_COLUMNS, "other_value", unit=pl.lit(METRICS[metric_id].unit))
        ).to_series()
    metrics = pl.struct([pl.lit(values).alias(name) for name, values in found.items()]) if found else pl.lit(None)
    return rows.select(*dict.fromkeys([*_ROW, *FACTS])).with_columns(metrics=metrics)


def _named(rows: pl.DataFrame, text: str | None) -> pl.DataFrame:
    """Rows whose maker, model or slug holds every word of the text."""
    for word in (text or "").lower().split():
        name = pl.concat_str(pl.col("maker"), pl.lit(" "), pl.col("model"), pl.lit(" "), pl.col("speaker"))
        rows = rows.filter(name.str.to_lowercase().str.contains(word, literal=True))
    return rows


def _ordered(field: Field, rows: pl.DataFrame, sort: str | None, descending: bool) -> pl.DataFrame:
    if sort is None:
        return rows.sort("speaker", "setting", descending=[descending, False])
    if sort in METRICS:
        values = field.values(sort).select(
            "speaker_id", "setting", _order=pl.when(pl.col("status") == "ok").then("value")
        )
        rows = rows.join(values, on=["speaker_id", "setting"], how="left", maintain_order="left")
    else:
        rows = rows.with_columns(_order=pl.col(sort))
    return rows.sort(["_order", "speaker", "setting"], descending=[descending, False, False], nulls_last=True)
