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
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.keying_ripple import Ripple, ripple
from sigcheck.measure.levels import pyramid
from sigcheck.measure.track import Complex, Mask, Real, Track

Rows = NDArray[np.complex128]
Index = NDArray[np.intp]

_MOST_ELEMENTS = 240  # evenly over the recording: more would sharpen nothing that matters
LEAST_ELEMENTS = 4
_GROUPS = 8
_LIKE_NEIGHBOURS = 16  # elements over which a tone is smooth
_HALF_BAND_HZ = 1000.0  # widest band that edges are looked at in
_FINE = 8  # the averaged edge is interpolated to so many points per sample
_RAISED = 0.03  # of the settled level: a level that far over it shows a gain control or a sagging supply
# What the shape of the filter in its band makes uncertain (compared with exact filters): share, and seconds
SHAPE, SHAPE_S = 0.015, 3e-5
_CLEAR = 6.0  # amplitude over rms noise at which a half-amplitude crossing is beyond doubt
_FASTEST_CONTROL_S = 0.0005  # a control that closes faster would follow the audio itself (common practice, no source)
_LEAST_OPENED = 0.03  # a quarter of a decibel: less moves an edge by less than its shape is known
_UNDONE = 0.5  # rise lost over gain lost in it, as far as it can't be undone (simulated: attacks of 1 to 30 ms)
# Overshoot of the filters of receivers, over the settled level, and how long it lasts over the rise (Butterworth,
# Chebyshev and elliptic filters of order 2 to 6, the tone in their middle or off it: 0.2, 0.5 in one of twenty)
_RINGS_BY, _RINGS_FOR = 1.2, 0.7
_UNEVEN = 1.3  # scatter of crossings over that of white noise on a straight edge (simulated keying: 1.1 to 1.8)
_FOLLOWED = 5.0  # amplitude over rms noise at which an average's phase is its own


