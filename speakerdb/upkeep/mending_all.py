"""The filters that mend speakers, worked out for all that have none yet and kept: rankings with them read these."""

from __future__ import annotations

from collections.abc import Callable

from speakerdb.field import mending
from speakerdb.store import Store, equalised

BATCH_SPEAKERS = 16


def equalise_all(
    store: Store, *, begin: Callable[[int], None] = lambda _: None, advance: Callable[[int], None] = lambda _: None
) -> int:
    """Work out and keep what is missing or out of date; returns how many speakers. Each batch is committed whole, so
    that an interrupted run goes on where it stopped."""
    todo = equalised.pending(store.con, mending.definitions())
    begin(len(todo))
    for start in range(0, len(todo), BATCH_SPEAKERS):
        found = []
        for speaker_id, setting, basis in todo[start : start + BATCH_SPEAKERS]:
            found.append(mending.kept(store, speaker_id, setting, basis))
            advance(1)
        with store.transaction():
            equalised.replace(store.con, found)
    return len(todo)
