"""Keying: where the key is down, and what the envelope looks like.

Segmentation. In a band just wide enough for the keying the complex samples are nearly independent;
each tells for key-down against key-up by its log-likelihood ratio (Rice against Rayleigh:
``ln I0(2 a r / s) - a^2 / s`` for envelope r, carrier amplitude a and noise power s). The most likely
two-state course, each change paid for, follows from one clipped running sum (Viterbi's algorithm for
two states). The amplitude is tracked through fading; a single sample's say is bounded, so static does
not break an element. Weak signals are tried again in narrower bands, down to a dit of some seconds.

Definitions. dit_s is half of dit + following gap, so heavy or light weighting leaves it alone. Rise
and fall are 10..90 % of amplitude, read off edges that are aligned at half amplitude, turned to their
element's own phase and averaged as complex numbers, so that noise averages out rather than adding up.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import accumulate
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure import morse
from sigcheck.measure.carrier import turn
from sigcheck.measure.results import Keying
from sigcheck.measure.spectrum import running_median, slice_band
from sigcheck.measure.track import Baseband, Complex, Marks, Mask, Real, Track

if TYPE_CHECKING:
    from sigcheck.measure.surroundings import FarNoise

_BANDS_HZ = (125.0, 40.0, 12.0, 4.0, 1.0)  # half widths: dits of 20 ms, 60 ms, 0.2 s, 0.6 s, 3 s and longer
_CHANGE_COST = 6.0  # nats: an odds of 400 to 1 against a change at any one sample
_LEAST_RATIO = 1.6  # elements of some ten samples are still told from gaps
_CLEAR_RATIO = 20.0  # what shows no keying now shows none in a narrower band
_MOST_SAY = 4.0  # nats that one sample may tell at the most: a crash of static is not an element
_FADE_DB_PER_S = 12.0
_DEEPEST_FADE_DB = 26.0
_WIDE_HZ = 450.0
_EDGE_BAND_HZ = 1000.0


# --- where the key is down ---------------------------------------------------------------------


def segment(base: Baseband) -> Marks:
    """Find the key-down stretches, and whether the signal is keyed at all."""
    best: _Course | None = None
    noise = _noise_course(base)
    for half in _BANDS_HZ:
        course = _course(base, half, noise)
        if course is None or course.ratio < _LEAST_RATIO:
            continue
        best = course
        if _is_keyed(course):
            return _keyed_marks(base, course)
        if course.ratio > _CLEAR_RATIO:
            break
    if best is None:
        return _one_mark(base, 0.0, base.z.size / base.rate_hz)
    on, off = best.on_s, best.off_s
    length = base.z.size / base.rate_hz
    if not on.size:
        return _one_mark(base, 0.0, length)
    return _steady_marks(base, best)


@dataclass(frozen=True)
class _Course:
    """The most likely course of the key in one band."""

    band: Complex
    rate_hz: float
    half_hz: float
    amplitude: Real  # tracked key-down amplitude (m,)
    on_s: Real
    off_s: Real
    ratio: float  # key-down power over the band's noise


def _noise_course(base: Baseband) -> tuple[Real, Real]:
    """Noise density along time (times, densities), read away from the tone.

    A gain control opens at key-up and lifts the noise to what the tone was; it lifts all of the
    passband, and that tells it from a carrier.
    """
    low, high = base.passband_hz
    tone = float(np.median(base.path_hz))
    swing = float(np.ptp(base.path_hz)) / 2
    clear = 200.0 if high - low > 900.0 else 90.0
    sides = ((max(low + 30.0, 80.0), tone - swing - clear), (tone + swing + clear, min(high - 30.0, 0.95 * base.rate_hz)))
    side = max(sides, key=lambda b: b[1] - b[0])
    width = side[1] - side[0]
    whole = np.array([0.0, base.z.size / base.rate_hz])
    if width < 60.0:
        return whole, np.full(2, base.noise_density)
    taper = float(np.clip(width / 4, 30.0, 100.0))
    stream, rate = slice_band(base.audio, base.rate_hz, *side, taper_hz=taper)
    step = max(1, round(0.02 * rate))
    n = stream.size // step
    if n < 8:
        return whole, np.full(2, base.noise_density)
    power = (np.abs(stream[: n * step].reshape(n, step)) ** 2).mean(axis=1, dtype=np.float64)
    # clicks at the edges and static last shorter than the window's half; a gain control moves slower
    density = running_median(power, 7) / (width + 0.75 * taper)
    return (np.arange(n) + 0.5) * step / rate, density


def _course(base: Baseband, half_hz: float, noise_course: tuple[Real, Real]) -> _Course | None:
    band, rate = slice_band(base.z, base.rate_hz, -half_hz, half_hz, taper_hz=max(half_hz * 0.6, 0.5))
    envelope = np.abs(band).astype(np.float64)
    if envelope.size < 8:
        return None
    noise = np.interp(np.arange(envelope.size) / rate, *noise_course) * 2.6 * half_hz
    noise = np.maximum(noise, 1e-30)
    level = _followed_level(envelope, rate, noise, half_hz)
    ratio = float(np.quantile(level**2 / noise, 0.6))
    # Noise may swell in the gaps and leave something of the tone (backwave): count a tenth of the
    # carrier's amplitude as noise, so the decision stays near half amplitude however clean it is.
    s = np.maximum(noise, 0.01 * level**2)
    x = 2 * level * envelope / s
    log_i0 = np.log(np.i0(np.minimum(x, 30.0))) + np.where(x > 30.0, x - 30.0, 0.0)
    say = np.clip(log_i0 - level**2 / s, -_MOST_SAY, _MOST_SAY)
    down = _most_likely(say, _CHANGE_COST)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], down.view(np.int8), [0]])))
    return _Course(band, rate, half_hz, level, edges[::2] / rate, edges[1::2] / rate, ratio)


def _followed_level(envelope: Real, rate: float, noise: Real, half_hz: float) -> Real:
    """Key-down amplitude along time: the upper level of each stretch, carried over gaps and fades."""
    block = max(4, round(max(0.25, 4.0 / half_hz) * rate))
    n = -(-envelope.size // block)
    padded = np.pad(envelope, (0, n * block - envelope.size), mode="edge").reshape(n, block)
    smooth = padded**2
    top = np.quantile(smooth, 0.8, axis=1)
    # the upper fifth of noise alone lies at 1.6 of its mean; of carrier plus noise at about their sum
    here = np.pad(noise, (0, n * block - noise.size), mode="edge").reshape(n, block).mean(axis=1)
    high = np.sqrt(np.maximum(top - 1.6 * here, 0.0))
    whole = float(np.quantile(high, 0.9))
    floor = np.maximum(whole * 10 ** (-_DEEPEST_FADE_DB / 20), 1.2 * np.sqrt(here))
    step = 10 ** (-_FADE_DB_PER_S * block / rate / 20)
    forward = np.array(list(accumulate(high.tolist(), lambda a, b: max(a * step, b))))
    back = np.array(list(accumulate(high[::-1].tolist(), lambda a, b: max(a * step, b))))[::-1]
    # a gap's level is what the weaker neighbour leaves; a lone loud block (static) is bounded by the usual level
    level = np.minimum(np.maximum(np.minimum(forward, back), floor), np.maximum(2.0 * whole, floor))
    centres = (np.arange(n) + 0.5) * block
    return np.interp(np.arange(envelope.size), centres, level)


def _most_likely(say: Real, cost: float) -> Mask:
    """Two-state course with the greatest sum of ``say`` while down, each change costing ``cost``."""
    ahead = list(
        accumulate(say.tolist(), lambda d, v: (cost if d > cost else -cost if d < -cost else d) + v, initial=0.0)
    )[1:]
    down = np.empty(say.size, bool)
    state = ahead[-1] > 0
    for k in range(say.size - 1, -1, -1):
        down[k] = state
        before = ahead[k - 1] if k else 0.0
        if state and before < -cost:
            state = False
        elif not state and before > cost:
            state = True
    return down


def _is_keyed(c: _Course) -> bool:
    """Keying has gaps with steep sides and little in them; fading has valleys, and noise has neither."""
    if c.on_s.size < 2:
        return False
    marks, gaps = c.off_s - c.on_s, c.on_s[1:] - c.off_s[:-1]
    if c.on_s.size == 2 and gaps[0] > 0.3 * (marks.sum() + gaps[0]):
        return False  # one break is no keying
    power = np.abs(c.band) ** 2
    total = np.concatenate([[0.0], np.cumsum(power, dtype=np.float64)])

    def mean_power(start: Real, end: Real) -> Real:
        a = np.clip((start * c.rate_hz).astype(np.intp), 0, power.size - 1)
        b = np.clip((end * c.rate_hz).astype(np.intp), 1, power.size)
        b = np.maximum(b, a + 1)
        return np.asarray((total[b] - total[a]) / (b - a))

    inner = gaps / 4
    in_gap = mean_power(c.off_s[:-1] + inner, c.on_s[1:] - inner)
    side = np.minimum(mean_power(c.on_s[:-1], c.off_s[:-1]), mean_power(c.on_s[1:], c.off_s[1:]))
    depth = float(np.median(side / np.maximum(in_gap, 1e-30)))
    share = float(gaps.sum() / (marks.sum() + gaps.sum()))
    if depth < 3.0 or (share < 0.08 and c.on_s.size < 12):
        return False
    return _steepness(c, gaps) < 0.27


def _steepness(c: _Course, gaps: Real) -> float:
    """Time that the average edge takes between 0.15 and 0.65 of its power, over the median gap.

    Averaging over all edges leaves the noise behind. A fade's valley, straight-sided in amplitude,
    takes 0.42; keying a small part.
    """
    gap = float(np.median(gaps))
    t = np.linspace(-0.5, 0.5, 41) * gap
    power = (np.abs(c.band) ** 2 / c.amplitude**2).astype(np.float64)
    inward = np.concatenate([c.off_s[:-1, None] - t, c.on_s[1:, None] + t])  # t < 0: in the gap
    curve = power[np.clip(np.round(inward * c.rate_hz).astype(np.intp), 0, power.size - 1)]
    mean = np.minimum(curve, 4.0).mean(axis=0)
    low, high = float(mean[:16].min()), float(np.median(mean[30:]))
    if high - low < 0.2:
        return 1.0
    share = (mean - low) / (high - low)
    inside = np.count_nonzero((share > 0.15) & (share < 0.65))
    return float(inside * (t[1] - t[0]) / gap)


def _one_mark(base: Baseband, start: float, end: float) -> Marks:
    n = base.z.size
    t = np.arange(n) / base.rate_hz
    down = (t >= start) & (t < end)
    settled = (t >= start + 0.03) & (t < end - 0.03)
    up = (t < start - 0.1) | (t > end + 0.1)
    band, _ = slice_band(base.z, base.rate_hz, -20.0, 20.0, taper_hz=10.0)
    return Marks(
        keyed=False,
        on_s=np.array([start]),
        off_s=np.array([end]),
        cut_start=start <= 0.05,
        cut_end=end >= n / base.rate_hz - 0.05,
        down=down,
        settled=settled,
        up=up,
        amplitude=float(np.sqrt(np.mean(np.abs(band) ** 2))) if band.size else 0.0,
    )


def _steady_marks(base: Baseband, c: _Course) -> Marks:
    """A steady signal: breaks shorter than a second and shallow valleys closed up."""
    on, off = [float(c.on_s[0])], []
    for end, start in zip(c.off_s[:-1], c.on_s[1:], strict=True):
        if start - end > 1.0:
            off.append(float(end))
            on.append(float(start))
    off.append(float(c.off_s[-1]))
    length = base.z.size / base.rate_hz
    spans = np.array(off) - np.array(on)
    keep = spans > 0.2 * spans.max()  # a blip of noise far off is not the transmission
    on_s, off_s = np.array(on)[keep], np.array(off)[keep]
    on_s[0] = 0.0 if on_s[0] < 0.15 else on_s[0]
    off_s[-1] = length if off_s[-1] > length - 0.15 else off_s[-1]
    guard = 0.03
    down = _inside(on_s, off_s, base)
    settled = _inside(on_s + guard, off_s - guard, base)
    up = ~_inside(on_s - 0.1, off_s + 0.1, base)
    band = np.abs(base.z[settled]) if settled.any() else np.abs(base.z)
    amplitude = float(np.sqrt(max(float(np.mean(np.interp(
        np.flatnonzero(settled) / base.rate_hz, np.arange(c.band.size) / c.rate_hz, np.abs(c.band) ** 2)))
        - base.noise_density * 2.6 * c.half_hz, 0.0))) if settled.any() else float(np.median(band))  # fmt: skip
    return Marks(
        keyed=False,
        on_s=on_s,
        off_s=off_s,
        cut_start=bool(on_s[0] <= 0.0),
        cut_end=bool(off_s[-1] >= length),
        down=down,
        settled=settled,
        up=up,
        amplitude=amplitude,
    )


def _inside(on_s: Real, off_s: Real, base: Baseband) -> Mask:
    n = base.z.size
    out = np.zeros(n + 1, np.int32)
    keep = off_s > on_s
    a = np.clip(np.ceil(on_s[keep] * base.rate_hz).astype(np.intp), 0, n)
    b = np.clip(np.ceil(off_s[keep] * base.rate_hz).astype(np.intp), 0, n)
    np.add.at(out, a, 1)
    np.add.at(out, b, -1)
    return np.cumsum(out[:-1]) > 0


def _keyed_marks(base: Baseband, c: _Course) -> Marks:
    length = base.z.size / base.rate_hz
    marks = c.off_s - c.on_s
    shortest = float(np.quantile(marks, 0.15))
    half = _crossing_half_band(base.noise_density, float(np.median(c.amplitude)), shortest, c.half_hz / 2)
    band, rate = slice_band(base.z, base.rate_hz, -half, half, taper_hz=half / 3)
    envelope = np.abs(band).astype(np.float64)
    level = _mark_levels(envelope, rate, c.on_s, c.off_s, base.noise_density * 2.3 * half)
    reach = min(max(0.02, 1.0 / half), 0.45 * shortest + 1.0 / c.rate_hz)
    cut_start = bool(c.on_s[0] < 1.5 / c.half_hz * 0.2 + 1e-9)
    cut_end = bool(c.off_s[-1] > length - 0.3 / c.half_hz)
    on = _crossings(envelope, rate, c.on_s, level, reach, rising=True)
    off = _crossings(envelope, rate, c.off_s, level, reach, rising=False)
    if cut_start:
        on[0] = 0.0
    if cut_end:
        off[-1] = length
    good = off > on
    on, off, level = on[good], off[good], level[good]
    after_on, before_off, after_off = _guards(envelope, rate, on, off, level, shortest)
    ring = 0.5 / max(base.passband_hz[1] - base.passband_hz[0], 50.0)
    down = _inside(on, off, base)
    settled = _inside(on + after_on + ring, off - before_off, base)
    first, last = on[0], off[-1]
    up = ~_inside(on - before_off - 0.004, off + after_off + ring, base)
    if not settled.any():
        settled = _inside(on + 0.25 * (off - on), off - 0.25 * (off - on), base)
    del first, last
    return Marks(
        keyed=True,
        on_s=on,
        off_s=off,
        cut_start=cut_start,
        cut_end=cut_end,
        down=down,
        settled=settled,
        up=up,
        amplitude=float(np.median(level)),
    )


def _mark_levels(envelope: Real, rate: float, on: Real, off: Real, noise: float) -> Real:
    """Settled amplitude of each mark: rms over its middle half, the noise taken off."""
    total = np.concatenate([[0.0], np.cumsum(envelope**2)])
    span = off - on
    a = np.clip(((on + span / 4) * rate).astype(np.intp), 0, envelope.size - 1)
    b = np.maximum(np.clip(((off - span / 4) * rate).astype(np.intp), 0, envelope.size), a + 1)
    power = (total[b] - total[a]) / (b - a)
    return np.sqrt(np.maximum(power - noise, 0.25 * power))


def _crossings(envelope: Real, rate: float, at: Real, level: Real, reach: float, *, rising: bool) -> Real:
    """Half-amplitude crossings nearest to ``at``, interpolated; ``at`` itself where there is none."""
    m = max(2, int(np.ceil(reach * rate)))
    centre = np.round(at * rate).astype(np.intp)
    k = np.clip(centre[:, None] + np.arange(-m, m + 1), 0, envelope.size - 1)
    over = envelope[k] - 0.5 * level[:, None]
    sign = 1.0 if rising else -1.0
    cross = (sign * over[:, :-1] <= 0) & (sign * over[:, 1:] > 0)
    distance = np.where(cross, np.abs(np.arange(2 * m) - m + 0.5)[None, :], np.inf)
    best = np.argmin(distance, axis=1)
    rows = np.arange(at.size)
    a, b = over[rows, best], over[rows, best + 1]
    step = np.where(np.abs(b - a) > 0, -a / np.where(b == a, 1.0, b - a), 0.5)
    found = np.isfinite(distance[rows, best])
    return np.where(found, (k[rows, best] + np.clip(step, 0.0, 1.0)) / rate, at)


def _guards(envelope: Real, rate: float, on: Real, off: Real, level: Real, shortest: float) -> tuple[float, float, float]:
    """Seconds from half amplitude until the average edge has settled: after on, before off, after off."""
    most = 0.33 * shortest
    n = max(2, int(0.06 * rate))
    step = max(1, on.size // 200)

    def average(at: Real, direction: int) -> Real:
        k = np.clip(np.round(at[::step] * rate).astype(np.intp)[:, None] + direction * np.arange(n), 0, envelope.size - 1)
        return np.asarray(np.median(envelope[k] / level[::step][:, None], axis=0))

    def until(curve: Real, hit: Mask) -> float:
        missed = np.flatnonzero(~hit[: max(2, int(most * rate) + 2)])
        return float((missed[-1] + 1) / rate) if missed.size else 1.0 / rate

    rise, fall, tail = average(on, 1), average(off, -1), average(off, 1)
    floor = float(np.quantile(tail, 0.25))
    after_on = min(until(rise, rise > 0.93), most)
    before_off = min(until(fall, fall > 0.93), most)
    after_off = min(until(tail, tail < floor + 0.07), 0.33 * max(shortest, 0.02)) + 0.002
    return after_on + 0.001, before_off + 0.001, after_off


# --- what the keying is like -------------------------------------------------------------------


def measure_keying(track: Track, far: FarNoise | None = None) -> Keying:
    """Elements, edges, chirp, backwave and bandwidth of a keyed signal.

    ``far``: the noise away from the tone; its rise at key-up tells how far a gain control opens, which
    the backwave is corrected for.
    """
    marks = track.marks
    names = [f for f in Keying.__dataclass_fields__ if f not in ("missing", "character_confidence")]
    if not marks.keyed:
        return Keying(missing=dict.fromkeys(names, "the signal is not keyed"))
    missing: dict[str, str] = {}
    values: dict[str, object] = {"n_elements": int(marks.on_s.size)}
    shortest = float(np.quantile(marks.off_s - marks.on_s, 0.1))
    track = _centred(track)
    _edges(values, missing, track, shortest)
    _text_and_timing(values, missing, marks, _crossing_sigma(track, values.get("rise_s")))
    dit = values.get("dit_s")
    _backwave(values, missing, track, far)
    _bandwidth(values, missing, track, far, dit if isinstance(dit, float) else shortest)
    for name in names:
        if values.get(name) is None and name not in missing and name.removesuffix("_sigma") not in missing:
            missing[name] = "not enough elements"
    return Keying(**values, missing=missing)  # type: ignore[arg-type]


def _crossing_half_band(density: float, amplitude: float, shortest: float, least_hz: float) -> float:
    """Half width of the band that crossings are read in: wide for the edges, narrow against noise."""
    return float(np.clip(amplitude**2 / max(density, 1e-30) / 50.0, max(1.2 / shortest, least_hz), _WIDE_HZ))


def _crossing_sigma(track: Track, rise: object) -> float:
    """Scatter of one half-amplitude crossing that additive noise makes: its rms over the edge's slope."""
    marks, density = track.marks, track.base.noise_density
    half = _crossing_half_band(density, marks.amplitude, float(np.quantile(marks.off_s - marks.on_s, 0.15)), 1.0)
    edge = np.hypot(rise if isinstance(rise, float) else 0.0, 0.45 / half)
    return float(np.sqrt(density * 2.3 * half / 2) / marks.amplitude * edge / 0.8)


