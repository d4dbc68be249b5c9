"""Writes small session folders for tests: a plain made-up speaker, in the simplest form that there is
(method:data#a-session)."""

from __future__ import annotations

from pathlib import Path

import numpy as np

KEYS: dict[str, object] = {
    "maker": "Alder Fen",
    "model": "Sill 5",
    "kind": "standmount",
    "powered": True,
    "lab": "shed",
    "method": "anechoic",
    "date": "2026-03-01",
    "sample": "0017",
    "setting": "plain",
}
FREQUENCY_HZ = 20.0 * 2.0 ** (np.arange(0, 240) / 24.0)
ANGLES = np.arange(-170, 181, 10)


def level_db(angle_deg: np.ndarray, bass_hz: float = 50.0, narrowing: float = 1.0, tilt_db: float = 0.0) -> np.ndarray:
    """(n, F): 85 dB, a second-order high-pass, and a pattern that narrows with frequency like a soft cap."""
    f = FREQUENCY_HZ
    response = 85.0 - 10.0 * np.log10(1.0 + (bass_hz / f) ** 4) + tilt_db * np.log2(f / 1000.0)
    away = (1.0 - np.cos(np.radians(angle_deg)))[:, None] / 2.0
    return response - narrowing * away * 6.0 * np.log2(1.0 + f / 500.0)


def toml_text(keys: dict[str, object]) -> str:
    def value(v: object) -> str:
        if isinstance(v, bool):
            return "true" if v else "false"
        return f'"{v}"' if isinstance(v, str) and not _is_date(v) else str(v)

    return "".join(f"{k} = {value(v)}\n" for k, v in keys.items() if v is not None)


def _is_date(text: str) -> bool:
    return len(text) == 10 and text[4] == text[7] == "-" and text[:4].isdigit()


def responses_csv(**model: float) -> str:
    lines = ["frequency_hz,orbit,angle_deg,level_db"]
    for orbit in ("horizontal", "vertical"):
        for angle, row in zip(ANGLES, level_db(ANGLES.astype(float), **model), strict=True):
            lines += [f"{f:.3f},{orbit},{angle},{v:.2f}" for f, v in zip(FREQUENCY_HZ, row, strict=True)]
    return "\n".join(lines) + "\n"


def write_session(
    folder: Path, bass_hz: float = 50.0, narrowing: float = 1.0, tilt_db: float = 0.0, **changes: object
) -> Path:
    """A session folder; changes are session.toml keys (None leaves one out)."""
    folder.mkdir(parents=True)
    (folder / "session.toml").write_text(toml_text({**KEYS, **changes}), encoding="utf-8")
    text = responses_csv(bass_hz=bass_hz, narrowing=narrowing, tilt_db=tilt_db)
    (folder / "responses.csv").write_text(text, encoding="utf-8")
    return folder


def write_fleet(root: Path, count: int = 4) -> Path:
    """Speakers that differ in bass and narrowing: sill-0 reaches lowest."""
    for i in range(count):
        write_session(
            root / f"s{i}",
            bass_hz=30.0 + 10.0 * i,
            narrowing=0.8 + 0.1 * i,
            model=f"Sill {i}",
            kind="monitor" if i % 2 else "standmount",
            year=2010 + i,
        )
    return root
