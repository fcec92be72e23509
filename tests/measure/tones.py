"""Tones at complex baseband with known truth, straight from numpy: what the frequency tests measure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.track import Baseband, Marks

Real = NDArray[np.float64]

MORSE = {
    "V": "...-", "D": "-..", "E": ".", "Q": "--.-", "5": ".....", "K": "-.-", "A": ".-", "P": ".--.",
}  # fmt: skip


def key_edges(text: str, dit_s: float, start_s: float, end_s: float) -> tuple[Real, Real]:
    """Key-down and key-up times of the text sent again and again (ITU-R M.1677-1 lengths)."""
    on, off, t = [], [], start_s
    while t < end_s:
        for word in text.split():
            for letter in word:
                for sign in MORSE[letter]:
                    length = dit_s * (1 if sign == "." else 3)
                    if t + length > end_s:
                        return np.array(on), np.array(off)
                    on.append(t)
                    off.append(t + length)
                    t += length + dit_s
                t += 2 * dit_s
            t += 4 * dit_s
    return np.array(on), np.array(off)


@dataclass(frozen=True)
class Tone:
    """A made tone: what the measurement gets and what it should find."""

    base: Baseband
    marks: Marks
    envelope: Real
    frequency_hz: Real  # at each sample, path included

    @property
    def mean_hz(self) -> float:
        """Mean frequency over the key-down time."""
        return float(self.frequency_hz[self.marks.down].mean())


def tone(
    *,
    seconds: float = 30.0,
    rate_hz: float = 4800.0,
    snr_db: float = 20.0,
    offset_hz: float | Real = 1.3,
    path_hz: float | Real = 700.0,
    phase_rad: Real | float = 0.0,
    amplitude: Real | float = 1.0,
    edges: tuple[Real, Real] | None = None,
    rise_s: float = 0.005,
    restart: bool = False,
    guard_s: float = 0.012,
    noise_free: bool = False,
    rng: np.random.Generator | None = None,
) -> Tone:
    """A tone of ``offset_hz`` beside the followed path, ``snr_db`` in 2500 Hz at amplitude 1.

    ``edges`` key it with raised-cosine edges; ``phase_rad`` (n,) is added; ``restart`` gives each
    element a phase of its own.
    """
    rng = rng or np.random.default_rng(1)
    n = round(seconds * rate_hz)
    t = np.arange(n) / rate_hz
    path = np.broadcast_to(np.asarray(path_hz, float), n).copy()
    offset = np.broadcast_to(np.asarray(offset_hz, float), n)
    cycles = np.concatenate([[0.0], np.cumsum(0.5 * (offset[1:] + offset[:-1]))]) / rate_hz
    phase = 2 * np.pi * (cycles + rng.uniform()) + phase_rad
    if edges is None:
        envelope, down = np.ones(n), np.ones(n, bool)
        on, off, keyed = np.array([0.0]), np.array([seconds]), False
    else:
        (on, off), keyed = edges, True
        envelope, down = np.zeros(n), np.zeros(n, bool)
        for a, b in zip(on, off, strict=True):
            first, last = max(int((a - rise_s) * rate_hz), 0), int((b + rise_s) * rate_hz) + 2
            u = t[first:last]
            edge = np.clip((u - a) / rise_s + 0.5, 0, 1), np.clip((b - u) / rise_s + 0.5, 0, 1)
            envelope[first:last] += np.sin(np.pi / 2 * edge[0]) ** 2 * np.sin(np.pi / 2 * edge[1]) ** 2
            down[(t >= a) & (t < b)] = True
            if restart:
                phase[first:last] += rng.uniform(0, 2 * np.pi)
    envelope = envelope * amplitude
    density = 1.0 / (2500 * 10 ** (snr_db / 10))
    noise = np.zeros(n, np.complex128)
    if not noise_free:
        noise = np.sqrt(density * rate_hz / 2) * (rng.standard_normal(n) + 1j * rng.standard_normal(n))
    z = (envelope * np.exp(1j * phase) + noise).astype(np.complex64)
    settled, up = down.copy(), ~down
    for a, b in zip(on, off, strict=True) if keyed else ():
        settled[(t >= a) & (t < a + guard_s) | (t >= b - guard_s) & (t < b)] = False
        up[(t >= a - guard_s) & (t < b + guard_s)] = False
    marks = Marks(
        keyed=keyed,
        on_s=np.asarray(on, float),
        off_s=np.asarray(off, float),
        cut_start=not keyed,
        cut_end=not keyed,
        down=down,
        settled=settled,
        up=up,
        amplitude=float(np.median(np.abs(z[settled]))),
    )
    base = Baseband(
        rate_hz=rate_hz,
        audio=z,
        path_hz=path,
        z=z,
        noise_density=density,
        passband_hz=(300.0, 2700.0),
        passband_from_noise=True,
    )
    return Tone(base, marks, envelope, path + offset)


def fisher_sigma_hz(
    envelope: Real, rate_hz: float, density: float, *, order: int = 1
) -> tuple[float, ...]:
    """Cramer-Rao bounds of mean frequency (and drift rate for ``order`` 2) for an envelope, numerically.

    Unknown: amplitude (decoupled), phase, frequency (, rate). The derivative of a sample with respect
    to the phase parameters is j times itself times the phase's derivative.
    """
    t = np.arange(envelope.size) / rate_hz
    u = t - np.average(t, weights=envelope**2)
    columns = np.column_stack([np.ones_like(u), 2 * np.pi * u, np.pi * u**2][: order + 1])
    information = 2 / (density * rate_hz) * (columns.T * envelope**2) @ columns
    return tuple(np.sqrt(np.diag(np.linalg.inv(information)))[1:])
