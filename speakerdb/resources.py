"""Finds method/, schemas/, queries/ and seed_data/: inside the installed package, else at the repository's root."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def resource_dir(name: str) -> Path:
    """Return the folder `name` (method, schemas, queries or seed_data); raises FileNotFoundError where neither place
    has it."""
    for place in (_PACKAGE / name, _PACKAGE.parent / name):
        if place.is_dir():
            return place
    raise FileNotFoundError(f"folder {name!r} is neither in {_PACKAGE} nor beside it: the installation is incomplete")
