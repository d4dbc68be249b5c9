"""The work of `prepare`: recordings read, choices made, a session folder written (method:data#raw-recordings)."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.formats import raw_folder, session_out
from speakerdb.formats.problems import Problems
from speakerdb.formats.raw_folder import Angle, RawFolder
from speakerdb.formats.view import PREPARED_FILE, readable
from speakerdb.session import FloatArray, Sweep
from speakerdb.signals import background, gating, merging, reflection
from speakerdb.signals.arrival import sound_speed_m_s
from speakerdb.signals.reflection import Reflection
from speakerdb.upkeep import nonlinear
from speakerdb.upkeep.bass import Bass, bass_of
from speakerdb.upkeep.takes import REFERENCE_PA, Bench, Report, Take, moved, other_rate, pascal_per_unit, read_takes
from speakerdb.upkeep.timing import Ringing, Timing, resonances_of, timing_of

ComplexArray = NDArray[np.complex128]
Table = tuple[FloatArray, FloatArray]  # frequencies in Hz, levels in dB

TEMPERATURE_C = 20.0
_NOISE_POINTS_PER_OCTAVE = 3


@dataclass(frozen=True)
class Question:
    """What only the user knows; it is answered by its key in `confirmed`, or by another number."""

    key: str
    found: str
    expected: str


@dataclass(frozen=True)
class Merge:
    """Where near and far overlap, what is added to the near, and how far it may be off."""

    from_hz: float
    to_hz: float
    offset_db: float
    residual_db: float
    error_db: float

    @property
    def meet_hz(self) -> float:
        """The middle of the overlap: below the near counts, above the far."""
        return float(np.sqrt(self.from_hz * self.to_hz))


@dataclass(frozen=True)
class Choices:
    """What was chosen, or read back from prepared.toml."""

    gate_s: float
    valid_from_hz: float
    valid_to_hz: float
    arrival_s: Mapping[str, float]
    pascal_per_unit: float | None
    noise: tuple[tuple[float, float], ...]
    near_gate_s: float = gating.LONGEST_S
    merge: Merge | None = None
    confirmed: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Curves:
    """Responses around the speaker: level_db (n, F) at 1 m, NaN where not to be trusted, phase_deg (n, F)."""

    frequency_hz: FloatArray
    angles: tuple[Angle, ...]
    level_db: FloatArray
    phase_deg: FloatArray
    snr_db: FloatArray | None


@dataclass(frozen=True, eq=False)
class Prepared:
    """What `prepare` found in a folder."""

    raw: RawFolder
    bench: Bench
    takes: Mapping[str, Take]
    choices: Choices
    reflections: Mapping[str, Reflection | None]
    far: Curves
    near: Curves | None
    curves: Curves
    distortion: tuple[Sweep, ...]
    compression: tuple[Sweep, ...]
    timing: Timing | None
    resonances: tuple[Ringing, ...]
    questions: tuple[Question, ...]
    notes: tuple[str, ...]
    sha256: Mapping[str, str]


def prepare(folder: Path, report: Report = lambda _: None) -> Prepared:
    """Read a raw folder and choose. Raises DataError with all that is wrong in it."""
    problems = Problems(readable(str(folder)))
    raw = raw_folder.read_raw(folder, problems)
    if raw is None:
        raise problems.error()
    return _prepared(raw, problems, report, None)


def _prepared(raw: RawFolder, problems: Problems, report: Report, chosen: Choices | None) -> Prepared:
    """With the choices made, or as chosen."""
    bench, takes = read_takes(raw, problems, report)
    pascal = pascal_per_unit(raw, problems)
    microphone = raw.table(raw.said["microphone"], problems) if "microphone" in raw.said else None
    nonlinear.doubled(raw.levels, problems)
    silence = raw.recording(raw.said["silent"], problems, played=False) if "silent" in raw.said else None
    if bench is not None and silence is not None and silence.rate_hz != bench.rate_hz:
        problems.add(*other_rate(silence, bench.rate_hz), file=raw.said["silent"])
    tones = nonlinear.tones_of(raw, bench.rate_hz, problems) if bench is not None else ()
    problems.raise_if_any()
    assert bench is not None
    found = {
        a.file: reflection.first_reflection(takes[a.file].response, takes[a.file].at, bench.rate_hz) for a in raw.angles
    }
    known_s = min(take.known_s for take in takes.values())
    gate_s = chosen.gate_s if chosen is not None else _gate_s(found, known_s, problems)
    problems.raise_if_any()
    if chosen is None:
        arrivals = {file: take.sample / bench.rate_hz for file, take in takes.items()}
        chosen = Choices(gate_s, *_valid_hz(bench, gate_s, microphone), arrivals, pascal, ())
        made = True
    else:
        takes = {file: moved(take, chosen.arrival_s.get(file), bench.rate_hz) for file, take in takes.items()}
        made = False
    speed = sound_speed_m_s(float(raw.said.get("temperature_c", TEMPERATURE_C)))
    silent = silence.samples[raw.channel] if silence is not None else None
    far = _far(raw, bench, takes, chosen, microphone, silent)
    bass = bass_of(raw, bench, takes, chosen.near_gate_s, speed, problems)
    problems.raise_if_any()
    near = _near(raw, bench, bass, chosen, microphone) if bass is not None else None
    if made and bass is not None and near is not None:
        chosen = _with_merge(chosen, bass, near, far, microphone, problems)
    curves = _merged(far, near, bass, chosen)
    valid, meet_hz = (chosen.valid_from_hz, chosen.valid_to_hz), chosen.merge.meet_hz if chosen.merge else None
    made_of = (raw, bench, takes, chosen.gate_s)
    distortion = (*nonlinear.distortion_of(*made_of, valid, bass, meet_hz, problems), *tones)
    distance = float(raw.said.get("distance_m", 1.0))
    to_level = partial(_level_db, f=far.frequency_hz, scale=_scale(chosen) * distance, microphone=microphone)
    compression = nonlinear.compression_of(*made_of, to_level, problems)
    if far.snr_db is None:
        problems.warn("the recordings end with the sweep: noise is not known (`silent` in raw.toml tells it)")
    elif not chosen.noise:
        chosen = dataclasses.replace(chosen, noise=_noise_table(raw, far, bass, chosen))
    if chosen.pascal_per_unit is None:
        problems.warn("no calibrator: levels are relative")
    questions = tuple(q for q in _questions(raw, chosen, found, speed) if q.key not in chosen.confirmed)
    notes, sha256 = tuple(problems.warnings), raw.digests(problems)
    heard = (found, far, near, curves, distortion, compression, *_time(raw, far, curves, chosen))
    return Prepared(raw, bench, takes, chosen, *heard, questions, notes, sha256)


def _ms(seconds: float) -> str:
    return figures.number(seconds * 1000.0, 2)


def _earliest(found: Mapping[str, Reflection | None]) -> tuple[str, Reflection] | None:
    """The file whose first reflection begins first, and that reflection."""
    there = [(file, at) for file, at in found.items() if at is not None]
    return min(there, key=lambda one: one[1].start_s) if there else None


def _gate_s(found: Mapping[str, Reflection | None], known_s: float, problems: Problems) -> float:
    """The gate for all angles: it ends before the earliest reflection of any, and where nothing more is known."""
    first = _earliest(found)
    if first is None:
        return min(gating.LONGEST_S, known_s)
    gate_s = min(np.floor((first[1].start_s - reflection.EARLY_S) * 1e5) / 1e5, gating.LONGEST_S, known_s)
    if gate_s < gating.SHORTEST_S:
        problems.add(
            f"a first reflection {_ms(first[1].start_s)} ms after the arrival",
            f"more than {figures.plain(gating.SHORTEST_S * 1000.0)} ms: speaker and microphone farther from floor and "
            "walls",
            file=first[0],
        )
    return float(gate_s)


def _valid_hz(bench: Bench, gate_s: float, microphone: Table | None) -> tuple[float, float]:
    """What the gate, the sweep and the microphone's file leave."""
    low = max(gating.COUNTS_FROM / gate_s, bench.excitation.f_low_hz)
    high = min(bench.excitation.f_high_hz, 0.499 * bench.rate_hz)
    if microphone is not None:
        low, high = max(low, float(microphone[0][0])), min(high, float(microphone[0][-1]))
    return low, high


