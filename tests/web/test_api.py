"""JSON below /api: the command line's documents, by their schemas, and never a fault of the server."""

from __future__ import annotations

import json
from collections import Counter

import jsonschema
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis.specs.openapi.checks import positive_data_acceptance

from speakerdb.cli.main import run
from speakerdb.resources import resource_dir
from tests.folders import write_session


def schema(name):
    return json.loads((resource_dir("schemas") / "cli" / f"{name}.schema.json").read_text(encoding="utf-8"))


ANSWERS = (
    ("/api/speakers", "list", "list"),
    ("/api/speakers/sill-4", "show", "show sill-4"),
    ("/api/speakers/sill-0?setting=desk", "show", "show sill-0 --setting desk"),
    ("/api/speakers/sill-4?target=absolute", "show", "show sill-4 --absolute"),
    ("/api/speakers/sill-4?target=another_unit", "show", "show sill-4 --another-unit"),
    ("/api/speakers/sill-4/relatives?top=3", "match", "match sill-4 --top 3"),
    ("/api/speakers/sill-4/metrics/f6_hz", "explain", "explain sill-4 f6_hz"),
    ("/api/speakers/sill-0/settings?wall=0.5", "settings", "settings sill-0 --wall 0.5"),
    ("/api/metrics", "metrics", "metrics"),
    ("/api/metrics/f6_hz", "metrics", "metrics f6_hz"),
    ("/api/metrics/f6_hz/ranks?kind=monitor&price_max=900", "rank", "rank f6_hz --kind monitor --price-max 900"),
    ("/api/metrics/f6_hz/ranks?jointly=true&target=absolute", "rank", "rank f6_hz --jointly --absolute"),
    ("/api/metrics/preference/ranks?target=another_unit&top=3", "rank", "rank preference --another-unit --top 3"),
    ("/api/compare?speaker=sill-0&speaker=sill-1", "compare", "compare sill-0 sill-1"),
    (
        "/api/compare?speaker=sill-0&speaker=sill-1&target=another_unit",
        "compare",
        "compare sill-0 sill-1 --another-unit",
    ),
    (
        "/api/shortlist?distance=3&volume=60&level=90&budget=900",
        "shortlist",
        "shortlist --distance 3 --volume 60 --level 90 --budget 900",
    ),
    ("/api/tradeoff?x=price&y=f6_hz", "tradeoff", "tradeoff price f6_hz"),
    ("/api/trend?metric=f6_hz&over=year", "trend", "trend f6_hz --over year"),
    ("/api/questions", "query", "query"),
    ("/api/questions/sessions?lab=shed", "query", "query sessions lab=shed"),
)


@pytest.mark.parametrize(("address", "name", "command"), ANSWERS, ids=[a for a, _, _ in ANSWERS])
def test_an_answer_is_the_document_that_the_command_gives(site, file, capsys, address, name, command):
    reply = site.get(address)
    assert reply.status_code == 200, reply.text
    jsonschema.Draft202012Validator(schema(name)).validate(reply.json())
    with pytest.raises(SystemExit):
        run(
            [
                *command.split(),
                "--json",
                *([] if command.split()[0] in {"metrics"} or command == "query" else ["--db", str(file)]),
            ]
        )
    assert reply.json() == json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(
    ("address", "status", "code"),
    [
        ("/api/speakers/zebra", 404, "unknown_name"),
        ("/api/speakers/sill", 404, "unknown_name"),
        ("/api/metrics/zebra", 404, "unknown_name"),
        ("/api/questions/zebra", 404, "unknown_name"),
        ("/api/questions/sessions?zebra=1", 400, "bad_request"),
        ("/api/metrics/reference_level_db/ranks", 400, "bad_request"),
        ("/api/speakers/sill-4/claim", 400, "bad_request"),
        ("/api/compare?speaker=sill-0", 422, "bad_request"),
        ("/api/shortlist?distance=3&level=90", 422, "bad_request"),
        ("/api/shortlist?distance=nan&volume=60&level=90", 422, "bad_request"),
        ("/api/metrics/f6_hz/ranks?kind=toaster", 422, "bad_request"),
        ("/api/metrics/f6_hz/ranks?target=model", 422, "bad_request"),
        ("/api/metrics/f6_hz/ranks?currency=XYZ", 400, "bad_request"),
        ("/api/field?column=zebra", 400, "bad_request"),
        ("/api/field?sort=", 422, "bad_request"),
        ("/api/nowhere", 404, "unknown_name"),
    ],
)
def test_an_error_is_a_document_too(site, address, status, code):
    reply = site.get(address)
    assert reply.status_code == status
    jsonschema.Draft202012Validator(schema("error")).validate(reply.json())
    assert reply.json()["error"]["code"] == code


