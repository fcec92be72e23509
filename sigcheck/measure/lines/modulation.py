"""Modulation about the tone while the key is down: amplitude and angle against time, gaps left as gaps.

The settled key-down samples, divided by the carrier, are ``1 + am + j pm``. They keep their true times,
so a line is coherent from element to element however short these are. What each element does alike
(its mean, and its average course after the key goes down) is removed: it would otherwise make lines at
multiples of the keying rate.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.audio.cells import path_cycles
from sigcheck.measure.spectrum import phasors, running_median, worn
from sigcheck.measure.track import BAND_HZ, BAND_TAPER_HZ, Baseband, Complex, Marks, Mask, Real, Track

_LOWEST_HZ = 5.0
_AGE_STEP_S = 0.004
_LARGE_COURSE = 0.05  # radian, or of the amplitude: a chirp of some 5 Hz
_PIECE_S = 0.25
_SHORT_ELEMENT_S = 0.6
_STILL_MOVING_RAD = 0.3
_LEAST_SETTLED = 0.1
_ADDITIVE_BLOCK_S = 1.5  # shorter than mains or an oscillator wanders, longer than a word's gap
_HARMONIC_BLOCK_S = 4.0  # a tone that drifts through the filter changes what that does to its harmonics
_SETTLING_SHARE = 0.5
_SETTLING_S = (0.006, 0.018, 0.054, 0.162)


@dataclass(frozen=True)
class AdditiveLine:
    """A line heard while the key is up: its audio frequency and amplitude."""

    hz: float
    amplitude: float


@dataclass(frozen=True)
class Unit:
    """The keying's unit of time: half of the shortest usual time from key-down to key-down."""

    seconds: float
    scatter: float  # of a single such time, relative
    number: int

    def blind_hz(self, order: int, seconds: float) -> float:
        """Half width of the zone about ``order`` half units' rate that the keying itself may fill.

        1.5 over the recording's length, what the unit is not known to (three sigma), and what timing that
        wanders spreads: phases that walk by 2 pi n s at each key-down have a line of half width pi n^2 s^2
        times the rate of key-downs (a Lorentzian; of it three times as much). What is spread wider than
        a keyer wanders stands up no more.
        """
        rate = 0.5 / self.seconds
        unsure = 3 * self.scatter / np.sqrt(self.number) * order * rate
        spread = 3 * np.pi * (order * self.scatter) ** 2 * rate
        return float(1.5 / seconds + min(unsure + spread, (0.01 if order <= 4 else 0.003) * order * rate))


@dataclass(frozen=True)
class Modulation:
    """Settled key-down modulation on a grid of about 2.4 kHz.

    ``y`` complex64 (n,) is am + j pm, zero where ``use`` is false; ``mark`` (n,) the index of the mark
    that each sample belongs to (-1 outside); sample k is at ``k / rate_hz``.
    ``low_hz``, ``high_hz``: the offsets that the passband lets through; ``tone_hz``: where the tone lies in the audio.
    """

    y: Complex
    use: Mask
    mark: NDArray[np.int32]
    rate_hz: float
    low_hz: float
    high_hz: float
    tone_hz: float
    n_marks: int
    keyed: bool
    gain: Real  # (n,) the carrier's own amplitude over its rms, where used: additive noise is even in ``y * gain``
    age: Real  # (n,) seconds since key-down, where used
    unit: Unit | None = None  # of machine keying: dit and gap are one each
    lowest_hz: float = _LOWEST_HZ  # elements hold no slower modulation

    @property
    def seconds(self) -> float:
        """Settled key-down time that is used."""
        return np.count_nonzero(self.use) / self.rate_hz


