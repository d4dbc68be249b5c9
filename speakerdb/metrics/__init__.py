"""All metrics: one row per number that the tool can give, in the order in which they are told."""

from __future__ import annotations

from speakerdb.metric import Metric
from speakerdb.metrics import directivity_rows, electrical_rows, output_rows, response_rows

METRICS: dict[str, Metric] = {
    m.id: m for m in (*response_rows.ROWS, *directivity_rows.ROWS, *output_rows.ROWS, *electrical_rows.ROWS)
}
RANKED = tuple(m for m in METRICS.values() if m.ranked)
