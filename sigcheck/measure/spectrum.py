"""One pass over the samples: a survey spectrogram and the analytic audio at a low rate.

Both come from the same short-time spectra. The recording is cut into half-overlapping frames under
a periodic Hann window, which sum to one, so each frame's spectrum serves twice: its squared
magnitude is a row of the survey, and its lowest bins, transformed back and overlap-added, are the
analytic audio at a rate that just holds them. The window keeps each frame's spectrum compact, so
that cutting the spectrum off at ``rate_hz`` disturbs only what lies within a few bins of the cut.

Scale: ``audio`` as in :mod:`sigcheck.measure.track`; the survey holds the noise density of the same
complex convention, E|w|^2 per hertz, so a tone of amplitude A stands ``A**2 / enbw_hz`` high.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.track import Complex, Mask, Real

HANN_ENBW_BINS = 1.5  # equivalent noise bandwidth of the Hann window (Harris 1978)
FRAME_S = 0.16  # near the length of a dah at 20 WPM: keying is seen, yet a bin is only some 6 Hz wide
AUDIO_TOP_HZ = 6000.0  # wider than any voice passband
_CHUNK_FRAMES = 32  # fit in the processor's cache; large enough for the transform's overhead not to count


@dataclass(frozen=True)
class Survey:
    """Short-time spectra of one channel and its analytic audio.

    ``density`` (frames, bins) float32; frame k is centred on ``frame_s[k]``, bin b on ``b * bin_hz``.
    """

    audio: Complex
    rate_hz: float
    density: NDArray[np.float32]
    frame_s: Real
    bin_hz: float

    @cached_property
    def low_density(self) -> Real:
        """Density against frequency (bins,) in each bin's quieter time, scaled to read Gaussian noise true.

        A low quantile over time passes over keyed signals and static.
        """
        density = self.density[1:-1] if self.density.shape[0] > 4 else self.density
        q = 0.15  # keyed text leaves that much of the time free of the tone's own keying sidebands
        if density.shape[0] < 8:
            return np.asarray(density.mean(axis=0), np.float64)
        step = max(1, density.shape[0] // 200)  # a few hundred frames place a quantile well enough
        # powers of Hann frames are exponential: the q-quantile lies at -ln(1-q) of the mean
        return np.asarray(quantile_of_columns(density[::step], q) / -np.log1p(-q), np.float64)

    @property
    def enbw_hz(self) -> float:
        """Noise bandwidth of one bin."""
        return HANN_ENBW_BINS * self.bin_hz

    @property
    def bins_hz(self) -> Real:
        """Centre frequency of each bin."""
        return np.arange(self.density.shape[1]) * self.bin_hz


def hann(n: int) -> NDArray[np.float32]:
    """Periodic Hann window of n samples; half-overlapping copies sum to one."""
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(n) / n)).astype(np.float32)


def _windowed(x: NDArray[Any], window: NDArray[np.float32]) -> Iterator[tuple[int, NDArray[Any]]]:
    """Half-overlapping frames of x under a window, some at a time: (number of the first, frames (count, length)).

    The first and last reach over the ends of x, where nothing is, so that every sample is in two. What is given out
    may be overwritten.
    """
    length = window.size
    half = length // 2
    count = frame_count(x.size, length)
    whole = max(0, (x.size - length) // half + 1)  # frames 1, 2, ... that lie inside
    inside = np.lib.stride_tricks.sliding_window_view(x, length)[::half] if whole else np.empty((0, length), x.dtype)
    room = np.empty((min(_CHUNK_FRAMES, count), length), x.dtype)
    for first in range(0, count, _CHUNK_FRAMES):
        frames = room[: count - first]
        a, b = max(first, 1), min(first + len(frames), 1 + whole)
        if a < b:
            np.multiply(inside[a - 1 : b - 1], window, out=frames[a - first : b - first])
        for k in (k for k in range(first, first + len(frames)) if not a <= k < b):
            at = (k - 1) * half
            part = x[max(at, 0) : at + length]
            frames[k - first] = 0.0
            frames[k - first, max(-at, 0) : max(-at, 0) + part.size] = part
            frames[k - first] *= window
        yield first, frames


def frame_count(n: int, length: int) -> int:
    """How many half-overlapping frames hold every one of n samples twice."""
    return -(-n // (length // 2)) + 1


def survey(x: NDArray[np.float32], rate_hz: float, *, top_hz: float = AUDIO_TOP_HZ) -> Survey:
    """Survey one channel (n,) of real samples at ``rate_hz``; the audio is kept up to ``top_hz``."""
    from scipy import fft

    length = 1 << max(6, round(np.log2(FRAME_S * rate_hz)))
    window = hann(length)
    bins = min(length // 2, 2 * round(top_hz * length / rate_hz / 2))
    half = bins // 2
    count = frame_count(x.size, length)
    audio = np.zeros((count + 1) * half, np.complex64)
    density = np.empty((count, bins), np.float32)
    audio_scale = np.float32(2.0 * bins / length)
    density_scale = np.float32(4.0 / (rate_hz * float(np.sum(window.astype(np.float64) ** 2))) / audio_scale**2)
    for first, frames in _windowed(x, window):
        spectra = fft.rfft(frames, axis=1, overwrite_x=True)[:, :bins] * audio_scale
        rows = density[first : first + len(frames)]
        np.multiply(spectra.real, spectra.real, out=rows)
        rows += spectra.imag**2
        rows *= density_scale
        back = fft.ifft(spectra, axis=1, overwrite_x=True)
        _overlap_add(audio[first * half : (first + len(frames) + 1) * half], back, half)
    audio_rate = rate_hz * bins / length
    n = int(np.ceil(x.size / rate_hz * audio_rate))
    return Survey(
        audio=audio[half : half + n],
        rate_hz=audio_rate,
        density=density,
        frame_s=np.arange(count) * (length / 2 / rate_hz),
        bin_hz=rate_hz / length,
    )


def _overlap_add(out: Complex, frames: Complex, half: int) -> None:
    rows = out.reshape(-1, half)
    rows[:-1] += frames[:, :half]
    rows[1:] += frames[:, half:]


def slice_band(
    z: Complex, rate_hz: float, low_hz: float, high_hz: float, *, taper_hz: float
) -> tuple[Complex, float]:
    """Cut the band ``low_hz..high_hz`` out of complex samples, shifted to sit about 0 Hz, decimated.

    The filter is flat inside the band and falls to nothing over ``taper_hz`` outside it (raised cosine),
    so its response to an edge dies within about ``1 / taper_hz``. Sample k of the result is at
    ``k / new_rate``. Frequency f of the input appears at ``f - (low_hz + high_hz) / 2``, the middle
    rounded to a bin of the frames; a band symmetric about 0 Hz stays where it is.

    Returns
    -------
    (band, new_rate_hz): complex64 (m,), and its rate.
    """
    from scipy import fft

    length = 1 << max(6, int(np.ceil(np.log2(max(FRAME_S * rate_hz, 4 * rate_hz / taper_hz)))))
    bin_hz = rate_hz / length
    centre = round((low_hz + high_hz) / 2 / bin_hz)
    half_bins = int(np.ceil(((high_hz - low_hz) / 2 + taper_hz) / bin_hz)) + 1
    kept = fft.next_fast_len(2 * half_bins)
    kept += kept % 2
    if kept >= length:
        kept = length
    index = np.arange(-kept // 2, kept // 2)
    f = (index + centre) * bin_hz
    outside = np.maximum(np.maximum(low_hz - f, f - high_hz), 0.0)
    gain = np.where(outside < taper_hz, 0.5 + 0.5 * np.cos(np.pi * np.minimum(outside / taper_hz, 1.0)), 0.0)
    gain = fft.ifftshift(gain * kept / length).astype(np.float32)
    index = fft.ifftshift(index)  # in the transform's order
    source = (index + centre) % length
    window = hann(length)
    half = kept // 2
    count = frame_count(z.size, length)
    out = np.zeros((count + 1) * half, np.complex64)
    # a shift by whole bins turns by whole half-turns from frame to frame
    turn = np.where(((np.arange(count) - 1) * centre) % 2 == 0, 1.0, -1.0).astype(np.float32)
    for first, frames in _windowed(z, window):
        spectra = fft.fft(frames, axis=1, overwrite_x=True)
        cut = spectra.take(source, axis=1)
        cut *= gain
        back = fft.ifft(cut, axis=1, overwrite_x=True)
        if centre % 2:
            back *= turn[first : first + len(frames), None]
        _overlap_add(out[first * half : (first + len(frames) + 1) * half], back, half)
    new_rate = rate_hz * kept / length
    n = int(np.ceil(z.size / rate_hz * new_rate))
    return out[half : half + n], new_rate


def quantile_of_columns(x: Real, q: float) -> Real:
    """Quantile over rows (n, m) with linear interpolation: sorting is faster than looking for it."""
    ordered = np.array(x.T, order="C")
    ordered.sort(axis=1)
    place = q * (ordered.shape[1] - 1)
    below, share = int(place), place % 1.0
    return np.asarray(ordered[:, below] * (1 - share) + ordered[:, min(below + 1, ordered.shape[1] - 1)] * share)


def quiet_density(s: Survey) -> Real:
    """Noise density against frequency (bins,): ``low_density`` with steady lines passed over.

    The running median over 150 Hz passes over lines; stationary Gaussian noise reads true.
    """
    return running_median(s.low_density, max(3, round(150.0 / s.bin_hz) | 1))


def running_median(x: Real, width: int) -> Real:
    """Median of x over an odd ``width`` of neighbours, the ends repeated."""
    from scipy.ndimage import median_filter

    return np.asarray(median_filter(x, width, mode="nearest"))


def passband(noise: Real, bin_hz: float, tone_hz: float) -> tuple[float, float, bool]:
    """The receiver's passband around ``tone_hz`` as its noise shows it.

    Walks outward from the tone until the noise has fallen 8 dB below the level inside and stays there for
    100 Hz. A station beyond the edge, a hump of less than 80 Hz in what has fallen already, does not bring it back.

    Returns
    -------
    (low_hz, high_hz, from_noise): ``from_noise`` is False where no edge was seen, and the band is then
    the recording's own.
    """
    level = 10 * np.log10(np.maximum(noise, 1e-30))
    top = (noise.size - 1) * bin_hz
    start = int(np.clip(round(tone_hz / bin_hz), 1, noise.size - 2))
    reach = max(2, round(150.0 / bin_hz))
    inside = float(np.median(level[max(1, start - reach) : start + reach + 1]))
    hold = max(1, round(100.0 / bin_hz))
    without_humps = _opened(level, max(1, round(80.0 / bin_hz)))
    depth = 8.0
    reference = inside
    edges = []
    for direction in (-1, 1):
        run = 0
        edge = None
        reference = inside
        k = start
        while 1 <= k < noise.size - 1:
            if (without_humps if run else level)[k] < reference - depth:
                run += 1
                if run >= hold:
                    edge = k - direction * run
                    break
            else:
                run = 0
                # the passband may slope or rise: follow slowly upward, never down
                reference = max(reference, min(level[k], reference + 0.02))
            k += direction
        if edge is None and run > 0:
            edge = k - direction * run  # the band ends inside the last 100 Hz
        edges.append(edge)
    low = edges[0] * bin_hz if edges[0] is not None else 0.0
    high = edges[1] * bin_hz if edges[1] is not None else top
    return float(low), float(high), edges[0] is not None or edges[1] is not None


def _opened(x: Real, width: int) -> Real:
    """x without humps narrower than ``width``: the greatest of the least of so many neighbours."""
    windows = np.lib.stride_tricks.sliding_window_view
    least = windows(np.pad(x, width - 1, mode="edge"), width).min(axis=1)
    return np.asarray(windows(least, width).max(axis=1))


def peak_bin(power: Real, k: int) -> float:
    """Where between the bins a line's maximum near bin ``k`` lies (parabola through the levels in dB)."""
    k = int(np.clip(k, 2, power.size - 3))
    k = k - 1 + int(np.argmax(power[k - 1 : k + 2]))
    k = int(np.clip(k, 1, power.size - 2))
    a, b, c = np.log(np.maximum(power[k - 1 : k + 2], 1e-300))
    curve = a - 2 * b + c
    return k + (float(np.clip(0.5 * (a - c) / curve, -0.5, 0.5)) if curve < 0 else 0.0)


