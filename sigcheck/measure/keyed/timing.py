"""Speed, dah/dit ratio, weighting and scatter of elements whose kinds are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sigcheck.measure import morse
from sigcheck.measure.keyed import edges
from sigcheck.measure.keyed.elements import Figure
from sigcheck.measure.keyed.values import Values
from sigcheck.measure.track import Marks, Mask, Real

_CROSSINGS, _CROSSINGS_KNOWN = 0.5, 0.7  # logarithm: crossings' variance in simulated keying, 0.8 to 3.5 of the model
_BESIDE_CHANCE = 2.5  # deviations: among the hundreds of fists two happen every day
_LEAST_CROSSING_S = 5e-6  # no edge is found better than that between samples
_JITTER_SEEN = 0.06  # deviation of the scatter beyond which it says nothing
_TIMING = ("dit_s", "wpm", "dah_dit_ratio", "weighting", "element_jitter")


def whole_marks(marks: Marks) -> slice:
    """The marks that are not cut by the recording's ends."""
    return slice(int(marks.cut_start), marks.on_s.size - int(marks.cut_end))


def measure_timing(out: Values, marks: Marks, t: morse.Timing | None, crossing_s: float) -> None:
    """Speed, ratio, weighting and scatter; ``crossing_s``: scatter of one edge that noise makes."""
    if t is None:
        out.lack("the elements have no rhythm of dits and dahs", *_TIMING)
        return
    on, off = marks.on_s[whole_marks(marks)], marks.off_s[whole_marks(marks)]
    mark, gap = off - on, on[1:] - off[:-1]
    inside, dit, bent = t.gap == 0, ~t.dah, _bent_s(out) / (2 * t.unit_s)
    pair = mark[:-1] + gap
    dits = _mean(pair[inside & dit[:-1]])
    dahs = _mean(pair[inside & t.dah[:-1]])
    share = _mean(mark[:-1][inside & dit[:-1]] / pair[inside & dit[:-1]])
    if dits is None and dit.sum() > 1 and inside.sum() > 1:
        # each dit ends its character: take the gap from after the dahs
        alone, space = _mean(mark[dit]), _mean(gap[inside])
        if alone is not None and space is not None:
            dits = alone[0] + space[0], float(np.hypot(alone[1], space[1]))
            share = alone[0] / dits[0], float(np.hypot(alone[1], space[1])) / dits[0]
    if dits is None and dahs is not None:
        # dahs alone: a dah and its gap last four units
        dits = dahs[0] / 2, dahs[1] / 2
        dahs = None
    if dits is None:
        out.lack("no gaps inside characters to tell the speed from", "dit_s", "wpm")
    else:
        out.put("dit_s", Figure(dits[0] / 2, dits[1] / 2))
        out.put("wpm", Figure(2.4 / dits[0], 2.4 * dits[1] / dits[0] ** 2))
    if share is None:
        out.lack("fewer than two dits with a gap inside the character", "weighting")
    else:
        out.put("weighting", Figure(share[0] - 0.5, float(np.hypot(share[1], np.sqrt(2.0) * bent))))
    if dits is None or dahs is None:
        out.lack("dits and dahs, each with gaps inside characters, are needed", "dah_dit_ratio")
    else:
        relative = np.hypot(dahs[1] / dahs[0], dits[1] / dits[0])
        out.put("dah_dit_ratio", Figure(2 * dahs[0] / dits[0] - 1, float(2 * dahs[0] / dits[0] * relative)))
    jitter = _jitter(mark, gap, t, crossing_s)
    if jitter.sigma is not None:  # where the edge before still rings, it moves crossings by as much as an edge is bent
        jitter = replace(jitter, sigma=float(np.hypot(jitter.sigma, edges.SHAPE_S / (2 * t.unit_s))))
    out.put("element_jitter", jitter)


def _bent_s(out: Values) -> float:
    """By how much the shape of the edges moves their half amplitude: filter, chirp, droop."""
    times = [v for v in (out.found.get("rise_s"), out.found.get("fall_s")) if isinstance(v, float)]
    return float(np.hypot(edges.SHAPE_S, edges.SHAPE * sum(times)))


def _mean(x: Real) -> tuple[float, float] | None:
    """Mean of what lies within four robust deviations, and its standard error; None of fewer than two."""
    if x.size < 2:
        return None
    kept = _kept(x)
    # two lengths may agree by chance: no error is below a hundredth over the root of their number
    spread = max(float(kept.std(ddof=1)), 0.01 * float(kept.mean()) / np.sqrt(kept.size), 1e-5)
    return float(kept.mean()), spread / float(np.sqrt(kept.size)) * edges.few(kept.size - 1)


def _kept(x: Real) -> Real:
    middle = float(np.median(x))
    spread = max(1.4826 * float(np.median(np.abs(x - middle))), 0.01 * abs(middle))
    kept = x[np.abs(x - middle) <= 4 * spread]
    return kept if kept.size >= 2 else x


def _jitter(mark: Real, gap: Real, t: morse.Timing, crossing_s: float) -> Figure:
    """Relative scatter about the class means, without what noise, fading and static add at the crossings.

    A key or a fist scatters in proportion to the length; what moves crossings scatters dits and dahs by the
    same seconds, and makes a mark longer and the gap beside it shorter. Most probable scatter and its
    deviation, given the variances of the classes and what is known of the crossings.
    """
    classes = [_kept(x) for x in (mark[~t.dah], mark[t.dah]) if x.size >= 3]
    if sum(x.size for x in classes) < 6:
        return Figure(None, reason="fewer than six elements to compare")
    crossings = 2 * max(crossing_s**2, _moved_together(mark, gap, t), _LEAST_CROSSING_S**2)
    ratio = np.exp(np.linspace(-1.0, 2.5, 36))
    jitter = 0.7 * np.linspace(0.0, 1.0, 400) ** 3
    likely = np.zeros((jitter.size, ratio.size)) - 0.5 * ((np.log(ratio) - _CROSSINGS) / _CROSSINGS_KNOWN) ** 2
    for x in classes:
        variance = (jitter[:, None] * x.mean()) ** 2 + crossings * ratio
        likely -= 0.5 * (x.size - 1) * (np.log(variance) + float(x.var(ddof=1)) / variance)
    weight = np.exp(likely - likely.max()).sum(axis=1) * np.gradient(jitter)
    value = float(jitter[np.argmax(weight / np.gradient(jitter))])
    sigma = float(np.sqrt(np.average((jitter - value) ** 2, weights=weight)))
    if sigma > _JITTER_SEEN:
        return Figure(None, reason="noise scatters the elements' lengths as much as the keying would")
    return Figure(value, sigma)


def _moved_together(mark: Real, gap: Real, t: morse.Timing) -> float:
    """Variance of a crossing by minus the covariance of marks and gaps beside them, where that is significant."""
    late, early = t.gap == 0, t.gap == 0  # the gap after a mark, and the one before it
    off = mark - np.where(t.dah, _middle(mark, t.dah), _middle(mark, ~t.dah))
    open_s = gap - _middle(gap, late)
    products = np.concatenate([(off[:-1] * open_s)[late], (off[1:] * open_s)[early]])
    if products.size < 12:
        return 0.0
    usual = 1.4826 * float(np.median(np.abs(products - np.median(products))))
    products = products[np.abs(products) <= 12 * usual]
    mean, sigma = float(-products.mean()), float(products.std() / np.sqrt(products.size))
    return mean if mean > _BESIDE_CHANCE * sigma else 0.0


def _middle(x: Real, some: Mask) -> float:
    return float(np.median(x[some])) if some.any() else 0.0
