"""The method in words, set for a terminal."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Sequence

from speakerdb.cli import terminal
from speakerdb.questions.topics import Topics

WIDTH = 80
_BETWEEN = "  "  # of columns
_UNDERLINES = "=-~"  # of headings, by their level
_LINK = re.compile(r"\[([^\]]+)\]\(([^)]+)\)")


def tell(answer: Topics) -> None:
    if "text" in answer.rows.columns:
        for one in set_for_terminal(answer["text"][0]):
            terminal.line(one)
        return
    headings = ["  " * (level - 1) + title for level, title in answer.rows.select("level", "title").iter_rows()]
    longest = max(map(len, headings))
    for heading, level, line in zip(headings, answer["level"], answer["line"], strict=True):
        if level == 1:
            terminal.line()
        short = textwrap.shorten(line, WIDTH - longest - len(_BETWEEN), placeholder=" …")
        terminal.line(f"{heading:{longest}}{_BETWEEN}{short}")
    terminal.line("\n`speakerdb method TOPIC` shows one; any unambiguous part of a heading will do.")


def set_for_terminal(markdown: str, width: int = WIDTH) -> Iterator[str]:
    """Markdown as lines of plain text: paragraphs and lists wrapped, headings underlined, tables aligned, code as it
    is."""
    before = ""
    for block in _blocks(markdown):
        first = block[0]
        if before and not (before == first[:2] == "- "):
            yield ""
        before = first[:2]
        if first.startswith("#"):
            marks, _, title = first.partition(" ")
            yield from (title, _UNDERLINES[len(marks) - 1] * len(title))
        elif first.startswith("|"):
            yield from _table(block)
        elif first.startswith("    "):
            yield from block
        else:
            words = _plain(" ".join(part.strip() for part in block))
            indent = "  " if before == "- " else ""
            yield from textwrap.wrap(
                words, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
            )


def _blocks(markdown: str) -> Iterator[list[str]]:
    """Headings, paragraphs, single items of lists, tables and code, each as its lines. An empty line ends one."""
    block: list[str] = []
    for one in [*markdown.split("\n"), ""]:
        if block and (not one or one.startswith(("- ", "#")) or block[0].startswith("#")):
            yield block
            block = []
        if one:
            block.append(one)


def _table(rows: Sequence[str]) -> Iterator[str]:
    """Rows of a Markdown table with their cells under one another; the rule below the headings stays one."""
    cells = [[_plain(cell.strip()) for cell in row.strip("|").split("|")] for row in rows]
    widths = [max(len(row[i]) for j, row in enumerate(cells) if j != 1) for i in range(len(cells[0]))]
    cells[1] = ["-" * width for width in widths]
    for row in cells:
        yield _BETWEEN.join(f"{cell:{width}}" for cell, width in zip(row, widths, strict=True)).rstrip()


def _plain(markdown: str) -> str:
    """Emphasis without its marks, a link as its words and the topic that it leads to."""
    return _LINK.sub(r"\1 (\2)", markdown.replace("**", ""))
