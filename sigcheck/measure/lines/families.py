"""Lines that share a spacing: a switching supply's rate and its harmonics.

They keep step, however the rate wanders: one course is followed for all of them, as the mains' is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sigcheck.measure.lines.fit import Fitted, LineFit, Turn
from sigcheck.measure.lines.search import CHANCE_GIVEN, LEAST_DBC, Periodogram
from sigcheck.measure.results import Sideband
from sigcheck.measure.track import BAND_HZ

_HUMP_OFF = 0.01  # of its offset, that a hump's middle may be off the grid
_KNOT_S = 1.0  # a converter's rate wanders faster than the mains
_MOST_ORDERS = 8
_MOST_LINES = 8


def on_grid(hz: float, fundamental: float, within: float) -> bool:
    """Whether a frequency is a multiple of the fundamental."""
    return abs(hz - fundamental * round(hz / fundamental)) < within


def _reach_hz(hz: float) -> float:
    """How far lines of one family may seem to be off their grid, each followed by itself."""
    return 0.2 + 0.003 * hz


def shared_course(
    fit: LineFit, fitted: Fitted, others: Sequence[Turn], spectrum: Periodogram, *, walk_hz: float
) -> list[Turn] | None:
    """The lines outside the mains family with one course for those that are multiples of one of them.

    None where no such lines wander. Harmonics that stand out along that course only are added.
    """
    first = len(fitted.offsets) - len(others)
    for base in sorted(others, key=lambda turn: turn.mean_hz):
        hz = base.mean_hz
        members = {
            round(turn.mean_hz / hz): k
            for k, turn in enumerate(others)
            if on_grid(turn.mean_hz, hz, _reach_hz(turn.mean_hz))
        }
        if len(members) > 1 and any(float(np.ptp(others[k].hz)) > 0.0 for k in members.values()):
            break
    else:
        return None
    # the strongest is followed surest, and a lower one slips no cycle where a higher one might
    lead = max(members, key=lambda order: _power(fitted, first + members[order]) / order)
    start = others[members[lead]]
    orders = sorted(members)
    own = fit.put_back(fitted, {first + k: others[k] for k in members.values()})
    turn = Turn([c / lead for c in start.cycles], orders, start.hz / lead)
    course = fit.follow(turn, spectrum.noise_near(lead * hz), walk_hz=walk_hz, knot_s=_KNOT_S, rest=own)
    kept = [turn for k, turn in enumerate(others) if k not in members.values()]
    orders += _hidden(fit, fitted, course, spectrum, _MOST_LINES - len(kept) - len(orders))
    return kept + [Turn([order * c for c in course.cycles], [1], order * course.hz) for order in sorted(orders)]


def _power(fitted: Fitted, k: int) -> float:
    """Power of both sides of a fitted line, noise included."""
    sides = fitted.amplitude[:, [k, k + len(fitted.offsets)]]
    return float((fitted.weights[:, None] * np.abs(sides) ** 2).sum())


def _hidden(fit: LineFit, fitted: Fitted, course: Turn, spectrum: Periodogram, most: int) -> list[int]:
    """Orders at which a line stands out along the course, though it did not by itself."""
    hz = course.mean_hz
    lowest = spectrum.first * spectrum.bin_hz
    free = [
        k
        for k in range(1, _MOST_ORDERS + 1)
        if k not in course.orders
        and lowest < k * hz < BAND_HZ - 5.0
        and all(abs(f - k * hz) > 3.0 for f in fitted.offsets)
    ]
    if not free or most <= 0:
        return []
    upper, lower, am, pm = fit.sums(fitted.rest, course, free)
    noise, am_noise, pm_noise = np.array([spectrum.noises_near(k * hz) for k in free]).T
    both = np.minimum((upper + lower) / noise, am / am_noise + pm / pm_noise)
    faint = (upper + lower) / fit.where.size < 10 ** (LEAST_DBC / 10)
    clear = (both > spectrum.pair_limit(CHANCE_GIVEN)) & ~faint
    strongest = sorted(np.flatnonzero(clear), key=lambda k: -both[k])[:most]
    return [free[k] for k in strongest]


def other_family(sidebands: list[Sideband], humps: Sequence[float]) -> tuple[list[Sideband], float | None]:
    """Name the largest equally spaced family outside the mains ones, where two lines agree on it.

    ``humps``: offsets of lines that wander by hertz, whose middles are not known better than that.
    """
    sidebands = [replace(b, family=None, order=None) if b.family == "switching" else b for b in sidebands]
    free = [b for b in sidebands if b.family is None]
    wide = {b.offset_hz for b in free if b.offset_hz in humps}
    best: tuple[int, list[Sideband]] = (0, [])
    for base in sorted(free, key=lambda b: b.offset_hz):
        hz = base.offset_hz
        members = [
            b
            for b in free
            if b.offset_hz > 1.5 * hz
            and on_grid(b.offset_hz, hz, _HUMP_OFF * b.offset_hz if b.offset_hz in wide else _reach_hz(b.offset_hz))
        ]
        if len(members) > best[0]:
            best = len(members), [base, *members]
    if not best[0]:
        return sidebands, None
    fundamental = best[1][0].offset_hz
    return [_as_switching(b, fundamental) if b in best[1] else b for b in sidebands], fundamental


def _as_switching(b: Sideband, fundamental: float) -> Sideband:
    return replace(b, family="switching", order=round(b.offset_hz / fundamental))
