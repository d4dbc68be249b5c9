"""The answers as JSON below /api: the documents of the command line's --json, by the same schemas."""

from __future__ import annotations

import json
from collections.abc import Mapping
from functools import cache
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Path, Request
from fastapi.responses import JSONResponse

from speakerdb.library import Database
from speakerdb.questions import QUESTIONS
from speakerdb.questions.documents import Document, document, told
from speakerdb.questions.metrics import Metrics
from speakerdb.resources import resource_dir
from speakerdb.store.queries import all_queries, own_folder
from speakerdb.web.addresses import endpoint
from speakerdb.web.site import Site, site_of
from speakerdb.words.upkeep_documents import query_answer, query_head


@cache
def schema(name: str) -> dict[str, Any]:
    """The JSON Schema of an answer, as the OpenAPI document carries it."""
    text = (resource_dir("schemas") / "cli" / f"{name}.schema.json").read_text(encoding="utf-8")
    whole: dict[str, Any] = json.loads(text)
    found: dict[str, Any] = _inlined(whole, whole.pop("$defs", {}))
    return {k: v for k, v in found.items() if k not in {"$schema", "$id"}}


def _inlined(node: Any, parts: dict[str, Any]) -> Any:
    """A schema with its own `#/$defs/…` written out, so that it stands inside another document."""
    if isinstance(node, dict):
        if "$ref" in node:
            return _inlined(parts[node["$ref"].removeprefix("#/$defs/")], parts)
        return {key: _inlined(value, parts) for key, value in node.items()}
    return [_inlined(item, parts) for item in node] if isinstance(node, list) else node


def described(answer: str) -> dict[int | str, dict[str, Any]]:
    """Replies of one address: its answer, and errors in their own schema."""
    error = {"content": {"application/json": {"schema": schema("error")}}}
    reasons = {
        400: "The question can't be answered as asked",
        404: "No such name",
        413: "Too large",
        422: "A parameter of the wrong type",
        503: "Another process writes; ask again",
    }
    return {
        200: {"description": "The answer", "content": {"application/json": {"schema": schema(answer)}}},
        **{status: {"description": words, **error} for status, words in reasons.items()},
    }


router = APIRouter(prefix="/api", default_response_class=JSONResponse, tags=["answers"])
_Site = Annotated[Site, Depends(site_of)]

for _question in QUESTIONS:
    router.get(_question.address, responses=described(_question.name))(endpoint(_question))


@router.get("/metrics/{metric}", responses=described("metrics"))
def metric(
    metric: Annotated[
        str, Path(min_length=1, max_length=100, description="A metric's id, or any unambiguous part of it")
    ],
) -> JSONResponse:
    """One row of the dictionary."""
    return JSONResponse(document(None, Metrics(metric).answer(None)))


@router.get("/questions", responses=described("query"))
def questions(site: _Site) -> JSONResponse:
    """The named SQL questions."""
    every = all_queries(own_folder(site.source.path)).values()
    return JSONResponse(told(None, queries=[query_head(q) for q in every]))


@router.get("/questions/{name}", responses=described("query"))
def question(site: _Site, request: Request, name: Annotated[str, Path(min_length=1, max_length=100)]) -> JSONResponse:
    """The rows of a named question; its parameters stand in the address."""
    given = dict(request.query_params)
    key = ("question", name, tuple(sorted(given.items())))
    with site.desk() as desk:
        return JSONResponse(desk.ask(key, lambda base: query(base, name, given)), headers=desk.stated)


def query(base: Database, name: str, given: Mapping[str, str]) -> Document:
    """The document of a named query."""
    found = base.query(name, given)
    return told(base.state, **query_answer(found))
