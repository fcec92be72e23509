"""Lines that wander by hertz, as a switching supply's do: they add up in no long block, but stand as humps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.lines.fit import Line
from sigcheck.measure.lines.modulation import Modulation
from sigcheck.measure.lines.proof import there_all_the_time
from sigcheck.measure.lines.search import LEAST_DBC, LOWEST_AUDIO_HZ, Periodogram
from sigcheck.measure.track import Complex, Real

_MOST = 6
_WIDER = 0.12  # half a decibel that twice the width adds is more than the floor may be off
_COPY_HZ, _COPY = 50.0, 0.1  # the key's pattern sets a hump's copies beside it, ten decibels down and more
_WANDERING_BLOCK_S = 0.5
_WANDER_REACH_HZ = 12.0
_HUMP_RISE = 3.0  # the keying's copies of a true one stand half as high beside it
_HELD = 0.5  # of the key-down's own weight: where a band's filter has more of that, it shows what is there
_WANDERING_LOWEST_HZ = 60.0  # slower humps are fading, or what a strong chirp leaves, not a supply


def wandering_lines(y: Complex, m: Modulation, known: list[float], seen: list[float]) -> list[Line]:
    """Lines that wander by hertz, as a switching supply's do: humps in the average over half seconds.

    Their power is the sum over the hump; both sides' products are summed with it, block by block.
    Where lines are ``known`` none is looked for; those ``seen`` already, in pieces, need no more proof.
    """
    length = round(_WANDERING_BLOCK_S * m.rate_hz)
    blocks = [slice(a, a + length) for a in range(0, y.size - length + 1, length)]
    if not blocks:
        return []
    held = [np.count_nonzero(m.use[b]) for b in blocks]
    blocks = [b for b, n in zip(blocks, held, strict=True) if n > 0.2 * max(held)]
    # wide enough a floor to pass over the hump with its copies at the keying's own spacing
    p = Periodogram(y, m, blocks, floor_hz=150.0)
    limit = p.side_limit()
    reach = max(2, round(_WANDER_REACH_HZ / p.bin_hz))
    ratio = np.maximum(p.upper / p.noise_upper, p.lower / p.noise_lower)
    ratio[: max(p.first, round(_WANDERING_LOWEST_HZ / p.bin_hz))] = 0.0
    ratio[-reach:] = 0.0
    # the audio's lowest end below the tone and the second harmonic above it; and the third
    offset = np.arange(ratio.size) * p.bin_hz
    ratio[np.abs(offset - m.tone_hz) < LOWEST_AUDIO_HZ] = 0.0
    ratio[np.abs(offset - 2 * m.tone_hz) < _WANDER_REACH_HZ] = 0.0
    for f in known:
        k = round(f / p.bin_hz)
        ratio[max(0, k - reach) : k + reach + 1] = 0.0
    proven = {round(f / p.bin_hz) for f in seen}
    out: list[Line] = []
    pattern: Real | None = None
    band: _Band | None = None
    while len(out) < _MOST:
        pieces = [k for k in proven if 0 < k < ratio.size and ratio[k] > 0.0]
        k = max(pieces, key=lambda b: ratio[b]) if pieces else int(np.argmax(ratio))
        if not pieces and ratio[k] <= limit:
            break
        hump = _bins(p, k, reach)
        ratio[hump] = 0.0
        side = p.upper if p.upper[k] > p.lower[k] else p.lower
        if not pieces and not (_stands_up(side, k, reach) or _stands_up(p.upper + p.lower, k, reach)):
            continue
        if not there_all_the_time(*_hump_powers(p, hump, 1 if side is p.upper else -1)):
            continue
        if pattern is None:
            pattern = _pattern(m, blocks, p.size)
        line, width_hz = _widest(p, k, m.rate_hz, pattern, [one.offset_hz for one in out])
        if not pieces:
            band = band or _Band(y, m)
            if not band.holds_a_line(p, k, 1 if side is p.upper else -1, width_hz):
                continue
        copy = any(
            abs(one.offset_hz - line.offset_hz) < _COPY_HZ and _size(line) < _COPY * _size(one) for one in out
        )
        if max(line.upper, line.lower) >= 10 ** (LEAST_DBC / 10) and not (m.keyed and copy):
            out.append(line)
    return out


def _size(line: Line) -> float:
    return max(line.upper, 0.0) + max(line.lower, 0.0)


def _bins(p: Periodogram, k: int, reach: int) -> NDArray[np.intp]:
    return np.arange(max(1, k - reach), min(k + reach + 1, p.upper.size), dtype=np.intp)


def _pattern(m: Modulation, blocks: list[slice], size: int) -> Real:
    """Sum (reach,) of what a steady line of power 1 shows within so many bins of itself, through the key's pattern."""
    from scipy import fft

    share = np.where(m.use, m.gain, np.float32(0.0)) ** 2
    stack = np.zeros((len(blocks), size), np.float32)
    for row, b in zip(stack, blocks, strict=True):
        row[: b.stop - b.start] = share[b]
    power = (np.abs(fft.rfft(stack, axis=1)) ** 2).sum(axis=0, dtype=np.float64)
    power[1:] *= 2.0
    return np.asarray(np.cumsum(power) / float(stack.sum(dtype=np.float64)) / size)


