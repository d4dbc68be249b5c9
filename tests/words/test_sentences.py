"""Numbers and sentences as they are told."""

from __future__ import annotations

from speakerdb.words.compare_words import contrast_words


def test_contrasts_are_told_once_each_and_the_commonest_of_the_rest():
    rows = [("f6_hz", "one lab"), ("flatness_window_db", "all sessions"), ("preference", "all sessions")]
    assert contrast_words(rows) == ["one lab (bass limit −6 dB)", "all sessions (all other rows)"]
    assert contrast_words(rows[1:]) == ["all sessions"]
    assert contrast_words([]) == []
