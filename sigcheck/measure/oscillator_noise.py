"""Least squares on a phase record under noise that may be more than additive.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from sigcheck.measure.phase_record import Record
from sigcheck.measure.track import Real

Family = Literal["white", "white-fm", "bounded", "random-walk-fm"]

# How freely the stated noise density may be doubted: as if it had been measured from so many
# independent values (30 are worth a quarter of its value, about a decibel).
_DENSITY_DOF = 30.0
# Before looking: most recordings hold additive noise only, as far as they can show.
_PRIOR: dict[Family, float] = {"white": 0.85, "white-fm": 0.06, "bounded": 0.03, "random-walk-fm": 0.06}
_RATIOS = 10.0 ** np.arange(-1.0, 9.1, 0.5)  # power of the slow noise over the additive one


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
