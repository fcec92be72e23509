"""The course of four tones that bends more than the search allows for: followed from symbol to symbol.

Start and symbol length are known by then. For each symbol and each frequency taken as the middle, the
lean of the power towards the pair of tones that the fixed bit allows is between -1 and 1, whatever else is
strong near by; the best chain of middles, each move having its price, is the course.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sigcheck.measure.slots.band import Narrow
from sigcheck.measure.slots.course import ORDERS, Course, offset_integrals
from sigcheck.measure.slots.protocol import FIXED_BITS, SYMBOLS
from sigcheck.measure.track import Real

_GRID = 4  # frequencies to a spacing
_REACH_HZ = 28.0  # from the course that the search has
_MOST_MOVES = 3  # grid steps from one symbol to the next: 1.6 Hz/s
_PRICE = 0.3  # of a step: noise leans by 0.36 (rms), a clear symbol by 0.8
_BETTER = 8.0  # in the sum of leans: three times its scatter by noise over all symbols, and what choice makes of it


def followed(narrow: Narrow, course: Course, inside: tuple[int, int]) -> Course:
    """The course with its frequency along the best chain, if that is clearly better than it is already."""
    spacing = course.spacing_hz
    half = int(np.ceil(_REACH_HZ / spacing * _GRID))
    outer = half + int(1.5 * _GRID)
    flat = replace(course, hz=(course.hz[0], *[0.0] * (ORDERS - 1)))
    energy = np.abs(offset_integrals(narrow, flat, np.arange(-outer, outer + 1) * spacing / _GRID)) ** 2
    lean = _leans(energy)[slice(*inside)]
    middles = course.start_s + course.symbol_s * (np.arange(*inside) + 0.5)
    columns = _chain(lean)
    hz = course.hz[0] + (columns - half) * spacing / _GRID
    trial = replace(course, hz=_smooth(course, middles, hz))
    gain = [_along(lean, (one.slow_hz(middles) - course.hz[0]) / spacing * _GRID + half) for one in (trial, course)]
    return trial if gain[0] > gain[1] + _BETTER else course


def _leans(energy: Real) -> Real:
    """Lean of each symbol's energies (162, columns) to the pair that its fixed bit allows, for each middle."""
    tones = [energy[:, k * _GRID : energy.shape[1] - (3 - k) * _GRID] for k in range(4)]
    odd, even = np.maximum(tones[1], tones[3]), np.maximum(tones[0], tones[2])
    return np.asarray((2 * FIXED_BITS[:, None] - 1) * (odd - even) / np.maximum(sum(tones), 1e-30))


def _chain(lean: Real) -> Real:
    """Column of the best chain at each symbol, (n,)."""
    moves = np.arange(-_MOST_MOVES, _MOST_MOVES + 1)
    total = np.zeros(lean.shape[1])
    came = np.zeros(lean.shape, np.intp)
    wide = np.full(lean.shape[1] + 2 * _MOST_MOVES, -np.inf)
    for k, row in enumerate(lean):
        wide[_MOST_MOVES:-_MOST_MOVES] = total
        choices = np.stack([wide[_MOST_MOVES + m : _MOST_MOVES + m + total.size] - _PRICE * abs(m) for m in moves])
        best = np.argmax(choices, axis=0)
        came[k] = moves[best]
        total = choices[best, np.arange(total.size)] + row
    out = np.zeros(lean.shape[0], np.intp)
    out[-1] = int(np.argmax(total))
    for k in range(lean.shape[0] - 1, 0, -1):
        out[k - 1] = out[k] + came[k, out[k]]
    return out.astype(np.float64)


def _smooth(course: Course, t: Real, hz: Real) -> tuple[float, ...]:
    """Legendre coefficients of the course through a chain."""
    u = 2 * (t - course.from_s) / course.span_s - 1
    terms = ORDERS if t.size > SYMBOLS // 2 else 3
    fitted = np.polynomial.legendre.legfit(u, hz, terms - 1)
    return (*(float(v) for v in fitted), *[0.0] * (ORDERS - terms))


def _along(lean: Real, columns: Real) -> float:
    """Sum of the leans along some columns (n,)."""
    at = np.round(columns).astype(np.intp)
    inside = (at >= 0) & (at < lean.shape[1])
    return float(lean[np.flatnonzero(inside), at[inside]].sum())
