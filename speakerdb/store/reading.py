"""Reading what is stored, as polars frames and arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from speakerdb.metric import CENSORED, SAMPLE, UNCERTAINTY, ValueTable
from speakerdb.session import GridSession
from speakerdb.store.connection import OF_SESSIONS, fetch_one, of_sessions
from speakerdb.store.writing import (
    DRAWS_KEPT,
    decompress,
    draw_column,
    info_from_json,
    metric_numbers,
    sweeps_from_rows,
)

if TYPE_CHECKING:
    import duckdb
    import polars as pl


@dataclass(frozen=True)
class State:
    """The short id of what a file holds, how many speakers, since when (ISO date), and which version of the error model
    counts."""

    state: str
    speakers: int
    date: str
    error_model: int = 0


def state_of(con: duckdb.DuckDBPyConnection) -> State:
    row = fetch_one(
        con, "SELECT state, speakers, changed_at, (SELECT coalesce(max(version), 0) FROM error_model) FROM db_state"
    )
    return State(row[0], row[1], row[2].date().isoformat(), row[3]) if row else State("empty", 0, "")


def frame(con: duckdb.DuckDBPyConnection, sql: str, params: object = None) -> pl.DataFrame:
    """The rows of a statement as a polars frame. params: list or dict of bound values."""
    rows: pl.DataFrame = con.sql(sql, params=params).pl()
    return rows


def levels(column: pl.Series) -> np.ndarray[Any, Any]:
    """A FLOAT[199] column as one (n, 199) float32 array."""
    return column.to_numpy().reshape(len(column), -1)


def grid_sessions(con: duckdb.DuckDBPyConnection, session_ids: Sequence[int]) -> list[GridSession]:
    """Stored sessions back in memory, in the order of the ids."""
    if not session_ids:
        return []
    ids = list(session_ids)
    heads = {
        row[0]: row[1:]
        for row in con.execute(
            "SELECT session_id, info, resolution_per_octave FROM session WHERE list_contains(?, session_id)", [ids]
        ).fetchall()
    }
    curves = frame(
        con,
        f"SELECT session_id, orbit, angle_deg, level FROM curve WHERE {OF_SESSIONS} ORDER BY session_id, "
        "orbit, angle_deg",
        of_sessions(ids),
    )
    sweeps = frame(
        con,
        f"SELECT session_id, kind, component, drive_db, level FROM sweep WHERE {OF_SESSIONS} "
        "ORDER BY session_id, kind, component, drive_db",
        of_sessions(ids),
    )
    curve_ids, curve_level = curves["session_id"].to_numpy(), levels(curves["level"])
    horizontal, angle = (curves["orbit"] == "horizontal").to_numpy(), curves["angle_deg"].to_numpy().astype(np.float64)
    sweep_ids = sweeps["session_id"].to_numpy()
    sweep_level = levels(sweeps["level"]) if len(sweeps) else np.empty((0, 199), np.float32)
    sweep_rows = list(zip(sweeps["kind"], sweeps["component"], sweeps["drive_db"], sweep_level, strict=True))
    found = []
    for session_id in ids:
        a, b = np.searchsorted(curve_ids, [session_id, session_id + 1])
        c, d = np.searchsorted(sweep_ids, [session_id, session_id + 1])
        info, resolution = heads[session_id]
        found.append(
            GridSession(
                info=info_from_json(info),
                horizontal=horizontal[a:b],
                angle_deg=angle[a:b],
                level_db=curve_level[a:b],
                resolution_per_octave=resolution,
                **sweeps_from_rows(sweep_rows[c:d]),  # type: ignore[arg-type]
            )
        )
    return found


@dataclass(frozen=True, eq=False)
class ActiveValues:
    """Values of the active sessions of some speakers, one row a session, ready for pooling."""

    session_id: np.ndarray[Any, Any]
    speaker_id: np.ndarray[Any, Any]
    setting: list[str]
    sample: list[str]
    lab: list[str]
    date: list[str]
    default_setting: np.ndarray[Any, Any]
    slug: list[str]
    method: list[str]
    calibration: list[str | None]
    run: list[str | None]
    content_hash: list[str]
    info: list[str]
    values: ValueTable


def active_values(con: duckdb.DuckDBPyConnection, speaker_ids: Sequence[int] | None = None) -> ActiveValues:
    """Sessions that count, of the given speakers (None: all), with all their metric values."""
    heads = frame(
        con,
        "SELECT s.session_id, s.speaker_id, s.setting, s.sample, l.name AS lab, s.date::VARCHAR AS date, "
        "s.default_setting, "
        "sp.slug, s.content_hash, s.method, s.calibration, s.run, s.info "
        "FROM session s JOIN lab l USING (lab_id) JOIN speaker sp USING (speaker_id) WHERE s.status = "
        "'active' AND ($ids IS NULL OR list_contains($ids, s.speaker_id)) "
        "ORDER BY s.session_id",
        {"ids": None if speaker_ids is None else list(speaker_ids)},
    )
    ids = heads["session_id"].to_numpy()
    numbers = metric_numbers(con)
    shape = (len(ids), len(numbers))
    value, upper, censored = np.full(shape, np.nan), np.full(shape, np.nan), np.zeros(shape, np.int8)
    reason: dict[tuple[int, str], str] = {}
    if len(ids):
        rows = frame(
            con,
            f"SELECT session_id, metric_no, value, upper, censored, reason FROM metric_value WHERE {OF_SESSIONS}",
            of_sessions(ids),
        )
        i, j = np.searchsorted(ids, rows["session_id"].to_numpy()), _columns(numbers)[rows["metric_no"].to_numpy()]
        value[i, j], upper[i, j] = rows["value"].cast(float).to_numpy(), rows["upper"].cast(float).to_numpy()
        codes = {word: code for code, word in enumerate(CENSORED)}
        censored[i, j] = rows["censored"].replace_strict(codes, return_dtype=_int8()).to_numpy()
        names = list(numbers)
        for k in np.flatnonzero(rows["reason"].is_not_null().to_numpy()):
            reason[int(i[k]), names[j[k]]] = rows["reason"][int(k)]
    values = ValueTable(tuple(numbers), value, censored, reason, upper)
    return ActiveValues(
        session_id=ids,
        speaker_id=heads["speaker_id"].to_numpy(),
        default_setting=heads["default_setting"].to_numpy(),
        values=values,
        **{name: heads[name].to_list() for name in _HEADS},
    )


_HEADS = ("setting", "sample", "lab", "date", "slug", "method", "calibration", "run", "content_hash", "info")


def _columns(numbers: dict[str, int]) -> np.ndarray[Any, Any]:
    """Lookup from metric_no to the column of the metric."""
    lookup = np.zeros(max(numbers.values(), default=0) + 1, np.int64)
    lookup[list(numbers.values())] = np.arange(len(numbers))
    return lookup


def _places(ids: np.ndarray[Any, Any], rows: pl.DataFrame) -> np.ndarray[Any, Any]:
    """Where the session of each row stands among ids (S,), which hold it."""
    order = np.argsort(ids)
    return np.asarray(order[np.searchsorted(ids[order], rows["session_id"].to_numpy())])


def session_uncertainty(con: duckdb.DuckDBPyConnection, session_ids: Sequence[int]) -> dict[str, np.ndarray[Any, Any]]:
    """Columns UNCERTAINTY and SAMPLE of sessions in the given order, each (S, M) over the file's metrics, NaN where
    there are none."""
    numbers = metric_numbers(con)
    ids = np.asarray(session_ids, np.int64)
    found = {name: np.full((len(ids), len(numbers)), np.nan) for name in (*UNCERTAINTY, *SAMPLE)}
    if not len(ids):
        return found
    rows = frame(con, f"SELECT * FROM uncertainty WHERE {OF_SESSIONS}", of_sessions(ids))
    i = _places(ids, rows)
    j = _columns(numbers)[rows["metric_no"].to_numpy()]
    for name, array in found.items():
        array[i, j] = rows[name].cast(float).to_numpy()
    return found


DrawTable = Literal["own_draw", "bench_draw"]


def session_draws(
    con: duckdb.DuckDBPyConnection, session_ids: Sequence[int], table: DrawTable, metric: str | None = None
) -> np.ndarray[Any, Any]:
    """Draws (S, M, B) int8 of sessions in the given order, in eighths of the layer's standard error, for all metrics of
    the file or for one (then M = 1); 0 where there are none."""
    numbers = metric_numbers(con)
    if metric is not None:  # a file from before a metric was known has none of its draws
        numbers = {metric: numbers[metric]} if metric in numbers else {}
    ids = np.asarray(session_ids, np.int64)
    found = np.zeros((len(ids), 1 if metric is not None else len(numbers), DRAWS_KEPT), np.int8)
    if not len(ids) or not numbers:
        return found
    names = [draw_column(number) for number in numbers.values()]
    rows = frame(con, f"SELECT session_id, {', '.join(names)} FROM {table} WHERE {OF_SESSIONS}", of_sessions(ids))
    i = _places(ids, rows)
    for j, name in enumerate(names):
        there = rows[name].is_not_null().to_numpy()
        if there.any():
            found[i[there], j] = rows[name].drop_nulls().to_numpy().reshape(int(there.sum()), -1)
    return found


def listening_axis(
    con: duckdb.DuckDBPyConnection, session_ids: Sequence[int]
) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """Narrow-band deviation and treble balance (S, 4) at 0, 10, 20, 30° of sessions in the given order; NaN where there
    are none."""
    ids = list(session_ids)
    place = {session_id: i for i, session_id in enumerate(ids)}
    found = np.full((len(ids), 4), np.nan), np.full((len(ids), 4), np.nan)
    rows = con.execute(
        "SELECT session_id, angle_deg, nbd_db, treble_db FROM listening_axis WHERE list_contains(?, session_id)", [ids]
    ).fetchall()
    for session_id, angle, nbd, treble in rows:
        for array, value in zip(found, (nbd, treble), strict=True):
            array[place[session_id], angle // 10] = float("nan") if value is None else value
    return found


def _int8() -> Any:
    import polars as pl

    return pl.Int8


def summary_levels(con: duckdb.DuckDBPyConnection, session_ids: Sequence[int]) -> dict[str, np.ndarray[Any, Any]]:
    """Summary curves of sessions: part -> (S, 199), NaN where a session has none."""
    ids = np.asarray(session_ids, np.int64)
    rows = frame(
        con,
        "SELECT session_id, part, level FROM summary_curve WHERE list_contains(?, session_id)",
        [ids.tolist()],
    )
    where = _places(ids, rows)
    parts, all_levels = rows["part"].to_numpy(), levels(rows["level"]) if len(rows) else np.empty((0, 199))
    found = {}
    for part in dict.fromkeys(rows["part"]):
        mine = parts == part
        found[part] = np.full((len(ids), all_levels.shape[1]), np.nan, np.float32)
        found[part][where[mine]] = all_levels[mine]
    return found


def source_files(con: duckdb.DuckDBPyConnection, session_id: int) -> dict[str, bytes]:
    """The files of a session as they came: name -> content."""
    rows = con.execute("SELECT name, zstd FROM source_file WHERE session_id = ?", [session_id]).fetchall()
    return {name: decompress(packed) for name, packed in rows}


def session_values(
    con: duckdb.DuckDBPyConnection, session_ids: Sequence[int], metrics: Sequence[str]
) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    """Values of sessions, NaN where withheld or not there, their codes into CENSORED (int8) and upper ends: each (S, M)
    in the given orders."""
    rows = con.execute(
        "SELECT v.session_id, m.id, v.value, v.censored, v.upper FROM metric_value v JOIN metric m USING (metric_no) "
        "WHERE list_contains(?, v.session_id)",
        [list(session_ids)],
    ).fetchall()
    row, column = {s: i for i, s in enumerate(session_ids)}, {m: j for j, m in enumerate(metrics)}
    shape = len(row), len(column)
    value, upper, censored = np.full(shape, np.nan), np.full(shape, np.nan), np.zeros(shape, np.int8)
    for session_id, metric, x, word, end in rows:
        if metric in column:
            at = row[session_id], column[metric]
            value[at], upper[at] = (np.nan if number is None else number for number in (x, end))
            censored[at] = CENSORED.index(word)
    return value, censored, upper
