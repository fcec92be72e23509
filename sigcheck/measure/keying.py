"""Keying: speed and scatter of the elements, their edges, what is left at key-up, and the bandwidth.

Definitions. The dit is half of dit + following gap, which heavy or light weighting leaves alone;
dah/dit is 2 (dah + gap)/(dit + gap) - 1 for the same reason; weighting is the mark's share of dit +
gap, less a half. Rise and fall are 10..90 % of amplitude. Chirp is the frequency at half amplitude
less the settled one. All levels are relative to the key-down carrier.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure import edges, element_course, morse
from sigcheck.measure.carrier import turn
from sigcheck.measure.edges import Elements, Figure, rise_limit
from sigcheck.measure.results import Keying
from sigcheck.measure.segmentation import segment
from sigcheck.measure.track import Marks, Mask, Real, Track

if TYPE_CHECKING:
    from sigcheck.measure.surroundings import FarNoise

__all__ = ["designator", "measure_keying", "rise_limit", "segment"]

_FADING_K = 5.0  # ITU-R SM.1138: K of a keyed carrier, fading circuits
_AURAL_S = 0.5  # dits longer than that are read by eye or machine, not by ear (common practice)
_BAND_HZ = 2000.0  # farther out no keying sideband counts
_LINE_DITS = 128  # spectra that part the lines of a word repeated (PARIS: 50 dits)
_PIECE_DITS = 512  # transformed at once
_MOST_PIECES = 3
_IN_LINE = 0.94  # of a line's power in three bins: the rest stands beside, as the text has an end
_STILL = 0.1  # of a bin: a tone that moves by less stays in its bin
_RINGS = ((0.5, 0.67), (0.67, 0.85))  # of the reach of the passband, whose skirts are lower
_FLOOR_DOUBT = 0.03  # share of itself by which the noise floor under a spectrum may be off
_MOST_EDGE = 0.35  # of a gap that edges and their scatter may take; else what is left at key-up is read in longer ones
_LONG_GAPS = 6
_MOST_BROKEN = 0.6  # of the starts; of fewer, those that don't break agree, and the average is theirs
_CROSSINGS, _CROSSINGS_KNOWN = 0.5, 0.7  # logarithm: crossings' variance in simulated keying, 0.8 to 3.5 of the model
_BESIDE_CHANCE = 2.5  # deviations: among the hundreds of fists two happen every day
_LEAST_CROSSING_S = 5e-6  # no edge is found better than that between samples
_JITTER_SEEN = 0.06  # deviation of the scatter beyond which it says nothing
_SKIRT_HZ = 50.0  # beyond the passband's edges, where a strong signal is still heard
_CHIRPED = 1.5  # of a chirp: as far from the tone its sidebands stand on one side alone
_LINES = 0.025  # of an occupied bandwidth, by which the lines that its ends happen to lie on move it
_TAIL = 1.5  # sigmas of the power lost to noise between which an end is looked for: covers 97 % of drawn keying
_LOST = 0.0006  # of the power, by which noise may leave that beyond an end of the occupied bandwidth uncertain
# The passband's edges are where its noise is some 8 dB down: a filter of few poles has fallen by 1 dB so far inside.
_FLANK_SHARE, _FLANK_HZ = 0.2, 100.0
_ECHO_S = 0.008  # after key-up a filter's tail and the room still sound


class _Values:
    """Fields of Keying as they are found, each None with its reason."""

    def __init__(self) -> None:
        self.found: dict[str, object] = {}
        self.missing: dict[str, str] = {}

    def put(self, name: str, figure: Figure) -> None:
        """A figure and its sigma, or why there is none."""
        if figure.value is None:
            self.missing[name] = figure.reason or "not measured"
            return
        self.found[name] = figure.value
        if figure.sigma is not None and f"{name}_sigma" in _NAMES:
            self.found[f"{name}_sigma"] = figure.sigma

    def lack(self, reason: str, *names: str) -> None:
        """The same reason for several fields, where they have none yet."""
        for name in names:
            if name not in self.found:
                self.missing.setdefault(name, reason)

    def keying(self) -> Keying:
        """The result."""
        return Keying(**self.found, missing=self.missing)  # type: ignore[arg-type]


_NAMES = tuple(f.name for f in fields(Keying) if f.name not in ("missing", "character_confidence"))


def measure_keying(track: Track, far: FarNoise | None = None, *, lossy: bool = False) -> Keying:
    """Elements, edges, chirp, backwave and bandwidth of a keyed signal.

    Parameters
    ----------
    track : Track
    far : the noise away from the tone; its rise at key-up tells how far a gain control opens, by which the
        backwave is corrected.
    lossy : coded so that noise beside a loud tone is left out: its rise may then be the coder's as well.
    """
    marks = track.marks
    out = _Values()
    if not marks.keyed:
        out.lack("the signal is not keyed", *_NAMES)
        return out.keying()
    out.found["n_elements"] = int(marks.on_s.size)
    low, high = track.base.passband_hz
    out.found["rise_limit_s"] = limit_s = rise_limit(track.tone_hz - low, high - track.tone_hz)

    timing = _text(out, marks, track.base.z.size / track.base.rate_hz)
    dit_s, gap_s, inside = _scale(marks, timing)
    elements = edges.elements(track, dit_s, inside)
    crossing_s = _edges(out, elements, gap_s, limit_s, track)
    _timing(out, marks, timing, crossing_s)
    _backwave(out, track, gap_s, _gain_opened(far, lossy=lossy), elements, crossing_s)
    dit = out.found.get("dit_s")
    _bandwidth(out, track, far, dit if isinstance(dit, float) else None, elements)
    out.lack("not enough elements", *(n for n in _NAMES if n.removesuffix("_sigma") not in out.missing))
    for name in [n for n in out.missing if n.endswith("_sigma") and n.removesuffix("_sigma") in out.missing]:
        del out.missing[name]
    return out.keying()


# --- text and timing ---------------------------------------------------------------------------


def _text(out: _Values, marks: Marks, end_s: float) -> morse.Timing | None:
    likely_on, likely_off = marks.likely_on_s, marks.likely_off_s
    decoded = morse.decode(
        marks.on_s,
        marks.off_s,
        cut_start=marks.cut_start,
        cut_end=marks.cut_end,
        heard_s=(0.0, end_s),
        mark_p=marks.mark_p,
        gap_p=marks.gap_p,
        likely_s=None if likely_on is None or likely_off is None else (likely_on, likely_off),
    )
    if decoded.text is None:
        out.lack(decoded.reason or "nothing could be read", "text", "text_confidence")
    else:
        out.found.update(
            text=decoded.text,
            text_confidence=decoded.confidence,
            character_confidence=decoded.confidences,
        )
    return decoded.timing if decoded.rhythm else None


def _whole(marks: Marks) -> slice:
    """The marks that are not cut by the recording's ends."""
    return slice(int(marks.cut_start), marks.on_s.size - int(marks.cut_end))


