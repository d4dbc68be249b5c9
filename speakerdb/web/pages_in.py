"""Measurements in: a folder or zip is dropped, looked at, and stored when one says so. Only under --allow-ingest."""

from __future__ import annotations

import asyncio
from functools import partial
from typing import Annotated, Any, BinaryIO, cast

from fastapi import APIRouter, BackgroundTasks, Depends, File, Request, Response, UploadFile
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse
from starlette.background import BackgroundTask
from starlette.datastructures import FormData
from starlette.datastructures import UploadFile as FormFile

from speakerdb.charts import browser
from speakerdb.charts.curves_chart import curve_set
from speakerdb.errors import DataError, SpeakerdbError
from speakerdb.metric import GROUPS
from speakerdb.metrics import METRICS
from speakerdb.questions.documents import FORMAT, Document
from speakerdb.questions.show import Show, metric_map
from speakerdb.report.pictures import stored_figure
from speakerdb.report.speaker_pictures import FIGURE_PX, Figure
from speakerdb.upkeep.apart import read_apart
from speakerdb.upkeep.ingest import IngestResult, ingest
from speakerdb.upkeep.preview import Preview, preview
from speakerdb.web.api import described
from speakerdb.web.drawn import SCRIPT_TYPE
from speakerdb.web.pages import show
from speakerdb.web.security import KEY_COOKIE, TOKEN_FIELD, TOKEN_HEADER, check_token
from speakerdb.web.site import Site, site_of
from speakerdb.web.uploads import LIMITS, Stage, Stages
from speakerdb.web.views import View
from speakerdb.words.upkeep_documents import RESULT_WORDS, result_counts
from speakerdb.words.upkeep_documents import ingest as ingest_document

UPLOAD_PATHS = ("/in/check", "/api/sessions")
STRIPS_FOR = 12

router = APIRouter(include_in_schema=False, default_response_class=HTMLResponse)
_Site = Annotated[Site, Depends(site_of)]


def _stages(site: Site) -> Stages:
    return cast("Stages", site.stages)  # this router is there only where something may be stored


def _check_token(request: Request, site: Site, form: FormData) -> None:
    given = form.get(TOKEN_FIELD)
    check_token(site.token, given if isinstance(given, str) else request.headers.get(TOKEN_HEADER))


@router.get("/in")
def drop_page(request: Request, site: _Site) -> Response:
    """Where to drop a folder or a zip. With the key in the address it is kept in a cookie, and leaves the address."""
    if request.query_params.get("key") == site.key:
        reply = RedirectResponse("/in", 303)
        reply.set_cookie(KEY_COOKIE, site.key, httponly=True, samesite="strict")
        return reply
    return _drop(request, site, None)


def _drop(request: Request, site: Site, problem: SpeakerdbError | None) -> Response:
    with site.desk() as desk:
        content = {"problem": problem, "limits": LIMITS}
        return show(request, View("in.html", content), desk, 400 if problem else 200)


@router.post("/in/check")
async def check(request: Request, site: _Site) -> Response:
    """Look at an upload: all that is wrong with it, or what would be stored."""
    async with request.form(max_files=LIMITS.files, max_fields=100) as form:
        _check_token(request, site, form)
        files = [(f.filename, f.file) for f in form.getlist("files") if isinstance(f, FormFile) and f.filename]
        return await run_in_threadpool(_look, request, site, files)


def _look(request: Request, site: Site, files: list[tuple[str, Any]]) -> Response:
    try:
        stage = _stages(site).add(files)
    except SpeakerdbError as error:
        return _drop(request, site, error)
    try:
        stage.read = read_apart(stage.folder)
    except DataError as error:
        _stages(site).discard(stage.id)
        none = "no session in the upload; expected folders with session.toml beside responses"
        return _drop(request, site, DataError(none) if error.items else error)
    with site.desk() as desk:
        stage.found = preview(desk.base.store, stage.read, stage.called)
        counts = {word: sum(p.verdict == word for p in stage.found) for word in ("new", "already", "refused")}
        groups = {words: [m.id for m in METRICS.values() if m.group == group] for group, words in GROUPS.items()}
        values = [None if p.values is None else metric_map(p.values) for p in stage.found]
        content = {
            "stage": stage,
            "counts": counts,
            "groups": groups,
            "values": values,
            "figures": [_figure(i, p) for i, p in enumerate(stage.found)],
            "drawn": (f"/in/{stage.id}/drawn.js", {}),
        }
        return show(request, View("checked.html", content), desk)


