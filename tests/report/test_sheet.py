"""The review sheet: whole, self-contained, and honest about what is missing."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import pytest

from speakerdb.errors import RequestError, UnknownNameError
from speakerdb.library import Database
from speakerdb.report import page, pictures, sheet
from tests.report.conftest import AWKWARD

PARTS = ("verdict", "charts", "field", "rooms", "settings", "more-charts", "sentences", "values", "open", "method")
VOID = {"meta", "link", "img", "br", "hr", "input"}
OPEN = {"tr", "th", "td", "thead", "tbody"}  # HTML lets their ends be left out


class Whole(HTMLParser):
    """Collects tags, and fails where they are not closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID | OPEN:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if tag in OPEN:
            return
        assert self.open.pop() == tag, f"</{tag}> closes nothing"


def parsed(html: str) -> Whole:
    found = Whole()
    found.feed(html)
    found.close()
    assert found.open == []
    return found


def text_of(html: str) -> str:
    return re.sub(
        r"\s+", " ", re.sub(r"<[^>]+>", " ", re.sub(r"<(svg|style|script|noscript).*?</\1>", " ", html, flags=re.S))
    )


@pytest.fixture(scope="module")
def sheet_of(field: Database) -> Callable[[str], str]:
    """A speaker's sheet, made once."""
    return cache(lambda slug: page.html(field, sheet.build(field, slug)))


@pytest.fixture(scope="module")
def full(sheet_of: Callable[[str], str]) -> str:
    return sheet_of("sill-2")


def test_the_sheet_has_all_its_parts(full: str) -> None:
    found = parsed(full)
    ids = [a["id"] for _, a in found.tags if a.get("id")]
    assert [i for i in ids if i in PARTS] == list(PARTS)
    figures = {a["data-chart"] for tag, a in found.tags if tag == "figure"}
    assert {
        "place",
        "curves",
        "angles",
        "map-horizontal",
        "map-vertical",
        "beamwidth",
        "tone",
        "compression",
        "distortion",
        "overlay",
        "settings",
    } <= figures


@pytest.mark.parametrize("slug", ["sill-2", *AWKWARD])
def test_nothing_is_loaded_from_anywhere_and_only_our_own_scripts_run(
    sheet_of: Callable[[str], str], slug: str
) -> None:
    html = sheet_of(slug)
    found = parsed(html)
    assert not [t for t, _ in found.tags if t in ("iframe", "object", "embed", "img", "form")]
    policy = next(a["content"] or "" for t, a in found.tags if a.get("http-equiv") == "Content-Security-Policy")
    scripts = re.findall(r"<script>(.*?)</script>", html, re.S)
    hashes = {f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'" for s in scripts}
    allowed = re.search(r"script-src ([^;]*);", policy)
    assert allowed is not None
    assert set(allowed.group(1).split()) == hashes
    assert len([t for t, _ in found.tags if t == "script"]) == len(scripts) == 3
    for tag, attributes in found.tags:
        assert not [name for name in attributes if name.startswith("on")], tag
        for name in ("src", "href", "xlink:href", "action"):
            value = attributes.get(name) or ""
            assert value == "" or value.startswith(("#", "data:")), (tag, value)


@pytest.mark.parametrize("slug", AWKWARD)
def test_awkward_names_are_shown_as_they_are(sheet_of: Callable[[str], str], slug: str) -> None:
    from html import unescape

    html = sheet_of(slug)
    maker, model = AWKWARD[slug]
    assert f"{maker} {model}" in unescape(text_of(html))
    assert "Notes with <b>markup</b>" in unescape(text_of(html))


def test_what_was_not_measured_is_told_instead_of_drawn(field: Database) -> None:
    said = text_of(page.html(field, sheet.build(field, "flat")))
    assert "no vertical orbit" in said
    assert "not drawn" in said
    assert "No distortion measured" in said or "no distortion" in said


def test_a_speaker_alone_has_a_sheet_without_places(lonely: Database) -> None:
    html = page.html(lonely, sheet.build(lonely, "sill"))
    parsed(html)
    said = text_of(html)
    assert "not ranked: 0 others" in said
    assert "it is the only speaker" in said
    assert not re.search(r"\b(best|deepest|widest|loudest) (fifth|quarter|third|half|of)\b", said)


def test_another_setting_is_not_placed_in_the_field(field: Database) -> None:
    built = sheet.build(field, "sill-2", setting="desk <b>")
    assert [line["word"] for line in built.strip if line["line"] == "Rank"] == ["not judged: not its default setting"]
    assert "Places are those of its default setting" in text_of(page.html(field, built))


def test_the_sheet_cites_the_state_and_the_hash_of_every_file(field: Database, full: str) -> None:
    assert f"state {field.state.state}" in full
    for (sha,) in field.store.con.execute(
        "SELECT f.sha256 FROM source_file f JOIN session s USING (session_id) JOIN speaker p USING "
        "(speaker_id) WHERE p.slug = 'alder-fen-sill-2'"
    ).fetchall():
        assert sha in full


def test_no_id_stands_twice(full: str) -> None:
    ids = re.findall(r' id="([^"]+)"', full)
    assert len(ids) == len(set(ids))


def test_levels_at_the_ear_stand_beside_the_listening_limits(full: str) -> None:
    said = text_of(full)
    assert "NIOSH" in said
    assert "H.870" in said
    assert "Follow local rules and professional advice" in said


def test_the_sheet_is_small(full: str) -> None:
    assert len(full.encode()) < 1_300_000


def test_the_sheet_is_the_same_each_time(field: Database, full: str) -> None:
    assert page.html(field, sheet.build(field, "sill-2")) == full


def test_a_wrong_file_or_speaker_is_refused_in_words(field: Database, tmp_path: Path) -> None:
    with pytest.raises(RequestError, match=r"written as \.html"):
        page.report(field, "sill-2", tmp_path / "sheet.pdf")
    with pytest.raises(RequestError, match="no folder"):
        page.report(field, "sill-2", tmp_path / "none" / "sheet.html")
    with pytest.raises(UnknownNameError, match="nearest"):
        page.report(field, "sill-22", tmp_path / "sheet.html")


def test_beside_each_other_the_right_is_whose_value_is_higher(field: Database) -> None:
    def drawn(a: str, b: str) -> tuple[str, str, float]:
        rows = field.compare([a, b], metric=["f6_hz"]).rows
        spec = pictures.differences(field, rows).to_dict()
        right, left = re.search(r"right: higher for (.+?); left: higher for (.+?)['\"]", str(spec)).groups()  # type: ignore[union-attr]
        (at,) = [row["difference"] for data in spec["datasets"].values() for row in data if "difference" in row]
        return right, left, at

    # Sill 0 reaches down to half the frequency of Sill 6
    deep, shallow = drawn("sill-0", "sill-6"), drawn("sill-6", "sill-0")
    assert ("Sill 0" in deep[0], "Sill 6" in deep[1]) == (True, True)
    assert ("Sill 6" in shallow[0], "Sill 0" in shallow[1]) == (True, True)
    assert deep[2] < 0 < shallow[2]
    assert deep[2] == pytest.approx(-shallow[2])
