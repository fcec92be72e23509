"""What only looks like a line: noise of one quadrature, noise in a fade, bands of noise; and lines that wander."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import gammainc

from sigcheck.measure.lines.proof import there_all_the_time
from sigcheck.measure.lines.search import chance_limit
from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Lines
from sigcheck.recording import from_samples
from tests.measure.plain_audio import Real, keyed, tone_and_noise

RATE = 8000.0
SECONDS = 20.0


def lines(x: Real) -> Lines:
    return measure(from_samples(np.asarray(x, np.float32), RATE)).measurements.lines


def times() -> Real:
    return np.arange(round(SECONDS * RATE)) / RATE


def band_noise(rng: np.random.Generator, low_hz: float, high_hz: float) -> Real:
    """Normal noise between two rates of modulation; rms 1."""
    n = round(SECONDS * RATE)
    f = np.fft.rfftfreq(n, 1 / RATE)
    inside = (f >= low_hz) & (f <= high_hz)
    out = np.fft.irfft(inside * (rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size)), n)
    return np.asarray(out / out.std())


def tone(rng: np.random.Generator, *, am: Real | float = 0.0, pm: Real | float = 0.0, wpm: float | None = 18.0) -> Real:
    """A keyed or steady tone of 900 Hz with modulation, 40 dB over the noise in 2500 Hz."""
    t = times()
    envelope = keyed(t, wpm=wpm) if wpm else np.ones(t.size)
    x = 0.2 * envelope * (1 + am) * np.cos(2 * np.pi * 900.0 * t + pm)
    noise, _ = tone_and_noise(rng, rate_hz=RATE, seconds=SECONDS, snr_db=40, envelope=np.zeros(t.size))
    return np.asarray(x + noise)


def loud(found: Lines) -> list[float]:
    near = [b.offset_hz for b in found.sidebands if b.level_dbc > -50]
    return near + [s.frequency_hz for s in found.spurs if s.level_dbc > -50]


@pytest.mark.parametrize("what", ["angle", "amplitude"])
def test_noise_of_one_quadrature_is_no_line(what: str) -> None:
    """0.1 rad of angle noise from 5 to 500 Hz is -49 dBc in each 0.1 Hz: its two sides are one noise.

    Counted as two independent ones, every third recording would show a line.
    """
    for k in range(8):
        rng = np.random.default_rng([51, k])
        noise = 0.1 * band_noise(rng, 5.0, 500.0)
        x = tone(rng, pm=noise) if what == "angle" else tone(rng, am=noise)
        assert loud(lines(x)) == []


def test_a_pairs_limit_holds_where_its_sides_are_the_same_noise() -> None:
    """A pair of one quadrature over that quadrature's noise has the shape K, below the limit of shape 2 K."""
    for blocks in (1, 2, 5, 15):
        limit = chance_limit(2 * blocks, 1e-8)
        assert 1 - gammainc(2 * blocks, limit) == pytest.approx(1e-8, rel=1e-3)
        assert 1 - gammainc(blocks, limit) < 1e-8 < 1 - gammainc(blocks, limit / 2)


def test_noise_in_a_fade_is_no_line() -> None:
    """Divided by a carrier that fades by 20 dB, the noise of a moment speaks for the whole recording."""
    t = times()
    fade = 1 - 0.93 * np.exp(-(((t[:, None] - np.array([4.0, 9.0, 13.5])) / 0.35) ** 2)).sum(axis=1)
    for k in range(4):
        rng = np.random.default_rng([52, k])
        x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=SECONDS, snr_db=22, envelope=keyed(t, wpm=18) * fade)
        found = lines(x)
        assert found.sidebands == () and found.spurs == ()


def test_a_narrow_band_of_noise_is_no_line() -> None:
    """3 Hz of amplitude noise about 140 Hz, as strong as a line of -30 dBc, comes and goes; nothing keeps its phase."""
    for k in range(4):
        rng = np.random.default_rng([53, k])
        found = lines(tone(rng, am=0.045 * band_noise(rng, 138.5, 141.5), wpm=None))
        assert all(b.level_dbc > -34 for b in found.sidebands), "a piece of it is no line of its own"
        assert len(found.sidebands) <= 1


@pytest.mark.parametrize("wpm", [None, 18.0])
@pytest.mark.parametrize("wander_hz", [0.0, 0.3, 2.0])
def test_a_supply_whose_rate_wanders_is_a_line(wander_hz: float, wpm: float | None) -> None:
    rng = np.random.default_rng(54)
    t = times()
    hz = 173.7 + wander_hz * np.interp(t, np.arange(0, 22, 1.0), np.cumsum(rng.standard_normal(22)) / 4.7)
    x = tone(rng, am=0.06 * np.cos(2 * np.pi * np.cumsum(hz) / RATE), wpm=wpm)
    top = max(lines(x).sidebands, key=lambda b: b.level_dbc)
    assert top.offset_hz == pytest.approx(float(hz.mean()), abs=0.05 + wander_hz)
    assert top.level_dbc == pytest.approx(20 * np.log10(0.03), abs=0.3 if wander_hz == 0 else 2.0)


def test_a_station_that_sends_a_quarter_of_the_time_is_not_there_all_the_time() -> None:
    on = np.tile([8.0, 1.0, 1.0, 1.0], 6)
    assert not there_all_the_time(on, np.ones(on.size))
    assert there_all_the_time(np.full(24, 8.0), np.ones(24))
