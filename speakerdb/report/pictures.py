"""Every chart of the tool straight from a database, by name: what `--out`, the review sheet and the draft draw."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb import figures
from speakerdb.acoustics import grid, programme
from speakerdb.analysis import nearness
from speakerdb.answering import music, standing, stored
from speakerdb.charts import (
    curves_chart,
    directivity_chart,
    field_chart,
    impedance_chart,
    output_chart,
    theme,
    tradeoff_chart,
)
from speakerdb.charts.directivity_chart import ToneReach
from speakerdb.charts.quantity import Plotted, plotted
from speakerdb.charts.theme import Heading
from speakerdb.errors import RequestError, UnknownNameError
from speakerdb.metrics import METRICS
from speakerdb.metrics.directivity_rows import TONE
from speakerdb.metrics.output_rows import PROGRAMME
from speakerdb.report import example_rooms, frames, words

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

OVERLAID = ("listening_window", "di_power")  # of subwoofers: what they are compared by


@dataclass(frozen=True)
class Ask:
    """What is drawn and how. speaker: slug; width: of the plot in pixels; hover: a rule that follows the pointer."""

    base: Database
    speaker: str
    setting: str
    width: int = theme.WIDE
    hover: bool = True

    @cached_property
    def sessions(self) -> list[frames.Measured]:
        """The sessions of the setting, the one with the most curves first, then the newest."""
        return frames.measured(self.base, self.speaker, self.setting)

    @property
    def session(self) -> frames.Measured:
        """The session whose single curves are drawn: the one with the most of them, then the newest."""
        return self.sessions[0]

    @cached_property
    def name(self) -> str:
        return frames.display_name(self.base, self.speaker)


@dataclass(frozen=True)
class Picture:
    """A chart of one speaker: its title, what else its heading says, and how it is drawn from an Ask."""

    title: str
    draw: Callable[[Ask, Heading | None], Any]
    single: bool = False  # shows the curves of one session, not pooled ones


def cite(base: Database) -> str:
    """'state 8077116ce5 · 67 speakers · 2026-11-25'."""
    state = base.state
    return f"state {state.state} · {figures.count(state.speakers, 'speaker')} · {state.date}"


def _curves(a: Ask, h: Heading | None) -> Any:
    frame = frames.summary(a.base, a.speaker, a.setting, list(curves_chart.CURVE_LABELS))
    if not len(frame):
        raise RequestError(
            f"{a.speaker} has no curve set in setting {a.setting}: the angles it needs were not measured"
        )
    return curves_chart.curve_set(frame, h, width=a.width, hover=a.hover)


def _angles(a: Ask, h: Heading | None) -> Any:
    return curves_chart.off_axis(frames.off_axis(a.session.grid), h, width=a.width, hover=a.hover)


def _map(plane: Any) -> Callable[[Ask, Heading | None], Any]:
    def draw(a: Ask, h: Heading | None) -> Any:
        orbit = frames.orbit(a.session.grid, plane)
        hertz = grid.FREQUENCY_HZ.tolist()
        return directivity_chart.sound_map(orbit.angle_deg, hertz, orbit.level_db, orbit.edge, plane, h, width=a.width)

    return draw


def _beamwidth(a: Ask, h: Heading | None) -> Any:
    return directivity_chart.beamwidth(frames.beamwidths(a.session.grid), h, width=a.width, hover=a.hover)


def _tone(a: Ask, h: Heading | None) -> Any:
    side_of = {m.id: side for side, m in TONE.items()}
    rows = stored.show(a.base.store, a.base.find(a.speaker, exact=True)[0], a.setting).filter(
        pl.col("session").is_null() & pl.col("metric").is_in(list(side_of)) & (pl.col("status") == "ok")
    )
    reaches = [
        ToneReach(side_of[r["metric"]], r["value"], r["low"], r["high"], r["censored"])
        for r in rows.iter_rows(named=True)
    ]
    if not reaches:
        raise RequestError(f"how far the tone of {a.speaker} holds is withheld in all four directions")
    return directivity_chart.tone(reaches, h, width=a.width)


def _distortion(a: Ask, h: Heading | None) -> Any:
    return output_chart.distortion(frames.distortion(_with(a, "distortion").grid), h, width=a.width, hover=a.hover)


def _compression(a: Ask, h: Heading | None) -> Any:
    return output_chart.compression(frames.compression(_with(a, "compression").grid), h, width=a.width, hover=a.hover)


def _with(a: Ask, part: str, what: str = "") -> frames.Measured:
    """The first session that holds a part, sweeps of a kind by default. Raises RequestError where none does."""
    for session in a.sessions:
        if getattr(session.grid, part) is not None:
            return session
    raise RequestError(f"no {what or part} of {a.speaker} was measured in setting {a.setting}")


def _output(a: Ask, h: Heading | None) -> Any:
    """Usable output per third octave against what two of the ordinary rooms ask for; the band that limits it ringed."""
    frame = frames.usable_output(a.base, a.speaker, a.setting)
    found = music.binds(a.base.field, frames.row_of(a.base, a.speaker, a.setting))
    limits = [
        (b.at_hz, b.by)
        for b in found
        if b.metric == PROGRAMME.id and b.at_hz and b.by and b.by != programme.CAUSES[programme.SWEEP_ENDED]
    ]
    demands = example_rooms.demands(a.base, a.speaker, a.setting)
    return output_chart.usable_output(frame, demands, h, binds=limits[0] if limits else None, width=a.width)


def _impedance(a: Ask, h: Heading | None) -> Any:
    session = _with(a, "impedance_ohm", "impedance")
    return impedance_chart.impedance(frames.impedance(session.grid), h, width=a.width, hover=a.hover)


def _settings(a: Ask, h: Heading | None) -> Any:
    names = settings_of(a.base, a.speaker)
    if len(names) < 2:
        raise RequestError(f"{a.speaker} was measured in one setting only: {names[0]}")
    names = [a.setting, *(n for n in names if n != a.setting)][: curves_chart.MOST_OVERLAID]
    parts = [frames.summary(a.base, a.speaker, n, ["listening_window"]).with_columns(series=pl.lit(n)) for n in names]
    frame = pl.concat(parts)
    names = [n for n in names if n in set(frame["series"])]
    return curves_chart.settings(frame, names, h, width=a.width, hover=a.hover)


def settings_of(base: Database, speaker: str) -> list[str]:
    """The speaker's settings, the default one first."""
    rows = base.field.base.filter(pl.col("speaker") == speaker).sort("is_default", "setting", descending=[True, False])
    names: list[str] = rows["setting"].to_list()
    return names


