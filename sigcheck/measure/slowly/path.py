"""Where a slowly keyed signal lies: a narrow band about it, its time scale, its drift and its shift.

A tone that rests for a time D on one frequency is seen best in frames of half of D. So the band is
looked at in frames of many lengths, and the longest that still gathers nearly all of the tone's energy
sets the time scale. On that scale one path of slow drift is followed by dynamic programming, a
given shift above which the tone may stand as well.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.carrier import dynamic_path
from sigcheck.measure.spectrum import Survey, running_median
from sigcheck.measure.track import Complex, Real

BAND_RATE_HZ = 200.0
HALF_BAND_HZ = 45.0
SHORTEST_FRAME_S = 0.25
_LONGEST_FRAME_S = 64.0
_LEAST_FRAMES = 12  # lengths of a frame that a recording must hold: fewer elements spell nothing
_GATHERED = 0.85  # of the energy: frames of half a dit lose a tenth to the changes of state
_PAD = 4
_MOST_FRAME_ENERGY = 40.0  # a stronger tone is treated as no stronger: hum and ripple decide nothing then
_REACH = 2
_STEP_COST = 0.7  # nats for a bin of a quarter of the resolution
_OWN_KEYING_HZ = 100.0  # about the tone, where keying may lie above the noise
_LEAST_NOISE_BINS = 12
_MOST_NOISE = 30.0  # over the quieter time's
_ABOVE_PASSBAND = 2.0
_MOST_SLOPE_BINS = 24  # over the whole recording, of a straight course
_SLOPE_STEP_BINS = 2
_NARROW_BINS = 12  # shifts up to three times the resolution are tried one by one along straight courses


@dataclass(frozen=True)
class Band:
    """Audio about ``centre_hz`` at a low rate, in units in which its noise has a density of 1 per Hz."""

    z: Complex
    rate_hz: float
    centre_hz: float
    first_s: float  # time of the first sample
    scale: Real  # (n,) what z was divided by

    @property
    def times_s(self) -> Real:
        """Time of each sample."""
        return self.first_s + np.arange(self.z.size) / self.rate_hz

    @property
    def seconds(self) -> float:
        """Length of the recording."""
        return self.z.size / self.rate_hz


def band(
    audio: Complex, rate_hz: float, centre_hz: float, noise: Noise, *, wanted_hz: float = BAND_RATE_HZ
) -> Band:
    """Cut a band out of the audio, about ``wanted_hz`` wide at its utmost and flat within a quarter of that.

    The kernel is a Hann window of four output steps; each step is one matrix product.
    """
    step = max(1, round(rate_hz / wanted_hz))
    count = audio.size // step
    at = np.arange(4 * step)
    kernel = (0.5 - 0.5 * np.cos(2 * np.pi * (at + 0.5) / (4 * step))) * np.exp(-2j * np.pi * centre_hz / rate_hz * at)
    kernel = (kernel / (2 * step)).astype(np.complex64)
    padded = np.zeros((count + 3) * step, np.complex64)
    lead = 3 * step // 2
    part = audio[: padded.size - lead]
    padded[lead : lead + part.size] = part
    rows = padded.reshape(-1, step)
    z = np.zeros(count, np.complex64)
    for q in range(4):
        z += rows[q : q + count] @ kernel[q * step : (q + 1) * step]
    cycles = np.mod(centre_hz / rate_hz * (np.arange(count, dtype=np.float64) * step - lead), 1.0)
    z = (z * np.exp(-2j * np.pi * cycles)).astype(np.complex64)
    new_rate = rate_hz / step
    # the kernel is even about (4 step - 1) / 2
    first = ((4 * step - 1) / 2 - lead) / rate_hz
    return _normalised(Band(z, new_rate, centre_hz, first, np.ones(count)), noise)


@dataclass(frozen=True)
class Noise:
    """Noise about the tone in its quieter time, and how much of it there is in each second (n,) by all the passband."""

    density: float
    times_s: Real
    factor: Real


def noise_about(s: Survey, centre_hz: float, density: float) -> Noise:
    """What a gain control and bursts make of the noise: the median over the passband, our own keying left out."""
    low, hz = s.low_density, np.arange(s.low_density.size) * s.bin_hz
    use = np.flatnonzero((np.abs(hz - centre_hz) > _OWN_KEYING_HZ) & (low > 0.2 * float(np.quantile(low, 0.75))))
    step = max(1, round(1.0 / max(float(s.frame_s[1] - s.frame_s[0]), 1e-3))) if s.frame_s.size > 1 else 1
    count = s.frame_s.size // step
    if use.size < _LEAST_NOISE_BINS or count < 2:
        return Noise(density, np.zeros(1), np.full(1, _MOST_NOISE))
    use = use[:: max(1, use.size // 64)]
    each = np.median(s.density[: count * step, use] / np.maximum(low[use], 1e-30), axis=1) / np.log(2.0)
    factor = each.reshape(count, step).mean(axis=1)
    return Noise(density, s.frame_s[: count * step].reshape(count, step).mean(axis=1), factor)


def _normalised(b: Band, noise: Noise) -> Band:
    """The band divided by the root of its noise density, which a gain control moves."""
    length = max(16, round(1.0 * b.rate_hz))
    power, hz, _ = _power(b.z, b.rate_hz, length, pad=1)
    use = np.abs(hz) < HALF_BAND_HZ
    own = np.median(power[:, use] / _response(hz[use], b.rate_hz), axis=1) / np.log(2.0) / b.rate_hz
    if own.size >= 5:
        own = running_median(own, 5)
    loudest = float(power.max(initial=0.0)) / b.rate_hz
    at = (np.arange(own.size) * (length // 2) + length / 2) / b.rate_hz
    # seldom is the noise beside the tone far from that of the whole passband: what lies above is keying
    factor = _ABOVE_PASSBAND * np.interp(at + b.first_s, noise.times_s, noise.factor)
    most = noise.density * np.clip(factor, 1.0, _MOST_NOISE)
    own = np.clip(own, max(1e-3 * noise.density, 1e-9 * loudest, 1e-30), np.maximum(most, 1e-30))
    scale = np.sqrt(np.interp(np.arange(b.z.size) / b.rate_hz, at, own))
    return Band((b.z / scale).astype(np.complex64), b.rate_hz, b.centre_hz, b.first_s, scale)


def _response(hz: Real, rate_hz: float) -> Real:
    """Power response of the band's kernel, a Hann window four of its samples long."""
    x = 4.0 * hz / rate_hz
    return np.asarray((np.sinc(x) / np.where(np.abs(np.abs(x) - 1) < 1e-6, 1.0, 1 - x * x)) ** 2)