def _scale(marks: Marks, timing: morse.Timing | None) -> tuple[float, float, Mask | None]:
    """Rough dit and gap within a character in seconds, and which gaps are of that kind."""
    on, off = marks.on_s, marks.off_s
    if timing is None:
        dit = float(np.quantile(off - on, 0.15))
        return dit, min(dit, float(np.quantile(on[1:] - off[:-1], 0.3))), None
    inside = np.zeros(on.size - 1, bool)
    first = int(marks.cut_start)
    inside[first : first + timing.gap.size] = timing.gap == 0
    return timing.unit_s, float(timing.gaps_s[0]), inside


_TIMING = ("dit_s", "wpm", "dah_dit_ratio", "weighting", "element_jitter")


def _timing(out: _Values, marks: Marks, t: morse.Timing | None, crossing_s: float) -> None:
    """Speed, ratio, weighting and scatter; ``crossing_s``: scatter of one edge that noise makes."""
    if t is None:
        out.lack("the elements have no rhythm of dits and dahs", *_TIMING)
        return
    on, off = marks.on_s[_whole(marks)], marks.off_s[_whole(marks)]
    mark, gap = off - on, on[1:] - off[:-1]
    inside, dit, bent = t.gap == 0, ~t.dah, _bent_s(out) / (2 * t.unit_s)
    pair = mark[:-1] + gap
    dits = _mean(pair[inside & dit[:-1]])
    dahs = _mean(pair[inside & t.dah[:-1]])
    share = _mean(mark[:-1][inside & dit[:-1]] / pair[inside & dit[:-1]])
    if dits is None and dit.sum() > 1 and inside.sum() > 1:
        # each dit ends its character: take the gap from after the dahs
        alone, space = _mean(mark[dit]), _mean(gap[inside])
        if alone is not None and space is not None:
            dits = alone[0] + space[0], float(np.hypot(alone[1], space[1]))
            share = alone[0] / dits[0], float(np.hypot(alone[1], space[1])) / dits[0]
    if dits is None and dahs is not None:
        # dahs alone: a dah and its gap last four units
        dits = dahs[0] / 2, dahs[1] / 2
        dahs = None
    if dits is None:
        out.lack("no gaps inside characters to tell the speed from", "dit_s", "wpm")
    else:
        out.put("dit_s", Figure(dits[0] / 2, dits[1] / 2))
        out.put("wpm", Figure(2.4 / dits[0], 2.4 * dits[1] / dits[0] ** 2))
    if share is None:
        out.lack("fewer than two dits with a gap inside the character", "weighting")
    else:
        out.put("weighting", Figure(share[0] - 0.5, float(np.hypot(share[1], np.sqrt(2.0) * bent))))
    if dits is None or dahs is None:
        out.lack("dits and dahs, each with gaps inside characters, are needed", "dah_dit_ratio")
    else:
        relative = np.hypot(dahs[1] / dahs[0], dits[1] / dits[0])
        out.put("dah_dit_ratio", Figure(2 * dahs[0] / dits[0] - 1, float(2 * dahs[0] / dits[0] * relative)))
    jitter = _jitter(mark, gap, t, crossing_s)
    if jitter.sigma is not None:  # where the edge before still rings, it moves crossings by as much as an edge is bent
        jitter = replace(jitter, sigma=float(np.hypot(jitter.sigma, edges.SHAPE_S / (2 * t.unit_s))))
    out.put("element_jitter", jitter)


