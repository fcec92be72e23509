"""The first look for keying: a two-state path of key up and key down, on the time scale that shows it best.

The path knows no rhythm yet; :mod:`sigcheck.measure.keyed.segmentation` decides from its edges whether there is
keying, and looks again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.keyed.levels import Level, NoiseBeside, log_i0
from sigcheck.measure.track import Mask, Real, runs

Index = NDArray[np.intp]
_FINEST_KEYED_S = 0.003  # shortest cell in which keying is looked for: a fifth of a dit at 60 WPM
INDEPENDENT = 0.55  # neighbouring cells overlap: so much of each counts as new evidence
_SWITCH_COST = 4.0  # log-odds of a change of state in one cell: elements last some ten cells
_MOST_PER_CELL = 7.0  # no single cell decides alone: static crashes
# A strong signal is treated as if it stood no higher than this over the noise density (33 dBHz).
# Then ripple, hum and the noise of a recovering gain control do not pass for keying, and the level
# that explains a recording best has cells of a tenth to a third of a dit.
MOST_CN0_HZ = 2000.0
_FADE = 10**-2.2  # power below the strongest stretch at which the signal is still looked for
_LONGEST_BOUNCE_S = 0.013
LEAST_MARKS = 3
_NEARLY = 0.95  # of the gain on the best level: a finer one that comes so near resolves elements better
_ROUNDS = 5  # of adapting levels, as long as more marks come out of fades


@dataclass(frozen=True)
class Path:
    """Key-down runs on one level: cells ``first`` to ``last`` - 1 of each."""

    level: Level
    quiet: Real  # (cells,) power of the noise
    power: Real  # (cells,) of the tone at key-down, locally
    first: Index
    last: Index
    gain: float  # log-likelihood over "no signal", less the cost of changes
    down_p: Real | None = None  # (cells,) probability of key-down, where the rhythm is known

    @property
    def on_s(self) -> Real:
        """Starts of the marks."""
        return np.asarray(self.level.first_s + self.level.cell_s * (self.first - 0.5))

    @property
    def off_s(self) -> Real:
        """Ends of the marks."""
        return np.asarray(self.level.first_s + self.level.cell_s * (self.last - 0.5))


def best_path(levels: list[Level], noise: NoiseBeside) -> Path | None:
    """The path on the level that explains the recording best, found again there with adapted levels."""
    tried = [(v, noise.power(v)) for v in levels if v.cell_s >= _FINEST_KEYED_S]
    upper = [_upper_power(v, quiet) for v, quiet in tried]
    if not tried:
        return None
    grid, _ = upper[0]
    strongest = np.max([np.interp(grid, t, p) for t, p in upper], axis=0)
    least = _FADE * float(np.quantile(strongest, 0.95))
    paths: list[tuple[Path, Real]] = []
    for (level, quiet), (t, p) in zip(tried, upper, strict=True):
        power = np.maximum(np.interp(level.times_s, t, p), least)
        ceiling = np.maximum(np.interp(level.times_s, grid, strongest), least)
        disturbance = np.maximum(quiet, ceiling * level.noise_bandwidth_hz / MOST_CN0_HZ)
        if np.quantile(power / disturbance, 0.9) < 1.0:
            continue
        path = _viterbi(level, quiet, power, disturbance)
        if _resolved(path):
            paths.append((path, power))
    if not paths:
        return None
    most = max(path.gain for path, _ in paths)
    best, power = next((path, power) for path, power in paths if path.gain >= _NEARLY * most)
    for _ in range(_ROUNDS):
        before = best.first.size
        best = _cleaned(_adapted(best, power, least), noise.followed)
        if best.first.size <= before:
            break
    return best


def _upper_power(level: Level, noise: Real) -> tuple[Real, Real]:
    """Power of the tone at key-down by blocks of half a second or 40 cells: (centres, powers).

    A block without key-down takes its neighbours' power, less 9 dB for each step between.
    """
    width = min(max(round(0.5 / level.cell_s), 40), level.z.size)
    count = level.z.size // width
    p = level.power[: count * width].reshape(count, width)
    quiet = noise[: count * width].reshape(count, width)
    rank = round(0.85 * (width - 1))
    # a crash must not pass for signal; noise alone exceeds 1.9 times its mean for 15 % of the time
    above = np.maximum(np.partition(p - 1.9 * quiet, rank, axis=1)[:, rank], 1e-30)
    step = np.log(8.0) * np.arange(count)
    rising = np.maximum.accumulate(np.log(above) + step) - step
    falling = (np.maximum.accumulate((np.log(above) - step)[::-1]) + step[::-1])[::-1]
    centres = level.first_s + level.cell_s * width * (np.arange(count) + 0.5)
    return np.asarray(centres), np.asarray(np.exp(np.maximum(rising, falling)))


def _viterbi(level: Level, quiet: Real, power: Real, disturbance: Real) -> Path:
    """Most probable key-up/key-down path given the tone's power and the disturbance's in each cell."""
    ratio = power / disturbance
    evidence = INDEPENDENT * (log_i0(2 * np.sqrt(ratio * level.power / disturbance)) - ratio)
    down = _most_probable(np.clip(evidence, -_MOST_PER_CELL, _MOST_PER_CELL), _SWITCH_COST)
    first, last = runs(down)
    gain = float(evidence[down].sum()) - 2 * _SWITCH_COST * first.size
    return Path(level, quiet, power, first, last, gain)


def _most_probable(evidence: Real, cost: float) -> Mask:
    """Two-state Viterbi: the state sequence with the highest evidence less the cost of changes.

    The lead d of one state's score over the other's obeys d <- clip(d, -cost, cost) + evidence; where
    it leaves the clip range before the next cell, the state at that cell is decided, and the cells
    before, back to the last decision, share it.
    """
    leads = _leads(evidence, cost)
    leads[-1] = np.copysign(2 * cost, leads[-1])
    decided = np.abs(leads) > cost
    position = np.where(decided, np.arange(leads.size), leads.size)
    following = np.minimum.accumulate(position[::-1])[::-1]
    return np.asarray(leads[following] > 0)


def _leads(evidence: Real, cost: float) -> Real:
    """d <- clip(d, -cost, cost) + evidence from d = 0 on, shape (n,).

    Over any stretch that comes to clip(d + the stretch's sum, low, high), low and high being where it ends when it
    starts from either end of the clip range. So some sqrt(n) stretches are gone through side by side.
    """
    length = math.isqrt(evidence.size) + 1
    count = -(-evidence.size // length)
    steps = np.zeros(count * length)
    steps[: evidence.size] = evidence
    steps = np.ascontiguousarray(steps.reshape(count, length).T)
    ends = np.empty((length, 2, count))
    before = np.array([[-cost], [cost]])
    for step, end in zip(steps, ends, strict=True):
        np.maximum(before, -cost, out=end)
        np.minimum(end, cost, out=end)
        end += step
        before = end
    sums = np.cumsum(steps, axis=0)
    start = [0.0]
    for total, low, high in zip(sums[-1].tolist(), *ends[-1].tolist(), strict=True):
        start.append(min(max(start[-1] + total, low), high))
    leads = np.minimum(np.maximum(sums + start[:-1], ends[:, 0]), ends[:, 1])
    return np.asarray(leads.T.ravel()[: evidence.size])


def _resolved(path: Path) -> bool:
    """Whether marks and gaps span several cells, so that the level can tell them (or there are too few)."""
    if path.first.size < LEAST_MARKS:
        return True
    marks, gaps = path.last - path.first, path.first[1:] - path.last[:-1]
    return bool(np.median(marks) >= 3.5 and np.median(gaps) >= 2.5)


def _adapted(path: Path, upper: Real, least: float) -> Path:
    """The path found again with key-down and key-up levels taken from it.

    ``upper`` (cells,) is the tone's power as the blocks of the recording show it without a path.
    """
    level, quiet, n = path.level, path.quiet, path.level.z.size
    p = level.power
    down = inside_runs(path.first, path.last, n)
    inside = down & np.roll(down, 1) & np.roll(down, -1)
    use = (inside if inside.sum() > 0.3 * down.sum() else down).astype(np.float64)
    width = max(round(0.35 / level.cell_s), 12)
    sums, weight = (running_sum(running_sum(v * use, width), width) for v in (np.sqrt(np.maximum(p - quiet, 0.0)), 1.0))
    known = np.flatnonzero(weight > 2.5 * width)
    if not known.size:
        return path
    power = np.interp(np.arange(n), known, (sums[known] / weight[known]) ** 2)
    # where marks were missed in a fade, the interpolation between the found ones is too high
    power = np.maximum(np.minimum(power, 2 * upper), least)
    up = ~(down | np.roll(down, 1) | np.roll(down, -1))
    key_up = float(np.median(p[up] / quiet[up])) / np.log(2.0) * quiet if up.sum() > 5 else 0.0 * quiet
    # a deaf moment of the fading still stands clear of a quiet key-up: look 4.4 dB further down there
    power = np.maximum(np.minimum(power, np.maximum(0.36 * power, 16 * key_up)), 4 * key_up)
    disturbance = np.maximum(np.maximum(quiet, key_up), power * level.noise_bandwidth_hz / MOST_CN0_HZ)
    found = _viterbi(level, quiet, power, disturbance)
    return found if found.first.size else path


def running_sum(x: Real, width: int) -> Real:
    """Sum over ``width`` values about each."""
    total = np.concatenate([[0.0], np.cumsum(x)])
    k = np.arange(x.size)
    return np.asarray(total[np.minimum(k + width // 2 + 1, x.size)] - total[np.maximum(k - width // 2, 0)])


def inside_runs(first: Index, last: Index, n: int) -> Mask:
    """Mask (n,) of the runs first .. last - 1, which must not overlap."""
    inside = np.zeros(n, bool)
    for a, b in zip(np.clip(first, 0, n).tolist(), np.clip(last, 0, n).tolist(), strict=True):
        inside[a:b] = True
    return inside


def _cleaned(path: Path, noise_followed: bool) -> Path:
    """Without breaks far shorter than the usual gap, and without blips that are short or too weak.

    Where the noise was not followed, what is far weaker than its neighbours may be noise that a gain
    control has lifted.
    """
    first, last = path.first, path.last
    if first.size < LEAST_MARKS:
        return path
    shortest_gap = 0.35 * np.quantile(first[1:] - last[:-1], 0.3)
    # a contact that bounces, maybe in most elements, opens for a few ms: no gap at any usual speed
    bounce = min(0.3 * float(np.median(last - first)), _LONGEST_BOUNCE_S / path.level.cell_s)
    shortest_gap = max(shortest_gap, bounce)
    keep = np.append(first[1:] - last[:-1] >= shortest_gap, True)
    last = last[keep]
    first = first[np.append(True, keep[:-1])]
    length = last - first
    p = np.concatenate([[0.0], np.cumsum(path.level.power)])
    quiet = np.concatenate([[0.0], np.cumsum(path.quiet)])
    energy = (p[last] - p[first]) - (quiet[last] - quiet[first])
    power = energy / length
    reach = min(7, (power.size - 1) // 2)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(power, reach, mode="reflect"), 2 * reach + 1)
    local = power / np.maximum(np.median(around, axis=1), 1e-30)
    # energy over density: below some 13 dB a lone blip is as likely noise that the path let through
    over_noise = energy / (quiet[last] - quiet[first]) * length * INDEPENDENT
    clear = (over_noise > 25.0) & (noise_followed | (local > 0.02))
    real = (length >= 0.4 * np.quantile(length, 0.25)) & (clear | (local > 0.1))
    return replace(path, first=first[real], last=last[real])
