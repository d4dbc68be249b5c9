"""Commands that write or keep the file: ingest, derive, upgrade, export, verify."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from speakerdb import figures
from speakerdb.cli import terminal
from speakerdb.cli.common import DbOption, JsonOption, database_path, emit, open_database, open_existing

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from speakerdb.upkeep.adopting import Learned
    from speakerdb.upkeep.ingest import IngestResult

_STRIPS_FOR = 20  # speakers described after an ingest; the rest are named by their number


@contextmanager
def progress(label: str) -> Iterator[tuple[Callable[[int], None], Callable[[int], None]]]:
    """A progress bar on standard error where that is a terminal: gives (begin(total), advance(n))."""
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn(label), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(
        *columns, console=terminal.console(stderr=True), transient=True, disable=not sys.stderr.isatty()
    ) as bar:
        task = bar.add_task(label, total=None)
        yield (lambda total: bar.update(task, total=total)), (lambda n: bar.advance(task, n))


def ingest(
    folders: Annotated[list[Path], typer.Argument(help="Session folders, or folders of them.")],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Read and check everything, store nothing.")] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Put a session in the place of the stored one with the same key.")
    ] = False,
    sheet: Annotated[
        Path | None, typer.Option("--sheet", help="CSV with a `folder` column and session.toml keys.")
    ] = None,
    propose: Annotated[
        bool,
        typer.Option(
            "--propose", help="Look at unknown files, write a folder.toml and a sheet to fill in; store nothing."
        ),
    ] = False,
    no_intervals: Annotated[
        bool, typer.Option("--no-intervals", help="Leave how sure the values are to a later `speakerdb derive`.")
    ] = False,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Store measurement sessions.

    Good ones are stored, bad ones are listed with all that is wrong.

    Example: speakerdb ingest measurements/

    Intervals take most of the time. With --no-intervals they wait for `derive`,
    which pays where more is to come or the error model is about to be adopted.
    """
    from speakerdb.cli import show_text
    from speakerdb.upkeep.ingest import NOT_STORED, find_tasks
    from speakerdb.upkeep.ingest import ingest as read_only_ingest
    from speakerdb.words import upkeep_documents

    if propose:
        _propose(folders, json=json)
        return
    with progress("reading folders") as (begin, advance):

        def report(_: IngestResult) -> None:
            advance(1)

        if dry_run:
            results = read_only_ingest(None, folders, sheet=sheet, begin=begin, report=report)
            base = None
        else:
            find_tasks(folders, sheet)  # nothing to ingest: say so before a file is made
            base = open_database(db, write=True)
            try:
                results = base.ingest(*folders, sheet=sheet, replace=replace, begin=begin, report=report)
            except BaseException:
                base.close()
                raise
    if base and not no_intervals:
        with progress("working out intervals") as (begin, advance):
            base.work_out(begin=begin, advance=advance)
    state = base.state if base else None
    if json:
        emit(upkeep_documents.ingest(state, results))
    else:
        _tell(results, dry_run=dry_run)
        if base and no_intervals:
            terminal.line("\nIntervals wait: `speakerdb derive` works them out.")
        elif base:
            touched = list(
                dict.fromkeys(r.speaker for r in results if r.result in {"stored", "replaced"} and r.speaker)
            )
            for slug in touched[:_STRIPS_FOR]:
                terminal.line(f"\n{slug}")
                show_text.strip(base.show(slug, exact=True).strip)
            if len(touched) > _STRIPS_FOR:
                terminal.line(
                    f"\n… and {len(touched) - _STRIPS_FOR} more speakers; `speakerdb show NAME` tells of each."
                )
        if base and (news := base.news()):
            terminal.line(f"\n{news}.")
    if base:
        base.close()
    if any(r.result in NOT_STORED for r in results):
        raise typer.Exit(1)


def _propose(folders: list[Path], *, json: bool) -> None:
    from speakerdb import formats
    from speakerdb.cli import proposing
    from speakerdb.questions import documents
    from speakerdb.words import upkeep_documents

    proposals = [formats.propose(folder) for folder in folders]
    if json:
        emit(documents.told(None, proposals=[upkeep_documents.proposal(p) for p in proposals]))
        return
    for proposal in proposals:
        proposing.tell(proposal)


_NOT_STORED_WORDS = {"withdrawn": "not stored", "asked": "not stored before this is answered", "refused": "refused"}


def _tell(results: list[IngestResult], *, dry_run: bool) -> None:
    from speakerdb.upkeep.ingest import NOT_STORED
    from speakerdb.words import upkeep_documents

    words = upkeep_documents.RESULT_WORDS | ({"stored": "would be stored"} if dry_run else {})
    counts = upkeep_documents.result_counts(results)
    terminal.line(", ".join(f"{n} {words[w]}" for w, n in counts.items()) + f" (of {len(results)} folders)")
    for result in results:
        for warning in result.warnings:
            terminal.line(f"  {result.folder}: note: {warning}")
        if result.result in NOT_STORED:
            terminal.line(f"  {result.folder}: {_NOT_STORED_WORDS[result.result]}")
            for item in result.errors:
                terminal.line(f"    {item}")
        if dry_run and result.ledger:
            terminal.line(f"  {result.folder}: files")
            for entry in result.ledger:
                said = f"read as {entry.read_as}" if entry.read_as else f"not read: {entry.why_not}"
                terminal.line(f"    {entry.file}: {said}")


