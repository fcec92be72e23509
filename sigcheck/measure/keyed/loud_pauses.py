"""Keying after pauses in which a gain control has opened, until the noise or a backwave is as loud as the signal.

What then passes the matched filter of a dit looks like keying. But the phase of noise turns at random: over a stretch
of time T the phasors of noise of bandwidth B add up to 1 / sqrt(B T) of what those of a tone do, whatever its level.
And where a mark has grown into what was before it, its true start is where the amplitude turns from the one to the
other.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.track import Baseband, Mask, Real

_STRETCH_S = 0.05  # a tone that chirps or drifts stays in step with itself for so long
_REACH_HZ = 350.0  # no chirp is larger
# Weak signals have marks that look like noise: nothing is dropped where the usual mark does not look like a tone.
_CLEAR = 0.75
# In 50 ms noise of 250 Hz or more comes out at 0.5 or less even after looking for its best frequency.
_SHARE = 0.55
# The best of all frequencies in noise of bandwidth B: 2 / sqrt(B T) in the middle, so much in one stretch of fifty. In
# a narrow filter that is as much as a tone leaves that is as strong as the noise.
_BY_CHANCE, _SHARE_BY_CHANCE = 2.6, 0.62
_LOUD = 0.1  # of a mark's amplitude: a pause from there on hides where the mark begins
_HEARD = 0.15  # scatter of the amplitude of a tone 13 dB above the noise near it: a weaker one's shows no change
_CERTAIN = 12.0  # log likelihood by which a later start must be better
_LATE = 0.2  # of a dit: less is the edge's own shape
# Where marks stand out that much from the pauses before them, one that hardly does is none.
_USUAL_CONTRAST, _LEAST_CONTRAST = 2.5, 1.25
_MOMENT_S = 0.008
_CELL_S = 0.001  # fine enough for where a mark begins
_LEAST_CELLS = 3
_STEADY = 0.2  # noise swings by half of its mean: the pause holds another tone
_AT_ONCE = 1000  # stretches: keeps the memory for an hour of keying small


def true_marks(base: Baseband, on_s: Real, off_s: Real) -> tuple[Real, Mask]:
    """True starts of the marks (n,), and which of them hold a tone and begin with a change.

    All where the signal is too weak to tell.
    """
    tonal = _tonal(base, on_s, off_s)
    if tonal is None:
        return on_s, np.ones(on_s.size, bool)
    amplitude, rate = _amplitude_near(base)
    starts_s = _true_starts(amplitude, rate, tonal, on_s, off_s)
    if not np.array_equal(starts_s, on_s):
        later = _tonal(base, starts_s, off_s)
        tonal = np.ones(on_s.size, bool) if later is None else later
    return starts_s, _changing(amplitude, rate, tonal, starts_s, off_s)


def _changing(amplitude: Real, rate: float, tonal: Mask, on_s: Real, off_s: Real) -> Mask:
    """Which of the tonal marks begin with a change, where the usual one does."""
    contrast = _contrast(amplitude, rate, on_s, off_s)
    return tonal & (contrast > _LEAST_CONTRAST) if float(np.median(contrast)) > _USUAL_CONTRAST else tonal


def _tonal(base: Baseband, on_s: Real, off_s: Real) -> Mask | None:
    """Which of the marks (n,) hold a tone; None where the usual one does not look like it."""
    steadiness = _steadiness(base, on_s, off_s, _stretch_s(on_s, off_s))
    usual = float(np.median(steadiness))
    return np.asarray(steadiness > _SHARE * usual) if usual > _CLEAR else None


def _contrast(amplitude: Real, rate: float, on_s: Real, off_s: Real) -> Real:
    """Greatest amplitude of each mark over that of a tone in the pause just before it (infinite where is none).

    Behind a gain control that has opened for a backwave the mark itself may be no louder, but for its first moment.
    """
    out = np.full(on_s.size, np.inf)
    dit = float(np.quantile(off_s - on_s, 0.25))
    gap = np.minimum(on_s - np.append(0.0, off_s[:-1]), dit)
    a, b = (_cell(on_s - part * gap, rate, amplitude) for part in (0.7, 0.25))
    end = _cell(on_s + 0.75 * (off_s - on_s), rate, amplitude)
    mean, square = _means(amplitude, a, b)
    steady = (b > a) & (end > b) & (square - mean**2 < (_STEADY * mean) ** 2)
    for k in np.flatnonzero(steady):
        out[k] = amplitude[b[k] : end[k]].max() / max(mean[k], 1e-30)
    return out


def _cell(t: Real, rate: float, amplitude: Real) -> NDArray[np.intp]:
    """Places of times in the amplitude."""
    return np.clip(np.round(t * rate), 0, amplitude.size).astype(np.intp)


def _means(x: Real, a: NDArray[np.intp], b: NDArray[np.intp]) -> tuple[Real, Real]:
    """Means of x and of its square over stretches a .. b - 1."""
    bounds = np.stack([a, np.maximum(a, b)], axis=1).ravel()
    sums = (np.add.reduceat(np.append(v, 0.0), bounds)[::2] for v in (x, x * x))
    mean, square = (total / np.maximum(b - a, 1) for total in sums)
    return mean, square


def _amplitude_near(base: Baseband) -> tuple[Real, float]:
    """Amplitude within some 60 Hz of the tone, without other stations in the passband: (in cells, cells a second)."""
    step = max(round(_CELL_S * base.rate_hz), 1)
    rate = base.rate_hz / step
    cells = base.z[: base.z.size // step * step].reshape(-1, step) @ np.ones(step, np.complex64)
    n = max(round(_MOMENT_S * rate), 1)
    total = np.cumsum(np.concatenate([np.zeros(n + 1), cells, np.zeros(n)]), dtype=np.complex128)
    total = np.cumsum(total[n:] - total[:-n])  # a moving sum, twice: a triangle
    return np.asarray(np.abs(total[n : n + cells.size] - total[: cells.size])) / (n**2 * step), rate


def _true_starts(amplitude: Real, rate: float, tonal: Mask, on_s: Real, off_s: Real) -> Real:
    """Starts of the marks (n,): where the amplitude turns from that of a loud pause before to the mark's own.

    Both amplitudes are taken for Gaussian with the mean and scatter of the pause just before and of the mark's
    end; the start is the most likely time of the change between them.
    """
    out = on_s.copy()
    dit = float(np.quantile(off_s - on_s, 0.25))
    silent_since = np.maximum.accumulate(np.append(0.0, np.where(tonal, off_s, 0.0)[:-1]))
    after_pause = on_s - silent_since > dit
    a, b = (_cell(on_s - back * dit, rate, amplitude) for back in (1.0, 0.3))
    c, d = (_cell(off_s - part * dit, rate, amplitude) for part in (0.5, 0.12))  # surely the mark's own
    enough = np.minimum(b - a, d - c) >= _LEAST_CELLS
    loud = _means(amplitude, a, b)[0] >= _LOUD * _means(amplitude, c, d)[0]
    for k in np.flatnonzero(after_pause & enough & loud):
        before, inside = amplitude[a[k] : b[k]], amplitude[c[k] : d[k]]
        if inside.std() > _HEARD * inside.mean():
            continue  # a weak tone: noise is as loud in every pause
        if inside.mean() < _LEAST_CONTRAST * before.mean() and before.std() < _STEADY * before.mean():
            continue  # two tones of one level: nothing tells where the one ends
        x = amplitude[b[k] : round((on_s[k] + min(0.85 * (off_s[k] - on_s[k]), 4 * dit)) * rate)]
        x = np.minimum(x, max(before.mean(), inside.mean()))  # a gain control's overshoot belongs to the mark
        gain = np.cumsum(_log_likelihood(x, before) - _log_likelihood(x, inside))
        best = int(np.argmax(gain))
        start_s = (b[k] + best + 1) / rate
        better = gain[best] - gain[round(on_s[k] * rate) - b[k]]
        alike = 2 * _MOMENT_S * rate  # neighbouring samples tell the same
        if start_s - on_s[k] > _LATE * dit and better > _CERTAIN * alike:
            out[k] = start_s
    return out


def _log_likelihood(x: Real, like: Real) -> Real:
    scatter = max(float(np.var(like)), (0.02 * float(like.mean())) ** 2)
    return np.asarray(-0.5 * (x - like.mean()) ** 2 / scatter - 0.5 * np.log(scatter))


def like_noise(base: Baseband, on_s: Real, off_s: Real, which: Mask) -> Mask:
    """Which of some of the marks (n,) may be noise of the passband: its phasors add up to so much by chance."""
    out = np.zeros(on_s.size, bool)
    if which.any():
        stretch_s = _stretch_s(on_s, off_s)
        low, high = base.passband_hz
        chance = min(_BY_CHANCE / float(np.sqrt((high - low) * stretch_s)), _SHARE_BY_CHANCE)
        out[which] = _steadiness(base, on_s[which], off_s[which], stretch_s) < chance
    return out


def _stretch_s(on_s: Real, off_s: Real) -> float:
    return min(_STRETCH_S, 0.8 * float(np.quantile(off_s - on_s, 0.25)))


def _steadiness(base: Baseband, on_s: Real, off_s: Real, stretch_s: float) -> Real:
    """Sum of the phasors of unit length in stretches of each mark, at their best frequency: 1 for a tone."""
    from scipy import fft

    rate = base.rate_hz
    stretch = max(round(stretch_s * rate), 8)
    points = fft.next_fast_len(2 * stretch)
    near = np.abs(np.fft.fftfreq(points, 1 / rate)) < _REACH_HZ
    first = np.clip(np.ceil(on_s * rate).astype(int), 0, base.z.size - 1)
    count = np.maximum((np.floor(off_s * rate).astype(int) - first) // stretch, 1)
    mark = np.repeat(np.arange(on_s.size), count)
    place = np.arange(mark.size) - np.repeat(np.cumsum(count) - count, count)
    start = np.minimum(first[mark] + place * stretch, max(base.z.size - stretch, 0))
    best = np.empty(start.size)
    for some in range(0, start.size, _AT_ONCE):
        columns = start[some : some + _AT_ONCE, None] + np.arange(stretch)
        z = base.z[np.minimum(columns, base.z.size - 1)]
        spectra = fft.fft(z * (1 / np.maximum(np.abs(z), np.float32(1e-30))), points, axis=1)
        best[some : some + _AT_ONCE] = np.abs(spectra[:, near]).max(axis=1) / stretch
    return np.asarray(np.bincount(mark, best, on_s.size) / count)
