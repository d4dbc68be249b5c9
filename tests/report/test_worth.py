"""Whether a price is fair, in sentences that say what is known and nothing hollow."""

from __future__ import annotations

from typing import Any

import pytest

from speakerdb.analysis.frontier import ONLY_BOUNDS
from speakerdb.answering import relating
from speakerdb.errors import RequestError
from speakerdb.library import Database
from speakerdb.metrics import METRICS
from speakerdb.report import worth

PREFERENCE, LEVEL, BASS = METRICS["preference"], METRICS["max_level_db"], METRICS["f6_hz"]
PRICES = [{"kind": "list", "price": 500.0}, {"kind": "street", "price": 400.0}]


def row(**given: Any) -> dict[str, Any]:
    return {
        "x": 400.0,
        "y": 5.4,
        "y_censored": "none",
        "beaten_from": None,
        "beaten_by": None,
        "beaten_reason": None,
        "beats": None,
        "expected": None,
        "low": None,
        "high": None,
        "makers": None,
    } | given


@pytest.mark.parametrize(
    ("beaten_from", "said"),
    [
        (430.0, "at 400 EUR on the front, up to 430 EUR (Rival); at its list price more likely beaten than not."),
        (900.0, "at 400 EUR on the front, up to 900 EUR (Rival)."),
        (400.0, "from 400 EUR (Rival) on it is more likely beaten than not."),
        (110.0, "from 110 EUR (Rival) on it is more likely beaten than not."),
        (12500.0, "at 400 EUR on the front, up to 12\u202f500 EUR (Rival)."),
        (None, "on the front at any price."),
    ],
)
def test_the_price_from_which_a_rival_beats_it_is_named_and_what_that_says_of_its_own(
    beaten_from: float | None, said: str
) -> None:
    told = worth.front(row(beaten_from=beaten_from, beaten_by="rival"), PREFERENCE, PRICES, "EUR", "Rival")
    assert told == f"By predicted preference for the money: {said}"


def test_a_lower_price_that_would_put_it_on_the_front_is_told() -> None:
    told = worth.front(row(x=500.0, beaten_from=430.0, beaten_by="rival"), BASS, PRICES, "EUR", "Rival")
    assert told.endswith("from 430 EUR (Rival) on it is more likely beaten than not; at its street price on the front.")


def test_where_bounds_decide_no_chance_is_told_but_what_is_known() -> None:
    # phrase 32 of the texts: "Value can't be told: its maximum SPL is only known to be at least 102.4 dB."
    bound = row(y=102.4, y_censored="at_least", beaten_reason=ONLY_BOUNDS)
    assert (
        worth.front(bound, LEVEL, PRICES, "EUR", "")
        == "Value can't be told: its compression-limited SPL is only known to be at least 102.4 dB."
    )
    rivals = worth.front(row(y=102.4, beaten_reason=ONLY_BOUNDS), LEVEL, PRICES, "EUR", "")
    assert rivals == "Value can't be told by compression-limited SPL: of rivals no dearer only bounds are known."
    assert "%" not in rivals


@pytest.mark.parametrize(
    ("beats", "said"),
    [("better", "better than expected"), ("worse", "worse than expected"), ("as_expected", "as expected")],
)
def test_what_its_price_leads_to_expect_names_value_interval_and_makers(beats: str, said: str) -> None:
    found = row(beats=beats, expected=5.3, low=3.0, high=7.6, makers=4)
    assert worth.expected(found, PREFERENCE, "standmount") == [
        f"At this price standmounts score 5.3 points (3.0 to 7.6; 4 makers); it scores 5.4: {said}."
    ]
    assert worth.expected(row(), PREFERENCE, "standmount") == []
    assert worth.expected({}, PREFERENCE, "standmount") == []


def test_a_speaker_without_a_price_is_not_judged(field: Database) -> None:
    slugs = field.list()["speaker"].to_list()
    priced = [s for s in slugs if field.facts(s).prices]
    assert worth.sentences(field, next(s for s in slugs if s not in priced)) == [
        "Not judged: no price is recorded for it."
    ]


def test_what_cannot_be_set_against_a_price_is_told_with_the_reason(
    field: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: Any, **__: Any) -> Any:
        raise RequestError("nobody knows")

    class Facts:
        prices = [{"kind": "street", "price": 400.0, "currency": "EUR", "per": "pair"}]  # noqa: RUF012
        values = {"kind": "monitor"}  # noqa: RUF012

    monkeypatch.setattr(Database, "facts", lambda *_: Facts)
    monkeypatch.setattr(relating, "tradeoff", refuse)
    assert worth.sentences(field, "sill-2") == [
        "A pair costs street 400 EUR; its rivals are the monitors.",
        "By predicted preference, LF extension (−6 dB) and programme SPL for the money: not judged, nobody knows.",
    ]
    monkeypatch.setattr(Facts, "values", {"kind": None})
    assert worth.sentences(field, "sill-2") == [
        "A pair costs street 400 EUR.",
        "Whether it is worth that is not judged: its kind is unknown.",
    ]
