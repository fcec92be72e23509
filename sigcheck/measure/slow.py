"""Slow keying: very slow Morse on and off (QRSS), shifted (FSKCW), and dits and dahs on two tones (DFCW).

In FSKCW the carrier stays on and is shifted between mark (key down) and space with Morse timing. In DFCW
dits and dahs last equally long and differ in frequency, the dit being the lower one, with gaps between.
All three are common practice among experimenters; no standard describes them. Signs and, for QRSS and
FSKCW, lengths are those of Rec. ITU-R M.1677-1.

A signal is taken for one of them only where all of this holds: its tone rests on one or two frequencies
for times that have the rhythm of dits and dahs, at least eight of them; most of what they spell is in the
code table; and while it is on one tone the other is silent. Steps of a synthesiser, two carriers, hum and
speech fail one or the other.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from sigcheck.measure import carrier
from sigcheck.measure.slowly import path
from sigcheck.measure.slowly import runs as run
from sigcheck.measure.slowly.reading import read_along, with_partner
from sigcheck.measure.slowly.signal import EDGES_ENERGY, SHORTEST_DIT_S, Refused, SlowKeying
from sigcheck.measure.slowly.way_up import upright
from sigcheck.measure.spectrum import Survey, quiet_density
from sigcheck.measure.track import Baseband, Complex, Marks, Real

if TYPE_CHECKING:
    from sigcheck.plan import Plan

_SLOW_MODES = ("qrss", "fskcw", "dfcw")
_SAME_HZ = 5.0
_STEEP_HZ = 20.0  # over the recording: half of what the band about the tone holds to one side
_LEAST_SAMPLES = 100
_STOPPED = 1e-5  # of the passband's noise: where there is less, a filter stops what an antenna hears
_TAKEN_AWAY_S = 0.08  # length of the filter that leaves a stronger signal alone
_PLAINLY_BETTER = 20.0  # nats, by which another kind of keying must explain the recording better to forbid a text
_RUN_COST = 2.0  # nats: more runs explain more
_SETTLED = 0.03  # of what the time scale resolves: keyed oscillators hold their frequency so well
_MOST_UNEXPLAINED = 20.0  # nats for one run's frequency: it may be a slip
_BEND_COST = 3.0  # nats: so do more bends of the course
_SEARCH_FRAMES_S = (1.0, 4.0, 20.0)


def find(s: Survey, base: Baseband, marks: Marks, plan: Plan | None = None) -> SlowKeying | Refused | None:
    """The slow keying of a signal that was found and followed, why it can't be read, or None where it is none.

    Cheap where the signal is plainly something else: keyed by the second, or resting on its frequency.
    """
    if _keyed_fast(marks) or s.audio.size / s.rate_hz < 24 * path.SHORTEST_FRAME_S:
        return None
    slope = _slope(base, marks)
    centre = float(np.median(base.path_hz - slope * _about_middle(base.path_hz.size, s.rate_hz)))
    found = _near(_straightened(s, slope) if slope else s, centre, base.noise_density, plan)
    return _tilted(found, slope, s) if slope and isinstance(found, SlowKeying) else found


def _slope(base: Baseband, marks: Marks) -> float:
    """Drift in Hz a second, where it is so large that the band about one frequency could lose the signal; else 0."""
    use = np.flatnonzero(marks.settled)[:: max(1, int(marks.settled.sum()) // 2000)]
    if use.size < _LEAST_SAMPLES:
        return 0.0
    slope = float(np.polyfit(base.times_s[use], base.path_hz[use], 1)[0])
    return slope if abs(slope) * base.z.size / base.rate_hz > _STEEP_HZ else 0.0


def _about_middle(count: int, rate_hz: float) -> Real:
    """Times (n,) from the middle of a recording."""
    return (np.arange(count) - 0.5 * count) / rate_hz


def _straightened(s: Survey, slope: float) -> Survey:
    """The audio with so many Hz a second taken off, the middle of the recording unchanged."""
    t = _about_middle(s.audio.size, s.rate_hz)
    return replace(s, audio=(s.audio * np.exp(-1j * np.pi * slope * t * t)).astype(np.complex64))


def _tilted(found: SlowKeying, slope: float, s: Survey) -> SlowKeying:
    """What was found in straightened audio, its course as it is on the recording."""
    knots = found.fit.knots_s
    hz = found.fit.hz + slope * (knots - 0.5 * s.audio.size / s.rate_hz)
    change = found.fit.change_hz + slope * float(knots[-1] - knots[0])
    return replace(found, fit=replace(found.fit, hz=hz, change_hz=change))


def search(s: Survey, plan: Plan | None = None) -> SlowKeying | None:
    """Slow keying too weak for the ordinary search: energy in long frames, over the whole band."""
    noise = _noise_floor(s)
    for centre in _hot_places(s, noise):
        density = float(np.interp(centre, s.bins_hz, noise))
        found = _near(s, centre, density, plan)
        if isinstance(found, SlowKeying):
            return found
    return None


def find_beside(s: Survey, base: Baseband, plan: Plan | None) -> SlowKeying | None:
    """The slow keying that a plan tells of beside a stronger signal.

    To read it, all within some 12 Hz of the stronger signal's path is taken away; its keying sidebands beyond stay.
    """
    if plan is None or plan.main.keying not in _SLOW_MODES:
        return None
    width = max(3, round(_TAKEN_AWAY_S * s.rate_hz))
    window = np.hanning(width + 2)[1:-1]
    own = _smoothed(base.z, window / window.sum())
    rest = replace(s, audio=(s.audio - own * np.conj(carrier.turn(base.path_hz, base.rate_hz))).astype(np.complex64))
    stronger = float(np.median(base.path_hz))
    noise = _noise_floor(s)
    for centre in _hot_places(rest, noise):
        if abs(centre - stronger) < _SAME_HZ:
            continue
        found = _near(rest, centre, float(np.interp(centre, s.bins_hz, noise)), plan)
        if isinstance(found, SlowKeying):
            return found
    return None


def _noise_floor(s: Survey) -> Real:
    """Noise density (bins,); where a filter leaves next to none, what is left of it tells nothing."""
    noise = quiet_density(s)
    return np.maximum(noise, max(_STOPPED * float(np.quantile(noise, 0.95)), 1e-30))


def _smoothed(z: Complex, kernel: Real) -> Complex:
    from scipy import fft

    size = fft.next_fast_len(z.size + kernel.size)
    product = fft.fft(z, size) * fft.fft(kernel.astype(np.float32), size)
    first = kernel.size // 2
    return np.asarray(fft.ifft(product)[first : first + z.size])


def betters(found: SlowKeying, marks: Marks) -> bool:
    """Whether the marks found here are better than those of the ordinary search, which place strong edges finer."""
    if found.mode != "qrss" or not marks.keyed or found.dit_energy < EDGES_ENERGY:
        return True
    on, off = found.runs.start_s[found.runs.on], found.runs.end_s[found.runs.on]
    if on.size != marks.on_s.size:
        return True
    return bool(max(np.abs(on - marks.on_s).max(), np.abs(off - marks.off_s).max()) > 0.3 * found.dit_s)


def _keyed_fast(marks: Marks) -> bool:
    if not marks.keyed or marks.on_s.size < 4:
        return False
    return bool(np.quantile(marks.off_s - marks.on_s, 0.3) < 0.6 * SHORTEST_DIT_S)


def _hot_places(s: Survey, noise: Real, most: int = 3) -> list[float]:
    """Frequencies at which single long frames stand out of the noise most often."""
    places: list[tuple[float, float]] = []
    top = min(5500.0, 0.95 * s.rate_hz)
    for seconds in _SEARCH_FRAMES_S:
        if s.audio.size < 4 * seconds * s.rate_hz:
            break
        hz, energy = _standing_out(s, noise, seconds, top)
        for _ in range(most):
            k = int(np.argmax(energy))
            if energy[k] <= 0.0:
                break
            places.append((float(energy[k]), float(hz[k])))
            energy[np.abs(hz - hz[k]) < 30.0] = 0.0
    places.sort(reverse=True)
    out: list[float] = []
    for _, hz_ in places:
        if all(abs(hz_ - o) > 20.0 for o in out):
            out.append(hz_)
    return out[:most]


def _standing_out(s: Survey, noise: Real, seconds: float, top_hz: float) -> tuple[Real, Real]:
    """Energy over what noise reaches, summed over frames and over some bins that a drift may cross."""
    from scipy import fft

    length = fft.next_fast_len(round(seconds * s.rate_hz))
    window = np.hanning(length).astype(np.float32)
    hz = np.arange(length) * (s.rate_hz / length)
    use = (hz > 150.0) & (hz < top_hz)
    density = np.interp(hz[use], s.bins_hz, noise) * s.rate_hz * float(np.sum(window.astype(np.float64) ** 2))
    starts = range(0, s.audio.size - length + 1, length // 2)
    # noise alone exceeds this in one cell of e^9, so a few cells in each frame of the whole band
    total = np.zeros(int(use.sum()))
    for a in starts:
        spectrum = fft.fft(s.audio[a : a + length] * window)[use]
        power = (spectrum.real**2 + spectrum.imag**2) / density
        total += np.minimum(np.maximum(power - 9.0, 0.0), 40.0)
    width = max(1, round(2.0 * seconds)) | 1
    total = np.convolve(total, np.ones(width), mode="same")
    return hz[use], np.where(total > 40.0, total, 0.0)


def _near(s: Survey, centre: float, density: float, plan: Plan | None) -> SlowKeying | Refused | None:
    noise = path.noise_about(s, centre, density)
    b = path.band(s.audio, s.rate_hz, centre, noise)
    if path.rests(b):
        return None
    scale = path.time_scale(b)
    if scale is None:
        return None
    trust = min(1.0, run.MOST_ENERGY / max(path.frames(b, scale).density * scale, 1e-12))

    def merit(k: SlowKeying) -> float:
        return _merit(k, scale, trust, plan)

    best: SlowKeying | None = None
    too_near: SlowKeying | None = None
    doubtful: SlowKeying | None = None
    for length in _lengths(scale, plan, b):
        for low, high, course in _courses(b, length, plan):
            read = read_along(low, high, course, length, plan)
            if read is None:
                continue
            if read.pair.tones == 1:
                read = with_partner(s, read, length, noise, plan)
            if read.convincing:
                best = read if best is None else max(best, read, key=merit)
            if read.shifts and not read.tones_told and read.narrow:
                too_near = read
            elif read.shifts and (doubtful is None or merit(read) > merit(doubtful)):
                doubtful = read
        if best is not None and best.plain:
            break
    if best is None and too_near is not None:
        return Refused(
            f"two tones some {too_near.fit.shift_hz:.2g} Hz apart are too near to be told from each other at this "
            "signal strength: shift by 1/dit or more"
        )
    if doubtful is not None and (best is None or merit(doubtful) > merit(best) + _PLAINLY_BETTER):
        return Refused(
            f"it seems to be shifted by {doubtful.fit.shift_hz:.2g} Hz with dits of {doubtful.dit_s:.2g} s, too weak "
            "or too unsteady to be read"
        )
    return best


def _merit(k: SlowKeying, scale_s: float, trust: float, plan: Plan | None) -> float:
    """Likelihood of the runs and the characters; ``trust``, the share of the energy that counts, is common to all."""
    # a course that follows the keying, or that leaves frequencies unexplained, is the less likely one
    course = _BEND_COST * k.fit.bends + k.fit.misfit(_SETTLED / scale_s, _MOST_UNEXPLAINED)
    likely = run.total_likelihood(k.runs, k.pair, trust)
    return likely - _RUN_COST * k.runs.state.size - course + upright(k, plan)


def _lengths(scale: float, plan: Plan | None, b: path.Band) -> list[float]:
    """Frame lengths to try: the one that the energy tells, and those about it."""
    out = [scale, scale / 2, scale / 4, scale * 2]
    wanted = plan.main if plan is not None else None
    if wanted is not None and wanted.dit_s is not None and wanted.keying != "cw":
        out.insert(0, float(np.clip(0.6 * wanted.dit_s, path.SHORTEST_FRAME_S, path.scales(b)[-1])))
    return [v for v in out if path.SHORTEST_FRAME_S <= v <= path.scales(b)[-1] * 2]


def _courses(b: path.Band, length: float, plan: Plan | None) -> list[tuple[path.Band, path.Band, path.Course]]:
    f = path.cropped(path.frames(b, length))
    shifts = {0, 1, 2, 3, *path.likely_shifts(f)}
    if plan is not None and plan.main.shift_hz is not None:
        shifts.add(max(1, round(plan.main.shift_hz / f.bin_hz)))
    found = [path.course(f, k) for k in sorted(shifts) if k < f.power.shape[1] - 8]
    # another tone must earn more than the freedom of where it lies
    found.sort(key=lambda c: c.score - 6.0 * (c.shift_hz > 0), reverse=True)
    # one tone alone is always tried: a pair nearer than the resolution explains it as well
    chosen = path.straight_courses(f, path.narrow_shifts(f)) + found[:2] + [c for c in found[2:] if not c.shift_hz]
    return [(b, b, c) for c in chosen]
