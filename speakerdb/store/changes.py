"""Small changes of what is stored; the caller holds the transaction."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from speakerdb.store.connection import fetch_one
from speakerdb.store.writing import next_id

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True)
class StoredPrice:
    """per: each or pair; kind: list, street or sale."""

    speaker_id: int
    amount: float
    currency: str
    per: str
    kind: str
    date: dt.date
    source: str


def has_fact(con: duckdb.DuckDBPyConnection, speaker_id: int, name: str, value: str, source: str, date: str) -> bool:
    """Whether a list has brought this fact already."""
    return (
        fetch_one(
            con,
            "SELECT 1 FROM fact WHERE speaker_id = ? AND name = ? AND value = ? AND source = ? AND date = ? "
            "AND session_id IS NULL",
            [speaker_id, name, value, source, date],
        )
        is not None
    )


def has_price(con: duckdb.DuckDBPyConnection, price: StoredPrice) -> bool:
    """Whether this price is stored already, from whatever source."""
    return (
        fetch_one(
            con,
            "SELECT 1 FROM price WHERE speaker_id = ? AND amount = ? AND currency = ? AND per = ? AND kind = "
            "? AND date = ?",
            [price.speaker_id, price.amount, price.currency, price.per, price.kind, price.date],
        )
        is not None
    )


def insert_prices(con: duckdb.DuckDBPyConnection, prices: Sequence[StoredPrice]) -> None:
    for number, price in enumerate(prices, next_id(con, "price", "price_id")):
        con.execute(
            "INSERT INTO price VALUES (?, ?, ?, ?, ?, ?, ?, ?, NULL)",
            [number, price.speaker_id, price.amount, price.currency, price.per, price.kind, price.date, price.source],
        )


def withdraw(con: duckdb.DuckDBPyConnection, session_id: int, reason: str) -> None:
    """A session stays in the file and counts no more."""
    con.execute(
        "UPDATE session SET status = 'withdrawn', status_reason = ?, status_since = current_date WHERE session_id = ?",
        [reason, session_id],
    )


def let_count(con: duckdb.DuckDBPyConnection, session_id: int) -> None:
    """A session that was withdrawn counts again."""
    con.execute(
        "UPDATE session SET status = 'active', status_reason = NULL, status_since = NULL WHERE session_id = ?",
        [session_id],
    )


def supersede(con: duckdb.DuckDBPyConnection, session_id: int) -> None:
    """A session whose place another has taken stays in the file and counts no more."""
    con.execute(
        "UPDATE session SET status = 'superseded', status_reason = 'replaced by a later ingest', "
        "status_since = current_date WHERE session_id = ?",
        [session_id],
    )


def rename(con: duckdb.DuckDBPyConnection, speaker_id: int, old: str, new: str) -> None:
    """A new slug; the old one becomes an earlier name."""
    con.execute("DELETE FROM speaker_alias WHERE alias = ?", [new])
    con.execute("UPDATE speaker SET slug = ? WHERE speaker_id = ?", [new, speaker_id])
    con.execute("INSERT INTO speaker_alias VALUES (?, ?)", [old, speaker_id])


def merge(con: duckdb.DuckDBPyConnection, kept: int, gone: int, gone_slug: str) -> None:
    """All that is held of one speaker goes to another; its slug becomes an earlier name of that one."""
    for table in ("session", "fact", "price", "speaker_alias"):
        con.execute(f"UPDATE {table} SET speaker_id = ? WHERE speaker_id = ?", [kept, gone])
    for table in ("equalised", "equalised_value", "speaker"):
        con.execute(f"DELETE FROM {table} WHERE speaker_id = ?", [gone])
    con.execute("INSERT INTO speaker_alias VALUES (?, ?)", [gone_slug, kept])


def mark_error_model(con: duckdb.DuckDBPyConnection, error_model: str) -> None:
    """Sessions without intervals have values of this error model."""
    con.execute("UPDATE session SET error_model = ? WHERE error_model IS NULL", [error_model])


def unmark_error_model(con: duckdb.DuckDBPyConnection, session_ids: Sequence[int]) -> None:
    """The intervals of sessions are out of date."""
    con.execute("UPDATE session SET error_model = NULL WHERE list_contains(?, session_id)", [list(session_ids)])


def set_metric_version(con: duckdb.DuckDBPyConnection, metric: str, version: int) -> None:
    """All values of a metric are those of this definition."""
    con.execute("UPDATE metric SET version = ? WHERE id = ?", [version, metric])
