"""When the sound arrives, and how far it stands out of the noise."""

from __future__ import annotations

import numpy as np

from speakerdb.session import FloatArray

BAND_HZ = (1400.0, 19000.0)
_SLOPE_OCT = 0.25  # of the band's half-cosine ends


def sound_speed_m_s(temperature_c: float) -> float:
    """331.3·√(1 + t/273.15) m/s: an ideal gas, dry air at t °C."""
    return float(331.3 * np.sqrt(1.0 + temperature_c / 273.15))


def envelope(response: FloatArray, rate_hz: float, band_hz: tuple[float, float]) -> FloatArray:
    """Envelope (…, n) of responses (…, n) within a band with half-cosine ends, on the circle."""
    from scipy.fft import fft, ifft

    n = response.shape[-1]
    frequency = np.fft.fftfreq(n, 1.0 / rate_hz)
    positive = np.maximum(frequency, 1e-9)
    rise = np.clip(0.5 + np.log2(positive / band_hz[0]) / _SLOPE_OCT, 0.0, 1.0)
    fall = np.clip(0.5 + np.log2(band_hz[1] / positive) / _SLOPE_OCT, 0.0, 1.0)
    weight = np.where(frequency > 0, 2.0 * np.sin(np.pi / 2 * rise) ** 2 * np.sin(np.pi / 2 * fall) ** 2, 0.0)
    return np.abs(np.asarray(ifft(fft(response) * weight)))


def arrival(response: FloatArray, rate_hz: float, band_hz: tuple[float, float] = BAND_HZ) -> tuple[int, float]:
    """Sample at which a response (n,) peaks within a band, and by how many dB that stands over the noise (the median
    of the envelope)."""
    found = envelope(response, rate_hz, (band_hz[0], min(band_hz[1], 0.45 * rate_hz)))
    peak = int(np.argmax(found))
    floor = float(np.median(found))
    return peak, float(20.0 * np.log10(found[peak] / floor)) if floor > 0.0 and found[peak] > 0.0 else 0.0
