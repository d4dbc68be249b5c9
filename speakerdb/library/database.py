"""`Database`: the Python API. Every question of the command line is a method of the same name; its answer holds polars
frames, the main one as `.rows`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from cachetools import LRUCache

from speakerdb.answering import stored
from speakerdb.answering.facts import Facts, facts_of
from speakerdb.declare import Question, asks
from speakerdb.errors import DataError, StoreError
from speakerdb.field.field import Field
from speakerdb.field.naming import find_speaker, own_folder
from speakerdb.questions.bench_list import Benches
from speakerdb.questions.claim import Claim
from speakerdb.questions.compare import Compare
from speakerdb.questions.equalise import Equalise
from speakerdb.questions.explain import Explain
from speakerdb.questions.labs import Labs
from speakerdb.questions.list import List
from speakerdb.questions.match import Match
from speakerdb.questions.metrics import Metrics
from speakerdb.questions.pair import Pair
from speakerdb.questions.percentile import Percentile
from speakerdb.questions.place import Place
from speakerdb.questions.rank import Rank
from speakerdb.questions.settings import Settings
from speakerdb.questions.settle import Settle
from speakerdb.questions.shortlist import Shortlist
from speakerdb.questions.show import Show
from speakerdb.questions.table import Table
from speakerdb.questions.topics import Method
from speakerdb.questions.tradeoff import Tradeoff
from speakerdb.questions.trend import Trend
from speakerdb.store import State, Store, doing
from speakerdb.upkeep import adopting, curation, maintenance, mending_all, working_out
from speakerdb.upkeep import ingest as ingesting

if TYPE_CHECKING:
    from speakerdb.store import NewSession
    from speakerdb.store.queries import Found
    from speakerdb.upkeep.adopting import Learned
    from speakerdb.upkeep.ingest import IngestResult
    from speakerdb.upkeep.maintenance import DeriveReport

A = TypeVar("A")
Path_ = str | Path
NAMES_KEPT = 1000  # of speakers found by a part of their name


class Database:
    """An open database. Reading methods work on any; ingest, derive and the like need open(…, write=True).

    Use as a context manager, or call close(): while one process writes, no other can open the file.
    """

    def __init__(self, store: Store) -> None:
        self.store = store
        self._field: tuple[str, Field] | None = None
        self._noted = False
        self._found: LRUCache[tuple[str, str, bool], tuple[int, str]] = LRUCache(NAMES_KEPT)

    @classmethod
    def open(cls, path: Path_, *, write: bool = False) -> Database:
        """Open a file for reading, or for writing (then it is made where absent). Raises StoreError."""
        return cls(Store.open(Path(path), write=write))

    def note(self, what: str) -> None:
        """Leave a note beside the file of what is going to be done to it, until it is closed: after a crash the next
        command tells."""
        doing.begin(self.store.path, what, self.state.state)
        self._noted = True

    def close(self) -> None:
        self.store.close()
        if self._noted:
            doing.end(self.store.path)

    def __enter__(self) -> Database:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        """What it holds: '62 speakers, 123 sessions (speakers.duckdb, state 8077116ce5 of 2026-11-25, error model
        1)'."""
        state = self.state
        return (
            f"{state.speakers} speakers, {self.store.sessions()} sessions ({self.store.path.name}, state "
            f"{state.state} of {state.date}, "
            f"error model {state.error_model})"
        )

    @property
    def state(self) -> State:
        """The id of what the file holds now, the number of speakers and the date of the last change: cite it."""
        return self.store.state()

    @property
    def field(self) -> Field:
        """All speakers with facts, prices and curves; read again only when the state has changed."""
        state = self.state.state
        if self._field is None or self._field[0] != state:
            self._field = (state, Field(self.store))
        return self._field[1]

    def of(self, speaker_ids: Sequence[int]) -> Field:
        """The field of some speakers alone, for questions that need no other."""
        at_hand = self._field is not None and self._field[0] == self.state.state
        return self._field[1].few(speaker_ids) if at_hand and self._field else Field(self.store, speaker_ids)

    # in

    def ingest(
        self,
        *folders: Path_,
        sheet: Path_ | None = None,
        replace: bool = False,
        begin: Callable[[int], None] = lambda _: None,
        report: Callable[[IngestResult], None] = lambda _: None,
        name: Callable[[Path], str] = str,
        read: Sequence[tuple[Path, NewSession | DataError]] | None = None,
    ) -> list[IngestResult]:
        """Store the sessions found in the folders; one result per folder, called by its path unless `name` says
        otherwise. read: what they hold, where it was read already.

        Raises DataError where nothing is found.
        """
        if maintenance.stale_metrics(self.store):
            raise StoreError(
                f"{self.store.path} holds values computed by older definitions; run `speakerdb derive` "
                "before adding to it"
            )
        return ingesting.ingest(
            self.store,
            [Path(f) for f in folders],
            sheet=None if sheet is None else Path(sheet),
            replace=replace,
            begin=begin,
            report=report,
            name=name,
            read=read,
        )

    def bring_facts(self, file: Path_) -> tuple[int, int]:
        """Add facts and prices from a CSV; returns how many of each were new."""
        return curation.bring_facts(self.store, Path(file))

    def withdraw(self, session: str, reason: str) -> tuple[str, str]:
        """Take a session out of every statistic; returns (session id, speaker)."""
        return curation.withdraw(self.store, session, reason)

    def undo_withdrawal(self, session: str) -> tuple[str, str]:
        """Let a withdrawn session count again; returns (session id, speaker)."""
        return curation.undo_withdrawal(self.store, session)

    def rename(self, old: str, new: str) -> tuple[str, str]:
        """Give a speaker a new slug, the old one kept as an alias; returns (old, new)."""
        return curation.rename(self.store, old, new)

    def merge(self, kept: str, gone: str) -> tuple[str, str, int]:
        """Make two speakers one; returns (slug kept, slug gone, sessions moved)."""
        return curation.merge(self.store, kept, gone)

    # questions

    def ask(self, question: Question[A]) -> A:
        """The answer to a question: `db.ask(Rank("preference"))` is `db.rank("preference")`. Raises RequestError,
        UnknownNameError."""
        return question.answer(self)

    list = asks(List)
    table = asks(Table)
    show = asks(Show)
    explain = asks(Explain)
    metrics = asks(Metrics)
    method = asks(Method)
    rank = asks(Rank)
    match = asks(Match)
    compare = asks(Compare)
    percentile = asks(Percentile)
    settle = asks(Settle)
    tradeoff = asks(Tradeoff)
    trend = asks(Trend)
    labs = asks(Labs)
    benches = asks(Benches)
    shortlist = asks(Shortlist)
    settings = asks(Settings)
    claim = asks(Claim)
    equalise = asks(Equalise)
    place = asks(Place)
    pair = asks(Pair)

    def find(self, speaker: str, *, exact: bool = False) -> tuple[int, str]:
        """(speaker_id, slug) of a speaker by slug, earlier name or unambiguous part. Raises UnknownNameError."""
        key = (self.state.state, speaker, exact)
        if key not in self._found:
            self._found[key] = find_speaker(self.store, speaker, exact=exact)
        return self._found[key]

    def facts(self, speaker: str) -> Facts:
        """What is known of a speaker beside its measurements. Raises UnknownNameError."""
        return facts_of(self.store, self.find(speaker)[0])

    def setting(self, speaker: str, wanted: str | None = None) -> str:
        """The wanted setting if the speaker has it, else its default one. Raises UnknownNameError."""
        return stored.pick_setting(stored.settings_of(self.store, self.find(speaker)[0]), wanted)

    def side(self, name: str, *, exact: bool = False) -> tuple[int, str]:
        """(speaker_id, setting) of 'speaker' in its default setting, or of 'speaker@setting'. Raises
        UnknownNameError."""
        speaker, _, wanted = name.partition("@")
        speaker_id, _ = self.find(speaker, exact=exact)
        return speaker_id, stored.pick_setting(stored.settings_of(self.store, speaker_id), wanted or None)

    def query(self, name: str, parameters: Mapping[str, str] | None = None, *, folder: Path | None = None) -> Found:
        """Run a named query with bound parameters: its head, its rows, and how many speakers they leave out. folder: of
        your own .sql files; else where SPEAKERDB_QUERIES says, or queries/ beside the database."""
        return self.store.run_query(name, parameters or {}, folder or own_folder(self.store.path))

    # upkeep

    def work_out(
        self, *, begin: Callable[[int], None] = lambda _: None, advance: Callable[[int], None] = lambda _: None
    ) -> int:
        """Intervals for every session that has none yet; returns how many sessions. Ingest alone leaves them out."""
        return working_out.work_out(self.store, begin=begin, advance=advance)

    def equalise_all(
        self, *, begin: Callable[[int], None] = lambda _: None, advance: Callable[[int], None] = lambda _: None
    ) -> int:
        """The filters that mend each speaker, for those that have none yet, so that ranks can be asked with them;
        returns how many speakers."""
        return mending_all.equalise_all(self.store, begin=begin, advance=advance)

    def learn(self) -> Learned:
        """What the repeats in the file say of the sizes of errors and of how benches lie to one another; changes
        nothing."""
        return adopting.learned(self.store)

    def news(self) -> str | None:
        """One line where sessions can teach what was not looked at yet."""
        return adopting.news(self.store)

    def adopt(self) -> Learned:
        """Make it the error model that counts; `derive` and `work_out` then renew values and intervals."""
        return adopting.adopt(self.store)

    def forget(self) -> int:
        """Back to the default sizes, with no bench aligned; returns the version of the error model that counts."""
        return adopting.forget(self.store)

    def derive(
        self,
        *,
        everything: bool = False,
        from_raw: bool = False,
        begin: Callable[[int], None] = lambda _: None,
        advance: Callable[[int], None] = lambda _: None,
    ) -> DeriveReport:
        """Recompute the metrics whose definition has changed (everything, or from the kept source files, if asked), and
        all values of sessions of another error model than the one that counts."""
        return maintenance.derive(self.store, everything=everything, from_raw=from_raw, begin=begin, advance=advance)

    def export(self, folder: Path_) -> Sequence[Path]:
        """All tables as Parquet files."""
        return maintenance.export(self.store, Path(folder))

    def export_sofa(self, session: str, file: Path_) -> Path:
        """One session's curves as an AES69 FreeFieldDirectivityTF file; returns the .toml with its keys, written beside
        it."""
        return maintenance.export_sofa(self.store, session, Path(file))

    def verify_deep(
        self, *, begin: Callable[[int], None] = lambda _: None, advance: Callable[[int], None] = lambda _: None
    ) -> Sequence[str]:
        """Every table read to its end and held against a recomputation from the kept source files, in words."""
        from speakerdb.upkeep import deep_check

        return deep_check.problems(self.store.path, begin=begin, advance=advance)

    def verify(self) -> Sequence[str]:
        """What is wrong with the file's content, in words; empty where all is well."""
        return maintenance.verify(self.store)
