"""All metrics: one row per number that the tool can give, in the order in which they are told."""

from __future__ import annotations

from speakerdb.metric import Metric
from speakerdb.metrics import directivity_rows, electrical_rows, output_rows, response_rows, subwoofer_rows

METRICS: dict[str, Metric] = {
    m.id: m
    for rows in (response_rows, directivity_rows, output_rows, subwoofer_rows, electrical_rows)
    for m in rows.ROWS
}
RANKED = tuple(m for m in METRICS.values() if m.ranked)
