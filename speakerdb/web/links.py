"""Addresses of pages: as the server answers them, or as files of a published site."""

from __future__ import annotations

import posixpath
from collections.abc import Mapping
from typing import Protocol
from urllib.parse import quote, urlencode

Value = str | int | float | bool | None


class Links(Protocol):
    """Gives the address of a page; an empty text where it does not exist here (a site of files holds no forms)."""

    static: bool

    def __call__(self, path: str, /, **parameters: Value | list[str]) -> str: ...


def address(path: str, **parameters: Value | list[str]) -> str:
    """The path with its parameters in the order given; those that are None, empty or False are left out."""
    pairs: list[tuple[str, str]] = []
    for name, value in parameters.items():
        if isinstance(value, list):
            pairs += [(name, v) for v in value]
        elif value is True:
            pairs.append((name, "yes"))
        elif value not in (None, "", False):
            pairs.append((name, str(value)))
    return quote(path) + (f"?{urlencode(pairs)}" if pairs else "")


class LiveLinks:
    """Addresses on the server."""

    static = False

    def __call__(self, path: str, /, **parameters: Value | list[str]) -> str:
        return address(path, **parameters)


class FileLinks:
    """Addresses between files of a published site, relative to the page at `here`. files: address -> file name."""

    static = True

    def __init__(self, files: Mapping[str, str], here: str) -> None:
        self._files, self._here = files, here

    def __call__(self, path: str, /, **parameters: Value | list[str]) -> str:
        file = self._files.get(address(path, **parameters))
        return "" if file is None else quote(posixpath.relpath(file, posixpath.dirname(self._here) or "."))
