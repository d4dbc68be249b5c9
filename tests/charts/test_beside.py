"""The process that renders charts beside."""

from __future__ import annotations

import json

import pytest

from speakerdb.charts import saving
from speakerdb.charts.beside import Renderer

BARS = json.dumps(
    {
        "data": {"values": [{"a": "ä", "b": 2}]},
        "mark": "bar",
        "encoding": {"x": {"field": "a", "type": "nominal"}, "y": {"field": "b", "type": "quantitative"}},
    }
)


@pytest.fixture
def renderer():
    with Renderer() as one:
        yield one


def test_it_draws_what_would_be_drawn_here_in_the_order_asked(renderer):
    first, second = renderer.submit(BARS), renderer.submit(BARS.replace("bar", "point"))
    assert first.result(60) == saving.render(BARS)
    assert "ä" in first.result()
    assert second.result(60) != first.result()


def test_what_cannot_be_drawn_says_why_and_the_next_is_drawn_all_the_same(renderer):
    with pytest.raises(RuntimeError, match=r"\w"):
        renderer.submit('{"mark": 7}').result(60)
    assert renderer.submit(BARS).result(60).startswith("<svg")


def test_a_process_that_was_ended_from_outside_is_told(renderer):
    renderer.submit(BARS).result(60)
    renderer._process.kill()
    renderer._process.wait()
    assert not renderer.alive
    with pytest.raises(RuntimeError, match="ended"):
        renderer.submit(BARS).result(60)


def test_an_error_of_the_one_who_asks_ends_it_at_once():
    with pytest.raises(KeyError), Renderer() as one:
        waiting = [one.submit(BARS) for _ in range(5)]
        raise KeyError
    assert not one.alive
    assert waiting[-1].cancelled() or waiting[-1].exception() is not None
