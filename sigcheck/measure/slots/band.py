"""The audio about one frequency, at a rate that four tones need."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sigcheck.measure.track import Complex, Real

NARROW_HZ = 93.75  # sample rate about a place: 64 samples a symbol


@dataclass(frozen=True)
class Narrow:
    """The audio about one frequency, ``hz`` shifted to 0, at some 94 Hz."""

    z: Complex
    hz: float
    rate_hz: float
    first_s: float  # time of the first sample
    window: Real  # that each sample was averaged under, sum 1, at ``fast_hz``
    fast_hz: float

    @property
    def times_s(self) -> Real:
        """Time of each sample, shape (n,)."""
        return self.first_s + np.arange(self.z.size) / self.rate_hz

    def response(self, hz: Real) -> Real:
        """Power response of that average at offsets from the middle."""
        n = np.arange(self.window.size) - 0.5 * (self.window.size - 1)
        return np.asarray((np.cos(2 * np.pi * hz[:, None] * n / self.fast_hz) @ self.window) ** 2)


def narrowed(
    audio: Complex, rate_hz: float, hz: Real, *, start_s: float = 0.0, end_s: float = np.inf, pieces: int = 2
) -> list[Narrow]:
    """The audio about each of the given frequencies (k,).

    Each sample is a mean under a raised-cosine window of ``pieces`` steps, so the tones that would
    fold onto the four are 30 dB down (2 pieces) or 58 dB and more (4 pieces, Blackman window).
    """
    if not hz.size:
        return []
    step = max(1, round(rate_hz / NARROW_HZ))
    first = max(0, round(start_s * rate_hz))
    rows = audio[first : round(min(end_s * rate_hz, audio.size))]
    count = rows.size // step
    rows = rows[: count * step].reshape(count, step)
    n = np.arange(pieces * step) - pieces * step / 2 + 0.5
    turn = 2 * np.pi * n / (pieces * step)
    window = 0.42 + 0.5 * np.cos(turn) + 0.08 * np.cos(2 * turn) if pieces > 2 else 0.5 + 0.5 * np.cos(turn)
    window = window / window.sum()
    kernel = window[:, None] * np.exp(-2j * np.pi * n[:, None] * hz / rate_hz)
    parts = kernel.astype(np.complex64).reshape(pieces, step, -1)
    out = np.zeros((max(count - pieces + 1, 0), hz.size), np.complex64)
    for k in range(pieces):
        out += rows[k : k + out.shape[0]] @ parts[k]
    first_s = (first + pieces * step / 2 - 0.5) / rate_hz
    at = first_s + np.arange(out.shape[0]) * (step / rate_hz)
    low = []
    for k, f in enumerate(hz):
        cycles = f * at
        turned = out[:, k] * np.exp(-2j * np.pi * (cycles - np.floor(cycles))).astype(np.complex64)
        low.append(Narrow(turned, float(f), rate_hz / step, first_s, window, rate_hz))
    return low
