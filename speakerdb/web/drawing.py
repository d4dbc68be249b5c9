"""Charts as pictures of their own: drawn when a page's picture is asked for, kept for as long as the state lasts."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from functools import cache
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

from fastapi import APIRouter, Depends, Request, Response

from speakerdb.charts import saving, theme
from speakerdb.errors import RequestError, UnknownNameError
from speakerdb.library import Database
from speakerdb.questions.rank import Rank
from speakerdb.questions.tradeoff import Tradeoff
from speakerdb.questions.trend import Trend
from speakerdb.report import frames
from speakerdb.report import pictures as drawn
from speakerdb.web.asides import names
from speakerdb.web.parameters import Ask
from speakerdb.web.site import Desk, Site, site_of

if TYPE_CHECKING:
    import polars as pl

A = TypeVar("A")
BEAMWIDTHS = ("beamwidth_horizontal", "beamwidth_vertical")
RANKED = 25

router = APIRouter(include_in_schema=False)
_Site = Annotated[Site, Depends(site_of)]

Render = Callable[[str], str]  # a chart's specification to SVG
# A picture: from the database, what the address asks and the plot's width in pixels to a chart
Picture = Callable[[Database, Ask, int], Any]
PICTURES: dict[str, Picture] = {}


def picture(name: str) -> Callable[[Picture], Picture]:
    """Register a function as the picture of that name."""

    def register(draw: Picture) -> Picture:
        PICTURES[name] = draw
        return draw

    return register


def specified(desk: Desk, name: str, ask: Ask) -> str:
    """A picture's specification. Raises UnknownNameError, RequestError."""
    if name not in PICTURES:
        raise UnknownNameError(f"there is no picture named {name!r}")
    return saving.unchecked(lambda: PICTURES[name](desk.base, ask, width_of(ask)))


def width_of(ask: Ask) -> int:
    """The plot's width in pixels: for a phone where the address says so."""
    return theme.PHONE if ask.raw("width") == "phone" else theme.WIDE


def finished(specification: str, render: Render = saving.render) -> str:
    """A chart as SVG that follows the page into the dark, lighter by what no eye can see."""
    text = _PATH.sub(lambda path: _DECIMALS.sub(r"\1", path.group()), render(specification))
    return text.replace(">", f">{_dark_style()}", 1)


_PATH = re.compile(r'(?<= d=")[^"]+')
_DECIMALS = re.compile(r"(\.\d)\d+")


@cache
def _dark_style() -> str:
    swaps = "".join(
        f'[{attribute}="{c.light}"]{{{attribute}:{c.dark}}}' for c in theme.PALETTE for attribute in ("fill", "stroke")
    )
    return f"<style>@media (prefers-color-scheme:dark){{{swaps}}}</style>"


@router.get("/chart/{name}.svg")
async def chart(request: Request, site: _Site, name: str) -> Response:
    """Few at a time, so that pages and answers never wait behind pictures."""
    return await asyncio.wrap_future(site.pictures.submit(_chart, request, site, name))


def _chart(request: Request, site: Site, name: str) -> Response:
    with site.desk() as desk:
        specification = specified(desk, name, Ask(request.query_params))
    return Response(finished(specification, site.render), headers=desk.stated, media_type="image/svg+xml")


def _of_speaker(name: str) -> Picture:
    def draw(base: Database, ask: Ask, width: int) -> Any:
        return drawn.of_speaker(name, speaker_ask(base, ask, width), headed=False)

    return draw


PICTURES |= {name: _of_speaker(name) for name in drawn.PICTURES}


def speaker_ask(base: Database, ask: Ask, width: int = theme.WIDE) -> drawn.Ask:
    """The speaker and setting that an address names."""
    _, slug = base.find(ask.text("speaker") or "")
    return drawn.Ask(base, slug, base.setting(slug, ask.text("setting")), width, hover=False)


@picture("curve")
def _curve(base: Database, ask: Ask, width: int) -> Any:
    """One summary curve of one speaker."""
    import polars as pl

    from speakerdb.charts.curves_chart import CURVE_LABELS, curve_set
    from speakerdb.charts.directivity_chart import beamwidth
    from speakerdb.charts.output_chart import usable_output

    part = ask.choice("part", (*CURVE_LABELS, *BEAMWIDTHS, "usable_low"))
    if part is None:
        raise UnknownNameError(f"there is no curve named {ask.raw('part')!r}")
    if part == "usable_low":
        chosen = speaker_ask(base, ask)
        return usable_output(frames.usable_output(base, chosen.speaker, chosen.setting), [], width=width)
    frame = _pooled(base, ask, (part,))
    if part in BEAMWIDTHS:
        frame = frame.rename({"level_db": "beamwidth_deg"})
        plane = part.removeprefix("beamwidth_")
        return beamwidth(frame.with_columns(plane=pl.lit(plane), reference=pl.lit("axis")), width=width, hover=False)
    return curve_set(frame, width=width, hover=False)


def _pooled(base: Database, ask: Ask, parts: tuple[str, ...]) -> pl.DataFrame:
    """Pooled curves of the speaker and setting that the address names: part, frequency_hz, level_db."""
    chosen = speaker_ask(base, ask)
    return frames.summary(base, chosen.speaker, chosen.setting, list(parts))


@picture("overlay")
def _overlay(base: Database, ask: Ask, width: int) -> Any:
    """Two to five speakers over each other."""
    names = [base.find(name)[1] for name in ask.many("speaker")]
    return drawn.overlay(base, names, width=width, hover=False, headed=False)


@picture("differences")
def _differences(base: Database, ask: Ask, width: int) -> Any:
    """How the first of two speakers differs from the second, metric by metric."""
    import polars as pl

    from speakerdb.charts.field_chart import differences

    rows = base.compare(tuple(ask.many("speaker")), exact=True).rows.filter(pl.col("difference").is_not_null())
    if not len(rows):
        raise RequestError("no difference of these two is known well enough to be drawn")
    return differences(rows, width=width)


@picture("tradeoff")
def _tradeoff(base: Database, ask: Ask, width: int) -> Any:
    """Two properties of the field against each other."""
    return drawn.tradeoff(base, base.ask(_needed(ask.read(Tradeoff))), width=width)


@picture("trend")
def _trend(base: Database, ask: Ask, width: int) -> Any:
    """One property over a quantity, or by groups."""
    return drawn.trend(base, base.ask(_needed(ask.read(Trend))), width=width)


@picture("ranking")
def _ranking(base: Database, ask: Ask, width: int) -> Any:
    """Values of the first speakers by a metric, with the places they can have."""
    import polars as pl

    from speakerdb.charts.field_chart import ranking
    from speakerdb.charts.quantity import plotted

    answer = base.ask(_needed(ask.read(Rank, top=RANKED)))
    shown = answer.rows.with_columns(pl.col("speaker").replace(names(base)))
    return ranking(shown, plotted(answer.metric), width=width)


def _needed(asked: A | None) -> A:
    """The question that a picture is of. Raises RequestError where its address asks none."""
    if asked is None:
        raise RequestError("the address of the picture asks no question that can be answered")
    return asked
