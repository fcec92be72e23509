"""Mean tone frequency at the physical limit, and the smooth complex carrier that all else is held against.

From coarse to fine, each step needing only what the one before it delivers:

1. each stretch of key-down by itself (its phase need not continue the last one's): the power
   spectrum over +-15 Hz, weak stretches summed with their neighbours, gives frequency against time;
2. with that rotation taken out, the phases of neighbouring elements either line up (the oscillator
   runs on through key-up: *coherent*) or they do not;
3. coherent signals then yield one phase against time through all gaps, others one per element;
4. the mean frequency is a least-squares fit to that phase under the noise that is really there.

A signal too weak for step 1 is taken as one coherent tone of constant frequency or constant drift
rate over the whole recording.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.audio.cells import Cells, chirp_fit, unwrapped
from sigcheck.measure.spectrum import phasors
from sigcheck.measure.track import Real

SEARCH_HZ = 15.0  # how far from the followed path the tone may be
_PIECE_S = 0.1  # shortest stretch looked at by itself: frequency jumps are followed within two
_PIECE_ENERGY = 80.0  # energy over noise density at which a stretch's own peak is beyond doubt
_CLEAR_PEAK = 11.0  # peak over mean noise that noise reaches once in thousands of stretches
_FASTEST_WEAK_RATE = 0.2  # Hz/s, in step with what a path followed in the survey may leave


@dataclass(frozen=True)
class Rough:
    """Phase of the tone in ``z`` in cycles at each cell (m,), continuous, good to a fraction of a cycle or so."""

    phase: Real
    coherent: bool
    power: float  # amplitude squared


def follow(c: Cells, settled: Cells, *, keyed: bool) -> Rough | None:
    """Phase against time, or None where no tone stands out of the noise."""
    power = _power(c)
    if power is None or power * c.seconds.sum() / c.noise_density < 8 * _PIECE_ENERGY:
        return follow_weak(c)
    density = c.noise_density / power  # of amplitude 1
    pieces = _pieces(c, max(_PIECE_S, _PIECE_ENERGY * density))
    hz, usable = _piece_frequency(c, pieces, power, keyed)
    if not usable.any():
        return follow_weak(c)
    phase = _integrate(c, pieces, hz, usable)
    if not keyed or c.run_start.size == 1:
        return Rough(_smoothed(c, pieces, phase, usable, density), True, power)
    lined = _lined_up(c, pieces, phase, usable, density)
    if lined is None or not _runs_on(c, pieces, lined) or not _slopes_agree(settled, c, lined):
        return Rough(_restarted(c, phase), False, power)
    phase = lined
    return Rough(_smoothed(c, pieces, phase, usable, density), True, power)


def _power(c: Cells) -> float | None:
    """Amplitude squared from the power that stands out within +-15 Hz, at the shortest length that shows it."""
    for length in (0.2, 2.0, 20.0):
        p = _pieces(c, length)
        spectrum = _spectra(c, p).mean(axis=0)
        excess = float(spectrum.max()) - 1.0
        # five sigma of the average, and more than a noise density a decibel off would make
        if excess > max(5.0 / np.sqrt(p.starts.size), 0.26):
            return float(excess * c.noise_density / np.mean(p.seconds))
        if length > c.seconds.sum():
            break
    return None


@dataclass(frozen=True)
class _Pieces:
    """Stretches of key-down that are looked at one by one; arrays (k,)."""

    starts: NDArray[np.intp]
    count: NDArray[np.intp]
    seconds: Real
    t: Real
    variance: Real  # mean square of time about t

    def spread_out(self, values: Real) -> Real:
        """One value for each cell."""
        return np.repeat(values, self.count)


def _pieces(c: Cells, longest_s: float) -> _Pieces:
    """Cut each unbroken stretch of key-down into equal pieces no longer than ``longest_s``."""
    run = c.run_start
    length = np.diff(np.append(run, c.t.size))
    parts = np.maximum(np.ceil(length * c.length_s / longest_s - 0.5), 1).astype(np.intp)
    nth = np.arange(parts.sum()) - np.repeat(np.cumsum(parts) - parts, parts)
    starts = np.repeat(run, parts) + (nth * np.repeat(length, parts)) // np.repeat(parts, parts)
    count = np.diff(np.append(starts, c.t.size))
    seconds = np.add.reduceat(c.seconds, starts)
    t = np.add.reduceat(c.seconds * c.t, starts) / seconds
    variance = np.add.reduceat(c.seconds * (c.t - np.repeat(t, count)) ** 2, starts) / seconds
    return _Pieces(starts, count, seconds, t, variance + c.length_s**2 / 12)


def _bins(p: _Pieces, c: Cells) -> tuple[int, NDArray[np.intp], Real]:
    size = 1 << int(np.ceil(np.log2(4 * p.count.max())))
    k = np.arange(-size // 2, size // 2)
    hz = k / (size * c.length_s)
    inside = np.abs(hz) <= SEARCH_HZ
    return size, k[inside] % size, hz[inside]


def _spectra(c: Cells, p: _Pieces) -> Real:
    """Power of each piece over its mean in noise, shape (k, bins) over +-15 Hz."""
    size, chosen, _ = _bins(p, c)
    out = np.empty((p.starts.size, chosen.size))
    rows = max(1, (1 << 20) // size)
    column = np.arange(int(p.count.max()))
    for a in range(0, p.starts.size, rows):
        starts, count = p.starts[a : a + rows, None], p.count[a : a + rows, None]
        x = np.where(column < count, c.s[np.minimum(starts + column, c.t.size - 1)], 0.0)
        out[a : a + rows] = np.abs(np.fft.fft(x, size, axis=1)[:, chosen]) ** 2
    return np.asarray(out / (c.noise_density * p.seconds[:, None]))


def _moving_sum(x: Real, n: int) -> Real:
    """Sum over n neighbours (fewer at the ends) along the first axis."""
    if n <= 1:
        return x
    total = np.concatenate([np.zeros((1, *x.shape[1:])), np.cumsum(x, axis=0)])
    at = np.arange(x.shape[0])
    return np.asarray(total[np.minimum(at + n - n // 2, x.shape[0])] - total[np.maximum(at - n // 2, 0)])


def _piece_frequency(c: Cells, p: _Pieces, power: float, keyed: bool) -> tuple[Real, NDArray[np.bool_]]:
    """Frequency of each piece relative to the path, and which are trustworthy.

    The peak of the (summed) power spectrum is followed by two rounds of least squares on the
    phase within each piece.
    """
    energy = power * float(np.median(p.seconds)) / c.noise_density
    together = int(np.ceil(0.75 * _PIECE_ENERGY / energy))
    if keyed:
        together = max(together, _neighbours(energy))
    together = min(together, max(1, p.starts.size // 3))
    spectra = _moving_sum(_spectra(c, p), together)
    n = _moving_sum(np.ones(p.starts.size), together)
    best = np.argmax(spectra, axis=1)
    hz = _bins(p, c)[2][best]
    peak = spectra[np.arange(best.size), best]
    usable = peak - n > _CLEAR_PEAK + 3.0 * np.sqrt(n - 1)
    u = c.t - p.spread_out(p.t)
    for _ in range(3):
        turned = c.s * phasors(-p.spread_out(hz) * u)
        whole = np.add.reduceat(turned, p.starts)
        tilt = np.imag(np.add.reduceat(turned * u, p.starts) * np.conj(whole))
        lever = np.abs(whole) ** 2 * p.variance
        own = hz + np.clip(tilt / np.maximum(2 * np.pi * lever, 1e-300), -0.5 / p.seconds, 0.5 / p.seconds)
        hz = _moving_sum(lever * own, together) / np.maximum(_moving_sum(lever, together), 1e-300)
    return np.clip(hz, -1.2 * SEARCH_HZ, 1.2 * SEARCH_HZ), usable


def _neighbours(energy: float) -> int:
    """How many elements together predict the next one's phase well enough.

    An element of length d whose energy over noise density is E knows its frequency to
    0.39 / (d sqrt(E)), so n of them predict the phase 2 d on to 0.78 / sqrt(n E) cycles.
    """
    return 1 if energy > 1500.0 else max(10, int(np.ceil(600.0 / energy)))


def _integrate(c: Cells, p: _Pieces, hz: Real, usable: NDArray[np.bool_]) -> Real:
    """Phase in cycles at the cells of a frequency given at the pieces, straight lines between."""
    f = np.interp(c.t, p.t[usable], hz[usable])
    step = 0.5 * (f[1:] + f[:-1]) * np.diff(c.t)
    return np.concatenate([[0.0], np.cumsum(step)])


def _lined_up(c: Cells, p: _Pieces, phase: Real, usable: NDArray[np.bool_], density: float) -> Real | None:
    """The phase with the small frequency put in at which neighbouring pieces add up best.

    Sought in windows of some ten pieces; None where there are too few to tell.
    """
    s = np.add.reduceat(c.s * phasors(-phase), p.starts)
    s, t = s[usable], p.t[usable]
    if t.size < 4:
        return None
    energy = float(np.median(p.seconds)) / density
    width = min(t.size, max(10, _neighbours(energy)))
    first = np.unique(np.minimum(np.arange(0, t.size, max(1, width // 2)), t.size - width))
    rows = first[:, None] + np.arange(width)
    tw, sw = t[rows], s[rows]
    middle = tw.mean(axis=1)
    own = 0.39 * np.sqrt(density / np.median(p.seconds) ** 3 / width)  # Hz, by the pieces' own slopes
    span = float(np.median(tw[:, -1] - tw[:, 0]))
    reach = 4 * own + 0.5 / span
    offsets = np.linspace(-reach, reach, 2 * min(100, int(np.ceil(8 * reach * span))) + 1)
    turns = np.exp(-2j * np.pi * (tw - middle[:, None])[:, :, None] * offsets[None, None, :])
    best = np.argmax(np.abs(np.einsum("wk,wkf->wf", sw, turns)), axis=1)
    hz = np.interp(c.t, middle, offsets[best])
    return np.asarray(phase + np.concatenate([[0.0], np.cumsum(0.5 * (hz[1:] + hz[:-1]) * np.diff(c.t))]))


def _runs_on(c: Cells, p: _Pieces, phase: Real) -> bool:
    """Whether the phase continues from one stretch of key-down to the next.

    The phase steps between the end of one and the beginning of the next are compared; a step that
    is anything from 0 to a cycle leaves no resultant. n random steps have one above r with
    probability exp(-n r^2).
    """
    s = np.add.reduceat(c.s * phasors(-phase), p.starts)
    run = np.searchsorted(c.run_start, p.starts, side="right")
    ends = np.flatnonzero(np.diff(run) > 0)
    gap = p.t[ends + 1] - p.t[ends]
    ends = ends[gap <= 3 * np.median(gap)] if ends.size else ends
    step = s[ends + 1] * np.conj(s[ends])
    root = np.sqrt(np.abs(step))
    if not root.any():
        return False
    resultant = abs(np.sum(step / np.maximum(root, 1e-300))) / root.sum()
    return bool(resultant > 0.7 and np.exp(-ends.size * resultant**2) < 0.01)


def _slopes_agree(settled: Cells, c: Cells, phase: Real) -> bool:
    """Whether the phase runs within the elements as fast as from element to element.

    An oscillator pulled by its keying, or one with a chirp, gains the same phase at each element:
    its elements line up at a frequency that is not the one that it has while the key is down.
    """
    if settled.t.size < 3:
        return True
    p = _pieces(settled, np.inf)
    turned = settled.s * phasors(-np.interp(settled.t, c.t, phase))
    u = settled.t - p.spread_out(p.t)
    whole = np.add.reduceat(turned, p.starts)
    tilt = np.imag(np.add.reduceat(turned * u, p.starts) * np.conj(whole))
    lever = np.abs(whole) ** 2 * p.variance
    within = tilt.sum() / lever.sum()  # rad/s
    scatter = np.sqrt(np.sum((tilt - within * lever) ** 2)) / lever.sum()
    # A filter's swing reaches into the settled part a little: 0.02 rad over an element is no pulling.
    allowed = 0.02 / np.sqrt(12 * float(np.median(p.variance)))
    return bool(abs(within) < 3.5 * scatter + allowed)


def _smoothed(c: Cells, p: _Pieces, phase: Real, usable: NDArray[np.bool_], density: float) -> Real:
    """The phase with the noise of short pieces smoothed out, as far as they are weak."""
    energy = float(np.median(p.seconds)) / density
    n = int(np.ceil(500.0 / energy))
    if n <= 1:
        return phase
    s = np.add.reduceat(c.s * phasors(-phase), p.starts)[usable]
    t = p.t[usable]
    total = np.interp(t, c.t, phase) + unwrapped(s)
    n = min(n | 1, t.size)
    hz = _moving_slope(t, total, n)
    f = np.interp(c.t, t, hz)
    smooth = np.concatenate([[0.0], np.cumsum(0.5 * (f[1:] + f[:-1]) * np.diff(c.t))])
    # the slopes' own errors must not add up: hold on to the phases where they are
    kept = _moving_sum(total - np.interp(t, c.t, smooth), n) / _moving_sum(np.ones(t.size), n)
    return smooth + np.interp(c.t, t, kept)


def _moving_slope(t: Real, y: Real, n: int) -> Real:
    """Least-squares slope over n neighbours."""
    t0, y0 = t - t.mean(), y - y.mean()
    one = _moving_sum(np.ones(t.size), n)
    st, sy = _moving_sum(t0, n), _moving_sum(y0, n)
    sxx = _moving_sum(t0 * t0, n) - st * st / one
    sxy = _moving_sum(t0 * y0, n) - st * sy / one
    return np.asarray(np.where(sxx > 0, sxy / np.where(sxx > 0, sxx, 1.0), 0.0))


def _restarted(c: Cells, phase: Real) -> Real:
    """The phase with each stretch's own offset put in, the step taken between the stretches."""
    run = c.run_start
    s = np.add.reduceat(c.s * phasors(-phase), run)
    offset = unwrapped(s)
    return phase + np.repeat(offset, np.diff(np.append(run, c.t.size)))


