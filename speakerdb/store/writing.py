"""Writing sessions: whole groups in one transaction, in the shape DuckDB takes fastest (Arrow tables)."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from speakerdb.errors import StoreError
from speakerdb.metric import CENSORED, SAMPLE, UNCERTAINTY, ValueTable
from speakerdb.metrics import METRICS
from speakerdb.session import FloatArray, GridSession, GridSweeps, LedgerEntry, SessionInfo, SourceFile
from speakerdb.store.connection import OF_SESSIONS, fetch_one, of_sessions

if TYPE_CHECKING:
    import duckdb

ZSTD_LEVEL = 3
KEY_HEX_DIGITS = 10
DRAWS_KEPT = 400
FACTS = (
    "kind",
    "powered",
    "height_mm",
    "width_mm",
    "depth_mm",
    "mass_kg",
    "layout",
    "enclosure",
    "year",
    "claimed_max_db",
    "claim_pair",
    "claim_distance_m",
)


@dataclass(frozen=True, eq=False)
class NewSession:
    """A session ready to be stored."""

    content_hash: str
    grid: GridSession
    folder: str
    sources: tuple[SourceFile, ...]
    warnings: tuple[str, ...] = ()
    ledger: tuple[LedgerEntry, ...] = ()

    @property
    def info(self) -> SessionInfo:
        return self.grid.info


def session_key(info: SessionInfo) -> str:
    """First hex digits of the SHA-256 of (lab, speaker, sample, setting, date, repeat)
    (method:data#which-session-is-it)."""
    key = "\x1f".join((info.lab, info.slug, info.sample, info.setting, info.date, str(info.repeat)))
    return hashlib.sha256(key.encode()).hexdigest()[:KEY_HEX_DIGITS]


def info_json(info: SessionInfo) -> str:
    """Everything the folder said, as the JSON kept in the file."""
    return json.dumps(dataclasses.asdict(info), ensure_ascii=False, sort_keys=True)


def info_from_json(text: str) -> SessionInfo:
    """The inverse of `info_json`."""
    from speakerdb.session import Band, Price

    raw = json.loads(text)
    raw["prices"] = tuple(Price(**p) for p in raw["prices"])
    raw["bands"] = tuple(Band(**b) for b in raw.get("bands", ()))  # files of before there were any know none
    raw["uncertainty"] = {
        k: tuple((float(f), float(s)) for f, s in v) if isinstance(v, list) else v
        for k, v in raw["uncertainty"].items()
    }
    return SessionInfo(**raw)


def level_column(levels: np.ndarray[Any, Any]) -> Any:
    """(n, w) numbers as an Arrow fixed-size list column without a copy."""
    import pyarrow as pa

    flat = np.ascontiguousarray(levels).reshape(-1)
    return pa.FixedSizeListArray.from_arrays(pa.array(flat), levels.shape[1])


def insert(con: duckdb.DuckDBPyConnection, table: str, columns: dict[str, Any]) -> None:
    """Insert columns (lists, arrays or Arrow arrays, named as in the table) as one batch."""
    import pyarrow as pa

    incoming = pa.table(columns)
    if incoming.num_rows == 0:
        return
    con.register("incoming", incoming)
    names = ", ".join(columns)
    con.execute(f"INSERT INTO {table} ({names}) SELECT {names} FROM incoming")
    con.unregister("incoming")


def next_id(con: duckdb.DuckDBPyConnection, table: str, column: str) -> int:
    row = fetch_one(con, f"SELECT coalesce(max({column}), 0) + 1 FROM {table}")
    assert row is not None
    return int(row[0])


def id_of(con: duckdb.DuckDBPyConnection, table: str, column: str, name: str) -> int:
    """The id of a maker or lab by name, made where it is new."""
    row = fetch_one(con, f"SELECT {column} FROM {table} WHERE name = ?", [name])
    if row is not None:
        return int(row[0])
    new = next_id(con, table, column)
    con.execute(f"INSERT INTO {table} VALUES (?, ?)", [new, name])
    return new


def _speaker_ids(con: duckdb.DuckDBPyConnection, infos: Sequence[SessionInfo]) -> list[int]:
    """The speaker's id of each session (an alias finds it too), made where it is new."""
    slugs = list(dict.fromkeys(i.slug for i in infos))
    known = dict(
        con.execute(
            "SELECT slug, speaker_id FROM speaker WHERE list_contains($1, slug) "
            "UNION ALL SELECT alias, speaker_id FROM speaker_alias WHERE list_contains($1, alias)",
            [slugs],
        ).fetchall()
    )
    fresh = {i.slug: i for i in infos if i.slug not in known}
    start = next_id(con, "speaker", "speaker_id")
    known |= {slug: start + n for n, slug in enumerate(fresh)}
    makers = {name: id_of(con, "maker", "maker_id", name) for name in dict.fromkeys(i.maker for i in fresh.values())}
    insert(
        con,
        "speaker",
        {
            "speaker_id": [known[slug] for slug in fresh],
            "maker_id": [makers[i.maker] for i in fresh.values()],
            "slug": list(fresh),
            "model": [i.model for i in fresh.values()],
        },
    )
    return [known[i.slug] for i in infos]


def insert_sessions(
    con: duckdb.DuckDBPyConnection,
    sessions: Sequence[NewSession],
    values: ValueTable,
    summary: dict[str, np.ndarray[Any, Any]],
    axis: tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]],
    numbered: Sequence[int] | None = None,
) -> list[int]:
    """Insert a group of sessions with their curves, values and files; the caller holds the transaction.

    values, summary and axis (of `replace_listening_axis`) have one row per session, in the same order. Returns the
    session ids: new ones, or those that are given (of a file that is made anew).
    """
    first = next_id(con, "session", "session_id")
    ids = list(range(first, first + len(sessions))) if numbered is None else list(numbered)
    speakers = _speaker_ids(con, [s.info for s in sessions])
    _insert_heads(con, sessions, ids, speakers)
    _insert_facts(con, sessions, ids, speakers)
    grids = [s.grid for s in sessions]
    _insert_curves(con, grids, ids)
    _insert_sweeps(con, grids, ids)
    insert_summary(con, ids, summary)
    insert_values(con, ids, values)
    replace_listening_axis(con, ids, axis)
    _insert_sources(con, sessions, ids)
    return ids


