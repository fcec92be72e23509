"""Phase of the tone in blocks, and least squares on it with noise that may be more than additive.

The audio is first summed over short equal *cells* of key-down samples; everything here works on
them, so a day of recording costs no more per second than ten seconds do.

Two kinds of record. Where the oscillator runs on through key-up, its phase (in cycles) is known in
each block and all frequency models are fitted to the phase: that uses the phase across the gaps
and reaches the bound of the whole recording. Where the phase starts afresh at each element only
each element's own frequency (in Hz) is left, and models are fitted to those.

Units: cycles, hertz, seconds. A block of key-down time tau and amplitude A in noise of density N0
(complex, per hertz) knows its phase to N0 / (2 A^2 tau) rad^2.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.track import Baseband, Real

CELL_S = 0.004  # so short that a tone 10 Hz off loses 0.3 % of its power within one
Family = Literal["white", "white-fm", "bounded", "random-walk-fm"]

# How freely the stated noise density may be doubted: as if it had been measured from so many
# independent values (30 are worth a quarter of its value, about a decibel).
_DENSITY_DOF = 30.0
# Before looking: most recordings hold additive noise only, as far as they can show.
_PRIOR: dict[Family, float] = {"white": 0.85, "white-fm": 0.06, "bounded": 0.03, "random-walk-fm": 0.06}
_RATIOS = 10.0 ** np.arange(-1.0, 9.1, 0.5)  # power of the slow noise over the additive one


@dataclass(frozen=True)
class Cells:
    """Key-down sums of ``z`` over short equal stretches; all arrays (m,), cells without key-down left out.

    ``index`` is the cell's number from the start of the recording, ``t`` the mean time of its
    key-down samples, ``seconds`` their duration, ``s`` their sum times the sample interval, so a
    tone of amplitude A gives |s| = A seconds in noise of variance N0 seconds. ``path_cycles`` is
    the phase, less ``path_hz`` t, that was taken out of ``z``.
    """

    length_s: float
    samples: int  # per cell
    total: int  # cells in the recording, empty ones counted
    index: NDArray[np.intp]
    t: Real
    seconds: Real
    s: NDArray[np.complex128]
    path_cycles: Real
    path_hz: float
    noise_density: float

    @property
    def run_start(self) -> NDArray[np.intp]:
        """Position of the first cell of each unbroken stretch of key-down."""
        return np.flatnonzero(np.diff(self.index, prepend=-2) > 1)


    def take(self, chosen: NDArray[np.bool_]) -> Cells:
        """Some of the cells."""
        arrays = {k: getattr(self, k)[chosen] for k in ("index", "t", "seconds", "s", "path_cycles")}
        return replace(self, **arrays)


def cells(base: Baseband, mask: NDArray[np.bool_]) -> Cells:
    """Sum ``base.z`` over cells of 4 ms, where ``mask`` (n,) holds."""
    samples = max(1, round(base.rate_hz * CELL_S))
    n = min(base.z.size, mask.size)
    total = -(-n // samples)
    sums = np.empty(total, np.complex128)
    count = np.empty(total)
    lever = np.empty(total)  # mean sample number within the cell
    step = samples * max(1, (1 << 20) // samples)
    ramp = np.arange(samples, dtype=np.float32)
    for first in range(0, n, step):
        last = min(first + step, n)
        rows = slice(first // samples, -(-last // samples))
        z, down = base.z[first:last] * mask[first:last], mask[first:last].astype(np.float32)
        if (short := -z.size % samples) > 0:
            z, down = np.pad(z, (0, short)), np.pad(down, (0, short))
        down = down.reshape(-1, samples)
        sums[rows] = z.reshape(-1, samples) @ np.ones(samples, np.complex64)
        count[rows] = down.sum(axis=1)
        lever[rows] = down @ ramp
    index = np.flatnonzero(count)
    at = index * samples + lever[index] / count[index]
    path_hz = float(base.path_hz[n // 2]) if n else 0.0
    # A cell where a crash or a rounding left nothing finite is no key-down.
    good = np.isfinite(sums[index])
    index, at = index[good], at[good]
    density = _density(base, sums[index], count[index])
    return Cells(
        length_s=samples / base.rate_hz,
        samples=samples,
        total=total,
        index=index,
        t=at / base.rate_hz,
        seconds=count[index] / base.rate_hz,
        s=sums[index] / base.rate_hz,
        path_cycles=_path_cycles(base, at, path_hz, n),
        path_hz=path_hz,
        noise_density=density,
    )


def _density(base: Baseband, sums: NDArray[np.complex128], count: Real) -> float:
    """The stated noise density, or the rounding of single precision where that is more."""
    power = float(np.mean(np.abs(sums / count) ** 2)) if sums.size else 1.0
    rounding = power * float(np.finfo(np.float32).eps) ** 2 / base.rate_hz
    return max(float(base.noise_density), rounding, 1e-300)


def _path_cycles(base: Baseband, at: Real, mean_hz: float, n: int) -> Real:
    """Phase that was taken out of ``z`` at the fractional samples ``at``, less ``mean_hz`` t.

    The path is integrated by trapezoids, as when ``z`` was made.
    """
    path = base.path_hz[:n]
    if path.size == 0 or float(np.ptp(path)) == 0.0:
        return np.zeros(at.size)
    off = path - mean_hz
    cycles = np.empty(n)
    cycles[0] = 0.0
    np.cumsum(off[1:] + off[:-1], out=cycles[1:])
    low = np.minimum(at.astype(np.intp), max(n - 2, 0))
    part = at - low
    inside = cycles[low] * (1 - part) + cycles[np.minimum(low + 1, n - 1)] * part
    return np.asarray(0.5 * inside / base.rate_hz)


@dataclass(frozen=True)
class Record:
    """Phase (cycles) or frequency (Hz) of the tone in blocks of key-down; all arrays (m,).

    ``y`` is relative to a tone of exactly ``base_hz``. ``t`` is the mean time of the block's
    key-down, ``spread`` its mean square about ``t``, ``first`` and ``last`` its limits. Blocks of
    different ``group`` have no common phase. ``middle_s`` is the mean time of the key-down signal,
    ``start_s`` its beginning: times that the courses of frequency are written from.
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
            group=np.zeros(t.size, np.intp),
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
        if not self.is_phase:
            return np.asarray(np.clip((last - at) / length, 0.0, 1.0))
        inside = 0.5 * np.maximum(last - at, 0.0) ** 2 / length
        return np.asarray(np.where(at <= first, t - at, inside))

    def waves(self, hz: float | Real) -> Real:
        """Frequencies cos and sin(2 pi hz (t - middle)); shape (m, 2)."""
        w = 2 * np.pi * float(np.asarray(hz))
        u = w * (self.t - self.middle_s)
        if not self.is_phase:
            return np.column_stack([np.cos(u), np.sin(u)])
        fade = (1 - 0.5 * w * w * self.spread) / w if np.max(w * w * self.spread) < 1 else 1 / w
        return np.column_stack([np.sin(u) * fade, -np.cos(u) * fade])

    def frequency_weights(self) -> Real:
        """Weights (m,) whose product with ``y`` is the mean frequency over the key-down time.

        Between two blocks of one group the frequency is the phase gained over the time; it is
        carried to the key-down time by straight lines from one such interval to the next, and on at
        both ends.
        """
        out = np.zeros(self.t.size)
        if not self.is_phase:
            return np.asarray(self.seconds / self.seconds.sum())
        pairs = np.flatnonzero(np.diff(self.group) == 0)
        if not pairs.size:
            return out
        middle = 0.5 * (self.t[pairs] + self.t[pairs + 1])
        share = self._interval_shares(middle) if pairs.size > 1 else np.ones_like(middle)
        rate = share / (self.t[pairs + 1] - self.t[pairs])
        np.add.at(out, pairs + 1, rate)
        np.add.at(out, pairs, -rate)
        return out

    def gap_sigma(self) -> float:
        """Uncertainty of the mean frequency from not having heard the tone in the gaps.

        The phase gained over a gap is known, when in it the frequency changed is not: of what it
        departs from a straight course from one interval to the next, up to a quarter may belong to
        the wrong side.
        """
        pairs = np.flatnonzero(np.diff(self.group) == 0) if self.is_phase else np.empty(0, np.intp)
        if pairs.size < 4:
            return 0.0
        apart = np.diff(self.t)[pairs]
        hz = np.diff(self.y)[pairs] / apart
        noise = (self.var[pairs] + self.var[pairs + 1]) / apart**2
        share = self.seconds[pairs[1:-1]] / self.seconds.sum()
        bend = share**2 * np.diff(hz, 2) ** 2
        by_noise = share**2 * (noise[2:] + 4 * noise[1:-1] + noise[:-2])
        left = float(bend.sum() - by_noise.sum() - 3 * np.sqrt(2 * np.sum(by_noise**2)))
        deaf = max(0.0, 1.0 - float(self.seconds.sum()) / max(float(np.sum(self.last - self.first)), 1e-9))
        return float(deaf * 0.25 * np.sqrt(0.5 * max(left, 0.0)))

    def _interval_shares(self, middle: Real) -> Real:
        """How much the mean over the key-down time holds of the values at ``middle``."""
        parts = (np.arange(8) + 0.5) / 8
        t = (self.first[:, None] + (self.last - self.first)[:, None] * parts).ravel()
        weight = np.repeat(self.seconds / (8 * self.seconds.sum()), 8)
        k = np.clip(np.searchsorted(middle, t) - 1, 0, middle.size - 2)
        along = np.clip((t - middle[k]) / (middle[k + 1] - middle[k]), -1.0, 2.0)
        return np.asarray(
            np.bincount(k, weight * (1 - along), middle.size) + np.bincount(k + 1, weight * along, middle.size)
        )


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
    turned = c.s * np.exp(-2j * np.pi * reference)
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
    return _drop_weak(_blocks(c, reference, turned, power, _block_starts(c, wanted, cut), group), c, power)


