"""The baseband smoothed to twice coarser cells at a time, and the noise beside the tone in those cells."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sigcheck.measure.spectrum import running_median
from sigcheck.measure.track import Baseband, Complex, Real

_FINEST_S = 0.001
# Noise bandwidth of a level times its cell, levels 0, 1, 2 and all above (of the kernels, computed).
_NOISE_BANDWIDTH = (0.375, 0.490, 0.534, 0.544)
NOISE_MARGIN = 1.1  # half a decibel of doubt: over a long recording a smaller error passes for a weak tone
# Mean of the lower of two sides over the mean, m bins of Hann-windowed noise a side (computed). The
# lower side counts, as the other may hold another station.
_LOWER_OF_TWO = {1: 0.50, 2: 0.57, 3: 0.62, 4: 0.66, 5: 0.69, 6: 0.71}
_CRASH = 10.0  # rise of the noise beside the tone that counts as a crash


@dataclass(frozen=True)
class Level:
    """The baseband smoothed (kernel about 1.6 cells wide at half height), one sample per cell."""

    cell_s: float
    first_s: float  # centre of the first cell
    z: Complex
    noise_bandwidth_hz: float

    @cached_property
    def power(self) -> Real:
        """|z|^2, shape (cells,)."""
        return np.square(self.z.real, dtype=np.float64) + np.square(self.z.imag, dtype=np.float64)

    @property
    def times_s(self) -> Real:
        """Centres of the cells."""
        return self.first_s + self.cell_s * np.arange(self.z.size)

    def cell_at(self, time_s: Real) -> Real:
        """Position of times on the grid of cell centres."""
        return np.asarray((time_s - self.first_s) / self.cell_s)


def pyramid(z: Complex, rate_hz: float) -> list[Level]:
    """Levels of twice coarser cells each, from about 1 ms to a 16th of the recording."""
    step = max(2, 2 * round(rate_hz * _FINEST_S / 2))
    cells = z.size // step
    kernel = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(4 * step) + 0.5) / (4 * step))
    kernel = (kernel / kernel.sum()).astype(np.float32)
    padded = np.zeros((cells + 3) * step, np.complex64)
    lead = 3 * step // 2
    part = z[: padded.size - lead]
    padded[lead : lead + part.size] = part
    # what each cell's samples add to it and to the three about it
    parts = padded.reshape(-1, step) @ kernel.reshape(4, step).T.astype(np.complex64)
    x: Complex = parts[:cells, 0] + parts[1 : cells + 1, 1] + parts[2 : cells + 2, 2] + parts[3 : cells + 3, 3]
    cell_s = step / rate_hz
    levels: list[Level] = []
    while True:
        width = _NOISE_BANDWIDTH[min(len(levels), len(_NOISE_BANDWIDTH) - 1)]
        levels.append(Level(cell_s, 0.5 * cell_s - 0.5 / rate_hz, x, width / cell_s))
        if x.size < 32:
            return levels
        half = x.size // 2
        y = np.zeros(2 * half + 2, np.complex64)
        y[1 : 1 + min(x.size, 2 * half + 1)] = x[: 2 * half + 1]
        x = 0.125 * (y[:-2:2] + y[3::2]) + 0.375 * (y[1:-1:2] + y[2::2])
        cell_s *= 2


@dataclass(frozen=True)
class NoiseBeside:
    """Noise density beside the tone against time."""

    time_s: Real
    density: Real
    followed: bool = True  # whether it was read against time

    @classmethod
    def beside(cls, base: Baseband, level: Level) -> NoiseBeside:
        """From blocks of 16 ms, some 150..330 Hz beside the tone; constant where the passband is narrower.

        It follows the gain control, and stands high during static crashes.
        """
        size = 16
        count = level.z.size // size
        loudest = float(np.max(level.power, initial=0.0)) * level.cell_s
        least = max(1e-4 * base.noise_density, 1e-12 * loudest, 1e-30)
        constant = cls(np.zeros(1), np.array([max(base.noise_density, least)]), followed=False)
        if count < 9:
            return constant
        hz = np.fft.fftfreq(size, level.cell_s)
        tone = base.middle_hz
        low, high = base.passband_hz
        inside = (tone + hz > low + 20) & (tone + hz < high - 20) & (np.abs(hz) < 330)
        use = inside & (np.abs(hz) > 150)
        if not use.any():  # a narrow filter: the window's main lobe reaches to two bins from the tone
            use = inside & (np.abs(hz) > 1.9 / (size * level.cell_s))
        if not use.any():
            return constant
        window = np.hanning(size + 1)[:-1].astype(np.float32)
        # so few bins are faster without a fast transform
        basis = window[:, None] * np.exp(-2j * np.pi * level.cell_s * np.outer(np.arange(size), hz[use]))
        blocks = level.z[: count * size].reshape(count, size) @ basis.astype(np.complex64)
        power = np.square(blocks.real, dtype=np.float64) + np.square(blocks.imag, dtype=np.float64)
        density = (
            power * (level.cell_s / float(np.sum(window**2))) / _hann_response(4 * level.cell_s, hz[use])
        )
        sides = [density[:, hz[use] * sense > 0] for sense in (-1, 1)]
        means = [side.mean(axis=1) for side in sides if side.shape[1]]
        block = means[0]
        if len(means) == 2:
            block = np.minimum(*means) / _LOWER_OF_TWO[min(6, *(v.shape[1] for v in sides))]
        if max(v.shape[1] for v in sides) < 3:
            # so near the edges of a narrow passband its skirts may have taken some off
            usual = float(np.median(_trimmed_mean(block, 9)))
            block = block * np.clip(base.noise_density / max(usual, least), 1.0, 4.0)
        time_s = level.first_s + level.cell_s * (size * (np.arange(count) + 0.5) - 0.5)
        density_t: Real = np.asarray(np.maximum(_without_flutter(block), least), dtype=np.float64)
        return cls(np.asarray(time_s, dtype=np.float64), density_t)

    def power(self, level: Level) -> Real:
        """Mean noise power in the cells of a level."""
        density = np.interp(level.times_s, self.time_s, self.density)
        return np.asarray(NOISE_MARGIN * density * level.noise_bandwidth_hz)


def _without_flutter(block: Real) -> Real:
    """Noise density by blocks: its usual value over seconds, but for real changes and crashes."""
    changed = _trimmed_mean(block, min(255, 2 * ((block.size - 1) // 2) + 1))
    # a mean of n blocks scatters by some 0.45 / sqrt(n): what is five times that off is another level
    for width, factor in ((25, 1.5), (9, 2.5)):
        if block.size > width:
            nearer = _trimmed_mean(block, width)
            changed = np.where((nearer > factor * changed) | (changed > factor * nearer), nearer, changed)
    return np.where(block > _CRASH * changed, block, changed)


def _trimmed_mean(x: Real, width: int) -> Real:
    """Running mean of what lies below six times the running median (taken every 8th place)."""
    at = np.unique(np.append(np.arange(0, x.size, max(1, width // 8)), x.size - 1))
    some = np.lib.stride_tricks.sliding_window_view(np.pad(x, width // 2, mode="edge"), width)[at]
    usual = some <= 6 * running_median(x, width)[at, None]
    mean = np.einsum("ij,ij->i", some, usual) / usual.sum(axis=1)
    return np.asarray(np.interp(np.arange(x.size), at, mean))


def _hann_response(length_s: float, hz: Real) -> Real:
    """Power response of a Hann kernel of that length."""
    n = 64
    kernel = 1 - np.cos(2 * np.pi * (np.arange(n) + 0.5) / n)
    turn = np.exp(-2j * np.pi * hz[:, None] * (np.arange(n) / n * length_s))
    return np.asarray(np.abs(turn @ kernel / kernel.sum()) ** 2)


_TABLE_TOP, _TABLE_STEPS = 20.0, 40  # so many to a unit
_TABLE = np.log(np.i0(np.arange(_TABLE_TOP * _TABLE_STEPS + 2) / _TABLE_STEPS))
_TABLE_RISE = np.diff(_TABLE)


def log_i0(x: Real) -> Real:
    """Logarithm of the modified Bessel function I0: table, then two terms of its asymptotic series."""
    part = np.minimum(x, _TABLE_TOP) * _TABLE_STEPS
    place = part.astype(np.intp)
    part -= place
    far = np.maximum(x, 10.0)
    near = _TABLE[place] + part * _TABLE_RISE[place]
    return np.where(x < _TABLE_TOP, near, far - 0.5 * np.log(2 * np.pi * far) + 1 / (8 * far))
