"""Benches against each other, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.questions.labs import Offsets

if TYPE_CHECKING:
    import polars as pl


def tell(answer: Offsets) -> None:
    import polars as pl

    from speakerdb.statistics.error_model import bench_words

    for a, b, speakers, same in answer.pairs.iter_rows():
        units = "by the same unit" if same == len(speakers) else f"{same} of them by the same unit"
        terminal.line(f"{bench_words(a)} − {bench_words(b)}: {len(speakers)} in common, {units}: {', '.join(speakers)}")
        mine = answer.rows.filter(bench_a=a, bench_b=b)
        told = mine.filter(pl.col("offset").is_not_null())
        if len(told):
            terminal.table(
                ["metric", "unit", "offset", "95 % interval", "sd", "left once aligned", "q", "speakers"],
                [_lab_offset(r) for r in told.iter_rows(named=True)],
                right=(2, 3, 4, 5, 6, 7),
            )
        _no_offsets(mine, some=len(told) > 0)
        for pair in answer.curves:
            if (pair["to_bench"], pair["bench"]) == (a, b):
                terminal.line(_bench_curves(pair))
        terminal.line()
    terminal.line("q allows 5 % false discoveries over all rows.")
    terminal.cautions(answer.cautions)


def _no_offsets(rows: pl.DataFrame, *, some: bool) -> None:
    """Why metrics have no offset; where none has one, in one line."""
    from speakerdb.analysis.offsets import LEAST_SHARED

    if not some and len(rows) > 1:
        terminal.line(f"No metric has an offset: each needs {LEAST_SHARED} speakers that have it from both.")
        return
    for (reason,), group in rows.drop_nulls("reason").group_by("reason", maintain_order=True):
        terminal.line(f"No offset ({', '.join(group['metric'])}): {reason}")


def _lab_offset(r: dict[str, Any]) -> list[str]:
    m = terminal.metric_of(r["metric"])
    finer = m.quantity.finer(r["unit"])
    return [
        m.label,
        r["unit"],
        finer.number(r["offset"]),
        finer.interval(r["low"], r["high"]),
        finer.number(r["sd"]),
        finer.interval(r["left_low"], r["left_high"]) or "–",
        figures.p_value(r["q"]),
        str(r["speakers"]),
    ]


def _bench_curves(pair: dict[str, Any]) -> str:
    level = "" if pair["level_db"] is None else f" and by {figures.number(pair['level_db'], 2)} dB in level"
    shape = f"{figures.number(pair['shape_db'], 2)} dB RMS apart in shape"
    apart = f"Listening windows, 100 Hz–10 kHz: {shape}{level}, by {pair['specimens']} specimens"
    if pair["aligned"]:
        return f"{apart}; aligned, which leaves {figures.number(pair['residual_sd_db'], 2)} dB."
    why = f" ({pair['reason']})" if pair["reason"] else ": `speakerdb derive --adopt` does"
    return f"{apart}; not aligned{why}."
