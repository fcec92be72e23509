"""Four-tone slots made in the time domain, sample by sample, with what spoils them on the way.

Nothing here is shared with the package: the fixed vector is written as its run lengths, the symbols
are drawn at random, fading comes from filtered noise, filters are recursive ones.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Array = NDArray[np.float64]

# Lengths of the runs of equal bits, beginning with ones (from memory, not looked up).
RUNS = (
    2, 6, 1, 3, 3, 3, 1, 2, 1, 1, 4, 7, 1, 2, 1, 1, 1, 6, 1, 1, 2, 2, 2, 1, 1, 3, 2, 1, 1, 4, 2, 1, 1, 1, 1, 1, 1, 1,
    1, 2, 1, 2, 1, 1, 2, 3, 2, 1, 1, 1, 1, 3, 1, 5, 1, 2, 1, 2, 3, 1, 2, 2, 2, 1, 1, 3, 3, 5, 1, 1, 1, 2, 2, 7, 2, 1,
    1, 1, 2, 3, 2, 3,
)  # fmt: skip
SPACING_HZ = 12000 / 8192
SYMBOL_S = 8192 / 12000


def fixed_bits() -> NDArray[np.int64]:
    """The 162 bits that every transmission carries as the low bit of its symbols."""
    return np.repeat(np.arange(len(RUNS)) % 2 == 0, RUNS).astype(np.int64)


def random_symbols(rng: np.random.Generator) -> NDArray[np.int64]:
    """162 tones 0..3: the fixed bit and twice a random one."""
    return fixed_bits() + 2 * rng.integers(0, 2, 162)


@dataclass
class Sending:
    """One transmission; levels are relative to the scene's."""

    tone_hz: float = 1500.0  # centre of the four tones at the middle of the transmission
    start_s: float = 4.0
    symbols: NDArray[np.int64] | None = None  # drawn at random where None
    level_db: float = 0.0
    spacing_hz: float = SPACING_HZ
    symbol_s: float = SYMBOL_S
    drift_hz: float = 0.0  # end minus start, straight
    warm_up: tuple[float, float] | None = None  # Hz at the start, time constant s
    spread_hz: float = 0.0  # twice the standard deviation of a Gaussian Doppler spectrum
    hum: tuple[float, float, float] | None = None  # mains Hz, dBc of each side, share of angle
    continuous: bool = True  # False: the phase starts afresh at each symbol
    skip: int = 0  # symbols missing at the start ...
    stop: int = 162  # ... and where it breaks off
    phase_noise_rad: float = 0.0  # rms, 5..300 Hz


@dataclass
class SlotScene:
    """A recording: noise, transmissions, other things in the band, receiver, recorder."""

    seconds: float = 120.0
    rate: int = 12000
    snr_db: float = 0.0  # of a sending with level_db = 0, in 2500 Hz
    sendings: tuple[Sending, ...] = (Sending(),)
    passband_hz: tuple[float, float] | None = (300.0, 2700.0)
    carriers: tuple[tuple[float, float], ...] = ()  # Hz, dB relative to the scene's level
    morse: tuple[tuple[float, float, float], ...] = ()  # Hz, dB, WPM of random dits and dahs
    clicks_per_s: float = 0.0
    hum_dbc: float | None = None  # additive comb
    gain_control_db: float = 0.0  # how much of the level's swing over 0.3 s it takes out
    clock_ppm: float = 0.0  # of the recorder: positive takes more samples
    noise: bool = True
    symbols: list[NDArray[np.int64]] = field(default_factory=list)


