"""The review sheet: everything about one speaker, gathered into plain data for the page."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb import figures
from speakerdb.answering import branching, music, standing
from speakerdb.charts import saving
from speakerdb.charts.beside import Renderer
from speakerdb.errors import RequestError, SpeakerdbError
from speakerdb.metrics import METRICS
from speakerdb.report import example_rooms, loudness, pictures, provenance, relatives, words, worth
from speakerdb.report.example_rooms import Rooms
from speakerdb.report.frames import row_of
from speakerdb.report.pictures import Ask
from speakerdb.report.relatives import Differences, Relative
from speakerdb.words.settings_words import SHOWN_HZ, octave_rows, wall_sentence

if TYPE_CHECKING:
    from speakerdb.answering.facts import Facts
    from speakerdb.library import Database

FIGURE_PX = 300  # plot width that reads on a phone and stands two in a row on a desktop
WALL_M = 0.5  # the wall that settings are judged before (own judgement)


@dataclass(frozen=True)
class Figure:
    """A picture of the sheet as inlined SVG, or the reason why it is not there."""

    name: str
    caption: str
    svg: str | None
    reason: str | None = None


@dataclass(frozen=True)
class VerdictRow:
    """One figure of the verdict, as words."""

    metric: str
    label: str
    value: str
    interval: str
    share: str


@dataclass(frozen=True)
class Settings:
    """What the settings change: names, rows (setting, changes in dB at SHOWN_HZ), sentences, cautions."""

    names: list[str]
    frequencies: list[str]
    rows: list[tuple[str, list[str]]]
    sentences: list[str]
    cautions: list[str]


@dataclass(frozen=True)
class Sheet:
    """All of the page's content."""

    slug: str
    name: str
    setting: str
    is_default: bool
    facts: Facts
    cite: str
    strip: list[dict[str, Any]]
    group: str
    verdict: list[VerdictRow]
    figures: dict[str, Figure]
    angle: list[str]
    settings: Settings | None
    loudness: list[str]
    claim: list[str]
    rooms: Rooms
    relatives: list[Relative]
    no_relatives: str | None
    differences: list[Differences]
    worth: list[str]
    withheld: list[tuple[str, list[str]]]
    disagreements: list[str]
    cautions: list[str]
    sessions: list[provenance.SessionRow]
    with_intervals: bool
    definitions: list[Any] = field(default_factory=list)


def build(
    base: Database, speaker: str, *, setting: str | None = None, exact: bool = False, renderer: Renderer | None = None
) -> Sheet:
    """Gather the sheet of one speaker in one setting (the default one). renderer: of its pictures, where one runs
    already.

    Raises UnknownNameError.
    """
    _, slug = base.find(speaker, exact=exact)
    chosen = base.setting(slug, setting)
    if renderer is not None:
        return _build(base, slug, chosen, renderer)
    with Renderer() as own:  # pictures are rendered beside the gathering
        return _build(base, slug, chosen, own)


def _build(base: Database, slug: str, chosen: str, renderer: Renderer) -> Sheet:
    names = pictures.settings_of(base, slug)
    ask = Ask(base, slug, chosen, FIGURE_PX, hover=False)
    default = chosen == names[0]
    near, alone = relatives.relatives(base, slug, chosen)
    drawing = {name: _figure(name, caption, draw, renderer) for name, caption, draw in _curves_of(ask, names, near)}
    apart = relatives.differences(base, slug, chosen, near[:2])
    if apart:
        caption = f"Against {near[0].name}: right is higher here; in the grey middle a difference does not matter"
        draw = partial(relatives.differences_chart, apart[0], FIGURE_PX)
        drawing["differences"] = _figure("differences", caption, draw, renderer)
    shown = base.show(slug, setting=chosen, exact=True)
    rows = shown.rows
    pooled = rows.filter(pl.col("session").is_null())
    group = standing.group_of(base, slug)
    stands = standing.standing(base, slug, group, standing.VERDICT if default else ())
    places = stands.places
    caption = f"Its place among {group.noun}: a tick is another speaker, the bar the 95 % interval"
    drawing["place"] = _figure("place", caption, lambda: pictures.place_chart(ask, stands, None), renderer)
    return Sheet(
        slug=slug,
        name=ask.name,
        setting=chosen,
        is_default=default,
        facts=base.facts(slug),
        cite=pictures.cite(base),
        strip=shown.strip,
        group=group.noun,
        verdict=_verdict(pooled, places),
        angle=_angle(pooled),
        settings=_settings(base, slug, chosen) if len(names) > 1 else None,
        loudness=loudness.sentences(rows, music.binds(base.field, row_of(base, slug, chosen))),
        claim=loudness.claim(base, slug, chosen),
        rooms=example_rooms.rooms(base, slug, chosen, is_default=default),
        relatives=near,
        no_relatives=alone,
        differences=apart,
        worth=worth.sentences(base, slug),
        withheld=provenance.withheld(rows),
        disagreements=provenance.disagreements(rows),
        cautions=branching.cautions(rows),
        sessions=provenance.sessions(base, slug),
        with_intervals=bool(pooled["low"].is_not_null().any()),
        definitions=[METRICS[m] for m in pooled["metric"]],
        figures={name: figure() for name, figure in drawing.items()},
    )


