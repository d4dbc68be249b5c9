"""The page on which the choices of `prepare` are looked at: one file without scripts, nothing fetched."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from speakerdb import figures
from speakerdb.charts import plain_plot, saving, theme
from speakerdb.charts.plain_plot import Line, Plot
from speakerdb.formats.raw_folder import PAGE_FILE
from speakerdb.report.page import environment
from speakerdb.signals import gating
from speakerdb.words.upkeep_documents import choices_told

if TYPE_CHECKING:
    from speakerdb.upkeep.recordings import Prepared

_SHORTER = 0.7  # of the gate, that a shorter one is looked at with
_BAND_HZ = (20.0, 20000.0)
_SPAN_DB = 50.0  # of a plot of levels
_CSS = (
    "body{margin:0 auto;max-width:800px;padding:16px;background:var(--paper);color:var(--ink);line-height:1.45}"
    "h1{font-size:1.3em}h2{font-size:1.05em;margin-bottom:4px}table{border-collapse:collapse}"
    "td{padding:2px 16px 2px 0;vertical-align:top}.key{display:inline-block;margin-right:14px;white-space:nowrap}"
    ".key svg{width:34px;height:8px;margin-right:4px}.asked{border-left:4px solid var(--accent);padding-left:10px}"
)


def plots(found: Prepared) -> list[Plot]:
    """What there is to look at: impulse and gate, a shorter gate, noise, the overlap, harmonics, excess delay."""
    row = next((i for i, a in enumerate(found.raw.angles) if a.on_axis), 0)
    made = [_impulse(found, row), _gates(found, row)]
    if found.far.snr_db is not None:
        made.append(_noise(found, row))
    if found.near is not None and found.choices.merge is not None:
        made.append(_overlap(found, row))
    if found.distortion:
        made.append(_harmonics(found))
    if found.timing is not None:
        made.append(_excess(found))
    return made


def _impulse(found: Prepared, row: int) -> Plot:
    take, rate, gate_s = found.takes[found.raw.angles[row].file], found.bench.rate_hz, found.choices.gate_s
    end = min(2.0 * gate_s, 0.05)
    at = np.arange(-round(0.002 * rate), round(end * rate))
    heard = take.response[(at + take.at) % len(take.response)]
    weights, lead = gating.window(gate_s, rate)
    gate = np.interp(at, np.arange(len(weights)) - lead, weights, left=0.0, right=0.0)
    reflection = found.reflections[found.raw.angles[row].file]
    marks = [("gate", gate_s * 1000.0)] + ([("reflection", reflection.start_s * 1000.0)] if reflection else [])
    lines = [Line("response", at / rate * 1000.0, heard / np.abs(heard).max()), Line("gate", at / rate * 1000.0, gate)]
    span = (-2.0, end * 1000.0)
    return Plot(
        "Impulse response on axis, and the gate", "ms after the arrival", "", lines, span, (-1.05, 1.05), False, marks
    )


def _gates(found: Prepared, row: int) -> Plot:
    take, rate = found.takes[found.raw.angles[row].file], found.bench.rate_hz
    f, lines = found.bench.frequency_hz, []
    for share, name in ((1.0, "gate"), (_SHORTER, f"{figures.plain(_SHORTER)} of it")):
        gate_s = share * found.choices.gate_s
        part, lead = gating.gated(take.response, take.at, gate_s, rate)
        level = 20.0 * np.log10(np.abs(gating.spectrum(part, lead, rate, found.bench.bins)) + 1e-30)
        lines.append(Line(name, f, level + _offset(found, row)))
    marks = [("2/gate", gating.COUNTS_FROM / found.choices.gate_s)]
    return _levels("A shorter gate: below 2/gate the two part", lines, found, row, marks)


def _offset(found: Prepared, row: int) -> float:
    """What takes the recording's units to the levels that are written."""
    take, rate = found.takes[found.raw.angles[row].file], found.bench.rate_hz
    part, lead = gating.gated(take.response, take.at, found.choices.gate_s, rate)
    level = 20.0 * np.log10(np.abs(gating.spectrum(part, lead, rate, found.bench.bins)) + 1e-30)
    apart = found.far.level_db[row] - level
    return float(np.nanmedian(apart)) if np.isfinite(apart).any() else 0.0


