"""Numbers as people read them, against cases worked by hand."""

from __future__ import annotations

import math
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from speakerdb import figures
from speakerdb.figures import Quantity
from speakerdb.metrics import METRICS

THIN = "\N{NARROW NO-BREAK SPACE}"
TRUE_MINUS = "\N{MINUS SIGN}"
LEVEL, ANGLE, LIMIT = Quantity("dB", 1), Quantity("°", 0), Quantity("Hz", 1, ratio=True)


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (-0.04, 1, "0.0"),
        (0.04, 1, "0.0"),
        (-0.0, 0, "0"),
        (-1.26, 1, f"{TRUE_MINUS}1.3"),
        (1.26, 1, "1.3"),
        (12345.6, 0, f"12{THIN}346"),
        (8900.0, 0, "8900"),
        (9999.4, 0, "9999"),
        (9999.6, 0, f"10{THIN}000"),
        (-1234567.25, 1, f"{TRUE_MINUS}1{THIN}234{THIN}567.2"),
        (10000, 2, f"10{THIN}000.00"),
        (7, 0, "7"),
        (0.25, 1, "0.2"),
        (0.75, 1, "0.8"),
        (2.5, 0, "2"),
        (3.5, 0, "4"),
        (0.15, 1, "0.1"),
        (None, 1, "–"),
        (math.nan, 1, "–"),
        (math.inf, 1, "–"),
        (-math.inf, 0, "–"),
    ],
)
def test_a_number_is_rounded_first_then_written(value, decimals, text):
    assert figures.number(value, decimals) == text


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (1.26, 1, "+1.3"),
        (-0.44, 1, f"{TRUE_MINUS}0.4"),
        (0.04, 1, "0.0"),
        (-0.04, 1, "0.0"),
        (12345, 0, f"+12{THIN}345"),
        (None, 1, "–"),
    ],
)
def test_a_change_has_a_sign_unless_it_rounds_to_nothing(value, decimals, text):
    assert figures.number(value, decimals, signed=True) == text


@given(st.floats(-1e9, 1e9), st.integers(0, 4))
def test_a_number_reads_back_to_within_half_a_step(value, decimals):
    text = figures.number(value, decimals)
    back = float(text.replace(THIN, "").replace(TRUE_MINUS, "-"))
    assert abs(back - value) <= 0.5 * 10**-decimals + 1e-6 * abs(value) * 1e-6
    assert (back < 0) == text.startswith(TRUE_MINUS)
    assert (THIN in text) == (abs(back) >= 10_000)
    assert figures.number(-value, decimals).removeprefix(TRUE_MINUS) == text.removeprefix(TRUE_MINUS)


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (2.83, 6, "2.83"),
        (3.0, 6, "3"),
        (-0.5, 6, f"{TRUE_MINUS}0.5"),
        (0.0, 6, "0"),
        (1234.5, 3, "1234"),
        (123456.0, 3, f"123{THIN}456"),
        (0.1 + 0.2, 6, "0.3"),
        (22.4, 3, "22.4"),
        (0.012345, 2, "0.012"),
        (100.0, 3, "100"),
        (0.00002, 2, "0.00002"),
        (9.9999999, 3, "10"),
        (None, 6, "–"),
        (math.nan, 6, "–"),
    ],
)
def test_a_plain_number_has_no_more_digits_than_it_needs(value, digits, text):
    assert figures.plain(value, digits) == text


def test_changes_that_stand_together_have_the_same_digits():
    assert figures.alike([2.214, 0.817, 3.612, None]) == ["+2.21", "+0.82", "+3.61", "–"]
    assert figures.alike([-34.21, -43.04, -23.96]) == ["−34.2", "−43.0", "−24.0"]
    assert figures.alike([1234.0, -5.0]) == ["+1234", "−5"]
    assert figures.alike([12345.0, -5.0]) == [f"+12{THIN}345", "−5"]
    assert figures.alike([0.0, None, math.nan]) == ["0", "–", "–"]
    assert figures.alike([-0.0001, 3.0]) == ["0.00", "+3.00"]  # what prints as 0 has no sign