def _noise(
    raw: RawFolder, bench: Bench, takes: Mapping[str, Take], silence: FloatArray | None, gate_s: float
) -> FloatArray | None:
    """Mean power (F,) of the noise in the gate: of silence, else of all late tails; None where neither tells."""
    if silence is not None:
        step = gating.transform_length(bench.rate_hz) / bench.length
        at = np.round(bench.bins / step).astype(np.int64)
        weight = np.abs(bench.inverse[at]) ** 2 * bench.excitation.amplitude**2 / 2.0
        return background.of_silence(silence, weight, gate_s, bench.rate_hz, bench.bins)
    tails = [takes[a.file].tail for a in raw.angles]
    found = [background.of_tail(t, 0, len(t), gate_s, bench.rate_hz, bench.bins) for t in tails]
    known = [one for one in found if one is not None]
    return np.asarray(np.mean(known, axis=0)) if known else None


def _far(
    raw: RawFolder,
    bench: Bench,
    takes: Mapping[str, Take],
    chosen: Choices,
    microphone: Table | None,
    silence: FloatArray | None,
) -> Curves:
    """Gated spectra as levels at 1 m, NaN where the gate tells nothing or noise covers them."""
    f, rate = bench.frequency_hz, bench.rate_hz
    parts = [gating.gated(takes[a.file].response, takes[a.file].at, chosen.gate_s, rate) for a in raw.angles]
    spectra = gating.spectrum(np.array([p for p, _ in parts]), parts[0][1], rate, bench.bins)
    if raw.loopback is not None:  # one time for all: that of the axis, else of the first
        axis = next((a for a in raw.angles if a.on_axis), raw.angles[0])
        late = np.array([takes[a.file].sample - takes[axis.file].sample for a in raw.angles])
        spectra = spectra * np.exp(-2j * np.pi * f * late[:, None] / rate)
    noise = _noise(raw, bench, takes, silence, chosen.gate_s)
    snr = background.snr_db(np.abs(spectra) ** 2, noise, f) if noise is not None else None
    level = _level_db(spectra, f, _scale(chosen) * float(raw.said.get("distance_m", 1.0)), microphone)
    level[:, f < gating.COUNTS_FROM / chosen.gate_s] = np.nan
    if snr is not None:
        level[snr < background.LEAST_SNR_DB] = np.nan
    return Curves(f, raw.angles, level, np.degrees(np.angle(spectra)), snr)