def modulation(
    track: Track, disturbed: Mask | None = None, additive: tuple[AdditiveLine, ...] = ()
) -> Modulation | None:
    """Modulation of the track, or None where less than a tenth of a second is settled.

    ``disturbed`` (n,) on the track's grid marks bursts of static: they are no modulation of the tone.
    ``additive``: lines heard at key-up too, other carriers and hum in the audio; they are taken out of a
    keyed signal, for in its elements' means they would leave copies of themselves beside.
    """
    base, marks = track.base, track.marks
    band, rate = track.band
    times = np.arange(band.size) / rate
    index = np.minimum((times * base.rate_hz + 0.5).astype(np.intp), base.z.size - 1)
    settled = marks.settled if disturbed is None else marks.settled & ~disturbed
    use = worn(settled[index], round(0.2 / BAND_TAPER_HZ * rate))  # let the band filter's own ringing die
    if marks.cut_start or not marks.keyed:
        use[: round(0.02 * rate)] = False
    if marks.cut_end or not marks.keyed:
        use[-round(0.02 * rate) :] = False
    at = np.flatnonzero(use)
    if at.size < 0.1 * rate:
        return None
    # from here on only the used samples are looked at
    carrier = followed = track.carrier[index[at]]
    strong = np.abs(carrier) > 1e-3 * marks.amplitude
    if not strong.all():
        at, carrier = at[strong], carrier[strong]
        followed = carrier
    seen = _Seen(at, times[at], _mark_index(marks.on_s, times[at]), rate)
    heard = band[at]
    if marks.keyed and float(np.quantile(marks.off_s - marks.on_s, 0.9)) < _SHORT_ELEMENT_S:
        level = _level_carrier(carrier, seen, marks)
        if _sweeps(heard, level, seen, marks):
            carrier = level
    y = heard * _inverse(carrier)
    away = _path_cycles(base, seen.t)
    y = _less_harmonics(y, seen.t, away, followed, track.tone_hz)
    if marks.keyed and additive:
        y = _less_additive(y, seen, away, carrier, additive)
    y, good = _without_what_elements_share(y, seen, marks)
    if marks.keyed and marks.on_s.size >= 8:
        good &= ~_unsettled(y, good, seen, marks.on_s)
    good &= ~_outlying(y, good, seen.starts if marks.keyed else _block_starts(seen.t, _PIECE_S, 0.0))
    usable = np.zeros(band.size, bool)
    usable[at] = good
    tone = base.middle_hz

    def whole(values: NDArray[np.generic], elsewhere: int = 0) -> NDArray[Any]:
        """Values of the used samples on the whole grid."""
        out = np.full(band.size, elsewhere, values.dtype)
        out[at] = values
        return out

    return Modulation(
        y=whole(y * good),
        use=usable,
        mark=whole(seen.mark, -1),
        rate_hz=rate,
        low_hz=max(-BAND_HZ, base.passband_hz[0] - tone),
        high_hz=min(BAND_HZ, base.passband_hz[1] - tone),
        tone_hz=tone,
        n_marks=runs_of_marks(seen.mark[good]),
        keyed=marks.keyed,
        gain=whole(_gain(carrier, good)),
        age=whole((seen.t - marks.on_s[np.maximum(seen.mark, 0)]).astype(np.float32)),
        unit=_unit(marks) if marks.keyed else None,
        lowest_hz=max(_LOWEST_HZ, 2.5 / float(np.quantile(marks.off_s - marks.on_s, 0.9))),
    )


@dataclass(frozen=True)
class _Seen:
    """The samples that are looked at: places on the grid of ``rate_hz``, times, marks; all (m,), rising."""

    at: NDArray[np.intp]
    t: Real
    mark: NDArray[np.int32]
    rate_hz: float

    @cached_property
    def k(self) -> NDArray[np.int32]:
        """The mark of each, that before the first counted to it."""
        return np.maximum(self.mark, 0)

    @cached_property
    def starts(self) -> NDArray[np.intp]:
        """Where each mark's samples begin."""
        return np.concatenate([[0], np.flatnonzero(np.diff(self.mark)) + 1])

    @cached_property
    def lengths(self) -> NDArray[np.intp]:
        """How many each mark has."""
        return np.diff(np.append(self.starts, self.mark.size))

    def sums(self, x: NDArray[Any]) -> NDArray[Any]:
        """Sum over each mark that has samples."""
        return np.asarray(np.add.reduceat(x, self.starts, axis=0))

    def spread(self, values: NDArray[Any]) -> NDArray[Any]:
        """A value for each mark that has samples, at these."""
        return np.repeat(values, self.lengths, axis=0)


def runs_of_marks(mark: NDArray[np.int32]) -> int:
    """How many marks samples (n,) belong to, those of each being together."""
    return int(np.count_nonzero(np.diff(mark))) + 1 if mark.size else 0


def _gain(carrier: Complex, use: Mask) -> Real:
    size = np.abs(carrier)
    return np.asarray(np.minimum(size / np.sqrt(np.mean(size[use] ** 2)), 2.0) if use.any() else size, np.float32)


def _unit(marks: Marks) -> Unit | None:
    apart = np.diff(marks.on_s)
    if apart.size < 8:
        return None
    short = apart[apart < 1.4 * np.quantile(apart, 0.1)]
    middle = float(np.median(short))
    scatter = 1.4826 * float(np.median(np.abs(short - middle))) / middle  # of a normal variable
    return Unit(middle / 2, scatter, short.size)


