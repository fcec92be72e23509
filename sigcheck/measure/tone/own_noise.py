"""Noise of the tone itself, lines taken out: its amplitude and angle parts, and how they fall off the tone.

Additive noise is even from sample to sample in the audio, so each sample counts by the carrier's strength
there: dividing by a carrier that fades would blow its noise up. It is equal in amplitude and angle, and
their difference is the tone's own; how surely, the scatter between pieces of the recording tells, for
bursts and fading leave less than the number of samples would make one believe.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.lines.modulation import Modulation, runs_of_marks
from sigcheck.measure.results import SkirtPoint
from sigcheck.measure.spectrum import hann
from sigcheck.measure.track import Complex, Mask, Real, pieces, runs

LOW_HZ, HIGH_HZ = 5.0, 300.0  # modulation rates of the residuals
_LONGEST_LAG_S = 0.01
_SKIRT_HZ = (10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
_PIECES = 20
_AGE_STEP_S = 0.008
_CALM = 1.15  # so much more noise than at the calmest ages is left to chance
_LEAST_SHARE = 0.2


@dataclass(frozen=True)
class Residual:
    """Broadband modulation with the lines out; variances within 5..300 Hz, each with its standard error."""

    am: float
    pm: float
    fm: float
    am_sigma: float
    pm_sigma: float
    difference_sigma: float  # of pm - am


def settled_part(rest: Complex, m: Modulation) -> Modulation:
    """The modulation without the first part of the elements, as far as these hold more noise than later on.

    An oscillator that the key pulls leaves other differences in every element; its noise is to be judged
    where it has settled, but on a fifth of the samples at least.
    """
    if not m.keyed or m.n_marks < 8:
        return m
    k = np.flatnonzero(m.use)
    step = np.maximum((m.age[k] / _AGE_STEP_S).astype(np.intp), 0)
    n = np.cumsum(np.bincount(step)[::-1])[::-1].astype(np.float64)
    power = rest.real[k].astype(np.float64) ** 2 + rest.imag[k].astype(np.float64) ** 2
    mean = np.cumsum(np.bincount(step, power)[::-1])[::-1] / np.maximum(n, 1.0)
    enough = n >= _LEAST_SHARE * k.size
    first = int(np.argmax(mean <= _CALM * mean[enough].min()))
    if first == 0 or not enough[first]:
        return m
    use = m.use & (m.age >= first * _AGE_STEP_S)
    return replace(m, use=use, n_marks=runs_of_marks(m.mark[use]))


def residual(rest: Complex, m: Modulation) -> Residual | None:
    """Variance of am and pm at rates up to 300 Hz, through the gaps of keying; None with too little to see it.

    By Wiener and Khinchin: the power up to b is the sum over lags of the autocorrelation times the
    kernel whose transform is 1 below b; for frequency modulation, the square of the rate below b.
    Pairs of samples come from within one element (gaps are longer than the lags), so gaps cost nothing
    but data. A Hann taper over 10 ms of lag blurs the edge at 300 Hz by some 70 Hz, evenly to both sides.
    """
    lags = np.arange(round(_LONGEST_LAG_S * m.rate_hz))
    taper = 0.5 + 0.5 * np.cos(np.pi * lags / lags.size)
    flat = 2 * HIGH_HZ / m.rate_hz * np.sinc(2 * HIGH_HZ * lags / m.rate_hz) * taper
    square = _square_kernel(lags / m.rate_hz) / m.rate_hz * taper
    twice = np.where(lags == 0, 1.0, 2.0)
    am, pm, pairs = _products(rest, m, lags.size)
    count = pairs.sum(axis=0)
    if count[0] < 20 + 4 * m.n_marks or count[-1] < 20:
        return None
    # each element's mean was taken from it: of white noise, one of the 600 samples a second that it holds
    freedom = 2 * HIGH_HZ * m.seconds
    kept = 1.0 - min(m.n_marks / freedom, 0.5)
    spread = np.sqrt(2.0 / max(freedom - m.n_marks, 1.0))

    def whole(x: Real, n: Real, kernel: Real) -> float:
        return float((twice * kernel * x.sum(axis=0) / np.maximum(n.sum(axis=0), 1.0)).sum()) / kept

    values = np.array([whole(x, pairs, flat) for x in (am, pm, pm - am)])
    scatter = np.zeros(3)
    held = pairs[:, 0] > 0
    if held.sum() >= 5:
        without = np.array(
            [
                [whole(np.delete(x, g, axis=0), np.delete(pairs, g, axis=0), flat) for x in (am, pm, pm - am)]
                for g in np.flatnonzero(held)
            ]
        )
        g = without.shape[0]  # the jackknife (Tukey 1958)
        scatter = np.sqrt((g - 1) / g * ((without - without.mean(axis=0)) ** 2).sum(axis=0))
    expected = spread * np.array([values[0], values[1], np.hypot(values[0], values[1])])
    sigma = np.maximum(scatter, np.abs(expected))
    return Residual(
        am=max(float(values[0]), 0.0),
        pm=max(float(values[1]), 0.0),
        fm=float(np.sqrt(max(whole(pm, pairs, square) * kept, 0.0))),
        am_sigma=float(sigma[0]),
        pm_sigma=float(sigma[1]),
        difference_sigma=float(sigma[2]),
    )


def _products(rest: Complex, m: Modulation, lags: int) -> tuple[Real, Real, Real]:
    """Sums of the products at each lag, of am and of pm, and the pairs behind; each (pieces, lags)."""
    length = -(-rest.size // _PIECES)
    gain = np.where(m.use, m.gain, 0.0)

    def cut(x: Real) -> Real:
        rows = np.pad(x, (0, _PIECES * length - x.size)).astype(np.float32).reshape(_PIECES, length)
        return np.pad(rows, ((0, 0), (0, -length % lags)))

    def sums(x: Real) -> Real:
        """Rows as long as the longest lag: products of their columns hold all pairs, in a row and with the next."""
        rows = cut(x).reshape(_PIECES, -1, lags)
        columns = rows.transpose(0, 2, 1)
        both = np.concatenate([columns @ rows, columns[:, :, :-1] @ rows[:, 1:]], axis=2)
        return np.stack([np.trace(both[:, :, k : k + lags], axis1=1, axis2=2) for k in range(lags)], axis=1)

    return sums(rest.real * gain), sums(rest.imag * gain), sums(m.use.astype(np.float32))


def _square_kernel(t: Real) -> Real:
    """2 * integral of f^2 cos(2 pi f t) over 0..300 Hz: what autocorrelation becomes FM power through."""
    b = HIGH_HZ
    w = 2 * np.pi * np.maximum(t, 1e-12)
    value = 2 * (b**2 * np.sin(w * b) / w + 2 * b * np.cos(w * b) / w**2 - 2 * np.sin(w * b) / w**3)
    return np.where(t > 0, value, 2 * b**3 / 3)


@dataclass(frozen=True)
class Skirt:
    """Noise beside the tone: the points of the result, and density per hertz (bins,) with each bin's offset.

    ``density`` holds both sides' bins, NaN where the passband lets nothing through.
    """

    points: tuple[SkirtPoint, ...]
    density: Real
    offset_hz: Real  # > 0 on both sides


def skirt(rest: Complex, m: Modulation) -> Skirt | None:
    """Noise density beside the tone, lines out; None with no stretch long enough."""
    segments = _segments(m.use, m.rate_hz)
    if segments is None:
        return None
    starts, length = segments
    window = hann(length)
    scale = 1.0 / (m.rate_hz * float(np.sum(window.astype(np.float64) ** 2)))
    from scipy import fft

    at = starts[:, None] + np.arange(length)
    data = rest[at] * (m.gain[at] * window)
    f = np.abs(fft.fftfreq(length, 1 / m.rate_hz))
    spectra = fft.fft(data, axis=1)
    mirror = (-np.arange(length)) % length
    total = (spectra.real**2 + spectra.imag**2).mean(axis=0, dtype=np.float64) * scale
    # transforms of the real and imaginary parts: |Z(f) +- conj Z(-f)|^2 = |Z(f)|^2 + |Z(-f)|^2 +- 2 Re Z(f) Z(-f)
    product = 2 * (spectra * spectra[:, mirror]).real.mean(axis=0, dtype=np.float64) * scale
    am, pm = (np.maximum(total + total[mirror] + part, 0.0) / 4 for part in (product, -product))
    bin_hz = m.rate_hz / length
    upper = np.arange(length) < length // 2
    points = []
    for offset in _SKIRT_HZ:
        if offset < 1.5 * bin_hz or offset > max(m.high_hz, -m.low_hz):
            continue
        reached = upper & (offset * 1.15 < m.high_hz) | ~upper & (offset * 1.15 < -m.low_hz)
        near = reached & (np.abs(f - offset) <= max(0.75 * bin_hz, 0.15 * offset))
        if near.any():
            both = offset * 1.15 < min(m.high_hz, -m.low_hz)  # one side alone does not tell the parts
            points.append(
                SkirtPoint(
                    offset_hz=offset,
                    dbc_hz=_db(float(total[near].mean())),
                    am_dbc_hz=_db(float(am[near].mean())) if both else None,
                    pm_dbc_hz=_db(float(pm[near].mean())) if both else None,
                )
            )
    inside = np.where(upper, f < m.high_hz, f < -m.low_hz)
    return Skirt(tuple(points), np.where(inside, total, np.nan), f)


def _segments(use: Mask, rate_hz: float) -> tuple[NDArray[np.intp], int] | None:
    first, last = runs(use)
    spans = last - first
    for seconds in (0.4, 0.2, 0.1, 0.05, 0.025, 0.0125):
        length = int(seconds * rate_hz)
        if length >= 16 and (spans // length * length).sum() > 0.3 * spans.sum() and (spans // length).sum() >= 3:
            return pieces(first, spans // length, length), length
    return None


def _db(power: float) -> float:
    return float(10 * np.log10(max(power, 1e-20)))
