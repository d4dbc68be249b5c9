"""Finding a speaker, metric or session by what the user typed."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from speakerdb import figures
from speakerdb.errors import UnknownNameError
from speakerdb.metric import Metric
from speakerdb.metrics import METRICS
from speakerdb.store import Store, session_rows, speakers
from speakerdb.store.queries import all_queries, own_folder

__all__ = ["all_queries", "find_metric", "find_session", "find_speaker", "own_folder", "some"]


def some(names: Sequence[str], most: int = 6) -> str:
    """Names in a sentence: 'a, b and 3 more'."""
    rest = len(names) - most
    return ", ".join(names[:most]) + (f" and {rest} more" if rest > 0 else "")


def find_speaker(store: Store, name: str, *, exact: bool = False) -> tuple[int, str]:
    """(speaker_id, slug) for a slug, an earlier name, or any unambiguous part of a slug (unless exact).

    Raises UnknownNameError with the nearest names, or with those that match where several do.
    """
    wanted = name.strip().lower()
    found = speakers.named(store.con, wanted)
    if found is not None:
        return found
    part = wanted.replace(" ", "-")
    fits = speakers.named_in_part(store.con, part) if part and not exact else []
    if len(fits) == 1:
        return fits[0]
    if fits:
        raise UnknownNameError(
            f"{name!r} fits {figures.count(len(fits), 'speaker')}: {some([slug for _, slug in fits])}. Give "
            "a longer part of the name"
        )
    slugs = speakers.slugs(store.con)
    if not slugs:
        raise UnknownNameError(
            f"no speaker is named {name!r}: the database holds none yet. Use `speakerdb ingest FOLDER`"
        )
    near = difflib.get_close_matches(part, slugs, 3, 0.4)
    hint = f"; the nearest names are {', '.join(near)}" if near else "; `speakerdb list` shows all names"
    raise UnknownNameError(f"no speaker is named {name!r}{hint}")


def find_metric(name: str) -> Metric:
    """A metric by id, or by any unambiguous part of it; raises UnknownNameError with the nearest ids."""
    wanted = name.strip().lower().replace("-", "_").replace(" ", "_")
    if wanted in METRICS:
        return METRICS[wanted]
    fits = [m for m in METRICS if wanted and wanted in m]
    if len(fits) == 1:
        return METRICS[fits[0]]
    if fits:
        raise UnknownNameError(f"{name!r} fits {len(fits)} metrics: {some(fits)}. Give the whole id")
    near = difflib.get_close_matches(wanted, METRICS, 3, 0.4)
    hint = f"; the nearest ids are {', '.join(near)}" if near else "; `speakerdb metrics` lists all"
    raise UnknownNameError(f"no metric is named {name!r}{hint}")


def find_session(store: Store, name: str) -> int:
    """The session_id of a session by its id or an unambiguous start of it; raises UnknownNameError."""
    rows = session_rows.starting_with(store.con, name.strip().lower())
    active = [r for r in rows if r[2] == "active"] or rows[:1]
    if len(active) == 1 and name.strip():
        return int(active[0][0])
    if active:
        raise UnknownNameError(f"{name!r} fits {len(active)} sessions: {some([r[1] for r in active])}")
    raise UnknownNameError(f"no session has the id {name!r}; `speakerdb show SPEAKER` lists the ids of its sessions")