def _insert_heads(
    con: duckdb.DuckDBPyConnection, sessions: Sequence[NewSession], ids: list[int], speakers: list[int]
) -> None:
    now = dt.datetime.now(dt.UTC).replace(tzinfo=None)
    infos = [s.info for s in sessions]
    labs = {name: id_of(con, "lab", "lab_id", name) for name in sorted({i.lab for i in infos})}
    insert(
        con,
        "session",
        {
            "session_id": ids,
            "session": [session_key(i) for i in infos],
            "content_hash": [s.content_hash for s in sessions],
            "speaker_id": speakers,
            "lab_id": [labs[i.lab] for i in infos],
            "sample": [i.sample for i in infos],
            "setting": [i.setting for i in infos],
            "date": [dt.date.fromisoformat(i.date) for i in infos],
            "repeat": [i.repeat for i in infos],
            "method": [i.method for i in infos],
            "run": _texts(i.run for i in infos),
            "calibration": _texts(i.calibration for i in infos),
            "default_setting": [i.default_setting for i in infos],
            "level_is": [i.level_is for i in infos],
            "resolution_per_octave": [float(s.grid.resolution_per_octave) for s in sessions],
            "info": [info_json(i) for i in infos],
            "folder": [s.folder for s in sessions],
            "ingested_at": [now] * len(ids),
            "status": ["active"] * len(ids),
            "ledger": [json.dumps([dataclasses.asdict(e) for e in s.ledger], ensure_ascii=False) for s in sessions],
        },
    )


