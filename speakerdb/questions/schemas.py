"""The JSON Schemas of the answers, from their classes: `python -m speakerdb.questions.schemas` writes schemas/cli/
anew."""

from __future__ import annotations

import json
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Literal, NotRequired, Union, get_args, get_origin

from pydantic import TypeAdapter
from typing_extensions import TypedDict

from speakerdb.declare import Answer, Question, Row, Told
from speakerdb.questions import QUESTIONS
from speakerdb.questions.documents import FORMAT, forms, hints_of, shape_of

_HEAD = {
    "state": Annotated[str, Told("what the file held: cite it", pattern="^[0-9a-f]{10}$")],
    "speakers": Annotated[int, Told("how many are stored")],
    "changed": Annotated[str, Told("the date of the last change")],
    "error_model": Annotated[int, Told("the version of the error model")],
}
_NO_HEAD = {"state": None}


def schema(question: type[Question[Any]]) -> dict[str, Any]:
    """The JSON Schema of a question's answer."""
    answer = answer_class(question)
    told = {name: _form(shape_of(form)) for name, form in forms(answer).items()}
    head = _HEAD if question.needs_database else _NO_HEAD
    shape = TypedDict(answer.__name__, {"format": Literal[FORMAT], **head, **told})  # type: ignore[misc]
    found = _strict(TypeAdapter(shape).json_schema(mode="serialization"))
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"Answer of `speakerdb {question.name} --json`",
        "description": " ".join((answer.__doc__ or "").split()),
        **found,
    }


def _form(form: Any) -> Any:
    """A type form with classes of rows as what a schema can be made of."""
    if isinstance(form, type) and issubclass(form, Row):
        hints = {name: _form(hint) for name, hint in hints_of(form).items()}
        absent = {name for name in hints if hasattr(form, name)}
        made = TypedDict(form.__name__, {n: NotRequired[h] if n in absent else h for n, h in hints.items()})  # type: ignore[misc]
        made.__doc__ = form.__doc__
        return made
    if get_origin(form) is Annotated:
        kept, *meant = get_args(form)
        return Annotated[(_form(kept), *meant)]
    if get_origin(form) in {UnionType, Union}:
        return Union[tuple(_form(one) for one in get_args(form))]  # noqa: UP007
    if get_origin(form) in {list, dict, tuple}:
        inner = tuple(one if one is ... else _form(one) for one in get_args(form))
        return get_origin(form)[inner]
    return form


def _strict(node: Any) -> Any:
    """Objects have no other properties than those named, and titles that only repeat names are left out."""
    if isinstance(node, list):
        return [_strict(one) for one in node]
    if not isinstance(node, dict):
        return node
    kept: dict[str, Any] = {}
    for key, one in node.items():
        if key in {"properties", "$defs"}:
            kept[key] = {name: _strict(part) for name, part in one.items()}
        elif key != "title":
            kept[key] = " ".join(one.split()) if key == "description" else _strict(one)
    return {**kept, "additionalProperties": False} if "properties" in node else kept


def answer_class(question: type[Question[Any]]) -> type[Answer]:
    """The class that a question answers with: A of its base Question[A]."""
    bases = getattr(question, "__orig_bases__", ())
    found: type[Answer] = next(get_args(base)[0] for base in bases if get_origin(base) is Question)
    return found


def text(question: type[Question[Any]]) -> str:
    """The schema as its file holds it."""
    return json.dumps(schema(question), ensure_ascii=False, indent=2) + "\n"


def write(folder: Path) -> None:
    """Write the schema of every question's answer into a folder."""
    for question in QUESTIONS:
        (folder / f"{question.name}.schema.json").write_text(text(question), encoding="utf-8")


if __name__ == "__main__":
    write(Path(__file__).parents[2] / "schemas" / "cli")
