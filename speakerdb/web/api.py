"""The answers as JSON below /api: the documents of the command line's --json, by the same schemas."""

from __future__ import annotations

import json
from functools import cache
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Path, Query, Request
from fastapi.responses import JSONResponse

from speakerdb.analysis.filters import Filters
from speakerdb.analysis.metric_column import Target
from speakerdb.errors import RequestError
from speakerdb.library import Question, Selection
from speakerdb.questions.table import Wanted
from speakerdb.resources import resource_dir
from speakerdb.web import answers
from speakerdb.web.site import Site, site_of

MOST_ROWS = 500
_Kind = Literal["bookshelf", "standmount", "floorstander", "monitor", "centre", "in-wall", "soundbar", "portable",
                "subwoofer", "other"]  # fmt: skip
_Name = Annotated[str, Path(min_length=1, max_length=200, description="A slug, or any unambiguous part of it")]
_Metric = Annotated[str, Path(min_length=1, max_length=100, description="A metric's id, or any unambiguous part of it")]
_Setting = Annotated[str | None, Query(max_length=200, description="Another setting than the default one")]
_Amount = Annotated[float | None, Query(ge=0, le=1e9, allow_inf_nan=False)]
_Year = Annotated[int | None, Query(ge=1800, le=2200)]
_Target = Annotated[
    Target, Query(description="Intervals as measured on this bench, with the bench's own error, or about another unit")
]
_Top = Annotated[int | None, Query(ge=1, le=100_000, description="Only the first so many")]


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
    reasons = {400: "The question can't be answered as asked", 404: "No such name", 413: "Too large",
               422: "A parameter of the wrong type", 503: "Another process writes; ask again"}  # fmt: skip
    return {
        200: {"description": "The answer", "content": {"application/json": {"schema": schema(answer)}}},
        **{status: {"description": words, **error} for status, words in reasons.items()},
    }


router = APIRouter(prefix="/api", default_response_class=JSONResponse, tags=["answers"])
_Site = Annotated[Site, Depends(site_of)]


def _selection(
    kind: _Kind | None = None,
    powered: bool | None = None,
    price_min: _Amount = None,
    price_max: _Amount = None,
    price_kind: Literal["street", "list", "sale"] | None = None,
    currency: Annotated[str | None, Query(pattern="^[A-Za-z]{3}$")] = None,
    year_min: _Year = None,
    year_max: _Year = None,
    volume_max: _Amount = None,
    height_max: _Amount = None,
    width_max: _Amount = None,
    depth_max: _Amount = None,
    mass_max: _Amount = None,
    all_settings: bool = False,
) -> Selection:
    """Whom the question is about; prices are for a pair."""
    filters = Filters(
        kind=kind, price_min=price_min, price_max=price_max, year_min=year_min, year_max=year_max,
        volume_max_l=volume_max, height_max_mm=height_max, width_max_mm=width_max, depth_max_mm=depth_max,
        mass_max_kg=mass_max, powered=powered,
    )  # fmt: skip
    return Selection(filters, currency.upper() if currency else None, price_kind, all_settings)


_Whom = Annotated[Selection, Depends(_selection)]


@router.get("/speakers", responses=described("list"))
def speakers(site: _Site, currency: Annotated[str | None, Query(pattern="^[A-Za-z]{3}$")] = None) -> JSONResponse:
    """What is stored: one row per speaker."""
    unit = currency.upper() if currency else None
    return JSONResponse(site.ask(("speakers", unit), lambda base: answers.speakers(base, unit)))


