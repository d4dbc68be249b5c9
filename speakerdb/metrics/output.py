"""Metrics of output and distortion."""

from __future__ import annotations

from speakerdb.metric import OWN, Metric

ROWS = (
    Metric("thd_bass_86_percent", "Bass distortion at 86 dB", "%", "low",
       "RMS of total harmonic distortion over 50–100 Hz at a drive of 86 dB", OWN, 0.01, 1.5, "output", scale="log",
       absolute=True),
    Metric("thd_mid_86_percent", "Midrange distortion at 86 dB", "%", "low",
       "RMS of total harmonic distortion over 200 Hz–5 kHz at a drive of 86 dB", OWN, 0.01, 1.5, "output", scale="log",
       absolute=True),
    Metric("thd_bass_96_percent", "Bass distortion at 96 dB", "%", "low",
       "RMS of total harmonic distortion over 50–100 Hz at a drive of 96 dB", OWN, 0.01, 1.5, "output", scale="log",
       absolute=True),
    Metric("thd_mid_96_percent", "Midrange distortion at 96 dB", "%", "low",
       "RMS of total harmonic distortion over 200 Hz–5 kHz at a drive of 96 dB", OWN, 0.01, 1.5, "output", scale="log",
       absolute=True),
    Metric("clean_level_bass_db", "Clean level, bass", "dB", "high",
       "Highest drive with total harmonic distortion at most 10 % everywhere in 50–100 Hz", OWN, 0.1, 1.0, "output",
       worst=True, absolute=True),
    Metric("clean_level_mid_db", "Clean level, midrange", "dB", "high",
       "Highest drive with total harmonic distortion at most 3 % everywhere in 200 Hz–5 kHz", OWN, 0.1, 1.0, "output",
       worst=True, absolute=True),
    Metric("clean_level_multitone_db", "Clean level, multitone", "dB", "high",
       "Highest drive with multitone distortion at most 3 % everywhere in 100 Hz–10 kHz, full range", OWN, 0.1, 1.0,
       "output", worst=True, absolute=True),
    Metric("clean_level_multitone_managed_db", "Clean level, multitone above 80 Hz", "dB", "high",
       "Highest drive with multitone distortion at most 3 % everywhere in 100 Hz–10 kHz, the signal high-passed at 80 Hz",
       OWN, 0.1, 1.0, "output", worst=True, absolute=True),
    Metric("max_level_db", "Maximum level", "dB", "high",
       "Level at 1 m that is delivered where compression (mean loss 300 Hz–3 kHz) reaches 3 dB", OWN, 0.1, 1.0, "output",
       absolute=True),
    Metric("balance_level_db", "Highest level with its balance", "dB", "high",
       "Level delivered at the highest drive at which compression changes the tonal balance by no more than 1.5 dB, from the "
       "−6 dB limit to 10 kHz",
       OWN, 0.1, 1.0, "output", absolute=True),
    Metric("balance_level_managed_db", "Highest level with its balance, above 80 Hz", "dB", "high",
       "Level delivered at the highest drive at which compression changes the tonal balance by no more than 1.5 dB, with the bass "
       "left to a subwoofer: from 80 Hz, or the −6 dB limit if higher, to 10 kHz", OWN, 0.1, 1.0, "output", absolute=True),
    *(Metric(f"max_level_{hz}hz_db", f"Usable output at {hz} Hz", "dB", "high",
         f"Level delivered at {hz} Hz at the lower of 3 dB compression and the distortion limit (10 %)", OWN, 0.1, 1.0,
         "output", absolute=True) for hz in (40, 63, 100)),
    Metric("impedance_min_ohm", "Lowest impedance", "Ω", "high",
       "Lowest impedance magnitude, 20 Hz–20 kHz (passive speakers)", OWN, 0.1, 1.25, "output", scale="log"),
    Metric("sensitivity_db", "Sensitivity", "dB (2.83 V, 1 m)", "neither",
       "Reference level referred to a drive of 2.83 V (passive speakers)", OWN, 0.1, 1.0, "output", absolute=True),
)  # fmt: skip
