"""How weak the keying may get: noise is added to the recording's own signal, and it is read again.

The tone is summed over cells of a fraction of a dit, its own chirp, ripple, backwave, fading and scatter with
it. White noise is added to some depths, and marks and gaps are found in it by the most probable path, as a
receiver finds them that knows speed and strength and uses no phase from one cell to the next. A character
counts as read where all its marks and gaps come out as they do without the noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.keyed import rhythm
from sigcheck.measure.keyed.levels import log_i0
from sigcheck.measure.results import Keying
from sigcheck.measure.track import Mask, Real, Track

Rows = NDArray[np.float64]

_CELLS = 4  # in a dit
_CHUNK_UNITS, _OVERLAP_UNITS = 30, 9  # worked on at once; what is told by what is known before and after
_MOST_CHUNKS = (40, 40, 10)  # in each round; a third one is seldom needed, and must not cost what the first did
_PAUSED = 2.0  # log-odds of a gap that goes on beyond the longest
_SEED = 20240229
_LEVELS_DB = np.array([-1.2, 0.0, 1.4])
_UNSETTLED_DB = 1.5  # where the last round still moved on: by as much as the levels tried lie apart
_SLOPE = 0.9  # of the log-odds of a wrong character, per dB (simulated: 1.1 by machine, 0.7 by hand)


@dataclass(frozen=True)
class Trial:
    """Share of characters that are no longer read (levels,) where a dit has that energy over the noise density."""

    energy_db: Real
    wrong: Real
    characters: int


@dataclass(frozen=True)
class Break:
    """Energy of a dit over the noise density at which so many characters are wrong, in dB."""

    energy_db: float
    sigma_db: float


def breaks(track: Track, k: Keying, *, wrong: float, guess_db: float, most_db: float) -> Break | None:
    """The energy at which that share of characters is wrong; None where it can't be tried below ``most_db``.

    Levels about the guess are tried, and about what comes out where that lies elsewhere.
    """
    for most_chunks in _MOST_CHUNKS:
        levels = np.minimum(guess_db + _LEVELS_DB, most_db)
        trial = tried(track, k, levels, most_chunks)
        if trial is None:
            return None
        fitted = _fitted(trial)
        found = fitted + (_logit(0.05) - _logit(wrong)) / _SLOPE
        near = float(np.clip(found, levels[0] - 4.0, levels[-1] + 6.0))
        if levels[0] - 0.7 < found < levels[-1] + 0.7:
            scatter = 1 / (_SLOPE * np.sqrt(max(float(np.sum(trial.wrong)), 1 / trial.characters) * trial.characters))
            return Break(found, float(scatter))
        if near >= most_db:
            return None
        guess_db = near
    return Break(found, _UNSETTLED_DB)


@dataclass(frozen=True)
class _Lengths:
    """Usual lengths in seconds: the unit, dit, dah, and the gaps (3,) inside and between characters and words."""

    unit: float
    dit: float
    dah: float
    gaps: Real

    @classmethod
    def of(cls, k: Keying, open_s: Real) -> _Lengths:
        unit = k.dit_s or 0.1
        weighting, ratio = k.weighting or 0.0, k.dah_dit_ratio or 3.0
        gap = unit * float(np.clip(1 - 2 * weighting, 0.3, 1.7))
        between = open_s[(open_s > gap + 0.9 * unit) & (open_s < gap + 3.8 * unit)]
        letter = float(np.median(between)) if between.size > 4 else gap + 2 * unit
        dah = unit * (ratio + 1) - gap
        gaps = np.array([gap, letter, max(gap + 6 * unit, 1.6 * letter)])
        return cls(unit, 2 * unit - gap, max(dah, 1.3 * unit), gaps)


def tried(track: Track, k: Keying, energy_db: Real, most_chunks: int = _MOST_CHUNKS[0]) -> Trial | None:
    """The signal read again at those energies of a dit over the noise density, in dB (levels,).

    At most so many chunks of thirty dits, about the middle of the transmission.

    None where the speed is not known, or fewer than eight characters are whole.
    """
    marks, base = track.marks, track.base
    on, off = marks.on_s, marks.off_s
    if k.dit_s is None or on.size < 12:
        return None
    lengths = _Lengths.of(k, on[1:] - off[:-1])
    cell_s = lengths.unit / _CELLS
    size = round(_CHUNK_UNITS * _CELLS)
    overlap = round(_OVERLAP_UNITS * _CELLS)
    whole = int((off[-1] - on[0]) / cell_s) + 2 * _CELLS
    count = min(max(1, -(-whole // size)), most_chunks)
    first_s = max(on[0] - lengths.unit, 0.5 * (on[0] + off[-1] - count * size * cell_s))
    tone, level = _in_cells(track, first_s - overlap * cell_s, cell_s, count * size + 2 * overlap)
    rng = np.random.default_rng(_SEED)
    noise = rng.standard_normal(2 * tone.size, np.float32).view(np.complex64) * np.float32(np.sqrt(0.5))
    power = float(np.median(level))
    rows = []
    for n, energy in enumerate(10 ** (energy_db / 10)):
        density = power * lengths.unit / energy
        there = min(base.noise_density, 0.9 * density)
        added = np.sqrt((density - there) / cell_s) * np.roll(noise, 977 * n)
        heard, own = np.abs(tone + added) ** 2 / (density / cell_s), level / (density / cell_s)
        evidence = log_i0(2 * np.sqrt(own * heard)) - own
        rows.append(np.lib.stride_tricks.sliding_window_view(evidence, size + 2 * overlap)[::size])
    mark, gap = rhythm.marks_and_gaps_lengths(
        np.array([lengths.dit, lengths.dah]) / cell_s, lengths.gaps / cell_s, k.element_jitter or 0.0
    )
    down = _most_probable(np.concatenate(rows), mark, gap)[:, overlap : overlap + size]
    begin, end = first_s, first_s + count * size * cell_s
    some = (on > begin) & (off < end)
    judged = _Characters.of(on[some], off[some], lengths)
    if judged.count < 8:
        return None
    wrong = [judged.wrong(one.ravel(), first_s, cell_s) for one in down.reshape(energy_db.size, count, size)]
    return Trial(energy_db, np.array(wrong), judged.count)


def _logit(p: float) -> float:
    return float(np.log(p / (1 - p)))


def confident_db(wrong: float) -> float:
    """How much weaker (in dB) a signal of which that share is wrong may get until 5 % are."""
    return (_logit(0.05) - _logit(float(np.clip(wrong, 1e-3, 0.9)))) / _SLOPE


def _fitted(t: Trial) -> float:
    """Energy of 5 %: the most likely place of a logistic curve of that slope (bisection of its score)."""
    low, high = float(t.energy_db.min()) - 12.0, float(t.energy_db.max()) + 12.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        expected = 1 / (1 + np.exp(_SLOPE * (t.energy_db - middle) - _logit(0.05)))
        low, high = (low, middle) if expected.sum() > t.wrong.sum() else (middle, high)
    return 0.5 * (low + high)


def _in_cells(track: Track, first_s: float, cell_s: float, count: int) -> tuple[NDArray[np.complex64], Real]:
    """The tone's mean in each cell, and its power at key-down there, as far as it fades slowly."""
    base, marks = track.base, track.marks
    z, rate = base.z, base.rate_hz
    edges = np.clip(np.round((first_s + np.arange(count + 1) * cell_s) * rate).astype(np.intp), 0, z.size)
    inside = edges[:-1] < edges[1:]
    total = np.zeros(count, np.complex64)
    bounds = np.append(edges[:-1][inside], edges[1:][inside][-1])
    total[inside] = np.add.reduceat(z[: bounds[-1]], bounds[:-1])
    tone = total / np.float32(cell_s * rate)
    settled = np.where(marks.settled[::8], np.abs(track.carrier[::8]) ** 2, 0.0)
    step = max(1, settled.size // 64)
    blocks = settled[: settled.size // step * step].reshape(-1, step)
    known = (blocks > 0).sum(axis=1)
    some = known > 0.1 * step
    t = (np.arange(known.size) + 0.5) * step * 8 / rate
    level = np.interp(first_s + (np.arange(count) + 0.5) * cell_s, t[some], blocks.sum(axis=1)[some] / known[some])
    return tone, np.asarray(level)


def _most_probable(evidence: Rows, mark: Real, gap: Real) -> Mask:
    """Key-down (rows, n) on the most probable way to cut each row into marks and gaps.

    ``evidence`` (rows, n): log-likelihood of key-down over key-up. ``mark`` and ``gap``: log-probabilities of
    lengths of 1, 2, ... cells. A gap may follow a gap: a pause.
    """
    rows, n = evidence.shape
    lead = max(mark.size, gap.size)
    sums = np.concatenate([np.zeros((1, rows)), np.cumsum(evidence.T, axis=0)])
    # scores less the evidence so far, of what ends here: a mark (with it), or a gap (without)
    marks, gaps = np.full((lead + n + 1, rows), -1e9), np.full((lead + n + 1, rows), -1e9)
    marks[lead] = gaps[lead] = 0.0
    came_mark, came_gap = np.zeros((n + 1, rows), np.int16), np.zeros((n + 1, rows), np.int16)
    mark_back, gap_back = mark[::-1, None], gap[::-1, None]
    column = np.arange(rows)
    w, v = np.empty((mark.size, rows)), np.empty((gap.size, rows))
    ended = np.full((lead + n + 1, rows), -1e9)  # the better of both, as what a gap may follow
    ended[lead] = 0.0
    for j in range(1, n + 1):
        at = lead + j
        np.add(gaps[at - mark.size : at], mark_back, out=w)
        k = w.argmax(axis=0)
        came_mark[j] = mark.size - k
        marks[at] = w[k, column] + sums[j]
        np.add(ended[at - gap.size : at], gap_back, out=v)
        k = v.argmax(axis=0)
        came_gap[j] = gap.size - k
        plain = v[k, column]
        gaps[at] = plain - sums[j]
        ended[at] = np.maximum(marks[at], plain - _PAUSED)
    return _traced(marks[lead:], gaps[lead:] + sums, ended[lead:], came_mark, came_gap)


def _traced(marks: Rows, gaps: Rows, ended: Rows, came_mark: NDArray[np.int16], came_gap: NDArray[np.int16]) -> Mask:
    """The path back from the end of each row."""
    n, rows = marks.shape[0] - 1, marks.shape[1]
    change = np.zeros((n + 1, rows), np.int8)
    at = np.full(rows, n)
    is_mark = marks[n] > gaps[n]
    column = np.arange(rows)
    while (at > 0).any():
        length = np.where(is_mark, came_mark[at, column], came_gap[at, column])
        begin = np.maximum(at - length, 0)
        live = at > 0
        np.add.at(change, (begin[live & is_mark], column[live & is_mark]), 1)
        np.add.at(change, (at[live & is_mark], column[live & is_mark]), -1)
        # a gap came from a mark, or from a gap where that was better
        is_mark = ~is_mark & (ended[begin, column] <= marks[begin, column])
        at = begin
    return np.asarray(np.cumsum(change, axis=0)[:-1].T > 0)


@dataclass(frozen=True)
class _Characters:
    """What is keyed: marks and gaps with their kinds, and the first mark of each character."""

    on_s: Real
    off_s: Real
    dah: Mask
    inside: Mask  # (n - 1,) gaps
    starts: NDArray[np.intp]
    lengths: _Lengths

    @classmethod
    def of(cls, on: Real, off: Real, lengths: _Lengths) -> _Characters:
        dah, inside = _kinds(on, off, lengths)
        return cls(on, off, dah, inside, np.flatnonzero(np.append(True, ~inside)), lengths)

    @property
    def count(self) -> int:
        """Characters that have whole ones before and after."""
        return max(self.starts.size - 2, 0)

    def wrong(self, down: Mask, first_s: float, cell_s: float) -> float:
        """Share of the characters that these cells don't spell."""
        edge = np.diff(down.astype(np.int8), prepend=0, append=0)
        on, off = (first_s + cell_s * np.flatnonzero(edge == sense) for sense in (1, -1))
        if on.size < 3:
            return 1.0
        middle = 0.5 * (self.on_s + self.off_s)
        mine = np.clip(np.searchsorted(on, middle, "right") - 1, 0, on.size - 1)  # the mark over the middle of each
        good = (on[mine] < middle) & (off[mine] > middle)
        dah, inside = _kinds(on, off, self.lengths)
        good &= dah[mine] == self.dah
        # of the gaps: the next mark is the next one there, and as far as it should be
        following = np.diff(mine) == 1
        following &= inside[np.minimum(mine[:-1], inside.size - 1)] == self.inside
        bad = np.concatenate([[0], np.cumsum(~good)])
        bad_gap = np.concatenate([[0, 0], np.cumsum(~following), [0]])
        bad_gap[-1] = bad_gap[-2]
        a, b = self.starts[1:-1], self.starts[2:]
        return float(np.mean((bad[b] > bad[a]) | (bad_gap[b + 1] > bad_gap[a])))


def _kinds(on: Real, off: Real, lengths: _Lengths) -> tuple[Mask, Mask]:
    """Which marks are dahs (n,), and which gaps lie inside characters (n - 1,)."""
    dah = off - on > np.sqrt(lengths.dit * lengths.dah)
    return dah, on[1:] - off[:-1] < np.sqrt(lengths.gaps[0] * lengths.gaps[1])
