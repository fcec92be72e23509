"""What all elements of a keyed signal have in common, and how their edges rise and fall.

A single edge drowns in noise; the average of many does not. Stretches about each edge are cut out
band-limited and shifted by fractions of a sample, turned to their own element's settled phase, and
averaged as complex numbers: the noise then averages to nothing, while an average of magnitudes would
keep its bias. Scatter comes from leaving out one group of elements at a time (the jackknife). What
the alignment on noisy crossings does to the average is found by doing it to the average itself with
the same noise added, and taken out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.audio.cells import unwrapped
from sigcheck.measure.keyed.edge_gain import RINGS_FOR, excess, gain_opened, without_gain
from sigcheck.measure.keyed.elements import (
    LEAST_ELEMENTS,
    Elements,
    Figure,
    Rows,
    longer_ones,
    unit_phasors,
    weighted_sum,
)
from sigcheck.measure.track import Mask, Real

Index = NDArray[np.intp]
_GROUPS = 8
_FINE = 8  # the averaged edge is interpolated to so many points per sample
# What the shape of the filter in its band makes uncertain (compared with exact filters): share, and seconds
SHAPE, SHAPE_S = 0.015, 3e-5
_CLEAR = 6.0  # amplitude over rms noise at which a half-amplitude crossing is beyond doubt
_FASTEST_CONTROL_S = 0.0005  # a control that closes faster would follow the audio itself (common practice, no source)
_UNDONE = 0.5  # rise lost over gain lost in it, as far as it can't be undone (simulated: attacks of 1 to 30 ms)
_UNEVEN = 1.3  # scatter of crossings over that of white noise on a straight edge (simulated keying: 1.1 to 1.8)
_FOLLOWED = 5.0  # amplitude over rms noise at which an average's phase is its own


def rise_limit(lower_hz: float, upper_hz: float) -> float:
    """10..90 % time of the in-phase envelope that the passband alone gives a hard edge.

    ``lower_hz`` and ``upper_hz`` are how far it reaches below and above the tone. The in-phase part of the
    complex envelope sees each side by half, as a low-pass of that cut-off. The steps are taken as
    Gaussian of 0.44 over the cut-off, near a brick wall's 0.446 (a single pole has 0.350); so a tone in
    the middle of a passband B wide gives 0.88/B.
    """
    times = 0.44 / np.array([max(lower_hz, 1.0), max(upper_hz, 1.0)])
    t = np.linspace(0.0, float(times.max()), 400)
    # a Gaussian step's 10..90 % time is 2.563 of its standard deviations
    rise = np.mean([_gaussian_step(2.563 * t / v) for v in times], axis=0)
    return float(2 * np.interp(0.9, rise, t))


def _gaussian_step(x: Real) -> Real:
    """Normal distribution function, to 1e-4 (logistic form of Page, 1977)."""
    return np.asarray(1 / (1 + np.exp(-2 * np.sqrt(2 / np.pi) * x * (1 + 0.044715 * x * x))))


@dataclass(frozen=True)
class Average:
    """Average of aligned stretches, kept as sums over groups of elements, so that any can be left out.

    ``t`` (m,); ``sums`` (groups, m) of weighted values and ``weights`` (groups, m) of squared amplitudes.
    """

    t: Real
    sums: Rows
    weights: Real

    @classmethod
    def of(cls, t: Real, rows: Rows, amplitude: Real, inside: Mask | None = None) -> Average:
        """Rows (n, m) of amplitude (n,), where ``inside`` (n, m); element i goes into group i mod 8."""
        n, m = rows.shape
        groups = min(_GROUPS, n)
        sums, weights = np.zeros((groups, m), np.complex128), np.zeros((groups, m))
        for g in range(groups):
            a = amplitude[g::groups]
            if inside is None:
                sums[g], weights[g] = weighted_sum(a, rows[g::groups]), np.sum(a**2)
            else:
                sums[g] = weighted_sum(a, np.where(inside[g::groups], rows[g::groups], 0.0))
                weights[g] = np.sum(np.where(inside[g::groups], (a**2)[:, None], 0.0), axis=0)
        return cls(t, sums, weights)

    def mean(self, groups: Index | slice = slice(None)) -> Rows:
        """Complex average of some groups, 1 where settled; shape (m,)."""
        return np.asarray(self.sums[groups].sum(axis=0) / np.maximum(self.weights[groups].sum(axis=0), 1e-30))

    def without_each(self) -> list[Rows]:
        """Averages with one group left out at a time."""
        everything = np.arange(len(self.sums))
        return [self.mean(everything[everything != g]) for g in everything]

    def jackknife(self, figure: Callable[[Rows], float | None]) -> float | None:
        """Standard error of a figure of the average; None where it can't be had."""
        values = [figure(mean) for mean in self.without_each()]
        kept = np.array([v for v in values if v is not None])
        if kept.size < max(3, len(values) - 1):
            return None
        error = float(np.sqrt((kept.size - 1) / kept.size * np.sum((kept - kept.mean()) ** 2)))
        return error * few(kept.size - 1)


