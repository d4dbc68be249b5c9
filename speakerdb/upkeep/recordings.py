"""The work of `prepare`: recordings read, choices made, a session folder written (method:data#raw-recordings)."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.formats import raw_folder, session_out
from speakerdb.formats.audio import Audio
from speakerdb.formats.problems import Problems
from speakerdb.formats.raw_folder import Angle, RawFolder
from speakerdb.formats.view import PREPARED_FILE, readable
from speakerdb.session import FloatArray
from speakerdb.signals import background, deconvolution, gating, reflection
from speakerdb.signals.arrival import arrival, sound_speed_m_s
from speakerdb.signals.deconvolution import Excitation
from speakerdb.signals.reflection import Reflection

ComplexArray = NDArray[np.complex128]
Report = Callable[[str], None]

CLEAR_DB = 20.0  # by which an arrival stands over the noise
CALIBRATOR_DB = 94.0
REFERENCE_PA = 20e-6
CALIBRATOR_PA = REFERENCE_PA * 10.0 ** (CALIBRATOR_DB / 20.0)
TEMPERATURE_C = 20.0
_BEFORE_S, _AFTER_S = 0.06, 0.56  # of a response, what is kept around the arrival
_TAIL_AFTER_S = 0.2  # after the arrival, where the late tail may begin
_CUT_S = 0.002  # by which a recording may end too early
_SILENT = 1e-6  # amplitude of a reference that holds nothing
_TONE_OCT = 1 / 3  # around a calibrator's tone
_NOISE_POINTS_PER_OCTAVE = 3
NEAR_LEAD_S = 0.05  # nothing stands before the arrival there, and the lowest octaves ring before it


@dataclass(frozen=True, eq=False)
class Take:
    """A recording as the impulse response around its arrival. response (n,), at: the arrival's place in it; sample:
    its place on the circle; tail (m,): what comes later, and holds noise only."""

    file: str
    response: FloatArray
    at: int
    sample: int
    tail: FloatArray


@dataclass(frozen=True, eq=False)
class Bench:
    """What all recordings share."""

    excitation: Excitation
    length: int
    inverse: ComplexArray
    rate_hz: float

    @property
    def bins(self) -> NDArray[np.int64]:
        return gating.bins(self.rate_hz)

    @property
    def frequency_hz(self) -> FloatArray:
        return gating.frequencies_hz(self.rate_hz, self.bins)


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
    error_db: float


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
    curves: Curves
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
    bench, takes = _read(raw, problems, report)
    pascal = _pascal_per_unit(raw, problems)
    microphone = raw.table(raw.said["microphone"], problems) if "microphone" in raw.said else None
    silence = raw.recording(raw.said["silent"], problems, played=False) if "silent" in raw.said else None
    if bench is not None and silence is not None and silence.rate_hz != bench.rate_hz:
        problems.add(*_other_rate(silence, bench.rate_hz), file=raw.said["silent"])
    problems.raise_if_any()
    assert bench is not None
    found = {
        a.file: reflection.first_reflection(takes[a.file].response, takes[a.file].at, bench.rate_hz) for a in raw.angles
    }
    gate_s = chosen.gate_s if chosen is not None else _gate_s(found, problems)
    problems.raise_if_any()
    if chosen is None:
        chosen = Choices(
            gate_s,
            *_valid_hz(bench, gate_s, microphone),
            {file: take.sample / bench.rate_hz for file, take in takes.items()},
            pascal,
            (),
        )
    else:
        takes = {file: _moved(take, chosen.arrival_s.get(file), bench.rate_hz) for file, take in takes.items()}
    noise = _noise(raw, bench, takes, silence.samples[raw.channel] if silence is not None else None, chosen.gate_s)
    curves = _curves(raw, bench, takes, chosen, microphone, noise)
    if noise is None:
        problems.warn(
            "the recordings end with the sweep: background noise is not known (`silent` in raw.toml tells it)"
        )
    if not chosen.noise and curves.snr_db is not None:
        chosen = dataclasses.replace(chosen, noise=_noise_table(raw, curves, chosen))
    if chosen.pascal_per_unit is None:
        problems.warn("no calibrator: levels are relative")
    questions = tuple(q for q in _questions(raw, chosen, found) if q.key not in chosen.confirmed)
    return Prepared(
        raw, bench, takes, chosen, found, curves, questions, tuple(problems.warnings), raw.digests(problems)
    )


def _read(raw: RawFolder, problems: Problems, report: Report) -> tuple[Bench | None, dict[str, Take]]:
    """Every recording of a sweep as an impulse response."""
    bench: Bench | None = None
    takes: dict[str, Take] = {}
    reference = _reference(raw, problems)
    described = all(key in raw.said for key in ("f_low_hz", "f_high_hz", "seconds"))
    if reference is None and ("reference" in raw.said or not (described or raw.loopback is not None)):
        return None, {}  # said already what is wrong with it; nothing can be read without it
    for file in (*(a.file for a in raw.angles), *(n.file for n in raw.near), *(d.file for d in raw.levels)):
        audio = raw.recording(file, problems)
        if audio is None:
            continue
        report(file)
        if bench is None:
            excitation = reference or _played(raw, audio, file, problems)
            if excitation is None:
                return None, {}
            if excitation.rate_hz == audio.rate_hz:
                length = deconvolution.padded_length(excitation, audio.samples.shape[1])
                bench = Bench(excitation, length, deconvolution.inverse(excitation, length), audio.rate_hz)
        rate_hz = bench.rate_hz if bench is not None else reference.rate_hz if reference is not None else audio.rate_hz
        if audio.rate_hz != rate_hz or bench is None:
            problems.add(*_other_rate(audio, rate_hz), file=file)
            continue
        take = _take(raw, bench, audio, file, problems)
        if take is not None:
            takes[file] = take
    return bench, takes


def _other_rate(audio: Audio, rate_hz: float) -> tuple[str, str]:
    return f"{figures.plain(audio.rate_hz)} samples a second", f"{figures.plain(rate_hz)}, as the others have"


def _reference(raw: RawFolder, problems: Problems) -> Excitation | None:
    """The sweep of `reference`; None where there is none, or with a problem noted."""
    if "reference" not in raw.said:
        return None
    file = raw.said["reference"]
    audio = raw.recording(file, problems, heard=False)
    return (
        _fitted(raw, audio.samples[min(raw.channel, len(audio.samples) - 1)], audio.rate_hz, file, problems)
        if audio
        else None
    )


def _played(raw: RawFolder, audio: Audio, file: str, problems: Problems) -> Excitation | None:
    """The sweep that the first recording's loopback holds, or that raw.toml describes."""
    if raw.loopback is not None:
        return _fitted(raw, audio.samples[raw.loopback], audio.rate_hz, file, problems)
    low, high = float(raw.said["f_low_hz"]), float(raw.said["f_high_hz"])
    if high > audio.rate_hz / 2.0:
        found = f"{figures.plain(high)} Hz, above half of {figures.plain(audio.rate_hz)} samples a second"
        problems.add(found, "a frequency that the recordings can hold", file=raw_folder.RAW_FILE, key="f_high_hz")
        return None
    return deconvolution.exponential_sweep(low, high, float(raw.said["seconds"]), audio.rate_hz)


