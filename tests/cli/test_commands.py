"""Each command: its JSON answers to its own schema, its text reads, its errors have the right exit code."""

from __future__ import annotations

import shutil

import pytest

import speakerdb as speakerdb_package
from tests.cli.checking import check
from tests.folders import write_fleet, write_session


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """A folder with four speakers' sessions in `in` and a database that holds them."""
    root = tmp_path_factory.mktemp("stored")
    write_fleet(root / "in")
    with speakerdb_package.open(root / "speakers.duckdb", write=True) as base:
        base.ingest(root / "in")
        base.work_out()
    return root


@pytest.fixture
def filled(speakerdb, tmp_path, stored):
    """The command, with four speakers in ./speakers.duckdb and their folders in ./in."""
    shutil.copytree(stored, tmp_path, dirs_exist_ok=True)
    return speakerdb


SID = "SESSION"  # stands for the id of the first session


@pytest.mark.parametrize(
    "arguments",
    [
        "list",
        "show sill-1",
        "show sill-1 --all-settings",
        "show sill-1 --absolute",
        "show sill-1 --another-unit",
        "explain sill-1 f6_hz",
        "metrics",
        "metrics f6_hz",
        "rank f6_hz",
        "rank f6_hz --kind monitor --top 1",
        "rank f6_hz --jointly",
        "rank f6_hz --absolute",
        "rank f6_hz --another-unit",
        "rank preference --price-max 500",
        "match sill-1",
        "query",
        "query sessions lab=shed",
        "derive",
        "derive --all",
        "derive --from-raw",
        "upgrade",
        "export tables",
        "verify",
        "verify --compact",
        "ingest in",
        "ingest in --dry-run",
        "ingest in --replace",
        "ingest in --no-intervals",
        f"withdraw {SID} --reason moved",
        "rename alder-fen-sill-1 sill-one",
    ],
)
def test_every_answer_fits_its_schema_and_text_comes_without_json(filled, arguments):
    first = filled("query", "sessions", "--json").document["rows"][0]["session"]
    words = arguments.replace(SID, first).split()
    answer = filled(*words, "--json")
    assert answer.code == 0, answer.err
    check(words[0], answer.document)
    assert answer.err == ""


def test_two_speakers_measured_on_different_days_are_merged(filled, tmp_path):
    write_session(tmp_path / "later", bass_hz=45.0, model="Sill 9", kind="monitor", date="2026-04-01")
    filled("ingest", "later")

    def shown(speaker):
        """(pooled bass limit in Hz, session -> its own)."""
        answer = filled("show", speaker, "--json").document
        own = {s["session"]: s["metrics"]["f6_hz"]["value"] for s in answer["sessions"]}
        return answer["pooled"]["f6_hz"]["value"], own

    (one, of_one), (other, of_other) = shown("alder-fen-sill-1"), shown("alder-fen-sill-9")
    answer = filled("merge", "alder-fen-sill-1", "alder-fen-sill-9", "--json")
    assert answer.code == 0, answer.err
    check("merge", answer.document)
    told = {key: answer.document[key] for key in ("kept", "gone", "sessions")}
    assert told == {"kept": "alder-fen-sill-1", "gone": "alder-fen-sill-9", "sessions": 1}
    assert (
        filled("show", "alder-fen-sill-9", "--json").document["speaker"] == "alder-fen-sill-1"
    )  # the old name goes on
    both, of_both = shown("alder-fen-sill-1")
    assert one != pytest.approx(other, rel=0.01)
    assert both == pytest.approx((one * other) ** 0.5)
    assert of_both == {**of_one, **of_other}
    assert len(of_both) == 2
    assert [r["speaker"] for r in filled("list", "--json").document["rows"]] == [
        f"alder-fen-sill-{i}" for i in range(4)
    ]
    assert filled("verify").code == 0
    again = filled("merge", "alder-fen-sill-1", "alder-fen-sill-9")
    assert (again.code, "same speaker already" in again.err) == (1, True)


