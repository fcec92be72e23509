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
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.phase_record import (
    Cells,
    Noise,
    NoiseFits,
    Record,
    cells,
    chirp_fit,
    frequency_record,
    groups_of_cells,
    phase_record,
    with_breaks_at_gaps,
)
from sigcheck.measure.track import Baseband, Complex, Marks, Real, Track

SEARCH_HZ = 15.0  # how far from the followed path the tone may be
_PIECE_S = 0.1  # shortest stretch looked at by itself: frequency jumps are followed within two
_PIECE_ENERGY = 80.0  # energy over noise density at which a stretch's own peak is beyond doubt
_CLEAR_PEAK = 11.0  # peak over mean noise that noise reaches once in thousands of stretches
_SMOOTH_S = 0.1  # three running means of this length: nulls at all multiples of 10 Hz
_CARRIER_ENERGY = 100.0  # energy under the smoothing kernel: carrier good to 0.1 of its noise
MOST_BLOCKS = 600
NOISE_BLOCKS = 120
_RARE = 0.05  # a wander less probable than this is not looked into
_RATE_PRETEST = 3.0  # a drift rate below three sigma is taken as none: the mean is then sharper
_FASTEST_WEAK_RATE = 0.2  # Hz/s, in step with what a path followed in the survey may leave


def refine(base: Baseband, marks: Marks) -> Track:
    """Find the exact frequency and the carrier of a signal already followed to within 15 Hz.

    Parameters
    ----------
    base : Baseband
        ``z`` with the tone near 0 Hz.
    marks : Marks
        Its key-down stretches.

    Returns
    -------
    Track
        ``tone_hz`` is the mean audio frequency of the key-down signal: with a steady drift, that at
        the mean time of the key-down. Its sigma holds additive noise (the Cramer-Rao bound) and,
        where the phase shows more, oscillator noise. Where the frequency wanders the mean is what
        it was on average while the key was down. ``tone_missing`` says why where the signal is too
        weak to place; ``tone_hz`` is then the followed path's and the sigma the search range's.
    """
    c = cells(base, marks.down)
    settled = cells(base, marks.settled) if marks.keyed else c
    rough = _follow(c, settled, keyed=marks.keyed) if c.t.size >= 3 else None
    if rough is None:
        return _lost(base, marks)
    follower = _smooth(c, rough)
    carrier = _to_samples(*_at_all_cells(base, c, follower), c.samples, base.z.size)
    tone, sigma = _mean_frequency(c, settled, follower)
    return Track(
        base=base, marks=marks, carrier=carrier, coherent=follower.coherent, tone_hz=tone, tone_hz_sigma=sigma
    )


def _lost(base: Baseband, marks: Marks) -> Track:
    """The track of a signal that noise hides: the path as it was followed, and no more."""
    n = base.z.size
    return Track(
        base=base,
        marks=marks,
        carrier=np.full(n, marks.amplitude or 1.0, np.complex64),
        coherent=False,
        tone_hz=float(np.mean(base.path_hz)) if n else 0.0,
        tone_hz_sigma=SEARCH_HZ / np.sqrt(3.0),
        tone_missing="too little signal above the noise to place the tone's frequency",
    )


@dataclass(frozen=True)
class _Rough:
    """Phase of the tone in ``z`` in cycles at each cell (m,), continuous, good to a fraction of a cycle or so."""

    phase: Real
    coherent: bool
    power: float  # amplitude squared


@dataclass(frozen=True)
class _Follower:
    """Phase (cycles, continuous) and amplitude of the tone in ``z`` at each cell, shape (m,)."""

    phase: Real
    level: Real
    coherent: bool


# --- following ---------------------------------------------------------------------------------


