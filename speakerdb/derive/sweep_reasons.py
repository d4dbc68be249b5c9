"""Why a figure of output or distortion is withheld, in words."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from speakerdb.acoustics import grid, output
from speakerdb.derive.strength import HARMONICS, with_total
from speakerdb.session import GridSession, GridSweeps

_COMPONENT = {"thd": "total harmonic distortion", "multitone": "multitone distortion",
              "multitone_hp80": "multitone distortion above 80 Hz"}  # fmt: skip
_DISTORTION: dict[str, tuple[str, slice]] = {
    "thd_bass": ("thd", output.BASS_BAND), "clean_level_bass": ("thd", output.BASS_BAND),
    "thd_mid": ("thd", output.MID_BAND), "clean_level_mid": ("thd", output.MID_BAND),
    "clean_level_multitone_db": ("multitone", output.MULTITONE_BAND),
    "clean_level_multitone_managed": ("multitone_hp80", output.MULTITONE_BAND),
}  # fmt: skip


def sweep_reason(session: GridSession, metric: str) -> str | None:
    """What the sweeps or the impedance lack for a metric that has no value; None where it is not for want of those."""
    if metric == "impedance_min_ohm":
        return _impedance_reason(session)
    for start, (component, band) in _DISTORTION.items():
        if metric.startswith(start):
            at = float(metric.split("_")[2]) if metric.startswith("thd") else None
            return _distortion_reason(session.distortion, component, band, at)
    found = _compression_reason(session.compression)
    if found is None and metric not in {"max_level_db", "balance_level_db", "balance_level_managed_db"}:
        at_hz = float(metric.split("_")[2].removesuffix("hz"))
        return _distortion_reason(session.distortion, "thd", grid.band(at_hz / 1.03, at_hz * 1.03), None)
    if found is None and metric == "balance_level_managed_db":
        found = compression_hole(session, 80.0, 10000.0)
    return found or (_bent_reason(session) if metric != "balance_level_db" or _bent(session) else None)


def compression_hole(session: GridSession, low_hz: float, high_hz: float) -> str | None:
    """What of a band the compression sweeps lack, in words; None where nothing lacks."""
    return _range(_swept(session.compression), grid.band(low_hz, high_hz), "compression")


def _swept(sweeps: GridSweeps | None, component: str = "") -> NDArray[np.bool_]:
    """(199,) where at least two drives of a component were measured, or one where there is but one."""
    assert sweeps is not None
    rows = [i for i, name in enumerate(sweeps.component) if name == component]
    return np.asarray((~np.isnan(sweeps.level_db[rows])).sum(axis=0) >= min(2, len(rows)))


def _range(present: NDArray[np.bool_], band: slice, what: str) -> str | None:
    if present[band].all():
        return None
    inside = grid.FREQUENCY_HZ[band]
    if not present.any():
        return f"{what} not measured"
    measured = grid.FREQUENCY_HZ[present]
    needs = f"the metric needs {inside[0]:.0f}–{inside[-1]:.0f} Hz"
    if measured[0] <= inside[0] and measured[-1] >= inside[-1]:
        hole = inside[~present[band]]
        return f"{what} not measured at {hole[0]:.0f}–{hole[-1]:.0f} Hz; {needs}"
    return f"{what} measured over {measured[0]:.0f}–{measured[-1]:.0f} Hz; {needs}"


def _distortion_reason(sweeps: GridSweeps | None, component: str, band: slice, at_db: float | None) -> str | None:
    if sweeps is None:
        return "no distortion measured"
    single = [h for h in HARMONICS if h in sweeps.component]
    sweeps = with_total(sweeps)
    if component not in sweeps.component:
        only = f", and of its harmonics not all of h2 to h5 (only {', '.join(single)})" if single else ""
        return f"{_COMPONENT[component]} not measured{only if component == 'thd' else ''}"
    lacking = _range(_swept(sweeps, component), band, _COMPONENT[component])
    if lacking is not None or at_db is None:
        return lacking
    drives = sorted(d for d, name in zip(sweeps.drive_db, sweeps.component, strict=True) if name == component)
    if len(drives) == 1:
        return f"measured at a drive of {drives[0]:.0f} dB only; the metric needs {at_db:.0f} dB"
    if not drives[0] <= at_db <= drives[-1]:
        return f"measured at drives of {drives[0]:.0f}–{drives[-1]:.0f} dB; the metric needs {at_db:.0f} dB"
    return f"not measured throughout the band at the drives around {at_db:.0f} dB"


def _compression_reason(sweeps: GridSweeps | None) -> str | None:
    if sweeps is None:
        return "no compression measured"
    if len(sweeps.drive_db) < 2:
        return "compression measured at one drive; two are needed"
    return _range(_swept(sweeps), output.LEVEL_BAND, "compression")


def _bent(session: GridSession) -> bool:
    sweeps = session.compression
    return sweeps is not None and not bool(output.compression(sweeps.drive_db, sweeps.level_db).linear)


def _bent_reason(session: GridSession) -> str | None:
    return (
        "it compresses already between the two lowest drives, and its limit is not reached" if _bent(session) else None
    )


def _impedance_reason(session: GridSession) -> str:
    if session.info.powered:
        return "a powered speaker"
    if session.impedance_ohm is None:
        return "no impedance measured"
    lacking = _range(~np.isnan(session.impedance_ohm), output.IMPEDANCE_BAND, "impedance")
    return lacking or "no impedance measured"
