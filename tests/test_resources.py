"""The folders that ship with the package are found."""

import pytest

from speakerdb.resources import resource_dir


@pytest.mark.parametrize("name", ["method", "schemas", "queries", "seed_data"])
def test_each_resource_folder_is_found_and_not_empty(name):
    assert any(resource_dir(name).iterdir())


def test_a_missing_folder_is_named():
    with pytest.raises(FileNotFoundError, match="no_such_folder"):
        resource_dir("no_such_folder")