@pytest.mark.parametrize(
    ("quantity", "value", "censored", "text"),
    [
        (LEVEL, 105.04, "at_least", "≥ 105.0 dB"),
        (LEVEL, 20.06, "at_most", "≤ 20.1 dB"),
        (LEVEL, -0.04, "none", "0.0 dB"),
        (LEVEL, 1.0, None, "1.0 dB"),
        (LEVEL, None, "at_least", "–"),
        (LEVEL, math.nan, "none", "–"),
        (ANGLE, -12.0, "none", "−12°"),
        (Quantity("EUR", 0), 12345.6, "none", f"12{THIN}346 EUR"),
        (Quantity(), 2.5, "none", "2.5"),
        (Quantity("m"), 3.0, "at_most", "≤ 3 m"),
    ],
)
def test_a_value_has_its_sign_of_censoring_and_its_unit(quantity, value, censored, text):
    assert quantity.text(value, censored) == text


def test_a_bound_in_a_sentence_is_told_in_words():
    assert LEVEL.said(105.04, "at_least") == "at least 105.0 dB"
    assert LEVEL.said(-1.26, "at_most") == "at most −1.3 dB"
    assert LEVEL.said(105.04) == "105.0 dB"
    assert LEVEL.said(None, "at_least") == "–"


def test_a_value_that_is_one_of_two_names_both():
    assert LIMIT.number(52.04, "none", 249.0) == "52.0 or 249.0"
    assert LIMIT.number(52.04, "at_most", None) == "≤ 52.0"
    assert LIMIT.number(None, "none", None) == "–"


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (41.21, 44.04, "41.2 to 44.0"),
        (None, 44.04, "≤ 44.0"),
        (41.21, None, "≥ 41.2"),
        (None, None, ""),
        (-math.inf, 44.04, "≤ 44.0"),
        (41.21, math.nan, "≥ 41.2"),
        (-1.26, 0.04, "−1.3 to 0.0"),
    ],
)
def test_an_interval_is_open_where_an_end_is_not_known(low, high, text):
    assert LIMIT.interval(low, high) == text
    assert LIMIT.interval_text(low, high) == (f"{text} Hz" if text else "")


def test_a_value_is_told_with_its_interval_in_the_same_digits():
    assert LIMIT.told(42.96, 41.21, 44.04) == "43.0 Hz (41.2 to 44.0)"
    assert LEVEL.told(105.04, 104.0, None, "at_least") == "≥ 105.0 dB"
    assert LEVEL.told(105.04, None, None) == "105.0 dB"


def test_differences_of_what_is_judged_by_ratio_are_ratios():
    assert LIMIT.difference(1.2999) == "× 1.30"
    assert LIMIT.difference_text(1.2999) == "× 1.30"
    assert LIMIT.difference_interval(1.274, 1.336) == "1.27 to 1.34"
    assert LIMIT.difference(None) == "–"
    assert LEVEL.difference(-1.26) == "−1.3"
    assert LEVEL.difference_text(1.26, signed=True) == "+1.3 dB"
    assert LEVEL.difference_interval(None, 0.94) == "≤ 0.9"


def test_a_step_gives_the_decimals():
    assert [Quantity.stepped("", step).decimals for step in (1.0, 0.1, 0.01, 5.0, 0.5)] == [0, 1, 2, 0, 1]


def test_every_metric_is_written_in_its_step_and_unit():
    for metric in METRICS.values():
        what = metric.quantity
        assert what.unit == metric.unit
        assert what.ratio == (metric.scale == "log")
        assert what.decimals is not None
        assert round(metric.step, what.decimals) == metric.step, metric.id
        assert what.decimals == 0 or round(metric.step, what.decimals - 1) != metric.step, metric.id


