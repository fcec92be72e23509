"""The symbols of a four-tone slot for the eye: where in frequency each one lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.results import Slot
from sigcheck.measure.track import Real, Track

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