@router.get("/field", responses={k: v for k, v in described("list").items() if k != 200})
def field(
    site: _Site,
    whom: _Whom,
    column: Annotated[list[str] | None, Query(max_length=60, description="Metric ids and facts")] = None,
    named: Annotated[str | None, Query(max_length=200, description="A part of the name")] = None,
    sort: Annotated[str | None, Query(max_length=100, description="A metric's id or a fact; default: by name")] = None,
    descending: bool = False,
    start: Annotated[int, Query(ge=0, le=10_000_000)] = 0,
    count: Annotated[int, Query(ge=1, le=MOST_ROWS)] = 50,
) -> JSONResponse:
    """The field as a table, a part of the rows at a time."""
    wanted = Wanted(tuple(column or ()), whom, named, sort, descending, start, count)
    return JSONResponse(site.ask(("table", wanted), lambda base: answers.table(base, wanted)))


@router.get("/speakers/{speaker}", responses=described("show"))
def speaker(
    site: _Site, speaker: _Name, setting: _Setting = None, all_settings: bool = False, target: _Target = "as_measured"
) -> JSONResponse:
    """All values of one speaker, pooled and per session."""
    key = ("speaker as JSON", speaker, setting, all_settings, target)
    return JSONResponse(
        site.ask(key, lambda b: answers.speaker(b, speaker, setting, all_settings=all_settings, target=target))
    )


@router.get("/speakers/{speaker}/relatives", responses=described("match"))
def relatives(site: _Site, whom: _Whom, speaker: _Name, setting: _Setting = None, top: _Top = 10) -> JSONResponse:
    """Speakers that measure like one, nearest first."""
    key = ("relatives", speaker, setting, whom, top)
    return JSONResponse(site.ask(key, lambda base: answers.relatives(base, speaker, setting, whom, top)))


@router.get("/speakers/{speaker}/metrics/{metric}", responses=described("explain"))
def explanation(site: _Site, speaker: _Name, metric: _Metric, setting: _Setting = None) -> JSONResponse:
    """Where one value comes from: definition, curve, source files with their hashes."""
    key = ("explanation", speaker, metric, setting)
    return JSONResponse(site.ask(key, lambda base: answers.explanation(base, speaker, metric, setting)))


@router.get("/speakers/{speaker}/settings", responses=described("settings"))
def settings(
    site: _Site,
    speaker: _Name,
    against: _Setting = None,
    wall: Annotated[
        float | None, Query(gt=0, le=20, allow_inf_nan=False, description="Metres behind the front")
    ] = None,
) -> JSONResponse:
    """What the settings of a speaker change against one of them."""
    key = ("settings as JSON", speaker, against, wall)
    return JSONResponse(site.ask(key, lambda base: answers.settings(base, speaker, against, wall)))


@router.get("/speakers/{speaker}/claim", responses=described("claim"))
def claim(site: _Site, speaker: _Name, setting: _Setting = None) -> JSONResponse:
    """The maker's claimed maximum level against the measured one."""
    return JSONResponse(site.ask(("claim", speaker, setting), lambda base: answers.claim(base, speaker, setting)))


@router.get("/compare", responses=described("compare"))
def compare(
    site: _Site,
    speaker: Annotated[
        list[str], Query(min_length=2, max_length=5, description="Slugs or parts; name@setting for a setting")
    ],
    metric: Annotated[list[str] | None, Query(max_length=60)] = None,
    target: _Target = "as_measured",
) -> JSONResponse:
    """Differences of every pair, how sure they are, and whether they matter."""
    key = ("compare as JSON", tuple(speaker), tuple(metric or ()), target)
    return JSONResponse(
        site.ask(key, lambda base: answers.compared(base, speaker, metric or None, exact=False, target=target))
    )


_Property = Annotated[
    str, Query(min_length=1, max_length=100, description="A metric's id, or price, volume_l, mass_kg, year …")
]


@router.get("/tradeoff", responses=described("tradeoff"))
def tradeoff(site: _Site, whom: _Whom, x: _Property, y: _Property) -> JSONResponse:
    """Two properties against each other: who is on the frontier, from which x on a rival beats it, who beats expectation."""
    return JSONResponse(site.ask(("tradeoff", x, y, whom), lambda base: answers.tradeoff(base, x, y, whom)))


