"""A straight line through the times of pulses: where the seconds lie, and how fast a recorder counts them.

The timing scatter is more than noise: a path through the ionosphere wanders over seconds and minutes. So the
line is fitted under white scatter plus a wander of unknown size and speed, and the uncertainty is averaged over
what the residuals allow of both (restricted maximum likelihood on a grid, as of Patterson & Thompson 1971, from
memory, not looked up).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.track import Real

_GROUPS = 120  # points that the line is fitted through


@dataclass(frozen=True)
class Arrivals:
    """Each second pulse that was timed.

    ``second`` (n,) counts from the first second boundary in the recording, ``time_s`` (n,) is the pulse's
    beginning, ``energy`` (n,) its E/N0; ``tick_hz`` its audio frequency, ``length_s`` the length assumed.
    """

    second: NDArray[np.int64]
    time_s: Real
    energy: Real
    tick_hz: float
    length_s: float


@dataclass(frozen=True)
class Seconds:
    """A straight line through the arrivals: second k begins at ``offset_s + k * period_s``."""

    offset_s: float
    offset_s_sigma: float
    period_s: float
    period_s_sigma: float
    scatter_s: float
    used: int


def robust_line(second: NDArray[np.int64], time_s: Real, energy: Real) -> tuple[float, float, float]:
    """Offset, period and scatter; pulses far from the line count little (Tukey's biweight)."""
    k = second.astype(float)
    centre = k.mean()
    design = np.stack([np.ones(k.size), k - centre], axis=1)
    excess = time_s - k  # the period is near 1 s: keeps precision
    weight = np.minimum(energy, 10 * np.median(energy))
    beta = np.array([np.median(excess), 0.0])
    scatter = 0.0
    for turn in range(12):
        r = excess - design @ beta
        scatter = max(1.4826 * float(np.median(np.abs(r))), 1e-7)
        far = np.abs(r) / ((6.0 if turn > 1 else 12.0) * scatter)
        w = weight * np.where(far < 1, (1 - far**2) ** 2, 0.0)
        if np.count_nonzero(w) < 3:
            break
        beta = np.linalg.lstsq(design * np.sqrt(w)[:, None], excess * np.sqrt(w), rcond=None)[0]
    return float(beta[0] - beta[1] * centre), float(1.0 + beta[1]), scatter


def fit_seconds(found: Arrivals) -> Seconds:
    """The line through the arrivals, with sigmas that hold the path's wander as far as the residuals show it."""
    offset, period, scatter = robust_line(found.second, found.time_s, found.energy)
    residual = found.time_s - (offset + found.second * period)
    near = np.abs(residual) < 5 * scatter
    k, r, energy = found.second[near].astype(float), residual[near], found.energy[near]
    k, r, energy = _grouped(k, r, energy)
    beta, cov = _line_under_wander(k, r, energy)
    return Seconds(
        offset_s=offset + beta[0],
        offset_s_sigma=float(np.sqrt(cov[0, 0])),
        period_s=period + beta[1],
        period_s_sigma=float(np.sqrt(cov[1, 1])),
        scatter_s=float(np.sqrt(np.mean(residual[near] ** 2))),
        used=int(near.sum()),
    )


def _grouped(k: Real, r: Real, energy: Real) -> tuple[Real, Real, Real]:
    """Neighbouring pulses of long recordings as one point each: their energies add."""
    each = -(-k.size // _GROUPS)
    if each == 1:
        return k, r, energy
    group = np.arange(k.size) // each
    total = np.asarray(np.bincount(group, energy), float)
    return np.bincount(group, energy * k) / total, np.bincount(group, energy * r) / total, total


def _line_under_wander(k: Real, r: Real, energy: Real) -> tuple[Real, Real]:
    """Offset at second 0 and slope of r against k, and their covariance, averaged over what the scatter may be.

    Candidates: white scatter, by the pulses' energies or alike for all, alone or with a wander of 1/3 to 20 times
    its variance whose correlation falls exponentially over 1.5 s to the whole recording.
    """
    span = max(float(k[-1] - k[0]), 4.0)
    design = np.stack([np.ones(k.size), k - k.mean()], axis=1)
    apart = np.abs(k[:, None] - k[None, :])
    times = np.geomspace(1.5, span, 4)
    wanders = [np.exp(-apart / time) for time in times]
    fits = []
    for variance in (energy.mean() / energy, np.ones(k.size)):
        for ratio in (0.0, 0.33, 2.0, 20.0):
            for wander in wanders if ratio else wanders[:1]:
                prior = 0.25 / 12 if ratio else 0.25
                fits.append((*_one_fit(design, r, np.diag(variance) + ratio * wander), prior))
    betas = np.array([fit[0] for fit in fits])
    covs = np.array([fit[1] for fit in fits])
    logs = np.array([fit[2] for fit in fits])
    weight = np.array([fit[3] for fit in fits])
    weight = weight * np.exp(logs - logs.max())
    weight /= weight.sum()
    mean = weight @ betas
    spread = betas - mean
    cov = np.einsum("i,ijk->jk", weight, covs) + np.einsum("i,ij,ik->jk", weight, spread, spread)
    back = np.array([[1.0, -k.mean()], [0.0, 1.0]])
    return back @ mean, back @ cov @ back.T


def _one_fit(design: Real, r: Real, shape: Real) -> tuple[Real, Real, float]:
    """Generalised least squares under a covariance known but for its scale: estimate, covariance, log likelihood."""
    root = np.linalg.cholesky(shape)
    a, b = np.linalg.solve(root, design), np.linalg.solve(root, r)
    normal = a.T @ a
    beta = np.linalg.solve(normal, a.T @ b)
    free = r.size - 2
    rest = max(float(np.sum((b - a @ beta) ** 2)), 1e-24)
    log = -float(np.log(np.diag(root)).sum()) - 0.5 * float(np.linalg.slogdet(normal)[1]) - 0.5 * free * np.log(rest)
    return beta, rest / max(free - 2, 1) * np.linalg.inv(normal), log


def first_boundary(at_s: float, period_s: float) -> float:
    """The first of the times ``at_s`` plus whole periods that lies in the recording."""
    return float(at_s - period_s * np.floor(at_s / period_s))
