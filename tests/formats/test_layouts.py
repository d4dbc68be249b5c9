"""A shelf of old exports: eight layouts, 25 folders each, come in with one folder.toml a layout and one sheet."""

from __future__ import annotations

import numpy as np
import pytest

from speakerdb import derive
from speakerdb.formats import content_hash, find_sessions, read_session, read_sheet, read_sources
from tests.formats.layouts import LAYOUTS, write_shelf
from tests.once import copy_of

PER_LAYOUT = 25


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    place = copy_of("shelf", lambda root: write_shelf(root / "old", root / "plain", PER_LAYOUT), tmp_path_factory)
    return place, read_sheet(place / "old" / "sessions.csv")


def test_every_folder_is_found(shelf):
    place, sheet = shelf
    assert len(find_sessions(place / "old", sheet)) == len(LAYOUTS) * PER_LAYOUT == 200
    assert len(find_sessions(place / "old")) == 200  # the folder.toml alone say enough to find them


@pytest.mark.parametrize("layout", [layout.name for layout in LAYOUTS])
def test_every_session_equals_its_plain_form(shelf, layout):
    place, sheet = shelf
    for number in range(PER_LAYOUT):
        name = f"{layout}/s{number:02d}"
        old = read_session(place / "old" / name, place / "old", sheet)
        plain = read_session(place / "plain" / name)
        assert old.info == plain.info
        assert content_hash(old) == content_hash(plain)
        for a, b in zip(old.blocks, plain.blocks, strict=True):  # to the digit, so that every metric is equal
            np.testing.assert_array_equal(a.frequency_hz, b.frequency_hz)
            np.testing.assert_array_equal(a.horizontal, b.horizontal)
            np.testing.assert_array_equal(a.angle_deg, b.angle_deg)
            np.testing.assert_array_equal(a.level_db, b.level_db)


def test_every_metric_is_equal(shelf):  # of five in each layout: that all curves are equal to the digit stands above
    place, sheet = shelf
    names = [f"{layout.name}/s{number:02d}" for layout in LAYOUTS for number in range(0, PER_LAYOUT, 5)]
    old = derive.derive([derive.to_grid(read_session(place / "old" / n, place / "old", sheet)) for n in names]).values
    plain = derive.derive([derive.to_grid(read_session(place / "plain" / n)) for n in names]).values
    assert np.isfinite(old.value).any(axis=1).all()
    np.testing.assert_array_equal(old.value, plain.value)
    np.testing.assert_array_equal(old.censored, plain.censored)
    assert old.reason == plain.reason


@pytest.mark.parametrize("layout", [layout.name for layout in LAYOUTS])
def test_the_kept_sources_suffice_to_read_an_old_export_again(shelf, layout):
    place, sheet = shelf
    session = read_session(place / "old" / layout / "s03", place / "old", sheet)
    again = read_sources("kept", session.sources)
    assert again.info == session.info
    assert content_hash(again) == content_hash(session)
