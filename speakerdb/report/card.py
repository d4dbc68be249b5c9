"""A speaker's verdict as one picture of 1200 × 630 px, the size that pages show of a link."""

from __future__ import annotations

import html
import zlib
from pathlib import Path
from struct import pack, unpack
from typing import TYPE_CHECKING

from speakerdb.charts import saving, theme
from speakerdb.errors import RequestError
from speakerdb.report.frames import display_name
from speakerdb.report.speaker_pictures import cite

if TYPE_CHECKING:
    from speakerdb.library import Database

WIDTH, HEIGHT = 1200, 630
_LEFT, _NUMBER, _WORD = 60, 300, 670  # where the columns begin
_TITLE_PX, _LEAST_TITLE_PX, _TEXT_PX, _NUMBER_PX, _SMALL_PX = 56, 28, 28, 24, 21
_WIDE = 0.6  # of its size, what a character takes at most, on average
_SHOWN = 7  # lines of the verdict: the last tells the reviewer what to measure


def svg(base: Database, slug: str, setting: str) -> str:
    """The card as SVG. Raises UnknownNameError."""
    shown = base.show(slug, setting=setting, exact=True)
    name = display_name(base, slug)
    size = max(_LEAST_TITLE_PX, min(_TITLE_PX, int((WIDTH - 2 * _LEFT) / (_WIDE * max(len(name), 1)))))
    parts = [_text(_LEFT, 100, name, size, theme.INK.light, bold=True, room=WIDTH - 2 * _LEFT)]
    for i, line in enumerate(shown.strip[:_SHOWN]):
        y = 175 + 58 * i
        parts += [
            _text(_LEFT, y, line["line"], _TEXT_PX, theme.MUTED.light),
            _text(_NUMBER, y, line["number"], _NUMBER_PX, theme.INK.light, bold=True, room=_WORD - _NUMBER - 16),
            _text(_WORD, y, line["word"], _TEXT_PX, theme.ACCENT.light, room=WIDTH - _WORD - 30),
        ]
    parts.append(_text(_LEFT, HEIGHT - 32, f"setting {setting} · {cite(base)}", _SMALL_PX, theme.MUTED.light))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{HEIGHT}" '
        f'font-family="{html.escape(theme.FONT)}"><rect width="100%" height="100%" fill="{theme.PAPER.light}"/>'
        f"{''.join(parts)}</svg>"
    )


def _text(x: int, y: int, text: str, size: int, colour: str, *, bold: bool = False, room: int = 600) -> str:
    """A line of text, smaller where it would not fit its room."""
    fitting = min(size, int(room / (_WIDE * max(len(text), 1))))
    weight = ' font-weight="700"' if bold else ""
    return f'<text x="{x}" y="{y}" font-size="{fitting}"{weight} fill="{colour}">{html.escape(text)}</text>'


def save(base: Database, slug: str, setting: str, path: Path) -> Path:
    """Write the card as .png. Raises RequestError for another ending or a folder that is not there."""
    import vl_convert

    if path.suffix.lower() != ".png":
        raise RequestError(f"{path} ends in {path.suffix or 'nothing'}; a card is written as .png")
    if not path.parent.is_dir():
        raise RequestError(f"{path} can't be written: there is no folder {path.parent}")
    saving.write(path, smaller(vl_convert.svg_to_png(svg(base, slug, setting), scale=1.0)))
    return path


def smaller(png: bytes) -> bytes:
    """The same PNG with its pixels packed as tightly as zlib can."""
    head, at, pixels, rest = png[:8], 8, b"", []
    while at < len(png):
        (length,) = unpack(">I", png[at : at + 4])
        kind, body = png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        if kind == b"IDAT":
            pixels += body
        else:
            rest.append((kind, body))
        at += 12 + length
    rest.insert(-1, (b"IDAT", zlib.compress(zlib.decompress(pixels), 9)))
    return head + b"".join(pack(">I", len(b)) + k + b + pack(">I", zlib.crc32(k + b)) for k, b in rest)
