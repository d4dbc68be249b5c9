"""Which further measurement would shrink the interval of a difference most: the parts of its variance, by what shares them.

A difference of two pooled values is a weighted sum of sessions: + for the first speaker's, − for the second's. Errors with the same key
(a lab's calibration, a sample, a run) are the same in every session that has it and so add or cancel as a whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

PARTS = ("calibration", "sample", "run", "session")
_FACTOR = 2.0 * 1.959964  # width of a 95 % interval in standard errors


@dataclass(frozen=True)
class Measured:
    """One session of a speaker: its lab, the keys of what it shares, and the sd of each of PARTS in the metric's unit."""

    speaker: str
    lab: str
    calibration: str
    sample: str
    run: str
    session: str
    sd: dict[str, float] = field(hash=False)


@dataclass(frozen=True)
class Outcome:
    """A measurement that could be made: what ('repeat', 'sample', 'lab', 'together'), of which speakers, in which lab, and the
    width of the 95 % interval of the difference then expected, beside `before`."""

    what: str
    speakers: tuple[str, ...]
    lab: str
    before: float
    width: float


def weights(sessions: Sequence[Measured]) -> np.ndarray:
    """(s,) each session's share of its speaker's mean: over sessions within sample and lab, then labs, then samples."""
    cells = [(m.sample, m.lab) for m in sessions]
    samples = {m.sample for m in sessions}
    labs_of = {s: len({lab for sample, lab in cells if sample == s}) for s in samples}
    return np.array([1.0 / (len(samples) * labs_of[c[0]] * cells.count(c)) for c in cells])


def variance_parts(a: Sequence[Measured], b: Sequence[Measured]) -> dict[str, float]:
    """Variance of the difference of the pooled values of a and b by part: Σ over keys of (Σ of ± weight · sd over its sessions)².

    >>> one = lambda s, lab: Measured(s, lab, lab, s, lab + s, s + lab, dict.fromkeys(PARTS, 1.0))
    >>> variance_parts([one("a", "shed")], [one("b", "shed")])
    {'calibration': 0.0, 'sample': 2.0, 'run': 2.0, 'session': 2.0}
    """
    signed = np.concatenate([weights(a), -weights(b)])
    total = {}
    for part in PARTS:
        sums: dict[str, float] = {}
        for w, m in zip(signed.tolist(), [*a, *b], strict=True):
            key = getattr(m, part)
            sums[key] = sums.get(key, 0.0) + w * m.sd[part]
        total[part] = float(sum(v**2 for v in sums.values()))
    return total


def _typical(sessions: Sequence[Measured]) -> dict[str, float]:
    """Root mean square sd of the sessions, per part: what another one of the speaker would have."""
    return {p: float(np.sqrt(np.mean([m.sd[p] ** 2 for m in sessions]))) for p in PARTS}


def _another(sessions: Sequence[Measured], like: Measured, **keys: str) -> Measured:
    """One more session of the speaker, its run and session new, else like a given one unless `keys` say otherwise."""
    return replace(like, **{"run": "new run", "session": "new session", **keys}, sd=_typical(sessions))


def candidates(
    own: Sequence[Measured], other: Sequence[Measured], labs: Iterable[str]
) -> list[tuple[str, str, Measured]]:
    """What could be measured more of a speaker: (what, lab, the session) once per kind and lab.

    A repeat of its first sample where it was measured already; another sample there; its first sample in a lab that has not had it: one
    that had the other speaker, or any of `labs`.
    """
    first = own[0]
    mine = {m.lab: m for m in reversed(own)}
    theirs = {m.lab: m.calibration for m in reversed(other)}
    found = []
    for lab, like in mine.items():
        found.append(("repeat", lab, _another(own, like, sample=first.sample)))
        found.append(("sample", lab, _another(own, like, sample=f"{first.speaker}: new sample")))
    for lab in dict.fromkeys([*theirs, *labs]):
        if lab not in mine:
            calibration = theirs.get(lab, f"{lab}: its calibration")
            found.append(("lab", lab, _another(own, first, lab=lab, calibration=calibration)))
    return found


def outcomes(
    a: Sequence[Measured], b: Sequence[Measured], labs: Iterable[str], width: float | None = None
) -> list[Outcome]:
    """Every single further measurement and its expected interval, the narrowest first; of one speaker, or of both side by side.

    width: that of the present interval where it is known better (from draws); the expected ones are scaled by it. Where no
    measurement would narrow it by more than a hundredth, the list holds none.
    """
    now = sum(variance_parts(a, b).values())
    if now <= 0:
        return []
    before = _FACTOR * float(np.sqrt(now)) if width is None else width
    known = list(labs)

    def after(more_a: Sequence[Measured], more_b: Sequence[Measured]) -> float:
        new = sum(variance_parts([*a, *more_a], [*b, *more_b]).values())
        return before * float(np.sqrt(new / now))

    name_a, name_b = a[0].speaker, b[0].speaker
    found = [Outcome(what, (name_a,), lab, before, after([m], [])) for what, lab, m in candidates(a, b, known)]
    found += [Outcome(what, (name_b,), lab, before, after([], [m])) for what, lab, m in candidates(b, a, known)]
    calibrations = {m.lab: m.calibration for m in (*a, *b)}
    for lab in dict.fromkeys([*calibrations, *known]):
        shared = {"lab": lab, "calibration": calibrations.get(lab, f"{lab}: its calibration"), "run": "together"}
        pair = [_another(s, s[0], **shared, session=f"new session of {s[0].speaker}") for s in (a, b)]
        found.append(Outcome("together", (name_a, name_b), lab, before, after([pair[0]], [pair[1]])))
    return sorted((o for o in found if o.width < 0.99 * before), key=lambda o: (o.width, len(o.speakers)))


def parts_of(se: float, se_unit: float, se_calibration: float, level_sd: float) -> dict[str, float]:
    """The sds of a session's PARTS from its standard error, that without the sample's parts, that of the calibration alone, and
    the sd of the run's level as far as the metric feels it (0 for a metric that no level changes)."""
    sample = max(se**2 - se_unit**2, 0.0)
    rest = max(se**2 - sample - se_calibration**2 - level_sd**2, 0.0)
    return dict(zip(PARTS, (se_calibration, sample**0.5, level_sd, rest**0.5), strict=True))
