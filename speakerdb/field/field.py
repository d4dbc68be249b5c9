"""The field: every speaker in every setting with its facts, prices, pooled values and curves, read once per state."""

from __future__ import annotations

import json
from collections.abc import Callable, Hashable, Mapping, Sequence
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
import polars as pl
from cachetools import LRUCache

from speakerdb.analysis import judging
from speakerdb.analysis.judging import Interval
from speakerdb.analysis.metric_column import ENDS_OF, MetricColumn, off_scale, on_scale
from speakerdb.derive import Grouping
from speakerdb.field import error_models, mending, repeats
from speakerdb.metric import UNCERTAINTY, Metric
from speakerdb.metrics import METRICS
from speakerdb.statistics.benches import Benches, Pattern, loadings, reference_bench
from speakerdb.statistics.error_model import ErrorModel
from speakerdb.statistics.intervals import NORMAL, decode
from speakerdb.store import Store, equalised, session_rows, speakers, values
from speakerdb.store.pooled import bench_patterns
from speakerdb.store.reading import DrawTable, levels, session_draws
from speakerdb.terms import Target

PRICE_PREFERENCE = ("street", "list")  # the kind that stands for "the price" where none is chosen: never a sale price
KEPT_BYTES = 512 * 2**20  # what a field remembers of its answers, beside facts, figures and curves

NOT_EQUALISED = "its filters are not worked out; run `speakerdb derive --equalise`"
STALE = "worked out under an older error model; run `speakerdb derive`"
_IN_LINE = 0.1  # of one bench's variance: what is left after an alignment

Kept = TypeVar("Kept")


def _bytes_of(kept: object) -> int:
    """Of frames and arrays, also in a tuple or a data class; what is small beside them counts as nothing."""
    if isinstance(kept, pl.DataFrame):
        return int(kept.estimated_size())
    if isinstance(kept, np.ndarray):
        return kept.nbytes
    parts = kept if isinstance(kept, tuple) else vars(kept).values() if hasattr(kept, "__dict__") else ()
    return sum(map(_bytes_of, parts))


