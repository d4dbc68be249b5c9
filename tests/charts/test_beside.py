"""The process that renders charts beside."""

from __future__ import annotations

import json
import signal

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


@pytest.mark.parametrize("sent", [signal.SIGKILL, signal.SIGSTOP])
def test_a_process_that_was_ended_or_hangs_is_replaced_and_the_chart_drawn_all_the_same(sent):
    with Renderer(patience_s=3.0) as renderer:
        expected = renderer.submit(BARS).result(60)
        before = renderer._process
        before.send_signal(sent)
        assert renderer.submit(BARS).result(60) == expected
        assert before.poll() is not None


def test_a_chart_over_which_two_processes_hang_is_told():
    with Renderer(patience_s=0.0) as renderer, pytest.raises(TimeoutError, match="tried twice"):
        renderer.submit(BARS).result(60)


def test_an_error_of_the_one_who_asks_ends_it_at_once():
    with pytest.raises(KeyError), Renderer() as one:
        waiting = [one.submit(BARS) for _ in range(5)]
        raise KeyError
    assert one._process.poll() is not None
    assert waiting[-1].cancelled() or waiting[-1].exception() is not None