def _bent_s(out: _Values) -> float:
    """By how much the shape of the edges moves their half amplitude: filter, chirp, droop."""
    times = [v for v in (out.found.get("rise_s"), out.found.get("fall_s")) if isinstance(v, float)]
    return float(np.hypot(edges.SHAPE_S, edges.SHAPE * sum(times)))


def _mean(x: Real) -> tuple[float, float] | None:
    """Mean of what lies within four robust deviations, and its standard error; None of fewer than two."""
    if x.size < 2:
        return None
    kept = _kept(x)
    # two lengths may agree by chance: no error is below a hundredth over the root of their number
    spread = max(float(kept.std(ddof=1)), 0.01 * float(kept.mean()) / np.sqrt(kept.size), 1e-5)
    return float(kept.mean()), spread / float(np.sqrt(kept.size)) * edges.few(kept.size - 1)


def _kept(x: Real) -> Real:
    middle = float(np.median(x))
    spread = max(1.4826 * float(np.median(np.abs(x - middle))), 0.01 * abs(middle))
    kept = x[np.abs(x - middle) <= 4 * spread]
    return kept if kept.size >= 2 else x


def _jitter(mark: Real, gap: Real, t: morse.Timing, crossing_s: float) -> Figure:
    """Relative scatter about the class means, without what noise, fading and static add at the crossings.

    A key or a fist scatters in proportion to the length; what moves crossings scatters dits and dahs by the
    same seconds, and makes a mark longer and the gap beside it shorter. Most probable scatter and its
    deviation, given the variances of the classes and what is known of the crossings.
    """
    classes = [_kept(x) for x in (mark[~t.dah], mark[t.dah]) if x.size >= 3]
    if sum(x.size for x in classes) < 6:
        return Figure(None, reason="fewer than six elements to compare")
    crossings = 2 * max(crossing_s**2, _moved_together(mark, gap, t), _LEAST_CROSSING_S**2)
    ratio = np.exp(np.linspace(-1.0, 2.5, 36))
    jitter = 0.7 * np.linspace(0.0, 1.0, 400) ** 3
    likely = np.zeros((jitter.size, ratio.size)) - 0.5 * ((np.log(ratio) - _CROSSINGS) / _CROSSINGS_KNOWN) ** 2
    for x in classes:
        variance = (jitter[:, None] * x.mean()) ** 2 + crossings * ratio
        likely -= 0.5 * (x.size - 1) * (np.log(variance) + float(x.var(ddof=1)) / variance)
    weight = np.exp(likely - likely.max()).sum(axis=1) * np.gradient(jitter)
    value = float(jitter[np.argmax(weight / np.gradient(jitter))])
    sigma = float(np.sqrt(np.average((jitter - value) ** 2, weights=weight)))
    if sigma > _JITTER_SEEN:
        return Figure(None, reason="noise scatters the elements' lengths as much as the keying would")
    return Figure(value, sigma)