class Field:
    """What comparisons are made over, cached for as long as the file's state stays the same.

    Rows (one per speaker and setting) keep one order throughout: speaker slug, then setting. only: the speakers that
    the question is about, where it needs no other: then everything about them is read at once. whole: the field of all
    in the same state, where it is at hand.
    """

    def __init__(self, store: Store, only: Sequence[int] | None = None, *, whole: Field | None = None) -> None:
        self._store = store
        self._only = None if only is None else list(only)
        self._frames: dict[object, pl.DataFrame] = {}
        self._curves: dict[str, np.ndarray[Any, Any]] = {}
        self._figures: dict[str, Interval] = {}
        if whole is None:
            self.base = speakers.in_every_setting(store.con, self._only).with_row_index("row")
            self._prices = speakers.current_prices(store.con, self._only)
        else:
            mine = pl.col("speaker_id").is_in(list(only or ()))
            self.base = whole.base.filter(mine).drop("row").with_row_index("row")
            self._prices = whole._prices.filter(mine)
        self._kept: LRUCache[Hashable, Any] = LRUCache(KEPT_BYTES, getsizeof=_bytes_of)

    def few(self, speaker_ids: Sequence[int]) -> Field:
        """The field of some of these speakers alone."""
        return Field(self._store, speaker_ids, whole=self)

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
        """The field with `price` (of what is bought, the newest of its kind), `price_per` ('pair' or 'one'),
        `price_sold` ('pair' or 'each', as it was given), `price_kind`, `price_date`, `currency`, `price_reason`.

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
                .select(
                    "speaker_id",
                    price=pl.col("price") * pl.col("rate"),
                    price_per="per",
                    price_sold="sold",
                    price_kind="kind",
                    price_date="date",
                )
            )
            foreign = (
                prices.filter(pl.col("rate").is_null())
                .sort("speaker_id", "order", "currency")
                .unique("speaker_id", keep="first", maintain_order=True)
                .select(
                    "speaker_id", price_reason=pl.format("price in {} only: no rate to {}", "currency", pl.lit(chosen))
                )
                .join(usable, on="speaker_id", how="anti")
            )
            self._frames[key] = (
                self.base.join(usable, on="speaker_id", how="left", maintain_order="left")
                .join(foreign, on="speaker_id", how="left", maintain_order="left")
                .with_columns(currency=pl.lit(chosen, pl.String))
            )
        return self._frames[key]

    def remember(self, key: Hashable, work: Callable[[], Kept]) -> Kept:
        """What `work` gives, worked out once for this state of the file as long as there is room; key names it, with
        all that it depends on."""
        if key not in self._kept:
            found = work()
            if _bytes_of(found) > KEPT_BYTES:
                return found
            self._kept[key] = found
        kept: Kept = self._kept[key]
        return kept

    def values(self, metric_id: str) -> pl.DataFrame:
        """Pooled values of one metric: speaker_id, setting and the columns of pooled_value."""
        if self._only is not None:
            return self._few.filter(pl.col("metric") == metric_id).drop("metric")
        return self.remember(("values", metric_id), lambda: values.pooled_values(self._store.con, metric_id))

    def values_equalised(self, metric_id: str) -> pl.DataFrame:
        """The same with the filters that mend each speaker, of those that are worked out; reason says why others have
        none. Where no filter is in use the values stand as they are."""
        return self.remember(("values equalised", metric_id), lambda: self._values_equalised(metric_id))

    def _values_equalised(self, metric_id: str) -> pl.DataFrame:
        as_is, keys = self.values(metric_id), ["speaker_id", "setting"]
        marks = equalised.marks(self._store.con, mending.definitions())
        marked = as_is.join(marks, on=keys, how="left", maintain_order="left")
        stands = marked.filter(pl.col("refused").is_null(), ~pl.col("in_use")).drop("in_use", "refused")
        out = marked.filter(pl.col("in_use").is_null() | pl.col("refused").is_not_null()).select(
            *(
                pl.lit(None, dtype).alias(name)
                if name in {"value", "upper", *UNCERTAINTY}
                else pl.coalesce("refused", pl.lit(NOT_EQUALISED)).alias(name)
                if name == "reason"
                else pl.lit("withheld").alias(name)
                if name == "status"
                else pl.col(name)
                for name, dtype in as_is.schema.items()
            )
        )
        mended = equalised.values(self._store.con, metric_id).join(marks.filter("in_use"), on=keys, how="semi")
        return pl.concat([stands, out, mended.select(as_is.columns)], how="vertical_relaxed")

    def figures(self, metric_ids: Sequence[str]) -> dict[str, Interval]:
        """Pooled values as intervals, one entry per row of `base`: open where censored, with the reason where
        withheld."""
        wanted = [m for m in metric_ids if m not in self._figures]
        if wanted:
            found = values.pooled_figures(self._store.con, wanted)
            rows = self.base.select("speaker_id", "setting")
            stale = rows["speaker_id"].is_in(self._stale).to_numpy()
            for metric in wanted:
                mine = found.filter(pl.col("metric") == metric)
                part = rows.join(mine, on=["speaker_id", "setting"], how="left", maintain_order="left").with_columns(
                    value=pl.when(pl.col("status") == "ok").then("value"),
                    reason=pl.format(
                        "{} withheld: {}",
                        pl.lit(METRICS[metric].phrase),
                        pl.col("reason").fill_null("not worked out yet; run `speakerdb derive`"),
                    ),
                )
                value, reason = (
                    part["value"].to_numpy(writable=True),
                    part["reason"].to_numpy().copy(),
                )
                value[stale], reason[stale] = np.nan, f"{METRICS[metric].phrase} {STALE}"
                censored, upper = (
                    part["censored"].fill_null("none").to_numpy(),
                    part["upper"].cast(pl.Float64).to_numpy(),
                )
                self._figures[metric] = judging.interval(value, censored, reason, upper)
        return {m: self._figures[m] for m in metric_ids}

    @cached_property
    def default_values(self) -> Mapping[str, pl.DataFrame]:
        """Metric -> every value that stands in comparisons: speaker, value, censored; default settings, not
        withheld."""
        every = values.default_values(self._store.con)
        parts = every.partition_by("metric", as_dict=True, include_key=False, maintain_order=True)
        return {str(metric): part for (metric,), part in parts.items()}

    def curves(self, parts: Sequence[str]) -> dict[str, np.ndarray[Any, Any]]:
        """Pooled curves: part -> (rows of `base`, 199) float32, NaN where a speaker has none."""
        rows = self.base.select("row", "speaker_id", "setting")
        for part in parts:
            if part not in self._curves:
                found = values.pooled_curves(self._store.con, part, self._only).join(
                    rows, on=["speaker_id", "setting"], maintain_order="left"
                )
                array = np.full((len(self.base), 199), np.nan, np.float32)
                if len(found):
                    array[found["row"].to_numpy()] = levels(found["level"])
                self._curves[part] = array
        return {p: self._curves[p] for p in parts}

    def draws(self, metric_id: str, layer: DrawTable = "own_draw") -> np.ndarray[Any, Any]:
        """Pooled centred draws of one metric on its scale: (rows of `base`, B) float32, NaN rows where there are none.

        Pooled as the values are, session by session, and set to the pooled standard error, which is wider where
        sessions disagree.
        """
        return self.remember(("draws", metric_id, layer), lambda: self._pooled_draws(metric_id, layer))

    def _pooled_draws(self, metric_id: str, layer: DrawTable) -> np.ndarray[Any, Any]:
        se = "se" if layer == "own_draw" else "se_bench"
        heads = values.draw_heads(self._store.con, metric_id, layer, self._only)
        steps = session_draws(self._store.con, heads["session_id"].to_list(), layer, metric_id)[:, 0]
        draws = decode(heads["se"].cast(pl.Float64).to_numpy(), steps)
        return _pooled_draws(heads, draws, self.base, self.values(metric_id), se)

    @cached_property
    def _few(self) -> pl.DataFrame:
        """For a field of few speakers: all their values."""
        return values.pooled_values_of(self._store.con, self._only or [])

    def metric_column(
        self, metric: Metric, rows: pl.DataFrame, target: Target = "as_measured", *, equalised: bool = False
    ) -> MetricColumn:
        """A metric over rows of `frame` (which carry `row`), as the analyses take it; its standard error NaN where it
        is not worked out. equalised: with the filters that mend each speaker."""
        of_metric = self.values_equalised(metric.id) if equalised else self.values(metric.id)
        values = rows.join(of_metric, on=["speaker_id", "setting"], how="left", maintain_order="left", suffix="_v")

        def column(name: str) -> np.ndarray[Any, Any]:
            return values[name].cast(pl.Float64).to_numpy(writable=True)  # null becomes NaN

        value, own = column("value"), column("se")
        censored, reason = values["censored"].fill_null("none").to_numpy(), values["reason"].to_numpy().astype(object)
        stale = rows["speaker_id"].is_in(self._stale).to_numpy()
        value[stale], reason[stale] = np.nan, STALE
        unit = np.nan_to_num(column("se_sample")) if target == "another_unit" else 0.0
        benches = self._benches(values["pattern_no"], column("se_bench"))
        low, high = column(f"low{ENDS_OF[target]}"), column(f"high{ENDS_OF[target]}")
        if target == "as_measured":  # a value from another bench, as it would be on the reference bench
            low, high = _widened(metric, value, low, -1.0, benches.own), _widened(metric, value, high, 1.0, benches.own)
        facts = rows.join(self._labs, on=["speaker_id", "setting"], how="left", maintain_order="left")
        return MetricColumn(
            metric=metric,
            target=target,
            value=value,
            lower=np.where(censored == "at_most", -np.inf, value),
            upper=np.where(censored == "at_least", np.inf, np.where(censored == "between", column("upper"), value)),
            low=np.where(censored == "at_most", -np.inf, low),
            high=np.where(censored == "at_least", np.inf, high),
            se=np.hypot(own, unit),
            other_value=column("other_value"),
            other_se=np.hypot(column("other_se"), unit),
            other_share=column("other_share"),
            benches=benches,
            reason=reason,
            facts=facts,
        )

    @cached_property
    def _stale(self) -> list[int]:
        """Speakers with a session that another error model than the one that counts was used for: never mixed into a
        comparison."""
        return session_rows.speakers_of_another_error_model(self._store.con, self.error_model.seed)

    def _benches(self, pattern_no: pl.Series, se_bench: np.ndarray[Any, Any]) -> Benches:
        patterns, model, reference = self._bench_patterns
        numbers = pattern_no.fill_null(-1).to_numpy()
        used, codes = np.unique(numbers, return_inverse=True)
        chosen = [patterns.get(int(n), ((reference, 1.0),) if reference else ()) for n in used]
        loading, alone = loadings(chosen, reference, model)
        # a mean over several benches feels each of them less: tau is what one would do
        tau = np.nan_to_num(se_bench) ** 2 / np.where(alone > 0, alone, 1.0)[codes]
        return Benches(codes.astype(np.int64), tau, loading)

    @cached_property
    def _bench_patterns(self) -> tuple[dict[int, Pattern], ErrorModel, str | None]:
        patterns = {
            number: tuple((str(bench), float(share)) for bench, share in json.loads(text))
            for number, text in bench_patterns(self._store.con).items()
        }
        return patterns, error_models.current(self._store), reference_bench(repeats.sessions_by_bench(self._store))

    @property
    def error_model(self) -> ErrorModel:
        """What the sizes of errors rest on."""
        return self._bench_patterns[1]

    @property
    def reference_bench(self) -> str | None:
        """The bench with the most sessions, to which others may be aligned."""
        return self._bench_patterns[2]

    def out_of_line(self, benches: Benches) -> np.ndarray[Any, Any]:
        """(n,) where a value rests on a bench whose error is not that of the reference bench, but for a small
        residual."""
        far = (benches.loading**2).sum(axis=1) > _IN_LINE
        return np.asarray(far[benches.pattern])

    @cached_property
    def _labs(self) -> pl.DataFrame:
        """Per speaker and setting: labs (joined names, sorted) of its active sessions."""
        return speakers.labs_by_setting(self._store.con, self._only)


def _widened(
    metric: Metric, value: np.ndarray[Any, Any], end: np.ndarray[Any, Any], sign: float, variance: np.ndarray[Any, Any]
) -> np.ndarray[Any, Any]:
    """An end of intervals with a variance (n,) on the metric's scale added, which is 0 for values from the reference
    bench."""
    moved = variance > 0
    if not moved.any():
        return end
    x, far = on_scale(metric, value), on_scale(metric, np.where(np.isnan(end), value, end))
    wide = off_scale(metric, x + sign * np.hypot(far - x, NORMAL * np.sqrt(variance)))
    wide = np.clip(wide, metric.nature[0], metric.nature[1])
    return np.where(moved & ~np.isnan(end), wide, end)


def _pooled_draws(
    heads: pl.DataFrame, draws: np.ndarray[Any, Any], base: pl.DataFrame, values: pl.DataFrame, se: str
) -> np.ndarray[Any, Any]:
    """heads: a row per session; draws (sessions, B) in that order."""
    found = np.full((len(base), draws.shape[1]), np.nan, np.float32)
    heads = heads.join(base.select("row", "speaker_id", "setting"), on=["speaker_id", "setting"], maintain_order="left")
    heads = heads.with_columns(there=pl.Series(~np.isnan(draws[:, 0])), exact=pl.col("censored") == "none")
    # as in pooling: bounds count only where nothing is exact
    usable = heads["there"] & (heads["exact"] | ~heads.select(pl.col("exact").any().over("row"))["exact"])
    kept = heads.filter(usable)
    if not len(kept):
        return found
    draws = draws[usable.to_numpy()]
    rows, member = np.unique(kept["row"].to_numpy(), return_inverse=True)
    weight = Grouping(member, kept["sample"].to_list(), kept["lab"].to_list()).weights().astype(np.float32)
    order = np.argsort(member, kind="stable")
    starts = np.searchsorted(member[order], np.arange(len(rows)))
    pooled = np.add.reduceat((draws * weight[:, None])[order], starts, axis=0)
    target = (
        base.select("row", "speaker_id", "setting")
        .join(values, on=["speaker_id", "setting"], how="left", maintain_order="left")[se]
        .cast(pl.Float64)
        .fill_null(float("nan"))
        .to_numpy()[rows]
    )
    sd = pooled.std(axis=1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        widen = np.nan_to_num(target[:, None] / sd, nan=1.0, posinf=1.0)
    found[rows] = (pooled - pooled.mean(axis=1, keepdims=True)) * widen
    return found
