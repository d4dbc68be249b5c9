"""Files to one in-memory session, or to one error that lists everything that is wrong."""

from __future__ import annotations

from speakerdb.formats.content import content_hash
from speakerdb.formats.discovery import find_sessions
from speakerdb.formats.propose import Proposal, ProposedCurve, propose
from speakerdb.formats.session_reader import read_session, read_sources
from speakerdb.formats.session_sheet import Sheet, read_sheet
from speakerdb.formats.slug import slugify
from speakerdb.formats.sofa_out import session_toml, write_sofa

__all__ = [
    "Proposal",
    "ProposedCurve",
    "Sheet",
    "content_hash",
    "find_sessions",
    "propose",
    "read_session",
    "read_sheet",
    "read_sources",
    "session_toml",
    "slugify",
    "write_sofa",
]
