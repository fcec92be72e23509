"""Bandwidth that the keying needs, and that it takes; the emission designator."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.carrier import turn
from sigcheck.measure.keyed.elements import Elements, Figure
from sigcheck.measure.keyed.values import Values
from sigcheck.measure.track import BAND_HZ, Complex, Marks, Real, Track

if TYPE_CHECKING:
    from sigcheck.measure.audio.surroundings import FarNoise

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
_CHIRPED = 1.5  # of a chirp: as far from the tone its sidebands stand on one side alone
_LINES = 0.025  # of an occupied bandwidth, by which the lines that its ends happen to lie on move it
_TAIL = 1.5  # sigmas of the power lost to noise between which an end is looked for: covers 97 % of drawn keying
_LOST = 0.0006  # of the power, by which noise may leave that beyond an end of the occupied bandwidth uncertain


def measure_bandwidth(
    out: Values, track: Track, far: FarNoise | None, dit_s: float | None, elements: Elements | None
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
    band = track.band if reach < BAND_HZ else (track.base.z, track.base.rate_hz)
    hz, density, count = _spectrum(*band, track, elements, dit_s)
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


def _spectrum(z: Complex, rate: float, track: Track, e: Elements, dit_s: float) -> tuple[Real, Real, int]:
    """Power density about the tone during the transmission: (offsets in Hz, per Hz, values averaged in each).

    ``z`` at ``rate`` holds the tone near 0 Hz.

    Pieces begin and end in gaps, where there is nothing to cut off. So they need no window, which would weigh
    the signs in the middle of a piece and leave out those at its ends.
    """
    from scipy import fft

    pieces = _between_gaps(track.marks, dit_s)
    bin_hz = 1 / min(_LINE_DITS * dit_s, float(np.ptp(pieces, axis=1).max()))
    bounds = np.arange(-0.5, np.ceil(0.48 * rate / bin_hz)) * bin_hz
    bounds = np.concatenate([-bounds[:0:-1], bounds[1:]])
    power, length = np.zeros(bounds.size - 1), 0
    for begin_s, end_s in pieces:
        start = max(round(begin_s * rate), 0)
        x = z[start : round(end_s * rate)]
        # what the tone still moves in the baseband would widen its lines
        smooth_hz = e.smooth_hz
        inside = smooth_hz[(e.on_s > begin_s) & (e.on_s < end_s)]
        most = np.max(np.abs(np.append(inside, np.interp((begin_s, end_s), e.on_s, smooth_hz))))
        if most > _STILL * bin_hz:
            offset = np.interp((start + np.arange(x.size)) / rate, e.on_s, smooth_hz)
            x = x * turn(np.asarray(offset), rate)
        size = fft.next_fast_len(x.size)
        one = fft.fft(x, size)
        total = np.cumsum(fft.fftshift(one.real**2 + one.imag**2), dtype=np.float64)
        at = np.clip(bounds / rate * size + size // 2 - 0.5, 0, size - 1)  # of the upper ends of bins
        below = np.minimum(at.astype(np.intp), size - 2)
        power += np.diff(total[below] + (at - below) * (total[below + 1] - total[below])) / size
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
