"""How clean the tone is while the key is down: distortion, SINAD, residual modulation, skirt, rasp.

Distortion is measured at the recording's full rate, for harmonics beyond the receiver's passband tell
of the stages after it. Frames of settled key-down audio are taken under a Kaiser window; in each the
tone's complex amplitude C and those of its harmonics are read off the bins around them. A harmonic
made by a memoryless stage keeps its phase to C**n whatever the tone's phase, so ``H_n (C*/|C|)**n``
adds up coherently from frame to frame and leaves the noise behind.

SINAD = carrier power / power of everything else from 0 Hz to half the rate (direct current left out),
as IEEE Std 1057/1241 define it for the sine fit. What lies under the window's main lobe is taken from
the modulation about the tone instead.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.modulation import Modulation
from sigcheck.measure.results import Harmonic, Lines, Purity, SkirtPoint
from sigcheck.measure.spectrum import hann
from sigcheck.measure.surroundings import FarNoise, Hum
from sigcheck.measure.track import Complex, Mask, Real, Track

_KAISER_BETA = 18.0  # side lobes under -130 dB: 16-bit recordings have 98 dB
_LOBE_BINS = 7
_MAX_FRAMES = 160
_STRIDE = 1 / 2.4  # a Kaiser window of beta 18 is 2.4 bins wide: frames so far apart are nearly independent
_MAX_HARMONICS = 40
_COHERENT_S = 2.0
_STILL_HZ = 20.0
_AM_LOW_HZ, _AM_HIGH_HZ = 5.0, 300.0
_LONGEST_LAG_S = 0.01
_SKIRT_HZ = (10.0, 20.0, 50.0, 100.0, 200.0, 500.0)
_RASP_HZ = 500.0
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
    reason: str


def distortion(x: NDArray[np.float32], rate_hz: float, track: Track) -> Distortion | None:
    """Measure harmonics on real samples (n,) at full rate; None where no key-down stretch is long enough."""
    from scipy import fft

    starts, length = _frame_places(track.marks.settled, track.base.rate_hz, rate_hz, x.size)
    if not starts.size:
        return None
    window = np.kaiser(length, _KAISER_BETA)
    frames = x[starts[:, None] + np.arange(length)]
    weight = (window / window.sum()).astype(np.float32)
    level = (frames @ weight)[:, None]  # under the window a sine has no mean of its own, a plain mean would
    spectra = fft.rfft((frames - level) * window.astype(np.float32), axis=1, workers=-1)
    middle = (starts + (length - 1) / 2) / rate_hz
    at = np.clip(np.round(middle * track.base.rate_hz).astype(np.intp), 0, track.base.path_hz.size - 1)
    tone = track.base.path_hz[at] + (track.tone_hz - float(np.mean(track.base.path_hz[track.marks.down])))
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
    found = tuple(
        Harmonic(
            order=n,
            dbc=_db(p),
            dbc_sigma=float(4.343 * s / p),
            after_filter=bool(n * float(np.median(tone)) > high + 100.0),
        )
        for n, p, s in zip(orders, powers, sigmas, strict=True)
        if p > 3 * s
    )
    seen = total > 2 * sigma and bool(found)
    outside = read.outside(tone, carrier)
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
        lobe_hz=_LOBE_BINS * rate_hz / length,
        reason="" if orders else "the first harmonic lies beyond 0.45 of the sample rate",
    )


def _sum_dbc(found: tuple[Harmonic, ...], which: object) -> float | None:
    powers = [10 ** (h.dbc / 10) for h in found if which(h)]  # type: ignore[operator]
    return _db(sum(powers)) if powers else None


def _frame_places(settled: Mask, track_rate: float, rate_hz: float, n: int) -> tuple[NDArray[np.intp], int]:
    """First samples of frames inside settled stretches, and their common length."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], settled.view(np.int8), [0]])))
    first = np.ceil(edges[::2] / track_rate * rate_hz).astype(np.intp)
    last = np.minimum(np.floor((edges[1::2] - 1) / track_rate * rate_hz).astype(np.intp), n)
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
    starts = np.concatenate(
        [f + np.arange((s - length) // stride + 1) * stride for f, s in zip(first, spans, strict=True) if s >= length]
    )
    if starts.size > _MAX_FRAMES:
        starts = starts[np.linspace(0, starts.size - 1, _MAX_FRAMES).round().astype(np.intp)]
    return starts.astype(np.intp), length


class _Reader:
    """Reads lines off windowed spectra (frames, bins)."""

    def __init__(self, spectra: Complex, window: Real, rate_hz: float) -> None:
        length = window.size
        self.bin_hz = rate_hz / length
        b = np.arange(spectra.shape[1])
        # refer the phase to the middle of the frame: the window's transform is then real
        self.spectra = spectra * np.exp(1j * np.pi * b * (length - 1) / length).astype(np.complex64)
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

    def _bins(self, hz: Real) -> tuple[NDArray[np.intp], Real]:
        at = hz / self.bin_hz
        k = np.round(at).astype(np.intp)[:, None] + np.arange(-4, 5)
        return k, np.interp(k - at[:, None], self._offsets, self._lobe)

    def amplitude(self, hz: Real) -> NDArray[np.complex128]:
        """Complex amplitude (frames,) of a real line A cos at ``hz`` (frames,)."""
        k, lobe = self._bins(hz)
        inside = (k >= 0) & (k < self.spectra.shape[1])
        lobe = np.where(inside, lobe, 0.0)
        rows = np.arange(hz.size)[:, None]
        picked = self.spectra[rows, np.clip(k, 0, self.spectra.shape[1] - 1)]
        return np.asarray(2 * (picked * lobe).sum(axis=1) / np.maximum((lobe**2).sum(axis=1), 1e-30), np.complex128)

    def noise(self, hz: Real) -> float:
        """Variance of one frame's ``amplitude`` from the noise beside the line."""
        k = np.round(hz / self.bin_hz).astype(np.intp)[:, None]
        around = np.concatenate([np.arange(-26, -_LOBE_BINS), np.arange(_LOBE_BINS + 1, 27)])
        k = k + around
        inside = (k > 0) & (k < self.spectra.shape[1])
        rows = np.arange(hz.size)[:, None]
        picked = self.spectra[rows, np.clip(k, 0, self.spectra.shape[1] - 1)]
        power = (picked.real**2 + picked.imag**2)[inside]
        if not power.size:
            return 0.0
        # The matched sum over bins is the sum over samples under the squared window, so noise of variance v
        # per sample leaves 4 v sum(w^4) / sum(w^2)^2, and reads v sum(w^2) in one bin.
        density = float(np.median(power)) / np.log(2.0)
        return float(4 * density * self._fourth / self._square**3)

    def outside(self, tone: Real, carrier: float) -> float:
        """Power outside the tone's lobe (and 0 Hz's) over the carrier's, whole band."""
        power = self.spectra.real.astype(np.float64) ** 2 + self.spectra.imag.astype(np.float64) ** 2
        k = np.round(tone / self.bin_hz).astype(np.intp)[:, None] + np.arange(-_LOBE_BINS, _LOBE_BINS + 1)
        np.put_along_axis(power, np.clip(k, 0, power.shape[1] - 1), 0.0, axis=1)
        power[:, 0] = 0.0
        # Parseval: sum over one-sided bins = length * sum w^2 * mean square / 2
        mean_square = 2 * power.sum(axis=1).mean() / (self._dft * self._square)
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


@dataclass(frozen=True)
class Residual:
    """Broadband modulation with the lines out; variances within 5..300 Hz."""

    am: float
    pm: float
    fm: float
    freedom: float


def residual(rest: Complex, m: Modulation) -> Residual | None:
    """Variance of am and pm at rates up to 300 Hz, through the gaps of keying.

    By Wiener and Khinchin: the power up to b is the sum over lags of the autocorrelation times the
    kernel whose transform is 1 below b; for frequency modulation, the square of the rate below b.
    Only pairs of samples within one settled stretch enter, so gaps cost nothing but data. A Hann taper
    over 10 ms of lag blurs the edge at 300 Hz by some 70 Hz, evenly to both sides.
    """
    lags = np.arange(round(_LONGEST_LAG_S * m.rate_hz))
    taper = 0.5 + 0.5 * np.cos(np.pi * lags / lags.size)
    x = 2 * _AM_HIGH_HZ * lags / m.rate_hz
    flat = 2 * _AM_HIGH_HZ / m.rate_hz * np.sinc(x) * taper
    square = _square_kernel(lags / m.rate_hz) / m.rate_hz * taper
    twice = np.where(lags == 0, 1.0, 2.0)
    run = np.cumsum(np.concatenate([[1], np.diff(m.use.astype(np.int8)) != 0]))
    am, pm, pairs = _autocorrelations(rest, m.use, run, lags.size)
    if pairs[0] < 20 + 4 * m.n_marks or pairs[-1] < 20:
        return None
    # each element's mean was taken from it: of white noise, one of the 600 samples a second that it holds
    freedom = 2 * _AM_HIGH_HZ * m.seconds
    kept = 1.0 - min(m.n_marks / freedom, 0.5)
    return Residual(
        am=max(float((twice * flat * am).sum()), 0.0) / kept,
        pm=max(float((twice * flat * pm).sum()), 0.0) / kept,
        fm=float(np.sqrt(max(float((twice * square * pm).sum()), 0.0))),
        freedom=max(freedom - m.n_marks, 1.0),
    )


def _autocorrelations(y: Complex, use: Mask, run: NDArray[np.intp], lags: int) -> tuple[Real, Real, Real]:
    """Mean products of am and of pm at each lag, of samples in the same settled stretch; and the pairs behind."""
    am, pm, pairs = np.empty(lags), np.empty(lags), np.empty(lags)
    x, q = np.ascontiguousarray(y.real), np.ascontiguousarray(y.imag)
    for lag in range(lags):
        n = y.size - lag
        same = use[:n] & (run[:n] == run[lag:])  # y is zero outside them
        pairs[lag] = np.count_nonzero(same)
        am[lag] = float(np.dot(x[:n] * same, x[lag:]))
        pm[lag] = float(np.dot(q[:n] * same, q[lag:]))
    return am / np.maximum(pairs, 1.0), pm / np.maximum(pairs, 1.0), pairs


def _square_kernel(t: Real) -> Real:
    """2 * integral of f^2 cos(2 pi f t) over 0..300 Hz: what autocorrelation becomes FM power through."""
    b = _AM_HIGH_HZ
    w = 2 * np.pi * np.maximum(t, 1e-12)
    value = 2 * (b**2 * np.sin(w * b) / w + 2 * b * np.cos(w * b) / w**2 - 2 * np.sin(w * b) / w**3)
    return np.where(t > 0, value, 2 * b**3 / 3)


def skirt(rest: Complex, m: Modulation) -> tuple[tuple[SkirtPoint, ...], Real, Real, float]:
    """Noise density beside the tone (lines out): points, density per bin (both sides), bins, resolution."""
    segments = _segments(m.use, m.rate_hz)
    if segments is None:
        return (), np.zeros(0), np.zeros(0), 0.0
    starts, length = segments
    window = hann(length)
    scale = 1.0 / (m.rate_hz * float(np.sum(window.astype(np.float64) ** 2)))
    from scipy import fft

    data = rest[starts[:, None] + np.arange(length)]
    f = np.abs(fft.fftfreq(length, 1 / m.rate_hz))
    total = (np.abs(fft.fft(data * window, axis=1)) ** 2).mean(axis=0) * scale
    am = (np.abs(fft.fft(data.real * window, axis=1)) ** 2).mean(axis=0) * scale
    pm = (np.abs(fft.fft(data.imag * window, axis=1)) ** 2).mean(axis=0) * scale
    bin_hz = m.rate_hz / length
    sides = ((m.high_hz, np.arange(length) < length // 2), (-m.low_hz, np.arange(length) >= length // 2))
    points = []
    for offset in _SKIRT_HZ:
        if offset < 1.5 * bin_hz or offset > max(m.high_hz, -m.low_hz):
            continue
        near = np.abs(f - offset) <= max(0.75 * bin_hz, 0.15 * offset)
        reached = np.zeros(length, bool)
        for reach, side in sides:
            if offset * 1.15 < reach:
                reached |= side
        near &= reached
        if not near.any():
            continue
        points.append(
            SkirtPoint(
                offset_hz=offset,
                dbc_hz=_db(float(total[near].mean())),
                am_dbc_hz=_db(float(am[near].mean())),
                pm_dbc_hz=_db(float(pm[near].mean())),
            )
        )
    inside = np.where(np.arange(length) < length // 2, f < m.high_hz, f < -m.low_hz)
    return tuple(points), np.where(inside, total, np.nan), f, bin_hz


def _segments(use: Mask, rate_hz: float) -> tuple[NDArray[np.intp], int] | None:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], use.view(np.int8), [0]])))
    first, spans = edges[::2], edges[1::2] - edges[::2]
    for seconds in (0.4, 0.2, 0.1, 0.05, 0.025, 0.0125):
        length = int(seconds * rate_hz)
        if length >= 16 and (spans // length * length).sum() > 0.3 * spans.sum() and (spans // length).sum() >= 3:
            starts = np.concatenate(
                [a + np.arange(s // length) * length for a, s in zip(first, spans, strict=True)]
            ).astype(np.intp)
            return starts, length
    return None


def purity(
    x: NDArray[np.float32],
    rate_hz: float,
    track: Track,
    m: Modulation | None,
    rest: Complex | None,
    lines: Lines,
    far: FarNoise | None,
    hum: Hum,
) -> Purity:
    """All purity figures of the key-down signal."""
    missing: dict[str, str] = {"voice_dbc": "speech-like modulation is not measured"}
    values: dict[str, object] = {}
    d = distortion(x, rate_hz, track)
    skirt_density: Real = np.zeros(0)
    f: Real = np.zeros(0)
    if m is not None and rest is not None:
        points, skirt_density, f, _ = skirt(rest, m)
        values["skirt"] = points
        _residuals(values, missing, rest, m, lines, far, track)
        _rasp(values, missing, skirt_density, f, m, far, track)
    else:
        why = "no key-down stretch is long enough to measure modulation in"
        for name in (*_MODULATION, *_RASP):
            missing[name] = why
    _distortion_values(values, missing, d, skirt_density, f, lines, m)
    values.update(mains_hz=hum.mains_hz or lines.mains_hz)
    values["mains_hz_sigma"] = hum.mains_hz_sigma if hum.mains_hz else lines.mains_hz_sigma
    if values["mains_hz"] is None:
        missing["mains_hz"] = "no line of a mains family was seen"
    values.update(hum_dbc=hum.dbc, hum_dbc_sigma=hum.dbc_sigma, hum_hz=hum.hz, hum_floor_dbc=hum.floor_dbc)
    if hum.dbc is None:
        missing["hum_dbc"] = missing["hum_hz"] = hum.reason
    if hum.floor_dbc is None:
        missing["hum_floor_dbc"] = hum.reason
    return Purity(**values, missing=missing)  # type: ignore[arg-type]


_MODULATION = (
    "am_percent", "pm_rad", "fm_hz", "am_excess_percent", "pm_excess_rad", "pm_excess_floor_rad",
)  # fmt: skip
_RASP = ("rasp_dbc", "rasp_rise_db", "rasp_angle_share")


def _residuals(
    values: dict[str, object],
    missing: dict[str, str],
    rest: Complex,
    m: Modulation,
    lines: Lines,
    far: FarNoise | None,
    track: Track,
) -> None:
    r = residual(rest, m)
    if r is None:
        for name in _MODULATION:
            missing[name] = "too little settled key-down time between 5 and 300 Hz of modulation rate"
        return
    spread = np.sqrt(2.0 / r.freedom)
    inside = [b for b in lines.sidebands if _AM_LOW_HZ <= b.offset_hz <= _AM_HIGH_HZ]
    am_lines = sum(b.am_index**2 / 2 for b in inside)
    pm_lines = sum(b.pm_index_rad**2 / 2 for b in inside)
    fm_lines = sum((b.pm_index_rad * b.offset_hz) ** 2 / 2 for b in inside)
    am, pm = np.sqrt(r.am + am_lines), np.sqrt(r.pm + pm_lines)
    values["am_percent"] = float(100 * am)
    values["am_percent_sigma"] = float(100 * r.am * spread / (2 * am)) if am > 0 else 0.0
    values["pm_rad"] = float(pm)
    values["pm_rad_sigma"] = float(r.pm * spread / (2 * pm)) if pm > 0 else 0.0
    values["fm_hz"] = float(np.sqrt(r.fm**2 + fm_lines))
    additive = None if far is None or far.down is None else far.down * _AM_HIGH_HZ / track.marks.amplitude**2
    pm_excess, pm_sigma, pm_floor = _excess(r.pm, r.am, additive, spread)
    am_excess, am_sigma, _ = _excess(r.am, r.pm, additive, spread)
    values["pm_excess_rad"], values["pm_excess_rad_sigma"] = pm_excess, pm_sigma
    values["am_excess_percent"], values["am_excess_percent_sigma"] = 100 * am_excess, 100 * am_sigma
    values["pm_excess_floor_rad"] = pm_floor


def _excess(own: float, other: float, additive: float | None, spread: float) -> tuple[float, float, float]:
    """Excess rms of one quadrature over additive noise, its sigma, and the excess that would be hidden.

    Additive noise is equal in both quadratures, so the other one is the measure of it; where that too
    has an excess of its own (2 dB over the noise farther off), the noise farther off is, with 1 dB of doubt.
    """
    doubt = spread * other
    reference = other
    if additive is not None and other > 1.6 * additive:
        reference, doubt = 1.26 * additive, 0.26 * additive
    variance = own - reference
    sigma_variance = float(np.hypot(spread * own, doubt))
    floor = float(np.sqrt(2 * sigma_variance))
    excess = float(np.sqrt(max(variance, 0.0)))
    # sigma of a root: linear well above the noise, the floor itself near zero
    sigma = sigma_variance / (2 * excess) if excess > floor else floor / 2
    return excess, float(sigma), floor


def _rasp(
    values: dict[str, object],
    missing: dict[str, str],
    density: Real,
    f: Real,
    m: Modulation,
    far: FarNoise | None,
    track: Track,
) -> None:
    inside = np.isfinite(density) & (f <= _RASP_HZ) & (f >= _AM_LOW_HZ) if density.size else np.zeros(0, bool)
    if not inside.any():
        for name in _RASP:
            missing[name] = "too little settled key-down time to see the noise beside the tone"
        return
    width = float(inside.sum()) * m.rate_hz / density.size
    rasp = float(density[inside].sum()) * m.rate_hz / density.size
    n_independent = max(width * m.seconds, 1.0)
    sigma = 4.343 / np.sqrt(n_independent)
    values["rasp_dbc"], values["rasp_dbc_sigma"] = _db(rasp), float(sigma)
    reference = None
    if far is not None and track.marks.keyed:
        reference = far.just_up
    elif far is not None and track.base.passband_hz[1] - track.base.passband_hz[0] >= 1500.0:
        reference = far.down
    if reference is None or reference <= 0:
        missing["rasp_rise_db"] = (
            "the noise cannot be heard without the tone beside it: leave gaps, or use a filter of 1500 Hz or more"
        )
        missing["rasp_angle_share"] = missing["rasp_rise_db"]
        return
    floor = reference * width / track.marks.amplitude**2
    values["rasp_rise_db"] = float(10 * np.log10(max(rasp, 1e-30) / max(floor, 1e-30)))
    values["rasp_rise_db_sigma"] = float(np.hypot(sigma, 1.0))  # the passband's own ripple: about 1 dB
    angle, amplitude = values.get("pm_rad"), values.get("am_percent")
    if rasp > 2 * floor and isinstance(angle, float) and isinstance(amplitude, float):
        additive = reference * _AM_HIGH_HZ / track.marks.amplitude**2
        pm = max(angle**2 - additive, 0.0)
        am = max((amplitude / 100) ** 2 - additive, 0.0)
        if pm + am > 0:
            values["rasp_angle_share"] = pm / (pm + am)
            return
    missing["rasp_angle_share"] = "no noise beyond the additive floor to divide"


def _distortion_values(
    values: dict[str, object],
    missing: dict[str, str],
    d: Distortion | None,
    skirt_density: Real,
    f: Real,
    lines: Lines,
    m: Modulation | None,
) -> None:
    names = ("sinad_db", "thd_db", "thd_floor_db", "even_dbc", "odd_dbc", "after_filter_dbc", "flat_top_share")
    if d is None:
        missing.update(dict.fromkeys(names, "no key-down stretch is long enough for a spectrum"))
        return
    for name in ("harmonics", "thd_db", "thd_db_sigma", "thd_floor_db", "even_dbc", "odd_dbc",
                 "after_filter_dbc", "flat_top_share"):  # fmt: skip
        values[name] = getattr(d, name)
    if d.thd_db is None:
        missing["thd_db"] = d.reason or "no harmonic stands out of the noise"
    for name in ("even_dbc", "odd_dbc", "after_filter_dbc"):
        if getattr(d, name) is None:
            missing[name] = "no such harmonic stands out of the noise"
    if d.flat_top_share is None:
        missing["flat_top_share"] = "no harmonics stand out to draw the waveform from"
    if m is None or not skirt_density.size:
        missing["sinad_db"] = "what lies close to the tone could not be measured"
        return
    close = sum(10 ** (b.level_dbc / 10) * (1 if b.nature == "single" else 2)
                for b in lines.sidebands if b.offset_hz < d.lobe_hz)  # fmt: skip
    near = skirt_density[np.isfinite(skirt_density) & (f >= _AM_LOW_HZ) & (f < max(d.lobe_hz, 30.0))]
    noise = float(np.mean(near)) * 2 * d.lobe_hz if near.size else 0.0
    values["sinad_db"] = float(-10 * np.log10(max(d.outside_lobe + close + noise, 1e-20)))


def _db(power: float) -> float:
    return float(10 * np.log10(max(power, 1e-20)))
