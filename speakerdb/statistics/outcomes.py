"""Which further measurement would tell two speakers apart, and how likely: the variance of a difference with one more
session in it.

What a measurement does to the estimate: D_new − D is the difference of two weighted sums of the same independent
errors, so that, D being all that is known, D_new is normal about D with variance V_new + V − 2·Cov (a flat prior for
the true difference; own derivation).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from speakerdb.statistics.contrasts import Contrast, Measured, best, covariance

NEW_RUN, NEW_SESSION = "a new run", "a new session"
_WORTH = 0.99  # a measurement that leaves more of the interval's width is not proposed


@dataclass(frozen=True)
class Bench:
    """Where one could measure: the bench's key, its name in words, and what it has of independent errors of unit
    variance."""

    key: str
    lab: str
    words: str
    loads: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Outcome:
    """A measurement that could be made: what ('repeat', 'sample', 'lab', 'together'), of which sides (0, 1), on which
    bench (in words); sd: standard error of the difference then; spread: standard deviation of by how much the estimate
    will move."""

    what: str
    sides: tuple[int, ...]
    bench: str
    sd: float
    spread: float

    def chance(self, difference: float, least: float) -> float:
        """The probability that the new interval leaves 0 out: P(|D_new| > least), D_new normal about the present
        difference."""
        if self.spread == 0.0:
            return float(abs(difference) > least)
        return _above((least - difference) / self.spread) + _above((least + difference) / self.spread)


def _above(z: float) -> float:
    return 0.5 * math.erfc(z / math.sqrt(2.0))


def _another(sessions: Sequence[Measured], like: Measured, bench: Bench, **keys: str) -> Measured:
    """One more session of a speaker on a bench, like a given one; its errors are of the size of those at hand."""

    def typical(name: str) -> float:
        return math.sqrt(sum(getattr(m, name) ** 2 for m in sessions) / len(sessions))

    sds = {name: typical(name) for name in ("own", "level", "bench_sd", "sample_sd")}
    place = {"lab": bench.lab, "bench": bench.key, "run": NEW_RUN, "session": NEW_SESSION}
    return replace(like, **{**place, **keys, **sds}, bench_loads=bench.loads, other=None)  # type: ignore[arg-type]


def _candidates(
    own: Sequence[Measured], benches: Sequence[Bench], *, another_unit: bool
) -> list[tuple[str, Bench, Measured]]:
    """What could be measured more of one speaker: its first sample once more on a bench that had it, or on one that had
    not; where the question is about another unit, a new sample on a bench that had the speaker."""
    first, had = own[0], {m.bench for m in own}
    found = []
    for bench in benches:
        found.append(("repeat" if bench.key in had else "lab", bench, _another(own, first, bench)))
        if another_unit and bench.key in had:
            found.append(("sample", bench, _another(own, first, bench, sample=f"{first.speaker}: a new sample")))
    return found


def outcomes(
    a: Sequence[Measured],
    b: Sequence[Measured],
    benches: Sequence[Bench],
    present: Contrast,
    *,
    another_unit: bool = False,
) -> list[Outcome]:
    """Every single further measurement that would narrow a − b, of one speaker or of both in one run, the narrowest
    first.

    benches: where one could measure. present: the contrast that stands now. After the measurement the one with the
    smallest variance stands, which may be another.
    """

    def after(what: str, bench: Bench, more_a: Sequence[Measured], more_b: Sequence[Measured]) -> Outcome:
        new = best([*a, *more_a], [*b, *more_b], another_unit=another_unit)
        moves = new.variance + present.variance - 2.0 * covariance(new.loads, present.loads)
        sides = tuple(side for side, more in enumerate((more_a, more_b)) if more)
        return Outcome(what, sides, bench.words, math.sqrt(new.variance), math.sqrt(max(moves, 0.0)))

    found = [after(what, bench, [m], []) for what, bench, m in _candidates(a, benches, another_unit=another_unit)]
    found += [after(what, bench, [], [m]) for what, bench, m in _candidates(b, benches, another_unit=another_unit)]
    for bench in benches:
        pair = [_another(s, s[0], bench, session=f"{NEW_SESSION} of {side}") for s, side in ((a, "a"), (b, "b"))]
        found.append(after("together", bench, [pair[0]], [pair[1]]))
    now = math.sqrt(present.variance)
    return sorted((o for o in found if o.sd < _WORTH * now), key=lambda o: (o.sd, len(o.sides)))