def _moved_together(mark: Real, gap: Real, t: morse.Timing) -> float:
    """Variance of a crossing by minus the covariance of marks and gaps beside them, where that is significant."""
    late, early = t.gap == 0, t.gap == 0  # the gap after a mark, and the one before it
    off = mark - np.where(t.dah, _middle(mark, t.dah), _middle(mark, ~t.dah))
    open_s = gap - _middle(gap, late)
    products = np.concatenate([(off[:-1] * open_s)[late], (off[1:] * open_s)[early]])
    if products.size < 12:
        return 0.0
    usual = 1.4826 * float(np.median(np.abs(products - np.median(products))))
    products = products[np.abs(products) <= 12 * usual]
    mean, sigma = float(-products.mean()), float(products.std() / np.sqrt(products.size))
    return mean if mean > _BESIDE_CHANCE * sigma else 0.0


def _middle(x: Real, some: Mask) -> float:
    return float(np.median(x[some])) if some.any() else 0.0


# --- edges and what elements have in common ----------------------------------------------------

_EDGES = ("rise_s", "fall_s", "overshoot_db", "droop_db", "chirp_hz", "chirp_settle_s", "broken_starts")


def _edges(out: _Values, elements: Elements | None, gap_s: float, limit_s: float, track: Track) -> float:
    """Puts the edges' figures; returns the scatter of one half-amplitude crossing in seconds."""
    if elements is None:
        out.lack("fewer than four whole elements", *_EDGES)
        return 0.0
    # after a longer gap a gain control has opened, and its closing bends the start of an element
    calm = elements.chosen(elements.short_gap) if elements.short_gap.sum() >= 8 else elements
    rise = edges.edge(calm, rising=True, gap_s=gap_s)
    fall = edges.edge(elements, rising=False, gap_s=gap_s)
    times = edges.edge_time(rise), edges.edge_time(fall)
    broken = element_course.broken_starts(calm, gap_s)
    bounces = broken.value is not None and broken.value > _MOST_BROKEN
    unlike = Figure(None, reason="most starts open again: no two edges are alike")
    out.put("rise_s", unlike if bounces else times[0])
    out.put("fall_s", times[1])
    slower = max((f.value for f in times if f.value is not None), default=max(limit_s, 0.005))
    course = element_course.course(calm, slower)
    out.put("overshoot_db", element_course.overshoot(course, times[0].value or max(limit_s, 0.005)))
    out.put("droop_db", element_course.droop(course, slower))
    low, high = track.base.passband_hz
    narrow = max(min(track.tone_hz - low, high - track.tone_hz), 20.0)
    hertz, settle = element_course.chirp(course, max(2 * limit_s, 0.8 / narrow))
    if hertz.value is not None and not low - _SKIRT_HZ < track.tone_hz + hertz.value < high + _SKIRT_HZ:
        why = "each element would start outside the passband: its phase turns at once, by something else than a chirp"
        hertz = settle = Figure(None, reason=why)
    out.put("chirp_hz", hertz)
    out.put("chirp_settle_s", settle)
    out.put("broken_starts", broken)
    return float(np.hypot(rise.crossing_sigma_s, fall.crossing_sigma_s) / np.sqrt(2.0))