def few(freedom: int) -> float:
    """Factor by which a scatter of so few degrees of freedom must grow for 1.96 of it to cover 95 %.

    Student's t over its limit, to 2 % from five degrees on.
    """
    return 1.0 + 1.35 / max(freedom, 1)


@dataclass(frozen=True)
class Edge:
    """The average edge, rising along t (a fall is seen backwards), 1 where settled."""

    average: Average
    noise_density: float  # per Hz, of single elements, relative to their power
    rising: bool
    opened: float = 0.0  # logarithm of the gain before a rise over that after it, where noise tells it
    unseen: float = np.inf  # the most that it can have been where the noise shows none

    def time(self, mean: Rows | None = None, *, gain_undone: float = 0.5) -> float | None:
        """10..90 % time of the in-phase part, in seconds; see :func:`_ten_to_ninety`.

        In phase with its own course: a chirp turns the start of an element away from its settled phase.
        What a gain control does to a rise meanwhile is undone, by a law between the two of
        :func:`without_gain`.
        """
        t = self.average.t
        mean = self.average.mean() if mean is None else mean
        level = np.asarray((mean * np.exp(-1j * _phase_course(t, mean))).real)
        if not self.rising:
            return _ten_to_ninety(t, level)
        ringing_s = 0.0 if self.opened else RINGS_FOR * (_ten_to_ninety(t, level) or 0.0)
        return _ten_to_ninety(t, without_gain(t, level, gain_undone, self.unseen, ringing_s))

    def without_known_gain(self) -> tuple[float, float] | None:
        """Rise by the gain that the noise told, and the control's time constant that goes with it, in seconds.

        A control that closes within the edge leaves no tail to see its time constant by; but all that it lost
        on the way is the excess of the level over the settled one over that constant.
        """
        t, level = self.average.t, self._in_phase()
        seen = excess(t, level, 0.5)
        if seen is None or not self.opened:
            return None
        tau = float(seen[1][0]) / self.opened
        if tau < _FASTEST_CONTROL_S:
            return None  # what differs before and after is no gain: the ringing of a steep filter
        value = _ten_to_ninety(t, level * np.exp(-np.maximum(seen[1], 0.0) / tau))
        return None if value is None else (value, tau)

    @property
    def gain_doubt_s(self) -> float:
        """How far the two laws of a gain control part, and a share of what they undo."""
        as_heard = _ten_to_ninety(self.average.t, np.asarray(self._in_phase())) or 0.0
        linear, logarithmic = self.time(gain_undone=0.0), self.time(gain_undone=1.0)
        if linear is None or logarithmic is None or not self.rising:
            return 0.0
        # a control faster than the edge has mostly closed before the level is reached at which that shows
        unseen = 0.2 + 2.0 * float(np.clip(as_heard / self._closing_s() - 0.5, 0.0, 1.0))
        return 0.5 * abs(linear - logarithmic) + unseen * abs(0.5 * (linear + logarithmic) - as_heard)

    def _closing_s(self) -> float:
        """How long the level stands high after the edge: its excess summed over its peak."""
        t, level = self.average.t, self._in_phase()
        excess = np.maximum(level / float(np.mean(level[t > 0.6 * t[-1]])) - 1, 0.0)[t > 0]
        return max(float(excess.sum() / max(float(excess.max()), 1e-9)) * float(t[1] - t[0]), 1e-6)

    def _in_phase(self) -> Real:
        mean = self.average.mean()
        return np.asarray((mean * np.exp(-1j * _phase_course(self.average.t, mean))).real)

    @cached_property
    def crossing_sigma_s(self) -> float:
        """Scatter of one half-amplitude crossing as :func:`segmentation.segment` finds it: rms over slope."""
        cell, noise = 0.001, 0.375 / 0.001 * self.noise_density
        while noise > 1 / _CLEAR**2 and cell < 0.1 * float(np.ptp(self.average.t)):
            cell *= 2
            noise = 0.544 / cell * self.noise_density
        slope_s = np.hypot(self.time() or 0.005, 1.25 * cell)
        return float(_UNEVEN * np.sqrt(noise / 2) * slope_s / 0.9)


