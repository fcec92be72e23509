"""Frequency of a steady tone against the four-parameter sine fit of IEEE Std 1057 and the Cramer-Rao bound.

The fit (least squares in amplitude, phase, offset and frequency, solved by Gauss-Newton iteration) is
written here from its definition. The bound for real data is Rife & Boorstyn, IEEE Trans. Inf. Theory
20(5), 1974, with k = 2: var f = 2 * 6 fs^2 / ((2 pi)^2 eta N (N^2 - 1)), eta = A^2 / (2 s^2) per sample.
"""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck import diagnose, from_samples
from sigcheck.measure.results import Measurements

RATE = 8000.0


def measured(x: np.ndarray) -> Measurements:
    return diagnose(from_samples(x.astype(np.float32), RATE)).measurements


def four_parameter_fit(x: np.ndarray, hz: float) -> float:
    """Frequency by IEEE 1057's iteration, started at ``hz``."""
    t = np.arange(x.size) / RATE
    w = 2 * np.pi * hz
    a, b = 0.0, 0.0
    for step in range(8):
        c, s = np.cos(w * t), np.sin(w * t)
        columns = [c, s, np.ones_like(t)]
        if step:
            columns.append(-a * t * s + b * t * c)
        solution, *_ = np.linalg.lstsq(np.stack(columns, axis=1), x, rcond=None)
        a, b = solution[:2]
        if step:
            w += solution[3]
    return float(w / (2 * np.pi))


@pytest.mark.parametrize("hz", [431.7, 700.123456, 1234.5678])
def test_noise_free_tone_agrees_with_the_sine_fit(hz: float) -> None:
    t = np.arange(int(10 * RATE)) / RATE
    x = 0.4 * np.cos(2 * np.pi * hz * t + 0.7)
    fit = four_parameter_fit(x, hz + 0.01)
    assert fit == pytest.approx(hz, abs=1e-9 * RATE)
    # Single precision and the survey's frames leave some -100 dB: by the bound 1e-9 of the rate over 10 s
    assert measured(x).signal.tone_hz == pytest.approx(fit, abs=1e-8 * RATE)


@pytest.mark.parametrize("snr_db", [0.0, 20.0])
def test_error_in_noise_stays_at_the_bound_and_with_the_fit(snr_db: float) -> None:
    rng = np.random.default_rng(11)
    seconds, hz, amplitude = 10.0, 811.37, 0.2
    t = np.arange(int(seconds * RATE)) / RATE
    sigma = np.sqrt(amplitude**2 / 2 / 10 ** (snr_db / 10) / 2500 * RATE / 2)
    n, eta = t.size, amplitude**2 / (2 * sigma**2)
    bound = np.sqrt(2 * 6 * RATE**2 / ((2 * np.pi) ** 2 * eta * n * (n**2 - 1)))
    errors, differences = [], []
    for _ in range(12):
        x = amplitude * np.cos(2 * np.pi * hz * t + rng.uniform(0, 6)) + sigma * rng.standard_normal(n)
        found = measured(x).signal.tone_hz
        assert found is not None
        errors.append(found - hz)
        differences.append(found - four_parameter_fit(x, hz))
    # 12 trials: the rms of a perfect estimator stays under 1.5 bounds in 99.7 of 100 (chi-squared, 12)
    assert np.sqrt(np.mean(np.square(errors))) < 1.55 * bound
    assert np.sqrt(np.mean(np.square(differences))) < 0.5 * bound
