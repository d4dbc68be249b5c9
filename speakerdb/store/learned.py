"""What was learned of errors, as stored: sizes of parts and offsets of benches, by version; and what there is to learn
from."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from speakerdb.session import SessionInfo
from speakerdb.store.connection import fetch_one
from speakerdb.store.reading import frame, levels
from speakerdb.store.writing import info_from_json, insert, level_column

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True)
class StoredPart:
    """A row of error_model: a part's size as a multiple of its default, from n speakers (benches: specimens) in so many
    sessions."""

    part: str
    factor: float
    n: int
    of_sessions: int


@dataclass(frozen=True, eq=False)
class StoredAlignment:
    """A row of bench_alignment: offset_db (199,) float32 is added to the curves of `bench`."""

    bench: str
    to_bench: str
    offset_db: np.ndarray[Any, Any]
    residual_sd_db: float
    n: int


@dataclass(frozen=True, eq=False)
class StoredModel:
    """The newest version; 0, without rows, where nothing was ever adopted."""

    version: int
    parts: tuple[StoredPart, ...]
    alignments: tuple[StoredAlignment, ...]


def read_model(con: duckdb.DuckDBPyConnection) -> StoredModel:
    """What counts now."""
    row = fetch_one(con, "SELECT coalesce(max(version), 0) FROM error_model")
    version = int(row[0]) if row else 0
    parts = con.execute(
        "SELECT part, factor, n, of_sessions FROM error_model WHERE version = ? ORDER BY part", [version]
    ).fetchall()
    rows = frame(
        con,
        "SELECT bench, to_bench, offset_db, residual_sd_db, n FROM bench_alignment WHERE version = ? ORDER BY bench",
        [version],
    )
    offsets: Sequence[np.ndarray[Any, Any]] = list(levels(rows["offset_db"])) if len(rows) else []
    named = rows.drop("offset_db").iter_rows()
    alignments = tuple(
        StoredAlignment(bench, to_bench, offset, residual, n)
        for (bench, to_bench, residual, n), offset in zip(named, offsets, strict=True)
    )
    return StoredModel(version, tuple(StoredPart(*part) for part in parts), alignments)


def write_model(
    con: duckdb.DuckDBPyConnection, parts: Sequence[StoredPart], alignments: Sequence[StoredAlignment]
) -> int:
    """Keep a new version beside the older ones, which are never used again; returns its number. The caller holds the
    transaction."""
    version = read_model(con).version + 1
    insert(
        con,
        "error_model",
        {
            "version": [version] * len(parts),
            "adopted_at": [dt.datetime.now(dt.UTC).replace(tzinfo=None)] * len(parts),
            "part": [p.part for p in parts],
            "factor": [p.factor for p in parts],
            "n": [p.n for p in parts],
            "of_sessions": [p.of_sessions for p in parts],
        },
    )
    if alignments:
        insert(
            con,
            "bench_alignment",
            {
                "version": [version] * len(alignments),
                "bench": [a.bench for a in alignments],
                "to_bench": [a.to_bench for a in alignments],
                "offset_db": level_column(np.stack([a.offset_db for a in alignments]).astype(np.float32)),
                "residual_sd_db": [a.residual_sd_db for a in alignments],
                "n": [a.n for a in alignments],
            },
        )
    return version


@dataclass(frozen=True)
class SessionHead:
    """A session that counts: the speaker's slug of today, and what the session says of itself."""

    session_id: int
    speaker: str
    info: SessionInfo


def repeated(con: duckdb.DuckDBPyConnection, having: str) -> list[SessionHead]:
    """Active sessions with a value of the metric `having`, the same content once, of speakers that have two of them or
    more."""
    rows = con.execute(
        """
        WITH counting AS (
            SELECT s.session_id, s.speaker_id, s.info, s.content_hash,
                   count(*) OVER (PARTITION BY s.speaker_id) AS sessions
            FROM session s JOIN metric_value v USING (session_id) JOIN metric m USING (metric_no)
            WHERE s.status = 'active' AND m.id = ? AND v.value IS NOT NULL
            QUALIFY row_number() OVER (PARTITION BY s.content_hash ORDER BY s.session) = 1
        )
        SELECT session_id, slug, info FROM counting JOIN speaker USING (speaker_id)
        WHERE sessions > 1 ORDER BY session_id
        """,
        [having],
    ).fetchall()
    return [SessionHead(int(i), slug, info_from_json(info)) for i, slug, info in rows]


def sessions_by_bench(con: duckdb.DuckDBPyConnection) -> list[tuple[str, str, str | None, int]]:
    """(lab, method, calibration, active sessions)."""
    rows = con.execute(
        "SELECT l.name, s.method, s.calibration, count(*) FROM session s JOIN lab l USING (lab_id) WHERE "
        "s.status = 'active' "
        "GROUP BY ALL ORDER BY ALL"
    ).fetchall()
    return [(lab, method, calibration, int(n)) for lab, method, calibration, n in rows]
