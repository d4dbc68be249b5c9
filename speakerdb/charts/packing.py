"""Charts as a page carries them: rows as columns, and what stands several times written once.

Numbers become whole numbers (times a power of ten), their steps where those are shorter; text its runs; a column that
repeats itself one round of it. `unpack` in charts.js is the other side, and tests/charts/test_packing.py holds both to
each other.
"""

from __future__ import annotations

import json
from collections import Counter
from itertools import groupby, pairwise
from typing import Any

_MOST_DECIMALS = 6
_WORTH = 24  # characters from which a part that stands twice is written once


def packed(charts: dict[str, Any]) -> str:
    """Specifications by name as one JSON text: {"shared": [part, …], "charts": {name: specification}}."""
    with_columns = {name: _columns(spec) for name, spec in charts.items()}
    counts: Counter[str] = Counter()
    _count(with_columns, counts)
    shared: dict[str, int] = {}
    parts: list[Any] = []
    drawn = {name: _share(spec, counts, shared, parts) for name, spec in with_columns.items()}
    return _text({"shared": parts, "charts": drawn})


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), sort_keys=True).replace("<", "\\u003c")


def _columns(node: Any) -> Any:
    """The same with each data set as {"$rows": number, "of": {column: packed}}."""
    if isinstance(node, list):
        return [_columns(inner) for inner in node]
    if not isinstance(node, dict):
        return node
    return {
        key: {name: _table(rows) for name, rows in inner.items()} if key == "datasets" else _columns(inner)
        for key, inner in node.items()
    }


def _table(rows: str | list[dict[str, Any]]) -> Any:
    found: list[dict[str, Any]] = json.loads(rows) if isinstance(rows, str) else rows
    names = list(dict.fromkeys(name for row in found for name in row))
    if any(len(row) != len(names) or isinstance(v, list | dict) for row in found for v in row.values()):
        return found  # rows of several shapes: as they are
    return {"$rows": len(found), "of": {name: column([row[name] for row in found]) for name in names}}


def column(values: list[Any]) -> Any:
    """One column, packed the shortest way known."""
    if len(set(map(repr, values))) == 1:
        return {"is": values[0]}
    period = _period(values)
    if period < len(values):
        return {"again": column(values[:period])}
    ways: list[Any] = [values]
    numbers = [v for v in values if v is not None]
    if numbers and all(isinstance(v, int | float) and not isinstance(v, bool) for v in numbers):
        ways += _numbers(values, numbers)
    else:
        ways.append({"runs": [[value, len(list(run))] for value, run in groupby(values)]})
    return min(ways, key=lambda way: len(_text(way)))


def _period(values: list[Any]) -> int:
    """The length of the shortest round that the values repeat whole."""
    for period in range(2, len(values) // 2 + 1):
        if len(values) % period == 0 and values[:period] * (len(values) // period) == values:
            return period
    return len(values)


def _numbers(values: list[Any], numbers: list[float]) -> list[Any]:
    decimals = next((d for d in range(_MOST_DECIMALS + 1) if all(round(v, d) == v for v in numbers)), None)
    if decimals is None:
        return []
    whole = [None if v is None else round(v * 10**decimals) for v in values]
    ways: list[Any] = [{"e": decimals, "n": whole}]
    if None not in whole:
        steps = [whole[0], *(b - a for a, b in pairwise(whole))]  # type: ignore[operator]
        ways.append({"e": decimals, "steps": steps})
    return ways


def _count(node: Any, counts: Counter[str]) -> None:
    if isinstance(node, dict | list):
        text = _text(node)
        if len(text) >= _WORTH:
            counts[text] += 1
            if counts[text] > 1:
                return  # its parts stand in it once
        for inner in node.values() if isinstance(node, dict) else node:
            _count(inner, counts)


def _share(node: Any, counts: Counter[str], shared: dict[str, int], parts: list[Any]) -> Any:
    if not isinstance(node, dict | list):
        return node
    text = _text(node)
    if counts[text] > 1 and text in shared:
        return {"$": shared[text]}
    inner: Any = (
        {key: _share(value, counts, shared, parts) for key, value in node.items()}
        if isinstance(node, dict)
        else [_share(value, counts, shared, parts) for value in node]
    )
    if counts[text] < 2:
        return inner
    shared[text] = len(parts)
    parts.append(inner)
    return {"$": shared[text]}