def make(scene: SlotScene, rng: np.random.Generator) -> NDArray[np.float32]:
    """The recording, float32 (n,), noise about -30 dBFS; ``scene.symbols`` is filled with what was sent."""
    rate = scene.rate
    n = round(scene.seconds * rate)
    t = np.arange(n) / (rate * (1 + 1e-6 * scene.clock_ppm))
    sigma = 0.03
    amplitude = sigma * np.sqrt(2 * 10 ** (scene.snr_db / 10) * 2500 / (rate / 2))
    x = sigma * rng.standard_normal(n) if scene.noise else np.zeros(n)
    scene.symbols.clear()
    for sending in scene.sendings:
        x += amplitude * 10 ** (sending.level_db / 20) * _sent(sending, t, rate, rng, scene.symbols)
    for hz, db in scene.carriers:
        x += amplitude * 10 ** (db / 20) * np.cos(2 * np.pi * hz * t + rng.uniform(0, 6))
    for hz, db, wpm in scene.morse:
        x += amplitude * 10 ** (db / 20) * _morse(t, wpm, rng) * np.cos(2 * np.pi * hz * t)
    if scene.hum_dbc is not None:
        for k in range(1, 12):
            x += amplitude * 10 ** (scene.hum_dbc / 20) / k * np.cos(2 * np.pi * 50.013 * k * t + k)
    if scene.clicks_per_s:
        at = rng.integers(0, n, round(scene.seconds * scene.clicks_per_s))
        x[at] += 40 * sigma * rng.standard_normal(at.size)
    if scene.passband_hz is not None:
        edges = [scene.passband_hz[0], min(scene.passband_hz[1], 0.45 * rate)]
        x = signal.sosfilt(signal.butter(5, edges, "bandpass", fs=rate, output="sos"), x)
    if scene.gain_control_db:
        power = signal.lfilter([1 / (0.3 * rate)], [1, -1 + 1 / (0.3 * rate)], x**2)
        level = 10 * np.log10(power + 0.1 * np.median(power))
        x *= 10 ** (-np.clip(level - np.median(level), 0, scene.gain_control_db) / 20)
    peak = np.max(np.abs(x))
    return (x * min(1.0, 0.9 / peak)).astype(np.float32)


def _sent(
    s: Sending, t: Array, rate: int, rng: np.random.Generator, symbols: list[NDArray[np.int64]]
) -> Array:
    tones = random_symbols(rng) if s.symbols is None else np.asarray(s.symbols)
    symbols.append(tones)
    u = t - s.start_s
    k = np.floor(u / s.symbol_s).astype(int)
    on = (k >= s.skip) & (k < s.stop)
    length = 162 * s.symbol_s
    hz = s.tone_hz + s.drift_hz * (np.clip(u, 0, length) / length - 0.5)
    if s.warm_up is not None:
        hz = hz + s.warm_up[0] * np.exp(-np.clip(u, 0, None) / s.warm_up[1])
    hz = hz + s.spacing_hz * (tones[np.clip(k, 0, 161)] - 1.5)
    phase = 2 * np.pi * np.cumsum(hz) / rate
    if not s.continuous:
        phase = phase + rng.uniform(0, 2 * np.pi, 162)[np.clip(k, 0, 161)]
    gain = np.ones(t.size, complex)
    if s.spread_hz:
        gain = _fading(t.size, rate, s.spread_hz / 2, rng)
    if s.hum is not None:
        mains, dbc, share = s.hum
        index = 2 * 10 ** (dbc / 20)
        turn = 2 * np.pi * mains * t
        level, angle = index * np.sqrt(1 - share) * np.cos(turn), index * np.sqrt(share) * np.cos(turn)
        gain = gain * (1 + level) * np.exp(1j * angle)
    if s.phase_noise_rad:
        white = rng.standard_normal(t.size)
        band = signal.sosfilt(signal.butter(1, [5, 300], "bandpass", fs=rate, output="sos"), white)
        gain = gain * np.exp(1j * s.phase_noise_rad * band / band.std())
    return np.asarray(on * np.real(gain * np.exp(1j * phase)))


def _fading(n: int, rate: int, sigma_hz: float, rng: np.random.Generator) -> NDArray[np.complex128]:
    """Complex Gaussian gain of mean power 1 with a Gaussian spectrum, built at a low rate."""
    low = 64.0
    m = int(n / rate * low) + 64
    f = np.fft.fftfreq(m, 1 / low)
    w = rng.standard_normal(m) + 1j * rng.standard_normal(m)
    shaped = np.fft.ifft(np.fft.fft(w) * np.exp(-(f**2) / (4 * sigma_hz**2)))
    shaped /= np.sqrt(np.mean(np.abs(shaped) ** 2))
    at = np.arange(n) / rate * low
    return np.asarray(np.interp(at, np.arange(m), shaped.real) + 1j * np.interp(at, np.arange(m), shaped.imag))


def _morse(t: Array, wpm: float, rng: np.random.Generator) -> Array:
    dit = 1.2 / wpm
    units: list[int] = []
    while len(units) * dit < t[-1] + 1:
        units += [1] * int(rng.choice([1, 3])) + [0] * int(rng.choice([1, 1, 3]))
    on = np.array(units)[np.minimum((t / dit).astype(int), len(units) - 1)].astype(float)
    rate = 1 / (t[1] - t[0])
    window = np.hanning(max(3, round(0.012 * rate)))
    return np.asarray(np.convolve(on, window / window.sum(), "same"))
