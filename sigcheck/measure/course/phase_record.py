"""Phase of the tone in blocks of key-down, and what a course of the frequency adds to it.

Two kinds of record. Where the oscillator runs on through key-up, its phase (in cycles) is known in
each block and all frequency models are fitted to the phase: that uses the phase across the gaps
and reaches the bound of the whole recording. Where the phase starts afresh at each element only
each element's own frequency (in Hz) is left, and models are fitted to those.

Units: cycles, hertz, seconds. A block of key-down time tau and amplitude A in noise of density N0
(complex, per hertz) knows its phase to N0 / (2 A^2 tau) rad^2.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.audio.cells import Cells, amplitude_squared, block_starts, with_path
from sigcheck.measure.spectrum import phasors
from sigcheck.measure.track import Real

MOST_BLOCKS = 600  # blocks of a record
NOISE_BLOCKS = 120  # to which it is merged where every block is held against every other
_BESIDE = 4  # blocks on either side
_ODD_BLOCK = 5.5  # sigmas: additive noise gets there once in 20 million blocks
_MOST_ODD = 0.05  # of the blocks: more are the oscillator's


@dataclass(frozen=True)
class Record:
    """Phase (cycles) or frequency (Hz) of the tone in blocks of key-down; all arrays (m,).

    ``y`` is relative to a tone of exactly ``base_hz``. ``t`` is the mean time of the block's
    key-down, ``spread`` its mean square about ``t``, ``first`` and ``last`` its limits. Blocks of
    different ``group`` have no common phase. ``middle_s`` is the mean time of the key-down signal,
    ``start_s`` its beginning: times that the courses of frequency are written from. ``runs`` (k, 2) are begin and end
    of each unbroken stretch of key-down; without them a block is taken as key-down throughout.
    """

    is_phase: bool
    base_hz: float
    t: Real
    y: Real
    var: Real
    seconds: Real
    spread: Real
    first: Real
    last: Real
    group: NDArray[np.intp]
    middle_s: float
    start_s: float
    runs: Real = field(default_factory=lambda: np.empty((0, 2)))

    @property
    def span_s(self) -> float:
        """From the first key-down to the last."""
        return float(self.last[-1] - self.first[0]) if self.t.size else 0.0

    def take(self, chosen: NDArray[np.bool_]) -> Record:
        """The record with some blocks only."""
        arrays = {k: getattr(self, k)[chosen] for k in _ARRAYS}
        return replace(self, **arrays)

    def at(self, t: Real) -> Record:
        """A record of frequencies at the times ``t``, on which its courses can be read off."""
        one, zero = np.ones(t.size), np.zeros(t.size)
        return replace(
            self, is_phase=False, t=t, y=zero, var=one, seconds=one, spread=zero, first=t, last=t,
            group=np.zeros(t.size, np.intp), runs=np.empty((0, 2)),
        )  # fmt: skip

    def merged(self, most: int) -> Record:
        """At most about ``most`` blocks, neighbours of one group averaged by their weight."""
        size = -(-self.t.size // most)
        if size <= 1:
            return self
        new = np.diff(self.group, prepend=-1) != 0
        place = np.arange(self.t.size) - np.maximum.accumulate(np.where(new, np.arange(self.t.size), 0))
        starts = np.flatnonzero(place % size == 0)
        w = 1.0 / self.var

        def mean(x: Real) -> Real:
            return np.asarray(np.add.reduceat(w * x, starts) / total)

        total = np.add.reduceat(w, starts)
        t = mean(self.t)
        ends = np.append(starts[1:], self.t.size) - 1
        return replace(
            self,
            t=t,
            y=mean(self.y),
            var=1.0 / total,
            seconds=np.add.reduceat(self.seconds, starts),
            spread=np.maximum(mean(self.spread + self.t**2) - t**2, 0.0),
            first=self.first[starts],
            last=self.last[ends],
            group=self.group[starts],
        )

    # Columns: what a frequency of the given shape adds to y (for phase: its integral, averaged
    # over the block to second order).

    def offsets(self) -> Real:
        """One free phase for each group (none for frequencies), shape (m, groups)."""
        if not self.is_phase:
            return np.empty((self.t.size, 0))
        return np.asarray(self.group[:, None] == np.unique(self.group)[None, :], np.float64)

    def constant(self) -> Real:
        """Frequency 1 Hz."""
        return self.t - self.middle_s if self.is_phase else np.ones(self.t.size)

    def slope(self) -> Real:
        """Frequency t - middle (1 Hz/s)."""
        u = self.t - self.middle_s
        return 0.5 * (u**2 + self.spread) if self.is_phase else u

    def cubic(self) -> Real:
        """Frequency (t - middle)^2."""
        u = self.t - self.middle_s
        return (u**3 + 3 * u * self.spread) / 3 if self.is_phase else u**2

    def decay(self, tau_s: float) -> Real:
        """Frequency exp(-(t - start) / tau)."""
        e = np.exp(-(self.t - self.start_s) / tau_s)
        return np.asarray(-tau_s * e * (1 + 0.5 * self.spread / tau_s**2) if self.is_phase else e)

    def hinges(self, at_s: Real) -> Real:
        """Frequency 1 Hz from each of ``at_s`` (k,) on; shape (m, k)."""
        t, at = self.t[:, None], at_s[None, :]
        first, last = self.first[:, None], self.last[:, None]
        length = np.maximum(last - first, 1e-9)
        if self.is_phase:
            out = np.where(at <= first, t - at, 0.5 * np.maximum(last - at, 0.0) ** 2 / length)
        else:
            out = np.clip((last - at) / length, 0.0, 1.0)
        if self.runs.size:
            block, step = np.nonzero((at > first) & (at < last))
            out[block, step] = self._hinge_inside(at_s[step], self.first[block], self.last[block])
        return np.asarray(out)

    def _hinge_inside(self, at: Real, first: Real, last: Real) -> Real:
        """What 1 Hz from ``at`` (n,) on adds to blocks from ``first`` to ``last``, each around its ``at``.

        To a phase: the mean of t - at over the key-down after it. To a frequency by least squares: of an element of
        length d with the part x of it before the step, 1 - 3 x^2 + 2 x^3, for that is how the slope of a straight
        line follows a bend; elements count by d^3, their information.
        """
        begin, end = self.runs[:, 0], self.runs[:, 1]
        length = end - begin

        def upto(x: Real, whole: Real, part: Callable[[Real, NDArray[np.intp]], Real]) -> Real:
            """Integral up to ``x``: of whole runs before it, and of the part of the run that it lies in."""
            k = np.maximum(np.searchsorted(begin, x, side="right") - 1, 0)
            before = np.append(0.0, np.cumsum(whole))[k]
            return np.asarray(before + part(np.clip(x, begin[k], end[k]), k))

        if not self.is_phase:
            a, b, x = (
                upto(v, length**3, lambda v, k: (v - begin[k]) ** 2 * (3 * length[k] - 2 * (v - begin[k])))
                for v in (first, last, at)
            )
            return np.asarray((b - x) / np.maximum(b - a, 1e-300))
        time = [upto(v, length, lambda v, k: v - begin[k]) for v in (first, last, at)]
        moment = [upto(v, 0.5 * (end**2 - begin**2), lambda v, k: 0.5 * (v**2 - begin[k] ** 2)) for v in (last, at)]
        after = moment[0] - moment[1] - at * (time[1] - time[2])
        return np.asarray(after / np.maximum(time[1] - time[0], 1e-9))

    def waves(self, hz: float | Real) -> Real:
        """Frequencies cos and sin(2 pi hz (t - middle)) of each rate; shape (m, 2), or (m, 2 k) for rates (k,).

        The slope of a straight line through the phase of an element of length d, by least squares, holds
        3 (sin x - x cos x) / x^3 = 1 - x^2 / 10 + ... of a wave, with x = w d / 2.
        """
        w = 2 * np.pi * np.atleast_1d(hz)
        u = (self.t - self.middle_s)[:, None] * w
        cos, sin = np.cos(u), np.sin(u)
        blur = np.broadcast_to(self.spread, self.t.shape)[:, None] * w * w
        if self.is_phase:
            fade = np.where(blur.max(axis=0) < 1, 1 - 0.5 * blur + 0.075 * blur**2, 1.0) / w
            cos, sin = sin * fade, -cos * fade
        else:
            kept = np.maximum(1 - 0.3 * blur + 9 * blur**2 / 280, 0.1)
            cos, sin = cos * kept, sin * kept
        return np.stack([cos, sin], axis=2).reshape(self.t.size, -1)


_ARRAYS = ("t", "y", "var", "seconds", "spread", "first", "last", "group")


def phase_record(
    c: Cells, reference: Real, *, most: int, least_energy: float = 20.0, breaks_s: Real | None = None
) -> Record:
    """Phase of the tone in blocks of equal key-down time.

    Parameters
    ----------
    c : the cells.
    reference : (m,) phase in cycles, continuous, that follows the tone in ``z`` to a fraction of a
        cycle; the blocks' own mean phase beyond it is added.
    most : largest number of blocks.
    least_energy : energy over noise density that each block shall have.
    breaks_s : times at which the phase is known to be broken.
    """
    turned = c.s * phasors(-reference)
    power = amplitude_squared(c, turned)
    wanted = max(c.seconds.sum() / most, least_energy * c.noise_density / power, 2 * c.length_s)
    # Mains hum in the phase averages out over a multiple of 0.1 s: whole cycles of 50 and 60 Hz.
    if wanted > 0.05:
        wanted = 0.1 * np.ceil(wanted / 0.1 - 1e-9)
    group = np.zeros(c.t.size, np.intp)
    if breaks_s is not None and breaks_s.size:
        group = np.searchsorted(breaks_s, c.t)
    gap = np.diff(c.index, prepend=c.index[:1]) * c.length_s
    cut = (gap > np.maximum(6 * wanted, 1.0)) | (np.diff(group, prepend=group[:1]) > 0)
    return _blocks(c, reference, turned, power, block_starts(c, wanted, cut), group)


def frequency_record(c: Cells, phase: Real, *, least_energy: float = 12.0) -> Record:
    """Frequency of each unbroken stretch of key-down by least squares on its own phase.

    ``phase`` (m,) in cycles follows the tone in ``z`` to a fraction of a cycle within each stretch.
    """
    c, phase = with_path(c, phase)
    starts = c.run_start
    count = np.diff(np.append(starts, c.t.size))
    seconds = np.add.reduceat(c.seconds, starts)

    def mean(x: Real) -> Real:
        return np.asarray(np.add.reduceat(c.seconds * x, starts) / seconds)

    t = mean(c.t)
    u = c.t - np.repeat(t, count)
    spread = mean(u**2) + c.length_s**2 / 12
    hz = mean(u * phase) / spread
    for _ in range(3):
        turned = c.s * phasors(-np.repeat(hz, count) * u)
        whole = np.add.reduceat(turned, starts)
        energy = np.maximum(np.abs(whole) ** 2, 1e-300)
        tilt = np.imag(np.add.reduceat(turned * u, starts) * np.conj(whole))
        hz = hz + np.clip(tilt / (energy * spread) / (2 * np.pi), -0.2 / seconds, 0.2 / seconds)
    r = Record(
        is_phase=False,
        base_hz=c.path_hz,
        t=t,
        y=hz,
        var=c.noise_density * seconds / (2 * energy * spread) / (2 * np.pi) ** 2,
        seconds=seconds,
        spread=spread,
        first=c.index[starts] * c.length_s,
        last=(c.index[starts + count - 1] + 1) * c.length_s,
        group=np.zeros(t.size, np.intp),
        middle_s=float(np.average(t, weights=seconds)),
        start_s=float(c.index[0] * c.length_s),
        runs=_runs(c),
    )
    keep = (energy / (c.noise_density * seconds) > least_energy) & (count >= 3)
    return r.take(keep) if keep.any() else r


def _runs(c: Cells) -> Real:
    """Begin and end of each unbroken stretch of key-down, shape (k, 2)."""
    first = c.run_start
    last = np.append(first[1:], c.t.size) - 1
    return np.column_stack([c.t[first] - 0.5 * c.seconds[first], c.t[last] + 0.5 * c.seconds[last]])


def with_breaks_at_gaps(r: Record) -> Record:
    """The record with a new group after each gap too long to count the cycles in it.

    The frequency on both sides predicts the phase gained in between; where
    its uncertainty or its change leaves a good part of a cycle open the count is a guess.
    """
    if not r.is_phase or r.t.size < 3:
        return r
    gap = r.first[1:] - r.last[:-1]
    usual = float(np.median(np.diff(r.t)))
    breaks = np.zeros(r.t.size, np.intp)
    for i in np.flatnonzero((gap > 2 * usual) & (np.diff(r.group) == 0)):
        reach = max(3 * gap[i], 6 * usual)  # as far as a straight line may be trusted
        a, b = np.searchsorted(r.t, [r.last[i] - reach, r.first[i + 1] + reach])
        left, left_sigma = _side_slope(r, slice(a, i + 1))
        right, right_sigma = _side_slope(r, slice(i + 1, b))
        open_cycles = 0.5 * gap[i] * np.hypot(left_sigma, right_sigma)
        bent_cycles = 0.25 * gap[i] * abs(right - left)
        breaks[i + 1] = open_cycles > 0.11 or bent_cycles > 0.15
    return replace(r, group=r.group + np.cumsum(breaks)) if breaks.any() else r


def _side_slope(r: Record, part: slice) -> tuple[float, float]:
    t, y, w = r.t[part], r.y[part], 1.0 / r.var[part]
    if t.size < 2:
        return 0.0, np.inf
    u = t - np.average(t, weights=w)
    lever = float(np.sum(w * u * u))
    slope = float(np.sum(w * u * y)) / lever
    left = y - np.average(y, weights=w) - slope * u
    scatter = max(1.0, float(np.sum(w * left**2)) / max(t.size - 2, 1))
    return slope, float(np.sqrt(scatter / lever))


def groups_of_cells(c: Cells, r: Record) -> NDArray[np.intp]:
    """Group of the block in which (or after which) each cell lies, shape (m,)."""
    return r.group[np.clip(np.searchsorted(r.first, c.t, side="right") - 1, 0, r.t.size - 1)]


def _blocks(
    c: Cells,
    reference: Real,
    turned: NDArray[np.complex128],
    power: float,
    starts: NDArray[np.intp],
    group: NDArray[np.intp],
) -> Record:
    ends = np.append(starts[1:], c.t.size) - 1
    seconds = np.add.reduceat(c.seconds, starts)

    def mean(x: Real) -> Real:
        return np.asarray(np.add.reduceat(c.seconds * x, starts) / seconds)

    t = mean(c.t)
    lengths = np.diff(np.append(starts, c.t.size))
    spread = mean((c.t - np.repeat(t, lengths)) ** 2) + c.length_s**2 / 12
    s = np.add.reduceat(turned, starts)
    level = _smooth_power(np.abs(s) ** 2 - c.noise_density * seconds, seconds, power, c.noise_density)
    heard = _heard(np.abs(s), seconds, level, power, c.noise_density)
    y = mean(reference + c.path_cycles)
    y[heard] += np.unwrap(np.angle(s[heard])) / (2 * np.pi)
    whole = Record(
        is_phase=True,
        base_hz=c.path_hz,
        t=t,
        y=y,
        var=c.noise_density / (2 * level * seconds) / (2 * np.pi) ** 2,
        seconds=seconds,
        spread=spread,
        first=c.index[starts] * c.length_s,
        last=(c.index[ends] + 1) * c.length_s,
        group=group[starts],
        middle_s=float(np.average(t, weights=seconds)),
        start_s=float(c.index[0] * c.length_s),
        runs=_runs(c),
    )
    return without_odd_blocks(whole.take(heard))


def _heard(size: Real, seconds: Real, level: Real, power: float, density: float) -> NDArray[np.bool_]:
    """The blocks in which there is a tone: noise taken for key-down has a phase of its own.

    In units of sqrt(N0 tau) the sum over a block of a tone scatters by 0.7 about its amplitude; one
    less than 0.6 of it and 2.4 sigma short is a mistaken mark, or so deep a fade that it says nothing:
    at an energy of 20 that drops 6 tones in a thousand, and keeps 7 stretches of noise in ten thousand.
    """
    expected = np.sqrt(level * seconds / density)
    own = size / np.sqrt(density * seconds)
    heard = (seconds * power / density > 4.0) & (expected > 1.4) & ~((own < 0.6 * expected) & (expected - own > 1.7))
    return np.asarray(heard if heard.sum() >= 4 else np.ones(size.size, bool))


def without_odd_blocks(r: Record) -> Record:
    """The record less single blocks whose phase is far off the straight line through the four on either side.

    A mark of noise now and then adds up as if it were a tone: its phase is anything. One such block would pass for
    an oscillator that wanders, and a wandering one's mean is far less certain.
    """
    m, n = r.t.size, 2 * _BESIDE + 1
    if m < 2 * n:
        return r
    at = np.clip(np.arange(m) - _BESIDE, 0, m - n)[:, None] + np.arange(n)
    other = at != np.arange(m)[:, None]
    w = other / r.var[at]
    t, y = r.t[at] - r.t[:, None], r.y[at] - r.y[:, None]
    s0, s1, s2 = w.sum(axis=1), (w * t).sum(axis=1), (w * t * t).sum(axis=1)
    y0, y1 = (w * y).sum(axis=1), (w * t * y).sum(axis=1)
    determinant = np.maximum(s0 * s2 - s1 * s1, 1e-300)
    here, slope = (s2 * y0 - s1 * y1) / determinant, (s0 * y1 - s1 * y0) / determinant
    left = y - here[:, None] - slope[:, None] * t
    scatter = np.maximum((w * left**2).sum(axis=1) / (n - 3), 1.0)
    together = (r.group[at] == r.group[:, None]).all(axis=1)
    odd = together & (here**2 > _ODD_BLOCK**2 * scatter * (r.var + s2 / determinant))
    return r.take(~odd) if odd.sum() <= _MOST_ODD * m else r


def _smooth_power(energy: Real, seconds: Real, power: float, density: float) -> Real:
    """Power of the tone in each block, averaged over neighbours until noise moves it little."""
    own = energy / seconds**2
    typical = power * float(np.median(seconds)) / density
    n = min(int(np.ceil(1000.0 / max(typical, 1e-9))), own.size)
    if n > 1:
        kernel = np.ones(2 * (n // 2) + 1)
        pad = n // 2
        total = np.convolve(np.pad(own, pad, mode="edge"), kernel, mode="valid")
        own = total / kernel.size
    return np.maximum(own, 1e-3 * power)
