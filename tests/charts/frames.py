"""Made-up frames in the shape the charts ask for: a plain two-way speaker, drawn from simple formulas."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import polars as pl

FREQUENCY_HZ = 100.0 * 2.0 ** (np.arange(-46, 153) / 20.0)
_BASS_HZ, _TILT_HZ = 48.0, 900.0


def listening_window(bass_hz: float = _BASS_HZ, level_db: float = 86.0, seed: int = 1) -> np.ndarray:
    """A fourth-order high-pass with a little ripple, falling above 17 kHz."""
    ripple = np.random.default_rng(seed).normal(size=12)
    octave = np.log2(FREQUENCY_HZ / 1000.0)
    waves = sum(0.5 * a * np.sin((0.7 + 0.45 * k) * octave + k) for k, a in enumerate(ripple))
    bass = -10.0 * np.log10(1.0 + (bass_hz / FREQUENCY_HZ) ** 8)
    return level_db + bass + waves - 3.0 * (FREQUENCY_HZ / 19000.0) ** 4


def directivity_index(highest_db: float = 10.0) -> np.ndarray:
    """Rises smoothly from 0 dB in the bass."""
    return highest_db / (1.0 + (_TILT_HZ / FREQUENCY_HZ) ** 0.9)


def long(columns: dict[str, np.ndarray], name: str, value: str = "level_db") -> pl.DataFrame:
    """Named curves on the grid as one long frame."""
    return pl.concat(
        pl.DataFrame({name: [key] * len(y), "frequency_hz": FREQUENCY_HZ, value: y}) for key, y in columns.items()
    )


def curve_set(**kwargs: float) -> pl.DataFrame:
    window, index = listening_window(**kwargs), directivity_index()  # type: ignore[arg-type]
    early, power = window - 0.55 * index, window - index
    room = 10.0 * np.log10(0.12 * 10 ** (window / 10) + 0.44 * 10 ** (early / 10) + 0.44 * 10 ** (power / 10))
    return long(
        {
            "on_axis": window + 0.8 * np.sin(np.log2(FREQUENCY_HZ) * 2),
            "listening_window": window,
            "early_reflections": early,
            "sound_power": power,
            "in_room": room,
            "di_early": window - early,
            "di_power": index,
        },
        "part",
    )


def off_axis(angles: tuple[float, ...] = (0.0, 10.0, 20.0, 30.0)) -> pl.DataFrame:
    window, index = listening_window(), directivity_index()
    frames = [
        pl.DataFrame({"angle_deg": [a] * 199, "frequency_hz": FREQUENCY_HZ, "level_db": window - index * (a / 60) ** 2})
        for a in angles
    ]
    return pl.concat(frames)


def overlay(names: list[str]) -> pl.DataFrame:
    frames = []
    for i, name in enumerate(names):
        both = {"listening_window": listening_window(40.0 + 9 * i, 0.0, i), "di_power": directivity_index(8.0 + i)}
        frames.append(long(both, "part").with_columns(series=pl.lit(name)))
    return pl.concat(frames)


def settings(names: list[str]) -> pl.DataFrame:
    window = listening_window()
    shelf = -2.0 / (1.0 + (FREQUENCY_HZ / 200.0) ** 2)
    return long({n: window + i * shelf for i, n in enumerate(names)}, "series")


ANGLES = tuple(range(-170, 181, 10))


def orbit(angles: tuple[int, ...] = ANGLES) -> tuple[np.ndarray, np.ndarray]:
    """(angles, levels re the axis): a piston that beams from 500 Hz up, with a lobe at the crossover."""
    angle = np.array(angles, float)
    beam = 1.0 / (1.0 + (1200.0 / FREQUENCY_HZ) ** 1.2)
    lobe = 5.0 * np.exp(-((np.log2(FREQUENCY_HZ / 2500.0) / 0.3) ** 2))
    level = -26.0 * beam[None] * (np.abs(angle)[:, None] / 180.0) ** 1.1
    return angle, level - lobe[None] * (np.abs(angle)[:, None] > 15) * np.minimum(1, np.abs(angle)[:, None] / 60)


def edge(angle: np.ndarray, level: np.ndarray) -> pl.DataFrame:
    """First crossing of −6 dB on both sides."""
    rows = []
    for side, sign in (("first", 1), ("second", -1)):
        order = [i for i in np.argsort(sign * angle) if sign * angle[i] >= 0]
        for j, f in enumerate(FREQUENCY_HZ):
            found = None
            for a, b in pairwise(order):
                if level[b, j] <= -6 < level[a, j]:
                    share = (level[a, j] + 6) / (level[a, j] - level[b, j])
                    found = float(angle[a] + share * (angle[b] - angle[a]))
                    break
            rows.append({"side": side, "frequency_hz": f, "angle_deg": found})
    return pl.DataFrame(rows, schema={"side": pl.String, "frequency_hz": pl.Float64, "angle_deg": pl.Float64})


def beamwidths() -> pl.DataFrame:
    width = np.clip(360.0 / (1.0 + (FREQUENCY_HZ / 900.0) ** 0.7), 40, 360)
    frames = []
    for plane, reference, factor in (
        ("horizontal", "axis", 1.0),
        ("vertical", "axis", 0.8),
        ("horizontal", "mean", 1.05),
    ):
        frames.append(
            pl.DataFrame(
                {
                    "plane": [plane] * 199,
                    "reference": [reference] * 199,
                    "frequency_hz": FREQUENCY_HZ,
                    "beamwidth_deg": np.minimum(width * factor, 360),
                }
            )
        )
    return pl.concat(frames)


def distortion(drives: tuple[float, ...] = (76.0, 86.0, 96.0, 100.0)) -> pl.DataFrame:
    """Rises with drive and towards the bass."""
    frames = []
    for d in drives:
        bass = 30.0 / (1.0 + (FREQUENCY_HZ / 60.0) ** 1.1)
        level = (
            -58.0 + bass + 0.9 * (d - 76.0) * (0.5 + 1.0 / (1.0 + FREQUENCY_HZ / 100.0)) + np.sin(FREQUENCY_HZ / 700)
        )
        frames.append(pl.DataFrame({"drive_db": [d] * 199, "frequency_hz": FREQUENCY_HZ, "level_db": level}))
    return pl.concat(frames)


def compression(drives: tuple[float, ...] = (86.0, 96.0, 102.0, 106.0)) -> pl.DataFrame:
    frames = []
    for d in drives:
        loss = -0.0012 * (d - 76.0) ** 2 * (1.0 + 2.5 / (1.0 + (FREQUENCY_HZ / 70.0) ** 2))
        frames.append(pl.DataFrame({"drive_db": [d] * 199, "frequency_hz": FREQUENCY_HZ, "change_db": loss}))
    return pl.concat(frames)


THIRD_OCTAVES_HZ = 1000.0 * 2.0 ** (np.arange(-16, 11) / 3.0)


def usable_output() -> pl.DataFrame:
    level = 104.0 - 10.0 * np.log10(1.0 + (70.0 / THIRD_OCTAVES_HZ) ** 4) - 3.0 * (THIRD_OCTAVES_HZ > 4000)
    censored = np.where(THIRD_OCTAVES_HZ > 500, "at_least", "none").tolist()
    return pl.DataFrame({"frequency_hz": THIRD_OCTAVES_HZ, "level_db": level, "censored": censored})


METRIC_IDS = (
    "preference",
    "f6_hz",
    "flatness_window_db",
    "tone_width_horizontal_deg",
    "di_power_mean_db",
    "max_level_db",
)
_MIDDLE = {
    "preference": (5.0, 1.0),
    "preference_bass_managed": (6.8, 0.5),
    "f6_hz": (52.0, 14.0),
    "flatness_window_db": (1.4, 0.4),
    "tone_width_horizontal_deg": (42.0, 12.0),
    "di_power_mean_db": (8.0, 1.2),
    "max_level_db": (104.0, 4.0),
}


def peers(count: int = 37, seed: int = 3) -> pl.DataFrame:
    draw = np.random.default_rng(seed)
    return pl.concat(
        pl.DataFrame({"metric": [m] * count, "value": np.abs(draw.normal(*_MIDDLE[m], count))}) for m in METRIC_IDS
    )


def places() -> pl.DataFrame:
    rows = []
    for i, m in enumerate(METRIC_IDS):
        middle, spread = _MIDDLE[m]
        value = middle + spread * (1.2 - 0.5 * i)
        rows.append(
            {
                "metric": m,
                "value": value,
                "low": value - 0.4 * spread,
                "high": None if m == "max_level_db" else value + 0.4 * spread,
                "censored": "at_least" if m == "max_level_db" else "none",
                "text": f"{value:.1f} points",
                "note": "better than 62 to 91 % of 37",
            }
        )
    return pl.DataFrame(rows)


def ranking(names: list[str]) -> pl.DataFrame:
    n = len(names)
    value = 34.0 * 1.05 ** np.arange(n)
    return pl.DataFrame(
        {
            "speaker": names,
            "rank": np.arange(1, n + 1),
            "rank_low": np.maximum(1, np.arange(1, n + 1) - 3),
            "rank_high": np.minimum(n, np.arange(1, n + 1) + 4),
            "value": value,
            "low": value * 0.93,
            "high": value * 1.06,
            "censored": ["at_most"] + ["none"] * (n - 1),
        }
    )


def tradeoff(count: int = 60, seed: int = 5) -> pl.DataFrame:
    draw = np.random.default_rng(seed)
    x = np.exp(draw.normal(7.2, 0.8, count))
    expected = 1.2 + 0.55 * np.log2(x / 100)
    y = expected + draw.normal(0, 0.6, count)
    order = np.argsort(x)
    best = np.maximum.accumulate(y[order])
    on = np.zeros(count)
    on[order] = np.where(y[order] >= best, 0.8, np.where(y[order] >= best - 0.4, 0.2, 0.0))
    return pl.DataFrame(
        {
            "speaker": [f"Maker {i} Model {i % 7}" for i in range(count)],
            "x": x,
            "y": y,
            "p_frontier": on,
            "expected": expected,
            "low": expected - 1.2,
            "high": expected + 1.2,
        }
    )


def trend(count: int = 60, seed: int = 6) -> tuple[pl.DataFrame, pl.DataFrame]:
    draw = np.random.default_rng(seed)
    x = draw.integers(2005, 2026, count).astype(float)
    y = 8.0 + 0.04 * (x - 2015) + draw.normal(0, 0.8, count)
    points = pl.DataFrame(
        {
            "speaker": [f"Maker {i}" for i in range(count)],
            "x": x,
            "y": y,
            "censored": ["at_least" if i == 5 else "none" for i in range(count)],
        }
    )
    at = np.linspace(2005, 2025, 21)
    fit = 8.0 + 0.04 * (at - 2015)
    half = 0.2 + 0.02 * np.abs(at - 2015)
    return points, pl.DataFrame({"x": at, "fit": fit, "low": fit - half, "high": fit + half})


def groups() -> tuple[pl.DataFrame, pl.DataFrame]:
    draw = np.random.default_rng(7)
    names = ["two-way", "three-way", "coaxial"]
    points = pl.concat(
        pl.DataFrame(
            {
                "speaker": [f"{n} {i}" for i in range(20)],
                "x": [n] * 20,
                "y": draw.normal(20 + 8 * k, 5, 20),
                "censored": ["none"] * 20,
            }
        )
        for k, n in enumerate(names)
    )
    middle = points.group_by("x", maintain_order=True).agg(
        median=pl.col("y").median(), low=pl.col("y").median() - 3, high=pl.col("y").median() + 3, n=pl.len()
    )
    ends = [pl.when(pl.col("x") == "coaxial").then(None).otherwise(pl.col(c)).alias(c) for c in ("low", "high")]
    return points, middle.with_columns(
        *ends, makers=pl.Series([9, 7, 1]), censored=pl.Series(["none", "at_least", "none"])
    )


def differences() -> pl.DataFrame:
    rows = [
        ("f6_hz", 0.77, 0.72, 0.84, "yes"),
        ("preference", 0.8, -0.3, 1.9, "unclear"),
        ("flatness_window_db", 0.1, -0.2, 0.35, "no"),
        ("tone_width_horizontal_deg", 14.0, 11.0, 19.0, "yes"),
        ("max_level_db", 3.1, None, None, "unclear"),
    ]
    return pl.DataFrame(rows, schema=["metric", "difference", "low", "high", "matters"], orient="row")
