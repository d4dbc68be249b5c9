"""Every question, at every door: the command's JSON, the address, Python and the page say the same."""

from __future__ import annotations

import html
import json
import re
import shlex
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest

import speakerdb
import speakerdb.library
from speakerdb.cli.main import run
from speakerdb.declare import as_address, as_command, as_python, parts
from speakerdb.metrics import METRICS
from speakerdb.questions import QUESTIONS, schemas
from speakerdb.questions.documents import document
from speakerdb.resources import resource_dir
from tests.folders import write_session
from tests.room_fleet import write_speaker
from tests.web.conftest import fill, running

NAMES = [question.name for question in QUESTIONS]
# The fields of a question that can be answered from the small database of the page tests; where the example can't be
ASKED = {
    "show": {"speaker": "sill-0", "all_settings": True},
    "explain": {"speaker": "sill-4", "metric": "f6_hz"},
    "match": {"speaker": "sill-4", "top": 3, "weight": ("beamwidth=2",), "kind": "monitor"},
    "rank": {"metric": "f6_hz", "price_max": 1500.0, "jointly": True, "target": "absolute"},
    "compare": {"speaker": ("sill-0", "sill-1"), "target": "another_unit"},
    "percentile": {"speaker": "sill-4", "factor": 1.5},
    "settle": {"a": "sill-0", "b": "sill-1", "metric": ("flatness_window_db", "smoothness_in_room")},
    "tradeoff": {"x": "price", "y": "f6_hz", "powered": True},
    "trend": {"metric": ("f6_hz", "preference"), "over": "year"},
    "labs": {"metric": ("f6_hz",)},
    "shortlist": {"distance": 3.0, "volume": 60.0, "level": 90.0, "budget": 900.0, "top": 2},
    "settings": {"speaker": "sill-0", "wall": 0.5},
    "claim": {"speaker": "sill-9"},
    "pair": {"main": "weir-9", "sub": "culvert-9", "crossover": "best", "level": 95.0},
    "place": {"speaker": "sill-0", "room": "5x4x2.5", "at": "0.6,1.1,0.9", "seat": "3.1,1.9"},
    "equalise": {"speaker": "sill-4", "bands": 2, "ringing": "34,68", "room": "5x4x2.5"},
    "table": {"column": ("price", "f6_hz", "kind"), "sort": "f6_hz", "descending": True, "count": 4},
}


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    """The database of the page tests, and besides what some questions need: a speaker measured on two benches, one with
    a claim, one with sweeps, a subwoofer."""
    folder = tmp_path_factory.mktemp("every")
    path = fill(folder / "in", folder / "speakers.duckdb")
    write_session(
        folder / "more" / "attic",
        bass_hz=62.0,
        model="Sill 4",
        maker="Mossgarth",
        kind="standmount",
        lab="attic",
        date="2026-02-01",
    )
    write_speaker(folder / "more" / "swept", 104.0, model="Weir 9", kind="standmount")
    write_speaker(
        folder / "more" / "deep", 100.0, bass_hz=18.0, model="Culvert 9", kind="subwoofer", price=500, per="each"
    )
    write_session(folder / "more" / "claim", bass_hz=50.0, model="Sill 9", kind="monitor", claimed_max_db=110.0)
    with speakerdb.open(path, write=True) as base:
        assert {r.result for r in base.ingest(folder / "more")} == {"stored"}
        base.work_out()
    return path


@pytest.fixture(scope="module")
def site(file):
    with running(file) as one:
        yield one


def asked(name):
    question = QUESTIONS[NAMES.index(name)]
    return question(**ASKED.get(name, question.example))


def printed(capsys, question, file):
    needs = ["--db", str(file)] if question.needs_database else []
    with pytest.raises(SystemExit) as stop:
        run([*shlex.split(as_command(question))[1:], "--json", *needs])
    out = capsys.readouterr()
    assert stop.value.code == 0, out.err
    return json.loads(out.out)


@pytest.mark.parametrize("name", NAMES)
def test_the_command_the_address_and_python_give_one_document_that_fits_its_schema(site, file, capsys, name):
    question = asked(name)
    reply = site.get(f"/api{as_address(question)}")
    assert reply.status_code == 200, reply.text
    with speakerdb.open(file) as base:
        answer = eval(f"base.{as_python(question)}", {"base": base})
        found = json.loads(
            json.dumps(document(base.state if question.needs_database else None, answer), allow_nan=False)
        )
        assert len(answer) == len(answer.rows)
        assert "<table" in answer._repr_html_()
    assert reply.json() == found
    assert printed(capsys, question, file) == found
    text = (resource_dir("schemas") / "cli" / f"{name}.schema.json").read_text(encoding="utf-8")
    jsonschema.Draft202012Validator(json.loads(text)).validate(found)


