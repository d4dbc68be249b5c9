"""What a metric is: the row that names, orders, rounds, computes and explains one number; and tables of values.

Units are written as they appear in headings; definitions in one sentence each.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, field, replace
from math import inf, log2
from typing import TYPE_CHECKING, Any, Literal

from speakerdb import figures
from speakerdb.figures import Quantity

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Better = Literal["high", "low", "neither"]
Kinds = Literal["all", "not_subwoofer", "subwoofer"]

# where definitions come from
OWN = "own definition"
CTA = "ANSI/CTA-2034-A (lists and weights from memory)"
OLIVE = "S. E. Olive, AES Convention Paper 6190, 2004 (from memory)"


# What a metric reads. From these follow the curve that `explain` shows and the words for what is missing. low_hz,
# high_hz: the band that has to be whole


@dataclass(frozen=True)
class _Read:
    low_hz: float
    high_hz: float

    @property
    def band(self) -> str:
        """'100 Hz–10 kHz', '100 Hz'."""
        one = self.low_hz == self.high_hz
        return figures.hertz(self.low_hz) if one else figures.band(self.low_hz, self.high_hz)


@dataclass(frozen=True)
class Curve(_Read):
    """A summary curve by its name, made of the slots (of 72). turned: also as it becomes when the speaker is turned;
    down: below the band, too, as far down as it takes, up: the same upward; needed: False where the metric does without
    it when it isn't there."""

    name: str
    slots: tuple[int, ...]
    turned: bool = False
    down: bool = False
    up: bool = False
    needed: bool = True


@dataclass(frozen=True)
class Pattern(_Read):
    """Single curves: the slots without which there is no value. toward: the side that is looked at, where it is one:
    'up'; name: the summary curve that they make, if any."""

    slots: tuple[int, ...]
    toward: str = ""
    name: str = ""


@dataclass(frozen=True)
class Sphere(_Read):
    """Sound power of directions all around."""

    name = "sound_power_sphere"


@dataclass(frozen=True)
class Swept(_Read):
    """Sweeps at rising drives: 'compression', or a component of distortion. at_db: the drive that has to lie among
    them."""

    kind: str
    at_db: float | None = None


@dataclass(frozen=True)
class Electrical(_Read):
    """Of passive speakers: the magnitude of the 'impedance', its 'phase', or the drive 'voltage' that levels were
    measured at."""

    key: Literal["impedance", "phase", "voltage"]


Read = Curve | Pattern | Sphere | Swept | Electrical


@dataclass(frozen=True)
class Note:
    """What is said beside a value where it holds: a function of acoustics.measured.Measured gives flags (...)."""

    words: str
    where: Callable[[Any], NDArray[np.bool_]]


# Group of a metric -> its heading
GROUPS = {"response": "Response", "directivity": "Directivity", "output": "Output and distortion"}


