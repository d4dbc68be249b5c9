"""A speaker's place among its peers, worked out from a small field whose order was built in."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from pathlib import Path

import pytest

import speakerdb
from speakerdb.answering import standing
from speakerdb.library import Database
from speakerdb.report import worth
from tests.folders import write_session

COUNT = 12


@pytest.fixture(scope="module")
def priced(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    """Twelve monitors of twelve makers, each reaching 12 % less deep than the one before and each 100 EUR dearer, from
    300 EUR; one floorstander without a price; one of unknown kind."""
    root: Path = tmp_path_factory.mktemp("priced")
    for i in range(COUNT):
        write_session(
            root / "in" / f"s{i:02}",
            bass_hz=30.0 * 1.12**i,
            model=f"Sill {i}",
            maker=f"Alder {chr(65 + i)}",
            slug=f"sill-{i}",
            kind="monitor",
            height_mm=300,
            width_mm=200,
            depth_mm=250,
        )
    write_session(root / "in" / "tall", bass_hz=40.0, model="Tall", slug="tall", kind="floorstander")
    prices = ["speaker,name,value,currency,per,date,source"]
    prices += [f"sill-{i},price_street,{300 + 100 * i},EUR,pair,2026-01-01,shop" for i in range(COUNT)]
    prices += ["sill-0,price_list,12500,EUR,pair,2026-01-01,shop"]
    (root / "facts.csv").write_text("\n".join(prices) + "\n", encoding="utf-8")
    with speakerdb.open(root / "speakers.duckdb", write=True) as base:
        base.ingest(root / "in")
        base.bring_facts(root / "facts.csv")
        base.work_out()
    with speakerdb.open(root / "speakers.duckdb") as base:
        yield base


def of(base: Database, slug: str, metric: str = "f6_hz") -> standing.Place:
    group = standing.group_of(base, slug)
    (place,) = standing.standing(base, slug, group, [metric]).places
    return place


def test_places_count_from_the_better_end_and_hold_the_rank(priced: Database) -> None:
    places = [of(priced, f"sill-{i}") for i in range(COUNT)]
    peers = [standing.group_of(priced, f"sill-{i}") for i in range(COUNT)]
    for place, group in zip(places, peers, strict=True):
        assert place.count == group.size >= standing.FEWEST + 1
        assert place.rank_low is not None
        assert place.rank_high is not None
        assert 1 <= place.rank_low <= place.rank <= place.rank_high <= place.count
        assert place.low is not None
        assert place.high is not None
        assert place.low < place.value < place.high
    # neighbours differ by 0.16 octaves, more than the errors
    first, last = places[0], places[-1]
    assert (first.rank, first.rank_low, first.rank_high, first.superlative) == (1, 1, 1, True)
    assert (last.rank, last.rank_low, last.rank_high, last.superlative) == (last.count, last.count, last.count, True)
    assert first.beats == (1.0, 1.0)
    assert last.beats == (0.0, 0.0)
    assert not places[5].superlative


def test_others_are_all_of_the_group_but_the_speaker(priced: Database) -> None:
    group = standing.group_of(priced, "sill-3")
    found = standing.standing(priced, "sill-3", group, ["f6_hz", "flatness_window_db", "reference_level_db"])
    assert [p.metric.id for p in found.places] == [
        "f6_hz",
        "flatness_window_db",
    ]  # a level of the measurement is never ranked
    for metric in ("f6_hz", "flatness_window_db"):
        others = found.others.filter(metric=metric)["value"]
        assert len(others) == group.size - 1
    assert of(priced, "sill-3").value not in found.others.filter(metric="f6_hz")["value"].to_list()


def test_peers_are_of_its_price_and_size_then_of_its_kind_then_of_all(priced: Database) -> None:
    # between half and twice of 700 EUR: 350 to 1400, all but the cheapest
    middle = standing.group_of(priced, "sill-4")
    assert (middle.size, middle.noun) == (11, "monitors of its price and size")
    assert middle.counted == "11 monitors of its price and size"
    # between half and twice of 300 EUR: 300 to 600 are four, too few
    cheap = standing.group_of(priced, "sill-0")
    assert (cheap.size, cheap.noun) == (COUNT, "monitors")
    alone = standing.group_of(priced, "tall")
    assert (alone.size, alone.noun) == (COUNT + 1, "speakers of all kinds")


def test_without_an_uncertainty_a_rank_has_no_range(tmp_path: Path) -> None:
    for i in range(10):
        write_session(
            tmp_path / "in" / f"s{i}",
            bass_hz=30.0 * 1.1**i,
            model=f"Sill {i}",
            slug=f"sill-{i}",
            height_mm=300,
            width_mm=200,
            depth_mm=250,
        )
    with speakerdb.open(tmp_path / "x.duckdb", write=True) as base:
        base.ingest(tmp_path / "in")
        assert standing.group_of(base, "sill-0").noun == "standmounts of its size"  # no price is known
        for slug, rank in (("sill-0", 1), ("sill-9", 10), ("sill-4", 5)):
            place = of(base, slug)
            assert (place.rank, place.rank_low, place.rank_high, place.superlative) == (rank, None, None, False)
            assert place.beats is None


def test_a_place_in_a_group_of_eight_others_counts_and_of_seven_does_not(priced: Database) -> None:
    place = dataclasses.replace(of(priced, "sill-0"), rank=2, rank_low=1, rank_high=3)
    assert dataclasses.replace(place, count=9).beats == (6 / 8, 1.0)
    assert dataclasses.replace(place, count=8).beats is None


@pytest.mark.parametrize(
    ("kind", "many"),
    [
        ("monitor", "monitors"),
        ("bookshelf", "bookshelf speakers"),
        ("centre", "centre speakers"),
        ("in-wall", "in-wall speakers"),
        ("portable", "portable speakers"),
        ("other", "speakers of no usual kind"),
        ("soundbar", "soundbars"),
    ],
)
def test_kinds_have_plurals(kind: str, many: str) -> None:
    assert standing.plural(kind) == many


def test_what_a_price_buys_is_told_merit_by_merit(priced: Database) -> None:
    cheapest, dearest = worth.sentences(priced, "sill-0"), worth.sentences(priced, "sill-11")
    assert cheapest[0] == "A pair costs list 12\u202f500 EUR and street 300 EUR; its rivals are the monitors."
    assert dearest[0] == "A pair costs street 1400 EUR; its rivals are the monitors."
    # the cheapest reaches lowest: nobody beats it at its street price nor, being the deepest of all, at any
    assert "By LF extension (−6 dB) for the money: on the front at any price." in cheapest
    (bass,) = [s for s in dearest if s.startswith("By LF extension")]
    assert (
        bass
        == "By LF extension (−6 dB) for the money: from 300 EUR (Alder A Sill 0) on it is more likely beaten than not."
    )
    expected = [s for s in dearest if s.startswith("At this price monitors reach down to")]
    assert len(expected) == 1
    assert expected[0].endswith("as expected.")  # it lies on the line that all others lie on
    assert "11 makers" in expected[0]
    assert any(s.startswith("By programme SPL for the money: not judged, ") for s in dearest)  # nobody has sweeps
    assert worth.sentences(priced, "tall") == ["Not judged: no price is recorded for it."]