def _follow(c: Cells, settled: Cells, *, keyed: bool) -> _Rough | None:
    """Phase against time, or None where no tone stands out of the noise."""
    power = _power(c)
    if power is None or power * c.seconds.sum() / c.noise_density < 8 * _PIECE_ENERGY:
        return _follow_weak(c)
    density = c.noise_density / power  # of amplitude 1
    pieces = _pieces(c, max(_PIECE_S, _PIECE_ENERGY * density))
    hz, usable = _piece_frequency(c, pieces, power, keyed)
    if not usable.any():
        return _follow_weak(c)
    phase = _integrate(c, pieces, hz, usable)
    if not keyed or c.run_start.size == 1:
        return _Rough(_smoothed(c, pieces, phase, usable, density), True, power)
    lined = _lined_up(c, pieces, phase, usable, density)
    if lined is None or not _runs_on(c, pieces, lined) or not _slopes_agree(settled, c, lined):
        return _Rough(_restarted(c, phase), False, power)
    phase = lined
    return _Rough(_smoothed(c, pieces, phase, usable, density), True, power)


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
        turned = c.s * np.exp(-2j * np.pi * p.spread_out(hz) * u)
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
    s = np.add.reduceat(c.s * np.exp(-2j * np.pi * phase), p.starts)
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
    s = np.add.reduceat(c.s * np.exp(-2j * np.pi * phase), p.starts)
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
    turned = settled.s * np.exp(-2j * np.pi * np.interp(settled.t, c.t, phase))
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
    s = np.add.reduceat(c.s * np.exp(-2j * np.pi * phase), p.starts)[usable]
    t = p.t[usable]
    total = np.interp(t, c.t, phase) + np.unwrap(np.angle(s)) / (2 * np.pi)
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
    s = np.add.reduceat(c.s * np.exp(-2j * np.pi * phase), run)
    offset = np.unwrap(np.angle(s)) / (2 * np.pi)
    return phase + np.repeat(offset, np.diff(np.append(run, c.t.size)))


def _follow_weak(c: Cells) -> _Rough | None:
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
    turned = c.s * np.exp(-2j * np.pi * phase)
    phase = _polish(c, phase + np.angle(turned.sum()) / (2 * np.pi), middle, 2 if best != still else 1)
    turned = c.s * np.exp(-2j * np.pi * phase)
    power_hat = max(abs(turned.sum()) ** 2 - energy, 0.1 * energy) / c.seconds.sum() ** 2
    return _Rough(phase, True, float(power_hat))


