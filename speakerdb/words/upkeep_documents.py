"""What was done to a file, and what a query asks, as JSON documents; schemas/cli/ describes each."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import TYPE_CHECKING

from speakerdb import figures
from speakerdb.questions.documents import Document, plain, told

if TYPE_CHECKING:
    from speakerdb.formats import Proposal
    from speakerdb.statistics.learning import BenchPair
    from speakerdb.store import State
    from speakerdb.store.queries import Found, NamedQuery
    from speakerdb.upkeep.adopting import Learned
    from speakerdb.upkeep.ingest import IngestResult
    from speakerdb.upkeep.recordings import Prepared
    from speakerdb.upkeep.timing import Timing


_TENS = 10.0
_MM_A_SECOND = 343_000.0  # of sound, at room temperature

# what became of a folder, in a word or two
RESULT_WORDS: dict[str, str] = {
    "stored": "stored",
    "replaced": "replaced",
    "already": "already stored",
    "withdrawn": "withdrawn before",
    "asked": "asked about",
    "refused": "refused",
}


def result_counts(results: Sequence[IngestResult]) -> dict[str, int]:
    """How many folders came to each, those to which none came left out."""
    return {word: n for word in RESULT_WORDS if (n := sum(r.result == word for r in results))}


def ingest(state: State | None, results: Sequence[IngestResult]) -> Document:
    return told(
        state,
        sessions=[
            {
                "folder": r.folder,
                "session": r.session,
                "speaker": r.speaker,
                "result": r.result,
                "errors": [e.to_dict() for e in r.errors],
                "warnings": list(r.warnings),
                "ledger": [{"file": e.file, "read_as": e.read_as, "why_not": e.why_not} for e in r.ledger],
            }
            for r in results
        ],
    )


def derive(
    state: State,
    metrics: Sequence[str] = (),
    sessions: int = 0,
    drawn: int = 0,
    learned: Learned | None = None,
    equalised: int = 0,
) -> Document:
    """What was recomputed; learned: what repeats say, where that was asked for; equalised: how many speakers."""
    found = None if learned is None else _learned(learned)
    return told(state, metrics=list(metrics), sessions=sessions, drawn=drawn, equalised=equalised, learned=found)


def _learned(found: Learned) -> Document:
    """Sizes of parts in dB, and benches: shape_db is the RMS of their difference over 100 Hz–10 kHz, level_db the
    difference of their levels."""
    parts = [
        {
            "part": s.part,
            "default_sd_db": s.default_sd_db,
            "seen_sd_db": s.seen_sd_db,
            "wanted_sd_db": s.wanted_sd_db,
            "n": s.n,
            "sessions": s.sessions,
            "adoptable": s.reason is None,
            "reason": s.reason,
        }
        for s in found.parts
    ]
    return {
        "counts": found.counts,
        "parts": parts,
        "benches": [_bench_pair(p) for p in found.benches],
    }


def _bench_pair(pair: BenchPair) -> Document:
    return {
        "bench": pair.bench,
        "to_bench": pair.to_bench,
        "specimens": pair.n,
        "shape_db": pair.shape_db,
        "level_db": pair.level_db,
        "residual_sd_db": pair.residual_sd_db,
        "adoptable": pair.reason is None,
        "reason": pair.reason,
    }


def query_answer(found: Found) -> Document:
    """The parts of the document of a query that was run."""
    return {
        "query": query_head(found.query),
        "rows": found.rows.to_dicts(),
        "left_out": found.left_out.to_dicts(),
    }


def query_head(query: NamedQuery) -> Document:
    return {
        "name": query.name,
        "title": query.title,
        "parameters": [
            {"name": p.name, "type": p.type, "default": p.default, "meaning": p.meaning} for p in query.parameters
        ],
        "columns": [{"name": name, "meaning": meaning} for name, meaning in query.columns],
    }


def proposal(found: Proposal) -> Document:
    return {
        "folder_toml": str(found.folder_toml),
        "sheet": str(found.sheet),
        "folders": list(found.folders),
        "blanks": list(found.blanks),
        "notes": list(found.notes),
        "curves": [
            plain(
                {
                    "reading": c.reading,
                    "folder": c.folder,
                    "orbit": c.orbit,
                    "angle_deg": float(c.angle_deg),
                    "frequency_hz": c.frequency_hz.tolist(),
                    "level_db": c.level_db.tolist(),
                }
            )
            for c in found.curves
        ],
    }


def choices_told(found: Prepared) -> list[tuple[str, str]]:
    """What `prepare` chose, in words: (what, how much)."""
    c = found.choices
    there = [at.start_s for at in found.reflections.values() if at is not None]
    first = figures.joined(figures.number(min(there) * 1000.0, 2), "ms") if there else "none found"
    rows = [
        ("Recordings", f"{len(found.raw.angles)} around the speaker, {len(found.raw.near)} near its sources"),
        ("First reflection", first),
        ("Gate", figures.joined(figures.number(c.gate_s * 1000.0, 2), "ms")),
        ("Counts", figures.band(c.valid_from_hz, c.valid_to_hz, 3)),
        ("Levels", "relative" if c.pascal_per_unit is None else "dB re 20 µPa at 1 m, by the calibrator"),
    ]
    if c.merge is not None:
        error = figures.joined(figures.number(c.merge.error_db, 2), "dB")
        rows.append(("Bass from near the sources", f"below {figures.hertz(c.merge.meet_hz, 3)}, error {error}"))
    if found.timing is not None:
        rows += _timing_told(found.timing)
    for one in found.resonances:
        q = figures.number(one.what.q, 0 if one.what.q >= _TENS else 1)
        gain = figures.joined(figures.number(one.what.gain_db, 1, signed=True), "dB")
        least = "at least " if one.what.q_is_least else ""
        what = {"not told": "resonance or interference"}.get(one.kind, one.kind).capitalize()
        rows.append((what, f"{figures.hertz(one.what.frequency_hz, 3)}, {gain}, Q {least}{q}"))
    if c.noise:
        worst = max(sd for _, sd in c.noise)
        rows.append(("Noise on axis", f"at most {figures.joined(figures.number(worst, 2), 'dB')} (standard deviation)"))
    return rows


def _timing_told(timing: Timing) -> list[tuple[str, str]]:
    excess = "not above what is audible, 500 Hz–8 kHz"
    if timing.audible_hz is not None:
        excess = f"above what is audible near {figures.hertz(timing.audible_hz)}"
    rows = [("Delay beyond minimum phase", excess)]
    if timing.alignment_s is not None:
        late = figures.joined(figures.number(timing.alignment_s * 1000.0, 2, signed=True), "ms")
        way = figures.joined(figures.number(timing.alignment_s * _MM_A_SECOND, 0, signed=True), "mm")
        rows.append(("Below the crossover re above", f"{late} ({way})"))
    return rows


def prepared(found: Prepared, written: Sequence[str], *, accepted: bool) -> Document:
    """What `prepare` chose or wrote."""
    c = found.choices
    return told(
        None,
        folder=found.raw.name,
        accepted=accepted,
        written=list(written),
        choices={
            "gate_ms": c.gate_s * 1000.0,
            "valid_from_hz": c.valid_from_hz,
            "valid_to_hz": c.valid_to_hz,
            "pascal_per_unit": c.pascal_per_unit,
            "merge": None if c.merge is None else dataclasses.asdict(c.merge),
            "noise": [list(pair) for pair in c.noise],
            "arrival_ms": {file: at * 1000.0 for file, at in c.arrival_s.items()},
        },
        reflections_ms={f: None if at is None else at.start_s * 1000.0 for f, at in found.reflections.items()},
        timing=None
        if found.timing is None
        else {
            "excess_delay_ms": (found.timing.excess_s * 1000.0).tolist(),
            "audible_hz": found.timing.audible_hz,
            "alignment_ms": None if found.timing.alignment_s is None else found.timing.alignment_s * 1000.0,
        },
        resonances=[{**dataclasses.asdict(one.what), "kind": one.kind} for one in found.resonances],
        questions=[{"key": q.key, "found": q.found, "expected": q.expected} for q in found.questions],
        notes=list(found.notes),
        ledger=[{"file": e.file, "read_as": e.read_as, "why_not": e.why_not} for e in found.raw.ledger],
    )
