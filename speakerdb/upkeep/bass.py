"""Recordings near the sources as responses in every direction, and how they join those around the speaker."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from speakerdb import figures
from speakerdb.formats.problems import Problems
from speakerdb.formats.raw_folder import RawFolder
from speakerdb.session import FloatArray
from speakerdb.signals import background, box_solution, gating, merging
from speakerdb.upkeep.takes import Bench, Take

ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class Bass:
    """files: the recordings, cones first; ways_on_axis: of frequencies (F,), the far field on axis per pressure close
    to each source (S, F); far (n, F): response in each direction at 1 m, in units of the microphone's samples, from
    low_hz to high_hz; error_db: its common error; snr_db (F,) of all sources together, None where unknown."""

    files: tuple[str, ...]
    far: ComplexArray
    ways_on_axis: Callable[[FloatArray], ComplexArray]
    low_hz: float
    high_hz: float
    error_db: float
    snr_db: FloatArray | None

    def on_axis(self, near: ComplexArray, frequency_hz: FloatArray) -> ComplexArray:
        """(F,) far field on axis of pressures (S, F) close to the sources."""
        return np.asarray((self.ways_on_axis(frequency_hz) * near).sum(axis=0))


def bass_of(
    raw: RawFolder, bench: Bench, takes: Mapping[str, Take], gate_s: float, speed_m_s: float, problems: Problems
) -> Bass | None:
    """What the near recordings tell of the far field; None where there are none, or with the reason told."""
    if not raw.near:
        return None
    near = sorted(raw.near, key=lambda n: n.role != "cone")
    if raw.size_m is None and raw.said.get("body", "box") == "box":
        problems.warn("the bass is not merged: height_mm, width_mm and depth_mm of the box are not known")
        return None
    if raw.size_m is not None and _outside(raw, problems):
        return None
    f, rate, files = bench.frequency_hz, bench.rate_hz, tuple(n.file for n in near)
    parts = [gating.gated(takes[n.file].response, takes[n.file].at, gate_s, rate) for n in near]
    spectra = gating.spectrum(np.array([p for p, _ in parts]), parts[0][1], rate, bench.bins)
    tails = [background.of_tail(takes[n.file].tail, 0, len(takes[n.file].tail), gate_s, rate, bench.bins) for n in near]
    known = [(i, t) for i, t in enumerate(tails) if t is not None]
    total = (np.abs(spectra) ** 2).sum(axis=0)
    snr = background.snr_db(total, np.sum([t for _, t in known], axis=0), f) if len(known) == len(near) else None
    low = max(bench.excitation.f_low_hz, box_solution.LOWEST_HZ)
    radii = np.array([n.radius_m for n in near])
    if raw.said.get("body", "box") != "box":
        high = speed_m_s / (2.0 * np.pi * float(radii.max()))
        weights = merging.rule_of_thumb(radii, np.array([n.count for n in near]))
        far = np.broadcast_to(weights @ spectra, (len(raw.angles), f.size))
        problems.warn(
            f"the bass of this body is merged by a rule of thumb: its error is {figures.plain(merging.RULE_DB)} dB"
        )

        def thumb(at: FloatArray) -> ComplexArray:
            return np.asarray(weights[:, None] * np.ones(at.size, np.complex128))

        return Bass(files, np.asarray(far), thumb, low, high, merging.RULE_DB, snr)
    assert raw.size_m is not None
    pistons = [box_solution.Piston(n.centre_m, n.normal, n.radius_m, n.gap_m, n.count) for n in near]
    high = box_solution.highest_hz(raw.size_m, radii.tolist(), speed_m_s)
    solved = np.geomspace(box_solution.LOWEST_HZ, high, box_solution.FREQUENCIES)
    horizontal, angle = np.array([a.horizontal for a in raw.angles]), np.array([a.angle_deg for a in raw.angles])
    directions = np.vstack([box_solution.orbit_directions(horizontal, angle), [[1.0, 0.0, 0.0]]])  # and the axis
    solution = box_solution.solve(box_solution.mesh(raw.size_m), pistons, directions, solved, speed_m_s)
    inside = f <= high
    far = np.full((len(raw.angles), f.size), np.nan, np.complex128)
    ways = box_solution.far_of_near(solution, f[inside])[:, :-1]
    far[:, inside] = np.einsum("fds,sf->df", ways, spectra[:, inside], optimize=True)
    return Bass(
        files, far, lambda at: box_solution.far_of_near(solution, at)[:, -1].T, low, high, merging.COMMON_DB, snr
    )


def _outside(raw: RawFolder, problems: Problems) -> bool:
    """Note sources that do not lie in the box's faces."""
    assert raw.size_m is not None
    height, width, depth = raw.size_m
    half = np.array([depth, width, height]) / 2.0
    found = False
    for n in raw.near:
        in_face = np.array(n.normal) == 0.0
        if (np.abs(n.centre_m)[in_face] + 0.5 * n.radius_m > half[in_face]).any():
            place = ", ".join(figures.plain(1000.0 * x) for x in n.centre_m)
            expected = "centre_mm within the face, from the box's middle (raw.toml)"
            problems.add(f"a {n.role} at {place} mm, beyond the box", expected, file=n.file, key="near.centre_mm")
            found = True
    return found