@pytest.mark.parametrize("name", NAMES)
def test_every_caution_stands_on_the_page_too(site, file, name):
    question = asked(name)
    with speakerdb.open(file) as base:
        cautions = getattr(question.answer(base), "cautions", ())
    reply = site.get(f"/ask/{name}?{_parameters(question)}")
    assert reply.status_code == 200
    words = html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", reply.text)))
    for caution in cautions:
        sentence = re.sub(r" \(--[a-z-]+\)", "", caution).replace("`", "")
        assert (sentence[:1].upper() + sentence[1:]) in words


def _parameters(question):
    from urllib.parse import urlencode

    said = ASKED.get(question.name, question.example)
    pairs = [(k, one) for k, v in said.items() for one in (v if isinstance(v, tuple) else (v,))]
    return urlencode([(k, {True: "yes", False: "no"}[v] if isinstance(v, bool) else v) for k, v in pairs])


@pytest.mark.parametrize("question", QUESTIONS, ids=NAMES)
def test_the_schema_in_its_file_is_made_from_the_answers_class(question):
    path = resource_dir("schemas") / "cli" / f"{question.name}.schema.json"
    assert path.read_text(encoding="utf-8") == schemas.text(question), "run `python -m speakerdb.questions.schemas`"


@pytest.mark.parametrize("question", QUESTIONS, ids=NAMES)
def test_every_field_has_help_and_every_question_a_method_that_names_them(question):
    method = getattr(speakerdb.library.Database, question.name)
    assert question.__doc__.strip()
    for part in parts(question):
        assert part.ask.help.endswith((".", "?"))
        assert part.ask.help in method.__doc__
    assert as_python(question(**question.example)) in method.__doc__


def test_the_command_line_loads_nothing_heavy_to_help():
    code = (
        "import sys; import speakerdb.cli.main; print(sorted({m.partition('.')[0] for m in sys.modules} & "
        "set(sys.argv[1:])))"
    )
    heavy = ["numpy", "polars", "duckdb", "pydantic", "scipy", "altair", "fastapi", "jinja2"]
    found = subprocess.run(
        [sys.executable, "-c", code, *heavy],
        capture_output=True,
        text=True,
        check=True,
        cwd=Path(speakerdb.__file__).parents[1],
    )
    assert found.stdout.strip() == "[]"


def test_benches_stand_on_a_page_by_their_names_and_not_by_their_keys(site):
    words = re.sub(r"<[^>]+>", " ", site.get("/ask/labs?metric=f6_hz").text)
    assert "attic (" in words
    assert "|" not in words


def test_a_value_stands_on_the_page_of_a_question_as_everywhere(site, file):
    with speakerdb.open(file) as base:
        answer = base.rank("f6_hz")
    quantity = METRICS["f6_hz"].quantity
    cells = re.findall(r"<td[^>]*>(.*?)</td>", site.get("/ask/rank?metric=f6_hz").text)
    for row in answer.rows.iter_rows(named=True):
        assert quantity.number(row["value"], row["censored"], row["other_value"]) in cells
        assert {quantity.number(row[end]) for end in ("low", "high")} <= set(cells)


def test_a_question_of_several_words_takes_its_own_where_a_door_gives_none(site, file, capsys):
    table = QUESTIONS[NAMES.index("table")]
    own = list(table().column)
    assert len(own) > 3
    assert table(column=None).column == table(column=()).column == table().column
    with pytest.raises(SystemExit):
        run(["table", "--json", "--db", str(file)])
    assert json.loads(capsys.readouterr().out)["columns"] == own
    assert site.get("/api/field").json()["columns"] == own


@pytest.mark.parametrize(
    ("typed", "said"), [("inf", "not a whole number"), ("nan", "not a whole number"), ("2e9", "expected")]
)
def test_what_is_no_year_is_told_beside_its_field(site, typed, said):
    reply = site.get(f"/dictionary/f6_hz?year_min={typed}")
    assert reply.status_code == 400
    assert said in re.sub(r"<[^>]+>", " ", reply.text)


def test_a_speaker_that_there_is_not_is_told_on_the_page_of_the_question(site):
    reply = site.get("/ask/show?speaker=nobody")
    assert reply.status_code == 200
    assert 'role="alert"' in reply.text
    assert 'value="nobody"' in reply.text


@pytest.mark.parametrize(("name", "columns"), [("show", {"Metric", "Value"}), ("trend", {"Speakers", "Method"})])
def test_values_that_are_nested_in_the_document_stand_on_the_page_as_a_table(site, file, name, columns):
    with speakerdb.open(file) as base:
        rows = asked(name).answer(base).rows
    text = site.get(f"/ask/{name}?{_parameters(asked(name))}").text
    heads = {re.sub(r"<[^>]+>", "", one).strip() for one in re.findall(r"<th [^>]*>(.*?)</th>", text)}
    assert columns <= heads
    assert f"{len(rows)} row" in re.sub(r"<[^>]+>", "", text)
    assert "metrics reference level" not in re.sub(r"<[^>]+>", "", text).lower()
