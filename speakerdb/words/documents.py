"""Answers as JSON documents, the same for the command line and the pages; schemas/cli/ describes each.

Every document carries "format": 2, the state of the database; NaN and infinity are null.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import polars as pl

from speakerdb.analysis import frontier, nearness
from speakerdb.errors import SpeakerdbError
from speakerdb.questions import branching
from speakerdb.words.match_words import remarks

if TYPE_CHECKING:
    from speakerdb.analysis.metric_column import Target
    from speakerdb.formats import Proposal
    from speakerdb.questions.claim import ClaimAnswer
    from speakerdb.questions.compare import CompareAnswer, PercentileAnswer
    from speakerdb.questions.facts import Facts
    from speakerdb.questions.overview import LabsAnswer, TradeOffAnswer, TrendAnswer
    from speakerdb.questions.rank import RankAnswer
    from speakerdb.questions.settings import SettingsAnswer
    from speakerdb.questions.settle import SettleAnswer
    from speakerdb.questions.shortlist import RoomAnswer
    from speakerdb.questions.stored import Explanation
    from speakerdb.statistics.learning import BenchPair
    from speakerdb.store import State
    from speakerdb.store.queries import NamedQuery
    from speakerdb.upkeep.adopting import Learned
    from speakerdb.upkeep.ingest import IngestResult

FORMAT = 2
Document = dict[str, Any]


def clean(value: Any) -> Any:
    """A value as JSON can carry it: NaN and infinity null, dates ISO, tuples lists."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dt.date | dt.datetime):
        return value.isoformat()
    if isinstance(value, dict):
        return {str(k): clean(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [clean(v) for v in value]
    return value


def document(state: State | None, **content: Any) -> Document:
    """The frame of every answer. state None: an answer that needs no database (the dictionary)."""
    head: Document = {"format": FORMAT, "state": state.state if state else None}
    if state is not None:
        head |= {"speakers": state.speakers, "changed": state.date, "error_model": state.error_model}
    return head | clean(content)  # type: ignore[no-any-return]


def error(problem: SpeakerdbError) -> Document:
    """An error as a document."""
    return {
        "format": FORMAT,
        "error": {"code": problem.code, "message": problem.message, "items": [i.to_dict() for i in problem.items]},
    }


def usage_error(message: str) -> Document:
    """A usage error as a document."""
    return {"format": FORMAT, "error": {"code": "usage", "message": message, "items": []}}


def rows(frame: pl.DataFrame) -> list[Document]:
    return [clean(row) for row in frame.iter_rows(named=True)]


def ingest(state: State | None, results: Sequence[IngestResult]) -> Document:
    return document(
        state,
        sessions=[
            {
                "folder": r.folder, "session": r.session, "speaker": r.speaker, "result": r.result,
                "errors": [e.to_dict() for e in r.errors], "warnings": list(r.warnings),
            }
            for r in results
        ],
    )  # fmt: skip


_M = (
    "value", "unit", "se", "low", "high", "censored", "status", "reason", "noise_limited", "other_value", "other_low", "other_high",
    "other_share",
)  # fmt: skip


def metric_map(frame: pl.DataFrame) -> Document:
    """metric id -> value, unit, interval, censoring, status and reason of rows of `show`."""
    return {row["metric"]: {key: clean(row[key]) for key in _M} for row in frame.iter_rows(named=True)}


def show(state: State, speaker: str, frame: pl.DataFrame, target: Target, facts: Facts) -> Document:
    """pooled is the first setting's; every setting shown stands under settings, every session under sessions; cautions are those
    of the facts, then those of the values."""
    pooled = frame.filter(pl.col("session").is_null())
    settings = pooled["setting"].unique(maintain_order=True).to_list()
    single = frame.filter(pl.col("session").is_not_null())
    sessions = []
    for (session, setting, lab, sample, date), part in single.group_by(
        ["session", "setting", "lab", "sample", "date"], maintain_order=True
    ):
        sessions.append({"session": session, "setting": setting, "lab": lab, "sample": sample, "date": date,
                         "metrics": metric_map(part)})  # fmt: skip
    by_setting = {s: metric_map(pooled.filter(pl.col("setting") == s)) for s in settings}
    return document(
        state, speaker=speaker, facts=facts.values, target=target, setting=settings[0], pooled=by_setting[settings[0]],
        settings=by_setting, sessions=sessions, **facts.extra(), cautions=[*facts.cautions(), *branching.cautions(frame)],
    )  # fmt: skip


def rank(state: State, answer: RankAnswer, filters: str) -> Document:
    return document(
        state, metric=answer.metric.id, target=answer.target, filters=filters, rows=rows(answer.rows), withheld=rows(answer.withheld),
        cautions=list(answer.cautions),
    )  # fmt: skip


def match(state: State, speaker: str, setting: str, frame: pl.DataFrame, weights: dict[str, float]) -> Document:
    found = []
    for row in frame.iter_rows(named=True):
        left_out = remarks(row)
        parts = {part: row.pop(part) for part in nearness.CURVES}
        found.append({**row, "parts": parts, "remarks": left_out, "unit": "dB"})
    return document(state, speaker=speaker, setting=setting, weights=weights, rows=found)


def explain(state: State, answer: Explanation) -> Document:
    metric = answer.metric
    sources: dict[str, Document] = {}
    for row in answer.sources.iter_rows(named=True):
        head = {key: row[key] for key in ("session", "lab", "sample", "date", "folder")}
        entry = sources.setdefault(row["session"], {**head, "files": []})
        if row["file"] is not None:
            entry["files"].append({"name": row["file"], "sha256": row["sha256"], "size": row["size"]})
    return document(
        state, speaker=answer.speaker, setting=answer.setting, metric=metric.id, unit=metric.unit, label=metric.label,
        definition=metric.definition, definition_version=answer.metric_version, definition_source=metric.source,
        pooled=metric_map(answer.values.filter(pl.col("session").is_null()))[metric.id],
        sessions=[
            {"session": row["session"], "metrics": {metric.id: {key: row[key] for key in _M}}}
            for row in answer.values.filter(pl.col("session").is_not_null()).iter_rows(named=True)
        ],
        curve={"part": metric.curve, "words": answer.read, "frequency_hz": answer.curve["frequency_hz"].round(2).to_list() if len(answer.curve) else [],
               "level": answer.curve["level"].to_list() if len(answer.curve) else []},
        sources=list(sources.values()), alignments=list(answer.alignments), cautions=branching.cautions(answer.values),
    )  # fmt: skip


def query_head(query: NamedQuery) -> Document:
    return {
        "name": query.name, "title": query.title,
        "parameters": [{"name": p.name, "type": p.type, "default": p.default, "meaning": p.meaning} for p in query.parameters],
        "columns": [{"name": name, "meaning": meaning} for name, meaning in query.columns],
    }  # fmt: skip


def compare(state: State, answer: CompareAnswer) -> Document:
    """Differences a − b, or a/b where ratio, with their intervals; infinite ends of censored ones are null."""
    return document(
        state, target=answer.target, about=answer.about, rows=rows(answer.rows), withheld=rows(answer.withheld),
        differing=answer.differing, real=answer.real, cautions=list(answer.cautions),
    )  # fmt: skip


def settle(state: State, answer: SettleAnswer) -> Document:
    """Measurements that would tell undecided differences; share: of the present width of the interval; chance: that it would."""
    return document(
        state, target=answer.target, about=answer.about, already=rows(answer.already), rows=rows(answer.rows),
        overall=rows(answer.overall), undecided=list(answer.undecided), decided=list(answer.decided),
        not_judged=rows(answer.not_judged), cautions=list(answer.cautions),
    )  # fmt: skip


def percentile(state: State, answer: PercentileAnswer) -> Document:
    """Places among peers; null with the reason where too few are known. Each row names the group that it needed."""
    return document(
        state, speaker=answer.speaker, setting=answer.setting, peers=list(answer.peers), among=answer.words,
        rows=rows(answer.rows),
    )  # fmt: skip


def tradeoff(state: State, answer: TradeOffAnswer, filters: str) -> Document:
    """unit is that of y, expected, low and high; unit_x that of x and beaten_from."""
    units = {"unit_x": answer.x.unit, "unit": answer.y.unit}
    found = answer.found
    return document(
        state, x=answer.x.id, y=answer.y.id, filters=filters, rows=[{**row, **units} for row in rows(found.rows)],
        quantile=frontier.QUANTILE, line=rows(found.line), outside=found.outside, not_judged=rows(answer.not_judged),
        cautions=list(found.cautions),
    )  # fmt: skip


def trend(state: State, answer: TrendAnswer, filters: str) -> Document:
    """A slope or the groups per metric, with the points; effect is in `unit` per `per`, difference in `unit`."""
    trends = [
        {
            "metric": metric.id, "slope": next(iter(rows(t.slopes)), None), "groups": rows(t.groups), "points": rows(t.points),
            "line": rows(t.line), "not_judged": rows(t.unknown), "cautions": list(t.cautions),
        }
        for metric, t in zip(answer.metrics, answer.trends, strict=True)
    ]  # fmt: skip
    return document(state, over=answer.over, filters=filters, trends=trends, not_judged=rows(answer.not_judged))


def derive(
    state: State, metrics: Sequence[str] = (), sessions: int = 0, drawn: int = 0, learned: Learned | None = None
) -> Document:
    """What was recomputed; learned: what repeats say, where that was asked for."""
    found = None if learned is None else _learned(learned)
    return document(state, metrics=list(metrics), sessions=sessions, drawn=drawn, learned=found)


def _learned(found: Learned) -> Document:
    """Sizes of parts in dB, and benches: shape_db is the RMS of their difference over 100 Hz–10 kHz, level_db the difference of their levels."""
    parts = [
        {
            "part": s.part, "default_sd_db": s.default_sd_db, "seen_sd_db": s.seen_sd_db, "wanted_sd_db": s.wanted_sd_db, "n": s.n,
            "sessions": s.sessions, "adoptable": s.reason is None, "reason": s.reason,
        }
        for s in found.parts
    ]  # fmt: skip
    return {
        "counts": found.counts,
        "parts": parts,
        "benches": [_bench_pair(p) for p in found.benches],
    }


def _bench_pair(pair: BenchPair) -> Document:
    return {
        "bench": pair.bench, "to_bench": pair.to_bench, "specimens": pair.n, "shape_db": pair.shape_db, "level_db": pair.level_db,
        "residual_sd_db": pair.residual_sd_db, "adoptable": pair.reason is None, "reason": pair.reason,
    }  # fmt: skip


def labs(state: State, answer: LabsAnswer) -> Document:
    """Offsets a − b per metric; curves: what would be added to `bench` over the analysis grid, and whether it is (aligned)."""
    from speakerdb.acoustics.grid import FREQUENCY_HZ

    curves = [
        {
            **_bench_pair(p),
            "aligned": answer.aligned.get(p.bench) == p.to_bench,
            "unit": "dB",
            "offset_db": p.offset_db.tolist(),
        }
        for p in answer.curves
    ]
    return document(
        state, pairs=rows(answer.found.pairs), rows=rows(answer.found.offsets),
        frequency_hz=FREQUENCY_HZ.round(2).tolist(), curves=curves, cautions=list(answer.cautions),
    )  # fmt: skip


_SHORT = (
    "speaker", "setting", "level_at_seat_db", "censored", "level_low_db", "level_high_db", "margin_db", "p_meets", "p_meets_low",
    "p_meets_high", "level_direct_db", "delivered_db", "limited_by", "clean_level_db", "amplifier_needed_w", "f6_hz", "f6_censored",
    "tone_up_deg", "tone_up_censored", "preference", "preference_censored", "price_kind", "mass_kg",
)  # fmt: skip


def shortlist(state: State, answer: RoomAnswer) -> Document:
    """rows in the order stated under assumptions; each miss with what and by how much; cautions are part of the answer."""
    fails: dict[int, list[Document]] = {}
    for key, what, by, unit, at_least in answer.found.fails.iter_rows():
        fails.setdefault(key, []).append({"what": what, "by": by, "unit": unit, "at_least": at_least})
    found = answer.found
    return document(
        state,
        assumptions=answer.assumptions(),
        rows=[_short_row(row) for row in found.rows.iter_rows(named=True)],
        near_misses=[
            {**_short_row(row), "fails": fails[row["key"]], "unknown": row["unknown"]}
            for row in found.near_misses.iter_rows(named=True)
        ],
        too_far=[
            {"speaker": speaker, "setting": setting, "fails": fails[key]}
            for speaker, setting, key in found.too_far.select("speaker", "setting", "key").iter_rows()
        ],
        not_judged=rows(found.not_judged.select("speaker", "setting", "reason")),
        cautions=answer.cautions,
    )


def _short_row(row: Document) -> Document:
    """One speaker of a shortlist: flat figures, then listening times, bass and wall as tables of their own."""
    bands = sorted({int(key.split("_")[1][:-2]) for key in row if key.startswith("bass_")})
    wall = {key.removeprefix("wall_"): row[key] for key in row if key.startswith("wall_")}
    per = "pair" if row["pair"] else "one"
    return {
        **{key: row[key] for key in _SHORT}, "unit": "dB", "speakers_at_work": 2 if row["pair"] else 1,
        "price": {"amount": row["cost"], "per": per, "currency": row["currency"], "date": row["price_date"]},
        "exposure": {
            programme: {
                "niosh_hours_per_day": row[f"niosh_hours_per_day_{programme}"],
                "who_hours_per_week": row[f"who_hours_per_week_{programme}"],
                "who_hours_per_week_sensitive": row[f"who_hours_per_week_{programme}_sensitive"],
            }
            for programme in ("dynamic", "dense")
        },
        "bass": [
            {"frequency_hz": band, "low_db": row[f"bass_{band}hz_low_db"], "high_db": row[f"bass_{band}hz_high_db"]}
            for band in bands
        ],
        "wall": wall or None,
    }  # fmt: skip


def settings(state: State, answer: SettingsAnswer) -> Document:
    """Differences against the reference over the analysis grid, changes of every metric, controls, the wall."""
    from speakerdb.acoustics.grid import FREQUENCY_HZ

    changes = [
        {
            "setting": c.setting, "level_shift_db": c.level_shift_db,
            "units_in_common": [{"lab": lab, "sample": sample} for lab, sample in c.units],
            "difference_db": {part: curve.tolist() for part, curve in c.difference_db.items()}, "metrics": rows(c.changes),
        }
        for c in answer.changes
    ]  # fmt: skip
    controls = [
        {
            "control": c.control.name, "problem": c.control.problem, "reference": c.reference,
            "positions": [
                {"position": position, "setting": name}
                for (position, _), name in zip(c.control.positions, c.settings, strict=True)
            ],
            "acts_hz": c.reach.acts_hz if c.reach else [], "most_hz": c.reach.most_hz if c.reach else None,
            "low_db": c.reach.low_db.tolist() if c.reach else [], "high_db": c.reach.high_db.tolist() if c.reach else [],
        }
        for c in answer.controls
    ]  # fmt: skip
    wall = None
    if answer.wall is not None:
        w = answer.wall
        wall = {
            "distance_m": w.distance_m, "first_dip_hz": w.first_dip_hz, "best": w.best, "unit": "dB",
            "settings": [
                {"setting": name, "ripple_db": float(w.total.ripple_db[i]), "bass_db": float(w.total.bass_db[i]),
                 "reason": w.reasons.get(name), "total_db": w.total.total_db[i].tolist()}
                for i, name in enumerate(w.settings)
            ],
        }  # fmt: skip
    return document(
        state, speaker=answer.speaker, reference=answer.reference, unit="dB", switches=answer.switches,
        frequency_hz=FREQUENCY_HZ.round(2).tolist(), settings=changes, controls=controls, wall=wall,
        cautions=list(answer.cautions),
    )  # fmt: skip


def claim(state: State, answer: ClaimAnswer) -> Document:
    """A claimed maximum level against the measured one; low and high are equal where the figure is exact, null where open."""
    return document(
        state, speaker=answer.speaker, setting=answer.setting, unit="dB",
        claim={"level_db": answer.claimed_db, "pair": answer.pair, "distance_m": answer.distance_m,
               "distance_assumed": answer.distance_assumed, "one_at_1_m_db": answer.single_db},
        measured=[{"metric": name, "low": low, "high": high, "reason": reason}
                  for name, (low, high, reason) in answer.measured.items()],
        limited_by=answer.limited_by,
        unexplained_db=dict(zip(("low", "high"), answer.unexplained, strict=True)),
        unexplained_by_maximum_db=dict(zip(("low", "high"), answer.unexplained_by_maximum, strict=True)),
        amplifier_needed_w=answer.amplifier_w, verdict=answer.verdict, may_explain=answer.may_explain,
        sentences=answer.sentences,
    )  # fmt: skip


def proposal(found: Proposal) -> Document:
    return {
        "folder_toml": str(found.folder_toml), "sheet": str(found.sheet), "folders": list(found.folders),
        "blanks": list(found.blanks), "notes": list(found.notes),
        "curves": [
            clean({"folder": c.folder, "orbit": c.orbit, "angle_deg": float(c.angle_deg),
                   "frequency_hz": c.frequency_hz.tolist(), "level_db": c.level_db.tolist()})
            for c in found.curves
        ],
    }  # fmt: skip