# --- key-up ------------------------------------------------------------------------------------


def _backwave(
    out: _Values, track: Track, gap_s: float, gain: tuple[float, float], e: Elements | None, crossing_s: float
) -> None:
    """The tone's power at key-up, over the noise in neighbouring bins of the same gaps.

    Gap by gap, so that neither the phase nor a few hertz matter; and coherently over all gaps against the
    carrier's phase, which sees deeper where the oscillator runs on. The gain that a control adds at
    key-up, in dB with its sigma, is taken off.
    """
    names = ("backwave_db", "backwave_floor_db")
    rate = track.base.rate_hz
    length = round(max(0.6 * gap_s, 0.008) * rate)
    edges_s = sum(v for v in (out.found.get("rise_s"), out.found.get("fall_s")) if isinstance(v, float))
    pieces = _quiet_pieces(track, length, 2 * gap_s if edges_s + 4 * crossing_s > _MOST_EDGE * gap_s else 0.0)
    if pieces.size < 4:
        out.lack("too little settled key-up between the elements", *names)
        return
    index = pieces[:, None] + np.arange(length)
    reference = track.carrier[index] if track.coherent else np.complex64(1.0)
    turned = track.base.z[index] * np.conj(reference / np.maximum(np.abs(reference), 1e-30))
    if not track.coherent:
        offset = track.tone_hz - float(np.mean(track.base.path_hz[track.marks.down]))
        turned = turned * np.exp(-2j * np.pi * offset * np.arange(length) / rate)
    window = np.hanning(length + 2)[1:-1]
    bins = _bins_beside(track, rate / length)
    if bins.size < 2:
        out.lack("the passband is too narrow to tell what is left of the tone at key-up from its noise", *names)
        return
    bins = np.append(0, bins)
    basis = window[:, None] * np.exp(-2j * np.pi * np.outer(np.arange(length) / length, bins)) / window.sum()
    spectra = np.asarray(turned @ basis.astype(np.complex64))
    tone = spectra[:, 0].astype(np.complex128)
    beside = np.asarray(np.mean(np.abs(spectra[:, 1:]) ** 2, axis=1), np.float64)
    calm = beside < 8 * np.median(beside)  # static crashes
    tone, beside = tone[calm], beside[calm]
    n = tone.size
    # where a chirp turns the phase, the slow carrier is less than the tone
    carrier = float(np.mean(np.abs(e.settled if e else track.carrier[track.marks.settled]) ** 2))
    excess = (np.abs(tone) ** 2 - beside) / carrier
    power, sigma = float(excess.mean()), float(excess.std(ddof=1) / np.sqrt(n))
    if track.coherent:
        mean = complex(tone.mean())
        variance = float(np.var(tone)) / n / carrier
        steady = abs(mean) ** 2 / carrier - variance
        if power < 3 * sigma or steady > 0.5 * power:
            power, sigma = steady, float(np.sqrt(2 * variance * max(steady, 0.0) + variance**2))
    opened, doubt = gain
    out.found["backwave_floor_db"] = 10 * float(np.log10(3 * sigma)) - opened
    if power < 3 * sigma:
        out.lack("no tone is left at key-up above the noise", "backwave_db")
        return
    level = 10 * float(np.log10(power)) - opened
    out.put("backwave_db", Figure(level, float(np.hypot(4.343 * sigma / power, doubt))))


