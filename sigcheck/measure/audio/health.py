"""The recording itself, before any signal is looked for: level, rails, silence, dropouts.

A waveform that was clipped, anywhere before or in the recorder, is held at its extremes ("rails");
made quieter afterwards, the rails lie below full scale. Clean waveforms have extremes too, and
coarse steps or a tone in step with the sample rate make them hit the same value again and again.
Two tests tell rails from extremes, each blind where the other sees:

*Runs.* A natural peak is a parabola. Held within one quantising step q over a run of half-length
h, it has fallen by at most 4 q at twice that distance from its middle (plus rounding: 6.5 q). Even
a flat, quartic top has fallen by no more than 16 q. A clipped peak falls much faster: it left the
rail with its full slope. Needs runs of three samples, so some samples per half cycle.

*Pile-up.* The density of a sine grows towards its extreme as the inverse root of the distance, so
the last 2 w below it hold 1.4 times as many samples as the 4 w before; a quartic top, 3.2 times;
noise and fading, fewer than those. A rail holds far more. Needs a density to compare with: a
noise-free tone in step with the sample rate takes few values at all, and is told by the many that
it leaves out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigcheck.measure.results import Dropout, Health

Samples = NDArray[np.float32]
Index = NDArray[np.int64]

# Below so many steps from the middle to the extreme, steps and waveform can't be told apart.
_FEWEST_LEVELS = 30
_FALL = 20.0  # beyond the 16 q of a quartic top, with rounding
_LONGEST_HOLD_S = 1 / 60  # half a cycle of 30 Hz: a rail held longer is no waveform
_PILED = 4.1  # samples at the rail over those just below: three times the 1.37 of a sine, beyond a quartic top
_PILED_IN_TAIL = 1.5  # the same where the density falls towards the rail: three times an even density
_FEWEST_RAILED = 10  # one in four of a smooth tail lies that near its end: 10 in 10 by chance is 1e-6

# A rail at full scale smeared by a codec or a change of the sample rate: half width, and samples within
# it over those within the next eight half widths. For a sine the ratio is 0.8, for a quartic top 1.7; for
# a sine clipped by 3 dB it is 4.6 and 2.5, by 6 dB 9.5 and 5.0. In a lossless file such a rail is
# second-hand evidence, so it must be a clear one.
_SMEARED = (0.025, 4.0)
_SMEARED_BY_CODEC = (0.05, 2.2)

_SHORTEST_GAP_S = 1e-3  # the buffers that a recorder loses are longer
_SHORTEST_GAP = 12  # and at 6 kHz, so many samples at least
_SILENT_BACKGROUND = 0.2  # so much of a recording is not lost by a recorder that is worth a diagnosis
_LONGEST_LAG_S = 1.0  # a repeated buffer is shorter
_SHORTEST_REPEAT_S = 3e-3
_SHORTEST_REPEAT = 64


@dataclass(frozen=True, kw_only=True, eq=False)
class Rails:
    """Where the waveform is held at its extremes.

    ``low`` and ``high`` are sample values, None where that side has no rail. ``starts`` and
    ``lengths`` (shape (n_runs,), in samples, ascending) are the stretches spent at either rail.
    """

    low: float | None = None
    high: float | None = None
    starts: Index = field(default_factory=lambda: np.empty(0, np.int64))
    lengths: Index = field(default_factory=lambda: np.empty(0, np.int64))

    def count_before(self, k: ArrayLike) -> Index:
        """How many samples before sample ``k`` are at a rail; shape of ``k``."""
        at = np.asarray(k, np.int64)
        if self.starts.size == 0:
            return np.zeros(at.shape, np.int64)
        done = np.concatenate([[0], np.cumsum(self.lengths)])
        run = np.searchsorted(self.starts, at, side="right") - 1
        inside = np.clip(at - self.starts[np.maximum(run, 0)], 0, self.lengths[np.maximum(run, 0)])
        return np.asarray(np.where(run < 0, 0, done[np.maximum(run, 0)] + inside), np.int64)


def clipped_share(rails: Rails, on_s: ArrayLike, off_s: ArrayLike, rate_hz: float) -> float | None:
    """Share of the key-down samples that are held at the rails; None without key-down time.

    Parameters
    ----------
    on_s, off_s : start and end of each mark in seconds, shape (n_marks,).
    """
    first = np.rint(np.asarray(on_s, float) * rate_hz).astype(np.int64)
    last = np.rint(np.asarray(off_s, float) * rate_hz).astype(np.int64)
    down = int(np.sum(last - first))
    if down <= 0:
        return None
    return float(np.sum(rails.count_before(last) - rails.count_before(first)) / down)


def check_health(x: Samples, rate_hz: float, *, bits: int | None = None, lossy: bool = False) -> tuple[Health, Rails]:
    """Measure level, rails, silence and dropouts of one channel.

    Parameters
    ----------
    x : float32, shape (n,), full scale 1.0, finite.
    rate_hz : sample rate.
    bits : resolution of the file's sample format, None for floating point and lossy ones.
    lossy : coded with loss: values are smeared, so steps and exact repeats mean nothing.

    Returns
    -------
    health : ``clipped_fraction`` is missing until the key-down stretches are known (`clipped_share`).
    rails : the stretches at the rails.
    """
    missing = {"clipped_fraction": "the key-down stretches are not known yet"}
    low, high = float(x.min()), float(x.max())
    peak = max(-low, high)
    if low == high:
        return _constant(x, missing), Rails()
    bits_used = None if lossy else _bits_used(x, peak, bits)
    if bits_used is None:
        missing["bits_used"] = "coded with loss" if lossy else "the samples are not on a grid of steps"
    mean, mean_square = _moments(x, peak)
    held = _held_runs(x, max(_SHORTEST_GAP, math.ceil(_SHORTEST_GAP_S * rate_hz)))

    step = 2.0 ** (1 - bits_used) if bits_used else peak * 2.0**-23
    if lossy or (high - low) / 2 >= _FEWEST_LEVELS * step:
        step = _spacing(x, step)
        rails = _find_rails(x, rate_hz, low, high, mean, step, lossy=lossy)
        railed = float(rails.lengths.sum() / x.size)
        not_held = "the waveform is not held at an extreme"
    else:
        rails, railed = Rails(), None
        not_held = f"the peaks are only {(high - low) / 2 / step:.0f} steps of the resolution high"
        missing["railed_fraction"] = not_held
    for name, rail in (("rail_low", rails.low), ("rail_high", rails.high)):
        if rail is None:
            missing[name] = not_held

    at_rail = np.isin(held.value, [v for v in (rails.low, rails.high) if v is not None])
    dropouts: tuple[Dropout, ...] = ()
    if lossy:
        missing["dropouts"] = "coded with loss: gaps and repeats are smeared"
    else:
        gaps = _gaps(x, rate_hz, held.take(~at_rail), step)
        repeats = _repeats(x, rate_hz, step)
        dropouts = tuple(sorted(gaps + repeats, key=lambda d: d.time_s))
    return Health(
        peak_dbfs=20 * math.log10(peak),
        rms_dbfs=10 * math.log10(2 * mean_square),
        dc_fraction=mean,
        rail_low=rails.low,
        rail_high=rails.high,
        railed_fraction=railed,
        silent_fraction=float(held.length[~at_rail].sum() / x.size),
        bits_used=bits_used,
        dropouts=dropouts,
        missing=missing,
    ), rails


def _constant(x: Samples, missing: dict[str, str]) -> Health:
    """All samples are equal: digital silence."""
    value = float(x[0])
    reason = "digital silence: all samples are equal"
    missing |= dict.fromkeys(("rail_low", "rail_high", "railed_fraction", "bits_used"), reason)
    if value == 0:
        missing |= {"peak_dbfs": reason, "rms_dbfs": reason}
    return Health(
        peak_dbfs=20 * math.log10(abs(value)) if value else None,
        rms_dbfs=20 * math.log10(abs(value) * math.sqrt(2)) if value else None,
        dc_fraction=value,
        silent_fraction=1.0,
        missing=missing,
    )


def _moments(x: Samples, peak: float) -> tuple[float, float]:
    """Mean and mean square; scaled first where squares would leave the range of float32."""
    scale = peak if not 1e-9 < peak < 1e9 else 1.0
    y = x / np.float32(scale) if scale != 1.0 else x
    # pairwise in single precision, the parts in double
    parts = np.add.reduceat(y, np.arange(0, y.size, 4096)).astype(np.float64)
    return float(parts.sum()) / y.size * scale, float(np.dot(y, y)) / x.size * scale**2


def _bits_used(x: Samples, peak: float, bits: int | None) -> int | None:
    """Bits of the coarsest grid of steps 2^(1 - bits) that holds all samples, None beyond 24 bits."""
    if peak > 128:
        return None
    finest = min(bits or 24, 24)
    scale = np.float32(2.0 ** (finest - 1))
    used = 0
    for start in range(0, x.size, 2**16):
        scaled = x[start : start + 2**16] * scale
        whole = scaled.astype(np.int32)
        if np.any(whole.astype(np.float32) != scaled):
            return None
        used |= int(np.bitwise_or.reduce(whole))  # in a negative number too, the lowest set bit is its step
        if used & 1 and bits:
            break  # the format has no finer step to look for
    return max(1, finest + 1 - (used & -used).bit_length())


def _spacing(x: Samples, step: float) -> float:
    """The steps in which the values really lie: those of the format, or coarser ones behind them.

    Samples of few bits, made louder or quieter, keep their coarse steps in a finer format, dithered or
    not. Values of a tone in step with the sample rate lie apart too, but not on a grid.
    """
    # Stretches, not every so many samples: those might be in step with the tone.
    stretches = [x[k : k + 4096] for k in np.linspace(0, max(0, x.size - 4096), 8).astype(int)]
    values = np.unique(np.concatenate(stretches)).astype(np.float64)
    for dither in (4 * step, 0.0):  # values closer than that belong to one coarse step
        steps = np.diff(values[1:][np.diff(values) > dither])
        if steps.size < 8:
            continue
        coarse = float(np.median(steps[steps < 1.5 * steps.min()]))
        few = steps[steps < 10 * coarse] / coarse
        if few.size >= 8 and np.mean(np.abs(few - np.rint(few)) < 0.15) > 0.9:
            return max(step, coarse)
    return step


# --- rails -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Rail:
    """A rail on the upper side: samples from ``floor`` up are held at ``value``."""

    value: float
    floor: float


def _find_rails(
    x: Samples,
    rate_hz: float,
    low: float,
    high: float,
    mean: float,
    step: float,
    *,
    lossy: bool,
) -> Rails:
    above = _upper_rail(x, rate_hz, high, mean, step, lossy=lossy)
    # so few samples are near an extreme, nearly always, that the other side need not be turned over
    near = not lossy and np.count_nonzero(x <= -np.float32(-low - 8 * step)) >= _FEWEST_RAILED
    below = _upper_rail(-x, rate_hz, -low, -mean, step, lossy=lossy) if near or 0.9 <= -low <= 1.3 else None
    if above is None and below is None:
        return Rails()
    held = np.zeros(x.size + 2, np.bool_)
    if above:
        held[1:-1] |= x >= np.float32(above.floor)
    if below:
        held[1:-1] |= x <= np.float32(-below.floor)
    edges = np.flatnonzero(held[1:] != held[:-1])
    return Rails(
        low=-below.value if below else None,
        high=above.value if above else None,
        starts=edges[::2],
        lengths=edges[1::2] - edges[::2],
    )


def _runs_of(indices: Index) -> tuple[Index, Index]:
    """Starts and lengths of the runs of consecutive indices."""
    if indices.size == 0:
        return indices, indices
    breaks = np.flatnonzero(np.diff(indices) > 1) + 1
    bounds = np.concatenate([[0], breaks, [indices.size]])
    return indices[bounds[:-1]], np.diff(bounds)


def _upper_rail(x: Samples, rate_hz: float, top: float, mean: float, step: float, *, lossy: bool) -> _Rail | None:
    """The rail at the upper extreme ``top`` of x, if there is one."""
    if top <= mean or top == 0:
        return None
    depth = 0.1 * (top - mean)
    if not lossy:
        near = np.flatnonzero(x >= np.float32(top - 8 * step))
        if near.size >= _FEWEST_RAILED:
            # Clipped, made quieter and dithered, a rail is smeared by two steps either way.
            values = x[near]
            few = values[:: max(1, values.size // 20_000)]
            mode = top - step * float(np.argmax(np.bincount(np.rint((top - few) / step).astype(np.int64))))
            for rail, half_width in ((mode, 2.5 * step), (top, 0.5 * step)):
                floor = rail - half_width
                at_rail = near[values >= np.float32(floor)]
                if step < half_width and depth < 8 * half_width:
                    continue  # so wide against the height, it would be a peak of its own
                if _held_in_runs(x, at_rail, rate_hz, rail, 2 * half_width) or (
                    _piled(x, rail, half_width)
                    and _smooth(x, floor, depth, step)
                    and not _in_step(x, floor, 2 * half_width)
                ):
                    return _Rail(rail, floor)
    # A codec, or another sample rate, smears a rail at full scale by some per cent and lets it ring.
    return _smeared_rail(x, *(_SMEARED_BY_CODEC if lossy else _SMEARED)) if 0.9 <= top <= 1.3 else None


def _held_in_runs(x: Samples, at_top: Index, rate_hz: float, top: float, width: float) -> bool:
    """Whether runs within ``width`` of the top end with a fall that no natural peak has."""
    starts, lengths = _runs_of(at_top)
    reach = lengths // 2  # as far again beyond the run as its middle is inside
    usable = (lengths >= 3) & (lengths <= _LONGEST_HOLD_S * rate_hz)
    usable &= (starts - reach >= 0) & (starts + lengths - 1 + reach < x.size)
    starts, lengths, reach = starts[usable], lengths[usable], reach[usable]
    fall = top - np.maximum(x[starts - reach], x[starts + lengths - 1 + reach])
    clipped = fall >= _FALL * width
    return bool(np.sum(clipped) >= 3 and np.sum(lengths[clipped]) >= _FEWEST_RAILED)


def _in_step(x: Samples, floor: float, width: float) -> bool:
    """Whether the signal comes to the extreme from nearly the same value each time.

    Then the tone is in step with the sample rate, and hits the same extreme clipped or not.
    """
    starts = np.flatnonzero((x[1:] >= np.float32(floor)) & (x[:-1] < np.float32(floor)))
    lowest, highest = np.quantile(x[starts], (0.05, 0.95)) if starts.size else (0.0, 0.0)
    return bool(highest - lowest < 3 * width)


def _smooth(x: Samples, end: float, depth: float, step: float) -> bool:
    """Whether the values from ``end - depth`` to ``end`` fill that range as a density does."""
    below = x[(x >= np.float32(end - depth)) & (x < np.float32(end))]
    below = below[:: max(1, below.size // 20_000)]
    levels = depth / step
    filled = levels * -math.expm1(-below.size / levels)
    return below.size >= _FEWEST_RAILED and np.unique(below).size >= filled / 2


def _piled(x: Samples, rail: float, half_width: float) -> bool:
    """Whether more samples lie within ``rail`` +- half_width than an extreme explains."""
    over, at, below, further = _counts(x, rail, half_width)
    if at < _FEWEST_RAILED or over > 0.01 * at:
        return False
    tail = below < further - 2 * math.sqrt(further)
    # Of samples spread evenly, chance puts at most so many more here.
    chance = 3 * math.sqrt(below) + 3
    return at >= (_PILED_IN_TAIL if tail else _PILED) * below + chance


def _counts(x: Samples, rail: float, half_width: float) -> tuple[int, int, int, int]:
    """Samples over the rail, at it (2 half widths), just below it (4) and below those (4)."""
    bounds = (rail + half_width * k for k in (1, -1, -5, -9))  # odd: between the steps of a grid
    beyond = [int(np.count_nonzero(x >= np.float32(bound))) for bound in bounds]
    return beyond[0], beyond[1] - beyond[0], beyond[2] - beyond[1], beyond[3] - beyond[2]


def _smeared_rail(x: Samples, width: float, piled: float) -> _Rail | None:
    """A rail smeared by some per cent around full scale: the mode near the extreme, and its weight."""
    values = x[x >= np.float32(0.4)]
    counts = np.bincount(((values - 0.4) / 0.01).astype(np.int64))
    mode = 0.4 + 0.01 * (float(np.argmax(counts)) + 0.5)
    if not 0.9 <= mode <= 1.1:
        return None
    over, at, below, further = _counts(values, mode, width)
    if at < max(100, 1e-4 * x.size) or over > 0.15 * at or at < piled * (below + further):
        return None
    # A tone of few samples per cycle, in step with the sample rate, piles up too, but not in runs.
    lengths = _runs_of(np.flatnonzero((x >= mode - width) & (x <= mode + width)))[1]
    return _Rail(mode, mode - width) if lengths[lengths >= 3].sum() >= at / 2 else None


# --- silence, gaps and repeats -----------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Runs:
    """Runs of equal samples: start, length, value; each of shape (n_runs,)."""

    start: Index
    length: Index
    value: Samples

    def take(self, which: NDArray[np.bool_]) -> _Runs:
        return _Runs(self.start[which], self.length[which], self.value[which])


def _held_runs(x: Samples, shortest: int) -> _Runs:
    """All runs of at least ``shortest`` equal samples.

    A run that long covers a whole block of half its length, so only the blocks whose first
    samples are equal need a closer look.
    """
    block = max(2, shortest // 2)
    whole = x[: x.size // block * block].reshape(-1, block)
    k = np.flatnonzero(whole[:, 0] == whole[:, 1]) * block
    for j in range(2, block):
        k = k[x[k] == x[k + j]]
    if k.size == 0:
        return _Runs(k, k, x[:0])
    first = np.concatenate([[True], (np.diff(k) > block) | (x[k[1:]] != x[k[:-1]])])
    start = k[first]
    end = k[np.concatenate([first[1:], [True]])] + block
    value = x[start]
    for _ in range(block):
        more = (start > 0) & (x[np.maximum(start - 1, 0)] == value)
        start = start - more
        more = (end < x.size) & (x[np.minimum(end, x.size - 1)] == value)
        end = end + more
    long = end - start >= shortest
    return _Runs(start[long], (end - start)[long], value[long])


def _hushed_runs(x: Samples, limit: np.float32, shortest: int) -> _Runs:
    """All runs of at least ``shortest`` samples that are no further than ``limit`` from zero."""
    block = max(2, shortest // 2)
    k = np.flatnonzero(np.abs(x[: x.size // block * block : block]) <= limit) * block
    for j in range(1, block):  # as in _held_runs, and nearly always nothing is left
        k = k[np.abs(x[k + j]) <= limit]
    if k.size == 0:
        return _Runs(k, k, x[:0])
    hushed = _held_runs(np.where(np.abs(x) <= limit, np.float32(0), x), shortest)
    return hushed.take(hushed.value == 0)


def _gaps(x: Samples, rate_hz: float, held: _Runs, step: float) -> tuple[Dropout, ...]:
    """Stretches held at one value, or within two steps of zero, that cut into a running signal.

    Samples lost before the recording was dithered are no longer zero but within two steps of it.
    Keying in a noise-free recording leaves silence too, shaped or hard. Where the background is
    silent, a gap means nothing.
    """
    shortest = max(_SHORTEST_GAP, math.ceil(_SHORTEST_GAP_S * rate_hz))
    hushed = _hushed_runs(x, np.float32(2 * step), shortest)
    found: list[Dropout] = []
    # A tone of 30 Hz and amplitude A stays within one step for 1 / (190 A) s at each crossing, within two
    # steps of zero for 4 / (190 A) s: the level around must be higher than that, and clear of the steps. Noise of
    # 250 Hz bandwidth and scatter s stays within them for 4 / (450 s) s as it passes through nothing, and for thirty
    # times that where it lingers; within half a step for a quarter of that.
    for runs, least, dwell_s in ((held, 2.0, 0.06), (hushed, 10.0, 0.25)):
        if runs.length.sum() > _SILENT_BACKGROUND * x.size:
            continue
        for start, length, value in zip(runs.start, runs.length, runs.value, strict=True):
            fewest = max(least, dwell_s * rate_hz / length) * step
            known = any(abs(d.time_s + d.length_s / 2 - (start + length / 2) / rate_hz) < d.length_s for d in found)
            if not known and _cuts(x, int(start), int(length), value, rate_hz, fewest):
                how: Literal["zeros", "held"] = "zeros" if value == 0 else "held"
                found.append(Dropout(time_s=float(start / rate_hz), length_s=float(length / rate_hz), how=how))
    return tuple(found)


def _cuts(x: Samples, start: int, length: int, value: float, rate_hz: float, fewest: float) -> bool:
    """Whether the signal keeps its level up to the edges of a held stretch, on either side.

    The last millisecond of a shaped edge of 5 ms has less than a tenth of the level before it; noise
    in a narrow filter falls to a fifth by chance in one place of twenty-five.
    """
    near, far = max(4, round(1e-3 * rate_hz)), max(8, round(8e-3 * rate_hz))
    if start < far or start + length + far > x.size:
        return False
    for away in (x[start - far : start][::-1], x[start + length :][:far]):
        level = float(np.sqrt(np.mean((away - value) ** 2)))
        edge = float(np.sqrt(np.mean((away[:near] - value) ** 2)))
        if level < fewest or edge < 0.2 * level:
            return False
    return True


def _repeats(x: Samples, rate_hz: float, step: float) -> tuple[Dropout, ...]:
    """Stretches that are an exact copy of what came up to a second before.

    Landmarks chosen by the sample's own bits fall on the same places in original and copy. Equal
    neighbourhoods of two landmarks suggest a copy; the exact extent of the match decides.
    """
    marks = _landmarks(x)
    many = marks.size
    marks = marks[_seen_twice(_fingerprint(x, marks, _FIRST_LOOK, np.uint32(1664525)))]  # few, where there is noise
    key = _fingerprint(x, marks, _WINDOW, np.uint64(6364136223846793005))
    order = np.argsort(key, kind="stable")
    key, at = key[order], marks[order]
    same = key[1:] == key[:-1]
    # A noise-free tone in step with the sample rate, or keyed alike each time, repeats everywhere.
    if np.count_nonzero(same) > 0.2 * many:
        return ()
    lag = at[1:] - at[:-1]
    shortest = max(_SHORTEST_REPEAT, round(_SHORTEST_REPEAT_S * rate_hz))
    hits = np.flatnonzero(same & (lag <= _LONGEST_LAG_S * rate_hz) & (lag > 1))
    hits = hits[np.argsort(at[hits + 1], kind="stable")]
    found: list[Dropout] = []
    covered = 0
    for hit in hits:
        here, back = int(at[hit + 1]), int(lag[hit])
        if here < covered:
            continue
        start, end = _extent(x, here, back)
        if end - start < shortest or not _is_copy(x, start, end, back, step):
            continue
        covered = end
        found.append(Dropout(time_s=start / rate_hz, length_s=(end - start) / rate_hz, how="repeat"))
    return tuple(found)


_WINDOW, _FIRST_LOOK = 12, 3  # samples in a fingerprint
_MOST_LANDMARKS = 100_000


def _landmarks(x: Samples) -> Index:
    """Positions picked by a hash of the sample's own bits, some ten thousands of them."""
    word = x.view(np.uint32)
    share = max(4, math.ceil(x.size / _MOST_LANDMARKS))
    # The hash of zero is zero, so the top of the range leaves digital silence out.
    least = np.uint32(2**32 - 2**32 // share)
    golden = np.uint32(2654435761)  # Knuth's multiplicative hash: 2^32 over the golden ratio
    part = 2**16  # stays in the processor's cache
    hashed, chosen = np.empty(part, np.uint32), np.empty(part, np.bool_)
    found = []
    for k in range(0, x.size, part):
        some = word[k : k + part]
        np.multiply(some, golden, out=hashed[: some.size])
        np.greater_equal(hashed[: some.size], least, out=chosen[: some.size])
        found.append(k + np.flatnonzero(chosen[: some.size]))
    marks = np.concatenate(found)
    marks = marks[(marks > 0) & (marks < x.size - _WINDOW)]
    marks = marks[x[marks] != x[marks - 1]]  # a rail or a held value would be all landmarks
    return np.asarray(marks[: 4 * _MOST_LANDMARKS], np.int64)


def _seen_twice(key: NDArray[np.unsignedinteger[Any]]) -> NDArray[np.bool_]:
    """Which of the keys (n,) some other one equals."""
    ordered = np.sort(key)
    twice = ordered[1:][ordered[1:] == ordered[:-1]]
    return np.isin(key, twice) if twice.size else np.zeros(key.size, np.bool_)


def _fingerprint(
    x: Samples, marks: Index, samples: int, factor: np.unsignedinteger[Any]
) -> NDArray[np.unsignedinteger[Any]]:
    """A number for the samples from each mark on: a polynomial in ``factor``, of its type."""
    bits = x.view(np.uint32)
    key = np.zeros(marks.size, factor.dtype)
    for j in range(samples):
        key = key * factor + bits[marks + j]  # wraps
    return key


def _extent(x: Samples, here: int, lag: int) -> tuple[int, int]:
    """The stretch [start, end) around ``here`` over which x equals itself ``lag`` earlier."""
    size = 1024
    end = here
    while end < x.size:
        stop = min(x.size, end + size)
        differ = np.flatnonzero(x[end:stop] != x[end - lag : stop - lag])
        if differ.size:
            end += int(differ[0])
            break
        end, size = stop, 2 * size
    size, start = 1024, here
    while start > lag:
        stop = max(lag, start - size)
        differ = np.flatnonzero(x[stop:start] != x[stop - lag : start - lag])
        if differ.size:
            start = stop + int(differ[-1]) + 1
            break
        start, size = stop, 2 * size
    return start, end


def _is_copy(x: Samples, start: int, end: int, lag: int, step: float) -> bool:
    """Whether a match is a copy: noise in it that can't come twice, and nothing alike beside it.

    A tone free of noise comes back to nearly the same phase after some lags and its steps hide the
    rest. It can be predicted to within its rounding, noise can't.
    """
    if _unpredictable(x[start:end][:4096]) < step:
        return False
    room = 64
    beside = np.concatenate([np.arange(max(lag, start - room), start), np.arange(end, min(x.size, end + room))])
    if beside.size < room // 2:
        return False
    return bool(np.mean(np.abs(x[beside] - x[beside - lag]) <= 2 * step) < 0.3)


def _unpredictable(y: Samples) -> float:
    """Rms of what the eight samples before can't predict linearly: 0.3 to 0.7 steps for rounding alone."""
    rows = np.lib.stride_tricks.sliding_window_view(y.astype(np.float64), 9)
    past, now = rows[:, :8], rows[:, 8]
    weights = np.linalg.lstsq(past, now, rcond=None)[0]
    return float(np.sqrt(np.mean((now - past @ weights) ** 2)))