def _centred(track: Track) -> Track:
    """The track with its baseband moved so that the refined tone sits at 0 Hz on the average."""
    base = track.base
    offset = track.tone_hz - float(np.mean(base.path_hz[track.marks.down]))
    by = turn(np.full(base.z.size, offset), base.rate_hz)
    return replace(track, base=replace(base, z=base.z * by), carrier=track.carrier * by)


def _text_and_timing(values: dict[str, object], missing: dict[str, str], marks: Marks, crossing_sigma_s: float) -> None:
    decoded = morse.decode(marks.on_s, marks.off_s, cut_start=marks.cut_start, cut_end=marks.cut_end)
    if decoded.text is None:
        missing["text"] = missing["text_confidence"] = decoded.reason or "nothing could be read"
    else:
        values["text"], values["text_confidence"] = decoded.text, decoded.confidence
        values["character_confidence"] = decoded.confidences
    names = ("dit_s", "wpm", "dah_dit_ratio", "weighting", "element_jitter")
    t = decoded.timing
    if t is None or decoded.text is None:
        missing.update(dict.fromkeys(names, "the elements have no dit and dah rhythm that could be read"))
        return
    first = 1 if marks.cut_start else 0
    on, off = marks.on_s[first : first + t.dah.size], marks.off_s[first : first + t.dah.size]
    mark, gap = off - on, on[1:] - off[:-1]
    inner = t.gap == 0
    dits, dahs = ~t.dah, t.dah
    if inner.sum() < 3 or not dits.any():
        missing.update(dict.fromkeys(names, "fewer than three gaps inside characters, or no dit"))
        return
    pair = mark[:-1] + gap
    own = inner & dits[:-1]
    if own.sum() >= 2:
        dit_pair, dit_error = _mean(pair[own])
        share, share_error = _mean(mark[:-1][own] / pair[own])
    else:  # dits end their characters only: take the gap from after the dahs
        (dit, dit_error), (space, space_error) = _mean(mark[dits]), _mean(gap[inner])
        dit_pair, dit_error = dit + space, float(np.hypot(dit_error, space_error))
        share, share_error = dit / dit_pair, dit_error / dit_pair
    values.update(
        dit_s=dit_pair / 2,
        dit_s_sigma=dit_error / 2,
        wpm=2.4 / dit_pair,
        wpm_sigma=2.4 / dit_pair**2 * dit_error,
        weighting=share - 0.5,
        weighting_sigma=share_error,
    )
    own = inner & dahs[:-1]
    if own.sum() >= 2:
        dah_pair, dah_error = _mean(pair[own])
        values["dah_dit_ratio"] = 2 * dah_pair / dit_pair - 1
        values["dah_dit_ratio_sigma"] = 2 * float(np.hypot(dah_error, dah_pair / dit_pair * dit_error)) / dit_pair
    else:
        missing["dah_dit_ratio"] = "fewer than two dahs with a gap inside a character after them"
    jitter, count = _jitter(mark, t.dah, crossing_sigma_s)
    if count < 6:
        missing["element_jitter"] = "fewer than six elements to compare"
    else:
        values["element_jitter"] = jitter
        values["element_jitter_sigma"] = float(max(jitter, crossing_sigma_s / float(np.mean(mark)), 0.01) / np.sqrt(2 * count))


