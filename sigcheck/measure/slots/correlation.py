"""How well the lean of tone powers follows known bits, for all starts, tones and drifts at once.

The *lean* says for each frame and each frequency taken as the lowest of four tones how far the power
lies on tones 1 and 3 rather than on 0 and 2. It is correlated with the bits by Fourier transforms over
time: each frequency is transformed once, and a drift only says which bits meet which frequency.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.track import Complex, Real

_LEAST_LEAN = 0.13  # mean square of the lean of noise (simulated)


def pair_lean(power: NDArray[np.float32], grid: int) -> NDArray[np.float32]:
    """How far power leans to tones 1 and 3, -1..1, for each lowest tone; shape (frames, columns - 3 grid)."""
    columns = power.shape[1] - 3 * grid
    tone = [power[:, k * grid : k * grid + columns] for k in range(4)]
    odd, even = np.maximum(tone[1], tone[3]), np.maximum(tone[0], tone[2])
    total = tone[0] + tone[1] + tone[2] + tone[3]
    return np.asarray((odd - even) / np.maximum(total, 1e-20), np.float32)


@dataclass(frozen=True, eq=False)
class Lean:
    """The lean of one recording and its transform over time.

    ``value`` (frames, columns); ``spectra`` (columns, bins) for ``n`` frames, the rest of which are zero.
    """

    value: NDArray[np.float32]
    spectra: Complex
    n: int

    @staticmethod
    def of(value: NDArray[np.float32], longest: int) -> Lean:
        """``longest``: frames from the first bit to the last that will be asked for."""
        from scipy import fft

        n = fft.next_fast_len(value.shape[0] + longest + 1, real=True)
        return Lean(value, fft.rfft(np.ascontiguousarray(value.T), n, axis=1), n)


@dataclass(frozen=True, eq=False)
class Clock:
    """Bits (-1 or 1) at frames ``at`` after a start; both of shape (bits,).

    Start k of ``starts`` is at frame ``first + k`` of the recording: with ``fewest`` bits of it
    heard, it may be before the recording.
    """

    bits: Real
    at: NDArray[np.intp]
    fewest: int
    frames: int

    @property
    def first(self) -> int:
        """Frame of the earliest start; negative where it was before the recording."""
        return int(self.at[self.fewest - 1] - self.at[-1])

    @property
    def starts(self) -> int:
        """Number of starts looked at."""
        return max(0, self.frames - int(self.at[self.fewest - 1]) - self.first)

    def totals(self, lean: Lean, use: NDArray[np.intp], shifts: list[NDArray[np.intp]]) -> NDArray[np.float32]:
        """Sum of bit times lean for each of some courses, lowest tones and starts.

        Parameters
        ----------
        use : lowest tones (columns), consecutive, shape (tones,).
        shifts : for each course the columns by which each bit is displaced, (bits,).

        Returns
        -------
        shape (courses, tones, starts)
        """
        summed = np.stack([self._summed(lean, use, self.bits, shift) for shift in shifts])
        return self._at_starts(summed, lean.n)

    def score(self, totals: NDArray[np.float32], lean: Lean, use: NDArray[np.intp]) -> NDArray[np.float32]:
        """What the correlation of the lean with the bits would score if it leaned no more than noise does.

        No less than the true score, which :meth:`exact` has: noise leans least. Shape of ``totals``,
        (tones, starts).
        """
        even = self._summed(lean, use, np.ones(self.bits.size), np.zeros(self.bits.size, np.intp))
        along = self._at_starts(even, lean.n)
        count, bits = self._heard()
        n = np.maximum(count, 1)
        scale = np.where(count >= self.fewest, 1 / np.sqrt(np.maximum(n - bits**2 / n, 1.0) * _LEAST_LEAN), 0.0)
        along *= (bits / n).astype(np.float32)  # a carrier leans to one side all the time
        return np.asarray((totals - along) * scale.astype(np.float32))

    def exact(self, lean: Lean, start: int, columns: NDArray[np.intp]) -> tuple[float, int]:
        """Correlation coefficient along one course times the root of the number of bits heard; and that number."""
        rows = self.first + start + self.at
        heard = (rows >= 0) & (rows < self.frames) & (columns >= 0) & (columns < lean.value.shape[1])
        count = int(heard.sum())
        if count < self.fewest:
            return 0.0, 0
        x, bits = lean.value[rows[heard], columns[heard]].astype(np.float64), self.bits[heard]
        x, bits = x - x.mean(), bits - bits.mean()
        scale = np.sqrt(np.sum(x**2) * np.sum(bits**2))
        return float(np.sum(x * bits) / max(scale, 1e-9) * np.sqrt(count)), count

    def _summed(self, lean: Lean, use: NDArray[np.intp], weight: Real, shift: NDArray[np.intp]) -> Complex:
        """Transform of the sum of weighted leans along a course, (tones, bins)."""
        from scipy import fft

        distinct, which = np.unique(shift, return_inverse=True)
        kernels = np.zeros((distinct.size, lean.n), np.float32)
        kernels[which, self.at] = weight
        turned = np.conj(fft.rfft(kernels, axis=1))
        out = np.zeros((use.size, turned.shape[1]), np.complex64)
        for by, kernel in zip(distinct, turned, strict=True):
            a, b = max(int(use[0] + by), 0), min(int(use[-1] + 1 + by), lean.spectra.shape[0])
            if a < b:  # beyond the columns nothing is known
                out[a - by - use[0] : b - by - use[0]] += lean.spectra[a:b] * kernel
        return out

    def _at_starts(self, transforms: Complex, n: int) -> NDArray[np.float32]:
        """Taken back from the transform, at the starts."""
        from scipy import fft

        lagged = fft.irfft(transforms, n, axis=-1)
        last = self.first + self.starts
        return np.concatenate([lagged[..., n + self.first :], lagged[..., :last]], axis=-1)

    def _heard(self) -> tuple[NDArray[np.intp], Real]:
        """Of the bits within the recording, for each start: how many, and their sum."""
        start = self.first + np.arange(self.starts)
        a, b = np.searchsorted(self.at, -start), np.searchsorted(self.at, self.frames - start)
        running = np.concatenate([[0.0], np.cumsum(self.bits)])
        return np.asarray(b - a), np.asarray(running[b] - running[a])
