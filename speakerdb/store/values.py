"""Reading values and pooled curves, as polars frames."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from speakerdb.store.connection import fetch_one
from speakerdb.store.reading import DrawTable, frame

if TYPE_CHECKING:
    import duckdb
    import polars as pl

_OTHER = ("noise_limited", "other_value", "other_low", "other_high", "other_share")
_SE = {"own_draw": "se", "bench_draw": "se_bench"}  # the standard error that a layer's draws are kept in


def pooled_values(con: duckdb.DuckDBPyConnection, metric: str) -> pl.DataFrame:
    """The columns of pooled_value, of one metric."""
    return frame(
        con,
        "SELECT v.* EXCLUDE (metric_no) FROM pooled_value v JOIN metric m USING (metric_no) WHERE m.id = ?",
        [metric],
    )


def pooled_values_of(con: duckdb.DuckDBPyConnection, speaker_ids: Sequence[int]) -> pl.DataFrame:
    """metric and the columns of pooled_value, of some speakers."""
    return frame(
        con,
        "SELECT m.id AS metric, v.* EXCLUDE (metric_no) FROM pooled_value v JOIN metric m USING (metric_no) "
        "WHERE list_contains(?, v.speaker_id)",
        [list(speaker_ids)],
    )


def pooled_figures(con: duckdb.DuckDBPyConnection, metrics: Sequence[str]) -> pl.DataFrame:
    """speaker_id, setting, metric, value, upper, censored, status, reason of pooled values, of some metrics."""
    return frame(
        con,
        """
        SELECT v.speaker_id, v.setting, m.id AS metric, v.value, v.upper, v.censored, v.status, v.reason
        FROM pooled_value v JOIN metric m USING (metric_no) WHERE list_contains(?, m.id)
        """,
        [list(metrics)],
    )


def default_values(con: duckdb.DuckDBPyConnection) -> pl.DataFrame:
    """speaker, metric, value, censored of pooled values that are not withheld, in default settings."""
    return frame(
        con,
        """
        SELECT sp.slug AS speaker, m.id AS metric, v.value, v.censored
        FROM pooled_value v JOIN speaker_setting ss USING (speaker_id, setting) JOIN speaker sp USING (speaker_id)
        JOIN metric m USING (metric_no) WHERE ss.is_default AND v.status = 'ok' ORDER BY m.metric_no, sp.slug
        """,
    )


def pooled_curves(con: duckdb.DuckDBPyConnection, part: str, only: Sequence[int] | None = None) -> pl.DataFrame:
    """speaker_id, setting, level (199 points) of one pooled curve, of some speakers or of all."""
    return frame(
        con,
        "SELECT speaker_id, setting, level FROM pooled_curve WHERE part = $1 AND ($2 IS NULL OR "
        "list_contains($2, speaker_id))",
        [part, None if only is None else list(only)],
    )


def pooled_curve(con: duckdb.DuckDBPyConnection, part: str, speaker_id: int, setting: str) -> list[float]:
    """One pooled curve of a speaker in a setting, over the analysis grid; empty where it has none."""
    row = fetch_one(
        con,
        "SELECT level FROM pooled_curve WHERE part = ? AND speaker_id = ? AND setting = ?",
        [part, speaker_id, setting],
    )
    return [] if row is None else list(row[0])


def draw_heads(
    con: duckdb.DuckDBPyConnection, metric: str, table: DrawTable, only: Sequence[int] | None = None
) -> pl.DataFrame:
    """session_id, speaker_id, setting, sample, lab, censored, se (of the layer) of the sessions that count for a
    metric's pooled draws, of some speakers or of all."""
    return frame(
        con,
        f"""
        SELECT s.session_id, s.speaker_id, s.setting, s.sample, l.name AS lab, v.censored, u.{_SE[table]} AS se
        FROM session s JOIN lab l USING (lab_id) JOIN metric_value v USING (session_id) JOIN metric m USING (metric_no)
            LEFT JOIN uncertainty u ON u.session_id = s.session_id AND u.metric_no = v.metric_no
        WHERE s.status = 'active' AND v.status = 'ok' AND m.id = $1
            AND ($2 IS NULL OR list_contains($2, s.speaker_id))
        ORDER BY s.session_id
        """,
        [metric, None if only is None else list(only)],
    )


def shown_pooled(
    con: duckdb.DuckDBPyConnection, speaker_id: int, settings: Sequence[str], end: str = ""
) -> pl.DataFrame:
    """The pooled values of a speaker in some settings as `show` gives them, session, lab, sample and date null,
    _session 0.

    end: which interval stands as low and high, one of `metric.ENDS`.
    """
    return frame(
        con,
        f"""
        SELECT NULL::VARCHAR AS session, v.setting, NULL::VARCHAR AS lab, NULL::VARCHAR AS sample, NULL::DATE AS date,
               m.id AS metric, v.value, v.se, v.low{end} AS low, v.high{end} AS high, v.censored, v.status,
               v.reason, v.disagree,
               {", ".join(f"v.{name}" for name in _OTHER)}, 0 AS _session
        FROM pooled_value v JOIN metric m USING (metric_no)
        WHERE v.speaker_id = ? AND list_contains(?, v.setting)
        """,
        [speaker_id, list(settings)],
    )


def shown_single(
    con: duckdb.DuckDBPyConnection, speaker_id: int, settings: Sequence[str], end: str = ""
) -> pl.DataFrame:
    """The same of each session that counts: _session is its number, disagree null."""
    return frame(
        con,
        f"""
        SELECT s.session, s.setting, l.name AS lab, s.sample, s.date, m.id AS metric, v.value, u.se, u.low{end} AS low,
               u.high{end} AS high, v.censored, v.status, v.reason, NULL::BOOLEAN AS disagree,
               {", ".join(f"u.{name}" for name in _OTHER)}, s.session_id AS _session
        FROM metric_value v JOIN session s USING (session_id) JOIN metric m USING (metric_no) JOIN lab l USING (lab_id)
            LEFT JOIN uncertainty u ON u.session_id = v.session_id AND u.metric_no = v.metric_no
        WHERE s.speaker_id = ? AND s.status = 'active' AND list_contains(?, s.setting)
        """,
        [speaker_id, list(settings)],
    )


def metric_versions(con: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """Metric -> the version of the definition that the file's values were computed by."""
    return dict(con.execute("SELECT id, version FROM metric").fetchall())
