"""The Python API: the only room that joins files, derive, store and analysis."""

from speakerdb.analysis.question import Question
from speakerdb.library.answers import Explanation, Selection
from speakerdb.library.database import Database

__all__ = ["Database", "Explanation", "Question", "Selection"]
