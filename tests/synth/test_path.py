"""Fading statistics, reflections, wiring, stations, speech and bursts against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.synth import path, signals

RATE = 24000.0


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def exact_mains(hz: float = 50.0) -> signals.MainsPhase:
    return signals.MainsPhase(np.array([0.0, 1e4]), np.zeros(2), hz)


def test_scattered_paths_fade_as_rayleigh_with_the_asked_spread() -> None:
    """P(power < p) = 1 - exp(-p) (Rayleigh); deviation half the spread (ITU-R F.1487, from memory)."""
    rate, spread = 400.0, 4.0
    gain = path.fading_gain(path.Fading(spread_hz=spread), int(2000 * rate), rate, rng())
    power = np.abs(gain) ** 2
    # 2000 s hold some 2000 x 2 sqrt(pi) x 2 Hz = 14000 independent values: 1 % at most on each share.
    assert power.mean() == pytest.approx(1.0, rel=0.04)
    for p in (0.1, 1.0, 2.0):
        assert np.mean(power < p) == pytest.approx(1.0 - np.exp(-p), abs=0.015)
    spectrum = np.abs(np.fft.fft(gain)) ** 2
    f = np.fft.fftfreq(gain.size, 1.0 / rate)
    assert np.sqrt(np.sum(spectrum * f**2) / spectrum.sum()) == pytest.approx(spread / 2.0, rel=0.05)


def test_a_steady_path_beside_the_scattered_ones_is_rician() -> None:
    gain = path.fading_gain(path.Fading(spread_hz=4.0, steady_db=10.0), 400 * 1000, 400.0, rng())
    assert abs(gain.mean()) ** 2 / np.var(gain) == pytest.approx(10.0, rel=0.1)
    assert np.mean(np.abs(gain) ** 2) == pytest.approx(1.0, rel=0.03)


def test_no_fading_is_no_change() -> None:
    assert np.all(path.fading_gain(path.Fading(), 1000, RATE, rng()) == 1.0)


def test_a_reflection_beats_at_its_doppler_shift() -> None:
    flight = path.Reflection(level_db=-6.0, shift_hz=5.0, pass_s=20.0)
    gain = path.reflection_gain(flight, int(20 * RATE), RATE)
    strength = np.abs(gain)
    assert (strength.max(), strength.min()) == pytest.approx((1.5012, 0.4988), abs=1e-3)
    first_second = np.fft.rfft(strength[: int(RATE)] - strength[: int(RATE)].mean())
    assert np.argmax(np.abs(first_second)) == 5  # 5 Hz at the beginning, 4.75 on average
    hz = np.diff(np.unwrap(np.angle(gain - 1.0))) * RATE / (2 * np.pi)
    assert (hz[0], hz[-1]) == pytest.approx((5.0, -5.0), abs=0.01)


def test_wiring_has_both_mains_families_in_amplitude_and_angle() -> None:
    phi = 2.0 * np.pi * np.arange(4096) / 4096
    gain = path.wiring_gain(path.Wiring(), phi)
    line = np.fft.fft(gain) / 4096
    for order in (1, 2, 3, 4):
        up, low = line[order] / line[0], np.conj(line[-order] / line[0])
        am, pm = abs(up + low), abs(up - low)
        assert am > 0.004 and pm > 0.004
        assert 0.1 < pm**2 / (am**2 + pm**2) < 0.9
    even = path.wiring_gain(path.Wiring(imbalance=0.0), phi)  # like diodes: twice the mains only
    assert abs(np.fft.fft(even)[1]) / 4096 < 1e-12


def test_the_other_station_has_its_level_frequency_and_rhythm() -> None:
    station = path.Station(frequency_hz=1000.0, level_dbc=-6.0, wpm=25.0)
    x = path.station_signal(station, int(10 * RATE), RATE, rng())
    assert np.abs(x).max() == pytest.approx(0.5012, abs=1e-3)
    assert 0.2 < np.mean(np.abs(x) > 0.25) < 0.7
    spectrum = np.abs(np.fft.fft(x))
    assert np.argmax(spectrum) == 10000


@pytest.mark.parametrize("on_tone", [True, False])
def test_speech_has_the_asked_level(on_tone: bool) -> None:
    where = path.Path(voice=path.Voice(level_dbc=-20.0, on_tone=on_tone))
    n = int(8 * RATE)
    if on_tone:
        modulated = path.modulation(where, n, RATE, exact_mains(), rng())
        power = np.var(modulated) / abs(modulated.mean()) ** 2
    else:
        power = np.mean(np.abs(path.added(where, n, RATE, rng())) ** 2)
    assert 10.0 * np.log10(power) == pytest.approx(-20.0, abs=0.1)


def test_speech_lies_in_the_speech_band_and_comes_in_syllables() -> None:
    x = path.speech(int(20 * RATE), RATE, rng())
    spectrum = np.abs(np.fft.rfft(x)) ** 2
    f = np.fft.rfftfreq(x.size, 1.0 / RATE)
    assert spectrum[(f > 90) & (f < 3500)].sum() / spectrum.sum() > 0.95
    loudness = np.sqrt(np.mean(x.reshape(-1, 480) ** 2, axis=1))  # 20 ms
    assert np.percentile(loudness, 95) > 8.0 * np.percentile(loudness, 10)


def test_bursts_come_twice_a_mains_cycle_at_the_asked_level() -> None:
    bursts = path.Bursts(level_db=20.0, spread_db=0.0, decay_s=0.0005)
    power = path.burst_power(bursts, int(10 * RATE), RATE, exact_mains(60.0), rng())
    # One after another the bursts are 8.3 ms = 17 decays apart, so each has its own first millisecond.
    begins = np.flatnonzero((power[1:] > 10.0) & (power[:-1] < 1.0)) + 1
    assert begins.size == pytest.approx(1200, abs=2)
    first_ms = [power[b : b + 24].mean() for b in begins[:-1]]
    assert 10.0 * np.log10(np.mean(first_ms)) == pytest.approx(20.0, abs=0.3)  # 24 samples of a falling curve


def test_random_bursts_come_at_their_mean_rate() -> None:
    bursts = path.Bursts(every="random", per_second=5.0, decay_s=0.0005, spread_db=0.0)
    power = path.burst_power(bursts, int(60 * RATE), RATE, exact_mains(), rng())
    total = power.sum() / RATE
    each = 10.0 ** (bursts.level_db / 10.0) * 1e-3 / (1.0 - np.exp(-2.0))
    assert total / each == pytest.approx(300.0, abs=4 * np.sqrt(300.0))  # Poisson, 4 sigma
