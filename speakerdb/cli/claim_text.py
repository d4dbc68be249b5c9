"""A claim in words."""

from __future__ import annotations

from speakerdb.cli import terminal
from speakerdb.questions.claim import Judgement


def tell(answer: Judgement) -> None:
    terminal.line(f"{answer.speaker}, setting {answer.setting}: is the claimed maximum level believable?")
    for sentence in answer.sentences:
        terminal.line(f"- {sentence}")