def _block_grid(c: Cells, size: int) -> NDArray[np.intp]:
    """Starts of blocks of ``size`` neighbouring cells on the recording's own grid."""
    return np.flatnonzero(np.diff(c.index // size, prepend=-1) != 0)


def _polish(c: Cells, phase: Real, middle: float, order: int) -> Real:
    """The phase polynomial of greatest likelihood near the given one."""
    beta, _ = chirp_fit(c, phase, order=order, middle_s=middle, group=np.zeros(c.t.size, np.intp), tries=8)
    u = c.t - middle
    smooth = beta[0] * u + (0.5 * beta[1] * u**2 if order == 2 else 0.0)
    turned = np.sum(c.s * np.exp(-2j * np.pi * smooth))
    return np.asarray(smooth + np.angle(turned) / (2 * np.pi))


# --- the carrier -------------------------------------------------------------------------------


def _smooth(c: Cells, rough: _Rough) -> _Follower:
    """Phase and amplitude once the noise is smoothed out.

    The rough phase is taken out, the rest smoothed over key-down only, the phase put back. Where
    the phase restarts nothing is smoothed from one element into another.
    """
    rest = c.s * np.exp(-2j * np.pi * rough.phase)
    wanted = _CARRIER_ENERGY * c.noise_density / rough.power
    width = max(_SMOOTH_S, wanted / 1.8)  # three running means of b act as one of 1.8 b
    half = max(1, round(0.5 * width / c.length_s))
    smooth = _smooth_cells(c, rest, half, apart=not rough.coherent)
    phase = rough.phase + np.unwrap(np.angle(smooth)) / (2 * np.pi)
    return _Follower(phase, np.abs(smooth), rough.coherent)


def _at_all_cells(base: Baseband, c: Cells, follower: _Follower) -> tuple[Real, Real]:
    """Phase and amplitude at the middles of all cells, key-up too."""
    middle = (np.arange(c.total) + 0.5) * c.length_s - 0.5 / base.rate_hz
    return _extrapolated(middle, c.t, follower.phase), np.interp(middle, c.t, follower.level)


def _smooth_cells(c: Cells, rest: NDArray[np.complex128], half: int, *, apart: bool) -> NDArray[np.complex128]:
    """Three running means over key-down cells, weighted by what each holds; shape (m,)."""
    place = c.index - c.index[0]
    if apart:
        run = np.zeros(c.t.size, np.intp)
        run[c.run_start] = 1
        place = np.arange(c.t.size) + (np.cumsum(run) - 1) * (6 * half + 3)
    size = int(place[-1]) + 1
    sums = np.zeros(size, np.complex128)
    weight = np.zeros(size)
    sums[place], weight[place] = rest, c.seconds
    for _ in range(3):
        sums, weight = _running_mean(sums, half), _running_mean(weight, half)
    return np.asarray(sums[place] / np.maximum(weight[place], 1e-300))


def _running_mean(x: NDArray[Any], half: int) -> NDArray[Any]:
    """Sum over 2 half + 1 neighbours; beyond the ends there is nothing."""
    total = np.concatenate([np.zeros(half + 1, x.dtype), np.cumsum(x)])
    total = np.concatenate([total, np.full(half, total[-1])])
    return np.asarray(total[2 * half + 1 :] - total[: -(2 * half + 1)])


def _extrapolated(at: Real, t: Real, phase: Real) -> Real:
    """Phase at any time: straight lines between the cells, and on beyond both ends."""
    out = np.interp(at, t, phase)
    n = min(t.size, 50)
    if n > 1:
        head, tail = np.polyfit(t[:n] - t[0], phase[:n], 1)[0], np.polyfit(t[-n:] - t[-1], phase[-n:], 1)[0]
        out = out + head * np.minimum(at - t[0], 0.0) + tail * np.maximum(at - t[-1], 0.0)
    return np.asarray(out)


def _to_samples(cycles: Real, level: Real, samples: int, n: int) -> Complex:
    """Amplitude and phase from cell middle to cell middle by straight lines (exact for a steady rotation).

    With an even number of samples in a cell its middle lies between two of them.
    """
    middle = (samples - 1) // 2 if samples % 2 else samples // 2
    step = np.diff(cycles, prepend=cycles[:1], append=cycles[-1:])
    if cycles.size > 1:
        step[0], step[-1] = step[1], step[-2]
    start = np.concatenate([cycles[:1] - step[:1], cycles])
    start -= np.floor(start)
    height = np.concatenate([level[:1], level])
    rise = np.diff(level, prepend=level[:1], append=level[-1:])
    part = ((np.arange(samples) + (0.0 if samples % 2 else 0.5)) / samples).astype(np.float32)
    out = np.empty((cycles.size + 1, samples), np.complex64)
    rows = max(1, (1 << 20) // samples)
    for a in range(0, cycles.size + 1, rows):
        piece = slice(a, a + rows)
        angle = (2 * np.pi * start[piece, None]).astype(np.float32) + (2 * np.pi * step[piece, None]).astype(
            np.float32
        ) * part
        size = height[piece, None].astype(np.float32) + rise[piece, None].astype(np.float32) * part
        out.real[piece] = size * np.cos(angle)
        out.imag[piece] = size * np.sin(angle)
    return out.ravel()[samples - middle : samples - middle + n]


# --- broken phase ------------------------------------------------------------------------------


@dataclass(frozen=True)
class PhaseJump:
    """An abrupt turn of the phase at an unchanged frequency."""

    time_s: float
    cycles: float  # within half a cycle; whole ones do not show


_JUMP_SIDE_S = 0.2  # how long the phase on either side is compared: whole cycles of mains hum
_JUMP_CYCLES = 0.04  # 0.25 rad: keying and fading turn the phase by less, and lost samples rarely
_JUMP_SIGMAS = 8.0


def phase_jumps(c: Cells, phase: Real) -> tuple[PhaseJump, ...]:
    """Jumps of the phase within unbroken key-down of 0.6 s and more.

    On either side of each moment the phase is compared over 0.2 s, a common frequency taken out. A
    jump must stand far out of the additive noise and of what the phase does elsewhere, must fit
    better than a change of frequency at the same place, and the level must hold through it: in a
    deep fade the phase turns of itself.
    """
    side = max(4, round(_JUMP_SIDE_S / c.length_s))
    runs = np.append(c.run_start, c.t.size)
    found: list[PhaseJump] = []
    for a, b in pairwise(runs):
        if b - a >= 3 * side:
            found += _jumps_in(c.t[a:b], c.s[a:b], c.seconds[a:b], phase[a:b], c.noise_density, side)
    return tuple(found)


def _jumps_in(
    t: Real, s: NDArray[np.complex128], seconds: Real, phase: Real, density: float, side: int
) -> list[PhaseJump]:
    rest = s * np.exp(-2j * np.pi * phase)
    level = float(np.median(np.abs(rest) / seconds))
    sigma = np.sqrt(density / (2 * level**2 * float(np.median(seconds)))) / (2 * np.pi)  # cycles, of one cell
    if sigma > 0.12:  # so noisy that the cells' own phases are ambiguous
        return []
    y = phase + np.unwrap(np.angle(rest)) / (2 * np.pi)
    u = np.arange(side) + 0.5
    n, s1, s2 = 2 * side, 2 * u.sum(), 2 * (u**2).sum()
    weights = 2 * (s2 - s1 * u) / (s2 * n - s1**2)  # of a jump beside a slope, for the later side
    kernel = np.concatenate([weights[::-1] * -1, weights])
    jump = np.correlate(y, kernel, mode="valid")  # at the boundary before cell k + side
    noise = sigma * np.sqrt(float(kernel @ kernel))
    usual = 1.4826 * float(np.median(np.abs(jump)))
    limit = max(_JUMP_SIGMAS * noise, _JUMP_SIGMAS * usual, _JUMP_CYCLES)
    out: list[PhaseJump] = []
    left = np.abs(jump)
    while left.size and left.max() > limit and len(out) < 50:
        k = int(np.argmax(left))
        if _is_clean_jump(y[k : k + 2 * side], np.abs(s[k : k + 2 * side]) / seconds[k : k + 2 * side], jump[k]):
            out.append(PhaseJump(float(0.5 * (t[k + side - 1] + t[k + side])), float(jump[k])))
        left[max(0, k - 2 * side) : k + 2 * side] = 0.0
    return out


def _is_clean_jump(y: Real, level: Real, jump: float) -> bool:
    """Whether a jump explains the phase far better than a kink, and the level holds meanwhile."""
    side = y.size // 2
    u = np.arange(y.size) - y.size / 2 + 0.5
    straight = np.column_stack([np.ones_like(u), u])
    misfits = []
    for shape in (np.sign(u), np.maximum(u, 0.0), u**2):
        design = np.column_stack([straight, shape])
        misfits.append(float(np.sum((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2)))
    middle = level[side - 5 : side + 5].min()
    within = abs((y[side + 1] - y[side - 2]) / jump - 1.0) < 0.5  # the whole of it inside three cells
    return bool(misfits[0] < 0.4 * min(misfits[1:]) and within and middle > 0.4 * np.median(level))


# --- the mean frequency ------------------------------------------------------------------------


def _mean_frequency(c: Cells, settled: Cells, follower: _Follower) -> tuple[float, float]:
    """Mean key-down audio frequency in Hz and its sigma."""
    if not follower.coherent:
        return _mean_of_elements(element_frequencies(c, settled, follower.phase))
    breaks = np.array([jump.time_s for jump in phase_jumps(c, follower.phase)])
    record = with_breaks_at_gaps(phase_record(c, follower.phase, most=MOST_BLOCKS, breaks_s=breaks))
    noise = Noise(record.merged(NOISE_BLOCKS))
    middle_s = noise.record.middle_s
    order, fits = 2, noise.fits(noise.design(2))
    rate, rate_sigma = fits.average(noise.design(2).shape[1] - 1)
    if abs(rate) < _RATE_PRETEST * rate_sigma:
        order, fits = 1, noise.fits(noise.design(1))
    design = noise.design(order)
    column = design.shape[1] - order
    if fits.probability("white") > 0.5:  # additive noise alone: the likelihood of the samples themselves
        group = groups_of_cells(c, record)
        beta, cov = chirp_fit(c, follower.phase, order=order, middle_s=middle_s, group=group)
        fits.beta[0, column] = beta[0]
        fits.cov[0, column, column] = cov[0, 0] * fits.scale[0]
    value, sigma = _with_realised_mean(record, noise, design, fits, column)
    return record.base_hz + value, sigma


def element_frequencies(whole: Cells, settled: Cells, phase: Real) -> Record:
    """Frequency of each element, its edges left out if they pull it.

    ``phase`` (m,) belongs to ``whole``, the cells of the whole elements. Their edges sharpen the
    frequency much, unless a chirp or a filter's swing bends them.
    """
    record = frequency_record(whole, phase)
    if settled.t.size < 3:
        return record
    inner = frequency_record(settled, np.interp(settled.t, whole.t, phase))
    both = [(np.average(r.y, weights=1 / r.var), 1 / np.sum(1 / r.var)) for r in (record, inner)]
    difference = abs(both[0][0] - both[1][0])
    return inner if difference > 3.0 * np.sqrt(max(both[1][1] - both[0][1], 0.0)) else record


def _mean_of_elements(record: Record) -> tuple[float, float]:
    noise = Noise(record.merged(NOISE_BLOCKS))
    design = noise.design(1)
    fits = noise.fits(design)
    value, sigma = _with_realised_mean(record, noise, design, fits, design.shape[1] - 1)
    return record.base_hz + value, sigma


def _with_realised_mean(
    fine: Record, noise: Noise, design: Real, fits: NoiseFits, column: int
) -> tuple[float, float]:
    """Frequency and sigma over all noise candidates, the wandering ones by what the tone really did."""
    share = fits.probability("random-walk-fm")
    values, variances = list(fits.beta[:, column]), list(fits.cov[:, column, column])
    weights = list(fits.weight)
    weights = [0.0 if f == "random-walk-fm" else w for f, w in zip(fits.family, weights, strict=True)]
    if share > _RARE:
        mean, sigma = _realised_mean(fine, noise, design, fits)
        values.append(mean)
        variances.append(sigma**2)
        weights.append(share)
    value = float(np.average(values, weights=weights))
    inner = np.array(variances) + (np.array(values) - value) ** 2
    return value, float(np.sqrt(np.average(inner, weights=weights)))


def _realised_mean(fine: Record, noise: Noise, design: Real, fits: NoiseFits) -> tuple[float, float]:
    """Mean frequency that a wandering tone had while the key was down.

    From the fine blocks as they are, or from the merged ones freed of noise but blurred, whichever
    is the more certain.
    """
    weights = fine.frequency_weights()
    direct = float(weights @ fine.y)
    noise_sigma = float(np.sqrt(weights**2 @ fine.var))
    direct_sigma = np.hypot(noise_sigma, fine.gap_sigma())
    k, _ = fits.best("random-walk-fm")
    smooth, sigma = noise.realised_mean(design, fits, k)
    merged = float(noise.record.frequency_weights() @ noise.record.y)
    blur = max(abs(merged - direct) - 2 * noise_sigma, 0.0)
    smooth_sigma = float(np.sqrt(sigma**2 + blur**2 + noise.record.gap_sigma() ** 2))
    return (direct, float(direct_sigma)) if direct_sigma <= smooth_sigma else (smooth, smooth_sigma)
