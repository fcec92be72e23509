"""Edges of elements with ripple on them: closed forms, and recordings with modulated supplies."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from sigcheck.measure.keyed.ripple import ripple
from sigcheck.measure.pipeline import measure
from sigcheck.recording import from_samples
from tests.benchmarks.bench_keying import REFERENCE_HZ, Setting, keyed, station


def elements(depth: float, hz: float, wpm: float, noise: float, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A keyed tone at 3 Hz in the baseband at 4000 Hz, its level 1 + depth cos(2 pi f t + 0.4)."""
    rng = np.random.default_rng(seed)
    sent = keyed(Setting(wpm=wpm, seconds=20.0), rng)
    on, off = (v[sent.off_s < 19.0] for v in (sent.on_s, sent.off_s))
    t = np.arange(80_000) / 4000
    key = np.zeros(t.size)
    for a, b in zip(on, off, strict=True):
        key[(t >= a) & (t < b)] = 1.0
    z = key * (1 + depth * np.cos(2 * np.pi * hz * t + 0.4)) * np.exp(6j * np.pi * t)
    return z + noise * (rng.standard_normal(t.size) + 1j * rng.standard_normal(t.size)), on, off


@pytest.mark.parametrize(("hz", "wpm"), [(100.11, 12.0), (119.87, 25.0), (50.06, 14.0), (211.3, 18.0)])
def test_ripple_is_found_as_it_was_put_on(hz: float, wpm: float) -> None:
    z, on, off = elements(0.25, hz, wpm, 0.1, 3)
    found = ripple(z, 4000.0, on, off)
    assert found is not None
    # a phase that goes on over 20 s of elements: half a cycle in that time is 0.025 Hz, seen in stretches of 2 s
    assert found.hz[0] == pytest.approx(hz, abs=0.1)
    t = 0.5 * (on + off)[:, None] + np.linspace(-0.02, 0.02, 41)
    expected = 1 + 0.25 * np.cos(2 * np.pi * hz * t + 0.4)
    # 16 neighbours of 50 ms or more hold 1600 samples with noise of 0.1: two sines, their mean to 0.01; and the phase
    # of the first and last eight is that of 2 s further in
    assert np.sqrt(np.mean((found.gain(t) - expected) ** 2)) < 0.03


@pytest.mark.parametrize("noise", [0.02, 0.1, 0.3])
def test_no_ripple_where_there_is_noise_alone(noise: float) -> None:
    for seed in range(6):
        assert ripple(*_arguments(elements(0.0, 100.0, 16.0, noise, seed))) is None


def _arguments(made: tuple[np.ndarray, np.ndarray, np.ndarray]) -> tuple[np.ndarray, float, np.ndarray, np.ndarray]:
    z, on, off = made
    return z, 4000.0, on, off


@pytest.mark.parametrize(("hz", "edge_s"), [(100.13, 0.009), (119.86, 0.005)])
def test_edges_under_a_modulated_supply(hz: float, edge_s: float) -> None:
    """28 % of ripple bent edges of 9 ms by a third; raised cosines have the 10..90 % time that they are made with."""
    s = Setting(snr_db=20.0, wpm=14.0, seconds=30.0, rate=12000, rise_s=edge_s, fall_s=edge_s, band_hz=(300.0, 2700.0))
    rng = np.random.default_rng(8)
    sent = keyed(s, rng)
    t = np.arange(round(s.seconds * s.rate)) / s.rate
    x = (station(s, sent.on_s, sent.off_s, t, 700.0, rng) * (1 + 0.28 * np.cos(2 * np.pi * hz * t + 1.0))).real
    x += rng.standard_normal(t.size) * np.sqrt(10 ** (-s.snr_db / 10) / REFERENCE_HZ * s.rate / 4)
    x = signal.sosfilt(signal.butter(s.order, s.band_hz, "bandpass", fs=s.rate, output="sos"), x)
    k = measure(from_samples((0.3 * x).astype(np.float32), float(s.rate))).measurements.keying
    assert k.rise_s == pytest.approx(edge_s, rel=0.1)
    assert k.fall_s == pytest.approx(edge_s, rel=0.1)
