"""The metric dictionary: one row per number that the tool can give. Everything that names, orders, rounds or
explains a metric reads it here. Units are written as they appear in headings; definitions in one sentence each.

`version` is raised by one whenever a definition or the code behind it changes a value: `derive` then recomputes
exactly the metrics whose version in the file differs.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import inf, log2
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Better = Literal["high", "low", "neither"]

OWN = "own definition"
CTA = "ANSI/CTA-2034-A (lists and weights from memory)"
OLIVE = "S. E. Olive, AES Convention Paper 6190, 2004 (from memory)"


@dataclass(frozen=True)
class MetricDef:
    """One metric. `matters` is δ, the difference from which users should care: a ratio where scale is "log"; `step` the display step."""

    id: str
    label: str
    unit: str
    better: Better
    definition: str
    source: str
    step: float
    matters: float
    group: str
    ranked: bool = True  # False: a setting of the measurement or of the amplifier, never ranked
    scale: Literal["linear", "log"] = "linear"
    ripple: bool = False  # noise only adds to it, as a sum of squares
    worst: bool = False  # that of many points which is worst decides: errors carry it to one side only
    two_valued: bool = False  # errors may carry it to another place altogether (a dip at the threshold)
    nature: tuple[float, float] = (-inf, inf)  # where it can lie
    absolute: bool = False  # needs absolute level
    version: int = 2

    @property
    def phrase(self) -> str:
        """The label within a sentence: its first letter small, units and abbreviations as they are."""
        return self.label if self.label[:2].isupper() else self.label[:1].lower() + self.label[1:]

    @property
    def matters_words(self) -> str:
        """The difference from which on it matters: '0.5 dB', or 'a ratio of 1.12' where ratios count."""
        if self.scale == "log":
            return f"a ratio of {self.matters:g}"
        return f"{self.matters:g}{'' if self.unit == '°' else ' '}{self.unit}"

    @property
    def matters_on_scale(self) -> float:
        """The same on the scale that errors and comparisons work on: log2 where ratios count."""
        return log2(self.matters) if self.scale == "log" else self.matters

    @property
    def decimals(self) -> int:
        """Digits after the point that the display step asks for."""
        text = f"{self.step:g}"
        return len(text.partition(".")[2])


def _m(id: str, label: str, unit: str, better: Better, definition: str, source: str, step: float, matters: float,
       group: str, **more: object) -> MetricDef:  # fmt: skip
    return MetricDef(id, label, unit, better, definition, source, step, matters, group, **more)  # type: ignore[arg-type]


_RESPONSE = (
    _m(
        "reference_level_db",
        "Reference level",
        "dB",
        "neither",
        "Mean of the listening window, 300 Hz–3 kHz; for a powered speaker a gain setting, so never ranked",
        OWN,
        0.1,
        1.0,
        "response",
        ranked=False,
        absolute=True,
    ),
    _m(
        "flatness_on_axis_db",
        "Flatness on axis",
        "dB",
        "low",
        "Standard deviation of the on-axis curve about its mean, 100 Hz–10 kHz",
        OWN,
        0.01,
        0.5,
        "response",
        ripple=True,
        nature=(0.0, inf),
    ),
    _m(
        "flatness_window_db",
        "Flatness, listening window",
        "dB",
        "low",
        "Standard deviation of the listening window about its mean, 100 Hz–10 kHz",
        OWN,
        0.01,
        0.5,
        "response",
        ripple=True,
        nature=(0.0, inf),
    ),
    _m(
        "half_range_window_db",
        "Half range, listening window",
        "dB",
        "low",
        "Half the distance from the lowest to the highest point of the listening window, 100 Hz–10 kHz",
        OWN,
        0.1,
        1.0,
        "response",
        ripple=True,
        nature=(0.0, inf),
    ),
    _m(
        "f3_hz",
        "Bass limit −3 dB",
        "Hz",
        "low",
        "Where the listening window falls 3 dB below its mean over 300 Hz–10 kHz",
        OWN,
        0.1,
        1.12,
        "response",
        scale="log",
        two_valued=True,
    ),
    _m(
        "f6_hz",
        "Bass limit −6 dB",
        "Hz",
        "low",
        "Where the listening window falls 6 dB below its mean over 300 Hz–10 kHz",
        OWN,
        0.1,
        1.12,
        "response",
        scale="log",
        two_valued=True,
    ),
    _m(
        "f10_hz",
        "Bass limit −10 dB",
        "Hz",
        "low",
        "Where the listening window falls 10 dB below its mean over 300 Hz–10 kHz",
        OWN,
        0.1,
        1.12,
        "response",
        scale="log",
        two_valued=True,
    ),
    _m(
        "power_f6_hz",
        "Sound-power bass limit −6 dB",
        "Hz",
        "low",
        "Where the sound power falls 6 dB below the listening window's mean over 300 Hz–10 kHz",
        OLIVE,
        0.1,
        1.12,
        "response",
        scale="log",
        two_valued=True,
    ),
    _m(
        "rolloff_db_per_octave",
        "Bass roll-off",
        "dB/octave",
        "neither",
        "Least-squares slope of the listening window over log frequency from the −6 dB bass limit one octave down",
        OWN,
        0.1,
        3.0,
        "response",
        two_valued=True,
    ),
    _m(
        "nbd_on_axis_db",
        "Narrow-band deviation on axis",
        "dB",
        "low",
        "Mean over half-octave bands, 100 Hz–12 kHz, of the mean absolute deviation from the band's mean; on-axis curve",
        OLIVE,
        0.01,
        0.1,
        "response",
        ripple=True,
        nature=(0.0, inf),
    ),
    _m(
        "nbd_window_db",
        "Narrow-band deviation, listening window",
        "dB",
        "low",
        "Narrow-band deviation of the listening window",
        OLIVE,
        0.01,
        0.1,
        "response",
        ripple=True,
        nature=(0.0, inf),
    ),
    _m(
        "nbd_in_room_db",
        "Narrow-band deviation in room",
        "dB",
        "low",
        "Narrow-band deviation of the predicted in-room curve",
        OLIVE,
        0.01,
        0.1,
        "response",
        ripple=True,
        nature=(0.0, inf),
    ),
    _m(
        "smoothness_in_room",
        "In-room smoothness",
        "r²",
        "high",
        "r² of the least-squares line of the predicted in-room curve over log frequency, 100 Hz–16 kHz",
        OLIVE,
        0.01,
        0.1,
        "response",
        nature=(0.0, 1.0),
    ),
    _m(
        "slope_in_room_db_per_octave",
        "In-room slope",
        "dB/octave",
        "neither",
        "Slope of the least-squares line of the predicted in-room curve, 100 Hz–16 kHz",
        OWN,
        0.01,
        0.2,
        "response",
    ),
    _m(
        "ripple_in_room_db",
        "In-room ripple",
        "dB",
        "low",
        "Standard deviation of the predicted in-room curve about its line, 100 Hz–16 kHz",
        OWN,
        0.01,
        0.3,
        "response",
        ripple=True,
        nature=(0.0, inf),
    ),
    _m(
        "bass_balance_db",
        "Bass balance",
        "dB",
        "neither",
        "Mean of the listening window 60–200 Hz minus the reference level",
        OWN,
        0.1,
        1.0,
        "response",
    ),
    _m(
        "treble_balance_db",
        "Treble balance",
        "dB",
        "neither",
        "Mean of the listening window 4–16 kHz minus the reference level",
        OWN,
        0.1,
        1.0,
        "response",
    ),
    _m(
        "preference",
        "Predicted preference",
        "points",
        "high",
        "12.69 − 2.49·NBD(on axis) − 2.99·NBD(in room) − 4.31·log10(sound-power −6 dB limit) + 2.32·smoothness",
        OLIVE,
        0.1,
        1.0,
        "response",
        two_valued=True,
    ),
    _m(
        "preference_bass_managed",
        "Predicted preference with an ideal subwoofer",
        "points",
        "high",
        "The predicted preference with 20 Hz in place of the sound-power bass limit",
        "own convention after Olive 2004",
        0.1,
        1.0,
        "response",
    ),
    _m(
        "best_listening_angle_deg",
        "Best listening angle",
        "°",
        "neither",
        "Of 0, 10, 20, 30° off axis the smallest whose narrow-band deviation is within 0.02 dB of the lowest",
        OWN,
        10.0,
        10.0,
        "response",
        two_valued=True,
        ranked=False,
    ),
    _m(
        "best_listening_angle_gain_db",
        "Gain at the best listening angle",
        "dB",
        "neither",
        "Narrow-band deviation on the axis minus that at the best listening angle",
        OWN,
        0.01,
        0.1,
        "response",
        nature=(0.0, inf),
        two_valued=True,
        ranked=False,
    ),
    _m(
        "best_listening_angle_treble_db",
        "Treble change at the best listening angle",
        "dB",
        "neither",
        "Change of the 4–16 kHz mean re the 300 Hz–3 kHz mean from the axis to the best listening angle",
        OWN,
        0.1,
        1.0,
        "response",
        two_valued=True,
        ranked=False,
    ),
)

_TONE = "up to which the tone holds (shape within 1.5 dB RMS and level within 6 dB of the listening window)"

_DIRECTIVITY = (
    _m(
        "beamwidth_horizontal_deg",
        "Horizontal beamwidth",
        "°",
        "neither",
        "Median over 1–10 kHz of the full −6 dB angle in the horizontal plane",
        OWN,
        1.0,
        10.0,
        "directivity",
        two_valued=True,
        nature=(0.0, 360.0),
    ),
    _m(
        "beamwidth_vertical_deg",
        "Vertical beamwidth",
        "°",
        "neither",
        "Median over 1–10 kHz of the full −6 dB angle in the vertical plane",
        OWN,
        1.0,
        10.0,
        "directivity",
        two_valued=True,
        nature=(0.0, 360.0),
    ),
    _m(
        "beamwidth_horizontal_sd_oct",
        "Horizontal beamwidth evenness",
        "octaves",
        "low",
        "Standard deviation of log2(full −6 dB angle) about its line over log frequency, 1–10 kHz",
        OWN,
        0.01,
        0.1,
        "directivity",
        ripple=True,
        nature=(0.0, inf),
    ),
    _m(
        "beamwidth_vertical_sd_oct",
        "Vertical beamwidth evenness",
        "octaves",
        "low",
        "Standard deviation of log2(full −6 dB angle) about its line over log frequency, 1–10 kHz",
        OWN,
        0.01,
        0.1,
        "directivity",
        nature=(0.0, inf),
    ),
    *(
        _m(
            f"tone_{side}_deg",
            f"Tone holds {words}",
            "°",
            "high",
            f"Angle {words} {_TONE}",
            OWN,
            1.0,
            10.0,
            "directivity",
            two_valued=True,
            nature=(0.0, 180.0),
        )
        for side, words in (("left", "to the left"), ("right", "to the right"), ("up", "upward"), ("down", "downward"))
    ),
    _m(
        "tone_width_horizontal_deg",
        "Tone width, horizontal",
        "°",
        "high",
        f"The smaller of the angles to the left and to the right {_TONE}",
        OWN,
        1.0,
        10.0,
        "directivity",
        worst=True,
        two_valued=True,
        nature=(0.0, 180.0),
    ),
    _m(
        "tone_width_vertical_deg",
        "Tone width, vertical",
        "°",
        "high",
        f"The smaller of the angles upward and downward {_TONE}",
        OWN,
        1.0,
        10.0,
        "directivity",
        worst=True,
        two_valued=True,
        nature=(0.0, 180.0),
    ),
    _m(
        "di_power_mean_db",
        "Directivity index",
        "dB",
        "neither",
        "Mean of the sound-power directivity index, 300 Hz–10 kHz",
        CTA,
        0.1,
        1.0,
        "directivity",
    ),
    _m(
        "di_sphere_mean_db",
        "Directivity index over the full sphere",
        "dB",
        "neither",
        "Mean over 300 Hz–10 kHz of the listening window minus the sound power of all directions around, where they were measured: "
        "two orbits can miss lobes that lie between them",
        OWN,
        0.1,
        1.0,
        "directivity",
    ),
    _m(
        "di_power_ripple_db",
        "Ripple of the sound-power directivity index",
        "dB",
        "low",
        "Standard deviation of the sound-power directivity index about its line over log frequency, 300 Hz–10 kHz",
        OWN,
        0.01,
        0.3,
        "directivity",
        ripple=True,
        nature=(0.0, inf),
    ),
    _m(
        "di_early_ripple_db",
        "Ripple of the early-reflections directivity index",
        "dB",
        "low",
        "Standard deviation of the early-reflections directivity index about its line, 300 Hz–10 kHz",
        OWN,
        0.01,
        0.3,
        "directivity",
        ripple=True,
        nature=(0.0, inf),
    ),
    _m(
        "turning_sensitivity_db",
        "Turning sensitivity",
        "dB",
        "low",
        "Change of the predicted in-room curve as the speaker is turned by 0 to 30°, RMS over 300 Hz–10 kHz",
        OWN,
        0.01,
        0.2,
        "directivity",
        ripple=True,
        nature=(0.0, inf),
    ),
)

_OUTPUT = (
    _m("thd_bass_86_percent", "Bass distortion at 86 dB", "%", "low",
       "RMS of total harmonic distortion over 50–100 Hz at a drive of 86 dB", OWN, 0.01, 1.5, "output", scale="log",
       absolute=True),
    _m("thd_mid_86_percent", "Midrange distortion at 86 dB", "%", "low",
       "RMS of total harmonic distortion over 200 Hz–5 kHz at a drive of 86 dB", OWN, 0.01, 1.5, "output", scale="log",
       absolute=True),
    _m("thd_bass_96_percent", "Bass distortion at 96 dB", "%", "low",
       "RMS of total harmonic distortion over 50–100 Hz at a drive of 96 dB", OWN, 0.01, 1.5, "output", scale="log",
       absolute=True),
    _m("thd_mid_96_percent", "Midrange distortion at 96 dB", "%", "low",
       "RMS of total harmonic distortion over 200 Hz–5 kHz at a drive of 96 dB", OWN, 0.01, 1.5, "output", scale="log",
       absolute=True),
    _m("clean_level_bass_db", "Clean level, bass", "dB", "high",
       "Highest drive with total harmonic distortion at most 10 % everywhere in 50–100 Hz", OWN, 0.1, 1.0, "output",
       worst=True, absolute=True),
    _m("clean_level_mid_db", "Clean level, midrange", "dB", "high",
       "Highest drive with total harmonic distortion at most 3 % everywhere in 200 Hz–5 kHz", OWN, 0.1, 1.0, "output",
       worst=True, absolute=True),
    _m("clean_level_multitone_db", "Clean level, multitone", "dB", "high",
       "Highest drive with multitone distortion at most 3 % everywhere in 100 Hz–10 kHz, full range", OWN, 0.1, 1.0,
       "output", worst=True, absolute=True),
    _m("clean_level_multitone_managed_db", "Clean level, multitone above 80 Hz", "dB", "high",
       "Highest drive with multitone distortion at most 3 % everywhere in 100 Hz–10 kHz, the signal high-passed at 80 Hz",
       OWN, 0.1, 1.0, "output", worst=True, absolute=True),
    _m("max_level_db", "Maximum level", "dB", "high",
       "Level at 1 m that is delivered where compression (mean loss 300 Hz–3 kHz) reaches 3 dB", OWN, 0.1, 1.0, "output",
       absolute=True),
    _m("balance_level_db", "Highest level with its balance", "dB", "high",
       "Level delivered at the highest drive at which compression changes the tonal balance by no more than 1.5 dB, from the "
       "−6 dB limit to 10 kHz",
       OWN, 0.1, 1.0, "output", absolute=True),
    _m("balance_level_managed_db", "Highest level with its balance, above 80 Hz", "dB", "high",
       "Level delivered at the highest drive at which compression changes the tonal balance by no more than 1.5 dB, with the bass "
       "left to a subwoofer: from 80 Hz, or the −6 dB limit if higher, to 10 kHz", OWN, 0.1, 1.0, "output", absolute=True),
    *(_m(f"max_level_{hz}hz_db", f"Usable output at {hz} Hz", "dB", "high",
         f"Level delivered at {hz} Hz at the lower of 3 dB compression and the distortion limit (10 %)", OWN, 0.1, 1.0,
         "output", absolute=True) for hz in (40, 63, 100)),
    _m("impedance_min_ohm", "Lowest impedance", "Ω", "high",
       "Lowest impedance magnitude, 20 Hz–20 kHz (passive speakers)", OWN, 0.1, 1.25, "output", scale="log"),
    _m("sensitivity_db", "Sensitivity", "dB (2.83 V, 1 m)", "neither",
       "Reference level referred to a drive of 2.83 V (passive speakers)", OWN, 0.1, 1.0, "output", absolute=True),
)  # fmt: skip

METRICS: dict[str, MetricDef] = {m.id: m for m in (*_RESPONSE, *_DIRECTIVITY, *_OUTPUT)}
RANKED = tuple(m for m in METRICS.values() if m.ranked)

CENSORED = ("none", "at_most", "at_least")  # the codes 0, 1, 2 of ValueTable.censored


# What stands beside a value in a session and in a speaker's pooled row: the columns of table `uncertainty`, in its order
UNCERTAINTY = (
    "se", "bias", "low", "high", "se_bench", "bias_bench", "low_absolute", "high_absolute", "se_sample", "low_unit", "high_unit",
    "noise_limited", "other_value", "other_se", "other_low", "other_high", "other_share",
)  # fmt: skip
ENDS = ("", "_absolute", "_unit")  # of the names of its intervals: `low` and `high` for each of analysis.field.TARGETS
SAMPLE = ("sample_down", "sample_up")  # of sessions only: how far a sample's own error may carry a value, on its scale


@dataclass(frozen=True, eq=False)
class ValueTable:
    """Metric values of many sessions, columns in the order of `metrics`.

    value (S, M) NaN where withheld; censored (S, M) int8 codes into CENSORED; reason: (row, metric id) -> why withheld.
    uncertainty: the columns UNCERTAINTY, each (S, M), NaN where there are none; empty until worked out.
    """

    metrics: tuple[str, ...]
    value: NDArray[np.float64]
    censored: NDArray[np.int8]
    reason: dict[tuple[int, str], str]
    uncertainty: dict[str, NDArray[np.float64]] = field(default_factory=dict)

    def with_uncertainty(self, columns: dict[str, NDArray[np.float64]]) -> ValueTable:
        """The same values with their uncertainty."""
        return replace(self, uncertainty=columns)
