"""Where in the audio something stands out for long enough to be a four-tone slot."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.slots.band import Narrow
from sigcheck.measure.spectrum import Survey, running_median
from sigcheck.measure.track import Real

_LOWEST_HZ = 150.0
CHUNK_S = 30.0  # a quarter of a transmission: pauses and other transmissions stay out of some chunk
_MORE = 0.30  # power over the surroundings in a chunk: six times the scatter of 30 s of noise in a bin
_MORE_LONG = 0.15  # and in four of them, as much in their scatter; -25 dB in 2500 Hz makes 0.7
_MOST_BURSTY = 3.5  # mean square over squared mean of the frames' power: noise makes 2, keying more
_MOST_PLACES = 40
_STEADY = 1.1  # less is a carrier, or one of four tones after the other: there is no keying to have sidebands
_KEYING_REACH_HZ = 200.0
_KEYING_SIDEBANDS = 1e-3  # what is so much weaker than a signal near by is that one's keying
_FINE_S = 1.4  # frames that tell neighbours apart
_BESIDE_HZ = (8.0, 38.0)  # from a place: nearer is its own, further has a place of its own
_MOST_BESIDE = 3
_FAINTEST = 1e-14  # of the loudest signal's power: there is only the rounding of the samples and of the transform
_THIN = 3  # every third bin tells the surroundings: the running median is most of the cost


def places(s: Survey, start_s: float, end_s: float) -> tuple[Real, Real]:
    """Frequencies where power stands out of the surroundings for half a minute or more, strongest first.

    With the middle time of the half minute in which each does most.
    """
    first, last = np.searchsorted(s.frame_s, [start_s, end_s])
    density = s.density[first:last]
    hop_s = float(s.frame_s[1] - s.frame_s[0]) if s.frame_s.size > 1 else 1.0
    per_chunk = max(1, round(CHUNK_S / hop_s))
    chunks = max(1, round(density.shape[0] / per_chunk))
    near = max(3, round(150.0 / s.bin_hz / _THIN) | 1)
    level, ratio, bursty, middle_s = [], [], [], []
    for part, at_s in zip(np.array_split(density, chunks), np.array_split(s.frame_s[first:last], chunks), strict=True):
        if not part.shape[0]:
            continue
        middle_s.append(float(at_s.mean()))
        usual = np.median(part[:, 1::3], axis=1)
        weight = 1.0 / np.maximum(1.0, usual / (3.0 * max(float(np.median(usual)), 1e-30)))  # crashes
        calm = part * weight[:, None].astype(np.float32)
        mean = np.maximum(calm.mean(axis=0, dtype=np.float64), 1e-30)
        bursty.append(np.einsum("ij,ij->j", calm, calm, dtype=np.float64) / calm.shape[0] / mean**2)
        level.append(mean)
        around = np.interp(np.arange(mean.size), np.arange(0, mean.size, _THIN), running_median(mean[::_THIN], near))
        ratio.append(mean / np.maximum(around, 1e-30))
    r = np.array(ratio)
    r[:, 1:-1] = 0.25 * (r[:, :-2] + 2 * r[:, 1:-1] + r[:, 2:])
    even = np.array(bursty) < _MOST_BURSTY
    four = min(4, r.shape[0])
    long = np.array([r[k : k + four].mean(axis=0) for k in range(r.shape[0] - four + 1)])
    strength = np.maximum(np.where(even, r - 1.0, 0.0).max(axis=0) / _MORE, (long.max(axis=0) - 1.0) / _MORE_LONG)
    strength[: int(_LOWEST_HZ / s.bin_hz)] = 0.0
    strength[-3:] = 0.0
    strength = np.where(even.any(axis=0), strength, 0.0)
    peak = (strength[1:-1] >= strength[:-2]) & (strength[1:-1] > strength[2:]) & (strength[1:-1] > 1.0)
    bins = np.flatnonzero(peak) + 1
    reach = max(1, round(_KEYING_REACH_HZ / s.bin_hz))
    total = np.mean(level, axis=0)
    keyed = np.where(np.min(bursty, axis=0) > _STEADY, total, 0.0)
    loudest = np.array([keyed[max(0, k - reach) : k + reach + 1].max() for k in bins])
    bins = bins[total[bins] > _KEYING_SIDEBANDS * loudest]
    bins = bins[np.argsort(-strength[bins])][:_MOST_PLACES]
    clearest = np.argmax(np.where(even, r, 0.0)[:, bins], axis=0)
    heard = np.array(level)[clearest, bins] > _FAINTEST * np.max(level, axis=1)[clearest]
    bins, clearest = bins[heard], clearest[heard]
    return np.asarray(_middle(strength, bins) * s.bin_hz), np.array(middle_s)[clearest]


def beside(n: Narrow) -> Real:
    """Frequencies of what stands out beside a place that the survey's bins do not keep apart from it; (k,), a few."""
    length = round(_FINE_S * n.rate_hz)
    if n.z.size < 4 * length:
        return np.zeros(0)
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(n.z, length)[:: length // 2] * window
    power = np.fft.fftshift(np.mean(np.abs(np.fft.fft(frames, axis=1)) ** 2, axis=0))
    hz = np.fft.fftshift(np.fft.fftfreq(length, 1 / n.rate_hz))
    within = np.abs(hz) < _BESIDE_HZ[1] + 6.0
    hz, power = hz[within], power[within] / n.response(hz[within])
    wide = round(6.0 * _FINE_S)
    power = np.convolve(power, np.ones(wide) / wide, "same")
    noise = float(np.quantile(power, 0.2))
    peak = (power[1:-1] > power[:-2]) & (power[1:-1] >= power[2:]) & (power[1:-1] > (1 + 2 * _MORE) * noise)
    at = np.flatnonzero(peak) + 1
    at = at[(np.abs(hz[at]) > _BESIDE_HZ[0]) & (np.abs(hz[at]) < _BESIDE_HZ[1])]
    return np.asarray(n.hz + hz[at[np.argsort(-power[at])][:_MOST_BESIDE]])


def _middle(strength: Real, bins: NDArray[np.intp]) -> Real:
    """Power-weighted place of each peak among its neighbours."""
    offsets = np.arange(-1, 2)
    weight = np.maximum(strength[bins[:, None] + offsets], 0.0)
    return np.asarray(bins + (weight * offsets).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-30))
