"""Keeping the file sound: derive, upgrade, export, verify, compact."""

from __future__ import annotations

import dataclasses

import duckdb
import numpy as np
import polars as pl
import pytest

import speakerdb
from speakerdb import metrics
from speakerdb.errors import StoreError
from speakerdb.store import migrations
from speakerdb.upkeep import maintenance
from tests.folders import write_fleet, write_session
from tests.upkeep.killing import make_older

OF_SESSIONS = (
    "curve",
    "summary_curve",
    "listening_axis",
    "metric_value",
    "uncertainty",
    "own_draw",
    "bench_draw",
    "source_file",
)


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    root = tmp_path_factory.mktemp("upkeep")
    write_fleet(root / "in", 3)
    with speakerdb.open(root / "speakers.duckdb", write=True) as base:
        base.ingest(root / "in")
        base.work_out()
    return root


@pytest.fixture
def path(filled, tmp_path):
    target = tmp_path / "speakers.duckdb"
    target.write_bytes((filled / "speakers.duckdb").read_bytes())
    return target


def values(path):
    with speakerdb.open(path) as base:
        return base.show("sill-1").rows.drop("session")


def test_derive_recomputes_exactly_the_metrics_whose_definition_changed(path, monkeypatch):
    before = values(path)
    changed = dataclasses.replace(metrics.METRICS["f6_hz"], version=metrics.METRICS["f6_hz"].version + 1)
    monkeypatch.setitem(metrics.METRICS, "f6_hz", changed)
    with speakerdb.open(path, write=True) as base:
        assert any("f6_hz" in p and "speakerdb derive" in p for p in base.verify())
        with pytest.raises(StoreError, match="speakerdb derive"):
            base.ingest(path.parent)
        base.store.con.execute(
            "UPDATE metric_value SET value = 1.0 WHERE metric_no IN (SELECT metric_no FROM metric WHERE id "
            "IN ('f6_hz', 'f3_hz'))"
        )
        report = base.derive()
        assert report.metrics == ("f6_hz",)
        assert report.sessions == 3
        base.work_out()
    after = values(path)
    f6, f3 = pl.col("metric") == "f6_hz", pl.col("metric") == "f3_hz"
    assert after.filter(f6)["value"].to_list() == pytest.approx(before.filter(f6)["value"].to_list())
    assert set(after.filter(f3)["value"]) == {1.0}  # its definition had not changed, so it was left alone


def test_derive_has_nothing_to_do_where_nothing_changed(path):
    with speakerdb.open(path, write=True) as base:
        assert base.derive().metrics == ()
        assert base.work_out() == 0


def test_curves_and_values_can_be_thrown_away_and_come_back_from_the_kept_files(path):
    before = values(path)
    with speakerdb.open(path, write=True) as base:
        state = base.state.state
        for table in (
            "curve",
            "sweep",
            "summary_curve",
            "metric_value",
            "pooled_value",
            "pooled_curve",
            "uncertainty",
            "own_draw",
            "bench_draw",
        ):
            base.store.con.execute(f"DELETE FROM {table}")
        base.derive(from_raw=True)
        base.work_out()
        assert base.verify() == []
        assert base.state.state == state
    after = values(path)
    for name in ("value", "low", "high", "se"):
        assert after[name].to_list() == pytest.approx(before[name].to_list(), nan_ok=True), name


def test_intervals_do_not_depend_on_the_order_of_ingest(filled, tmp_path):
    with speakerdb.open(tmp_path / "other.duckdb", write=True) as base:
        for number in (2, 0, 1):
            base.ingest(filled / "in" / f"s{number}")
        base.work_out()
        other = base.show("sill-1").rows.drop("session")
    before = values(filled / "speakers.duckdb")
    for name in ("value", "low", "high", "se"):
        assert other[name].to_list() == pytest.approx(before[name].to_list(), nan_ok=True), name


@pytest.mark.parametrize("version", [m.version for m in migrations.available()][:-1])
def test_upgrade_brings_an_older_file_up_and_keeps_a_copy_of_it(path, version):
    before = values(path)
    make_older(path, version)
    with pytest.raises(StoreError, match="speakerdb upgrade"):
        speakerdb.open(path)
    old, new, copy = maintenance.upgrade(path)
    assert (old, copy.exists()) == (version, True)
    assert new > old
    with speakerdb.open(path, write=True) as base:
        assert any("older definition" in p for p in base.verify())
        base.derive()
        assert base.work_out() == 3  # the older file had none of these intervals
        assert base.verify() == []
    after = values(path)
    for name in ("value", "low", "high"):
        assert after[name].to_list() == pytest.approx(before[name].to_list(), nan_ok=True), name
    assert maintenance.upgrade(path) == (new, new, None)
    con = duckdb.connect(str(copy), read_only=True)
    assert con.execute("SELECT max(version) FROM schema_version").fetchall() == [(version,)]
    con.close()


def test_gated_sessions_of_an_older_file_are_withheld_until_their_sources_are_read_anew(tmp_path):
    """Older programs let data count that a gate does not resolve: what they stored goes further down."""
    write_session(tmp_path / "in" / "a", model="A", method="gated", gate_ms=5)
    write_session(tmp_path / "in" / "b", model="B", bass_hz=60)
    path = tmp_path / "x.duckdb"
    with speakerdb.open(path, write=True) as base:
        base.ingest(tmp_path / "in")
        base.work_out()
    make_older(path, 5)
    con = duckdb.connect(str(path))
    con.execute(
        "UPDATE curve SET level = (SELECT level FROM curve c JOIN session s USING (session_id) "
        "WHERE s.method <> 'gated' AND c.orbit = curve.orbit AND c.angle_deg = curve.angle_deg)"
    )
    con.close()
    maintenance.upgrade(path)
    with speakerdb.open(path, write=True) as base:
        assert "alder-fen-a" in base.rank("beamwidth_horizontal_deg").withheld["speaker"].to_list()
        base.derive()
        base.work_out()
        assert base.verify() == []
        assert base.rank("f6_hz").rows["speaker"].to_list() == ["alder-fen-b"]
        assert "alder-fen-a" in base.rank("beamwidth_horizontal_deg").rows["speaker"].to_list()


