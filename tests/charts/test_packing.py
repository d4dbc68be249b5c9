"""What is packed comes out again as it went in."""

from __future__ import annotations

import json
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from speakerdb.charts import packing, saving
from tests.charts import gallery

CELLS = st.one_of(
    st.none(), st.integers(-(10**6), 10**6), st.decimals(-1000, 1000, places=2).map(float), st.text(max_size=3)
)


def column(packed: Any, rows: int) -> list[Any]:
    """The other side, as charts.js has it."""
    if isinstance(packed, list):
        return packed
    if "is" in packed:
        return [packed["is"]] * rows
    if "again" in packed:
        once = column(packed["again"], 0)
        return [once[i % len(once)] for i in range(rows)]
    if "runs" in packed:
        return [value for value, count in packed["runs"] for _ in range(count)]
    scale = 10 ** packed["e"]
    if "n" in packed:
        return [None if whole is None else whole / scale for whole in packed["n"]]
    whole, found = 0, []
    for step in packed["steps"]:
        whole += step
        found.append(whole / scale)
    return found


def unpack(node: Any, shared: list[Any]) -> Any:
    if isinstance(node, list):
        return [unpack(inner, shared) for inner in node]
    if not isinstance(node, dict):
        return node
    if "$" in node:
        return unpack(shared[node["$"]], shared)
    plain = {key: unpack(inner, shared) for key, inner in node.items()}
    if "$rows" not in plain:
        return plain
    columns = {name: column(of, plain["$rows"]) for name, of in plain["of"].items()}
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


@given(st.lists(CELLS, min_size=1, max_size=12).flatmap(lambda once: st.integers(1, 4).map(lambda n: once * n)))
def test_a_column_comes_out_as_it_went_in(values: list[Any]) -> None:
    assert column(json.loads(json.dumps(packing.column(values))), len(values)) == values


def test_every_chart_comes_out_as_it_went_in_and_smaller() -> None:
    charts = {name: json.loads(saving.specification(draw(300))) for name, draw in gallery.charts().items()}
    text = packing.packed(charts)
    found = json.loads(text)
    for name, spec in charts.items():
        tables = {key: json.loads(rows) if isinstance(rows, str) else rows for key, rows in spec["datasets"].items()}
        assert unpack(found["charts"][name], found["shared"]) == {**spec, "datasets": tables}, name
    assert "<" not in text
    assert len(text) < 0.35 * len(json.dumps(charts))
