"""Key-down audio summed over short equal cells: what all frequency work stands on.

A day of recording costs no more per second than ten seconds do. Units: cycles, hertz, seconds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.spectrum import phasors
from sigcheck.measure.track import Baseband, Real

CELL_S = 0.004  # so short that a tone 10 Hz off loses 0.3 % of its power within one


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
        z, down = base.z[first:last], mask[first:last].astype(np.float32)
        if not mask[first:last].all():
            z = z * mask[first:last]
        if (short := -z.size % samples) > 0:
            z, down = np.pad(z, (0, short)), np.pad(down, (0, short))
        down = down.reshape(-1, samples)
        sums[rows] = z.reshape(-1, samples) @ np.ones(samples, np.complex64)
        count[rows] = down @ np.ones(samples, np.float32)
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
        path_cycles=path_cycles(base, at, path_hz, n),
        path_hz=path_hz,
        noise_density=density,
    )


def _density(base: Baseband, sums: NDArray[np.complex128], count: Real) -> float:
    """The stated noise density, or the rounding of single precision where that is more."""
    power = float(np.mean(np.abs(sums / count) ** 2)) if sums.size else 1.0
    rounding = power * float(np.finfo(np.float32).eps) ** 2 / base.rate_hz
    return max(float(base.noise_density), rounding, 1e-300)


def path_cycles(base: Baseband, at: Real, mean_hz: float, n: int) -> Real:
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


def unwrapped(z: NDArray[Any]) -> Real:
    """Phase of complex values (n,) in cycles, continuous."""
    cycles = np.angle(z).astype(np.float64) / (2 * np.pi)
    cycles[1:] -= np.cumsum(np.round(np.diff(cycles)))
    return np.asarray(cycles)


def with_path(c: Cells, phase: Real) -> tuple[Cells, Real]:
    """Cells and phase with the followed path's own phase put back."""
    if not np.any(c.path_cycles):
        return c, phase
    turned = c.s * phasors(c.path_cycles)
    return replace(c, s=turned, path_cycles=np.zeros(c.t.size)), phase + c.path_cycles


def block_starts(c: Cells, wanted: float, cut: NDArray[np.bool_]) -> NDArray[np.intp]:
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
    c: Cells, reference: Real, *, order: int, middle_s: float, group: NDArray[np.intp], tries: int = 12
) -> tuple[Real, Real]:
    """Maximum likelihood of a phase polynomial (one offset per group) directly on the cells.

    Returns ``(coefficients, covariance)`` of frequency (Hz) at ``middle_s``, then drift rate
    (Hz/s) for ``order`` 2, of the audio relative to ``c.path_hz``. The likelihood is that of a tone
    of unknown phase in white noise; its information is amplitude^2 weighted, so fades count little.
    ``reference`` (m,) is the phase in ``z`` in cycles where the search begins: a fraction of a cycle
    from the truth.
    """
    c, reference = with_path(c, reference)
    amplitude = cell_amplitude(c, c.s * phasors(-reference))

    def design(t: Real, group: NDArray[np.intp]) -> Real:
        u = t - middle_s
        marks = [np.asarray(group == g, np.float64) for g in np.unique(group)]
        return np.column_stack([*marks, u, 0.5 * u**2][: len(marks) + order])

    fine = design(c.t, group)
    weight = amplitude**2 * c.seconds
    start = np.linalg.solve(fine.T @ (fine * weight[:, None]), fine.T @ (weight * reference))
    turned = c.s * amplitude * phasors(-(fine @ start))
    # What is left turns slowly: it may be summed over blocks, here 10 cells of one group.
    starts = np.flatnonzero((np.arange(c.t.size) % 10 == 0) | (np.diff(group, prepend=group[:1]) != 0))
    total = np.add.reduceat(weight, starts)
    blocks = design(np.add.reduceat(weight * c.t, starts) / total, group[starts])
    rest = np.add.reduceat(turned, starts)
    information = blocks.T @ (blocks * total[:, None])
    step = np.zeros(start.size)
    groups = start.size - order
    # the phases first: half a turn off the error would seem to be none
    step[:groups] = np.angle(blocks[:, :groups].T @ rest) / (2 * np.pi)
    for _ in range(tries):
        error = np.imag(rest * np.exp(-2j * np.pi * (blocks @ step)))
        move = np.linalg.solve(information, blocks.T @ error) / (2 * np.pi)
        step += move
        if np.max(np.abs(blocks @ move)) < 1e-7:
            break
    covariance = np.linalg.inv(information) * c.noise_density / 2 / (2 * np.pi) ** 2
    covariance *= _spent(rest * np.exp(-2j * np.pi * (blocks @ step)), blocks[:, :groups], total, c.noise_density)
    k = start.size - order
    return (start + step)[k:], covariance[k:, k:]


def _spent(aligned: NDArray[np.complex128], groups: Real, weight: Real, density: float) -> float:
    """How much less the tone adds up to along the fit than its assumed amplitude says, as a variance.

    The amplitude of a weak tone was seen along a reference that noise had bent; along the fit it is seen
    as it is. Only where it is uncertain does that matter.
    """
    whole = float(np.abs(groups.T @ aligned).sum()) / float(weight.sum())  # 1 where the amplitude is right
    scatter = np.sqrt(density / (2 * float(weight.sum())))
    return 1.0 if scatter < 0.02 else 1.0 / float(np.clip(whole**2 - 2 * scatter**2, 0.2, 5.0))


def cell_amplitude(c: Cells, turned: NDArray[np.complex128]) -> Real:
    """Slow amplitude at the cells from blocks whose own noise is small against it."""
    power = amplitude_squared(c, turned)
    wanted = max(1000.0 * c.noise_density / power, 0.3)
    if wanted > 0.3 * c.seconds.sum():
        return np.full(c.t.size, np.sqrt(power))
    starts = block_starts(c, wanted, np.zeros(c.t.size, bool))
    seconds = np.add.reduceat(c.seconds, starts)
    level = (np.abs(np.add.reduceat(turned, starts)) ** 2 - c.noise_density * seconds) / seconds**2
    t = np.add.reduceat(c.t * c.seconds, starts) / seconds
    return np.asarray(np.sqrt(np.maximum(np.interp(c.t, t, level), 1e-4 * power)))
