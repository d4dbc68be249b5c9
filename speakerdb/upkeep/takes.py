"""Recordings of a raw folder as impulse responses, and what the microphone's samples stand for."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.formats.audio import Audio
from speakerdb.formats.problems import Problems
from speakerdb.formats.raw_folder import RawFolder
from speakerdb.formats.view import RAW_FILE
from speakerdb.session import FloatArray
from speakerdb.signals import deconvolution, gating
from speakerdb.signals.arrival import BAND_HZ, arrival
from speakerdb.signals.deconvolution import Excitation

ComplexArray = NDArray[np.complex128]
Report = Callable[[str], None]

CLEAR_DB = 20.0  # by which an arrival stands over the noise
CALIBRATOR_DB = 94.0
REFERENCE_PA = 20e-6
CALIBRATOR_PA = REFERENCE_PA * 10.0 ** (CALIBRATOR_DB / 20.0)
_BEFORE_S, _AFTER_S = 0.06, 0.56  # of a response, what is kept around the arrival
_TAIL_AFTER_S = 0.2  # after the arrival, where the late tail may begin
_CUT_S = 0.002  # by which a recording may end too early
_TOP = 0.45  # of the sample rate, up to where impulse responses count
_SILENT = 1e-6  # amplitude of a reference that holds nothing
_TONE_OCT = 1 / 3  # around a calibrator's tone


@dataclass(frozen=True, eq=False)
class Take:
    """A recording as an impulse response, around its arrival or whole. response (n,), at: the arrival's place in it;
    sample: its place on the circle; tail (m,): what comes later, and holds noise only; known_s: how long after the
    arrival anything is known."""

    file: str
    response: FloatArray
    at: int
    sample: int
    tail: FloatArray
    known_s: float = np.inf


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


def read_takes(raw: RawFolder, problems: Problems, report: Report) -> tuple[Bench | None, dict[str, Take]]:
    """Every recording of a sweep as an impulse response."""
    bench: Bench | None = None
    takes: dict[str, Take] = {}
    reference = _reference(raw, problems)
    described = all(key in raw.said for key in ("f_low_hz", "f_high_hz", "seconds"))
    described = described or raw.loopback is not None or raw.holds_impulses
    if reference is None and ("reference" in raw.said or not described):
        return None, {}  # said already what is wrong with it; nothing can be read without it
    near = sorted(raw.near, key=lambda n: n.role != "cone")  # all near takes keep the time of the first cone
    around = {a.file for a in raw.angles}
    for file in (*(a.file for a in raw.angles), *(n.file for n in near), *(d.file for d in raw.levels)):
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
            problems.add(*other_rate(audio, rate_hz), file=file)
            continue
        first = takes.get(near[0].file) if near and file in {n.file for n in near[1:]} else None
        at = first.sample if first is not None else None
        take = _take(raw, bench, audio, file, problems, at=at, whole=file not in around)
        if take is not None:
            takes[file] = take
    return bench, takes


def other_rate(audio: Audio, rate_hz: float) -> tuple[str, str]:
    return f"{figures.plain(audio.rate_hz)} samples a second", f"{figures.plain(rate_hz)}, as the others have"


def _reference(raw: RawFolder, problems: Problems) -> Excitation | None:
    """The sweep of `reference`; None where there is none, or with a problem noted."""
    if "reference" not in raw.said:
        return None
    file = raw.said["reference"]
    audio = raw.recording(file, problems, heard=False)
    if audio is None:
        return None
    return _fitted(raw, audio.samples[min(raw.channel, len(audio.samples) - 1)], audio.rate_hz, file, problems)


def _played(raw: RawFolder, audio: Audio, file: str, problems: Problems) -> Excitation | None:
    """The sweep that the first recording's loopback holds, or that raw.toml describes; of impulse responses, an
    impulse."""
    if raw.holds_impulses:
        low, high = audio.band_hz or (gating.LOWEST_HZ, _TOP * audio.rate_hz)
        low, high = raw.said.get("f_low_hz", low), raw.said.get("f_high_hz", high)
        return Excitation(np.ones(1), audio.rate_hz, float(low), float(high), 0.0, float(np.sqrt(2.0)), 1)
    if raw.loopback is not None:
        return _fitted(raw, audio.samples[raw.loopback], audio.rate_hz, file, problems)
    low, high = float(raw.said["f_low_hz"]), float(raw.said["f_high_hz"])
    if high > audio.rate_hz / 2.0:
        found = f"{figures.plain(high)} Hz, above half of {figures.plain(audio.rate_hz)} samples a second"
        problems.add(found, "a frequency that the recordings can hold", file=RAW_FILE, key="f_high_hz")
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


def _take(
    raw: RawFolder, bench: Bench, audio: Audio, file: str, problems: Problems, at: int | None, *, whole: bool
) -> Take | None:
    """One recording as an impulse response; None with problems noted. at: the arrival, where another tells it; whole:
    harmonics, which stand far before it, are kept too."""
    heard, rate, excitation, inverse = audio.samples[raw.channel], bench.rate_hz, bench.excitation, bench.inverse
    if raw.loopback is not None:
        played = _fitted(raw, audio.samples[raw.loopback], rate, file, problems)
        if played is None:
            return None
        excitation, inverse = played, deconvolution.inverse(played, bench.length)
    heard = heard[: bench.length]
    if raw.holds_impulses:
        response = np.pad(heard, (0, bench.length - len(heard)))
    else:
        response = deconvolution.deconvolve(heard, inverse, bench.length)
    response *= excitation.amplitude / np.sqrt(2.0)  # RMS of the sound where the sweep's sine passes each frequency
    sample, clear_db = _arrival(response, excitation)
    if clear_db < CLEAR_DB:
        found = f"no arrival: the response's peak stands {figures.number(max(clear_db, 0.0))} dB over the noise"
        expected = f"at least {figures.plain(CLEAR_DB)} dB: more level, less noise, or the sweep that was played"
        problems.add(found, expected, file=file)
        return None
    sample = sample if at is None else at
    room = len(heard) - excitation.end  # samples that are there after the sweep
    if sample > room + _CUT_S * rate and sample < bench.length - excitation.end:
        found = "a recording that ends before the sweep does"
        problems.add(found, f"at least {figures.number((excitation.end + sample) / rate, 1)} s", file=file)
        return None
    first = max(sample + round(_TAIL_AFTER_S * rate), (sample + room) // 2)
    tail = response[first : max(room, first)]
    known_s = (room - sample) / rate if raw.holds_impulses else np.inf
    if whole:
        return Take(file, response, sample, sample, tail, known_s)
    before, after = round(_BEFORE_S * rate), round(_AFTER_S * rate)
    around = response[(np.arange(-before, after) + sample) % bench.length]
    return Take(file, around, before, sample, tail, known_s)


def _arrival(response: FloatArray, excitation: Excitation) -> tuple[int, float]:
    """Where treble peaks; of a source that has none, where all of it does."""
    high = min(BAND_HZ[1], excitation.f_high_hz, 0.45 * excitation.rate_hz)
    if high > 2.0 * BAND_HZ[0]:
        sample, clear_db = arrival(response, excitation.rate_hz, (BAND_HZ[0], high))
        if clear_db >= CLEAR_DB:
            return sample, clear_db
    return arrival(response, excitation.rate_hz, (excitation.f_low_hz, high))


def moved(take: Take, at_s: float | None, rate_hz: float) -> Take:
    """A take whose arrival the user has set elsewhere."""
    if at_s is None:
        return take
    shift = round(at_s * rate_hz) - take.sample
    return dataclasses.replace(take, at=take.at + shift, sample=take.sample + shift)


def pascal_per_unit(raw: RawFolder, problems: Problems) -> float | None:
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
