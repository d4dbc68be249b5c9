"""The card: the verdict's own words, in a picture of the size that pages show of a link."""

from __future__ import annotations

import re
import zlib
from html import unescape
from pathlib import Path
from struct import unpack

import pytest

from speakerdb.errors import RequestError
from speakerdb.library import Database
from speakerdb.report import card
from tests.report.conftest import AWKWARD


@pytest.mark.parametrize("name", ["sill-2", *AWKWARD])
def test_a_card_holds_the_name_and_the_verdicts_lines_within_its_edges(field: Database, name: str) -> None:
    _, slug = field.find(name)
    svg = card.svg(field, slug, field.setting(slug))
    texts = [unescape(t) for t in re.findall(r"<text [^>]*>([^<]*)</text>", svg)]
    strip = field.show(slug, exact=True).strip[:7]
    assert texts[0] == " ".join(field.field.base.filter(speaker=slug).select("maker", "model").row(0))
    assert [t for line in strip for t in (line["line"], line["number"], line["word"])] == texts[1:-1]
    assert field.state.state in texts[-1]
    for x, size, text in re.findall(r'<text x="(\d+)" y="\d+" font-size="(\d+)"[^>]*>([^<]*)</text>', svg):
        assert int(x) + 0.6 * int(size) * len(unescape(text)) <= card.WIDTH


def test_a_card_is_a_small_picture_of_its_size(field: Database, tmp_path: Path) -> None:
    _, slug = field.find("sill-2")
    png = card.save(field, slug, field.setting(slug), tmp_path / "card.png").read_bytes()
    assert png.startswith(b"\x89PNG")
    assert unpack(">II", png[16:24]) == (1200, 630)
    assert len(png) < 120_000
    with pytest.raises(RequestError, match=r"written as \.png"):
        card.save(field, slug, "plain", tmp_path / "card.svg")


def test_packing_anew_changes_no_pixel(field: Database) -> None:
    import vl_convert

    _, slug = field.find("sill-2")
    before = vl_convert.svg_to_png(card.svg(field, slug, field.setting(slug)), scale=1.0)

    def pixels(png: bytes) -> bytes:
        at, found = 8, b""
        while at < len(png):
            (length,) = unpack(">I", png[at : at + 4])
            found += png[at + 8 : at + 8 + length] if png[at + 4 : at + 8] == b"IDAT" else b""
            assert zlib.crc32(png[at + 4 : at + 8 + length]) == unpack(">I", png[at + 8 + length : at + 12 + length])[0]
            at += 12 + length
        return zlib.decompress(found)

    after = card.smaller(before)
    assert pixels(after) == pixels(before)
    assert len(after) <= len(before)
