"""A market with few makers: who makes what, and values that speakers of one maker share in part."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

WIDTHS = Path(__file__).with_name("vertical_tone_width.json")


def widths() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The committed values, makers' codes and layouts of 62 speakers."""
    rows = json.loads(WIDTHS.read_text())["rows"]
    maker = np.unique([r[1] for r in rows], return_inverse=True)[1]
    return np.array([r[3] for r in rows]), maker, np.array([r[2] for r in rows])


def market(
    random: np.random.Generator, makers: int, speakers: int, alike: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Values (speakers,) of unit variance, of which makers share `alike`; makers' codes; whether each speaker is in a
    group to which makers lean, some wholly. Nothing depends on the group."""
    maker = np.unique(random.integers(0, makers, speakers), return_inverse=True)[1]
    leaning = random.beta(0.5, 0.5, maker.max() + 1)
    member = random.uniform(size=speakers) < leaning[maker]
    shared = random.normal(size=maker.max() + 1)[maker]
    return np.sqrt(alike) * shared + np.sqrt(1 - alike) * random.normal(size=speakers), maker, member
