"""The noise away from the tone: what is additive, how it bursts, and how a gain control moves it at key-up."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sigcheck.measure.results import Bursts
from sigcheck.measure.spectrum import hann, slice_band
from sigcheck.measure.track import Complex, Mask, Real, Track

_RECOVERY_SHOWS_DB = 3.0
_MASKED_NOISE = 4.0  # 6 dB: no gain control recovers so far within some 10 ms
_GUSTY = 1.2
_OWN_NOISE = 0.7  # 1.5 dB: what a few hundred samples of 15 ms each leave to chance, and the filter's slope
_MANY = 50_000  # samples: their median is within half a per cent
_TONE_CLEAR_HZ = 200.0  # keying spreads a tone this far, 40 dB or more down


@dataclass(frozen=True)
class NoiseCourse:
    """Noise power in steps of a millisecond, over its own floor of the moment."""

    t: Real
    over: Real
    step_s: float


def _course(stream: Complex, rate_hz: float) -> NoiseCourse:
    step = max(1, round(0.001 * rate_hz))
    n = stream.size // step
    power = (stream.real**2 + stream.imag**2)[: n * step].reshape(n, step).mean(axis=1, dtype=np.float64)
    # the floor follows the gain control: medians of some 60 ms, which bursts at the mains rate leave alone
    width = max(5, round(0.06 * rate_hz / step))
    whole = n // width
    if whole >= 2:
        ordered = np.sort(power[: whole * width].reshape(whole, width), axis=1)  # faster than medians of rows
        medians = 0.5 * (ordered[:, (width - 1) // 2] + ordered[:, width // 2])
        floor = np.interp(np.arange(n), (np.arange(whole) + 0.5) * width, medians)
    else:
        floor = np.full(n, np.median(power) if n else 1.0)
    floor = floor / (np.log(2.0) if step == 1 else 1 - 1 / (9 * step * 0.6))
    usual = float(np.median(floor)) if n else 1.0
    return NoiseCourse(
        t=(np.arange(n) + 0.5) * step / rate_hz,
        over=power / np.maximum(floor, max(1e-3 * usual, 1e-30)),
        step_s=step / rate_hz,
    )

_LINE_WIDTH_HZ = 5.0
_LEAST_LEFT = 0.3  # of the band: less would be its skirts alone
_LINE_OVER_NOISE = 5.0  # in 5 Hz a recording of some seconds averages noise enough to stay below
_LINE_SIDES_HZ = 40.0  # a keyed station's sidebands at 20 WPM are 25 dB down there


@dataclass(frozen=True)
class FarNoise:
    """Noise in the passband away from the tone.

    Densities in the convention of :mod:`sigcheck.measure.track`; None where not to be heard.
    """

    down: float | None
    down_samples: int
    just_up: float | None  # 5..20 ms after key-up, before a gain control recovers
    late_up: float | None
    width_hz: float
    stream: Complex
    rate_hz: float
    course: NoiseCourse
    gusts: float  # mean power of the noise without the tone over its typical power: bursts raise it

    def with_bursts(self, density: float | None) -> float | None:
        """A typical density raised to the mean, where bursts make that more than noise scatters by itself."""
        return density * self.gusts if density is not None and self.gusts > _GUSTY else density

    @property
    def additive(self) -> float | None:
        """What is there without the tone, at the gain of key-down.

        A strong signal's own noise reaches far from it, and ends with it; lossy coding drops what the tone
        would mask. Then the noise just after key-up is the measure, before a gain control recovers. It is
        heard for moments only, so small differences are left to chance.
        """
        if self.down is None or self.just_up is None:
            return self.down
        unlike = self.just_up < _OWN_NOISE * self.down or self.just_up > _MASKED_NOISE * self.down
        return self.just_up if unlike else self.down


def far_noise(track: Track) -> FarNoise | None:
    """Noise beyond 200 Hz from the tone, on the wider side of the passband; None without such a side."""
    base, marks = track.base, track.marks
    low, high = base.passband_hz
    tone = track.tone_hz
    swing = float(np.ptp(base.path_hz)) / 2
    clear = _TONE_CLEAR_HZ if high - low > 900.0 else 100.0
    below = (max(low + 40.0, 100.0), tone - swing - clear)
    harmonic = 2 * tone - 60.0 if tone > 450.0 else np.inf
    above = (tone + swing + clear, min(high - 40.0, 0.95 * base.rate_hz, harmonic))
    side = max((below, above), key=lambda b: b[1] - b[0])
    width = side[1] - side[0]
    if width < 60.0:
        return None
    taper = min(100.0, max(30.0, width / 4))
    stream, rate = slice_band(base.audio, base.rate_hz, *side, taper_hz=taper)
    stream, left = _without_lines(stream, rate)
    noise_width = left * (width + taper * 0.75)  # two raised-cosine skirts (power 3/8 each)
    times = np.arange(stream.size) / rate
    t = np.minimum((times * base.rate_hz + 0.5).astype(np.intp), base.z.size - 1)
    course = _course(stream, rate)
    power = (stream.real**2 + stream.imag**2) / noise_width
    guard = 1.0 / taper
    down = marks.settled[t]
    up = marks.up[t]
    since_off = _since(marks.off_s, times)
    before_on = _until(marks.on_s, times)
    quiet_gap = ~marks.down[t] & (before_on > 0.005)
    early = quiet_gap & (since_off > 0.005 + 0.5 * guard) & (since_off < 0.02 + 0.5 * guard)
    late = up & (since_off > 0.1) & (before_on > guard)
    return FarNoise(
        down=_typical(power[down]),
        down_samples=int(np.count_nonzero(down)),
        just_up=_typical(power[early]) if marks.keyed else None,
        late_up=_typical(power[late]),
        width_hz=noise_width,
        stream=stream,
        rate_hz=rate,
        course=course,
        gusts=_gusts(course, up if np.count_nonzero(up) > 0.5 * rate else down, rate),
    )


def _without_lines(stream: Complex, rate_hz: float) -> tuple[Complex, float]:
    """The stream without carriers, other stations and hum in it, and the share of the band that is left.

    What stands out of the median of the whole band is no noise; a keyed station's own sidebands go with it.
    Where most of the band stands out, its quietest part is what tells of the noise.
    """
    from scipy import fft

    bins = fft.fft(stream)
    power = bins.real**2 + bins.imag**2
    near = max(1, round(_LINE_WIDTH_HZ / rate_hz * stream.size)) | 1
    padded = np.concatenate([power[-(near // 2) :], power, power[: near // 2]]) if near > 1 else power
    total = np.concatenate([[0.0], np.cumsum(padded, dtype=np.float64)])
    smooth = (total[near:] - total[:-near]) / near
    band = smooth > 0.1 * np.median(smooth)
    lines = smooth > _LINE_OVER_NOISE * np.median(smooth[band])
    reach = max(1, round(_LINE_SIDES_HZ / rate_hz * stream.size))
    edges = np.concatenate([lines[-reach:], lines, lines[:reach]]).astype(np.int64)
    count = np.concatenate([[0], np.cumsum(edges)])
    lines = count[2 * reach + 1 :] > count[: -2 * reach - 1]
    left = 1.0 - float(np.mean(lines[band]))
    if not lines.any():
        return stream, 1.0
    if left < _LEAST_LEFT:
        lines = smooth > np.quantile(smooth[band], _LEAST_LEFT)
        left = _LEAST_LEFT
    return np.asarray(fft.ifft(np.where(lines, 0.0, bins)), np.complex64), left


def _gusts(course: NoiseCourse, use: Mask, rate_hz: float) -> float:
    """Mean of the noise over its own floor of the moment, which a gain control moves."""
    here = use[np.minimum(np.round(course.t * rate_hz).astype(np.intp), use.size - 1)]
    return max(1.0, float(np.mean(course.over[here]))) if here.any() else 1.0


def _typical(power: Real) -> float | None:
    """Noise power that static crashes and clicks do not pull up (median of an exponential)."""
    some = power[:: max(1, power.size // _MANY)]
    return float(np.median(some) / np.log(2.0)) if power.size >= 20 else None


def _since(events_s: Real, t: Real) -> Real:
    """Time since the last of the events, at rising times t; infinite before the first."""
    from_here_on = np.searchsorted(t, events_s, side="left")
    lengths = np.diff(from_here_on, prepend=0, append=t.size)
    return np.asarray(t - np.repeat(np.append(-np.inf, events_s), lengths))


def _until(events_s: Real, t: Real) -> Real:
    """Time until the next of the events, at rising times t; infinite after the last."""
    from_here_on = np.searchsorted(t, events_s, side="right")
    lengths = np.diff(from_here_on, prepend=0, append=t.size)
    return np.asarray(np.repeat(np.append(events_s, np.inf), lengths) - t)


def bursts(far: FarNoise | None, course: NoiseCourse | None, track: Track, bits_used: int | None) -> Bursts:
    """Impulsive noise and the gain control's recovery, from the noise away from the tone.

    ``bits_used`` is the recording's resolution, None where its steps are finer than any noise.
    """
    names = ("burst_over_floor_db", "burst_time_fraction", "burst_rate_hz", "gain_recovery_db", "gain_recovery_s")
    if far is None or course is None:
        return Bursts(missing=dict.fromkeys(names, "the passband leaves no room away from the tone to hear noise in"))
    if bits_used is not None and _below_steps(far, track, 2.0 ** (1 - bits_used)):
        why = f"at key-up the noise is smaller than the steps of {bits_used} bits: what is left of it comes in lumps"
        return Bursts(missing=dict.fromkeys(names, why))
    missing: dict[str, str] = {}
    over, fraction, rate = _burst_figures(course, track, missing)
    recovery = None
    if not track.marks.keyed:
        missing["gain_recovery_db"] = "the tone is steady: the gain has no gap to recover in"
    elif far.just_up is None or far.late_up is None or far.just_up <= 0:
        missing["gain_recovery_db"] = "no gap of more than 0.1 s to see the noise recover in"
    else:
        recovery = float(10 * np.log10(max(far.late_up, 1e-30) / far.just_up))
    seconds = None
    if recovery is None:
        missing["gain_recovery_s"] = missing["gain_recovery_db"]
    elif recovery < _RECOVERY_SHOWS_DB:
        missing["gain_recovery_s"] = "the gain hardly moves at key-up"
    else:
        seconds = _recovery_s(far, track)
        if seconds is None:
            missing["gain_recovery_s"] = "too few gaps are long enough to follow the gain through"
    return Bursts(
        burst_over_floor_db=over,
        burst_time_fraction=fraction,
        burst_rate_hz=rate,
        gain_recovery_db=recovery,
        gain_recovery_s=seconds,
        missing=missing,
    )


def _below_steps(far: FarNoise, track: Track, step: float) -> bool:
    """Whether the noise at key-up is too small to be kept in such steps.

    Half a step of scatter makes the error of rounding a noise of its own, whatever is rounded; less does not.
    """
    density = far.late_up if far.late_up is not None else far.just_up
    if not track.marks.keyed or density is None:
        return False
    low, high = track.base.passband_hz
    return float(np.sqrt(density * (high - low) / 2)) < 0.5 * step  # a sine of amplitude A has power A^2 here


def noise_course(far: FarNoise | None) -> NoiseCourse | None:
    """Course of the noise away from the tone; None where there is no such noise."""
    return None if far is None else far.course


def disturbed(course: NoiseCourse | None, track: Track) -> Mask:
    """Where bursts 10 dB over the noise floor fall (track's grid), some milliseconds about them included."""
    n = track.base.z.size
    if course is None:
        return np.zeros(n, bool)
    hit = course.over > 10.0
    reach = max(1, round(0.004 / course.step_s))
    if not hit.any():
        return np.zeros(n, bool)
    wide = np.convolve(hit, np.ones(2 * reach + 1), mode="same") > 0.5
    starts = np.ceil(np.arange(1, wide.size) * (course.step_s * track.base.rate_hz) - 1e-6).astype(np.intp)
    found: Mask = np.repeat(wide, np.diff(np.minimum(starts, n), prepend=0, append=n))
    # noise alone exceeds 10 dB now and then: a few moments less do no harm, half of the signal would
    settled = track.marks.settled
    much = np.count_nonzero(found & settled) >= 0.5 * np.count_nonzero(settled)
    return np.zeros(n, bool) if much else found


def _recovery_s(far: FarNoise, track: Track) -> float | None:
    """Time constant of the gain's rise in dB after key-up, from the noise's typical course in the gaps.

    Fitted over ages up to a second: level(t) = end - rise exp(-t / tau), least squares in dB, tau on a grid.
    """
    t = np.arange(far.stream.size) / far.rate_hz
    since, until = _since(track.marks.off_s, t), _until(track.marks.on_s, t)
    power = far.stream.real**2 + far.stream.imag**2
    edges = np.concatenate([[0.005 + 0.5 / 60.0], np.geomspace(0.02, 1.5, 18)])
    base, marks = track.base, track.marks
    gap = ~marks.down[np.minimum((t * base.rate_hz).astype(np.intp), marks.down.size - 1)]
    use = gap & (until > 0.01) & (since > edges[0]) & (since < edges[-1])
    which = np.searchsorted(edges, since[use], side="right") - 1
    order = np.argsort(which, kind="stable")
    parts = np.split(power[use][order], np.cumsum(np.bincount(which[order], minlength=edges.size - 1))[:-1])
    enough = [k for k, part in enumerate(parts[: edges.size - 1]) if part.size >= 30]
    if len(enough) < 5:
        return None
    age = np.sqrt(edges[:-1] * edges[1:])[enough]
    level = np.array([10 * np.log10(np.median(parts[k]) / np.log(2.0) + 1e-30) for k in enough])
    weight = np.sqrt([min(parts[k].size, 2000) for k in enough])
    best: tuple[float, float] | None = None
    for tau in np.geomspace(0.01, 3.0, 60):
        shape = np.stack([np.ones(age.size), -np.exp(-age / tau)], axis=1) * weight[:, None]
        _, misfit, *_ = np.linalg.lstsq(shape, level * weight, rcond=None)
        if misfit.size and (best is None or float(misfit[0]) < best[0]):
            best = float(misfit[0]), float(tau)
    return None if best is None or best[1] > 2 * age[-1] else best[1]


def _burst_figures(
    course: NoiseCourse, track: Track, missing: dict[str, str]
) -> tuple[float | None, float | None, float | None]:
    t = course.t
    index = np.minimum((t * track.base.rate_hz).astype(np.intp), track.base.z.size - 1)
    up = track.marks.up
    use = up[index] if np.count_nonzero(up) > 2 * track.base.rate_hz else np.ones(t.size, bool)
    if track.marks.keyed:
        use &= (_since(track.marks.off_s, t) > 0.03) & (_until(track.marks.on_s, t) > 0.02)
    if use.sum() < 500 or not np.any(course.over[use] > 0):
        why = "less than half a second of noise without the signal"
        missing.update(dict.fromkeys(("burst_over_floor_db", "burst_time_fraction", "burst_rate_hz"), why))
        return None, None, None
    ratio = course.over[use]
    burst = ratio > 10.0
    fraction = float(burst.mean())
    # what Gaussian noise does by itself: powers of n samples' mean follow a gamma distribution
    if fraction < 2e-3:
        missing["burst_over_floor_db"] = "no more bursts 10 dB over the noise floor than noise makes by itself"
        missing["burst_rate_hz"] = missing["burst_over_floor_db"]
        return None, fraction, None
    over = float(10 * np.log10(np.median(ratio[burst])))
    rate = _burst_rate(np.log(np.clip(ratio, 0.5, 100.0)), 1.0 / course.step_s)
    if rate is None:
        missing["burst_rate_hz"] = "the bursts come at random: no rate stands out"
    return over, fraction, rate


def _burst_rate(level: Real, rate_hz: float) -> float | None:
    """Repetition rate between 40 and 130 Hz of the level (gaps closed up: good for long stretches only)."""
    from scipy import fft

    length = min(level.size, 2048)
    frames = level[: level.size // length * length].reshape(-1, length)
    centred = (frames - frames.mean(axis=1, keepdims=True)) * hann(length)
    spectrum = (np.abs(fft.rfft(centred, axis=1)) ** 2).mean(axis=0)
    f = np.arange(spectrum.size) * rate_hz / length
    inside = (f > 40.0) & (f < 130.0)
    if not inside.any():
        return None
    k = int(np.argmax(np.where(inside, spectrum, 0.0)))
    return float(f[k]) if spectrum[k] > 12 * float(np.median(spectrum[inside])) else None
