"""Four tones that drift by more than their own width: the sweep that makes them stand still.

Where nothing is found beside a place, the audio about it is swept the other way, by many rates, until
power leans from one pair of tones to the other (:mod:`slot_correlation`), as it does where four tones
stay on the grid for long enough.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sigcheck.measure.slots.band import Narrow
from sigcheck.measure.slots.correlation import pair_lean
from sigcheck.measure.slots.protocol import SYMBOL_S, SYMBOLS
from sigcheck.measure.slots.tones import GRID, tone_power
from sigcheck.measure.track import Real

MOST_DRIFT_HZ = 24.0
"""Drift over a transmission up to which one is looked for; the tones then are still in the narrow band's flat part."""
_LENGTH_S = SYMBOLS * SYMBOL_S
_COARSE_HZ = 6.0  # over a transmission: in half a minute, the tones then move by half a spacing at most
_FINE_HZ = 2.0  # half of it is within what the search for small drifts covers
_NEAR_HZ = 12.0  # the rate of half a minute is that of the whole to within so much, if the course is bent
_LEANS = 0.25  # variance of the lean in half a minute: noise 0.13 (0.2 the largest seen), a slot of -20 dB 0.35


@dataclass(frozen=True)
class Sweep:
    """A frequency that changes steadily by ``hz_per_s`` and is nought at ``still_s``."""

    hz_per_s: float
    still_s: float

    def at(self, t: float) -> float:
        """Frequency at a time."""
        return self.hz_per_s * (t - self.still_s)

    def taken_off(self, n: Narrow) -> Narrow:
        """The narrow band with the sweep taken off."""
        cycles = 0.5 * self.hz_per_s * (n.times_s - self.still_s) ** 2
        turn = np.exp(-2j * np.pi * (cycles - np.floor(cycles))).astype(np.complex64)
        return replace(n, z=n.z * turn)


def sweep_of(n: Narrow, chunk: Narrow, at_s: float) -> Sweep | None:
    """The sweep under which the band leans most from pair to pair of tones; None where nothing sweeps.

    Parameters
    ----------
    n : the band over all that is searched.
    chunk : the same about ``at_s``, where the signal is clearest, for half a minute: by it most is ruled out.
    """
    times = n.times_s
    a, b = np.searchsorted(times, [at_s - _LENGTH_S, at_s + _LENGTH_S])
    if a == b:
        return None
    part = replace(n, z=n.z[a:b], first_s=float(times[a]))
    rates = np.arange(-MOST_DRIFT_HZ, MOST_DRIFT_HZ + 0.1, _COARSE_HZ) / _LENGTH_S
    leans = _leans(chunk, rates, at_s)
    if leans.max() < _LEANS:
        return None
    near = rates[int(np.argmax(leans))] + np.arange(-_NEAR_HZ, _NEAR_HZ + 0.1, _FINE_HZ) / _LENGTH_S
    rates = near[np.abs(near) < (MOST_DRIFT_HZ + 0.1) / _LENGTH_S]
    return Sweep(float(rates[int(np.argmax(_leans(part, rates, at_s)))]), at_s)


def _leans(n: Narrow, rates: Real, still_s: float) -> Real:
    """For each sweep the variance of the lean over time, of the lowest tone where it is largest; a carrier has none."""
    swept = [pair_lean(tone_power(Sweep(float(r), still_s).taken_off(n), hops=2).value, GRID) for r in rates]
    return np.array([float(lean.var(axis=0).max()) if lean.size else 0.0 for lean in swept])