def _texts(values: Iterable[str | None]) -> Any:
    import pyarrow as pa

    return pa.array(list(values), pa.string())


def reasons(values: ValueTable) -> Any:
    """Why each value is withheld, null where none is: one Arrow column, row by row."""
    return _texts(values.reason.get((i, m)) for i in range(len(values.value)) for m in values.metrics)


def _insert_facts(
    con: duckdb.DuckDBPyConnection, sessions: Sequence[NewSession], ids: list[int], speakers: list[int]
) -> None:
    rows = []
    for new, session_id, speaker in zip(sessions, ids, speakers, strict=True):
        for name in FACTS:
            value = getattr(new.info, name)
            if value is not None and not (name == "claim_pair" and new.info.claimed_max_db is None):
                rows.append((speaker, name, fact_text(value), new.info.date, session_id))
    insert_facts(con, [(s, n, v, "session", d, i) for s, n, v, d, i in rows])
    prices = [
        (speaker, p, new.info.date, session_id)
        for new, session_id, speaker in zip(sessions, ids, speakers, strict=True)
        for p in new.info.prices
    ]
    start = next_id(con, "price", "price_id")
    insert(
        con,
        "price",
        {
            "price_id": list(range(start, start + len(prices))),
            "speaker_id": [s for s, *_ in prices],
            "amount": [float(p.amount) for _, p, *_ in prices],
            "currency": [p.currency for _, p, *_ in prices],
            "per": [p.per for _, p, *_ in prices],
            "kind": [p.kind for _, p, *_ in prices],
            "date": [dt.date.fromisoformat(p.date or d) for _, p, d, _ in prices],
            "source": _texts(p.source for _, p, *_ in prices),
            "session_id": [i for *_, i in prices],
        },
    )


def fact_text(value: object) -> str:
    """A fact as the text kept in the file: 300.0 and 300 are the same."""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def insert_facts(
    con: duckdb.DuckDBPyConnection, rows: Sequence[tuple[int, str, str, str | None, str | None, int | None]]
) -> None:
    """Add fact rows (speaker_id, name, value, source, ISO date, session_id)."""
    import pyarrow as pa

    start = next_id(con, "fact", "fact_id")
    insert(
        con,
        "fact",
        {
            "fact_id": list(range(start, start + len(rows))),
            "speaker_id": [r[0] for r in rows],
            "name": [r[1] for r in rows],
            "value": [r[2] for r in rows],
            "source": _texts(r[3] for r in rows),
            "date": pa.array([dt.date.fromisoformat(r[4]) if r[4] else None for r in rows], pa.date32()),
            "session_id": pa.array([r[5] for r in rows], pa.int32()),
        },
    )


def replace_curves(con: duckdb.DuckDBPyConnection, ids: Sequence[int], grids: Sequence[GridSession]) -> None:
    """Put newly read curves and sweeps in the place of those stored for the sessions; the caller holds the
    transaction."""
    for table in ("curve", "sweep"):
        con.execute(f"DELETE FROM {table} WHERE {OF_SESSIONS}", of_sessions(ids))
    for session_id, grid in zip(ids, grids, strict=True):
        con.execute(
            "UPDATE session SET resolution_per_octave = ? WHERE session_id = ?",
            [float(grid.resolution_per_octave), session_id],
        )
    _insert_curves(con, grids, ids)
    _insert_sweeps(con, grids, ids)


def _insert_curves(con: duckdb.DuckDBPyConnection, grids: Sequence[GridSession], ids: Sequence[int]) -> None:
    counts = [len(g.angle_deg) for g in grids]
    horizontal = np.concatenate([g.horizontal for g in grids])
    insert(
        con,
        "curve",
        {
            "session_id": np.repeat(np.asarray(ids, np.int32), counts),
            "orbit": np.where(horizontal, "horizontal", "vertical").tolist(),
            "angle_deg": np.concatenate([g.angle_deg for g in grids]).astype(np.float32),
            "level": level_column(np.concatenate([g.level_db for g in grids])),
        },
    )