def test_facts_answer_fits_its_schema(filled, tmp_path):
    (tmp_path / "facts.csv").write_text(
        "speaker,name,value,currency,per,date,source\nsill-1,price_street,400,EUR,pair,2026-01-01,shop\nsill-1,mass_kg,7.5,,,,scale\n"
    )
    answer = filled("facts", "facts.csv", "--json")
    check("facts", answer.document)
    assert (answer.document["facts"], answer.document["prices"]) == (1, 1)
    again = filled("facts", "facts.csv", "--json").document
    assert (again["facts"], again["prices"]) == (0, 0)
    ranked = filled("rank", "f6_hz", "--price-max", "500", "--json").document
    assert [r["speaker"] for r in ranked["rows"]] == ["alder-fen-sill-1"]
    assert {r["reason"] for r in ranked["withheld"]} == {"price unknown"}


@pytest.mark.parametrize(
    "arguments",
    ["list", "show sill-1", "explain sill-1 preference", "rank f6_hz", "match sill-1", "query sessions", "metrics"],
)
def test_text_answers_read_without_json(filled, arguments):
    answer = filled(*arguments.split())
    assert answer.code == 0
    assert "sill" in answer.out or arguments == "metrics"
    assert "{" not in answer.out.replace("{", "", 0) or "speaker" in answer.out
    assert "nan" not in answer.out.lower().split()


@pytest.mark.parametrize(
    ("arguments", "code", "message"),
    [
        ("show nobody", 1, "no speaker is named 'nobody'"),
        ("show sill", 1, "fits 4 speakers"),
        ("show sill-1 --exact", 1, "no speaker is named"),
        ("show sill-1 --setting wall", 1, "no setting 'wall'; it has plain"),
        ("rank loudness", 1, "no metric is named 'loudness'"),
        ("rank f", 1, "fits"),
        ("rank reference_level_db", 1, "never ranked"),
        ("rank f6_hz --kind sofa", 2, "'sofa' is not one of"),
        ("rank f6_hz --currency XXX", 1, "no price is held in XXX"),
        ("match sill-1 --weight tone=1", 2, "the parts are"),
        ("explain sill-1", 2, "metric"),
        ("query nothing", 1, "no query is named"),
        ("query sessions lab", 2, "expected name=value"),
        ("withdraw zzzz --reason x", 1, "no session has the id"),
        ("merge alder-fen-sill-1 alder-fen-sill-1", 1, "same speaker already"),
        ("rename alder-fen-sill-1 alder-fen-sill-2", 1, "another speaker"),
        ("ingest nowhere", 1, "nowhere"),
        ("juggle", 2, "juggle"),
        ("list --db missing.duckdb", 1, "no database"),
        ("export in", 1, "not an empty folder"),
    ],
)
def test_errors_say_what_is_wrong_with_the_right_exit_code_in_text_and_json(filled, arguments, code, message):
    plain = filled(*arguments.split())
    assert plain.code == code
    assert message.lower() in plain.err.lower()
    assert plain.out == ""
    assert "Traceback" not in plain.err
    as_json = filled(*arguments.split(), "--json")
    assert as_json.code == code
    check("error", as_json.document)
    assert message.lower() in as_json.document["error"]["message"].lower()


def test_a_bad_folder_is_refused_whole_and_its_good_neighbour_is_stored(speakerdb, tmp_path):
    write_session(tmp_path / "in" / "good")
    bad = write_session(tmp_path / "in" / "bad", model="Sill 8", kind="sofa", lab=None)
    (bad / "responses.csv").write_text("frequency_hz,orbit,angle_deg,level_db\n100,sideways,0,80\n")
    answer = speakerdb("ingest", "in", "--json")
    assert answer.code == 1
    check("ingest", answer.document)
    results = {s["folder"].rsplit("/", 1)[-1]: s for s in answer.document["sessions"]}
    assert results["good"]["result"] == "stored"
    assert results["bad"]["result"] == "refused"
    keys = {e["key"] for e in results["bad"]["errors"]}
    assert {"kind", "lab"} <= keys
    assert any(e["file"] == "responses.csv" and e["line"] == 2 for e in results["bad"]["errors"])
    assert [r["speaker"] for r in speakerdb("list", "--json").document["rows"]] == ["alder-fen-sill-5"]


