"""Frequency against time on tones whose course is given, along the real path."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Drift
from sigcheck.recording import from_samples
from tests.measure.plain_audio import Real, band_noise, keyed

RATE = 8000.0


def drift_of(hz: Real, *, wpm: float | None = None, snr_db: float = 25.0, seed: int = 1) -> tuple[Drift, float]:
    t = np.arange(hz.size) / RATE
    phase = 2 * np.pi * np.cumsum(hz) / RATE
    envelope = np.ones(t.size) if wpm is None else keyed(t, wpm=wpm)
    density = 0.2**2 / 2 / 10 ** (snr_db / 10) / 2500.0
    noise = band_noise(np.random.default_rng(seed), t.size, RATE, density, 300, 2700)
    m = measure(from_samples((0.2 * envelope * np.cos(phase) + noise).astype(np.float32), RATE)).measurements
    assert m.signal.tone_hz is not None
    return m.drift, m.signal.tone_hz


def times(seconds: float) -> Real:
    return np.arange(round(seconds * RATE)) / RATE


@pytest.mark.parametrize("wpm", [None, 15.0])
@pytest.mark.parametrize("snr_db", [30.0, 10.0])
def test_constant_frequency_is_called_constant(wpm: float | None, snr_db: float) -> None:
    found, tone = drift_of(np.full(times(40).size, 801.234), wpm=wpm, snr_db=snr_db)
    assert found.model == "constant"
    assert found.rate_hz_per_min is not None and found.rate_hz_per_min_sigma is not None
    assert abs(found.rate_hz_per_min) < 4 * found.rate_hz_per_min_sigma
    assert tone == pytest.approx(801.234, abs=0.002)


@pytest.mark.parametrize("wpm", [None, 15.0])
@pytest.mark.parametrize("rate", [-50.0, -3.0, 6.0, 100.0])
def test_linear_drift(wpm: float | None, rate: float) -> None:
    t = times(40)
    found, _ = drift_of(800 + rate / 60 * t, wpm=wpm)
    assert found.model == "linear"
    assert found.rate_hz_per_min is not None and found.rate_hz_per_min_sigma is not None
    assert found.rate_hz_per_min_sigma < 0.5
    assert found.rate_hz_per_min == pytest.approx(rate, abs=max(4 * found.rate_hz_per_min_sigma, 0.01 * abs(rate)))


def test_warm_up_has_its_time_constant() -> None:
    t = times(120)
    found, _ = drift_of(800 + 12 * np.exp(-t / 25.0), wpm=15)
    assert found.model == "warm-up"
    assert found.time_constant_s == pytest.approx(25.0, rel=0.05)


def test_steps_are_counted_placed_and_measured() -> None:
    t = times(60)
    hz = 800 + 2.0 * (t > 14.3) + 2.0 * (t > 31.7) + 2.0 * (t > 47.2)
    found, _ = drift_of(hz)
    assert found.model == "steps"
    assert [s.time_s for s in found.steps] == pytest.approx([14.3, 31.7, 47.2], abs=0.1)
    assert [s.size_hz for s in found.steps] == pytest.approx([2.0, 2.0, 2.0], rel=0.1)
    assert found.equal_steps


@pytest.mark.parametrize("wpm", [None, 14.0])
@pytest.mark.parametrize(("tau_s", "bend_hz", "size_hz"), [(9.0, 16.0, 4.9), (30.0, -14.0, 1.7)])
def test_steps_of_an_oscillator_that_warms_up(wpm: float | None, tau_s: float, bend_hz: float, size_hz: float) -> None:
    """Two faults at once: neither the bend's many small steps nor a walk at random explains them as well."""
    t = times(60)
    at = np.array([17.3, 24.8, 41.2])
    hz = 800 + bend_hz * np.exp(-t / tau_s) + size_hz * np.searchsorted(at, t)
    found, _ = drift_of(hz, wpm=wpm)
    assert found.model == "steps" and len(found.steps) == 3 and found.equal_steps
    assert [s.size_hz for s in found.steps] == pytest.approx([size_hz] * 3, rel=0.02)
    assert found.time_constant_s == pytest.approx(tau_s, rel=0.05)
    # the rate is that of the warming alone, the total has the steps as well
    bent = bend_hz * (np.exp(-59.0 / tau_s) - np.exp(-1.0 / tau_s))
    assert found.rate_hz_per_min == pytest.approx(bent, rel=0.15)  # keyed, it neither begins nor ends at an end
    assert found.total_hz == pytest.approx(found.rate_hz_per_min + 3 * size_hz, rel=0.1)


def test_cycle() -> None:
    t = times(120)
    found, _ = drift_of(800 + 1.5 * np.sin(2 * np.pi * t / 38.0), wpm=15)
    assert found.model == "cyclic"
    assert found.cycle_s == pytest.approx(38.0, rel=0.1)
    assert found.cycle_peak_hz == pytest.approx(1.5, rel=0.1)


def test_a_break_in_the_phase_is_found_and_noise_has_none() -> None:
    t = times(30)
    x = 0.2 * np.cos(2 * np.pi * 800.3 * t)
    x = np.delete(x, slice(90000, 90137))  # 17.1 ms lost: 13.7 cycles
    x = x + 1e-3 * np.random.default_rng(3).standard_normal(x.size)
    m = measure(from_samples(x.astype(np.float32), RATE)).measurements
    breaks = [d for d in m.health.dropouts if d.how == "phase-break"]
    assert [d.time_s for d in breaks] == pytest.approx([90000 / RATE], abs=0.05)
    whole, _ = drift_of(np.full(t.size, 800.3), snr_db=10)
    assert whole.model == "constant"
