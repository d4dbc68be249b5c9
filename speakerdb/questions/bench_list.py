"""Which benches measured what is stored, and which are in line with one another?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated

from speakerdb.declare import Answer, Question, Row, Told
from speakerdb.questions.shared import Base

if TYPE_CHECKING:
    import polars as pl

HOW = "a bench is a lab with its method and calibration; another calibration makes another bench"


class BenchRow(Row):
    """One bench."""

    lab: str
    method: str
    calibration: Annotated[str | None, Told("as sessions name it")]
    sessions: Annotated[int, Told("how many of its sessions stand")]
    in_line_with: Annotated[str | None, Told("the bench that its curves are aligned to, in words")]


@dataclass(eq=False, repr=False)
class BenchList(Answer):
    """Every bench, the one with most sessions first."""

    rows: Annotated[pl.DataFrame, BenchRow]
    cautions: tuple[str, ...]


@dataclass(frozen=True, repr=False)
class Benches(Question[BenchList]):
    """List the benches and what each is aligned to."""

    name = "benches"
    address = "/benches"
    example = {}

    def answer(self, base: Base) -> BenchList:
        import polars as pl

        from speakerdb.field import error_models
        from speakerdb.statistics.error_model import bench_key, bench_words
        from speakerdb.store.learned import sessions_by_bench

        aligned = {
            bench: bench_words(one.to_bench) for bench, one in error_models.current(base.store).alignments.items()
        }
        found = [
            (lab, method, calibration, n, aligned.get(bench_key(lab, method, calibration)))
            for lab, method, calibration, n in sessions_by_bench(base.store.con)
        ]
        schema = {
            "lab": pl.String,
            "method": pl.String,
            "calibration": pl.String,
            "sessions": pl.Int64,
            "in_line_with": pl.String,
        }
        rows = pl.DataFrame(found, schema, orient="row").sort(-pl.col("sessions"), "lab", "method", "calibration")
        return BenchList(rows, (HOW,))
