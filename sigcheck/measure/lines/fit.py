"""Levels of modulation lines: all of them fitted at once, on the elements as they were made.

A line pair is U exp(j w t) + L exp(-j w t); then AM index m = |U + conj(L)|, angle index = |U - conj(L)|,
and neither depends on where time begins (the sidebands' phase against the carrier does).

Each element was divided by its own mean, which takes from a slow line what that mean holds of it. The
same is taken from the line before it is fitted, so its level comes out whole. Samples count by the
carrier's power, for the noise is even in the audio.

Mains wanders, so each block's turn of the lines is followed as a course between knots two seconds apart,
shared by all harmonics (Gauss and Newton's least squares, with a random walk of the frequency as prior).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.lines.modulation import Modulation
from sigcheck.measure.spectrum import phasors
from sigcheck.measure.track import Complex, Real

_KNOT_S = 2.0
_WALK_HZ = 0.02  # of the mains' frequency in a second: some 60 mHz in ten
_ROUNDS = 3


@dataclass(frozen=True)
class Line:
    """One complex line per side: mean powers and products over blocks, noise-corrected."""

    offset_hz: float
    upper: float
    lower: float
    cross: complex  # mean of U * L
    noise: float  # variance of U (and of L) in one block
    blocks: int


@dataclass(frozen=True)
class Block:
    """Used samples (n,) of one block, which ends between elements."""

    y: Complex
    t: Real  # seconds from the recording's start
    place: slice  # of its samples among all used ones
    elements: NDArray[np.intp]  # where each element begins; empty for a steady tone
    gain: NDArray[np.float32]  # the carrier's amplitude over its rms: noise is even in ``y * gain``

    @property
    def held(self) -> float:
        """Samples' worth of the block: as many at the carrier's rms hold as much."""
        return float((self.gain**2).sum(dtype=np.float64))

    def centred(self, x: Complex) -> Complex:
        """Columns (n, k) less their means over each element, as was done to the signal."""
        if not self.elements.size:
            return x
        lengths = np.diff(np.append(self.elements, x.shape[0]))
        mean = np.add.reduceat(x, self.elements, axis=0) / lengths[:, None].astype(np.float32)
        return np.asarray(x - np.repeat(mean, lengths, axis=0), np.complex64)


@dataclass
class Turn:
    """A fundamental's turn in cycles at the used samples of each block, and the orders seen of it."""

    cycles: list[Real]
    orders: list[int]
    hz: Real  # mean frequency in each block

    @property
    def mean_hz(self) -> float:
        """Over all blocks, weighted by their samples."""
        return float(np.average(self.hz, weights=[c.size for c in self.cycles]))


@dataclass(frozen=True)
class Fitted:
    """Lines fitted together: amplitudes of all upper, then all lower sides in each block, and the rest.

    ``spread`` is each amplitude's variance over that of the noise per sample; ``rest`` (n,) is on the
    modulation's grid.
    """

    rest: Complex
    offsets: tuple[float, ...]
    amplitude: NDArray[np.complex128]
    spread: Real
    weights: Real

    def lines(self, noise: Callable[[float], float]) -> list[Line]:
        """The lines, with ``noise`` the variance per sample near an offset."""
        out = []
        for j, f in enumerate(self.offsets):
            u, v = self.amplitude[:, j], self.amplitude[:, j + len(self.offsets)]
            one = float((self.weights * self.spread[:, j]).sum()) * noise(f)
            out.append(
                Line(
                    offset_hz=f,
                    upper=float((self.weights * np.abs(u) ** 2).sum()) - one,
                    lower=float((self.weights * np.abs(v) ** 2).sum()) - one,
                    cross=complex((self.weights * u * v).sum()),
                    noise=one,
                    blocks=self.weights.size,
                )
            )
        return out


def cut_blocks(m: Modulation, coherent_s: float) -> list[slice]:
    """Blocks of about ``coherent_s`` of used samples' span, all of them in one or the other.

    Where the signal is keyed they begin and end between elements; one that holds little joins the next.
    """
    used = np.flatnonzero(m.use)
    if not used.size:
        return []
    first, last = int(used[0]), int(used[-1]) + 1
    count = max(1, round((last - first) / (coherent_s * m.rate_hz)))
    edges = np.linspace(first, last, count + 1).astype(int)
    if m.keyed:
        unused = np.flatnonzero(~m.use)
        for k in range(1, count):
            after = np.searchsorted(unused, edges[k])
            if after < unused.size and unused[after] < edges[k + 1]:
                edges[k] = unused[after]
    held = np.diff(np.searchsorted(used, edges))
    out: list[slice] = []
    start = first
    for k in range(count):
        little = held[np.searchsorted(edges, start) : k + 1].sum() < 0.3 * held.max()
        if little and k < count - 1:
            continue
        if little and out:
            start = out.pop().start
        out.append(slice(start, int(edges[k + 1])))
        start = int(edges[k + 1])
    return out