def _mean(x: Real) -> tuple[float, float]:
    """Mean without gross outliers (beyond 4 robust deviations), and its standard error."""
    middle = float(np.median(x))
    spread = max(1.4826 * float(np.median(np.abs(x - middle))), 1e-3 * abs(middle))
    kept = x[np.abs(x - middle) <= 4 * spread]
    error = float(kept.std(ddof=1)) / np.sqrt(kept.size) if kept.size > 1 else 0.1 * abs(middle)
    return float(kept.mean()), max(float(error), 1e-5 * abs(middle))


def _jitter(mark: Real, dah: Mask, crossing_sigma_s: float) -> tuple[float, int]:
    """Relative scatter about the class means, the noise's part of it taken out; and the elements counted."""
    squares, count = 0.0, 0
    for x in (mark[~dah], mark[dah]):
        if x.size < 3:
            continue
        mean, _ = _mean(x)
        spread = 1.4826 * float(np.median(np.abs(x - np.median(x))))
        kept = x[np.abs(x - mean) <= max(4 * spread, 0.02 * mean)]
        squares += max(float(kept.var(ddof=1)) - 2 * crossing_sigma_s**2, 0.0) / mean**2 * kept.size
        count += int(kept.size)
    return (float(np.sqrt(squares / count)), count) if count else (0.0, 0)