def _near(raw: RawFolder, bench: Bench, bass: Bass, chosen: Choices, microphone: Table | None) -> Curves:
    """The bass in each direction as levels at 1 m, NaN where it does not hold or noise covers it."""
    f = bench.frequency_hz
    level = _level_db(bass.far, f, _scale(chosen), microphone)
    level[:, (f < bass.low_hz) | (f > bass.high_hz)] = np.nan
    if bass.snr_db is not None:
        level[:, bass.snr_db < background.LEAST_SNR_DB] = np.nan
    return Curves(f, raw.angles, level, np.degrees(np.angle(bass.far)), None)


def _scale(chosen: Choices) -> float:
    """Pressure re 20 µPa where the microphone's samples are 1; 1 where that is unknown."""
    return 1.0 if chosen.pascal_per_unit is None else chosen.pascal_per_unit / REFERENCE_PA


def _level_db(spectra: ComplexArray, f: FloatArray, scale: float, microphone: Table | None) -> FloatArray:
    """Spectra as levels in dB, the microphone's own response taken off."""
    level = 20.0 * np.log10(np.maximum(np.abs(spectra), 1e-30) * scale)
    if microphone is not None:
        level -= np.interp(np.log(f), np.log(microphone[0]), microphone[1])
    return np.asarray(level)


def _time(raw: RawFolder, far: Curves, curves: Curves, chosen: Choices) -> tuple[Timing | None, tuple[Ringing, ...]]:
    """Excess delay of the axis, and the resonances that the gate shows."""
    f, row = curves.frequency_hz, next((i for i, a in enumerate(raw.angles) if a.on_axis), None)
    if row is None:
        return None, ()
    crossover_hz = raw.said.get("crossover_hz")
    timing = timing_of(f, curves.level_db[row], curves.phase_deg[row], crossover_hz)
    sigma = np.zeros(f.size) if far.snr_db is None else background.scatter_db(far.snr_db[row], f, chosen.gate_s)
    inside = (f >= chosen.valid_from_hz) & (f <= chosen.valid_to_hz)
    gated = np.where(inside, far.level_db, np.nan)
    return timing, resonances_of(f, raw.angles, gated, sigma, chosen.gate_s)


