"""Arrays that every stage of the synthesis is made of: noise, filters, rates, mains."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Response = Callable[[Real], NDArray[np.complex128] | NDArray[np.float64]]
"""Gain (complex or real) at an array of frequencies in Hz."""

_SETTLE_S = 0.25  # zeros appended so that a filter's ringing does not wrap round to the beginning


def db(ratio: float) -> float:
    """Amplitude ratio to decibels."""
    return float(20.0 * np.log10(ratio))


def from_db(level_db: float) -> float:
    """Decibels to amplitude ratio."""
    return float(10.0 ** (level_db / 20.0))


def times(n: int, rate_hz: float) -> Real:
    """Time of each of ``n`` samples, in seconds."""
    return np.arange(n, dtype=np.float64) / rate_hz


def phase_of(frequency_hz: Real, rate_hz: float) -> Real:
    """Phase in radians, 0 at the first sample, of a frequency given at each sample (trapezoids)."""
    steps = np.cumsum(frequency_hz)
    return np.asarray((steps - 0.5 * (frequency_hz + frequency_hz[0])) * (2.0 * np.pi / rate_hz))


def filtered(x: Complex, rate_hz: float, response: Response) -> Complex:
    """Complex signal (n,) through a filter whose complex gain ``response`` gives over +-rate/2."""
    from scipy.fft import fft, ifft, next_fast_len

    size = next_fast_len(x.size + int(_SETTLE_S * rate_hz))
    spectrum = fft(x, size)
    spectrum *= response(np.asarray(np.fft.fftfreq(size, 1.0 / rate_hz), dtype=np.float64))
    return np.asarray(ifft(spectrum)[: x.size])


def filtered_real(x: Real, rate_hz: float, response: Response) -> Real:
    """Real signal (n,) through a filter whose gain ``response`` gives from 0 to rate/2."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(x.size + int(_SETTLE_S * rate_hz), real=True)
    spectrum = rfft(x, size)
    spectrum *= response(np.asarray(np.fft.rfftfreq(size, 1.0 / rate_hz), dtype=np.float64))
    return np.asarray(irfft(spectrum, size)[: x.size])


def analytic(x: Real) -> Complex:
    """The part of a real signal at positive frequencies, doubled: its real part is the signal."""
    from scipy.fft import ifft, next_fast_len, rfft

    size = next_fast_len(x.size, real=True)
    spectrum = np.zeros(size, dtype=np.complex128)
    half = rfft(x, size)
    spectrum[: half.size] = 2.0 * half
    spectrum[0] = half[0]
    if size % 2 == 0:
        spectrum[half.size - 1] = half[-1]
    return np.asarray(ifft(spectrum)[: x.size])


def white(rng: np.random.Generator, n: int, rate_hz: float, density: float) -> Complex:
    """Complex white noise with E|w|^2 = ``density`` per hertz, at ``rate_hz``."""
    sigma = np.sqrt(0.5 * density * rate_hz)
    return np.asarray(sigma * rng.standard_normal((n, 2)).view(np.complex128)[:, 0])