class LineFit:
    """Fits lines to one modulation, block by block."""

    def __init__(self, m: Modulation, slices: list[slice]) -> None:
        self.m = m
        self.slices = slices
        self.blocks: list[Block] = []
        used = [np.flatnonzero(m.use[s]) + s.start for s in slices]
        self.where = np.concatenate(used)
        first = 0
        for k in used:
            mark = m.mark[k]
            starts = np.concatenate([[0], np.flatnonzero(np.diff(mark)) + 1]) if m.keyed else np.zeros(0)
            place = slice(first, first + k.size)
            self.blocks.append(Block(m.y[k], k / m.rate_hz, place, starts.astype(np.intp), m.gain[k]))
            first += k.size

    def straight(self, hz: Real, orders: list[int]) -> Turn:
        """A turn of one frequency in each block."""
        return Turn([f * b.t for f, b in zip(hz, self.blocks, strict=True)], orders, np.asarray(hz, float))

    def fit(self, turns: list[Turn], y: Complex | None = None) -> Fitted:
        """Least-squares fit of all lines of all turns at once, block by block, to the modulation or to ``y``."""
        rest = (self.m.y if y is None else y).copy()
        count = sum(len(turn.orders) for turn in turns)
        amplitude = np.zeros((len(self.blocks), 2 * count), np.complex128)
        spread = np.zeros((len(self.blocks), 2 * count))
        for i, b in enumerate((self.blocks if y is None else self.of(y)) if count else []):
            e = np.concatenate([_harmonics(turn.cycles[i], turn.orders) for turn in turns], axis=1)
            amplitude[i], spread[i], left = _solve(b, np.concatenate([e, e.conj()], axis=1))
            rest[self.where[b.place]] = left
        weights = np.array([b.held for b in self.blocks])
        offsets = tuple(k * turn.mean_hz for turn in turns for k in turn.orders)
        return Fitted(rest, offsets, amplitude, spread, weights / weights.sum())

    def of(self, rest: Complex) -> list[Block]:
        """The blocks with other samples (on the modulation's grid) in the signal's place."""
        return [replace(b, y=rest[self.where[b.place]]) for b in self.blocks]

    def put_back(self, fitted: Fitted, turns: dict[int, Turn]) -> Complex:
        """The rest with some lines of one order put back, given by their place in ``fitted`` and their turn."""
        out, count = fitted.rest.copy(), len(fitted.offsets)
        for k, turn in turns.items():
            for i, b in enumerate(self.blocks):
                sizes = fitted.amplitude[i, [k, count + k]].astype(np.complex64)
                out[self.where[b.place]] += b.centred(pairs(turn.cycles[i], turn.orders)) @ sizes
        return out

    def follow(
        self,
        turn: Turn,
        noise: float,
        *,
        walk_hz: float = _WALK_HZ,
        knot_s: float = _KNOT_S,
        rest: Complex | None = None,
    ) -> Turn:
        """The turn with its course in each block fitted to all its orders; ``noise`` is per sample.

        ``rest``: what is left of the modulation without the lines found before.
        """
        cycles, hz = [], []
        blocks = self.blocks if rest is None else self.of(rest)
        for b, start in zip(blocks, turn.cycles, strict=True):
            own = _followed(b, start, turn.orders, noise, walk_hz, knot_s)
            cycles.append(own)
            since = b.t - b.t.mean()
            hz.append(float(np.dot(since, own) / np.dot(since, since)))
        return Turn(cycles, turn.orders, np.array(hz))

    def sums(self, rest: Complex, turn: Turn, orders: list[int]) -> Real:
        """Power per sample at orders of the turn in ``rest``, summed over blocks.

        Returns (4, orders): upper, lower, and the pair's amplitude and angle part.
        """
        out = np.zeros((4, len(orders)))
        for b, cycles in zip(self.blocks, turn.cycles, strict=True):
            e = _harmonics(cycles, orders)
            data = rest[self.where[b.place]] * b.gain**2
            upper, lower = e.conj().T @ data, (e.T @ data).conj()
            for row, part in zip(out, (upper, lower, (upper + lower) / 2, (upper - lower) / 2), strict=True):
                row += np.abs(part) ** 2 / b.held
        return out


