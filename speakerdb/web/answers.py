"""Answers as the documents that the command line gives with --json: one function a question, for the API and the pages."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from speakerdb.analysis.nearness import WEIGHTS
from speakerdb.field.naming import all_queries, find_metric
from speakerdb.library import Database, Question, Selection
from speakerdb.questions.table import Wanted, field_table
from speakerdb.report import standing
from speakerdb.words import documents, sentences
from speakerdb.words.documents import Document

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.analysis.metric_column import Target


def speakers(base: Database, currency: str | None) -> Document:
    return documents.document(base.state, rows=documents.rows(base.list(currency)))


def table(base: Database, wanted: Wanted) -> Document:
    return documents.document(base.state, **field_table(base.field, wanted))


def speaker(base: Database, name: str, setting: str | None, *, all_settings: bool = False,
            target: Target = "as_measured") -> Document:  # fmt: skip
    _, slug = base.find(name)
    frame = base.show(slug, setting=setting, all_settings=all_settings, target=target, exact=True)
    return documents.show(base.state, slug, frame, target, base.facts(slug))


def explanation(base: Database, name: str, metric: str, setting: str | None) -> Document:
    return documents.explain(base.state, base.explain(name, metric, setting=setting))


def relatives(base: Database, name: str, setting: str | None, selection: Selection, top: int | None) -> Document:
    _, slug = base.find(name)
    used = base.setting(slug, setting)
    frame = base.match(slug, setting=used, selection=selection, top=top, exact=True)
    return documents.match(base.state, slug, used, frame, dict(WEIGHTS))


def ranks(base: Database, metric: str, selection: Selection, top: int | None, *, jointly: bool = False,
          target: Target = "as_measured") -> Document:  # fmt: skip
    found = find_metric(metric)
    answer = base.rank(found.id, selection=selection, top=top, jointly=jointly, target=target)
    return documents.rank(base.state, answer, selection.filters.words())


def metrics(base: Database | None, metric: str | None = None) -> Document:
    from speakerdb.questions.stored import metrics_frame

    return documents.document(base.state if base else None, rows=documents.rows(metrics_frame(metric)))


def queries() -> Document:
    return documents.document(None, queries=[documents.query_head(q) for q in all_queries().values()])


def query(base: Database, name: str, parameters: Mapping[str, str]) -> Document:
    head, frame = base.query(name, parameters)
    return documents.document(base.state, query=documents.query_head(head), rows=documents.rows(frame))


def names(base: Database) -> dict[str, str]:
    """slug -> maker and model as printed; where two speakers are printed alike, with the slug."""
    rows = base.field.base.select("speaker", "maker", "model").unique("speaker", maintain_order=True).iter_rows()
    printed = {slug: f"{maker} {model}" for slug, maker, model in rows}
    often = Counter(printed.values())
    return {slug: name if often[name] == 1 else f"{name} ({slug})" for slug, name in printed.items()}


def compared(base: Database, names: Sequence[str], metrics: Sequence[str] | None = None, *, exact: bool,
             target: Target = "as_measured") -> Document:  # fmt: skip
    return documents.compare(base.state, base.compare(*names, metrics=metrics, target=target, exact=exact))


def tradeoff(base: Database, x: str, y: str, selection: Selection) -> Document:
    return documents.tradeoff(base.state, base.tradeoff(x, y, selection=selection), selection.filters.words())


@dataclass(frozen=True, eq=False)
class Trade:
    """A trade-off for a page: the frames of the answer, its columns in sentences, whether x is a fact."""

    rows: pl.DataFrame
    line: pl.DataFrame
    not_judged: pl.DataFrame
    unit_x: str
    unit_y: str
    x_fact: bool
    notes: list[str]
    cautions: tuple[str, ...]


def trade(base: Database, x: str, y: str, selection: Selection) -> Trade:
    answer = base.tradeoff(x, y, selection=selection)
    found = answer.found
    return Trade(
        found.rows,
        found.line,
        answer.not_judged,
        answer.x.unit,
        answer.y.unit,
        answer.x.fact,
        answer.notes(),
        found.cautions,
    )


def trend(base: Database, metrics: Sequence[str], over: str, selection: Selection) -> Document:
    return documents.trend(base.state, base.trend(*metrics, over=over, selection=selection), selection.filters.words())


def shortlist(base: Database, question: Question, selection: Selection) -> Document:
    return documents.shortlist(base.state, base.shortlist(question, selection=selection))


def settings(base: Database, name: str, against: str | None, wall_distance_m: float | None) -> Document:
    return documents.settings(base.state, base.settings(name, against=against, wall_distance_m=wall_distance_m))


def in_short(base: Database, slug: str) -> list[str]:
    """Three sentences on a speaker."""
    return sentences.about(base, slug)


def peers(base: Database, slug: str) -> str:
    """Whom a speaker is placed among: '9 standmounts'."""
    return standing.group_of(base, slug).counted


def setting_names(base: Database, slug: str) -> list[str]:
    """The settings of a speaker, the default one first."""
    from speakerdb.questions.stored import settings_of

    return list(settings_of(base.store, base.find(slug, exact=True)[0]))


def claim(base: Database, name: str, setting: str | None) -> Document:
    return documents.claim(base.state, base.claim(name, setting=setting))


def settings_compared(base: Database, name: str, against: str | None, wall_distance_m: float | None) -> Document:
    """The document of `settings`, with the sentences that the command prints."""
    from speakerdb.words import settings_words as words

    answer = base.settings(name, against=against, wall_distance_m=wall_distance_m)
    return documents.settings(base.state, answer) | {
        "shown_hz": list(words.SHOWN_HZ),
        "octaves": [
            {part: words.octave_rows(curve) for part, curve in c.difference_db.items()} for c in answer.changes
        ],
        "control_sentences": [words.control_sentence(control) for control in answer.controls],
        "wall_sentence": words.wall_sentence(answer.wall) if answer.wall else "",
    }