@router.get("/trend", responses=described("trend"))
def trend(
    site: _Site,
    whom: _Whom,
    metric: Annotated[list[str], Query(min_length=1, max_length=10, description="Metrics' ids, or parts of them")],
    over: Annotated[str, Query(min_length=1, max_length=100, description="year, price, volume, mass, kind, layout …")],
) -> JSONResponse:
    """How metrics change over a quantity, or differ between groups."""
    key = ("trend", tuple(metric), over, whom)
    return JSONResponse(site.ask(key, lambda base: answers.trend(base, metric, over, whom)))


_Limit = Annotated[float | None, Query(gt=0, le=1e6, allow_inf_nan=False)]


@router.get("/shortlist", responses=described("shortlist"))
def shortlist(
    site: _Site,
    whom: _Whom,
    distance: Annotated[float, Query(gt=0, le=100, allow_inf_nan=False, description="To the seat, metres")],
    level: Annotated[float, Query(gt=0, le=200, allow_inf_nan=False, description="Peak level wanted at the seat, dB")],
    volume: Annotated[float | None, Query(gt=0, le=1e5, allow_inf_nan=False, description="Of the room, m³")] = None,
    length: Annotated[
        float | None, Query(gt=0, le=100, allow_inf_nan=False, description="Or its sides, metres")
    ] = None,
    width: Annotated[float | None, Query(gt=0, le=100, allow_inf_nan=False)] = None,
    height: Annotated[float | None, Query(gt=0, le=100, allow_inf_nan=False)] = None,
    reverberation: _Limit = None,
    programme: Literal["dynamic", "dense"] = "dynamic",
    single: bool = False,
    amplifier: _Limit = None,
    budget: _Amount = None,
    wall: _Limit = None,
    bass: _Limit = None,
    subwoofer: _Limit = None,
    standing: bool = False,
) -> JSONResponse:
    """Which speakers fit a room, a seat, a level and limits; near misses; what could not be judged."""
    sides = (length, width, height)
    if any(sides) and not all(sides):
        raise RequestError("give all three sides of the room: length, width and height")
    question = Question(
        distance, level, volume, (length, width, height) if length and width and height else None, reverberation, programme,
        single, amplifier, budget, wall_distance_m=wall, f6_hz=bass, subwoofer_hz=subwoofer, standing=standing,
    )  # fmt: skip
    key = ("shortlist", question, whom)
    return JSONResponse(site.ask(key, lambda base: answers.shortlist(base, question, whom)))


@router.get("/metrics", responses=described("metrics"))
def metrics() -> JSONResponse:
    """The dictionary: what every number means."""
    return JSONResponse(answers.metrics(None))


@router.get("/metrics/{metric}", responses=described("metrics"))
def metric(metric: _Metric) -> JSONResponse:
    """One row of the dictionary."""
    return JSONResponse(answers.metrics(None, metric))


@router.get("/metrics/{metric}/ranks", responses=described("rank"))
def ranks(
    site: _Site,
    whom: _Whom,
    metric: _Metric,
    top: _Top = None,
    jointly: Annotated[bool, Query(description="Also the places that all together can have")] = False,
    target: _Target = "as_measured",
) -> JSONResponse:
    """Speakers in order of a metric, the better first, with the places that each can have."""
    key = ("ranks", metric, whom, top, jointly, target)
    return JSONResponse(
        site.ask(key, lambda base: answers.ranks(base, metric, whom, top, jointly=jointly, target=target))
    )


@router.get("/questions", responses=described("query"))
def questions() -> JSONResponse:
    """The named SQL questions."""
    return JSONResponse(answers.queries())


@router.get("/questions/{name}", responses=described("query"))
def question(site: _Site, request: Request, name: Annotated[str, Path(min_length=1, max_length=100)]) -> JSONResponse:
    """The rows of a named question; its parameters stand in the address."""
    given = dict(request.query_params)
    key = ("question", name, tuple(sorted(given.items())))
    return JSONResponse(site.ask(key, lambda base: answers.query(base, name, given)))
