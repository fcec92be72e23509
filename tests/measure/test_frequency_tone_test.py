"""Speech and music are no test signal; tones that move, chirp, flutter or fade are."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.carrier import NotFound, find
from sigcheck.measure.spectrum import survey
from sigcheck.measure.tone.is_tone import line_share, to_and_fro
from tests.measure.plain_audio import Real, band_noise, keyed

RATE = 8000.0
SECONDS = 25.0
T = np.arange(round(SECONDS * RATE)) / RATE


def music(rng: np.random.Generator) -> Real:
    """Plucked notes of a major scale, up to three at once, five harmonics each."""
    scale = 220 * 2 ** (np.array([0, 2, 4, 5, 7, 9, 11, 12, 14, 16]) / 12)
    x = np.zeros(T.size)
    at = 0.0
    while at < T[-1]:
        length = rng.choice([0.2, 0.25, 0.4, 0.5, 0.8])
        for hz in rng.choice(scale, rng.integers(1, 4)):
            note = slice(int(at * RATE), int((at + length + 0.3) * RATE))
            u = T[note] - at
            swell = np.exp(-3 * u) * np.minimum(u / 0.01, 1)
            x[note] += sum(np.sin(2 * np.pi * hz * h * u) / h for h in range(1, 6)) * swell
        at += length
    return x / x.std()


def speech(rng: np.random.Generator) -> Real:
    """A buzz of gliding pitch, each syllable shaped by three resonances of its own."""
    pitch = 120 * np.exp(0.15 * np.sin(2 * np.pi * 0.6 * T + rng.uniform(0, 6)) + 0.08 * np.sin(2 * np.pi * 1.7 * T))
    phase = 2 * np.pi * np.cumsum(pitch) / RATE
    x = np.zeros(T.size)
    at = 0
    while at < T.size:
        part = slice(at, at + int(rng.uniform(0.08, 0.25) * RATE))
        tops = rng.uniform([300, 900, 2200], [800, 2000, 3000])
        for k in range(1, 25):
            hz = k * pitch[part]
            x[part] += np.cos(k * phase[part]) * sum(1 / (1 + ((hz - top) / 60) ** 2) for top in tops)
        if rng.random() < 0.2:
            x[part] = 0.0
        at = part.stop
    return x / x.std()


def found(x: Real) -> object:
    return find(survey(x.astype(np.float32), RATE))


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("sound", [music, speech])
def test_speech_and_music_are_no_signal(sound: object, seed: int) -> None:
    rng = np.random.default_rng(seed)
    x = 0.1 * sound(rng) + band_noise(rng, T.size, RATE, 1e-8, 300, 2700)  # type: ignore[operator]
    base = found(x)
    assert isinstance(base, NotFound)
    assert "speech or music" in base.reason


def _chirping() -> Real:
    """150 Hz of chirp that settles in 30 ms after each key-down."""
    down = keyed(T, wpm=15) > 0.5
    at = np.arange(T.size)
    since = at - np.maximum.accumulate(np.where(np.diff(down, prepend=False) & down, at, 0))
    return 150 * np.exp(-since / RATE / 0.03) * down


COURSES = {
    "drift 50 Hz/min": 50 / 60 * T,
    "doppler": 250 * np.tanh((T - 12) / 6),
    "wobble": 3 * np.sin(2 * np.pi * T / 6),
    "jumps": 20.0 * (np.sin(2 * np.pi * T / 7) > 0.3),
    "chirp": _chirping(),
}


@pytest.mark.parametrize("course", COURSES)
@pytest.mark.parametrize("snr_db", [3.0, 25.0])
def test_tones_that_move_are_kept(course: str, snr_db: float) -> None:
    phase = 2 * np.pi * np.cumsum(800 + COURSES[course]) / RATE
    density = 0.02 / 10 ** (snr_db / 10) / 2500
    noise = band_noise(np.random.default_rng(1), T.size, RATE, density, 300, 2700)
    assert not isinstance(found(0.2 * keyed(T, wpm=15) * np.cos(phase) + noise), NotFound)


@pytest.mark.parametrize("spread_hz", [0.2, 2.0, 8.0])
def test_fading_and_flutter_are_kept(spread_hz: float) -> None:
    """A path of many rays: complex Gaussian gain, so fades of 20 dB are common (Rayleigh)."""
    rng = np.random.default_rng(2)
    white = rng.standard_normal(T.size) + 1j * rng.standard_normal(T.size)
    gain = np.fft.ifft(np.fft.fft(white) * np.exp(-0.5 * (np.fft.fftfreq(T.size, 1 / RATE) / spread_hz) ** 2))
    gain /= np.sqrt(np.mean(np.abs(gain) ** 2))
    tone = 0.2 * keyed(T, wpm=15) * (gain * np.exp(2j * np.pi * 800 * T)).real
    assert not isinstance(found(tone + band_noise(rng, T.size, RATE, 1e-7, 300, 2700)), NotFound)


def test_traits_of_a_plain_tone() -> None:
    noise = band_noise(np.random.default_rng(3), T.size, RATE, 1e-7, 300, 2700)
    base = found(0.2 * np.cos(2 * np.pi * 800 * T) + noise)
    assert not isinstance(base, NotFound)
    assert to_and_fro(base) == pytest.approx(0.0, abs=1e-9)  # type: ignore[arg-type]
    assert np.all(line_share(base) > 0.99)  # type: ignore[arg-type]


@pytest.mark.parametrize("wpm", [10.0, 18.0, 25.0])
@pytest.mark.parametrize("hz", [300.0, -300.0])
def test_a_chirp_of_hundreds_of_hertz_that_settles_in_a_dit_is_kept(hz: float, wpm: float) -> None:
    dit_s = 1.2 / wpm
    down = keyed(T, wpm=wpm)
    at = np.arange(T.size)
    since = (at - np.maximum.accumulate(np.where(np.diff(down > 0.5, prepend=False) & (down > 0.5), at, 0))) / RATE
    course = 900 + hz * np.exp(-since / (0.5 * dit_s))
    x = 0.1 * down * np.cos(2 * np.pi * np.cumsum(course) / RATE)
    base = found(x + band_noise(np.random.default_rng(8), T.size, RATE, 1e-8, 300, 2700))
    assert not isinstance(base, NotFound), base.reason
