"""The mean frequency that a wandering tone really had while the key was down, and how surely it is known.

Where the frequency wanders there is no underlying value to estimate, but what it did is known: the phase gained over
each stretch of key-down. It is predicted from the phases of the blocks (kriging: the best linear unbiased prediction
under the noise's generalised covariance, Matheron, Adv. Appl. Prob. 5, 1973; from memory, not looked up), which
knows as well how far the frequency may have gone astray in the gaps.
"""

from __future__ import annotations

import numpy as np

from sigcheck.measure.course.noise_kernels import Wandering, about_the_middle, covariance, of_frequency
from sigcheck.measure.course.phase_record import Record
from sigcheck.measure.track import Real

_MOST_BLOCKS = 600  # held against each other
_MOST_RUNS = 800  # stretches of key-down; more are taken as the blocks that hold them
# Slow cosines left free, as far as there are blocks for them: they are known well, and without them the covariances
# span so many powers of ten that rounding would show.
_MOST_COSINES = 20
_BLOCKS_A_COSINE = 6


def realised_mean(fine: Record, kind: Wandering, power: float, scale: float) -> tuple[float, float]:
    """Mean frequency over the key-down time, Hz less the record's base, and its sigma.

    ``power`` is what the kernel counts by beside the blocks' own variances, ``scale`` what all counts by. Blocks
    stand for the phase at their middles: a course that bends within one is part of the free trend.
    """
    r = fine.merged(_MOST_BLOCKS)
    root = np.sqrt(r.var)
    runs = _runs(fine)
    columns, want = _trend(r, runs)
    q, triangle = np.linalg.qr(columns / root[:, None])
    t = r.t / r.span_s
    shape = covariance if r.is_phase else of_frequency
    kernel = power * shape(kind, t[:, None] - t[None, :]) / np.outer(root, root)
    if r.is_phase:
        kernel += np.diag(power * about_the_middle(kind, r) / r.var)
        edges, sign = runs.ravel() / r.span_s, np.tile([-1.0, 1.0], len(runs))
        sign /= float(np.sum(runs[:, 1] - runs[:, 0]))
        beside = power * (sign @ covariance(kind, edges[:, None] - t[None, :])) / root
        own = power * float(sign @ covariance(kind, edges[:, None] - edges[None, :]) @ sign)
    else:
        share = r.seconds / r.seconds.sum() * root
        beside = kernel @ share
        own = float(share @ beside)
    # the weights: some that read the trend right, and on top what the covariances are better for
    start = q @ np.linalg.solve(triangle.T, want)
    side = kernel @ start
    gain = beside - side
    gain = gain - q @ (q.T @ gain)
    inner = kernel - q @ (q.T @ kernel)
    inner = inner - (inner @ q) @ q.T
    more = np.linalg.solve(np.eye(r.t.size) + inner, gain)
    variance = start @ start + start @ side - 2 * start @ beside + own - gain @ more
    y = r.y / root  # less its trend, or rounding of the weights would count
    sizes = np.linalg.solve(triangle, q.T @ y)
    value = float(want @ sizes + (start + more) @ (y - (columns / root[:, None]) @ sizes))
    return value, float(np.sqrt(max(float(variance), 0.0) * scale))


def _trend(r: Record, runs: Real) -> tuple[Real, Real]:
    """What is left free beside the noise: columns (m, p), and the mean frequency (p,) that a unit of each has."""
    first = r.offsets().shape[1]
    count = int(np.clip((r.t.size - first) // _BLOCKS_A_COSINE, 0, _MOST_COSINES))
    turn = np.pi / r.span_s * np.arange(1, count + 1)
    u = r.t - r.first[0]
    cosines = np.cos(turn * u[:, None]) * (1 - 0.5 * turn**2 * r.spread[:, None])
    columns = np.column_stack([r.offsets(), r.constant(), r.slope(), cosines])
    if not r.is_phase:
        return columns, np.asarray(r.seconds / r.seconds.sum() @ columns)
    length = runs[:, 1] - runs[:, 0]
    middle = float(np.average(runs.mean(axis=1), weights=length)) - r.middle_s
    begin, end = (np.cos(turn * (edge[:, None] - r.first[0])) for edge in runs.T)
    return columns, np.concatenate([np.zeros(first), [1.0, middle], (end - begin).sum(axis=0) / length.sum()])


def _runs(r: Record) -> Real:
    """Begin and end of each stretch of key-down, shape (k, 2)."""
    if 0 < len(r.runs) <= _MOST_RUNS:
        return r.runs
    few = r.merged(_MOST_RUNS)
    half = 0.5 * np.sqrt(12 * few.spread)
    return np.column_stack([few.t - half, few.t + half])
