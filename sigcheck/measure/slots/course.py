"""Course of a four-tone transmission: its frequency and phase against time, and integrals along it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.slots.band import Narrow
from sigcheck.measure.slots.protocol import SYMBOLS
from sigcheck.measure.track import Complex, Real

Symbols = NDArray[np.intp]
Wide = NDArray[np.complex128]

USUAL_CURVE_HZ = 0.7  # how far a transmitter may bend, one sigma
ORDERS = 6  # of the centre's course: an exponential warm-up over 30 s is met within some per cent
_LEGENDRE_0 = np.polynomial.legendre.legvander(np.zeros(1), ORDERS)[0]
_AT_ZERO = (_LEGENDRE_0[2:] - _LEGENDRE_0[:-2]) / (2 * np.arange(1, ORDERS) + 1)
PARAMETERS = 3 + ORDERS


@dataclass(frozen=True)
class Course:
    """Frequency of a transmission against time.

    ``hz`` (6,) are Legendre coefficients of the centre's frequency, relative to the narrow band's
    own, over the 162 nominal symbols from ``from_s`` for ``span_s``.
    """

    start_s: float
    symbol_s: float
    spacing_hz: float
    hz: tuple[float, ...]
    from_s: float
    span_s: float

    def slow_hz(self, t: Real) -> Real:
        """Frequency of the centre, held constant beyond the ends."""
        u = np.clip(2 * (t - self.from_s) / self.span_s - 1, -1, 1)
        return np.asarray(np.polynomial.legendre.legval(u, self.hz))

    def slow_cycles(self, band: Narrow) -> Real:
        """Its integral at the band's samples, from the middle of the span on."""
        return np.asarray(slow_basis(band.z.size, band.first_s, band.rate_hz, self.from_s, self.span_s) @ self.hz)

    def place(self, t: Real) -> Real:
        """Position of times in the transmission, counted in symbols."""
        return np.asarray((t - self.start_s) / self.symbol_s)


def _integrals(u: Real) -> Real:
    """Integrals of the Legendre polynomials, zero at u = 0; shape (n, 6)."""
    p = np.polynomial.legendre.legvander(u, ORDERS)
    order = np.arange(1, ORDERS)
    higher = (p[:, 2:] - p[:, :-2]) / (2 * order + 1) - _AT_ZERO
    return np.column_stack([u, higher])


@lru_cache(maxsize=8)
def slow_basis(count: int, first_s: float, rate_hz: float, from_s: float, span_s: float) -> Real:
    """Cycles that one hertz in each coefficient of a course makes at the samples of a band, (n, 6)."""
    t = first_s + np.arange(count) / rate_hz
    return _integrals(2 * (t - from_s) / span_s - 1) * (0.5 * span_s)


def tone_sums(course: Course, tones: Symbols, v: Real) -> Real:
    """Integral over place ``v`` of the tone less the centre, in spacings; ``tones`` (162,)."""
    bounds = np.concatenate([[0.0], np.cumsum(tones - 1.5)])
    return np.asarray(np.interp(v, np.arange(SYMBOLS + 1), bounds))


def within(narrow: Narrow, course: Course) -> tuple[int, int]:
    """First and one past the last symbol of which more than half lies in the recording."""
    place = course.place(narrow.times_s[[0, -1]])
    return int(np.clip(np.ceil(place[0] - 0.5), 0, SYMBOLS)), int(np.clip(np.floor(place[1] + 0.5), 0, SYMBOLS))


def _samples(narrow: Narrow, starts_s: Real, length: int) -> NDArray[np.intp]:
    """Index of the samples of one symbol length from each start, shape (n, length); -1 beyond the recording."""
    # a sample stands for half a step to both sides of it: those from the start on cover, in the mean, what follows it
    first = np.ceil((starts_s - narrow.first_s) * narrow.rate_hz).astype(np.intp)
    index = first[:, None] + np.arange(length)
    return np.where((index >= 0) & (index < narrow.z.size), index, -1)


def symbol_integrals(narrow: Narrow, course: Course) -> Complex:
    """Integrals over each symbol on each of the four tones, shape (162, 4)."""
    return offset_integrals(narrow, course, course.spacing_hz * (np.arange(4) - 1.5))


def offset_integrals(narrow: Narrow, course: Course, offsets_hz: Real) -> Complex:
    """Integrals over each symbol at frequencies that far from the middle of the tones, shape (162, n)."""
    length = round(course.symbol_s * narrow.rate_hz)
    index = _samples(narrow, course.start_s + course.symbol_s * np.arange(SYMBOLS), length)
    steady = np.append(narrow.z * np.exp(-2j * np.pi * course.slow_cycles(narrow)), 0.0)  # index -1 is the last
    local = np.arange(length) / narrow.rate_hz
    return np.asarray(steady[index] @ np.exp(-2j * np.pi * local[:, None] * offsets_hz) / narrow.rate_hz)


def samples_within(narrow: Narrow, course: Course, inside: tuple[int, int]) -> tuple[slice, Real]:
    """Samples of the symbols inside, and their places."""
    edge = (course.start_s + course.symbol_s * np.array(inside) - narrow.first_s) * narrow.rate_hz
    a, b = int(np.clip(np.ceil(edge[0]), 0, narrow.z.size)), int(np.clip(np.ceil(edge[1]), 0, narrow.z.size))
    t = narrow.first_s + np.arange(a, b) / narrow.rate_hz
    return slice(a, b), course.place(t)


def phase_of(narrow: Narrow, course: Course, tones: Symbols, where: slice, v: Real) -> Real:
    """Modelled phase in radians at the samples ``where`` of places ``v``, both (n,)."""
    slow = course.slow_cycles(narrow)[where]
    return np.asarray(2 * np.pi * (slow + course.spacing_hz * course.symbol_s * tone_sums(course, tones, v)))


def gradients(narrow: Narrow, course: Course, tones: Symbols, where: slice, v: Real) -> Real:
    """Derivatives of the phase by start, symbol length, spacing and the frequency's coefficients, (n, 9)."""
    tone = (tones - 1.5)[np.clip(v.astype(np.intp), 0, SYMBOLS - 1)]
    sums = tone_sums(course, tones, v)
    slow = slow_basis(narrow.z.size, narrow.first_s, narrow.rate_hz, course.from_s, course.span_s)[where]
    return np.asarray(2 * np.pi * np.column_stack(
        [-course.spacing_hz * tone, course.spacing_hz * (sums - v * tone), course.symbol_s * sums, slow]
    ))  # fmt: skip


def stepped(course: Course, step: Real) -> Course:
    """The course with a change of start, symbol length, spacing and the frequency's coefficients, (9,)."""
    hz = tuple(float(x + y) for x, y in zip(course.hz, step[3:], strict=True))
    return replace(course, start_s=float(course.start_s + step[0]), symbol_s=float(course.symbol_s + step[1]),
                   spacing_hz=float(course.spacing_hz + step[2]), hz=hz)  # fmt: skip


def rest_of(narrow: Narrow, course: Course, tones: Symbols, first: int, last: int, *, beyond: bool = False) -> Wide:
    """Samples with the modelled phase taken off; outside the symbols zero, or as received (``beyond``)."""
    where, v = samples_within(narrow, course, (first, last))
    out = narrow.z.astype(np.complex128) if beyond else np.zeros(narrow.z.size, np.complex128)
    out[where] = narrow.z[where] * np.exp(-1j * phase_of(narrow, course, tones, where, v))
    return out
