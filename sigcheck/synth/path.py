"""Between transmitter and receiver: the house wiring, the path, other stations, noise.

Levels here are relative to the test signal's own nominal amplitude 1 (dBc), noise apart, which is
relative to the receiver's band noise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from sigcheck.synth import signals
from sigcheck.synth.signals import Complex, MainsPhase, Real
from sigcheck.synth.transmitter import Keying, keyed_amplitude, keyed_marks


@dataclass(frozen=True, kw_only=True)
class Wiring:
    """The signal on the house wiring, heard a second time through a rectifier that the mains opens and shuts.

    ``level_db`` is the second path when the diodes conduct, relative to the direct one, arriving with
    ``angle_rad``. A bridge conducts near both crests, its diodes never quite alike (``imbalance``), so
    lines stand at the mains frequency and its multiples, of amplitude and angle both. Nothing in
    it depends on strength: it is linear in the signal.
    """

    level_db: float = -13.5
    angle_rad: float = 0.9
    conduction: float = 0.15  # part of each half-cycle in which the diodes conduct
    imbalance: float = 0.7


def wiring_gain(wiring: Wiring, phi: Real) -> Complex:
    """Complex gain (n,) of both paths together at the mains phases ``phi``."""
    width = np.pi * wiring.conduction
    crest = np.cos(phi - 0.5 * np.pi)  # 1 at one crest, -1 at the other
    # A diode's soft conduction: a bell of the stated width about each crest.
    first = np.exp(-2.0 * (np.arccos(np.clip(crest, -1.0, 1.0)) / width) ** 2)
    second = np.exp(-2.0 * (np.arccos(np.clip(-crest, -1.0, 1.0)) / width) ** 2)
    open_part = first + (1.0 - wiring.imbalance) * second
    return np.asarray(1.0 + signals.from_db(wiring.level_db) * np.exp(1j * wiring.angle_rad) * open_part)


@dataclass(frozen=True, kw_only=True)
class Fading:
    """Scattered paths (Rayleigh) beside a steady one (Rician), and slow swings.

    ``spread_hz`` is twice the standard deviation of the Gaussian Doppler spectrum of the scattered
    part, the convention of Rec. ITU-R F.1487 (from memory, not looked up); ``steady_db`` the steady
    part's power over it; ``slow_db`` the rms of slow log-normal swings of correlation time ``slow_s``.
    """

    spread_hz: float = 0.0
    steady_db: float = -60.0
    slow_db: float = 0.0
    slow_s: float = 8.0


def fading_gain(fading: Fading, n: int, rate_hz: float, rng: np.random.Generator) -> Complex:
    """Complex gain (n,) of mean power 1 (slow swings apart)."""
    scattered, slow = rng.spawn(2)
    gain = np.ones(n, dtype=np.complex128)
    if fading.spread_hz > 0.0:
        sigma = 0.5 * fading.spread_hz
        coarse_hz = max(64.0 * sigma, 4.0)
        count = int(n / rate_hz * coarse_hz) + 4
        shape = signals.white(scattered, count, coarse_hz, 1.0)
        shape = signals.filtered(shape, coarse_hz, lambda f: np.exp(-(f**2) / (4.0 * sigma**2)))
        shape *= 1.0 / np.sqrt(np.sqrt(2.0 * np.pi) * sigma)  # integral of exp(-f^2/2 sigma^2)
        t, grid = signals.times(n, rate_hz), np.arange(count) / coarse_hz
        ratio = 10.0 ** (fading.steady_db / 10.0)
        smooth = np.interp(t, grid, shape.real) + 1j * np.interp(t, grid, shape.imag)
        gain = (np.sqrt(ratio) + smooth) / np.sqrt(1.0 + ratio)
    if fading.slow_db > 0.0:
        gain = gain * 10.0 ** (signals.wander(slow, n, rate_hz, fading.slow_db, fading.slow_s) / 20.0)
    return gain


@dataclass(frozen=True, kw_only=True)
class Reflection:
    """A second path from something that moves past, an aircraft: its Doppler shift runs through zero."""

    level_db: float = -3.0
    shift_hz: float = 4.0  # at the first sample; the opposite after ``pass_s``
    pass_s: float = 60.0


def reflection_gain(reflection: Reflection, n: int, rate_hz: float) -> Complex:
    """Complex gain (n,) of direct path and reflection together."""
    t = signals.times(n, rate_hz)
    shift = reflection.shift_hz * (1.0 - 2.0 * t / reflection.pass_s)
    copy = signals.from_db(reflection.level_db) * np.exp(1j * signals.phase_of(shift, rate_hz))
    return np.asarray(1.0 + copy)


@dataclass(frozen=True, kw_only=True)
class Station:
    """Another signal in the passband: its audio frequency and its level relative to ours."""

    frequency_hz: float
    level_dbc: float
    kind: Literal["keyed", "steady"] = "keyed"
    text: str = "CQ CQ DE Q7ZLM"
    wpm: float = 19.0


def station_signal(station: Station, n: int, rate_hz: float, rng: np.random.Generator) -> Complex:
    """The other station (n,) at its audio frequency, key-down amplitude by ``level_dbc``."""
    keys, where = rng.spawn(2)
    keying = Keying(mode="cw" if station.kind == "keyed" else "steady", text=station.text, wpm=station.wpm,
                    jitter=0.03, start_s=0.0, stop_s=0.0)
    amplitude = np.ones(n)
    if station.kind == "keyed":
        amplitude = keyed_amplitude(n, rate_hz, keyed_marks(keying, n / rate_hz + 5.0, keys), keying)
    start = where.uniform(0.0, 2.0 * np.pi)
    phase = 2.0 * np.pi * station.frequency_hz * signals.times(n, rate_hz) + start
    return np.asarray(signals.from_db(station.level_dbc) * amplitude * np.exp(1j * phase))


@dataclass(frozen=True, kw_only=True)
class Voice:
    """Speech from a broadcast: added in the passband, or (``on_tone``) as a modulation of our signal."""

    level_dbc: float = -24.0  # rms of the speech, or of all its sidebands, relative to the tone
    on_tone: bool = False


def speech(n: int, rate_hz: float, rng: np.random.Generator) -> Real:
    """Speech-like sound (n,), rms 1: a gliding voice with formants, hiss, syllables and pauses."""
    pitch_rng, syllable_rng, hiss_rng, vowel_rng = rng.spawn(4)
    pitch_hz = 125.0 * np.exp(signals.wander(pitch_rng, n, rate_hz, 0.18, 0.4))
    phase = signals.phase_of(pitch_hz, rate_hz)
    buzz = np.mod(phase / np.pi, 2.0) - 1.0  # sawtooth of the vocal folds: all harmonics, 1/n
    vowel = 0.5 + 0.5 * np.tanh(signals.wander(vowel_rng, n, rate_hz, 1.5, 0.15))

    def formants(*centres_hz: float) -> signals.Response:
        return lambda f: np.asarray(sum(1.0 / (1.0 + ((f - c) / (60.0 + 0.06 * c)) ** 2) for c in centres_hz))

    dark = signals.filtered_real(buzz, rate_hz, formants(420.0, 900.0, 2400.0))
    bright = signals.filtered_real(buzz, rate_hz, formants(300.0, 1900.0, 2700.0))
    hiss = signals.filtered_real(hiss_rng.standard_normal(n), rate_hz, formants(3200.0))
    syllables = np.maximum(signals.wander(syllable_rng, n, rate_hz, 1.0, 0.12) + 0.3, 0.0)
    sound = syllables * (vowel * dark + (1.0 - vowel) * bright + 0.1 * (1.0 - vowel) * hiss)
    sound = signals.filtered_real(sound, rate_hz, lambda f: ((f > 80.0) & (f < 4500.0)).astype(float))
    return np.asarray(sound / np.sqrt(np.mean(sound**2)))


@dataclass(frozen=True, kw_only=True)
class Bursts:
    """Impulsive noise: white bursts that decay, twice a mains cycle or at random.

    ``level_db`` is the power of a burst over the band noise, averaged over its first millisecond.
    """

    level_db: float = 26.0
    decay_s: float = 0.0006
    every: Literal["half-cycle", "random"] = "half-cycle"
    per_second: float = 4.0  # of random bursts
    spread_db: float = 2.0  # scatter of their levels


def burst_power(bursts: Bursts, n: int, rate_hz: float, mains: MainsPhase, rng: np.random.Generator) -> Real:
    """Power (n,) of the bursts relative to the band noise's."""
    t_end = n / rate_hz
    if bursts.every == "half-cycle":
        coarse = np.arange(0.0, t_end, 1e-3)
        halves = mains(coarse) / np.pi
        at = np.interp(np.arange(np.ceil(halves[0]), halves[-1]), halves, coarse)
        at = at + rng.normal(0.0, 1e-4, at.size)
    else:
        at = rng.uniform(0.0, t_end, int(rng.poisson(bursts.per_second * t_end)))
    at = np.sort(at)
    level = 10.0 ** ((bursts.level_db + bursts.spread_db * rng.standard_normal(at.size)) / 10.0)
    # Mean over the first millisecond of exp(-t/decay) makes the level the stated one.
    level /= bursts.decay_s / 1e-3 * (1.0 - np.exp(-1e-3 / bursts.decay_s))
    power = np.zeros(n)
    length = int(8.0 * bursts.decay_s * rate_hz)
    for begin, height in zip((at * rate_hz).astype(int), level, strict=True):
        piece = power[max(begin, 0) : begin + length]
        piece += height * np.exp(-np.arange(piece.size) / (bursts.decay_s * rate_hz))
    return power