def _place(a: Ask, h: Heading | None) -> Any:
    return place_chart(a, standing.standing(a.base, a.speaker, standing.group_of(a.base, a.speaker)), h)


def place_chart(a: Ask, found: standing.Standing, h: Heading | None) -> Any:
    """The strips of a speaker's places in its group. Raises RequestError where it has none."""
    if not found.places:
        raise RequestError(f"{a.speaker} has no metric that can be placed in a field")
    rows = pl.DataFrame(
        [(p.metric.id, p.value, p.low, p.high, p.censored, p.text, words.share(p)) for p in found.places],
        schema={
            "metric": pl.String,
            "value": pl.Float64,
            "low": pl.Float64,
            "high": pl.Float64,
            "censored": pl.String,
            "text": pl.String,
            "note": pl.String,
        },
        orient="row",
    )
    return field_chart.place(rows, found.others, h, width=a.width)


PICTURES: dict[str, Picture] = {
    "curves": Picture("Curve set and directivity indices", _curves),
    "angles": Picture("Response at 0, 10, 20 and 30°, mean of both sides", _angles, single=True),
    "map-horizontal": Picture("Horizontal map, 1/3-octave smoothed", _map("horizontal"), single=True),
    "map-vertical": Picture("Vertical map, 1/3-octave smoothed", _map("vertical"), single=True),
    "beamwidth": Picture("Beamwidth", _beamwidth, single=True),
    "tone": Picture("How far the tone holds", _tone),
    "distortion": Picture("Total harmonic distortion per drive", _distortion, single=True),
    "compression": Picture("Compression per drive", _compression, single=True),
    "output": Picture("What it can do per third octave, and what music asks of it", _output),
    "impedance": Picture("Impedance: magnitude, phase and EPDR", _impedance, single=True),
    "settings": Picture("Settings compared", _settings),
    "place": Picture("Place in its peer group", _place),
}


def of_speaker(name: str, ask: Ask, *, headed: bool = True) -> Any:
    """One of PICTURES. Raises UnknownNameError for another name, RequestError where the speaker lacks what it shows."""
    if name not in PICTURES:
        raise UnknownNameError(f"there is no picture named {name!r}; there are {', '.join(PICTURES)}")
    picture = PICTURES[name]
    if not headed:
        return picture.draw(ask, None)
    shown = f"Setting {ask.setting}"
    if picture.single:
        session = ask.session
        shown += f", session {session.session} ({session.lab}, sample {session.sample}, {session.date})"
    return picture.draw(ask, Heading(f"{ask.name} · {picture.title}", (shown, cite(ask.base))))


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
    chart = overlay(base, chosen) if picture == "overlay" else differences(base, answer.rows)
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
