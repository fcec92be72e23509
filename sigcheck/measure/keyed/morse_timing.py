"""Morse timing from key-down times, by likelihood: which marks are dahs, which gaps end what.

Every sender has its own dit, dah and gaps: heavy weighting makes the gaps inside a character shorter
than the dits, a fist stretches dahs and letter gaps. So the lengths of marks and gaps are described
by a mixture (dit, dah; gap inside a character, between characters, between words), normal in the
logarithm of the length, found first on a grid and then by expectation-maximisation; the speed may
wander slowly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigcheck.measure.track import Mask, Real

# Starting spreads (standard deviation of the natural logarithm) of dit, dah; gap within a
# character, between characters, between words: a fair fist. The fit moves them.
_MARK_SPREAD = np.array([0.13, 0.13])
_GAP_SPREAD = np.array([0.18, 0.25, 0.40])
_MARK_SHARE = np.array([0.55, 0.45])  # plain text has a few more dits than dahs
_GAP_SHARE = np.array([0.60, 0.28, 0.12])
_WORD_ENDS = 0.2  # share of characters that end a word: plain text and calls (common practice)
_ENDS_KNOWN = 60.0  # characters that this is worth
_OUTLIER_DENSITY = 0.05 / 4.0  # one length in twenty may be anything within a factor of 50
_WELL_OFF = 0.03  # share of lengths that scatter three times as much
_STRANGE_DENSITY = 1e-4 / 4.0  # one in ten thousand may be of a class that it looks nothing like
_NULL_SPREAD = 0.7  # lengths without any classes: noise, fading, a loose contact
_MOST_FITTED = 2000  # marks that take part in the global fit
_UNCHANGED = 1e-5  # logarithms and shares: far less than lengths are measured to


@dataclass(frozen=True)
class Timing:
    """What each mark and each gap is.

    ``dah`` (n,) and ``dah_p`` (n,) the probability of it; ``gap`` (n - 1,) is 0 within a character,
    1 between characters, 2 between words, ``gap_p`` (n - 1, 3) the probabilities. ``dit_s``,
    ``dah_s``, ``gaps_s`` (3,) are the class means at the average speed, ``speed`` (n,) the local
    length over the average one. ``mark_log`` (n, 2) and ``gap_log`` (n - 1, 3) are the logarithms of the
    densities of each length in each class. ``mark_spread`` is the relative scatter about the class means,
    ``gap_spread`` (3,) that of the gaps;
    ``evidence`` the log-likelihood gained over lengths without classes (n marks and gaps together).
    """

    dah: Mask
    dah_p: Real
    gap: NDArray[np.intp]
    gap_p: Real
    dit_s: float
    dah_s: float
    gaps_s: Real
    speed: Real
    mark_spread: float
    gap_spread: Real
    mark_log: Real
    gap_log: Real
    evidence: float

    @property
    def unit_s(self) -> float:
        """The unit: half of dit + gap, which weighting leaves alone."""
        return 0.5 * (self.dit_s + float(self.gaps_s[0]))


def classify(on_s: ArrayLike, off_s: ArrayLike) -> Timing:
    """Tell dits from dahs and gap from gap. At least one mark; times as in :func:`decode`."""
    on, off = np.asarray(on_s, np.float64), np.asarray(off_s, np.float64)
    tiny = 1e-4
    marks = np.log(np.maximum(off - on, tiny))
    gaps = np.log(np.maximum(on[1:] - off[:-1], tiny))
    first_marks, first_gaps = marks[:_MOST_FITTED], gaps[: _MOST_FITTED - 1]
    model = _started(_grid_fit(first_marks, first_gaps), first_marks, first_gaps)
    speed: Real = np.zeros(marks.size)
    for _ in range(3):
        model = _fitted(model, marks - speed, gaps - _between(speed), 3)
        speed = _local_speed(model, marks, gaps, on)
    mark_p = _posterior(marks - speed, model.marks, model.mark_spread, model.mark_share)
    gap_p = _posterior(gaps - _between(speed), *model.gap_classes(marks - speed), model.gap_share)
    return Timing(
        dah=mark_p[:, 1] > mark_p[:, 0],
        dah_p=mark_p[:, 1],
        gap=np.argmax(gap_p, axis=1),
        gap_p=gap_p,
        dit_s=float(np.exp(model.marks[0])),
        dah_s=float(np.exp(model.marks[1])),
        gaps_s=np.exp(model.gaps),
        speed=np.exp(speed),
        mark_spread=float(model.mark_spread[0]),
        gap_spread=model.gap_spread,
        mark_log=_log_densities(marks - speed, model.marks, model.mark_spread),
        gap_log=_log_densities(gaps - _between(speed), *model.gap_classes(marks - speed)),
        evidence=_evidence(model, marks - speed, gaps - _between(speed)),
    )


@dataclass(frozen=True)
class _Model:
    """Means (natural logarithm of seconds), spreads and shares of the classes."""

    marks: Real  # dit, dah
    gaps: Real  # within a character, between characters, between words
    stretch: float  # what is added to a gap within a character to end it, over the standard's 2 and 6 units
    mark_spread: Real
    gap_spread: Real
    inner: Real  # (4,) within a character, by what it lies between: dit dit, dit dah, dah dit, dah dah;
    inner_spread: Real  # a half-automatic key times some of them, the hand the others
    mark_share: Real
    gap_share: Real

    @property
    def figures(self) -> tuple[Real, ...]:
        """What rounds of improving change."""
        means, spreads = (self.marks, self.gaps, self.inner), (self.mark_spread, self.gap_spread, self.inner_spread)
        return (*means, *spreads, self.mark_share, self.gap_share)

    def gap_classes(self, marks: Real) -> tuple[Real, Real]:
        """Means and spreads (n - 1, 3) of the gaps between marks (n,)."""
        kind = _neighbours(marks > 0.5 * (self.marks[0] + self.marks[1]))
        means, spreads = np.empty((kind.size, 3)), np.empty((kind.size, 3))
        means[:], spreads[:] = self.gaps, self.gap_spread
        means[:, 0], spreads[:, 0] = self.inner[kind], self.inner_spread[kind]
        return means, spreads


def _neighbours(dah: Mask) -> NDArray[np.intp]:
    """For each gap: 0 between two dits, 1 dit and dah, 2 dah and dit, 3 two dahs."""
    return np.asarray(2 * dah[:-1] + dah[1:], np.intp)


def _between(speed: Real) -> Real:
    return 0.5 * (speed[1:] + speed[:-1])


def _densities(x: Real, means: Real, spreads: Real, shares: Real) -> Real:
    """Weighted class densities (..., n_classes); a word gap may be any length from its mean up."""
    # halfway between normal in the length and normal in its logarithm, as fists and noise are
    d = (2.0 * np.exp(0.5 * np.minimum(x[..., None] - means, 8.0)) - 2.0) / spreads
    if means.shape[-1] == 3:
        # the word's end may be drawn out by any factor
        d[..., 2] = np.minimum((x - means[..., 2]) / spreads[..., 2], 2.0)
    return np.asarray(shares / (spreads * np.sqrt(2 * np.pi)) * np.exp(-0.5 * np.minimum(d * d, 700.0)))


def _log_likelihood(x: Real, means: Real, spreads: Real, shares: Real) -> Real:
    return np.asarray(np.log(_densities(x, means, spreads, shares).sum(axis=-1) + _OUTLIER_DENSITY))


def _log_densities(x: Real, means: Real, spreads: Real) -> Real:
    """Logarithm of each class's density (n, n_classes); some lengths lie well off, a few anywhere."""
    alike = np.ones(means.shape[-1])
    near = _densities(x, means, spreads, alike)
    off = _densities(x, means, np.maximum(3.0 * spreads, 0.15), _WELL_OFF * alike)
    return np.asarray(np.log(near + off + _STRANGE_DENSITY))


