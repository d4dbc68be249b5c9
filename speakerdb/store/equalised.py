"""What speakers are with the filters that mend them: kept rows, and which of them are out of date."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from speakerdb.metric import CENSORED, ValueTable
from speakerdb.store.reading import frame
from speakerdb.store.writing import flags, insert, metric_numbers, nullable, reasons

if TYPE_CHECKING:
    import duckdb
    import polars as pl

# what a speaker's filters rest on: its sessions and the error model that their values were worked out under
_BASIS = """
    SELECT speaker_id, setting, $1 || ' ' || md5(string_agg(content_hash || ' ' || coalesce(error_model, ''), ','
    ORDER BY session_id)) AS basis FROM session WHERE status = 'active' GROUP BY speaker_id, setting
"""


@dataclass(frozen=True, eq=False)
class Equalised:
    """One speaker's in one setting. values: one row, None where no filter is in use."""

    speaker_id: int
    setting: str
    basis: str
    filters: Sequence[dict[str, Any]]
    withheld: str | None
    refused: str | None
    values: ValueTable | None


def pending(con: duckdb.DuckDBPyConnection, definitions: str) -> list[tuple[int, str, str]]:
    """(speaker_id, setting, basis) of default settings that have none of this basis; definitions: by what they are
    worked out."""
    return con.execute(
        f"SELECT b.speaker_id, b.setting, b.basis FROM ({_BASIS}) b JOIN speaker_setting s USING (speaker_id, setting) "
        "LEFT JOIN equalised e USING (speaker_id, setting, basis) WHERE s.is_default AND e.basis IS NULL "
        "ORDER BY b.speaker_id",
        [definitions],
    ).fetchall()


def marks(con: duckdb.DuckDBPyConnection, definitions: str) -> pl.DataFrame:
    """speaker_id, setting, in_use (whether it has values of its own), refused of those that are up to date."""
    return frame(
        con,
        "SELECT e.speaker_id, e.setting, e.filters <> '[]' AND e.withheld IS NULL AS in_use, e.refused "
        f"FROM equalised e JOIN ({_BASIS}) b USING (speaker_id, setting, basis)",
        [definitions],
    )


def values(con: duckdb.DuckDBPyConnection, metric: str) -> pl.DataFrame:
    """The columns of equalised_value, of one metric."""
    return frame(
        con,
        "SELECT v.* EXCLUDE (metric_no) FROM equalised_value v JOIN metric m USING (metric_no) WHERE m.id = ?",
        [metric],
    )


def replace(con: duckdb.DuckDBPyConnection, found: Sequence[Equalised]) -> None:
    """Keep these in the place of what there was of the same speakers and settings; the caller holds the transaction."""
    numbers = metric_numbers(con)
    for one in found:
        key = [one.speaker_id, one.setting]
        for table in ("equalised", "equalised_value"):
            con.execute(f"DELETE FROM {table} WHERE speaker_id = ? AND setting = ?", key)
        con.execute(
            "INSERT INTO equalised VALUES (?, ?, ?, ?, ?, ?)",
            [*key, one.basis, json.dumps(list(one.filters)), one.withheld, one.refused],
        )
        if one.values is not None:
            _insert_values(con, one, numbers, one.values)
    # benches stand behind a value with filters as behind the one without
    con.execute(
        "UPDATE equalised_value SET pattern_no = p.pattern_no, disagree = p.disagree FROM pooled_value p WHERE "
        "p.speaker_id = equalised_value.speaker_id AND p.setting = equalised_value.setting AND "
        "p.metric_no = equalised_value.metric_no AND list_contains(?, p.speaker_id)",
        [[one.speaker_id for one in found]],
    )


def _insert_values(con: duckdb.DuckDBPyConnection, one: Equalised, numbers: dict[str, int], table: ValueTable) -> None:
    count = len(table.metrics)
    insert(
        con,
        "equalised_value",
        {
            "speaker_id": np.full(count, one.speaker_id, np.int32),
            "setting": [one.setting] * count,
            "metric_no": np.array([numbers[m] for m in table.metrics], np.int16),
            "value": nullable(table.value),
            "upper": nullable(table.upper),
            **{
                name: flags(column) if name == "noise_limited" else nullable(column)
                for name, column in table.uncertainty.items()
            },
            "censored": np.array(CENSORED, object)[table.censored.reshape(-1)].tolist(),
            "status": np.where(np.isnan(table.value.reshape(-1)), "withheld", "ok").tolist(),
            "reason": reasons(table),
            "disagree": [False] * count,
        },
    )
