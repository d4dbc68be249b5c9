"""All metrics: one row per number that the tool can give.

`version` is raised by one whenever a definition or the code behind it changes a value: `derive` then recomputes
exactly the metrics whose version in the file differs.
"""

from __future__ import annotations

from speakerdb.metric import Metric
from speakerdb.metrics import directivity, output, response

METRICS: dict[str, Metric] = {m.id: m for m in (*response.ROWS, *directivity.ROWS, *output.ROWS)}
RANKED = tuple(m for m in METRICS.values() if m.ranked)