def _sweep_rows(grid: GridSession) -> list[tuple[str, str, float, np.ndarray[Any, Any]]]:
    rows: list[tuple[str, str, float, np.ndarray[Any, Any]]] = []
    for kind, sweeps in (("distortion", grid.distortion), ("compression", grid.compression)):
        if sweeps is not None:
            rows += [
                (kind, component, float(drive), level)
                for component, drive, level in zip(sweeps.component, sweeps.drive_db, sweeps.level_db, strict=True)
            ]
    if grid.impedance_ohm is not None:
        rows.append(("impedance", "", 0.0, grid.impedance_ohm))
    if grid.impedance_phase_deg is not None:
        rows.append(("impedance_phase", "", 0.0, grid.impedance_phase_deg))
    if grid.sphere_power_db is not None:
        rows.append(("sphere_power", "", 0.0, grid.sphere_power_db))
    return rows


def _insert_sweeps(con: duckdb.DuckDBPyConnection, grids: Sequence[GridSession], ids: Sequence[int]) -> None:
    rows = [(i, *row) for i, grid in zip(ids, grids, strict=True) for row in _sweep_rows(grid)]
    if rows:
        insert(
            con,
            "sweep",
            {
                "session_id": [r[0] for r in rows],
                "kind": [r[1] for r in rows],
                "component": [r[2] for r in rows],
                "drive_db": [r[3] for r in rows],
                "level": level_column(np.stack([r[4] for r in rows]).astype(np.float32)),
            },
        )


def sweeps_from_rows(
    rows: Sequence[tuple[str, str, float, np.ndarray[Any, Any]]],
) -> dict[str, GridSweeps | np.ndarray[Any, Any] | None]:
    """The inverse of `_sweep_rows`: keyword arguments of GridSession."""
    found: dict[str, GridSweeps | np.ndarray[Any, Any] | None] = {}
    for kind in ("distortion", "compression"):
        mine = [r for r in rows if r[0] == kind]
        found[kind] = (
            GridSweeps(
                np.array([r[2] for r in mine], np.float64), tuple(r[1] for r in mine), np.stack([r[3] for r in mine])
            )
            if mine
            else None
        )
    for kind, name in (
        ("impedance", "impedance_ohm"),
        ("impedance_phase", "impedance_phase_deg"),
        ("sphere_power", "sphere_power_db"),
    ):
        single = [r[3] for r in rows if r[0] == kind]
        found[name] = single[0] if single else None
    return found


def insert_summary(
    con: duckdb.DuckDBPyConnection, ids: Sequence[int], summary: dict[str, np.ndarray[Any, Any]]
) -> None:
    """Summary curves of sessions: one (S, 199) array per part; rows that are wholly NaN are not kept."""
    kept = {part: ~np.isnan(levels).all(axis=1) for part, levels in summary.items()}
    kept = {part: rows for part, rows in kept.items() if rows.any()}
    if kept:
        insert(
            con,
            "summary_curve",
            {
                "session_id": np.concatenate([np.asarray(ids, np.int32)[rows] for rows in kept.values()]),
                "part": np.repeat(list(kept), [int(rows.sum()) for rows in kept.values()]).tolist(),
                "level": level_column(
                    np.concatenate([summary[p][rows] for p, rows in kept.items()]).astype(np.float32)
                ),
            },
        )


def replace_summary(
    con: duckdb.DuckDBPyConnection, ids: Sequence[int], summary: dict[str, np.ndarray[Any, Any]]
) -> None:
    """All summary curves of sessions anew, noise included: what is not in `summary` is gone."""
    con.execute("DELETE FROM summary_curve WHERE list_contains(?, session_id)", [list(ids)])
    insert_summary(con, ids, summary)


