"""Reading who is stored: names, facts, prices, settings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from speakerdb.store.connection import fetch_one
from speakerdb.store.reading import frame

if TYPE_CHECKING:
    import duckdb
    import polars as pl


def speaker_ids(con: duckdb.DuckDBPyConnection) -> list[int]:
    return [int(r[0]) for r in con.execute("SELECT speaker_id FROM speaker ORDER BY 1").fetchall()]


def named(con: duckdb.DuckDBPyConnection, name: str) -> tuple[int, str] | None:
    """(speaker_id, slug) of the speaker with this slug or earlier name."""
    row = fetch_one(
        con,
        "SELECT speaker_id, slug FROM speaker WHERE slug = $1 "
        "UNION ALL SELECT a.speaker_id, s.slug FROM speaker_alias a JOIN speaker s USING (speaker_id) WHERE alias = $1",
        [name],
    )
    return None if row is None else (int(row[0]), str(row[1]))


def named_in_part(con: duckdb.DuckDBPyConnection, part: str) -> list[tuple[int, str]]:
    """(speaker_id, slug) of the speakers whose slug holds a part, in the order of their slugs."""
    rows = con.execute("SELECT speaker_id, slug FROM speaker WHERE contains(slug, ?) ORDER BY slug", [part]).fetchall()
    return [(int(speaker_id), str(slug)) for speaker_id, slug in rows]


def slugs(con: duckdb.DuckDBPyConnection) -> list[str]:
    return [r[0] for r in con.execute("SELECT slug FROM speaker ORDER BY slug").fetchall()]


def slug_is_taken(con: duckdb.DuckDBPyConnection, slug: str) -> bool:
    return fetch_one(con, "SELECT slug FROM speaker WHERE slug = ?", [slug]) is not None


def with_alias(con: duckdb.DuckDBPyConnection, alias: str) -> int | None:
    """The speaker that was called so earlier."""
    row = fetch_one(con, "SELECT speaker_id FROM speaker_alias WHERE alias = ?", [alias])
    return None if row is None else int(row[0])


def names_by_slug(
    con: duckdb.DuckDBPyConnection, wanted: Sequence[str]
) -> dict[str, tuple[int, str | None, str | None]]:
    """slug -> (speaker_id, maker, model) of those that are stored; an earlier name has no maker and model."""
    rows = con.execute(
        """
        SELECT s.slug, s.speaker_id, m.name, s.model FROM speaker s JOIN maker m USING (maker_id)
        WHERE list_contains($1, s.slug)
        UNION ALL SELECT a.alias, s.speaker_id, NULL, NULL FROM speaker_alias a JOIN speaker s USING (speaker_id)
        WHERE list_contains($1, a.alias)
        """,
        [list(wanted)],
    ).fetchall()
    return {slug: (speaker_id, maker, model) for slug, speaker_id, maker, model in rows}


def aliases(con: duckdb.DuckDBPyConnection, speaker_id: int) -> list[str]:
    """Earlier names."""
    rows = con.execute("SELECT alias FROM speaker_alias WHERE speaker_id = ? ORDER BY 1", [speaker_id]).fetchall()
    return [alias for (alias,) in rows]


def facts(con: duckdb.DuckDBPyConnection, speaker_id: int) -> dict[str, Any]:
    """The row of speaker_facts."""
    found = frame(con, "SELECT * EXCLUDE (speaker_id) FROM speaker_facts WHERE speaker_id = ?", [speaker_id])
    return found.row(0, named=True)


def conflicting_facts(con: duckdb.DuckDBPyConnection, speaker_id: int) -> list[tuple[str, str, list[str]]]:
    """(fact, value in use, all values given) for facts that sessions and lists give differently."""
    return con.execute(
        """
        SELECT c.name, any_value(c.value), list_sort(list(DISTINCT f.value))
        FROM current_fact c JOIN fact f USING (speaker_id, name) LEFT JOIN session s USING (session_id)
        WHERE c.speaker_id = ? AND c.distinct_values > 1 AND (f.session_id IS NULL OR s.status = 'active')
        GROUP BY c.name ORDER BY 1
        """,
        [speaker_id],
    ).fetchall()


def prices(con: duckdb.DuckDBPyConnection, speaker_id: int) -> list[dict[str, Any]]:
    """The newest price of each kind and currency: kind, currency, price, per ('pair' or 'one'), date."""
    return frame(
        con,
        "SELECT kind, currency, price, per, date FROM current_price WHERE speaker_id = ? ORDER BY kind, currency",
        [speaker_id],
    ).to_dicts()


def current_prices(con: duckdb.DuckDBPyConnection, only: Sequence[int] | None = None) -> pl.DataFrame:
    """The rows of current_price, of some speakers or of all."""
    return frame(
        con,
        "SELECT * FROM current_price WHERE $1 IS NULL OR list_contains($1, speaker_id)",
        [None if only is None else list(only)],
    )


def settings(con: duckdb.DuckDBPyConnection, speaker_id: int) -> dict[str, bool]:
    """setting -> whether it is the default one, which comes first."""
    return dict(
        con.execute(
            "SELECT setting, is_default FROM speaker_setting WHERE speaker_id = ? ORDER BY is_default DESC, setting",
            [speaker_id],
        ).fetchall()
    )


def in_every_setting(con: duckdb.DuckDBPyConnection, only: Sequence[int] | None = None) -> pl.DataFrame:
    """The columns of speaker_facts with setting, is_default and sessions; by slug, then setting; of some speakers or of
    all."""
    return frame(
        con,
        """
        SELECT f.*, ss.setting, ss.is_default, ss.sessions
        FROM speaker_facts f JOIN speaker_setting ss USING (speaker_id)
        WHERE $1 IS NULL OR list_contains($1, ss.speaker_id) ORDER BY f.speaker, ss.setting
        """,
        [None if only is None else list(only)],
    )


def session_counts(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """speaker_id, settings, sessions, labs, samples of the sessions that count."""
    return frame(
        con,
        """
        SELECT speaker_id, list_sort(list(DISTINCT setting)) AS settings, count(*) AS sessions,
               list_sort(list(DISTINCT l.name)) AS labs, count(DISTINCT sample) AS samples
        FROM session JOIN lab l USING (lab_id) WHERE status = 'active' GROUP BY speaker_id
        """,
    )


def labs_by_setting(con: duckdb.DuckDBPyConnection, only: Sequence[int] | None = None) -> pl.DataFrame:
    """speaker_id, setting, labs: the labs of its sessions that count, their names sorted and joined by '+'."""
    return frame(
        con,
        """
        SELECT speaker_id, setting, string_agg(DISTINCT l.name, '+' ORDER BY l.name) AS labs
        FROM session JOIN lab l USING (lab_id)
        WHERE status = 'active' AND ($1 IS NULL OR list_contains($1, speaker_id)) GROUP BY speaker_id, setting
        """,
        [None if only is None else list(only)],
    )