def frequency_record(c: Cells, phase: Real, *, least_energy: float = 12.0) -> Record:
    """Frequency of each unbroken stretch of key-down by least squares on its own phase.

    ``phase`` (m,) in cycles follows the tone in ``z`` to a fraction of a cycle within each stretch.
    """
    c, phase = _with_path(c, phase)
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
        turned = c.s * np.exp(-2j * np.pi * np.repeat(hz, count) * u)
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
    )
    keep = (energy / (c.noise_density * seconds) > least_energy) & (count >= 3)
    return r.take(keep) if keep.any() else r


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


def _block_starts(c: Cells, wanted: float, cut: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Starts of blocks of ``wanted`` key-down seconds that never reach over a cut."""
    before = np.cumsum(c.seconds) - c.seconds
    part = np.flatnonzero(cut | (np.arange(c.t.size) == 0))
    lengths = np.diff(np.append(part, c.t.size))
    since = before - np.repeat(before[part], lengths)
    inside = np.add.reduceat(c.seconds, part)
    # a remainder shorter than half a block joins the one before it
    blocks = np.maximum(np.floor(inside / wanted + 0.5), 1.0)
    number = np.minimum(np.floor(since / wanted + 1e-6), np.repeat(blocks, lengths) - 1)
    new = np.diff(number, prepend=-1.0) != 0
    new[part] = True
    return np.flatnonzero(new)


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
    y = mean(reference + c.path_cycles) + np.unwrap(np.angle(s)) / (2 * np.pi)
    level = _smooth_power(np.abs(s) ** 2 - c.noise_density * seconds, seconds, power, c.noise_density)
    return Record(
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
    )


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


def _drop_weak(r: Record, c: Cells, power: float) -> Record:
    keep = r.seconds * power / c.noise_density > 4.0
    return r.take(keep) if keep.any() else r


def amplitude_squared(c: Cells, turned: NDArray[np.complex128]) -> float:
    """Typical power of the tone once its phase is taken out: median over up to 200 blocks."""
    size = max(1, -(-c.t.size // 200))
    starts = np.arange(0, c.t.size, size)
    seconds = np.add.reduceat(c.seconds, starts)
    power = (np.abs(np.add.reduceat(turned, starts)) ** 2 - c.noise_density * seconds) / seconds**2
    whole = (abs(turned.sum()) ** 2 / c.seconds.sum() - c.noise_density) / c.seconds.sum()
    tiny = c.noise_density / c.seconds.sum()
    # Weak blocks scatter about the mean, strong ones may be cut by fading: the median serves both.
    return float(max(np.median(power), whole, tiny))


def chirp_fit(
    c: Cells, reference: Real, *, order: int, middle_s: float, group: NDArray[np.intp], tries: int = 4
) -> tuple[Real, Real]:
    """Maximum likelihood of a phase polynomial (one offset per group) directly on the cells.

    Returns ``(coefficients, covariance)`` of frequency (Hz) at ``middle_s``, then drift rate
    (Hz/s) for ``order`` 2, of the audio relative to ``c.path_hz``. The likelihood is that of a tone
    of unknown phase in white noise; its information is amplitude^2 weighted, so fades count little.
    ``reference`` (m,) is the phase in ``z`` in cycles where the search begins: a fraction of a cycle
    from the truth.
    """
    c, reference = _with_path(c, reference)
    amplitude = _cell_amplitude(c, c.s * np.exp(-2j * np.pi * reference))

    def design(t: Real, group: NDArray[np.intp]) -> Real:
        u = t - middle_s
        marks = [np.asarray(group == g, np.float64) for g in np.unique(group)]
        return np.column_stack([*marks, u, 0.5 * u**2][: len(marks) + order])

    fine = design(c.t, group)
    weight = amplitude**2 * c.seconds
    start = np.linalg.solve(fine.T @ (fine * weight[:, None]), fine.T @ (weight * reference))
    turned = c.s * amplitude * np.exp(-2j * np.pi * (fine @ start))
    # What is left turns slowly: it may be summed over blocks, here 10 cells of one group.
    starts = np.flatnonzero((np.arange(c.t.size) % 10 == 0) | (np.diff(group, prepend=group[:1]) != 0))
    total = np.add.reduceat(weight, starts)
    blocks = design(np.add.reduceat(weight * c.t, starts) / total, group[starts])
    rest = np.add.reduceat(turned, starts)
    information = blocks.T @ (blocks * total[:, None])
    step = np.zeros(start.size)
    for _ in range(tries):
        error = np.imag(rest * np.exp(-2j * np.pi * (blocks @ step)))
        step += np.linalg.solve(information, blocks.T @ error) / (2 * np.pi)
    covariance = np.linalg.inv(information) * c.noise_density / 2 / (2 * np.pi) ** 2
    k = start.size - order
    return (start + step)[k:], covariance[k:, k:]


def _with_path(c: Cells, phase: Real) -> tuple[Cells, Real]:
    """Cells and phase with the followed path's own phase put back."""
    if not np.any(c.path_cycles):
        return c, phase
    turned = c.s * np.exp(2j * np.pi * c.path_cycles)
    return replace(c, s=turned, path_cycles=np.zeros(c.t.size)), phase + c.path_cycles


def _cell_amplitude(c: Cells, turned: NDArray[np.complex128]) -> Real:
    """Slow amplitude at the cells from blocks whose own noise is small against it."""
    power = amplitude_squared(c, turned)
    wanted = max(1000.0 * c.noise_density / power, 0.3)
    if wanted > 0.3 * c.seconds.sum():
        return np.full(c.t.size, np.sqrt(power))
    starts = _block_starts(c, wanted, np.zeros(c.t.size, bool))
    seconds = np.add.reduceat(c.seconds, starts)
    level = (np.abs(np.add.reduceat(turned, starts)) ** 2 - c.noise_density * seconds) / seconds**2
    t = np.add.reduceat(c.t * c.seconds, starts) / seconds
    return np.asarray(np.sqrt(np.maximum(np.interp(c.t, t, level), 1e-4 * power)))


@dataclass(frozen=True)
class NoiseFits:
    """Generalised least squares under each noise candidate; arrays over the k candidates.

    ``family`` and ``ratio`` name the candidate; ``beta`` (k, p) and ``cov`` (k, p, p) its solution;
    ``misfit`` -2 log likelihood at the best parameters (for comparing models); ``weight`` the
    candidate's posterior probability; ``scale`` (k,) the additive variance over the stated one.
    """

    family: tuple[Family, ...]
    ratio: Real
    beta: Real
    cov: Real
    misfit: Real
    weight: Real
    scale: Real

    def best(self, *families: Family) -> tuple[int, float]:
        """Candidate of lowest misfit among ``families`` (all if none) and that misfit."""
        ok = np.array([not families or f in families for f in self.family])
        k = int(np.argmin(np.where(ok, self.misfit, np.inf)))
        return k, float(self.misfit[k]) if ok.any() else np.inf

    def probability(self, *families: Family) -> float:
        """Posterior probability of some families."""
        return float(sum(w for f, w in zip(self.family, self.weight, strict=True) if f in families))

    def average(self, which: int) -> tuple[float, float]:
        """Parameter and its sigma, averaged over the candidates by their probability."""
        value = float(self.weight @ self.beta[:, which])
        inner = self.cov[:, which, which] + (self.beta[:, which] - value) ** 2
        return value, float(np.sqrt(self.weight @ inner))


class Noise:
    """Noise candidates for one record: additive, and additive plus one kind of oscillator noise.

    For each kind the covariance is D (1 + ratio K') with the known additive variances D; one
    eigenvalue decomposition makes every ratio and every model a weighted least squares. The
    unknown overall scale is integrated out with a prior about 1, so a few blocks do not make their
    own scatter up and many do.
    """

    def __init__(self, record: Record) -> None:
        self.record = record
        self._root = np.sqrt(record.var)
        self._families: list[tuple[Family, Real, Real, Real]] = []  # name, ratios, eigenvalues, vectors
        m = record.t.size
        self._families.append(("white", np.zeros(1), np.zeros(m), np.eye(m)))
        if m >= 6:
            for name, kernel in _kernels(record):
                self._add(name, kernel)

    def _add(self, name: Family, kernel: Real) -> None:
        k = kernel / np.outer(self._root, self._root)
        x = self.design(1) / self._root[:, None]
        q, _ = np.linalg.qr(x)
        seen = np.trace(k) - np.trace(q.T @ k @ q)  # what the kernel adds beyond a constant frequency
        if not np.isfinite(seen) or seen <= 0:
            return
        values, vectors = np.linalg.eigh(k * (k.shape[0] / seen))
        self._families.append((name, _RATIOS, np.maximum(values, 0.0), vectors))

    @property
    def perfect_misfit(self) -> float:
        """Misfit of a true model in additive noise as stated."""
        m = self.record.t.size
        return float((_DENSITY_DOF + m) * np.log1p(m / _DENSITY_DOF))

    def design(self, order: int) -> Real:
        """Offsets and the first ``order`` of constant, slope and cubic."""
        r = self.record
        columns = [r.constant(), r.slope(), r.cubic()][:order]
        return np.column_stack([r.offsets(), *columns])

    def fits(self, design: Real) -> NoiseFits:
        """Solve ``record.y = design @ beta + noise`` under every candidate."""
        x = design / self._root[:, None]
        y = self.record.y / self._root
        scale = np.maximum(np.sqrt(np.sum(x**2, axis=0)), 1e-300)
        x = x / scale
        start = np.linalg.lstsq(x, y, rcond=None)[0]
        left = y - x @ start
        m, p = x.shape
        names: list[Family] = []
        ratios, betas, covs, misfits, posteriors, scales = [], [], [], [], [], []
        for name, ratio, values, vectors in self._families:
            xf, yf = vectors.T @ x, vectors.T @ left
            w = 1.0 / (1.0 + ratio[:, None] * values[None, :])
            weighted = w[:, :, None] * xf
            normal = xf.T @ weighted
            right = (w * yf) @ xf
            # columns nearly alike (a slow cycle and a slope) stay solvable
            ridge = 1e-12 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(p)
            inverse = np.linalg.inv(normal + ridge)
            step = np.einsum("rpq,rq->rp", inverse, right)
            q = np.maximum(w @ yf**2 - np.sum(step * right, axis=1), 0.0)
            logdet = -np.sum(np.log(w), axis=1)
            spread = (_DENSITY_DOF + q) / (_DENSITY_DOF + max(m - p, 0))
            names += [name] * ratio.size
            ratios.append(ratio)
            betas.append((start + step) / scale)
            covs.append(inverse * spread[:, None, None] / scale[:, None] / scale[None, :])
            misfits.append((_DENSITY_DOF + m) * np.log1p(q / _DENSITY_DOF) + logdet)
            _, det = np.linalg.slogdet(normal)
            det = np.where(np.isfinite(det), det, 0.0)  # two columns alike: no more certain for that
            reml = (_DENSITY_DOF + m - p) * np.log1p(q / _DENSITY_DOF) + logdet + det
            posteriors.append(2 * np.log(_PRIOR[name] / ratio.size) - reml)
            scales.append(spread)
        posterior = np.concatenate(posteriors)
        weight = np.exp(0.5 * (posterior - posterior.max()))
        return NoiseFits(
            family=tuple(names),
            ratio=np.concatenate(ratios),
            beta=np.concatenate(betas),
            cov=np.concatenate(covs),
            misfit=np.concatenate(misfits),
            weight=weight / weight.sum(),
            scale=np.concatenate(scales),
        )

    def _basis(self, family: Family) -> tuple[Real, Real]:
        return next((values, vectors) for name, _, values, vectors in self._families if name == family)

    def smoothed(self, design: Real, fits: NoiseFits, which: int) -> Real:
        """The record's values without their additive noise: best linear prediction under one candidate."""
        values, vectors = self._basis(fits.family[which])
        y = self.record.y / self._root
        rest = y - (design / self._root[:, None]) @ fits.beta[which]
        return np.asarray((y - (vectors / (1.0 + fits.ratio[which] * values)) @ (vectors.T @ rest)) * self._root)

    def realised_mean(self, design: Real, fits: NoiseFits, which: int) -> tuple[float, float]:
        """Mean frequency that the tone really had over the key-down time, and its sigma.

        Where the frequency wanders there is no underlying value to estimate, but what it did is
        known: the best linear prediction of the phase without its additive noise.
        """
        values, vectors = self._basis(fits.family[which])
        inverse = 1.0 / (1.0 + fits.ratio[which] * values)
        x = design / self._root[:, None]
        smooth = self.smoothed(design, fits, which) / self._root
        want = self.record.frequency_weights() * self._root
        xf = vectors.T @ x
        p = inverse[:, None] * xf
        normal = np.linalg.pinv(xf.T @ p, hermitian=True)
        wf = vectors.T @ want
        lost = np.sum(inverse * wf**2) - (wf @ p) @ normal @ (p.T @ wf)
        variance = max(float(want @ want - lost), 0.0) * fits.scale[which]
        return float(want @ smooth), float(np.sqrt(variance))


def _kernels(r: Record) -> list[tuple[Family, Real]]:
    """Covariance shapes of oscillator noise over the record's blocks.

    White frequency noise: the phase is a random walk. Random-walk frequency noise: its integral.
    Bounded: phase (or frequency) that wanders for three blocks' length and comes back, as
    fading and imperfectly averaged hum make it.
    """
    t = r.t - r.first[0]
    low, high = np.minimum(t[:, None], t[None, :]), np.maximum(t[:, None], t[None, :])
    memory = 3.0 * r.span_s / r.t.size
    bounded = np.exp(-np.abs(t[:, None] - t[None, :]) / memory)
    if r.is_phase:
        walk = low**2 * (3 * high - low) / 6
        return [("white-fm", low), ("bounded", bounded), ("random-walk-fm", walk)]
    return [("bounded", bounded), ("random-walk-fm", low)]
