"""Voice or music on or beside the tone.

Speech and music stand far over their own quiet moments, each time for a tenth of a second or more, and in
several bands of the spectrum; which ones changes with the syllable or the note. Noise stands up for one
frame and in one band at a time; a gain control, bursts and static move all bands alike.

So the audio's power is taken in frames of 50 ms that lie all in key-down (the tone subtracted) or all in
key-up, in bands of some 60 Hz, over the quiet third of each band's frames and then of each frame's bands.
What exceeds the noise's median threefold is multiplied with the same band's in the frames that follow
within 0.16 s. Of noise these products are zero in the mean, and their sum over its own standard deviation
is a normal variable; what fades in seconds is alike half a second later too, and that is taken off.

A quick speaker's syllable has gone, and is missed, after 0.1 s: what stays in the sum over 0.16 s is nothing. Then
the very next frame alone tells.

A speaker who hardly pauses stands over nothing. Then the logarithms tell, over the median of their band and
their frame: the same products of these, in which the louder counts less and what lies under the median too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.carrier import turn
from sigcheck.measure.spectrum import hann
from sigcheck.measure.track import Mask, Real, Track, pieces, runs

_FRAME_S = 0.05
_BANDS_HZ = (60.0, 40.0)  # formants fill the wider, single notes and a low voice's harmonics the narrower
_CLEAR_HZ = 60.0  # of the tone, its harmonics: what a chirp or flutter leaves there comes with each element
# ... and as far where it leaks at key-up: 15 dB over what is beside it there, with its keying's own sidebands
_CLEAR_LEAK_HZ, _LEAKS = 150.0, 30.0
_CLEAR_OTHER_HZ = 80.0  # of other signals: a keyed one reaches so far
_TOP_HZ = 3500.0
_MOST_S = 40.0
_FEWEST_FRAMES = 40
_FEWEST_PAIRS = 30
_FEWEST_DOWN = 6
_FEWEST_BANDS = 3
_QUIETER = 0.3  # of the frames, of the bands: a voice that hardly pauses leaves no more
_TO_MEDIAN = 0.6  # of a mean of one or two exponential powers: that quantile over the median
_STANDS_UP, _STANDS_MOST = 3.0, 11.0  # times the median: noise seldom reaches the first; a crash is not to count more
_MOST_NEPER = 2.5  # 11 dB: a click is not to speak for many frames
_NEXT_FRAMES, _NEXT_S = 3, 0.16
_LATER_S = (0.5, 0.6, 0.7)
_LINE = 5.0  # times the typical band in the quiet sixth: a steady line, which a gain control moves against the noise
_ENBW_BINS = 1.94  # of a squared Hann window
# A normal variable exceeds 3 once in 700, and then three bands must show it too: of 340 recordings without a voice,
# none exceeds 2 with these, but three in which another station is keyed.
_SIGNIFICANT = 3.0
_HEARD_IN = 1.0  # standard deviations from which on a band counts into the level
_IN_BANDS, _EACH = 3, 2.2  # another station keys one or two bands ...
_WITH_OTHERS = 2.0  # ... but its clicks, and the products of a stage that distorts, may reach more
# Speech and chords are heard in nine of ten recordings of 20 s when their mean power is that of the noise in so
# much of the band, measured with speech of two kinds. Products go with the power's square and their significance
# with the root of the pairs, so the level goes with the fourth root.
_HEARD_HZ, _HEARD_PAIRS = 1500.0, 800.0
_NOTHING = 1e-30  # power far below any recorder's: coarse steps make digital silence of the gaps
_QUIET = 0.15  # of the frames: between syllables


@dataclass(frozen=True)
class Voice:
    """``dbc``: power of the voice over the tone's; None with the reason where none is heard.

    ``floor_dbc``: the level at which speech would most likely have been heard; None where nothing could be.
    """

    dbc: float | None
    floor_dbc: float | None
    reason: str


def voice(track: Track, tone_power: float, others_hz: tuple[float, ...] = ()) -> Voice:
    """Look for voice or music in the passband, clear of the tone, its harmonics and other signals."""
    power, down, times_s, bin_hz = _frames(track)
    if power.shape[0] < _FEWEST_FRAMES:
        return Voice(None, None, "too little time that is all key-down or all key-up to hear a voice in")
    needed = _WITH_OTHERS if others_hz else 1.0
    floor: float | None = None
    for width_hz in _BANDS_HZ:
        bins = max(1, round(width_hz / bin_hz))
        for clear_of in (_with_products(track.tone_hz, others_hz), others_hz):
            bands = _bands(power, _free(power, down, bin_hz, track, clear_of), bins)
            bands = bands[:, ~_unlike_others(bands, down)]
            if bands.shape[1] >= _FEWEST_BANDS:
                break
        else:
            continue
        changed = [changes(bands, down) for changes in (_standing_up, _shape)]
        seen, at_once = zip(*(_lasting(change, times_s, (_NEXT_FRAMES, 1)) for change in changed), strict=True)
        pairs = seen[0].pairs
        if pairs < _FEWEST_PAIRS:
            return Voice(None, None, "too few frames in a row to see the rhythm of a voice")
        floor = _db(_density(bands, down, bins, bin_hz) * _floor_hz(pairs) / tone_power)
        heard = (one for one in (*seen, *at_once) if one.together > needed * _SIGNIFICANT)
        if not any(one.in_bands > needed * _EACH for one in heard):
            continue
        all_of_it = _bands(power, _free(power, down, bin_hz, track, others_hz), bins)
        power_heard = _heard_power(all_of_it, down, times_s, bins)
        if power_heard <= 0.0:
            return Voice(None, floor, "what moves like a voice has no power over the noise")
        return Voice(_db(power_heard / tone_power), floor, "")
    if floor is None:
        return Voice(None, None, "too narrow a passband to tell a voice from other sounds")
    return Voice(None, floor, "no voice or music is heard in the passband")


def _floor_hz(pairs: int) -> float:
    """Band of noise that speech must match to be heard in so many pairs of frames."""
    return _HEARD_HZ * float(np.sqrt(np.sqrt(max(1.0, _HEARD_PAIRS / pairs))))


def _frames(track: Track) -> tuple[Real, Mask, Real, float]:
    """(power spectra (frames, bins), which of them are key-down, their times, hertz of a bin)."""
    from scipy import fft

    base, marks = track.base, track.marks
    length = round(_FRAME_S * base.rate_hz)
    starts = []
    for mask in (marks.settled, marks.up):
        first, last = runs(mask)
        starts.append(pieces(first, (last - first) // length, length))
    start, down = np.concatenate(starts), np.arange(starts[0].size + starts[1].size) < starts[0].size
    order = np.argsort(start)[: round(_MOST_S / _FRAME_S)]
    start, down = start[order], down[order]
    if not start.size:
        return np.zeros((0, 1)), down, np.zeros(0), 1.0
    at = start[:, None] + np.arange(length)
    audio = base.audio[at]
    tone = at[down]
    audio[down] -= track.carrier[tone] * np.conj(turn(base.path_hz[: at.max() + 1], base.rate_hz)[tone])
    window = hann(length) ** 2  # its side lobes fall fast: what is left of a tone is not to speak for its neighbours
    spectra = fft.fft(audio * window, axis=1)
    power = (spectra.real**2 + spectra.imag**2).astype(np.float64) / float(np.sum(window, dtype=np.float64)) ** 2
    return power, down, start / base.rate_hz, base.rate_hz / length


def _free(power: Real, down: Mask, bin_hz: float, track: Track, others_hz: tuple[float, ...]) -> NDArray[np.intp]:
    """Bins in the passband, clear of the tone, its harmonics and other signals."""
    f = np.arange(power.shape[1]) * bin_hz
    tone = track.tone_hz
    low, high = track.base.passband_hz
    # a tone that is not all keyed away is not followed there, and its moves are those of the keying
    near = np.abs(f - tone)
    about, away = near < 300.0, near[near < 300.0]
    up = np.median(power[~down][:, about], axis=0) if np.any(~down) else np.zeros(away.size)
    leaks = bool(up[away < bin_hz].max(initial=0.0) > _LEAKS * np.median(up))
    clear = _CLEAR_LEAK_HZ if leaks else _CLEAR_HZ
    free = (f > max(low + bin_hz, 120.0)) & (f < min(high - bin_hz, _TOP_HZ, 0.95 * track.base.rate_hz))
    for order in range(1, 8):
        free &= np.abs(f - order * tone) > clear
    for hz in others_hz:
        free &= np.abs(f - hz) > _CLEAR_OTHER_HZ
    return np.flatnonzero(free)


def _with_products(tone_hz: float, others_hz: tuple[float, ...]) -> tuple[float, ...]:
    """Other signals and what a stage that distorts makes of them and the tone."""
    out: list[float] = []
    for hz in others_hz:
        out += [hz, 2 * hz, 2 * tone_hz - hz, 2 * hz - tone_hz, tone_hz + hz, abs(tone_hz - hz)]
    return tuple(out)


def _bands(power: Real, free: NDArray[np.intp], bins: int) -> Real:
    """Mean power of so many free bins together, (frames, bands)."""
    number = free.size // bins
    return np.asarray(power[:, free[: number * bins]].reshape(power.shape[0], number, bins).mean(axis=2))


def _unlike_others(bands: Real, down: Mask) -> Mask:
    """Bands far over the others also in their quiet moments (a steady line), or far below (beyond the filter)."""
    out = np.zeros(bands.shape[1], bool)
    for state in (True, False):
        if bands.size and np.any(down == state):
            least = _ranked(bands[down == state], _QUIET)
            usual = float(np.median(least))
            out |= (least > _LINE * usual) | (least < usual / _LINE)
    return out


def _standing_up(bands: Real, down: Mask) -> Real:
    """What exceeds the noise's median of its band and its frame threefold, less its mean; (frames, bands)."""
    over = _over_quiet(bands, down)
    over = _TO_MEDIAN * _over_quiet(over / np.maximum(_ranked(over, _QUIETER, axis=1), _NOTHING)[:, None], down)
    out = np.clip(over - _STANDS_UP, 0.0, _STANDS_MOST - _STANDS_UP)
    return np.asarray(out - out.mean(axis=0))