def _with_merge(
    chosen: Choices, bass: Bass, near: Curves, far: Curves, microphone: Table | None, problems: Problems
) -> Choices:
    """The choices with where near and far meet; as they were, and the reason told, where they do not."""
    band = merging.overlap_hz(chosen.gate_s, bass.high_hz)
    if chosen.gate_s >= gating.LONGEST_S:
        problems.warn("no reflection was found, so the recordings near the sources are not needed")
        return chosen
    if band is None:
        needed = f"a gate of at least {_ms(merging.gate_needed_s(bass.high_hz))} ms is needed"
        problems.warn(f"the bass is not merged: near and far overlap by less than a third of an octave; {needed}")
        return chosen
    angle = np.array([a.angle_deg for a in near.angles])
    found = merging.join(near.frequency_hz, near.level_db, far.level_db, angle, band)
    if found is None:
        problems.warn("the bass is not merged: noise covers the overlap of near and far")
        return chosen
    low = bass.low_hz if microphone is None else max(bass.low_hz, float(microphone[0][0]))
    error = float(np.hypot(bass.error_db, found.residual_db))
    merge = Merge(found.from_hz, found.to_hz, found.offset_db, found.residual_db, error)
    return dataclasses.replace(chosen, valid_from_hz=low, merge=merge)


def _merged(far: Curves, near: Curves | None, bass: Bass | None, chosen: Choices) -> Curves:
    """What is written: far and near joined, cut to the valid band."""
    f, level, phase = far.frequency_hz, far.level_db, far.phase_deg
    if chosen.merge is not None and near is not None and bass is not None:
        share = merging.faded(f, (chosen.merge.from_hz, chosen.merge.to_hz))
        level = merging.merged_db(near.level_db + chosen.merge.offset_db, level, share)
        phase = merging.merged_phase_deg(f, near.phase_deg, phase, share)
    inside = (f >= chosen.valid_from_hz) & (f <= chosen.valid_to_hz)
    return dataclasses.replace(far, level_db=np.where(inside, level, np.nan), phase_deg=phase)


def _noise_table(raw: RawFolder, far: Curves, bass: Bass | None, chosen: Choices) -> tuple[tuple[float, float], ...]:
    """Standard deviation that noise gives the level on axis (else of the first curve), three points an octave."""
    row = next((i for i, a in enumerate(raw.angles) if a.on_axis), 0)
    f = far.frequency_hz
    assert far.snr_db is not None
    sd = background.scatter_db(far.snr_db[row], f, chosen.gate_s)
    if chosen.merge is not None and bass is not None and bass.snr_db is not None:
        below = f < chosen.merge.meet_hz
        sd = np.where(below, background.scatter_db(bass.snr_db, f, chosen.near_gate_s), sd)
    low, high = chosen.valid_from_hz, chosen.valid_to_hz
    count = max(int(np.log2(high / low) * _NOISE_POINTS_PER_OCTAVE), 1) + 1
    at = np.geomspace(low, high, count)
    values = np.interp(np.log(at), np.log(f), sd)
    return tuple((float(f), float(s)) for f, s in zip(at, values, strict=True))