def _phase_course(t: Real, x: Rows) -> Real:
    """Phase of an edge, smooth over 3 ms.

    Before half amplitude it is followed back as far as the tone stands out of what is heard there (a
    backwave all the way), and then goes on at its frequency.
    """
    step = t[1] - t[0]
    width = 2 * round(0.0015 / step) + 1
    smooth = np.convolve(x, np.ones(width) / width, "same")
    settled = np.flatnonzero(t >= 0.5 * width * step)
    if settled.size < 4:
        return np.zeros(t.size)
    phase = 2 * np.pi * unwrapped(smooth[settled])
    near = slice(0, max(4, round(0.006 / step)))
    late = t[settled][near] - t[settled][near].mean()
    slope = float(late @ phase[near]) / float(late @ late)
    start = float(phase[near].mean()) - slope * float(t[settled][near].mean())
    out = np.empty(t.size)
    out[settled] = phase
    out[: settled[0]] = start + slope * np.maximum(t[: settled[0]], -0.01)
    early = x[t < 0.5 * t[0]]
    if early.size:
        noise = float(np.std(early)) / np.sqrt(width)
        heard = np.abs(smooth[: settled[0]]) > max(_FOLLOWED * noise, 1e-3 * float(np.abs(smooth[-1])))
        silent = np.flatnonzero(~heard)
        first = int(silent[-1]) + 1 if silent.size else 0
        back = 2 * np.pi * unwrapped(smooth[first : settled[0] + 1][::-1])[::-1]
        out[first : settled[0]] = back[:-1] + (phase[0] - back[-1])
        out[:first] += out[first] - (start + slope * max(t[first], -0.01)) if first < settled[0] else 0.0
    return out


def edge(e: Elements, *, rising: bool, gap_s: float) -> Edge:
    """The average edge, as far as the shortest element and its gap allow."""
    before, after = 0.45 * gap_s, 0.55 * e.shortest_s
    if rising:
        t, rows = e.cut(e.on_s, before, after)
    else:
        t, rows = e.cut(e.off_s, after, before)
        t, rows = -t[::-1], rows[:, ::-1]
    amplitude, longer = np.abs(e.settled), longer_ones(e.length_s)
    late, early = t > 0.6 * after, t < -0.6 * before
    quiet = float(np.mean(np.abs(rows[:, early]) ** 2))
    # with a chirp dits and dahs settle at different phases: line up the part near the edge itself
    near = t > 0.2 * after
    for _ in range(2):
        mean = weighted_sum(amplitude, rows[:, near])
        rows = rows * np.conj(unit_phasors(np.einsum("im,m->i", rows[:, near], np.conj(mean))))[:, None]
    # and their phases part further along: each kind is turned back by its own course
    for kind in (longer, ~longer):
        if kind.sum() >= LEAST_ELEMENTS:
            course = _phase_course(t, weighted_sum(amplitude[kind], rows[kind]))
            rows[kind] *= np.exp(-1j * course)
    # the quadrature part about the average is noise (and the tone's own angle noise)
    turned = rows[:, late] * np.conj(unit_phasors(weighted_sum(amplitude, rows[:, late])))
    noise = 2 * float(np.mean(turned.imag**2))
    density = 0.5 * (noise + quiet) / (2.2 * e.half_band_hz) / float(np.mean(amplitude**2))
    opened, unseen = 0.0, np.inf
    if rising:
        width = 2 * round(0.002 * e.rate_hz) + 1
        opened, unseen = gain_opened(rows[:, t < 0.5 * t[0]], rows[:, t > 0.5 * t[-1]], width)
    return Edge(Average.of(t, rows, amplitude), density, rising, opened, unseen)


