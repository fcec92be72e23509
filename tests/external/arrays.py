"""Arrays for the checks: tones, modulation, ideal keying, made here from their formulas alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Rec. ITU-R M.1677-1 (10/2009), Annex 1, part I: letters, figures and marks as two transcriptions that
# name the Recommendation give them, and the number of units of each (no gap after it).
SIGNS: dict[str, tuple[str, int]] = {
    "A": (".-", 5), "B": ("-...", 9), "C": ("-.-.", 11), "D": ("-..", 7), "E": (".", 1), "F": ("..-.", 9),
    "G": ("--.", 9), "H": ("....", 7), "I": ("..", 3), "J": (".---", 13), "K": ("-.-", 9), "L": (".-..", 9),
    "M": ("--", 7), "N": ("-.", 5), "O": ("---", 11), "P": (".--.", 11), "Q": ("--.-", 13), "R": (".-.", 7),
    "S": ("...", 5), "T": ("-", 3), "U": ("..-", 7), "V": ("...-", 9), "W": (".--", 9), "X": ("-..-", 11),
    "Y": ("-.--", 13), "Z": ("--..", 11), "1": (".----", 17), "2": ("..---", 15), "3": ("...--", 13),
    "4": ("....-", 11), "5": (".....", 9), "6": ("-....", 11), "7": ("--...", 13), "8": ("---..", 15),
    "9": ("----.", 17), "0": ("-----", 19), ".": (".-.-.-", 17), ",": ("--..--", 19), ":": ("---...", 17),
    "?": ("..--..", 15), "'": (".----.", 19), "-": ("-....-", 15), "/": ("-..-.", 13), "(": ("-.--.", 15),
    ")": ("-.--.-", 19), '"': (".-..-.", 15), "=": ("-...-", 13), "+": (".-.-.", 13), "@": (".--.-.", 17),
}  # fmt: skip


def diagnosed(x: Array, rate: float) -> dict[str, Any]:
    """The result's JSON of one array."""
    from sigcheck.recording import from_samples
    from sigcheck.result import diagnose

    return diagnose(from_samples(x, rate)).to_dict()


def times(seconds: float, rate: float) -> Array:
    """Sample times, shape (n,)."""
    return np.arange(round(seconds * rate)) / rate


def noise(n: int, rate: float, cn0_dbhz: float, amplitude: float, seed: int) -> Array:
    """White noise for a carrier-to-noise density, the carrier having `amplitude`."""
    density = amplitude**2 / 2 / 10 ** (cn0_dbhz / 10)
    return np.random.default_rng(seed).standard_normal(n) * np.sqrt(density * rate / 2)


def elements(text: str, unit_s: float, start_s: float) -> tuple[Array, Array]:
    """Key-down and key-up times of ideal keying: marks 1 and 3, gaps 1, 3 and 7 units."""
    on: list[float] = []
    off: list[float] = []
    now = start_s
    for letter in text:
        if letter == " ":
            now += 4 * unit_s
            continue
        for element in SIGNS[letter][0]:
            on.append(now)
            now += unit_s * (3 if element == "-" else 1)
            off.append(now)
            now += unit_s
        now += 2 * unit_s
    return np.array(on), np.array(off)


def envelope(
    t: Array, on: Sequence[float] | Array, off: Sequence[float] | Array, shape: str, length_s: float
) -> Array:
    """Keyed amplitude at times `t`; `length_s` is T of linear and raised-cosine edges (centred on the
    key's own times), the time constant of "rc" (starting there), sigma of "gauss" (centred)."""
    from scipy.special import ndtr

    out = np.zeros(t.size)
    rate = 1 / (t[1] - t[0])
    level, last = 0.0, 0.0  # of the resistor-capacitor edge at the last change
    for a, b, following in zip(on, off, [*on[1:], t[-1] + 10 * length_s], strict=True):
        reach = 12 * length_s + 2 / rate
        i, j = (
            max(0, int((a - reach) * rate)),
            min(t.size, int((max(b, min(following, b + reach)) + reach) * rate)),
        )
        u = t[i:j]
        if shape == "rc":
            down = (u >= a) & (u < b)
            up = (u >= b) & (u < following)
            level = level * np.exp(-(a - last) / length_s)
            out[i:j][down] = 1 - (1 - level) * np.exp(-(u[down] - a) / length_s)
            level, last = 1 - (1 - level) * float(np.exp(-(b - a) / length_s)), b
            out[i:j][up] = level * np.exp(-(u[up] - b) / length_s)
        elif shape == "hard" or length_s == 0:
            out[i:j] += ((u >= a) & (u < b)).astype(float)
        else:
            step = {
                "linear": lambda v: np.clip(v / length_s + 0.5, 0, 1),
                "cosine": lambda v: 0.5 + 0.5 * np.sin(np.pi * np.clip(v / length_s, -0.5, 0.5)),
                "gauss": lambda v: ndtr(v / length_s),
            }[shape]
            out[i:j] += step(u - a) - step(u - b)
    return out


def keyed(
    text: str,
    wpm: float,
    rate: float,
    *,
    tone_hz: float = 800.0,
    shape: str = "cosine",
    length_s: float = 0.005,
    seconds: float = 20.0,
    cn0_dbhz: float = 90.0,
    seed: int = 1,
) -> Array:
    """`text` repeated over the recording, with a second of noise before and whole words only."""
    unit = 1.2 / wpm
    on, off = elements(text * 200, unit, 1.0)
    units = sum(SIGNS[c][1] + 3 for c in text if c != " ") + 4 * text.count(" ")
    whole = int((seconds - 2.0) / (unit * units))
    marks = sum(len(SIGNS[c][0]) for c in text if c != " ")
    on, off = on[: whole * marks], off[: whole * marks]
    t = times(seconds, rate)
    x = 0.5 * envelope(t, on, off, shape, length_s) * np.cos(2 * np.pi * tone_hz * t + 0.3)
    return x + noise(t.size, rate, cn0_dbhz, 0.5, seed)


def word_lines(wpm: float, edge_s: float) -> tuple[float, Array]:
    """Spacing in Hz and powers of the lines (0, 1, 2 ..) of PARIS repeated, raised-cosine edges."""
    unit, points = 1.2 / wpm, 1 << 18
    t = np.arange(points) * (50 * unit / points)
    on, off = elements("PARIS ", unit, unit)
    lines = np.fft.rfft(envelope(t, on, off, "cosine" if edge_s else "hard", edge_s))
    return 1 / (50 * unit), np.abs(lines[: points // 4]) ** 2


def width_holding(spacing_hz: float, lines: Array, outside: float) -> float:
    """Width that leaves the share `outside` of the power beyond its two ends together."""
    pairs = np.append(lines[0], 2 * lines[1:])
    return float(2 * spacing_hz * np.argmax(1 - np.cumsum(pairs) / pairs.sum() <= outside))


def width_within(spacing_hz: float, lines: Array, db: float) -> float:
    """Full width to the outermost lines that are within `db` of the strongest."""
    return float(2 * spacing_hz * np.flatnonzero(lines > lines.max() * 10 ** (-db / 10)).max())
