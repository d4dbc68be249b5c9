"""Raw recordings of one speaker of the demo fleet, as `speakerdb prepare` takes them: sweeps around it and near its
cone and port, in an invented village hall. `python seed_data/raw_recordings.py OUT`, the same bytes every time.

What goes into them is the model's: levels at every angle with the phase that goes with them, the cone's and the port's
share of the bass, a few reflections, noise, a little distortion of the motor.
"""

from __future__ import annotations

import argparse
import sys
import wave
from collections.abc import Sequence
from pathlib import Path

if __package__ in {None, ""}:  # run as a script: find the package beside us, behind everything else on the path
    sys.path.append(str(Path(__file__).resolve().parents[1]))

import numpy as np

from seed_data.catalogue import catalogue
from seed_data.model.air import FREQUENCY_HZ, REFERENCE_PA, SOUND_SPEED_M_S, ComplexArray, FloatArray
from seed_data.model.design import Design, Source
from seed_data.model.noise import generator
from seed_data.model.speaker import Field, field_of

MODEL = ("Alder Fen", "Sill 6")
RATE_HZ = 48000
LOW_HZ, HIGH_HZ, SECONDS, TAIL_S = 10.0, 22000.0, 3.0, 1.5
LENGTH = 1 << 18
ANGLES_DEG = range(-170, 181, 10)
LATENCY_S = 0.012
PASCAL_PER_UNIT = 200.0  # of the recorder at this gain
NOISE_PA = 0.0004
SECOND, THIRD = 0.004, 0.006  # of the motor, at the lowest level
LEVELS_DB = (0.0, 6.0, 12.0, 0.0)  # on axis, above the level of the sweeps around; the lowest once more at the end
LOSS_DB = (0.0, 0.1, 0.5, 0.0)  # what the warming coil takes
# delay after the direct sound and gain of floor, ceiling and walls, the middle of the hall
REFLECTIONS = ((0.0094, 0.30), (0.0131, -0.18), (0.0172, 0.21), (0.0223, 0.14), (0.0310, -0.10))
CONE_GAP_M, PORT_GAP_M = 0.005, 0.002


def sweep() -> FloatArray:
    """An exponential sweep: sin(2π·f·L·(e^(t/L) − 1))."""
    growth = SECONDS / np.log(HIGH_HZ / LOW_HZ)
    t = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    return np.asarray(np.sin(2.0 * np.pi * LOW_HZ * growth * np.expm1(t / growth)))


def _even_hz() -> FloatArray:
    f = np.fft.rfftfreq(LENGTH, 1.0 / RATE_HZ)
    f[0] = f[1]
    return f


def _on_even(values: FloatArray) -> FloatArray:
    """Values over FREQUENCY_HZ on even frequencies; beyond its ends the slope of the last half octave goes on."""
    x, at = np.log2(FREQUENCY_HZ), np.log2(_even_hz())
    found = np.interp(at, x, values)
    for side, end, edge in ((at < x[0], slice(0, 12), 0), (at > x[-1], slice(-12, None), -1)):
        slope = np.polyfit(x[end], values[end], 1)[0]
        found[side] = values[edge] + slope * (at[side] - x[edge])
    return np.asarray(found)


