"""What would settle it: the further measurement that would tell two speakers apart, and how likely."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from speakerdb.analysis import prospects
from speakerdb.answering.comparing import column, rows_of, sessions_of
from speakerdb.errors import RequestError
from speakerdb.field.field import Field
from speakerdb.field.sessions import Side, bench_loads
from speakerdb.metric import Metric
from speakerdb.metrics import RANKED
from speakerdb.statistics.error_model import bench_key, bench_words
from speakerdb.statistics.outcomes import Bench
from speakerdb.store import Store, session_rows
from speakerdb.terms import Target

ASSUMED = (
    "a further measurement is taken to have errors like those at hand; the chance counts that the difference "
    "itself may move"
)
ONE_OF_TWO = "one of two values: a further measurement may give either"


@dataclass(frozen=True)
class Open:
    """already: metrics that all sessions together don't tell apart, but those of one run or lab do: the rows of
    `compare`; rows: the frame of analysis.prospects; overall: each measurement over all undecided metrics; undecided,
    decided: metric ids; not_judged: metric, reason, of undecided ones."""

    already: pl.DataFrame
    rows: pl.DataFrame
    overall: pl.DataFrame
    undecided: tuple[str, ...]
    decided: tuple[str, ...]
    not_judged: pl.DataFrame


def settle(
    store: Store,
    field: Field,
    sides: tuple[Side, Side],
    metrics: Sequence[Metric] | None = None,
    target: Target = "as_measured",
) -> Open:
    """The measurements that would tell undecided differences of two sides, in the metrics asked for or all that are
    ranked.

    Raises RequestError for a side against itself, or where no metric can be judged.
    """
    if sides[0] == sides[1]:
        raise RequestError("settle needs two different speakers or settings, e.g. `settle sill-5 sill-8`")
    rows = rows_of(field, sides)
    wanted = list(RANKED if metrics is None else metrics)
    columns = [column(field, m, rows, target) for m in wanted]
    judged = [c for c in columns if c.known.all() and set(c.censored) == {"none"}]
    if not judged:
        raise RequestError("none of these metrics is known of both without a bound; `compare` says why")
    sessions = sessions_of(store, field, sides, judged)
    told = prospects.verdicts(judged, (0, 1), sessions)
    frame = prospects.settle(judged, (0, 1), told, sessions, _benches(store, field))
    two = [c.metric.id for c in judged if prospects.one_of_two(c, (0, 1))]
    undecided, decided = (tuple(told.filter(pl.col("differs") == verdict)["metric"]) for verdict in (False, True))
    doubtful = [m for m in two if m in undecided]
    return Open(
        told.filter(pl.col("differs") & ~pl.col("by_all")).drop("by_all", "reason"),
        frame,
        prospects.overall(frame),
        undecided,
        decided,
        pl.DataFrame(
            {"metric": doubtful, "reason": [ONE_OF_TWO] * len(doubtful)},
            schema={"metric": pl.String, "reason": pl.String},
        ),
    )


def _benches(store: Store, field: Field) -> list[Bench]:
    """Where one could measure: of each lab and method the bench that was last used. By its lab's name alone where the
    lab has but one."""
    found = session_rows.benches_last_used(store.con)
    benches = Counter(lab for lab, _, _ in found)
    keys = [(lab, bench_key(lab, method, calibration)) for lab, method, calibration in found]
    return [
        Bench(key, lab, lab if benches[lab] == 1 else bench_words(key), bench_loads(key, field.error_model))
        for lab, key in keys
    ]
