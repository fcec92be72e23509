"""When a slowly keyed signal is on which of its tones, or off.

Both tones are brought to 0 Hz along the followed path and summed over short cells. A run of one state
is weighed by the *coherent* sum over all of it: at 16 dB of energy in a dit, sums over its parts
decide nothing. So the states are found as whole runs (a semi-Markov path by dynamic programming over
their ends and lengths), first without any notion of lengths, then with those that the rhythm has.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.slowly.path import Band, likelihood
from sigcheck.measure.track import Mask, Real

LOW, HIGH, OFF = 0, 1, 2
CHANGE_COST = 4.0  # nats: a change of state must earn as much
_AGAIN_COST = 1.0  # a run in two pieces, each with a phase of its own
MOST_ENERGY = 160.0  # of a run as long as a dit: ten times what a faded one needs; hum and filters would decide
_FADES = (1.0, 0.25, 0.1)  # of the usual energy: as it is, 6 and 10 dB down
_FADE_COST = 2.0  # nats for each of these steps
_LEAST_FADED = 16.0  # energy of a dit that has faded so far and is still no noise
_OUTLIER = -6.0  # log-likelihood of a length of any kind, relative to the most likely ones


@dataclass(frozen=True)
class Cells:
    """Sums of both tones over cells, cumulative: ``total`` (2, cells + 1); noise of a cell has variance ``cell_s``.

    ``energy`` (2, cells + 1): cumulative energy over noise density that each tone would have.
    """

    total: NDArray[np.complex128]
    energy: Real
    cell_s: float
    first_s: float  # beginning of the first cell

    @property
    def count(self) -> int:
        """Number of cells."""
        return int(self.total.shape[1]) - 1


@dataclass(frozen=True)
class Runs:
    """Runs of one state, one after the other: beginnings, ends, states (k,); ``score`` the path's log-likelihood."""

    start_s: Real
    end_s: Real
    state: NDArray[np.intp]
    score: float

    @property
    def length_s(self) -> Real:
        """Lengths."""
        return self.end_s - self.start_s

    @property
    def on(self) -> Mask:
        """Runs on one of the tones."""
        return np.asarray(self.state != OFF)

    def inner(self) -> Runs:
        """Without what lies before the first tone and after the last."""
        where = np.flatnonzero(self.on)
        if not where.size:
            return replace(self, start_s=self.start_s[:0], end_s=self.end_s[:0], state=self.state[:0])
        part = slice(where[0], where[-1] + 1)
        return replace(self, start_s=self.start_s[part], end_s=self.end_s[part], state=self.state[part])


@dataclass(frozen=True)
class Pair:
    """The bands that hold the two tones, and the followed path of the lower one.

    ``path_hz`` (n,) is the audio frequency at the bands' samples; for one tone alone ``shift_hz`` is 0.
    ``density`` (2, n): C/N0 in Hz of each tone against time.
    """

    low: Band
    high: Band
    path_hz: Real
    shift_hz: float
    density: Real

    @property
    def tones(self) -> int:
        """One or two."""
        return 2 if self.shift_hz else 1

    def baseband(self, tone: int) -> NDArray[np.complex128]:
        """A tone at 0 Hz, (n,), noise of density 1."""
        b = self.high if tone else self.low
        hz = self.path_hz - b.centre_hz + (self.shift_hz if tone else 0.0)
        return np.asarray(b.z * np.exp(-2j * np.pi * np.cumsum(hz) / b.rate_hz))


def cells(pair: Pair, cell_s: float) -> Cells:
    """Sums over cells of about that length."""
    rate = pair.low.rate_hz
    size = max(1, round(cell_s * rate))
    count = pair.low.z.size // size

    def summed(x: NDArray[Any]) -> NDArray[Any]:
        return np.asarray(x[: count * size].reshape(count, size).sum(axis=1))

    total = np.zeros((2, count + 1), np.complex128)
    energy = np.zeros((2, count + 1))
    for tone in range(pair.tones):
        total[tone, 1:] = np.cumsum(summed(pair.baseband(tone))) / rate
        energy[tone, 1:] = np.cumsum(summed(pair.density[tone])) / rate
    return Cells(total, energy, size / rate, pair.low.first_s - 0.5 / rate)