def _figure(number: int, looked_at: Preview) -> Figure | None:
    curves = looked_at.curves
    return None if curves is None or not len(curves) else stored_figure(f"session-{number}", curves)


@router.get("/in/{stage_id}/drawn.js")
async def preview_charts(site: _Site, stage_id: str) -> Response:
    """The curves of the sessions that were looked at."""
    text = await asyncio.wrap_future(site.drawing.submit(_preview_charts, site, stage_id))
    return Response(text, media_type=SCRIPT_TYPE)


def _preview_charts(site: Site, stage_id: str) -> str:
    found = _stages(site).find(stage_id).found
    curves = {f"session-{i}": p.curves for i, p in enumerate(found) if p.curves is not None and len(p.curves)}
    return browser.data({name: partial(curve_set, of, width=FIGURE_PX, hover=False) for name, of in curves.items()})


@router.post("/in/store")
async def store(request: Request, site: _Site) -> Response:
    """Store what was looked at."""
    async with request.form(max_files=0, max_fields=10) as form:
        _check_token(request, site, form)
        stage = _stages(site).find(str(form.get("stage", "")))
        return await run_in_threadpool(_store, request, site, stage, replace=form.get("replace") == "yes")


def _store(request: Request, site: Site, stage: Stage, *, replace: bool) -> Response:
    results = take_in(site, stage, replace=replace)
    touched = list(dict.fromkeys(r.speaker for r in results if r.result in {"stored", "replaced"} and r.speaker))
    with site.desk() as desk:
        strips = {slug: desk.document(Show(slug, exact=True))["strip"] for slug in touched[:STRIPS_FOR]}
        content = {
            "results": results,
            "touched": touched,
            "strips": strips,
            "words": RESULT_WORDS,
            "counts": result_counts(results),
        }
        reply = show(request, View("stored.html", content), desk)
    reply.background = BackgroundTask(work_out, site)
    return reply


def take_in(site: Site, stage: Stage, *, replace: bool) -> list[IngestResult]:
    """Store an upload in this process, once: asked again, the same is told. Its files are discarded afterwards."""
    with site.source.writer() as base:
        if stage.stored is None:
            stage.stored = base.ingest(stage.folder, replace=replace, name=stage.called, read=stage.read)
            stage.read = []
            _stages(site).keep_result(stage)
    return stage.stored


api_router = APIRouter(prefix="/api", tags=["measurements in"])


@api_router.get("/token")
def token(site: _Site) -> JSONResponse:
    """The token that storing asks for, to be sent as the header X-Speakerdb-Token. Another site can't read it."""
    return JSONResponse({"format": FORMAT, "token": site.token})


@api_router.post("/sessions", responses=described("ingest"))
async def sessions(
    request: Request,
    site: _Site,
    background: BackgroundTasks,
    files: Annotated[list[UploadFile], File(description="Files named with their paths below the folder, or zips")],
    dry_run: bool = False,
    replace: bool = False,
) -> JSONResponse:
    """Store session folders: the document of `ingest`. Refused ones are in it with all that is wrong."""
    _check_token(request, site, FormData())
    named = [(f.filename or "", f.file) for f in files]
    document = await run_in_threadpool(_ingest, site, named, dry_run=dry_run, replace=replace)
    if not dry_run:
        background.add_task(work_out, site)
    return JSONResponse(document)


def _ingest(site: Site, files: list[tuple[str, BinaryIO]], *, dry_run: bool, replace: bool) -> Document:
    stage = _stages(site).add(files)
    try:
        read = read_apart(stage.folder)
        if dry_run:
            results = ingest(None, [stage.folder], name=stage.called, read=read)
        else:
            with site.source.writer() as base:
                results = base.ingest(stage.folder, replace=replace, name=stage.called, read=read)
    finally:
        _stages(site).discard(stage.id)
    with site.desk() as desk:
        return ingest_document(desk.state, results)


def work_out(site: Site) -> None:
    """Intervals for what was stored, after the reply."""
    with site.source.writer() as base:
        base.work_out()