def _with_phase(level: FloatArray) -> ComplexArray:
    """Minimum phase to levels in dB at even frequencies, by the cepstrum."""
    cepstrum = np.fft.irfft(np.maximum(level, level.max() - 120.0) * np.log(10.0) / 20.0)
    cepstrum[1 : LENGTH // 2] *= 2.0
    cepstrum[LENGTH // 2 + 1 :] = 0.0
    return np.asarray(np.exp(np.fft.rfft(cepstrum)))


def _complex_on_even(values: ComplexArray) -> ComplexArray:
    level = _on_even(20.0 * np.log10(np.maximum(np.abs(values), 1e-9)))
    phase = _on_even(np.unwrap(np.angle(values)))
    return np.asarray(10.0 ** (level / 20.0) * np.exp(1j * phase))


def _recorded(response: ComplexArray, driven: FloatArray, room: bool, key: str) -> FloatArray:
    """A recording in pascal through a response (F,) at even frequencies."""
    f = _even_hz()
    ways = np.exp(-2j * np.pi * f * LATENCY_S)
    if room:
        ways = ways * (1.0 + sum(gain * np.exp(-2j * np.pi * f * delay) for delay, gain in REFLECTIONS))
    roll = np.clip((0.5 * RATE_HZ - f) / (0.04 * RATE_HZ), 0.0, 1.0)
    count = round((SECONDS + TAIL_S) * RATE_HZ)
    heard = np.fft.irfft(np.fft.rfft(driven, LENGTH) * response * ways * roll, LENGTH)[:count]
    return np.asarray(heard + NOISE_PA * generator("raw recordings", key).standard_normal(count))


def _driven(level_db: float, loss_db: float = 0.0) -> FloatArray:
    """The sweep as the motor takes it, re the sweeps around the speaker."""
    x = 10.0 ** (level_db / 20.0) * sweep()
    return np.asarray(10.0 ** (-loss_db / 20.0) * (x + SECOND * x**2 + THIRD * x**3))


def _far(field: Field) -> ComplexArray:
    """(n, F) pressure in pascal at 1 m where the sweep passes each frequency, re an amplitude of 1."""
    unit = np.sqrt(2.0) * REFERENCE_PA
    return np.array([unit * _with_phase(_on_even(level)) for level in field.level_db])


def _bass_sources(field: Field) -> list[tuple[int, Source]]:
    return [(i, s) for i, s in enumerate(field.sources) if s.role in {"woofer", "port"}]


def _near(field: Field) -> dict[str, ComplexArray]:
    """Pressure close to the cone and to the port: a piston's own, p = 2r/a of its half-space pressure at r, and what
    comes over from the other."""
    unit = np.sqrt(2.0) * REFERENCE_PA * 10.0 ** (field.reference_db / 20.0)
    found = {}
    members = _bass_sources(field)
    f = _even_hz()
    for i, source in members:
        gap = PORT_GAP_M if source.role == "port" else CONE_GAP_M
        own = (np.hypot(gap, source.radius_m) - gap) * 2.0 / source.radius_m**2
        total = own * _complex_on_even(field.drive[i]) * np.exp(-2j * np.pi * f * gap / SOUND_SPEED_M_S)
        for j, other in members:
            if j != i:
                way = float(np.linalg.norm(np.subtract(source.position_m, other.position_m)))
                over = np.exp(-2j * np.pi * f * way / SOUND_SPEED_M_S) / way
                total = total + 0.5 * over * _complex_on_even(field.drive[j])
        found["cone" if source.role == "woofer" else "port"] = unit * total
    return found


def _keys(design: Design, field: Field) -> str:
    height, width, depth = design.size_mm
    above = min(0.25 * height, 50.0 + 40.0)  # of the reference axis, below the top of the box
    text = (
        'reference = "sweep.wav"\ncalibrator = "calibrator.wav"\ntemperature_c = 20.0\ndistance_m = 1.0\n'
        f"crossover_hz = {design.crossover_hz[0]:g}\nheight_mm = {height}\nwidth_mm = {width}\ndepth_mm = {depth}\n"
    )
    for _, source in _bass_sources(field):
        port = source.role == "port"
        _, y, z = (1000.0 * x for x in source.position_m)
        rear = port and design.port_behind
        place = [(-1 if rear else 1) * depth / 2, y, height / 2 - above + z]
        text += (
            f'\n[[near]]\nfile = "near_{"port" if port else "cone"}.wav"\nrole = "{"port" if port else "cone"}"\n'
            f'centre_mm = [{place[0]:.1f}, {place[1]:.1f}, {place[2]:.1f}]\nface = "{"rear" if rear else "front"}"\n'
            f"diameter_mm = {2000.0 * source.radius_m:.1f}\ndrive_db = {field.reference_db:.2f}\n"
            f"gap_mm = {1000.0 * (PORT_GAP_M if port else CONE_GAP_M):g}\n"
        )
    for number, level in enumerate(LEVELS_DB):
        text += f'\n[[level]]\nfile = "level_{number}.wav"\ndrive_db = {field.reference_db + level:.2f}\n'
    return text


def _facts(design: Design) -> str:
    return (
        f'maker = "{design.maker}"\nmodel = "{design.model}"\nkind = "{design.kind}"\npowered = false\n'
        'drive_voltage_v = 2.83\nlab = "village hall"\ndate = 2026-04-18\nsample = "5118"\nsetting = "plain"\n'
        f'mass_kg = {design.mass_kg}\nyear = {design.year}\nlayout = "{design.layout}"\n'
        f'enclosure = "{design.enclosure}"\n'
    )


def _write(path: Path, samples: FloatArray) -> None:
    """24-bit WAV, one channel."""
    whole = np.round(np.clip(samples, -1.0, 1.0) * (2**23 - 1)).astype("<i4")
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(3)
        file.setframerate(RATE_HZ)
        file.writeframes(whole.view(np.uint8).reshape(-1, 4)[:, :3].tobytes())


def generate(out: Path, angles_deg: Sequence[int] = ANGLES_DEG) -> Path:
    """Write the raw folder `out` and return it."""
    out.mkdir(parents=True, exist_ok=True)
    design = next(d for d in catalogue() if (d.maker, d.model) == MODEL)
    (field,) = field_of(design, design.settings[:1])
    far, near = _far(field), _near(field)
    rows = {(bool(h), int(a)): i for i, (h, a) in enumerate(zip(field.horizontal, field.angle_deg, strict=True))}
    plain = _driven(0.0)
    for horizontal, orbit in ((True, "horizontal"), (False, "vertical")):
        for angle in angles_deg:
            if horizontal or angle not in {0, 180}:  # the two directions that the orbits share stand once
                name = f"{orbit}_{angle}.wav"
                heard = _recorded(far[rows[horizontal, angle]], plain, True, name)
                _write(out / name, heard / PASCAL_PER_UNIT)
    for role, response in near.items():
        _write(out / f"near_{role}.wav", _recorded(response, plain, False, role) / PASCAL_PER_UNIT)
    axis = far[rows[True, 0]]
    for number, (level, loss) in enumerate(zip(LEVELS_DB, LOSS_DB, strict=True)):
        heard = _recorded(axis, _driven(level, loss), True, f"level {number}")
        _write(out / f"level_{number}.wav", heard / PASCAL_PER_UNIT)
    t = np.arange(2 * RATE_HZ) / RATE_HZ
    tone = np.sqrt(2.0) * REFERENCE_PA * 10.0 ** (94.0 / 20.0) / PASCAL_PER_UNIT * np.sin(2.0 * np.pi * 1000.0 * t)
    _write(out / "calibrator.wav", tone)
    _write(out / "sweep.wav", 0.5 * sweep())
    (out / "raw.toml").write_text(_keys(design, field), encoding="utf-8")
    (out / "session.toml").write_text(_facts(design), encoding="utf-8")
    return out


def main(arguments: Sequence[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path, help="folder to write into")
    out = generate(parser.parse_args(arguments).out)
    print(f"{len(list(out.glob('*.wav')))} recordings in {out}")


if __name__ == "__main__":
    main()
