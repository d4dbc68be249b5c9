"""The demo fleet's truth: for tests that hold an answer against what it should be, with errors that nobody tuned on.

Three stages, each (S, 72, 199) levels in dB on the analysis grid, slots as speakerdb.acoustics.curveset orders them:
the noiseless model, the unit (the model and that specimen's own errors), the measurement (the unit and all that a bench
adds). The errors are seed_data's own law (seed_data/errors.py); a seed is one helping of them. Full-range speakers
only, each seen all round and uncut, also where the fleet's own visit was poorer; where it was not, the fleet's seed
gives what the fleet's files hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache

import numpy as np
from numpy.typing import NDArray

from seed_data import plan
from seed_data.errors import Errors
from seed_data.model.air import FREQUENCY_HZ
from seed_data.model.design import Design, Setting
from seed_data.model.speaker import ORBIT_DEG, field_of, orbit_directions, source_field
from seed_data.plan import Visit
from speakerdb.acoustics import curveset, grid
from speakerdb.session import GridSession, SessionInfo

FloatArray = NDArray[np.float64]
Seed = str | int
COSINE: FloatArray = np.tile(np.cos(np.radians(ORBIT_DEG)), 2)


@dataclass(frozen=True, eq=False)
class Known:
    """A full-range speaker of the fleet in the setting of its first visit."""

    slug: str
    design: Design
    setting: Setting


@cache
def _by_slug() -> dict[str, Visit]:
    """Slug -> first visit, of full-range speakers, all round and uncut."""
    return {plan.slug(v.design): _uncut(v) for v in plan.first_visits() if v.design.kind != "subwoofer"}


def designs() -> tuple[Known, ...]:
    """All full-range speakers, in the order of the first axis of what `levels()` gives."""
    return tuple(Known(slug, v.design, _setting(v)) for slug, v in _by_slug().items())


def subwoofers() -> tuple[Visit, ...]:
    """First visits of the subwoofers that are driven up, uncut."""
    return tuple(_uncut(v) for v in plan.first_visits() if v.design.kind == "subwoofer" and v.sweeps)


def first_visits(*slugs: str, benches: tuple[str, ...] = ()) -> tuple[Visit, ...]:
    """The first visit of each of the slugs (all where none is named), in their own labs or, with `benches`, in these by
    turns: ("shed",) brings all to the shed, ("shed", "attic") every other one to the attic."""
    visits = tuple(_by_slug()[slug] for slug in slugs or _by_slug())
    if not benches:
        return visits
    labs = (benches[n % len(benches)] for n in range(len(visits)))
    return tuple(replace(v, lab=lab, method=plan.METHOD[lab]) for v, lab in zip(visits, labs, strict=True))


def every_visit() -> tuple[Visit, ...]:
    """All visits to full-range speakers since the last calibration: first ones, other settings, the other lab, second
    specimens and repeats. What learning from repeats has to go on, with `measured_of` and `sessions_of`."""
    since = (v for v in plan.visits() if v.day >= plan.START.isoformat())
    return tuple(_uncut(v) for v in since if v.design.kind != "subwoofer")


@lru_cache(maxsize=8)
def levels(*slugs: str) -> FloatArray:
    """The noiseless model of the first visits: (S, 72, 199), read-only."""
    return levels_of(first_visits(*slugs))


@lru_cache(maxsize=8)
def unit_levels(seed: Seed, *slugs: str) -> FloatArray:
    """The same with the errors of the first specimens under a seed, common and directivity: (S, 72, 199), read-only."""
    return units_of(first_visits(*slugs), seed)


@lru_cache(maxsize=8)
def measured_levels(seed: Seed, *slugs: str, benches: tuple[str, ...] = ()) -> FloatArray:
    """The units as measured under a seed, with bench, session, level and repeat errors: (S, 72, 199), read-only.

    H 0° and V 0° are two readings. `benches` as in `first_visits`.
    """
    return measured_of(first_visits(*slugs, benches=benches), seed)


def sessions(level_db: FloatArray, *slugs: str, benches: tuple[str, ...] = ()) -> list[GridSession]:
    """Levels of any stage (S, 72, 199) as sessions on the grid; slugs and benches as they were asked for."""
    return sessions_of(first_visits(*slugs, benches=benches), level_db)


def levels_of(visits: Sequence[Visit]) -> FloatArray:
    """The noiseless model at any visits: (V, 72, 199), read-only."""
    return _to_grid(_raw(visits))


def units_of(visits: Sequence[Visit], seed: Seed) -> FloatArray:
    """What stands on the turntable at any visits: (V, 72, 199), read-only."""
    return _to_grid(_raw(visits) + _samples(visits, Errors(str(seed))))


def measured_of(visits: Sequence[Visit], seed: Seed) -> FloatArray:
    """What is measured at any visits: (V, 72, 199), read-only."""
    errors = Errors(str(seed))
    added = np.stack([errors.measuring_db(visit, curveset.SLOTS) for visit in visits])
    return _to_grid(_raw(visits) + _samples(visits, errors) + added)


def sessions_of(visits: Sequence[Visit], level_db: FloatArray) -> list[GridSession]:
    """Levels (V, 72, 199) of visits as sessions, rounded to 0.01 dB as those in a database are; no sweeps, no
    impedance."""
    horizontal = np.arange(curveset.SLOTS) < curveset.PER_ORBIT
    angle = np.tile(ORBIT_DEG, 2)
    resolution = grid.raw_resolution(FREQUENCY_HZ)
    return [
        GridSession(_info(visit), horizontal, angle, np.round(level, 2).astype(np.float32), resolution)
        for visit, level in zip(visits, level_db, strict=True)
    ]


def _info(visit: Visit) -> SessionInfo:
    design, setting = visit.design, _setting(visit)
    height, width, depth = design.size_mm
    return SessionInfo(
        maker=design.maker,
        model=design.model,
        slug=plan.slug(design),
        kind=design.kind,
        powered=design.powered,
        lab=visit.lab,
        method=visit.method,
        date=visit.day,
        sample=visit.sample,
        setting=visit.setting,
        repeat=visit.repeat,
        calibration=visit.calibration,
        default_setting=len(design.settings) > 1 and setting is design.settings[0],
        drive_voltage_v=None if design.powered else 2.83,
        height_mm=height,
        width_mm=width,
        depth_mm=depth,
        mass_kg=design.mass_kg,
        layout=design.layout,
        enclosure=design.enclosure,
        year=design.year,
        electronics=dict(setting.switches),
    )


def _setting(visit: Visit) -> Setting:
    return next(s for s in visit.design.settings if s.name == visit.setting)


def _uncut(visit: Visit) -> Visit:
    """The same visit with nothing taken away: all round, full resolution, by its lab's own method, levels at 1 m."""
    return Visit(
        visit.design, visit.lab, visit.day, visit.sample, visit.setting, plan.METHOD[visit.lab], repeat=visit.repeat
    )


