"""What the pages share: the file, the kept answers, and how to ask for one."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, TypeVar, cast

from fastapi import Request

from speakerdb.declare import Question
from speakerdb.library import Database
from speakerdb.questions.documents import Document, document
from speakerdb.store import State
from speakerdb.web.cache import Answers
from speakerdb.web.jobs import Jobs
from speakerdb.web.kept import STATE_HEADER
from speakerdb.web.security import new_token
from speakerdb.web.source import Source
from speakerdb.web.uploads import Stages

A = TypeVar("A")
T = TypeVar("T")


@dataclass(frozen=True)
class Desk:
    """Where one page is put together: the database in one state, and the answers kept for that state."""

    base: Database
    state: State
    answers: Answers

    @property
    def stated(self) -> dict[str, str]:
        """The header that says which state a reply tells of."""
        return {STATE_HEADER: self.state.state}

    def ask(self, question: Hashable, work_out: Callable[[Database], T]) -> T:
        """The answer to a question, worked out once per state."""
        return self.answers.get(self.state.state, question, lambda: work_out(self.base))

    def answer(self, question: Question[A]) -> A:
        """The answer to a question, worked out once per state."""
        return self.ask(question, lambda base: base.ask(question))

    def document(self, question: Question[Any]) -> Document:
        """The same as the document of the command line."""
        return self.ask(("document", question), lambda base: document(base.state, self.answer(question)))


@dataclass
class Site:
    """One running set of pages. stages is None where nothing may be stored."""

    source: Source
    stages: Stages | None = None
    answers: Answers = field(default_factory=Answers)
    token: str = field(default_factory=new_token)
    key: str = field(default_factory=new_token)  # what taking measurements in asks for
    jobs: Jobs = field(default_factory=Jobs)
    drawing: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1, thread_name_prefix="drawing"))

    @contextmanager
    def desk(self) -> Iterator[Desk]:
        with self.source.read() as base:
            yield Desk(base, base.state, self.answers)

    def close(self) -> None:
        """Let go of the file and of what was begun."""
        self.jobs.close()
        self.drawing.shutdown(wait=False, cancel_futures=True)
        self.source.close()
        if self.stages is not None:
            self.stages.close()


def site_of(request: Request) -> Site:
    return cast("Site", request.app.state.site)
