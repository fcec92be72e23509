"""Voice or music on or beside the tone.

Speech and music differ from noise in that their spectrum changes its shape several times a second, over
many bands and for longer than a moment; a gain control, bursts and static move all bands alike, another
keyed station moves one or two. So the audio's level in bands of some 120 Hz is taken in short frames,
each frame's median over the bands is taken off (what moves all alike), then each band's own over time,
apart for key-up and key-down. What is left of noise scatters as its few independent values say and from
frame to frame at random; a voice scatters far more, and a syllable of 100 to 250 ms lasts over several
frames. The same holds for a tone that a voice modulates: it stands beside it, on both sides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.spectrum import hann
from sigcheck.measure.track import Mask, Real, Track

_FRAME_S = 0.05
_BAND_HZ = 120.0
_CLEAR_HZ = 150.0  # of a keyed tone and its harmonics; edges spread a tone this far
_CLEAR_STEADY_HZ = 60.0
_MOST_S = 40.0
_FEWEST_FRAMES = 60
_FEWEST_BANDS = 5
_LASTING = 0.07  # correlation of neighbouring frames: of noise 0, of syllables a half, less where noise covers them
_WIDE = 0.25  # share of the bands in which it must be heard
_LATER_S = 0.6
_ENBW_BINS = 1.94  # of a squared Hann window
_SIGNIFICANT = 5.0  # standard deviations by which the mean product of neighbours exceeds chance


@dataclass(frozen=True)
class Voice:
    """``dbc``: power of the voice over the tone's; None with the reason where none is heard."""

    dbc: float | None
    reason: str


def voice(track: Track, tone_power: float, others_hz: tuple[float, ...] = ()) -> Voice:
    """Look for voice or music in the passband, clear of the tone, its harmonics and other signals."""
    frames, state, times_s = _frames(track)
    if frames.shape[0] < _FEWEST_FRAMES:
        return Voice(None, "too little time that is all key-down or all key-up to hear a voice in")
    bands, unit = _bands(frames, track, others_hz)
    if bands.shape[1] < _FEWEST_BANDS:
        return Voice(None, "too narrow a passband to tell a voice from other sounds")
    level = np.log(np.maximum(bands, 1e-30))
    shape = level - np.median(level, axis=1, keepdims=True)
    for s in np.unique(state):
        shape[state == s] -= np.median(shape[state == s], axis=0)
    shape = np.clip(shape, -2.5, 2.5)  # 11 dB: a click or a crash is not to speak for many frames
    at = np.round(times_s / _FRAME_S).astype(np.intp)
    near, pairs = _products(shape, at, state, 1)
    later, later_pairs = _products(shape, at, state, round(_LATER_S / _FRAME_S))
    if min(pairs, later_pairs) < _FEWEST_FRAMES / 2:
        return Voice(None, "too few frames in a row to see the rhythm of a voice")
    # what fades in seconds is no voice: that is alike half a second later
    lasting = (near - np.maximum(later, 0.0)) / np.maximum(shape.var(axis=0), 1e-12)
    chance = 1.0 / np.sqrt(pairs)
    heard = lasting > max(_LASTING, 2.5 * chance)
    together = float(lasting.mean() * np.sqrt(lasting.size) / chance)
    if heard.mean() < _WIDE or heard.sum() < 4 or together < _SIGNIFICANT:
        return Voice(None, "no voice or music is heard in the passband")
    power = _voice_power(bands, state, unit) * unit
    return Voice(float(10 * np.log10(max(power, 1e-30) / tone_power)), "")


def _products(shape: Real, at: NDArray[np.intp], state: Real, lag: int) -> tuple[Real, int]:
    """(mean product of frames ``lag`` apart in the same state, of each band; pairs behind it)."""
    other = np.searchsorted(at, at + lag)
    inside = other < at.size
    first, second = np.flatnonzero(inside), other[inside]
    pair = (at[second] == at[first] + lag) & (state[second] == state[first])
    first, second = first[pair], second[pair]
    if not first.size:
        return np.zeros(shape.shape[1]), 0
    return (shape[first] * shape[second]).mean(axis=0), int(first.size)


def _frames(track: Track) -> tuple[Real, Real, Real]:
    """(power spectra of frames that lie all in one state, the state of each, their times)."""
    from scipy import fft

    base, marks = track.base, track.marks
    length = round(_FRAME_S * base.rate_hz)
    count = base.audio.size // length
    if count == 0:
        return np.zeros((0, 1)), np.zeros(0), np.zeros(0)

    def whole(mask: Mask) -> Mask:
        return np.asarray(mask[: count * length].reshape(count, length).all(axis=1))

    down, up = whole(marks.settled), whole(marks.up)
    use = np.flatnonzero(down | up)
    # with gain controls about, the first frames after key-up are unlike the later: they may stay, the
    # median over the bands takes the gain off
    use = use[: round(_MOST_S / _FRAME_S)]
    window = hann(length) ** 2  # its side lobes fall fast: a strong tone is not to speak for its neighbours
    spectra = fft.fft(base.audio[: count * length].reshape(count, length)[use] * window, axis=1)
    power = (spectra.real**2 + spectra.imag**2) / float(np.sum(window, dtype=np.float64)) ** 2
    return power, down[use].astype(float), use * _FRAME_S


def _bands(power: Real, track: Track, others_hz: tuple[float, ...]) -> tuple[Real, float]:
    """(mean power in bands (frames, bands), factor from the bands' sum to power in the band)."""
    base = track.base
    bin_hz = base.rate_hz / power.shape[1]
    f = np.arange(power.shape[1]) * bin_hz
    low, high = base.passband_hz
    clear = _CLEAR_HZ if track.marks.keyed else _CLEAR_STEADY_HZ
    free = (f > max(low + 30, 150.0)) & (f < min(high - 60, 3500.0, 0.95 * base.rate_hz))
    for order in range(1, 8):
        free &= np.abs(f - order * track.tone_hz) > (clear if order == 1 else 60.0)
    for hz in others_hz:
        free &= np.abs(f - hz) > 80.0
    places = np.flatnonzero(free)
    each = max(2, round(_BAND_HZ / bin_hz))
    number = places.size // each
    picked = power[:, places[: number * each]].reshape(power.shape[0], number, each) if number else power[:, :0, None]
    return picked.mean(axis=2), each / _ENBW_BINS  # a line shows in so many bins


def _voice_power(bands: Real, state: Real, independent: float) -> float:
    """Mean power of what exceeds each band's noise, at key-down where that is heard.

    A voice pauses and moves: the quiet sixth of each band's frames is noise, its mean by the gamma
    distribution of a mean of ``independent`` exponential powers.
    """
    from scipy.special import gammaincinv

    for s in (1.0, 0.0):
        here = bands[state == s]
        if here.shape[0] >= _FEWEST_FRAMES / 3:
            noise = np.quantile(here, 0.15, axis=0) * independent / gammaincinv(independent, 0.15)
            return float(np.maximum((here.mean(axis=0) - noise).sum(), 0.0))
    return 0.0
