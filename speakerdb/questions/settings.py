"""What do the settings of a speaker change, and which suits a wall?"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

from speakerdb.declare import INNER, Answer, Ask, Question, Row, Shape, Told
from speakerdb.questions.documents import rows
from speakerdb.questions.shared import Base, Exact, Speaker
from speakerdb.terms import Censoring

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.answering.setting_changes import ControlReach, SettingChange, WallAnswer


class Change(Row):
    """One metric in one setting against the reference: value − reference, or value/reference where `ratio`."""

    metric: str
    unit: str
    reference: float | None
    value: float | None
    censored_reference: Censoring | None
    censored: Censoring | None
    change: float | None
    ratio: bool
    change_low: Annotated[float | None, Told("the lower end of the 95 % interval")]
    change_high: float | None
    differs: bool | None
    matters: Literal["yes", "no", "unclear"]
    reason: str | None


class Unit(Row):
    """A unit measured in both settings."""

    lab: str
    sample: str


class OneSetting(Row):
    """A setting against the reference."""

    setting: str
    level_shift_db: Annotated[float | None, Told("of the mean over 300 Hz–3 kHz")]
    units_in_common: list[Unit]
    difference_db: Annotated[dict[str, list[float | None]], Told("curve -> difference over the analysis grid")]
    metrics: list[Change]


class Position(Row):
    """A position of a control, and the setting that shows it."""

    position: str | float | bool
    setting: str


class Control(Row):
    """A control and what it does to the listening window."""

    control: str
    problem: Annotated[str | None, Told("why its range can't be told")]
    reference: str | None
    positions: list[Position]
    acts_hz: Annotated[list[list[float]], Told("bands that it moves by more than is heard")]
    most_hz: float | None
    low_db: list[float | None]
    high_db: list[float | None]


class SettingAtWall(Row):
    """One setting before the wall."""

    setting: str
    ripple_db: float | None
    bass_db: float | None
    reason: str | None
    total_db: list[float | None]


class Wall(Row):
    """Every setting before a wall."""

    distance_m: float
    first_dip_hz: float
    best: str | None
    unit: Literal["dB"]
    settings: list[SettingAtWall]


@dataclass(eq=False, repr=False)
class Effects(Answer):
    """Differences against the reference over the analysis grid, changes of every metric, controls, the wall. In Python
    `rows` holds the changes of all settings."""

    speaker: str
    reference: str
    unit: Literal["dB"]
    switches: Annotated[dict[str, dict[str, Any]], Shape(dict[str, dict[str, str | float | bool]])]
    frequency_hz: list[float]
    settings: Annotated[list[Any], Shape(list[OneSetting], in_rows=True)]
    controls: Annotated[list[Any], Shape(list[Control])]
    wall: Annotated[dict[str, Any] | None, Shape(Wall | None)]
    cautions: tuple[str, ...]
    rows: pl.DataFrame = dataclasses.field(metadata=INNER)
    changes: tuple[SettingChange, ...] = dataclasses.field(metadata=INNER)
    reached: tuple[ControlReach, ...] = dataclasses.field(metadata=INNER)
    before_wall: WallAnswer | None = dataclasses.field(metadata=INNER)


@dataclass(frozen=True, repr=False)
class Settings(Question[Effects]):
    """Compare the settings of one speaker."""

    name = "settings"
    address = "/speakers/{speaker}/settings"
    example = {"speaker": "adze", "wall": 0.5}

    speaker: Speaker
    against: Annotated[str | None, Ask("The setting to compare with. Default: the default one.")] = None
    wall: Annotated[
        float | None,
        Ask("Which setting suits a wall so many metres behind the front?", "Wall behind", "m", above=0, most=20),
    ] = None
    exact: Exact = False

    def answer(self, base: Base) -> Effects:
        import polars as pl

        from speakerdb.acoustics.grid import FREQUENCY_HZ
        from speakerdb.answering import setting_changes

        speaker_id, slug = base.find(self.speaker, exact=self.exact)
        found = setting_changes.compare(
            base.store, base.field, speaker_id, slug, base.setting(slug, self.against), self.wall
        )
        settings = [
            {
                "setting": c.setting,
                "level_shift_db": c.level_shift_db,
                "units_in_common": [{"lab": lab, "sample": sample} for lab, sample in c.units],
                "difference_db": {part: curve.tolist() for part, curve in c.difference_db.items()},
                "metrics": rows(c.changes, Change),
            }
            for c in found.changes
        ]
        whole = [c.changes.select(pl.lit(c.setting).alias("setting"), pl.all()) for c in found.changes]
        return Effects(
            slug,
            found.reference,
            "dB",
            found.switches,
            FREQUENCY_HZ.round(2).tolist(),
            settings,
            [_control(c) for c in found.controls],
            None if found.wall is None else _wall(found.wall),
            found.cautions,
            pl.concat(whole) if whole else pl.DataFrame(),
            found.changes,
            found.controls,
            found.wall,
        )


def _control(c: ControlReach) -> dict[str, Any]:
    positions = [{"position": p, "setting": name} for (p, _), name in zip(c.control.positions, c.settings, strict=True)]
    return {
        "control": c.control.name,
        "problem": c.control.problem,
        "reference": c.reference,
        "positions": positions,
        "acts_hz": c.reach.acts_hz if c.reach else [],
        "most_hz": c.reach.most_hz if c.reach else None,
        "low_db": c.reach.low_db.tolist() if c.reach else [],
        "high_db": c.reach.high_db.tolist() if c.reach else [],
    }


def _wall(w: WallAnswer) -> dict[str, Any]:
    settings = [
        {
            "setting": name,
            "ripple_db": float(w.total.ripple_db[i]),
            "bass_db": float(w.total.bass_db[i]),
            "reason": w.reasons.get(name),
            "total_db": w.total.total_db[i].tolist(),
        }
        for i, name in enumerate(w.settings)
    ]
    return {
        "distance_m": w.distance_m,
        "first_dip_hz": w.first_dip_hz,
        "best": w.best,
        "unit": "dB",
        "settings": settings,
    }
