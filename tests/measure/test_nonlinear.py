"""Flat tops told from a soft curve; third-order products of two signals."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Purity
from sigcheck.measure.tone.nonlinear import products
from sigcheck.recording import from_samples
from tests.measure.plain_audio import Real, keyed, tone_and_noise

RATE = 16000.0


def purity(x: Real) -> Purity:
    return measure(from_samples(np.asarray(x, np.float32), RATE)).measurements.purity


def times(seconds: float = 15.0) -> Real:
    return np.arange(round(seconds * RATE)) / RATE


def noise(seed: int, level: float = 3e-4) -> Real:
    return level * np.random.default_rng(seed).standard_normal(times().size)


@pytest.mark.parametrize("wpm", [None, 14.0])
@pytest.mark.parametrize("drive_db", [0.5, 1.5, 4.0])
@pytest.mark.parametrize("kind", ["flat", "soft", "one side flat"])
def test_flat_tops_are_told_from_a_soft_curve(kind: str, drive_db: float, wpm: float | None) -> None:
    t = times()
    limit = 10 ** (-drive_db / 20)
    wave = np.cos(2 * np.pi * 633.3 * t) * (keyed(t, wpm=wpm) if wpm else 1.0)
    if kind == "flat":
        bent = np.clip(wave, -limit, limit)
    elif kind == "one side flat":
        bent = np.minimum(wave, limit)
    else:
        bent = limit * np.tanh(wave / limit)
    told = purity(0.3 * bent + noise(71)).tops
    # a sine clipped to 0.63 of its height has hardly more of the fifth and seventh than a tanh driven as far
    assert told == kind.split()[-1] or (told is None and drive_db == 4.0)


def test_a_clean_tone_has_no_tops_to_judge() -> None:
    found = purity(0.3 * np.cos(2 * np.pi * 633.3 * times()) + noise(72))
    assert found.tops is None and "noise" in found.missing["tops"]


def test_harmonics_that_a_filter_took_away_say_nothing_of_the_curve() -> None:
    """Flat tops before a filter of 2.7 kHz: of 800 Hz, the third harmonic passes and the fifth does not."""
    t = times()
    x = 0.3 * np.clip(np.cos(2 * np.pi * 800.3 * t), -0.9, 0.9) + noise(73, 1e-2)
    bins = np.fft.rfft(x)
    bins[np.fft.rfftfreq(t.size, 1 / RATE) > 2700] *= 1e-3
    found = purity(np.fft.irfft(bins, t.size))
    assert found.tops is None and "passband" in found.missing["tops"]


@pytest.mark.parametrize("wpm", [None, 13.0])
def test_third_order_products_fall_three_to_one(wpm: float | None) -> None:
    """y = x + k x^3: of amplitudes a, b the product 2 f1 - f2 is (3/4) k a^2 b (binomial theorem)."""
    t = times()
    seen = []
    for down_db in (0.0, 10.0):
        a = 0.3 * 10 ** (-down_db / 20)
        own = keyed(t, wpm=wpm) if wpm else 1.0
        x = a * own * np.cos(2 * np.pi * 700.2 * t) + a / 2 * np.cos(2 * np.pi * 1011.7 * t + 1)
        found = purity(x + 0.5 * x**3 + noise(74, 1e-3))
        expected = 20 * np.log10(0.75 * 0.5 * a * a / 2)
        assert found.intermod_dbc is not None and found.intermod_dbc_sigma is not None
        # k compresses the tone by (3/4) k a^2 + (3/2) k b^2 = 0.4 dB, and fifth orders come to less
        assert found.intermod_dbc == pytest.approx(expected, abs=0.5 + 3 * found.intermod_dbc_sigma)
        assert found.intermod_hz == pytest.approx(388.7, abs=1.0)
        seen.append(found.intermod_dbc - down_db)  # absolute
    assert seen[0] - seen[1] == pytest.approx(30.0, abs=1.0)


def test_products_with_a_keyed_station() -> None:
    """Its level while it is down is what counts; 1.5 dB for the edges of both."""
    t = times()
    station = 0.15 * keyed(t, wpm=11, pattern="QA5 VK ") * np.cos(2 * np.pi * 1111.7 * t + 1)
    x = 0.3 * keyed(t, wpm=13) * np.cos(2 * np.pi * 800.2 * t) + station
    found = purity(x + 0.5 * x**3 + noise(76, 1e-2))
    assert found.intermod_dbc == pytest.approx(20 * np.log10(0.75 * 0.5 * 0.3 * 0.15), abs=1.5)


def test_two_signals_in_a_linear_chain_have_no_product() -> None:
    t = times()
    x, _ = tone_and_noise(np.random.default_rng(75), rate_hz=RATE, seconds=15, snr_db=30, hz=700.2,
                          envelope=keyed(t, wpm=13))  # fmt: skip
    found = purity(x + 0.1 * np.cos(2 * np.pi * 1011.7 * t))
    assert found.intermod_dbc is None and found.intermod_floor_dbc is not None
    assert found.intermod_floor_dbc < -45
    alone = purity(x)
    assert alone.intermod_dbc is None and "second signal" in alone.missing["intermod_dbc"]


def test_products_of_two_signals_are_all_that_an_order_holds() -> None:
    """n f + k g: of the third order 2 f +- g and f +- 2 g, besides 3 g (binomial terms of a power series)."""
    third = {(n, k): hz for n, k, hz in products(700.0, 950.0, 3) if abs(n) + k == 3}
    assert third == {(-2, 1): 450.0, (2, 1): 2350.0, (-1, 2): 1200.0, (1, 2): 2600.0, (0, 3): 2850.0}
    beside = sorted(hz for n, k, hz in products(700.0, 950.0, 5) if n + k == 1)
    assert beside == [950.0, 1200.0, 1450.0]  # steps of 250 Hz from the tone
