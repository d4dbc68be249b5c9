"""The named SQL questions as pages."""

from __future__ import annotations

from speakerdb.errors import RequestError
from speakerdb.field.naming import all_queries, own_folder
from speakerdb.questions import QUESTIONS
from speakerdb.store.queries import find
from speakerdb.web.api import query as query_document
from speakerdb.web.parameters import Ask
from speakerdb.web.site import Desk
from speakerdb.web.views import View
from speakerdb.web.views.asking_view import title

ROWS = 100


def questions(desk: Desk, ask: Ask) -> View:
    """All of them: those of the tool, and those in SQL."""
    asked = [(question.name, title(question)) for question in QUESTIONS]
    return View(
        "questions.html", {"queries": list(all_queries(own_folder(desk.base.store.path)).values()), "asked": asked}
    )


def question(desk: Desk, ask: Ask, name: str, *, rows: int = ROWS) -> View:
    """One question with its parameters, its rows and its SQL."""
    query = find(name, own_folder(desk.base.store.path))
    given = {p.name: text for p in query.parameters if (text := ask.text(p.name)) is not None}
    page = ask.whole("page", 1, 10**6) or 1
    problem, found = "", None
    try:
        key = ("question", name, tuple(sorted(given.items())))
        found = desk.ask(key, lambda base: query_document(base, name, given))
    except RequestError as error:
        problem = error.message
    every = found["rows"] if found else []
    return View(
        "question.html",
        {
            "query": query,
            "given": given,
            "left_out": found["left_out"] if found else [],
            "problem": problem,
            "rows": every[(page - 1) * rows : page * rows],
            "total": len(every),
            "page": page,
            "pages": -(-len(every) // rows),
        },
    )
