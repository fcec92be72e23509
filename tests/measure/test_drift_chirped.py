"""Drift of a transmitter that chirps and starts each element at a phase of its own."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Drift
from sigcheck.recording import from_samples
from tests.measure.plain_audio import band_noise
from tests.measure.tones import key_edges

RATE = 8000.0


def chirped(chirp_hz: float, rate_hz_per_min: float, seed: int) -> Drift:
    """25 s at 15 WPM; each element begins ``chirp_hz`` off and settles with 30 ms."""
    rng = np.random.default_rng(seed)
    x = np.zeros(round(25 * RATE))
    t = np.arange(x.size) / RATE
    starts, ends = key_edges("VVV DE Q5KAP ", 0.08, 0.5, 24.5)
    for start, end in zip(starts, ends, strict=True):
        part = slice(round(start * RATE), round(end * RATE))
        since = t[part] - start
        hz = 750 + rate_hz_per_min / 60 * (t[part] - 12.5) + chirp_hz * np.exp(-since / 0.03)
        rise = np.clip(np.minimum(since, end - t[part]) / 0.005, 0, 1)
        x[part] = 0.2 * rise * np.cos(2 * np.pi * np.cumsum(hz) / RATE + rng.uniform(0, 2 * np.pi))
    density = 0.2**2 / 2 / 10 ** (30.0 / 10) / 2500.0
    x += band_noise(rng, x.size, RATE, density, 300, 2700)
    return measure(from_samples(x.astype(np.float32), RATE)).measurements.drift


@pytest.mark.parametrize("chirp_hz", [-25.0, 2.0, 40.0])
def test_a_chirp_hides_no_drift(chirp_hz: float) -> None:
    """The difference of dits and dahs, up to 7 Hz here, must not count as scatter."""
    found = chirped(chirp_hz, 8.0, seed=3)
    assert found.rate_hz_per_min is not None and found.rate_hz_per_min_sigma is not None
    assert found.rate_hz_per_min_sigma < 0.5
    assert found.rate_hz_per_min == pytest.approx(8.0, abs=4 * found.rate_hz_per_min_sigma)


@pytest.mark.parametrize("seed", range(4))
def test_a_chirp_is_no_drift(seed: int) -> None:
    found = chirped(30.0, 0.0, seed)
    assert found.model == "constant"
    assert found.rate_hz_per_min is not None and found.rate_hz_per_min_sigma is not None
    assert abs(found.rate_hz_per_min) < 4 * found.rate_hz_per_min_sigma
