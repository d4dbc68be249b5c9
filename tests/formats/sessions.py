"""Small measured sessions for the tests of this room: made-up curves, written in the plain form."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl

from tests.folders import KEYS, toml_text

FREQUENCY_HZ = np.round(25.0 * 2.0 ** (np.arange(0, 117) / 12.0), 2)
ANGLES = np.arange(-170, 181, 10)
ORBITS = ("horizontal", "vertical")


def response_frame(seed: int = 0, angles: np.ndarray = ANGLES, frequency_hz: np.ndarray = FREQUENCY_HZ) -> pl.DataFrame:
    """Every orbit, angle and frequency once, curve after curve. Left and right, up and down differ, so that a turned
    angle shows; no two seeds are alike. Levels have two decimals."""
    random = np.random.default_rng(seed)
    n, count = len(frequency_hz), len(angles)
    bass_hz, tilt, lean = 35.0 + 40.0 * random.random(), random.normal(0, 0.3), random.normal(0, 1.0, 2)
    base = 86.0 - 10.0 * np.log10(1.0 + (bass_hz / frequency_hz) ** 4) + tilt * np.log2(frequency_hz / 1000.0)
    angle = np.radians(angles.astype(float))[:, None]
    parts = []
    for side, orbit in zip(lean, ORBITS, strict=True):
        beam = 3.0 * (1.0 - np.cos(angle)) * np.log2(1.0 + frequency_hz / 400.0)
        level = base - beam + side * np.sin(angle) * np.log2(1.0 + frequency_hz / 2000.0)
        parts.append(
            pl.DataFrame(
                {
                    "frequency_hz": np.tile(frequency_hz, count),
                    "orbit": [orbit] * (n * count),
                    "angle_deg": np.repeat(angles.astype(float), n),
                    "level_db": np.round(level, 2).ravel(),
                }
            )
        )
    return pl.concat(parts)


def distortion_frame(drives: tuple[float, ...] = (80.0, 86.0, 92.0)) -> pl.DataFrame:
    """Total, second and third harmonic at some drives, in percent."""
    f = FREQUENCY_HZ[::12]
    rows = [
        pl.DataFrame(
            {
                "drive_db": np.full(len(f), d),
                "frequency_hz": f,
                "component": [c] * len(f),
                "percent": np.round(share * 10 ** ((d - 100) / 20) * (1 + 50.0 / f), 4),
            }
        )
        for d in drives
        for c, share in (("thd", 5.0), ("h2", 4.0), ("h3", 3.0))
    ]
    return pl.concat(rows)


def compression_frame(drives: tuple[float, ...] = (80.0, 86.0, 92.0)) -> pl.DataFrame:
    f = FREQUENCY_HZ[::6]
    return pl.concat(
        pl.DataFrame(
            {
                "drive_db": np.full(len(f), d),
                "frequency_hz": f,
                "level_db": np.round(d - 0.001 * (d - 80) ** 2 + 0 * f, 3),
            }
        )
        for d in drives
    )


def impedance_frame() -> pl.DataFrame:
    f = FREQUENCY_HZ[::4]
    return pl.DataFrame(
        {
            "frequency_hz": f,
            "magnitude_ohm": np.round(5.0 + 20.0 / (1 + (np.log2(f / 60.0) * 3) ** 2), 3),
            "phase_deg": np.round(20 * np.sin(np.log(f)), 2),
        }
    )


def write_keys(folder: Path, **changes: object) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "session.toml").write_text(toml_text({**KEYS, **changes}), encoding="utf-8")
    return folder


def write_folder_keys(folder: Path, keys: dict[str, object]) -> None:
    """session.toml with these keys alone."""
    (folder / "session.toml").write_text(toml_text(keys), encoding="utf-8")


def write_plain(folder: Path, frame: pl.DataFrame | None = None, *, whole: bool = False, **changes: object) -> Path:
    """A session folder in the plain form; whole adds distortion, compression and impedance."""
    write_keys(folder, **changes)
    (response_frame() if frame is None else frame).write_csv(folder / "responses.csv")
    if whole:
        distortion_frame().write_csv(folder / "distortion.csv")
        compression_frame().write_csv(folder / "compression.csv")
        impedance_frame().write_csv(folder / "impedance.csv")
    return folder
