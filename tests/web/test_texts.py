"""The method as pages: on request and published, every heading is where links to it lead."""

from __future__ import annotations

import posixpath
import re
from urllib.parse import unquote

import pytest

from speakerdb.answering import method
from speakerdb.library import Database
from speakerdb.web import publishing
from speakerdb.web.cache import Answers
from speakerdb.web.site import Desk


def test_the_list_of_texts_leads_to_every_heading(site):
    page = site.get("/method").text
    for topic in method.topics():
        place = f"#{topic.anchor}" if topic.anchor else ""
        assert f'href="/method/{topic.file}{place}"' in page


@pytest.mark.parametrize("name", method.TEXTS)
def test_a_text_has_its_headings_as_places(site, name):
    page = site.get(f"/method/{name}").text
    for topic in method.topics():
        if topic.file == name and topic.anchor:
            assert page.count(f'id="{topic.anchor}"') == 1


def test_a_heading_by_itself_leads_to_its_place(site):
    reply = site.get("/method/joint places", follow_redirects=False)
    assert (reply.status_code, reply.headers["location"]) == (303, "/method/statistics#joint-places")
    assert site.get("/method/plaices").status_code == 404
    assert "statistics#places" in site.text("/method/plaices", status=404)


def test_every_page_leads_to_the_method(site):
    assert 'href="/method"' in site.get("/dictionary").text


def test_links_of_the_published_texts_lead_to_places_that_are_there(file):
    with Database.open(file) as base:
        desk = Desk(base, base.state, Answers())
        pages = list(publishing.plan(desk))
        files = {page.address: page.file for page in pages} | publishing._statics()
        texts = {
            page.file: publishing._html(desk, page, files, {})
            for page in pages
            if page.path == "/method" or page.path.startswith("/method/")
        }
    assert set(texts) == {"method.html", *(f"method/{name}.html" for name in method.TEXTS)}
    links = 0
    for here, text in texts.items():
        for at, place in re.findall(r'href="([^"#]*)#([^"]+)"', text):
            if place != "main":
                target = posixpath.normpath(posixpath.join(posixpath.dirname(here), unquote(at))) if at else here
                assert f'id="{place}"' in texts[target], (here, at, place)
                links += 1
    assert links > len(method.topics())
