"""Sentences written from the numbers by rule. Every rule here respects the interval: what the data can't carry is not
said."""

from __future__ import annotations

from speakerdb import figures
from speakerdb.analysis.peers import place_words
from speakerdb.answering.standing import FEWEST, Place
from speakerdb.metric import Metric

_MIDDLE = 0.25  # so far from one half, either way, is still about the middle (own judgement)
_FIFTH, _QUARTER, _THIRD, _HALF = 0.8, 0.75, 2 / 3, 0.5


def share(place: Place) -> str:
    """'3rd to 9th of 9'; why not, where it can't be said."""
    if place.count <= FEWEST:
        others = place.count - 1
        return f"not placed: {others or 'no'} {'other has' if others < 2 else 'others have'} it"
    if place.rank_low is None or place.rank_high is None:
        return f"{figures.ordinal(place.rank)} of {figures.number(place.count)}, its range not worked out"
    return place_words(place.rank_low, place.rank_high, place.count)


def standing(place: Place, group: str) -> str | None:
    """A sentence on the speaker's place, only as strong as the range of it; None where nothing can be said.

    'surely in the deepest fifth', 'in the better half', 'near the middle'; a superlative ("the deepest") only where
    that holds when all of the group are looked at together.
    """
    beats = place.beats
    if beats is None:
        return None
    metric = place.metric
    highest, lowest = metric.ends
    top, bottom = (lowest, highest) if metric.better == "low" else (highest, lowest)
    label = f"{metric.label}, {place.text}"
    surely, possibly = beats
    if place.superlative:
        return f"{label}: the {top if place.rank_low == 1 else bottom} of {place.count} {group}."
    for bar, words in ((_FIFTH, "fifth"), (_QUARTER, "quarter"), (_THIRD, "third"), (_HALF, "half")):
        if surely >= bar:
            return f"{label}: among the {top} {words} of {place.count} {group}."
        if 1 - possibly >= bar:
            return f"{label}: among the {bottom} {words} of {place.count} {group}."
    if surely >= 0.5 - _MIDDLE and possibly <= 0.5 + _MIDDLE:
        return f"{label}: about the middle of {place.count} {group}."
    counted = f" from the {highest}" if metric.better == "neither" else ""
    return f"{label}: {share(place)} {group}{counted}."


def difference(
    metric: Metric, other: str, delta: float | None, low: float | None, high: float | None, matters: str
) -> str:
    """One metric against another speaker: '1.2 dB lower than X (0.8 to 1.6)', of one in which ratios count '1.30 times
    that of X (1.27 to 1.34)', or that it can't be told. delta, low, high: own − other's, or own/other's."""
    if delta is None:
        return f"{metric.label} can't be compared with {other}: one of the values is only a bound."
    if matters == "no":
        return f"{metric.label}: no difference from {other} that matters."
    ratio = metric.scale == "log"
    none = 1.0 if ratio else 0.0
    if low is None or high is None or low <= none <= high:
        return f"{metric.label} can't be told from {other} at this precision."
    end = "." if matters == "yes" else "; whether that is enough to matter is unclear."
    if ratio:
        times = metric.quantity.difference(delta).removeprefix("× ")
        return f"{metric.label}: {times} times that of {other} ({metric.quantity.difference_interval(low, high)}){end}"
    side = "higher" if delta > 0 else "lower"
    near, far = sorted((abs(low), abs(high)))
    return (
        f"{metric.label}: {metric.quantity.text(abs(delta))} {side} than {other} "
        f"({metric.quantity.interval(near, far)}){end}"
    )
