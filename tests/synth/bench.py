"""A bench of its own for the truth: plain numpy on a recording, knowing tone, mains and keying times.

It shares no code with the package. Each function returns one number in the unit of its limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np

Array = np.ndarray


@dataclass(frozen=True)
class Bench:
    """Audio, what is known of it, and its analytic signal shifted down by the nominal tone."""

    audio: Array
    rate_hz: float
    tone_hz: float
    mains_hz: float
    on_s: Array
    off_s: Array

    @cached_property
    def z(self) -> Array:
        spectrum = np.fft.fft(self.audio)
        f = np.fft.fftfreq(self.audio.size, 1.0 / self.rate_hz)
        spectrum[f <= 280.0] = 0.0  # what lies below the receivers' passbands is added after them
        return 2.0 * np.fft.ifft(spectrum) * np.exp(-2j * np.pi * self.tone_hz * self.t)

    @cached_property
    def t(self) -> Array:
        return np.arange(self.audio.size) / self.rate_hz

    @property
    def settled_s(self) -> float:
        """Into the mark, where a chirp has died away: 0.4 dah, at most 0.12 s."""
        return min(0.12, 0.4 * float((self.off_s - self.on_s).max()))

    def marks(self, guard_s: float, least_s: float) -> list[slice]:
        """The key-down stretches less a guard at each end, the long ones cut into pieces of 0.25 s."""
        out = []
        for on, off in zip(self.on_s + guard_s, self.off_s - 0.015, strict=True):
            pieces = max(1, int((off - on) / 0.25))
            edges = np.linspace(on, off, pieces + 1)
            out += [slice(int(a * self.rate_hz), int(b * self.rate_hz))
                    for a, b in pairwise(edges) if b - a >= least_s]  # fmt: skip
        return out


def _fit(y: Array, columns: list[Array]) -> Array:
    matrix = np.column_stack(columns)
    return np.linalg.solve(matrix.T @ matrix, matrix.T @ y)


def _narrow(z: Array, rate_hz: float, width_hz: float) -> Array:
    """``z`` within +-``width_hz``, so that harmonics and far lines stay out."""
    f = np.fft.fftfreq(z.size, 1.0 / rate_hz)
    return np.fft.ifft(np.fft.fft(z) * (np.abs(f) < width_hz))


def sidebands_db(b: Bench) -> tuple[float, float]:
    """Strongest pair at multiples of the mains, and midway between them; both fitted to each long mark's
    amplitude and detrended phase at once."""
    offsets_hz = [0.5 * n * b.mains_hz for n in range(2, 10)]
    z = _narrow(b.z, b.rate_hz, min(700.0, 0.9 * b.tone_hz))
    power = []
    for piece in b.marks(b.settled_s, 0.08)[:40]:
        t = b.t[piece] - b.t[piece].mean()
        slow = [np.ones(t.size), t, t**2, t**3]
        wave = [f(2.0 * np.pi * offset * t) for offset in offsets_hz for f in (np.cos, np.sin)]
        level = np.abs(z[piece])
        am = _fit(level / level.mean(), slow + wave)[4:]
        pm = _fit(np.unwrap(np.angle(z[piece])), slow + wave)[4:]
        # A pair's power on each side, relative to the carrier: (a^2 + p^2) / 4.
        power.append(((am**2 + pm**2) / 4.0).reshape(-1, 2).sum(axis=1))
    typical = 10.0 * np.log10(np.median(power, axis=0))
    return float(typical[0::2].max()), float(typical[1::2].max())


def thd_db(b: Bench) -> float:
    """Harmonics up to 0.45 of the rate, by least squares at multiples of each mark's own frequency."""
    z = _narrow(b.z, b.rate_hz, 0.5 * b.tone_hz)
    ratios = []
    for piece in b.marks(0.04, 0.06)[:12]:
        t = b.t[piece]
        phase = np.unwrap(np.angle(z[piece])) + 2.0 * np.pi * b.tone_hz * t
        orders = range(1, int(0.45 * b.rate_hz / b.tone_hz) + 1)
        wave = [f(n * phase) for n in orders for f in (np.cos, np.sin)]
        power = (_fit(b.audio[piece], [np.ones(t.size), *wave])[1:] ** 2).reshape(-1, 2).sum(axis=1)
        ratios.append(power[1:].sum() / power[0])
    return 10.0 * float(np.log10(np.median(ratios)))


def additive_hum_db(b: Bench) -> float:
    """Strongest of five multiples of the mains after the last key-up, relative to the key-down tone."""
    piece = slice(int((b.off_s[-1] + 0.5) * b.rate_hz), b.audio.size - int(0.2 * b.rate_hz))
    t = b.t[piece]
    wave = [f(2.0 * np.pi * n * b.mains_hz * t) for n in range(1, 6) for f in (np.cos, np.sin)]
    level = np.hypot(*_fit(b.audio[piece], [np.ones(t.size), *wave])[1:].reshape(-1, 2).T)
    carrier = np.median([np.abs(b.z[p]).mean() for p in b.marks(0.04, 0.03)])
    return 20.0 * float(np.log10(level.max() / carrier))


