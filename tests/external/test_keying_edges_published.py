"""Keying edges: build-up times of known shapes, and what a receiver's filter does to a hard edge."""

from __future__ import annotations

import numpy as np
import pytest

from .arrays import Array, diagnosed, elements, envelope, keyed, noise, times

RATE = 24_000

# Rise time = 10 % to 90 % of the maximum amplitude (47 CFR 2.202(e); FS-1037C "rise time"). Of a full
# transition T, closed forms: linear 0.8000 T; raised cosine 0.5903 T; resistor-capacitor 2.1972 time
# constants; gaussian (error function) 2.5631 sigma.
SHAPES = [
    ("linear", 0.005, 0.8000),
    ("linear", 0.012, 0.8000),
    ("cosine", 0.005, 0.5903),
    ("cosine", 0.015, 0.5903),
    ("rc", 0.0010, 2.1972),
    ("rc", 0.0025, 2.1972),
    ("gauss", 0.002, 2.5631),
    ("gauss", 0.004, 2.5631),
]


@pytest.mark.parametrize(("shape", "length_s", "factor"), SHAPES)
def test_rise_and_fall_of_known_shapes(shape: str, length_s: float, factor: float) -> None:
    x = keyed("PARIS ", 15, RATE, shape=shape, length_s=length_s, seconds=22.0)
    found = diagnosed(x, RATE)["keying"]
    # 0.1 ms or 2 %: half of what is promised at 20 dB; here the noise is 56 dB down in 2500 Hz
    for name in ("rise_s", "fall_s"):
        assert found[name] == pytest.approx(factor * length_s, rel=0.02, abs=1e-4), name
    assert found["overshoot_db"] == pytest.approx(0.0, abs=0.1)
    assert abs(found["chirp_hz"]) < 0.5
    assert found["droop_db"] == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("dbc", [-25.0, -40.0])
def test_backwave_is_the_carrier_left_at_key_up(dbc: float) -> None:
    on, off = elements("PARIS PARIS PARIS PARIS ", 0.08, 1.0)
    t = times(20.0, RATE)
    level = 10 ** (dbc / 20)
    x = 0.5 * (level + (1 - level) * envelope(t, on, off, "cosine", 0.006)) * np.cos(2 * np.pi * 730 * t)
    found = diagnosed(x + noise(t.size, RATE, 90, 0.5, 5), RATE)["keying"]["backwave_db"]
    assert found == pytest.approx(dbc, abs=0.5)  # half of what is promised of lines, without noise


@pytest.mark.parametrize(("hz", "settle_s"), [(20.0, 0.02), (-35.0, 0.015)])
def test_chirp_of_a_known_law(hz: float, settle_s: float) -> None:
    # frequency f0 + hz exp(-t/tau) after each key-down, t from the half-amplitude point (definition)
    on, off = elements("PARIS PARIS PARIS PARIS PARIS ", 0.08, 1.0)
    t = times(24.0, RATE)
    phase = np.zeros(t.size)
    for a, b in zip(on, off, strict=True):
        inside = (t >= a - 0.02) & (t < b + 0.02)
        since = np.maximum(t[inside] - a, 0)
        phase[inside] = -2 * np.pi * hz * settle_s * np.exp(-since / settle_s)
    x = 0.5 * envelope(t, on, off, "cosine", 0.004) * np.cos(2 * np.pi * 700 * t + phase)
    found = diagnosed(x + noise(t.size, RATE, 90, 0.5, 6), RATE)["keying"]
    # 1 Hz or 10 %: the measure's own promise; at the half-amplitude point t = 0
    assert found["chirp_hz"] == pytest.approx(hz, rel=0.1, abs=1.0)


def band(x: Array, low_hz: float, high_hz: float) -> Array:
    """An ideal brick-wall filter."""
    spectrum = np.fft.rfft(x)
    f = np.fft.rfftfreq(x.size, 1 / RATE)
    return np.fft.irfft(np.where((f >= low_hz) & (f <= high_hz), spectrum, 0), x.size)


@pytest.mark.parametrize("width_hz", [500, 1000])
def test_hard_edge_through_an_ideal_filter(width_hz: int) -> None:
    # ideal brick wall of width B: 10..90 % in 0.892/B, overshoot 8.95 % = 0.74 dB (sine integral)
    on, off = elements("PARIS PARIS PARIS PARIS PARIS ", 0.08, 1.0)
    t = times(24.0, RATE)
    x = 0.5 * envelope(t, on, off, "hard", 0.0) * np.cos(2 * np.pi * 900 * t)
    x = band(x + noise(t.size, RATE, 75, 0.5, 7), 900 - width_hz / 2, 900 + width_hz / 2)
    x += 1e-5 * np.random.default_rng(8).standard_normal(t.size)
    result = diagnosed(x, RATE)
    keying, passband = result["keying"], result["signal"]["passband_hz"]
    assert passband[0] == pytest.approx(900 - width_hz / 2, abs=0.05 * width_hz)
    assert passband[1] == pytest.approx(900 + width_hz / 2, abs=0.05 * width_hz)
    assert keying["rise_limit_s"] == pytest.approx(0.892 / width_hz, rel=0.1)
    # the measured edge: 10 % or 0.1 ms
    assert keying["rise_s"] == pytest.approx(0.892 / width_hz, rel=0.1, abs=1e-4)
    assert keying["overshoot_db"] == pytest.approx(0.74, abs=0.15)