def _block_starts(t: Real, block_s: float, from_s: float) -> NDArray[np.intp]:
    """Where blocks of equal time from ``from_s`` on begin in rising times (n,); empty ones are left out."""
    edges = from_s + block_s * np.arange(int((t[-1] - from_s) / block_s) + 1)
    return np.unique(np.searchsorted(t, edges))


def _inverse(x: Complex) -> Complex:
    """1 / x: several times faster than a division by complex values."""
    return np.asarray(x.conj() * (1 / np.abs(x) ** 2), np.complex64)


def _path_cycles(base: Baseband, t: Real) -> Real:
    """Turns of the followed path at times between its samples."""
    path = base.path_hz
    return np.asarray(path[0] * t + path_cycles(base, t * base.rate_hz, float(path[0]), path.size))


def _less_harmonics(y: Complex, t: Real, turns: Real, carrier: Complex, tone_hz: float) -> Complex:
    """Used samples less the tone's own harmonics, which turn with it, and the audio's mean.

    In the gaps' pattern they leave side lobes a dit rate apart, also from beyond the band that is searched.
    """
    unit = carrier * (1 / np.maximum(np.abs(carrier), 1e-30))
    once = np.asarray(phasors(turns) * unit, np.complex64)
    starts = _block_starts(t, _HARMONIC_BLOCK_S, t[0])
    lengths = np.diff(np.append(starts, t.size))
    # the tone itself, 1 here, makes no whole number of turns in a block: a share of it would be left
    out, wave = y - np.complex64(1.0), once.conj()  # 0 Hz is as far below the tone as 2 f is above
    for order in range(int((BAND_HZ + BAND_TAPER_HZ) / max(tone_hz, 100.0)) + 1):
        size = (np.add.reduceat(out * wave.conj(), starts) / lengths).astype(np.complex64)
        out -= wave * np.repeat(size, lengths)
        wave = once if order == 0 else wave * once
    return np.asarray(out + np.complex64(1.0), np.complex64)


def _less_additive(
    y: Complex, seen: _Seen, turns: Real, carrier: Complex, additive: tuple[AdditiveLine, ...]
) -> Complex:
    """Used samples less the additive lines, as each shows in some seconds of the elements' own differences.

    A line that is stronger than at key-up (where a gain control only lifts it) is more than additive, and stays.
    """

    def centred(x: Complex) -> Complex:
        mean = (seen.sums(x).T / seen.lengths).T
        return np.asarray(x - seen.spread(mean), np.complex64)

    t = seen.t
    cycles = np.outer(t, [line.hz for line in additive]) - turns[:, None]
    wave = phasors(cycles) * _inverse(carrier)[:, None]
    basis, data = centred(wave), centred(y)
    size, middle = [], []
    bounds = [*_block_starts(t, _ADDITIVE_BLOCK_S, t[0]).tolist(), t.size]
    for here in (slice(a, b) for a, b in pairwise(bounds)):
        if here.stop - here.start < 40 * len(additive):
            continue
        size.append(np.linalg.lstsq(basis[here], data[here], rcond=1e-2)[0])
        middle.append(float(t[here].mean()))
    if not size:
        return y
    course = np.array(size)
    out = y.copy()
    for i, line in enumerate(additive):
        heard = float(np.sqrt(np.mean(np.abs(course[:, i]) ** 2)))
        if heard < 1.4 * line.amplitude:
            out -= wave[:, i] * (np.interp(t, middle, course[:, i].real) + 1j * np.interp(t, middle, course[:, i].imag))
    return np.asarray(out, np.complex64)


def _level_carrier(carrier: Complex, seen: _Seen, marks: Marks) -> Complex:
    """A carrier of one amplitude, and in each element one frequency: that of its neighbourhood.

    Short elements are divided by their own mean in any case. A carrier that bends within them would
    bend with their chirp, each time a little otherwise, and leave the difference as noise.
    """
    spans = marks.off_s - marks.on_s
    long = spans > 0.6 * np.quantile(spans, 0.9)
    settled = long[seen.k] & (seen.mark >= 0) & (seen.t > (marks.on_s + 0.5 * spans)[seen.k])
    j = np.flatnonzero(settled[1:] & settled[:-1] & (np.diff(seen.mark) == 0) & (np.diff(seen.at) == 1))
    turned = np.angle(carrier[j + 1] * np.conj(carrier[j]))
    n = np.bincount(seen.mark[j], minlength=marks.on_s.size)
    hz = np.bincount(seen.mark[j], turned, minlength=marks.on_s.size) / np.maximum(n, 1) * seen.rate_hz / (2 * np.pi)
    known = np.flatnonzero(n > 0)
    if known.size < 3:
        return carrier
    # three neighbours outvote a chance slope, yet a jump of the frequency leaves no element far off
    near = running_median(hz[known], 3)
    nearest = np.searchsorted(0.5 * (known[1:] + known[:-1]), np.arange(marks.on_s.size))
    return np.asarray(phasors(near[nearest][seen.k] * seen.t) * np.float32(marks.amplitude))


