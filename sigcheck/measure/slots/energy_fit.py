"""Start, length, spacing and frequency of a four-tone transmission by energy alone, where the phase is lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.slots.band import Narrow
from sigcheck.measure.slots.course import ORDERS, PARAMETERS, USUAL_CURVE_HZ, Course, Symbols, stepped
from sigcheck.measure.slots.protocol import SYMBOLS
from sigcheck.measure.track import Real

_STRETCHES = 18  # of nine symbols, 6 s: the fading of a path that spreads by 0.1 Hz or more is another one in the next
_FURTHEST = 1.5  # steps, by which the top of a parabola may lie beyond its points


def by_energy(
    narrow: Narrow, course: Course, tones: Symbols, heard: tuple[int, int]
) -> tuple[Course, Real]:
    """Start, length, spacing, centre and drift by energy alone, where the phase does not run on.

    Each is moved to the top of a parabola through the energies; the scatter comes from leaving out
    a stretch of neighbouring symbols in turn, as what fades fades together.
    """
    rows = np.arange(*heard)
    steps = np.array([0.03, 0.03 / SYMBOLS, 0.05, 0.12, 0.2])

    def energies(one: Course) -> Real:
        return _own_energies(narrow, one, tones)[rows]

    estimates = np.zeros(5)
    left_out = np.zeros((_STRETCHES, 5))
    group = np.arange(rows.size) * _STRETCHES // rows.size
    for _ in range(3):
        for p in range(5):
            change = np.zeros(PARAMETERS)
            change[p] = steps[p]
            if p == 1:
                change[0] = -steps[p] * SYMBOLS / 2  # stretch about the middle
            lower, here, upper = (energies(stepped(course, k * change)) for k in (-1, 0, 1))

            def top(use: NDArray[np.bool_], a: Real = lower, b: Real = here, c: Real = upper) -> float:
                left, middle, right = float(a[use].sum()), float(b[use].sum()), float(c[use].sum())
                curve = left - 2 * middle + right
                return float(np.clip(0.5 * (left - right) / curve, -_FURTHEST, _FURTHEST)) if curve < 0 else 0.0

            estimates[p] = top(np.ones(rows.size, bool))
            left_out[:, p] = [top(group != k) for k in range(_STRETCHES)]
            course = stepped(course, estimates[p] * change)
    share = (_STRETCHES - 1) / _STRETCHES
    scatter = np.sqrt(share * np.sum((left_out - left_out.mean(axis=0)) ** 2, axis=0)) * steps
    # where no top was found, or beyond the last step, all that is known is that it is about there
    lost = (np.abs(estimates) >= _FURTHEST) | (scatter == 0.0)
    scatter = np.where(lost, np.hypot(scatter, steps), scatter)
    # the energy falls in a straight line to both sides of the right start and length: a parabola through such a
    # peak shows half of its shift, which the repeated steps make up for and the scatter of one step does not
    scatter[:2] *= 2.0
    sigma = np.array([*scatter, *[USUAL_CURVE_HZ] * (ORDERS - 2)])
    return replace(course, hz=(*course.hz[:2], *[0.0] * (ORDERS - 2))), np.diag(sigma**2)


def _own_energies(narrow: Narrow, course: Course, tones: Symbols) -> Real:
    """Energy of each symbol on its own tone, (162,), its bounds wherever they fall between two samples.

    A symbol by the book is 64 samples of the narrow band: counted in whole ones, all starts within one of them
    would look alike.
    """
    t = narrow.times_s
    steady = narrow.z * np.exp(-2j * np.pi * course.slow_cycles(narrow))
    bounds = course.start_s + course.symbol_s * np.arange(SYMBOLS + 1)
    # a sample stands for half a step to both sides of it
    at = np.concatenate([t - 0.5 / narrow.rate_hz, t[-1:] + 0.5 / narrow.rate_hz])
    out = np.zeros(SYMBOLS)
    for tone in range(4):
        turned = steady * np.exp(-2j * np.pi * course.spacing_hz * (tone - 1.5) * (t - narrow.first_s))
        total = np.concatenate([[0.0], np.cumsum(turned)])
        running = np.interp(bounds, at, total.real) + 1j * np.interp(bounds, at, total.imag)
        mine = tones == tone
        out[mine] = np.abs(np.diff(running)[mine] / narrow.rate_hz) ** 2
    return out
