"""Answers kept for as long as the file's state stays the same."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, TypeVar, cast

T = TypeVar("T")
MOST = 1000  # answers kept; the one unused for longest goes first


class Answers:
    """A cache from (state id, question) to answer. A question asked twice at once is worked out once."""

    def __init__(self, most: int = MOST) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, Any] = OrderedDict()
        self._lock = threading.Lock()
        self._working: dict[Hashable, threading.Lock] = {}

    def get(self, state: str, question: Hashable, work_out: Callable[[], T]) -> T:
        """The kept answer to the question in this state, else a new one. An error is not kept."""
        key = (state, question)
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return cast("T", self._kept[key])
            mine = self._working.setdefault(key, threading.Lock())
        with mine:
            with self._lock:
                if key in self._kept:
                    return cast("T", self._kept[key])
            try:
                answer = work_out()
            finally:
                with self._lock:
                    self._working.pop(key, None)
            with self._lock:
                self._kept[key] = answer
                while len(self._kept) > self._most:
                    self._kept.popitem(last=False)
            return answer
