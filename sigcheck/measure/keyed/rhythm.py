"""Elements found again once the rhythm is known: a semi-Markov path over the whole recording.

A first look at a weak or fading signal misses dits and fills gaps. But it shows the rhythm, and with
that known a recording is explained far better as marks and gaps of likely lengths than cell by cell:
marks are a mixture of dits and dahs, gaps one of three kinds. All ways to cut the recording into such
marks and gaps are summed, forwards and backwards, so that each cell gets its probability of key-down:
that decides, and says how sure the decision is. The tone's level is followed by likelihood as well,
from a grid of levels in short blocks: a fade is no gap, and its depth is known before any mark in it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.keyed.levels import log_i0
from sigcheck.measure.keyed.morse_timing import Timing
from sigcheck.measure.track import Mask, Real

Cells = NDArray[np.intp]

_STEP_DB = 2.0  # of the grid of levels
_DEEPEST_DB = 34.0
_PAUSE = 0.1  # share of blocks in which nothing is sent
_STRANGE = 0.01  # share of cells that hold a crash of static
_MOVE_COST = 0.5  # log-odds of one step between neighbouring blocks
_NEW_IN_EACH = 0.55  # neighbouring cells overlap: so much of each counts as new evidence
_ODD = 0.03  # share of marks and gaps of any length at all
_MARK_SPREAD = (0.10, 0.25)  # of a good keyer's marks, of a poor fist's
_GAP_SPREAD = np.array([0.22, 0.30, 0.45])
_SHARES = (np.array([0.55, 0.45]), np.array([0.60, 0.28, 0.12]))
_PAUSE_UNITS = 10.0  # longer than the gap between words
_EACH_MARK = 4.0  # log-odds that a mark at any place costs
_ALONE = 8.0
_SHORTEST = 0.3
_CHUNKS = 40  # stretches of the recording worked on at once
_OVERLAP_UNITS = 16.0


@dataclass(frozen=True)
class Found:
    """Key-down runs in cells (first, one past the last), and the probability of key-down in each cell."""

    first: Cells
    last: Cells
    down_p: Real


def followed_level(power: Real, disturbance: Real, block: int, least: float) -> Real:
    """The tone's power in each cell, (n,), by likelihood.

    ``power`` (n,) of what is heard and ``disturbance`` (n,) of noise alone. Blocks of ``block`` cells; in each
    a cell is key-down or key-up with equal odds, or nothing was sent. ``least``: power over disturbance
    below which nothing can be read anyway.
    """
    n = power.size
    usual = float(np.median(disturbance))
    top = max(float(np.quantile(power, 0.97)), usual)
    levels = top * 10 ** (np.arange(_STEP_DB, -_DEEPEST_DB, -_STEP_DB) / 10)
    levels = levels[: max(int(np.sum(levels > least * usual)), 1)]
    count = max(n // block, 1)
    starts = np.arange(count) * min(block, n)
    heard = power / disturbance
    crash = np.logaddexp(0.0, _crash(heard))
    score = np.empty((count, levels.size))
    for k, level in enumerate(levels):
        ratio = level / disturbance
        either = np.logaddexp(log_i0(2 * np.sqrt(ratio * heard)) - ratio, crash) - np.log(2.0)
        score[:, k] = np.add.reduceat(either, starts)
    score = np.logaddexp(_NEW_IN_EACH * score, np.log(_PAUSE))
    moves = _MOVE_COST * np.abs(np.subtract.outer(np.arange(levels.size), np.arange(levels.size)))
    total = _passed(score, moves) + _passed(score[::-1], moves)[::-1] - score
    p = np.exp(total - total.max(axis=1, keepdims=True))
    decibels = (p @ (10 * np.log10(levels))) / p.sum(axis=1)
    return np.asarray(10 ** (np.interp(np.arange(n), starts + 0.5 * (block - 1), decibels) / 10))


def _crash(ratio_of: Real) -> Real:
    """Log-likelihood of something else, maybe far louder, over that of noise."""
    return np.asarray(ratio_of - 2 * np.log1p(ratio_of) + np.log(_STRANGE))


def key_down_evidence(ratio_of: Real, level: Real) -> Real:
    """Log-likelihood of key-down over key-up in each cell; what neither explains speaks for none."""
    down = log_i0(2 * np.sqrt(level * ratio_of)) - level
    crash = _crash(ratio_of)
    return np.asarray(np.logaddexp(down, crash) - np.logaddexp(0.0, crash))


def _passed(score: Real, moves: Real) -> Real:
    """Forward sums: log-probability of all courses that end in each level, (blocks, levels)."""
    out = np.empty_like(score)
    now = score[0]
    out[0] = now
    for k in range(1, len(score)):
        top = now.max()
        now = score[k] + top + np.log(np.exp(now - top) @ np.exp(-moves))
        out[k] = now
    return out


def marks_and_gaps(evidence: Real, timing: Timing, cell_s: float) -> Found:
    """Cells explained as marks and gaps in that rhythm.

    ``evidence`` (n,): log-likelihood of key-down over key-up in each cell.
    """
    mark, gap = marks_and_gaps_lengths(
        np.array([timing.dit_s, timing.dah_s]) / cell_s, timing.gaps_s / cell_s, timing.mark_spread
    )
    n = evidence.size
    overlap = min(round(_OVERLAP_UNITS * timing.unit_s / cell_s), n)
    size = max(-(-n // _CHUNKS), 2 * overlap)
    count = -(-n // size)
    padded = np.zeros(count * size + 2 * overlap)
    padded[overlap : overlap + n] = evidence
    chunks = np.lib.stride_tricks.sliding_window_view(padded, size + 2 * overlap)[::size]
    both = _summed(np.concatenate([chunks, chunks[:, ::-1]]), mark, gap)
    (mark_before, gap_before), (mark_after, gap_after) = (
        tuple(v[:count] for v in both),
        tuple(v[count:, ::-1] for v in both),
    )
    total = np.logaddexp(mark_after[:, 0], gap_after[:, 0])[:, None]
    change = np.exp(gap_before + mark_after - total) - np.exp(mark_before + gap_after - total)
    change[:, 0] = np.exp(mark_after[:, 0] - total[:, 0])
    down = np.cumsum(change, axis=1)[:, overlap : overlap + size].ravel()[:n]
    down = np.clip(down, 0.0, 1.0)
    edge = np.diff((down > 0.5).astype(np.int8), prepend=0, append=0)
    first, last = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    kept = _meant(first, last, evidence, timing.unit_s / cell_s)
    return Found(first[kept], last[kept], down)


def _meant(first: Cells, last: Cells, evidence: Real, unit: float) -> Mask:
    """Marks that belong to a transmission: not the few that noise spells where nothing is sent.

    Over a pause the level is unknown, and it is set to what suits the loudest noise. So what stands alone must
    show more evidence than noise ever gathers by such a choice.
    """
    if not first.size:
        return np.zeros(0, bool)
    total = np.concatenate([[0.0], np.cumsum(evidence)])
    each = total[last] - total[first]
    group = np.concatenate([[0], np.cumsum(first[1:] - last[:-1] > _PAUSE_UNITS * unit)])
    clear = np.bincount(group, each - _EACH_MARK)
    return np.asarray((clear > _ALONE)[group] & (last - first > _SHORTEST * unit))


def marks_and_gaps_lengths(marks: Real, gaps: Real, spread: float) -> tuple[Real, Real]:
    """Log-probabilities of lengths of 1, 2, ... cells: of marks, and of gaps.

    ``marks`` (2,) dit and dah, ``gaps`` (3,) inside and between characters and words, in cells; ``spread`` of marks.
    """
    mark = _log_lengths(marks, np.full(2, np.clip(spread, *_MARK_SPREAD)), _SHARES[0])
    return mark, _log_lengths(gaps, _GAP_SPREAD, _SHARES[1], most=round(1.15 * float(gaps[2])))


def _log_lengths(means: Real, spreads: Real, shares: Real, most: int | None = None) -> Real:
    """Log-probability of lengths of 1 .. ``most`` cells; the last holds all that is longer."""
    most = most or int(np.ceil(1.7 * means[-1])) + 1
    d = np.arange(1, most + 1)[:, None]
    spread = np.hypot(spreads, 0.5 / means)  # a length in whole cells is that uncertain
    p = shares / spread * np.exp(-0.5 * (np.log(d / means) / spread) ** 2) / np.sqrt(2 * np.pi) / d
    return np.asarray(np.log(p.sum(axis=1) + _ODD / (4.0 * d[:, 0])))


def _summed(evidence: Real, mark: Real, gap: Real) -> tuple[Real, Real]:
    """Log of the summed probability of all explanations of the first j cells that end in a mark, or a gap.

    ``evidence`` (rows, n); both results (rows, n + 1). A gap may go on beyond its longest length.
    """
    rows, n = evidence.shape
    total = np.concatenate([np.zeros((rows, 1)), np.cumsum(evidence, axis=1)], axis=1)
    lead = max(mark.size, gap.size)
    # the windows lie along the first axis, newest last
    marks = np.full((lead + n + 1, rows), -1e9, np.float64)
    gaps = np.full((lead + n + 1, rows), -1e9, np.float64)  # less the evidence so far
    marks[lead] = gaps[lead] = 0.0
    mark_back, gap_back = mark[::-1, None], gap[::-1, None]
    pause = np.full(rows, -1e9)
    going_on, long = float(np.log1p(-1.0 / gap.size)), float(gap[-1])
    sums = np.ascontiguousarray(total.T)
    w, v = np.empty((mark.size, rows)), np.empty((gap.size, rows))
    for j in range(lead + 1, lead + n + 1):
        np.add(gaps[j - mark.size : j], mark_back, out=w)
        top = np.maximum.reduce(w)
        np.exp(np.subtract(w, top, out=w), out=w)
        marks[j] = sums[j - lead] + top + np.log(np.add.reduce(w))
        np.add(marks[j - gap.size : j], gap_back, out=v)
        pause = np.logaddexp(pause + going_on, v[0])
        top = np.maximum(np.maximum.reduce(v), pause + long)
        np.exp(np.subtract(v, top, out=v), out=v)
        gaps[j] = top + np.log(np.add.reduce(v) + np.exp(pause + long - top)) - sums[j - lead]
    return marks[lead:].T, (gaps[lead:] + sums).T
