"""What stands for a speaker in one setting: pooled values and curves, and which setting is the default."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from speakerdb.metric import CENSORED, ValueTable
from speakerdb.store.writing import flags, insert, level_column, metric_numbers, nullable, reasons

if TYPE_CHECKING:
    import duckdb


def replace_pooled(
    con: duckdb.DuckDBPyConnection,
    touched: Sequence[int] | None,
    groups: Sequence[tuple[int, str, bool, int]],
    values: ValueTable,
    disagree: np.ndarray[Any, Any],
    pattern: np.ndarray[Any, Any],
    patterns: Sequence[str],
    curves: dict[str, np.ndarray[Any, Any]],
) -> None:
    """Replace all pooled rows of the touched speakers (None: of all); the caller holds the transaction.

    groups: (speaker_id, setting, is_default, number of sessions) per row of values; disagree (G, M) bool;
    pattern (G, M): place in patterns (JSON of benches and weights), −1 for none; curves: part -> (G, 199).
    """
    for table in ("pooled_value", "pooled_curve", "speaker_setting"):
        if touched is None:
            con.execute(f"DELETE FROM {table}")
        else:
            con.execute(f"DELETE FROM {table} WHERE list_contains(?, speaker_id)", [list(touched)])
    if not groups:
        return
    insert(
        con,
        "speaker_setting",
        {
            "speaker_id": [g[0] for g in groups],
            "setting": [g[1] for g in groups],
            "is_default": [g[2] for g in groups],
            "sessions": [g[3] for g in groups],
        },
    )
    numbers, metrics = metric_numbers(con), len(values.metrics)
    speaker, setting = np.array([g[0] for g in groups], np.int32), np.array([g[1] for g in groups], object)
    flat = values.value.reshape(-1)
    insert(
        con,
        "pooled_value",
        {
            "speaker_id": np.repeat(speaker, metrics),
            "setting": np.repeat(setting, metrics).tolist(),
            "metric_no": np.tile(np.array([numbers[m] for m in values.metrics], np.int16), len(groups)),
            "value": nullable(values.value),
            "upper": nullable(values.upper),
            **{
                name: flags(array) if name == "noise_limited" else nullable(array)
                for name, array in values.uncertainty.items()
            },
            "censored": np.array(CENSORED, object)[values.censored.reshape(-1)].tolist(),
            "status": np.where(np.isnan(flat), "withheld", "ok").tolist(),
            "reason": reasons(values),
            "disagree": disagree.reshape(-1),
            "pattern_no": _pattern_numbers(con, pattern.reshape(-1), patterns),
        },
    )
    kept = {part: ~np.isnan(levels).all(axis=1) for part, levels in curves.items()}
    kept = {part: rows for part, rows in kept.items() if rows.any()}
    if kept:
        insert(
            con,
            "pooled_curve",
            {
                "speaker_id": np.concatenate([speaker[rows] for rows in kept.values()]),
                "setting": np.concatenate([setting[rows] for rows in kept.values()]).tolist(),
                "part": np.repeat(list(kept), [int(rows.sum()) for rows in kept.values()]).tolist(),
                "level": level_column(np.concatenate([curves[p][rows] for p, rows in kept.items()]).astype(np.float32)),
            },
        )


def _pattern_numbers(con: duckdb.DuckDBPyConnection, pattern: np.ndarray[Any, Any], patterns: Sequence[str]) -> Any:
    """Numbers of bench patterns in the file, new ones added; null where there is none."""
    import pyarrow as pa

    known = dict(con.execute("SELECT benches, pattern_no FROM bench_pattern").fetchall())
    new = [text for text in patterns if text not in known]
    first = max(known.values(), default=-1) + 1
    insert(con, "bench_pattern", {"pattern_no": list(range(first, first + len(new))), "benches": new})
    known |= {text: first + i for i, text in enumerate(new)}
    numbers = np.array([known[text] for text in patterns] or [0], np.int32)
    return pa.array(numbers[np.maximum(pattern, 0)], mask=pattern < 0)


def bench_patterns(con: duckdb.DuckDBPyConnection) -> dict[int, str]:
    """pattern_no -> JSON of benches and weights."""
    return dict(con.execute("SELECT pattern_no, benches FROM bench_pattern ORDER BY pattern_no").fetchall())