def metric_numbers(con: duckdb.DuckDBPyConnection) -> dict[str, int]:
    """metric id -> its number in this file."""
    return dict(con.execute("SELECT id, metric_no FROM metric ORDER BY metric_no").fetchall())


def insert_values(con: duckdb.DuckDBPyConnection, ids: Sequence[int], values: ValueTable) -> None:
    """Metric values, one row per session and metric."""
    numbers = metric_numbers(con)
    sessions, metrics = len(ids), len(values.metrics)
    missing = np.isnan(values.value)
    insert(
        con,
        "metric_value",
        {
            "session_id": np.repeat(np.asarray(ids, np.int32), metrics),
            "metric_no": np.tile(np.array([numbers[m] for m in values.metrics], np.int16), sessions),
            "value": nullable(values.value),
            "upper": nullable(values.upper),
            "censored": [CENSORED[c] for c in values.censored.reshape(-1)],
            "status": np.where(missing.reshape(-1), "withheld", "ok").tolist(),
            "reason": reasons(values),
        },
    )


def replace_values(con: duckdb.DuckDBPyConnection, ids: Sequence[int], values: ValueTable) -> None:
    """Values of some metrics anew; those of others stay."""
    numbers = metric_numbers(con)
    con.execute(
        f"DELETE FROM metric_value WHERE {OF_SESSIONS} AND list_contains(?, metric_no)",
        [*of_sessions(ids), [numbers[m] for m in values.metrics]],
    )
    insert_values(con, ids, values)


def replace_uncertainty(
    con: duckdb.DuckDBPyConnection,
    ids: Sequence[int],
    metrics: Sequence[str],
    columns: dict[str, FloatArray],
    own: np.ndarray[Any, Any],
    bench: np.ndarray[Any, Any],
    model: str,
) -> None:
    """Put the uncertainty of sessions in the place of any they had; the caller holds the transaction.

    columns: UNCERTAINTY and SAMPLE, each (S, M) with NaN where there are none; own, bench (S, M, B) int8, all 0 where
    there are no draws.
    """
    for table in ("uncertainty", "own_draw", "bench_draw"):
        con.execute(f"DELETE FROM {table} WHERE {OF_SESSIONS}", of_sessions(ids))
    numbers = metric_numbers(con)
    there = ~np.isnan(columns["se"])
    insert(
        con,
        "uncertainty",
        {
            "session_id": np.repeat(np.asarray(ids, np.int32), there.sum(axis=1)),
            "metric_no": np.tile(np.array([numbers[m] for m in metrics], np.int16), (len(ids), 1))[there],
            **{
                name: columns[name][there] == 1.0 if name == "noise_limited" else nullable(columns[name][there])
                for name in (*UNCERTAINTY, *SAMPLE)
            },
        },
    )
    for table, draws in (("own_draw", own), ("bench_draw", bench)):
        insert(
            con,
            table,
            {
                "session_id": np.asarray(ids, np.int32),
                **{
                    draw_column(numbers[m]): _draw_column(draws[:, j])
                    for j, m in enumerate(metrics)
                    if draws[:, j].any()
                },
            },
        )
    con.execute("UPDATE session SET error_model = ? WHERE list_contains(?, session_id)", [model, list(ids)])


def draw_column(metric_no: int) -> str:
    """The column of the draw tables that holds a metric's."""
    return f"m{metric_no}"


def _draw_column(draws: np.ndarray[Any, Any]) -> Any:
    """(S, B) draws as an Arrow column, null where a session has none."""
    import pyarrow as pa

    none = ~draws.any(axis=1)
    return pa.FixedSizeListArray.from_arrays(
        pa.array(np.ascontiguousarray(draws).reshape(-1)), draws.shape[1], mask=pa.array(none) if none.any() else None
    )


