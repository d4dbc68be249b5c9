"""Are the verdict's words those of the unit? A fleet is made twice: as measured, and without what repeats, sessions,
levels and sweeps add, on the same benches with the same specimens. The words of the first are held against the classes
that the second's values lie in.

Run: python -m tests.answering.verdict_truth SEED [SEED ...]. Wanted, over the values that are not withheld: one word
for at least 70 %, none for at most 5 %; of one word, the unit's in at least 85 % (each scale 75 %); of two, one of them
in at least 90 %. Seeds are helpings of the demo's own errors; its own is "demo fleet 1".
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

import speakerdb
from seed_data import plan
from seed_data.errors import Errors
from seed_data.generate import generate
from speakerdb.analysis.grading import Scale, grade
from speakerdb.answering import verdict
from speakerdb.metrics import METRICS


class Unit(Errors):
    """The bench's own errors and the specimen's, nothing else."""

    def repeat_db(self, visit, curves):
        return np.zeros_like(super().repeat_db(visit, curves))

    def session_db(self, visit):
        return np.zeros_like(super().session_db(visit))

    def level_db(self, visit):
        return 0.0

    def compression_db(self, visit, drives):
        return np.zeros_like(super().compression_db(visit, drives))

    def distortion_db(self, visit, component, drives):
        return np.zeros_like(super().distortion_db(visit, component, drives))


def strips(place: Path, errors: Errors, *, intervals: bool) -> dict[str, dict[str, dict]]:
    """speaker -> metric -> its figure in the verdict, of the first visits to all speakers."""
    generate(place / "in", plan.first_visits(), errors)
    with speakerdb.open(place / "speakers.duckdb", write=True) as base:
        base.ingest(place / "in")
        if intervals:
            base.work_out()
        return {
            s: {v["metric"]: v for line in base.show(s, exact=True).strip for v in line["values"]}
            for s in base.list()["speaker"]
        }


def graded(scale: Scale, value: dict) -> str:
    """The word of a value without error."""
    return grade(scale, value["value"], 0.0, value["censored"], value["high"]).text


def classes(scale: Scale, text: str) -> set[str]:
    """The classes that a text leaves open: those it names, for a bound all on its side."""
    for k, word in enumerate(scale.words):
        if text == scale.more.format(word):
            return set(scale.words[k:])
        if text == scale.less.format(word):
            return set(scale.words[: k + 1])
    return set(text.split(" to ")) & set(scale.words)


def judge(seed: str) -> dict[str, Counter[str]]:
    """Per metric: how many words were said, and how many of them are the unit's."""
    with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as two:
        measured = strips(Path(one), Errors(seed), intervals=True)
        unit = strips(Path(two), Unit(seed), intervals=False)
    found = {metric: Counter[str]() for metric in verdict.SCALES}
    for speaker, values in measured.items():
        for metric, scale in verdict.SCALES.items():
            mine, true = values.get(metric), unit[speaker].get(metric)
            count = found[metric]
            if mine is None or true is None or mine["value"] is None or true["value"] is None:
                count["withheld"] += 1
                continue
            said, true_words = classes(scale, mine["word"]), classes(scale, graded(scale, true))
            number = ("none", "one", "two")[mine["word"].count(" to ") + 1 if mine["word"] else 0]
            count[number] += 1
            count[f"{number} right"] += bool(said & true_words)
    return found


def main(seeds: list[str]) -> int:
    total = {metric: Counter[str]() for metric in verdict.SCALES}
    for seed in seeds:
        for metric, count in judge(seed).items():
            total[metric] += count
    whole = sum(total.values(), Counter[str]())
    print(f"{'':42}{'one':>6}{'right':>7}{'two':>6}{'right':>7}{'none':>6}{'withheld':>10}")
    for name, count in [*((METRICS[m].label, c) for m, c in total.items()), ("all", whole)]:
        row = [count[k] for k in ("one", "one right", "two", "two right", "none", "withheld")]
        print(f"{name:42}{row[0]:6}{row[1]:7}{row[2]:6}{row[3]:7}{row[4]:6}{row[5]:10}")
    judged = whole["one"] + whole["two"] + whole["none"]
    one, none = whole["one"] / judged, whole["none"] / judged
    right = whole["one right"] / whole["one"], whole["two right"] / max(whole["two"], 1)
    print(f"one word {one:.1%}, none {none:.1%}; of one word right {right[0]:.1%}, of two {right[1]:.1%}")
    each = all(c["one right"] >= 0.75 * c["one"] for c in total.values())
    return not (one >= 0.7 and none <= 0.05 and right[0] >= 0.85 and right[1] >= 0.9 and each)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:] or ["demo fleet 1"]))
