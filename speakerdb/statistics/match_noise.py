"""How far two equal speakers would seem to lie apart through measurement errors alone (statistics.md §4, Match)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb.statistics.error_model import DEFAULT_SD, MODEL_VERSION, WIDTH_OCT
from speakerdb.statistics.fields import generator, smooth_field

Floats32 = NDArray[np.float32]
DRAWS = 200  # noise-only draws a pair; their 95 % point is known to about a twentieth of their spread
LEVEL = 0.95
OUTPUT_SD_DB = float(DEFAULT_SD["distortion_per_drive"])  # type: ignore[arg-type]  # usable output hangs on distortion


@dataclass(frozen=True, eq=False)
class CurveNoise:
    """Errors of one speaker's pooled curves: common (B, 199) draws that shift every curve alike, already with what it shares
    with others; own: curve name -> (199,) standard deviation of the rest."""

    common: Floats32
    own: Mapping[str, Floats32]


def noise_curves(a: CurveNoise, b: CurveNoise, key: str) -> dict[str, Floats32]:
    """Draws (B, 199) of the difference of two speakers' curves when they are equal in truth; beamwidths as factors.

    What they share in `common` cancels. The rest of the listening window and of the in-room curve come from much the same
    measured curves, so that they move together (the safe side: fewer pairs are told apart).
    """
    rng = generator("match", key, MODEL_VERSION)
    common = a.common - b.common
    width = WIDTH_OCT["repeatability"]
    response = smooth_field(rng, len(common), width)
    found: dict[str, Floats32] = {}
    for name in a.own:
        sd = np.sqrt(a.own[name] ** 2 + b.own[name] ** 2)
        if name in {"listening_window", "in_room"}:
            found[name] = common + response * sd
        elif name.startswith("beamwidth"):
            found[name] = np.asarray(10.0 ** (smooth_field(rng, len(common), width) * sd / 20.0), np.float32)
        else:
            found[name] = smooth_field(rng, len(common), width) * sd
    found["usable_output"] = common + smooth_field(rng, len(common), width) * np.float32(OUTPUT_SD_DB * np.sqrt(2.0))
    return found
