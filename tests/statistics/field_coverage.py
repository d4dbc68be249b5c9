"""Do intervals hold the truth? Speakers whose truth is known are measured over and over, with the fleet's own law of
errors.

The law is that of seed_data/errors.py and shares no code with the intervals, which are only told how large each part
is. Of each run all three statements are judged: as measured against the unit on that bench, absolute against the unit,
another unit against a newly bought one. Beside the fleet stand made-up speakers from perfectly flat to nearly so, on
which most of what is measured is noise. Run: python -m tests.statistics.field_coverage [RUNS] [SEED]
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from seed_data import measure
from seed_data.errors import Errors
from seed_data.model.air import FREQUENCY_HZ
from seed_data.model.speaker import ORBIT_DEG, Field, band_of, field_of
from seed_data.model.strain import strain_of
from seed_data.plan import Visit, serial
from speakerdb.acoustics import curveset, electrical, grid
from speakerdb.acoustics.bounds import BETWEEN
from speakerdb.derive import derive, session_uncertainty
from speakerdb.metric import ValueTable
from speakerdb.metrics import METRICS
from speakerdb.session import GridSession, GridSweeps
from speakerdb.statistics.error_model import MODEL_VERSION, ErrorModel
from tests import truth

RESULT = Path(__file__).parent / "interval_coverage.json"
RUNS, SEED = 2400, 20260107
MADE_UP_EVERY = 6  # of so many runs one is of a made-up speaker

# of full-range speakers (all but the sphere's, which wants more than two orbits), and of subwoofers
JUDGED = tuple(m.id for m in METRICS.values() if m.kinds != "subwoofer" and m.id != "di_sphere_mean_db")
DEEP = tuple(m.id for m in METRICS.values() if m.kinds == "subwoofer")
STATEMENTS = {"as_measured": "", "absolute": "_absolute", "another_unit": "_unit"}
# the sizes of the fleet's law (seed_data/errors.py) as multiples of the defaults; those not named are the defaults
TRUE_SIZES = ErrorModel(version=1, factor={"repeatability": 0.1 / 0.15, "sample": 0.4 / 0.5})

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Speaker:
    """A truth to be measured: noiseless levels (72, F), and for speakers of the fleet the sources that are driven ever
    harder."""

    visit: Visit
    level_db: Floats
    field: Field | None


def _fleet_speaker(visit: Visit) -> Speaker:
    field = field_of(visit.design, visit.design.settings[:1], ORBIT_DEG)[0]
    return Speaker(visit, field.level_db, field)


def _made_up(visit: Visit, ripple_db: float, fall_db: float, growth: float) -> Speaker:
    """Level with a ripple of two cycles an octave, alike in all directions, that falls towards the rear by fall_db, and
    by growth times that more per octave above 1 kHz; without ripple, fall or growth perfectly flat."""
    octaves = np.log2(FREQUENCY_HZ / 1000.0)
    away = (1.0 - truth.COSINE[:, None]) / 2.0
    level = 85.0 + ripple_db * np.sqrt(2.0) * np.sin(4.0 * np.pi * octaves) - away * fall_db * (1.0 + growth * octaves)
    design = replace(visit.design, slug=f"made-up-{ripple_db:g}-{fall_db:g}-{growth:g}")
    return Speaker(replace(visit, design=design), level, None)


# ripple in dB RMS, fall towards the rear in dB, growth of that per octave
SHAPES = (
    (0.0, 0.0, 0.0),
    (0.0, 12.0, 0.0),
    (0.0, 12.0, 0.15),
    (0.03, 12.0, 0.15),
    (0.08, 12.0, 0.15),
    (0.15, 12.0, 0.1),
    (0.3, 12.0, 0.1),
)


@cache
def fleet() -> tuple[Speaker, ...]:
    return tuple(_fleet_speaker(visit) for visit in truth.first_visits())


@cache
def subwoofers() -> tuple[Speaker, ...]:
    return tuple(_fleet_speaker(visit) for visit in truth.subwoofers())


@cache
def made_up() -> tuple[Speaker, ...]:
    return tuple(_made_up(truth.first_visits()[0], *shape) for shape in SHAPES)


def speaker_of(run: int) -> tuple[Speaker, int]:
    """The speaker of a run and its number: the fleet's first, then those made up."""
    turn, place = divmod(run, MADE_UP_EVERY)
    if place == MADE_UP_EVERY - 1:
        number = turn % len(made_up())
        return made_up()[number], len(fleet()) + number
    number = (run - turn) % len(fleet())
    return fleet()[number], number


