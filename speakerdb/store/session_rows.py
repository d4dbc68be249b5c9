"""Reading which sessions are stored, and what they say of themselves."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from speakerdb.store.connection import fetch_one
from speakerdb.store.reading import frame

if TYPE_CHECKING:
    import duckdb
    import polars as pl

Bench = tuple[str, str, str | None]  # lab, method, calibration


def _ids(con: duckdb.DuckDBPyConnection, sql: str, params: object = None) -> list[int]:
    return [int(r[0]) for r in con.execute(sql, params).fetchall()]


def session_ids(con: duckdb.DuckDBPyConnection) -> list[int]:
    """All, whether they count or not."""
    return _ids(con, "SELECT session_id FROM session ORDER BY 1")


def active_ids(con: duckdb.DuckDBPyConnection) -> list[int]:
    """Those that count."""
    return _ids(con, "SELECT session_id FROM session WHERE status = 'active' ORDER BY 1")


def pending(con: duckdb.DuckDBPyConnection, error_model: str) -> list[int]:
    """Those that count and were not worked out under this error model."""
    return _ids(
        con,
        "SELECT session_id FROM session WHERE status = 'active' AND error_model IS DISTINCT FROM ? ORDER BY 1",
        [error_model],
    )


def of_another_error_model(con: duckdb.DuckDBPyConnection, error_model: str) -> list[int]:
    """Those that were worked out under another error model, whether they count or not."""
    return _ids(con, "SELECT session_id FROM session WHERE error_model <> ? ORDER BY session_id", [error_model])


def to_read_anew(con: duckdb.DuckDBPyConnection) -> list[int]:
    """Those whose curves, as stored, an upgrade found out of date."""
    return _ids(con, "SELECT session_id FROM session WHERE error_model = 'read anew' ORDER BY session_id", [])


def speakers_of_another_error_model(con: duckdb.DuckDBPyConnection, error_model: str) -> list[int]:
    """Speakers with a session that counts and was worked out under another error model."""
    return _ids(
        con, "SELECT DISTINCT speaker_id FROM session WHERE status = 'active' AND error_model <> ?", [error_model]
    )


def speakers_of(con: duckdb.DuckDBPyConnection, of_sessions: Sequence[int]) -> list[int]:
    """The speakers of sessions, each once."""
    return _ids(
        con,
        "SELECT DISTINCT speaker_id FROM session WHERE list_contains(?, session_id) ORDER BY 1",
        [list(of_sessions)],
    )


def starting_with(con: duckdb.DuckDBPyConnection, start: str) -> list[tuple[int, str, str]]:
    """(session_id, session, status) of those whose id starts so, the newest first."""
    return con.execute(
        "SELECT session_id, session, status FROM session WHERE starts_with(session, ?) ORDER BY session_id DESC",
        [start],
    ).fetchall()


class SessionHead(NamedTuple):
    """What a session is called and whether it counts."""

    session: str
    status: str
    folder: str
    speaker_id: int
    slug: str


def head_of(con: duckdb.DuckDBPyConnection, session_id: int) -> SessionHead:
    """The head of a stored session."""
    row = fetch_one(
        con,
        "SELECT s.session, s.status, s.folder, s.speaker_id, sp.slug FROM session s LEFT JOIN speaker sp "
        "USING (speaker_id) "
        "WHERE session_id = ?",
        [session_id],
    )
    assert row is not None
    return SessionHead(*row)


def content_hashes(con: duckdb.DuckDBPyConnection, of_sessions: Sequence[int]) -> dict[int, str]:
    """session_id -> content hash."""
    return dict(
        con.execute(
            "SELECT session_id, content_hash FROM session WHERE list_contains(?, session_id)", [list(of_sessions)]
        ).fetchall()
    )


def with_contents(con: duckdb.DuckDBPyConnection, hashes: Sequence[str]) -> list[tuple[str, str]]:
    """(content hash, session) of those that count and have one of these contents."""
    return con.execute(
        "SELECT content_hash, session FROM session WHERE status = 'active' AND list_contains(?, content_hash)",
        [list(hashes)],
    ).fetchall()


def keys_of(con: duckdb.DuckDBPyConnection, speaker_ids: Sequence[int]) -> dict[tuple[Any, ...], tuple[int, str]]:
    """(speaker_id, lab, sample, setting, date, repeat) -> (session_id, content hash) of the sessions that count."""
    rows = con.execute(
        "SELECT s.speaker_id, l.name, s.sample, s.setting, s.date::VARCHAR, s.repeat, s.session_id, s.content_hash "
        "FROM session s JOIN lab l USING (lab_id) WHERE s.status = 'active' AND list_contains(?, s.speaker_id)",
        [list(speaker_ids)],
    ).fetchall()
    return {tuple(r[:6]): (r[6], r[7]) for r in rows}


def withdrawn_keys(
    con: duckdb.DuckDBPyConnection, speaker_ids: Sequence[int]
) -> dict[tuple[Any, ...], tuple[str, str | None, str]]:
    """(speaker_id, lab, sample, setting, date, repeat) -> (session, since when, reason) of those withdrawn."""
    rows = con.execute(
        "SELECT s.speaker_id, l.name, s.sample, s.setting, s.date::VARCHAR, s.repeat, s.session, "
        "s.status_since::VARCHAR, coalesce(s.status_reason, '') "
        "FROM session s JOIN lab l USING (lab_id) WHERE s.status = 'withdrawn' AND list_contains(?, s.speaker_id)",
        [list(speaker_ids)],
    ).fetchall()
    return {tuple(r[:6]): (r[6], r[7], r[8]) for r in rows}


def labs(con: duckdb.DuckDBPyConnection) -> list[str]:
    """The names of all labs."""
    return [row[0] for row in con.execute("SELECT name FROM lab ORDER BY lab_id").fetchall()]


def counts(con: duckdb.DuckDBPyConnection, session: str) -> bool:
    """Whether a session of this id counts."""
    return fetch_one(con, "SELECT 1 FROM session WHERE session = ? AND status = 'active'", [session]) is not None


def ledgers(con: duckdb.DuckDBPyConnection, sessions: Sequence[str]) -> dict[str, list[dict[str, str | None]]]:
    """Session -> what became of each file of its folder: file, read_as, why_not. Empty where that was not kept."""
    rows = con.execute(
        "SELECT session, ledger FROM session WHERE ledger IS NOT NULL AND list_contains(?, session) "
        "ORDER BY session_id",
        [list(sessions)],
    ).fetchall()
    return {session: json.loads(text) for session, text in rows}


def same_keys(con: duckdb.DuckDBPyConnection, a: int, b: int) -> list[tuple[str, str]]:
    """Pairs of sessions of two speakers that count and have the same key."""
    return con.execute(
        """
        SELECT a.session, b.session FROM session a JOIN session b USING (lab_id, sample, setting, date, repeat)
        WHERE a.speaker_id = ? AND b.speaker_id = ? AND a.status = 'active' AND b.status = 'active'
        """,
        [a, b],
    ).fetchall()


def count_of(con: duckdb.DuckDBPyConnection, speaker_id: int | None = None) -> int:
    """How many are stored, of one speaker or of all, whether they count or not."""
    row = fetch_one(con, "SELECT count(*) FROM session WHERE $1 IS NULL OR speaker_id = $1", [speaker_id])
    return int(row[0]) if row else 0


def benches_of(con: duckdb.DuckDBPyConnection, speaker_id: int, setting: str) -> list[Bench]:
    """Where a speaker in a setting was measured."""
    return con.execute(
        "SELECT DISTINCT l.name, s.method, s.calibration FROM session s JOIN lab l USING (lab_id) "
        "WHERE s.speaker_id = ? AND s.setting = ? AND s.status = 'active' ORDER BY ALL",
        [speaker_id, setting],
    ).fetchall()


def benches_last_used(con: duckdb.DuckDBPyConnection) -> list[Bench]:
    """Of each lab and method the bench that was last used."""
    return con.execute(
        """
        SELECT l.name, s.method, s.calibration FROM session s JOIN lab l USING (lab_id) WHERE s.status = 'active'
        QUALIFY 1 = row_number()
            OVER (PARTITION BY l.name, s.method ORDER BY s.date DESC, s.calibration DESC NULLS LAST)
        ORDER BY ALL
        """
    ).fetchall()


def shared_by_benches(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """session_id, speaker, lab, method, calibration, speaker_id of sessions in a default setting whose speaker was
    measured so on several benches."""
    return frame(
        con,
        """
        WITH counted AS (
            SELECT s.session_id, sp.slug AS speaker, l.name AS lab, s.method, s.calibration, s.speaker_id
            FROM session s JOIN lab l USING (lab_id) JOIN speaker sp USING (speaker_id)
            JOIN speaker_setting ss ON ss.speaker_id = s.speaker_id AND ss.setting = s.setting AND ss.is_default
            WHERE s.status = 'active'
        )
        SELECT * FROM counted
        WHERE speaker_id IN (
            SELECT speaker_id FROM counted GROUP BY speaker_id HAVING count(DISTINCT (lab, method, calibration)) > 1
        )
        ORDER BY session_id
        """,
    )


def infos_of(con: duckdb.DuckDBPyConnection, speaker_ids: Sequence[int]) -> list[tuple[int, str, str, str, str | None]]:
    """(speaker_id, setting, info as JSON, content hash, error model) of the sessions that count."""
    return con.execute(
        "SELECT speaker_id, setting, info, content_hash, error_model FROM session "
        "WHERE list_contains(?, speaker_id) AND status = 'active' ORDER BY session_id",
        [list(speaker_ids)],
    ).fetchall()


def electronics_of(con: duckdb.DuckDBPyConnection, speaker_id: int) -> list[tuple[str, str | None]]:
    """(setting, positions of the switches as JSON) of each session that counts, the oldest first."""
    return con.execute(
        "SELECT setting, info->'electronics' FROM session WHERE speaker_id = ? AND status = 'active' ORDER "
        "BY date, session_id",
        [speaker_id],
    ).fetchall()


def sources_of(con: duckdb.DuckDBPyConnection, speaker_id: int, setting: str) -> pl.DataFrame:
    """session, lab, sample, date, folder, file, sha256, size: the files behind a speaker in a setting."""
    return frame(
        con,
        """
        SELECT s.session, l.name AS lab, s.sample, s.date, s.folder, f.name AS file, f.sha256, f.size
        FROM session s JOIN lab l USING (lab_id) LEFT JOIN source_file f USING (session_id)
        WHERE s.speaker_id = ? AND s.setting = ? AND s.status = 'active' ORDER BY s.session_id, f.name
        """,
        [speaker_id, setting],
    )


def active_of(con: duckdb.DuckDBPyConnection, slug: str) -> pl.DataFrame:
    """session_id, session, setting, lab, sample, date (ISO), method, info (JSON), resolution of a speaker's sessions
    that count, the oldest first."""
    return frame(
        con,
        """
        SELECT s.session_id, s.session, s.setting, l.name AS lab, s.sample, s.date::VARCHAR AS date, s.method, s.info,
               s.resolution_per_octave AS resolution
        FROM session s JOIN lab l USING (lab_id) JOIN speaker sp USING (speaker_id)
        WHERE sp.slug = ? AND s.status = 'active' ORDER BY s.date, s.session
        """,
        [slug],
    )


def curve_counts(con: duckdb.DuckDBPyConnection, of_sessions: Sequence[int]) -> pl.DataFrame:
    """session_id, orbit, n curves."""
    return frame(
        con,
        "SELECT session_id, orbit, count(*)::INTEGER AS n FROM curve WHERE list_contains(?, session_id) GROUP BY ALL",
        [list(of_sessions)],
    )


def drive_counts(con: duckdb.DuckDBPyConnection, of_sessions: Sequence[int]) -> pl.DataFrame:
    """session_id, kind of sweep, n drives."""
    return frame(
        con,
        "SELECT session_id, kind, count(DISTINCT drive_db)::INTEGER AS n FROM sweep WHERE list_contains(?, "
        "session_id) GROUP BY ALL",
        [list(of_sessions)],
    )


def file_heads(con: duckdb.DuckDBPyConnection, of_sessions: Sequence[int]) -> pl.DataFrame:
    """session_id, name, sha256, size of the kept source files."""
    return frame(
        con,
        "SELECT session_id, name, sha256, size FROM source_file WHERE list_contains(?, session_id) ORDER BY "
        "session_id, name",
        [list(of_sessions)],
    )
