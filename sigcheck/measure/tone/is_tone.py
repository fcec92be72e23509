"""Whether what was followed is a tone, or speech, music or static that has strong pitches.

Two traits tell them apart. A tone's frequency may drift, jump or swing, but it does not go to and fro
by several hertz in every second, as the pitch of speech and the notes of music do. And while it
sounds, most of its power lies in a line a few hertz wide, keyed, chirping or raspy as it may be.
"""

from __future__ import annotations

import numpy as np

from sigcheck.measure.track import Baseband, Real

_TO_AND_FRO_HZ_PER_S = 4.0  # a wobble of 3 Hz in 12 s makes 1, jumps of 20 Hz each 10 s make 2
_LINE_SHARE = 0.72  # of tones that jump or swing, 0.79 and more; of notes of music at most 0.64
_NO_LINE = 0.2  # a chirp of 150 Hz that lasts half a dit keeps 0.28
_WINDOW_S = 0.32  # speech changes within it, a keyed element's line is 8 Hz wide
_RATE_HZ = 400.0
_WIDE_HZ = 100.0
_NEAR_HZ = 12.0


def is_a_tone(base: Baseband) -> bool:
    """Whether a signal that stands clear out of the noise holds one tone along its path."""
    share = line_share(base)
    if share.size < 5:
        return True  # too little to tell
    if to_and_fro(base) > _TO_AND_FRO_HZ_PER_S and float(share.mean()) < _LINE_SHARE:
        return False
    return float(share.mean()) > _NO_LINE or float(np.median(share)) > _NO_LINE


def to_and_fro(base: Baseband) -> float:
    """Hertz a second by which the path goes back on itself: its whole travel less what it gets on."""
    at = base.path_hz[:: max(1, round(0.25 * base.rate_hz))]
    if at.size < 4:
        return 0.0
    travel = float(np.abs(np.diff(at)).sum())
    return (travel - abs(float(at[-1] - at[0]))) * base.rate_hz / base.path_hz.size


def line_share(base: Baseband) -> Real:
    """Share of the power within 100 Hz of the path that lies in one line, in each loud window."""
    step = max(1, round(base.rate_hz / _RATE_HZ))
    n = base.z.size // step
    rate = base.rate_hz / step
    length = round(_WINDOW_S * rate)
    if n < 2 * length:
        return np.empty(0)
    y = base.z[: n * step].reshape(n, step) @ np.full(step, 1 / step, np.complex64)
    window = np.hanning(length)
    frames = np.lib.stride_tricks.sliding_window_view(y, length)[:: length // 2] * window
    power = np.abs(np.fft.fft(frames, axis=1)) ** 2
    hz = np.fft.fftfreq(length, 1 / rate)
    noise = base.noise_density * rate * float(window @ window)
    wide = np.abs(hz) <= _WIDE_HZ
    whole = np.maximum(power[:, wide].sum(axis=1) - noise * wide.sum(), 0.0)
    near = np.flatnonzero(np.abs(hz) <= _NEAR_HZ)
    top = near[np.argmax(power[:, near], axis=1)]
    rows = np.arange(power.shape[0])
    # a Hann window spreads a line over three bins, its keying over one more on either side
    line = np.sum([power[rows, (top + d) % length] for d in range(-2, 3)], axis=0) - 5 * noise
    loud = (whole > 0.3 * np.quantile(whole, 0.9)) & (whole > noise * wide.sum())
    return np.asarray(np.clip(line[loud] / whole[loud], 0.0, 1.0))