def derive(
    everything: Annotated[
        bool, typer.Option("--all", help="All metrics, not only those whose definition changed.")
    ] = False,
    from_raw: Annotated[bool, typer.Option("--from-raw", help="Read the kept source files again first.")] = False,
    learn: Annotated[
        bool, typer.Option("--learn", help="Only show what your repeats say of the sizes of errors and of benches.")
    ] = False,
    adopt: Annotated[
        bool, typer.Option("--adopt", help="Make what --learn shows the error model that counts, then recompute.")
    ] = False,
    forget: Annotated[
        bool, typer.Option("--forget", help="Go back to the default sizes and to benches as they are, then recompute.")
    ] = False,
    equalise: Annotated[
        bool, typer.Option("--equalise", help="Also work out the filters that mend each speaker, for rank --equalised.")
    ] = False,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Recompute values whose definition or error model has changed.

    Example: speakerdb derive With --learn: how large repeat, session, level and sample errors are by what you measured
    twice, and how benches lie to one another by the specimens that two have measured. With --adopt intervals and values
    rest on it.
    """
    from speakerdb.words import upkeep_documents

    if learn + adopt + forget > 1:
        raise typer.BadParameter("give one of --learn, --adopt and --forget")
    if learn:
        with open_database(db) as base:
            found = base.learn()
            if json:
                emit(upkeep_documents.derive(base.state, learned=found))
            else:
                _learned(found)
                for sentence in _what_next(found):
                    terminal.line(sentence)
        return
    found_now = None
    if adopt or forget:
        with open_existing(db) as base:
            if adopt:
                found_now = base.adopt()
            else:
                base.forget()
    with open_existing(db) as base, progress("recomputing") as (begin, advance):
        report = base.derive(everything=everything, from_raw=from_raw, begin=begin, advance=advance)
    with open_existing(db) as base, progress("working out intervals") as (begin, advance):
        drawn = base.work_out(begin=begin, advance=advance)
        state = base.state
    mended = 0
    if equalise:
        with open_existing(db) as base, progress("working out filters") as (begin, advance):
            mended = base.equalise_all(begin=begin, advance=advance)
            state = base.state
    if json:
        emit(upkeep_documents.derive(state, list(report.metrics), report.sessions, drawn, found_now, mended))
        return
    if found_now is not None:
        from speakerdb.words.learned_words import told

        _learned(found_now)
        for sentence in told(found_now) or _nothing():
            terminal.line(sentence)
    if forget:
        terminal.line("Errors have their default sizes, and no bench is aligned.")
    if report.metrics:
        terminal.line(f"Recomputed {', '.join(report.metrics)} for {report.sessions} sessions.")
    if drawn:
        terminal.line(f"Worked out the intervals of {drawn} sessions.")
    if mended:
        terminal.line(f"Worked out the filters of {mended} speakers.")
    if not report.metrics and not drawn and not mended:
        terminal.line("Every value is up to date; nothing to do.")


def _nothing() -> list[str]:
    from speakerdb.statistics.learning import LEAST

    return [
        f"Nothing can be adopted: a size takes repeats of {LEAST} speakers,",
        f"a pair of benches {LEAST} specimens that both have measured.",
    ]


def _learned(found: Learned) -> None:
    """Sizes, then benches under the one they would be aligned to."""
    from speakerdb.statistics.error_model import bench_words
    from speakerdb.upkeep.adopting import PART_WORDS

    terminal.line("Standard deviations in dB, 100 Hz–10 kHz; n speakers that were measured twice")
    terminal.table(
        ["part", "default", "from your repeats", "n", "would adopt"],
        [
            [
                PART_WORDS[s.part],
                figures.number(s.default_sd_db, 2),
                figures.number(s.seen_sd_db, 2),
                s.n,
                figures.number(s.wanted_sd_db, 2) if s.reason is None else "stays",
            ]
            for s in found.parts
        ],
        right=(1, 2, 3, 4),
    )
    for s in found.parts:
        if s.reason is not None:
            terminal.line(f"Stays as it is, {PART_WORDS[s.part]}: {s.reason}.")
    for to_bench in dict.fromkeys(p.to_bench for p in found.benches):
        pairs = [p for p in found.benches if p.to_bench == to_bench]
        terminal.line(f"Beside {bench_words(to_bench)}, in dB; n specimens that both have measured")
        terminal.table(
            ["bench", "n", "apart in shape, RMS", "in level", "left once aligned"],
            [
                [bench_words(p.bench), p.n, *(figures.number(x, 2) for x in (p.shape_db, p.level_db, p.residual_sd_db))]
                for p in pairs
            ],
            right=(1, 2, 3, 4),
        )
        for p in pairs:
            if p.reason is not None:
                terminal.line(f"Not to be aligned, {bench_words(p.bench)}: {p.reason}.")


def _what_next(found: Learned) -> list[str]:
    if found.counts:
        return [f"This counts already (error model version {found.version})."] if found.adoptable else _nothing()
    return [
        "`speakerdb derive --adopt` makes it count and recomputes.",
        "`speakerdb derive --forget` goes back to the defaults.",
    ]


def upgrade(db: DbOption = None, json: JsonOption = False) -> None:
    """Bring the file to this program's schema; a copy is kept.

    Example: speakerdb upgrade
    """
    from speakerdb.questions import documents
    from speakerdb.upkeep import maintenance

    path = database_path(db)
    old, new, copy = maintenance.upgrade(path)
    if json:
        emit(documents.told(None, old=old, new=new, copy=str(copy) if copy else None))
    elif copy:
        terminal.line(f"{path}: schema {old} → {new}. The old file is kept as {copy}.")
    else:
        terminal.line(f"{path} has schema {new}, the newest; nothing to do.")


def export(
    target: Annotated[Path, typer.Argument(help="A new or empty folder; with --sofa, the file to write.")],
    sofa: Annotated[
        str | None,
        typer.Option("--sofa", metavar="SESSION", help="Write one session's curves as an AES69 (SOFA) file."),
    ] = None,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Write all tables as Parquet, or one session as SOFA.

    Example: speakerdb export tables/
    """
    from speakerdb.questions import documents

    with open_database(db) as base:
        if sofa is not None:
            keys = base.export_sofa(sofa, target)
            if json:
                emit(documents.told(base.state, files=[str(target), str(keys)]))
            else:
                terminal.line(
                    f"{target}: session {sofa} as FreeFieldDirectivityTF; {keys} holds what its session.toml says."
                )
            return
        files = base.export(target)
        if json:
            emit(documents.told(base.state, files=[str(f) for f in files]))
            return
        terminal.line(
            f"{len(files)} tables written to {target} as Parquet, which any engine reads "
            "(the database file itself needs DuckDB 2 or newer)."
        )


def verify(
    compact: Annotated[bool, typer.Option("--compact", help="Also rewrite the file without dead space.")] = False,
    deep: Annotated[
        bool, typer.Option("--deep", help="Read all of it, and hold all of it against a recomputation.")
    ] = False,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Check the file.

    Orphans, hashes, a sample of sessions recomputed, doubled curves, facts in conflict.

    Example: speakerdb verify --deep. What is damaged, `repair` makes anew from the sources in the file.
    """
    from speakerdb.questions import documents
    from speakerdb.store import connection
    from speakerdb.upkeep import deep_check, maintenance

    with open_database(db) as base:
        state = base.state
        try:
            problems = list(base.verify())
        except Exception as error:
            if not deep:
                raise
            told = connection.in_words(error)
            problems = [told or f"what it holds can't all be read ({type(error).__name__}: {str(error)[:100]})"]
    if deep:  # on a connection of its own: after a fault the first one gives no more answers
        with progress("recomputing") as (begin, advance):
            again = deep_check.problems(database_path(db), begin=begin, advance=advance)
            problems += [p for p in again if p not in problems]
    sizes = maintenance.compact(database_path(db)) if compact else None
    if json:
        extra = {"bytes_before": sizes[0], "bytes_after": sizes[1]} if sizes else {}
        emit(documents.told(state, ok=not problems, problems=list(problems), **extra))
    else:
        for problem in problems:
            terminal.line(problem)
        terminal.line(f"{len(problems)} problems found." if problems else "No problem found.")
        if sizes:
            terminal.line(f"Compacted: {figures.megabytes(sizes[0])} → {figures.megabytes(sizes[1])}.")
    if problems:
        raise typer.Exit(1)


def repair(
    out: Annotated[Path | None, typer.Option("--out", help="The new file (default: beside the old one).")] = None,
    db: DbOption = None,
    json: JsonOption = False,
) -> None:
    """Save what can be saved of a damaged file, into a new one.

    Example: speakerdb repair --db speakers.duckdb

    The old file is not touched. Curves are read again from the source files kept in the file, or from the session's
    folder where those are damaged and it holds the same bytes; all else is computed anew.
    """
    from speakerdb.questions import documents
    from speakerdb.upkeep import rebuilding

    path = database_path(db)
    target = out or path.with_name(f"{path.stem}.repaired{path.suffix}")
    with progress("reading and recomputing") as (begin, advance):
        done = rebuilding.repair(path, target, begin=begin, advance=advance)
    found = done.found
    with open_database(target) as base:
        state = base.state
    if json:
        emit(
            documents.told(
                state,
                file=str(done.target),
                whole=len(found.whole),
                taken_over=found.taken_over,
                lost=found.lost,
                problems=found.told,
            )
        )
    else:
        for line in found.told:
            terminal.line(line)
        terminal.line(
            f"{len(found.whole)} sessions made anew, {len(found.taken_over)} taken over as they stood, "
            f"{len(found.lost)} lost."
        )
        terminal.line(
            f"Written: {done.target}. {path} is as it was; put the new file in its place when you are content."
        )
    if found.lost:
        raise typer.Exit(1)
