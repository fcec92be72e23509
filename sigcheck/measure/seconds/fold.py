"""What repeats every second: the audio folded over one second, in every band at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.seconds.line import first_boundary
from sigcheck.measure.spectrum import Survey
from sigcheck.measure.track import Complex, Real

_LOWEST_HZ = 250.0  # below it lie mains hum and the slow code subcarriers of such stations
_HIGHEST_HZ = 4000.0  # above every voice passband; pulses beyond are found when their frequency is given
_FRAME_S = 0.0107  # a Hann frame is then as wide as the pulse is long
_BLOCK_S = 20.0  # within it a recorder 250 ppm off slips by no more than one hop
_MOST_PPM = 400.0  # twice the worst sound card (common practice, no source)
_FIRST_LOOK_S = 300.0
_LONG_S = 0.02  # longer pulses fill too much of the second to stand out as a peak; their beginning does
_CLEAR = 7.5  # standard deviations: noise reaches 5 in as many cells as are searched
FEWEST = 6


@dataclass(frozen=True)
class Coarse:
    """Audio frequency of what repeats, where in the second it begins, and its period."""

    hz: float
    phase_s: float  # beginning of the pulse at the recording's start, modulo 1 s
    period_s: float
    stretch_s: tuple[float, float]  # of the recording, in which they were found


def fold(s: Survey, tick_hz: float | None, tick_s: float) -> Coarse | None:
    """Band, position and period of what repeats sharply every second, in the first stretch that shows it."""
    span = round(_FIRST_LOOK_S * s.rate_hz)
    for first in range(0, s.audio.size, span):
        piece = s.audio[first : first + span + span // 4]
        if piece.size < (FEWEST + 2) * s.rate_hz:
            break
        found = _fold_stretch(piece, s.rate_hz, tick_hz, tick_s)
        if found is not None:
            hz, begins, period = found
            from_s = first / s.rate_hz
            return Coarse(hz, first_boundary(begins + from_s, period), period, (from_s, from_s + _FIRST_LOOK_S))
    return None


def _fold_stretch(
    audio: Complex, rate_hz: float, tick_hz: float | None, tick_s: float
) -> tuple[float, float, float] | None:
    """Audio frequency, beginning modulo 1 s, and period."""
    length = 1 << round(np.log2(_FRAME_S * rate_hz))
    hop = length // 2
    power = _short_spectra(audio, length, hop)
    at_s = (np.arange(power.shape[0]) * hop + length / 2) / rate_hz
    bin_hz = rate_hz / length
    bands = np.arange(int(np.ceil(_LOWEST_HZ / bin_hz)), min(int(_HIGHEST_HZ / bin_hz), length - 2))
    if tick_hz is not None:
        bands = np.unique(np.clip(round(tick_hz / bin_hz) + np.arange(-1, 2), 1, length - 1))
    phases = round(rate_hz / hop)
    folded, middle_s = _fold_blocks(power[:, bands], at_s, phases)
    # a pulse longer than a frame is gathered over its length
    kernel = max(1, round(tick_s * phases))
    wide = max(1, round(_LONG_S * phases))

    def contrast(line: Real) -> Real:
        return _peak(line, kernel) if tick_s <= _LONG_S else _rise(line, wide)

    # the scatter of a fold of noise is the same in every band: one that happens to have little is no better for it
    scatter = 1.4826 * np.median(np.abs(contrast(folded.sum(axis=0))), axis=0)
    scatter = np.maximum(scatter, max(float(np.median(scatter)), 1e-12))
    best = (0.0, 0.0, 0, 0)
    step_ppm = 1e6 / phases / max(middle_s[-1] + _BLOCK_S / 2, _BLOCK_S)
    for ppm in np.arange(-np.ceil(_MOST_PPM / step_ppm), np.ceil(_MOST_PPM / step_ppm) + 1) * step_ppm:
        line = np.zeros(folded.shape[1:])
        for block, t in zip(folded, middle_s, strict=True):
            line += np.roll(block, -round(1e-6 * ppm * t * phases), axis=0)
        score = contrast(line) / scatter
        k = int(np.argmax(score))
        if score.flat[k] > best[0]:
            best = (float(score.flat[k]), float(ppm), *divmod(k, score.shape[1]))
    value, ppm, phase, _ = best
    if value < _CLEAR:
        return None
    # the beginning of the pulse: the fold gathers centres of frames over the kernel
    begins = (phase + 0.5) / phases - tick_s / 2 if tick_s <= _LONG_S else phase / phases
    if tick_hz is None:  # the contrast is nearly as good beside the pulse's own band: there most power comes in
        within = phase if tick_s <= _LONG_S else (phase + wide // 2) % phases
        there = ((at_s * (1 - 1e-6 * ppm)) % 1.0 * phases).astype(int) % phases == within
        gain = np.median(power[there][:, bands], axis=0) - np.median(power[:, bands], axis=0)
        tick_hz = float(bands[int(np.argmax(gain))]) * bin_hz
    return tick_hz, float(begins), 1.0 + 1e-6 * float(ppm)


def _short_spectra(audio: Complex, length: int, hop: int) -> NDArray[np.float32]:
    from scipy import fft

    window = (0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(length) + 0.5) / length)).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(audio, length)[::hop]
    spectra = fft.fft(frames * window, axis=1, overwrite_x=True)
    return np.asarray(spectra.real**2 + spectra.imag**2, np.float32)


def _fold_blocks(power: NDArray[Any], at_s: Real, phases: int) -> tuple[Real, Real]:
    """Mean level over its own block's median at each position within the second: (blocks, phases, bands).

    Logarithmic, so that one crash of static counts no more than a few clear pulses.
    """
    blocks = max(1, int(at_s[-1] // _BLOCK_S))
    block = np.minimum((at_s / _BLOCK_S).astype(int), blocks - 1)
    index = ((at_s % 1.0) * phases).astype(int) % phases
    out = np.empty((blocks, phases, power.shape[1]))
    for b in range(blocks):
        part, place = power[block == b], index[block == b]
        level = np.log1p(part / np.maximum(np.median(part[::3], axis=0), 1e-30))
        order = np.argsort(place, kind="stable")
        first = np.searchsorted(place[order], np.arange(phases))
        count = np.diff(first, append=place.size)
        sums = np.add.reduceat(level[order], np.minimum(first, place.size - 1), axis=0)
        out[b] = np.where(count[:, None] > 0, sums / np.maximum(count, 1)[:, None], np.log1p(1.0))
    middles = np.array([at_s[block == b].mean() for b in range(blocks)])
    return out, middles


def _peak(line: Real, kernel: int) -> Real:
    """How far each place in the fold (phases, bands) stands above the rest of its band."""
    wide = np.concatenate([line[-kernel:], line, line[:kernel]])
    total = np.cumsum(np.concatenate([np.zeros((1, line.shape[1])), wide]), axis=0)
    first = kernel - kernel // 2 + np.arange(line.shape[0])
    smooth = (total[first + kernel] - total[first]) / kernel
    return np.asarray(smooth - np.median(smooth, axis=0))


def _rise(line: Real, width: int) -> Real:
    """How far the fold (phases, bands) rises at each place."""
    total = np.cumsum(np.concatenate([line[-width:], line, line[:width]]), axis=0)
    total = np.concatenate([np.zeros((1, line.shape[1])), total])
    k = width + np.arange(line.shape[0])
    return np.asarray((total[k + width] - 2 * total[k] + total[k - width]) / width)
