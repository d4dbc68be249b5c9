"""The pictures of one speaker: what each is drawn from, how it is drawn, its sentence and its numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb import figures
from speakerdb.acoustics import grid, programme
from speakerdb.answering import music, standing, stored, verdict
from speakerdb.charts import (
    curves_chart,
    directivity_chart,
    field_chart,
    impedance_chart,
    output_chart,
    theme,
)
from speakerdb.charts.curves_chart import CURVE_LABELS
from speakerdb.charts.directivity_chart import ToneReach
from speakerdb.charts.theme import Heading
from speakerdb.errors import RequestError, SpeakerdbError, UnknownNameError
from speakerdb.figures import DB, Quantity
from speakerdb.metrics import METRICS
from speakerdb.metrics.directivity_rows import TONE
from speakerdb.metrics.output_rows import PROGRAMME
from speakerdb.metrics.response_rows import PREFERENCE
from speakerdb.report import chart_tables, example_rooms, frames, words
from speakerdb.report.chart_tables import Table
from speakerdb.words import chart_words

if TYPE_CHECKING:
    from speakerdb.library import Database

FIGURE_PX = 300  # plot width of a page's figures: reads on a phone, and two stand in a row on a desktop
# Those of the verdict that have a better side
_PLACED = (PREFERENCE.id, *(m for m in verdict.SCALES if METRICS[m].better != "neither"))
_DEG = Quantity("°", 0)
_PERCENT = Quantity("%", 1)


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

    @cached_property
    def standing(self) -> standing.Standing:
        """Its places among its peers, those of its default setting, in what the verdict tells."""
        return standing.standing(self.base, self.speaker, standing.group_of(self.base, self.speaker), _PLACED)


@dataclass(frozen=True)
class Picture:
    """A chart of one speaker. box: width and height that it takes at FIGURE_PX, in pixels, held free for it on a page.

    `take` gets what it shows and raises RequestError where the speaker lacks that; `draw`, `tell` and `table` work on
    it. single: it shows the curves of one session, not pooled ones.
    """

    title: str
    box: tuple[int, int]
    take: Callable[[Ask], Any]
    draw: Callable[[Any, Ask, Heading | None], Any]
    tell: Callable[[Any], str]
    table: Callable[[Any], Table]
    single: bool = False


@dataclass(frozen=True)
class Figure:
    """A chart on a page before it is drawn: its sentence stands for it, and the table where there are no scripts.

    reason: why there is none; then nothing else is known of it.
    """

    name: str
    caption: str
    box: tuple[int, int] = (0, 0)
    wide_box: tuple[int, int] | None = None  # where it is drawn wider on a wide page
    sentence: str = ""
    table: Table | None = None
    reason: str | None = None


def cite(base: Database) -> str:
    """'state 8077116ce5 · 67 speakers · 2026-11-25'."""
    state = base.state
    return f"state {state.state} · {figures.count(state.speakers, 'speaker')} · {state.date}"


def _take_curves(a: Ask) -> pl.DataFrame:
    frame = frames.summary(a.base, a.speaker, a.setting, list(CURVE_LABELS))
    if not len(frame):
        raise RequestError(
            f"{a.speaker} has no curve set in setting {a.setting}: the angles it needs were not measured"
        )
    order = list(CURVE_LABELS)
    return frame.sort(pl.col("part").replace_strict({p: i for i, p in enumerate(order)}), maintain_order=True)


def _tell_curves(frame: pl.DataFrame) -> str:
    part = next(p for p in ("listening_window", "on_axis", *CURVE_LABELS) if p in set(frame["part"]))
    said = [chart_words.curve(CURVE_LABELS[part], frame.filter(part=part))]
    for index in ("di_power",):
        mine = frame.filter(part=index)
        if len(mine):
            said.append(chart_words.curve(CURVE_LABELS[index], mine))
    return "; ".join(said)


def _tell_angles(frame: pl.DataFrame) -> str:
    angle = max(frame["angle_deg"])
    where = "On axis" if angle == 0 else f"{_DEG.text(angle)} off the axis"
    return chart_words.curve(where, frame.filter(angle_deg=angle))


def _map(plane: Any) -> Picture:
    def take(a: Ask) -> frames.Orbit:
        return frames.orbit(a.session.grid, plane)

    def draw(orbit: frames.Orbit, a: Ask, h: Heading | None) -> Any:
        hertz = grid.FREQUENCY_HZ.tolist()
        return directivity_chart.sound_map(orbit.angle_deg, hertz, orbit.level_db, orbit.edge, plane, h, width=a.width)

    return Picture(
        f"{plane.capitalize()} map, 1/3-octave smoothed; the line is the −6 dB edge",
        (390, 327),
        take,
        draw,
        lambda orbit: chart_words.edges(orbit.edge, plane),
        lambda orbit: chart_tables.of_map(orbit.angle_deg, orbit.level_db),
        single=True,
    )


def _beam_names(frame: pl.DataFrame) -> pl.DataFrame:
    of = pl.concat_str("plane", pl.when(reference="mean").then(pl.lit(", re the ±30° mean")).otherwise(pl.lit("")))
    return frame.with_columns(of=of)


def _tell_beamwidth(frame: pl.DataFrame) -> str:
    mine = frame.filter(reference="axis", plane="horizontal")
    name, shown = ("Horizontal", mine) if len(mine) else ("Vertical", frame.filter(reference="axis"))
    return f"{name} beamwidth: {chart_words.extremes(shown, 'beamwidth_deg', _DEG)}"


def _take_tone(a: Ask) -> list[ToneReach]:
    side_of = {m.id: side for side, m in TONE.items()}
    rows = stored.show(a.base.store, a.base.find(a.speaker, exact=True)[0], a.setting).filter(
        pl.col("session").is_null() & pl.col("metric").is_in(list(side_of)) & (pl.col("status") == "ok")
    )
    reaches = [
        ToneReach(side_of[r["metric"]], r["value"], r["low"], r["high"], r["censored"])
        for r in rows.iter_rows(named=True)
    ]
    if not reaches:
        raise RequestError(f"the off-axis timbre angles of {a.speaker} are withheld in all four directions")
    return reaches


def _tone_table(reaches: list[ToneReach]) -> Table:
    rows = [(r.direction, _DEG.number(r.value_deg, r.censored), _DEG.interval(r.low_deg, r.high_deg)) for r in reaches]
    return Table(("", "Angle (°)", "95 % interval"), rows)


def _sweeps(kind: str) -> Callable[[Ask], pl.DataFrame]:
    def take(a: Ask) -> pl.DataFrame:
        frame: pl.DataFrame = getattr(frames, kind)(_with(a, kind).grid)
        return frame

    return take


def _with(a: Ask, part: str, what: str = "") -> frames.Measured:
    """The first session that holds a part, sweeps of a kind by default. Raises RequestError where none does."""
    for session in a.sessions:
        if getattr(session.grid, part) is not None:
            return session
    raise RequestError(f"no {what or part} of {a.speaker} was measured in setting {a.setting}")


def _drive(drive_db: float) -> str:
    return f"at {figures.plain(round(drive_db, 1))} dB"


def _loudest(frame: pl.DataFrame, value: str, quantity: Quantity) -> str:
    drive = frame["drive_db"].max()
    return f"{_drive(drive).capitalize()}: {chart_words.extremes(frame.filter(drive_db=drive), value, quantity)}"  # type: ignore[arg-type]


def _percent(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.with_columns(percent=100.0 * 10.0 ** (pl.col("level_db") / 20.0))


@dataclass(frozen=True)
class _Output:
    """Usable output, what rooms ask for, and the band that limits music with its cause."""

    points: pl.DataFrame
    demands: list[output_chart.Demand]
    binds: tuple[float, str] | None


def _take_output(a: Ask) -> _Output:
    points = frames.usable_output(a.base, a.speaker, a.setting)
    found = music.binds(a.base.field, frames.row_of(a.base, a.speaker, a.setting))
    limits = [
        (b.at_hz, b.by)
        for b in found
        if b.metric == PROGRAMME.id and b.at_hz and b.by and b.by != programme.CAUSES[programme.SWEEP_ENDED]
    ]
    return _Output(points, example_rooms.demands(a.base, a.speaker, a.setting), limits[0] if limits else None)


def _tell_output(o: _Output) -> str:
    said = f"Usable output: {chart_words.extremes(o.points, 'level_db', DB)}"
    return said + (f"; {o.binds[1]} at {figures.hertz(o.binds[0])} limits music" if o.binds else "")


def _output_table(o: _Output) -> Table:
    shown = o.points.with_columns(series=pl.lit("Usable output (dB)"))
    asked = [
        pl.DataFrame({"series": [d.label] * len(d.level_db), "frequency_hz": d.frequency_hz, "level_db": d.level_db})
        for d in o.demands
    ]
    every = [f.select("series", "frequency_hz", "level_db") for f in (shown, *asked)]
    return chart_tables.over_frequency(pl.concat(every, how="vertical_relaxed"), "series", "level_db")


def _tell_impedance(frame: pl.DataFrame) -> str:
    return f"Magnitude: {chart_words.extremes(frame.filter(part='magnitude'), 'value', Quantity('Ω', 1))}"


def _take_settings(a: Ask) -> tuple[pl.DataFrame, list[str]]:
    names = settings_of(a.base, a.speaker)
    if len(names) < 2:
        raise RequestError(f"{a.speaker} was measured in one setting only: {names[0]}")
    names = [a.setting, *(n for n in names if n != a.setting)][: curves_chart.MOST_OVERLAID]
    parts = [frames.summary(a.base, a.speaker, n, ["listening_window"]).with_columns(series=pl.lit(n)) for n in names]
    frame = pl.concat(parts)
    return frame, [n for n in names if n in set(frame["series"])]


def _tell_settings(taken: tuple[pl.DataFrame, list[str]]) -> str:
    frame, names = taken
    first = frame.filter(series=names[0]).select("frequency_hz", first="level_db")
    said = []
    for name in names[1:]:
        change = (
            frame.filter(series=name)
            .join(first, on="frequency_hz")
            .with_columns(change=pl.col("level_db") - pl.col("first"))
        )
        told = chart_words.extremes(change, "change", DB, over=(50.0, 20000.0))
        said.append(f"{name} against {names[0]}: {told}")
    return "; ".join(said)


def settings_of(base: Database, speaker: str) -> list[str]:
    """The speaker's settings, the default one first."""
    rows = base.field.base.filter(pl.col("speaker") == speaker).sort("is_default", "setting", descending=[True, False])
    names: list[str] = rows["setting"].to_list()
    return names