def edges_s(b: Bench) -> tuple[float, float]:
    """10 to 90 % rise and fall of the magnitude, median over the marks (passband of 2 kHz or more)."""
    level = np.abs(_narrow(b.z, b.rate_hz, b.tone_hz))
    rise, fall = [], []
    for on, off in zip(b.on_s, b.off_s, strict=True):
        settled = np.median(level[int((0.5 * (on + off)) * b.rate_hz) : int((off - 0.015) * b.rate_hz)])
        reach = np.arange(-0.024, 0.024, 0.05 / b.rate_hz)
        up = np.interp(on + reach, b.t, level) / settled
        down = np.interp(off + reach, b.t, level) / settled
        middle = reach.size // 2
        rise.append(np.ptp([reach[: 2 * middle][np.argmax(up > part)] for part in (0.1, 0.9)]))
        fall.append(np.ptp([reach[reach.size - 1 - np.argmax(down[::-1] > part)] for part in (0.1, 0.9)]))
    return float(np.median(rise)), float(np.median(fall))


def frequency_hz(b: Bench, width_hz: float = 400.0) -> Array:
    """Frequency offset against time, within +-``width_hz`` of the tone."""
    z = _narrow(b.z, b.rate_hz, width_hz)
    return np.gradient(np.unwrap(np.angle(z))) * b.rate_hz / (2.0 * np.pi)


def chirp_hz(b: Bench) -> float:
    """Frequency a millisecond after half amplitude less that in the last third; the longer marks' median."""
    hz = frequency_hz(b)
    length = b.off_s - b.on_s
    out = []
    for on, off in zip(b.on_s, b.off_s, strict=True):
        if off - on < 0.8 * length.max():
            continue
        late = hz[int((on + 0.67 * (off - on)) * b.rate_hz) : int((off - 0.015) * b.rate_hz)]
        out.append(float(np.interp(on + 0.001, b.t, hz)) - float(np.median(late)))
    return abs(float(np.median(out)))


def mark_hz(b: Bench) -> tuple[Array, Array]:
    """Middle time and mean frequency of the settled second half of each mark (or piece of a long one)."""
    z = _narrow(b.z, b.rate_hz, 200.0)
    when, hz = [], []
    for piece in b.marks(0.03, 0.03):
        half = slice((piece.start + piece.stop) // 2, piece.stop)
        phase = np.unwrap(np.angle(z[half]))
        when.append(b.t[half].mean())
        t = b.t[half] - b.t[half].mean()
        hz.append(np.dot(t, phase) / np.dot(t, t) / (2.0 * np.pi))
    return np.array(when), np.array(hz)


def jump_and_drift(b: Bench) -> tuple[float, float]:
    """Largest step between neighbouring marks beyond the usual one, Hz; slope without the steps, Hz/min."""
    when, hz = mark_hz(b)
    change = np.diff(hz)
    usual = np.median(np.abs(change))
    steps = np.where(np.abs(change) > max(8.0 * usual, 0.25), change, 0.0)
    smooth = hz - np.concatenate([[0.0], np.cumsum(steps)])
    return float(np.abs(steps).max()), 60.0 * float(np.polyfit(when, smooth, 1)[0])


def overshoot_db(b: Bench) -> float:
    level = np.abs(_narrow(b.z, b.rate_hz, b.tone_hz))
    out = []
    for on, off in zip(b.on_s, b.off_s, strict=True):
        begin, middle, end = (int(s * b.rate_hz) for s in (on, 0.5 * (on + off), off - 0.012))
        out.append(level[begin:middle].max() / np.median(level[middle:end]))
    return 20.0 * float(np.log10(np.median(out)))


def backwave_db(b: Bench) -> float:
    """Tone left between words."""
    left = []
    for off, on in zip(b.off_s[:-1], b.on_s[1:], strict=True):
        if on - off > 0.35:
            gap = b.z[int((off + 0.05) * b.rate_hz) : int((on - 0.05) * b.rate_hz)]
            window = np.hanning(gap.size)
            left.append(abs(np.sum(window * gap)) / window.sum())
    carrier = np.median([np.abs(b.z[p]).mean() for p in b.marks(0.04, 0.03)])
    return 20.0 * float(np.log10(np.median(left) / carrier))


def rasp(b: Bench) -> tuple[float, float]:
    """Of the noisy recording: noise within +-500 Hz of the tone in the marks (dBc), its rise over that
    5 to 20 ms after key-up (dB). The carrier and its lines up to 1 kHz from it are fitted and taken out."""
    z = _narrow(b.z, b.rate_hz, 500.0)
    inside, carrier = [], []
    for piece in b.marks(b.settled_s, 0.08):
        t = b.t[piece] - b.t[piece].mean()
        wave = [f(2.0 * np.pi * n * b.mains_hz * t) for n in range(1, 11) for f in (np.cos, np.sin)]
        columns = [np.ones(t.size), t, t**2, t**3, *wave]
        level = np.abs(z[piece])
        phase = np.unwrap(np.angle(z[piece]))
        for y in (level / level.mean(), phase):
            fit = _fit(y, columns)
            inside.append(np.mean((y - np.column_stack(columns) @ fit) ** 2))
        carrier.append(level.mean() ** 2)
    noise = 2.0 * np.mean(inside)  # amplitude and phase parts together, relative to the carrier
    after = [np.mean(np.abs(z[int((off + 0.014) * b.rate_hz) : int((off + 0.024) * b.rate_hz)]) ** 2)
             for off, on in zip(b.off_s[:-1], b.on_s[1:], strict=True) if on - off > 0.05]  # fmt: skip
    return 10.0 * float(np.log10(noise)), 10.0 * float(np.log10(noise * np.mean(carrier) / np.median(after)))