_EDGE_NAMES = ("rise_s", "fall_s", "overshoot_db", "droop_db", "chirp_hz", "chirp_settle_s", "broken_starts")


def _edges(values: dict[str, object], missing: dict[str, str], track: Track, shortest: float) -> None:
    base, marks = track.base, track.marks
    tone = track.tone_hz
    low, high = base.passband_hz
    reach = (max(tone - low, 20.0), max(high - tone, 20.0))
    values["rise_limit_s"] = rise_limit(*reach)
    half = min(_EDGE_BAND_HZ, max(reach) * 1.1)
    band, rate = slice_band(base.z, base.rate_hz, -half, half, taper_hz=max(half / 5, 20.0))
    before, after = min(0.03, 0.8 * shortest), min(0.6 * shortest, 0.06)
    usable = np.ones(marks.on_s.size, bool)
    usable[0] &= not marks.cut_start
    usable[-1] &= not marks.cut_end
    reference = _own_phase(band, rate, marks)
    usable &= np.abs(reference) > 0.3 * marks.amplitude
    if usable.sum() < 3:
        missing.update(dict.fromkeys(_EDGE_NAMES, "fewer than three whole elements"))
        return
    rises = _aligned(band, rate, marks.on_s[usable], reference[usable], -before, after)
    falls = _aligned(band, rate, marks.off_s[usable], reference[usable], -after, before)
    groups = np.arange(usable.sum()) % min(8, int(usable.sum()))
    t_on = np.arange(rises.shape[1]) / rate - before
    t_off = np.arange(falls.shape[1]) / rate - after
    noise = float(np.mean(np.abs(rises[:, t_on < -0.6 * before]) ** 2)) / usable.sum()
    if noise > 0.02:
        missing.update(dict.fromkeys(_EDGE_NAMES, "the edges drown in noise even when averaged"))
        return
    for name, curves, t, sign in (("rise_s", rises, t_on, 1.0), ("fall_s", falls, t_off, -1.0)):
        value, sigma = _over_groups(curves, groups, lambda c, t=t, sign=sign: _ten_to_ninety(np.abs(c), sign * t))
        if value is None:
            missing[name] = "the edge does not settle within the shortest element"
        else:
            values[name], values[f"{name}_sigma"] = value, max(sigma, 0.25 / rate * 0.2)
    peak, peak_sigma = _over_groups(rises, groups, lambda c: _overshoot(c, t_on, rate))
    values["overshoot_db"], values["overshoot_db_sigma"] = peak, peak_sigma
    _droop(values, missing, track, band, rate)
    _chirp(values, missing, track, band, rate)
    inside = np.abs(rises)[:, (t_on > 0.002) & (t_on < max(0.33 * shortest, 0.006))]
    quiet = np.sqrt(noise * usable.sum())
    if quiet < 0.12:
        values["broken_starts"] = float(np.mean((inside < 0.35).any(axis=1)))
    else:
        missing["broken_starts"] = "noise hides what single elements do"


