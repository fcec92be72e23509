"""Keying after pauses in which a gain control has opened, until the noise or a backwave is as loud as the signal.

What then passes the matched filter of a dit looks like keying. But the phase of noise turns at random: over a stretch
of time T the phasors of noise of bandwidth B add up to 1 / sqrt(B T) of what those of a tone do, whatever its level.
And where a mark has grown into what was before it, its true start is where the amplitude turns from the one to the
other.
"""

from __future__ import annotations

import numpy as np

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
_STEADY = 0.2  # noise swings by half of its mean: the pause holds another tone
_AT_ONCE = 1000  # stretches: keeps the memory for an hour of keying small


def true_marks(base: Baseband, on_s: Real, off_s: Real) -> tuple[Real, Mask]:
    """True starts of the marks (n,), and which of them hold a tone and begin with a change.

    All where the signal is too weak to tell.
    """
    amplitude = _amplitude_near(base)
    tonal = _tonal(base, on_s, off_s)
    if tonal is None:
        return on_s, np.ones(on_s.size, bool)
    starts_s = _true_starts(amplitude, base.rate_hz, tonal, on_s, off_s)
    if not np.array_equal(starts_s, on_s):
        later = _tonal(base, starts_s, off_s)
        tonal = np.ones(on_s.size, bool) if later is None else later
    return starts_s, _changing(amplitude, base.rate_hz, tonal, starts_s, off_s)


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
    for k in range(on_s.size):
        gap = min(on_s[k] - (off_s[k - 1] if k else 0.0), dit)
        a, b = (max(round((on_s[k] - part * gap) * rate), 0) for part in (0.7, 0.25))
        pause = amplitude[a:b]
        mark = amplitude[b : round((on_s[k] + 0.75 * (off_s[k] - on_s[k])) * rate)]
        if not (pause.size and mark.size):
            continue
        mean = float(pause.sum()) / pause.size
        swing = pause - mean
        if float(swing @ swing) < pause.size * (_STEADY * mean) ** 2:
            out[k] = mark.max() / max(mean, 1e-30)
    return out


def _amplitude_near(base: Baseband) -> Real:
    """Amplitude within some 60 Hz of the tone, without other stations in the passband."""
    n = max(round(_MOMENT_S * base.rate_hz), 1)
    size = base.z.size
    total = np.zeros(size + 2 * n + 1, np.complex128)
    np.cumsum(base.z, dtype=np.complex128, out=total[n + 1 : n + 1 + size])
    total[n + 1 + size :] = total[n + size]
    total = np.cumsum(total[n:] - total[:-n])  # a moving sum, twice: a triangle
    return np.asarray(np.abs(total[n : n + size] - total[:size])) / n**2


def _true_starts(amplitude: Real, rate: float, tonal: Mask, on_s: Real, off_s: Real) -> Real:
    """Starts of the marks (n,): where the amplitude turns from that of a loud pause before to the mark's own.

    Both amplitudes are taken for Gaussian with the mean and scatter of the pause just before and of the mark's
    end; the start is the most likely time of the change between them.
    """
    out = on_s.copy()
    dit = float(np.quantile(off_s - on_s, 0.25))
    silent_since = np.maximum.accumulate(np.append(0.0, np.where(tonal, off_s, 0.0)[:-1]))
    for k in np.flatnonzero(on_s - silent_since > dit):
        length = off_s[k] - on_s[k]
        a, b = (max(round((on_s[k] - back * dit) * rate), 0) for back in (1.0, 0.3))
        c, d = (round((off_s[k] - part * dit) * rate) for part in (0.5, 0.12))  # surely the mark's own
        before, inside = amplitude[a:b], amplitude[c:d]
        if min(before.size, inside.size) < 8 or before.mean() < _LOUD * inside.mean():
            continue
        if inside.std() > _HEARD * inside.mean():
            continue  # a weak tone: noise is as loud in every pause
        if inside.mean() < _LEAST_CONTRAST * before.mean() and before.std() < _STEADY * before.mean():
            continue  # two tones of one level: nothing tells where the one ends
        x = amplitude[b : round((on_s[k] + min(0.85 * length, 4 * dit)) * rate)]
        x = np.minimum(x, max(before.mean(), inside.mean()))  # a gain control's overshoot belongs to the mark
        gain = np.cumsum(_log_likelihood(x, before) - _log_likelihood(x, inside))
        best = int(np.argmax(gain))
        start_s = (b + best + 1) / rate
        better = gain[best] - gain[round(on_s[k] * rate) - b]
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
        spectra = fft.fft(z / np.maximum(np.abs(z), np.float32(1e-30)), points, axis=1, workers=-1)
        best[some : some + _AT_ONCE] = np.abs(spectra[:, near]).max(axis=1) / stretch
    return np.asarray(np.bincount(mark, best, on_s.size) / count)
