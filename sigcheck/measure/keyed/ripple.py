"""Ripple on keyed elements, mostly of a supply at the mains frequency or twice that, so that edges can be seen without.

Edges are aligned where they pass half amplitude. Ripple moves those crossings, so that in the average of aligned edges
it does not vanish: it stands there in step with the edge and bends it. But elements show it between their edges.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sigcheck.measure.track import Complex, Mask, Real

_CELL_S = 0.001
_SEARCHED_HZ = (40.0, 320.0)  # ripple of one or two half waves of the mains, and of six
_STEP_HZ = 1.0
_OFF_HZ = 2.5  # by which what single elements show may be off
_MOST_SEARCHED = 60  # of the longest elements
_GUARD_S, _GUARD = 0.015, 0.25  # left out at both ends, where edges are; no more than that share of an element
_TOGETHER = 16  # neighbouring elements fitted as one: the mains keeps its phase for seconds
_STANDS_OUT = 12.0  # over the median of what is found at all frequencies (noise and tails of the window: 6)
_LEAST = 0.02  # amplitude: less bends an edge by less than its shape is known
_MOST = 0.8


@dataclass(frozen=True)
class Ripple:
    """Sines by which the level of elements swings: 1 + Re sum c exp(2 pi j f t).

    ``hz`` (k,) and ``size`` (n, k) complex, of each of n elements; t is time in the baseband.
    """

    hz: Real
    size: Complex

    def chosen(self, use: Mask) -> Ripple:
        """Of some of the elements."""
        return replace(self, size=self.size[use])

    def gain(self, t: Real) -> Real:
        """Level over the mean one at times (n, m)."""
        swing = np.zeros(t.shape)
        for hz, size in zip(self.hz, self.size.T, strict=True):
            swing += (size[:, None] * np.exp(2j * np.pi * hz * t)).real
        return np.asarray(1 + np.clip(swing, -_MOST, _MOST))


def ripple(z: Complex, rate_hz: float, on_s: Real, off_s: Real) -> Ripple | None:
    """Of elements (n,) of a tone near 0 Hz in ``z``; None where there is none to be seen."""
    step = max(1, round(_CELL_S * rate_hz))
    cell_s = step / rate_hz
    length = off_s - on_s
    guard = np.minimum(_GUARD_S, _GUARD * length)
    first = np.ceil((on_s + guard) / cell_s).astype(np.intp)
    last = np.floor((off_s - guard) / cell_s).astype(np.intp)
    count = np.maximum(last - first, 0)
    longest = np.sort(np.argsort(count)[-_MOST_SEARCHED:])
    if np.median(count[longest]) * cell_s * _SEARCHED_HZ[0] < 1.0:
        return None
    level, inside = _levels(z, step, first, count)
    t = (first[:, None] + np.arange(level.shape[1]) + 0.5) * cell_s
    found = _strongest(level[longest], inside[longest], cell_s)
    if found is None:
        return None
    found = _sharper(level, inside, t, found)
    hz = found * np.arange(1, 2 + int(2 * found < _SEARCHED_HZ[1]))
    size = _fitted(level, inside, t, hz) / np.sinc(hz * cell_s)
    if float(np.median(np.abs(size[:, 0]))) < _LEAST:
        return None
    return Ripple(hz, size)


def _levels(z: Complex, step: int, first: np.ndarray, count: np.ndarray) -> tuple[Real, Mask]:
    """Levels in cells over the mean of each element, less one (n, m), and which of them lie inside."""
    m = int(count.max())
    inside = np.arange(m) < count[:, None]
    index = first[:, None] + np.arange(m)
    level = np.abs(z[: z.size // step * step].reshape(-1, step) @ np.full(step, 1 / step, np.complex64))
    inside &= index < level.size
    cells = level[np.where(inside, index, 0)]
    mean = np.sum(cells * inside, axis=1) / np.maximum(inside.sum(axis=1), 1)
    return np.where(inside, cells / np.maximum(mean, 1e-30)[:, None] - 1, 0.0), inside


def _strongest(level: Real, inside: Mask, cell_s: float) -> float | None:
    """The frequency of most power in single elements, in Hz."""
    size = 1 << int(np.ceil(np.log2(max(1 / (_STEP_HZ * cell_s), level.shape[1]))))
    power = np.mean(np.abs(np.fft.rfft(level, size, axis=1)) ** 2 / np.maximum(inside.sum(axis=1), 1)[:, None], axis=0)
    hz = np.fft.rfftfreq(size, cell_s)
    some = (hz >= _SEARCHED_HZ[0]) & (hz <= _SEARCHED_HZ[1])
    if not some.any():  # the elements were cut out at a rate too low to hold a ripple
        return None
    best = int(np.argmax(power[some]))
    return float(hz[some][best]) if power[some][best] > _STANDS_OUT * np.median(power[some]) else None


def _sharper(level: Real, inside: Mask, t: Real, hz: float) -> float:
    """The same frequency from how the phase goes on over neighbouring elements."""
    wave = np.exp(-2j * np.pi * hz * t) * inside
    wave -= (wave.sum(axis=1) / np.maximum(inside.sum(axis=1), 1))[:, None] * inside
    seen = np.sum(wave * level, axis=1)
    middle = np.sum(t * inside, axis=1) / np.maximum(inside.sum(axis=1), 1)
    off = np.arange(-_OFF_HZ, _OFF_HZ, 0.02)
    total = np.cumsum(np.pad(seen * np.exp(-2j * np.pi * off[:, None] * middle), ((0, 0), (1, 0))), axis=1)
    reach = min(_TOGETHER // 2, len(t))
    power = np.sum(np.abs(total[:, reach:] - total[:, :-reach]) ** 2, axis=1)
    return hz + float(off[np.argmax(power)])


def _fitted(level: Real, inside: Mask, t: Real, hz: Real) -> Complex:
    """Least squares of sines in the levels of each element and its neighbours, each about its own mean: (n, k)."""
    angle = 2 * np.pi * t[:, None, :] * hz[:, None]
    wave = np.concatenate([np.cos(angle), np.sin(angle)], axis=1) * inside[:, None, :]
    counted = np.maximum(inside.sum(axis=1), 1)
    wave -= (wave.sum(axis=2) / counted[:, None])[:, :, None] * inside[:, None, :]
    pull = np.einsum("ikm,im->ik", wave, level)
    square = np.einsum("ikm,ilm->ikl", wave, wave)
    reach = min(_TOGETHER, len(t))
    start = np.clip(np.arange(len(t)) - reach // 2, 0, len(t) - reach)
    total = [np.concatenate([np.zeros((1, *v.shape[1:])), np.cumsum(v, axis=0)]) for v in (pull, square)]
    pull, square = (v[start + reach] - v[start] for v in total)
    square = square + 1e-6 * np.trace(square, axis1=1, axis2=2)[:, None, None] * np.eye(square.shape[1])
    found = np.linalg.solve(square + 1e-12 * np.eye(square.shape[1]), pull[:, :, None])[:, :, 0]
    return np.asarray(found[:, : hz.size] - 1j * found[:, hz.size :])