def _sweeps(heard: Complex, level: Complex, seen: _Seen, marks: Marks) -> bool:
    """Whether the elements' average phase sweeps by more than a third of a radian: a strong chirp."""
    relative = heard * np.conj(level)
    late = seen.t > (0.5 * (marks.on_s + marks.off_s))[seen.k]
    own = seen.sums(relative * late)
    own /= np.maximum(np.abs(own), 1e-30)
    spans = marks.off_s - marks.on_s
    here = (spans > 0.6 * np.quantile(spans, 0.9))[seen.k]
    age = np.maximum(((seen.t - marks.on_s[seen.k])[here] / _AGE_STEP_S).astype(np.intp), 0)
    turned = (relative * np.conj(seen.spread(own)))[here]
    n = np.bincount(age)
    mean = (np.bincount(age, turned.real) + 1j * np.bincount(age, turned.imag))[n > 0.3 * n.max()]
    return bool(mean.size > 3 and np.ptp(np.unwrap(np.angle(mean))) > _STILL_MOVING_RAD)


def _mark_index(on_s: Real, t: Real) -> NDArray[np.int32]:
    """The mark that has begun last at each of rising times; -1 before the first."""
    lengths = np.diff(np.searchsorted(t, on_s), prepend=0, append=t.size)
    return np.repeat(np.arange(-1, on_s.size, dtype=np.int32), lengths)


def _without_what_elements_share(y: Complex, seen: _Seen, marks: Marks) -> tuple[Complex, Mask]:
    """Each element divided by its own mean, less the average course since key-down; and what is left to be used.

    What a strong chirp still sweeps is not.
    """
    if not marks.keyed:
        return y - np.complex64(1.0), np.ones(y.size, bool)
    late = seen.t > (0.5 * (marks.on_s + marks.off_s))[seen.k]  # what has settled is the measure of the element
    mean = seen.sums(y * late) / np.maximum(seen.sums(late.astype(np.intp)), 1)
    heard = np.abs(mean) > 0.1
    good = seen.spread(heard)
    out = (y * seen.spread((1 / np.where(heard, mean, 1.0)).astype(np.complex64)) - np.complex64(1.0)) * good
    used = np.ones(y.size, bool)
    if marks.on_s.size >= 8:
        still = _less_course(out, good, seen, marks)
        used &= ~still
        good &= used
        out[still] = 0.0
        mean = seen.sums(out * good) / np.maximum(seen.sums(good.astype(np.intp)), 1)
        out -= seen.spread(mean.astype(np.complex64)) * good
    return out, used


def _unsettled(y: Complex, use: Mask, seen: _Seen, on_s: Real) -> Mask:
    """Samples in the first part of the elements where these scatter more than later on.

    What a gain control or a settling oscillator does just after key-down depends on the gap before, so
    it is not all taken off with the average course; half of an element is given up for it at most.
    """
    step = np.minimum(((seen.t - on_s[seen.k]) / _AGE_STEP_S).astype(np.intp), 400)
    n = np.bincount(step[use])
    mean = np.bincount(step[use], _power(y)[use]) / np.maximum(n, 1)
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
    if not first_half.size:
        return np.zeros(use.size, bool)
    return np.asarray(use & (step <= first_half[-1]))  # the window that is calm begins after it


def _power(y: Complex) -> Real:
    return y.real.astype(np.float64) ** 2 + y.imag.astype(np.float64) ** 2


def _outlying(y: Complex, use: Mask, starts: NDArray[np.intp]) -> Mask:
    """Pieces that are far from the others: a frequency jump, a dropout or a crash within them.

    Only a few: where more than one in four is so, that is how the signal is. ``starts`` is where the pieces begin.
    """
    n = np.add.reduceat(use.astype(np.intp), starts)
    power = np.add.reduceat(_power(y) * use, starts)
    full = n > 0
    mean = power / np.maximum(n, 1)
    # noise averaged over some dozen samples stays within four times its median
    far = full & (mean > 4.0 * np.median(mean[full]))
    if full.sum() < 12 or not 0 < far.sum() < full.sum() / 4:
        return np.zeros(use.size, bool)
    return np.asarray(use & np.repeat(far, np.diff(starts, append=use.size)))


