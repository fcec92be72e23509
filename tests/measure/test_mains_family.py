"""A lone line at a multiple of the mains frequency is a tone; a family of them is hum.

That hum is a family of harmonics of 50 or 60 Hz follows from its being periodic with the mains; how its harmonics
fall off (as 1/k for a ragged wave, 1/k^1.5 for a smoothed one) is common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.carrier import NotFound, find
from sigcheck.measure.spectrum import survey
from sigcheck.measure.track import Baseband
from tests.measure.plain_audio import keyed, tone_and_noise

RATE = 8000.0
SECONDS = 30.0


def mains(levels: dict[int, float], hz: float, rng: np.random.Generator) -> np.ndarray:
    """Harmonics of a mains frequency that wanders by some hundredths of a hertz."""
    n = round(SECONDS * RATE)
    phase = 2 * np.pi * np.cumsum(hz + 0.004 * np.cumsum(rng.standard_normal(n)) / np.sqrt(RATE)) / RATE
    return np.asarray(sum(v * np.cos(k * phase + rng.uniform(0, 2 * np.pi)) for k, v in levels.items()))


def sound(rng: np.random.Generator, hz: float, snr_db: float, envelope: np.ndarray | None = None) -> np.ndarray:
    band = (60.0, 2700.0)
    x, _ = tone_and_noise(
        rng, rate_hz=RATE, seconds=SECONDS, hz=hz, snr_db=snr_db, envelope=envelope, amplitude=0.1, band=band
    )
    return x.astype(np.float64)


def look(x: np.ndarray) -> Baseband | NotFound:
    return find(survey(x.astype(np.float32), RATE))


@pytest.mark.parametrize("snr_db", [-24.0, 5.0])
@pytest.mark.parametrize("hz", [200.0, 240.0, 301.3, 350.0, 418.7, 500.0, 600.0])
def test_a_lone_steady_line_is_a_tone(hz: float, snr_db: float) -> None:
    base = look(sound(np.random.default_rng([int(hz), int(snr_db) + 99]), hz, snr_db))
    assert isinstance(base, Baseband), base
    assert float(np.median(base.path_hz)) == pytest.approx(hz, abs=3.0)


@pytest.mark.parametrize("hz", [300.0, 361.0, 450.0])
def test_a_keyed_line_is_a_tone_beside_hum_too(hz: float) -> None:
    rng = np.random.default_rng(int(hz))
    t = np.arange(round(SECONDS * RATE)) / RATE
    x = sound(rng, hz, 6.0, keyed(t, wpm=12))
    for hum in (0.0, 0.3):
        base = look(x + hum * np.std(x) * mains({1: 1.0, 2: 0.4, 3: 0.2}, 50.02, rng))
        assert isinstance(base, Baseband), base
        assert float(np.median(base.path_hz)) == pytest.approx(hz, abs=4.0)


def test_a_steady_tone_half_a_hertz_off_the_hum_of_which_it_would_be_one() -> None:
    rng = np.random.default_rng(3)
    x = sound(rng, 353.0, 10.0)
    base = look(x + 0.1 * np.std(x) * mains({1: 1.0, 2: 0.6, 3: 0.4}, 50.0, rng))
    assert isinstance(base, Baseband), base


@pytest.mark.parametrize("hz", [60.02, 50.3])
@pytest.mark.parametrize("kind", ["every", "even", "odd", "cut"])
def test_hum_alone_is_no_signal(kind: str, hz: float) -> None:
    orders = {"every": range(1, 13), "even": range(2, 15, 2), "odd": range(1, 12, 2), "cut": range(6, 16)}[kind]
    rng = np.random.default_rng([len(kind), int(hz)])
    for level in (0.1, 3.0):
        noise = sound(rng, 1000.0, -80.0)
        base = look(noise + level * np.std(noise) * mains({k: 1 / (k - orders[0] + 1) for k in orders}, hz, rng))
        assert isinstance(base, NotFound), (level, float(np.median(base.path_hz)))
