"""Modulation about the tone while the key is down: its lines and, with them removed, its noise.

The settled key-down samples, divided by the carrier, are ``1 + am + j pm``. They keep their true times
(gaps stay gaps), so a line is coherent from element to element however short these are. What each
element does alike (its mean, and its average course after the key goes down) is removed first: it
would otherwise make lines at multiples of the keying rate.

A line pair is U exp(j w t) + L exp(-j w t); then AM index m = |U + conj(L)|, angle index = |U - conj(L)|,
and neither depends on where time begins (the sidebands' phase against the carrier does).

Lines are found strongest first in periodograms of some eight seconds, averaged in power: mains
wanders by tens of millihertz, so longer coherence would lose its harmonics. The key's own pattern
smears every line into side lobes; each line found is therefore fitted and taken away, together with
all found before it, ahead of the next search.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.results import LineFamily, Lines, Nature, Sideband, Spur
from sigcheck.measure.spectrum import fundamental_from_lines, peak_bin, running_median, slice_band, worn
from sigcheck.measure.track import Complex, Marks, Mask, Real, Track

BAND_HZ = 1000.0  # modulation is looked at this far on either side of the tone
_TAPER_HZ = 200.0
_COHERENT_S = 8.0
_LOWEST_HZ = 5.0
_MAINS = (50.0, 60.0)
_MAINS_SPAN_HZ = 1.0
_MAX_ORDER = 20
_LOWEST_AUDIO_HZ = 60.0
# 15 dB over the noise in a line's own resolution: pure noise reaches it once in some 1e13 cells, and
# what is left of the keying pattern has some decibels of room.
_DETECT = 31.6
_MAX_OTHER_LINES = 6
_WANDER_HZ = 0.15  # how far a block's mains fundamental is looked for from its mean
_WANDERING_BLOCK_S = 0.5
_WANDER_REACH_HZ = 12.0
_WANDERING_LOWEST_HZ = 60.0  # slower humps are fading, or what a strong chirp leaves, not a supply
_AGE_STEP_S = 0.004
_LARGE_COURSE = 0.05  # radian, or of the amplitude: a chirp of some 5 Hz
_PIECE_S = 0.25
_SHORT_ELEMENT_S = 0.6
_STILL_MOVING_RAD = 0.3
_LEAST_SETTLED = 0.1
_SETTLING_S = (0.006, 0.018, 0.054, 0.162)
_LEAST_DBC = -75.0  # weaker lines than any limit asks for are left in the noise


@dataclass(frozen=True)
class Modulation:
    """Settled key-down modulation on a grid of about 2.4 kHz.

    ``y`` complex64 (n,) is am + j pm, zero where ``use`` is false; ``mark`` (n,) the index of the mark
    that each sample belongs to (-1 outside); sample k is at ``k / rate_hz``.
    ``low_hz``, ``high_hz``: the offsets that the passband lets through.
    """

    y: Complex
    use: Mask
    mark: NDArray[np.int32]
    rate_hz: float
    low_hz: float
    high_hz: float
    n_marks: int
    lowest_hz: float = _LOWEST_HZ  # elements hold no slower modulation

    @property
    def seconds(self) -> float:
        """Settled key-down time that is used."""
        return float(self.use.sum()) / self.rate_hz


def modulation(track: Track, disturbed: Mask | None = None) -> Modulation | None:
    """Modulation of the track, or None where less than a tenth of a second is settled.

    ``disturbed`` (n,) on the track's grid marks bursts of static: they are no modulation of the tone.
    """
    base, marks = track.base, track.marks
    band, rate = slice_band(base.z, base.rate_hz, -BAND_HZ, BAND_HZ, taper_hz=_TAPER_HZ)
    t = np.arange(band.size) / rate
    index = np.minimum(np.round(t * base.rate_hz).astype(np.intp), base.z.size - 1)
    settled = marks.settled if disturbed is None else marks.settled & ~disturbed
    use = settled[index]
    use = worn(use, round(0.5 / _TAPER_HZ * rate))  # let the band filter's own ringing die
    if marks.cut_start or not marks.keyed:
        use[: round(0.02 * rate)] = False
    if marks.cut_end or not marks.keyed:
        use[-round(0.02 * rate) :] = False
    if use.sum() < 0.1 * rate:
        return None
    carrier = track.carrier[index]
    if marks.keyed and float(np.quantile(marks.off_s - marks.on_s, 0.9)) < _SHORT_ELEMENT_S:
        of_mark = _mark_index(marks.on_s, marks.off_s, t, use)
        level = _level_carrier(carrier, use, of_mark, t, marks)
        if _sweeps(band, level, use, of_mark, t, marks):
            carrier = level
    y = np.zeros(band.size, np.complex64)
    usable = use & (np.abs(carrier) > 1e-3 * marks.amplitude)
    y[usable] = band[usable] / carrier[usable]
    mark = _mark_index(marks.on_s, marks.off_s, t, usable)
    tone = float(np.median(base.path_hz))
    y = _without_what_elements_share(y, usable, mark, marks, t)
    if marks.keyed and marks.on_s.size >= 8:
        usable &= ~_unsettled(y, usable, mark, marks.on_s, t)
    piece = mark if marks.keyed else (t / _PIECE_S).astype(np.int32)
    usable &= ~_outlying(y, usable, piece)
    y[~usable] = 0.0
    return Modulation(
        y=y,
        use=usable,
        mark=mark,
        rate_hz=rate,
        low_hz=max(-BAND_HZ, base.passband_hz[0] - tone),
        high_hz=min(BAND_HZ, base.passband_hz[1] - tone),
        n_marks=int(np.unique(mark[usable]).size),
        lowest_hz=max(_LOWEST_HZ, 2.0 / float(np.quantile(marks.off_s - marks.on_s, 0.9))),
    )


def _level_carrier(carrier: Complex, use: Mask, mark: NDArray[np.int32], t: Real, marks: Marks) -> Complex:
    """A carrier of one amplitude, and in each element one frequency: that of its neighbourhood.

    Short elements are divided by their own mean in any case. A carrier that bends within them would
    bend with their chirp, each time a little otherwise, and leave the difference as noise.
    """
    spans = marks.off_s - marks.on_s
    k = np.maximum(mark, 0)
    settled = use & (mark >= 0) & (t > (marks.on_s + 0.5 * spans)[k]) & (spans > 0.6 * np.quantile(spans, 0.9))[k]
    both = settled[1:] & settled[:-1] & (mark[1:] == mark[:-1])
    turned = np.angle(carrier[1:] * np.conj(carrier[:-1]))[both]
    which = mark[1:][both]
    n = np.bincount(which, minlength=marks.on_s.size)
    hz = np.bincount(which, turned, minlength=marks.on_s.size) / np.maximum(n, 1) / (t[1] - t[0]) / (2 * np.pi)
    known = np.flatnonzero(n > 0)
    if known.size < 3:
        return carrier
    # three neighbours outvote a chance slope, yet a jump of the frequency leaves no element far off
    near = running_median(hz[known], 3)
    nearest = np.abs(np.arange(marks.on_s.size)[:, None] - known[None, :]).argmin(axis=1)
    own = near[nearest][k]
    angle = (2 * np.pi * np.mod(own * t, 1.0)).astype(np.float32)
    out = np.empty_like(carrier)
    out.real, out.imag = marks.amplitude * np.cos(angle), marks.amplitude * np.sin(angle)
    return out


def _sweeps(band: Complex, level: Complex, use: Mask, mark: NDArray[np.int32], t: Real, marks: Marks) -> bool:
    """Whether the elements' average phase sweeps by more than a third of a radian: a strong chirp."""
    k = np.maximum(mark, 0)
    size = marks.on_s.size
    relative = np.where(use, band * np.conj(level), 0.0)
    late = use & (t > (0.5 * (marks.on_s + marks.off_s))[k])
    own = np.bincount(k[late], relative.real[late], size) + 1j * np.bincount(k[late], relative.imag[late], size)
    own /= np.maximum(np.abs(own), 1e-30)
    spans = marks.off_s - marks.on_s
    here = use & (spans > 0.6 * np.quantile(spans, 0.9))[k]
    age = np.maximum(((t[here] - marks.on_s[k[here]]) / _AGE_STEP_S).astype(np.intp), 0)
    turned = relative[here] * np.conj(own[k[here]])
    n = np.bincount(age)
    mean = (np.bincount(age, turned.real) + 1j * np.bincount(age, turned.imag))[n > 0.3 * n.max()]
    return bool(mean.size > 3 and np.ptp(np.unwrap(np.angle(mean))) > _STILL_MOVING_RAD)