def _bins_beside(track: Track, bin_hz: float) -> NDArray[np.intp]:
    """Bins beside the tone whose noise is that at the tone: clear of its main lobe and of the filter's flanks."""
    low, high = track.base.passband_hz
    flank = min(_FLANK_SHARE * (high - low), _FLANK_HZ)
    bins = np.array([-4, -3, -2, 2, 3, 4])
    hz = track.tone_hz + bins * bin_hz
    flat = (hz > low + flank) & (hz < high - flank)
    # further off a tone that is some hertz away leaks less
    far = flat & (np.abs(bins) > 2)
    return np.asarray(bins[far if far.sum() == 4 else flat])


def _quiet_pieces(track: Track, length: int, gap_s: float) -> NDArray[np.intp]:
    """First samples of settled key-up stretches ``length`` long, between the first and the last mark.

    Of longer gaps than ``gap_s`` alone, where there are some: edges reach into those inside characters.
    """
    marks, rate = track.marks, track.base.rate_hz
    change = np.flatnonzero(np.diff(marks.up.astype(np.int8), prepend=0, append=0))
    first, last = change[::2], change[1::2]
    between = (first > marks.on_s[0] * rate) & (last <= marks.off_s[-1] * rate)
    first, last = first[between], last[between]
    longer = last - first > gap_s * rate
    if longer.sum() >= _LONG_GAPS:
        first, last = first[longer], last[longer]
    first = first + np.minimum(round(_ECHO_S * rate), np.maximum(last - first - length, 0))
    count = np.minimum((last - first) // length, 8)
    nth = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    starts = np.repeat(first, count) + nth * length
    if starts.size > 2000:
        starts = starts[np.linspace(0, starts.size - 1, 2000).astype(int)]
    return np.asarray(starts)


def _gain_opened(far: FarNoise | None, *, lossy: bool) -> tuple[float, float]:
    """By how much a gain control opens at key-up, in dB, and how far that is uncertain.

    A coder that leaves out noise beside a loud tone may have made all of what is heard, or nothing.
    """
    if far is None or not far.down:
        return 0.0, 0.1
    heard = [10 * np.log10(v / far.down) for v in (far.just_up, far.late_up) if v]
    if not heard or max(heard) < 1.0:
        return 0.0, 0.3
    opened, doubt = float(np.mean(heard)), float(0.5 + np.ptp(heard) / 4)
    return (0.5 * opened, float(np.hypot(doubt, opened / np.sqrt(12.0)))) if lossy else (opened, doubt)


# --- spectrum ----------------------------------------------------------------------------------


def _bandwidth(
    out: _Values, track: Track, far: FarNoise | None, dit_s: float | None, elements: Elements | None
) -> None:
    """Necessary bandwidth from the speed, occupied ones from the spectrum with its noise floor removed."""
    names = ("occupied_bandwidth_hz", "bandwidth_26db_hz", "click_dbc")
    if dit_s is None:
        out.lack("the speed is not known", "necessary_bandwidth_hz", "designator", *names)
        return
    necessary = _FADING_K / dit_s  # B K with B = 1/dit baud
    out.found["necessary_bandwidth_hz"] = necessary
    out.found["designator"] = designator(necessary, "A1A" if dit_s < _AURAL_S else "A1B")
    if elements is None:
        out.lack("fewer than four whole elements", *names)
        return
    low, high = track.base.passband_hz
    reach = min(_BAND_HZ, 60.0 / dit_s, track.tone_hz - low, high - track.tone_hz, 0.45 * elements.rate_hz)
    hz, density, count = _spectrum(track, elements, dit_s)
    inside = np.abs(hz) <= reach
    hz, density = hz[inside], density[inside]
    if (np.abs(hz) > 0.5 * reach).sum() < 32 or reach < 1.5 / dit_s:
        out.lack("the passband is too narrow about the tone", *names)
        return
    floor, doubt = _floor(hz / reach, density, count)
    # hard keying reaches out there too: the noise away from the tone is the most that it can be
    floor = min(floor, 1.2 * _noise_density(track, far))
    net = density - floor
    bin_hz = hz[1] - hz[0]
    total = float(net.sum())
    scatter = floor / np.sqrt(count)
    span = max(1, round(1.0 / dit_s / bin_hz))
    smooth = np.convolve(net, np.ones(span) / span, "same")
    # keying sidebands are alike on both sides, but for a chirp: what stands on one side alone is another station's
    mirror = np.interp(-hz, hz, smooth)
    chirp_hz = out.found.get("chirp_hz")
    near = 3.0 / dit_s + _CHIRPED * abs(chirp_hz if isinstance(chirp_hz, float) else 0.0)
    alien = (np.abs(hz) > near) & (smooth > 4 * mirror + 6 * scatter / np.sqrt(span))
    net, smooth = np.where(alien, mirror, net), np.where(alien, mirror, smooth)
    seen = np.abs(hz)[smooth > 4 * scatter / np.sqrt(span) + 2 * doubt]
    if not seen.size or total <= 0:
        out.lack("the noise is too strong to take off", *names)
        return
    part = np.abs(hz) <= max(seen.max(), 2.0 / dit_s)
    hz, net = hz[part], net[part]
    total = float(net.sum())
    out.put("occupied_bandwidth_hz", _occupied(hz, net, floor, doubt, count))
    # a line between two bins reads low in each, not in the sum of three
    lines = np.convolve(net, np.ones(3), "same")
    limit = float(lines.max()) * 10**-2.6 * _IN_LINE
    if limit > 4 * scatter * np.sqrt(3.0):
        strong = hz[lines >= limit]
        out.found["bandwidth_26db_hz"] = float(strong[-1] - strong[0])
    else:
        out.lack("the noise lies less than 26 dB under the strongest line", "bandwidth_26db_hz")
    beyond = np.abs(hz) > 5.0 / (2 * dit_s)
    clicks = float(net[beyond].sum())
    if clicks > 3 * scatter * np.sqrt(beyond.sum()) + 2 * doubt * beyond.sum():
        out.found["click_dbc"] = 10 * float(np.log10(clicks / total))
    else:
        out.lack("no power beyond five dit rates stands out of the noise", "click_dbc")


def _floor(place: Real, density: Real, count: int) -> tuple[float, float]:
    """Noise under a spectrum, by what lies halfway out in the passband, and how far it may be off.

    ``place`` is the offset over the reach of the passband. Where what is heard changes from one ring to the next,
    the passband is not flat, or hard keying reaches out there: in the middle it may be as much off again.
    """
    rings = []
    for inner, outer in _RINGS:
        ring = [density[(sense * place > inner) & (sense * place < outer)] for sense in (-1, 1)]
        sides = [float(np.median(side)) for side in ring]
        # where they differ much the louder one holds another station
        rings.append(min(sides) if max(sides) > 1.5 * min(sides) else float(np.mean(sides)))
    median = 1 - 1 / (3 * count + 1)  # of a mean of exponential values, over that mean
    floor = float(np.mean(rings)) / median
    return floor, float(np.hypot(_FLOOR_DOUBT * floor, np.ptp(rings)))


def _occupied(hz: Real, net: Real, floor: float, doubt: float, count: int) -> Figure:
    """Width that leaves half a per cent of the power on each side, in Hz.

    ``net`` (n,) is the density without its noise ``floor``, each value a mean of ``count``: what the noise
    scatters, and the ``doubt`` of its floor, leave open where half a per cent is reached.
    """
    side, total = net.size // 2, float(net.sum())
    scatter = np.sqrt((floor**2 * side + 2 * floor * 0.005 * total) / count)  # of noise, and of signal times noise
    lost = float(np.hypot(scatter, doubt * side)) / total
    if lost > _LOST:
        return Figure(None, reason="noise hides the last per cent of the power")
    share = np.cumsum(net) / total
    # noise makes the sum go back and forth: the first crossing lies too far out, the last one too far in
    share = 0.5 * (np.maximum.accumulate(share) + np.minimum.accumulate(share[::-1])[::-1])
    tail = np.array([max(0.005 - _TAIL * lost, 0.001), 0.005, 0.005 + _TAIL * lost])
    lower, upper = np.interp(tail, share, hz), np.interp(1 - tail, share, hz)
    width = float(upper[1] - lower[1])
    # power stands in lines: an end lies on one or on its neighbour
    square = 2 * float(hz[1] - hz[0]) ** 2 + (_LINES * width) ** 2
    square += sum(float(np.max(np.abs(np.diff(ends)))) ** 2 for ends in (lower, upper))
    return Figure(width, float(np.sqrt(square)))


def _noise_density(track: Track, far: FarNoise | None) -> float:
    """Noise density while transmitting, key-down and key-up by their shares of the time."""
    if far is None or not far.down:
        return track.base.noise_density
    marks = track.marks
    share = float((marks.off_s - marks.on_s).sum() / max(marks.off_s[-1] - marks.on_s[0], 1e-9))
    up = [v for v in (far.just_up, far.late_up) if v]
    return share * far.down + (1 - share) * (float(np.mean(up)) if up else far.down)


def _spectrum(track: Track, e: Elements, dit_s: float) -> tuple[Real, Real, int]:
    """Power density about the tone during the transmission: (offsets in Hz, per Hz, values averaged in each).

    Pieces begin and end in gaps, where there is nothing to cut off. So they need no window, which would weigh
    the signs in the middle of a piece and leave out those at its ends.
    """
    from scipy import fft

    rate, pieces = e.rate_hz, _between_gaps(track.marks, dit_s)
    bin_hz = 1 / min(_LINE_DITS * dit_s, float(np.ptp(pieces, axis=1).max()))
    bounds = np.arange(-0.5, np.ceil(0.48 * rate / bin_hz)) * bin_hz
    bounds = np.concatenate([-bounds[:0:-1], bounds[1:]])
    power, length = np.zeros(bounds.size - 1), 0
    for begin_s, end_s in pieces:
        start = max(round(begin_s * rate), 0)
        x = e.z[start : round(end_s * rate)]
        # what the tone still moves in the baseband would widen its lines
        smooth_hz = e.smooth_hz
        inside = smooth_hz[(e.on_s > begin_s) & (e.on_s < end_s)]
        most = np.max(np.abs(np.append(inside, np.interp((begin_s, end_s), e.on_s, smooth_hz))))
        if most > _STILL * bin_hz:
            offset = np.interp((start + np.arange(x.size)) / rate, e.on_s, smooth_hz)
            x = x * turn(np.asarray(offset), rate)
        size = fft.next_fast_len(x.size)
        one = fft.fft(x, size)
        one = fft.fftshift(one.real**2 + one.imag**2)
        upper_hz = (np.arange(size) - size // 2 + 0.5) * rate / size
        power += np.diff(np.interp(bounds, upper_hz, np.cumsum(one, dtype=np.float64))) / size
        length += x.size
    density = power / (length * bin_hz)
    return 0.5 * (bounds[1:] + bounds[:-1]), density, max(round(length / rate * bin_hz), 1)


def _between_gaps(marks: Marks, dit_s: float) -> NDArray[np.float64]:
    """Begin and end in seconds (pieces, 2) of pieces of the transmission, each from one gap to another."""
    middle = 0.5 * (marks.off_s[:-1] + marks.on_s[1:])
    first, last = marks.on_s[0] - 0.5 * dit_s, marks.off_s[-1] + 0.5 * dit_s
    ends = np.concatenate([middle[:1] if marks.cut_start else [first], middle[int(marks.cut_start) :]])
    ends = np.append(ends, [] if marks.cut_end else [last])
    if ends.size < 2:
        return np.array([[max(first, 0.0), last]])
    count = int(np.ceil((ends[-1] - ends[0]) / (_PIECE_DITS * dit_s)))
    near = ends[np.searchsorted(ends, np.linspace(ends[0], ends[-1], count + 1)).clip(0, ends.size - 1)]
    near = np.unique(near)
    pieces = np.stack([near[:-1], near[1:]], axis=1)
    # a pause in between would make one long; noise is all that it holds
    some = np.linspace(0, len(pieces) - 1, min(_MOST_PIECES, len(pieces))).astype(int)
    return np.asarray(pieces[some])


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
