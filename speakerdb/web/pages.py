"""The addresses of the pages that read."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from speakerdb.answering import method
from speakerdb.errors import BusyError, SpeakerdbError, UnknownNameError
from speakerdb.web import asides
from speakerdb.web.links import LiveLinks, address
from speakerdb.web.parameters import Ask
from speakerdb.web.rendering import render
from speakerdb.web.site import Desk, Site, site_of
from speakerdb.web.views import (
    View,
    asking_view,
    dictionary_view,
    field_view,
    home_view,
    questions,
    relations,
    room_view,
    side,
    speaker,
    texts,
)

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
_Site = Annotated[Site, Depends(site_of)]
LIVE = LiveLinks()


def show(request: Request, view: View, desk: Desk | None, status: int = 200, **more: Any) -> HTMLResponse:
    """A view as a page on the server. desk None: a page that knows nothing of the database's state."""
    return HTMLResponse(render_view(request, view, desk, **more), status, desk.stated if desk else None)


def render_view(request: Request, view: View, desk: Desk | None, **more: Any) -> str:
    site = site_of(request)
    return render(
        view.template,
        LIVE,
        here=request.url.path,
        state=desk.state if desk else None,
        names=desk.ask("names", asides.names) if desk else {},
        allow_ingest=site.stages is not None,
        token=site.token,
        **view.content,
        **more,
    )


def error_page(request: Request, status: int, error: SpeakerdbError) -> str:
    """An error as a page: what was found, what to do."""
    content = {"status": status, "error": error, "busy": isinstance(error, BusyError)}
    return render_view(request, View("error.html", content), None)


async def _page(request: Request, site: Site, make: Callable[[Desk, Ask], View]) -> Response:
    """A page; one that says that it is being worked out, where that takes longer than a page should."""
    name = (site.source.state, str(request.url))

    def work() -> HTMLResponse:
        ask = Ask(request.query_params)
        with site.desk() as desk:
            view = make(desk, ask)
            return show(request, view, desk, 400 if ask.problems else 200)

    reply = await site.jobs.result(name, work)
    if reply is None:
        wait_s = site.jobs.wait_s()
        reply = show(request, View("pending.html", {"wait_s": wait_s}), None, 202)
        reply.headers["Retry-After"] = str(math.ceil(wait_s))
    return reply


@router.get("/")
async def home_page(request: Request, site: _Site) -> Response:
    return await _page(request, site, home_view.home)


@router.get("/speakers")
async def field_page(request: Request, site: _Site) -> Response:
    return await _page(request, site, field_view.field)


@router.get("/find")
def find(request: Request, site: _Site) -> Response:
    """The find box: straight to the speaker where the words fit one, else the field with those that fit."""
    words = Ask(request.query_params).text("named") or ""
    with site.desk() as desk:
        try:
            _, slug = desk.base.find(words)
            return RedirectResponse(address(f"/speaker/{slug}"), 303)
        except UnknownNameError:
            return RedirectResponse(address("/speakers", named=words), 303)


@router.get("/speaker/{name}")
async def speaker_page(request: Request, site: _Site, name: str) -> Response:
    return await _page(request, site, lambda desk, ask: speaker.speaker(desk, ask, name))


@router.get("/speaker/{name}/{metric}")
async def explanation_page(request: Request, site: _Site, name: str, metric: str) -> Response:
    return await _page(request, site, lambda desk, ask: speaker.explanation(desk, ask, name, metric))


@router.get("/settings/{name}")
async def settings_page(request: Request, site: _Site, name: str) -> Response:
    return await _page(request, site, lambda desk, ask: speaker.settings(desk, ask, name))


@router.get("/dictionary")
async def dictionary_page(request: Request, site: _Site) -> Response:
    return await _page(request, site, dictionary_view.dictionary)


@router.get("/dictionary/{name}")
async def metric_page(request: Request, site: _Site, name: str) -> Response:
    return await _page(request, site, lambda desk, ask: dictionary_view.metric(desk, ask, name))


@router.get("/method")
async def method_page(request: Request, site: _Site) -> Response:
    return await _page(request, site, texts.contents)


@router.get("/method/{name}")
async def text_page(request: Request, site: _Site, name: str) -> Response:
    """A whole text; of one of its headings, the place in it."""
    topic = method.find(name)
    if topic.anchor:
        return RedirectResponse(f"{address(f'/method/{topic.file}')}#{topic.anchor}", 303)
    return await _page(request, site, lambda desk, ask: texts.whole(desk, ask, topic.file))


@router.get("/questions")
async def questions_page(request: Request, site: _Site) -> Response:
    return await _page(request, site, questions.questions)


@router.get("/questions/{name}")
async def question_page(request: Request, site: _Site, name: str) -> Response:
    return await _page(request, site, lambda desk, ask: questions.question(desk, ask, name))


@router.get("/ask/{name}")
async def asking_page(request: Request, site: _Site, name: str) -> Response:
    """Any question, by the name of its command."""
    return await _page(request, site, lambda desk, ask: asking_view.asking(desk, ask, name))


@router.get("/side-by-side")
async def side_page(request: Request, site: _Site) -> Response:
    return await _page(request, site, side.side)


@router.get("/trade-offs")
async def tradeoffs_page(request: Request, site: _Site) -> Response:
    return await _page(request, site, relations.tradeoffs)


@router.get("/trends")
async def trends_page(request: Request, site: _Site) -> Response:
    return await _page(request, site, relations.trends)


@router.get("/room")
async def room_page(request: Request, site: _Site) -> Response:
    return await _page(request, site, room_view.room)


@router.get("/room/answer")
def room_answer(request: Request, site: _Site) -> Response:
    """The answer alone, for the page that asks while one types; what is wrong with the question is an answer too."""
    with site.desk() as desk:
        view = room_view.room(desk, Ask(request.query_params))
        return show(request, View("_room_answer.html", view.content), desk)