def _questions(raw: RawFolder, chosen: Choices, found: Mapping[str, Reflection | None], speed: float) -> list[Question]:
    """What the recordings and raw.toml say differently."""
    asked: list[Question] = []
    first = _earliest(found)
    if "mic_height_m" in raw.said:
        distance = float(raw.said.get("distance_m", 1.0))
        expected = reflection.from_heights_s(distance, float(raw.said["mic_height_m"]), speed)
        apart = first is None or abs(first[1].peak_s - expected) > reflection.HEIGHTS_APART_S
        unsafe = min(expected, first[1].start_s if first else np.inf) - reflection.EARLY_S
        if apart and chosen.gate_s > unsafe - 1e-6:  # else the user has shortened it
            seen = "none" if first is None else f"{_ms(first[1].peak_s)} ms after the arrival"
            asked.append(
                Question(
                    "first_reflection",
                    f"a first reflection: {seen}, where the heights say {_ms(expected)} ms",
                    f"gate_ms below {_ms(unsafe)}, or the reflection confirmed",
                )
            )
    if (merge := chosen.merge) is not None:
        if abs(merge.offset_db) > merging.ASKED_OFFSET_DB:
            asked.append(
                Question(
                    "merge_offset",
                    f"a bass that lies {figures.number(-merge.offset_db, 1, signed=True)} dB from the rest over their "
                    "overlap",
                    f"at most {figures.plain(merging.ASKED_OFFSET_DB)} dB where gains are the same, or it confirmed",
                )
            )
        if merge.residual_db > merging.ASKED_RESIDUAL_DB:
            asked.append(
                Question(
                    "merge_shape",
                    f"bass and rest {figures.number(merge.residual_db, 1)} dB apart in shape over their overlap",
                    f"at most {figures.plain(merging.ASKED_RESIDUAL_DB)} dB: check sizes, places and gaps in raw.toml, "
                    "or confirm it",
                )
            )
    return asked


def write_choices(found: Prepared) -> Path:
    """Write prepared.toml into the raw folder; one that said otherwise is kept beside it, under a name of its own."""
    target = found.raw.path / PREPARED_FILE
    content = session_out.choices_text(_as_keys(found), _remarks(found)).encode()
    if target.exists() and (old := target.read_bytes()) != content:
        kept = target.with_name(f"prepared.{hashlib.sha256(old).hexdigest()[:6]}.toml")
        kept.write_bytes(old)
    target.write_bytes(content)
    return target


def _as_keys(found: Prepared) -> dict[str, Any]:
    """The choices as prepared.toml has them."""
    c = found.choices
    keys: dict[str, Any] = {
        "confirmed": list(c.confirmed),
        "gate_ms": round(c.gate_s * 1000.0, 4),
        "valid_from_hz": round(c.valid_from_hz, 3),
        "valid_to_hz": round(c.valid_to_hz, 3),
        "noise": [[round(f, 1), round(s, 4)] for f, s in c.noise],
    }
    if c.pascal_per_unit is not None:
        keys["pascal_per_unit"] = session_out.significant(c.pascal_per_unit)
    if c.merge is not None:
        keys["near_gate_ms"] = round(c.near_gate_s * 1000.0, 4)
        keys["merge"] = {name: round(value, 4) for name, value in dataclasses.asdict(c.merge).items()}
    keys["arrival_ms"] = {file: round(at * 1000.0, 5) for file, at in c.arrival_s.items()}
    keys["sha256"] = dict(found.sha256)
    return keys


def _remarks(found: Prepared) -> dict[str, str]:
    """What stands beside the keys of prepared.toml."""
    first = _earliest(found.reflections)
    seen = (
        "no reflection was found" if first is None else f"a reflection from {_ms(first[1].start_s)} ms on: {first[0]}"
    )
    return {
        "gate_ms": seen,
        "valid_from_hz": f"{figures.plain(gating.COUNTS_FROM)}/gate, or where the sweep begins",
        "pascal_per_unit": "by the calibrator, 94 dB",
        "noise": "standard deviation in dB that noise gives the level on axis, by frequency",
        "confirmed": 'questions answered by "it is right so", by their names',
    }


def accept(folder: Path, out: Path, report: Report = lambda _: None) -> Prepared:
    """Write the session folder `out` by the choices in prepared.toml.

    Raises DataError: recordings that are others than when they were prepared, questions left open, facts that are
    missing; nothing is written then.
    """
    problems = Problems(readable(str(folder)))
    raw = raw_folder.read_raw(folder, problems)
    said = raw_folder.read_choices(folder, problems)
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        problems.add(f"{readable(str(out))}, which is there already", "a new folder, or an empty one")
    if raw is None or said is None or problems.items:
        raise problems.error()
    _refuse_others(raw, said, problems)
    problems.raise_if_any()
    found = _prepared(raw, problems, report, _from_keys(said))
    for question in found.questions:
        expected = f'{question.expected} (confirmed = ["{question.key}"])'
        problems.ask(question.found, expected, file=PREPARED_FILE, key=question.key)
    session_out.check_facts(_session_keys(found), problems)
    problems.raise_if_any()
    tables = {"distortion": found.distortion, "compression": found.compression}
    session_out.write_session(out, _session_keys(found), _table(found), tables, _impulses(found), _choices_bytes(raw))
    return found


