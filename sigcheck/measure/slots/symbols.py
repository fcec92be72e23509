"""Symbols of a four-tone transmission, decided by the energy on their tones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sigcheck.measure.slots.band import Narrow
from sigcheck.measure.slots.course import Course, Symbols, symbol_integrals
from sigcheck.measure.slots.protocol import FIXED_BITS, SYMBOLS
from sigcheck.measure.track import Complex, Real

_TRUST = np.log(50.0)  # odds that the fixed bit is as known: noise errs more often than transmitters
_LEAST_SCINTILLATION = 0.15  # of 162 energies at -25 dB: three times what their scatter makes of a steady signal


def own_and_wrong(energy: Real, fixed: bool) -> tuple[Real, Real]:
    """Energy (162,) on the strongest tone that a symbol may have, and the mean on tones that it has not."""
    if not fixed:
        own = energy.max(axis=1)
        return own, (energy.sum(axis=1) - own) / 3
    rows = np.arange(SYMBOLS)
    own = np.maximum(energy[rows, FIXED_BITS], energy[rows, FIXED_BITS + 2])
    return own, 0.5 * (energy[rows, 1 - FIXED_BITS] + energy[rows, 3 - FIXED_BITS])


@dataclass(frozen=True)
class Decided:
    """Symbols by the energy on their tones, the fixed bits counting as strong but not certain knowledge."""

    sums: Complex
    symbols: Symbols
    posterior: Real  # (162, 4)
    power: float
    evidence: Real  # (162,) log likelihood of a symbol there over noise alone

    @classmethod
    def of(cls, narrow: Narrow, course: Course, density: float, inside: tuple[int, int], fixed: bool) -> Decided:
        """Decide along a course, noise of that density, of the symbols ``inside`` (first, one past the last)."""
        sums = symbol_integrals(narrow, course)
        energy = np.abs(sums) ** 2 / (density * course.symbol_s)
        own, wrong = own_and_wrong(energy, fixed)
        strength = _nearby(own - wrong, inside)
        # spread and wrong spacing put a share of the energy into the other tones: noise of its own
        usual = slice(*inside)
        leak = np.clip((wrong[usual].mean() - 1.0) / max(float(strength[usual].mean()), 0.1), 0.0, 1.0)
        ratio = np.maximum(strength, 0.1)[:, None]
        likely = _tone_nats(energy, ratio, 1.0 + leak * ratio, _faded_share(own[usual], strength[usual]))
        prior = np.where((np.arange(4) % 2) == FIXED_BITS[:, None], 0.0, -_TRUST if fixed else 0.0)
        weight = likely + prior
        top = weight.max(axis=1, keepdims=True)
        share = np.exp(weight - top)
        symbols = np.argmax(weight, axis=1)
        posterior = share / share.sum(axis=1, keepdims=True)
        evidence = top[:, 0] + np.log(share.sum(axis=1) / 2)
        power = float(np.maximum(strength[usual].mean(), 0.1)) * density / course.symbol_s
        return cls(sums, symbols, posterior, power, evidence)

    def heard(self, inside: tuple[int, int]) -> tuple[int, int]:
        """First and one past the last symbol of the stretch that the transmission was on for."""
        gain = np.clip(self.evidence, -6.0, 6.0)
        gain[: inside[0]] = gain[inside[1] :] = 0.0
        total = np.concatenate([[0.0], np.cumsum(gain)])
        lowest = np.minimum.accumulate(total)
        last = int(np.argmax(total - lowest))
        first = int(np.argmin(total[: last + 1]))
        # noise hides single symbols at the ends: they are missing only where that is likely
        if total[inside[0]] - total[first] < 4.0:
            first = inside[0]
        if total[last] - total[inside[1]] < 4.0:
            last = inside[1]
        return first, last


def _faded_share(own: Real, strength: Real) -> float:
    """Share of the power that fades from symbol to symbol, 0..1, the rest being steady (Rice).

    The energies' variance beyond that of noise, over their squared mean, is 1 less the steady share squared.
    """
    if own.size < SYMBOLS // 4:
        return 0.0
    excess = float(np.mean((own - 1.0 - strength) ** 2 - 1.0 - 2.0 * np.maximum(strength, 0.0)))
    scintillation = float(np.clip(excess / max(float(np.mean(strength**2)), 0.1), 0.0, 1.0))
    return 0.0 if scintillation < _LEAST_SCINTILLATION else 1.0 - float(np.sqrt(1.0 - scintillation))


def _tone_nats(energy: Real, ratio: Real, noise: Real, faded: float) -> Real:
    """Log-likelihood of energies (n, 4) on a tone of mean energy ``ratio`` over noise alone, a share of it fading.

    A complex normal with a steady part: the noncentral chi-squared density of two degrees of freedom.
    """
    wide = 1.0 + faded * ratio / noise
    steady, seen = (1.0 - faded) * ratio / noise, energy / noise
    beside = seen * (1.0 - 1.0 / wide) - steady / wide - np.log(wide)
    return np.asarray(log_i0(2 * np.sqrt(steady * seen) / wide) + beside)


def _nearby(values: Real, inside: tuple[int, int]) -> Real:
    """Mean of a dozen neighbouring symbols, (162,), drawn a little to the mean of all: fading, not noise."""
    part = values[slice(*inside)]
    kernel = np.ones(min(11, part.size))
    count = np.convolve(np.ones(part.size), kernel, "same")
    out = np.full(SYMBOLS, float(part.mean()))
    out[slice(*inside)] = (np.convolve(part, kernel, "same") + 3 * part.mean()) / (count + 3)
    return out


def log_i0(x: Real) -> Real:
    """Logarithm of the modified Bessel function I0, to 1e-3."""
    small = np.minimum(x, 30.0)
    far = np.maximum(x, 10.0)
    return np.where(x < 20.0, np.log(np.i0(small)), far - 0.5 * np.log(2 * np.pi * far) + 1 / (8 * far))
