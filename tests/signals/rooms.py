"""Random shoebox rooms with a loudspeaker and a microphone, whose first reflection is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.signals import prototypes

KINDS = ("hard", "carpet", "edge")


@dataclass(frozen=True)
class Room:
    """delays: of the images, (s, gain); dull_hz: of all reflections, None where they are as bright as the direct sound;
    edge: delay after the direct sound and gain of the cabinet's edge."""

    kind: str
    delays: tuple[tuple[float, float], ...]
    dull_hz: float | None
    edge: tuple[float, float] | None

    @property
    def first_s(self) -> float:
        """From the direct sound to the first reflection."""
        return self.delays[1][0] - self.delays[0][0]


def room(number: int, seed: int = 0) -> Room:
    """A room whose walls lie so far that a gate of 3 ms fits."""
    rng = np.random.default_rng([seed, number])
    kind = KINDS[number % 3]
    while True:
        size = rng.uniform([4.0, 3.5, 2.3], [9.0, 7.0, 4.0])
        source = np.array([rng.uniform(1.2, size[0] - 2.4), rng.uniform(1.2, size[1] - 1.2), rng.uniform(0.9, 1.5)])
        distance = rng.uniform(0.8, 1.2)
        ways = prototypes.images(distance, source[2], size, source, [rng.uniform(0.05, 0.5)] * 3, order=3)
        if ways[1][0] - ways[0][0] > 0.0036:
            break
    edge = (rng.uniform(0.0003, 0.0009), rng.uniform(-0.35, -0.1)) if kind == "edge" else None
    return Room(kind, tuple(ways), 1500.0 if kind == "carpet" else None, edge)


def response(of: Room, length: int, rate_hz: float = prototypes.RATE_HZ, gain_db: float = 3.0):
    """Impulse response (n,) of the two-way prototype in the room, and the same without the room. gain_db: of its
    resonance."""
    f = np.fft.rfftfreq(length, 1 / rate_hz)
    f[0] = 1e-3
    speaker = np.fft.rfft(prototypes.impulse(lambda f: prototypes.two_way(f, gain_db=gain_db), length, 0.0, rate_hz))
    if of.edge is not None:
        speaker = speaker * (1 + of.edge[1] * np.exp(-2j * np.pi * f * of.edge[0]))
    dull = 1.0 if of.dull_hz is None else 1 / (1 + 1j * f / of.dull_hz)
    (first, gain), *others = of.delays
    direct = gain * np.exp(-2j * np.pi * f * first)
    rest = sum(g * np.exp(-2j * np.pi * f * d) for d, g in others)
    return np.fft.irfft(speaker * (direct + dull * rest), length), np.fft.irfft(speaker * direct, length)
