"""Which files hold a session's responses, and in which form."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from speakerdb.formats.columns import map_of, mapped_files
from speakerdb.formats.problems import Problems
from speakerdb.formats.tables import RESPONSES, TABLE_SUFFIXES, find_table
from speakerdb.formats.traces import trace_files
from speakerdb.formats.view import FolderView

SOFA_SUFFIX = ".sofa"

Form = Literal["plain", "sofa", "mapped", "traces"]


@dataclass(frozen=True)
class ResponseFiles:
    """Files that hold the responses, with the values that stand in their names; the map to read them by."""

    form: Form
    files: Sequence[tuple[str, dict[str, float]]]
    said: Mapping[str, Any]


def find_responses(view: FolderView, said: Mapping[str, Any], problems: Problems) -> ResponseFiles | None:
    """The responses of a folder, by [traces], by [columns], or by their usual names; None where there are none.

    Two sets of responses in one folder are a defect.
    """
    before = len(problems.items)
    found = []
    traces = trace_files(view, said.get("traces", {}))
    if traces:
        found.append(ResponseFiles("traces", traces, said.get("traces", {})))
    mapping = map_of(said.get("columns", {}), RESPONSES)
    if mapping is not None and "file" in mapping:
        mapped = mapped_files(view, RESPONSES, mapping, problems)
        if mapped:
            found.append(ResponseFiles("mapped", mapped, mapping))
            mapping = None
    usual = find_table(view, RESPONSES.name, (*TABLE_SUFFIXES, SOFA_SUFFIX), problems)
    if usual is not None and not any(name == usual for f in found for name, _ in f.files):
        form: Form = "sofa" if usual.endswith(SOFA_SUFFIX) else "plain"
        if form == "plain" and mapping is not None and "file" not in mapping:
            form = "mapped"
        found.append(ResponseFiles(form, [(usual, {})], mapping or {}))
    if len(found) > 1:
        names = " and ".join(f.files[0][0] + (" …" if len(f.files) > 1 else "") for f in found)
        problems.add(f"responses twice: {names}", "one set of responses in a folder", file=found[1].files[0][0])
    return found[0] if len(problems.items) == before and found else None