def rise_limit(lower_hz: float, upper_hz: float) -> float:
    """10..90 % rise that a passband reaching so far below and above the tone gives a hard edge.

    The envelope's own quadrature-free part passes a low-pass as wide as the nearer edge twice over and
    the farther one once: an ideal band-pass of full width B about its middle gives 0.892/B, the tone off
    the middle about 0.446 over the mean of both reaches (closed form for the brick wall, tone centred).
    """
    return 0.892 / (lower_hz + upper_hz)


def _own_phase(band: Complex, rate: float, marks: Marks) -> NDArray[np.complex128]:
    """Mean complex amplitude of each mark over its last two thirds, away from the edges."""
    total = np.concatenate([[0.0], np.cumsum(band.astype(np.complex128))])
    span = marks.off_s - marks.on_s
    a = np.clip(np.round((marks.on_s + 0.4 * span) * rate).astype(np.intp), 0, band.size - 1)
    b = np.clip(np.round((marks.off_s - 0.2 * span) * rate).astype(np.intp), 0, band.size)
    b = np.maximum(b, a + 1)
    return np.asarray((total[b] - total[a]) / (b - a))


def _aligned(
    band: Complex, rate: float, at: Real, reference: NDArray[np.complex128], start: float, end: float
) -> NDArray[np.complex128]:
    """Stretches of the band about the times ``at``, on a grid centred on each, over their reference."""
    t = at[:, None] + np.arange(round((end - start) * rate) + 1)[None, :] / rate + start
    position = np.clip(t * rate, 0, band.size - 2)
    k = position.astype(np.intp)
    share = position - k
    cut = band[k] * (1 - share) + band[k + 1] * share
    return np.asarray(cut / reference[:, None], np.complex128)


