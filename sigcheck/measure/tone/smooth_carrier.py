"""The smooth complex carrier that all else is held against."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.audio.cells import Cells, unwrapped
from sigcheck.measure.spectrum import phasors
from sigcheck.measure.tone.following import Rough
from sigcheck.measure.track import Baseband, Complex, Real, Track

_SMOOTH_S = 0.1  # three running means of this length: nulls at all multiples of 10 Hz
_CARRIER_ENERGY = 100.0  # energy under the smoothing kernel: carrier good to 0.1 of its noise


@dataclass(frozen=True)
class Follower:
    """Phase (cycles, continuous) and amplitude of the tone in ``z`` at each cell, shape (m,)."""

    phase: Real
    level: Real
    coherent: bool


def smooth(c: Cells, rough: Rough) -> Follower:
    """Phase and amplitude once the noise is smoothed out.

    The rough phase is taken out, the rest smoothed over key-down only, the phase put back. Where
    the phase restarts nothing is smoothed from one element into another.
    """
    rest = c.s * phasors(-rough.phase)
    wanted = _CARRIER_ENERGY * c.noise_density / rough.power
    width = max(_SMOOTH_S, wanted / 1.8)  # three running means of b act as one of 1.8 b
    half = max(1, round(0.5 * width / c.length_s))
    smooth = _smooth_cells(c, rest, half, apart=not rough.coherent)
    phase = rough.phase + unwrapped(smooth)
    return Follower(phase, np.abs(smooth), rough.coherent)


def at_all_cells(base: Baseband, c: Cells, follower: Follower) -> tuple[Real, Real]:
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


def to_samples(cycles: Real, level: Real, samples: int, n: int) -> Complex:
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
    rows = max(1, (1 << 18) // samples)
    for a in range(0, cycles.size + 1, rows):
        piece = slice(a, a + rows)
        angle = (2 * np.pi * start[piece, None]).astype(np.float32) + (2 * np.pi * step[piece, None]).astype(
            np.float32
        ) * part
        size = height[piece, None].astype(np.float32) + rise[piece, None].astype(np.float32) * part
        out.real[piece] = size * np.cos(angle)
        out.imag[piece] = size * np.sin(angle)
    return out.ravel()[samples - middle : samples - middle + n]


def carrier_cycles(c: Cells, track: Track) -> Real:
    """Phase of the carrier at the cells in cycles, continuous."""
    at = np.minimum(np.arange(c.total) * c.samples + c.samples // 2, track.carrier.size - 1)
    cycles = unwrapped(track.carrier[at])
    return np.asarray(np.interp(c.t, at / track.base.rate_hz, cycles))
