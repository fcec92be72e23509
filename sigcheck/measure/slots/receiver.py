"""What a receiver by the book has of a four-tone transmission."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.slot import Transmission
from sigcheck.measure.slots.course import offset_integrals, within
from sigcheck.measure.slots.protocol import SPACING_HZ, SYMBOL_S, SYMBOLS
from sigcheck.measure.slots.values import rest_cells
from sigcheck.measure.track import Real

_GROUPS = 9  # that the symbols are left out by, for the scatter of a mean


def whole_power(one: Transmission) -> float:
    """Power of the tone with all its width (amplitude squared), within 6 Hz."""
    cells, _, noise = rest_cells(one.fit)
    return max(float(np.mean(np.abs(cells) ** 2)) - noise, 1e-3 * one.fit.power)


@dataclass(frozen=True)
class NominalEnergies:
    """What a receiver by the book has of a transmission, over the noise density and less the noise.

    ``own`` and ``other`` (groups,) are mean energies on a symbol's own and on its other possible tone;
    the groups are nine stretches of time, in each the symbols of the two lower and of the two upper
    tones apart, as drift moves them towards and away from their others. ``scintillation`` is the
    variance of the own tone's energy from symbol to symbol over its squared mean: 0 for a steady signal,
    1 for one that fades faster than the symbols change.
    """

    own: Real
    other: Real
    scintillation: float


def nominal_energies(one: Transmission) -> NominalEnergies:
    """Energies for a receiver that has the nominal spacing and symbol length and does not follow drift.

    It is tuned and timed as well as that allows. Symbols that should have been there and were not have
    no energy.
    """
    f, band = one.fit, one.band
    first, last = within(band, f.course)
    weight = np.where(((np.arange(SYMBOLS) >= f.first) & (np.arange(SYMBOLS) < f.last))[:, None], f.posterior, 0.0)
    middle = f.course.start_s + 0.5 * (f.first + f.last) * (f.course.symbol_s - SYMBOL_S)
    steady = replace(
        f.course, start_s=middle, symbol_s=SYMBOL_S, spacing_hz=SPACING_HZ,
        hz=(one.centre_hz - one.hz, *[0.0] * (len(f.course.hz) - 1)),
    )  # fmt: skip
    lead, own = np.zeros(SYMBOLS), np.ones(SYMBOLS)
    off_hz = np.arange(-1.2, 1.21, 0.2)
    places = (off_hz[:, None] + SPACING_HZ * (np.arange(4) - 1.5)).ravel()
    for late_s in np.arange(-0.12, 0.121, 0.04):
        sums = offset_integrals(band, replace(steady, start_s=middle + late_s), places)
        energy = np.abs(sums.reshape(SYMBOLS, off_hz.size, 4)) ** 2 / (f.noise_density * SYMBOL_S)
        gain = np.einsum("ki,kji->kj", weight, energy - energy[:, :, [2, 3, 0, 1]])
        best = int(np.argmax(gain.sum(axis=0)))
        if gain[:, best].sum() > lead.sum():
            lead, own = gain[:, best], np.sum(weight * energy[:, best], axis=1)
    stretch = np.arange(SYMBOLS) * _GROUPS // SYMBOLS
    group = np.where((np.arange(SYMBOLS) >= first) & (np.arange(SYMBOLS) < last), 2 * stretch + (f.symbols > 1), -1)
    heard = [np.flatnonzero(group == k) for k in range(2 * _GROUPS) if np.any(group == k)]
    absent = weight.sum(axis=1) == 0
    own, lead = np.where(absent, 0.0, own - 1), np.where(absent, 0.0, lead)
    excess = [own[k].var(ddof=1) - 1 - 2 * own[k].mean() for k in heard if k.size > 2]  # noise makes 1 + 2 E
    usual = [own[k].mean() ** 2 for k in heard if k.size > 2]
    return NominalEnergies(
        own=_drawn_together(own, heard),
        other=_drawn_together(own - lead, heard),
        scintillation=float(np.clip(np.mean(excess) / max(float(np.mean(usual)), 1e-30), 0.0, 2.0)),
    )


def _drawn_together(energy: Real, groups: list[NDArray[np.intp]]) -> Real:
    """Means of groups, nearer to the mean of all as far as noise makes them differ; none below 0."""
    part = np.array([energy[k].mean() for k in groups])
    noise = (1 + 2 * max(float(part.mean()), 0.0)) * float(np.mean([1 / k.size for k in groups]))
    kept = np.sqrt(max(1 - noise / max(float(part.var()), 1e-30), 0.0))
    return np.asarray(np.maximum(part.mean() + kept * (part - part.mean()), 0.0))
