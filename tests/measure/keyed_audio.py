"""Keyed audio from first principles, for the tests of the keying measurements.

Times from a code table of its own, edges as closed forms, a Butterworth passband, a textbook gain
control. Nothing here comes from the package except the shapes of ``track.py``.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from sigcheck.measure.track import Baseband, Marks, Track

RATE = 12000.0
CODE = {
    "A": ".-", "B": "-...", "C": "-.-.", "D": "-..", "E": ".", "F": "..-.", "G": "--.", "H": "....",
    "I": "..", "J": ".---", "K": "-.-", "L": ".-..", "M": "--", "N": "-.", "O": "---", "P": ".--.",
    "Q": "--.-", "R": ".-.", "S": "...", "T": "-", "U": "..-", "V": "...-", "W": ".--", "X": "-..-",
    "Y": "-.--", "Z": "--..", "1": ".----", "2": "..---", "3": "...--", "4": "....-", "5": ".....",
    "6": "-....", "7": "--...", "8": "---..", "9": "----.", "0": "-----", ".": ".-.-.-", ",": "--..--",
    ":": "---...", "?": "..--..", "'": ".----.", "-": "-....-", "/": "-..-.", "(": "-.--.",
    ")": "-.--.-", '"': ".-..-.", "=": "-...-", "+": ".-.-.", "@": ".--.-.",
}  # fmt: skip
Times = NDArray[np.float64]


def key_times(
    text: str,
    dit_s: float,
    *,
    ratio: float = 3.0,
    weighting: float = 0.0,
    jitter: float = 0.0,
    letter: float = 3.0,
    word: float = 7.0,
    gap_jitter: float | None = None,
    start_s: float = 1.0,
    seed: int = 0,
) -> tuple[Times, Times]:
    """Key-down and key-up times of a text.

    ``weighting`` lengthens marks by 2 * weighting dits and shortens gaps by as much; ``jitter`` is the
    relative scatter of element lengths, ``gap_jitter`` that of the letter and word gaps.
    """
    rng = np.random.default_rng(seed)
    gap_jitter = jitter if gap_jitter is None else gap_jitter
    on, off, t = [], [], start_s
    stretch = 2 * weighting * dit_s

    def scattered(length: float, scatter: float) -> float:
        return length * float(np.clip(1 + scatter * rng.standard_normal(), 0.4, 1.9))

    for w in text.split():
        for c in w:
            for e in CODE[c]:
                length = scattered(dit_s * (1.0 if e == "." else ratio), jitter) + stretch
                on.append(t)
                off.append(t + length)
                t += length + scattered(dit_s, jitter) - stretch
            t += scattered((letter - 1) * dit_s, gap_jitter)
        t += scattered((word - letter) * dit_s, gap_jitter)
    return np.array(on), np.array(off)


def edge(x: Times, shape: str) -> Times:
    """Transition from 0 to 1 against time in units of its 10..90 % time, half amplitude at x = 0."""
    if shape == "cosine":
        return 0.5 + 0.5 * np.sin(np.pi * np.clip(x * 0.5903, -0.5, 0.5))
    if shape == "linear":
        return np.clip(0.5 + 0.8 * x, 0, 1)
    if shape == "rc":
        return np.where(x * 2.1972 > -np.log(2), 1 - 0.5 * np.exp(-np.clip(x * 2.1972, -1, 60)), 0.0)
    raise ValueError(shape)


def envelope(
    n: int, on: Times, off: Times, rise_s: float, fall_s: float, shape: str = "cosine", rate: float = RATE
) -> Times:
    """Keying envelope with half-amplitude crossings at the given times."""
    t = np.arange(n) / rate
    out = np.zeros(n)
    for a, b in zip(on, off, strict=True):
        i, j = (int(np.clip(v * rate, 0, n)) for v in (a - 4 * rise_s - 0.01, b + 8 * fall_s + 0.01))
        up = edge((t[i:j] - a) / max(rise_s, 1e-6), shape)
        down = 1 - edge((t[i:j] - b) / max(fall_s, 1e-6), shape)
        out[i:j] = np.maximum(out[i:j], up * down)
    return out


@dataclass
class Scene:
    """What is heard. Levels in dB relative to the key-down carrier, noise in 2500 Hz."""

    on: Times
    off: Times
    seconds: float
    snr_db: float = 20.0
    tone_hz: float = 700.0
    rise_s: float = 0.005
    fall_s: float = 0.005
    shape: str = "cosine"
    passband_hz: tuple[float, float] = (300.0, 2700.0)
    filter_order: int = 5
    chirp_hz: float = 0.0
    chirp_settle_s: float = 0.02
    droop_db: float = 0.0
    backwave_db: float | None = None
    coherent: bool = True
    drift_hz_per_s: float = 0.0
    fading_db: float = 0.0
    fading_s: float = 4.0
    gain_control_db: float = 0.0
    attack_s: float = 0.003
    decay_s: float = 0.3
    hum_percent: float = 0.0
    crashes_per_s: float = 0.0
    others: tuple[tuple[float, float], ...] = ()  # (offset_hz, level_db), keyed at 18 WPM
    envelope: Times | None = field(default=None)
    seed: int = 0


def baseband(s: Scene, *, followed: bool = True) -> Baseband:
    """The scene at complex baseband, 6 kHz."""
    rng = np.random.default_rng(s.seed)
    n = round(s.seconds * RATE)
    t = np.arange(n) / RATE
    env = envelope(n, s.on, s.off, s.rise_s, s.fall_s, s.shape) if s.envelope is None else s.envelope
    since = _since_on(t, s.on)
    chirp_phase = -s.chirp_hz * s.chirp_settle_s * np.exp(-np.maximum(since, 0) / s.chirp_settle_s)
    chirp_phase = np.where(since < 0, -s.chirp_hz * s.chirp_settle_s + s.chirp_hz * since, chirp_phase)
    env = env * 10 ** (-s.droop_db / 20 * np.clip(since / 0.2, 0, 2))
    if s.backwave_db is not None:
        env = np.maximum(env, 10 ** (s.backwave_db / 20))
    phase = s.tone_hz * t + 0.5 * s.drift_hz_per_s * t * t + chirp_phase
    if not s.coherent:
        phase = phase + rng.uniform(0, 1, s.on.size + 1)[np.searchsorted(s.on - 0.01, t)]
    level = np.ones(n)
    if s.fading_db:
        level = 10 ** (-s.fading_db / 20 * (0.5 - 0.5 * np.cos(2 * np.pi * t / s.fading_s)))
    if s.hum_percent:
        level = level * (1 + s.hum_percent / 100 * np.cos(2 * np.pi * 100.03 * t))
    x = level * env * np.cos(2 * np.pi * phase)
    n0 = 10 ** (-s.snr_db / 10) / 2500.0  # of the complex noise per Hz, A = 1
    x += rng.standard_normal(n) * np.sqrt(n0 * RATE / 4)
    if s.crashes_per_s:
        x += _crashes(rng, n, s.crashes_per_s)
    for k, (offset, db) in enumerate(s.others):
        on, off = key_times("CQ TEST DE QQ1QQ " * 20, 1.2 / 18, start_s=0.3, seed=50 + k)
        other = envelope(n, on, off, 0.005, 0.005)
        x += 10 ** (db / 20) * other * np.cos(2 * np.pi * (s.tone_hz + offset) * t + 1.0)
    sos = signal.butter(s.filter_order, s.passband_hz, "bandpass", fs=RATE, output="sos")
    x = signal.sosfilt(sos, x)
    if s.gain_control_db:
        x = x * _gain(x, s)
    audio = _analytic(x)
    followed_hz = s.tone_hz + (s.drift_hz_per_s * np.arange(audio.size) / (RATE / 2) if followed else 0.0)
    path = np.full(audio.size, 1.0) * followed_hz
    cycles = np.cumsum(path) / (RATE / 2)
    z = (audio * np.exp(-2j * np.pi * cycles)).astype(np.complex64)
    return Baseband(RATE / 2, audio, path, z, n0, s.passband_hz, True)


def track(base: Baseband, marks: Marks, *, coherent: bool = True) -> Track:
    """Track about the exact path: the carrier is the mean of all settled samples, or of each mark's own."""
    carrier = np.empty(base.z.size, np.complex64)
    if coherent or not marks.keyed:
        carrier[:] = base.z[marks.settled].mean() if marks.settled.any() else 1.0
    else:
        edges = np.round(marks.on_s * base.rate_hz).astype(int)
        for a, b in zip(edges, [*edges[1:], carrier.size], strict=True):
            settled = base.z[a:b][marks.settled[a:b]]
            carrier[a:b] = settled.mean() if settled.size else 1.0
        carrier[: edges[0]] = carrier[edges[0]]
    return Track(base, marks, carrier, coherent, float(np.mean(base.path_hz[marks.down])), 0.01)