def fundamental_from_lines(lines: list[tuple[int, float, float]]) -> float:
    """Least-squares fundamental of harmonics given as (order, frequency, power over noise)."""
    order, hz, weight = np.array(lines).T
    return float((weight * order * hz).sum() / (weight * order**2).sum())


def worn(mask: Mask, by: int) -> Mask:
    """The mask with ``by`` samples taken off both ends of each run."""
    if by <= 0:
        return mask.copy()
    change = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    edges = np.concatenate([[0][: mask[:1].sum()], change, [mask.size][: mask[-1:].sum()]]).astype(np.intp)
    starts, ends = edges[::2] + by, edges[1::2] - by
    keep = ends > starts
    edges = np.column_stack([starts[keep], ends[keep]]).ravel()
    lengths = np.diff(edges, prepend=0, append=mask.size)
    return np.repeat(np.arange(lengths.size) % 2 == 1, lengths)


def phasors(cycles: Real) -> Complex:
    """exp(2 pi j cycles) of float64 turns, single precision."""
    angle = (cycles - np.floor(cycles)).astype(np.float32)  # far faster than the remainder
    angle *= np.float32(2 * np.pi)
    e = np.empty(angle.shape, np.complex64)
    np.cos(angle, out=e.real)
    np.sin(angle, out=e.imag)
    return e
