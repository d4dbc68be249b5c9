"""A look at session folders before they are stored: everything that is wrong, or the curves and values they would
give."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import polars as pl

from speakerdb import derive
from speakerdb.acoustics.grid import FREQUENCY_HZ
from speakerdb.errors import DataError, ErrorItem
from speakerdb.field import error_models
from speakerdb.metric import CENSORED, ValueTable
from speakerdb.metrics import METRICS
from speakerdb.store import session_key
from speakerdb.upkeep import identity

if TYPE_CHECKING:
    from speakerdb.session import LedgerEntry, SessionInfo
    from speakerdb.store import NewSession, Store

Verdict = Literal["new", "already", "refused"]
DRAWN = 12  # sessions whose values and curves are worked out; of the others only whether they can be stored


@dataclass(frozen=True, eq=False)
class Preview:
    """One folder. refused: errors says all that is wrong. values: metric and its value as `show` gives it, with its
    interval as measured.

    curves: part, frequency_hz, level_db, measured points only. values and curves are None beyond the first DRAWN
    folders.
    """

    folder: str
    verdict: Verdict
    errors: tuple[ErrorItem, ...] = ()
    warnings: tuple[str, ...] = ()
    info: SessionInfo | None = None
    session: str | None = None
    values: pl.DataFrame | None = None
    curves: pl.DataFrame | None = None
    ledger: tuple[LedgerEntry, ...] = ()


def preview(
    store: Store, sessions: Sequence[tuple[Path, NewSession | DataError]], name: Callable[[Path], str] = str
) -> list[Preview]:
    """Look at sessions that were read against what the database holds; nothing is stored. name: what a folder is
    called."""
    read = [(name(place), outcome) for place, outcome in sessions]
    known = identity.look_up(store, [new for _, new in read if not isinstance(new, DataError)])
    found: list[Preview] = []
    for called, outcome in read:
        if isinstance(outcome, DataError):
            items = outcome.items or (ErrorItem(found=outcome.message),)
            found.append(Preview(called, "refused", tuple(identity.in_folder(item, called) for item in items)))
            continue
        new, renamed = identity.as_stored(outcome, known)
        verdict = identity.check(store, new, known, replace=False)
        known.add(new)
        values, curves = _look(store, new) if len(found) < DRAWN else (None, None)
        word: Verdict = "refused" if verdict.errors else "already" if verdict.already else "new"
        found.append(
            Preview(
                called,
                word,
                verdict.errors,
                (*new.warnings, *renamed, *verdict.warnings),
                new.info,
                session_key(new.info),
                values,
                curves,
                new.ledger,
            )
        )
    return found


def _look(store: Store, new: NewSession) -> tuple[pl.DataFrame, pl.DataFrame]:
    model = error_models.current(store)
    [grid] = error_models.aligned([new.grid], model)
    derived = derive.derive([grid])
    curves = [
        pl.DataFrame({"frequency_hz": FREQUENCY_HZ, "level_db": level[0].astype(np.float64)}).with_columns(
            part=pl.lit(part)
        )
        for part, level in derived.summary.items()
    ]
    table, ids = derived.values, derived.values.metrics
    exact = np.where(table.censored[0] == CENSORED.index("none"), table.value[0], np.nan)
    sure = derive.own_uncertainty(grid, new.content_hash, ids, exact, model)
    return _values(table, sure), pl.concat(curves).filter(pl.col("level_db").is_not_nan())


def _values(table: ValueTable, sure: dict[str, np.ndarray[Any, Any]]) -> pl.DataFrame:
    def known(column: np.ndarray[Any, Any], j: int) -> float | None:
        return float(column[j]) if np.isfinite(column[j]) else None

    rows = []
    for j, metric in enumerate(table.metrics):
        value, reason = float(table.value[0, j]), table.reason.get((0, metric))
        rows.append(
            {
                "metric": metric,
                "value": value if np.isfinite(value) else None,
                "unit": METRICS[metric].unit,
                **{name: known(column, j) for name, column in sure.items()},
                "noise_limited": known(sure["noise_limited"], j) == 1.0,
                "censored": CENSORED[table.censored[0, j]],
                "status": "withheld" if reason else "ok",
                "reason": reason,
            }
        )
    return pl.DataFrame(rows, infer_schema_length=None)
