"""Keying: speed and scatter of the elements, their edges, what is left at key-up, and the bandwidth.

Definitions. The dit is half of dit + following gap, which heavy or light weighting leaves alone;
dah/dit is 2 (dah + gap)/(dit + gap) - 1 for the same reason; weighting is the mark's share of dit +
gap, less a half. Rise and fall are 10..90 % of amplitude. Chirp is the frequency at half amplitude
less the settled one. All levels are relative to the key-down carrier.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from sigcheck.measure import morse
from sigcheck.measure.keyed import edges, element_course
from sigcheck.measure.keyed.backwave import gain_opened, measure_backwave
from sigcheck.measure.keyed.bandwidth import designator, measure_bandwidth
from sigcheck.measure.keyed.edges import rise_limit
from sigcheck.measure.keyed.elements import Elements, Figure
from sigcheck.measure.keyed.elements import elements as whole_elements
from sigcheck.measure.keyed.segmentation import segment
from sigcheck.measure.keyed.timing import measure_timing
from sigcheck.measure.keyed.values import NAMES, Values
from sigcheck.measure.results import Keying
from sigcheck.measure.track import Marks, Mask, Track

if TYPE_CHECKING:
    from sigcheck.measure.audio.surroundings import FarNoise

__all__ = ["designator", "measure_keying", "rise_limit", "segment"]
_MOST_BROKEN = 0.6  # of the starts; of fewer, those that don't break agree, and the average is theirs
_SKIRT_HZ = 50.0  # beyond the passband's edges, where a strong signal is still heard
_EDGES = ("rise_s", "fall_s", "overshoot_db", "droop_db", "chirp_hz", "chirp_settle_s", "broken_starts")


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
    out = Values()
    if not marks.keyed:
        out.lack("the signal is not keyed", *NAMES)
        return out.keying()
    out.found["n_elements"] = int(marks.on_s.size)
    low, high = track.base.passband_hz
    out.found["rise_limit_s"] = limit_s = rise_limit(track.tone_hz - low, high - track.tone_hz)

    timing = _text(out, marks, track.base.z.size / track.base.rate_hz)
    dit_s, gap_s, inside = _scale(marks, timing)
    elements = whole_elements(track, dit_s, inside)
    crossing_s = _edges(out, elements, gap_s, limit_s, track)
    measure_timing(out, marks, timing, crossing_s)
    measure_backwave(out, track, gap_s, gain_opened(far, lossy=lossy), elements, crossing_s)
    dit = out.found.get("dit_s")
    measure_bandwidth(out, track, far, dit if isinstance(dit, float) else None, elements)
    out.lack("not enough elements", *(n for n in NAMES if n.removesuffix("_sigma") not in out.missing))
    for name in [n for n in out.missing if n.endswith("_sigma") and n.removesuffix("_sigma") in out.missing]:
        del out.missing[name]
    return out.keying()


def _text(out: Values, marks: Marks, end_s: float) -> morse.Timing | None:
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


def _edges(out: Values, elements: Elements | None, gap_s: float, limit_s: float, track: Track) -> float:
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
