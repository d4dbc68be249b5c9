"""The DuckDB file: open, migrate, write sessions, run named queries. Knows no acoustics and no statistics."""

from speakerdb.store.reading import State
from speakerdb.store.store import Store
from speakerdb.store.writing import NewSession, session_key

__all__ = ["NewSession", "State", "Store", "session_key"]
