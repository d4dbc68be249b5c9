"""Markdown of our own texts as HTML: headings that can be linked to, links between texts, tables that scroll by
themselves."""

from __future__ import annotations

from functools import cache

from markdown_it import MarkdownIt
from markdown_it.token import Token
from markupsafe import Markup, escape

from speakerdb.answering.method import anchor
from speakerdb.web.links import Links


def html(markdown: str, link: Links) -> Markup:
    """A text of the method. What looks like HTML in it is shown as it is written; a link 'statistics#places' leads to
    that page."""
    tokens = _parser().parse(markdown)
    heading = ""
    for i, token in enumerate(tokens):
        if token.type == "heading_open":
            heading = tokens[i + 1].content
            token.attrSet("id", anchor(heading))
        elif token.type == "table_open":
            token.meta["label"] = heading
        for inner in token.children or ():
            if inner.type == "link_open":
                file, _, place = str(inner.attrs["href"]).partition("#")
                inner.attrSet("href", link(f"/method/{file}") + (f"#{place}" if place else ""))
    return Markup(_parser().renderer.render(tokens, _parser().options, {}))


@cache
def _parser() -> MarkdownIt:
    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    parser.add_render_rule("table_open", _table_open)
    parser.add_render_rule("table_close", lambda *_: "</table></div>\n")
    return parser


def _table_open(_: object, tokens: list[Token], index: int, *__: object) -> str:
    label = escape(tokens[index].meta["label"])
    return f'<div class="scroll" tabindex="0" role="region" aria-label="{label}"><table>\n'