def _posterior(x: Real, means: Real, spreads: Real, shares: Real) -> Real:
    """Class probabilities (n, n_classes); what no class explains is shared by distance."""
    p = _densities(x, means, spreads, shares) + 1e-4 / (1.0 + (x[:, None] - means) ** 2 / 0.01)
    return np.asarray(p / p.sum(axis=1, keepdims=True))


def _grid_fit(marks: Real, gaps: Real) -> _Model:
    """Dit, dah and gap lengths that explain the histograms of lengths best, from a coarse grid.

    Marks depend on dit and dah alone, gaps on dit and gap (a letter gap lasts two units more, a word
    gap six, a unit being half of dit + gap), so two small tables cover all combinations.
    """
    dit = np.arange(marks.min() - np.log(4.5), marks.max() + 0.05, 0.05)
    ratio = np.log(np.arange(1.8, 5.2, 0.3))
    shift = np.arange(-1.2, 0.65, 0.15)  # logarithm of gap over dit
    x, n = _histogram(marks)
    means = np.stack(np.broadcast_arrays(dit[:, None], dit[:, None] + ratio), axis=-1)
    score_m = _log_likelihood(x, means[:, :, None, :], _MARK_SPREAD, _MARK_SHARE) @ n
    score_m -= 1.5 * ((ratio - np.log(3.0)) / 0.25) ** 2
    best_ratio = np.argmax(score_m, axis=1)
    x, n = _histogram(gaps)
    gap = np.exp(dit[:, None] + shift)
    means = _gap_means(dit[:, None], np.log(gap), np.ones(1))
    score_g = _log_likelihood(x, means[:, :, None, :], _GAP_SPREAD, _GAP_SHARE) @ n
    score_g -= 1.5 * (shift / 0.5) ** 2
    total = score_m.max(axis=1)[:, None] + score_g
    i, j = np.unravel_index(int(np.argmax(total)), total.shape)
    # stretched spacing (characters faster than the text) moves letter and word gaps together
    stretch = np.exp(np.arange(-0.4, 2.7, 0.2))
    means = _gap_means(dit[i], np.log(gap[i, j]), stretch)
    score = _log_likelihood(x, means[:, None, :], _GAP_SPREAD, _GAP_SHARE) @ n - (np.log(stretch) / 0.4) ** 2
    k = int(np.argmax(score))
    return _Model(
        np.array([dit[i], dit[i] + ratio[best_ratio[i]]]),
        means[k],
        float(stretch[k]),
        _MARK_SPREAD,
        _GAP_SPREAD,
        np.full(4, means[k, 0]),
        np.full(4, _GAP_SPREAD[0]),
        _MARK_SHARE,
        _GAP_SHARE,
    )