def test_every_table_is_exported_as_parquet_that_polars_scans_lazily(path, tmp_path):
    with speakerdb.open(path) as base:
        files = base.export(tmp_path / "tables")
        expected = base.rank("f6_hz").rows["value"].sort().to_list()
    assert {f.stem for f in files} >= {
        "session",
        "curve",
        "metric_value",
        "pooled_value",
        "source_file",
        "uncertainty",
        "own_draw",
        "fact",
        "price",
    }
    tables = tmp_path / "tables"
    lazily = (
        pl.scan_parquet(tables / "pooled_value.parquet")
        .join(pl.scan_parquet(tables / "metric.parquet").filter(pl.col("id") == "f6_hz"), on="metric_no")
        .select(pl.col("value").sort())
    )
    assert lazily.collect()["value"].to_list() == expected
    curve = pl.scan_parquet(tables / "curve.parquet").filter(pl.col("angle_deg") == 0).collect()
    assert curve["level"].dtype in {pl.Array(pl.Float32, 199), pl.List(pl.Float32)}
    with pytest.raises(StoreError, match="not an empty folder"), speakerdb.open(path) as base:
        base.export(tables)


@pytest.mark.parametrize(
    ("damage", "message"),
    [
        ("UPDATE source_file SET sha256 = repeat('0', 64)", "does not have its stored SHA-256"),
        ("UPDATE source_file SET zstd = 'junk'::BLOB", "can't be unpacked"),
        ("UPDATE metric_value SET value = value + 1 WHERE value IS NOT NULL", "recomputes to"),
        ("DELETE FROM curve WHERE session_id = 1", "no rows in curve"),
        ("INSERT INTO price VALUES (99, 999, 1, 'EUR', 'pair', 'list', NULL, NULL, NULL)", "belong to no speaker"),
        ("DELETE FROM session WHERE session_id = 1", "belong to no session"),
        *(
            (
                f"INSERT INTO {table} BY NAME (FROM {table} SELECT * REPLACE (99 AS session_id) LIMIT 1)",
                f"1 rows of {table} belong to no session",
            )
            for table in OF_SESSIONS
        ),
    ],
)
def test_verify_finds_damage(path, damage, message):
    with speakerdb.open(path, write=True) as base:
        assert base.verify() == []
        base.store.con.execute(damage)
        assert any(message in p for p in base.verify())


def test_a_curve_that_no_longer_agrees_with_its_file_is_found(path):
    with speakerdb.open(path, write=True) as base:
        base.store.con.execute(
            "UPDATE curve SET level = list_transform(level, lambda x: x + 1)::FLOAT[199] WHERE angle_deg = 20"
        )
        assert any("source files and curves disagree" in p for p in base.verify())


def test_compacting_keeps_everything_and_makes_the_file_no_larger(path):
    before = values(path)
    with speakerdb.open(path, write=True) as base:
        state = base.state
        for _ in range(3):
            base.derive(everything=True)
        base.work_out()
    old, new = maintenance.compact(path)
    assert new <= old
    assert values(path)["value"].to_list() == pytest.approx(before["value"].to_list(), nan_ok=True)
    with speakerdb.open(path) as base:
        assert base.state.state == state.state
        assert base.verify() == []


def test_a_session_measured_again_by_the_same_lab_tightens_nothing_that_the_lab_shares(tmp_path):
    def widths(base):
        row = base.store.con.execute(
            "SELECT se, se_bench, se_sample FROM pooled_value JOIN metric USING (metric_no) WHERE id = "
            "'treble_balance_db'"
        ).fetchall()[0]
        return np.array(row)

    write_session(tmp_path / "in" / "a")
    with speakerdb.open(tmp_path / "x.duckdb", write=True) as base:
        base.ingest(tmp_path / "in" / "a")
        base.work_out()
        once = widths(base)
        for n in (2, 3, 4):
            base.ingest(write_session(tmp_path / "in" / f"r{n}", repeat=n, notes=str(n), bass_hz=50.0 + n / 50))
        base.work_out()
        often = widths(base)
    # bench and sample are the same in all four; what a repeat would change averages out, to half its size
    assert often[0] == pytest.approx(once[0] / 2, rel=0.15)
    assert often[1:] == pytest.approx(once[1:], rel=0.05)


def test_a_session_goes_out_as_sofa_and_comes_in_with_the_same_metrics(path, tmp_path):
    with speakerdb.open(path) as base:
        session = base.query("sessions")[1].filter(pl.col("speaker") == "alder-fen-sill-1")["session"][0]
        keys = base.export_sofa(session, tmp_path / "out.sofa")
        with pytest.raises(StoreError, match="exists"):
            base.export_sofa(session, tmp_path / "out.sofa")
    folder = tmp_path / "back"
    folder.mkdir()
    (tmp_path / "out.sofa").rename(folder / "responses.sofa")
    keys.rename(folder / "session.toml")
    with speakerdb.open(tmp_path / "back.duckdb", write=True) as base:
        (result,) = base.ingest(folder)
        assert (result.result, result.session) == ("stored", session)
    before, after = values(path), values(tmp_path / "back.duckdb")
    assert after["value"].to_list() == pytest.approx(before["value"].to_list())
    assert after["reason"].to_list() == before["reason"].to_list()