def edge_time(e: Edge) -> Figure:
    """10..90 % time of the average edge, with its scatter.

    Noise moves the crossings that the edges are aligned on: that smears the average, while the noise
    at the crossing itself steepens it. Neither is corrected; the sigma holds both, and what a gain
    control that closes during the edge makes uncertain.
    """
    value = e.time()
    if value is None:
        return Figure(None, reason="the edges do not settle within the shortest element and its gap")
    bent = e.gain_doubt_s
    known = e.without_known_gain()
    if known is not None:
        by_noise, tau = known
        # of a gain that was lost within the edge, the tail shows too little
        bent += 0.5 * max(by_noise - value, 0.0) + _UNDONE * e.opened * value * value / (value + tau)
        value = max(value, by_noise)
    sigma = e.average.jackknife(e.time)
    if sigma is None:
        return Figure(None, reason="the edges drown in noise even when averaged")
    blur = 0.65 * (2.563 * e.crossing_sigma_s) ** 2 / value
    sigma = float(np.sqrt(sigma**2 + blur**2 + bent**2 + SHAPE_S**2 + (SHAPE * value) ** 2))
    if bent > 0.35 * value:
        return Figure(None, reason="a gain control closes while the edge rises, and hides its length")
    if sigma > 0.4 * value:
        return Figure(None, reason=f"noise leaves the edges uncertain by {1e3 * sigma:.1f} ms")
    return Figure(value, sigma)


def _ten_to_ninety(t: Real, level: Real) -> float | None:
    """10..90 % time of a curve that rises through half its height near t = 0.

    The height is the settled level; where the curve stands clearly higher at first, it is the peak: the edge
    itself went that far.
    """
    fine_t, fine = _interpolated(t, level)
    low, settled = float(np.mean(level[t < 0.5 * t[0]])), float(np.mean(level[t > 0.5 * t[-1]]))
    if not settled - low > 0.3:
        return None
    width = max(1, round(0.001 / (t[1] - t[0])))
    peak = float(np.convolve(level, np.ones(width) / width, "valid").max())
    ratio = (peak - low) / (settled - low)
    peaked = float(np.clip((ratio - 1.1) / 0.1, 0.0, 1.0))
    high = settled + (peak - settled) * peaked
    shape = (fine - low) / (high - low)
    centre = int(np.argmin(np.abs(fine_t)))
    over = np.flatnonzero(shape[centre:] >= 0.5)
    under = np.flatnonzero(shape[: centre + int(over[0]) + 1] < 0.5) if over.size else over
    if not under.size:
        return None
    k = int(under[-1])
    below, above = np.flatnonzero(shape[: k + 1] <= 0.1), np.flatnonzero(shape[k:] >= 0.9)
    if not below.size or not above.size:
        return None
    start, end = int(below[-1]), k + int(above[0]) - 1
    return _crossing(fine_t, shape, end, 0.9) - _crossing(fine_t, shape, start, 0.1)


def _crossing(t: Real, x: Real, k: int, height: float) -> float:
    a, b = x[k], x[k + 1]
    return float(t[k] + (t[k + 1] - t[k]) * ((height - a) / (b - a) if b != a else 0.5))


def _interpolated(t: Real, x: Real) -> tuple[Real, Real]:
    """Band-limited interpolation by mirroring the curve at its ends."""
    mirrored = np.concatenate([x, x[::-1]])
    spectrum = np.fft.rfft(mirrored)
    wide = np.fft.irfft(spectrum, mirrored.size * _FINE) * _FINE
    m = (x.size - 1) * _FINE + 1
    return np.linspace(t[0], t[-1], m), np.asarray(wide[:m])