def test_dry_run_makes_no_file(speakerdb, tmp_path):
    write_session(tmp_path / "in")
    assert speakerdb("ingest", "in", "--dry-run").code == 0
    assert not (tmp_path / "speakers.duckdb").exists()


def test_ranks_follow_the_better_direction(filled):
    rows = filled("rank", "f6_hz", "--json").document["rows"]
    assert [r["speaker"] for r in rows] == [f"alder-fen-sill-{i}" for i in range(4)]
    assert [r["rank"] for r in rows] == [1, 2, 3, 4]
    values = [r["value"] for r in rows]
    assert values == sorted(values)


@pytest.mark.parametrize(
    ("metric", "first", "rising"),
    [
        ("f6_hz", "the lowest first", True),
        ("preference", "the highest first", False),
        ("di_power_mean_db", "the highest first", False),
    ],
)
def test_which_end_is_said_to_come_first_does(filled, tmp_path, metric, first, rising):
    answer = filled("rank", metric, "--out", "ranks.html")
    assert f"), {first.removeprefix('the ')}" in answer.out.splitlines()[0]
    assert ("neither direction is better" in answer.out) == (metric == "di_power_mean_db")
    page = (tmp_path / "ranks.html").read_text(encoding="utf-8")
    assert [end for end in ("the lowest first", "the highest first") if end in page] == [first]
    values = [r["value"] for r in filled("rank", metric, "--json").document["rows"]]
    assert values[0] != values[-1]
    assert values == sorted(values, reverse=not rising)


def test_the_nearest_relative_of_an_end_of_the_row_is_its_neighbour(filled):
    rows = filled("match", "sill-0", "--json").document["rows"]
    assert [r["speaker"] for r in rows] == ["alder-fen-sill-1", "alder-fen-sill-2", "alder-fen-sill-3"]


def test_after_an_ingest_the_verdict_on_each_speaker(speakerdb, tmp_path):
    write_fleet(tmp_path / "in", 2)
    out = speakerdb("ingest", "in").out
    assert out.count("Tonal balance") == 2
    assert out.count("To settle") == 2


def test_intervals_left_to_derive_are_those_of_an_ingest_that_works_them_out(filled, tmp_path):
    def pooled():
        return filled("explain", "sill-1", "f6_hz", "--json").document["pooled"]

    whole = pooled()
    (tmp_path / "speakers.duckdb").unlink()
    assert "Intervals wait" in filled("ingest", "in", "--no-intervals").out
    assert (pooled()["value"], pooled()["low"], pooled()["high"]) == (whole["value"], None, None)
    assert filled("derive", "--json").document["drawn"] == 4
    assert pooled() == whole
    assert filled("derive", "--json").document["drawn"] == 0


def test_help_loads_none_of_the_heavy_modules():
    import subprocess
    import sys

    code = (
        "import sys\nfrom speakerdb.cli.main import run\n"
        "try:\n    run(['--help'])\nexcept SystemExit:\n    pass\n"
        "print([m for m in ('duckdb', 'polars', 'scipy', 'altair') if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    assert "ingest" in done.stdout


def test_a_proposal_is_shown_fits_the_schema_and_stores_nothing(speakerdb, tmp_path):
    folder = write_session(tmp_path / "old" / "a")
    (folder / "session.toml").unlink()
    shown = speakerdb("ingest", "--propose", "old")
    assert shown.code == 0, shown.err
    assert "Nothing was stored" in shown.out
    assert shown.out.count("dB\n") == 3
    again = speakerdb("ingest", "--propose", "old")
    assert again.code == 1
    assert "never overwritten" in again.err
    (tmp_path / "old" / "folder.toml").unlink()
    (tmp_path / "old" / "sessions.csv").unlink()
    check("ingest", speakerdb("ingest", "--propose", "old", "--json").document)
    assert not (tmp_path / "speakers.duckdb").exists()
