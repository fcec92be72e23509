"""Finding the test signal among what else is in the audio, and following it."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.carrier import NotFound, dynamic_path, find
from sigcheck.measure.spectrum import survey
from sigcheck.measure.track import Baseband
from tests.measure.plain_audio import band_noise, keyed, tone_and_noise

RATE = 12000.0


def found(x: np.ndarray, rate_hz: float = RATE, **how: float) -> Baseband:
    base = find(survey(x.astype(np.float32), rate_hz), **how)
    assert isinstance(base, Baseband), base
    return base


def middle(base: Baseband) -> float:
    return float(np.median(base.path_hz))


@pytest.mark.parametrize("snr_db", [40.0, 10.0, -6.0])
def test_keyed_tone_in_noise(snr_db: float) -> None:
    t = np.arange(round(30 * RATE)) / RATE
    x, _ = tone_and_noise(np.random.default_rng(3), seconds=30, hz=823.7, snr_db=snr_db, envelope=keyed(t, wpm=18))
    assert middle(found(x)) == pytest.approx(823.7, abs=4.0)  # the path is for following; the estimate comes later


@pytest.mark.parametrize("snr_db", [30.0, -15.0, -28.0])
def test_steady_tone_down_to_its_threshold(snr_db: float) -> None:
    x, _ = tone_and_noise(np.random.default_rng(4), seconds=30, hz=1101.2, snr_db=snr_db)
    assert middle(found(x)) == pytest.approx(1101.2, abs=3.0)


def test_beside_a_stronger_mains_comb_and_a_weaker_station() -> None:
    t = np.arange(round(30 * RATE)) / RATE
    x, _ = tone_and_noise(np.random.default_rng(5), seconds=30, snr_db=25, envelope=keyed(t, wpm=15))
    for k, a in ((1, 0.5), (2, 0.2), (3, 0.5), (5, 0.2)):
        x = x + a * np.cos(2 * np.pi * 49.98 * k * t + k)
    x = x + 0.05 * np.cos(2 * np.pi * 1310 * t)
    assert middle(found(x)) == pytest.approx(713.4, abs=3.0)


def test_of_two_signals_the_one_that_is_louder_while_its_key_is_down() -> None:
    """A weaker steady carrier has the larger mean amplitude: the gaps, and the rest of the recording, are its own."""
    t = np.arange(round(30 * RATE)) / RATE
    sent = keyed(t, wpm=15) * (t < 13.0)
    x, _ = tone_and_noise(np.random.default_rng(8), seconds=30, snr_db=30, envelope=sent)
    x = x + 0.12 * np.cos(2 * np.pi * 841.0 * t)
    assert middle(found(x)) == pytest.approx(713.4, abs=4.0)


def test_a_stated_tone_is_looked_for_only_there() -> None:
    x, t = tone_and_noise(np.random.default_rng(6), hz=713.4)
    x = x + 0.02 * np.cos(2 * np.pi * 1502.0 * t)
    assert middle(found(x, tone_hz=1500.0)) == pytest.approx(1502.0, abs=2.0)


def test_present_for_a_part_only_and_through_static() -> None:
    rng = np.random.default_rng(7)
    t = np.arange(round(40 * RATE)) / RATE
    envelope = keyed(t, wpm=15) * ((t > 12) & (t < 22))
    x, _ = tone_and_noise(rng, seconds=40, snr_db=15, envelope=envelope)
    for at in rng.uniform(0, 40, 25):
        x[int(at * RATE) : int(at * RATE) + 300] += rng.standard_normal(min(300, x.size - int(at * RATE))) * 0.5
    assert middle(found(x)) == pytest.approx(713.4, abs=4.0)


def test_doppler_and_retuning_are_followed() -> None:
    rng = np.random.default_rng(8)
    t = np.arange(round(60 * RATE)) / RATE
    for true in (900 + 250 * np.tanh((t - 30) / 6), np.where(t < 25, 640.0, 980.0)):
        phase = 2 * np.pi * np.cumsum(true) / RATE
        x = 0.2 * keyed(t, wpm=18) * np.cos(phase) + band_noise(rng, t.size, RATE, 1e-7, 300, 2700)
        base = found(x)
        at = np.interp(np.arange(base.path_hz.size) / base.rate_hz, t, true)
        inside = np.abs(np.arange(at.size) / base.rate_hz - 25.0) > 1.0  # a jump is placed to a block
        assert np.quantile(np.abs(base.path_hz - at)[inside], 0.9) < 8.0


@pytest.mark.parametrize("what", ["noise", "silence", "hum", "speech-like"])
def test_no_signal_is_said_with_its_reason(what: str) -> None:
    rng = np.random.default_rng(9)
    t = np.arange(round(20 * RATE)) / RATE
    x = band_noise(rng, t.size, RATE, 1e-7, 300, 2700)
    if what == "silence":
        x = np.zeros(t.size)
    if what == "hum":
        x = x + sum(0.2 / k * np.cos(2 * np.pi * 50.02 * k * t) for k in range(1, 12))
    if what == "speech-like":  # a gliding pitch in syllables
        pitch = 130 + 40 * np.sin(2 * np.pi * 0.7 * t) + 25 * np.sin(2 * np.pi * 2.3 * t)
        phase = 2 * np.pi * np.cumsum(pitch) / RATE
        syllable = np.clip(np.sin(2 * np.pi * 3.1 * t) + 0.3, 0, 1)
        x = x + 0.1 * syllable * sum(np.cos(k * phase) / np.sqrt(k) for k in range(3, 15))
    base = find(survey(x.astype(np.float32), RATE))
    assert isinstance(base, NotFound)
    assert base.reason


def test_noise_alone_is_never_taken_for_a_signal() -> None:
    rng = np.random.default_rng(10)
    for _ in range(40):  # the threshold promises one in some thousand
        low, width = rng.uniform(100, 1500), rng.uniform(60, 2500)  # filters of 60 Hz and wider
        x = band_noise(rng, int(10 * RATE), RATE, 1e-7, low, low + width)
        assert isinstance(find(survey(x.astype(np.float32), RATE)), NotFound)


def test_dynamic_path_prefers_the_ridge_and_pays_for_jumps() -> None:
    gain = np.zeros((50, 40))
    gain[:25, 10] = 1.0
    gain[25:, 30] = 1.0
    gain[10, 20] = 1.2  # one loud cell is no reason to leave
    path = dynamic_path(gain, step_cost=0.03, jump_cost=4.0, reach=3)
    assert (path[:24] == 10).all()
    assert (path[26:] == 30).all()
