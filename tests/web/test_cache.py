"""Answers are kept per state: worked out once, never across states, errors not at all."""

from __future__ import annotations

import threading
import time

import pytest

from speakerdb.web.cache import Answers


def test_an_answer_is_worked_out_once_per_state():
    kept, asked = Answers(), []
    for state in ("a", "a", "b"):
        kept.get(state, "q", lambda state=state: asked.append(state))
    assert asked == ["a", "b"]


def test_the_same_question_at_the_same_time_is_worked_out_once():
    kept, asked = Answers(), []

    def slow():
        asked.append(1)
        time.sleep(0.1)
        return "answer"

    found = []
    threads = [threading.Thread(target=lambda: found.append(kept.get("a", "q", slow))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert found == ["answer"] * 8
    assert len(asked) == 1


def test_an_error_is_not_kept():
    kept = Answers()
    with pytest.raises(ValueError, match="first"):
        kept.get("a", "q", lambda: (_ for _ in ()).throw(ValueError("first")))
    assert kept.get("a", "q", lambda: 2) == 2


def test_the_answer_unused_for_longest_goes_first():
    kept, asked = Answers(most=2), []
    for question in ("one", "two", "one", "three", "one", "two"):
        kept.get("a", question, lambda q=question: asked.append(q))
    assert asked == ["one", "two", "three", "two"]