def positions(c: Cells, time_s: Real) -> NDArray[np.intp]:
    """The boundaries between cells nearest to times."""
    return np.clip(np.round((time_s - c.first_s) / c.cell_s).astype(np.intp), 0, c.count)


def run_scores(
    c: Cells, tones: int, longest: int, dit_cells: float, *, faded: int = 2
) -> NDArray[np.float32]:
    """Log-likelihood over noise of runs in each state that end at k and last l + 1 cells: (3, cells + 1, longest).

    ``faded``: steps of fading that are reckoned with beyond the level as far as it is known.
    """
    out = np.full((3, c.count + 1, longest), -np.inf, np.float32)
    typical = float(np.median(np.diff(c.energy[:tones], axis=1))) * dit_cells
    for length in range(1, longest + 1):
        for tone in range(tones):
            total = c.total[tone, length:] - c.total[tone, :-length]
            energy = c.energy[tone, length:] - c.energy[tone, :-length]
            power = (total.real**2 + total.imag**2) / (length * c.cell_s)
            out[tone, length:, length - 1] = _faded(power, energy, typical, faded)
        out[OFF, length:, length - 1] = 0.0
    return out


def _faded(power: Real, energy: Real, typical: float, steps: int) -> Real:
    """Log-likelihood of a tone that may be weaker than usual, as fading makes it: each depth less likely than the last.

    A tone taken to be four times stronger than it is explains its own power worse than silence does. ``typical`` is
    the energy of a dit; of more than is trusted only a share counts.
    """
    trust = min(1.0, MOST_ENERGY / max(typical, 1e-12))
    out = likelihood(power * trust, energy * trust)
    for k, share in enumerate(_FADES[1 : steps + 1], 1):
        if typical * share > _LEAST_FADED:
            np.maximum(out, likelihood(power * trust, share * trust * energy) - _FADE_COST * k, out=out)
    return out


@dataclass(frozen=True)
class Rhythm:
    """Lengths that runs have, in seconds, and which state is the mark.

    ``marks`` and ``gaps`` are class means; a gap may be any longer than the last of them. ``split``: the
    marks follow each other without a gap.
    """

    marks: tuple[float, ...]
    gaps: tuple[float, ...]
    mark_states: tuple[int, ...]
    spread: float = 0.15
    split: bool = False

    def prior(self, longest: int, cell_s: float) -> Real:
        """Log-likelihood of each length, shape (3, longest)."""
        length = (np.arange(longest) + 1.0) * cell_s
        grain = 0.29 * cell_s  # of the grid of cells itself

        def nearest(means: tuple[float, ...]) -> Real:
            off = [np.log(length / m) / np.hypot(self.spread, grain / m) for m in means]
            return np.asarray(np.maximum(-0.5 * np.min(np.square(off), axis=0), _OUTLIER))

        mark, gap = nearest(self.marks), nearest(self.gaps)
        gap = np.where(length > self.gaps[-1], np.maximum(gap, -1.0), gap)
        return np.asarray(np.stack([mark if s in self.mark_states else gap for s in (LOW, HIGH, OFF)]))


def best_runs(
    scores: NDArray[np.float32], c: Cells, *, rhythm: Rhythm | None = None, change: float = CHANGE_COST
) -> Runs:
    """The most likely runs."""
    longest = scores.shape[2]
    if rhythm is not None:
        scores = scores + rhythm.prior(longest, c.cell_s)[:, None, :].astype(np.float32)
    cost = _costs(rhythm, change)
    count = c.count
    ready = np.full((3, count + 1), -np.inf)
    ready[:, 0] = 0.0
    before = np.zeros((3, count + 1), np.int8)
    lasted = np.zeros((3, count + 1), np.int32)
    each = np.arange(3)
    best = np.zeros(3)
    for k in range(1, count + 1):
        m = min(k, longest)
        offered = ready[:, k - m : k][:, ::-1] + scores[:, k, :m]
        j = offered.argmax(axis=1)
        best = offered[each, j]
        lasted[:, k] = j + 1
        moved = best[:, None] - cost
        source = moved.argmax(axis=0)
        before[:, k] = source
        ready[:, k] = moved[source, each]
    k, state = count, int(best.argmax())
    score = float(best[state])
    starts: list[int] = []
    ends: list[int] = []
    states: list[int] = []
    while k > 0:
        length = int(lasted[state, k])
        start = k - length
        if states and states[-1] == state and not (rhythm is not None and rhythm.split and state != OFF):
            starts[-1] = start
        else:
            starts.append(start)
            ends.append(k)
            states.append(state)
        k = start
        state = int(before[state, k])
    at = c.first_s + c.cell_s * np.array([starts, ends], np.float64)[:, ::-1]
    return Runs(at[0], at[1], np.array(states[::-1], np.intp), score)


