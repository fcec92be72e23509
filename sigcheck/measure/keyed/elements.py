"""Whole elements of a keyed signal, each with its own settled frequency, phase and amplitude.

So stretches about any moment of them can be cut out and laid upon one another.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.keyed.levels import pyramid
from sigcheck.measure.keyed.ripple import Ripple, ripple
from sigcheck.measure.track import Complex, Mask, Real, Track

Rows = NDArray[np.complex128]
_MOST_ELEMENTS = 240  # evenly over the recording: more would sharpen nothing that matters
LEAST_ELEMENTS = 4
_LIKE_NEIGHBOURS = 16  # elements over which a tone is smooth
_HALF_BAND_HZ = 1000.0  # widest band that edges are looked at in


@dataclass(frozen=True)
class Figure:
    """One measured number; ``value`` is None where ``reason`` says why."""

    value: float | None
    sigma: float | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Elements:
    """Whole elements (first and last not cut), and the baseband about them.

    ``z`` (samples,) at ``rate_hz`` holds the tone near 0 Hz; ``on_s``, ``off_s`` (n,) half-amplitude
    crossings; ``hz`` (n,) each element's settled frequency and ``settled`` (n,) its complex amplitude,
    referred to its middle; ``short_gap`` (n,) whether the gap before it is one inside a character.
    """

    z: Complex
    rate_hz: float
    half_band_hz: float
    on_s: Real
    off_s: Real
    hz: Real
    settled: Rows
    short_gap: Mask
    ripple: Ripple | None = None

    @property
    def length_s(self) -> Real:
        """Key-down time of each, shape (n,)."""
        return np.asarray(self.off_s - self.on_s)

    @property
    def smooth_hz(self) -> Real:
        """Frequencies averaged over some 16 elements."""
        width = min(16, self.hz.size)
        padded = np.pad(self.hz, (width // 2, width - 1 - width // 2), mode="edge")
        return np.convolve(padded, np.ones(width) / width, "valid")

    @property
    def shortest_s(self) -> float:
        """Length of a typical short element."""
        return float(np.quantile(self.length_s, 0.15))

    def chosen(self, use: Mask) -> Elements:
        """Some of them."""
        return replace(
            self,
            on_s=self.on_s[use],
            off_s=self.off_s[use],
            hz=self.hz[use],
            settled=self.settled[use],
            short_gap=self.short_gap[use],
            ripple=None if self.ripple is None else self.ripple.chosen(use),
        )

    def cut(self, at_s: Real, before_s: float, after_s: float) -> tuple[Real, Rows]:
        """Stretches about times (n,): (t (m,), rows (n, m)), settled phase, frequency and ripple taken out.

        Row i holds z(at_i + t) turned by element i's own phase, amplitudes as they are but for ripple.
        """
        from scipy import fft

        margin = 8.0 / self.half_band_hz
        first = np.floor((at_s - before_s - margin) * self.rate_hz).astype(np.intp)
        count = int(np.ceil((before_s + after_s + 2 * margin) * self.rate_hz)) + 2
        size = _round_size(count)
        index = first[:, None] + np.arange(size)
        rows = self.z[np.clip(index, 0, self.z.size - 1)]
        rows *= (index >= 0) & (index < self.z.size)
        ahead = (at_s - before_s) * self.rate_hz - first  # samples from the row's first to where t starts
        f = fft.fftfreq(size)
        spectra = fft.fft(rows, axis=1, overwrite_x=True)
        spectra *= _low_pass(f * self.rate_hz, self.half_band_hz).astype(np.float32)
        spectra *= _turn(2 * np.pi * f * ahead[:, None])
        m = int(np.floor((before_s + after_s) * self.rate_hz)) + 1
        t = np.arange(m) / self.rate_hz - before_s
        since_middle = at_s[:, None] + t - 0.5 * (self.on_s + self.off_s)[:, None]
        out = fft.ifft(spectra, axis=1, overwrite_x=True)[:, :m] * _turn(-2 * np.pi * self.hz[:, None] * since_middle)
        if self.ripple is not None:
            out = out / self.ripple.gain(at_s[:, None] + t)
        return t, np.asarray(out * np.conj(unit_phasors(self.settled))[:, None], np.complex128)


def _turn(angle: NDArray[Any]) -> Complex:
    """exp(j angle) in single precision, good to 1e-5 for angles of some 100 rad."""
    single = angle.astype(np.float32)
    out = np.empty(angle.shape, np.complex64)
    out.real, out.imag = np.cos(single), np.sin(single)
    return out


def elements(track: Track, dit_s: float, inside: Mask | None) -> Elements | None:
    """Whole elements of a keyed signal, or None where there are too few.

    ``inside`` (n_marks - 1,): which gaps lie inside a character, where that is known.
    """
    marks, base = track.marks, track.base
    z, rate = base.z, base.rate_hz
    first_s = 0.0
    if dit_s > 0.5:  # slow keying needs no 6000 samples a second
        level = next(v for v in reversed(pyramid(z, rate)) if v.cell_s <= dit_s / 200 or v.cell_s < 0.002)
        z, rate, first_s = level.z, 1 / level.cell_s, level.first_s
    short = np.ones(marks.on_s.size, bool)
    if inside is not None:
        short[1:] = inside
        short[0] = False
    whole = np.ones(marks.on_s.size, bool)
    whole[0] &= not marks.cut_start
    whole[-1] &= not marks.cut_end
    index = np.flatnonzero(whole)
    if index.size > _MOST_ELEMENTS:
        index = index[np.linspace(0, index.size - 1, _MOST_ELEMENTS).astype(int)]
    on, off = marks.on_s[index] - first_s, marks.off_s[index] - first_s
    low, high = base.passband_hz
    reach = max(track.tone_hz - low, high - track.tone_hz, 50.0)
    half = min(_HALF_BAND_HZ, 1.1 * reach, 0.4 * rate)
    hz = _sharper_hz(z, rate, on, off, _settled_hz(track, on + first_s, off + first_s), base.noise_density)
    longer = longer_ones(off - on)
    if longer.sum() >= LEAST_ELEMENTS:  # a short element may end before its frequency has settled
        hz = np.interp(on, on[longer], hz[longer])
    settled = _settled_amplitude(z, rate, on, off, hz)
    swing = ripple(z, rate, on, off)
    out = Elements(z, rate, half, on, off, hz, settled, short[index], swing)
    out = out.chosen(np.abs(settled) > 0.25 * np.median(np.abs(settled)))
    return out if out.on_s.size >= LEAST_ELEMENTS else None


def longer_ones(length_s: Real) -> Mask:
    """The dahs, where there are any."""
    return np.asarray(length_s > 0.65 * np.quantile(length_s, 0.9))


def _settled_hz(track: Track, on: Real, off: Real) -> Real:
    """Frequency in ``z`` over the last 40 % of each element, from the phase of the carrier."""
    rate, carrier = track.base.rate_hz, track.carrier
    a = np.clip(np.round((off - 0.4 * (off - on)) * rate).astype(np.intp), 0, carrier.size - 2)
    b = np.clip(np.round((off - 0.1 * (off - on)) * rate).astype(np.intp), a + 1, carrier.size - 1)
    middle = (a + b) // 2
    first = np.angle(carrier[middle] * np.conj(carrier[a])) / np.maximum(middle - a, 1)
    second = np.angle(carrier[b] * np.conj(carrier[middle])) / np.maximum(b - middle, 1)
    share = (middle - a) / (b - a)
    return np.asarray((first * share + second * (1 - share)) * rate / (2 * np.pi), np.float64)


def _sharper_hz(z: Complex, rate: float, on: Real, off: Real, hz: Real, noise_density: float) -> Real:
    """The same from the elements' own later parts: where the tone chirps, the carrier's phase turns along with it.

    The carrier's phase between the two halves of a part gives what is left, smooth over the elements but for
    as much as the noise does not explain.
    """
    length = off - on
    halves = [_mean_between(z, rate, on, off, hz, off - share * length, 0.16 * length) for share in (0.44, 0.28)]
    apart = 0.16 * length
    left = np.angle(halves[1] * np.conj(halves[0])) / (2 * np.pi * apart)
    power = np.maximum(np.abs(halves[0] * halves[1]), 1e-30)
    variance = noise_density / (power * 0.16 * length) / (2 * np.pi * apart) ** 2
    weight = 1 / (variance + 1e-9)
    window = np.ones(min(_LIKE_NEIGHBOURS, hz.size))
    smooth = np.convolve(weight * (left + hz), window, "same") / np.convolve(weight, window, "same")
    off_smooth = left + hz - smooth
    excess = max(float(np.median(off_smooth**2)) / 0.455 - float(np.median(variance)), 0.0)  # of chi-squared
    return np.asarray(smooth + excess / (excess + variance + 1e-12) * off_smooth)


def _mean_between(z: Complex, rate: float, on: Real, off: Real, hz: Real, start_s: Real, length_s: Real) -> Rows:
    """Mean of each element over a part of it, its frequency taken out and its phase referred to its middle."""
    count = np.maximum(np.round(length_s * rate), 2)
    index = np.round(start_s * rate).astype(np.intp)[:, None] + np.arange(int(count.max()))
    use = np.arange(int(count.max())) < count[:, None]
    rows = z[np.clip(index, 0, z.size - 1)] * use
    turn = _turn(-2 * np.pi * hz[:, None] * (index / rate - 0.5 * (on + off)[:, None]))
    return np.asarray((rows * turn).sum(axis=1) / use.sum(axis=1), np.complex128)


def _settled_amplitude(z: Complex, rate: float, on: Real, off: Real, hz: Real) -> Rows:
    """Mean of each element over its later part, its frequency taken out."""
    length = off - on
    return _mean_between(z, rate, on, off, hz, off - 0.55 * length, 0.4 * length)


def weighted_sum(weight: Real, rows: Rows) -> Rows:
    """Weighted sum of rows (einsum: threads of a matrix library cost more than they save here)."""
    return np.asarray(np.einsum("i,im->m", weight, rows))


def unit_phasors(x: Rows) -> Rows:
    """Each over its magnitude."""
    return x / np.maximum(np.abs(x), 1e-30)


def _round_size(n: int) -> int:
    """Next length made of twos, threes and fives."""
    while True:
        k = n
        for p in (2, 3, 5):
            while k % p == 0:
                k //= p
        if k == 1:
            return n
        n += 1


def _low_pass(hz: NDArray[Any], half_band_hz: float) -> Real:
    """Flat to the band's edge, then a raised cosine to nothing a fifth further out."""
    over = np.clip((np.abs(hz) - half_band_hz) / (0.2 * half_band_hz), 0.0, 1.0)
    return np.asarray(0.5 + 0.5 * np.cos(np.pi * over))
