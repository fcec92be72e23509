"""Distortion of the tone: harmonics, SINAD, the shape of its tops.

Measured at the recording's full rate, for harmonics beyond the receiver's passband tell of the stages
after it. Frames of settled key-down audio are taken under a Kaiser window; in each the tone's complex
amplitude C and those of its harmonics are read off the bins around them. A harmonic made by a
memoryless stage keeps its phase to C**n whatever the tone's phase, so ``H_n (C*/|C|)**n`` adds up
coherently from frame to frame and leaves the noise behind.

SINAD = carrier power / power of everything else from 0 Hz to half the rate (direct current left out),
as IEEE Std 1057/1241 define it for the sine fit. What lies under the window's main lobe is taken from
the modulation about the tone instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.results import Harmonic, OtherSignal
from sigcheck.measure.tone.nonlinear import Intermodulation, Tops, intermodulation, tops
from sigcheck.measure.track import Complex, Mask, Real, Track, pieces, runs

_KAISER_BETA = 18.0  # side lobes under -130 dB: 16-bit recordings have 98 dB
_LOBE_BINS = 7
_MAX_FRAMES = 160
_STRIDE = 1 / 2.4  # a Kaiser window of beta 18 is 2.4 bins wide: frames so far apart are nearly independent
_MAX_HARMONICS = 40
_COHERENT_S = 2.0
_STILL_HZ = 20.0
_SINE_TOP_SHARE = 2 / np.pi * np.arccos(0.98)  # of a sine's time within 2 % of its extremes


@dataclass(frozen=True)
class Distortion:
    """Harmonics and SINAD of the settled key-down audio."""

    harmonics: tuple[Harmonic, ...]
    thd_db: float | None
    thd_db_sigma: float | None
    thd_floor_db: float | None
    even_dbc: float | None
    odd_dbc: float | None
    after_filter_dbc: float | None
    flat_top_share: float | None
    outside_lobe: float  # power outside the tone's lobe / carrier power
    lobe_hz: float  # half width of that lobe
    tops: Tops | None
    tops_reason: str
    intermodulation: Intermodulation
    reason: str


def distortion(
    x: NDArray[np.float32], rate_hz: float, track: Track, others: tuple[OtherSignal, ...] = ()
) -> Distortion | None:
    """Measure harmonics on real samples (n,) at full rate; None where no key-down stretch is long enough."""
    from scipy import fft

    starts, length = _frame_places(track.marks.settled, track.base.rate_hz, rate_hz, x.size)
    if not starts.size:
        return None
    window = np.kaiser(length, _KAISER_BETA)
    frames = np.lib.stride_tricks.sliding_window_view(x, length)[starts]
    frames, starts = _without_crashes(frames, starts)
    weight = (window / window.sum()).astype(np.float32)
    level = (frames @ weight)[:, None]  # under the window a sine has no mean of its own, a plain mean would
    spectra = fft.rfft((frames - level) * window.astype(np.float32), axis=1)
    middle = (starts + (length - 1) / 2) / rate_hz
    at = np.clip(np.round(middle * track.base.rate_hz).astype(np.intp), 0, track.base.path_hz.size - 1)
    path = track.base.path_hz
    tone = path[at] + (track.tone_hz - float(np.mean(path[::16][track.marks.down[::16]])))  # it is smooth
    read = _Reader(spectra, window, rate_hz)
    fundamental = read.amplitude(tone)
    carrier = float(np.mean(np.abs(fundamental) ** 2))
    if carrier <= 0.0:
        return None
    top = 0.45 * rate_hz
    orders = range(2, min(_MAX_HARMONICS, int(top / max(tone.max(), 1.0))) + 1)
    unit = fundamental / np.maximum(np.abs(fundamental), 1e-30)
    # one filter, one phase: only a tone that moves through the passband changes the harmonics' phase
    still = float(np.ptp(tone)) < _STILL_HZ
    group = np.floor((middle - middle[0]) / (np.inf if still else _COHERENT_S)).astype(np.intp)
    powers, sigmas = [], []
    wave = np.zeros((_MAX_HARMONICS + 1,), np.complex128)
    wave[1] = np.sqrt(carrier)
    for n in orders:
        h = read.amplitude(n * tone) * np.conj(unit) ** n
        noise = max(read.noise(n * tone), 1e-13 * carrier)  # single-precision rounding at the least
        power, sigma = _coherent_power(h, group, noise)
        if power > 3 * sigma:
            wave[n] = h.mean()
        powers.append(power / carrier)
        sigmas.append(sigma / carrier)
    total = float(np.sum(np.maximum(powers, 0.0))) if powers else 0.0
    sigma = float(np.sqrt(np.sum(np.square(sigmas)))) if sigmas else 0.0
    high = track.base.passband_hz[1] if track.base.passband_from_noise else np.inf
    middle_hz = float(np.median(tone))
    found = tuple(
        Harmonic(
            order=n,
            dbc=_db(p),
            dbc_sigma=float(4.343 * s / p),
            after_filter=bool(n * middle_hz > high + 100.0),
        )
        for n, p, s in zip(orders, powers, sigmas, strict=True)
        if p > 3 * s
    )
    seen = total > 2 * sigma and bool(found)
    outside = read.outside(tone, carrier)
    after = [n * middle_hz > high + 100.0 for n in orders]
    shape, why = tops(list(orders), powers, sigmas, after)
    lobe_hz = _LOBE_BINS * rate_hz / length
    products = intermodulation(read.amplitude, read.noise, tone, others, apart_hz=lobe_hz, top_hz=top)
    return Distortion(
        harmonics=found,
        thd_db=_db(total) if seen else None,
        thd_db_sigma=float(4.343 * sigma / total) if seen else None,
        thd_floor_db=_db(max(2 * sigma, 1e-16)),
        even_dbc=_sum_dbc(found, lambda h: h.order % 2 == 0),
        odd_dbc=_sum_dbc(found, lambda h: h.order % 2 == 1),
        after_filter_dbc=_sum_dbc(found, lambda h: h.after_filter),
        flat_top_share=_flat_tops(wave) if seen else None,
        outside_lobe=outside,
        lobe_hz=lobe_hz,
        tops=shape,
        tops_reason=why,
        intermodulation=products,
        reason="" if orders else "the first harmonic lies beyond 0.45 of the sample rate",
    )


def _sum_dbc(found: tuple[Harmonic, ...], which: object) -> float | None:
    powers = [10 ** (h.dbc / 10) for h in found if which(h)]  # type: ignore[operator]
    return _db(sum(powers)) if powers else None


def _frame_places(settled: Mask, track_rate: float, rate_hz: float, n: int) -> tuple[NDArray[np.intp], int]:
    """First samples of frames inside settled stretches, and their common length."""
    begin, end = runs(settled)
    first = np.ceil(begin / track_rate * rate_hz).astype(np.intp)
    last = np.minimum(np.floor((end - 1) / track_rate * rate_hz).astype(np.intp), n)
    spans = last - first
    total = spans.sum()
    for seconds in (0.16, 0.1, 0.06, 0.04, 0.025, 0.016):
        length = int(seconds * rate_hz) // 2 * 2
        fitting = spans // max(length, 1)
        if length >= 64 and fitting.sum() > 0 and (fitting * length).sum() > 0.3 * total:
            break
    else:
        return np.zeros(0, np.intp), 0
    from scipy.fft import next_fast_len

    while next_fast_len(length, real=True) != length:
        length -= 1
    stride = int(length * _STRIDE)
    long = spans >= length
    starts = pieces(first[long], (spans[long] - length) // stride + 1, stride)
    if starts.size > _MAX_FRAMES:
        starts = starts[np.linspace(0, starts.size - 1, _MAX_FRAMES).round().astype(np.intp)]
    return starts.astype(np.intp), length


def _without_crashes(
    frames: NDArray[np.float32], starts: NDArray[np.intp]
) -> tuple[NDArray[np.float32], NDArray[np.intp]]:
    """Less the few frames that a static crash makes far stronger than the others."""
    power = np.einsum("ij,ij->i", frames, frames)
    calm = power < 3.0 * np.median(power)
    return (frames[calm], starts[calm]) if 0.75 < calm.mean() < 1.0 else (frames, starts)


class _Reader:
    """Reads lines off windowed spectra (frames, bins)."""

    def __init__(self, spectra: Complex, window: Real, rate_hz: float) -> None:
        length = window.size
        self.bin_hz = rate_hz / length
        self.spectra = spectra
        self.power = np.abs(spectra) ** 2
        # refers the phase to the middle of the frame: the window's transform is then real
        self._to_middle = np.exp(1j * np.pi * np.arange(spectra.shape[1]) * (length - 1) / length)
        from scipy import fft

        oversample = 16
        steps = np.arange((_LOBE_BINS + 1) * oversample + 1)
        half = fft.rfft(window, oversample * length)[: steps.size]
        half = np.real(half * np.exp(1j * np.pi * steps * (length - 1) / (oversample * length)))
        self._offsets = np.concatenate([-steps[:0:-1], steps]) / oversample
        self._lobe = np.concatenate([half[:0:-1], half])
        self._square = float(np.sum(window**2))
        self._fourth = float(np.sum(window**4))
        self._dft = length

    @staticmethod
    def _once(hz: Real) -> Real:
        """The one frequency of a tone that stands still, else that of each frame."""
        return hz[:1] if hz.size and np.all(hz == hz[0]) else hz

    def _bins(self, hz: Real) -> tuple[NDArray[np.intp], Real]:
        at = self._once(hz) / self.bin_hz
        k = np.round(at).astype(np.intp)[:, None] + np.arange(-4, 5)
        return k, np.interp(k - at[:, None], self._offsets, self._lobe)

    def amplitude(self, hz: Real) -> NDArray[np.complex128]:
        """Complex amplitude (frames,) of a real line A cos at ``hz`` (frames,)."""
        k, lobe = self._bins(hz)
        inside = (k >= 0) & (k < self.spectra.shape[1])
        lobe = np.where(inside, lobe, 0.0)
        rows = np.arange(hz.size)[:, None]
        near = np.clip(k, 0, self.spectra.shape[1] - 1)
        picked = self.spectra[rows, near] * self._to_middle[near]
        return np.asarray(2 * (picked * lobe).sum(axis=1) / np.maximum((lobe**2).sum(axis=1), 1e-30), np.complex128)

    def noise(self, hz: Real) -> float:
        """Variance of one frame's ``amplitude`` from the noise beside the line."""
        k = np.round(self._once(hz) / self.bin_hz).astype(np.intp)[:, None]
        around = np.concatenate([np.arange(-26, -_LOBE_BINS), np.arange(_LOBE_BINS + 1, 27)])
        k = k + around
        inside = (k > 0) & (k < self.power.shape[1])
        if k.shape[0] == 1:
            power = self.power[:, k[inside]]
        else:
            power = self.power[np.arange(hz.size)[:, None], np.clip(k, 0, self.power.shape[1] - 1)][inside]
        if not power.size:
            return 0.0
        # The matched sum over bins is the sum over samples under the squared window, so noise of variance v
        # per sample leaves 4 v sum(w^4) / sum(w^2)^2, and reads v sum(w^2) in one bin.
        density = float(np.median(power)) / np.log(2.0)
        return float(4 * density * self._fourth / self._square**3)

    def outside(self, tone: Real, carrier: float) -> float:
        """Power outside the tone's lobe (and 0 Hz's) over the carrier's, whole band."""
        power = self.power.copy()
        k = np.round(tone / self.bin_hz).astype(np.intp)[:, None] + np.arange(-_LOBE_BINS, _LOBE_BINS + 1)
        np.put_along_axis(power, np.clip(k, 0, power.shape[1] - 1), 0.0, axis=1)
        power[:, 0] = 0.0
        # Parseval: sum over one-sided bins = length * sum w^2 * mean square / 2
        mean_square = 2 * power.sum(axis=1, dtype=np.float64).mean() / (self._dft * self._square)
        return float(mean_square / (carrier / 2))