def all_round(known: Known, directions: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A speaker's noiseless p² on the analysis grid, with one reference: on both orbits (72, 199), and averaged over
    directions (n, 3) that share the sphere alike (199,)."""
    orbits = np.concatenate([orbit_directions(ORBIT_DEG, horizontal) for horizontal in (True, False)])
    directions = np.concatenate([orbits, directions])
    field = field_of(known.design, (known.setting,), ORBIT_DEG)[0]
    pressure = sum(
        drive * source_field(known.design, source, directions)
        for source, drive in zip(field.sources, field.drive, strict=True)
    )
    power = np.abs(pressure) ** 2
    raw = np.concatenate([power[: len(orbits)], power[len(orbits) :].mean(axis=0, keepdims=True)])
    found = 10.0 ** (grid.to_grid(FREQUENCY_HZ, 10.0 * np.log10(raw)) / 10.0)
    return found[:-1], found[-1]


@cache
def _fields(slug: str) -> dict[str, FloatArray]:
    """Setting -> (72, F) noiseless levels; field_of goes round in the order of the slots."""
    design = _by_slug()[slug].design
    found = field_of(design, design.settings, ORBIT_DEG)
    return {setting.name: field.level_db for setting, field in zip(design.settings, found, strict=True)}


def _raw(visits: Sequence[Visit]) -> FloatArray:
    return np.stack([_fields(plan.slug(visit.design))[visit.setting] for visit in visits])


def _samples(visits: Sequence[Visit], errors: Errors) -> FloatArray:
    return np.stack([errors.sample_db(visit, COSINE) for visit in visits])


def _to_grid(level_db: FloatArray) -> FloatArray:
    """(V, 72, F) at the model's frequencies to (V, 72, 199), read-only."""
    flat = grid.to_grid(FREQUENCY_HZ, level_db.reshape(-1, FREQUENCY_HZ.size))
    found = flat.reshape(*level_db.shape[:2], -1)
    found.setflags(write=False)
    return found