def test_metrics_have_the_digits_of_their_step_a_true_minus_and_no_negative_zero():
    balance, limit, angle = (METRICS[m].quantity for m in ("bass_balance_db", "f6_hz", "tone_left_deg"))
    assert balance.text(-1.24) == "−1.2 dB"
    assert balance.text(-0.04) == "0.0 dB"
    assert limit.text(41.26, "at_most") == "≤ 41.3 Hz"
    assert angle.text(42.0) == "42°"
    assert limit.interval_text(None, 43.0) == "≤ 43.0 Hz"


def test_places_and_counts():
    assert figures.span(3, 9) == "3–9"
    assert figures.span(4, 4) == "4"
    assert figures.span(9_999, 10_001) == f"9999–10{THIN}001"
    assert figures.span(None, 4) == "–"
    assert [figures.ordinal(n) for n in (1, 2, 3, 4, 11, 12, 13, 21, 102, 111)] == [
        "1st",
        "2nd",
        "3rd",
        "4th",
        "11th",
        "12th",
        "13th",
        "21st",
        "102nd",
        "111th",
    ]
    assert figures.count(1, "speaker") == "1 speaker"
    assert figures.count(12_346, "speaker") == f"12{THIN}346 speakers"
    assert figures.count(2, "near miss", "near misses") == "2 near misses"


def test_shares_and_probabilities():
    assert [figures.percent(p) for p in (0.95, 0.025, 0.975, 1.0, 0.0, None)] == [
        "95 %",
        "2.5 %",
        "97.5 %",
        "100 %",
        "0 %",
        "–",
    ]
    assert [figures.probability(p) for p in (0.0, 0.009, 0.01, 0.624, 0.99, 0.991, 1.0, None, math.nan)] == [
        "< 1 %",
        "< 1 %",
        "1 %",
        "62 %",
        "99 %",
        "> 99 %",
        "> 99 %",
        "–",
        "–",
    ]
    assert [figures.p_value(p) for p in (0.0123, 0.5, 1.0, 0.000012, 0.00012, None)] == [
        "0.012",
        "0.5",
        "1",
        "< 0.0001",
        "0.00012",
        "–",
    ]
    assert figures.p_text("p", 0.0123) == "p = 0.012"
    assert figures.p_text("q", 1e-9) == "q < 0.0001"


def test_frequencies_times_and_sizes():
    assert [figures.hertz(f) for f in (80, 31.5, 2500, 10_000, 999, 79.43)] == [
        "80 Hz",
        "32 Hz",
        "2.5 kHz",
        "10 kHz",
        "1 kHz",
        "79 Hz",
    ]
    assert figures.hertz(1234.0, 3) == "1.23 kHz"
    assert figures.band(50, 100) == "50–100 Hz"
    assert figures.band(100, 10_000) == "100 Hz–10 kHz"
    assert figures.band(2000, 10_000) == "2–10 kHz"
    assert [figures.duration(h) for h in (12.4, 2.54, 0.2, 40 / 3600, None, math.inf)] == [
        "12 h",
        "2.5 h",
        "12 min",
        "40 s",
        "–",
        "–",
    ]
    assert [figures.price(12_345.6, "EUR"), figures.price(8900), figures.price(None, "EUR")] == [
        f"12{THIN}346 EUR",
        "8900",
        "–",
    ]
    assert figures.megabytes(6_440_000) == "6.4 MB"


def test_a_label_in_a_sentence_starts_small_unless_it_is_an_abbreviation():
    assert figures.phrase("LF extension (−6 dB)") == "LF extension (−6 dB)"
    assert figures.phrase("SPL at 40 Hz") == "SPL at 40 Hz"


def test_the_module_loads_nothing_beyond_the_standard_library():
    heavy = (
        "import sys; import speakerdb.figures; print([m for m in ('numpy', 'polars', 'duckdb', 'altair', 'rich') "
        "if m in sys.modules])"
    )
    assert (
        subprocess.run([sys.executable, "-c", heavy], capture_output=True, text=True, check=True).stdout.strip() == "[]"
    )
