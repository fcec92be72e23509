"""Plain signals for the tests, straight from their formulas."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]


def band_noise(rng: np.random.Generator, n: int, rate_hz: float, density: float, low: float, high: float) -> Real:
    """Gaussian noise (n,) of one-sided density ``density`` per Hz between two sharp edges."""
    spectrum = np.fft.rfft(rng.standard_normal(n))
    f = np.fft.rfftfreq(n, 1 / rate_hz)
    spectrum[(f < low) | (f > high)] = 0.0
    noise = np.fft.irfft(spectrum, n)
    return noise / noise.std() * np.sqrt(density * (high - low))


def tone_and_noise(
    rng: np.random.Generator,
    *,
    rate_hz: float = 12000.0,
    seconds: float = 20.0,
    hz: float = 713.4,
    amplitude: float = 0.2,
    snr_db: float = 30.0,
    envelope: Real | None = None,
    phase: Real | float = 0.0,
    band: tuple[float, float] = (300.0, 2700.0),
) -> tuple[NDArray[np.float32], Real]:
    """A tone with modulation in band noise: (samples, times). ``snr_db`` is in 2500 Hz."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    level = np.ones(t.size) if envelope is None else envelope
    density = amplitude**2 / 2 / 10 ** (snr_db / 10) / 2500.0
    x = amplitude * level * np.cos(2 * np.pi * hz * t + phase)
    return (x + band_noise(rng, t.size, rate_hz, density, *band)).astype(np.float32), t


def keyed(t: Real, *, wpm: float, edge_s: float = 0.005, pattern: str = "VVV DE Q5KAP ") -> Real:
    """Morse envelope of raised-cosine edges (full length ``edge_s``), the text repeated without end."""
    code = {"V": "...-", "D": "-..", "E": ".", "Q": "--.-", "5": ".....", "K": "-.-", "A": ".-", "P": ".--."}
    units: list[int] = []
    for sign in pattern:
        if sign == " ":
            units += [0] * 4
            continue
        for element in code[sign]:
            units += [1] * (1 if element == "." else 3) + [0]
        units += [0] * 2
    dit = 1.2 / wpm
    down = np.array(units)
    padded = np.concatenate([[0], down, [0]])
    on, off = np.flatnonzero(np.diff(padded) == 1) * dit, np.flatnonzero(np.diff(padded) == -1) * dit
    span = down.size * dit
    repeats = int(np.ceil(t[-1] / span)) + 1
    on = (on[None, :] + span * np.arange(repeats)[:, None]).ravel()
    off = (off[None, :] + span * np.arange(repeats)[:, None]).ravel()
    edge = edge_s if edge_s > 0 else 1e-9

    def step(at: float) -> Real:
        return 0.5 - 0.5 * np.cos(np.pi * np.clip((t[a:b] - at) / edge + 0.5, 0.0, 1.0))

    out = np.zeros(t.size)
    rate = 1.0 / (t[1] - t[0])
    for start, end in zip(on, off, strict=True):
        a = max(0, int((start - edge) * rate))
        b = min(t.size, int((end + edge) * rate) + 2)
        if a < b:
            out[a:b] += step(start) - step(end)
    return out