def _gap_means(dit: Real, gap: Real, stretch: Real) -> Real:
    """Logarithms of the three gap lengths (..., 3) from those of dit and gap within a character."""
    unit = 0.5 * (np.exp(dit) + np.exp(gap))
    added = unit * stretch
    inside = np.exp(gap) + 0.0 * added
    return np.asarray(np.log(np.stack([inside, inside + 2 * added, inside + 6 * added], axis=-1)))


def _started(m: _Model, marks: Real, gaps: Real) -> _Model:
    """The start improved, with the gaps between dahs as long as the others or, by hand, much longer.

    The fit by small steps would not get from one to the other.
    """
    by_hand = replace(m, inner=m.inner + np.array([0.0, 0.0, 0.0, np.log(1.7)]))
    tried = []
    for start in (m, by_hand):
        start = _fitted(start, marks, gaps, 5)
        tried.append((_evidence(start, marks, gaps), start))
    # a second start finds something better by chance, too
    return tried[1][1] if tried[1][0] > tried[0][0] + 3.0 else tried[0][1]


def _histogram(x: Real) -> tuple[Real, Real]:
    """Occupied cells of 4 % and their counts: many lengths cost no more than a few."""
    if not x.size:
        return np.zeros(1), np.zeros(1)
    cell, index, count = np.unique(np.round(x / 0.04), return_inverse=True, return_counts=True)
    mean = np.bincount(index.ravel(), weights=x, minlength=cell.size) / count
    return mean, count.astype(np.float64)


def _fitted(m: _Model, marks: Real, gaps: Real, rounds: int) -> _Model:
    """Improved in so many rounds, fewer where another one would change nothing."""
    for _ in range(rounds):
        before, m = m, _improved(m, marks, gaps)
        if max(float(np.max(np.abs(a - b))) for a, b in zip(before.figures, m.figures, strict=True)) < _UNCHANGED:
            break
    return m