def _over_groups(
    curves: NDArray[np.complex128], groups: NDArray[np.intp], figure: object
) -> tuple[float | None, float]:
    """A figure of the average of all curves, and its standard error by the delete-a-group jackknife."""
    whole = figure(curves.mean(axis=0))  # type: ignore[operator]
    if whole is None:
        return None, 0.0
    count = int(groups.max()) + 1
    left_out = [figure(curves[groups != g].mean(axis=0)) for g in range(count)] if count > 1 else []  # type: ignore[operator]
    kept = np.array([v for v in left_out if v is not None])
    if kept.size < 3:
        return None, 0.0
    return whole, float(np.sqrt((kept.size - 1) / kept.size * ((kept - kept.mean()) ** 2).sum()))


def _ten_to_ninety(level: Real, t: Real) -> float | None:
    """10..90 % time of a curve that rises along t (a falling edge comes with t turned round)."""
    order = np.argsort(t)
    level, t = level[order], t[order]
    settled = float(np.median(level[t > 0.55 * t[-1]])) if t[-1] > 0 else 1.0
    start = float(np.median(level[t < 0.6 * t[0]])) if t[0] < 0 else 0.0
    middle = int(np.argmin(np.abs(t)))
    low, high = start + 0.1 * (settled - start), start + 0.9 * (settled - start)
    below = np.flatnonzero(level[: middle + 1] <= low)
    above = np.flatnonzero(level[middle:] >= high)
    if not below.size or not above.size:
        return None
    i, j = int(below[-1]), middle + int(above[0])
    return float(_cross_at(t, level, j - 1, high) - _cross_at(t, level, i, low))


def _cross_at(t: Real, level: Real, k: int, value: float) -> float:
    k = int(np.clip(k, 0, t.size - 2))
    a, b = level[k], level[k + 1]
    share = (value - a) / (b - a) if b != a else 0.5
    return float(t[k] + np.clip(share, 0.0, 1.0) * (t[k + 1] - t[k]))


