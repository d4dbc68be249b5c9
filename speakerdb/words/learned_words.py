"""What was learned of errors, in sentences."""

from __future__ import annotations

from speakerdb import figures
from speakerdb.statistics.error_model import bench_words
from speakerdb.upkeep.adopting import PART_WORDS, Learned


def told(found: Learned) -> list[str]:
    """What is adopted, in sentences: sizes beside their defaults, then each bench that was aligned."""
    sizes = [
        f"{PART_WORDS[s.part]} {figures.number(s.wanted_sd_db, 2)} dB (default "
        f"{figures.number(s.default_sd_db, 2)}; {figures.count(s.n, 'speaker')})"
        for s in found.parts
        if s.reason is None
    ]
    lines = [f"Errors as large as the repeats show them: {'; '.join(sizes)}."] if sizes else []
    for pair in found.benches:
        if pair.reason is None:
            lines.append(
                f"{bench_words(pair.bench)} is brought in line with {bench_words(pair.to_bench)} by {pair.n} "
                "specimens that both "
                f"have measured: {figures.number(pair.shape_db, 2)} dB RMS, "
                f"{figures.number(pair.residual_sd_db, 2)} dB left."
            )
    return lines