def follow_weak(c: Cells) -> Rough | None:
    """One tone over the whole recording, of constant frequency or constant rate."""
    size = max(1, int(0.02 / c.length_s))
    starts = _block_grid(c, size)
    s, seconds = np.add.reduceat(c.s, starts), np.add.reduceat(c.seconds, starts)
    t = np.add.reduceat(c.t * c.seconds, starts) / seconds
    energy = c.noise_density * c.seconds.sum()
    grid = c.index[starts] // size
    n = int(grid[-1] - grid[0]) + 1
    place = grid - grid[0]
    points = 1 << int(np.ceil(np.log2(4 * n)))
    hz = np.fft.fftfreq(points, size * c.length_s)
    inside = np.abs(hz) <= SEARCH_HZ
    span = float(t[-1] - t[0]) or 1.0
    middle = 0.5 * (t[0] + t[-1])
    limit = min(200, int(_FASTEST_WEAK_RATE * span**2))
    rates = np.arange(-limit, limit + 1) / span**2
    peaks = np.empty(rates.size)
    where = np.empty(rates.size)
    x = np.zeros(points, np.complex128)
    for i, rate in enumerate(rates):
        x[:] = 0.0
        x[place] = s * np.exp(-1j * np.pi * rate * (t - middle) ** 2)
        power = np.where(inside, np.abs(np.fft.fft(x)) ** 2, 0.0)
        k = int(np.argmax(power))
        peaks[i], where[i] = power[k] / energy, hz[k]
    still = rates.size // 2
    best = int(np.argmax(peaks))
    # A chirp must beat a constant tone by more than the best of so many trials does by luck.
    if peaks[best] - peaks[still] < np.log(rates.size) + 6.0:
        best = still
    trials = 2 * SEARCH_HZ * span * rates.size
    if peaks[best] < np.log(max(trials, 1.0)) + 7.0:  # noise gets there once in a thousand recordings
        return None
    phase = where[best] * (c.t - middle) + 0.5 * rates[best] * (c.t - middle) ** 2
    turned = c.s * phasors(-phase)
    phase = _polish(c, phase + np.angle(turned.sum()) / (2 * np.pi), middle, 2 if best != still else 1)
    turned = c.s * phasors(-phase)
    power_hat = max(abs(turned.sum()) ** 2 - energy, 0.1 * energy) / c.seconds.sum() ** 2
    return Rough(phase, True, float(power_hat))


def _block_grid(c: Cells, size: int) -> NDArray[np.intp]:
    """Starts of blocks of ``size`` neighbouring cells on the recording's own grid."""
    return np.flatnonzero(np.diff(c.index // size, prepend=-1) != 0)


def _polish(c: Cells, phase: Real, middle: float, order: int) -> Real:
    """The phase polynomial of greatest likelihood near the given one."""
    beta, _ = chirp_fit(c, phase, order=order, middle_s=middle, group=np.zeros(c.t.size, np.intp), tries=8)
    u = c.t - middle
    smooth = beta[0] * u + (0.5 * beta[1] * u**2 if order == 2 else 0.0)
    turned = np.sum(c.s * phasors(-smooth))
    return np.asarray(smooth + np.angle(turned) / (2 * np.pi))
