"""Distortion and compression of recordings on axis at several levels."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.formats.problems import Problems
from speakerdb.formats.raw_folder import Drive, RawFolder
from speakerdb.formats.view import RAW_FILE
from speakerdb.session import FloatArray, Sweep
from speakerdb.signals import gating, harmonics, multitone
from speakerdb.upkeep.bass import Bass
from speakerdb.upkeep.takes import Bench, Take, other_rate

SETTLED_DB = 0.1  # by which the lowest level may differ when it is repeated at the end (own judgement)
SETTLED_HZ = (300.0, 3000.0)
WITHOUT_BASS_HZ = 79.0  # lowest tone from which a multitone is one without bass
NO_TONES_DB = -3.0  # from which the tones listed are none that were played
BELOW_END = 2.0**-0.1  # of the band: up to there a gate keeps its end out of a harmonic
LEAST_ORDERS = (2, 3)  # that a THD must hold

ToLevel = Callable[[NDArray[np.complex128]], FloatArray]  # spectrum (F,) at the bins to levels at 1 m


def compression_of(
    raw: RawFolder, bench: Bench, takes: Mapping[str, Take], gate_s: float, to_level: ToLevel, problems: Problems
) -> tuple[Sweep, ...]:
    """On-axis level at each drive, gated as all are; a lowest drive that is repeated tells whether the coil settled."""
    f = bench.frequency_hz
    found: dict[float, FloatArray] = {}
    for one in raw.levels:
        part, lead = gating.gated(takes[one.file].response, takes[one.file].at, gate_s, bench.rate_hz)
        level = to_level(gating.spectrum(part, lead, bench.rate_hz, bench.bins))
        level[f < gating.COUNTS_FROM / gate_s] = np.nan
        if one.drive_db in found:
            _settled(one, found[one.drive_db], level, f, problems)
        else:
            found[one.drive_db] = level
    return tuple(Sweep(drive, None, f, level) for drive, level in sorted(found.items()))


def _settled(one: Drive, first: FloatArray, again: FloatArray, f: FloatArray, problems: Problems) -> None:
    inside = (f >= SETTLED_HZ[0]) & (f <= SETTLED_HZ[1])
    with np.errstate(invalid="ignore"):
        apart = float(np.nanmean((again - first)[inside])) if np.isfinite((again - first)[inside]).any() else 0.0
    if abs(apart) > SETTLED_DB:
        problems.warn(
            f"coil not settled: {one.file}, once more at {figures.plain(one.drive_db)} dB, is "
            f"{figures.number(apart, 2, signed=True)} dB from the first"
        )


def distortion_of(
    raw: RawFolder,
    bench: Bench,
    takes: Mapping[str, Take],
    gate_s: float,
    valid_hz: tuple[float, float],
    bass: Bass | None,
    meet_hz: float | None,
    problems: Problems,
) -> tuple[Sweep, ...]:
    """Harmonics and THD at each drive, on axis: from 2/T up as gated, below meet_hz from near the sources where their
    drive is known. What stands less than 6 dB over the noise is left out and told."""
    drives: dict[float, str] = {}
    for one in raw.levels:
        drives.setdefault(one.drive_db, one.file)
    near_drive = raw.near[0].drive_db if raw.near else None
    if raw.holds_impulses:
        return ()
    low = gating.COUNTS_FROM / gate_s
    found: list[Sweep] = []
    hidden: set[str] = set()
    for drive in sorted({*drives, *([near_drive] if near_drive is not None and bass is not None else [])}):
        f = bench.frequency_hz
        powers = np.full((len(harmonics.ORDERS), f.size), np.nan)
        noises, base = powers.copy(), np.full(f.size, np.nan)
        if drive in drives:
            take = takes[drives[drive]]
            above = f >= max(low, valid_hz[0])
            powers[:, above], noises[:, above], base[above] = _gated(bench, take, gate_s, above)
        if drive == near_drive and bass is not None and meet_hz is not None:
            below = (f < meet_hz) & (f >= bass.low_hz)
            powers[:, below], noises[:, below], base[below] = _from_near(raw, bench, takes, bass, below)
        for row, order in enumerate(harmonics.ORDERS):
            powers[row, order * f > BELOW_END * valid_hz[1]] = np.nan
        found += _as_sweeps(drive, f, powers, noises, base, hidden)
    if hidden:
        problems.warn(f"under the noise in part, and left out there: {', '.join(sorted(hidden))}")
    return tuple(found)


def _as_sweeps(
    drive: float, f: FloatArray, powers: FloatArray, noises: FloatArray, base: FloatArray, hidden: set[str]
) -> list[Sweep]:
    """Harmonics and their root sum of squares as tables have them."""
    found = []
    known = np.isfinite(powers)
    for row, order in enumerate(harmonics.ORDERS):
        if known[row].any():
            level = harmonics.level_db(powers[row], noises[row], base, f)
            if np.isnan(level[known[row]]).any():
                hidden.add(f"h{order} at {figures.plain(drive)} dB")
            found.append(Sweep(drive, f"h{order}", f, level))
    whole = known[[harmonics.ORDERS.index(n) for n in LEAST_ORDERS]].all(axis=0)
    if whole.any():
        total, noise = (np.where(whole, np.nansum(x, axis=0), np.nan) for x in (powers, noises))
        found.append(Sweep(drive, "thd", f, harmonics.level_db(total, noise, base, f)))
    return [s for s in found if np.isfinite(s.level_db).any()]


def _gated(
    bench: Bench, take: Take, gate_s: float, chosen: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Powers and noise (orders, F) of harmonics, power (F,) of the fundamental, at the chosen bins."""
    bins, rate, growth = bench.bins[chosen], bench.rate_hz, bench.excitation.growth_s
    part, lead = gating.gated(take.response, take.at, gate_s, rate, harmonics.LEAD_S)
    base = np.abs(gating.spectrum(part, lead, rate, bins)) ** 2
    powers = np.full((len(harmonics.ORDERS), bins.size), np.nan)
    noises = np.zeros_like(powers)
    for row, order in enumerate(harmonics.ORDERS):
        there = order * bins <= gating.transform_length(rate) // 2
        made = harmonics.harmonic(take.response, take.at, growth, gate_s, rate, bins[there], order)
        powers[row, there] = np.abs(made) ** 2
        noise = harmonics.noise_power(take.tail, gate_s, growth, rate, bins[there], order)
        noises[row, there] = 0.0 if noise is None else noise
    return powers, noises, base


