"""The Python API: a database that is asked and kept up."""

from speakerdb.library.database import Database

__all__ = ["Database"]
