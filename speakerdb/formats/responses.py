"""A session's responses: which files hold them, in which form, and reading them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from speakerdb.formats.columns import map_of, mapped_files, read_mapped
from speakerdb.formats.curves import blocks_of
from speakerdb.formats.problems import Problems
from speakerdb.formats.sofa_in import read_sofa
from speakerdb.formats.tables import RESPONSES, TABLE_SUFFIXES, find_table, read_table
from speakerdb.formats.traces import read_traces, trace_files
from speakerdb.formats.view import FolderView
from speakerdb.session import CurveBlock, SphereBlock

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


def read_responses(
    view: FolderView, found: ResponseFiles, problems: Problems, *, level_is: str | None
) -> tuple[tuple[CurveBlock, ...], SphereBlock | None]:
    """Read the files that `find_responses` found; empty with problems noted. level_is: what the keys say, if
    anything."""
    name = found.files[0][0]
    if found.form == "sofa":
        content = view.read(name, problems)
        if level_is is None:
            problems.warn(
                f"{name}: taken as pressures in pascal; SOFA files do not say so, level_is in session.toml does"
            )
        if content is None:
            return (), None
        return read_sofa(name, content, level_is=level_is, problems=problems)
    if found.form == "traces":
        table = read_traces(view, found.files, found.said, problems)
    elif found.form == "mapped":
        table = read_mapped(view, RESPONSES, found.files, found.said, problems)
    else:
        table = read_table(view, name, RESPONSES, problems)
    return (blocks_of(table, problems, foreign=found.form != "plain") if table is not None else ()), None