class _Band:
    """Tells a line that wanders in a band from a hump of the noise, such as a room or a receiver's filter makes.

    However a line wanders, its amplitude stays. With n = E|x|^4 / (E|x|^2)^2 of the band's samples, a line alone has
    1, complex normal noise 2, and both, of which the line is the share r, 2 - r^2. The middle decides.
    """

    def __init__(self, y: Complex, m: Modulation) -> None:
        from scipy import fft

        size = fft.next_fast_len(y.size)
        weight = np.where(m.use, m.gain, np.float32(0.0))
        self.rate_hz, self.gate = m.rate_hz, fft.fft(weight, size)
        self.signal = fft.fft(weight * y, size)

    def holds_a_line(self, p: Periodogram, k: int, side: int, reach_hz: float) -> bool:
        """Whether the band within ``reach_hz`` of a bin of the upper (1) or lower (-1) side holds a line."""
        signal = self._cut(self.signal, side * k * p.bin_hz, reach_hz)
        gate = np.abs(self._cut(self.gate, 0.0, reach_hz))
        clear = gate > _HELD * gate.max()
        power = (np.abs(signal[clear]) / gate[clear]) ** 2
        if power.size < 2 or not power.any():
            return False
        bins = _bins(p, k, max(2, round(reach_hz / p.bin_hz)))
        held, noise = (p.upper, p.noise_upper) if side > 0 else (p.lower, p.noise_lower)
        share = 1.0 - float(noise[bins].sum() / held[bins].sum())
        return float(np.mean(power**2)) / float(np.mean(power)) ** 2 < 2.0 - 0.5 * max(share, 0.0) ** 2

    def _cut(self, spectrum: Complex, middle_hz: float, reach_hz: float) -> Complex:
        from scipy import fft

        bin_hz = self.rate_hz / spectrum.size
        middle, reach = round(middle_hz / bin_hz), max(1, round(reach_hz / bin_hz))
        return np.asarray(fft.ifft(spectrum[np.arange(middle - reach, middle + reach) % spectrum.size]), np.complex64)


def _widest(p: Periodogram, k: int, rate_hz: float, pattern: Real, others_hz: list[float]) -> tuple[Line, float]:
    """The hump about a bin, as wide as widening it adds more to it than its pattern explains; and that reach in Hz.

    Never so wide that it meets zero or another hump half-way.
    """
    hz = k * p.bin_hz
    room = 0.4 * min([hz, *(abs(hz - f) for f in others_hz)])
    best, best_hz = None, 0.0
    for reach_hz in (_WANDER_REACH_HZ, 2 * _WANDER_REACH_HZ, 4 * _WANDER_REACH_HZ):
        reach = max(2, round(reach_hz / p.bin_hz))
        wider = _hump(p, _bins(p, k, reach), rate_hz, p.blocks, float(pattern[min(reach, pattern.size - 1)]))
        if best is not None:
            more = _size(wider) - _size(best)
            scatter = 3 * np.sqrt(2.0) * wider.noise / np.sqrt(p.blocks)
            if reach_hz > room or more < max(_WIDER * _size(best), scatter):
                break
        best, best_hz = wider, reach_hz
    assert best is not None
    return best, best_hz


def _hump(p: Periodogram, hump: NDArray[np.intp], rate_hz: float, blocks: int, held: float) -> Line:
    """All that stands over the noise in some bins, as one line, of which they hold the share ``held``."""
    share = p.bin_hz / rate_hz / held
    upper = float((p.upper[hump] - p.noise_upper[hump]).sum()) * share
    lower = float((p.lower[hump] - p.noise_lower[hump]).sum()) * share
    cross = complex((p.each[:, hump] * p.each[:, -hump]).sum()) * share / float(p.weights.sum())
    noise = float(p.noise_upper[hump].mean() + p.noise_lower[hump].mean()) / 2 * share * hump.size**0.5
    excess = np.maximum(p.upper[hump] + p.lower[hump] - p.noise_upper[hump] - p.noise_lower[hump], 0.0)
    middle = float((excess * hump).sum() / max(excess.sum(), 1e-30)) * p.bin_hz
    return Line(middle, upper, lower, cross, noise, blocks)


def _hump_powers(p: Periodogram, hump: NDArray[np.intp], side: int) -> tuple[Real, Real]:
    """(power, noise) of each block in some bins of the upper (1) or lower (-1) side."""
    part = p.each[:, side * hump]
    noise = (p.noise_upper if side > 0 else p.noise_lower)[hump].sum()
    power = (part.real**2 + part.imag**2).sum(axis=1, dtype=np.float64) / p.weights
    return power, np.full(power.size, float(noise))


def _stands_up(power: Real, k: int, reach: int) -> bool:
    """Whether a hump rises over what lies on both its sides: noise that falls off steeply does not."""
    left, right = power[max(1, k - 3 * reach) : max(2, k - reach)], power[k + reach : k + 3 * reach]
    if not left.size or not right.size:
        return False
    return bool(power[k] > _HUMP_RISE * np.sqrt(left.mean() * right.mean()))
