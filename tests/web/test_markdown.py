"""The method's texts as HTML: headings that can be linked to, tables in their own frame, nothing of a text is taken for
HTML."""

from __future__ import annotations

import re

import pytest

from speakerdb.answering import method
from speakerdb.web.links import LiveLinks
from speakerdb.web.markdown import html


def test_what_looks_like_html_is_shown_as_it_is_written():
    assert "<script>" not in html("a <script>alert(1)</script> & b", LiveLinks())
    assert html("1 < 2 & 3", LiveLinks()).strip() == "<p>1 &lt; 2 &amp; 3</p>"


def test_a_heading_is_where_links_to_it_lead():
    text = html("## The axis\n\nSee [there](metrics#the-axis) and [all](statistics).", LiveLinks())
    assert '<h2 id="the-axis">' in text
    assert '<a href="/method/metrics#the-axis">there</a>' in text
    assert '<a href="/method/statistics">all</a>' in text


def test_a_table_scrolls_by_itself_and_is_named_by_its_heading():
    text = html("## Sizes\n\n| a | b |\n|---|---|\n| 1 | 2 |", LiveLinks())
    assert re.search(r'<div class="scroll" tabindex="0" role="region" aria-label="Sizes"><table>', text)
    assert text.count("<div") == text.count("</div>") == 1


@pytest.mark.parametrize("name", method.TEXTS)
def test_each_text_has_as_many_headings_lists_and_tables_as_its_markdown(name):
    """No line of a paragraph is taken for a list or a heading by where it happens to break."""
    markdown = method.text(name)
    text = html(markdown, LiveLinks())
    assert len(re.findall("<h[123] ", text)) == len(re.findall("^#{1,3} ", markdown, re.M))
    assert text.count("<li>") == len(re.findall("^- ", markdown, re.M))
    assert text.count("<table>") == len(re.findall(r"^\|---", markdown, re.M))
    assert text.count("<blockquote>") + text.count("<ol>") + text.count("<hr") == 0