@dataclass(frozen=True, eq=False)
class Added:
    """What is added to the noiseless levels: unit_db (72, F) by the specimen; shared_db (F,) by the bench, and by the
    session and level where these are in; errors: those of single curves and sweeps, None for a measurement that has
    none of its own."""

    unit_db: Floats
    shared_db: Floats
    errors: Errors | None = None


def session_of(speaker: Speaker, added: Added) -> GridSession:
    """What comes of it on the analysis grid."""
    visit = speaker.visit
    level = speaker.level_db + added.unit_db + added.shared_db
    if added.errors is not None:
        level = level + added.errors.repeat_db(visit, curveset.SLOTS)
    session = truth.sessions_of([visit], grid.to_grid(FREQUENCY_HZ, level)[None])[0]
    if speaker.field is None:
        return replace(session, info=replace(session.info, powered=True))
    compression, distortion = _sweeps(speaker, added)
    ohm = phase = None
    if not visit.design.powered:
        bare = measure.impedance_of(visit.design, closed=visit.setting == "plugged")
        factor = 1.0 if added.errors is None else added.errors.impedance_factor(visit)
        ohm, phase = (
            np.asarray(part, np.float32)
            for part in electrical.on_grid(FREQUENCY_HZ, np.abs(bare) * factor, np.degrees(np.angle(bare)))
        )
    return replace(
        session, compression=compression, distortion=distortion, impedance_ohm=ohm, impedance_phase_deg=phase
    )


def _sweeps(speaker: Speaker, added: Added) -> tuple[GridSweeps, GridSweeps]:
    """Drives are set by what the bench's own microphone reads: where it reads too much, the true drives lie lower by
    that. A specimen that gives more level gives that much more before it is strained alike."""
    assert speaker.field is not None
    visit, errors = speaker.visit, added.errors
    stated = measure.drives_db(visit, speaker.field)
    unit = added.unit_db[curveset.ON_AXIS]
    band = band_of(visit.design)
    reads_more, gives_more = np.mean(added.shared_db[band]), np.mean(unit[band])
    strain = strain_of(visit.design, speaker.field, stated - reads_more - gives_more)
    level = strain.level_db + unit + added.shared_db
    tables = {"thd": strain.total, "multitone": strain.multitone, "multitone_hp80": strain.multitone_hp80}
    ratios = {name: 20.0 * np.log10(ratio) for name, ratio in tables.items()}
    if errors is not None:
        level = level + errors.compression_db(visit, stated.size)
        ratios = {name: table + errors.distortion_db(visit, name, stated.size) for name, table in ratios.items()}
    if visit.design.kind == "subwoofer":  # whose drives are kept as levels of another band than they are stated in
        axis = speaker.level_db[curveset.ON_AXIS] + unit + added.shared_db
        kept = (FREQUENCY_HZ >= 40.0) & (FREQUENCY_HZ <= 80.0)
        stated = stated + np.mean(axis[kept]) - np.mean(axis[band])
    names = tuple(name for name in ratios for _ in stated)
    table = np.minimum(np.concatenate(list(ratios.values())), 0.0)  # the analyser's scale ends at 100 %
    return (
        GridSweeps(stated, ("",) * stated.size, _rounded(level)),
        GridSweeps(np.tile(stated, len(ratios)), names, _rounded(table)),
    )


def _rounded(level_db: Floats) -> NDArray[np.float32]:
    return np.round(grid.to_grid(FREQUENCY_HZ, level_db), 2).astype(np.float32)


@dataclass(frozen=True, eq=False)
class Run:
    """One measurement and the three truths: judged, held (3, M), whether there was an interval and a truth, and whether
    it held that; limited (M,): the value is mostly noise."""

    judged: Flags
    held: Flags
    limited: Flags


def run_of(run: int, seed: int, speaker: Speaker, metrics: tuple[str, ...]) -> Run:
    """A speaker with a helping of errors of its own."""
    visit, errors = speaker.visit, Errors(f"coverage|{seed}|{run}")
    unit = errors.sample_db(visit, truth.COSINE)
    bench = errors.bench_db(visit)
    bought = errors.sample_db(replace(visit, sample=serial(visit.design, 99)), truth.COSINE)
    none = np.zeros_like(bench)
    measured = Added(unit, bench + errors.session_db(visit) + errors.level_db(visit), errors)
    every = derive(
        [
            session_of(speaker, added)
            for added in (measured, Added(unit, bench), Added(unit, none), Added(bought, none))
        ],
        metrics,
    ).values
    return judge(session_of(speaker, measured), f"{seed}|{run}", every)


