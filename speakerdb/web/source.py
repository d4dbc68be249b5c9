"""When the file is open: a burst of questions shares one opening, and an idle server lets others write."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from speakerdb.errors import BusyError, RequestError
from speakerdb.library import Database
from speakerdb.library.sharing import carry_over, reader_of
from speakerdb.store import doing

READERS = 3  # questions worked on at the same time; the others wait their turn
LOOK_S = 0.25  # so often it is looked whether another process waits to write
IDLE_S = 1.0  # after so long without a question the file is let go
WAIT_S = 60.0  # a question that has waited so long is turned away
WRITING_S = 1.0  # while this process stores, what was last read counts for so long
_Stamp = tuple[tuple[int, int, int] | None, ...]


@dataclass(frozen=True)
class _Known:
    """A state of the file, and how long it holds: for good, until a time, or as long as the file on the disk is the
    same."""

    state: str | None
    until: float | None = None
    stamp: _Stamp | None = None


def _stamp(path: Path) -> _Stamp:
    """What tells on the disk whether the file was changed."""
    found: list[tuple[int, int, int] | None] = []
    for file in (path, path.with_name(path.name + ".wal")):
        try:
            seen = file.stat()
        except OSError:
            found.append(None)
        else:
            found.append((seen.st_ino, seen.st_size, seen.st_mtime_ns))
    return tuple(found)


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
        self._known = _Known(self._base.state.state if self._base is not None else None)

    @property
    def state(self) -> str | None:
        """The state that questions are answered in at the moment; None where that takes a question to know."""
        known = self._known
        if known.until is not None and time.monotonic() > known.until:
            return None
        return known.state if known.stamp is None or known.stamp == _stamp(self.path) else None

    @contextmanager
    def read(self) -> Iterator[Database]:
        """A database to read from: one consistent state throughout.

        Raises BusyError while another process writes, StoreError where the file can't be opened.
        """
        reader = self._take()
        try:
            before = self._known
            with reader.store.snapshot():
                if before.until is not None and self._known is before:
                    self._known = _Known(reader.state.state, until=time.monotonic() + WRITING_S)
                yield reader
        finally:
            self._give(reader)

    @contextmanager
    def writer(self) -> Iterator[Database]:
        """The database to store sessions in, one caller at a time. Raises RequestError where the server only reads."""
        if self._base is None or not self.hold:
            raise RequestError("this server only reads; start it with `speakerdb serve --allow-ingest` to store")
        with self._writing:
            self._known = _Known(None, until=0.0)
            try:
                yield self._base
            finally:
                self._known = _Known(self._base.state.state)

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
            if not self._turn.wait_for(lambda: self._busy < READERS or self._is_wanted(), WAIT_S):
                raise BusyError("too many questions at once; ask again in a moment")
            if self._is_wanted():
                if not self._busy:
                    self._let_go()
                raise BusyError("the file is being written; ask again in a moment")
            if self._base is None:
                self._base = Database.open(self.path)
                self._known = _Known(self._base.state.state)
            reader = self._free.pop() if self._free else self._new_reader(self._base)
            self._busy += 1
            return reader

    def _is_wanted(self) -> bool:
        """Whether another process waits to write, for which this one makes way."""
        return not self.hold and doing.is_wanted(self.path)

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
            if not self._busy and self._is_wanted():
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
            self._known = _Known(self._known.state, stamp=_stamp(self.path))  # while nobody else can write
            self._base.close()
            self._base = None
