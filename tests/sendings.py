"""Recordings of a beacon that sends in several ways in turn, made sample by sample."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.independent import slots

RATE = 8000.0
CODE = {"A": ".-", "D": "-..", "E": ".", "K": "-.-", "P": ".--.", "Q": "--.-", "V": "...-", "5": "....."}
SYMBOL_S, SPACING_HZ = 8192 / 12000, 12000 / 8192  # of the four-tone slot (from memory)
Real = NDArray[np.float64]


@dataclass(frozen=True)
class Turn:
    """One thing sent: ``silence``, ``idle`` (a carrier), ``cw``, ``qrss``, ``fskcw`` or ``slot``."""

    kind: str
    text: str = ""
    dit_s: float = 0.08
    seconds: float = 0.0
    shift_hz: float = 0.0
    offset_hz: float = 0.0
    hum_db: float | None = None  # 100 Hz amplitude modulation of this turn only


def key(text: str, dit_s: float) -> tuple[Real, Real, float]:
    """Starts and ends of the elements (ITU-R M.1677-1) from 0.02 s on, and the length of all."""
    at, on, off = 0.02, [], []
    for word in text.split():
        for letter in word:
            for sign in CODE[letter]:
                on.append(at)
                off.append(at + dit_s * (3 if sign == "-" else 1))
                at = off[-1] + dit_s
            at += 2 * dit_s
        at += 4 * dit_s
    return np.array(on), np.array(off), off[-1] + 0.02


def keyed(t: Real, on: Real, off: Real, rise_s: float) -> Real:
    """Envelope with straight edges of ``rise_s``."""
    out = np.zeros(t.size)
    for a, b in zip(on, off, strict=True):
        i, j = np.searchsorted(t, [a - rise_s, b + rise_s])
        near = t[i:j]
        edge = np.minimum((near - a) / rise_s + 0.5, (b - near) / rise_s + 0.5)
        out[i:j] = np.maximum(out[i:j], np.clip(edge, 0, 1))
    return out


def make(
    turns: list[Turn], *, tone_hz: float = 800.0, snr_db: float = 25.0, seed: int = 0
) -> tuple[NDArray[np.float32], list[tuple[str, float, float]]]:
    """The audio, and kind, start and end of each turn that sends."""
    rng = np.random.default_rng(seed)
    hz: list[Real] = []
    amplitude: list[Real] = []
    at, sent = 0.0, []
    for turn in turns:
        on, off, seconds = key(turn.text, turn.dit_s) if turn.text else (np.empty(0), np.empty(0), turn.seconds)
        seconds = 162 * SYMBOL_S if turn.kind == "slot" else seconds
        t = np.arange(round(seconds * RATE)) / RATE
        shift, level = np.full(t.size, turn.offset_hz), np.ones(t.size)
        if turn.kind == "silence":
            level = np.zeros(t.size)
        elif turn.kind in ("cw", "qrss"):
            level = keyed(t, on, off, 0.005)
        elif turn.kind == "fskcw":
            shift = shift + turn.shift_hz * keyed(t, on, off, 0.02)
        elif turn.kind == "slot":
            symbols: Any = slots.random_symbols(rng)
            shift = shift + (symbols[np.minimum((t / SYMBOL_S).astype(int), 161)] - 1.5) * SPACING_HZ
        if turn.hum_db is not None:
            level = level * (1 + 2 * 10 ** (turn.hum_db / 20) * np.cos(2 * np.pi * 100 * t))
        if turn.kind not in ("silence", "idle"):
            sent.append((turn.kind, at, at + t.size / RATE))
        hz.append(shift)
        amplitude.append(level)
        at += t.size / RATE
    phase = 2 * np.pi * np.cumsum(tone_hz + np.concatenate(hz)) / RATE
    x = 0.2 * np.concatenate(amplitude) * np.cos(phase)
    density = 0.2**2 / 2 / 10 ** (snr_db / 10) / 2500
    x += rng.standard_normal(x.size) * np.sqrt(density * RATE / 2)
    return x.astype(np.float32), sent
