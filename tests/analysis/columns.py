"""Made-up metric columns: values, errors of known size, labs and facts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from speakerdb.analysis.field import MetricColumn
from speakerdb.dictionary import METRICS

DRAWS = 400


def column(metric: str, value: Sequence[float], *, se: float | Sequence[float] = 0.3, lab: Sequence[str] | None = None,
           at_least: Sequence[int] = (), at_most: Sequence[int] = (), withheld: Sequence[int] = (), seed: int = 1,
           shared: np.ndarray | float = 0.0, **facts: Sequence[object]) -> MetricColumn:  # fmt: skip
    """Speakers named a, b, …; `shared` (DRAWS,) is added to the draws of all, as a common calibration error."""
    x = np.asarray(value, float)
    n = len(x)
    random = np.random.default_rng(seed)
    own = random.standard_normal((n, DRAWS)) * np.broadcast_to(np.asarray(se, float), n)[:, None]
    own -= own.mean(axis=1, keepdims=True)
    draws = (x[:, None] + own + shared).astype(np.float32)
    lower, upper = x.copy(), x.copy()
    upper[list(at_least)], lower[list(at_most)] = np.inf, -np.inf
    gone = np.zeros(n, bool)
    gone[list(withheld)] = True
    for array in (x, lower, upper, draws):
        array[gone] = np.nan
    names = [f"{chr(97 + i // 26)}{chr(97 + i % 26)}" if n > 26 else chr(97 + i) for i in range(n)]
    labs = np.array(list(lab) if lab is not None else ["shed"] * n, object)
    defaults: dict[str, Sequence[object]] = {
        "speaker": names, "setting": ["plain"] * n, "maker": names, "kind": ["bookshelf"] * n, "price": [500.0] * n,
        "volume_l": [10.0] * n, "year": [2020] * n, "layout": ["two-way"] * n, "enclosure": ["vented"] * n,
        "mass_kg": [8.0] * n, "sessions": [1] * n, "samples": [1] * n, "labs": labs.tolist(),
    }  # fmt: skip
    reason = np.array(["not measured" if g else None for g in gone], object)
    return MetricColumn(METRICS[metric], draws, x, x.copy(), lower, upper, labs, reason,
                        pl.DataFrame({**defaults, **facts}))  # fmt: skip
