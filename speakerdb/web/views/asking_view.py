"""Any question as a page: a form drawn from its fields, and the tables of its answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import MISSING
from typing import Any

from speakerdb import figures
from speakerdb.declare import Answer, Part, Question, as_address, as_command, as_python, parts
from speakerdb.errors import RequestError, UnknownNameError
from speakerdb.metrics import METRICS
from speakerdb.questions import QUESTIONS
from speakerdb.questions.documents import forms, hints_of, plain, row_of, rows
from speakerdb.statistics.error_model import bench_words
from speakerdb.web.parameters import Ask
from speakerdb.web.site import Desk
from speakerdb.web.views import View

ROWS = 100
BY_NAME = {question.name: question for question in QUESTIONS}
_METRIC_COLUMNS = frozenset({"value", "low", "high", "other_value", "median", "median_low", "median_high"})
_BENCHES = frozenset({"bench", "bench_a", "bench_b", "to_bench"})  # told by their keys or in words
_DIFFERENCES = frozenset({"difference", "change", "offset", "expected_low", "expected_high"})


def asking(desk: Desk, ask: Ask, name: str) -> View:
    """The page of a question: the form, and the answer where enough is asked. Raises UnknownNameError."""
    if name not in BY_NAME:
        raise UnknownNameError(f"there is no question named {name!r}; there are {', '.join(BY_NAME)}")
    question = BY_NAME[name]
    content: dict[str, Any] = {
        "question": question, "title": title(question), "fields": [p for p in parts(question) if not p.ask.local], "ask": ask,
        "answer": None, "problem": "", "asked": None, "value_of": _typed, "example": as_address(question(**question.example)),
    }  # fmt: skip
    asked = ask.read(question)
    if asked is None or (ask.problems and not ask.given()):
        return View("asking.html", content)
    try:
        answer = desk.answer(asked)
    except RequestError as error:
        return View("asking.html", content | {"problem": error.message})
    said = {"command": as_command(asked), "address": f"/api{as_address(asked)}", "python": f"db.{as_python(asked)}"}
    return View(
        "asking.html",
        content
        | {
            "answer": answer,
            "asked": said,
            "single": _single(answer),
            "tables": _tables(answer),
            "cautions": getattr(answer, "cautions", ()),
        },
    )


def title(question: type[Question[Any]]) -> str:
    """What it asks, in its first line."""
    return (question.__doc__ or "").split("\n\n")[0].strip().removesuffix(".")


def _typed(ask: Ask, part: Part) -> str:
    """What stands in the field of a form."""
    given = ", ".join(ask.many(part.name)) if part.many else ask.raw(part.name)
    default = "" if part.default in (MISSING, None) else part.default
    usual = ", ".join(default) if isinstance(default, tuple) else "" if isinstance(default, bool) else str(default)
    return given or usual


def _single(answer: Answer) -> list[tuple[str, str]]:
    """The fields of the answer that are no tables, in words; its cautions stand by themselves."""
    values = {
        name: getattr(answer, name)
        for name, form in forms(type(answer)).items()
        if row_of(form) is None and name != "cautions"
    }
    return [(name, text) for name, value in values.items() if (text := cell({}, name, plain(value))) != figures.GAP]


def _tables(answer: Answer) -> list[dict[str, Any]]:
    """The tables of the answer: heading, columns with what they mean, and rows of texts."""
    found = []
    for name, form in forms(type(answer)).items():
        row = row_of(form)
        if row is None:
            continue
        frame = getattr(answer, name)
        told = rows(frame.head(ROWS), row)
        whole = getattr(answer, "metric", None)
        of = {"metric": whole} if isinstance(whole, str) else {}  # whose values all of its rows hold
        columns = [c for c in hints_of(row) if told and c in told[0]]
        found.append({
            "name": name, "total": len(frame), "columns": [(c, _meaning(hints_of(row)[c])) for c in columns],
            "rows": [[(c, cell(of | one, c, one[c]), isinstance(one[c], int | float) and not isinstance(one[c], bool)) for c in columns] for one in told],
        })  # fmt: skip
    return found


def _meaning(hint: Any) -> str:
    return next((m.meaning for m in getattr(hint, "__metadata__", ()) if hasattr(m, "meaning")), "")


def cell(row: Mapping[str, Any], name: str, value: Any) -> str:
    """A value of a document as a page has it: numbers of a metric in its digits, probabilities in percent, what is nested in words."""
    if value is None or (isinstance(value, list | dict | str) and not value):
        return figures.GAP
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return bench_words(value) if name in _BENCHES and value.count("|") == 2 else value
    if isinstance(value, Mapping) and name in METRICS and "value" in value:
        return figures.joined(
            METRICS[name].quantity.number(value["value"], value["censored"], value.get("other_value")),
            METRICS[name].unit,
        )
    if isinstance(value, Mapping):
        return (
            "; ".join(
                f"{key.replace('_', ' ')} {cell(row, key, inner)}" for key, inner in value.items() if inner is not None
            )
            or figures.GAP
        )
    if isinstance(value, Sequence):
        return (
            f"{figures.number(len(value))} values"
            if len(value) > 60
            else ", ".join(cell(row, name, one) for one in value)
        )
    if isinstance(value, int):
        return str(value) if name == "year" else figures.number(value)
    metric = METRICS.get(str(row.get("metric")))
    if metric and name in _METRIC_COLUMNS and row.get("unit") in (None, metric.unit) and "difference" not in row:
        return metric.quantity.number(value, *(row.get("censored"), row.get("other_value")) if name == "value" else ())
    if metric and name in _DIFFERENCES | {"low", "high"}:
        return (
            metric.quantity.difference(value)
            if "ratio" in row
            else metric.quantity.finer(row.get("unit") or "").number(value)
        )
    if name.startswith("p_") or name in {"chance", "share"}:
        return figures.probability(value)
    if name in {"p", "q"}:
        return figures.p_value(value)
    if name in figures.FACTS:
        return figures.FACTS[name].number(value)
    return figures.DB.number(value) if name.endswith("_db") else figures.plain(value, 4)
