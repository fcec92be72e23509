"""Noise, rates and mains waveforms against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.synth import signals


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def test_full_wave_rectified_sine_has_the_textbook_series() -> None:
    """Fourier series of |sin|: mean 2/pi, c_n = 4/(pi (n^2 - 1)) for even n, none for odd n."""
    lines = np.abs(signals.rectified_lines("full-wave"))
    assert lines[0] == pytest.approx(2.0 / np.pi, rel=1e-5)
    for n in (2, 4, 6, 8):
        assert lines[n] == pytest.approx(4.0 / (np.pi * (n * n - 1)), rel=1e-4)  # table of 8192 points
    assert lines[1::2].max() < 1e-6
    # 2 f : 4 f : 6 f : 8 f as published tables of the rectified sine have it
    ratio_db = 20.0 * np.log10(lines[2:9:2] / lines[2])
    assert ratio_db == pytest.approx([0.0, -13.98, -21.34, -26.44], abs=0.01)


def test_half_wave_rectified_sine_has_the_textbook_series() -> None:
    """Half-wave: mean 1/pi, f_m 1/2, then 2 f_m, 4 f_m, 6 f_m at -7.44, -21.42, -28.78 dB from it."""
    lines = np.abs(signals.rectified_lines("half-wave"))
    assert lines[:2] == pytest.approx([1.0 / np.pi, 0.5], rel=1e-4)
    assert 20.0 * np.log10(lines[[2, 4, 6]] / lines[1]) == pytest.approx([-7.44, -21.42, -28.78], abs=0.01)
    assert lines[3] < 1e-6


def test_a_large_reservoir_discharges_in_a_straight_line() -> None:
    """Time constant many cycles: a sawtooth at 2 f_m, whose harmonics fall as 1/k (closed form)."""
    lines = np.abs(signals.rectified_lines("full-wave", discharge_cycles=200.0))
    saw = lines[[2, 4, 6, 8]]
    # The sawtooth's fall is not quite vertical (the sine charges for a short while): 5 % at these orders.
    assert saw / saw[0] == pytest.approx(1.0 / np.arange(1, 5), rel=0.05)
    assert lines[1] < 1e-6


def test_unequal_half_waves_bring_the_mains_itself_into_a_full_wave_ripple() -> None:
    assert np.abs(signals.rectified_lines("full-wave", 3.0, imbalance=0.05))[1] > 0.005


def test_waveform_is_the_sum_of_its_lines() -> None:
    lines = np.zeros(8, dtype=complex)
    lines[1], lines[3] = 0.5j, 0.25
    phi = np.linspace(-3.0, 40.0, 500)
    expected = -0.5 * np.sin(phi) + 0.25 * np.cos(3.0 * phi)
    # Straight lines between 8192 points of a cycle: error (3 x 2 pi / 8192)^2 / 8 of the third order.
    assert np.abs(signals.waveform(lines, phi) - expected).max() < 1e-6


def test_mains_wanders_slowly_about_its_mean() -> None:
    mains = signals.Mains(hz=60.0, wander_hz=0.02, correlation_s=10.0)
    phase = signals.mains_phase(rng(), mains, 2000.0)
    t = np.arange(0.0, 2000.0, 1.0)
    frequency = np.diff(phase(t)) / (2.0 * np.pi)
    # 2000 s hold about 100 independent values of a quantity with 10 s of memory.
    assert frequency.mean() == pytest.approx(60.0, abs=4 * 0.02 / np.sqrt(100.0))
    assert frequency.std() == pytest.approx(0.02, rel=0.35)
    assert np.abs(np.diff(frequency)).max() < 0.04  # no jumps: 1 s is a tenth of the memory
    assert phase.mean_hz(2000.0) == pytest.approx(frequency.mean(), abs=1e-4)


@pytest.mark.parametrize(("up", "down"), [(1, 3), (4, 1), (1, 1), (2, 3)])
def test_changing_the_rate_keeps_a_tone(up: int, down: int) -> None:
    rate = 24000.0
    t = np.arange(24000) / rate
    out = signals.change_rate(0.4 * np.cos(2.0 * np.pi * 1000.0 * t), up, down)
    new = np.arange(out.size) / (rate * up / down)
    middle = slice(out.size // 10, -out.size // 10)  # the ends ring
    assert np.abs(out - 0.4 * np.cos(2.0 * np.pi * 1000.0 * new))[middle].max() < 1e-3
    assert out.size == 24000 * up // down


def test_lowering_the_rate_removes_what_would_fold() -> None:
    t = np.arange(24000) / 24000.0
    out = signals.change_rate(np.cos(2.0 * np.pi * 5000.0 * t), 1, 3)
    assert np.abs(out[800:-800]).max() < 1e-3


def test_shaped_noise_has_the_asked_density() -> None:
    """Variance = integral of the one-sided density: here 2e-4 per Hz from 100 to 600 Hz."""
    x = signals.shaped_noise(rng(), 480000, 24000.0, lambda f: 2e-4 * ((f > 100.0) & (f < 600.0)))
    # 2 x 500 Hz x 20 s = 20000 degrees of freedom: relative sigma of the variance 1 %.
    assert np.var(x) == pytest.approx(2e-4 * 500.0, rel=0.04)


def test_white_noise_density_and_straying_values() -> None:
    w = signals.white(rng(), 400000, 12000.0, 3.0)
    assert np.mean(np.abs(w) ** 2) == pytest.approx(3.0 * 12000.0, rel=0.01)
    x = signals.wander(rng(2), 2_000_000, 1000.0, 0.7, 1.0)
    lag = 1000
    assert np.std(x) == pytest.approx(0.7, rel=0.1)  # about 1000 independent values: 3 standard errors
    assert np.corrcoef(x[:-lag], x[lag:])[0, 1] == pytest.approx(np.exp(-1.0), abs=0.1)


def test_phase_of_a_ramp_is_exact() -> None:
    rate = 1000.0
    t = np.arange(5000) / rate
    assert signals.phase_of(3.0 + 2.0 * t, rate) == pytest.approx(2.0 * np.pi * (3.0 * t + t * t), abs=1e-9)


def test_analytic_signal_holds_positive_frequencies_only() -> None:
    x = rng().standard_normal(4096)
    z = signals.analytic(x)
    assert z.real == pytest.approx(x, abs=1e-9)
    assert np.abs(np.fft.fft(z)[2100:]).max() < 1e-9