def _overshoot(curve: NDArray[np.complex128], t: Real, rate: float) -> float:
    """Peak of the average element after its edge over its settled level, in dB, over 2 ms."""
    width = max(1, round(0.002 * rate))
    level = np.abs(curve)
    smooth = np.convolve(level, np.ones(width) / width, mode="valid")
    later = t[width // 2 : width // 2 + smooth.size]
    peak = float(smooth[later > 0].max())
    settled = float(np.median(level[t > 0.6 * t[-1]]))
    return float(20 * np.log10(max(peak, 1e-6) / max(settled, 1e-6)))


def _long_marks(marks: Marks) -> Mask:
    span = marks.off_s - marks.on_s
    long = span > 0.6 * float(np.quantile(span, 0.9))
    long[0] &= not marks.cut_start
    long[-1] &= not marks.cut_end
    return np.asarray(long)


def _droop(values: dict[str, object], missing: dict[str, str], track: Track, band: Complex, rate: float) -> None:
    """Fall of the level from just after the edge to just before the end, over the longer elements."""
    marks = track.marks
    long = _long_marks(marks)
    if long.sum() < 3:
        missing["droop_db"] = "fewer than three whole long elements"
        return
    span = float(np.min((marks.off_s - marks.on_s)[long]))
    reference = _own_phase(band, rate, marks)[long]
    curves = _aligned(band, rate, marks.on_s[long], reference, 0.0, span)
    n = curves.shape[1]
    skip = max(1, round(min(0.008, 0.15 * span) * rate))

    def fall(curve: NDArray[np.complex128]) -> float:
        early = np.abs(curve[skip : max(skip + 1, n // 4)]).mean()
        late = np.abs(curve[3 * n // 4 : max(n - skip, 3 * n // 4 + 1)]).mean()
        return float(20 * np.log10(max(early, 1e-6) / max(late, 1e-6)))

    count = min(8, curves.shape[0])
    value, sigma = _over_groups(curves, np.arange(curves.shape[0]) % count, fall)
    values["droop_db"], values["droop_db_sigma"] = value, max(sigma, 0.01)


def _chirp(values: dict[str, object], missing: dict[str, str], track: Track, band: Complex, rate: float) -> None:
    """Frequency at half amplitude minus settled, from the average phase course of the elements.

    Model: phase = p + 2 pi (f t + c s (1 - exp(-t/s))), so the frequency starts c hertz off and settles
    with time constant s. The edge itself, where a filter alone swings some hertz, is left out.
    """
    marks = track.marks
    whole = np.ones(marks.on_s.size, bool)
    whole[0] &= not marks.cut_start
    whole[-1] &= not marks.cut_end
    spans = marks.off_s - marks.on_s
    long = _long_marks(marks)
    if long.sum() >= 4:  # dits settle less: their own phase is another one than the dahs'
        whole &= long
    limit = float(values["rise_limit_s"])  # type: ignore[arg-type]
    rise = values.get("rise_s")
    start = max(2 * limit, 0.6 * rise if isinstance(rise, float) else 0.004, 2.0 / rate)
    end_guard = max(2 * limit, 0.004)
    longest = float(np.quantile(spans[whole], 0.5))
    n = round((longest - end_guard) * rate)
    if whole.sum() < 4 or n < 12 or longest - end_guard - start < 0.012:
        missing["chirp_hz"] = missing["chirp_settle_s"] = "the elements are too short to show their frequency's course"
        return
    reference = _own_phase(band, rate, marks)[whole]
    curves = _aligned(band, rate, marks.on_s[whole], reference, 0.0, n / rate)[:, :n]
    t = np.arange(n) / rate
    inside = t[None, :] < (spans[whole] - end_guard)[:, None]
    # each element's drift within the transmission is alike for all of it: its own phase is free, and so is f
    groups = np.arange(whole.sum()) % min(8, int(whole.sum()))
    result = _fit_chirp(curves, inside, t, start, None)
    if result is None:
        missing["chirp_hz"] = missing["chirp_settle_s"] = "the elements' phase is lost in noise"
        return
    chirp, settle, gain = result
    rest = [_fit_chirp(curves[groups != g], inside[groups != g], t, start, settle) for g in range(int(groups.max()) + 1)]
    kept = np.array([r[0] for r in rest if r is not None])
    sigma = float(np.sqrt((kept.size - 1) / kept.size * ((kept - kept.mean()) ** 2).sum())) if kept.size > 2 else abs(chirp)
    if abs(chirp) < 3 * sigma:
        # no exponential shows: say how far the frequency at the start is known, with a usual time constant
        fixed = _fit_chirp(curves, inside, t, start, 0.015)
        chirp = fixed[0] if fixed is not None else chirp
        missing["chirp_settle_s"] = "no change of frequency stands out of the noise"
    else:
        values["chirp_settle_s"] = settle
    values["chirp_hz"], values["chirp_hz_sigma"] = float(chirp), max(sigma, 0.02)
    del gain


def _fit_chirp(
    curves: NDArray[np.complex128], inside: Mask, t: Real, start: float, settle: float | None
) -> tuple[float, float, float] | None:
    count = inside.sum(axis=0)
    use = (t >= start) & (count >= max(3, 0.2 * inside.shape[0]))
    if use.sum() < 10:
        return None
    mean = np.where(inside, curves, 0.0).sum(axis=0)[use] / count[use]
    if np.median(np.abs(mean)) < 0.3:
        return None
    phase = np.unwrap(np.angle(mean))
    weight = np.sqrt(count[use]) * np.abs(mean)
    at = t[use]
    best: tuple[float, float, float] | None = None
    trials = [settle] if settle is not None else np.geomspace(max(0.004, 0.7 * start), max(0.6 * at[-1], 0.006), 9)
    for s in trials:
        design = np.stack([np.ones(at.size), at, s * (1 - np.exp(-at / s))], axis=1) * [1.0, 2 * np.pi, 2 * np.pi]
        solution, *_ = np.linalg.lstsq(design * weight[:, None], phase * weight, rcond=None)
        left = float((((design @ solution - phase) * weight) ** 2).sum())
        if best is None or left < best[2]:
            best = (float(solution[2]), float(s), left)
    return best


def _backwave(values: dict[str, object], missing: dict[str, str], track: Track, far: FarNoise | None) -> None:
    """What is left of the carrier at key-up, by coherent integration against the carrier's phase."""
    base, marks = track.base, track.marks
    t = np.arange(base.z.size) / base.rate_hz
    gap = marks.up & (t > marks.on_s[0]) & (t < marks.off_s[-1])
    since = np.searchsorted(marks.off_s, t, side="right") - 1
    late = t - marks.off_s[np.maximum(since, 0)] > 0.012
    gap &= late
    if gap.sum() < 0.1 * base.rate_hz:
        why = "less than 0.1 s of settled key-up between the elements"
        missing["backwave_db"] = missing["backwave_floor_db"] = why
        return
    carrier = track.carrier[gap]
    relative = base.z[gap] * np.conj(carrier) / np.maximum(np.abs(carrier) ** 2, 1e-30)
    # in pieces of a gap each: the piece's mean holds its noise, the mean of all the coherent remainder
    piece = since[gap]
    n = np.bincount(piece)
    some = n > 0
    sums = (np.bincount(piece, relative.real) + 1j * np.bincount(piece, relative.imag))[some]
    n = n[some]
    mean = sums.sum() / n.sum()
    scatter = float(np.sum(n**2 * np.abs(sums / n - mean) ** 2)) / n.sum() ** 2 if n.size > 3 else 1.0
    power = abs(mean) ** 2 - scatter
    opened = 0.0
    if far is not None and far.down and (far.late_up or far.just_up):
        opened = max(0.0, 10 * np.log10((far.late_up or far.just_up or 1.0) / far.down))
    floor = float(10 * np.log10(max(3 * scatter, 1e-12)) - opened)
    values["backwave_floor_db"] = floor
    if not track.coherent:
        missing["backwave_db"] = "the carrier starts with a new phase at each element: nothing to compare key-up with"
        return
    if power < 3 * scatter:
        missing["backwave_db"] = "no carrier is left at key-up above the noise"
        return
    if opened > 6.0:
        missing["backwave_db"] = f"a gain control opens by {opened:.0f} dB at key-up and lifts whatever is left"
        return
    values["backwave_db"] = float(10 * np.log10(power) - opened)
    values["backwave_db_sigma"] = float(np.hypot(4.343 * np.sqrt(2 * scatter / power), 0.5 if opened > 1 else 0.1))


def _bandwidth(
    values: dict[str, object], missing: dict[str, str], track: Track, far: FarNoise | None, dit: float
) -> None:
    """Occupied bandwidths of the keyed signal with the noise floor removed, and the necessary one."""
    from scipy import fft

    base, marks = track.base, track.marks
    necessary = 5.0 / dit  # ITU-R SM.1138: B K with B = 1/dit baud and K = 5 for fading paths
    values["necessary_bandwidth_hz"] = necessary
    values["designator"] = designator(necessary, "A1A")
    a, b = (int(v * base.rate_hz) for v in (marks.on_s[0], marks.off_s[-1]))
    length = min(b - a, 1 << int(np.ceil(np.log2(base.rate_hz * float(np.clip(8 * dit, 0.3, 8.0))))))
    names = ("occupied_bandwidth_hz", "bandwidth_26db_hz", "click_dbc")
    if length < 64:
        missing.update(dict.fromkeys(names, "the transmission is too short for a spectrum"))
        return
    count = max(1, (b - a) // length)
    frames = base.z[a : a + count * length].reshape(count, length)
    window = np.hanning(length).astype(np.float32)
    power = np.mean(np.abs(fft.fft(frames * window, axis=1, workers=-1)) ** 2, axis=0, dtype=np.float64)
    power /= float((window.astype(np.float64) ** 2).sum()) * base.rate_hz
    f = fft.fftfreq(length, 1 / base.rate_hz)
    order = np.argsort(f)
    f, power = f[order], power[order]
    density = base.noise_density
    if far is not None:
        heard = [d for d in (far.down, far.late_up or far.just_up) if d]
        density = float(np.mean(heard)) if heard else density
    reach = 600.0
    inside = np.abs(f) <= min(reach, base.passband_hz[1] - track.tone_hz, track.tone_hz - base.passband_hz[0])
    if inside.sum() < 16:
        missing.update(dict.fromkeys(names, "the passband is too narrow about the tone"))
        return
    f, net = f[inside], power[inside] - density
    spread = density / np.sqrt(count)
    total = float(net.sum())
    if total <= 30 * spread * np.sqrt(net.size):
        missing.update(dict.fromkeys(names, "the noise is too strong to take off"))
        return
    share = np.cumsum(net) / total
    low = float(np.interp(0.005, np.maximum.accumulate(share), f))
    high = float(np.interp(0.995, np.maximum.accumulate(share), f))
    uncertain = spread * np.sqrt(net.size) / total
    if uncertain < 0.002:
        values["occupied_bandwidth_hz"] = high - low
    else:
        missing["occupied_bandwidth_hz"] = "noise hides the last per cent of the power"
    peak = float(net.max())
    if peak * 10**-2.6 > 3 * spread:
        strong = np.flatnonzero(net >= peak * 10**-2.6)
        values["bandwidth_26db_hz"] = float(f[strong[-1]] - f[strong[0]])
    else:
        missing["bandwidth_26db_hz"] = "noise lies less than 26 dB under the strongest line"
    beyond = np.abs(f) > 5.0 / dit
    clicks = float(net[beyond].sum()) if beyond.any() else 0.0
    if beyond.any() and clicks > 3 * spread * np.sqrt(beyond.sum()):
        values["click_dbc"] = float(10 * np.log10(clicks / total))
    else:
        missing["click_dbc"] = "no power beyond five times the keying rate stands out of the noise"


def designator(bandwidth_hz: float, symbols: str) -> str:
    """Emission designator: three figures and a letter at the decimal point's place, then ``symbols``.

    Radio Regulations Appendix 1, section I (and 47 CFR 2.202(b)); halves are rounded up.

    Raises
    ------
    ValueError : the bandwidth is outside 0.001 Hz to 999 GHz.
    """
    from decimal import ROUND_HALF_UP, Decimal

    value = Decimal(repr(float(bandwidth_hz)))
    if not Decimal("0.001") <= value < Decimal("999.5e9"):
        raise ValueError(f"{bandwidth_hz} Hz: a designator holds 0.001 Hz to 999 GHz")
    if value < 1:
        figures = (value * 1000).quantize(Decimal(1), ROUND_HALF_UP)
        if figures < 1000:
            return f"H{int(figures):03d}{symbols}"
        value = Decimal(1)
    for letter, unit in (("H", 1), ("K", 10**3), ("M", 10**6), ("G", 10**9)):
        scaled = value / unit
        places = 2 if scaled < 10 else 1 if scaled < 100 else 0
        rounded = scaled.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)
        if rounded >= 1000:
            continue
        digits = f"{rounded:.{places}f}"
        if len(digits.replace(".", "")) > 3:  # rounding carried into a fourth figure
            digits = f"{rounded:.{places - 1}f}"
        whole, _, part = digits.partition(".")
        return f"{whole}{letter}{part}{symbols}"
    raise ValueError(f"{bandwidth_hz} Hz: a designator holds 0.001 Hz to 999 GHz")
