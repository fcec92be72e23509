"""A superheterodyne receiver on a real intermediate frequency, sample by sample at FAST_HZ."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from .station import SLOW_HZ, Array

FAST_HZ = 96_000.0
# The beat oscillator. A tone sits 0.4..1.5 kHz above it, near 0.382 (the golden section, far from all simple
# fractions) of FAST_HZ / 2, so that no product of it up to the 31st folds back to within 3 kHz of it.
BEAT_HZ = 17_380.0
STEP = int(FAST_HZ / SLOW_HZ)


@dataclass(frozen=True)
class Filter:
    """The sideband or telegraphy filter: its audio passband and how it is made."""

    low_hz: float
    high_hz: float
    family: str  # butter | cheby1 | ellip
    order: int

    def sections(self) -> Array:
        """Second-order sections about the intermediate frequency."""
        edges = [BEAT_HZ + self.low_hz, BEAT_HZ + self.high_hz]
        options = {"fs": FAST_HZ, "btype": "bandpass", "output": "sos"}
        if self.family == "butter":
            return np.asarray(signal.butter(self.order, edges, **options))
        if self.family == "cheby1":
            return np.asarray(signal.cheby1(self.order, 0.5, edges, **options))
        return np.asarray(signal.ellip(self.order, 0.5, 60, edges, **options))

    def response(self, audio_hz: Array) -> NDArray[np.complex128]:
        """Complex response at audio frequencies."""
        return np.asarray(signal.sosfreqz(self.sections(), np.atleast_1d(audio_hz) + BEAT_HZ, fs=FAST_HZ)[1])


@dataclass(frozen=True)
class GainControl:
    """A feedback gain control; it may raise the gain by at most `reach_db` over that at key-down."""

    attack_s: float
    release_s: float
    reach_db: float
    hang_s: float = 0.0


def faster(x: Array, n: int) -> Array:
    """From SLOW_HZ to FAST_HZ by straight lines."""
    return np.interp(np.arange(n) / STEP, np.arange(x.size), x)


def on_carrier(amplitude: Array, phase: Array, tone_hz: float, n: int) -> Array:
    """The signal at the intermediate frequency, shape (n,) at FAST_HZ."""
    turn = 2 * np.pi * (BEAT_HZ + tone_hz) / FAST_HZ
    return faster(amplitude, n) * np.cos(turn * np.arange(n) + faster(phase, n))


def control_gain(x: Array, control: GainControl | None, full: float) -> Array:
    """Gain against time that the loop settles to for the filtered signal `x` whose amplitude is `full`."""
    if control is None:
        return np.ones(x.size)
    block = 48
    dt = block / FAST_HZ
    blocks = -(-x.size // block)
    padded = np.pad(x, (0, blocks * block - x.size))
    power = np.mean(padded.reshape(blocks, block) ** 2, axis=1)
    level = 10 * np.log10(power / (full**2 / 2) + 1e-12)
    down, up = 1 - np.exp(-dt / control.attack_s), 1 - np.exp(-dt / control.release_s)
    gain, held, out = (
        min(control.reach_db, -float(level[: max(1, int(0.05 / dt))].mean())),
        0.0,
        np.empty(blocks),
    )
    for k, now in enumerate(level.tolist()):
        error = now + gain
        if error > 0:
            gain -= error * down
            held = control.hang_s
        elif held > 0:
            held -= dt
        else:
            gain = min(gain - error * up, control.reach_db)
        out[k] = gain
    return np.asarray(10 ** (np.interp(np.arange(x.size), (np.arange(blocks) + 0.5) * block, out) / 20))


def product_detector(x: Array, oscillator_phase: Array | None = None) -> Array:
    """Audio at FAST_HZ from the intermediate frequency; what lies above 9 kHz is filtered away."""
    turn = 2 * np.pi * BEAT_HZ / FAST_HZ * np.arange(x.size)
    if oscillator_phase is not None:
        turn = turn + oscillator_phase
    low_pass = signal.ellip(7, 0.05, 90, 9000, fs=FAST_HZ, output="sos")
    return np.asarray(signal.sosfilt(low_pass, 2 * x * np.cos(turn)))


def analytic_audio(x: Array) -> NDArray[np.complex128]:
    """Complex audio at SLOW_HZ of the intermediate frequency: the truth that the noise never touched."""
    turn = np.exp(-2j * np.pi * BEAT_HZ / FAST_HZ * np.arange(x.size))
    return np.asarray(signal.resample_poly(2 * x * turn, 1, STEP))


def soft_limit(x: Array, limit: float) -> Array:
    """tanh limiting at `limit`, averaged over each sample's path so that nothing folds back."""
    u = x / limit
    return limit * _averaged(u, np.tanh, lambda v: np.logaddexp(v, -v))


def hard_limit(x: Array, low: float, high: float) -> Array:
    """Limiting to low..high, averaged over each sample's path so that nothing folds back."""

    def area(v: Array) -> Array:
        held = np.clip(v, low, high)
        return held * v - held**2 / 2

    return _averaged(x, lambda v: np.clip(v, low, high), area)


def _averaged(u: Array, f: Callable[[Array], Array], area: Callable[[Array], Array]) -> Array:
    """Mean of f between neighbouring samples: (F(u[k]) - F(u[k-1])) / (u[k] - u[k-1])."""
    before = np.concatenate([u[:1], u[:-1]])
    step = u - before
    small = np.abs(step) < 1e-6
    return np.where(small, f((u + before) / 2), (area(u) - area(before)) / np.where(small, 1, step))


def one_cycle(shape: Callable[[Array], Array], points: int = 4096) -> NDArray[np.complex128]:
    """Complex amplitudes of the harmonics 0..points/2 that `shape` makes of one cycle of a unit cosine."""
    return np.asarray(np.fft.rfft(shape(np.cos(2 * np.pi * np.arange(points) / points))) * 2 / points)