def _from_near(
    raw: RawFolder, bench: Bench, takes: Mapping[str, Take], bass: Bass, chosen: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The same of the far field on axis that harmonics close to the sources stand for."""
    bins, rate, growth = bench.bins[chosen], bench.rate_hz, bench.excitation.growth_s
    parts = [gating.gated(takes[n].response, takes[n].at, gating.LONGEST_S, rate) for n in bass.files]
    spectra = gating.spectrum(np.array([p for p, _ in parts]), parts[0][1], rate, bins)
    f = gating.frequencies_hz(rate, bins)
    base = np.abs(bass.on_axis(spectra, f)) ** 2
    powers = np.full((len(harmonics.ORDERS), bins.size), np.nan)
    noises = np.zeros_like(powers)
    for row, order in enumerate(harmonics.ORDERS):
        there = order * f <= bass.high_hz
        if not there.any():
            continue
        made = [
            harmonics.harmonic(takes[n].response, takes[n].at, growth, gating.LONGEST_S, rate, bins[there], order)
            for n in bass.files
        ]
        powers[row, there] = np.abs(bass.on_axis(np.array(made), order * f[there])) ** 2
        hum = [
            harmonics.noise_power(takes[n].tail, gating.LONGEST_S, growth, rate, bins[there], order) for n in bass.files
        ]
        if all(one is not None for one in hum):
            ways = np.abs(bass.ways_on_axis(order * f[there])) ** 2
            noises[row, there] = (ways * np.array(hum)).sum(axis=0)
    return powers, noises, base


def tones_of(raw: RawFolder, rate_hz: float, problems: Problems) -> tuple[Sweep, ...]:
    """Distortion of each recording of many tones; defects noted."""
    found = []
    for one in raw.multitones:
        if len(one.tones_hz) < 2:
            continue  # a list that could not be read: noted already
        audio = raw.recording(one.file, problems, played=False)
        if audio is None:
            continue
        if audio.rate_hz != rate_hz:
            problems.add(*other_rate(audio, rate_hz), file=one.file)
            continue
        period_s = one.period_s or multitone.period_of(one.tones_hz)
        if any(abs(f * period_s - round(f * period_s)) > 0.01 for f in one.tones_hz):
            expected = "a period in which each tone has whole cycles (raw.toml)"
            problems.add(f"a period of {figures.plain(period_s)} s", expected, file=one.file, key="multitone.period_s")
            continue
        tones = multitone.distortion(audio.samples[raw.channel], rate_hz, one.tones_hz, period_s)
        if tones is None:
            least = multitone.LEAST_PERIODS + 3
            expected = f"at least {least} periods of {figures.plain(period_s)} s: the first is dropped, {RAW_FILE} may"
            problems.add("too few whole periods", f"{expected} name period_s", file=one.file)
            continue
        if np.nanmedian(np.append(tones.level_db, -np.inf)) > NO_TONES_DB:
            expected = "a recording of the tones that tones_hz lists"
            problems.add("tones that do not stand out of what lies between them", expected, file=one.file)
            continue
        name = "multitone_hp80" if min(one.tones_hz) >= WITHOUT_BASS_HZ else "multitone"
        found.append(Sweep(one.drive_db, name, tones.frequency_hz, tones.level_db))
    return tuple(found)


def doubled(levels: Sequence[Drive], problems: Problems) -> None:
    """Note a drive that is given twice and is not the lowest, repeated at the end."""
    if not levels:
        return
    lowest = min(one.drive_db for one in levels)
    for a, b in pairwise(sorted(levels, key=lambda one: one.drive_db)):
        if a.drive_db == b.drive_db and a.drive_db != lowest:
            found = f"a drive of {figures.plain(a.drive_db)} dB a second time"
            problems.add(found, "each drive once; the lowest once more at the end", file=b.file, key="level.drive_db")
