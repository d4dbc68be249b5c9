"""A maker's claimed maximum level set against what was measured, with the reasoning in words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from speakerdb import figures
from speakerdb.analysis import claims as claiming
from speakerdb.analysis.judging import Interval
from speakerdb.errors import RequestError
from speakerdb.field.field import Field
from speakerdb.metrics import METRICS
from speakerdb.metrics.electrical_rows import SENSITIVITY
from speakerdb.metrics.output_rows import MAXIMUM, PROGRAMME

_MEASURED = (MAXIMUM.id, PROGRAMME.id)


@dataclass(frozen=True)
class ClaimAnswer:
    """A claim step by step. Levels in dB; low and high None where open (censored or withheld).

    single_db: the claim referred to one speaker at 1 m. measured: metric -> (low, high, reason). unexplained: what is
    left of the claim by the maximum level, of which the verdict (one of claims.VERDICTS) speaks, since that is what a
    maker claims; beyond_music: by how much it exceeds what the speaker reaches with music at full range.
    """

    speaker: str
    setting: str
    claimed_db: float
    pair: bool
    distance_m: float
    distance_assumed: bool
    single_db: float
    measured: dict[str, tuple[float | None, float | None, str | None]]
    unexplained: tuple[float | None, float | None]
    beyond_music: tuple[float | None, float | None]
    amplifier_w: float | None
    verdict: str
    may_explain: list[dict[str, Any]]
    sentences: list[str]


def claim(field: Field, speaker: str, setting: str) -> ClaimAnswer:
    """The claim of one speaker in one setting. Raises RequestError where its maker claims nothing."""
    base = field.base
    row = int(np.flatnonzero(((base["speaker"] == speaker) & (base["setting"] == setting)).to_numpy())[0])
    facts = base.row(row, named=True)
    if facts["claimed_max_db"] is None:
        raise RequestError(
            f"no claimed maximum level is recorded for {speaker}: give claimed_max_db (and claim_pair, "
            "claim_distance_m) in "
            "session.toml, or as facts with `speakerdb facts`"
        )
    found = field.figures([*_MEASURED, SENSITIVITY.id])
    one = {name: _one(figure, row) for name, figure in found.items()}
    maximum, music = (one[name] for name in _MEASURED)
    distance = np.array([float("nan") if facts["claim_distance_m"] is None else facts["claim_distance_m"]])
    answer = claiming.claims(
        np.array([facts["claimed_max_db"]]),
        np.array([bool(facts["claim_pair"])]),
        distance,
        maximum,
        music,
        one[SENSITIVITY.id].best()[0],
    )
    verdict = claiming.verdicts(answer.unexplained, MAXIMUM.matters)[0]
    watts = float(answer.amplifier_w[0])
    built = ClaimAnswer(
        speaker=speaker,
        setting=setting,
        claimed_db=float(answer.claimed_db[0]),
        pair=bool(answer.pair[0]),
        distance_m=float(answer.distance_m[0]),
        distance_assumed=bool(answer.distance_assumed[0]),
        single_db=float(answer.single_db[0]),
        measured={name: (*_ends(one[name]), one[name].reason[0]) for name in _MEASURED},
        unexplained=_ends(answer.unexplained),
        beyond_music=_ends(answer.beyond_music),
        amplifier_w=watts if np.isfinite(watts) else None,
        verdict=verdict,
        may_explain=claiming.may_explain(bool(answer.pair[0])) if verdict == "not_met" else [],
        sentences=[],
    )
    built.sentences.extend(_sentences(built))
    return built


def _one(figure: Interval, row: int) -> Interval:
    return Interval(figure.low[[row]], figure.high[[row]], figure.reason[[row]])


def _ends(figure: Interval) -> tuple[float | None, float | None]:
    low, high = (float(end[0]) if np.isfinite(end[0]) else None for end in (figure.low, figure.high))
    return low, high


def bound_text(low: float | None, high: float | None) -> str:
    """'104.2 dB', '≥ 104.2 dB', '≤ 104.2 dB' or 'between 101.0 and 104.2 dB'; 'unknown' where open at both ends."""
    if low is None and high is None:
        return "unknown"
    if low is None or high is None:
        return figures.DB.interval_text(low, high)
    return figures.DB.text(low) if low == high else f"between {figures.DB.number(low)} and {figures.DB.text(high)}"


def _sentences(c: ClaimAnswer) -> list[str]:
    who = "a pair" if c.pair else "one speaker"
    where = f"at {figures.plain(c.distance_m)} m" + (
        " (no distance stated: 1 m taken, as is customary)" if c.distance_assumed else ""
    )
    said = [f"Claimed: {figures.plain(c.claimed_db)} dB by {who} {where}."]
    steps = [f"{figures.DB.text(-claiming.PAIR_DB)} for the second speaker"] if c.pair else []
    if c.distance_m != 1.0:
        steps.append(f"{figures.DB.text(20.0 * np.log10(c.distance_m), signed=True)} for the distance")
    how = f" ({', '.join(steps)})" if steps else ""
    said.append(
        f"That is {figures.DB.text(c.single_db)} from one speaker at 1 m{how}, in free field with uncorrelated sound."
    )
    for name, (low, high, reason) in c.measured.items():
        label = METRICS[name].label
        said.append(f"{label} measured: {bound_text(low, high)}." if reason is None else f"{reason.capitalize()}.")
    said.append(_verdict_sentence(c))
    if (words := _music_sentence(c)) is not None:
        said.append(words)
    if c.amplifier_w is not None:
        said.append(
            f"By its sensitivity the claim asks for {figures.number(c.amplifier_w)} W into 8 Ω before any "
            "compression, for each speaker."
        )
    if c.may_explain:
        parts = ", ".join(f"{e['what']} ({figures.DB.text(e['db'])})" for e in c.may_explain)
        said.append(f"What makers count without saying so (common practice, no source): {parts}.")
    return said


def _verdict_sentence(c: ClaimAnswer) -> str:
    low, high = c.unexplained
    matters = MAXIMUM.matters
    if c.verdict == "met":
        return "The compression-limited level bears the claim out."
    if c.verdict == "about_met":
        return f"The compression-limited level bears the claim out to within {figures.plain(matters)} dB."
    if c.verdict == "not_met":
        return f"Against the compression-limited level {bound_text(low, high)} of the claim are left unexplained."
    if low is None and high is None:
        return "Whether the claim is met can't be judged: the compression-limited level is unknown."
    return f"Whether the claim is met can't be judged: what is left unexplained is {bound_text(low, high)}."


def _music_sentence(c: ClaimAnswer) -> str | None:
    low, high = c.beyond_music
    if low is None or low <= PROGRAMME.matters:
        return None
    return f"Music at full range reaches {bound_text(low, high)} less than claimed."