def _fitted(raw: RawFolder, samples: FloatArray, rate_hz: float, file: str, problems: Problems) -> Excitation | None:
    if float(np.abs(samples).max()) < _SILENT:
        problems.add("a silent reference", "the sweep as it was played", file=file)
        return None
    found = deconvolution.fitted(samples, rate_hz)
    if found is None:
        problems.add("a reference that is no exponential sweep", "the sweep as it was played", file=file)
        return None
    low, high = raw.said.get("f_low_hz", found.f_low_hz), raw.said.get("f_high_hz", found.f_high_hz)
    return dataclasses.replace(found, f_low_hz=float(low), f_high_hz=min(float(high), 0.499 * rate_hz))


def _take(raw: RawFolder, bench: Bench, audio: Audio, file: str, problems: Problems) -> Take | None:
    """One recording as an impulse response; None with problems noted."""
    heard, rate, excitation, inverse = audio.samples[raw.channel], bench.rate_hz, bench.excitation, bench.inverse
    if raw.loopback is not None:
        played = _fitted(raw, audio.samples[raw.loopback], rate, file, problems)
        if played is None:
            return None
        excitation, inverse = played, deconvolution.inverse(played, bench.length)
    if len(heard) > bench.length:
        problems.add("a recording far longer than the first", "recordings of about one length", file=file)
        return None
    response = deconvolution.deconvolve(heard, inverse, bench.length)
    response *= excitation.amplitude / np.sqrt(2.0)  # RMS of the sound where the sweep's sine passes each frequency
    sample, clear_db = arrival(response, rate)
    if clear_db < CLEAR_DB:
        found = f"no arrival: the response's peak stands {figures.number(max(clear_db, 0.0))} dB over the noise"
        problems.add(
            found,
            f"at least {figures.plain(CLEAR_DB)} dB: more level, less noise, or the sweep that was played",
            file=file,
        )
        return None
    room = len(heard) - excitation.end  # samples that are there after the sweep
    if sample > room + _CUT_S * rate and sample < bench.length - excitation.end:
        found = "a recording that ends before the sweep does"
        problems.add(found, f"at least {figures.number((excitation.end + sample) / rate, 1)} s", file=file)
        return None
    before, after = round(_BEFORE_S * rate), round(_AFTER_S * rate)
    around = response[(np.arange(-before, after) + sample) % bench.length]
    first = max(sample + round(_TAIL_AFTER_S * rate), (sample + room) // 2)
    return Take(file, around, before, sample, response[first : max(room, first)])


def _moved(take: Take, at_s: float | None, rate_hz: float) -> Take:
    """A take whose arrival the user has set elsewhere."""
    if at_s is None:
        return take
    shift = round(at_s * rate_hz) - take.sample
    return dataclasses.replace(take, at=take.at + shift, sample=take.sample + shift)


def _ms(seconds: float) -> str:
    return figures.number(seconds * 1000.0, 2)


def _pascal_per_unit(raw: RawFolder, problems: Problems) -> float | None:
    """From the calibrator's tone, whose RMS is 94 dB: what lies within ±1/6 octave of the strongest frequency."""
    if "calibrator" not in raw.said:
        return None
    audio = raw.recording(raw.said["calibrator"], problems, played=False)
    if audio is None:
        return None
    spectrum = np.fft.rfft(audio.samples[raw.channel] - audio.samples[raw.channel].mean())
    frequency = np.fft.rfftfreq(audio.samples.shape[1], 1.0 / audio.rate_hz)
    power = np.abs(spectrum) ** 2
    tone = frequency[int(np.argmax(power))]
    inside = (frequency >= tone * 2.0 ** (-_TONE_OCT / 2)) & (frequency <= tone * 2.0 ** (_TONE_OCT / 2))
    rms = float(np.sqrt(2.0 * power[inside].sum())) / audio.samples.shape[1]
    if rms < _SILENT:
        problems.add(
            "a silent calibrator", "a recording of the microphone in a calibrator of 94 dB", file=raw.said["calibrator"]
        )
        return None
    return float(CALIBRATOR_PA / rms)


def _earliest(found: Mapping[str, Reflection | None]) -> tuple[str, Reflection] | None:
    """The file whose first reflection begins first, and that reflection."""
    there = [(file, at) for file, at in found.items() if at is not None]
    return min(there, key=lambda one: one[1].start_s) if there else None


def _gate_s(found: Mapping[str, Reflection | None], problems: Problems) -> float:
    """The gate for all angles: it ends before the earliest reflection of any."""
    first = _earliest(found)
    if first is None:
        return gating.LONGEST_S
    gate_s = min(np.floor((first[1].start_s - reflection.EARLY_S) * 1e5) / 1e5, gating.LONGEST_S)
    if gate_s < gating.SHORTEST_S:
        problems.add(
            f"a first reflection {_ms(first[1].start_s)} ms after the arrival",
            f"more than {figures.plain(gating.SHORTEST_S * 1000.0)} ms: speaker and microphone farther from floor and "
            "walls",
            file=first[0],
        )
    return float(gate_s)


def _valid_hz(bench: Bench, gate_s: float, microphone: tuple[FloatArray, FloatArray] | None) -> tuple[float, float]:
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


def _curves(
    raw: RawFolder,
    bench: Bench,
    takes: Mapping[str, Take],
    chosen: Choices,
    microphone: tuple[FloatArray, FloatArray] | None,
    noise: FloatArray | None,
) -> Curves:
    """Gated spectra as levels at 1 m, cut to the valid band and to where they stand over the noise."""
    f, rate = bench.frequency_hz, bench.rate_hz
    parts = [gating.gated(takes[a.file].response, takes[a.file].at, chosen.gate_s, rate) for a in raw.angles]
    spectra = gating.spectrum(np.array([p for p, _ in parts]), parts[0][1], rate, bench.bins)
    if raw.loopback is not None:  # one time for all: that of the axis, else of the first
        axis = next((a for a in raw.angles if a.on_axis), raw.angles[0])
        late = np.array([takes[a.file].sample - takes[axis.file].sample for a in raw.angles])
        spectra = spectra * np.exp(-2j * np.pi * f * late[:, None] / rate)
    snr = background.snr_db(np.abs(spectra) ** 2, noise, f) if noise is not None else None
    scale = 1.0 if chosen.pascal_per_unit is None else chosen.pascal_per_unit / REFERENCE_PA
    level = 20.0 * np.log10(np.maximum(np.abs(spectra), 1e-30) * scale * float(raw.said.get("distance_m", 1.0)))
    if microphone is not None:
        level -= np.interp(np.log(f), np.log(microphone[0]), microphone[1])
    usable = (f >= chosen.valid_from_hz) & (f <= chosen.valid_to_hz) & np.ones(level.shape, bool)
    if snr is not None:
        usable &= snr >= background.LEAST_SNR_DB
    level[~usable] = np.nan
    return Curves(f, raw.angles, level, np.degrees(np.angle(spectra)), snr)


def _noise_table(raw: RawFolder, curves: Curves, chosen: Choices) -> tuple[tuple[float, float], ...]:
    """Standard deviation that noise gives the level on axis (else of the first curve), three points an octave."""
    row = next((i for i, a in enumerate(raw.angles) if a.on_axis), 0)
    assert curves.snr_db is not None
    sd = background.scatter_db(curves.snr_db[row], curves.frequency_hz, chosen.gate_s)
    low, high = chosen.valid_from_hz, chosen.valid_to_hz
    count = max(int(np.log2(high / low) * _NOISE_POINTS_PER_OCTAVE), 1) + 1
    at = np.geomspace(low, high, count)
    values = np.interp(np.log(at), np.log(curves.frequency_hz), sd)
    return tuple((float(f), float(s)) for f, s in zip(at, values, strict=True))


def _questions(raw: RawFolder, chosen: Choices, found: Mapping[str, Reflection | None]) -> list[Question]:
    """What the recordings and raw.toml say differently."""
    asked: list[Question] = []
    first = _earliest(found)
    if "mic_height_m" in raw.said:
        speed = sound_speed_m_s(float(raw.said.get("temperature_c", TEMPERATURE_C)))
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
    session_out.write_session(out, _session_keys(found), _table(found), _impulses(found), _choices_bytes(raw))
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
    keys["zero_sample"] = round(gating.LEAD_S * found.bench.rate_hz)
    keys["time_reference"] = "loopback" if raw.loopback is not None else "none"
    keys["valid_from_hz"], keys["valid_to_hz"] = round(c.valid_from_hz, 3), round(c.valid_to_hz, 3)
    if gated:
        keys["gate_ms"] = round(c.gate_s * 1000.0, 4)
    if c.noise:
        own = dict(raw.facts.get("uncertainty", {})) if isinstance(raw.facts.get("uncertainty"), dict) else {}
        keys["uncertainty"] = {"noise": [[round(f, 1), round(s, 4)] for f, s in c.noise], **own}
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