def _improved(m: _Model, marks: Real, gaps: Real) -> _Model:
    """One round of expectation-maximisation; priors keep classes that hold few lengths in place."""
    pm = _claimed(marks, m.marks, m.mark_spread, m.mark_share)
    pg = _claimed(gaps, *m.gap_classes(marks), m.gap_share)
    # any pause ends a word: only those near the mean tell where that is
    pg[:, 2] *= gaps < m.gaps[2] + 2.0 * m.gap_spread[2]
    kind = _neighbours(pm[:, 1] > pm[:, 0])
    unit = 0.5 * (np.exp(m.marks[0]) + np.exp(m.gaps[0]))
    mark_prior = np.array([m.marks[0], np.log(np.exp(m.marks[0]) + 2 * unit)])
    gap_prior = _gap_means(m.marks[:1], m.gaps[:1], np.array([m.stretch]))[0]
    mark_mean = _mean(marks, pm, mark_prior, np.array([0.01, 0.5]))
    gap_mean = _mean(gaps, pg, gap_prior, np.array([0.5, 1.0, 1.0]))
    count, total = (np.bincount(kind, v, minlength=4) for v in (pg[:, 0], pg[:, 0] * gaps))
    inner = (total + 4.0 * gap_mean[0]) / (count + 4.0)
    mark_mean[1] = max(mark_mean[1], mark_mean[0] + np.log(1.7))
    gap_mean[1] = max(gap_mean[1], gap_mean[0] + np.log(1.5))
    gap_mean[2] = max(gap_mean[2], gap_mean[1] + np.log(1.7))
    spread = np.sqrt(
        (np.sum(pm * (marks[:, None] - mark_mean) ** 2) + 2 * _MARK_SPREAD[0] ** 2) / (pm.sum() + 2)
    )
    spread = float(np.clip(spread, 0.02, 0.5))
    gap_spread = _spread(gaps, pg, gap_mean, _GAP_SPREAD, np.array([2.0, 6.0, 6.0]))
    gap_spread = np.clip(gap_spread, [0.03, 0.14, 0.15], [0.5, 0.4, 0.4])
    squares = np.bincount(kind, pg[:, 0] * (gaps - inner[kind]) ** 2, minlength=4)
    inner_spread = np.clip(np.sqrt((squares + 2.0 * gap_spread[0] ** 2) / (count + 2.0)), 0.03, 0.5)
    return _Model(
        mark_mean,
        gap_mean,
        m.stretch,
        np.array([spread, spread]),
        gap_spread,
        inner,
        inner_spread,
        (pm.sum(axis=0) + 4 * _MARK_SHARE) / (pm.sum() + 4),
        _shares(pg),
    )


def _claimed(x: Real, means: Real, spreads: Real, shares: Real) -> Real:
    """Share of each length that each class claims, outliers left unclaimed; shape (n, n_classes)."""
    p = _densities(x, means, spreads, shares)
    return np.asarray(p / (p.sum(axis=1, keepdims=True) + _OUTLIER_DENSITY))


def _mean(x: Real, p: Real, prior: Real, weight: Real) -> Real:
    return np.asarray((p.T @ x + weight * prior) / (p.sum(axis=0) + weight))


def _shares(p: Real) -> Real:
    """Shares of the gap classes; words are some five characters long, unless many gaps say otherwise."""
    inner = float((p[:, 0].sum() + 4 * _GAP_SHARE[0]) / (p.sum() + 4))
    ends = float((p[:, 2].sum() + _ENDS_KNOWN * _WORD_ENDS) / (p[:, 1:].sum() + _ENDS_KNOWN))
    return np.array([inner, (1 - inner) * (1 - ends), (1 - inner) * ends])


def _spread(x: Real, p: Real, mean: Real, prior: Real, weight: Real) -> Real:
    squares = np.sum(p * (x[:, None] - mean) ** 2, axis=0)
    return np.asarray(np.sqrt((squares + weight * prior**2) / (p.sum(axis=0) + weight)))


def _local_speed(m: _Model, marks: Real, gaps: Real, on_s: Real) -> Real:
    """Logarithm of the local length over the average, smooth over some twenty marks and gaps."""
    pm = _claimed(marks, m.marks, m.mark_spread, m.mark_share)
    information = np.sum(pm / m.mark_spread**2, axis=1)
    pull = np.sum(pm * (marks[:, None] - m.marks) / m.mark_spread**2, axis=1)
    # gaps between characters say little about speed: a fist stretches them at will
    means, spreads = m.gap_classes(marks)
    pg = _claimed(gaps, means, spreads, m.gap_share)[:, 0]
    information[:-1] += pg / spreads[:, 0] ** 2
    pull[:-1] += pg * (gaps - means[:, 0]) / spreads[:, 0] ** 2
    reach = min(24, marks.size)
    kernel = np.hanning(reach + 2)[1:-1]
    smooth_pull = np.convolve(pull, kernel, "same")[: marks.size]
    smooth_information = np.convolve(information, kernel, "same")[: marks.size]
    speed = smooth_pull / (smooth_information + 1.0 / 0.05**2)
    return np.asarray(np.clip(speed - np.average(speed, weights=information + 1e-9), -0.5, 0.5))


def _evidence(m: _Model, marks: Real, gaps: Real) -> float:
    """Log-likelihood gained over lengths that know no classes, less the price of the parameters."""
    total = 0.0
    for x, means, spreads, shares in (
        (marks, m.marks, m.mark_spread, m.mark_share),
        (gaps, *m.gap_classes(marks), m.gap_share),
    ):
        if x.size:
            null = -0.5 * ((x - np.median(x)) / _NULL_SPREAD) ** 2 - np.log(_NULL_SPREAD * np.sqrt(2 * np.pi))
            ours = _log_likelihood(x, means, spreads, shares)
            total += float(np.sum(ours - np.maximum(null, -6.0)))
    return total - 1.5 * math.log(marks.size + 1)
