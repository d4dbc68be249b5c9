"""Raw folders of a vented box in a room, near recordings with them, and what `prepare` should make of them."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tests.signals import prototypes
from tests.signals.boxes import Vented

RATE = prototypes.RATE_HZ
SECONDS = 3.0
# size, source, absorption: a living room leaves about 4 ms, a hall 9
ROOMS = {
    "living room": ((5.2, 4.1, 2.5), (2.0, 1.9, 1.15), 0.35),
    "hall": ((14.0, 11.0, 5.0), (6.0, 5.0, 2.4), 0.3),
}
_FACES = {(1.0, 0.0, 0.0): "front", (-1.0, 0.0, 0.0): "rear"}


def keys(speaker: Vented, size_scale=1.0, radius_scale=1.0) -> str:
    """raw.toml, with sizes and radii off by a factor."""
    height, width, depth = (1000 * size_scale * x for x in speaker.size_m)
    text = 'reference = "sweep.wav"\ncalibrator = "calibrator.wav"\ntemperature_c = 20.0\n'
    text += f"height_mm = {height:.3f}\nwidth_mm = {width:.3f}\ndepth_mm = {depth:.3f}\n"
    for role, piston in (("cone", speaker.cone), ("port", speaker.port)):
        centre = ", ".join(f"{1000 * x:.3f}" for x in piston.centre_m)
        text += f'\n[[near]]\nfile = "near_{role}.wav"\nrole = "{role}"\ncentre_mm = [{centre}]\n'
        text += f'face = "{_FACES[piston.normal]}"\ndiameter_mm = {2000 * radius_scale * piston.radius_m:.3f}\n'
        text += f"gap_mm = {1000 * piston.gap_m:.3f}\n"
    return text


def write(folder: Path, speaker: Vented, room: str, noise=1e-6, seed=0, square=0.0, drive_db=None, **scales) -> Path:
    """square: of x + square·x², what the near recordings were driven by; drive_db: named with them."""
    size, source, absorption = ROOMS[room]
    ways = prototypes.images(1.0, source[2], size, source, [absorption] * 3, order=2)
    played = prototypes.sweep(seconds=SECONDS)
    level = 0.05 / np.abs(speaker.far(np.array([1000.0]))).max()
    found = {}
    for i, (horizontal, angle) in enumerate(zip(speaker.horizontal, speaker.angle_deg, strict=True)):
        name = f"{'horizontal' if horizontal else 'vertical'}_{angle:g}.wav"
        found[name] = level * prototypes.record(
            lambda f, i=i: speaker.far(f)[i], ways, played, noise=noise / level, seed=seed + i
        )
    for i, role in enumerate(("cone", "port")):
        found[f"near_{role}.wav"] = level * prototypes.record(
            lambda f, i=i: speaker.near(f)[i],
            [(ways[0][0], 1.0)],
            played + square * played**2,
            noise=noise / level,
            seed=seed + 50 + i,
        )
    t = np.arange(RATE) / RATE
    found["calibrator.wav"] = 0.05 * np.sqrt(2) * np.sin(2 * np.pi * 1000 * t)
    loudest = max(np.abs(x).max() for x in found.values())
    found = {name: 0.5 * x / loudest for name, x in found.items()}
    text = keys(speaker, **scales)
    if drive_db is not None:
        text = text.replace("gap_mm", f"drive_db = {drive_db}\ngap_mm")
    return prototypes.write(folder, found, text, played=played, subtype="FLOAT")