def _mark_index(on_s: Real, off_s: Real, t: Real, use: Mask) -> NDArray[np.int32]:
    index = np.searchsorted(on_s, t, side="right") - 1
    inside = use & (index >= 0)
    return np.where(inside, index, -1 if on_s.size else 0).astype(np.int32)


def _without_what_elements_share(
    y: Complex, use: Mask, mark: NDArray[np.int32], marks: Marks, t: Real
) -> Complex:
    """Each element divided by its own mean, less the average course since key-down.

    ``use`` loses what a strong chirp still sweeps.
    """
    out = np.zeros_like(y)
    on_s = marks.on_s
    k = np.maximum(mark, 0)
    count = np.bincount(k[use], minlength=max(on_s.size, 1)).astype(np.float64)
    size = count.size
    if not marks.keyed:
        out[use] = y[use] - 1.0
        return out
    late = use & (t > (0.5 * (on_s + marks.off_s))[k])  # what has settled is the measure of the element
    total = np.bincount(k[late], y.real[late], size) + 1j * np.bincount(k[late], y.imag[late], size)
    mean = total / np.maximum(np.bincount(k[late], minlength=size), 1.0)
    good = use & (np.abs(mean[k]) > 0.1)
    out[good] = y[good] / mean[k[good]] - 1.0
    if on_s.size >= 8:
        out, still = _less_course(out, good, k, marks.off_s - on_s, on_s, t)
        use &= ~still
        good &= ~still
        count = np.bincount(k[good], minlength=size).astype(np.float64)
        out[still] = 0.0
        total = np.bincount(k[good], out.real[good], size) + 1j * np.bincount(k[good], out.imag[good], size)
        out[good] -= (total / np.maximum(count, 1.0))[k[good]].astype(np.complex64)
    return out


