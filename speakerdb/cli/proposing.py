"""What `ingest --propose` shows: the files it wrote, the blanks, and three curves as they were understood."""

from __future__ import annotations

from typing import TYPE_CHECKING

from speakerdb import figures
from speakerdb.cli import terminal

if TYPE_CHECKING:
    from speakerdb.formats import Proposal, ProposedCurve

_MARKS = "▁▂▃▄▅▆▇█"
_COLUMNS = 60
_SPAN_DB = 40.0  # what the height of the picture stands for, from the highest point down


def tell(proposal: Proposal) -> None:
    """Print the proposal."""
    terminal.line(f"Written: {proposal.folder_toml} and {proposal.sheet}. Nothing was stored.")
    terminal.line(
        f'{len(proposal.folders)} session{"s" * (len(proposal.folders) != 1)} found. Fill in what is marked "?": '
        f"{', '.join(proposal.blanks) or 'nothing'}."
    )
    for note in proposal.notes:
        terminal.line(f"Note: {note}")
    for curve in proposal.curves:
        terminal.line("")
        _picture(curve)
    terminal.line(
        f"\nIf the curves look right: speakerdb ingest {proposal.folder_toml.parent} --sheet {proposal.sheet}"
    )


def _picture(curve: ProposedCurve) -> None:
    """One curve over log frequency as a row of blocks; the top is its highest point, the bottom 40 dB below."""
    import numpy as np

    there = ~np.isnan(curve.level_db)
    f, level = curve.frequency_hz[there], curve.level_db[there]
    by = f"{curve.reading}: " if curve.reading else ""
    terminal.line(
        f"{by}{curve.folder}, {curve.orbit} {figures.plain(curve.angle_deg)}°: {figures.number(len(f))} points, "
        f"{figures.span(f[0], f[-1])} Hz, {figures.DB.interval_text(level.min(), level.max())}"
    )
    at = np.geomspace(f[0], f[-1], _COLUMNS)
    height = (np.interp(np.log(at), np.log(f), level) - level.max()) / _SPAN_DB + 1.0
    steps = np.clip((height * len(_MARKS)).astype(int), 0, len(_MARKS) - 1)
    terminal.line("  " + "".join(_MARKS[s] for s in steps))