def judge(session: GridSession, name: str, every: ValueTable) -> Run:
    """every: values of the measurement and of the truths of the three statements; name: what the draws are seeded with,
    so that each run has its own."""
    info = replace(session.info, lab=f"lab {name}", sample=f"sample {name}", run=f"run {name}")
    value = np.where(np.isin(every.censored[0], (0, BETWEEN)), every.value[0], np.nan)
    # of a value between two ends the interval reaches from below the lower to above the upper
    between = every.censored[0] == BETWEEN
    metrics = tuple(every.metrics)
    found = session_uncertainty(replace(session, info=info), name, metrics, value, TRUE_SIZES, every.upper[0]).columns
    least, most = (
        np.where(every.censored == 1, -np.inf, every.value),
        np.where(every.censored == 2, np.inf, np.where(every.censored == BETWEEN, every.upper, every.value)),
    )
    judged, held = [], []
    for row, kind in enumerate(STATEMENTS.values(), start=1):
        low, high = found[f"low{kind}"], found[f"high{kind}"]
        main = _reaches(low, high, least[row], most[row])
        whole = (low <= least[row]) & ((most[row] <= high) | np.isnan(high))
        main = np.where(between, whole, main)
        other = _reaches(found["other_low"], found["other_high"], least[row], most[row])
        judged.append(~np.isnan(every.value[row]) & ~np.isnan(found[f"low{kind}"]))
        held.append(judged[-1] & (main | other))
    return Run(np.stack(judged), np.stack(held), found["noise_limited"] == 1.0)


def _reaches(low: Floats, high: Floats, least: Floats, most: Floats) -> Flags:
    """Whether an interval holds a truth that is a number, or reaches one that is a bound; both to single precision."""
    slack = 1e-6 * np.maximum(np.abs(low), 1.0)
    return np.asarray((low - slack <= most) & (least <= high + slack))


Counts = dict[str, dict[str, list[int]]]  # metric -> group -> held, judged
GROUPS = ("fleet", "made_up", "noise_limited")


def simulate(runs: range, seed: int) -> dict[str, Counts]:
    """Statement -> metric -> group -> how many intervals held the truth, of how many."""
    counts = np.zeros((len(STATEMENTS), len(JUDGED), len(GROUPS), 2), int)
    for number in runs:
        speaker, place = speaker_of(number)
        run = run_of(number, seed, speaker, JUDGED)
        group = np.where(run.limited, 2, int(place >= len(fleet())))
        for j, g in enumerate(group.tolist()):
            counts[:, j, g] += np.stack([run.held[:, j], run.judged[:, j]], axis=1)
    return {
        statement: {
            m: {g: counts[s, j, k].tolist() for k, g in enumerate(GROUPS) if counts[s, j, k, 1]}
            for j, m in enumerate(JUDGED)
        }
        for s, statement in enumerate(STATEMENTS)
    }


def simulate_subwoofers(runs: range, seed: int) -> dict[str, dict[str, tuple[int, int]]]:
    """Statement -> metric of subwoofers -> how many intervals held the truth, of how many."""
    found = [run_of(n, seed, subwoofers()[n % len(subwoofers())], DEEP) for n in runs]
    held, judged = (np.sum([getattr(run, name) for run in found], axis=0) for name in ("held", "judged"))
    return {
        statement: {m: (int(held[s, j]), int(judged[s, j])) for j, m in enumerate(DEEP)}
        for s, statement in enumerate(STATEMENTS)
    }


def written(head: dict[str, int], tables: dict[str, Counts]) -> str:
    """As JSON, a line for each metric."""
    lines = [f' "{name}": {value}' for name, value in head.items()]
    for statement, table in tables.items():
        metrics = (f'  "{metric}": {json.dumps(groups)}' for metric, groups in table.items())
        lines.append(f' "{statement}": {{\n' + ",\n".join(metrics) + "\n }")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def main(arguments: list[str]) -> None:
    runs, seed = int(arguments[0]) if arguments else RUNS, int(arguments[1]) if len(arguments) > 1 else SEED
    tables = simulate(range(runs), seed)
    result = {
        "runs": runs,
        "seed": seed,
        "error_model": MODEL_VERSION,
        "speakers": len(fleet()),
        "made_up": len(made_up()),
    }
    RESULT.write_text(written(result, tables))
    for statement, table in tables.items():
        print(statement)
        for metric, groups in table.items():
            print(f"  {metric:34}" + "".join(f"  {g} {100 * h / n:5.1f} % of {n}" for g, (h, n) in groups.items()))


if __name__ == "__main__":
    main(sys.argv[1:])
