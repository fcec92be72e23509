"""Four tones seen as power against time and frequency: matched filters, and whether the tone changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.slots.band import Narrow
from sigcheck.measure.slots.protocol import SPACING_HZ, SYMBOL_S

REACH_HZ = 6.0  # centres looked at about a place
GRID = 4  # frequencies to a spacing
HOPS = 4  # frames to a symbol
FEWEST = 40  # symbols within the recording
_CHANGES = 0.3  # share of symbol lengths after which the strongest frequency is another one; a slot has 0.75


@dataclass(frozen=True)
class TonePower:
    """Power in one symbol length over its mean in noise, on a grid of frequencies and starts.

    ``value`` (frames, frequencies); frequency column c is at ``(c - middle) * SPACING_HZ / 4`` from
    the place, frame j covers one symbol length from ``first_s + j * hop_s``.
    """

    value: NDArray[np.float32]
    middle: int
    first_s: float
    hop_s: float


def tone_power(n: Narrow, *, hops: int = HOPS) -> TonePower:
    """Matched filters of one symbol length, four to a spacing and ``hops`` to a symbol."""
    length = round(SYMBOL_S * n.rate_hz)
    hop = max(1, round(length / hops))
    half = int(np.ceil((REACH_HZ + 2.5 * SPACING_HZ) / SPACING_HZ * GRID))
    hz = np.arange(-half, half + 1) * (SPACING_HZ / GRID)
    turn = np.exp(-2j * np.pi * np.arange(length)[:, None] * hz / n.rate_hz).astype(np.complex64)
    if n.z.size < length:
        return TonePower(np.zeros((0, hz.size), np.float32), half, n.first_s, hop / n.rate_hz)
    frames = np.lib.stride_tricks.sliding_window_view(n.z, length)[::hop] @ turn
    power = frames.real**2 + frames.imag**2
    noise = float(np.median(power)) / np.log(2.0)  # at most a third of the grid is the signal's
    return TonePower(power / np.float32(max(noise, 1e-30)), half, n.first_s - 0.5 / n.rate_hz, hop / n.rate_hz)


def alternates(n: Narrow) -> bool:
    """Whether the strongest frequency is another one a symbol length later, where frames are clear."""
    p = tone_power(n, hops=2)  # one of two frames has most of a symbol to itself
    best = np.argmax(p.value, axis=1)
    if best.size < FEWEST:
        return False
    clear = p.value[np.arange(best.size), best]
    weight = np.minimum(clear[:-2], clear[2:])
    change = np.abs(best[2:] - best[:-2]) > 0.6 * GRID
    return bool(change[weight >= np.quantile(weight, 0.4)].mean() > _CHANGES)
