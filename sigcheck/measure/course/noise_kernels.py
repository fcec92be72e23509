"""Covariance shapes of oscillator noise over blocks of key-down.

Of noise whose power grows without end towards slow changes only differences have a variance; a generalised
covariance K (Matheron, Adv. Appl. Prob. 5, 1973; from memory, not looked up) gives that of every combination of
phases that a polynomial of the order below leaves at nought:

===============  ==================  =====  =========================
frequency noise  K(d)                order  its own density goes as
===============  ==================  =====  =========================
white            -d / 2              1      f^0
flicker          d^2 ln d            2      f^-1
random walk      d^3 / 12            2      f^-2
smooth           -d^5 / 240          3      f^-4
===============  ==================  =====  =========================

d is the distance in time, here in units of the record's span.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from sigcheck.measure.course.phase_record import Record
from sigcheck.measure.track import Real

Wandering = Literal["white-fm", "flicker-fm", "random-walk-fm", "smooth-fm"]
# of K = a d^p: p, a
_POWERS: dict[Wandering, tuple[int, float]] = {
    "white-fm": (1, -1 / 2), "random-walk-fm": (3, 1 / 12), "smooth-fm": (5, -1 / 240),
}  # fmt: skip
_TINY = 1e-12


def covariance(kind: Wandering, d: Real) -> Real:
    """K at the distances ``d``."""
    d = np.abs(d)
    if kind == "flicker-fm":
        return np.asarray(d**2 * np.log(np.maximum(d, _TINY)))
    power, size = _POWERS[kind]
    return np.asarray(size * d**power)


def _curvature(kind: Wandering, d: Real) -> Real:
    """Second derivative of K."""
    d = np.abs(d)
    if kind == "flicker-fm":
        return np.asarray(2 * np.log(np.maximum(d, _TINY)) + 3.0)
    power, size = _POWERS[kind]
    return np.asarray(size * power * (power - 1) * d ** max(power - 2, 0))


def _within(kind: Wandering, length: Real) -> Real:
    """Mean of K between two places anywhere in a block of that length."""
    if kind == "flicker-fm":
        return np.asarray(length**2 * (np.log(np.maximum(length, _TINY)) / 6 - 7 / 72))
    power, size = _POWERS[kind]
    return np.asarray(2 * size * length**power / ((power + 1) * (power + 2)))


def of_frequency(kind: Wandering, d: Real) -> Real:
    """The generalised covariance of the frequency itself: less the second derivative of that of its phase."""
    return -_curvature(kind, d)


def over_blocks(kind: Wandering, r: Record) -> Real:
    """K between the blocks' means (m, m); of a record of frequencies that of the frequencies themselves."""
    t, spread = r.t / r.span_s, r.spread / r.span_s**2
    d = t[:, None] - t[None, :]
    if not r.is_phase:
        if kind == "flicker-fm":  # an element does not see what is faster than it is long
            np.fill_diagonal(d, np.sqrt(12 * np.maximum(spread, _TINY)) * np.exp(-1.5))
        return of_frequency(kind, d)
    if kind == "smooth-fm":  # whatever the means do to it is smooth too, and must not make a faster noise of it
        return covariance(kind, d)
    out = covariance(kind, d) + 0.5 * _curvature(kind, d) * (spread[:, None] + spread[None, :])
    np.fill_diagonal(out, _within(kind, np.sqrt(12 * spread)))
    return np.asarray(out)


def about_the_middle(kind: Wandering, r: Record) -> Real:
    """Variance (m,) of a block's mean phase about the phase in its middle, less that of a steady curve (smooth noise).

    By the means of K over a block of length L, within it and from its middle.
    """
    square = 12 * r.spread / r.span_s**2
    if kind == "white-fm":
        return np.asarray(square**0.5 / 12)
    if kind == "flicker-fm":
        return np.asarray((np.log(2.0) / 6 - 1 / 24) * square)
    return np.asarray(square**1.5 / 320 if kind == "random-walk-fm" else np.zeros(square.size))


def from_the_first(kind: Wandering, r: Record) -> Real:
    """Covariance (m, m) of the blocks' means where the noise began at the first block's beginning.

    Of white and random-walk noise: with a phase (and a frequency) of nought there.
    """
    t, k = (r.t - r.first[0]) / r.span_s, over_blocks(kind, r)
    if not r.is_phase:
        return np.asarray(k + 0.5 * (t[:, None] + t[None, :])) if kind == "random-walk-fm" else k
    if kind == "white-fm":
        return np.asarray(k + 0.5 * (t[:, None] + t[None, :]))
    spread = r.spread / r.span_s**2
    square, cube = t**2 + spread, t**3 + 3 * t * spread
    cross = t[:, None] * square[None, :] + square[:, None] * t[None, :]
    return np.asarray(k + (3 * cross - cube[:, None] - cube[None, :]) / 12)
