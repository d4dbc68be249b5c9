"""`Database`: the Python API. Every command has a method of the same name that gives a polars frame, or an answer that holds frames:
that of `rank` as `.rows`."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from cachetools import LRUCache

from speakerdb.errors import RequestError, StoreError
from speakerdb.field.field import Field
from speakerdb.field.naming import find_metric, find_speaker
from speakerdb.questions import branching, claim, compare, overview, rank, settings, settle, shortlist, stored
from speakerdb.questions.facts import Facts, facts_of
from speakerdb.questions.stored import Explanation, Selection
from speakerdb.store import State, Store
from speakerdb.upkeep import adopting, curation, maintenance, working_out
from speakerdb.upkeep import ingest as ingesting

if TYPE_CHECKING:
    import polars as pl

    from speakerdb.analysis.metric_column import Target
    from speakerdb.analysis.question import Question
    from speakerdb.questions.claim import ClaimAnswer
    from speakerdb.questions.compare import CompareAnswer, PercentileAnswer
    from speakerdb.questions.overview import LabsAnswer, TradeOffAnswer, TrendAnswer
    from speakerdb.questions.rank import RankAnswer
    from speakerdb.questions.settings import SettingsAnswer
    from speakerdb.questions.settle import SettleAnswer
    from speakerdb.questions.shortlist import RoomAnswer
    from speakerdb.store.queries import NamedQuery
    from speakerdb.upkeep.adopting import Learned
    from speakerdb.upkeep.ingest import IngestResult
    from speakerdb.upkeep.maintenance import DeriveReport

Path_ = str | Path
NAMES_KEPT = 1000  # of speakers found by a part of their name


class Database:
    """An open database. Reading methods work on any; ingest, derive and the like need open(…, write=True).

    Use as a context manager, or call close(): while one process writes, no other can open the file.
    """

    def __init__(self, store: Store) -> None:
        self.store = store
        self._field: tuple[str, Field] | None = None
        self._found: LRUCache[tuple[str, str, bool], tuple[int, str]] = LRUCache(NAMES_KEPT)

    @classmethod
    def open(cls, path: Path_, *, write: bool = False) -> Database:
        """Open a file for reading, or for writing (then it is made where absent). Raises StoreError."""
        return cls(Store.open(Path(path), write=write))

    def close(self) -> None:
        self.store.close()

    def __enter__(self) -> Database:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

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

    def ingest(self, *folders: Path_, sheet: Path_ | None = None, replace: bool = False,
               begin: Callable[[int], None] = lambda _: None,
               report: Callable[[IngestResult], None] = lambda _: None,
               name: Callable[[Path], str] = str) -> list[IngestResult]:  # fmt: skip
        """Store the sessions found in the folders; one result per folder, called by its path unless `name` says otherwise.

        Raises DataError where nothing is found.
        """
        if maintenance.stale_metrics(self.store):
            raise StoreError(
                f"{self.store.path} holds values computed by older definitions; run `speakerdb derive` before adding to it"
            )
        return ingesting.ingest(
            self.store, [Path(f) for f in folders], sheet=None if sheet is None else Path(sheet), replace=replace,
            begin=begin, report=report, name=name,
        )  # fmt: skip

    def bring_facts(self, file: Path_) -> tuple[int, int]:
        """Add facts and prices from a CSV; returns how many of each were new."""
        return curation.bring_facts(self.store, Path(file))

    def withdraw(self, session: str, reason: str) -> tuple[str, str]:
        """Take a session out of every statistic; returns (session id, speaker)."""
        return curation.withdraw(self.store, session, reason)

    def rename(self, old: str, new: str) -> tuple[str, str]:
        """Give a speaker a new slug, the old one kept as an alias; returns (old, new)."""
        return curation.rename(self.store, old, new)

    def merge(self, kept: str, gone: str) -> tuple[str, str, int]:
        """Make two speakers one; returns (slug kept, slug gone, sessions moved)."""
        return curation.merge(self.store, kept, gone)

    # questions

    def list(self, currency: str | None = None) -> pl.DataFrame:
        """One row per speaker: names, facts, price, settings, sessions, labs, samples."""
        return stored.list_speakers(self.field, self.store, currency)

    def find(self, speaker: str, *, exact: bool = False) -> tuple[int, str]:
        """(speaker_id, slug) of a speaker by slug, earlier name or unambiguous part. Raises UnknownNameError."""
        key = (self.state.state, speaker, exact)
        if key not in self._found:
            self._found[key] = find_speaker(self.store, speaker, exact=exact)
        return self._found[key]

    def facts(self, speaker: str) -> Facts:
        """What is known of a speaker beside its measurements."""
        return facts_of(self.store, self.find(speaker)[0])

    def setting(self, speaker: str, wanted: str | None = None) -> str:
        """The wanted setting if the speaker has it, else its default one. Raises UnknownNameError."""
        return stored.pick_setting(stored.settings_of(self.store, self.find(speaker)[0]), wanted)

    def show(
        self,
        speaker: str,
        *,
        setting: str | None = None,
        all_settings: bool = False,
        target: Target = "as_measured",
        exact: bool = False,
    ) -> pl.DataFrame:
        """All values of one speaker: pooled rows (session null), then each session's; intervals as measured, absolute or of another unit."""
        speaker_id, _ = self.find(speaker, exact=exact)
        return stored.show(self.store, speaker_id, setting, all_settings=all_settings, target=target)

    def cautions(self, shown: pl.DataFrame) -> Sequence[str]:
        """What stands beside the values of `show`: those that are one of two, that noise limits, that sessions disagree on."""
        return branching.cautions(shown)

    def explain(self, speaker: str, metric: str, *, setting: str | None = None, exact: bool = False) -> Explanation:
        """Where one value comes from: definition, curve, source files with their hashes."""
        speaker_id, slug = self.find(speaker, exact=exact)
        return stored.explain(self.store, speaker_id, slug, metric, setting)

    def metrics(self, metric: str | None = None) -> pl.DataFrame:
        """The dictionary, or one row of it."""
        return stored.metrics_frame(metric)

    def rank(self, metric: str, *, selection: Selection | None = None, top: int | None = None, jointly: bool = False,
             target: Target = "as_measured") -> RankAnswer:  # fmt: skip
        """Speakers in order of a metric, the better first, with the places that each can have; withheld ones with the reason.

        jointly: also the places that all together can have. target: as measured on this bench, absolute, or of another unit.
        """
        return rank.rank(self.field, find_metric(metric), selection or Selection(), top, jointly=jointly, target=target)

    def side(self, name: str, *, exact: bool = False) -> tuple[int, str]:
        """(speaker_id, setting) of 'speaker' in its default setting, or of 'speaker@setting'. Raises UnknownNameError."""
        speaker, _, wanted = name.partition("@")
        speaker_id, _ = self.find(speaker, exact=exact)
        return speaker_id, stored.pick_setting(stored.settings_of(self.store, speaker_id), wanted or None)

    def compare(self, *speakers: str, metrics: Sequence[str] | None = None, target: Target = "as_measured",
                exact: bool = False) -> CompareAnswer:  # fmt: skip
        """Every pair's differences, how sure they are and whether they matter; 'speaker@setting' names another setting."""
        sides = [self.side(name, exact=exact) for name in speakers]
        wanted = None if metrics is None else [find_metric(m) for m in metrics]
        return compare.compare(self.store, self.of([speaker_id for speaker_id, _ in sides]), sides, wanted, target)

    def settle(self, a: str, b: str, *, metrics: Sequence[str] | None = None, another_unit: bool = False,
               exact: bool = False) -> SettleAnswer:  # fmt: skip
        """Which further measurement would tell two speakers apart where nothing does yet, and how likely. Raises RequestError."""
        wanted = None if metrics is None else [find_metric(m) for m in metrics]
        sides = (self.side(a, exact=exact), self.side(b, exact=exact))
        field = self.of([speaker_id for speaker_id, _ in sides])
        return settle.settle(self.store, field, sides, wanted, another_unit=another_unit)

    def tradeoff(self, x: str, y: str, *, selection: Selection | None = None, with_line: bool = True) -> TradeOffAnswer:
        """Two properties against each other (metrics, or price, volume_l, mass_kg, …): the frontier, who beats what at which price, who
        beats expectation.

        with_line: work out the line that one in ten beats, the slowest part.
        """
        return overview.tradeoff(self.field, x, y, selection or Selection(), with_line=with_line)

    def trend(self, *metrics: str, over: str, selection: Selection | None = None) -> TrendAnswer:
        """Metrics over year, price, volume, mass or another metric, or between groups by kind, layout or enclosure."""
        return overview.trend(self.field, metrics, over, selection or Selection())

    def percentile(self, speaker: str, *, metrics: Sequence[str] | None = None, factor: float = 2.0,
                   query: str | None = None, exact: bool = False) -> PercentileAnswer:  # fmt: skip
        """A speaker's places among its peers: same kind, price and size within a factor (wider where these are too few), or the
        `speaker`s of a named query."""
        side = self.side(speaker, exact=exact)
        wanted = None if metrics is None else [find_metric(m) for m in metrics]
        if query is None:
            return compare.percentile(self.field, side, wanted, factor=factor)
        head, frame = self.query(query)
        if "speaker" not in frame.columns:
            raise RequestError(f"query {head.name} has no column `speaker`: it gives no peer group")
        among = frame["speaker"].unique().to_list()
        return compare.percentile(self.field, side, wanted, among=among, among_words=f"query {head.name}")

    def labs(self, *, metrics: Sequence[str] | None = None) -> LabsAnswer:
        """By how much benches differ, from the speakers that two of them have measured, and what is left of it once aligned."""
        return overview.labs(self.store, metrics)

    def match(self, speaker: str, *, setting: str | None = None, selection: Selection | None = None,
              weights: Mapping[str, float] | None = None, top: int | None = 10, exact: bool = False) -> pl.DataFrame:  # fmt: skip
        """The nearest relatives of a speaker, nearest first, with the distance in dB and its parts."""
        speaker_id, _ = self.find(speaker, exact=exact)
        settings = stored.settings_of(self.store, speaker_id)
        return stored.match(
            self.store, self.field, speaker_id, setting, settings, selection or Selection(), dict(weights or {}), top
        )

    def shortlist(
        self, question: Question, *, selection: Selection | None = None, most: int | None = None
    ) -> RoomAnswer:
        """Which speakers fit a room, a seat, a level and limits; near misses; what could not be judged. Raises RequestError.

        most: chance and interval of the level are worked out, the slowest part, for the first so many that meet it, and so many of the
        near misses (None: for all).
        """
        return shortlist.shortlist(self.field, question, selection or Selection(), most)

    def settings(self, speaker: str, *, against: str | None = None, wall_distance_m: float | None = None,
                 exact: bool = False) -> SettingsAnswer:  # fmt: skip
        """What the settings of a speaker change against one of them (the default one), and which suits a wall behind."""
        speaker_id, slug = self.find(speaker, exact=exact)
        reference = stored.pick_setting(stored.settings_of(self.store, speaker_id), against)
        return settings.compare(self.store, self.field, speaker_id, slug, reference, wall_distance_m)

    def claim(self, speaker: str, *, setting: str | None = None, exact: bool = False) -> ClaimAnswer:
        """The maker's claimed maximum level against the measured one. Raises RequestError where nothing is claimed."""
        speaker_id, slug = self.find(speaker, exact=exact)
        chosen = stored.pick_setting(stored.settings_of(self.store, speaker_id), setting)
        return claim.claim(self.field, slug, chosen)

    def query(self, name: str, parameters: Mapping[str, str] | None = None) -> tuple[NamedQuery, pl.DataFrame]:
        """Run a named query with bound parameters."""
        return self.store.run_query(name, parameters or {})

    # upkeep

    def work_out(
        self, *, begin: Callable[[int], None] = lambda _: None, advance: Callable[[int], None] = lambda _: None
    ) -> int:
        """Intervals for every session that has none yet; returns how many sessions. Ingest alone leaves them out."""
        return working_out.work_out(self.store, begin=begin, advance=advance)

    def learn(self) -> Learned:
        """What the repeats in the file say of the sizes of errors and of how benches lie to one another; changes nothing."""
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

    def derive(self, *, everything: bool = False, from_raw: bool = False, begin: Callable[[int], None] = lambda _: None,
               advance: Callable[[int], None] = lambda _: None) -> DeriveReport:  # fmt: skip
        """Recompute the metrics whose definition has changed (everything, or from the kept source files, if asked), and all values of
        sessions of another error model than the one that counts."""
        return maintenance.derive(self.store, everything=everything, from_raw=from_raw, begin=begin, advance=advance)

    def export(self, folder: Path_) -> Sequence[Path]:
        """All tables as Parquet files."""
        return maintenance.export(self.store, Path(folder))

    def export_sofa(self, session: str, file: Path_) -> Path:
        """One session's curves as an AES69 FreeFieldDirectivityTF file; returns the .toml with its keys, written beside it."""
        return maintenance.export_sofa(self.store, session, Path(file))

    def verify(self) -> Sequence[str]:
        """What is wrong with the file's content, in words; empty where all is well."""
        return maintenance.verify(self.store)