def _unsettled(y: Complex, use: Mask, mark: NDArray[np.int32], on_s: Real, t: Real) -> Mask:
    """Samples in the first part of the elements where these scatter more than later on.

    What a gain control or a settling oscillator does just after key-down depends on the gap before, so
    it is not all taken off with the average course; half of an element is given up for it at most.
    """
    k = np.flatnonzero(use)
    age = t[k] - on_s[np.maximum(mark[k], 0)]
    step = np.minimum((age / _AGE_STEP_S).astype(np.intp), 400)
    power = y.real[k].astype(np.float64) ** 2 + y.imag[k].astype(np.float64) ** 2
    n = np.bincount(step)
    mean = np.bincount(step, power) / np.maximum(n, 1)
    enough = n >= 0.3 * n.max()
    if enough.sum() < 4:
        return np.zeros(use.size, bool)
    late = float(np.median(mean[enough]))
    # Hum keeps step with the elements at some speeds, and then ages differ within its period: look at
    # 20 ms at a time. What is left of a mean over dozens of elements' noise scatters by a tenth.
    width = round(0.02 / _AGE_STEP_S)
    first = int(np.argmax(enough))
    course = np.convolve(np.where(enough, mean, late), np.ones(width) / width, mode="valid")
    calm = np.flatnonzero(course[first:] < 1.6 * late)
    last = first + (int(calm[0]) if calm.size else enough.size)
    first_half = np.arange(first, min(last, first + int(0.5 * enough.sum())))
    out = np.zeros(use.size, bool)
    if first_half.size:
        out[k] = step <= first_half[-1]  # the window that is calm begins after it
    return out


def _outlying(y: Complex, use: Mask, piece: NDArray[np.int32]) -> Mask:
    """Pieces that are far from the others: a frequency jump, a dropout or a crash within them.

    Only a few: where more than one in four is so, that is how the signal is.
    """
    k = np.flatnonzero(use)
    which = np.maximum(piece[k], 0)
    n = np.bincount(which)
    power = np.bincount(which, y.real[k].astype(np.float64) ** 2 + y.imag[k].astype(np.float64) ** 2)
    full = n > 0
    mean = power / np.maximum(n, 1)
    # noise averaged over some dozen samples stays within four times its median
    far = full & (mean > 4.0 * np.median(mean[full]))
    out = np.zeros(use.size, bool)
    if full.sum() >= 12 and 0 < far.sum() < full.sum() / 4:
        out[k] = far[which]
    return out


def _less_course(
    out: Complex, good: Mask, k: NDArray[np.int32], spans: Real, on_s: Real, t: Real
) -> tuple[Complex, Mask]:
    """Subtract what the elements do on the average since key-down, dits and dahs apart.

    (Their means, which each was divided by, are taken over different lengths.) Only a settling course
    is taken off, a sum of decaying exponentials: at 15 WPM every element starts at the same phase of
    50 Hz mains, and a freer average would swallow its lines.
    """
    rate = 1.0 / (t[1] - t[0])
    out = out.copy()
    still = np.zeros(out.size, bool)
    long = spans > 0.6 * np.quantile(spans, 0.9)
    for kind in (long, ~long):
        here = good & kind[k]
        if not here.any():
            continue
        age = np.maximum(np.round((t[here] - on_s[k[here]]) * rate).astype(np.intp), 0)
        size = int(age.max()) + 1
        n = np.bincount(age, minlength=size)
        # where few elements last as long, their average is mostly themselves: leave those alone
        known = n >= 8
        if known.sum() < 12:
            continue
        total = np.bincount(age, out.real[here], size) + 1j * np.bincount(age, out.imag[here], size)
        since = np.arange(size) / rate
        shapes = np.stack([np.ones(size), *(np.exp(-since / s) for s in _SETTLING_S)], axis=1)
        mean = 1.0 + total[known] / n[known]
        if np.median(np.abs(mean)) < 0.3:
            continue
        # amplitude and angle apart: a strong chirp turns by a radian, where 1 + am + j pm no longer holds
        course = np.stack([np.abs(mean), np.unwrap(np.angle(mean))], axis=1)
        weight = np.sqrt(n[known])[:, None]
        fitted, *_ = np.linalg.lstsq(shapes[known] * weight, course * weight, rcond=1e-4)
        amplitude, angle = (shapes @ fitted).T
        divisor = np.where(known, np.maximum(amplitude, 0.1) * np.exp(1j * angle), 1.0)
        out[here] = ((1.0 + out[here]) / divisor[age] - 1.0).astype(np.complex64)
        for part, curve in ((out.real, amplitude), (out.imag, angle)):
            part[here] = _less_own_share(part[here], curve[age], k[here])
        moving = known & (np.abs(angle - angle[np.flatnonzero(known)[-1]]) > _STILL_MOVING_RAD)
        if moving.any():
            # elements differ in how they settle: what a strong chirp still sweeps is left out, not judged
            still[here] = age <= int(np.flatnonzero(moving)[-1])
    if (good & ~still).sum() < _LEAST_SETTLED * good.sum():
        still[:] = False  # it never settles: then all of it is judged
    return out, still