def _shape(bands: Real, down: Mask) -> Real:
    """Logarithm of the power over the median of its band and its frame, (frames, bands)."""
    level = np.log(np.maximum(bands, 1e-30))
    level = level - _ranked(level, 0.5, axis=1)[:, None]
    for state in (True, False):
        if np.any(down == state):
            level[down == state] -= _ranked(level[down == state], 0.5)
    return np.asarray(np.clip(level, -_MOST_NEPER, _MOST_NEPER))


def _over_quiet(x: Real, down: Mask) -> Real:
    out = np.array(x)
    for state in (True, False):
        if np.any(down == state):
            out[down == state] /= np.maximum(_ranked(out[down == state], _QUIETER), _NOTHING)
    return out


@dataclass(frozen=True)
class _Lasting:
    """Product sums of frames that follow each other over their standard deviation in noise, by bands."""

    ratio: Real
    together: float
    pairs: int

    @property
    def in_bands(self) -> float:
        """What the last of the bands that are asked for shows."""
        return float(np.sort(self.ratio)[-_IN_BANDS]) if self.ratio.size >= _IN_BANDS else 0.0


def _lasting(change: Real, times_s: Real, frames: tuple[int, ...]) -> list[_Lasting]:
    """What lasts from frame to frame, for each of some numbers of following frames that count."""
    near, pairs, squares = np.zeros(change.shape[1]), 0, 0.0
    so_far = {}
    for k in range(1, max(frames) + 1):
        close = times_s[k:] - times_s[:-k] < _NEXT_S
        product = change[k:][close] * change[:-k][close]
        near = near + product.sum(axis=0)
        squares += float((product.sum(axis=1) ** 2).sum())
        pairs += int(close.sum())
        so_far[k] = near, pairs, squares
    later, later_pairs = np.zeros(change.shape[1]), 0
    for apart_s in _LATER_S:
        other = np.searchsorted(times_s, times_s + apart_s)
        first = np.flatnonzero(other < times_s.size)
        other = other[first]
        close = times_s[other] - times_s[first] < apart_s + 0.1
        later += (change[first[close]] * change[other[close]]).sum(axis=0)
        later_pairs += int(close.sum())
    usual = np.maximum((change**2).mean(axis=0), 1e-3)
    out = []
    for near, pairs, squares in (so_far[k] for k in frames):
        lasting = near - pairs / max(later_pairs, 1) * np.maximum(later, 0.0)
        spread = usual * np.sqrt(max(pairs, 1))
        # what moves all bands alike, or a few frames only, scatters more from pair to pair than independent bands do
        together = float(lasting.sum() / np.sqrt(max(float((spread**2).sum()), squares, 1e-9)))
        out.append(_Lasting(lasting / spread, together, min(pairs, later_pairs)))
    return out


