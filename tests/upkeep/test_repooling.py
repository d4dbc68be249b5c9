"""From sessions in the file to what stands for speakers: groups, default settings, curves, open ends
(method:statistics#pooling)."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb import derive
from speakerdb.derive.pooling import pool_curves
from speakerdb.metric import CENSORED, ENDS
from speakerdb.store import Store, writing
from speakerdb.upkeep import repooling
from tests.store.builders import axis, new_session, values

METRIC = "treble_balance_db"


def put(store, sessions, value, curve=None):
    """Sessions with a value of one metric and a listening window each; → pooled rows by (speaker, setting)."""
    n = len(sessions)
    table = values(n)
    table.value[:, table.metrics.index(METRIC)] = value
    window = np.asarray(curve if curve is not None else np.full((n, 199), 80.0), np.float32)
    noise = np.full((n, 199), 0.3, np.float32)
    with store.transaction():
        ids = writing.insert_sessions(store.con, sessions, table, {"listening_window": window}, axis(n))
        writing.replace_noise(store.con, ids, {"noise_listening_window": noise})
        repooling.repool(store, None)
    return pooled(store)


def pooled(store):
    rows = store.con.execute(
        """
        SELECT sp.slug, ss.setting, ss.is_default, ss.sessions, v.value
        FROM speaker_setting ss JOIN speaker sp USING (speaker_id) JOIN pooled_value v USING (speaker_id, setting)
            JOIN metric m USING (metric_no) WHERE m.id = ? ORDER BY 1, 2
        """,
        [METRIC],
    ).fetchall()
    return {(slug.removeprefix("alder-fen-"), setting): tuple(rest) for slug, setting, *rest in rows}


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "x.duckdb", write=True) as store:
        yield store


def sessions(*changes):
    return [new_session(seed=k, **c) for k, c in enumerate(changes)]


def test_each_setting_of_each_speaker_stands_for_its_own_sessions(store):
    found = put(
        store,
        sessions(
            {"model": "A", "date": "2026-03-02"},
            {"model": "A", "date": "2026-03-03"},
            {"model": "A", "setting": "desk", "date": "2026-03-04"},
            {"model": "B"},
        ),
        [1.0, 3.0, 7.0, 5.0],
    )
    assert found == {
        ("a", "desk"): (False, 1, 7.0),
        ("a", "plain"): (True, 2, 2.0),
        ("b", "plain"): (True, 1, 5.0),
    }


@pytest.mark.parametrize(
    ("plain", "desk", "default"),
    [
        ({"date": "2026-03-02"}, {"date": "2026-03-03"}, "plain"),  # the earlier
        ({"date": "2026-03-03"}, {"date": "2026-03-02"}, "desk"),
        ({}, {}, "desk"),  # of one day, by name
        ({"date": "2026-03-09", "default_setting": True}, {"date": "2026-03-02"}, "plain"),  # the one that is marked
    ],
)
def test_the_default_setting_is_the_marked_one_else_the_earliest_then_the_first_by_name(store, plain, desk, default):
    found = put(store, sessions({"setting": "plain", **plain}, {"setting": "desk", **desk}), [1.0, 2.0])
    assert [setting for (_, setting), (is_default, *_) in found.items() if is_default] == [default]


@pytest.mark.parametrize("chunk", [1, 2, 250])
def test_how_many_speakers_are_pooled_at_once_changes_nothing(store, chunk, monkeypatch):
    monkeypatch.setattr(repooling, "CHUNK_SPEAKERS", chunk)
    found = put(store, sessions(*({"model": f"M{k}"} for k in range(5))), [1.0, 2.0, 3.0, 4.0, 5.0])
    assert [value for *_, value in found.values()] == [1.0, 2.0, 3.0, 4.0, 5.0]


def test_what_is_pooled_again_stands_once_and_others_are_left_alone(store):
    put(store, sessions({"model": "A"}, {"model": "B"}), [1.0, 2.0])
    store.con.execute("UPDATE pooled_value SET value = 99.0")
    (first,) = store.con.execute("SELECT speaker_id FROM speaker WHERE slug = 'alder-fen-a'").fetchone()
    with store.transaction():
        repooling.repool(store, [first])
    assert {key: value for key, (*_, value) in pooled(store).items()} == {("a", "plain"): 1.0, ("b", "plain"): 99.0}


def test_curves_are_pooled_as_values_are_and_their_noise_shrinks(store):
    levels = np.full((3, 199), 80.0)
    levels[1] += 3.0
    levels[2] += 8.0
    levels[2, :10] = np.nan
    changes = [{"sample": "1", "date": "2026-03-01"}, {"sample": "1", "date": "2026-03-02"}, {"sample": "2"}]
    put(store, sessions(*changes), [0.0, 0.0, 0.0], levels)
    rows = dict(store.con.execute("SELECT part, level FROM pooled_curve").fetchall())
    curve, noise = (np.array(rows[part]) for part in ("listening_window", "noise_listening_window"))
    # weights ¼, ¼ and ½; where the third has none, a half each
    assert curve[50] == pytest.approx(80.0 + 3.0 / 4.0 + 8.0 / 2.0)
    assert curve[5] == pytest.approx(81.5)
    assert noise[50] == pytest.approx(0.3 * np.sqrt(1 / 16 + 1 / 16 + 1 / 4))


def test_a_point_that_no_session_has_is_missing_in_the_pooled_curve():
    levels = np.array([[1.0, np.nan], [3.0, np.nan], [5.0, 7.0]])
    found = pool_curves(levels, np.array([0, 0, 1]), np.array([0.25, 0.75, 1.0]), 3)
    np.testing.assert_allclose(found, [[2.5, np.nan], [5.0, 7.0], [np.nan, np.nan]])


def test_an_interval_is_open_where_a_bound_leaves_it_open():
    codes = np.array([[CENSORED.index(word) for word in ("none", "at_most", "at_least", "between")]])
    columns = {f"{end}{kind}": np.array([[1.0, 2.0, 3.0, 4.0]]) for end in ("low", "high") for kind in ENDS} | {
        "se": np.ones((1, 4))
    }
    found = derive.open_ends(columns, codes)
    for kind in ENDS:
        np.testing.assert_array_equal(found[f"low{kind}"], [[1.0, np.nan, 3.0, 4.0]])
        np.testing.assert_array_equal(found[f"high{kind}"], [[1.0, 2.0, np.nan, 4.0]])
    np.testing.assert_array_equal(found["se"], np.ones((1, 4)))
    assert not np.isnan(columns["low"]).any()  # what was given is left as it was


def test_the_listening_axis_is_picked_from_pooled_angles(store):
    # one session is best at 10°, the other at 30°; together at 20°
    deviation = np.array([[0.50, 0.20, 0.25, 0.45], [0.50, 0.60, 0.25, 0.20]])
    treble = np.array([[0.0, -0.4, -0.8, -1.2], [0.0, -0.2, -0.4, -0.6]])
    table = values(2)
    both = sessions({"date": "2026-03-01"}, {"date": "2026-03-02"})
    with store.transaction():
        writing.insert_sessions(store.con, both, table, {}, (deviation, treble))
        repooling.repool(store, None)
    rows = dict(
        store.con.execute("SELECT m.id, v.value FROM pooled_value v JOIN metric m USING (metric_no)").fetchall()
    )
    assert rows["best_listening_angle_deg"] == 20.0
    assert rows["best_listening_angle_gain_db"] == pytest.approx(0.5 - 0.25, abs=1e-6)
    assert rows["best_listening_angle_treble_db"] == pytest.approx(-0.6, abs=1e-6)
