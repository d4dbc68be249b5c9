"""Small made-up sessions for tests of the store: no acoustics in them, only shapes."""

from __future__ import annotations

import dataclasses

import numpy as np

from speakerdb.metric import ValueTable
from speakerdb.metrics import METRICS
from speakerdb.session import GridSession, GridSweeps, SessionInfo, SourceFile
from speakerdb.store import NewSession


def info(model: str = "Sill 5", **changes: object) -> SessionInfo:
    base = SessionInfo(
        maker="Alder Fen",
        model=model,
        slug=f"alder-fen-{model.lower().replace(' ', '-')}",
        kind="standmount",
        powered=True,
        lab="shed",
        method="anechoic",
        date="2026-03-01",
        sample="0017",
        setting="plain",
    )
    return dataclasses.replace(base, **changes)


def new_session(model: str = "Sill 5", seed: int = 1, **changes: object) -> NewSession:
    rng = np.random.default_rng(seed)
    level = np.round(rng.normal(80, 3, (4, 199)), 2).astype(np.float32)
    level[1, :20] = np.nan
    grid = GridSession(
        info(model, **changes),
        np.array([True, True, False, False]),
        np.array([0.0, 10.0, 0.0, 10.0]),
        level,
        24.0,
        compression=GridSweeps(np.array([80.0, 90.0]), ("", ""), level[:2]),
        impedance_ohm=level[3],
    )
    content = level.tobytes()
    return NewSession(f"hash{seed}", grid, f"folder/{model}", (SourceFile("responses.csv", "0" * 64, content),))


def values(sessions: int) -> ValueTable:
    ids = tuple(METRICS)
    table = np.arange(sessions * len(ids), dtype=float).reshape(sessions, len(ids))
    table[:, 1] = np.nan
    reason = {(i, ids[1]): "no vertical curves" for i in range(sessions)}
    return ValueTable(ids, table, np.zeros(table.shape, np.int8), reason, np.full(table.shape, np.nan))


def summary(sessions: int) -> dict[str, np.ndarray]:
    return {"listening_window": np.full((sessions, 199), 80.0, np.float32)}


def axis(sessions: int) -> tuple[np.ndarray, np.ndarray]:
    return np.tile([0.3, 0.28, 0.29, 0.35], (sessions, 1)), np.tile([0.0, -0.2, -0.5, -1.0], (sessions, 1))
