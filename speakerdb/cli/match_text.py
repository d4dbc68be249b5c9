"""Relatives in words."""

from __future__ import annotations

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.questions.match import Matches

_MEASURES = {True: "differently", False: "can't be told", None: "not judged"}


def tell(answer: Matches) -> None:
    from speakerdb.analysis.nearness import WORDS

    terminal.line(
        f"Measures like {answer.speaker}, setting {answer.setting}{terminal.among(answer.filters)}: RMS "
        "difference in dB, nearest first"
    )
    terminal.table(
        ["speaker", "setting", "distance", *WORDS.values(), "measures"],
        [
            [
                r["speaker"],
                r["setting"],
                figures.number(r["distance_db"], 2),
                *(figures.number(r["parts"][p], 2) for p in WORDS),
                _MEASURES[r["distinguishable"]],
            ]
            for r in answer.rows.iter_rows(named=True)
        ],
        right=tuple(range(2, 3 + len(WORDS))),
    )
    whom: dict[str, list[str]] = {}
    for row in answer.rows.iter_rows(named=True):
        for remark in [*row["remarks"], *([f"not judged: {row['reason']}"] if row["reason"] else [])]:
            whom.setdefault(remark, []).append(row["speaker"])
    for remark, speakers in whom.items():
        listed = "all of these" if len(speakers) == len(answer) > 1 else ", ".join(speakers)
        terminal.line(f"{remark[0].upper()}{remark[1:]}: {listed}")
    terminal.line("Weights: " + ", ".join(f"{WORDS[p]} {figures.plain(w)}" for p, w in answer.weights.items()))
