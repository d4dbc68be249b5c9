"""The spectrum of somebody's own music, from a table."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np

from speakerdb import figures
from speakerdb.acoustics import programme
from speakerdb.errors import DataError, ErrorItem
from speakerdb.files import MAX_LIST_BYTES, read_file

_EXPECTED = "frequency_hz,level_db such as 63,-15.2"


def read_spectrum(path: Path) -> tuple[float, ...]:
    """(31,) levels of the third-octave bands re the whole, from a CSV with the columns frequency_hz and level_db: level
    of the band around each frequency, straight lines over log f between them, nothing beyond the first and the last
    band of the table. Raises DataError with every wrong row, and where the bands from 50 Hz to 10 kHz are not all
    there."""
    try:
        text = read_file(path, MAX_LIST_BYTES).decode("utf-8-sig")
        rows = list(csv.DictReader(io.StringIO(text), skipinitialspace=True))
    except OSError as error:
        raise DataError(f"{path} can't be read: {error.strerror or error}") from None
    except (UnicodeDecodeError, csv.Error):
        raise DataError(f"{path} is not a CSV file in UTF-8") from None
    found, items = {}, []
    for line, row in enumerate(rows, 2):
        try:
            frequency, in_band = float(row["frequency_hz"]), float(row["level_db"])
            if not (np.isfinite(in_band) and 0.0 < frequency < np.inf) or frequency in found:
                raise ValueError
        except (KeyError, ValueError, TypeError):
            items.append(ErrorItem(file=path.name, line=line, found=str(row), expected=_EXPECTED))
            continue
        found[frequency] = in_band
    if items:
        raise DataError(f"{path}: {figures.count(len(items), 'row')} can't be used", items)
    x = np.log2(sorted(found))
    at, half = np.log2(programme.BANDS_HZ), 1.0 / 6.0
    needed = slice(programme.band_of(programme.FROM_HZ), programme.band_of(programme.TO_HZ) + 1)
    if len(x) < 2 or x[0] > at[needed][0] + half or x[-1] < at[needed][-1] - half or np.diff(x).max() > 1.0:
        raise DataError(
            f"{path} does not hold a whole spectrum: expected {_EXPECTED}, a row for each third octave or octave "
            f"from {figures.hertz(programme.FROM_HZ)} to {figures.hertz(programme.TO_HZ)}"
        )
    level = np.interp(at, x, [found[f] for f in sorted(found)])
    level[(at < x[0] - half) | (at > x[-1] + half)] = -np.inf
    return tuple(programme.normalised(level).tolist())