@dataclass(frozen=True)
class Metric:
    """One metric: what it is called, what it reads and how it is computed.

    definition: "{band}" stands for the band of what is read first. step: the display step. matters: δ, the difference
    from which users should care, a ratio where scale is "log". reads: the first is shown as where it comes from.
    compute: from acoustics.measured.Measured, of a batch or of draws, to bounds.Bounded (...). method: the topic that
    tells how.

    version is raised by one whenever a definition or the code behind it changes a value: `derive` then recomputes
    exactly the metrics whose version in the file differs.
    """

    id: str
    label: str
    unit: str
    better: Better
    definition: str
    step: float
    matters: float
    group: str
    reads: tuple[Read, ...]
    compute: Callable[[Any], Any]
    method: str
    source: str = OWN
    ranked: bool = True  # False: a setting of the measurement or of the amplifier, never ranked
    scale: Literal["linear", "log"] = "linear"
    ripple: bool = False  # noise only adds to it, as a sum of squares
    worst: bool = False  # that of many points which is worst decides: errors carry it to one side only
    two_valued: bool = False  # errors may carry it to another place altogether (a dip at the threshold)
    nature: tuple[float, float] = (-inf, inf)  # where it can lie
    absolute: bool = False  # needs absolute level
    fine: bool = False  # of the response's fine shape, which coarse data don't show
    gate_adds: float = 0.0  # standard deviation, on its scale, that a gate adds: positive where it goes with its value
    kinds: Kinds = "not_subwoofer"
    otherwise: str = ""  # why it is withheld where all that it reads is there; "{from_hz}": from where up it is
    note: Note | None = None
    caution: str = ""  # a sentence that goes with places and comparisons
    ends: tuple[str, str] = ("highest", "lowest")  # what the high and the low end are called in a sentence
    merit: tuple[str, str] | None = None  # set against the price: what many do and what one does ("reach", "reaches")
    family: str = ""  # what it tells together with others, in comparisons that show one of each; "": it stands alone
    strip: int | None = None  # its place among the figures of a sheet
    version: int = 2

    def __post_init__(self) -> None:
        object.__setattr__(self, "definition", self.definition.replace("{band}", self.reads[0].band))

    @property
    def phrase(self) -> str:
        """The label within a sentence: its first letter small, units and abbreviations as they are."""
        return figures.phrase(self.label)

    @property
    def quantity(self) -> Quantity:
        """How its values are written."""
        return Quantity.stepped(self.unit, self.step, ratio=self.scale == "log")

    @property
    def matters_words(self) -> str:
        """The difference from which on it matters: '0.5 dB', or 'a ratio of 1.12' where ratios count."""
        if self.scale == "log":
            return f"a ratio of {figures.plain(self.matters)}"
        return figures.joined(figures.plain(self.matters), self.unit)

    @property
    def matters_on_scale(self) -> float:
        """The same on the scale that errors and comparisons work on: log2 where ratios count."""
        return log2(self.matters) if self.scale == "log" else self.matters

    @property
    def curve(self) -> str | None:
        """The summary curve that it is read from; None where it is read from sweeps or from single curves."""
        return getattr(self.reads[0], "name", None) or None

    def reading(self, kind: type[Read]) -> tuple[Any, ...]:
        """What it reads of one kind."""
        return tuple(read for read in self.reads if isinstance(read, kind))


CENSORED = ("none", "at_most", "at_least", "between")  # the codes 0 … 3 of ValueTable.censored


# What stands beside a value in a session and in a speaker's pooled row: the columns of table `uncertainty`, in its
# order
UNCERTAINTY = (
    "se",
    "bias",
    "low",
    "high",
    "se_bench",
    "bias_bench",
    "low_absolute",
    "high_absolute",
    "se_sample",
    "low_unit",
    "high_unit",
    "noise_limited",
    "other_value",
    "other_se",
    "other_low",
    "other_high",
    "other_share",
)
ENDS = (
    "",
    "_absolute",
    "_unit",
)  # of its intervals' names: `low` and `high` for each of analysis.metric_column.TARGETS
SAMPLE = ("sample_down", "sample_up")  # of sessions only: how far a sample's own error may carry a value, on its scale


@dataclass(frozen=True, eq=False)
class ValueTable:
    """Metric values of many sessions, columns in the order of `metrics`.

    value (S, M) NaN where withheld; censored (S, M) int8 codes into CENSORED; reason: (row, metric id) -> why withheld;
    upper (S, M): the upper end of what is known where censored is "between" (value is the lower one), else NaN.
    uncertainty: the columns UNCERTAINTY, each (S, M), NaN where there are none; empty until worked out.
    """

    metrics: tuple[str, ...]
    value: NDArray[np.float64]
    censored: NDArray[np.int8]
    reason: dict[tuple[int, str], str]
    upper: NDArray[np.float64]
    uncertainty: dict[str, NDArray[np.float64]] = field(default_factory=dict)

    def only(self, metrics: Collection[str]) -> ValueTable:
        """The columns of some metrics, without their uncertainty."""
        kept = [j for j, m in enumerate(self.metrics) if m in metrics]
        reason = {key: words for key, words in self.reason.items() if key[1] in metrics}
        return ValueTable(
            tuple(self.metrics[j] for j in kept),
            self.value[:, kept],
            self.censored[:, kept],
            reason,
            self.upper[:, kept],
        )

    def with_uncertainty(self, columns: dict[str, NDArray[np.float64]]) -> ValueTable:
        """The same values with their uncertainty."""
        return replace(self, uncertainty=columns)
