"""The field as a table: chosen columns, filters, an order, a part of the rows at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from speakerdb.errors import RequestError
from speakerdb.field.field import Field
from speakerdb.metrics import METRICS
from speakerdb.questions.stored import VALUE_COLUMNS, Selection

# Facts that may stand in the table, with their headings
FACTS = {
    "maker": "Maker", "kind": "Kind", "powered": "Powered", "price": "Price of a pair", "year": "Year",
    "volume_l": "Outer volume (l)", "height_mm": "Height (mm)", "width_mm": "Width (mm)", "depth_mm": "Depth (mm)",
    "mass_kg": "Mass (kg)", "layout": "Layout", "enclosure": "Enclosure", "sessions": "Sessions",
}  # fmt: skip
_ROW = ("speaker", "setting", "maker", "model")
_NOT_NAMED = 200  # speakers that can't be judged are named up to so many


@dataclass(frozen=True)
class Wanted:
    """What the table should show. sort None: by name; text: a part of the speaker's name; rows start … start + count."""

    columns: tuple[str, ...]
    selection: Selection
    text: str | None = None
    sort: str | None = None
    descending: bool = False
    start: int = 0
    count: int = 50


def check_columns(names: Sequence[str]) -> None:
    """RequestError where a column is neither a metric's id nor a known fact."""
    for name in names:
        if name not in METRICS and name not in FACTS:
            raise RequestError(f"there is no column {name!r}; columns are metric ids and {', '.join(FACTS)}")


def field_table(field: Field, wanted: Wanted) -> dict[str, Any]:
    """The table: rows with facts and, per metric, value, interval, censoring or the reason for a gap.

    What is unknown or withheld comes last in either order. Raises RequestError for an unknown column or currency.
    """
    check_columns([*wanted.columns, *([] if wanted.sort is None else [wanted.sort])])
    judged, unknown = wanted.selection.split(field)
    judged, unknown = _named(judged, wanted.text), _named(unknown, wanted.text)
    ordered = _ordered(field, judged, wanted.sort, wanted.descending)
    page = ordered.slice(wanted.start, wanted.count)
    rows = [{**{name: row[name] for name in dict.fromkeys([*_ROW, *FACTS])}, "metrics": {}}
            for row in page.iter_rows(named=True)]  # fmt: skip
    for metric_id in (c for c in wanted.columns if c in METRICS):
        values = page.select("speaker_id", "setting").join(
            field.values(metric_id), on=["speaker_id", "setting"], how="left", maintain_order="left"
        )
        for row, value in zip(rows, values.select(*VALUE_COLUMNS, "other_value").iter_rows(named=True), strict=True):
            row["metrics"][metric_id] = {**value, "unit": METRICS[metric_id].unit}
    open_rows = unknown.select("speaker", "setting", "reason").head(_NOT_NAMED)
    return {
        "columns": list(wanted.columns), "sort": wanted.sort, "descending": wanted.descending,
        "filters": wanted.selection.filters.words(), "currency": page["currency"][0] if len(page) else None,
        "total": len(ordered), "start": wanted.start, "count": wanted.count, "rows": rows, "not_judged_total": len(unknown),
        "not_judged": open_rows.to_dicts(),
    }  # fmt: skip


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