def _followed(
    b: Block, cycles: Real, orders: list[int], noise: float, walk_hz: float, knot_s: float
) -> Real:
    """The block's turn in cycles (n,), bent at knots so that the lines at its orders fit."""
    span = float(b.t[-1] - b.t[0])
    knots = max(2, round(span / knot_s) + 1)
    highest_hz = max(orders) * float(cycles[-1] - cycles[0]) / max(span, 1e-9)
    few, own = _thinned(b, cycles, highest_hz)
    left, share = _between_knots(few.t, b.t[0], span, knots)
    prior = _walk_prior(knots, span / (knots - 1), walk_hz)
    weight = 2.0 * (b.y.size / few.y.size) / max(noise, 1e-20)  # half the noise's variance lies along the derivative
    bent = np.zeros(knots)
    top = orders[0]
    # low orders turn least: they lead the course to where the higher ones can be followed
    for _ in range(_ROUNDS + int(np.ceil(np.log2(max(orders) / orders[0])))):
        order = np.array([k for k in orders if k <= top])
        e = few.centred(pairs(own + ((1 - share) * bent[left] + share * bent[left + 1]), order.tolist()))
        amplitude, _, rest = _solve_centred(few, e)
        slope = e @ (1j * np.concatenate([order, -order]) * amplitude).astype(np.complex64) * few.gain
        rest = rest * few.gain
        power = slope.real**2 + slope.imag**2
        pull = slope.real * rest.real + slope.imag * rest.imag
        information = np.zeros((knots, knots))
        force = np.zeros(knots)
        ends = ((0, 1 - share), (1, share))
        for p, wp in ends:
            force += np.bincount(left + p, pull * wp, knots)
            for q, wq in ends:
                inside = np.arange(knots - 1)
                information[inside + p, inside + q] += np.bincount(left, power * wp * wq, knots - 1)
        # a shift of the whole block belongs to the lines' own phases
        hold = np.full((knots, knots), weight * information.sum() / knots**2)
        bend = np.clip(np.linalg.solve(weight * information + prior + hold, weight * force), -0.5, 0.5)
        bent += bend / (2 * np.pi)
        if top >= max(orders) and float(np.abs(bend).max()) * max(orders) < 0.03:
            break
        top *= 2
    left, share = _between_knots(b.t, b.t[0], span, knots)
    return np.asarray(cycles + (1 - share) * bent[left] + share * bent[left + 1])


def _thinned(b: Block, cycles: Real, highest_hz: float) -> tuple[Block, Real]:
    """Means over so many samples in a row that the highest line still turns slowly: (block, its turn)."""
    steps = np.diff(b.t)
    step = float(np.median(steps))
    by = int(np.clip(1.0 / (step * 3.5 * max(highest_hz, 1.0)), 1, 8))
    if by == 1:
        return b, cycles
    n = b.t.size // by
    t = b.t[: n * by].reshape(n, by)
    whole = t[:, -1] - t[:, 0] < (by - 0.5) * step  # no gap in between
    element = np.searchsorted(b.elements, np.arange(n) * by, side="right")[whole]
    starts = np.concatenate([[0], np.flatnonzero(np.diff(element)) + 1]) if b.elements.size else np.zeros(0)
    y = b.y[: n * by].reshape(n, by).mean(axis=1)[whole]
    gain = b.gain[: n * by].reshape(n, by).mean(axis=1)[whole]
    few = Block(y, t.mean(axis=1)[whole], b.place, starts.astype(np.intp), gain)
    return few, cycles[: n * by].reshape(n, by).mean(axis=1)[whole]


def _between_knots(t: Real, start: float, span: float, knots: int) -> tuple[NDArray[np.intp], Real]:
    """(knot to the left, share of the way to the next) of each time."""
    at = np.clip((t - start) / max(span, 1e-9), 0.0, 1.0) * (knots - 1)
    left = np.minimum(at.astype(np.intp), knots - 2)
    return left, at - left


_BLOCK_STEP = 0.05  # cycles over a block, between places: a straight line between two is off by 0.3 % at most


