"""What stands beside a value: that it is one of two, that noise may make most of it, that sessions disagree, that the
bench stopped before the speaker did."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from speakerdb.metrics import METRICS

_WHY = {
    "response": "in between, the response comes within its error of the limit",
    "directivity": "in between, the pattern comes within its error of the limit",
}


def cautions(shown: pl.DataFrame) -> list[str]:
    """Sentences on the rows of `show`: pooled values that are one of two, values that noise limits, sessions that
    disagree; and what stands beside values of sessions."""
    pooled = shown.filter(pl.col("session").is_null() & (pl.col("status") == "ok"))
    several = pooled["setting"].n_unique() > 1
    found = []
    for row in pooled.filter(pl.col("other_value").is_not_null()).iter_rows(named=True):
        metric = METRICS[row["metric"]]
        where = f" ({row['setting']})" if several else ""
        found.append(
            f"{metric.label}{where}: {metric.quantity.text(row['value'], row['censored'])}, or "
            f"{metric.quantity.text(row['other_value'])} in "
            f"{max(round(100 * row['other_share']), 1)} of 100 repeats: {_WHY[metric.group]}"
        )
    for flag, words in (
        (
            "noise_limited",
            "part of the value may be noise of the measurement; the interval reaches to where it would lie without",
        ),
        ("disagree", "sessions disagree by more than their errors, so the interval is widened"),
    ):
        names = [
            METRICS[m].phrase
            for m in pooled.filter(pl.col(flag).fill_null(False))["metric"].unique(maintain_order=True)
        ]
        if names:
            found.append(f"{_listed(names)}: {words}")
    single = shown.filter(pl.col("session").is_not_null() & (pl.col("status") == "ok") & pl.col("reason").is_not_null())
    for (reason,), rows in single.group_by("reason", maintain_order=True):
        names = [METRICS[m].phrase for m in rows["metric"].unique(maintain_order=True)]
        found.append(f"{_listed(names)}: {reason}")
    return found


def _listed(names: Sequence[str]) -> str:
    """The first of many by name, the rest by their number; the first letter of a sentence."""
    shown = "; ".join(names) if len(names) <= 4 else f"{'; '.join(names[:3])} and {len(names) - 3} more"
    return shown[:1].upper() + shown[1:]
