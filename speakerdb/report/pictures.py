"""The chart of an answer: what `--out`, the pages and the draft draw; of one speaker see speaker_pictures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb import figures
from speakerdb.acoustics import grid
from speakerdb.analysis import nearness, noticing
from speakerdb.charts import curves_chart, field_chart, theme, tradeoff_chart
from speakerdb.charts.curves_chart import CURVE_LABELS
from speakerdb.charts.quantity import Plotted, plotted
from speakerdb.charts.theme import Heading
from speakerdb.errors import RequestError
from speakerdb.metrics import METRICS
from speakerdb.report import chart_tables, frames
from speakerdb.report.speaker_pictures import PICTURES, Ask, Figure, cite, of_speaker
from speakerdb.words import chart_words

if TYPE_CHECKING:
    from speakerdb.analysis.properties import Property
    from speakerdb.analysis.slopes import Trend
    from speakerdb.declare import Question
    from speakerdb.library import Database
    from speakerdb.questions.compare import Compare, Comparison
    from speakerdb.questions.match import Matches
    from speakerdb.questions.rank import Ranking
    from speakerdb.questions.show import Shown
    from speakerdb.questions.tradeoff import TradeOff
    from speakerdb.questions.trend import Trends

OVERLAY_BOX = (371, 330)  # of an overlay of few at a page's width
OVERLAID = ("listening_window", "di_power")  # of subwoofers: what they are compared by


def of_answer(base: Database, asked: Question[Any], answer: Any, picture: str) -> tuple[str, Any]:
    """The title and the chart of an answer: one of its question's pictures. Raises RequestError where it can't be
    drawn."""
    return _OF_ANSWER[type(asked).name](base, asked, answer, picture)


def _of_show(base: Database, asked: Any, answer: Shown, picture: str) -> tuple[str, Any]:
    return answer.speaker, of_speaker(picture, Ask(base, answer.speaker, answer.setting))


def _of_rank(base: Database, asked: Any, answer: Ranking, picture: str) -> tuple[str, Any]:
    return METRICS[answer.metric].label, ranking(base, answer.metric, answer.rows, filters=answer.filters)


def _of_match(base: Database, asked: Any, answer: Matches, picture: str) -> tuple[str, Any]:
    chart = overlay(base, [answer.speaker, *answer["speaker"].to_list()[:4]])
    return f"{answer.speaker} and those that measure most like it", chart


def _of_compare(base: Database, asked: Compare, answer: Comparison, picture: str) -> tuple[str, Any]:
    both = pl.concat([answer.rows, answer.withheld], how="diagonal_relaxed")
    sides = [f"{s}@{t}" for side in ("a", "b") for s, t in both.select(side, f"setting_{side}").iter_rows()]
    chosen = list(dict.fromkeys(sides))
    if picture == "differences" and len(chosen) != 2:
        raise RequestError(f"differences are drawn between two speakers, not {len(chosen)}")
    chart = overlay(base, chosen) if picture == "overlay" else differences(base, noticing.families(answer.rows))
    return " and ".join(asked.speaker), chart


def _of_tradeoff(base: Database, asked: Any, answer: TradeOff, picture: str) -> tuple[str, Any]:
    return f"{answer.of_y.label} against {answer.of_x.label}", tradeoff(base, answer)


def _of_trend(base: Database, asked: Any, answer: Trends, picture: str) -> tuple[str, Any]:
    return f"{METRICS[answer.trends[0]['metric']].label} over {answer.over}", trend(base, answer)


_OF_ANSWER: dict[str, Callable[[Any, Any, Any, str], tuple[str, Any]]] = {
    "show": _of_show,
    "rank": _of_rank,
    "match": _of_match,
    "compare": _of_compare,
    "tradeoff": _of_tradeoff,
    "trend": _of_trend,
}


def overlay(
    base: Database,
    speakers: Sequence[str],
    *,
    width: int = theme.WIDE,
    hover: bool = True,
    headed: bool = True,
) -> Any:
    """Two to five speakers over each other: slugs in their default settings, or slug@setting. Where all are subwoofers,
    by their bass."""
    shown, frame, equal = overlaid(base, speakers)
    if len(shown) < 2:
        raise RequestError("fewer than two of the speakers have these curves: nothing to lay over each other")
    over = figures.band(*grid.named(equal))
    heading = Heading("Overlaid", (f"Set to the same mean level over {over}", cite(base)))
    return curves_chart.overlay(frame, shown, heading if headed else None, width=width, hover=hover)


def overlaid(base: Database, speakers: Sequence[str]) -> tuple[list[str], pl.DataFrame, slice]:
    """The speakers that have curves to be laid over each other, the curves, and the band over which they are set equal.
    Raises RequestError for a number of speakers that no chart holds."""
    if not 2 <= len(speakers) <= curves_chart.MOST_OVERLAID:
        raise RequestError(f"{len(speakers)} speakers can't be laid over each other in one chart: two to five can")
    slugs = [s.partition("@")[0] for s in speakers]
    settings = [base.side(s, exact=True)[1] for s in speakers]
    names = [
        f"{n}, {s}" if slugs.count(slug) > 1 else n
        for n, slug, s in zip((frames.display_name(base, s) for s in slugs), slugs, settings, strict=True)
    ]
    named = _distinct(names, slugs)
    of_bass = set(base.field.base.filter(pl.col("speaker").is_in(slugs))["kind"]) == {"subwoofer"}
    parts, equal = (nearness.SUBWOOFERS, nearness.SUB_ALIGN) if of_bass else (OVERLAID, frames.ALIGN)
    frame = frames.aligned(base, list(zip(named, slugs, settings, strict=True)), parts, equal)
    there = set(frame["series"])
    return [n for n in named if n in there], frame, equal


def _distinct(names: Sequence[str], slugs: Sequence[str]) -> list[str]:
    """Names to show; where two are spelled alike, the slug is added."""
    return [n if list(names).count(n) == 1 else f"{n} ({s})" for n, s in zip(names, slugs, strict=True)]


def ranking(
    base: Database,
    metric: str,
    rows: pl.DataFrame,
    *,
    filters: str = "",
    width: int = theme.WIDE,
    mark: str | None = None,
) -> Any:
    """The answer of `rank` as a chart: rows as Database.rank gives them."""
    if not len(rows):
        raise RequestError("no speaker has this value and passes the filters: nothing to draw")
    better = {"high": "the highest first", "low": "the lowest first"}.get(METRICS[metric].better, "the highest first")
    lines = [f"{better}{'; ' + filters if filters else ''}"]
    if len(rows) > field_chart.MOST_RANKED:
        lines.append(f"the first {field_chart.MOST_RANKED} of {figures.number(len(rows))} are drawn")
    heading = Heading(METRICS[metric].label, (*lines, cite(base)))
    shown = rows.head(field_chart.MOST_RANKED)["speaker"].to_list()
    names = dict(zip(shown, _names(base, shown), strict=True))
    named = rows.with_columns(pl.col("speaker").replace(names))
    return field_chart.ranking(named, plotted(metric), heading, width=width, mark=names.get(mark or ""))


def drawable(rows: pl.DataFrame, a: str, b: str) -> pl.DataFrame:
    """The rows of `compare` between two speakers that can be drawn: one of each family, the most noticed first."""
    return noticing.families(rows.filter((pl.col("a") == a) & (pl.col("b") == b) & pl.col("difference").is_finite()))


def differences(base: Database, rows: pl.DataFrame, *, width: int = theme.WIDE) -> Any:
    """The answer of `compare` between two speakers as a chart: rows as in Comparison.rows, of one pair."""
    shown = rows.with_columns(
        pl.when(pl.col(c).is_finite()).then(c).alias(c) for c in ("difference", "low", "high")
    ).drop_nulls("difference")
    if not len(shown):
        raise RequestError("no figure is known of both with its uncertainty: nothing to draw")
    r = shown.row(0, named=True)
    a, b = (f"{frames.display_name(base, r[s])} ({r[f'setting_{s}']})" for s in ("a", "b"))
    lines = (
        f"right: higher for {a}; left: higher for {b}",
        "grey middle: a difference that does not matter",
        cite(base),
    )
    return field_chart.differences(shown, Heading(f"{a} against {b}", lines), width=width)


def tradeoff(base: Database, answer: TradeOff, *, width: int = theme.WIDE, mark: str | None = None) -> Any:
    """The answer of `tradeoff` as a chart."""
    rows = answer.every
    if not len(rows):
        raise RequestError("no speaker has both and passes the filters: nothing to draw")
    slugs = rows["speaker"].to_list()
    names = _names(base, slugs)
    shown = rows.with_columns(speaker=pl.Series(names))
    x, y = _plotted(answer.of_x), _plotted(answer.of_y)
    lines = (
        "stepped line: the frontier; dashed: what the others of a kind lead to expect, averaged over kinds, "
        "with its 95 % band" + ("; dotted: the line that one in ten beats" if len(answer.line) else ""),
        *((answer.filters,) if answer.filters else ()),
        cite(base),
    )
    marked = names[slugs.index(mark)] if mark in slugs else None
    heading = Heading(f"{y.label} against {figures.phrase(x.label)}", lines)
    return tradeoff_chart.tradeoff(shown, x, y, heading, width=width, mark=marked, line=answer.line)


def _names(base: Database, slugs: Sequence[str]) -> list[str]:
    """Names to show, told apart where speakers share one or stand in several settings."""
    known = {
        s: f"{maker} {model}" for s, maker, model in base.field.base.select("speaker", "maker", "model").iter_rows()
    }
    return _distinct([known[s] for s in slugs], slugs)


def _plotted(one: Property) -> Plotted:
    return Plotted(one.label, one.quantity, one.better, one.log)


def trend(base: Database, answer: Trends, *, width: int = theme.WIDE) -> Any:
    """The answer of `trend` as a chart: its first metric over a quantity or by groups."""
    found, y = answer.found[0], plotted(answer.trends[0]["metric"])
    if not len(found.points):
        raise RequestError("no speaker has both and passes the filters: nothing to draw")
    points = found.points.with_columns(speaker=pl.Series(_names(base, found.points["speaker"].to_list())))
    extra = [answer.filters] if answer.filters else []
    if len(found.groups):
        summary = found.groups.select(
            "makers",
            x="group",
            median="median",
            censored="median_censored",
            low="median_low",
            high="median_high",
            n="speakers",
        )
        heading = Heading(
            f"{y.label} by {answer.over}",
            (
                "diamond: the median, with its 95 % interval where one can be given; triangle: a bound of it",
                *extra,
                cite(base),
            ),
        )
        return tradeoff_chart.groups(points, summary, Plotted(answer.over.capitalize()), y, heading, width=width)
    x = plotted(answer.over, currency=next(iter(base.field.currencies()), None))
    heading = Heading(f"{y.label} over {figures.phrase(x.label)}", (_slope(found), *extra, cite(base)))
    return tradeoff_chart.trend(points, found.line, x, y, heading, width=width)


def _slope(found: Trend) -> str:
    """'+0.8 dB (−0.2 to 1.8) per 10 years, over 60 speakers of 20 makers', or why no line was fitted."""
    r = found.slopes.row(0, named=True)
    if r["effect"] is None:
        return f"no line: {r['reason']}"
    effect, low, high = figures.alike([r[k] for k in ("effect", "low", "high")])
    interval = f"no interval: {r['reason']}" if r["reason"] else f"{low} to {high}"
    return (
        f"{effect} {r['unit']} ({interval}) per {r['per']}, over {figures.count(r['speakers'], 'speaker')} of "
        f"{figures.count(r['makers'], 'maker')}"
    )


def overlay_figure(base: Database, speakers: Sequence[str]) -> Figure:
    """What a page holds of an overlay until it is drawn."""
    named, frame, equal = overlaid(base, speakers)
    caption = f"Each in its default setting, set to the same mean level over {figures.band(*grid.named(equal))}"
    part = frame["part"][0]
    mine = frame.filter(part=part)
    said = [chart_words.curve(name, mine.filter(series=name)) for name in named[:2]]
    table = chart_tables.over_frequency(mine, "series", "level_db")
    return Figure("overlay", caption, OVERLAY_BOX, (824, 528), f"{'; '.join(said)}.", table)


def curve_figure(part: str, frequency_hz: Sequence[float], values: Sequence[float | None]) -> Figure:
    """The same of one stored curve. part: its name in words."""
    frame = pl.DataFrame({"of": [part] * len(values), "frequency_hz": frequency_hz, "value": values})
    known = frame.with_columns(pl.col("value").cast(pl.Float64))
    said = chart_words.extremes(known, "value", figures.Quantity("", 1))
    table = chart_tables.over_frequency(known, "of", "value")
    return Figure("curve", f"The {part} curve it is read from", (368, 295), (824, 560), f"{part}: {said}.", table)


def stored_figure(name: str, curves: pl.DataFrame) -> Figure:
    """The same of a curve set that is about to be stored. curves: as curves_chart.curve_set takes them."""
    picture, curves = PICTURES["curves"], curves.filter(pl.col("part").is_in(list(CURVE_LABELS)))
    box = picture.box if curves["part"].n_unique() > 1 else (368, 295)
    sentence = f"{picture.tell(curves)}."
    return Figure(name, "The curve set as it would be stored", box, sentence=sentence, table=picture.table(curves))


def differences_figure(a: str, b: str, rows: int, *, name: str = "differences") -> Figure:
    """The same of the differences of two speakers, so many rows."""
    caption = f"{a} against {b}: right is higher for the first; in the grey middle a difference does not matter"
    sentence = f"{figures.count(rows, 'difference')} of {a} and {b}; the table below holds each with its interval."
    return Figure(name, caption, (300, 52 + 44 * rows), (802, 52 + 26 * rows), sentence)


def ranking_figure(label: str, first: Sequence[tuple[str, str]]) -> Figure:
    """The same of a ranking. first: (name, value as printed) of those drawn, in order."""
    n = len(first)
    caption = "The first of them with their intervals, and the places that each can have"
    return Figure("ranking", caption, (296, 52 + 40 * n), (610, 52 + 24 * n), f"{chart_words.ends(label, first)}.")


def tradeoff_figure(answer: TradeOff, likely: Sequence[str]) -> Figure:
    """The same of a trade-off. likely: names of those that probably stand on the frontier."""
    n = figures.count(len(answer.rows), "speaker")
    who = f"; on the frontier: {figures.listing(list(likely))}" if likely else "; none surely on the frontier"
    caption = "Point at a speaker for its figures; follow it to its page"
    return Figure("tradeoff", caption, (340, 469), (684, 524), f"{n}{who}.")


def trend_figure(answer: Trends) -> Figure:
    """The same of a trend."""
    found, label = answer.found[0], METRICS[answer.trends[0]["metric"]].label
    caption = "Point at a speaker for its figures; follow it to its page"
    if len(found.groups) or not len(found.slopes):
        groups = figures.count(len(found.groups), "group")
        sentence = f"{label} by {answer.over}: {groups}, medians in the table below."
        return Figure("trend", caption, (310, 560), (640, 500), sentence)
    sentence = f"{label} over {figures.phrase(plotted(answer.over).label)}: {_slope(found)}."
    return Figure("trend", caption, (330, 358), (671, 447), sentence)
