"""Numbers and sentences as they are told."""

from __future__ import annotations

from speakerdb.words.compare_words import contrast_words
from speakerdb.words.sentences import alike


def test_a_change_and_its_interval_have_the_same_digits():
    assert alike([2.214, 0.817, 3.612, None]) == ["+2.21", "+0.82", "+3.61", "–"]
    assert alike([-34.21, -43.04, -23.96]) == ["−34.2", "−43.0", "−24.0"]
    assert alike([1234.0, -5.0]) == ["+1234", "−5"]
    assert alike([0.0, None]) == ["+0", "–"]
    assert alike([-0.0001, 3.0]) == ["+0.00", "+3.00"]  # what prints as 0 has no minus


def test_contrasts_are_told_once_each_and_the_commonest_of_the_rest():
    rows = [("f6_hz", "one lab"), ("flatness_window_db", "all sessions"), ("preference", "all sessions")]
    assert contrast_words(rows) == ["one lab (bass limit −6 dB)", "all sessions (all other rows)"]
    assert contrast_words(rows[1:]) == ["all sessions"]
    assert contrast_words([]) == []