def replace_listening_axis(
    con: duckdb.DuckDBPyConnection, ids: Sequence[int], axis: tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]
) -> None:
    """Narrow-band deviation and treble balance (S, 4) at 0, 10, 20, 30° of sessions, in the place of those they had."""
    con.execute("DELETE FROM listening_axis WHERE list_contains(?, session_id)", [list(ids)])
    insert(
        con,
        "listening_axis",
        {
            "session_id": np.repeat(np.asarray(ids, np.int32), 4),
            "angle_deg": np.tile(np.array([0, 10, 20, 30], np.int32), len(ids)),
            "nbd_db": nullable(axis[0]),
            "treble_db": nullable(axis[1]),
        },
    )


def replace_noise(con: duckdb.DuckDBPyConnection, ids: Sequence[int], noise: dict[str, np.ndarray[Any, Any]]) -> None:
    """Put standard-deviation curves (part -> (S, 199)) of sessions in the place of those they had."""
    con.execute(
        "DELETE FROM summary_curve WHERE list_contains(?, session_id) AND list_contains(?, part)",
        [list(ids), list(noise)],
    )
    insert_summary(con, ids, noise)


def nullable(array: FloatArray) -> Any:
    """A float array of any shape as one Arrow column with NaN as null."""
    import pyarrow as pa

    flat = np.ascontiguousarray(array, np.float64).reshape(-1)
    return pa.array(flat, from_pandas=True)


def flags(array: FloatArray) -> Any:
    """1, 0 and NaN as true, false and null."""
    import pyarrow as pa

    flat = array.reshape(-1)
    return pa.array(flat == 1.0, mask=np.isnan(flat))


def _insert_sources(con: duckdb.DuckDBPyConnection, sessions: Sequence[NewSession], ids: list[int]) -> None:
    files = [(i, f) for i, s in zip(ids, sessions, strict=True) for f in s.sources]
    with ThreadPoolExecutor() as pool:  # zstd releases the interpreter lock
        packed = list(pool.map(lambda pair: compress(pair[1].content), files))
    insert(
        con,
        "source_file",
        {
            "session_id": [i for i, _ in files],
            "name": [f.name for _, f in files],
            "sha256": [f.sha256 for _, f in files],
            "size": [len(f.content) for _, f in files],
            "zstd": packed,
        },
    )


def compress(content: bytes) -> bytes:
    import zstandard

    return zstandard.ZstdCompressor(level=ZSTD_LEVEL).compress(content)


def decompress(content: bytes) -> bytes:
    """Raises StoreError for bytes that are damaged."""
    import zstandard

    try:
        return zstandard.ZstdDecompressor().decompress(content)
    except zstandard.ZstdError as error:
        raise StoreError(f"a kept source file can't be unpacked: {error}") from None


def sync_dictionary(con: duckdb.DuckDBPyConnection) -> None:
    """Add metrics that the file does not know yet (version 0: no values yet) and refresh the words of the others."""
    numbers = metric_numbers(con)
    empty = fetch_one(con, "SELECT count(*) FROM session") == (0,)
    for m in METRICS.values():
        words = [m.label, m.unit, m.better, m.definition, m.source, m.step, m.matters]
        if m.id in numbers:
            con.execute(
                "UPDATE metric SET label = ?, unit = ?, better = ?, definition = ?, source = ?, step = ?, matters = ? "
                "WHERE id = ? AND label || definition || unit || better || source <> ?",
                [*words, m.id, m.label + m.definition + m.unit + m.better + m.source],
            )
        else:
            number = next_id(con, "metric", "metric_no")
            con.execute(
                "INSERT INTO metric VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [number, m.id, *words, m.version if empty else 0],
            )
    for table in ("own_draw", "bench_draw"):
        known = {
            row[0]
            for row in con.execute("SELECT column_name FROM duckdb_columns() WHERE table_name = ?", [table]).fetchall()
        }
        for number in metric_numbers(con).values():
            if draw_column(number) not in known:
                con.execute(f"ALTER TABLE {table} ADD COLUMN {draw_column(number)} TINYINT[{DRAWS_KEPT}]")