def _less_own_share(x: NDArray[np.float32], curve: Real, element: NDArray[np.int32]) -> NDArray[np.float32]:
    """Take off each element's own multiple of the common course, where that course is a large one.

    How far an oscillator is pulled or a supply sags depends on the gap before.
    """
    count = np.maximum(np.bincount(element), 1)
    shape = curve - (np.bincount(element, curve) / count)[element]
    if float(np.std(shape)) < _LARGE_COURSE:
        return x
    energy = np.bincount(element, shape**2)
    multiple = np.bincount(element, x * shape) / np.maximum(energy, 1e-9)
    return (x - multiple[element] * shape).astype(np.float32)


@dataclass(frozen=True)
class _Line:
    """One complex line per side: mean powers and products over blocks, noise-corrected."""

    offset_hz: float
    upper: float
    lower: float
    cross: complex  # mean of U * L
    noise: float  # variance of U (and of L)
    blocks: int


@dataclass(frozen=True)
class Found:
    """Lines in the modulation and what is left without them."""

    lines: Lines
    rest: Complex  # the modulation with all found lines taken out
    singles: tuple[tuple[float, float], ...]  # (offset_hz signed, level_dbc) of single-sided lines


def find_lines(m: Modulation, *, tone_hz: float, additive_mains_hz: float | None) -> Found:
    """All modulation lines between 5 Hz and the passband's edge (1 kHz at most).

    ``additive_mains_hz``: the fundamental of mains hum added in the audio, where any was seen; single
    lines on its grid are that hum, not sidebands.
    """
    y = m.y.copy()
    blocks = _block_slices(m)
    span_s = max((m.use[b].sum() for b in blocks), default=0) / m.rate_hz
    if span_s < 0.2:
        missing = {k: "too little settled key-down time for a spectrum" for k in ("sideband_floor_dbc", "mains_hz")}
        missing["switching_hz"] = missing["mains_hz"]
        return Found(Lines(missing=missing), y, ())
    spectrum = _Periodogram(y, m, blocks)
    mains = _mains_fundamental(spectrum)
    offsets: list[float] = []
    if mains is not None:
        offsets = [k * mains for k in range(1, _MAX_ORDER + 1) if spectrum.stands_out(k * mains, _DETECT / 2)]
        offsets = [f for f in offsets if f < BAND_HZ]
    tracks: list[Real] = []
    if mains is not None and offsets:
        fundamental = spectrum.followed([round(f / mains) for f in offsets[:6]], mains, _WANDER_HZ)
        tracks = [round(f / mains) * fundamental for f in offsets]
    y, fitted = _fit(m.y, m, blocks, offsets, tracks)
    others: list[float] = []
    while len(others) < _MAX_OTHER_LINES:
        spectrum = _Periodogram(y, m, blocks)
        peak = spectrum.strongest(exclude=[*others, *offsets])
        if peak is None:
            break
        others.append(peak)
        tracks.append(spectrum.followed([1], peak, 3 * _WANDER_HZ))
        y, _ = _fit(y, m, blocks, [peak], tracks[-1:])
    if others:
        y, fitted = _fit(m.y, m, blocks, [*offsets, *others], tracks)
    fitted = [*fitted, *_wandering_lines(y, m, [*offsets, *others])]
    floor = spectrum.floor_dbc()
    sidebands, singles = [], []
    for line in fitted:
        side = _sideband(line, mains, m)
        if side is None:
            continue
        if side.nature == "single":
            sign = 1.0 if line.upper > line.lower else -1.0
            at = tone_hz + sign * line.offset_hz
            if additive_mains_hz is not None and _on_grid(at, additive_mains_hz, 0.5):
                continue
            if at < _LOWEST_AUDIO_HZ:
                continue  # direct current and hum, with the keying's own sidebands
            if at > 1.5 * tone_hz and _on_grid(at, tone_hz, 40.0):
                continue  # a harmonic of the tone, with its keying
            if side.family is None or (side.order or 0) > 6:
                singles.append((sign * line.offset_hz, side.level_dbc))
                continue
        sidebands.append(side)
    sidebands = _without_ghosts(sorted(sidebands, key=lambda b: -b.level_dbc))
    family, switching = _other_family(sidebands)
    missing = {}
    if mains is None:
        missing["mains_hz"] = "no sidebands at mains frequencies stand out of the noise"
    if switching is None:
        missing["switching_hz"] = "no second family of equally spaced sidebands was found"
    lines = Lines(
        sidebands=tuple(family),
        sideband_floor_dbc=floor,
        mains_hz=mains,
        mains_hz_sigma=None if mains is None else _mains_sigma(fitted, offsets, m),
        switching_hz=switching,
        blind_hz=_blind_offsets(tone_hz, additive_mains_hz),
        missing=missing,
    )
    return Found(lines, y, tuple(singles))


