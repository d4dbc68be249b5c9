"""By how much do benches differ in what they say of the same speakers?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

from speakerdb.declare import Answer, Question, Row, Shape, Told
from speakerdb.questions.shared import Base, Metrics

if TYPE_CHECKING:
    import polars as pl


class BenchPair(Row):
    """Two benches that share speakers."""

    bench_a: str
    bench_b: str
    speakers: Annotated[list[str], Told("that both have measured")]
    same_sample: Annotated[int, Told("of how many by the same unit")]


class Offset(Row):
    """One metric between two benches: the mean of a − b over the speakers that they share."""

    metric: str
    bench_a: str
    bench_b: str
    speakers: int
    offset: float | None
    low: Annotated[float | None, Told("the lower end of the 95 % interval")]
    high: float | None
    sd: Annotated[float | None, Told("of the differences of single speakers")]
    left: Annotated[float | None, Told("what is left of it once the bench is aligned")]
    left_low: float | None
    left_high: float | None
    unit: str
    p: float | None
    q: float | None
    reason: Annotated[str | None, Told("why there is none")]


class BenchCurve(Row):
    """What would be added to `bench` over the analysis grid to bring it in line with `to_bench`."""

    bench: str
    to_bench: str
    specimens: Annotated[int, Told("units that both have measured")]
    shape_db: Annotated[float, Told("RMS of the difference over 100 Hz–10 kHz")]
    level_db: float | None
    residual_sd_db: Annotated[float | None, Told("what is left once aligned")]
    adoptable: bool
    reason: str | None
    aligned: Annotated[bool, Told("whether it is added")]
    unit: Literal["dB"]
    offset_db: list[float]


@dataclass(eq=False, repr=False)
class Offsets(Answer):
    """Offsets a − b per metric, and how the listening windows of benches lie to one another."""

    pairs: Annotated[pl.DataFrame, BenchPair]
    rows: Annotated[pl.DataFrame, Offset]
    frequency_hz: list[float]
    curves: Annotated[list[Any], Shape(list[BenchCurve])]
    cautions: tuple[str, ...]


@dataclass(frozen=True, repr=False)
class Labs(Question[Offsets]):
    """Show by how much benches differ."""

    name = "labs"
    address = "/labs"
    example = {"metric": ("sensitivity_db", "di_power_mean_db")}

    metric: Metrics = ()

    def answer(self, base: Base) -> Offsets:
        from speakerdb.acoustics.grid import FREQUENCY_HZ
        from speakerdb.answering import relating

        found, pairs, aligned, cautions = relating.labs(base.store, self.metric or None)
        curves = [
            {
                "bench": p.bench,
                "to_bench": p.to_bench,
                "specimens": p.n,
                "shape_db": p.shape_db,
                "level_db": p.level_db,
                "residual_sd_db": p.residual_sd_db,
                "adoptable": p.reason is None,
                "reason": p.reason,
                "aligned": aligned.get(p.bench) == p.to_bench,
                "unit": "dB",
                "offset_db": p.offset_db.tolist(),
            }
            for p in pairs
        ]
        return Offsets(found.pairs, found.offsets, FREQUENCY_HZ.round(2).tolist(), curves, cautions)
