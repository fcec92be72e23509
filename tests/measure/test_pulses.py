"""One pulse a second on a channel of its own, of any shape that a reference may give."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from sigcheck.measure.seconds.pulses import measure_pulses


def recorded(rate_hz: int, error_ppm: float, width_s: float, *, noise: float, highpass_hz: float = 0.0) -> np.ndarray:
    """Half a minute of pulses, drawn at eight times the rate and brought down by the recorder's filter."""
    n = 30 * rate_hz
    t = np.arange(8 * n) / (8 * rate_hz * (1 + 1e-6 * error_ppm))
    x = signal.resample_poly(0.5 * ((t - 0.37) % 1.0 < width_s), 1, 8)
    if highpass_hz:
        x = signal.sosfilt(signal.butter(1, highpass_hz, "highpass", fs=rate_hz, output="sos"), x)
    return (x + noise * np.random.default_rng(rate_hz).standard_normal(n)).astype(np.float32)


@pytest.mark.parametrize(
    ("rate_hz", "width_s", "noise", "highpass_hz"),
    [(48000, 2e-3, 1e-3, 0.0), (11025, 2e-3, 1e-3, 0.0), (44100, 0.2, 3e-3, 20.0), (48000, 0.02, 0.03, 0.0)],
    ids=["both edges alike", "rate of no whole hundred", "coupled by a capacitor", "noisy"],
)
def test_pulses(rate_hz: int, width_s: float, noise: float, highpass_hz: float) -> None:
    found = measure_pulses(recorded(rate_hz, 73.2, width_s, noise=noise, highpass_hz=highpass_hz), rate_hz)
    assert not isinstance(found, str)
    error, sigma = found
    assert abs(error - 73.2) < 4 * sigma
    # half a minute, each edge placed to a hundredth of a millisecond: 12^0.5 * 1e-5 / 30^1.5 = 0.2 ppm
    assert sigma < 0.2


def test_noise_is_no_pulse() -> None:
    rng = np.random.default_rng(3)
    for _ in range(20):
        assert isinstance(measure_pulses(rng.standard_normal(240_000).astype(np.float32), 8000), str)
