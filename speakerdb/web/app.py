"""The application: pages, JSON below /api, static files; errors in plain words, never a trace."""

from __future__ import annotations

import dataclasses
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from speakerdb.declare import AskError
from speakerdb.errors import (
    BusyError,
    ConflictError,
    DataError,
    ErrorItem,
    RequestError,
    SpeakerdbError,
    StoreError,
    UnknownNameError,
)
from speakerdb.questions import documents
from speakerdb.web import api, drawn, pages, pages_in
from speakerdb.web.jobs import PATIENCE_S, Jobs
from speakerdb.web.kept import ANY_STATE, STATE_HEADER, Kept
from speakerdb.web.rendering import STATIC, palette
from speakerdb.web.security import KEYED_PATHS, LOCAL_HOSTS, RETRY_S, ForbiddenError, Guard, TooLargeError
from speakerdb.web.site import Site
from speakerdb.web.source import IDLE_S, Source
from speakerdb.web.uploads import LIMITS, Stages

_STATUS: tuple[tuple[type[SpeakerdbError], int], ...] = (
    (UnknownNameError, 404),
    (AskError, 422),
    (RequestError, 400),
    (DataError, 400),
    (ConflictError, 409),
    (ForbiddenError, 403),
    (TooLargeError, 413),
    (StoreError, 503),
)


def create_app(
    path: Path,
    *,
    allow_ingest: bool = False,
    hosts: Sequence[str] = LOCAL_HOSTS,
    idle_s: float = IDLE_S,
    patience_s: float = PATIENCE_S,
) -> FastAPI:
    """The pages of one database file. hosts: the names under which they may be asked for.

    allow_ingest: hold the file for writing and take measurements in. patience_s: so long a page waits for its answer
    before it says that it is being worked out. Raises StoreError where the file can't be held.
    """
    site = Site(
        Source(path, hold=allow_ingest, idle_s=idle_s), Stages() if allow_ingest else None, jobs=Jobs(patience_s)
    )

    @asynccontextmanager
    async def life(_: FastAPI) -> AsyncIterator[None]:
        yield
        site.close()

    app = FastAPI(
        title="speakerdb",
        summary="The answers of a loudspeaker measurement database, as the command line gives them with --json.",
        version="1",
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        lifespan=life,
    )
    app.state.site = site
    key = site.key if allow_ingest else None
    app.add_middleware(Kept, state=lambda: site.source.state, never=KEYED_PATHS)
    app.add_middleware(
        Guard, hosts=hosts, upload_paths=pages_in.UPLOAD_PATHS, upload_bytes=LIMITS.upload_bytes, key=key
    )
    app.add_exception_handler(SpeakerdbError, _on_error)
    app.add_exception_handler(RequestValidationError, _on_invalid)
    app.add_exception_handler(HTTPException, _on_http)
    app.include_router(api.router)
    app.include_router(pages.router)
    app.include_router(drawn.router)
    if allow_ingest:
        app.include_router(pages_in.router)
        app.include_router(pages_in.api_router)
    app.get("/static/palette.css", include_in_schema=False)(_palette)
    app.mount("/static", _Files(directory=STATIC), name="static")
    return app


def _palette() -> Response:
    return Response(palette(), headers={STATE_HEADER: ANY_STATE}, media_type="text/css")


class _Files(StaticFiles):
    """Files that are the same in every state."""

    def file_response(self, *args: Any, **more: Any) -> Response:
        reply = super().file_response(*args, **more)
        reply.headers[STATE_HEADER] = ANY_STATE
        return reply


def status_of(error: SpeakerdbError) -> int:
    return next((status for kind, status in _STATUS if isinstance(error, kind)), 400)


def _reply(request: Request, status: int, error: SpeakerdbError) -> Response:
    headers = {"Retry-After": str(RETRY_S)} if isinstance(error, BusyError) else {}
    if request.url.path.startswith("/api"):
        return JSONResponse(documents.error(error), status, headers)
    return HTMLResponse(pages.error_page(request, status, error), status, headers)


def _on_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, SpeakerdbError)
    return _reply(request, status_of(error), _without_places(error, request.app.state.site.source.path))


def _without_places(error: SpeakerdbError, path: Path) -> SpeakerdbError:
    """An error whose words name no place of this machine: the file by its name alone."""

    def plain(text: str | None) -> str | None:
        for place in (str(path), str(path.absolute()), str(path.resolve())) if text else ():
            text = str(text).replace(place, path.name)
        return text

    error.message = plain(error.message) or ""
    error.items = tuple(dataclasses.replace(i, found=plain(i.found), expected=plain(i.expected)) for i in error.items)
    return error


def _on_invalid(request: Request, error: Exception) -> Response:
    """A parameter of the wrong type: which, what was found, what was expected."""
    assert isinstance(error, RequestValidationError)
    items = [
        ErrorItem(
            key=".".join(str(part) for part in e["loc"][1:]) or str(e["loc"][0]),
            found=str(e.get("input"))[:80].encode("utf-8", "backslashreplace").decode(),
            expected=e["msg"],
        )
        for e in error.errors()
    ]
    return _reply(request, 422, RequestError("; ".join(map(str, items)), items))


def _on_http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    words = {404: "There is no page at this address.", 405: "This address does not take that kind of request."}
    problem = UnknownNameError(words.get(error.status_code, str(error.detail)))
    reply = _reply(request, error.status_code, problem)
    if error.headers:
        reply.headers.update(error.headers)
    return reply