def _costs(rhythm: Rhythm | None, change: float) -> Real:
    """Cost of going from a state (row) to another."""
    cost = np.full((3, 3), change)
    np.fill_diagonal(cost, _AGAIN_COST)
    cost[OFF, OFF] = 0.0
    if rhythm is not None:
        np.fill_diagonal(cost, change + 2.0)  # the lengths' classes must not be evaded in pieces
        if rhythm.split:
            cost[LOW, LOW] = cost[HIGH, HIGH] = change
        cost[OFF, OFF] = change
    return cost


def sharpened(runs: Runs, pair: Pair, dit_s: float) -> Runs:
    """Each boundary moved to where the likelihood of its two sides is greatest, on the band's own samples.

    Before the first and after the last run there is silence.
    """
    c = cells(pair, 0.0)
    state = np.concatenate([[OFF], runs.state, [OFF]])
    inner = positions(c, np.append(runs.start_s, runs.end_s[-1:]))
    at = np.concatenate([[0], inner, [c.count]])
    side = max(2, round(1.2 * dit_s / c.cell_s))
    for i in range(1, at.size - 1):
        a, b = max(at[i - 1], at[i] - side), min(at[i + 1], at[i] + side)
        reach = round(0.4 * min(b - at[i], at[i] - a, dit_s / c.cell_s))
        if reach <= 0:
            continue
        x = np.arange(at[i] - reach, at[i] + reach + 1)
        gain = np.zeros(x.size)
        if state[i - 1] != OFF:
            gain += _run_likelihood(c, state[i - 1], a, x)
        if state[i] != OFF:
            gain += _run_likelihood(c, state[i], x, b)
        at[i] = x[int(np.argmax(gain))]
    edges = c.first_s + c.cell_s * at[1:-1]
    return replace(runs, start_s=edges[:-1], end_s=edges[1:])


def _run_likelihood(
    c: Cells, tone: int, start: int | NDArray[np.intp], end: int | NDArray[np.intp], scale: float = 1.0
) -> Real:
    total = c.total[tone, end] - c.total[tone, start]
    energy = c.energy[tone, end] - c.energy[tone, start]
    seconds = np.maximum(np.asarray(end) - np.asarray(start), 1) * c.cell_s
    return likelihood((total.real**2 + total.imag**2) / seconds * scale, energy * scale)


def total_likelihood(runs: Runs, pair: Pair, trust: float) -> float:
    """Log-likelihood of all runs over noise, of their energy only so large a share counting."""
    c = cells(pair, 0.0)
    total = 0.0
    for tone in range(pair.tones):
        mine = runs.state == tone
        a, b = positions(c, runs.start_s[mine]), positions(c, runs.end_s[mine])
        total += float(_run_likelihood(c, tone, a, b, trust).sum())
    return total


def certainty(runs: Runs, pair: Pair, dit_s: float) -> Real:
    """Probability of each run's state against the best other one over the same time, shape (k,)."""
    c = cells(pair, dit_s / 24)
    at = positions(c, np.append(runs.start_s, runs.end_s[-1:]))
    every = [_run_likelihood(c, tone, at[:-1], at[1:]) for tone in range(pair.tones)]
    if pair.tones == 1:
        every.append(np.full(runs.state.size, -np.inf))
    every.append(np.zeros(runs.state.size))
    value = np.stack(every)
    rows = np.arange(runs.state.size)
    own = value[runs.state, rows]
    value[runs.state, rows] = -np.inf
    return np.asarray(1.0 / (1.0 + np.exp(np.clip(value.max(axis=0) - own, -50.0, 50.0))))
