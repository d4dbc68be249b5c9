"""The one exception family. A message says what was found, where, what was expected and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass


@dataclass(frozen=True)
class ErrorItem:
    """One defect in the user's data: where it is, what was found, what was expected."""

    folder: str | None = None
    file: str | None = None
    line: int | None = None
    key: str | None = None
    found: str | None = None
    expected: str | None = None

    def to_dict(self) -> dict[str, object]:
        return asdict(self)

    def __str__(self) -> str:
        where = ""
        if self.file is not None:
            where = self.file
        if self.line is not None:
            where += f" line {self.line}"
        if self.key is not None:
            where += f"{', ' if where else ''}{self.key}"
        text = f"{where}: found {self.found}" if where else f"found {self.found}"
        return f"{text}; expected {self.expected}" if self.expected else text


class SpeakerdbError(Exception):
    """Base of every error the user can cause or mend. `code` is a stable word for scripts."""

    code = "error"

    def __init__(self, message: str, items: Sequence[ErrorItem] = ()) -> None:
        super().__init__(message)
        self.message = message
        self.items = tuple(items)


class DataError(SpeakerdbError):
    """A measurement folder or table that cannot be stored as it stands. asked: nothing in it is wrong, but something is
    left open that only the user knows."""

    code = "bad_data"

    def __init__(self, message: str, items: Sequence[ErrorItem] = (), *, asked: bool = False) -> None:
        super().__init__(message, items)
        self.asked = asked


class ConflictError(SpeakerdbError):
    """The data are sound but clash with what the database holds."""

    code = "conflict"


class StoreError(SpeakerdbError):
    """The database file is missing, locked, damaged, foreign, older or newer than this program."""

    code = "store"


class BusyError(StoreError):
    """Another process writes to the database file just now: asking again a little later helps."""


class UnknownNameError(SpeakerdbError):
    """A speaker, metric, session, query or parameter that does not exist or is ambiguous."""

    code = "unknown_name"


class RequestError(SpeakerdbError):
    """A question that cannot be answered as asked."""

    code = "bad_request"