def _verdict(pooled: pl.DataFrame, places: list[standing.Place]) -> list[VerdictRow]:
    by_metric = {p.metric.id: p for p in places}
    found = []
    for metric_id in standing.VERDICT:
        mine = pooled.filter((pl.col("metric") == metric_id) & (pl.col("status") == "ok"))
        if not len(mine):
            continue
        r, metric = mine.row(0, named=True), METRICS[metric_id]
        place = by_metric.get(metric_id)
        found.append(
            VerdictRow(
                metric_id,
                metric.label,
                metric.quantity.text(r["value"], r["censored"], r["other_value"]),
                metric.quantity.interval_text(r["low"], r["high"]),
                words.share(place) if place else "",
            )
        )
    return found


def _curves_of(ask: Ask, settings: list[str], near: list[Relative]) -> Iterator[tuple[str, str, Callable[[], Any]]]:
    """(name, caption, how to draw it) of every picture that needs no other answers than the curves."""
    for name, picture in pictures.PICTURES.items():
        if name != "place" and (name != "settings" or len(settings) > 1):
            yield name, picture.title, partial(pictures.of_speaker, name, ask, headed=False)
    if near:
        shown = [ask.speaker, *(r.slug for r in near[:3])]
        draw = partial(pictures.overlay, ask.base, shown, width=FIGURE_PX, hover=False, headed=False)
        yield "overlay", "With those that measure most like it, set to the same mean level", draw


def _figure(name: str, caption: str, draw: Callable[[], Any], renderer: Renderer) -> Callable[[], Figure]:
    """Draw a picture and start rendering it; the result waits for that. A picture that can't be drawn says why."""
    try:
        spec = saving.unchecked(draw)
    except SpeakerdbError as error:
        absent = Figure(name, caption, None, error.message)
        return lambda: absent
    rendered = renderer.submit(spec)
    return lambda: Figure(name, caption, _own_ids(name, rendered.result()))


def _own_ids(name: str, svg: str) -> str:
    """Clip paths numbered within the figure: the renderer counts on and on, and ids must differ within the page."""
    known: dict[str, str] = {}

    def own(found: re.Match[str]) -> str:
        number = known.setdefault(found.group(2), str(len(known)))
        return f"{found.group(1)}{name}-clip-{number}{found.group(3)}"

    return re.sub(r'(id="|url\(#)(clip\d+)("|\))', own, svg)


def _angle(pooled: pl.DataFrame) -> list[str]:
    """The optimum listening axis and what it brings, or why it is not known."""
    by_metric = {r["metric"]: r for r in pooled.iter_rows(named=True)}
    angle, gain, treble = (by_metric.get(f"best_listening_angle_{n}") for n in ("deg", "gain_db", "treble_db"))
    if angle is None or angle["status"] != "ok":
        return [f"Not judged: {angle['reason'] if angle else 'not worked out'}."]
    if angle["value"] == 0 or gain is None:
        return ["Best listened to on its axis: no other angle up to 30° is more even by more than 0.02 dB."]
    metric = METRICS["best_listening_angle_gain_db"]
    said = [
        f"Most even at {METRICS['best_listening_angle_deg'].quantity.text(angle['value'])} off its axis: "
        f"narrow-band deviation is {metric.quantity.text(gain['value'])} lower there."
    ]
    if gain["value"] < metric.matters:
        said.append(
            f"That is less than the {metric.quantity.text(metric.matters)} from which a difference matters; "
            "the axis will do as well."
        )
    if treble is not None and treble["status"] == "ok":
        side = "falls" if treble["value"] < 0 else "rises"
        change = METRICS["best_listening_angle_treble_db"].quantity.text(abs(treble["value"]))
        said.append(f"The treble {side} by {change} on the way.")
    return said


def _settings(base: Database, slug: str, reference: str) -> Settings:
    try:
        answer = base.settings(slug, against=reference, wall=WALL_M, exact=True)
    except RequestError:  # the wall would stand inside the cabinet
        answer = base.settings(slug, against=reference, exact=True)
    rows = []
    for change in answer.changes:
        curve = change.difference_db.get("listening_window")
        values = [None] * len(SHOWN_HZ) if curve is None else octave_rows(curve)
        rows.append((change.setting, [figures.number(v, 1, signed=True) for v in values]))
    said = []
    for change in answer.changes:
        frame = change.changes.filter(pl.col("matters") == "yes")
        parts = [
            f"{METRICS[m].phrase} from {METRICS[m].quantity.number(a)} to {METRICS[m].quantity.text(b)}"
            for m, a, b in frame.select("metric", "reference", "value").drop_nulls().iter_rows()
        ]
        what = f"{figures.listing(parts[:5])}" + (f" and {len(parts) - 5} more" if len(parts) > 5 else "")
        said.append(
            f"{change.setting} against {reference} changes {what}."
            if parts
            else f"{change.setting} against {reference}: no figure changes by as much as matters."
        )
    said += [wall_sentence(answer.before_wall)] if answer.before_wall else []
    frequencies = [figures.hertz(f) for f in SHOWN_HZ]
    return Settings([reference, *(c.setting for c in answer.changes)], frequencies, rows, said, list(answer.cautions))
