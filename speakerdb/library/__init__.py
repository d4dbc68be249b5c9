"""The Python API: the only room that joins files, derive, store and analysis."""

from speakerdb.analysis.question import Question
from speakerdb.library.database import Database
from speakerdb.questions.stored import Explanation, Selection

__all__ = ["Database", "Explanation", "Question", "Selection"]
