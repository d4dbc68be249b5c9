"""The review sheet: everything about one speaker, gathered into plain data for the page."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb import figures
from speakerdb.answering import branching, music, standing
from speakerdb.errors import RequestError
from speakerdb.metric import GROUPS
from speakerdb.metrics import METRICS
from speakerdb.report import example_rooms, loudness, pictures, provenance, relatives, speaker_pictures, worth
from speakerdb.report.example_rooms import Rooms
from speakerdb.report.frames import row_of
from speakerdb.report.relatives import Relative
from speakerdb.report.speaker_pictures import FIGURE_PX, Ask, Figure
from speakerdb.words.settings_words import SHOWN_HZ, octave_rows, wall_sentence

if TYPE_CHECKING:
    from speakerdb.answering.facts import Facts
    from speakerdb.library import Database
    from speakerdb.metric import Metric

WALL_M = 0.5  # the wall that settings are judged before (own judgement)
FIRST = ("curves", "map-horizontal", "distortion", "output", "impedance")  # what is drawn right below the verdict
NEAREST = 4  # shown


@dataclass(frozen=True)
class ValueRow:
    """One value as printed. remark: what has to be said of it."""

    metric: Metric
    value: str
    interval: str
    remark: str


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
    setting_names: list[str]
    facts: Facts
    aliases: list[str]
    cite: str
    strip: list[dict[str, Any]]
    group: str
    figures: dict[str, Figure]
    values: list[tuple[str, list[ValueRow]]]
    angle: list[str]
    settings: Settings | None
    loudness: list[str]
    claim: list[str]
    rooms: Rooms
    relatives: list[Relative]
    no_relatives: str | None
    worth: list[str]
    withheld: list[tuple[str, list[str]]]
    disagreements: list[str]
    cautions: list[str]
    sessions: list[provenance.SessionRow]
    with_intervals: bool

    @property
    def is_default(self) -> bool:
        return self.setting == self.setting_names[0]

    @property
    def first(self) -> list[Figure]:
        """The figures of the second screen."""
        return [self.figures[name] for name in FIRST if name in self.figures]

    @property
    def more(self) -> list[Figure]:
        """The figures that are folded away."""
        return [f for name, f in self.figures.items() if name not in {*FIRST, "place", "settings"}]


def build(base: Database, speaker: str, *, setting: str | None = None, exact: bool = False) -> Sheet:
    """Gather the sheet of one speaker in one setting (the default one).

    Raises UnknownNameError.
    """
    _, slug = base.find(speaker, exact=exact)
    chosen = base.setting(slug, setting)
    names = speaker_pictures.settings_of(base, slug)
    ask = Ask(base, slug, chosen, FIGURE_PX, hover=False)
    near, alone = relatives.relatives(base, slug, chosen)
    near = near[:NEAREST]
    shown = base.show(slug, setting=chosen, exact=True)
    rows = shown.rows
    pooled = rows.filter(pl.col("session").is_null())
    group = standing.group_of(base, slug)
    drawn = speaker_pictures.figures_of(ask, _names(names))
    if near:
        drawn["overlay"] = _overlay_figure(near)
    return Sheet(
        slug=slug,
        name=ask.name,
        setting=chosen,
        setting_names=names,
        facts=base.facts(slug),
        aliases=list(shown.aliases),
        cite=speaker_pictures.cite(base),
        strip=shown.strip,
        group=group.counted,
        values=_values(pooled),
        angle=_angle(pooled),
        settings=_settings(base, slug, chosen) if len(names) > 1 else None,
        loudness=loudness.sentences(rows, music.binds(base.field, row_of(base, slug, chosen))),
        claim=loudness.claim(base, slug, chosen),
        rooms=example_rooms.rooms(base, slug, chosen, is_default=chosen == names[0]),
        relatives=near,
        no_relatives=alone,
        worth=worth.sentences(base, slug),
        withheld=provenance.withheld(rows),
        disagreements=provenance.disagreements(rows),
        cautions=branching.cautions(rows),
        sessions=provenance.sessions(base, slug),
        with_intervals=bool(pooled["low"].is_not_null().any()),
        figures=drawn,
    )


def charts(base: Database, slug: str, setting: str) -> dict[str, Callable[[], Any]]:
    """How each figure of a sheet is drawn, by name; those that can't be are left out."""
    ask = Ask(base, slug, setting, FIGURE_PX, hover=False)
    names = speaker_pictures.settings_of(base, slug)
    found = dict(_drawable(ask, names))
    near, _ = relatives.relatives(base, slug, setting)
    if near:
        shown = [slug, *(r.slug for r in near[: NEAREST - 1])]
        found["overlay"] = partial(pictures.overlay, base, shown, width=FIGURE_PX, hover=False, headed=False)
    return found


def _names(settings: list[str]) -> list[str]:
    return [name for name in speaker_pictures.PICTURES if name != "settings" or len(settings) > 1]


def _drawable(ask: Ask, settings: list[str]) -> Iterator[tuple[str, Callable[[], Any]]]:
    for name in _names(settings):
        picture = speaker_pictures.PICTURES[name]
        try:
            taken = picture.take(ask)
        except RequestError:
            continue
        yield name, partial(picture.draw, taken, ask, None)


def _overlay_figure(near: list[Relative]) -> Figure:
    names = figures.listing([f"{r.name} ({figures.DB.text(r.distance_db)})" for r in near[: NEAREST - 1]])
    return Figure(
        "overlay",
        "With those that measure most like it, set to the same mean level",
        pictures.OVERLAY_BOX,
        sentence=f"Laid over {names}: the RMS differences stand in brackets.",
    )


def _values(pooled: pl.DataFrame) -> list[tuple[str, list[ValueRow]]]:
    """Every value that stands, by group."""
    found = {heading: [] for heading in GROUPS.values()}  # type: dict[str, list[ValueRow]]
    for r in pooled.filter(pl.col("status") == "ok").iter_rows(named=True):
        metric = METRICS[r["metric"]]
        quantity = metric.quantity
        found[GROUPS[metric.group]].append(
            ValueRow(
                metric,
                quantity.text(r["value"], r["censored"], r["other_value"]),
                quantity.interval(r["low"], r["high"]),
                r["reason"] or "",
            )
        )
    return [(heading, rows) for heading, rows in found.items() if rows]


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
