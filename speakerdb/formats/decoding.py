"""Bytes of unknown origin into lines of text."""

from __future__ import annotations

import codecs

from speakerdb.formats.problems import Problems

_MARKS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


def decode(file: str, content: bytes, encoding: str | None, problems: Problems) -> str | None:
    """Text with line ends as "\\n": by its byte-order mark, else by `encoding`, else UTF-8, else Latin-1."""
    marked = next((name for mark, name in _MARKS if content.startswith(mark)), None)
    try:
        text = content.decode(marked or encoding or _guess(content))
    except UnicodeDecodeError as error:
        problems.add(
            f"bytes that are not {marked or encoding} text (at byte {error.start})",
            "the encoding the file was saved in, as `encoding` under [columns] or [traces] in folder.toml",
            file=file,
        )
        return None
    return text.replace("\r\n", "\n").replace("\r", "\n").removeprefix("\ufeff")


def _guess(content: bytes) -> str:
    start = content[:400]
    if start.count(0) * 3 > len(start):  # every second byte of plain words in UTF-16 is zero
        return "utf-16-le" if start[1:2] == b"\0" else "utf-16-be"
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return "latin-1"
    return "utf-8"
