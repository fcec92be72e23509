"""What happens within elements after their start: overshoot, droop, chirp, and starts that break.

All from the average of the longer elements, aligned on their starts (:mod:`sigcheck.measure.keyed.edges`), but for
the breaks, which single elements show.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.keyed.edges import SHAPE, Average
from sigcheck.measure.keyed.elements import LEAST_ELEMENTS, Elements, Figure, Rows, longer_ones
from sigcheck.measure.track import Mask, Real

_MOST_SINGLE = 120  # elements looked at one by one: a bouncing key bounces often
_LONGEST_CUT = 1 << 22  # samples held at once
# Phase that a filter's ringing turns after the first moments, rms: fits to noise-free edges through Butterworth,
# Chebyshev, elliptic and Bessel filters of 250 to 2400 Hz, the tone in their middle or off it
_RINGING_CYCLES = 0.015
_LEAST_SETTLING_S = 0.008  # what settles sooner can hardly be told from the edge (common practice, no source)
_MISSED = 0.5  # of the highest level over that found: part of it is noise that stands high by chance
_ROUNDED = 0.1  # of an overshoot in decibels, that a mean over a quarter of the rise takes from its peak
_BIN_SHARE = 1 / 24  # of the time since the edge: what settles then is bent by less than 1e-4 over one mean


def course(e: Elements, rise_s: float) -> Average:
    """The longer elements (dahs, where there are enough) from half amplitude on, as long as most last."""
    longer = longer_ones(e.length_s)
    if longer.sum() >= LEAST_ELEMENTS:
        e = e.chosen(longer)
    end = float(np.quantile(e.length_s, 0.2))
    most = max(8, _LONGEST_CUT // max(1, int(end * e.rate_hz)))
    if e.on_s.size > most:
        e = e.chosen(np.arange(e.on_s.size) % -(-e.on_s.size // most) == 0)
    t, rows = e.cut(e.on_s, 0.0, end)
    guard = max(1.2 * rise_s, 2.0 / e.half_band_hz)  # of the fall, which may last as long as the rise
    inside = t < (e.length_s - guard)[:, None]
    some = inside.sum(axis=0) >= 0.5 * e.on_s.size
    return Average.of(t[some], rows[:, some], np.abs(e.settled), inside[:, some])


def overshoot(c: Average, rise_s: float) -> Figure:
    """Peak after the edge over the settled level, in dB.

    The peak is looked for in one half of the elements and read in the other: the largest of many noisy
    values is too large, but not where it stands in other values.
    """
    if c.t.size < 16:
        return Figure(None, reason="the elements are too short to settle")
    step = c.t[1] - c.t[0]
    width = max(1, round(min(0.25 * rise_s, 0.0015) / step))
    late = c.t > 0.75 * c.t[-1]
    # the ends of a running mean see less than its width
    early = (c.t < 0.6 * c.t[-1]) & (c.t > 0.4 * rise_s + width * step / 2)
    if not early.any() or not late.any():
        return Figure(None, reason="the elements are too short to settle")

    def level(mean: Rows) -> Real:
        return np.asarray(np.convolve(np.abs(mean), np.ones(width) / width, "same"))

    halves = [level(c.mean(slice(first, None, 2))) for first in (0, 1)]
    at = [int(np.argmax(np.where(early, h, -np.inf))) for h in halves]

    def decibels(mean: Rows) -> float | None:
        h = level(mean)
        settled = float(h[late].mean())
        return 20 * float(np.log10(0.5 * (h[at[0]] + h[at[1]]) / settled)) if settled > 0.1 else None

    sigma = c.jackknife(decibels)
    if sigma is None:
        return Figure(None, reason="the elements drown in noise even when averaged")
    crossed = [20 * np.log10(h[k] / h[late].mean()) for h, k in zip(halves, at[::-1], strict=True)]
    value = float(np.mean(crossed))
    # what noise hides of a peak: it is looked for at the wrong place
    highest = level(c.mean())
    missed = 20 * float(np.log10(highest[early].max() / highest[late].mean())) - value
    # each place is read in one half alone; and a running mean rounds a peak
    square = 2 * sigma**2 + (_MISSED * missed) ** 2 + (_ROUNDED * value) ** 2 + 0.01**2
    return Figure(value, float(np.sqrt(square)))


def droop(c: Average, rise_s: float) -> Figure:
    """Fall of the level within an element, from half amplitude on to its end, in dB.

    An exponential through the logarithm of the level, from where the edge and the filter's ringing are
    over, carried back towards the edge by at most 0.4 of its time constant: what falls meanwhile counts.
    """
    start_s = min(max(2.0 * rise_s, 0.006), 0.35 * float(c.t[-1]))
    fit = _ExponentialFit.over(c, start_s)
    if fit is None:
        return Figure(None, reason="the elements are too short to show their level's course")

    def decibels(mean: Rows, tau: float | None = None) -> float | None:
        level = np.abs(fit.thinned(mean))
        if level.min() < 0.1:
            return None
        size, tau = fit.best(20 * np.log10(level), line=False, tau=tau)
        return size * float(np.exp(-max(start_s - 0.4 * tau, 0.0) / tau) - np.exp(-c.t[-1] / tau))

    value, sigma = decibels(c.mean()), c.jackknife(decibels)
    if value is None or sigma is None:
        return Figure(None, reason="the elements drown in noise even when averaged")
    # the best time constant of a level that only noise moves is any: by it the result changes as well
    slow = decibels(c.mean(), 0.5 * float(c.t[-1])) or 0.0
    return Figure(value, float(np.sqrt(sigma**2 + (0.5 * (value - slow)) ** 2 + 0.01**2)))


def chirp(c: Average, skip_s: float) -> tuple[Figure, Figure]:
    """Frequency at half amplitude minus settled, in Hz, and the time constant with which it settles.

    The phase of the average element is fitted by 2 pi (p + f t - h s exp(-t/s)): the frequency then is
    f + h exp(-t/s). The first ``skip_s``, where a filter alone turns the phase, are left out and the fit
    is carried back to the half-amplitude crossing. Where no settling stands out of the noise, h is the mean over
    all time constants, by how well each fits, and none is given.
    """
    fit = _ExponentialFit.over(c, skip_s)
    if fit is None:
        why = "the elements are too short to show their frequency's course"
        return Figure(None, reason=why), Figure(None, reason=why)

    def settling(mean: Rows, tau: float | None = None) -> tuple[float, float] | None:
        seen = fit.thinned(mean)
        if np.median(np.abs(seen)) < 0.3:
            return None
        size, best = fit.best(np.unwrap(np.angle(seen)) / (2 * np.pi), line=True, tau=tau)
        return -size / best, best

    lost = Figure(None, reason="the elements' phase is lost in noise")
    found = settling(c.mean())
    sigma = c.jackknife(lambda mean: (settling(mean) or (None,))[0])
    if found is None or sigma is None:
        return lost, lost
    whole = _with_filter(sigma, *found, skip_s)
    if abs(found[0]) > 3 * whole:
        spread = c.jackknife(lambda mean: (settling(mean) or (None, None))[1])
        if spread is not None:
            # a size that is off by the filter's part goes with a time off by the same share
            spread = float(np.sqrt(spread**2 + (found[1] * whole / found[0]) ** 2 - (found[1] * sigma / found[0]) ** 2))
        return Figure(found[0], whole), Figure(found[1], spread)
    usual = float(c.t[-1]) / 8
    sigma = c.jackknife(lambda mean: (settling(mean, usual) or (None,))[0])
    if sigma is None:
        return lost, lost
    cycles = np.unwrap(np.angle(fit.thinned(c.mean()))) / (2 * np.pi)
    hertz, sigma = fit.of_any_time(cycles, usual, sigma)
    why = "no change of frequency stands out of the noise"
    return Figure(hertz, _with_filter(sigma, hertz, usual, skip_s)), Figure(None, reason=why)


def _with_filter(sigma: float, hertz: float, tau: float, skip_s: float) -> float:
    """Sigma of a chirp with what the receiver's filter adds: a delay that varies over its band, and its ringing.

    What rings on after ``skip_s`` turns the phase by hundredths of a cycle, for about as long again. An
    exponential takes that for its own, the more of it the sooner it settles.
    """
    ringing = _RINGING_CYCLES * min(1.0, skip_s / tau) / tau
    return float(np.sqrt(sigma**2 + (SHAPE * hertz) ** 2 + ringing**2 + 0.02**2))


def _widening(first: int, last: int, share: float) -> NDArray[np.intp]:
    """Bounds of stretches from ``first`` to ``last``, each that share of its place long."""
    count = int(np.ceil(np.log(last / max(first, 1)) / share))
    places = np.geomspace(max(first, 1), last, max(count, 12) + 1)
    return np.unique(np.round(places).astype(np.intp))


@dataclass(frozen=True)
class _ExponentialFit:
    """Weighted least squares of constant (+ line) + size exp(-t/tau), tau from a grid.

    ``bounds`` (m + 1,): the average is thinned out to means over samples, ever more of them farther from
    the edge: what settles fast is fine, what settles slowly wide.
    """

    bounds: NDArray[np.intp]
    t: Real
    weight: Real
    taus: Real
    kept_bases: dict[bool, Real] = field(default_factory=dict)

    @classmethod
    def over(cls, c: Average, start_s: float) -> _ExponentialFit | None:
        first = int(np.searchsorted(c.t, start_s))
        if c.t.size - first < 12 or c.t[-1] - start_s < 0.3 * c.t[-1]:
            return None
        bounds = _widening(first, c.t.size, _BIN_SHARE)
        fit = cls(bounds, np.zeros(0), np.zeros(0), np.zeros(0))
        t = fit.thinned(c.t)
        heard = np.minimum(np.abs(fit.thinned(c.mean())), 1.0)
        weight = np.sqrt(fit.thinned(c.weights.sum(axis=0)) * np.diff(bounds)) * heard
        shortest = max(0.7 * start_s, min(0.004, 0.03 * float(t[-1])), 3 * float(t[1] - t[0]))
        taus = np.geomspace(shortest, max(0.5 * float(t[-1]), 1.1 * shortest), 14)
        return cls(bounds, t, weight / weight.max(), taus)

    def thinned(self, x: NDArray[Any]) -> NDArray[Any]:
        """Means between the bounds."""
        return np.asarray(np.add.reduceat(x[: self.bounds[-1]], self.bounds[:-1]) / np.diff(self.bounds))

    def best(self, y: Real, *, line: bool, tau: float | None = None) -> tuple[float, float]:
        """(size at t = 0, tau) of the least squares; tau between grid points by a parabola."""
        if tau is not None:
            return self._at(y, line, tau), tau
        seen = y * self.weight
        basis = self._bases(line)
        left = float(seen @ seen) - np.sum(np.einsum("tmk,m->tk", basis, seen) ** 2, axis=1)
        k = int(np.clip(np.argmin(left), 1, left.size - 2))
        a, b, c = left[k - 1 : k + 2]
        bend = a - 2 * b + c
        shift = float(np.clip(0.5 * (a - c) / bend, -1.0, 1.0)) if bend > 0 else float(np.sign(a - c))
        tau = float(self.taus[k] * (self.taus[1] / self.taus[0]) ** shift)
        return self._at(y, line, tau), tau

    def _bases(self, line: bool) -> Real:
        """Orthonormal columns that span the fit, for each time constant of the grid: (taus, m, 2 or 3)."""
        kept = self.kept_bases.get(line)
        if kept is None:
            kept = self.kept_bases[line] = np.linalg.qr(np.stack([self._design(line, float(v)) for v in self.taus]))[0]
        return kept

    def _design(self, line: bool, tau: float) -> Real:
        columns = [np.exp(-self.t / tau), np.ones(self.t.size)] + ([self.t] if line else [])
        return np.stack(columns, axis=1) * self.weight[:, None]

    def of_any_time(self, cycles: Real, usual_s: float, usual_sigma: float) -> tuple[float, float]:
        """Frequency at t = 0 over the settled one where its time constant is not known, and its sigma, in Hz.

        Each from 8 ms to a quarter of the element is as likely beforehand in its logarithm. ``usual_sigma`` is what
        the frequency scatters by with ``usual_s`` as time constant.
        """
        least = max(_LEAST_SETTLING_S, float(self.taus[0]))
        taus = np.append(np.geomspace(least, max(2 * usual_s, 1.1 * least), 9), usual_s)
        hertz, spread, left = np.empty(taus.size), np.empty(taus.size), np.empty(taus.size)
        seen = cycles * self.weight
        for k, tau in enumerate(taus.tolist()):
            design = self._design(True, tau)
            inverse = np.linalg.inv(np.einsum("mi,mj->ij", design, design))
            solution = inverse @ np.einsum("mi,m->i", design, seen)
            hertz[k], spread[k] = -solution[0] / tau, np.sqrt(inverse[0, 0]) / tau
            left[k] = float(np.sum((seen - design @ solution) ** 2))
        noise = usual_sigma / spread[-1]
        hertz, spread, left = hertz[:-1], noise * spread[:-1], left[:-1]
        weight = np.exp(-0.5 * (left - left.min()) / noise**2)
        mean = float(np.average(hertz, weights=weight))
        return mean, float(np.sqrt(np.average((hertz - mean) ** 2 + spread**2, weights=weight)))

    def _at(self, y: Real, line: bool, tau: float) -> float:
        """Size at t = 0 for one time constant."""
        design = self._design(line, tau)
        solution = np.linalg.solve(
            np.einsum("mi,mj->ij", design, design), np.einsum("mi,m->i", design, y * self.weight)
        )
        return float(solution[0])


def broken_starts(e: Elements, gap_s: float) -> Figure:
    """Share of elements that open again within their first third (a key or relay that bounces).

    An element counts that has reached 70 % and falls below 40 % again, or that was preceded by a contact too
    short to be an element; what its last third does likewise (hum, noise, fading) is taken off.
    """
    if e.on_s.size > _MOST_SINGLE:
        e = e.chosen(np.arange(e.on_s.size) % -(-e.on_s.size // _MOST_SINGLE) == 0)
    amplitude = np.abs(e.settled)
    before, third, later = 0.4 * gap_s, e.shortest_s / 3, 0.55 * e.shortest_s
    t, start = e.cut(e.on_s, before, later)
    quiet = float(np.mean(np.abs(start[:, t < -0.5 * before]) ** 2) / np.mean(amplitude**2))
    half = min(e.half_band_hz, e.half_band_hz / max(quiet * 7**2, 1e-12))
    if half < 3 / third:
        return Figure(None, reason="noise hides what single elements do")
    if half < e.half_band_hz:
        e = replace(e, half_band_hz=half)
        t, start = e.cut(e.on_s, before, later)
    _, end = e.cut(e.off_s, later, before)
    opened = [
        _opens(np.abs(rows) / np.maximum(amplitude, 1e-30)[:, None], int(np.searchsorted(t, third)))
        for rows in (start, end[:, ::-1])
    ]
    share = float(np.mean(opened[0])) - float(np.mean(opened[1]))
    return Figure(max(share, 0.0))


def _opens(level: Real, until: int) -> Mask:
    """Which rows reach 0.7, fall below 0.4 before column ``until``, and reach 0.7 again."""
    high, low = level > 0.7, level < 0.4
    low[:, until:] = False
    fell = np.maximum.accumulate(low & np.maximum.accumulate(high, axis=1), axis=1)
    return np.asarray((fell & high).any(axis=1))