def test_the_field_comes_a_part_at_a_time(site):
    first = site.get("/api/field", params={"column": ["f6_hz", "price"], "sort": "f6_hz", "count": 4}).json()
    rest = site.get("/api/field", params={"column": ["f6_hz"], "sort": "f6_hz", "count": 400, "start": 4}).json()
    assert (len(first["rows"]), len(rest["rows"]), first["total"]) == (4, 5, 9)
    values = [row["metrics"]["f6_hz"]["value"] for row in [*first["rows"], *rest["rows"]]]
    assert values == sorted(values)


def test_the_openapi_document_describes_every_address(site):
    document = site.get("/api/openapi.json").json()
    assert document["openapi"].startswith("3.1")
    assert {path for path in document["paths"] if not path.startswith("/api/")} == set()
    for path, methods in document["paths"].items():
        assert set(methods) == {"get"}, path
        assert methods["get"]["description"], path


KNOWN = {
    "speaker": ["alder-fen-sill-0", "sill-4", "sill-0@desk"],
    "metric": ["f6_hz", "preference", "max_level_db", "tone"],
    "name": ["sessions", "price_ladder"],
    "column": ["f6_hz", "price", "kind"],
    "sort": ["f6_hz", "price", "maker"],
    "x": ["price", "volume_l", "f6_hz"],
    "y": ["preference", "f6_hz"],
    "over": ["year", "kind", "price", "f6_hz"],
    "setting": ["desk"],
    "against": ["desk"],
    "currency": ["EUR", "eur"],
}


def with_known_names(node):
    """Put names that the file holds beside those that may be made up, so that questions get past the first look-up."""
    if isinstance(node, dict):
        if node.get("in") in {"path", "query"} and node.get("name") in KNOWN:
            known = {"enum": [*KNOWN[node["name"]], "zebra"]}
            if '"array"' in json.dumps(node["schema"]):
                known = {"type": "array", "items": known, "minItems": 2, "maxItems": 4}
            node["schema"] = known if node["in"] == "path" else {"anyOf": [known, node["schema"]]}
        for inner in node.values():
            with_known_names(inner)
    elif isinstance(node, list):
        for inner in node:
            with_known_names(inner)


def test_no_question_that_fits_the_openapi_document_breaks_the_server(site):
    """Schemathesis makes up questions for every address; answers must fit what the document says of them.

    A question may fit the document and still make no sense (a seat outside its room), so a plain refusal counts as an
    answer.
    """
    described = site.get("/api/openapi.json").json()
    with_known_names(described)
    document = schemathesis.openapi.from_dict(described)
    few = settings(
        max_examples=20,
        deadline=None,
        derandomize=True,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
        database=None,
    )
    answered: Counter[int] = Counter()
    for operation in document.get_all_operations():

        @few
        @given(case=operation.ok().as_strategy())
        def ask(case):
            reply = case.call(base_url=site.url, timeout=60)
            answered[reply.status_code] += 1
            assert reply.status_code < 500, f"{case.formatted_path} {case.query}: {reply.text}"
            case.validate_response(reply, excluded_checks=[positive_data_acceptance])

        ask()
    assert answered[200] > 40, answered


def test_sessions_are_stored_by_script_with_the_token(taking, tmp_path):
    write_session(tmp_path / "up" / "good")
    write_session(tmp_path / "up" / "bad", kind="toaster", model="Sill 7")
    paths = [p for p in (tmp_path / "up").rglob("*") if p.is_file()]
    files = [("files", (str(p.relative_to(tmp_path / "up")), p.read_bytes())) for p in paths]
    assert taking.client.post("/api/sessions", files=files).status_code == 403
    headers = {"X-Speakerdb-Token": taking.get("/api/token").json()["token"]}
    for dry, speakers in ((True, 0), (False, 1)):
        reply = taking.client.post("/api/sessions", files=files, headers=headers, params={"dry_run": dry})
        assert reply.status_code == 200, reply.text
        jsonschema.Draft202012Validator(schema("ingest")).validate(reply.json())
        results = {s["folder"]: s["result"] for s in reply.json()["sessions"]}
        assert results == {"good": "stored", "bad": "refused"}
        assert taking.get("/api/speakers").json()["speakers"] == speakers
    refused = taking.client.post("/api/sessions", files=[("files", ("../x", b"x"))], headers=headers)
    assert refused.status_code == 400
    jsonschema.Draft202012Validator(schema("error")).validate(refused.json())
    assert "/api/sessions" in taking.get("/api/openapi.json").json()["paths"]
