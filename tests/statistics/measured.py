"""Sessions as contrasts take them, and what a difference's errors come to when every one of them is drawn."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from speakerdb.statistics.contrasts import Chosen, Measured

SIZES = {"own": 0.2, "level": 0.3, "bench_sd": 0.5, "sample_sd": 0.6}


def session(speaker, lab="shed", sample="1", run=None, number=1, x=0.0, **more):
    run = run or f"{lab} {speaker} {sample} {number}"
    return Measured(
        speaker, lab, f"/{lab}||", f"{speaker}|{sample}", run, f"{run} {speaker} {number}", x, **SIZES | more
    )


def drawn(a: Sequence[Measured], b: Sequence[Measured], errors, random, n, *, another_unit=False):
    """The error of the difference of the means (n,), every error drawn once for all that share it and kept in `errors`;
    of what is asked about, another unit of each model where so."""

    def error(part, key):
        if (part, key) not in errors:
            errors[part, key] = random.standard_normal(n)
        return errors[part, key]

    total = np.zeros(n)
    for sign, side in ((1, a), (-1, b)):
        for w, m in zip(Chosen(tuple(side)).weights, side, strict=True):
            total += (
                sign
                * w
                * (
                    m.own * error("own", m.session)
                    + m.level * error("run", m.run)
                    + m.bench_sd * error("bench", m.bench)
                )
            )
            if another_unit:
                total += sign * w * m.sample_sd * (error("sample", m.sample) - error("unit", m.speaker))
    return total
