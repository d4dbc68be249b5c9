"""What was measured and how; which files a sheet rests on; what could not be judged and why."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb import figures
from speakerdb.metrics import METRICS
from speakerdb.store import session_rows

if TYPE_CHECKING:
    from speakerdb.library import Database

METHODS = {
    "anechoic": "in an anechoic room",
    "near-field-scan": "by near-field scan",
    "gated": "by gated measurement",
    "ground-plane": "on a ground plane",
    "other": "by another method",
}


@dataclass(frozen=True)
class SessionRow:
    """One session as the sheet tells it. files: (name, SHA-256, size in bytes)."""

    session: str
    setting: str
    lab: str
    sample: str
    date: str
    method: str
    distance: str
    resolution: str
    contents: str
    notes: str
    files: list[tuple[str, str, int]]


def sessions(base: Database, slug: str) -> list[SessionRow]:
    """The active sessions of a speaker in all settings, the oldest first."""
    con = base.store.con
    rows = session_rows.active_of(con, slug)
    ids = rows["session_id"].to_list()
    counts, sweeps, files = (
        of(con, ids) for of in (session_rows.curve_counts, session_rows.drive_counts, session_rows.file_heads)
    )
    return [_session(r, counts, sweeps, files) for r in rows.iter_rows(named=True)]


def _method(info: dict[str, Any]) -> str:
    """How it was measured, with its gates: "by gated measurement: near-field to 350 Hz and gated (4.4 ms) above"."""
    told = METHODS.get(info["method"], info["method"])
    bands = info.get("bands") or []
    ways = [b["method"] + (f" ({figures.plain(b['gate_ms'])} ms)" if b["gate_ms"] else "") for b in bands]
    if len(ways) > 1:
        parts = [f"{way} to {figures.hertz(b['to_hz'], 3)}" for way, b in zip(ways[:-1], bands, strict=False)]
        return f"{told}: {figures.listing([*parts, f'{ways[-1]} above'])}"
    gate_ms = bands[0]["gate_ms"] if bands else info.get("gate_ms")
    return f"{told} ({figures.plain(gate_ms)} ms)" if gate_ms else told


def _session(r: dict[str, Any], counts: pl.DataFrame, sweeps: pl.DataFrame, files: pl.DataFrame) -> SessionRow:
    info = json.loads(r["info"])
    mine = pl.col("session_id") == r["session_id"]
    has = [f"{n} {orbit} curves" for orbit, n in counts.filter(mine).sort("orbit").select("orbit", "n").iter_rows()]
    for kind, n in sweeps.filter(mine).sort("kind").select("kind", "n").iter_rows():
        drives = f" at {n} drives" if kind in ("distortion", "compression") else ""
        has.append(f"{kind.replace('_', ' ')}{drives}")
    distance = info.get("distance_m")
    smoothing = info.get("smoothing_oct")
    return SessionRow(
        r["session"],
        r["setting"],
        r["lab"],
        r["sample"],
        r["date"],
        _method(info),
        f"{figures.plain(distance)} m" if distance else "distance not stated",
        f"{figures.number(r['resolution'])} points per octave"
        + (f", smoothed 1/{figures.number(1 / smoothing)} octave" if smoothing else ""),
        figures.listing(has),
        info.get("notes") or "",
        files.filter(mine).select("name", "sha256", "size").rows(),
    )


def withheld(rows: pl.DataFrame) -> list[tuple[str, list[str]]]:
    """(reason, labels of the metrics withheld for it), from the pooled rows of `show`."""
    missing = rows.filter(pl.col("session").is_null() & (pl.col("status") != "ok"))
    return [
        (str(reason or "not worked out yet"), [METRICS[m].label for m in part["metric"]])
        for (reason,), part in missing.group_by("reason", maintain_order=True)
    ]


def disagreements(rows: pl.DataFrame) -> list[str]:
    """Metrics in which the sessions disagree beyond their errors."""
    found = rows.filter(pl.col("session").is_null() & pl.col("disagree").fill_null(False))
    return [METRICS[m].label for m in found["metric"]]
