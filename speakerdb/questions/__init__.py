"""What can be asked, a file a question: its fields, the classes of its answer, and how it is answered from the rooms
below."""

from __future__ import annotations

from typing import Any

from speakerdb.declare import Question
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

QUESTIONS: tuple[type[Question[Any]], ...] = (
    List,
    Table,
    Show,
    Explain,
    Metrics,
    Method,
    Rank,
    Match,
    Compare,
    Percentile,
    Settle,
    Tradeoff,
    Trend,
    Labs,
    Benches,
    Shortlist,
    Settings,
    Claim,
    Equalise,
    Place,
    Pair,
)