def _choices_bytes(raw: RawFolder) -> bytes:
    return (raw.path / PREPARED_FILE).read_bytes()


def _refuse_others(raw: RawFolder, said: Mapping[str, Any], problems: Problems) -> None:
    """Note files that are others than those which the choices rest on."""
    now = raw.digests(problems)
    for file in sorted({*now, *said["sha256"]}):
        if now.get(file) != said["sha256"].get(file):
            found = "no such file" if file not in now else "a changed file" if file in said["sha256"] else "a new file"
            problems.add(found, "the files that were prepared; else run `speakerdb prepare` again", file=file)


def _from_keys(said: Mapping[str, Any]) -> Choices:
    merge = said.get("merge")
    return Choices(
        said["gate_ms"] / 1000.0,
        float(said["valid_from_hz"]),
        float(said["valid_to_hz"]),
        {file: at / 1000.0 for file, at in said["arrival_ms"].items()},
        said.get("pascal_per_unit"),
        tuple((float(f), float(s)) for f, s in said.get("noise", ())),
        said.get("near_gate_ms", gating.LONGEST_S * 1000.0) / 1000.0,
        None if merge is None else Merge(**{name: float(value) for name, value in merge.items()}),
        tuple(said.get("confirmed", ())),
    )


def _session_keys(found: Prepared) -> dict[str, Any]:
    """The keys of session.toml: the user's facts, and what was chosen."""
    c, raw = found.choices, found.raw
    gated = c.gate_s < gating.LONGEST_S
    keys: dict[str, Any] = {key: raw.said[key] for key in raw_folder.SIZES if key in raw.said}
    keys |= dict(raw.facts)
    keys.setdefault("method", "gated" if gated else "anechoic")
    keys["distance_m"] = float(raw.said.get("distance_m", 1.0))
    keys["level_is"] = "spl_1m" if c.pascal_per_unit is not None else "relative"
    keys["zero_sample"] = round(gating.lead_of(c.gate_s) * found.bench.rate_hz)
    keys["time_reference"] = "loopback" if raw.loopback is not None else "none"
    keys["valid_from_hz"], keys["valid_to_hz"] = round(c.valid_from_hz, 3), round(c.valid_to_hz, 3)
    gate_ms = round(c.gate_s * 1000.0, 4)
    errors: dict[str, Any] = {}
    if c.noise:
        errors["noise"] = [[round(f, 1), round(s, 4)] for f, s in c.noise]
    if c.merge is not None:
        meet, low, high = round(c.merge.meet_hz, 1), keys["valid_from_hz"], keys["valid_to_hz"]
        keys["bands"] = [
            {"from_hz": low, "to_hz": meet, "method": "near-field"},
            {"from_hz": meet, "to_hz": high, "method": "gated", "gate_ms": gate_ms},
        ]
        errors["merge"] = [[round(c.merge.from_hz, 1), round(c.merge.error_db, 3)], [round(c.merge.to_hz, 1), 0.0]]
    elif gated:
        keys["gate_ms"] = gate_ms
    own = raw.facts.get("uncertainty", {})
    if errors and isinstance(own, dict):
        keys["uncertainty"] = errors | own
    return keys


def _table(found: Prepared) -> session_out.ResponseTable:
    curves = found.curves
    return session_out.ResponseTable(
        curves.frequency_hz,
        [a.horizontal for a in curves.angles],
        [a.angle_deg for a in curves.angles],
        curves.level_db,
        curves.phase_deg,
    )


def _impulses(found: Prepared) -> Sequence[session_out.Impulse]:
    """The gated responses as they were measured: the axis longer than the others."""
    made = []
    for angle in found.raw.angles:
        take, rate = found.takes[angle.file], found.bench.rate_hz
        part, lead = gating.gated(take.response, take.at, found.choices.gate_s, rate)
        longest = session_out.AXIS_SAMPLES if angle.on_axis else session_out.OTHER_SAMPLES
        made.append(session_out.Impulse(angle.horizontal, angle.angle_deg, part[:longest], lead, rate))
    return made