def _take_place(a: Ask) -> standing.Standing:
    if not a.standing.places:
        raise RequestError(f"{a.speaker} has no metric that can be placed in a field")
    return a.standing


def _draw_place(found: standing.Standing, a: Ask, h: Heading | None) -> Any:
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


def _tell_place(found: standing.Standing) -> str:
    return "; ".join(f"{p.metric.label} {p.text}, {words.share(p)}" for p in found.places[:2])


def _place_table(found: standing.Standing) -> Table:
    rows = [
        (p.metric.label, p.text, p.metric.quantity.interval_text(p.low, p.high), words.share(p)) for p in found.places
    ]
    return Table(("Metric", "Value", "95 % interval", "Place"), rows)


PICTURES: dict[str, Picture] = {
    "curves": Picture(
        "Curve set, its middle enlarged, and directivity indices",
        (371, 556),
        _take_curves,
        lambda frame, a, h: curves_chart.curve_set(frame, h, width=a.width, hover=a.hover),
        _tell_curves,
        lambda frame: chart_tables.over_frequency(frame, "part", "level_db", lambda part: CURVE_LABELS[part]),
    ),
    "map-horizontal": _map("horizontal"),
    "output": Picture(
        "Usable output per third octave, and what music asks for",
        (364, 356),
        _take_output,
        lambda o, a, h: output_chart.usable_output(o.points, o.demands, h, binds=o.binds, width=a.width),
        _tell_output,
        _output_table,
    ),
    "distortion": Picture(
        "Total harmonic distortion per drive",
        (375, 305),
        _sweeps("distortion"),
        lambda frame, a, h: output_chart.distortion(frame, h, width=a.width, hover=a.hover),
        lambda frame: _loudest(_percent(frame), "percent", _PERCENT),
        lambda frame: chart_tables.over_frequency(_percent(frame), "drive_db", "percent", _drive, 2),
        single=True,
    ),
    "angles": Picture(
        "Response at 0, 10, 20 and 30°, mean of both sides",
        (368, 295),
        lambda a: frames.off_axis(a.session.grid),
        lambda frame, a, h: curves_chart.off_axis(frame, h, width=a.width, hover=a.hover),
        _tell_angles,
        lambda frame: chart_tables.over_frequency(frame, "angle_deg", "level_db", _DEG.text),
        single=True,
    ),
    "map-vertical": _map("vertical"),
    "beamwidth": Picture(
        "Beamwidth",
        (375, 285),
        lambda a: frames.beamwidths(a.session.grid),
        lambda frame, a, h: directivity_chart.beamwidth(frame, h, width=a.width, hover=a.hover),
        _tell_beamwidth,
        lambda frame: chart_tables.over_frequency(_beam_names(frame), "of", "beamwidth_deg", str.capitalize, 0),
        single=True,
    ),
    "tone": Picture(
        "Off-axis timbre angles",
        (316, 207),
        _take_tone,
        lambda reaches, a, h: directivity_chart.tone(reaches, h, width=a.width),
        lambda reaches: f"Off-axis timbre angles: {figures.listing([r.text() for r in reaches])}",
        _tone_table,
    ),
    "compression": Picture(
        "Compression per drive",
        (371, 295),
        _sweeps("compression"),
        lambda frame, a, h: output_chart.compression(frame, h, width=a.width, hover=a.hover),
        lambda frame: _loudest(frame, "change_db", DB),
        lambda frame: chart_tables.over_frequency(frame, "drive_db", "change_db", _drive),
        single=True,
    ),
    "impedance": Picture(
        "Impedance: magnitude, phase and EPDR",
        (378, 386),
        lambda a: frames.impedance(_with(a, "impedance_ohm", "impedance").grid),
        lambda frame, a, h: impedance_chart.impedance(frame, h, width=a.width, hover=a.hover),
        _tell_impedance,
        lambda frame: chart_tables.over_frequency(frame, "part", "value", lambda part: impedance_chart.NAMES[part]),
        single=True,
    ),
    "settings": Picture(
        "Settings compared",
        (371, 374),
        _take_settings,
        lambda taken, a, h: curves_chart.settings(taken[0], taken[1], h, width=a.width, hover=a.hover),
        _tell_settings,
        lambda taken: chart_tables.over_frequency(taken[0], "series", "level_db"),
    ),
    "place": Picture(
        "Its place among its peers: a tick is another speaker, the bar the 95 % interval",
        (340, 338),
        _take_place,
        _draw_place,
        _tell_place,
        _place_table,
    ),
}