def _power(z: Complex, rate_hz: float, length: int, *, pad: int) -> tuple[NDArray[np.float32], Real, Real]:
    """Power of half-overlapping Hann frames (frames, bins) over a white unit variance; bins and times of frames."""
    from scipy import fft

    length = max(4, min(length, z.size))
    half = max(1, length // 2)
    window = np.hanning(length + 2)[1:-1].astype(np.float32)
    window /= np.float32(np.sqrt(np.sum(window.astype(np.float64) ** 2)))
    frames = np.lib.stride_tricks.sliding_window_view(z, length)[::half]
    size = fft.next_fast_len(pad * length)
    spectra = fft.fftshift(fft.fft(frames * window, size, axis=1), axes=1)
    hz = (np.arange(size) - size // 2) * (rate_hz / size)
    times = (np.arange(frames.shape[0]) * half + (length - 1) / 2) / rate_hz
    return spectra.real**2 + spectra.imag**2, hz, times


@dataclass(frozen=True)
class Frames:
    """Spectra on one time scale: ``power`` (frames, bins) over the noise, bin b at ``first_hz + b * bin_hz``."""

    power: NDArray[np.float32]
    first_hz: float
    bin_hz: float
    times_s: Real
    length_s: float

    @property
    def peak(self) -> Real:
        """Strongest bin's power of each frame."""
        return np.asarray(self.power.max(axis=1), np.float64)

    @property
    def density(self) -> float:
        """Carrier-to-noise density of the tone where it is, Hz (a Hann window takes a third off)."""
        return max(float(np.quantile(self.peak, 0.8)) - 1.0, 0.0) * 1.5 / self.length_s


def frames(b: Band, length_s: float, *, pad: int = _PAD) -> Frames:
    """Spectra of the band's flat middle in frames of that length."""
    # white noise of density 1 has the variance of the band's rate
    power, hz, times = _power(b.z, b.rate_hz, round(length_s * b.rate_hz), pad=pad)
    use = np.abs(hz) < HALF_BAND_HZ
    even = power[:, use] / (_response(hz[use], b.rate_hz) * b.rate_hz).astype(np.float32)
    return Frames(np.asarray(even, np.float32), float(hz[use][0]), float(hz[1] - hz[0]), times + b.first_s, length_s)


def scales(b: Band) -> list[float]:
    """Frame lengths that the recording is long enough for, shortest first."""
    longest = min(_LONGEST_FRAME_S, b.seconds / _LEAST_FRAMES)
    count = int(np.floor(np.log2(max(longest / SHORTEST_FRAME_S, 1.0)))) + 1
    return [SHORTEST_FRAME_S * 2.0**k for k in range(count)]


def _gathered(b: Band, length_s: float) -> tuple[float, bool]:
    """Mean power density of each frame's strongest line, noise's own part removed; and whether that is a signal."""
    f = frames(b, length_s, pad=1)
    cells = f.power.shape[1]
    noise = float(np.log(cells)) + 0.577  # mean of the largest of so many
    # noise alone passes noise + 3 in one frame of twenty, and then stands there
    above = noise + 3.0
    excess = np.where(f.peak > above, f.peak - 1.0, 0.0) - 0.05 * above
    clear = float(np.mean(excess)) > 4.0 / np.sqrt(excess.size) + 0.3
    return max(float(excess.mean()), 0.0) / length_s, clear


def rests(b: Band) -> bool:
    """Whether the tone rests on one frequency from the beginning to the end: a cheap look ahead."""
    lengths = scales(b)
    if len(lengths) < 4:
        return False
    long, seen = _gathered(b, lengths[-1])
    # shifted keying leaves lines that longer frames gather as well as frames of some dits do: look at short ones, too
    shorter = max(g if clear else 0.0 for g, clear in (_gathered(b, lengths[-3]), _gathered(b, lengths[1])))
    return seen and long > 0.93 * shorter


def time_scale(b: Band) -> float | None:
    """Longest frame that still gathers nearly all of the energy; None where there is no signal, or a steady one."""
    lengths = scales(b)
    found = [_gathered(b, length) for length in lengths]
    usable = [(g, length) for (g, seen), length in zip(found, lengths, strict=True) if seen]
    if not usable:
        return None
    most = max(g for g, _ in usable)
    best = max(length for g, length in usable if g >= _GATHERED * most)
    return None if best == lengths[-1] and len(lengths) > 3 else best


def likelihood(power: Real, energy: float | Real) -> Real:
    """Log-likelihood of a tone of that energy over noise, phase unknown; ``power`` is over the mean noise.

    -E + ln I0(2 sqrt(E P)), the Bessel function's logarithm to within 0.08.
    """
    x2 = 4.0 * energy * power
    return np.asarray(np.sqrt(1.0 + x2) - 1.0 - 0.25 * np.log1p(x2) - energy)


@dataclass(frozen=True)
class Course:
    """Path of the lower tone against the frames' times, and the score of its likelihood."""

    times_s: Real
    hz: Real  # relative to the band's centre
    shift_hz: float
    score: float
    density: float  # C/N0, Hz


def course(f: Frames, shift_bins: int, *, most_hz: float | None = None) -> Course:
    """The path of slow drift that a tone on it, or ``shift_bins`` above it, or absent, explains best."""
    scale = min(1.0, _MOST_FRAME_ENERGY / max(f.density * f.length_s / 1.5, 1e-9))
    energy = f.density * f.length_s / 1.5 * scale
    gain = likelihood(np.asarray(f.power, np.float64) * scale, energy)
    np.maximum(gain, 0.0, out=gain)
    if shift_bins:
        gain = np.maximum(gain[:, :-shift_bins], gain[:, shift_bins:])
    path = dynamic_path(gain, step_cost=_STEP_COST, jump_cost=1e9, reach=_REACH)
    moved = np.abs(np.diff(path)).sum() * _STEP_COST
    rows = np.arange(path.size)
    score = float(gain[rows, path].sum() - moved)
    hz = f.first_hz + f.bin_hz * path
    return Course(f.times_s, _smooth(hz), shift_bins * f.bin_hz, score, f.density)


def straight_courses(f: Frames, shifts: set[int], most: int = 2) -> list[Course]:
    """The straight courses with a tone on them or some bins above that explain the frames best.

    A course that is free to step follows the keying where the shift is less than a dit resolves; a straight one
    cannot. What bends is straight enough to begin with.
    """
    scale = min(1.0, _MOST_FRAME_ENERGY / max(f.density * f.length_s / 1.5, 1e-9))
    energy = f.density * f.length_s / 1.5 * scale
    gain = np.maximum(likelihood(np.asarray(f.power, np.float64) * scale, energy), 0.0).astype(np.float32)
    frames_, bins = gain.shape
    span = np.linspace(-0.5, 0.5, frames_)
    room = _MOST_SLOPE_BINS // 2
    padded = np.pad(gain, ((0, 0), (room, room)))
    found: list[tuple[float, int, int, int]] = []
    for slope in range(-_MOST_SLOPE_BINS, _MOST_SLOPE_BINS + 1, _SLOPE_STEP_BINS):
        first = room + np.round(slope * span).astype(np.intp)
        turned = padded[np.arange(frames_)[:, None], first[:, None] + np.arange(bins)]
        for shift in shifts:
            if 0 < shift < bins - 1:
                total = np.maximum(turned[:, :-shift], turned[:, shift:]).sum(axis=0)
                at = int(total.argmax())
                found.append((float(total[at]), slope, shift, at))
    out: list[Course] = []
    for score, slope, shift, at in sorted(found, reverse=True):
        hz = f.first_hz + f.bin_hz * (at + slope * span)
        if all(abs(c.shift_hz - shift * f.bin_hz) > 1.5 * f.bin_hz for c in out):
            out.append(Course(f.times_s, hz, shift * f.bin_hz, score, f.density))
        if len(out) == most:
            break
    return out


def narrow_shifts(f: Frames) -> set[int]:
    """Shifts in bins that frames of that length hardly tell apart, and those that are likely."""
    return {*range(2, _NARROW_BINS + 1), *likely_shifts(f)}


def _smooth(hz: Real) -> Real:
    """Bins' steps rounded off over some five frames."""
    if hz.size < 9:
        return hz
    kernel = np.hanning(7)[1:-1]
    kernel /= kernel.sum()
    return np.convolve(np.pad(hz, 2, mode="edge"), kernel, mode="valid")


def cropped(f: Frames) -> Frames:
    """The frames' occupied bins with some room: where a tone stands out in several frames."""
    strong = max(0.2 * float(np.quantile(f.peak, 0.8)), np.log(f.power.size) + 2.0)
    used = np.flatnonzero((f.power > strong).sum(axis=0) >= 2)
    if not used.size:
        return f
    room = 4 * _PAD
    a, b = max(0, used[0] - room), min(f.power.shape[1], used[-1] + room + 1)
    return Frames(f.power[:, a:b], f.first_hz + a * f.bin_hz, f.bin_hz, f.times_s, f.length_s)


def likely_shifts(f: Frames, most: int = 4) -> list[int]:
    """Shifts in bins between which the strongest line jumps to and fro, likeliest first.

    From differences between frames a few apart, which a drift hardly moves.
    """
    at = np.argmax(f.power, axis=1)
    clear = f.peak > max(0.3 * float(np.quantile(f.peak, 0.8)), np.log(f.power.shape[1]) + 2.0)
    differences = []
    for lag in range(2, 8):
        both = clear[lag:] & clear[:-lag]
        differences.append(np.abs(at[lag:] - at[:-lag])[both])
    d = np.concatenate(differences)
    count = np.bincount(d, minlength=f.power.shape[1]).astype(np.float64)
    count = np.convolve(count, [0.5, 1.0, 0.5], mode="same")
    out: list[int] = []
    count[:_PAD] = 0.0
    while len(out) < most:
        k = int(np.argmax(count))
        if count[k] < max(3.0, 0.02 * d.size):
            break
        out.append(k)
        count[max(0, k - _PAD) : k + _PAD + 1] = 0.0
    return out
