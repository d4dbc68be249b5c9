"""Recordings from bytes: WAV and FLAC of any width, text of samples, tables of spectra."""

from __future__ import annotations

import io
from dataclasses import dataclass

import numpy as np

from speakerdb.formats.decoding import decode
from speakerdb.formats.problems import Problems
from speakerdb.formats.traces import parse_rows
from speakerdb.session import FloatArray

AUDIO_SUFFIXES = (".wav", ".flac")
MAX_SAMPLES = 200_000_000
_CLIPPED = 3  # equal samples of full scale in a row
_WIDTHS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FLOAT_WIDTH = 24  # by which a float file's full scale is told
SPECTRUM_LEAD_S = 0.1
_SPECTRUM_RATE_HZ, _SPECTRUM_LENGTH, _LEAST_LINES = 48000.0, 1 << 17, 20
_LINES = "a sample, or time in seconds and a sample a line"
_EVEN = 1e-3  # by which time steps may differ


@dataclass(frozen=True, eq=False)
class Audio:
    """samples (channels, n), full scale 1; full_scale: where a sample counts as clipped, None where there is none;
    band_hz: that a spectrum covers."""

    samples: FloatArray
    rate_hz: float
    full_scale: float | None
    band_hz: tuple[float, float] | None = None


def read_audio(name: str, content: bytes, problems: Problems, rate_hz: float | None = None) -> Audio | None:
    """Read a recording; None with a problem noted. rate_hz: of text with one sample a line."""
    found = _sound(name, content, problems) if name.lower().endswith(AUDIO_SUFFIXES) else None
    if not name.lower().endswith(AUDIO_SUFFIXES):
        found = _text(name, content, problems, rate_hz)
    if found is None:
        return None
    if found.samples.shape[1] == 0:
        problems.add("an empty recording", "a recording with samples", file=name)
        return None
    if not np.isfinite(found.samples).all():
        problems.add("samples that are no numbers (NaN or infinite)", "finite samples", file=name)
        return None
    return found


def is_clipped(audio: Audio, channel: int) -> bool:
    """Whether three samples in a row stand at full scale."""
    if audio.full_scale is None:
        return False
    x = audio.samples[channel]
    full = np.abs(x) >= audio.full_scale
    if not full.any():
        return False
    return bool((full[:-2] & (x[1:-1] == x[:-2]) & (x[2:] == x[:-2])).any())


def _sound(name: str, content: bytes, problems: Problems) -> Audio | None:
    import soundfile

    if not content:
        problems.add("an empty file", "a recording", file=name)
        return None
    try:
        with soundfile.SoundFile(io.BytesIO(content)) as file:
            if file.frames * file.channels > MAX_SAMPLES:
                problems.add(
                    "a recording that is too long", f"at most {MAX_SAMPLES // 10**6} million samples", file=name
                )
                return None
            rate, width = float(file.samplerate), _WIDTHS.get(file.subtype, _FLOAT_WIDTH)
            samples = file.read(dtype="float64", always_2d=True).T
    except (soundfile.LibsndfileError, RuntimeError, ValueError):
        problems.add("bytes that are no WAV or FLAC that can be read", "a whole recording", file=name)
        return None
    return Audio(np.ascontiguousarray(samples), rate, 1.0 - 1.5 * 2.0 ** (1 - width))


def _text(name: str, content: bytes, problems: Problems, rate_hz: float | None) -> Audio | None:
    """One sample a line, or time in seconds and sample; lines that begin with no number are left out."""
    text = decode(name, content, None, problems)
    if text is None:
        return None
    rows = [cells for line in text.split("\n") if (cells := line.replace(";", " ").replace(",", " ").split())]
    rows = [cells for cells in rows if _is_number(cells[0])]
    width = len(rows[0]) if rows else 0
    if not rows or width > 2 or any(len(cells) != width for cells in rows):
        problems.add(
            "no even lines of one or two numbers", "a sample, or time in seconds and a sample a line", file=name
        )
        return None
    try:
        values = np.array(rows, np.float64)
    except ValueError:
        problems.add("cells that are no numbers", _LINES, file=name)
        return None
    if width == 2:
        steps = np.diff(values[:, 0])
        step = float(np.median(steps)) if len(steps) else 0.0
        if step <= 0.0 or np.abs(steps - step).max() > _EVEN * step + 2e-7:
            problems.add("times that do not rise in even steps", "time in seconds, evenly spaced", file=name)
            return None
        rate_hz = float(round((len(values) - 1) / (values[-1, 0] - values[0, 0]), 3))
    if rate_hz is None:
        problems.add(
            "samples without a rate", "rate_hz in raw.toml, or time and sample a line", file=name, key="rate_hz"
        )
        return None
    return Audio(values[:, -1][None, :].copy(), rate_hz, None)


def read_spectrum(name: str, content: bytes, problems: Problems) -> Audio | None:
    """A spectrum as lines of frequency, level in dB and phase in degrees, as its impulse response, which arrives
    SPECTRUM_LEAD_S later than it says; None with a problem noted."""
    text = decode(name, content, None, problems)
    rows = parse_rows(name, text, {}, problems) if text is not None else None
    if rows is None:
        return None
    f, level, phase = rows[0].T[:3] if rows[0].shape[1] >= 3 else (np.zeros(0),) * 3
    if len(f) < _LEAST_LINES or (np.diff(f) <= 0).any() or f[0] <= 0 or not np.isfinite(rows[0][:, :3]).all():
        expected = "lines of rising frequency in Hz, level in dB and phase in degrees"
        problems.add("no such spectrum", expected, file=name)
        return None
    rate_hz = max(_SPECTRUM_RATE_HZ, 2.0 * float(f[-1]))
    even = np.fft.rfftfreq(_SPECTRUM_LENGTH, 1.0 / rate_hz)
    at = np.log(np.maximum(even, even[1]))
    turn = np.interp(even, f, np.unwrap(np.radians(phase)))
    inside = np.clip(2.0 * (even / f[0] - 0.5), 0.0, 1.0) * np.clip(2.0 * (1.5 - even / f[-1]), 0.0, 1.0)
    magnitude = 10.0 ** (np.interp(at, np.log(f), level) / 20.0) * np.sin(np.pi / 2.0 * inside) ** 2
    spectrum = magnitude * np.exp(1j * (turn - 2.0 * np.pi * even * SPECTRUM_LEAD_S))
    band_hz = (float(f[0]), float(f[-1]))
    return Audio(np.fft.irfft(spectrum, _SPECTRUM_LENGTH)[None], rate_hz, None, band_hz)


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True
