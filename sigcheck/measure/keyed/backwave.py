"""What is left of the tone at key-up, and whether it stays there.

A leak past the key stays as long as the key is up. The echo of a room, heard where a microphone takes the sound of a
loudspeaker, dies away by 60 dB in its reverberation time: 0.2 to 1 s in furnished rooms (common practice, no source),
so by 60 to 300 dB in a second.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.keyed.elements import Elements, Figure
from sigcheck.measure.keyed.values import Values
from sigcheck.measure.track import Real, Track, pieces, runs

if TYPE_CHECKING:
    from sigcheck.measure.audio.surroundings import FarNoise

_MOST_EDGE = 0.35  # of a gap that edges and their scatter may take; else what is left at key-up is read in longer ones
_LONG_GAPS = 6
# The passband's edges are where its noise is some 8 dB down: a filter of few poles has fallen by 1 dB so far inside.
_FLANK_SHARE, _FLANK_HZ = 0.2, 100.0
_FEWEST_PIECES = 3
_LEVELS = 0.1  # of its power that a leak may differ from gap to gap, with the gain and the reading
_SLOWEST_DB_S, _FASTEST_DB_S, _TRIAL_DB_S = -300.0, 1000.0, 5.0  # a gain control that opens makes it rise
_ECHO_S = 0.008  # after key-up a filter's tail and the room still sound


def measure_backwave(
    out: Values, track: Track, gap_s: float, gain: tuple[float, float], e: Elements | None, crossing_s: float
) -> None:
    """The tone's power at key-up, over the noise in neighbouring bins of the same gaps.

    Gap by gap, so that neither the phase nor a few hertz matter; and coherently over all gaps against the
    carrier's phase, which sees deeper where the oscillator runs on. The gain that a control adds at
    key-up, in dB with its sigma, is taken off.
    """
    names = ("backwave_db", "backwave_floor_db", "backwave_decay_db_per_s")
    rate = track.base.rate_hz
    length = round(max(0.6 * gap_s, 0.008) * rate)
    edges_s = sum(v for v in (out.found.get("rise_s"), out.found.get("fall_s")) if isinstance(v, float))
    at = _quiet_pieces(track, length, 2 * gap_s if edges_s + 4 * crossing_s > _MOST_EDGE * gap_s else 0.0)
    if at.size < 4:
        out.lack("too little settled key-up between the elements", *names)
        return
    index = at[:, None] + np.arange(length)
    turned = track.base.z[index]
    if track.coherent:
        reference = track.carrier[index]
        turned *= np.conj(reference)
        turned *= 1 / np.maximum(np.abs(reference), 1e-30)
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
    tone, beside, at = tone[calm], beside[calm], at[calm]
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
        out.lack("no tone is left at key-up above the noise", "backwave_db", "backwave_decay_db_per_s")
        return
    began_s = track.marks.off_s[np.searchsorted(track.marks.off_s * rate, at, side="right") - 1]
    out.put("backwave_decay_db_per_s", _decay(excess, at / rate - began_s, length / rate))
    level = 10 * float(np.log10(power)) - opened
    out.put("backwave_db", Figure(level, float(np.hypot(4.343 * sigma / power, doubt))))


def _decay(power: Real, age_s: Real, step_s: float) -> Figure:
    """Decay (dB/s) of the power (n,) of pieces so long after key-up, by least squares on their means by age."""
    nth = (age_s / step_s).astype(np.intp)
    count = np.bincount(nth)
    kept = np.flatnonzero(count >= _FEWEST_PIECES)
    if kept.size < 2:
        return Figure(None, None, "all gaps are too short to see whether it dies away")
    mean = np.bincount(nth, power)[kept] / count[kept]
    age = np.bincount(nth, age_s)[kept] / count[kept]
    scatter = np.sqrt(np.maximum(np.bincount(nth, power**2)[kept] / count[kept] - mean**2, 0.0) / (count[kept] - 1))
    scatter = np.hypot(scatter, _LEVELS * np.abs(mean))
    if scatter.min() <= 0.0:
        return Figure(None, None, "some gaps are digital silence")
    trial = np.arange(_SLOWEST_DB_S, _FASTEST_DB_S, _TRIAL_DB_S)
    course = 10 ** (-np.outer(trial, age - age[0]) / 10) / scatter
    seen = mean / scatter
    size = np.maximum(course @ seen, 0.0) / (course**2).sum(axis=1)
    misfit = ((seen - size[:, None] * course) ** 2).sum(axis=1)
    chance = np.exp(-0.5 * (misfit - misfit.min()))
    chance /= chance.sum()
    middle = float((chance * trial).sum())
    return Figure(middle, float(np.sqrt((chance * (trial - middle) ** 2).sum() + _TRIAL_DB_S**2 / 12)))


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
    first, last = runs(marks.up)
    between = (first > marks.on_s[0] * rate) & (last <= marks.off_s[-1] * rate)
    first, last = first[between], last[between]
    longer = last - first > gap_s * rate
    if longer.sum() >= _LONG_GAPS:
        first, last = first[longer], last[longer]
    first = first + np.minimum(round(_ECHO_S * rate), np.maximum(last - first - length, 0))
    starts = pieces(first, np.minimum((last - first) // length, 8), length)
    if starts.size > 2000:
        starts = starts[np.linspace(0, starts.size - 1, 2000).astype(int)]
    return np.asarray(starts)


def gain_opened(far: FarNoise | None, *, lossy: bool) -> tuple[float, float]:
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
