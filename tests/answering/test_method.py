"""The method in words: every figure comes from the program, every heading can be found, every metric is defined
somewhere."""

from __future__ import annotations

import re

import jinja2
import numpy as np
import pytest

from speakerdb.acoustics import curveset, grid, output, response
from speakerdb.answering import method
from speakerdb.answering import method_figures as figures
from speakerdb.errors import UnknownNameError
from speakerdb.metrics import METRICS
from speakerdb.resources import resource_dir
from tests.statistics import test_field_coverage as intervals_held

SOURCES = {name: (resource_dir(method.FOLDER) / f"{name}.md").read_text(encoding="utf-8") for name in method.TEXTS}
FIGURE = re.compile(
    r"(?<![\w./])[±]?\d[\d.,]*\s?(?:%|°|dB|Hz|kHz|octaves?|points?|ms|kg|MB|draws|speakers|makers|specimens|sessions|shared)(?![\w])"
)
# what is no constant of the program: examples, what sources say, literals of rules, limits of tests (held against them
# below)
TYPED = {
    "metrics": {"0.01 dB", "3 %", "10 %", "125 ms", "300 Hz", "100 Hz", "180°"},
    "statistics": {
        "52 Hz",
        "249 Hz",
        "104 dB",
        "0.1–0.15 dB",
        "0.15 dB",
        "5 kHz",
        "0.25 dB",
        "10 kHz",
        "0.1 dB",
        "0.04 dB",
        "100 Hz",
        "97.5 %",
        "92 %",
        "94 %",
        "90 %",
        "6 dB",
        "2 makers",
    },
    "data": set(),
}


@pytest.mark.parametrize("name", method.TEXTS)
def test_every_figure_that_a_text_names_is_one_of_the_program(name):
    text = method.rendered(name)
    assert "{{" not in text
    assert "{%" not in text
    assert "nan" not in re.findall(r"\w+", text)
    assert "None" not in text


def test_a_figure_that_the_program_does_not_have_is_an_error():
    environment = jinja2.Environment(undefined=jinja2.StrictUndefined)
    for unknown in (
        "f7_hz.matters",
        "statistics.places.KRITICAL",
        "statistics.plazes.CRITICAL",
        "musings.places.CRITICAL",
    ):
        with pytest.raises(jinja2.UndefinedError):
            environment.from_string(f"{{{{ {unknown} }}}}").render(figures.context())


@pytest.mark.parametrize("name", method.TEXTS)
def test_figures_with_a_unit_are_not_typed_into_a_text(name):
    bare = re.sub(r"\{\{.*?\}\}|\{%.*?%\}", "", SOURCES[name], flags=re.S)
    assert {m[0] for m in FIGURE.finditer(bare)} <= TYPED[name]


@pytest.mark.parametrize("name", method.TEXTS)
def test_texts_rest_on_names_that_modules_mean_for_others(name):
    assert not re.search(r"\._", SOURCES[name])


def test_what_is_demanded_of_coverage_is_what_the_suite_demands():
    from tests.statistics import test_place_coverage as places_held

    text = method.text("how this is checked")
    least, most = 100 * intervals_held.LEAST, 100 * intervals_held.MOST
    assert f"in {least:g} to {most:g} % of cases" in text
    assert f"at least in {least:g} %" in " ".join(text.split())
    assert f"at least {100 * places_held.WHOLE_LIST:g} % over the list" in " ".join(text.split())
    assert f"at least {100 * places_held.PODIUM:g} % for the three" in " ".join(text.split())
    assert f"at least {100 * places_held.JOINT:g} % for joint places" in " ".join(text.split())
    assert f"at least {places_held.RUNS} runs" in text


# topics


def test_every_heading_is_one_topic_with_a_first_sentence():
    found = method.topics()
    assert len({t.id for t in found}) == len(found)
    for t in found:
        assert t.line, t.id
        assert not t.line.startswith(("#", "-", "|")), t.id
        assert t.text.startswith("#" * t.level + f" {t.title}\n"), t.id
        assert t.id == t.file or re.fullmatch(r"[a-z]+#[a-z0-9]+(-[a-z0-9]+)*", t.id)