def _coherent_power(h: NDArray[np.complex128], group: NDArray[np.intp], noise: float) -> tuple[float, float]:
    """Power of a phase-locked line: coherent within groups, summed in power, noise subtracted."""
    size = int(group.max()) + 1
    n = np.bincount(group, minlength=size).astype(np.float64)
    mean = (np.bincount(group, h.real, size) + 1j * np.bincount(group, h.imag, size)) / np.maximum(n, 1)
    some = n > 0
    weight = n[some] / n.sum()
    floor = noise / n[some]
    power = float((weight * (np.abs(mean[some]) ** 2 - floor)).sum())
    variance = float((weight**2 * (2 * np.maximum(power, 0.0) * floor + floor**2)).sum())
    return power, float(np.sqrt(variance))


def _flat_tops(wave: NDArray[np.complex128]) -> float:
    """Share of time near the extremes over a sine's, of the waveform that tone and harmonics add up to."""
    phase = 2 * np.pi * np.arange(1024) / 1024
    x = np.real(np.exp(1j * np.outer(phase, np.arange(wave.size))) @ wave)
    middle, half = 0.5 * (x.max() + x.min()), 0.5 * (x.max() - x.min())
    return float(np.mean(np.abs(x - middle) > 0.98 * half) / _SINE_TOP_SHARE)


def _db(power: float) -> float:
    return float(10 * np.log10(max(power, 1e-20)))
