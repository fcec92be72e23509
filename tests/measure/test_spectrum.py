"""The survey's scale, the decimated audio's truth, and the passband that noise shows."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.spectrum import passband, peak_bin, quiet_density, slice_band, survey
from tests.measure.plain_audio import band_noise


@pytest.mark.parametrize("rate_hz", [6000.0, 8000.0, 11025.0, 44100.0, 48000.0, 192000.0])
def test_analytic_audio_keeps_amplitude_and_phase_at_every_rate(rate_hz: float) -> None:
    t = np.arange(round(3 * rate_hz)) / rate_hz
    s = survey((0.3 * np.cos(2 * np.pi * 700.3 * t + 0.4)).astype(np.float32), rate_hz)
    at = np.arange(s.audio.size) / s.rate_hz
    relative = s.audio * np.exp(-1j * (2 * np.pi * 700.3 * at + 0.4)) / 0.3
    inside = slice(s.audio.size // 10, -s.audio.size // 10)
    # what the Hann frames' side lobes lose at the cut-off band's ends: under 1e-4 this far inside
    assert np.abs(relative[inside] - 1.0).max() < 1e-4


def test_noise_density_reads_true() -> None:
    rng = np.random.default_rng(1)
    density = 1e-7  # one-sided, of the real samples; the complex convention doubles it
    x = band_noise(rng, 12000 * 30, 12000.0, density, 300.0, 2700.0).astype(np.float32)
    s = survey(x, 12000.0)
    noise = quiet_density(s)
    f = np.arange(noise.size) * s.bin_hz
    inside = (f > 500) & (f < 2500)
    # 350 half-overlapped frames and a median over 25 bins scatter by about 2 %; the quantile's bias is less
    assert np.mean(noise[inside]) == pytest.approx(2 * density, rel=0.08)
    assert np.mean(s.density[5:-5][:, inside]) == pytest.approx(2 * density, rel=0.02)


@pytest.mark.parametrize(("low", "high"), [(300.0, 2700.0), (450.0, 950.0), (100.0, 3000.0)])
def test_passband_edges_are_found_from_noise(low: float, high: float) -> None:
    rng = np.random.default_rng(2)
    x = band_noise(rng, 12000 * 30, 12000.0, 1e-7, low, high) + 1e-7 * rng.standard_normal(12000 * 30)
    s = survey(x.astype(np.float32), 12000.0)
    found_low, found_high, seen = passband(quiet_density(s), s.bin_hz, 700.0)
    assert seen
    # a running median over 150 Hz keeps an edge to within a bin or two of its place
    assert found_low == pytest.approx(low, abs=15.0)
    assert found_high == pytest.approx(high, abs=15.0)


@pytest.mark.parametrize("width_hz", [30.0, 70.0, 120.0])
def test_a_station_beyond_the_edge_does_not_widen_the_passband(width_hz: float) -> None:
    """8 dB down at 940 Hz and falling; a station at 1040 Hz as loud as the passband, on its skirt."""
    f = np.arange(0.0, 4000.0, 5.0)
    level_db = -60.0 - 0.2 * np.maximum(np.maximum(f - 900.0, 620.0 - f), 0.0)
    beyond = np.where(np.abs(f - 1040.0) < width_hz / 2, -60.0, level_db)
    low, high, seen = passband(10 ** (beyond / 10), 5.0, 800.0)
    assert seen and low == pytest.approx(580.0, abs=5.0)
    # what is wider than a keyed signal belongs to the passband
    assert high == pytest.approx(940.0, abs=5.0) or (width_hz > 80.0 and high == pytest.approx(1100.0, abs=5.0))
    assert (high > 1000.0) == (width_hz > 80.0)


def test_slice_is_flat_inside_and_nothing_outside() -> None:
    rate = 6000.0
    t = np.arange(60000) / rate
    for offset, expected in ((10.3, 1.0), (-95.0, 1.0), (220.0, 0.0), (-400.0, 0.0)):
        band, new_rate = slice_band(np.exp(2j * np.pi * offset * t).astype(np.complex64), rate, -100, 100, taper_hz=80)
        middle = band[band.size // 4 : -band.size // 4]
        assert np.abs(middle).mean() == pytest.approx(expected, abs=2e-3)
        if expected:
            at = np.arange(band.size)[band.size // 4 : -band.size // 4] / new_rate
            turned = middle * np.exp(-2j * np.pi * offset * at)
            # the Hann frames' side lobes that reach into the taper are lost: 50 dB down near the edge
            assert np.ptp(np.unwrap(np.angle(turned))) < 5e-3
            assert np.angle(turned).mean() == pytest.approx(0.0, abs=2e-3)


def test_peak_between_bins() -> None:
    n = 256
    for true in (40.0, 40.3, 40.5, 39.6):
        x = np.hanning(n + 1)[:n] * np.exp(2j * np.pi * true * np.arange(n) / n)
        # a parabola through the logarithm of a Hann lobe is within 0.02 bin
        assert peak_bin(np.abs(np.fft.fft(x)) ** 2, 40) == pytest.approx(true, abs=0.02)