def test_a_heading_holds_what_lies_below_it_and_no_more():
    places, joint = method.text("statistics#places"), method.text("joint places")
    assert joint.strip() in places
    assert "## Comparison" not in places
    assert "### Luck" not in joint
    whole = method.text("statistics")
    assert whole.startswith("# Statistics")
    assert places.strip() in whole


@pytest.mark.parametrize(
    ("typed", "topic"),
    [
        ("metrics", "metrics"),
        ("Statistics", "statistics"),
        ("statistics#places", "statistics#places"),
        ("places", "statistics#places"),
        ("joint", "statistics#joint-places"),
        ("LF extension", "metrics#lf-extension"),
        ("metrics#roll", "metrics#bass-roll-off"),
        ("f6_hz", "metrics#lf-extension"),
        ("groups", "statistics#groups"),
    ],
)
def test_a_topic_is_found_by_any_unambiguous_part_of_its_heading(typed, topic):
    assert method.find(typed).id == topic


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("bass", "metrics#bass-roll-off, metrics#bass-at-a-seat"),
        ("plaices", "nearest topics are statistics#places"),
        ("zzzz", "`speakerdb method` lists all"),
        ("", "lists all"),
        ("metrics#", "lists all"),
        ("data#places", "statistics#places"),
    ],
)
def test_what_names_no_one_topic_is_told_the_nearest(typed, words):
    with pytest.raises(UnknownNameError, match=re.escape(words)):
        method.find(typed)


def test_every_metric_is_defined_under_a_narrow_heading_of_the_metrics():
    for metric in METRICS.values():
        topic = method.of_metric(metric.id)
        assert topic.file == "metrics"
        assert topic.anchor
        assert metric.definition in topic.text
        assert topic.text.count("(`") < 8, f"{topic.id} is too wide to say where {metric.id} is defined"


@pytest.mark.parametrize("name", method.TEXTS)
def test_every_link_of_a_text_leads_to_a_heading(name):
    known = {t.id for t in method.topics()}
    links = re.findall(r"\[[^\]]+\]\(([^)]+)\)", method.rendered(name))
    assert [at for at in links if at not in known] == []


# figures in words


@pytest.mark.parametrize("module", [response, output])
def test_a_band_is_named_by_frequencies_that_give_the_same_band(module):
    bands = [value for value in vars(module).values() if isinstance(value, slice)]
    assert bands
    for band in bands:
        assert grid.band(*grid.named(band)) == band


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (100.0, 10000.0, "100 Hz–10 kHz"),
        (50.0, 100.0, "50–100 Hz"),
        (1000.0, 10000.0, "1–10 kHz"),
        (300.0, 3000.0, "300 Hz–3 kHz"),
        (25.0, 100.0, "25–100 Hz"),
        (100.0, 12000.0, "100 Hz–12 kHz"),
        (20.0, 20000.0, "20 Hz–20 kHz"),
    ],
)
def test_a_band_in_words(low, high, words):
    assert figures.band(grid.band(low, high)) == words
    assert figures.band((low, high)) == words


def test_directions_are_told_by_orbit_and_in_pairs():
    assert figures.directions(curveset.h(0, 10, -10, 30) + curveset.v(-20, 180)) == "H 0, ±10, 30; V −20, 180"


def test_numbers_have_no_more_digits_than_they_need_and_a_true_minus():
    assert [figures.plain(x) for x in (3.0, 0.05, -6.0, np.float64(-1.5), 10, "as it is")] == [
        "3",
        "0.05",
        "−6",
        "−1.5",
        "10",
        "as it is",
    ]
    assert [figures.fraction(x) for x in (1 / 6, 0.5, 1.0, 1 / 40)] == ["1/6", "1/2", "1", "1/40"]
    assert figures.listed((40.0, 63.0, 100.0)) == "40, 63 and 100"
    assert figures.sd(0.15) == "0.15 dB"
    assert figures.sd(((40.0, 0.3), (100.0, 0.1))) == "0.3 dB to 40 Hz, 0.1 from 100 Hz"
    assert figures.sd(2.0, "%") == "2 %"


def test_a_metric_in_a_list_tells_all_that_its_row_says():
    metric = METRICS["f6_hz"]
    told = figures.row(metric)
    assert told in figures.rows("lf-extension").splitlines()
    for part in (
        metric.label,
        metric.id,
        metric.unit,
        metric.definition,
        "Less is better",
        metric.matters_words,
        metric.source,
    ):
        assert part in told