def _block_slices(m: Modulation) -> list[slice]:
    count = max(1, round(m.y.size / (_COHERENT_S * m.rate_hz)))
    edges = np.linspace(0, m.y.size, count + 1).astype(int)
    slices = [slice(int(a), int(b)) for a, b in pairwise(edges)]
    most = max(int(m.use[s].sum()) for s in slices)
    return [s for s in slices if m.use[s].sum() > 0.2 * most]


class _Periodogram:
    """Block-averaged periodogram of masked modulation, with its noise."""

    def __init__(self, y: Complex, m: Modulation, blocks: list[slice], *, floor_hz: float = 15.0) -> None:
        from scipy import fft

        longest = max(b.stop - b.start for b in blocks)
        self.size = fft.next_fast_len(2 * longest)
        stack = np.zeros((len(blocks), self.size), np.complex64)
        weights = np.array([m.use[b].sum() for b in blocks], np.float64)
        for row, b in zip(stack, blocks, strict=True):
            row[: b.stop - b.start] = y[b]
        spectra = fft.fft(stack, axis=1, workers=-1, overwrite_x=True)
        power = (spectra.real**2 + spectra.imag**2).sum(axis=0, dtype=np.float64) / weights.sum()
        self.bin_hz = m.rate_hz / self.size
        half = min(self.size // 2, int(BAND_HZ / self.bin_hz))
        self.upper = power[: half + 1]
        self.lower = np.concatenate([power[:1], power[-1 : -half - 1 : -1]])
        self.blocks = len(blocks)
        self.each = spectra
        self.weights = weights
        self.effective = float((weights**2).sum() / weights.sum())  # samples that a line adds up over
        self.reach = (max(0.0, -m.low_hz), max(0.0, m.high_hz))
        width = max(5, round(floor_hz / self.bin_hz) | 1)
        step = max(1, width // 60)
        self.noise_upper = _median_floor(self.upper, width, step, self.blocks)
        self.noise_lower = _median_floor(self.lower, width, step, self.blocks)
        self.first = max(2, round(m.lowest_hz / self.bin_hz))

    def pair_ratio(self, f: Real) -> Real:
        """Power over noise of a line pair at exact offsets, interpolated between bins.

        The larger side, but at most ten times the smaller: modulation is never that lopsided, a lone
        carrier beside the tone is. Where the passband cuts one side off, the other stands alone.
        """
        at, bins = f / self.bin_hz, np.arange(self.upper.size)
        upper = np.interp(at, bins, self.upper / self.noise_upper)
        lower = np.interp(at, bins, self.lower / self.noise_lower)
        pair = np.minimum(np.maximum(upper, lower), 10 * np.minimum(upper, lower))
        alone = np.where(self.reach[0] > self.reach[1], lower, upper)
        return np.asarray(np.where(f < min(self.reach), pair, alone))

    def followed(self, orders: list[int], fundamental: float, span_hz: float) -> Real:
        """The fundamental (blocks,) in each block, from all its harmonics together.

        Mains wanders, so each block is searched within ``span_hz`` of the mean; blocks in which the
        lines hardly stand out take what their neighbours say.
        """
        trial = fundamental + np.arange(-span_hz, span_hz + 1e-9, self.bin_hz / 4 / max(orders))
        bins = np.arange(self.upper.size)
        out = np.full(self.blocks, np.nan)
        for row in range(self.blocks):
            one = self.each[row]
            power = (one.real**2 + one.imag**2).astype(np.float64) / self.weights[row]
            both = power[: bins.size] + np.concatenate([power[:1], power[-1 : -bins.size : -1]])
            both /= self.noise_upper + self.noise_lower
            evidence = sum(np.interp(k * trial / self.bin_hz, bins, both) for k in orders)
            near = float(trial[int(np.argmax(evidence))])
            lines = [(k, peak_bin(both, round(k * near / self.bin_hz)) * self.bin_hz) for k in orders]
            weighed = [(k, f, float(both[round(f / self.bin_hz)])) for k, f in lines]
            weighed = [line for line in weighed if line[2] > 12.0]  # places a line to a fifth of its width
            if weighed:
                out[row] = fundamental_from_lines(weighed)
        known = np.flatnonzero(np.isfinite(out))
        if not known.size:
            return np.full(self.blocks, fundamental)
        return np.asarray(np.interp(np.arange(self.blocks), known, out[known]))

    def threshold(self, single: float) -> float:
        """Averaging K blocks narrows the noise: the same false-alarm rate lies lower."""
        k = self.blocks
        return 1.0 + (single - 1.0) / np.sqrt(k) if k > 1 else single

    def stands_out(self, f: float, single: float) -> bool:
        return bool(self.pair_ratio(np.array([f]))[0] > self.threshold(single))

    def strongest(self, exclude: list[float]) -> float | None:
        """Offset of the line with the most power, among those that stand out; None when none does."""
        limit = self.threshold(_DETECT)
        shown = (self.upper > limit * self.noise_upper) | (self.lower > limit * self.noise_lower)
        shown[: self.first] = False
        guard = max(2, round(3.0 / (_COHERENT_S * self.bin_hz)))
        for f in exclude:
            k = round(f / self.bin_hz)
            shown[max(0, k - guard) : k + guard + 1] = False
        if not shown.any():
            return None
        both = np.where(shown, np.maximum(self.upper, self.lower), 0.0)
        k = int(np.argmax(both))
        if both[k] / self.effective < 10 ** (_LEAST_DBC / 10):
            return None
        side = self.upper if self.upper[k] >= self.lower[k] else self.lower
        return float(peak_bin(side, k) * self.bin_hz)

    def floor_dbc(self) -> float:
        """Level of one side that would just have been detected, at a typical offset."""
        noise = float(np.median(np.concatenate([self.noise_upper, self.noise_lower])[self.first :]))
        level = (self.threshold(_DETECT) - 1.0) * noise / self.effective
        return float(10 * np.log10(max(level, 1e-20)))


def _median_floor(power: Real, width: int, step: int, blocks: int) -> Real:
    coarse = power[: power.size // step * step].reshape(-1, step).mean(axis=1) if step > 1 else power
    # the median of a gamma distribution of shape k is about k (1 - 1/(9k))^3 (Wilson & Hilferty)
    shape = blocks * max(1.0, step / 2.0)
    level = running_median(coarse, max(5, width // step | 1)) / (1.0 - 1.0 / (9.0 * shape)) ** 3
    fine = np.repeat(level, step)
    return np.asarray(np.maximum(np.pad(fine, (0, power.size - fine.size), mode="edge"), 1e-20))


def _mains_fundamental(p: _Periodogram) -> float | None:
    """The mains frequency whose harmonics gather the most evidence, or None where none stands out."""
    best, found = 0.0, None
    limit = p.threshold(_DETECT)
    for nominal in _MAINS:
        trial = np.arange(nominal - _MAINS_SPAN_HZ, nominal + _MAINS_SPAN_HZ, p.bin_hz / 16)
        evidence = np.zeros(trial.size)
        seen = np.zeros(trial.size, bool)
        for k in range(1, min(12, int(BAND_HZ / (nominal + _MAINS_SPAN_HZ))) + 1):
            r = p.pair_ratio(k * trial)
            evidence += np.where(r > limit / 2, r, 0.0)  # power over noise: the log-likelihood of a line
            if k <= 4:  # rectified mains is strongest in its first harmonics
                seen |= r > limit
        evidence[~seen] = 0.0
        top = int(np.argmax(evidence))
        if evidence[top] > best:
            best, found = float(evidence[top]), float(trial[top])
    if found is None:
        return None
    orders = [k for k in range(1, 13) if p.pair_ratio(np.array([k * found]))[0] > limit / 2]
    both = p.upper + p.lower
    lines = [
        (k, peak_bin(both, round(k * found / p.bin_hz)) * p.bin_hz, float(p.pair_ratio(np.array([k * found]))[0]))
        for k in orders
    ]
    lines = [line for line in lines if abs(line[1] - line[0] * found) < 2 * p.bin_hz]
    return fundamental_from_lines(lines) if lines else found


def _fit(
    y: Complex, m: Modulation, blocks: list[slice], offsets: list[float], tracks: list[Real]
) -> tuple[Complex, list[_Line]]:
    """Least-squares fit of all line pairs at once in each block: (what is left, the lines).

    ``tracks`` holds each line's frequency (blocks,); within a block it runs straight from the middle
    of the way to the block before to the middle of the way to the one after.
    """
    rest = y.copy()
    if not offsets:
        return rest, []
    n, k = len(blocks), len(offsets)
    hz = np.stack(tracks)
    slope = np.gradient(hz, axis=1) if n > 2 else np.zeros_like(hz)
    amplitude = np.zeros((n, 2 * k), np.complex128)
    spread = np.zeros((n, 2 * k))
    for i, b in enumerate(blocks):
        use = m.use[b]
        span = (b.stop - b.start) / m.rate_hz
        t = np.flatnonzero(use) / m.rate_hz
        cycles = np.outer(t, hz[:, i]) + np.outer((t - span / 2) ** 2 / (2 * span), slope[:, i])
        half = _phasors(cycles)
        e = np.concatenate([half, half.conj()], axis=1)
        data = y[b][use]
        gram = (e.conj().T @ e).astype(np.complex128)
        gram[np.diag_indices(2 * k)] *= 1.0 + 1e-6
        inverse = np.linalg.pinv(gram, rcond=1e-3, hermitian=True)
        amplitude[i] = inverse @ (e.conj().T @ data).astype(np.complex128)
        left = data - e @ amplitude[i].astype(np.complex64)
        piece = rest[b]
        piece[use] = left
        spread[i] = np.real(np.diag(inverse))
    weights = np.array([m.use[b].sum() for b in blocks], np.float64)
    weights /= weights.sum()
    density = _local_noise(rest, m, blocks, offsets)
    lines = []
    for j, f in enumerate(offsets):
        u, v = amplitude[:, j], amplitude[:, j + k]
        noise = float((weights * spread[:, j]).sum()) * density[j]
        lines.append(
            _Line(
                offset_hz=f,
                upper=float((weights * np.abs(u) ** 2).sum()) - noise,
                lower=float((weights * np.abs(v) ** 2).sum()) - noise,
                cross=complex((weights * u * v).sum()),
                noise=noise,
                blocks=n,
            )
        )
    return rest, lines


def _phasors(cycles: Real) -> Complex:
    angle = (2 * np.pi * np.mod(cycles, 1.0)).astype(np.float32)
    e = np.empty(angle.shape, np.complex64)
    e.real, e.imag = np.cos(angle), np.sin(angle)
    return e


def _wandering_lines(y: Complex, m: Modulation, known: list[float]) -> list[_Line]:
    """Lines that wander by hertz, as a switching supply's do: humps in the average over half seconds.

    Their power is the sum over the hump; both sides' products are summed with it, block by block.
    """
    length = round(_WANDERING_BLOCK_S * m.rate_hz)
    blocks = [slice(a, a + length) for a in range(0, y.size - length + 1, length)]
    if not blocks:
        return []
    most = max(int(m.use[b].sum()) for b in blocks)
    blocks = [b for b in blocks if m.use[b].sum() > 0.2 * most]
    # wide enough a floor to pass over the hump with its copies at the keying's own spacing
    p = _Periodogram(y, m, blocks, floor_hz=150.0)
    limit = p.threshold(_DETECT)
    reach = max(2, round(_WANDER_REACH_HZ / p.bin_hz))
    ratio = np.maximum(p.upper / p.noise_upper, p.lower / p.noise_lower)
    ratio[: max(p.first, round(_WANDERING_LOWEST_HZ / p.bin_hz))] = 0.0
    ratio[-reach:] = 0.0
    for f in known:
        k = round(f / p.bin_hz)
        ratio[max(0, k - reach) : k + reach + 1] = 0.0
    out: list[_Line] = []
    while len(out) < _MAX_OTHER_LINES and ratio.max() > limit:
        k = int(np.argmax(ratio))
        hump = np.arange(k - reach, k + reach + 1)
        hump = hump[(hump > 0) & (hump < p.upper.size)]
        ratio[hump] = 0.0
        share = p.bin_hz / m.rate_hz
        upper = float((p.upper[hump] - p.noise_upper[hump]).sum()) * share
        lower = float((p.lower[hump] - p.noise_lower[hump]).sum()) * share
        cross = complex((p.each[:, hump] * p.each[:, -hump]).sum()) * share / float(p.weights.sum())
        noise = float(p.noise_upper[hump].mean() + p.noise_lower[hump].mean()) / 2 * share * hump.size**0.5
        excess = np.maximum(p.upper[hump] + p.lower[hump] - p.noise_upper[hump] - p.noise_lower[hump], 0.0)
        middle = float((excess * hump).sum() / max(excess.sum(), 1e-30)) * p.bin_hz
        out.append(_Line(middle, upper, lower, cross, noise, len(blocks)))
    return out


def _local_noise(rest: Complex, m: Modulation, blocks: list[slice], offsets: list[float]) -> Real:
    """Noise variance per sample, as seen near each offset (mean of both sides)."""
    p = _Periodogram(rest, m, blocks)
    k = np.clip(np.round(np.asarray(offsets) / p.bin_hz).astype(int), 0, p.upper.size - 1)
    return np.asarray(0.5 * (p.noise_upper[k] + p.noise_lower[k]))


def _sideband(line: _Line, mains: float | None, m: Modulation) -> Sideband | None:
    """The line pair in the result's terms, or None where nothing is left above the noise."""
    above, below = line.offset_hz < m.high_hz, line.offset_hz < -m.low_hz  # does the passband hold it?
    upper, lower = max(line.upper, 0.0) * above, max(line.lower, 0.0) * below
    if max(upper, lower) <= 2 * line.noise / np.sqrt(line.blocks):
        return None
    # |U +- conj(L)|^2 = |U|^2 + |L|^2 +- 2 Re(U L)
    both, product = upper + lower, 2 * line.cross.real * (above and below)
    am, pm = max(both + product, 0.0), max(both - product, 0.0)
    share = pm / max(am + pm, 1e-30)
    floor = line.noise / np.sqrt(line.blocks)
    cut = not (above and below)  # the passband takes one of the two sides away
    single = max(upper, lower) > 10 * max(min(upper, lower), floor)
    order = 0 if mains is None else round(line.offset_hz / mains)
    on_mains = mains is not None and order > 0 and abs(line.offset_hz - order * mains) < 0.05 + 0.002 * line.offset_hz
    nature: Nature = "amplitude" if share < 0.1 else "angle" if share > 0.9 else "mixed"
    if single and not (cut and on_mains):
        nature = "single"
    if cut and not on_mains and nature != "single":
        return None  # half a pair, too weak to say what it is
    power = max(upper, lower) if single else 0.5 * both
    sigma = 4.343 * np.sqrt(2 * power * line.noise / line.blocks) / power / (1.0 if single else np.sqrt(2.0))
    family: LineFamily | None = None
    if on_mains:
        family = "mains" if order % 2 else "twice-mains"
    return Sideband(
        offset_hz=line.offset_hz,
        level_dbc=_db(power),
        level_dbc_sigma=float(max(sigma, 0.01)),
        lower_dbc=_db(lower) if lower > floor else None,
        upper_dbc=_db(upper) if upper > floor else None,
        am_index=float(np.sqrt(am)),
        pm_index_rad=_angle_index(float(np.sqrt(pm))),
        angle_share=float(share),
        nature=nature,
        family=family,
        order=order if family else None,
    )


def _db(power: float) -> float:
    return float(10 * np.log10(max(power, 1e-20)))


def _on_grid(hz: float, fundamental: float, within: float) -> bool:
    return abs(hz - fundamental * round(hz / fundamental)) < within


def _without_ghosts(sidebands: list[Sideband]) -> list[Sideband]:
    """Less what a strong line leaves beside itself where its frequency is not fitted to the last digit."""
    kept: list[Sideband] = []
    for b in sidebands:
        if all(abs(a.offset_hz - b.offset_hz) > 3.0 or a.level_dbc - b.level_dbc < 35.0 for a in kept):
            kept.append(b)
    return kept


def _angle_index(ratio: float) -> float:
    """Index beta of which the first pair over the carrier is 2 J1/J0 = ``ratio`` (A&S 9.1; Newton)."""
    if ratio < 0.05:
        return ratio
    from scipy.special import j0, j1

    beta = min(ratio, 1.5)
    for _ in range(20):
        value = 2 * j1(beta) / j0(beta)
        slope = 2 * (1 - j1(beta) / (beta * j0(beta)) + (j1(beta) / j0(beta)) ** 2)
        beta = float(np.clip(beta - (value - ratio) / slope, 1e-6, 2.3))
    return beta


def _mains_sigma(fitted: list[_Line], offsets: list[float], m: Modulation) -> float:
    """Bound on the fundamental from the fitted harmonics, each worth its order squared."""
    information = 0.0
    for line in fitted:
        if line.offset_hz in offsets:
            power = max(line.upper, 0.0) + max(line.lower, 0.0)
            order = max(1, round(line.offset_hz / offsets[0])) if offsets else 1
            information += order**2 * power / max(line.noise, 1e-20) * line.blocks
    # sigma_f = sqrt(6) / (pi T sqrt(E/N)) for one block of T seconds (Rife & Boorstyn 1974, complex data)
    span = min(_COHERENT_S, m.y.size / m.rate_hz)
    return float(np.sqrt(6.0) / (np.pi * span) / np.sqrt(max(2 * information, 1e-9)) / np.sqrt(2.0)) + 1e-4


def _other_family(sidebands: list[Sideband]) -> tuple[list[Sideband], float | None]:
    """Name the strongest equally spaced family outside the mains ones, where two lines agree on it."""
    free = [b for b in sidebands if b.family is None]
    for base in sorted(free, key=lambda b: b.offset_hz):
        members = [
            b for b in free if b is not base and _on_grid(b.offset_hz, base.offset_hz, 0.2 + 0.003 * b.offset_hz)
        ]
        if members:
            named = {id(b) for b in [base, *members]}
            out = [_as_switching(b, base.offset_hz) if id(b) in named else b for b in sidebands]
            return out, base.offset_hz
    return sidebands, None


def _as_switching(b: Sideband, fundamental: float) -> Sideband:
    from dataclasses import replace

    return replace(b, family="switching", order=round(b.offset_hz / fundamental))


def _blind_offsets(tone_hz: float, additive_mains_hz: float | None) -> tuple[float, ...]:
    """Offsets at which the audio's own hum falls upon the tone's mains sidebands."""
    if additive_mains_hz is None or not _on_grid(tone_hz, additive_mains_hz, 3.0):
        return ()
    return tuple(float(k * additive_mains_hz) for k in range(1, 7))


def single_spurs(singles: tuple[tuple[float, float], ...], tone_hz: float) -> tuple[Spur, ...]:
    """Single-sided lines as spurs of the key-down audio."""
    return tuple(Spur(frequency_hz=tone_hz + f, level_dbc=level, when="key-down") for f, level in singles)
