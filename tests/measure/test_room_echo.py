"""Heard by a microphone in a room: an echo after each element is no leak past the key, nor is its noise a line."""

from __future__ import annotations

import numpy as np
import pytest
from plain_audio import Real, keyed, tone_and_noise
from scipy.signal import fftconvolve

from sigcheck.judge import diagnose
from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Measurements
from sigcheck.recording import from_samples

RATE = 12000.0


def room(rng: np.random.Generator, reverberation_s: float, echo_db: float) -> Real:
    """Impulse response: the direct sound, and noise that dies away by 60 dB in the reverberation time."""
    t = np.arange(round(1.2 * reverberation_s * RATE)) / RATE
    tail = rng.standard_normal(t.size) * 10 ** (-3.0 * t / reverberation_s)
    tail *= 10 ** (echo_db / 20) / np.sqrt((tail**2).sum())
    return np.concatenate([[1.0], tail])


def heard(seed: int, *, reverberation_s: float | None, leak_db: float | None, wpm: float | None) -> Measurements:
    """A tone in noise, 25 dB over it in 2500 Hz, with a leak past the key or in a room."""
    rng = np.random.default_rng([71, seed])
    t = np.arange(round(30 * RATE)) / RATE
    envelope = np.ones(t.size) if wpm is None else keyed(t, wpm=wpm)
    if leak_db is not None:
        leak = 10 ** (leak_db / 20)
        envelope = leak + (1 - leak) * envelope
    x, _ = tone_and_noise(rng, seconds=30.0, envelope=envelope, snr_db=25.0, hz=843.0)
    if reverberation_s is not None:
        x = fftconvolve(x, room(rng, reverberation_s, -8.0))[: t.size].astype(np.float32)
    return measure(from_samples(x.astype(np.float32), RATE)).measurements


@pytest.mark.parametrize(("reverberation_s", "wpm"), [(0.2, 12.0), (0.3, 14.0), (0.45, 10.0), (0.6, 12.0)])
def test_an_echo_dies_away_at_the_rooms_own_rate(reverberation_s: float, wpm: float) -> None:
    """One tone's echo is a sum of few modes, and swings by decibels about its straight line: so the middle of five."""
    several = [heard(seed, reverberation_s=reverberation_s, leak_db=None, wpm=wpm) for seed in (2, 3, 7, 8, 11)]
    # in a null of the room the echo is louder than the direct sound: nobody reads that
    heard_well = [m for m in several if m.keying.backwave_decay_db_per_s is not None]
    assert len(heard_well) >= 4
    decay = np.median([m.keying.backwave_decay_db_per_s for m in heard_well if m.keying.backwave_decay_db_per_s])
    assert decay == pytest.approx(60.0 / reverberation_s, rel=0.35)
    read = sum("DE Q5KAP" in (m.keying.text or "") for m in heard_well)
    assert read == len(heard_well)
    named = 0
    for m in heard_well:
        causes = {c.id: c.probability for c in diagnose(m).causes}
        named += causes.get("microphone-pickup", 0.0) > max(0.4, causes.get("keying-leak", 0.0))
    assert named >= len(heard_well) - 1


@pytest.mark.parametrize(("leak_db", "wpm"), [(-20.0, 11.0), (-33.0, 17.0)])
def test_a_leak_stays(leak_db: float, wpm: float) -> None:
    m = heard(round(wpm), reverberation_s=None, leak_db=leak_db, wpm=wpm)
    assert m.keying.backwave_db == pytest.approx(leak_db, abs=1.0)
    assert m.keying.backwave_decay_db_per_s == pytest.approx(0.0, abs=10.0)
    causes = {c.id: c.probability for c in diagnose(m).causes}
    assert causes["keying-leak"] > 0.8 and causes.get("microphone-pickup", 0.0) < 0.1


@pytest.mark.parametrize("seed", range(4))
def test_the_humps_that_a_room_makes_of_noise_are_no_lines(seed: int) -> None:
    lines = heard(100 + seed, reverberation_s=0.26, leak_db=None, wpm=None).lines
    assert [b for b in lines.sidebands if b.level_dbc > -50.0] == [] and lines.spurs == ()


def test_a_line_that_wanders_is_told_from_the_noise_it_stands_in() -> None:
    """A line of -28 dBc that swings by 4 Hz; the noise in its band of 24 Hz is 25 + 20 dB below the tone."""
    rng = np.random.default_rng(72)
    t = np.arange(round(30 * RATE)) / RATE
    angle = 2 * np.pi * 187.0 * t + 4.0 / 0.31 * np.sin(2 * np.pi * 0.31 * t)
    x, _ = tone_and_noise(rng, seconds=30.0, snr_db=25.0, hz=843.0, phase=2 * 10 ** (-28 / 20) * np.cos(angle))
    lines = measure(from_samples(x, RATE)).measurements.lines
    (line,) = lines.sidebands
    assert line.offset_hz == pytest.approx(187.0, abs=2.0) and line.nature == "angle"
    assert line.level_dbc == pytest.approx(-28.0, abs=1.0)
