"""Whether a line at a multiple of the mains frequency is hum or a tone that happens to lie there.

Hum is a family: what makes one harmonic makes others, and the lower ones are as a rule the stronger. A line that
stands alone is a tone. The lines of a family keep step exactly, so the companions are looked for at the multiples
of the very fundamental that the line itself tells, in blocks long enough to part a tone from hum half a hertz away.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from sigcheck.measure.track import Complex, Real

MAINS_HZ = (50.0, 60.0)
MAINS_WANDER_HZ = 0.5  # EN 50160: within 1 % for 99.5 % of a year
BLOCK_S = 30.0
_LOWEST_HZ = 40.0
_HIGHEST_HZ = 1000.0
_THIRD = 3  # saturated iron and phase cancelling leave the third harmonic alone; no audio filter passes a tone there
_BY_LUCK = 1e-3  # that noise shows one companion or more
_COMPANION = 0.03  # of the line's power: hum that a strong tone has beside it is weaker
_TOO_STRONG_FOR_SIDEBAND = 0.35  # full amplitude modulation leaves a quarter in each
_ALIKE = 0.1  # sidebands are a pair; a filter's slope makes them unequal
_WIDEST_HZ = 3.0  # to either side of a line that is blurred by the wander of its mains


@dataclass(frozen=True)
class FineSpectrum:
    """Power of long blocks over the noise's, averaged.

    ``hz`` (bins,), ``power`` (bins,) in units of ``density``'s, ``density`` (bins,) expected of noise alone,
    ``blocks`` that were averaged.
    """

    hz: Real
    power: Real
    density: Real
    blocks: int

    @cached_property
    def ratio(self) -> Real:
        """Power over that of noise."""
        return np.asarray(self.power / self.density)

    @property
    def bin_hz(self) -> float:
        """From one bin to the next."""
        return float(self.hz[1])


def fine_spectrum(audio: Complex, rate_hz: float, noise: Real, noise_bin_hz: float) -> FineSpectrum | None:
    """Hann periodograms of equal blocks of at most some 45 s, averaged; None for next to no audio.

    Parameters
    ----------
    noise : density at multiples of ``noise_bin_hz``, in A^2/Hz.
    """
    from scipy import fft

    count = max(1, round(audio.size / (BLOCK_S * rate_hz)))
    length = audio.size // count
    if length < 256:
        return None
    padded = fft.next_fast_len(length)
    window = np.hanning(length)
    frames = audio[: count * length].reshape(count, length) * window.astype(np.float32)
    power = np.mean(np.abs(fft.fft(frames, padded, axis=1)) ** 2, axis=0)
    hz = np.arange(padded) * (rate_hz / padded)
    density = np.interp(hz, np.arange(noise.size) * noise_bin_hz, noise) * rate_hz * float(window @ window)
    return FineSpectrum(hz, power.astype(np.float64), density, count)


def ratio_of_noise(blocks: int, probability: float, trials: int) -> float:
    """Ratio that the largest of ``trials`` bins of noise exceeds with this probability.

    A mean of K periodograms of noise follows a gamma distribution of shape K. The floor and its ripple may be a
    decibel off.
    """
    from scipy import special

    return float(1.26 * special.gammainccinv(blocks, probability / max(trials, 1)) / blocks)


def hum_fundamental(s: FineSpectrum, near_hz: float, reach_hz: float = 0.5) -> float | None:
    """Fundamental of the mains hum that the line near ``near_hz`` is one of; None if it is none."""
    at = _peak(s, near_hz - reach_hz, near_hz + reach_hz)
    hz = float(s.hz[at])
    for mains in MAINS_HZ:
        order = round(hz / mains)
        if order < 1 or abs(hz / order - mains) > MAINS_WANDER_HZ:
            continue
        if order <= _THIRD or _has_family(s, hz, order):
            return hz / order
    return None


def _peak(s: FineSpectrum, low_hz: float, high_hz: float) -> int:
    first, last = (int(np.clip(round(f / s.bin_hz), 0, s.hz.size - 1)) for f in (low_hz, high_hz))
    return first + int(np.argmax(s.power[first : last + 1]))


def _has_family(s: FineSpectrum, hz: float, order: int) -> bool:
    """Whether a stronger companion, or two of a like strength, keep step with the line of this order.

    A pair to either side at one distance, each weaker than the line, may be its own sidebands: it does not count.
    """
    width = _half_width(s, hz)
    last = max(order, int(min(2 * hz, _HIGHEST_HZ) * order / hz))
    orders = np.arange(1, last + 1)
    orders = orders[orders * hz / order > _LOWEST_HZ]
    windows = {int(k): _window(s, k * hz / order, width * k / order + 1.5 * s.bin_hz) for k in orders}
    least = ratio_of_noise(s.blocks, _BY_LUCK, sum(w.stop - w.start for w in windows.values()))
    level = {k: _level(s, w) if float(s.ratio[w].max()) > least else 0.0 for k, w in windows.items()}
    own = _level(s, _window(s, hz, width + 1.5 * s.bin_hz))
    companions = 0
    for k, power in level.items():
        if k == order or power < _COMPANION * own:
            continue
        mirror = level.get(2 * order - k, 0.0)
        paired = min(power, mirror) > _ALIKE * max(power, mirror)
        if power > own and not (paired and mirror > own):
            return True
        companions += power > _TOO_STRONG_FOR_SIDEBAND * own or not paired
    return companions >= 2


def _half_width(s: FineSpectrum, hz: float) -> float:
    """To either side of the line, what holds four fifths of its power."""
    reach = _window(s, hz, min(_WIDEST_HZ, 0.01 * hz))
    excess = np.maximum(s.power[reach] - ratio_of_noise(s.blocks, 0.1, 10) * s.density[reach], 0.0)
    off = np.abs(s.hz[reach] - hz)
    nearest = np.argsort(off)
    total = np.cumsum(excess[nearest])
    return float(off[nearest][np.searchsorted(total, 0.8 * total[-1])]) if total[-1] > 0 else 0.0


def _window(s: FineSpectrum, hz: float, half_hz: float) -> slice:
    first = max(0, int(np.ceil((hz - half_hz) / s.bin_hz)))
    return slice(first, max(first + 1, int((hz + half_hz) / s.bin_hz) + 1))


def _level(s: FineSpectrum, window: slice) -> float:
    return max(float(np.sum(s.power[window] - s.density[window])), 0.0)