def steady_hz(b: list[Block], near_hz: float, reach_hz: float) -> tuple[float, float, float]:
    """Frequency near ``near_hz`` at which a line pair adds up best over all blocks.

    Returns
    -------
    (hz, together, apart): power per sample there of both sides, and the sum of what each block holds at
    its own best frequency; a line that does not keep its phase from block to block has far more of that.
    """
    middle = 0.5 * (b[-1].t[-1] + b[0].t[0])
    trial = np.arange(-reach_hz, reach_hz, 0.2 / max(float(b[-1].t[-1] - b[0].t[0]), 0.1))
    # about its own middle a block's sum changes slowly with the frequency: few places tell it, however long the whole
    longest_s = max(float(block.t[-1] - block.t[0]) for block in b)
    few = np.linspace(-reach_hz, reach_hz, int(2 * reach_hz * longest_s / _BLOCK_STEP) + 2)
    places = few if few.size < trial.size else trial
    upper = np.zeros((len(b), trial.size), np.complex128)
    lower = np.zeros_like(upper)
    for i, block in enumerate(b):
        own = 0.5 * (block.t[0] + block.t[-1])
        t = block.t - own
        group = ((t - t[0]) / 0.05).astype(np.intp)  # so close together, the trials do not part
        starts = np.concatenate([[0], np.flatnonzero(np.diff(group)) + 1])
        e = phasors(near_hz * (block.t - middle))
        at = np.add.reduceat(t, starts) / np.diff(starts, append=t.size)
        turn = np.exp(-2j * np.pi * np.outer(places, at))
        whole = np.exp(-2j * np.pi * trial * (own - middle))
        data = block.y * block.gain**2
        for out, y, back, all_back in (
            (upper, data * e.conj(), turn, whole),
            (lower, data * e, turn.conj(), whole.conj()),
        ):
            sums = back @ np.add.reduceat(y, starts)
            out[i] = all_back * (sums if places is trial else np.interp(trial, places, sums))
    together = np.abs(upper.sum(axis=0)) ** 2 + np.abs(lower.sum(axis=0)) ** 2
    held = np.array([x.held for x in b])
    apart = float(((np.abs(upper) ** 2 + np.abs(lower) ** 2).max(axis=1) / held).sum())
    k = int(np.argmax(together))
    f = near_hz + float(trial[k])
    if 0 < k < trial.size - 1:
        p, q, r = together[k - 1 : k + 2]
        f += float(0.5 * (r - p) / max(2 * q - p - r, 1e-30) * (trial[1] - trial[0]))
    return f, float(together[k] / held.sum()), apart


def _walk_prior(knots: int, step_s: float, walk_hz: float) -> Real:
    """Information about phases at the knots when the frequency walks at random: on their second differences."""
    out = np.zeros((knots, knots))
    # the second difference of an integrated Wiener process has the variance (2/3) q^2 step^3
    variance = (2 * np.pi * walk_hz) ** 2 * step_s**3 * 2 / 3
    bend = np.array([1.0, -2.0, 1.0])
    for k in range(knots - 2):
        out[k : k + 3, k : k + 3] += np.outer(bend, bend) / variance
    return out


def _solve(b: Block, e: Complex) -> tuple[NDArray[np.complex128], Real, Complex]:
    return _solve_centred(b, b.centred(e))


def _solve_centred(b: Block, e: Complex) -> tuple[NDArray[np.complex128], Real, Complex]:
    """(amplitudes (k,), their variance over the noise's per sample, what is left (n,))."""
    h = (e * (b.gain**2)[:, None]).conj().T
    gram = (h @ e).astype(np.complex128)
    gram[np.diag_indices(e.shape[1])] *= 1.0 + 1e-6
    inverse = np.linalg.pinv(gram, rcond=1e-3, hermitian=True)
    amplitude = np.asarray(inverse @ (h @ b.y).astype(np.complex128), np.complex128)
    rest = np.asarray(b.y - e @ amplitude.astype(np.complex64), np.complex64)
    return amplitude, np.real(np.diag(inverse)), rest


def pairs(cycles: Real, orders: list[int]) -> Complex:
    """Columns of all upper, then all lower sides."""
    half = _harmonics(cycles, orders)
    return np.concatenate([half, half.conj()], axis=1)


def _harmonics(cycles: Real, orders: list[int]) -> Complex:
    """exp(2 pi j k cycles), one column for each order k."""
    one = phasors(cycles)
    out = np.empty((cycles.size, len(orders)), np.complex64)
    power, k = one, 1
    for column, order in enumerate(orders):  # ascending
        while k < order:
            power, k = power * one, k + 1
        out[:, column] = power
    return out
