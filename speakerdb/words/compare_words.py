"""Differences in words: how many can be believed, which sessions they are of."""

from __future__ import annotations

from collections.abc import Sequence

from speakerdb.metrics import METRICS


def real_words(differing: int, real: int, count: int) -> str:
    """How many of `count` differences can be believed: `differing` in their own rows, `real` of them taken together (q
    ≤ 0.05)."""
    if differing == 0 or count == 1:
        told = "can be told" if differing else "can't be told"
        return f"The difference {told}." if count == 1 else f"None of {count} differences can be told."
    if real == differing:
        return f"{real} of {count} differences are real (about 1 in 20 marked ones may not be)."
    if real == 0:
        return (
            f"{differing} of {count} rows differ, no more than chance may bring over so many rows: none is surely real."
        )
    return f"{differing} of {count} rows differ; taken together {real} are real (about 1 in 20 of these may not be)."


def contrast_words(rows: Sequence[tuple[str, str]]) -> list[str]:
    """Which sessions differences are of, from each row's metric and `because`: a sentence, without its full stop, per
    kind of contrast; what most rows rest on is told last, of the rest."""
    groups: dict[str, list[str]] = {}
    for metric, because in rows:
        groups.setdefault(because, []).append(METRICS[metric].phrase)
    said = []
    for because, names in (ordered := sorted(groups.items(), key=lambda group: len(group[1]))):
        whom = "all other rows" if because == ordered[-1][0] else "; ".join(names)
        said.append(because if len(ordered) == 1 else f"{because} ({whom})")
    return said