def _less_course(out: Complex, good: Mask, seen: _Seen, marks: Marks) -> Mask:
    """Subtract in ``out`` what the elements do on the average since key-down, dits and dahs apart.

    Returns what a strong chirp still sweeps.

    (Their means, which each was divided by, are taken over different lengths.) Only a settling course
    is taken off, a sum of decaying exponentials: at 15 WPM every element starts at the same phase of
    50 Hz mains, and a freer average would swallow its lines.
    """
    spans = marks.off_s - marks.on_s
    ages = np.maximum(np.round((seen.t - marks.on_s[seen.k]) * seen.rate_hz).astype(np.intp), 0)
    still = np.zeros(out.size, bool)
    long = spans > 0.6 * np.quantile(spans, 0.9)
    settles: list[bool] | None = None
    for kind in (long, ~long):
        here = np.flatnonzero(good & kind[seen.k])
        if not here.size:
            continue
        x, age = out[here], ages[here]
        size = int(age.max()) + 1
        n = np.bincount(age, minlength=size)
        # where few elements last as long, their average is mostly themselves: leave those alone
        known = n >= 8
        if known.sum() < 12:
            continue
        total = np.bincount(age, x.real, size) + 1j * np.bincount(age, x.imag, size)
        since = np.arange(size) / seen.rate_hz
        shapes = np.stack([np.ones(size), *(np.exp(-since / s) for s in _SETTLING_S)], axis=1)
        mean = 1.0 + total[known] / n[known]
        if np.median(np.abs(mean)) < 0.3:
            continue
        # amplitude and angle apart: a strong chirp turns by a radian, where 1 + am + j pm no longer holds
        course = np.stack([np.abs(mean), np.unwrap(np.angle(mean))], axis=1)
        weight = np.sqrt(n[known])[:, None]
        fitted, *_ = np.linalg.lstsq(shapes[known] * weight, course * weight, rcond=1e-4)
        curves = shapes @ fitted
        scatter = [
            float(np.mean(np.bincount(age, part**2, size)[known] / n[known] ** 2 - middle**2 / n[known]))
            for part, middle in ((x.real, mean.real - 1.0), (x.imag, mean.imag))
        ]
        if kind is long or settles is None:
            settles = [_settles(course[:, c], curves[known, c], n[known], scatter[c]) for c in (0, 1)]
        for column in (0, 1):
            # hum in step with the elements shows in their average too: it is no settling, and stays. In a
            # short element any wave looks like settling, so the long ones decide for both.
            if not settles[column]:
                curves[:, column] = np.average(course[:, column], weights=n[known])
        amplitude, angle = curves.T
        factor = np.where(known, np.exp(-1j * angle) / np.maximum(amplitude, 0.1), 1.0).astype(np.complex64)
        x = ((1.0 + x) * factor[age] - 1.0).astype(np.complex64)
        for part, curve in ((x.real, amplitude), (x.imag, angle)):
            part[:] = _less_own_share(part, curve[age], seen.mark[here])
        out[here] = x
        moving = known & (np.abs(angle - angle[np.flatnonzero(known)[-1]]) > _STILL_MOVING_RAD)
        if moving.any():
            # elements differ in how they settle: what a strong chirp still sweeps is left out, not judged
            still[here] = age <= int(np.flatnonzero(moving)[-1])
    if (good & ~still).sum() < _LEAST_SETTLED * good.sum():
        still[:] = False  # it never settles: then all of it is judged
    return still


def _settles(course: Real, curve: Real, n: NDArray[np.intp], noise: float) -> bool:
    """Whether a settling curve explains most of the elements' average course, noise (variance) apart."""
    middle = np.average(course, weights=n)
    whole = float(np.average((course - middle) ** 2, weights=n)) - noise
    explained = float(np.average((curve - middle) ** 2, weights=n))
    return explained > _SETTLING_SHARE * whole


def _less_own_share(x: NDArray[np.float32], curve: Real, element: NDArray[np.int32]) -> NDArray[np.float32]:
    """Take off each element's own multiple of the common course, where that course is a large one.

    How far an oscillator is pulled or a supply sags depends on the gap before. ``element`` is rising.
    """
    starts = np.concatenate([[0], np.flatnonzero(np.diff(element)) + 1])
    lengths = np.diff(np.append(starts, element.size))
    shape = curve - np.repeat(np.add.reduceat(curve, starts) / lengths, lengths)
    if float(np.std(shape)) < _LARGE_COURSE:
        return x
    energy = np.add.reduceat(shape**2, starts)
    multiple = np.add.reduceat(x * shape, starts) / np.maximum(energy, 1e-9)
    return (x - np.repeat(multiple, lengths) * shape).astype(np.float32)
