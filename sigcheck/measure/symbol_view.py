"""The symbols of a four-tone slot and the elements of shifted keying for the eye: where in frequency each one lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.results import Measurements, Slot
from sigcheck.measure.track import Real, Track

_ON_TONE = 0.25  # of the shift: half way to where it might be either
_FINE = 16  # points to a tone spacing in the search for the peak
_REACH = 1.0  # spacings above the highest and below the lowest tone that are looked at


@dataclass(frozen=True)
class SymbolView:
    """Each symbol that was heard in the strongest transmission.

    ``hz`` (n,) is where most of its energy lies; ``middle_hz`` (n,) the followed middle of the four
    tones, both as audio; ``share`` (n,) the part of the energy about the tones that lies in its own.
    """

    time_s: Real
    hz: Real
    middle_hz: Real
    share: Real
    tone: NDArray[np.int64]
    spacing_hz: Real
    symbol_s: Real


def symbol_view(track: Track, slot: Slot) -> SymbolView | None:
    """None where no four-tone slot was measured."""
    if slot.kind != "four-tone" or not slot.heard or slot.symbol_s is None or slot.tone_spacing_hz is None:
        return None
    base, rate = track.base, track.base.rate_hz
    loudest = max(slot.heard, key=lambda h: (h.complete, h.level_db))
    first = slot.first_symbol or 0
    index = np.arange(first, first + len(slot.symbols))
    start = loudest.start_s + index * slot.symbol_s
    length = round(slot.symbol_s * rate)
    begin = np.round(start * rate).astype(np.intp)
    whole = (begin >= 0) & (begin + length <= base.audio.size)
    if not whole.any():
        return None
    begin, tone = begin[whole], np.array(slot.symbols, np.int64)[whole]
    middle = base.path_hz[begin + length // 2]
    spacing = slot.tone_spacing_hz
    offsets = np.arange(-(1.5 + _REACH) * _FINE, (1.5 + _REACH) * _FINE + 1) * spacing / _FINE
    t = np.arange(length) / rate
    turned = np.exp(-2j * np.pi * offsets[:, None] * t).astype(np.complex64)
    power = np.empty((begin.size, offsets.size))
    for k, (at, hz) in enumerate(zip(begin, middle, strict=True)):
        symbol = base.audio[at : at + length] * np.exp(-2j * np.pi * hz * t).astype(np.complex64)
        power[k] = np.abs(turned @ symbol) ** 2
    tones = np.searchsorted(offsets, (np.arange(4) - 1.5) * spacing - 1e-9)
    four = power[:, tones]
    return SymbolView(
        time_s=begin / rate + 0.5 * slot.symbol_s,
        hz=middle + offsets[power.argmax(axis=1)],
        middle_hz=np.asarray(middle, np.float64),
        share=four[np.arange(begin.size), tone] / np.maximum(four.sum(axis=1), 1e-30),
        tone=tone,
        spacing_hz=np.array(spacing),
        symbol_s=np.array(slot.symbol_s),
    )


@dataclass(frozen=True)
class ToneView:
    """Each stretch on one of the two tones of shifted keying (FSKCW, DFCW).

    ``on_s``, ``off_s`` (n,) its ends, ``middle_s`` (n,) between them; ``hz`` (n,) where most of its energy lies;
    ``low_hz``, ``high_hz`` (n,) the followed tones at its middle, as audio; ``on_tone`` (n,) whether it is on one.
    """

    on_s: Real
    off_s: Real
    middle_s: Real
    hz: Real
    low_hz: Real
    high_hz: Real
    on_tone: NDArray[np.bool_]


def tone_view(track: Track, m: Measurements) -> ToneView | None:
    """None where the signal is not shifted."""
    if m.signal.kind != "shifted" or not m.slot.shift_hz:
        return None
    base, rate, shift = track.base, track.base.rate_hz, abs(m.slot.shift_hz)
    ends = [np.round(v * rate).astype(np.intp) for v in (track.marks.on_s, track.marks.off_s)]
    turned = base.audio * np.exp(-2j * np.pi * np.cumsum(base.path_hz) / rate).astype(np.complex64)
    rows = []
    for a, b in zip(*ends, strict=True):
        length = min(b, turned.size) - a
        thin = max(1, min(length // 256, round(rate / (8.0 * shift))))
        x = turned[a : a + length // thin * thin].reshape(-1, thin).mean(axis=1)
        if x.size < 4:
            continue
        offsets = shift * np.linspace(-0.75, 1.75, 10 * _FINE + 1)
        power = np.abs(np.exp(-2j * np.pi * np.outer(offsets, np.arange(x.size) * thin / rate)) @ x)
        low, high = (power[np.abs(offsets - hz).argmin()] for hz in (0.0, shift))
        middle = float(base.path_hz[a + length // 2])
        rows.append((a / rate, b / rate, middle + float(offsets[power.argmax()]), middle, high > low))
    if not rows:
        return None
    on, off, hz, low_hz, upper = (np.array(v) for v in zip(*rows, strict=True))
    own_hz = low_hz + shift * upper
    return ToneView(on, off, 0.5 * (on + off), hz, low_hz, low_hz + shift, np.abs(hz - own_hz) < _ON_TONE * shift)
