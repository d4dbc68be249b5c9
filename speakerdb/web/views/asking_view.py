"""Any question as a page: a form drawn from its fields, and the tables of its answer."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Sized
from dataclasses import MISSING
from typing import Any, get_args, get_origin

from speakerdb import figures
from speakerdb.declare import Answer, Part, Question, Row, Shape, as_address, as_command, as_python, parts
from speakerdb.errors import RequestError, UnknownNameError
from speakerdb.metrics import METRICS
from speakerdb.questions import QUESTIONS
from speakerdb.questions.documents import forms, hints_of, plain, shape_of, told_as
from speakerdb.statistics.error_model import bench_words
from speakerdb.web import rendering
from speakerdb.web.parameters import Ask
from speakerdb.web.site import Desk
from speakerdb.web.views import View

ROWS = 100
MOST_IN_CELL = 60  # values of a list; a curve is longer, and is for its picture and the JSON document
BY_NAME = {question.name: question for question in QUESTIONS}
_METRIC_COLUMNS = frozenset({"value", "low", "high", "other_value", "median", "median_low", "median_high"})
_BENCHES = frozenset({"bench", "bench_a", "bench_b", "to_bench"})  # told by their keys or in words
_DIFFERENCES = frozenset({"difference", "change", "offset", "effect", "theil_sen", "expected_low", "expected_high"})


def asking(desk: Desk, ask: Ask, name: str) -> View:
    """The page of a question: the form, and the answer where enough is asked. Raises UnknownNameError."""
    if name not in BY_NAME:
        raise UnknownNameError(f"there is no question named {name!r}; there are {', '.join(BY_NAME)}")
    question = BY_NAME[name]
    content: dict[str, Any] = {
        "question": question,
        "title": title(question),
        "fields": [p for p in parts(question) if not p.ask.local],
        "ask": ask,
        "answer": None,
        "problem": "",
        "asked": None,
        "value_of": _typed,
    }
    asked = ask.read(question)
    if asked is None:
        return View("asking.html", content)
    try:
        answer = desk.answer(asked)
    except (RequestError, UnknownNameError) as error:
        return View("asking.html", content | {"problem": error.message})
    said = {"command": as_command(asked), "address": f"/api{as_address(asked)}", "python": f"db.{as_python(asked)}"}
    return View(
        "asking.html",
        content | _told(answer) | {"answer": answer, "asked": said, "cautions": getattr(answer, "cautions", ())},
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


def _told(answer: Answer) -> dict[str, Any]:
    """The fields of the answer by how they are shown: `tables`, the main one first; `lists` of terms under their
    headings; `single` values. Its cautions stand by themselves."""
    fields = forms(type(answer))
    whole = getattr(answer, "metric", None)
    of = {"metric": whole} if isinstance(whole, str) else {}  # whose values all of its rows hold
    tables = [] if "rows" in fields else [_table("rows", answer.rows, plain(answer.rows.head(ROWS).to_dicts()), {}, of)]
    lists, single = [], []
    for name, form in fields.items():
        if name == "cautions" or any(m.in_rows for m in getattr(form, "__metadata__", ()) if isinstance(m, Shape)):
            continue
        value, shape = getattr(answer, name), shape_of(form)
        row = next(iter(get_args(shape)), None) if get_origin(shape) is list else None
        if isinstance(row, type) and issubclass(row, Row):
            tables.append(_table(name, value, told_as(value[:ROWS], form), hints_of(row), of))
        elif isinstance(value, Mapping):
            lists.append((name, _terms(plain(value))))
        else:
            single.append((name, value))
    tables.sort(key=lambda table: table["name"] != "rows")
    return {"tables": tables, "lists": [(n, t) for n, t in lists if t], "single": _terms(plain(dict(single)))}


def _terms(values: Mapping[str, Any]) -> list[tuple[str, str]]:
    return [(name, text) for name, value in values.items() if (text := cell({}, name, value)) != figures.GAP]


def _table(
    name: str,
    whole: Sized,
    told: Sequence[dict[str, Any]],
    hints: Mapping[str, Any],
    of: dict[str, str],
) -> dict[str, Any]:
    """A table of an answer: its columns with what they mean, without those that hold nothing, and its rows as texts."""
    told = [_flat(one) for one in told]
    given = dict.fromkeys(c for one in told for c in one)
    texts = [{c: cell(of | one, c, one.get(c)) for c in given} for one in told]
    kept = [c for c in given if any(one[c] != figures.GAP for one in texts)]
    numbers = {c for c in kept if any(type(one.get(c)) in {int, float} for one in told)}
    columns = [(c, _meaning(hints.get(c))) for c in kept]
    rows = [[(c, one[c], c in numbers) for c in kept] for one in texts]
    return {"name": name, "total": len(whole), "columns": columns, "rows": rows}


def _flat(row: dict[str, Any]) -> dict[str, Any]:
    """A row with a column for each of the metrics whose values stand together in one."""
    metrics = row.get("metrics")
    return {k: v for k, v in row.items() if k != "metrics"} | metrics if isinstance(metrics, dict) else row


def _meaning(hint: Any) -> str:
    return next((m.meaning for m in getattr(hint, "__metadata__", ()) if hasattr(m, "meaning")), "")


def cell(row: Mapping[str, Any], name: str, value: Any) -> str:
    """A value of a document as a page has it: numbers of a metric in its digits, probabilities in percent, what is
    nested in words."""
    if value is None or (isinstance(value, list | dict | str) and not value):
        return figures.GAP
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        if name.endswith("censored") and value == "none":
            return figures.GAP
        if name == "sha256":
            return f"{value[:12]}…"
        return bench_words(value) if name in _BENCHES and value.count("|") == 2 else value
    if isinstance(value, Mapping) and name in METRICS and "value" in value:
        return figures.joined(
            METRICS[name].quantity.number(value["value"], value["censored"], value.get("other_value")),
            METRICS[name].unit,
        )
    if isinstance(value, Mapping):
        told = [(key, cell(row, key, inner)) for key, inner in value.items()]
        return "; ".join(f"{rendering.plain(key)} {text}" for key, text in told if text != figures.GAP) or figures.GAP
    if isinstance(value, Sequence):
        return figures.GAP if len(value) > MOST_IN_CELL else ", ".join(cell(row, name, one) for one in value)
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