def _density(bands: Real, down: Mask, bins: int, bin_hz: float) -> float:
    """Power density of the noise in the typical band."""
    noise = _noise(bands[down] if down.sum() >= _FEWEST_FRAMES / 2 else bands[~down], bins)
    return float(np.median(noise)) / (_ENBW_BINS * bin_hz)


def _heard_power(bands: Real, down: Mask, times_s: Real, bins: int) -> float:
    """Mean power over the noise in the bands where the voice is heard, at key-down if there is enough of it."""
    changed = [changes(bands, down) for changes in (_standing_up, _shape)]
    seen = [found.ratio for change in changed for found in _lasting(change, times_s, (1, _NEXT_FRAMES))]
    enough = down.sum() >= _FEWEST_FRAMES / 2
    here = bands[down] if enough else bands[~down]
    noise = _noise(here, bins)
    opened = 1.0  # a gain control lifts what is heard at key-up only
    if not enough and down.sum() >= _FEWEST_DOWN:
        opened = max(1.0, float(np.median(noise / np.maximum(_noise(bands[down], bins), 1e-30))))
    over = (here.mean(axis=0) - noise)[np.max(seen, axis=0) > _HEARD_IN] / opened
    return float(over.sum()) * bins / _ENBW_BINS  # a line shows in so many bins


def _noise(bands: Real, bins: int) -> Real:
    """Noise in each band, from its quiet sixth: a mean of so many independent exponential powers."""
    from scipy.special import gammaincinv

    independent = bins / _ENBW_BINS
    return np.asarray(_ranked(bands, _QUIET) * independent / gammaincinv(independent, _QUIET))


def _ranked(x: Real, share: float, *, axis: int = 0) -> Real:
    """The value at that share of the ranks: a quantile, without interpolation."""
    k = round(share * (x.shape[axis] - 1))
    return np.asarray(np.take(np.partition(x, k, axis=axis), k, axis=axis))


def _db(ratio: float) -> float:
    return float(10 * np.log10(max(ratio, 1e-20)))
