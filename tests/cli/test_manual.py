"""method: the JSON answers fit their schema, the text fits 80 columns and keeps its tables."""

from __future__ import annotations

from pathlib import Path

import pytest

import speakerdb as package
from speakerdb.answering import method
from speakerdb.cli.method_text import WIDTH, set_for_terminal
from tests.cli.checking import check


def test_the_list_of_topics_fits_its_schema_and_names_every_heading(speakerdb):
    answer = speakerdb("method", "--json")
    assert (answer.code, answer.err) == (0, "")
    check("method", answer.document)
    assert [t["topic"] for t in answer.document["rows"]] == [t.id for t in method.topics()]
    lines = speakerdb("method").out.splitlines()
    assert [t.title for t in method.topics() if sum(t.title in one for one in lines) == 0] == []
    assert max(map(len, lines)) <= WIDTH


def test_one_topic_fits_its_schema(speakerdb):
    answer = speakerdb("method", "joint places", "--json")
    assert (answer.code, answer.err) == (0, "")
    check("method", answer.document)
    (row,) = answer.document["rows"]
    assert (row["topic"], row["title"]) == ("statistics#joint-places", "Joint places")
    assert row["text"] == method.text("statistics#joint-places")


def _commands():
    from typer.main import get_command

    from speakerdb.cli.main import app

    return get_command(app).commands


def test_the_help_of_a_command_begins_with_one_short_sentence():
    for name, command in _commands().items():
        first = " ".join((command.help or "").split("\n\n")[0].split())
        assert len(first) <= 70, f"{name}: {first}"
        assert first.endswith("."), f"{name}: {first}"


# Words that the trade does not use, or that say nothing (the design's list)
BANNED = (
    "purse",
    "in hand",
    "leaves behind",
    "held back",
    "just misses",
    "at this precision",
    "0 to 100 %",
    "told apart by",
)


def test_no_help_or_template_holds_a_banned_phrase():
    texts = {name: command.help or "" for name, command in _commands().items()}
    templates = Path(package.__file__).parent
    texts |= {str(p): p.read_text(encoding="utf-8") for p in templates.rglob("*.html")}
    texts |= {str(p): p.read_text(encoding="utf-8") for p in templates.rglob("*.jinja")}
    found = [(where, phrase) for where, text in texts.items() for phrase in BANNED if phrase in text.lower()]
    assert found == []


@pytest.mark.parametrize("name", method.TEXTS)
def test_a_text_fits_a_terminal_of_80_columns(speakerdb, name):
    answer = speakerdb("method", name)
    assert answer.code == 0
    assert max(map(len, answer.out.splitlines())) <= WIDTH
    assert "**" not in answer.out
    assert "](" not in answer.out


@pytest.mark.parametrize("name", method.TEXTS)
def test_no_word_of_a_text_is_lost(name):
    def words(text):
        return [
            w for w in text.replace("**", "").replace("|", " ").split() if w.strip("-=~#") and not w.startswith("[")
        ]

    lost = set(words(method.text(name))) - set(words("\n".join(set_for_terminal(method.text(name)))))
    assert {w for w in lost if "](" not in w} == set()


def test_a_table_keeps_its_columns_under_one_another():
    lines = list(set_for_terminal("| part | weight |\n|---|---|\n| bass | 2 |\n| in-room curve | 1 |"))
    assert lines == ["part           weight", "-------------  ------", "bass           2", "in-room curve  1"]


def test_items_of_a_list_hang_and_stand_apart_from_paragraphs_only():
    lines = list(set_for_terminal("One:\n\n- **aa** bb cc\n  dd\n- ee\n\nTwo, see [there](data#state).", width=9))
    assert lines == ["One:", "", "- aa bb", "  cc dd", "- ee", "", "Two, see", "there", "(data#state)."]


def test_a_topic_that_does_not_exist_is_told_the_nearest(speakerdb):
    answer = speakerdb("method", "plaices", "--json")
    assert answer.code == 1
    assert answer.document["error"]["code"] == "unknown_name"
    assert "statistics#places" in answer.err
