"""When the file is open: a burst of questions shares one opening, and an idle server lets others write."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from speakerdb.errors import BusyError, RequestError
from speakerdb.library import Database
from speakerdb.library.sharing import carry_over, reader_of
from speakerdb.store import doing

READERS = 3  # questions worked on at the same time; the others wait their turn
LOOK_S = 0.25  # so often it is looked whether another process waits to write
IDLE_S = 1.0  # after so long without a question the file is let go
WAIT_S = 60.0  # a question that has waited so long is turned away


class Source:
    """The database file as the pages see it. Safe to use from many threads.

    hold False: open for reading while there are questions, closed after IDLE_S without one, or as soon as another
    process asks to write. hold True: open for writing from start to end, so that `writer` can store sessions while
    readers go on reading what is committed.
    """

    def __init__(self, path: Path, *, hold: bool = False, idle_s: float = IDLE_S) -> None:
        self.path, self.hold = path, hold
        self._idle_s = idle_s
        self._turn = threading.Condition()
        self._writing = threading.Lock()
        self._base: Database | None = Database.open(path, write=True) if hold else None
        if self._base is not None:
            self._base.note("serve --allow-ingest")
        self._free: list[Database] = []
        self._earlier: list[Database] = []  # closed, but what they read may still hold
        self._busy = 0
        self._last_use = 0.0
        self._timer: threading.Timer | None = None

    @contextmanager
    def read(self) -> Iterator[Database]:
        """A database to read from: one consistent state throughout.

        Raises BusyError while another process writes, StoreError where the file can't be opened.
        """
        reader = self._take()
        try:
            with reader.store.snapshot():
                yield reader
        finally:
            self._give(reader)

    @contextmanager
    def writer(self) -> Iterator[Database]:
        """The database to store sessions in, one caller at a time. Raises RequestError where the server only reads."""
        if self._base is None or not self.hold:
            raise RequestError("this server only reads; start it with `speakerdb serve --allow-ingest` to store")
        with self._writing:
            yield self._base

    @property
    def is_open(self) -> bool:
        """Whether this process holds the file at the moment."""
        return self._base is not None

    def close(self) -> None:
        """Let go of the file; questions under way are waited for."""
        with self._turn:
            self._turn.wait_for(lambda: self._busy == 0, WAIT_S)
            self.hold = False
            self._let_go()

    def _take(self) -> Database:
        with self._turn:
            if not self.hold and doing.is_wanted(self.path):
                if not self._busy:
                    self._let_go()
                raise BusyError("the file is being written; ask again in a moment")
            if not self._turn.wait_for(lambda: self._busy < READERS, WAIT_S):
                raise BusyError("too many questions at once; ask again in a moment")
            if self._base is None:
                self._base = Database.open(self.path)
            reader = self._free.pop() if self._free else self._new_reader(self._base)
            self._busy += 1
            return reader

    def _new_reader(self, base: Database) -> Database:
        reader = reader_of(base)
        if self._earlier:
            carry_over(self._earlier.pop(), reader)
        return reader

    def _give(self, reader: Database) -> None:
        with self._turn:
            self._busy -= 1
            self._free.append(reader)
            self._last_use = time.monotonic()
            if not self.hold and not self._busy and doing.is_wanted(self.path):
                self._let_go()
            elif self._timer is None and not self.hold:
                self._start_timer(min(self._idle_s, LOOK_S))
            self._turn.notify_all()

    def _start_timer(self, wait_s: float) -> None:
        self._timer = threading.Timer(wait_s, self._on_timer)
        self._timer.daemon = True
        self._timer.start()

    def _on_timer(self) -> None:
        with self._turn:
            self._timer = None
            remaining = self._last_use + self._idle_s - time.monotonic()
            wanted = doing.is_wanted(self.path)
            if self._busy or (remaining > 0 and not wanted):
                self._start_timer(LOOK_S if self._busy else min(remaining, LOOK_S))
            else:
                self._let_go()

    def _let_go(self) -> None:
        for reader in self._free:
            reader.close()
        self._earlier = [*self._free]
        self._free.clear()
        if self._base is not None:
            self._base.close()
            self._base = None