@dataclass(frozen=True, kw_only=True)
class Path:
    """All settings of the path."""

    wiring: Wiring | None = None
    fading: Fading = field(default_factory=lambda: Fading(slow_db=0.4))
    reflection: Reflection | None = None
    stations: tuple[Station, ...] = ()
    voice: Voice | None = None
    bursts: tuple[Bursts, ...] = ()


def path_gain(path: Path, n: int, rate_hz: float, rng: np.random.Generator) -> Complex:
    """Complex gain (n,) of fading and reflection."""
    gain = fading_gain(path.fading, n, rate_hz, rng)
    if path.reflection is not None:
        gain = gain * reflection_gain(path.reflection, n, rate_hz)
    return gain


def modulation(path: Path, n: int, rate_hz: float, mains: MainsPhase, rng: np.random.Generator) -> Complex:
    """Complex gain (n,) of what modulates our signal on its way: house wiring, a broadcast."""
    gain = np.ones(n, dtype=np.complex128)
    if path.wiring is not None:
        gain = wiring_gain(path.wiring, mains(signals.times(n, rate_hz)))
    if path.voice is not None and path.voice.on_tone:
        # Speech of rms r on the amplitude: sidebands of power r^2 relative to the carrier.
        gain = gain * (1.0 + signals.from_db(path.voice.level_dbc) * speech(n, rate_hz, rng))
    return gain


def added(path: Path, n: int, rate_hz: float, rng: np.random.Generator) -> Complex:
    """Everything that others add to the passband, at audio frequencies, relative to our amplitude."""
    voice, *each = rng.spawn(1 + len(path.stations))
    out = np.zeros(n, dtype=np.complex128)
    for station, source in zip(path.stations, each, strict=True):
        out += station_signal(station, n, rate_hz, source)
    if path.voice is not None and not path.voice.on_tone:
        # The analytic signal has twice the power of its real part, the tone's amplitude 1 has 1/2 of it.
        level = signals.from_db(path.voice.level_dbc) / np.sqrt(2.0)
        out += level * signals.analytic(speech(n, rate_hz, voice))
    return out
