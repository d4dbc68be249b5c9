"""A question as an address and as a form: its parameters are the question's fields."""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable
from typing import Annotated, Any, Literal, TypeVar

from fastapi import Depends, Path, Query
from fastapi.responses import JSONResponse
from starlette.datastructures import QueryParams

from speakerdb.declare import LONGEST, AskError, Part, Question, fault, parts
from speakerdb.questions.documents import document
from speakerdb.web.kept import ANY_STATE, STATE_HEADER
from speakerdb.web.site import Site, site_of

Q = TypeVar("Q", bound=Question[Any])


def endpoint(question: type[Question[Any]]) -> Callable[..., JSONResponse]:
    """What answers a question's address below /api: the document of the command."""

    def reply(site: Site, **given: Any) -> JSONResponse:
        asked = question(**given)
        if not question.needs_database:
            return JSONResponse(document(None, asked.answer(None)), headers={STATE_HEADER: ANY_STATE})
        with site.desk() as desk:
            return JSONResponse(desk.document(asked), headers=desk.stated)

    in_path = set(re.findall(r"{(\w+)}", question.address))
    own = [_parameter(part, in_path) for part in parts(question) if not part.ask.local]
    site = inspect.Parameter("site", inspect.Parameter.KEYWORD_ONLY, annotation=Annotated[Site, Depends(site_of)])
    reply.__signature__ = inspect.Signature([site, *own])  # type: ignore[attr-defined]
    reply.__name__ = question.name
    reply.__doc__ = inspect.getdoc(question)
    return reply


def _parameter(part: Part, in_path: set[str]) -> inspect.Parameter:
    """A field as a parameter of the address; its limits are those of the field."""
    limits: dict[str, Any] = {"description": part.ask.help}
    if part.type is str:
        limits |= {"min_length": 1, "max_length": LONGEST}
    if part.type in {int, float}:
        limits |= {"ge": part.ask.least, "le": part.ask.most, "gt": part.ask.above}
    if part.type is float:
        limits["allow_inf_nan"] = False
    type_: Any = Literal[part.words] if part.words else part.type
    if part.many:
        type_ = list[Annotated[type_, Query(**limits)]]
        limits = {"description": part.ask.help, **({"min_length": 1} if part.needed else {})}
    found = Path(**limits) if part.name in in_path else Query(**limits)
    default = inspect.Parameter.empty if part.needed else None if part.is_open else part.default
    return inspect.Parameter(
        part.name,
        inspect.Parameter.KEYWORD_ONLY,
        default=default,
        annotation=Annotated[type_ | None if part.is_open else type_, found],
    )


def read(question: type[Q], given: QueryParams, **fixed: Any) -> tuple[Q | None, dict[str, str]]:
    """The question that the parameters of a page ask, and what is wrong with them, in words by field; a field that
    can't be read counts as not given. None where something that is needed is missing or no question can be made of the
    rest. fixed: fields that the page knows."""
    values, problems = dict(fixed), {}
    for part in parts(question):
        texts = [text.replace("\0", "").strip() for text in given.getlist(part.name)]
        texts = [one for text in texts for one in (text.split(",") if part.many else [text]) if one.strip()]
        if part.ask.local or part.name in fixed or not texts:
            continue
        try:
            found = [_value(part, text.strip()) for text in texts]
        except ValueError as error:
            problems[part.name] = str(error)
            continue
        value = tuple(dict.fromkeys(found)) if part.many else found[0]
        if wrong := fault(part, value):
            problems[part.name] = wrong
        else:
            values[part.name] = value
    if any(p.needed and p.name not in values for p in parts(question)):
        return None, problems
    try:
        return question(**values), problems
    except AskError as error:  # between fields
        return None, {error.field: error.message, **problems}


def _value(part: Part, text: str) -> Any:
    """A typed text as the field's value. Raises ValueError in words."""
    if part.type is bool:
        if text not in {"yes", "no", "true", "false"}:
            raise ValueError(f"“{text}” is neither yes nor no")
        return text in {"yes", "true"}
    if part.type not in {int, float}:
        return text
    try:
        number = float(text.replace(",", ".").replace("−", "-"))
    except ValueError:
        raise ValueError(f"“{text}” is not a number") from None
    if part.type is int and not number.is_integer():
        raise ValueError(f"{text} is not a whole number")
    return int(number) if part.type is int else number
