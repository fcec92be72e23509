"""What a gain control does to the start of an element, and taking it off.

It has opened in the gap before, and closes while the element rises: it makes the edge look faster than it is.
"""

from __future__ import annotations

import numpy as np

from sigcheck.measure.keyed.elements import LEAST_ELEMENTS, Rows
from sigcheck.measure.track import Real

_RAISED = 0.03  # of the settled level: a level that far over it shows a gain control or a sagging supply
_LEAST_OPENED = 0.03  # a quarter of a decibel: less moves an edge by less than its shape is known
# Overshoot of the filters of receivers, over the settled level, and how long it lasts over the rise (Butterworth,
# Chebyshev and elliptic filters of order 2 to 6, the tone in their middle or off it: 0.2, 0.5 in one of twenty)
_RINGS_BY, RINGS_FOR = 1.2, 0.7


def without_gain(t: Real, level: Real, law: float, most: float = np.inf, ringing_s: float = 0.0) -> Real:
    """A rise without the closing of a gain control, which has opened in the gap before it.

    The control closes at a rate that goes with how far its output stands above the settled level: with the
    logarithm of that in a loop that works in decibels (``law`` 1), with the level itself in a linear one
    (``law`` 0). So the logarithm of the gain still to be lost is the integral of the output's excess from now
    on, over the control's time constant; and that follows from the tail, where the edge is over and all of
    the excess is gain. A level that sags by itself after the edge is taken off in the same way. A peak above
    ``most`` (logarithm of a gain) is none of a gain control: the noise would have shown it. A low one that is gone
    within ``ringing_s`` is what a filter makes of an edge.
    """
    seen = excess(t, level, law)
    if seen is None:
        return level
    y, to_come, settled = seen
    step, peak = t[1] - t[0], int(np.argmax(y))
    late = (t > 0.6 * t[-1]) & (t < 0.95 * t[-1])
    if y[peak] < 1 + max(_RAISED, 5 * float(np.std(y[late]))) or t[peak] > 0.4 * t[-1]:
        return level
    if np.log(y[peak]) > most:
        return level
    # a filter's ringing swings about the settled level: its excess comes to nothing
    short_s = max(0.001, 0.3 * t[peak], ringing_s * (y[peak] < _RINGS_BY))
    if to_come[peak] < short_s * np.log(y[peak]):
        return level
    out = level
    # the edge is over at the peak of what comes out once the gain is taken off: not before its own peak
    over = peak
    for _ in range(4):
        tau = to_come[over] / max(float(np.log(y[over])), 1e-3)
        out = level * np.exp(-to_come / max(tau, 2 * step))
        reached = np.flatnonzero(out[peak:] >= 0.98 * settled)
        nearer = peak + int(reached[0]) if reached.size else peak
        if nearer <= over or np.log(y[nearer]) < 0.3 * np.log(y[peak]):
            break
        over = nearer
    return np.asarray(out)


def excess(t: Real, level: Real, law: float) -> tuple[Real, Real, float] | None:
    """What stands above the settled level: (level over it, smooth; its excess still to come in seconds; that level).

    None where the edge does not settle.
    """
    step = t[1] - t[0]
    width = max(1, round(0.001 / step))
    smooth = np.convolve(level, np.ones(width) / width, "same")
    settled = float(np.mean(level[t > 0.6 * t[-1]]))
    if settled < 0.3:
        return None
    y = np.maximum(smooth / settled, 0.1)
    y[t > 0.9 * t[-1]] = 1.0  # the ends of a running mean
    before = slice(0, int(np.argmax(y)))
    y[before] = np.maximum(y[before], 1.0)  # while the edge is under way, gain is lost above the level alone
    excess = law * np.log(y) + (1 - law) * (y - 1)
    return y, np.asarray(np.cumsum(excess[::-1])[::-1] * step), settled


def gain_opened(before: Rows, after: Rows, width: int) -> tuple[float, float]:
    """Logarithm of the amplitude gain before an edge over that after it, by the noise (n, m) of single elements.

    The noise at more than some 200 Hz from the tone: neither backwave nor hum nor a chirp reaches there. 0 where it
    shows none; then the second is the most that it can have been, infinite where the tone's own noise hides it.
    """
    powers, squares = [], []
    for rows in (before, after):
        if rows.shape[1] < 2 * width or len(rows) < LEAST_ELEMENTS:
            return 0.0, np.inf
        rows = rows - rows.mean(axis=0)  # a filter's ringing is the same in all of them
        total = np.cumsum(np.pad(rows, ((0, 0), (1, 0))), axis=1)
        means = (total[:, width:] - total[:, :-width]) / width
        lead = (width - 1) // 2
        each = np.mean(np.abs(rows[:, lead : lead + means.shape[1]] - means) ** 2, axis=1)
        powers.append(max(float(each.mean()), 1e-30))
        squares.append(float(each.var()) / len(rows) / powers[-1] ** 2)
    sigma = 0.5 * float(np.sqrt(sum(squares)))
    opened = 0.5 * float(np.log(powers[0] / powers[1]))
    if opened > max(3 * sigma, _LEAST_OPENED):
        return opened, np.inf
    return 0.0, max(opened, 0.0) + 3 * sigma if opened > -3 * sigma else np.inf
