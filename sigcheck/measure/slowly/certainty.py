"""How sure each run of a slow-keyed signal is: the probability of its state, all other ways to key it included.

Forward and backward sums over whole runs (a hidden semi-Markov model), on the same likelihoods and lengths as the most
likely path. A noisy gap that might hold a mark, and a dit that might be a dah, then show as what they are.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.slowly.runs import OFF, Cells, Rhythm, Runs, positions
from sigcheck.measure.track import Real

_EDGE_DITS = 0.25  # left out at both ends of a run: where an edge lies is no question of what was sent
_OTHER_COST = 2.0  # nats for a sequence that is not a mark, a gap, a mark ...


def certainty(runs: Runs, scores: NDArray[np.float32], c: Cells, rhythm: Rhythm, dit_s: float) -> Real:
    """Probability of each run's state (k,) where it is least sure, its ends left out.

    Parameters
    ----------
    scores : likelihoods as :func:`sigcheck.measure.slowly.runs.run_scores` gives them, without the lengths.
    """
    share = _shares(scores, c, rhythm, dit_s)
    edge = _EDGE_DITS * dit_s
    first, last = positions(c, runs.start_s + edge), positions(c, runs.end_s - edge)
    middle = np.minimum(positions(c, 0.5 * (runs.start_s + runs.end_s)), c.count - 1)
    first, last = np.minimum(first, middle), np.maximum(last, middle + 1)
    least = [float(share[s, a:b].min()) for s, a, b in zip(runs.state, first, last, strict=True)]
    # from one tone to the other there may be a moment of neither, which is nothing to be sure of
    brief = runs.length_s < 2.0 * edge
    return np.where(brief, 1.0, np.clip(np.array(least), 1e-9, 1.0))


def _shares(scores: NDArray[np.float32], c: Cells, rhythm: Rhythm, dit_s: float) -> Real:
    """Probability of each state in each cell, (3, cells)."""
    count, longest = c.count, scores.shape[2]
    weight = np.maximum(scores, -1e9) + _lengths(rhythm, longest, c.cell_s, dit_s)[:, None, :]
    cost = _costs(rhythm)
    ready = np.full((3, count + 1), -1e9)
    ready[:, 0] = 0.0
    total = 0.0
    for k in range(1, count + 1):
        m = min(k, longest)
        ended = _summed(ready[:, k - m : k][:, ::-1] + weight[:, k, :m], 1)
        ready[:, k] = _summed(ended[:, None] - cost, 0)
        if k == count:
            total = float(_summed(ended, 0))
    after = np.zeros((3, count + 1))
    change = np.zeros((3, count + 2))
    each = np.arange(longest)
    for k in range(count - 1, -1, -1):
        m = min(count - k, longest)
        begun = weight[:, k + 1 + each[:m], each[:m]] + after[:, k + 1 : k + 1 + m]
        share = np.exp(ready[:, k, None] + begun - total)
        change[:, k] += share.sum(axis=1)
        change[:, k + 1 : k + 1 + m] -= share
        if k:
            after[:, k] = _summed(_summed(begun, 1)[None, :] - cost, 1)
    return np.asarray(np.cumsum(change, axis=1)[:, :count])


def _summed(x: Real, axis: int) -> Real:
    """Logarithm of the sum of exponentials."""
    top = x.max(axis=axis, keepdims=True)
    return np.asarray(np.log(np.exp(x - top).sum(axis=axis)) + top.squeeze(axis))


def _lengths(rhythm: Rhythm, longest: int, cell_s: float, dit_s: float) -> Real:
    """Log-probability of each length in a state, (3, longest): the rhythm's, which are per logarithm of the length."""
    prior = rhythm.prior(longest, cell_s) - np.log((np.arange(longest) + 1.0) * cell_s / dit_s)
    return np.asarray(prior - _summed(prior, 1)[:, None])


def _costs(rhythm: Rhythm) -> Real:
    """Nats of going from a state (row) to another: marks and gaps take turns, but for DFCW without a gap."""
    cost = np.zeros((3, 3))
    np.fill_diagonal(cost, _OTHER_COST)
    if rhythm.split:
        cost[:OFF, :OFF] = _OTHER_COST
    cost[OFF, OFF] = 0.0  # a pause is as long as it likes
    return cost
