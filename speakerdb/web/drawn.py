"""The script that a page's charts come in: what is drawn, as data; the reader's browser draws it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from functools import partial
from typing import Annotated, Any, TypeVar

from fastapi import APIRouter, Depends, Request, Response

from speakerdb.charts import browser, theme
from speakerdb.errors import RequestError, UnknownNameError
from speakerdb.questions.compare import Compare
from speakerdb.questions.rank import Rank
from speakerdb.questions.tradeoff import Tradeoff
from speakerdb.questions.trend import Trend
from speakerdb.report import frames, pictures, sheet, speaker_pictures
from speakerdb.web.asides import names
from speakerdb.web.kept import ANY_STATE, STATE_HEADER
from speakerdb.web.parameters import Ask
from speakerdb.web.site import Desk, Site, site_of

A = TypeVar("A")
BEAMWIDTHS = ("beamwidth_horizontal", "beamwidth_vertical")
RANKED = 25
SCRIPT_TYPE = "text/javascript; charset=utf-8"

router = APIRouter(include_in_schema=False)
_Site = Annotated[Site, Depends(site_of)]

Draw = Callable[[], Any]
# A page's charts: from where the page is put together and what its address asks, how each is drawn
Charts = Callable[[Desk, Ask], dict[str, Draw]]


def script(desk: Desk, page: str, ask: Ask) -> str:
    """The script of a page. Raises UnknownNameError, RequestError."""
    if page not in PAGES:
        raise UnknownNameError(f"there are no charts of {page!r}; there are those of {', '.join(PAGES)}")
    return browser.data(PAGES[page](desk, ask))


@router.get("/drawn/{page}.js")
async def drawn(request: Request, site: _Site, page: str) -> Response:
    """One at a time, so that pages and answers never wait behind charts."""
    return await asyncio.wrap_future(site.drawing.submit(_drawn, request, site, page))


def _drawn(request: Request, site: Site, page: str) -> Response:
    with site.desk() as desk:
        text = script(desk, page, Ask(request.query_params))
    return Response(text, headers=desk.stated, media_type=SCRIPT_TYPE)


@router.get("/static/vega.js")
async def library(site: _Site) -> Response:
    """The library that draws, put together once."""
    text = await asyncio.wrap_future(site.drawing.submit(browser.library))
    return Response(text, headers={STATE_HEADER: ANY_STATE}, media_type=SCRIPT_TYPE)


@router.get("/static/licences.txt")
def licences() -> Response:
    """What the library is made of."""
    text = browser.LICENCES.read_text(encoding="utf-8")
    return Response(text, headers={STATE_HEADER: ANY_STATE}, media_type="text/plain; charset=utf-8")


@router.get("/static/charts.js")
def charts_script() -> Response:
    """What draws on a page."""
    text = browser.SCRIPT.read_text(encoding="utf-8")
    return Response(text, headers={STATE_HEADER: ANY_STATE}, media_type=SCRIPT_TYPE)


def _speaker(desk: Desk, ask: Ask) -> dict[str, Draw]:
    return sheet.charts(desk.base, *_whose(desk, ask))


def _settings(desk: Desk, ask: Ask) -> dict[str, Draw]:
    slug, setting = _whose(desk, ask)
    chosen = speaker_pictures.Ask(desk.base, slug, setting, speaker_pictures.FIGURE_PX, hover=False)
    return {"settings": lambda: speaker_pictures.of_speaker("settings", chosen, headed=False)}


def _whose(desk: Desk, ask: Ask) -> tuple[str, str]:
    """The speaker and setting that an address names."""
    _, slug = desk.base.find(ask.text("speaker") or "")
    return slug, desk.base.setting(slug, ask.text("setting"))


def _widths(name: str, draw: Callable[..., Any]) -> Iterator[tuple[str, Draw]]:
    """A chart for narrow pages and for wide ones."""
    yield name, partial(draw, width=theme.PHONE)
    yield f"{name}@wide", partial(draw, width=theme.WIDE)


def _curve(desk: Desk, ask: Ask) -> dict[str, Draw]:
    """One stored curve of one speaker."""
    import polars as pl

    from speakerdb.charts.curves_chart import CURVE_LABELS, curve_set
    from speakerdb.charts.directivity_chart import beamwidth
    from speakerdb.charts.output_chart import usable_output

    part = ask.choice("part", (*CURVE_LABELS, *BEAMWIDTHS, "usable_low"))
    if part is None:
        raise UnknownNameError(f"there is no curve named {ask.raw('part')!r}")
    slug, setting = _whose(desk, ask)

    def draw(width: int) -> Any:
        if part == "usable_low":
            return usable_output(frames.usable_output(desk.base, slug, setting), [], width=width)
        frame = frames.summary(desk.base, slug, setting, [part])
        if part not in BEAMWIDTHS:
            return curve_set(frame, width=width, hover=False)
        plane = part.removeprefix("beamwidth_")
        named = frame.rename({"level_db": "beamwidth_deg"}).with_columns(plane=pl.lit(plane), reference=pl.lit("axis"))
        return beamwidth(named, width=width, hover=False)

    return dict(_widths("curve", draw))


def _side(desk: Desk, ask: Ask) -> dict[str, Draw]:
    """Two to five speakers over each other, and how the first differs from each."""
    from speakerdb.charts.field_chart import differences

    slugs = [desk.base.find(name)[1] for name in ask.many("speaker")]
    found: dict[str, Draw] = {}
    if len(pictures.overlaid(desk.base, slugs)[0]) >= 2:
        found |= dict(_widths("overlay", partial(pictures.overlay, desk.base, slugs, hover=False, headed=False)))
    answer = desk.answer(Compare(tuple(slugs), exact=True))
    for i, other in enumerate(slugs[1:]):
        rows = pictures.drawable(answer.rows, slugs[0], other)
        if len(rows):
            found |= dict(_widths(f"differences-{i}", partial(differences, rows)))
    return found


def _tradeoffs(desk: Desk, ask: Ask) -> dict[str, Draw]:
    answer = desk.answer(_needed(ask.read(Tradeoff)))
    return dict(_widths("tradeoff", partial(pictures.tradeoff, desk.base, answer)))


def _trends(desk: Desk, ask: Ask) -> dict[str, Draw]:
    answer = desk.answer(_needed(ask.read(Trend)))
    return dict(_widths("trend", partial(pictures.trend, desk.base, answer)))


def _ranking(desk: Desk, ask: Ask) -> dict[str, Draw]:
    """Values of the first speakers by a metric, with the places they can have."""
    import polars as pl

    from speakerdb.charts.field_chart import ranking
    from speakerdb.charts.quantity import plotted

    answer = desk.answer(_needed(ask.read(Rank)))
    shown = answer.rows.head(RANKED).with_columns(pl.col("speaker").replace(names(desk.base)))
    return dict(_widths("ranking", partial(ranking, shown, plotted(answer.metric))))


def _needed(asked: A | None) -> A:
    """The question that a page's charts are of. Raises RequestError where its address asks none."""
    if asked is None:
        raise RequestError("the address of the charts asks no question that can be answered")
    return asked


PAGES: dict[str, Charts] = {
    "speaker": _speaker,
    "settings": _settings,
    "explanation": _curve,
    "metric": _ranking,
    "side-by-side": _side,
    "trade-offs": _tradeoffs,
    "trends": _trends,
}
