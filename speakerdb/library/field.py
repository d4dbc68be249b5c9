"""The field: every speaker in every setting with its facts, prices, pooled values and curves, read once per state."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import polars as pl

from speakerdb.analysis import judging
from speakerdb.analysis.judging import Interval
from speakerdb.dictionary import METRICS
from speakerdb.store import Store
from speakerdb.store.reading import levels

PRICE_PREFERENCE = ("street", "list")  # the kind that stands for "the price" where none is chosen: never a sale price


class Field:
    """What comparisons are made over, cached for as long as the file's state stays the same.

    Rows (one per speaker and setting) keep one order throughout: speaker slug, then setting.
    """

    def __init__(self, store: Store) -> None:
        self._store = store
        self._frames: dict[object, pl.DataFrame] = {}
        self._curves: dict[str, np.ndarray[Any, Any]] = {}
        self._figures: dict[str, Interval] = {}
        self.base = store.frame(
            """
            SELECT f.*, ss.setting, ss.is_default, ss.sessions
            FROM speaker_facts f JOIN speaker_setting ss USING (speaker_id) ORDER BY f.speaker, ss.setting
            """
        )
        self._default_values: pl.DataFrame | None = None
        self._prices = store.frame("SELECT * FROM current_price")

    def currencies(self) -> list[str]:
        """Currencies that prices are held in, the commonest first."""
        counts = self._prices.group_by("currency").len().sort(["len", "currency"], descending=[True, False])
        return counts["currency"].to_list()

    def frame(
        self,
        currency: str | None = None,
        price_kind: str | None = None,
        rates: Mapping[tuple[str, str], float] | None = None,
    ) -> pl.DataFrame:
        """The field with `price` (a pair, newest of its kind), `price_kind`, `price_date`, `currency`, `price_reason`.

        currency None: the commonest. price_kind None: street, else list. Prices in other currencies count only where
        rates has (from, to); price_reason says why a price that is known can't be compared.
        """
        key = (currency, price_kind, tuple(sorted(rates.items())) if rates else ())
        if key not in self._frames:
            known = self.currencies()
            chosen = currency or (known[0] if known else None)
            kinds = PRICE_PREFERENCE if price_kind is None else (price_kind,)
            factor = {c: 1.0 if c == chosen else (rates or {}).get((c, chosen or "")) for c in known}
            prices = self._prices.filter(pl.col("kind").is_in(kinds)).with_columns(
                rate=pl.col("currency").replace_strict(factor, return_dtype=pl.Float64, default=None),
                order=pl.col("kind").replace_strict(kinds, range(len(kinds)), return_dtype=pl.Int8),
            )
            usable = (
                prices.filter(pl.col("rate").is_not_null())
                .sort("speaker_id", "order", pl.col("currency").ne_missing(pl.lit(chosen, pl.String)), "currency")
                .unique("speaker_id", keep="first", maintain_order=True)
                .select("speaker_id", price=pl.col("price_pair") * pl.col("rate"), price_kind="kind", price_date="date")
            )
            foreign = (
                prices.filter(pl.col("rate").is_null())
                .sort("speaker_id", "order", "currency")
                .unique("speaker_id", keep="first", maintain_order=True)
                .select("speaker_id", price_reason=pl.format(f"price in {{}} only: no rate to {chosen}", "currency"))
                .join(usable, on="speaker_id", how="anti")
            )
            self._frames[key] = (
                self.base.join(usable, on="speaker_id", how="left", maintain_order="left")
                .join(foreign, on="speaker_id", how="left", maintain_order="left")
                .with_columns(currency=pl.lit(chosen, pl.String))
            )
        return self._frames[key]

    def values(self, metric_id: str) -> pl.DataFrame:
        """Pooled values of one metric: speaker_id, setting and the columns of pooled_value."""
        return self._store.frame(
            "SELECT v.* EXCLUDE (metric_no) FROM pooled_value v JOIN metric m USING (metric_no) WHERE m.id = ?",
            [metric_id],
        )

    def figures(self, metric_ids: Sequence[str]) -> dict[str, Interval]:
        """Pooled values as intervals, one entry per row of `base`: open where censored, with the reason where withheld."""
        wanted = [m for m in metric_ids if m not in self._figures]
        if wanted:
            found = self._store.frame(
                """
                SELECT v.speaker_id, v.setting, m.id AS metric, v.value, v.censored, v.status, v.reason
                FROM pooled_value v JOIN metric m USING (metric_no) WHERE list_contains(?, m.id)
                """,
                [wanted],
            )
            rows = self.base.select("speaker_id", "setting")
            for metric in wanted:
                mine = found.filter(pl.col("metric") == metric)
                part = rows.join(mine, on=["speaker_id", "setting"], how="left", maintain_order="left").with_columns(
                    value=pl.when(pl.col("status") == "ok").then("value"),
                    reason=pl.format(
                        "{} withheld: {}",
                        pl.lit(METRICS[metric].label.lower()),
                        pl.col("reason").fill_null("not worked out yet; run `speakerdb derive`"),
                    ),
                )
                self._figures[metric] = judging.interval(
                    part["value"].fill_null(float("nan")).to_numpy(),
                    part["censored"].fill_null("none").to_numpy(),
                    part["reason"].to_numpy(),
                )
        return {m: self._figures[m] for m in metric_ids}

    def default_values(self) -> pl.DataFrame:
        """Every value that stands in comparisons: speaker, metric, value, censored; default settings, not withheld."""
        if self._default_values is None:
            self._default_values = self._store.frame(
                """
                SELECT sp.slug AS speaker, m.id AS metric, v.value, v.censored
                FROM pooled_value v JOIN speaker_setting ss USING (speaker_id, setting) JOIN speaker sp USING (speaker_id)
                JOIN metric m USING (metric_no) WHERE ss.is_default AND v.status = 'ok' ORDER BY m.metric_no, sp.slug
                """
            )
        return self._default_values

    def curves(self, parts: Sequence[str]) -> dict[str, np.ndarray[Any, Any]]:
        """Pooled curves: part -> (rows of `base`, 199) float32, NaN where a speaker has none."""
        wanted = [p for p in parts if p not in self._curves]
        if wanted:
            row = {
                key: i
                for i, key in enumerate(
                    zip(self.base["speaker_id"].to_list(), self.base["setting"].to_list(), strict=True)
                )
            }
            for part in wanted:
                found = self._store.frame("SELECT speaker_id, setting, level FROM pooled_curve WHERE part = ?", [part])
                array = np.full((len(self.base), 199), np.nan, np.float32)
                if len(found):
                    where = [
                        row[key] for key in zip(found["speaker_id"].to_list(), found["setting"].to_list(), strict=True)
                    ]
                    array[where] = levels(found["level"])
                self._curves[part] = array
        return {p: self._curves[p] for p in parts}
