"""A short excerpt to listen to: as heard, what is wrong with it, and the clean signal.

*What is wrong* is the excerpt less the fitted clean signal: the tone as it was followed (its slow
course of frequency, phase and level) keyed at the measured times with the edges that were measured,
or gentle ones where those are fast. Hum, clicks, chirp, rasp, spurs, noise and other signals are
what is left. *The clean signal* has a constant frequency and level besides.

Everything here is for the ear; no number of a result is taken from it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.carrier import turn
from sigcheck.measure.track import Complex, Mask, Real, Track

RATE_HZ = 16000  # holds 7 kHz of audio, more than a voice receiver passes; every player knows it
EXCERPT_S = 6.0
_TONE_RMS = 0.1  # 20 dB under full scale: a comfortable level, with room for peaks
_REST_RMS = 0.07  # noise and clicks sound louder than a tone of the same power
_PEAK = 0.9
_MOST_GAIN_DB = 70.0  # beyond it, rounding and nothing else would be heard
_FADE_S = 0.01  # no click where the excerpt is cut
_MARGIN_S = 0.05  # what resampling by Fourier transform disturbs at the ends, cut off again
_FAST_S = 0.003  # a faster edge clicks beside the tone (common practice) ...
_GENTLE_S = 0.005  # ... and this one does not
_TEN_NINETY_OF_COSINE = 0.5903  # 1 - 2 acos(0.8)/pi, of the whole raised cosine
_LOUDER = 2.0  # 3 dB: the least by which a stretch must be worse than the typical one to be picked


@dataclass(frozen=True)
class Sound:
    """Clips of one stretch of the recording, int16 (n,) at ``rate_hz``.

    ``wrong`` and ``clean`` are empty where no signal was followed. ``raised_db`` is how much louder
    ``wrong`` is than it stands in ``heard``.
    """

    rate_hz: NDArray[np.int64]
    start_s: Real
    heard: NDArray[np.int16]
    wrong: NDArray[np.int16]
    clean: NDArray[np.int16]
    raised_db: Real


EdgeShape = tuple[Real, Real]
"""Times about the half-amplitude crossing, and the amplitude there, from 0 to 1 and not back."""


def excerpt(
    x: NDArray[np.float32], rate_hz: float, track: Track | None, *, rise: EdgeShape | None, fall: EdgeShape | None
) -> Sound | None:
    """Clips of the stretch where most is wrong, or of the middle where none is worse.

    Parameters
    ----------
    x : (n,) the channel as recorded, full scale 1.
    rise, fall : the average measured edges (see `gentle_edge`), None where there are none.
    """
    if x.size < 0.3 * rate_hz:
        return None
    seconds = min(EXCERPT_S, x.size / rate_hz)
    if track is None:
        start = 0.5 * (x.size / rate_hz - seconds)
        return _sound(start, _real(_cut(x, rate_hz, start, seconds), rate_hz), None, None)
    # Everything from the same analytic audio, so that what is subtracted lies on its samples.
    rate_hz = track.base.rate_hz
    start = _where(track, seconds)
    audio = _cut(track.base.audio, rate_hz, start, seconds)
    fitted, clean = _fitted(track, start, seconds, rise, fall)
    return _sound(start, *(_analytic(v, rate_hz) for v in (audio, audio - fitted, clean)))


def raised_alike(one: Sound, two: Sound) -> tuple[Sound, Sound]:
    """Both with *what is wrong* raised as far as the one that bears less, so that the ear compares."""
    common_db = min(float(one.raised_db), float(two.raised_db))

    def lowered(s: Sound) -> Sound:
        factor = 10 ** ((common_db - float(s.raised_db)) / 20)
        return replace(s, wrong=np.round(s.wrong * factor).astype(np.int16), raised_db=np.array(common_db))

    return lowered(one), lowered(two)


def gentle_edge(time_s: Real, amplitude: Real, ten_ninety_s: float | None, *, rising: bool) -> EdgeShape:
    """The measured edge where it is slow enough not to click, else a raised cosine of 5 ms."""
    if ten_ninety_s is None or ten_ninety_s < _FAST_S:
        half = 0.5 * _GENTLE_S / _TEN_NINETY_OF_COSINE
        t = np.linspace(-half, half, 65)
        cosine = 0.5 + 0.5 * np.sin(0.5 * np.pi * t / half)
        return t, cosine if rising else cosine[::-1]
    a: Real = amplitude if rising else amplitude[::-1]
    before = float(np.median(a[: max(1, a.size // 8)]))  # backwave is no part of a clean edge
    a = np.maximum.accumulate(np.clip((a - before) / max(1.0 - before, 0.1), 0.0, 1.0))
    a[-1] = 1.0
    return time_s, a if rising else a[::-1]


def _fitted(
    track: Track, start_s: float, seconds: float, rise: EdgeShape | None, fall: EdgeShape | None
) -> tuple[Complex, Complex]:
    """The fitted and the clean signal as analytic audio, over the excerpt with its margins."""
    base = track.base
    first = round((start_s - _MARGIN_S) * base.rate_hz)
    count = round((seconds + 2 * _MARGIN_S) * base.rate_hz)
    low, high = max(first, 0), min(first + count, base.z.size)
    shape = _keying(track, np.arange(low, high) / base.rate_hz, rise, fall)
    # Both hold the same samples: what turned the one into the other, path and tones of a slot alike.
    up = base.audio[low:high] * np.conj(base.z[low:high])
    up /= np.maximum(np.abs(up), 1e-30)
    # Without the slow path the tones of a slot are left, of any other signal nothing.
    tones = up * turn(base.path_hz[low:high], base.rate_hz)
    steady = np.exp(2j * np.pi * track.tone_hz / base.rate_hz * np.arange(high - low))
    fitted, clean = np.zeros(count, np.complex64), np.zeros(count, np.complex64)
    fitted[low - first : high - first] = track.carrier[low:high] * shape * up
    clean[low - first : high - first] = track.marks.amplitude * shape * tones * steady
    return fitted, clean


def _where(track: Track, seconds: float) -> float:
    """Start of the excerpt."""
    base, marks = track.base, track.marks
    present = (float(marks.on_s[0]), float(marks.off_s[-1])) if marks.on_s.size else (0.0, base.z.size / base.rate_hz)
    last = max(0.0, base.z.size / base.rate_hz - seconds)
    middle = float(np.clip(0.5 * (present[0] + present[1] - seconds), 0.0, last))
    start = _worst(track, middle)
    if marks.keyed:
        # Begin in a gap, a moment before an element.
        before = marks.on_s[(marks.on_s >= start) & (marks.on_s < start + 2.0)]
        start = float(before[0]) - 0.15 if before.size else start
    return float(np.clip(start, 0.0, last))


def _worst(track: Track, middle: float) -> float:
    """Start of the stretch with the most beside the tone, if it has clearly more than the typical one."""
    base = track.base
    cell = max(1, round(0.5 * base.rate_hz))
    cells = base.z.size // cell
    width = round(EXCERPT_S / 0.5)
    if cells < 2 * width:
        return middle
    use = track.marks.settled[: cells * cell].reshape(cells, cell)
    off = np.abs(base.z - track.carrier)[: cells * cell].reshape(cells, cell) ** 2
    energy, time = (_running((v * use).sum(axis=1, dtype=np.float64), width) for v in (off, np.ones_like(off)))
    busy = time > 0.25 * time.max()
    if not busy.any():
        return middle
    power = np.where(busy, energy / np.maximum(time, 1.0), 0.0)
    worst = int(power.argmax())
    return 0.5 * worst if power[worst] > _LOUDER * float(np.median(power[busy])) else middle


def _running(values: Real, width: int) -> Real:
    total = np.concatenate([[0.0], np.cumsum(values)])
    return np.asarray(total[width:] - total[:-width])


def _keying(track: Track, times: Real, rise: EdgeShape | None, fall: EdgeShape | None) -> Real:
    """Amplitude of clean keying, 0..1, at these times."""
    marks = track.marks
    if not marks.keyed or rise is None or fall is None:
        down: Mask = np.zeros(times.size, bool)
        for on, off in zip(marks.on_s, marks.off_s, strict=True):
            down |= (times >= on) & (times <= off)
        return down.astype(np.float64)
    out = np.zeros(times.size)
    near = (marks.off_s + fall[0][-1] > times[0]) & (marks.on_s + rise[0][0] < times[-1])
    for on, off in zip(marks.on_s[near], marks.off_s[near], strict=True):
        i, j = np.searchsorted(times, [on + rise[0][0], off + fall[0][-1]])
        t = times[i:j]
        mark = np.minimum(np.interp(t - on, *rise), np.interp(t - off, *fall))
        out[i:j] = np.maximum(out[i:j], mark)
    return out


def _cut(x: NDArray[Any], rate_hz: float, start_s: float, seconds: float) -> NDArray[Any]:
    """The excerpt with its margins, nothing where the recording is over."""
    at = round((start_s - _MARGIN_S) * rate_hz) + np.arange(round((seconds + 2 * _MARGIN_S) * rate_hz))
    return np.where((at >= 0) & (at < x.size), x[np.clip(at, 0, x.size - 1)], 0)


def _real(x: Real, rate_hz: float) -> Real:
    from scipy import fft

    return _synthesised(fft.rfft(x), x.size, rate_hz)


def _analytic(x: Complex, rate_hz: float) -> Real:
    """Real part of analytic audio, which may hold frequencies up to ``rate_hz``."""
    from scipy import fft

    return _synthesised(0.5 * fft.fft(x), x.size, rate_hz)


def _synthesised(spectrum: NDArray[Any], n: int, rate_hz: float) -> Real:
    """Real audio at `RATE_HZ`, without the margins, from the positive half of a spectrum of n samples."""
    from scipy import fft

    count = round(n * RATE_HZ / rate_hz)
    padded = np.zeros(count // 2 + 1, np.complex128)
    kept = min(spectrum.size, padded.size)
    padded[:kept] = spectrum[:kept]
    y = fft.irfft(padded, count) * (count / n)
    margin = round(_MARGIN_S * RATE_HZ)
    return np.asarray(y[margin : count - margin])


def _sound(start_s: float, heard: Real, wrong: Real | None, clean: Real | None) -> Sound:
    gain = _gain(heard, _TONE_RMS)
    raise_ = 1.0 if wrong is None else _gain(wrong, _REST_RMS) / gain
    nothing = np.empty(0, np.int16)
    return Sound(
        rate_hz=np.array(RATE_HZ),
        start_s=np.array(start_s),
        heard=_clip(heard * gain),
        wrong=nothing if wrong is None else _clip(wrong * gain * raise_),
        clean=nothing if clean is None else _clip(clean * _gain(clean, _TONE_RMS)),
        raised_db=np.array(20 * np.log10(raise_)),
    )


def _gain(x: Real, rms: float) -> float:
    """Factor to a comfortable level without clipping."""
    mean, peak = float(np.sqrt(np.mean(x**2))), float(np.abs(x).max())
    most = 10 ** (_MOST_GAIN_DB / 20)
    return min(rms / max(mean, 1e-9), _PEAK / max(peak, 1e-9), most)


def _clip(x: Real) -> NDArray[np.int16]:
    fade = round(_FADE_S * RATE_HZ)
    y = np.clip(x, -1.0, 1.0)
    if y.size > 2 * fade:
        ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(fade) / fade)
        y[:fade] *= ramp
        y[-fade:] *= ramp[::-1]
    return np.round(32767.0 * y).astype(np.int16)
