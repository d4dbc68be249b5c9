"""What a place does to a speaker, in words."""

from __future__ import annotations

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.questions.place import Placement


def tell(answer: Placement) -> None:
    from speakerdb.answering import placing

    a, advice, limit = answer.assumptions, answer.advice, answer.limit
    hz = figures.Quantity("Hz", 0)
    behind, aside, seat = (_m(a[name]) for name in ("wall_behind_m", "side_wall_m", "distance_m"))
    terminal.line(
        f"{answer.speaker}, setting {answer.setting}: {behind} before the wall behind, {aside} from the side wall, "
        f"heard at {seat}"
    )
    terminal.line(f"LF extension (−6 dB) at the seat: {_limit(answer, hz)}")
    if limit["other_value"] is not None:
        terminal.line(
            f"A dip at about {hz.text(limit['other_value'])} would be the limit in "
            f"{figures.probability(limit['other_share'])} of cases."
        )
    terminal.table(
        ["frequency (Hz)", "what the place adds (dB)"],
        [
            [figures.plain(one["frequency_hz"]), figures.DB.interval(one["low_db"], one["high_db"], signed=True)]
            for one in answer.gains
        ],
        right=(0, 1),
    )
    terminal.table(
        ["surface", "its first dip (Hz)"],
        [[one["surface"], figures.number(one["frequency_hz"])] for one in answer.dips],
        right=(1,),
    )
    best, here = (figures.number(advice[name], 1) for name in ("best_uneven_db", "here_uneven_db"))
    terminal.line(
        f"Most even bass between {_m(advice['from_m'])} and {_m(advice['to_m'])}: {_m(advice['best_m'])} before the "
        f"wall behind ({best} dB RMS; here {here} dB)."
    )
    if advice["best_setting"] is not None:
        terminal.line(f"Of its settings {advice['best_setting']} suits this place:")
        terminal.table(
            ["setting", "unevenness of the bass (dB)", "not judged because"],
            [[s["setting"], figures.number(s["uneven_db"], 1), s["reason"] or ""] for s in answer.settings],
            right=(1,),
        )
    terminal.line(placing.sentence(answer.placed.standing, "Standing up"))
    for side, one in zip(("left", "right"), answer.placed.walking, strict=True):
        terminal.line(placing.sentence(one, f"A step to the speaker's {side}"))
    lowest = ", ".join(figures.number(m["frequency_hz"], 1) for m in answer.modes[:6])
    terminal.line(f"Lowest modes of the empty room: {lowest} Hz.")
    terminal.cautions(answer.cautions)


def _m(length: float) -> str:
    return f"{figures.number(length, 2)} m"


def _limit(answer: Placement, hz: figures.Quantity) -> str:
    limit = answer.limit
    if limit["value"] is None:
        return f"not judged: {limit['reason']}"
    span = hz.interval(limit["low"], limit["high"])
    return f"{hz.text(limit['value'], limit['censored'])} ({span})"