@dataclass(frozen=True)
class Figure:
    """One measured number; ``value`` is None where ``reason`` says why."""

    value: float | None
    sigma: float | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Elements:
    """Whole elements (first and last not cut), and the baseband about them.

    ``z`` (samples,) at ``rate_hz`` holds the tone near 0 Hz; ``on_s``, ``off_s`` (n,) half-amplitude
    crossings; ``hz`` (n,) each element's settled frequency and ``settled`` (n,) its complex amplitude,
    referred to its middle; ``short_gap`` (n,) whether the gap before it is one inside a character.
    """

    z: Complex
    rate_hz: float
    half_band_hz: float
    on_s: Real
    off_s: Real
    hz: Real
    settled: Rows
    short_gap: Mask
    ripple: Ripple | None = None

    @property
    def length_s(self) -> Real:
        """Key-down time of each, shape (n,)."""
        return np.asarray(self.off_s - self.on_s)

    @property
    def smooth_hz(self) -> Real:
        """Frequencies averaged over some 16 elements."""
        width = min(16, self.hz.size)
        padded = np.pad(self.hz, (width // 2, width - 1 - width // 2), mode="edge")
        return np.convolve(padded, np.ones(width) / width, "valid")

    @property
    def shortest_s(self) -> float:
        """Length of a typical short element."""
        return float(np.quantile(self.length_s, 0.15))

    def chosen(self, use: Mask) -> Elements:
        """Some of them."""
        return replace(
            self,
            on_s=self.on_s[use],
            off_s=self.off_s[use],
            hz=self.hz[use],
            settled=self.settled[use],
            short_gap=self.short_gap[use],
            ripple=None if self.ripple is None else self.ripple.chosen(use),
        )

    def cut(self, at_s: Real, before_s: float, after_s: float) -> tuple[Real, Rows]:
        """Stretches about times (n,): (t (m,), rows (n, m)), settled phase, frequency and ripple taken out.

        Row i holds z(at_i + t) turned by element i's own phase, amplitudes as they are but for ripple.
        """
        margin = 8.0 / self.half_band_hz
        first = np.floor((at_s - before_s - margin) * self.rate_hz).astype(np.intp)
        count = int(np.ceil((before_s + after_s + 2 * margin) * self.rate_hz)) + 2
        size = _round_size(count)
        index = first[:, None] + np.arange(size)
        rows = np.where((index >= 0) & (index < self.z.size), self.z[np.clip(index, 0, self.z.size - 1)], 0)
        ahead = (at_s - before_s) * self.rate_hz - first  # samples from the row's first to where t starts
        f = np.fft.fftfreq(size)
        spectra = np.fft.fft(rows, axis=1)
        spectra *= _low_pass(f * self.rate_hz, self.half_band_hz).astype(np.float32)
        spectra *= _turn(2 * np.pi * f * ahead[:, None])
        m = int(np.floor((before_s + after_s) * self.rate_hz)) + 1
        t = np.arange(m) / self.rate_hz - before_s
        since_middle = at_s[:, None] + t - 0.5 * (self.on_s + self.off_s)[:, None]
        out = np.fft.ifft(spectra, axis=1)[:, :m] * _turn(-2 * np.pi * self.hz[:, None] * since_middle)
        if self.ripple is not None:
            out = out / self.ripple.gain(at_s[:, None] + t)
        return t, np.asarray(out * np.conj(_unit(self.settled))[:, None], np.complex128)


def _turn(angle: NDArray[Any]) -> Complex:
    """exp(j angle) in single precision, good to 1e-5 for angles of some 100 rad."""
    single = angle.astype(np.float32)
    out = np.empty(angle.shape, np.complex64)
    out.real, out.imag = np.cos(single), np.sin(single)
    return out


def elements(track: Track, dit_s: float, inside: Mask | None) -> Elements | None:
    """Whole elements of a keyed signal, or None where there are too few.

    ``inside`` (n_marks - 1,): which gaps lie inside a character, where that is known.
    """
    marks, base = track.marks, track.base
    z, rate = base.z, base.rate_hz
    first_s = 0.0
    if dit_s > 0.5:  # slow keying needs no 6000 samples a second
        level = next(v for v in reversed(pyramid(z, rate)) if v.cell_s <= dit_s / 200 or v.cell_s < 0.002)
        z, rate, first_s = level.z, 1 / level.cell_s, level.first_s
    short = np.ones(marks.on_s.size, bool)
    if inside is not None:
        short[1:] = inside
        short[0] = False
    whole = np.ones(marks.on_s.size, bool)
    whole[0] &= not marks.cut_start
    whole[-1] &= not marks.cut_end
    index = np.flatnonzero(whole)
    if index.size > _MOST_ELEMENTS:
        index = index[np.linspace(0, index.size - 1, _MOST_ELEMENTS).astype(int)]
    on, off = marks.on_s[index] - first_s, marks.off_s[index] - first_s
    low, high = base.passband_hz
    reach = max(track.tone_hz - low, high - track.tone_hz, 50.0)
    half = min(_HALF_BAND_HZ, 1.1 * reach, 0.4 * rate)
    hz = _sharper_hz(z, rate, on, off, _settled_hz(track, on + first_s, off + first_s), base.noise_density)
    longer = longer_ones(off - on)
    if longer.sum() >= LEAST_ELEMENTS:  # a short element may end before its frequency has settled
        hz = np.interp(on, on[longer], hz[longer])
    settled = _settled_amplitude(z, rate, on, off, hz)
    swing = ripple(z, rate, on, off)
    out = Elements(z, rate, half, on, off, hz, settled, short[index], swing)
    out = out.chosen(np.abs(settled) > 0.25 * np.median(np.abs(settled)))
    return out if out.on_s.size >= LEAST_ELEMENTS else None


def longer_ones(length_s: Real) -> Mask:
    """The dahs, where there are any."""
    return np.asarray(length_s > 0.65 * np.quantile(length_s, 0.9))


def _settled_hz(track: Track, on: Real, off: Real) -> Real:
    """Frequency in ``z`` over the last 40 % of each element, from the phase of the carrier."""
    rate, carrier = track.base.rate_hz, track.carrier
    a = np.clip(np.round((off - 0.4 * (off - on)) * rate).astype(np.intp), 0, carrier.size - 2)
    b = np.clip(np.round((off - 0.1 * (off - on)) * rate).astype(np.intp), a + 1, carrier.size - 1)
    middle = (a + b) // 2
    first = np.angle(carrier[middle] * np.conj(carrier[a])) / np.maximum(middle - a, 1)
    second = np.angle(carrier[b] * np.conj(carrier[middle])) / np.maximum(b - middle, 1)
    share = (middle - a) / (b - a)
    return np.asarray((first * share + second * (1 - share)) * rate / (2 * np.pi), np.float64)


def _sharper_hz(z: Complex, rate: float, on: Real, off: Real, hz: Real, noise_density: float) -> Real:
    """The same from the elements' own later parts: where the tone chirps, the carrier's phase turns along with it.

    The carrier's phase between the two halves of a part gives what is left, smooth over the elements but for
    as much as the noise does not explain.
    """
    length = off - on
    halves = [_mean_between(z, rate, on, off, hz, off - share * length, 0.16 * length) for share in (0.44, 0.28)]
    apart = 0.16 * length
    left = np.angle(halves[1] * np.conj(halves[0])) / (2 * np.pi * apart)
    power = np.maximum(np.abs(halves[0] * halves[1]), 1e-30)
    variance = noise_density / (power * 0.16 * length) / (2 * np.pi * apart) ** 2
    weight = 1 / (variance + 1e-9)
    window = np.ones(min(_LIKE_NEIGHBOURS, hz.size))
    smooth = np.convolve(weight * (left + hz), window, "same") / np.convolve(weight, window, "same")
    off_smooth = left + hz - smooth
    excess = max(float(np.median(off_smooth**2)) / 0.455 - float(np.median(variance)), 0.0)  # of chi-squared
    return np.asarray(smooth + excess / (excess + variance + 1e-12) * off_smooth)


def _mean_between(z: Complex, rate: float, on: Real, off: Real, hz: Real, start_s: Real, length_s: Real) -> Rows:
    """Mean of each element over a part of it, its frequency taken out and its phase referred to its middle."""
    count = np.maximum(np.round(length_s * rate), 2)
    index = np.round(start_s * rate).astype(np.intp)[:, None] + np.arange(int(count.max()))
    use = np.arange(int(count.max())) < count[:, None]
    rows = np.where(use, z[np.clip(index, 0, z.size - 1)], 0)
    turn = _turn(-2 * np.pi * hz[:, None] * (index / rate - 0.5 * (on + off)[:, None]))
    return np.asarray((rows * turn).sum(axis=1) / use.sum(axis=1), np.complex128)


def _settled_amplitude(z: Complex, rate: float, on: Real, off: Real, hz: Real) -> Rows:
    """Mean of each element over its later part, its frequency taken out."""
    length = off - on
    return _mean_between(z, rate, on, off, hz, off - 0.55 * length, 0.4 * length)


def _mix(weight: Real, rows: Rows) -> Rows:
    """Weighted sum of rows (einsum: threads of a matrix library cost more than they save here)."""
    return np.asarray(np.einsum("i,im->m", weight, rows))


def _unit(x: Rows) -> Rows:
    return x / np.maximum(np.abs(x), 1e-30)


def _round_size(n: int) -> int:
    """Next length made of twos, threes and fives."""
    while True:
        k = n
        for p in (2, 3, 5):
            while k % p == 0:
                k //= p
        if k == 1:
            return n
        n += 1


def _low_pass(hz: NDArray[Any], half_band_hz: float) -> Real:
    """Flat to the band's edge, then a raised cosine to nothing a fifth further out."""
    over = np.clip((np.abs(hz) - half_band_hz) / (0.2 * half_band_hz), 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * over))


# --- edges -------------------------------------------------------------------------------------


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
                sums[g], weights[g] = _mix(a, rows[g::groups]), np.sum(a**2)
            else:
                sums[g] = _mix(a, np.where(inside[g::groups], rows[g::groups], 0.0))
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
        :func:`_without_gain`.
        """
        t = self.average.t
        mean = self.average.mean() if mean is None else mean
        level = np.asarray((mean * np.exp(-1j * _phase_course(t, mean))).real)
        if not self.rising:
            return _ten_to_ninety(t, level)
        ringing_s = 0.0 if self.opened else _RINGS_FOR * (_ten_to_ninety(t, level) or 0.0)
        return _ten_to_ninety(t, _without_gain(t, level, gain_undone, self.unseen, ringing_s))

    def without_known_gain(self) -> tuple[float, float] | None:
        """Rise by the gain that the noise told, and the control's time constant that goes with it, in seconds.

        A control that closes within the edge leaves no tail to see its time constant by; but all that it lost
        on the way is the excess of the level over the settled one over that constant.
        """
        t, level = self.average.t, self._in_phase()
        seen = _excess(t, level, 0.5)
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
    phase = np.unwrap(np.angle(smooth[settled]))
    near = slice(0, max(4, round(0.006 / step)))
    slope, start = np.polyfit(t[settled][near], phase[near], 1)
    out = np.empty(t.size)
    out[settled] = phase
    out[: settled[0]] = start + slope * np.maximum(t[: settled[0]], -0.01)
    early = x[t < 0.5 * t[0]]
    if early.size:
        noise = float(np.std(early)) / np.sqrt(width)
        heard = np.abs(smooth[: settled[0]]) > max(_FOLLOWED * noise, 1e-3 * float(np.abs(smooth[-1])))
        silent = np.flatnonzero(~heard)
        first = int(silent[-1]) + 1 if silent.size else 0
        back = np.unwrap(np.angle(smooth[first : settled[0] + 1])[::-1])[::-1]
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
        mean = _mix(amplitude, rows[:, near])
        rows = rows * np.conj(_unit(np.einsum("im,m->i", rows[:, near], np.conj(mean))))[:, None]
    # and their phases part further along: each kind is turned back by its own course
    for kind in (longer, ~longer):
        if kind.sum() >= LEAST_ELEMENTS:
            course = _phase_course(t, _mix(amplitude[kind], rows[kind]))
            rows[kind] *= np.exp(-1j * course)
    # the quadrature part about the average is noise (and the tone's own angle noise)
    turned = rows[:, late] * np.conj(_unit(_mix(amplitude, rows[:, late])))
    noise = 2 * float(np.mean(turned.imag**2))
    density = 0.5 * (noise + quiet) / (2.2 * e.half_band_hz) / float(np.mean(amplitude**2))
    opened, unseen = 0.0, np.inf
    if rising:
        width = 2 * round(0.002 * e.rate_hz) + 1
        opened, unseen = _gain_opened(rows[:, t < 0.5 * t[0]], rows[:, t > 0.5 * t[-1]], width)
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


def _without_gain(t: Real, level: Real, law: float, most: float = np.inf, ringing_s: float = 0.0) -> Real:
    """A rise without the closing of a gain control, which has opened in the gap before it.

    The control closes at a rate that goes with how far its output stands above the settled level: with the
    logarithm of that in a loop that works in decibels (``law`` 1), with the level itself in a linear one
    (``law`` 0). So the logarithm of the gain still to be lost is the integral of the output's excess from now
    on, over the control's time constant; and that follows from the tail, where the edge is over and all of
    the excess is gain. A level that sags by itself after the edge is taken off in the same way. A peak above
    ``most`` (logarithm of a gain) is none of a gain control: the noise would have shown it. A low one that is gone
    within ``ringing_s`` is what a filter makes of an edge.
    """
    seen = _excess(t, level, law)
    if seen is None:
        return level
    y, to_come, settled = seen
    step, peak = t[1] - t[0], int(np.argmax(y))
    late = (t > 0.6 * t[-1]) & (t < 0.95 * t[-1])
    if y[peak] < 1 + max(_RAISED, 5 * float(np.std(y[late]))) or t[peak] > 0.4 * t[-1]:
        return level
    if np.log(y[peak]) > most:
        return level
    # a filter's ringing swings about the settled level: its excess comes to nothing
    short_s = max(0.001, 0.3 * t[peak], ringing_s * (y[peak] < _RINGS_BY))
    if to_come[peak] < short_s * np.log(y[peak]):
        return level
    out = level
    # the edge is over at the peak of what comes out once the gain is taken off: not before its own peak
    over = peak
    for _ in range(4):
        tau = to_come[over] / max(float(np.log(y[over])), 1e-3)
        out = level * np.exp(-to_come / max(tau, 2 * step))
        reached = np.flatnonzero(out[peak:] >= 0.98 * settled)
        nearer = peak + int(reached[0]) if reached.size else peak
        if nearer <= over or np.log(y[nearer]) < 0.3 * np.log(y[peak]):
            break
        over = nearer
    return np.asarray(out)


def _excess(t: Real, level: Real, law: float) -> tuple[Real, Real, float] | None:
    """What stands above the settled level: (level over it, smooth; its excess still to come in seconds; that level).

    None where the edge does not settle.
    """
    step = t[1] - t[0]
    width = max(1, round(0.001 / step))
    smooth = np.convolve(level, np.ones(width) / width, "same")
    settled = float(np.mean(level[t > 0.6 * t[-1]]))
    if settled < 0.3:
        return None
    y = np.maximum(smooth / settled, 0.1)
    y[t > 0.9 * t[-1]] = 1.0  # the ends of a running mean
    before = slice(0, int(np.argmax(y)))
    y[before] = np.maximum(y[before], 1.0)  # while the edge is under way, gain is lost above the level alone
    excess = law * np.log(y) + (1 - law) * (y - 1)
    return y, np.asarray(np.cumsum(excess[::-1])[::-1] * step), settled


def _gain_opened(before: Rows, after: Rows, width: int) -> tuple[float, float]:
    """Logarithm of the amplitude gain before an edge over that after it, by the noise (n, m) of single elements.

    The noise at more than some 200 Hz from the tone: neither backwave nor hum nor a chirp reaches there. 0 where it
    shows none; then the second is the most that it can have been, infinite where the tone's own noise hides it.
    """
    powers, squares = [], []
    for rows in (before, after):
        if rows.shape[1] < 2 * width or len(rows) < LEAST_ELEMENTS:
            return 0.0, np.inf
        rows = rows - rows.mean(axis=0)  # a filter's ringing is the same in all of them
        total = np.cumsum(np.pad(rows, ((0, 0), (1, 0))), axis=1)
        means = (total[:, width:] - total[:, :-width]) / width
        lead = (width - 1) // 2
        each = np.mean(np.abs(rows[:, lead : lead + means.shape[1]] - means) ** 2, axis=1)
        powers.append(max(float(each.mean()), 1e-30))
        squares.append(float(each.var()) / len(rows) / powers[-1] ** 2)
    sigma = 0.5 * float(np.sqrt(sum(squares)))
    opened = 0.5 * float(np.log(powers[0] / powers[1]))
    if opened > max(3 * sigma, _LEAST_OPENED):
        return opened, np.inf
    return 0.0, max(opened, 0.0) + 3 * sigma if opened > -3 * sigma else np.inf


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
