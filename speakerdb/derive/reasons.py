"""Why a value is withheld, in words that name what is missing: by rule, from what the metric reads
(method:metrics#why-a-value-is-withheld)."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.acoustics import curveset, gates, grid, output, response
from speakerdb.acoustics.bounds import AT_LEAST, BETWEEN
from speakerdb.derive.drives import COMPRESSION, HARMONICS, band_of, with_total
from speakerdb.metric import Curve, Electrical, Metric, Pattern, Read, Sphere, Swept, ValueTable
from speakerdb.metrics import METRICS
from speakerdb.session import GridSession, GridSweeps, SessionInfo

ONLY_SUBWOOFERS = "for subwoofers only"
SHAPE_RESOLUTION, SHAPE_SMOOTHING_OCT = 12.0, 1 / 12
Flags = NDArray[np.bool_]
DB = figures.Quantity("dB", 0)
VOLT, WATT = figures.Quantity("V", 1), figures.Quantity("W", 0)
SPARE = 0.9  # of what the bench could have given: a sweep that ends lower was ended by choice (own judgement)


def withhold(table: ValueTable, sessions: Sequence[GridSession], level_db: NDArray[np.float64]) -> None:
    """Blank what may not be given and say why for everything without a value. level_db (S, 72, 199)."""
    metrics = [METRICS[m] for m in table.metrics]
    why = [[says(s) for says, _ in RULES] for s in sessions]
    bears = np.array([[on(m) for m in metrics] for _, on in RULES], bool)
    ruled_out = np.array([[w is not None for w in row] for row in why], bool) @ bears
    table.value[ruled_out] = np.nan
    missing = np.isnan(table.value)
    table.censored[missing] = 0
    present = ~np.isnan(level_db)
    for i, j in np.argwhere(missing).tolist():
        first = next((w for w, on in zip(why[i], bears[:, j], strict=True) if on and w is not None), None)
        table.reason[i, metrics[j].id] = first or missing_words(sessions[i], metrics[j], present[i])


# what rules a metric out, whatever was measured: the words, if a session is of that sort, and which metrics that bears
# on


def _subwoofer(session: GridSession) -> str | None:
    return "a subwoofer: it refers to 300 Hz and above" if session.info.kind == "subwoofer" else None


def _not_subwoofer(session: GridSession) -> str | None:
    return ONLY_SUBWOOFERS if session.info.kind != "subwoofer" else None


def _powered(session: GridSession) -> str | None:
    return "a powered speaker" if session.info.powered else None


def _relative(session: GridSession) -> str | None:
    return "levels are relative" if session.info.level_is == "relative" else None


def _unscaled(session: GridSession) -> str | None:
    compression = session.compression
    if session.info.drive_scale == "relative" and (
        compression is None or bool(np.isnan(compression.level_db[0, band_of(session.info)]).any())
    ):
        return (
            "drives are relative and no compression sweep over "
            f"{figures.band(*grid.named(band_of(session.info)))} says what level they give"
        )
    return None


def _coarse(session: GridSession) -> str | None:
    points = session.resolution_per_octave
    if points >= SHAPE_RESOLUTION:
        return None
    if points == 0.0:
        return "no octave from 100 Hz up is measured whole; shape metrics need 12 points per octave"
    return f"raw data have {figures.plain(points, 3)} points per octave; shape metrics need 12"


def _smoothed(session: GridSession) -> str | None:
    declared = session.info.smoothing_oct
    if declared is None or declared <= SHAPE_SMOOTHING_OCT + 1e-9:
        return None
    return f"smoothed to 1/{figures.plain(1 / declared, 3)} octave; shape metrics need 1/12 or finer"


def _left_out(session: GridSession) -> str | None:
    info = session.info
    if not gates.leaves_out_shape(info):
        return None
    needs = f"shape metrics need {figures.band(*gates.SHAPE_HZ)}"
    low, high = gates.counted_hz(info)
    if info.bands:
        return f"its bands count over {figures.band(low or 0.0, high or 0.0, 3)}; {needs}"
    return f"{_gated(info)}; {needs}"


def _gated(info: SessionInfo) -> str:
    """'gated (5 ms) and counted from 400 Hz up'."""
    gate_ms = f"{figures.plain(info.gate_ms)} ms" if info.gate_ms else "length unknown"
    return f"gated ({gate_ms}) and counted from {figures.hertz(gates.counted_hz(info)[0] or 0.0, 3)} up"


def _short_gate(session: GridSession) -> str | None:
    needs = f"shape metrics need one of {figures.plain(gates.SHAPE_MS)} ms or longer"
    if gates.of_unknown_length(session.info):
        return f"a gate of unknown length (no gate_ms); {needs}"
    shortest = next(iter(gates.gates_ms(session.info)), None)
    if shortest is None or shortest >= gates.SHAPE_MS:
        return None
    return f"a gate of {figures.plain(shortest)} ms; {needs}"


RULES: tuple[tuple[Callable[[GridSession], str | None], Callable[[Metric], bool]], ...] = (
    (_subwoofer, lambda m: m.kinds == "not_subwoofer"),
    (_not_subwoofer, lambda m: m.kinds == "subwoofer"),
    (_relative, lambda m: m.absolute),
    (_powered, lambda m: bool(m.reading(Electrical))),
    (_unscaled, lambda m: bool(m.reading(Swept))),
    (_coarse, lambda m: m.fine),
    (_smoothed, lambda m: m.fine),
    (_left_out, lambda m: m.fine),
    (_short_gate, lambda m: m.fine),
)


def without_level(session: GridSession) -> bool:
    """Whether the drives of a session stand for no level at 1 m."""
    return any(says(session) is not None for says in (_relative, _unscaled))


# what stands beside a value


def beside(session: GridSession, metric: Metric, censored: int) -> str | None:
    """What was not measured of that which a value could have been limited by, whose end a bound shows, and what a gate
    hides, in words; None where nothing is to be said. censored: code into metric.CENSORED."""
    if metric.fine:
        return _hidden(session.info)
    kinds = {read.kind for read in metric.reading(Swept)}
    if COMPRESSION not in kinds:
        return None
    said = []
    if "thd" in kinds and _no_sweeps(session, COMPRESSION):
        said.append("compression not measured: distortion alone tells")
    elif "thd" in kinds and _no_sweeps(session, "thd"):
        said.append("distortion not measured: compression alone tells")
    if censored in (AT_LEAST, BETWEEN) and (words := _stopped(session)) is not None:
        said.append(words)
    return "; ".join(said) or None


def _hidden(info: SessionInfo) -> str | None:
    """What gates hide of the fine shape: a resonance that rings longer than they are open."""
    lengths = gates.gates_ms(info)
    if not lengths:
        return None
    # Q = f·T at 1 kHz: f/Q, a resonance's width, is then what a gate resolves, 1/T
    return (
        f"gated ({figures.plain(lengths[0])} ms): resonances with a Q above {figures.plain(lengths[0], 3)} at 1 kHz, "
        "and so on in proportion to frequency (f·T), are under-read"
    )


def _stopped(session: GridSession) -> str | None:
    """Who stopped at the highest drive, the speaker or the bench (method:metrics#speaker-or-bench)."""
    info, sweeps = session.info, session.compression
    if sweeps is None or info.bench_limit == "speaker":
        return None
    top = float(sweeps.drive_db.max())
    volts = None if info.powered or info.drive_voltage_v is None else info.drive_voltage_v * _above_axis(session, top)
    # where the axis was not measured throughout, its level is not known
    at = f"a drive of {DB.text(top)}"
    if volts is not None and not np.isnan(volts):
        at = f"{VOLT.text(volts)} ({WATT.text(volts**2 / 8.0)} into 8 Ω)"
    if info.bench_limit == "chosen":
        return f"the lab chose to stop at {at}"
    if volts is None:
        return f"the bench stopped at {at}, not the speaker" if info.bench_limit == "amplifier" else None
    if info.bench_max_v is not None and volts < SPARE * info.bench_max_v:
        return f"the sweep stopped at {at}, the bench could have given {VOLT.text(info.bench_max_v)}"
    return f"the bench stopped at {at}, not the speaker"


def _above_axis(session: GridSession, drive_db: float) -> float:
    """How many times the voltage of the response a drive takes: the on-axis mean over 300 Hz–3 kHz is its level."""
    axis = session.level_db[np.isclose(session.angle_deg, 0.0)][:, band_of(session.info)]
    return float(10.0 ** ((drive_db - axis.mean()) / 20.0))


# what is missing of that which a metric reads


def missing_words(session: GridSession, metric: Metric, present: Flags) -> str:
    """Why nothing could be computed. present (72, 199): which levels were measured."""
    reads = [read for read in metric.reads if not (isinstance(read, Curve) and not read.needed)]
    for look in (_absent, _gap):
        for read in reads:
            if (words := look(session, read, present)) is not None:
                return words
    if any(read.kind == COMPRESSION for read in metric.reading(Swept)) and _bent(session):
        return "it compresses already between the two lowest drives, and its limit is not reached"
    if metric.otherwise:
        return metric.otherwise.format(from_hz=figures.hertz(_whole_from_hz(session, reads, present), 3))
    first = reads[0]
    at = f" at the drives around {DB.text(first.at_db)}" if isinstance(first, Swept) and first.at_db is not None else ""
    return f"not measured throughout {first.band}{at}"


def _absent(session: GridSession, read: Read, present: Flags) -> str | None:
    """What was not measured at all."""
    if isinstance(read, Curve | Pattern):
        return curveset.missing_angles(read.slots, np.asarray(present.any(axis=-1))) or None
    if isinstance(read, Sphere):
        return "no full sphere measured" if session.sphere_power_db is None else None
    if isinstance(read, Electrical):
        if read.key == "voltage":
            return "no drive voltage given" if session.info.drive_voltage_v is None else None
        if read.key == "phase" and session.impedance_ohm is not None:
            return (
                "the impedance has no phase: it needs the column phase_deg"
                if session.impedance_phase_deg is None
                else None
            )
        return "no impedance measured" if session.impedance_ohm is None else None
    return _no_sweeps(session, read.kind)


def _gap(session: GridSession, read: Read, present: Flags) -> str | None:
    """What of the band, and of the drives, was not measured."""
    if isinstance(read, Curve | Pattern):
        words = lacking(read, present)
        return words and words + _for_the_gate(session.info, read)
    if isinstance(read, Sphere):
        assert session.sphere_power_db is not None
        return _range(~np.isnan(session.sphere_power_db), read, "the full sphere ")
    if isinstance(read, Electrical):
        there = session.impedance_phase_deg if read.key == "phase" else session.impedance_ohm
        return None if read.key == "voltage" or there is None else _range(~np.isnan(there), read, "impedance ")
    sweeps = _sweeps(session, read.kind)
    assert sweeps is not None
    return _range(_swept(sweeps), read, f"{output.SWEPT_WORDS[read.kind]} ") or _drives_lacking(sweeps, read)


def _for_the_gate(info: SessionInfo, read: Curve | Pattern) -> str:
    """That it is the gate which leaves out the low end of a band; empty where it isn't."""
    low, _ = gates.counted_hz(info)
    if low is None or info.bands or low <= max(info.valid_from_hz or 0.0, read.low_hz):
        return ""
    return f"; {_gated(info)}"


def lacking(read: Curve | Pattern, present: Flags) -> str | None:
    """What of the band is not measured of the slots, in words; None where nothing lacks. present (72, 199)."""
    band = grid.band(read.low_hz, read.high_hz)
    holed = [s for s in read.slots if not present[s, band].all()]
    if not holed:
        return None
    slot = curveset.ON_AXIS if curveset.ON_AXIS in holed else holed[0]
    return _range(present[slot], read, "" if slot == curveset.ON_AXIS else f"{curveset.name_of(slot)} ")


def _range(present: Flags, read: Read, what: str) -> str | None:
    """What of a read's band is not there, present (199,), in words; None where nothing lacks."""
    band = grid.band(read.low_hz, read.high_hz)
    if present[band].all():
        return None
    if not present.any():
        return f"{what}not measured"
    measured, inside = grid.FREQUENCY_HZ[present], grid.FREQUENCY_HZ[band]
    needs = f"the metric needs {read.band}"
    if measured[0] <= inside[0] and measured[-1] >= inside[-1]:
        hole = inside[~present[band]]
        return f"{what}not measured at {figures.band(hole[0], hole[-1], 3)}; {needs}"
    return f"{what}measured over {figures.band(measured[0], measured[-1], 3)}; {needs}"


def _sweeps(session: GridSession, kind: str) -> GridSweeps | None:
    """The sweeps of one kind."""
    if kind == COMPRESSION:
        return session.compression
    if session.distortion is None:
        return None
    every = with_total(session.distortion)
    rows = np.array([name == kind for name in every.component], bool)
    return GridSweeps(every.drive_db[rows], (kind,) * int(rows.sum()), every.level_db[rows]) if rows.any() else None


def _no_sweeps(session: GridSession, kind: str) -> str | None:
    sweeps = _sweeps(session, kind)
    if kind == COMPRESSION:
        if sweeps is None:
            return "no compression measured"
        return "compression measured at one drive; two are needed" if len(sweeps.drive_db) < 2 else None
    if sweeps is not None:
        return None
    if session.distortion is None:
        return "no distortion measured"
    single = [h for h in HARMONICS if h in session.distortion.component]
    only = f", and of its harmonics not all of h2 to h5 (only {', '.join(single)})" if single and kind == "thd" else ""
    return f"{output.SWEPT_WORDS[kind]} not measured{only}"


def _swept(sweeps: GridSweeps) -> Flags:
    """(199,) where at least two drives were measured, or one where there is but one."""
    return np.asarray((~np.isnan(sweeps.level_db)).sum(axis=0) >= min(2, len(sweeps.drive_db)))


def _drives_lacking(sweeps: GridSweeps, read: Swept) -> str | None:
    if read.at_db is None:
        return None
    drives = sorted(sweeps.drive_db)
    needs = f"the metric needs {DB.text(read.at_db)}"
    if len(drives) == 1:
        return f"measured at a drive of {DB.text(drives[0])} only; {needs}" if drives[0] != read.at_db else None
    if not drives[0] <= read.at_db <= drives[-1]:
        return f"measured at drives of {figures.span(drives[0], drives[-1])} dB; {needs}"
    return None


def _bent(session: GridSession) -> bool:
    sweeps = session.compression
    return sweeps is not None and not bool(
        output.compression(sweeps.drive_db, sweeps.level_db, session.info.kind == "subwoofer").linear
    )


def _whole_from_hz(session: GridSession, reads: Sequence[Read], present: Flags) -> float:
    """From where up, without a gap to 300 Hz, all that is read was measured."""
    whole = np.ones(len(grid.FREQUENCY_HZ), bool)
    for read in reads:
        if isinstance(read, Curve | Pattern):
            whole &= present[list(read.slots)].all(axis=0)
        elif isinstance(read, Swept) and (sweeps := _sweeps(session, read.kind)) is not None:
            whole &= _swept(sweeps)
    gaps = np.flatnonzero(~whole[: response.START])
    return float(grid.FREQUENCY_HZ[gaps[-1] + 1 if len(gaps) else 0])
