"""Noise of the tone itself against additive noise: neither weakness, bursts nor chirp is to pass for it."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.audio.noise import _without_lines
from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Measurements
from sigcheck.recording import from_samples
from tests.measure.plain_audio import Real, keyed, tone_and_noise

RATE = 8000.0


def measured(x: Real) -> Measurements:
    return measure(from_samples(np.asarray(x, np.float32), RATE)).measurements


def times(seconds: float) -> Real:
    return np.arange(round(seconds * RATE)) / RATE


def phase_noise(rng: np.random.Generator, n: int, rms: float) -> Real:
    """Angle noise even from 5 to 300 Hz."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    f = np.fft.rfftfreq(n, 1 / RATE)
    spectrum[(f < 5) | (f > 300)] = 0
    out = np.fft.irfft(spectrum, n)
    return out * rms / out.std()


@pytest.mark.parametrize(("snr_db", "limit"), [(10.0, 0.03), (0.0, 0.1)])
def test_weak_signals_leave_the_limit_testable(snr_db: float, limit: float) -> None:
    """20 s of 100 ms dits: what noise hides lies below the note limit from 10 dB, below the fault's from 0 dB."""
    t = times(20)
    excess, floors = [], []
    for seed in range(4):
        rng = np.random.default_rng([31, seed])
        x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=20, snr_db=snr_db, envelope=keyed(t, wpm=12))
        p = measured(x).purity
        assert p.pm_excess_rad is not None and p.pm_excess_floor_rad is not None
        excess.append(p.pm_excess_rad)
        floors.append(p.pm_excess_floor_rad)
    assert np.median(floors) < limit
    assert all(e < limit for e in excess)


def test_oscillator_noise_is_found_under_additive_noise() -> None:
    t = times(20)
    rng = np.random.default_rng(32)
    x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=20, snr_db=5, envelope=keyed(t, wpm=12),
                          phase=phase_noise(rng, t.size, 0.1))  # fmt: skip
    p = measured(x).purity
    assert p.pm_excess_rad is not None and p.pm_excess_rad_sigma is not None
    # two elements a second take their mean from it, a few per cent of its power
    assert p.pm_excess_rad == pytest.approx(0.1, abs=3 * p.pm_excess_rad_sigma + 0.008)


def test_skirt_tells_angle_from_amplitude() -> None:
    """Angle noise of 0.03 rad rms in 295 Hz: 0.03^2 / 295 rad^2/Hz, half of it on each side."""
    t = times(20)
    rng = np.random.default_rng(33)
    x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=20, snr_db=40, phase=phase_noise(rng, t.size, 0.03))
    at = {s.offset_hz: s for s in measured(x).purity.skirt}
    one_side = 10 * np.log10(0.03**2 / 295 / 2)
    for offset in (50.0, 100.0, 200.0):
        assert at[offset].dbc_hz == pytest.approx(one_side, abs=1.0)
        assert at[offset].pm_dbc_hz == pytest.approx(one_side, abs=1.0)
        am = at[offset].am_dbc_hz
        assert am is not None and am < one_side - 10


def bursts(rng: np.random.Generator, t: Real, per_s: float, length_s: float, over: float) -> Real:
    """White bursts, ``over`` times the rms of the noise beneath, at the given rate."""
    inside = np.mod(t * per_s, 1.0) < length_s * per_s
    return inside * over * rng.standard_normal(t.size)


@pytest.mark.parametrize("keyed_at", [None, 15.0])
def test_noise_bursts_are_neither_rasp_nor_oscillator_noise(keyed_at: float | None) -> None:
    t = times(20)
    rng = np.random.default_rng(34)
    envelope = keyed(t, wpm=keyed_at) if keyed_at else None
    x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=20, snr_db=28, envelope=envelope)
    x = x + bursts(rng, t, 100.0, 0.001, 0.06)
    p = measured(x).purity
    if p.pm_excess_rad is not None:
        assert p.pm_excess_floor_rad is not None
        assert p.pm_excess_rad < max(0.03, p.pm_excess_floor_rad)
    assert p.rasp_rise_db is None or p.rasp_rise_db < 3.0


def test_a_mild_chirp_is_no_noise() -> None:
    """Each element starts 25 Hz high and settles within 15 ms."""
    t = times(20)
    envelope = keyed(t, wpm=15)
    down = envelope > 0.5
    begin = np.maximum.accumulate(np.where(np.diff(down.astype(int), prepend=0) == 1, t, 0.0))
    phase = 2 * np.pi * np.cumsum(np.where(down, 25.0 * np.exp(-(t - begin) / 0.015), 0.0)) / RATE
    rng = np.random.default_rng(35)
    x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=20, snr_db=30, envelope=envelope, phase=phase)
    m = measured(x)
    assert m.purity.pm_excess_rad is not None and m.purity.pm_excess_rad < 0.03
    assert m.purity.rasp_rise_db is not None and m.purity.rasp_rise_db < 3.0
    assert [b for b in m.lines.sidebands if b.level_dbc > -50] == []


def test_the_signal_to_noise_ratio_leaves_the_tones_own_noise_out() -> None:
    """Noise that reaches 900 Hz from the tone and ends with it is the tone's, not the path's."""
    t = times(20)
    rng = np.random.default_rng(36)
    own = 0.08 * rng.standard_normal(t.size)
    x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=20, snr_db=35, envelope=keyed(t, wpm=12) * (1 + own))
    assert measured(x).signal.snr_db == pytest.approx(35, abs=2.0)


def test_noise_is_heard_between_lines_that_fill_most_of_a_band() -> None:
    rng = np.random.default_rng(37)
    rate_hz, n = 300.0, 6000
    noise = (rng.standard_normal(n) + 1j * rng.standard_normal(n)) / np.sqrt(2)  # of power 1
    t = np.arange(n) / rate_hz
    lines = sum(10 * np.exp(2j * np.pi * f * t) for f in np.arange(-140.0, 150.0, 14.0))
    rest, left = _without_lines((noise + lines).astype(np.complex64), rate_hz)
    density = float(np.mean(np.abs(rest) ** 2)) / left
    assert density == pytest.approx(1.0, rel=0.3)  # the quietest part of a band is chosen for being quiet


@pytest.mark.parametrize("spread_hz", [3.0, 8.0])
def test_a_path_that_spreads_the_tone_is_no_rasp(spread_hz: float) -> None:
    """A direct wave and an echo as strong, its spectrum Gaussian with that standard deviation."""
    t = times(20)
    rng = np.random.default_rng(33)
    f = np.fft.fftfreq(t.size, 1 / RATE)
    echo = np.fft.ifft(np.fft.fft(rng.standard_normal(t.size) + 1j * rng.standard_normal(t.size))
                       * np.exp(-0.25 * (f / spread_hz) ** 2))  # fmt: skip
    path = 1 + echo / np.sqrt(np.mean(np.abs(echo) ** 2))
    x = 0.2 * keyed(t, wpm=15) * np.real(path * np.exp(2j * np.pi * 800 * t))
    x += tone_and_noise(rng, rate_hz=RATE, seconds=20, snr_db=35, envelope=np.zeros(t.size))[0]
    p = measured(x).purity
    assert p.rasp_rise_db is not None and p.rasp_rise_db < 3.0
