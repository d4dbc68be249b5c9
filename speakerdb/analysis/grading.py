"""Words for values: which class a value lies in, as far as its error lets one say (cuts are own judgement)."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb import figures

ONE_WORD, TWO_WORDS = 0.80, 0.90  # so sure of one class, or of two that lie side by side
FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Scale:
    """Classes from low values to high: one word more than there are cuts; a value at a cut belongs to the class below.

    log: judged on log2. more, less: what stands before or after a word where only a bound is known from below or above;
    "{}" is the word.
    """

    cuts: tuple[float, ...]
    words: tuple[str, ...]
    log: bool = False
    more: str = "at least {}"
    less: str = "at most {}"

    @property
    def ladder(self) -> str:
        """'quiet up to 85, moderate up to 95, loud up to 105, very loud beyond'."""
        steps = [f"{word} up to {figures.plain(cut)}" for word, cut in zip(self.words, self.cuts, strict=False)]
        return f"{', '.join(steps)}, {self.words[-1]} beyond"


@dataclass(frozen=True)
class Grade:
    """What is said of a value: the words (two where it lies between two classes, none where it can't be told)."""

    words: tuple[str, ...]
    bound: str = "{}"

    @property
    def text(self) -> str:
        """'even to uneven', 'at least loud'; empty where it can't be told."""
        return self.bound.format(" to ".join(self.words)) if self.words else ""

    @property
    def state(self) -> str:
        """'known' with one word, else 'unclear'."""
        return "known" if len(self.words) == 1 else "unclear"


def probabilities(scale: Scale, value: float, se: float) -> FloatArray:
    """How likely the true value lies in each class, Φ((c_k+1 − v)/se) − Φ((c_k − v)/se). se: on log2 where the scale
    is."""
    ends = np.array([-np.inf, *map(_on(scale), scale.cuts), np.inf])
    middle = _on(scale)(value)
    below = np.array([_phi((end - middle) / se) if se > 0 else float(end >= middle) for end in ends])
    below[0], below[-1] = 0.0, 1.0
    return np.diff(below)


def grade(scale: Scale, value: float, se: float, censored: str = "none", upper: float | None = None) -> Grade:
    """The words for a value. se: its standard error on the scale; upper: the other end of one that lies between two."""
    classes = probabilities(scale, value, se)
    if censored == "none":
        return _grade(scale, _classes(classes))
    if censored == "between":
        ends = _classes(classes), _classes(probabilities(scale, value if upper is None else upper, se))
        return _grade(scale, tuple(sorted({*ends[0], *ends[1]})) if all(ends) else ())
    if censored == "at_least":
        sure = max(k for k in range(len(classes)) if classes[k:].sum() >= ONE_WORD)
        last = len(classes) - 1
        return Grade((scale.words[sure],), "{}" if sure == last else scale.more) if sure else Grade(())
    sure = min(k for k in range(len(classes)) if classes[: k + 1].sum() >= ONE_WORD)
    if sure == len(classes) - 1:
        return Grade(())
    return Grade((scale.words[sure],), "{}" if sure == 0 else scale.less)


def _classes(classes: FloatArray) -> tuple[int, ...]:
    """The class that is sure enough, or two side by side that are together; none where neither is."""
    best = int(classes.argmax())
    if classes[best] >= ONE_WORD:
        return (best,)
    pairs = classes[:-1] + classes[1:]
    pair = int(pairs.argmax())
    return (pair, pair + 1) if pairs[pair] >= TWO_WORDS else ()


def _grade(scale: Scale, classes: tuple[int, ...]) -> Grade:
    """The words of one class, or of two side by side; none for others."""
    is_near = bool(classes) and classes[-1] - classes[0] <= 1
    return Grade(tuple(scale.words[k] for k in classes) if is_near else ())


def quarter(low: int, high: int, count: int) -> Grade:
    """Where a range of places lies among so many: the quarter or half that holds the whole of it, or two that do."""
    words = ("top quarter", "middle half", "bottom quarter")
    first, last = (_part(place, count) for place in (low, high))
    return Grade(words[first : last + 1] if last - first <= 1 else ())


def _part(place: int, count: int) -> int:
    share = (place - 0.5) / count
    return 0 if share <= 0.25 else 1 if share <= 0.75 else 2


def _on(scale: Scale) -> Callable[[float], float]:
    return math.log2 if scale.log else float


def _phi(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))
