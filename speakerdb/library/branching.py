"""Values that hang on a near miss: a dip just at the threshold makes them one of two, and the interval spans both."""

from __future__ import annotations

from collections.abc import Sequence

from speakerdb.dictionary import METRICS
from speakerdb.library.field import Field
from speakerdb.library.sentences import value_text
from speakerdb.statistics.branches import branches

BRANCHING = tuple(
    m
    for m in METRICS.values()
    if m.plain_interval and m.id.endswith(("_hz", "width_horizontal_deg", "width_vertical_deg"))
)


def cautions(field: Field, settings: Sequence[str]) -> list[str]:
    """A sentence for each bass limit or beamwidth of the speaker of this field in these settings that errors of measurement put in one of two places."""
    rows = [i for i, setting in enumerate(field.base["setting"]) if setting in settings]
    found = []
    for metric in BRANCHING:
        draws = field.draws(metric.id)
        for row in rows:
            two = branches(draws[row])
            if two is not None:
                where = f" ({field.base['setting'][row]})" if len(rows) > 1 else ""
                found.append(
                    f"{metric.label}{where} is one of two values: near {value_text(metric, two.lower)} in {100 * (1 - two.upper_share):.0f} % "
                    f"of repeated measurements, near {value_text(metric, two.upper)} in {100 * two.upper_share:.0f} %; the response lies so close to the "
                    "limit in between that errors of measurement decide, and no value between the two is likely"
                )
    return found
