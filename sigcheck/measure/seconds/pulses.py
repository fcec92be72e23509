"""One pulse a second on a channel of its own: the recorder's rate against a reference that marks the seconds.

Such a pulse is short, strong and always alike, so its shape is taken from the recording itself: each is found where
the signal changes most, all are averaged, and each is placed again by correlation with the average.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.seconds.line import Arrivals, fit_seconds

_FEWEST = 6
_FOLDED = 20  # seconds; a clock that is off by 150 ppm moves by 3 ms meanwhile
_CLEAR = 8.0  # scatters about the usual, by which the steepest change in a second stands out
_LEAST = 1.5  # over the usual one
_FIRST_EDGE = 0.7  # a rise that is not much less steep than the fall is taken: it marks the second
_CHANGE_S = 1.5e-4  # of which the change is taken from mean to mean, as noise changes faster
_BEFORE_S, _AFTER_S = 0.002, 0.006
_OVERSAMPLE = 16


def measure_pulses(x: NDArray[np.float32], rate_hz: float) -> tuple[float, float] | str:
    """Sample-rate error in ppm and its sigma, by one pulse a second; the reason where there are none."""
    n = round(rate_hz)
    seconds = (x.size - 1) // n
    if seconds < _FEWEST + 1:
        return f"{x.size / rate_hz:.1f} s hold too few pulses: record a minute or more"
    change = _change(x, rate_hz)
    # where in the second most of the change gathers; the first pulses fix it to 10 ms
    step = max(1, n // 100)
    starts = np.arange(0, n, step)
    rows = change[: min(seconds, _FOLDED) * n].reshape(-1, n)
    up, down = (np.median(np.maximum.reduceat(v, starts, axis=1), axis=0) for v in (rows, -rows))
    # a pulse rises and falls alike, and the same edge must be taken in every second
    folded, change = (up, change) if up.max() > _FIRST_EDGE * down.max() else (down, -change)
    usual = float(np.median(folded))
    spread = 1.48 * float(np.median(np.abs(folded - usual)))
    if folded.max() < max(_LEAST * usual, usual + _CLEAR * spread, 1e-9):
        return "no pulse repeats every second"
    at = _follow(change, n, int(starts[np.argmax(folded)]) + step // 2, 2 * step)
    keep = (at > _BEFORE_S * rate_hz + 2) & (at < x.size - _AFTER_S * rate_hz - 2)
    k, at = np.arange(at.size)[keep], at[keep]
    if k.size < _FEWEST:
        return "too few pulses"
    first, last = -int(_BEFORE_S * rate_hz), int(_AFTER_S * rate_hz)
    pieces = x[at[:, None] + np.arange(first, last)].astype(np.float64)
    pieces -= pieces.mean(axis=1, keepdims=True)
    late, likeness = _place(pieces)
    alike = likeness > 0.7
    if alike.sum() < _FEWEST:
        return "the pulses are not alike"
    found = Arrivals(k[alike], (at + late)[alike] / rate_hz, np.ones(int(alike.sum())), 0.0, 0.0)
    line = fit_seconds(found)
    return 1e6 * (line.period_s - 1.0), 1e6 * line.period_s_sigma


def _change(x: NDArray[np.float32], rate_hz: float) -> NDArray[Any]:
    """How much higher the signal is just after each place than just before, (n,)."""
    width = max(1, round(_CHANGE_S * rate_hz))
    total = np.concatenate([[0.0], np.cumsum(x, dtype=np.float64)])
    out = np.zeros(x.size)
    out[width : x.size - width + 1] = (total[2 * width :] - 2 * total[width:-width] + total[: -2 * width]) / width
    return out


def _follow(change: NDArray[Any], n: int, at: int, reach: int) -> NDArray[np.intp]:
    """The steepest place in every second, looked for about where the last one was."""
    places = []
    while at - reach < change.size:
        low, high = max(at - reach, 0), min(at + reach, change.size)
        place = low + int(np.argmax(change[low:high])) if high > low else at
        places.append(place)
        at = place + n
    return np.array(places, np.intp)


def _place(pieces: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any]]:
    """How many samples later than its place each piece (n, m) fits the average, and how alike they are."""
    from scipy import fft

    size = fft.next_fast_len(2 * pieces.shape[1])
    spectra = fft.rfft(pieces, size, axis=1)
    energy = np.sqrt((pieces**2).sum(axis=1))
    turn = 2j * np.pi * np.arange(spectra.shape[1]) / size
    late = np.zeros(len(pieces))
    likeness = np.zeros(len(pieces))
    for _ in range(3):
        mean = np.mean(spectra * np.exp(turn * late[:, None]), axis=0)
        output = fft.irfft(spectra * np.conj(mean), size * _OVERSAMPLE, axis=1) * _OVERSAMPLE
        reach = 4 * _OVERSAMPLE
        near = np.concatenate([output[:, -reach:], output[:, : reach + 1]], axis=1)
        j = np.clip(np.argmax(near, axis=1), 1, near.shape[1] - 2)
        row = np.arange(j.size)
        a, b, c = near[row, j - 1], near[row, j], near[row, j + 1]
        curve = np.where(a - 2 * b + c < 0, a - 2 * b + c, -1.0)
        late = (j - reach + 0.5 * (a - c) / curve) / _OVERSAMPLE
        shape = np.sqrt((fft.irfft(mean, size)[: pieces.shape[1]] ** 2).sum())
        likeness = b / np.maximum(energy * shape, 1e-30)
    return late, likeness