def picture(name: str) -> Picture:
    """One of PICTURES. Raises UnknownNameError."""
    if name not in PICTURES:
        raise UnknownNameError(f"there is no picture named {name!r}; there are {', '.join(PICTURES)}")
    return PICTURES[name]


def of_speaker(name: str, ask: Ask, *, headed: bool = True) -> Any:
    """One of PICTURES as a chart. Raises UnknownNameError for another name, RequestError where the speaker lacks what
    it shows."""
    found = picture(name)
    taken = found.take(ask)
    if not headed:
        return found.draw(taken, ask, None)
    shown = f"Setting {ask.setting}"
    if found.single:
        session = ask.session
        shown += f", session {session.session} ({session.lab}, sample {session.sample}, {session.date})"
    return found.draw(taken, ask, Heading(f"{ask.name} · {found.title}", (shown, cite(ask.base))))


def figures_of(ask: Ask, names: Iterable[str] = PICTURES) -> dict[str, Figure]:
    """Pictures as a page holds them until they are drawn; one that can't be drawn says why."""
    return {name: _figure(name, ask) for name in names}


def _figure(name: str, ask: Ask) -> Figure:
    one = picture(name)
    try:
        taken = one.take(ask)
    except SpeakerdbError as error:
        return Figure(name, one.title, reason=error.message)
    return Figure(name, one.title, one.box, sentence=f"{one.tell(taken)}.", table=one.table(taken))
