"""Recordings of slow keying, sample by sample: on and off, shifted, and dits and dahs on two tones.

A keyer writes down when each element begins and on which tone; a reactance (one pole) pulls the oscillator
there; the phase is summed up; noise, other carriers and mains are added as real samples; a filter and a
gain control follow. Signs after Rec. ITU-R M.1677-1; the shape of the three slow modes is common practice
among experimenters (no published standard).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from .keyer import SIGNS

Array = NDArray[np.float64]
Mode = Literal["qrss", "fskcw", "dfcw"]


@dataclass
class Slow:
    """Settings; levels relative to the key-down tone, noise in 2500 Hz."""

    mode: Mode = "qrss"
    text: str = "Q5KAP "
    dit_s: float = 3.0
    shift_hz: float = 4.0
    tone_hz: float = 800.0  # the lower one
    seconds: float = 240.0
    begin_s: float = 5.0  # of the first element; negative: the recording starts in mid-message
    repeats: int = 50  # of the text, as far as the recording lasts
    snr_db: float = 0.0
    element_gap: float = 1.0  # dfcw: gaps within a character and between characters, in dits
    letter_gap: float = 3.0
    inverted: bool = False  # received on the wrong sideband
    drift_hz_per_min: float = 0.0
    curve_hz: float = 0.0  # half a cycle of a sine over the recording, on top
    settle_s: float = 0.02
    rise_s: float = 0.02
    broken_phase: bool = False  # a synthesiser that starts each element at any phase
    hum_dbc: float | None = None  # each side, at 50 and 100 Hz
    others: tuple[tuple[float, float], ...] = ()  # steady carriers: audio frequency, dB
    control_db: float = 0.0  # how far a gain control opens
    scatter: float = 0.0  # of the elements' lengths
    fading_db: float = 0.0
    passband_hz: tuple[float, float] = (300.0, 2700.0)
    rate: int = 6000
    seed: int = 0


@dataclass
class Element:
    """One stretch on one tone (0 the lower as sent)."""

    begin_s: float
    end_s: float
    tone: int


def elements(s: Slow, rng: np.random.Generator) -> list[Element]:
    """What the keyer does, mark by mark (FSKCW: and space by space)."""
    out: list[Element] = []
    now = s.begin_s

    def length(units: float) -> float:
        return units * s.dit_s * max(0.3, 1 + s.scatter * rng.standard_normal())

    stop = s.seconds + 1.0
    for _ in range(s.repeats):
        for word in s.text.split():
            for letter in word:
                for mark in SIGNS[letter]:
                    if now > stop:
                        return out
                    dah = mark == "-"
                    if s.mode == "dfcw":
                        lasts, tone, gap = length(1), int(dah), s.element_gap
                    else:
                        lasts, tone, gap = length(3 if dah else 1), int(s.mode == "fskcw"), 1.0
                    out.append(Element(now, now + lasts, tone))
                    now += lasts + length(gap)
                now += length((s.letter_gap - s.element_gap) if s.mode == "dfcw" else 2)
            now += length(2 * s.letter_gap - s.letter_gap if s.mode == "dfcw" else 4)
    return out


def samples(s: Slow) -> Array:
    """The recording, float samples peaking at about 0.7."""
    rng = np.random.default_rng(s.seed)
    n = round(s.seconds * s.rate)
    t = np.arange(n) / s.rate
    key, control = np.zeros(n), np.zeros(n)
    turn = np.zeros(n)
    for e in elements(s, rng):
        a, b = (int(np.clip(round(v * s.rate), 0, n)) for v in (e.begin_s, e.end_s))
        key[a:b] = 1.0
        control[a:b] = e.tone
        if s.broken_phase and b > a:
            turn[a:] = rng.uniform(0, 2 * np.pi)
            turn[b:] = rng.uniform(0, 2 * np.pi)
    if s.mode == "fskcw":
        begin = round(max(s.begin_s, 0.0) * s.rate)
        last = max(e.end_s for e in elements(s, np.random.default_rng(s.seed)))
        key[:] = 0.0
        key[begin : int(np.clip(round((last + 2 * s.dit_s) * s.rate), 0, n))] = 1.0
    keep = np.exp(-1 / (s.settle_s * s.rate))
    control = signal.lfilter([1 - keep], [1, -keep], control)
    if s.inverted:
        control = 1 - control
    width = max(3, round(s.rise_s / 0.59 * s.rate))
    key = signal.oaconvolve(key, signal.windows.hann(width, sym=True) / (width / 2 - 0.5), "same")
    hz = s.tone_hz + s.drift_hz_per_min * t / 60 + s.curve_hz * np.sin(np.pi * t / s.seconds)
    if s.mode != "qrss":
        hz = hz + s.shift_hz * control
    phase = 2 * np.pi * np.cumsum(hz) / s.rate + turn + rng.uniform(0, 6.28)
    level = key
    if s.fading_db:
        level = key * 10 ** (-s.fading_db / 40 * (1 - np.cos(2 * np.pi * t / (0.37 * s.seconds))))
    if s.hum_dbc is not None:
        index = 2 * 10 ** (s.hum_dbc / 20)
        ripple = np.cos(2 * np.pi * 50.02 * t) + np.cos(2 * np.pi * 100.04 * t + 1)
        level = level * (1 + index * ripple)
        phase = phase + 0.3 * index * ripple
    x = level * np.cos(phase)
    x += rng.standard_normal(n) * np.sqrt(0.5 * 10 ** (-s.snr_db / 10) / 2500 * s.rate / 2)
    for f, db in s.others:
        x += 10 ** (db / 20) * np.cos(2 * np.pi * f * t + rng.uniform(0, 6.28))
    x = signal.sosfilt(signal.butter(4, s.passband_hz, "bandpass", fs=s.rate, output="sos"), x)
    if s.control_db:
        x = _controlled(x, s)
    return np.asarray(0.7 * x / max(1e-9, float(np.abs(x).max())))


def _controlled(x: Array, s: Slow) -> Array:
    """A gain control of 5 ms attack and 0.5 s release that opens by so many decibels at most."""
    block = max(1, round(0.005 * s.rate))
    level = np.sqrt(np.mean(x[: x.size // block * block].reshape(-1, block) ** 2, axis=1)) * 1.414
    held, gains = 1.0, np.empty(level.size)
    down, up = 0.6, 1 - np.exp(-0.005 / 0.5)
    for k, v in enumerate(level.tolist()):
        held += (down if v > held else up) * (v - held)
        gains[k] = 1 / max(held, 10 ** (-s.control_db / 20))
    return x * np.interp(np.arange(x.size), (np.arange(gains.size) + 0.5) * block, gains)


def heard_text(s: Slow) -> str:
    """The text repeated, as one string with single blanks."""
    return " ".join((s.text * s.repeats).split())