def _levels(title: str, lines: list[Line], found: Prepared, row: int, marks: list[tuple[str, float]]) -> Plot:
    shown = found.curves.level_db[row]
    highest = float(np.ceil(np.nanmax(shown) / 10.0) * 10.0) if np.isfinite(shown).any() else 0.0
    return Plot(title, "Hz", "dB", lines, _BAND_HZ, (highest - _SPAN_DB, highest), True, marks)


def _noise(found: Prepared, row: int) -> Plot:
    assert found.far.snr_db is not None
    f, level = found.far.frequency_hz, found.far.level_db[row]
    noise = level - found.far.snr_db[row]
    lines = [Line("on axis", f, level), Line("noise in the same gate", f, noise)]
    plot = _levels("Background noise", lines, found, row, [])
    lowest = float(np.floor(np.nanmin(noise) / 10.0) * 10.0) if np.isfinite(noise).any() else plot.y_span[0]
    return Plot(plot.title, "Hz", "dB", lines, _BAND_HZ, (lowest, plot.y_span[1]))


def _overlap(found: Prepared, row: int) -> Plot:
    assert found.near is not None
    assert found.choices.merge is not None
    merge, f = found.choices.merge, found.far.frequency_hz
    lines = [
        Line("merged", f, found.curves.level_db[row]),
        Line("near", f, found.near.level_db[row] + merge.offset_db),
        Line("far", f, found.far.level_db[row]),
    ]
    marks = [("from", merge.from_hz), ("to", merge.to_hz)]
    return _levels("Where near and far meet", lines, found, row, marks)


def _harmonics(found: Prepared) -> Plot:
    highest = max(s.drive_db for s in found.distortion)
    named = [s for s in found.distortion if s.drive_db == highest and s.component not in {"h4", "h5"}]
    lines = [Line(str(s.component), s.frequency_hz, s.level_db) for s in named]
    top = np.concatenate([line.y for line in lines])
    end = float(np.ceil(np.nanmax(top) / 10.0) * 10.0)
    title = f"Distortion at {figures.joined(figures.number(highest, 1), 'dB')}"
    return Plot(title, "Hz", "dB re the fundamental", lines, _BAND_HZ, (end - _SPAN_DB, end))


def _excess(found: Prepared) -> Plot:
    from speakerdb.acoustics.grid import FREQUENCY_HZ
    from speakerdb.signals.delay import audible_from_s

    assert found.timing is not None
    audible = audible_from_s(FREQUENCY_HZ) * 1000.0
    lines = [
        Line("excess delay", FREQUENCY_HZ, found.timing.excess_s * 1000.0),
        Line("audible from", FREQUENCY_HZ, audible),
    ]
    return Plot("Delay beyond minimum phase", "Hz", "ms", lines, (200.0, 20000.0), (-1.0, 4.0))


def html(found: Prepared) -> str:
    """The page."""
    from markupsafe import Markup

    style = f"{theme.css()}body{{font-family:{theme.FONT}}}{plain_plot.css()}{_CSS}"
    policy = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    shown = [
        {
            "title": plot.title,
            "legend": plot.legend,
            "svg": Markup(plain_plot.svg(plot)),
        }
        for plot in plots(found)
    ]
    template = environment().get_template("recordings.html.jinja")
    return template.render(
        name=found.raw.path.resolve().name,
        style=Markup(style),
        policy=Markup(f"'sha256-{policy}'"),
        choices=choices_told(found),
        notes=found.notes,
        questions=found.questions,
        plots=shown,
    )


def write(found: Prepared) -> Path:
    """Write the page into the raw folder."""
    target = found.raw.path / PAGE_FILE
    saving.write(target, html(found).encode())
    return target
