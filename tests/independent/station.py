"""The transmitter and the wiring around it, in the time domain.

Slow things (mains, supply, keying, oscillator) are worked out on a grid of `SLOW_HZ` and give an
amplitude and a phase against time; the receiver puts them on a real carrier at `FAST_HZ`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.special import ndtr

SLOW_HZ = 12_000.0
Array = NDArray[np.float64]


def mains_angle(n: int, start_hz: float, rng: np.random.Generator, wander_hz: float = 0.03) -> Array:
    """Angle of the mains voltage in radians, shape (n,) at SLOW_HZ.

    Its frequency walks at random by about `wander_hz` in 10 s, held to +-0.2 Hz of 50 Hz or
    +-0.1 Hz of 60 Hz as in the interconnected grids.
    """
    nominal, reach = (50.0, 0.2) if abs(start_hz - 50) < 5 else (60.0, 0.1)
    knots = n / SLOW_HZ * 10 + 2
    walk = start_hz - nominal + np.cumsum(rng.standard_normal(int(knots))) * wander_hz / 10
    folded = reach - np.abs(np.mod(walk + reach, 4 * reach) - 2 * reach)  # reflect at the limits
    hz = np.interp(np.arange(n) / SLOW_HZ * 10, np.arange(folded.size), nominal + folded)
    return rng.uniform(0, 2 * np.pi) + 2 * np.pi * np.cumsum(hz) / SLOW_HZ


def reservoir(
    angle: Array, load: Array, discharge_s: float, *, full_wave: bool, imbalance: float = 0.0
) -> Array:
    """Voltage on a reservoir capacitor behind a rectifier, relative to the mains peak.

    Between the charging pulses it falls exponentially with `discharge_s` at `load` = 1 (slower at a
    lighter load); v[k] = max(rectified[k], v[k-1] decayed) is a running maximum in the logarithm.
    The source's resistance rounds the charging edge.
    """
    wave = np.sin(angle)
    rectified = np.where(wave > 0, wave, -(1 - imbalance) * wave if full_wave else 0.0)
    spent = np.cumsum(load) / (discharge_s * SLOW_HZ)
    volts = np.exp(np.maximum.accumulate(np.log(np.maximum(rectified, 1e-3)) + spent) - spent)
    keep = np.exp(-1 / (0.0006 * SLOW_HZ))
    return np.asarray(lfilter([1 - keep], [1, -keep], volts, zi=[keep * volts[0]])[0])


def conduction(angle: Array, threshold: float, softness: float, other_half: float) -> Array:
    """Share of conduction (0..1) of a rectifier that draws current only near the mains peaks."""
    wave = np.sin(angle)
    return 1 / (1 + np.exp((threshold - wave) / softness)) + other_half / (
        1 + np.exp((threshold + wave) / softness)
    )


def line_coefficients(
    x: NDArray[np.complex128], angle: Array, use: NDArray[np.bool_], highest: int
) -> dict[int, complex]:
    """Complex line k of `x` at k times the mains, k = -highest..highest, by least squares over `use`."""
    orders = np.arange(-highest, highest + 1)
    where = np.flatnonzero(use)[:: max(1, int(use.sum()) // 120_000)]
    basis = np.exp(1j * np.outer(angle[where], orders))
    found = np.linalg.lstsq(basis.conj().T @ basis, basis.conj().T @ x[where], rcond=None)[0]
    return dict(zip(orders.tolist(), found.tolist(), strict=True))


def keyed_envelope(n: int, on_s: Array, off_s: Array, shape: str, rise_s: float, fall_s: float) -> Array:
    """Amplitude 0..1 at SLOW_HZ; `rise_s` and `fall_s` are 10..90 %.

    Relations: linear 0.8 of the ramp; resistor and capacitor 2.1972 time constants; gaussian
    (integral of a bell curve) 2.5631 standard deviations.
    """
    t = np.arange(n) / SLOW_HZ
    out = np.zeros(n)
    if shape == "gauss":
        up, down = rise_s / 2.5631, fall_s / 2.5631
        for a, b in zip(on_s, off_s, strict=True):
            i, j = np.clip([int((a - 6 * up) * SLOW_HZ), int((b + 6 * down) * SLOW_HZ) + 2], 0, n)
            out[i:j] += ndtr((t[i:j] - a) / up) - ndtr((t[i:j] - b) / down)
        return out
    stops = np.append(on_s[1:], max(t[-1], off_s[-1]) + 1) if len(on_s) else off_s
    level = 0.0
    for a, b, following in zip(on_s, off_s, stops, strict=True):
        i, j, k = np.clip([int(np.ceil(x * SLOW_HZ)) for x in (a, b, following)], 0, n)
        if shape == "linear":
            out[i:j] = np.minimum(1, level + (t[i:j] - a) * 0.8 / rise_s)
            top = min(1.0, level + (b - a) * 0.8 / rise_s)
            out[j:k] = np.maximum(0, top - (t[j:k] - b) * 0.8 / fall_s)
            level = max(0.0, top - (following - b) * 0.8 / fall_s)
        elif shape == "rc":
            out[i:j] = 1 - (1 - level) * np.exp(-(t[i:j] - a) * 2.1972 / rise_s)
            top = 1 - (1 - level) * float(np.exp(-(b - a) * 2.1972 / rise_s))
            out[j:k] = top * np.exp(-(t[j:k] - b) * 2.1972 / fall_s)
            level = top * float(np.exp(-(following - b) * 2.1972 / fall_s))
        else:
            raise ValueError(f"shape={shape!r}: linear, rc or gauss")
    return out


def shaped_noise(n: int, slope: str, rng: np.random.Generator, knee_hz: float = 200.0) -> Array:
    """Noise at SLOW_HZ made by filtering white noise, unscaled.

    "f2": power falling as 1/f^2 (white frequency noise) above 0.5 Hz; "f3": 1/f^3 (flicker of
    frequency) above 3 Hz, flat below so that it does not wander off; "plateau": flat up to
    `knee_hz`, then 1/f^2, as a noisy synthesiser's loop gives.
    """
    white = rng.standard_normal(n)
    f = np.fft.rfftfreq(n, 1 / SLOW_HZ)
    shape = {
        "f2": 1 / np.maximum(f, 0.5),
        "f3": 1 / np.maximum(f, 3.0) ** 1.5,
        "plateau": 1 / np.sqrt(1 + (f / knee_hz) ** 2),
    }[slope]
    return np.asarray(np.fft.irfft(np.fft.rfft(white) * shape, n))


def band_rms(x: Array, low_hz: float, high_hz: float) -> float:
    """Root mean square of `x` (at SLOW_HZ) between two frequencies."""
    power = np.abs(np.fft.rfft(x)) ** 2 / x.size**2 * 2
    f = np.fft.rfftfreq(x.size, 1 / SLOW_HZ)
    return float(np.sqrt(power[(f >= low_hz) & (f <= high_hz)].sum()))


def lagged(x: Array, tau_s: float) -> Array:
    """One-pole average of `x` with time constant `tau_s`: how a sagging supply follows the key."""
    keep = np.exp(-1 / (tau_s * SLOW_HZ))
    return np.asarray(lfilter([1 - keep], [1, -keep], x))