def shaped_noise(rng: np.random.Generator, n: int, rate_hz: float, density: Response) -> Real:
    """Real Gaussian noise (n,) with the one-sided power density ``density(f)`` per hertz.

    ``density`` sees no frequency below the spacing of the lines, so a slope such as 1/f^4 is safe.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(n, real=True)
    spectrum = rfft(rng.standard_normal(size))
    f = np.maximum(np.fft.rfftfreq(size, 1.0 / rate_hz), rate_hz / size)
    spectrum *= np.sqrt(np.real(density(f)) * (0.5 * rate_hz))
    spectrum[0] = 0.0
    return np.asarray(irfft(spectrum, size)[:n])


def wander(rng: np.random.Generator, n: int, rate_hz: float, rms: float, correlation_s: float) -> Real:
    """A quantity that strays about 0 and returns (Ornstein-Uhlenbeck), drawn 20 times a correlation.

    Parameters
    ----------
    rms : scatter in the unit of the result.
    correlation_s : time after which the autocorrelation has fallen to 1/e, s.
    """
    step = correlation_s / 20.0
    count = int(n / rate_hz / step) + 3
    keep = float(np.exp(-step / correlation_s))
    kicks = rng.standard_normal(count) * (rms * np.sqrt(1.0 - keep * keep))
    values = np.empty(count)
    value = rms * rng.standard_normal()
    for i, kick in enumerate(kicks):
        value = keep * value + kick
        values[i] = value
    return np.interp(times(n, rate_hz), step * np.arange(count), values)


def change_rate(x: Real, up: int, down: int, edge: float = 0.92) -> Real:
    """Resample by ``up / down`` (small integers).

    From ``edge`` x the lower Nyquist frequency to that frequency the response fades out as a squared
    cosine: the anti-alias filter of a recorder.
    """
    if up == down:
        return x
    from scipy.fft import irfft, next_fast_len, rfft

    wanted = -(-x.size * up // down)
    size = down * int(next_fast_len(-(-(x.size + x.size // 50 + 64) // down), real=True))
    spectrum = rfft(x, size)
    out_size = size * up // down
    kept = spectrum[: min(size, out_size) // 2 + 1].copy()
    place = np.linspace(0.0, 1.0, kept.size)
    kept *= np.cos(0.5 * np.pi * np.clip((place - edge) / (1.0 - edge), 0.0, 1.0)) ** 2
    full = np.zeros(out_size // 2 + 1, dtype=np.complex128)
    full[: kept.size] = kept
    return np.asarray(irfft(full, out_size)[:wanted] * (up / down))


def finely(x: Real, rate_hz: float, law: Callable[[Real], Real], least_hz: float = 96000.0) -> Real:
    """Apply a memoryless ``law`` at a rate of at least ``least_hz``, so that harmonics do not fold back."""
    factor = max(1, int(np.ceil(least_hz / rate_hz)))
    return change_rate(law(change_rate(x, factor, 1, edge=0.98)), 1, factor, edge=0.98)


# --- mains ---------------------------------------------------------------------------------------

Rectifier = Literal["full-wave", "half-wave"]


@dataclass(frozen=True, kw_only=True)
class Mains:
    """The mains: its mean frequency and how far and how slowly it strays (tens of mHz in 10 s)."""

    hz: float = 50.0
    wander_hz: float = 0.01  # rms
    correlation_s: float = 20.0


@dataclass(frozen=True)
class MainsPhase:
    """One phase of the mains in radians, shared by all that hums: call it with times in s."""

    at_s: Real
    deviation_rad: Real
    hz: float

    def __call__(self, t: Real) -> Real:
        return np.asarray(2.0 * np.pi * self.hz * t + np.interp(t, self.at_s, self.deviation_rad))

    def mean_hz(self, duration_s: float) -> float:
        """Mean frequency over the first ``duration_s``."""
        ends = self(np.array([0.0, duration_s]))
        return float((ends[1] - ends[0]) / (2.0 * np.pi * duration_s))


def mains_phase(rng: np.random.Generator, mains: Mains, duration_s: float) -> MainsPhase:
    """Draw the mains for one recording; its phase at the first sample is random too."""
    rate_hz = 20.0  # the deviation is smooth: a straight line over 50 ms is off by some 1e-5 rad
    n = int(duration_s * rate_hz) + 3
    start = rng.uniform(0.0, 2.0 * np.pi)
    stray = phase_of(wander(rng, n, rate_hz, mains.wander_hz, mains.correlation_s), rate_hz)
    return MainsPhase(times(n, rate_hz), start + stray, mains.hz)


_CYCLE = 8192  # points of a table over one mains cycle


def rectified_lines(
    rectifier: Rectifier, discharge_cycles: float = 0.0, imbalance: float = 0.0, orders: int = 24
) -> Complex:
    """Fourier coefficients c[n] of a rectified sine on a reservoir capacitor, n = 0..orders.

    r(phi) = c[0] + Re sum c[n] exp(j n phi), phi the mains phase, peak of the sine 1.

    Parameters
    ----------
    discharge_cycles : time constant of load and reservoir in mains cycles; 0: no reservoir, the
        bare rectified sine (full-wave lines 4/(pi(n^2-1)), n even).
    imbalance : part by which every second half-wave is lower (a real bridge or winding), which puts
        lines of the mains itself beside a full-wave family.
    """
    phi = 2.0 * np.pi * np.arange(_CYCLE) / _CYCLE
    source = np.sin(phi)
    if rectifier == "half-wave":
        source = np.maximum(source, 0.0)
    else:
        source = np.where(source > 0.0, source, -(1.0 - imbalance) * source)
    volts = source
    if discharge_cycles > 0.0:
        # Between the peaks the load drains the capacitor exponentially; the diode conducts whenever
        # the source is higher. Running maximum of source x exp(+t/RC) is that rule without a loop.
        grow = np.arange(3 * _CYCLE) / (discharge_cycles * _CYCLE)
        logs = np.log(np.maximum(np.tile(source, 3), 1e-12)) + grow
        volts = np.exp(np.maximum.accumulate(logs) - grow)[-_CYCLE:]
    lines = np.fft.rfft(volts)[: orders + 1] / _CYCLE
    lines[1:] *= 2.0
    return np.asarray(lines)


def ripple_lines(rectifier: Rectifier, discharge_cycles: float = 3.0, imbalance: float = 0.004) -> Complex:
    """:func:`rectified_lines` without the mean, its strongest line scaled to 1."""
    lines = rectified_lines(rectifier, discharge_cycles, imbalance)
    lines[0] = 0.0
    return np.asarray(lines / np.abs(lines).max())


def waveform(lines: Complex, phi: Real) -> Real:
    """Sum of mains lines c[n] (see :func:`rectified_lines`) at the mains phases ``phi``."""
    spectrum = np.zeros(_CYCLE // 2 + 1, dtype=np.complex128)
    spectrum[: lines.size] = 0.5 * _CYCLE * lines
    spectrum[0] *= 2.0
    cycle = np.fft.irfft(spectrum, _CYCLE)
    place = np.mod(phi, 2.0 * np.pi) * (_CYCLE / (2.0 * np.pi))
    return np.asarray(np.interp(place, np.arange(_CYCLE + 1), np.append(cycle, cycle[0])))


def integrated(lines: Complex, mains_hz: float) -> Complex:
    """Lines of the phase (rad) that a frequency deviation with the given lines (Hz) makes."""
    orders = np.arange(lines.size)
    out = np.zeros_like(lines)
    out[1:] = lines[1:] / (1j * orders[1:] * mains_hz)
    return out