def _since_on(t: Times, on: Times) -> Times:
    if not on.size:
        return t
    i = np.clip(np.searchsorted(on - 0.02, t, "right") - 1, 0, None)
    return t - on[i]


def _crashes(rng: np.random.Generator, n: int, rate: float) -> Times:
    """Lightning: bursts of wide noise, 5..40 ms, up to 30 dB over the carrier."""
    out = np.zeros(n)
    for _ in range(rng.poisson(rate * n / RATE)):
        i, m = rng.integers(n), int(rng.uniform(0.005, 0.04) * RATE)
        burst = rng.standard_normal(m) * np.exp(-np.arange(m) / (0.3 * m)) * 10 ** rng.uniform(0, 1.5)
        out[i : i + m] += burst[: n - i]
    return out


def _gain(x: Times, s: Scene) -> Times:
    """Gain that holds the level, at most ``gain_control_db`` up from its key-down value."""
    level = np.abs(signal.hilbert(x))
    step = 16
    coarse = level[: level.size // step * step].reshape(-1, step).max(axis=1)
    attack, decay = (1 - np.exp(-step / RATE / v) for v in (s.attack_s, s.decay_s))
    held, out = 1.0, np.empty(coarse.size)
    for i, v in enumerate(coarse):
        held += (attack if v > held else decay) * (v - held)
        out[i] = held
    gain = 1 / np.maximum(out, 10 ** (-s.gain_control_db / 20))
    return np.interp(np.arange(x.size), np.arange(gain.size) * step + step, gain)


def _analytic(x: Times) -> NDArray[np.complex64]:
    n = x.size // 2 * 2
    spectrum = fft.fft(x[:n])[: n // 2] * 2
    spectrum[0] /= 2
    return (fft.ifft(spectrum) * 0.5).astype(np.complex64)
