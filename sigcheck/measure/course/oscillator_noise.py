"""Least squares on a phase record under noise that may be more than additive.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from sigcheck.measure.course.noise_kernels import Wandering, from_the_first, over_blocks
from sigcheck.measure.course.phase_record import Record
from sigcheck.measure.track import Real

Family = Literal["white", "bounded"] | Wandering

# How freely the stated noise density may be doubted: as if it had been measured from so many
# independent values (30 are worth a quarter of its value, about a decibel).
_DENSITY_DOF = 30.0
# Before looking: most recordings hold additive noise only, as far as they can show.
_PRIOR: dict[Family, float] = {
    "white": 0.85, "white-fm": 0.05, "flicker-fm": 0.04, "bounded": 0.02, "random-walk-fm": 0.04, "smooth-fm": 0.04,
}  # fmt: skip
_NORMAL_95 = 1.95996
_RATIOS = 10.0 ** np.arange(-1.0, 13.1, 0.5)  # power of the slow noise over the additive one


@dataclass(frozen=True)
class NoiseFits:
    """Generalised least squares under each noise candidate; arrays over the k candidates.

    ``family`` and ``ratio`` name the candidate; ``beta`` (k, p) and ``cov`` (k, p, p) its solution;
    ``misfit`` -2 log likelihood at the best parameters (for comparing models); ``weight`` the
    candidate's posterior probability; ``scale`` (k,) the additive variance over the stated one; ``power``
    (k,) what the slow noise's kernel counts by, before that scale.
    """

    family: tuple[Family, ...]
    ratio: Real
    beta: Real
    cov: Real
    misfit: Real
    weight: Real
    scale: Real
    power: Real

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
        return mixed(self.beta[:, which], np.sqrt(self.cov[:, which, which]), self.weight)


def mixed(values: Real, sigmas: Real, weights: Real) -> tuple[float, float]:
    """Mean of normal distributions (k,) with weights, and the sigma whose 1.96 hold 95 % of them all.

    A few percent of far wider ones would blow up a root of the mean square and yet leave it too narrow where a
    third of them is wide.
    """
    from scipy.special import ndtr

    w = weights / weights.sum()
    value = float(w @ values)
    off, sigmas = values - value, np.maximum(sigmas, 1e-300)
    low, high = 0.0, float(np.max(np.abs(off) + 2.0 * sigmas))
    for _ in range(40):
        reach = 0.5 * (low + high)
        inside = float(w @ (ndtr((reach - off) / sigmas) - ndtr((-reach - off) / sigmas)))
        low, high = (reach, high) if inside < 0.95 else (low, reach)
    return value, high / _NORMAL_95


class Noise:
    """Noise candidates for one record: additive, and additive plus one kind of oscillator noise.

    For each kind the covariance is D (1 + ratio K') with the known additive variances D; one
    eigenvalue decomposition makes every ratio and every model a weighted least squares. The
    unknown overall scale is integrated out with a prior about 1, so a few blocks do not make their
    own scatter up and many do.
    """

    def __init__(self, record: Record, *, smooth: bool = False) -> None:
        self.record = record
        self._root = np.sqrt(record.var)
        # name, ratios, power of the kernel at a ratio of 1, eigenvalues, vectors
        self._families: list[tuple[Family, Real, float, Real, Real]] = []
        m = record.t.size
        self._families.append(("white", np.zeros(1), 0.0, np.zeros(m), np.eye(m)))
        if m >= 6:
            for name, kernel, order in _kernels(record, smooth=smooth):
                self._add(name, kernel, order)

    def _add(self, name: Family, kernel: Real, order: int) -> None:
        k = kernel / np.outer(self._root, self._root)
        if order:  # of a generalised covariance what is beyond that polynomial
            q, _ = np.linalg.qr(self.design(order) / self._root[:, None])
            k = k - q @ (q.T @ k)
            k = k - (k @ q) @ q.T
        q, _ = np.linalg.qr(self.design(1) / self._root[:, None])
        seen = np.trace(k) - np.trace(q.T @ k @ q)  # what the kernel adds beyond a constant frequency
        if not np.isfinite(seen) or seen <= 0:
            return
        power = k.shape[0] / seen
        values, vectors = np.linalg.eigh(k * power)
        self._families.append((name, _RATIOS, power, np.maximum(values, 0.0), vectors))

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
        ratios, betas, covs, misfits, posteriors, scales, powers = [], [], [], [], [], [], []
        for name, ratio, power, values, vectors in self._families:
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
            powers.append(ratio * power)
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
            power=np.concatenate(powers),
        )

    def _basis(self, family: Family) -> tuple[Real, Real]:
        return next((values, vectors) for name, _, _, values, vectors in self._families if name == family)

    def smoothed(self, design: Real, fits: NoiseFits, which: int) -> Real:
        """The record's values without their additive noise: best linear prediction under one candidate."""
        values, vectors = self._basis(fits.family[which])
        y = self.record.y / self._root
        rest = y - (design / self._root[:, None]) @ fits.beta[which]
        return np.asarray((y - (vectors / (1.0 + fits.ratio[which] * values)) @ (vectors.T @ rest)) * self._root)


def _kernels(r: Record, *, smooth: bool) -> list[tuple[Family, Real, int]]:
    """Covariance shapes of oscillator noise over the record's blocks, and the order of those that are generalised.

    Bounded: phase (or frequency) that wanders for three blocks' length and comes back, as
    fading and imperfectly averaged hum make it.
    """
    memory = 3.0 * r.span_s / r.t.size
    bounded = np.exp(-np.abs(r.t[:, None] - r.t[None, :]) / memory)
    out: list[tuple[Family, Real, int]] = [("bounded", bounded, 0)]
    if r.is_phase:
        out.append(("white-fm", from_the_first("white-fm", r), 0))
    out.append(("flicker-fm", over_blocks("flicker-fm", r), 1))
    out.append(("random-walk-fm", from_the_first("random-walk-fm", r), 0))
    if smooth:
        out.append(("smooth-fm", over_blocks("smooth-fm", r), 2))
    return out
