"""Whether a signal is keyed, and when the key is down.

The keying speed is unknown over four decades, and the best detector for an element of length D
integrates coherently over a good part of D. So the baseband is smoothed and thinned out by powers of
two, from 1 ms cells to the length of the recording. On each level a two-state Viterbi path (key up,
key down) is found under the likelihoods of a tone in noise (Rice) and of noise alone (Rayleigh), and
the level whose path explains the recording best sets the time scale. There the path is found again
with levels that follow fading and the gain control, and its edges are refined to half amplitude on
the finest level that the noise allows.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sigcheck.measure.keyed import loud_pauses, morse_timing, rhythm
from sigcheck.measure.keyed.crossings import (
    Crossings,
    finest_usable,
    inside_stretches,
    mean_of,
    mean_power,
    refined_crossings,
)
from sigcheck.measure.keyed.levels import NOISE_MARGIN, Level, NoiseBeside, pyramid
from sigcheck.measure.keyed.path import INDEPENDENT, LEAST_MARKS, MOST_CN0_HZ, Index, Path, best_path
from sigcheck.measure.track import Baseband, Marks, Mask, Real

_LEAST_DIT = 20.0  # energy of a dit over the noise density under which it can't be read
_EVEN = 0.15  # of its length, by which a machine's element may be off after edges and noise
_CLEAR = 100.0  # power over noise in a cell at which no mark is missed
_UNFADED = 0.2  # of the usual power: the weakest mark where nothing fades
_SHARP = 0.42  # of a gap, for the amplitude to pass from three quarters to half and back
_MOST_DOWN = 0.88  # dahs on end are key-down for 3/4 of the time; a loose contact breaks for less
_EDGE_POWER = 0.02  # of a mark's: what lies between it and nothing for the time of an edge
_ENOUGH_CELLS = 20  # for a median
_MOST_LEFT = 0.2  # -7 dB: above half of the amplitude a mark has not ended
_LOUD_AS_MARKS = 0.4  # of a mark's usual power: less is no noise that a gain control has lifted
_TOLD_FROM_NOISE = 0.4  # times the passband's noise: the phasors of a tone then add up to more than those of noise
_READABLE = 2.0  # times the noise in a cell; where a gain control has opened, what is no stronger is that noise
_OVER_PAUSES = 1.5  # of the power in the usual pause
_ABSENT_S = 1.0  # a steady signal that is gone for longer, and abruptly, was switched off


def segment(base: Baseband) -> Marks:
    """Find the key-down stretches.

    Returns Marks with ``keyed`` False for a steady signal: then one mark, or one for each stretch of
    presence. Where nothing can be told apart the whole recording is one steady mark.
    """
    levels = pyramid(base.z, base.rate_hz)
    noise = NoiseBeside.beside(base, levels[0])
    path = best_path(levels, noise)
    if path is None or not path.first.size:
        return _whole(base, levels, noise)
    fine = finest_usable(levels, path)
    edges = refined_crossings(path, fine, final=False)
    timing = _keyed_timing(edges)
    if timing is not None:
        path = _in_rhythm(levels, path, edges, timing, noise)
        path, edges = _without_clicks(path, refined_crossings(path, fine, final=True))
        starts_s, true = loud_pauses.true_marks(base, edges.on_s, edges.off_s)
        # a gain control lifts what is heard in a pause to the usual level; what is weaker than that has faded
        power = mean_power(path.level, edges.on_s, edges.off_s)
        faded = power < _LOUD_AS_MARKS * float(np.median(power))
        # but what is no stronger than the usual pause is one
        pauses = mean_power(path.level, edges.off_s[:-1], edges.on_s[1:])
        faded &= power > _OVER_PAUSES * float(np.median(pauses)) if pauses.size else True
        # and where noise can be told from a tone, weak or not, it is none either; all the more if it has come up
        low, high = base.passband_hz
        in_cell = mean_of(path.quiet / NOISE_MARGIN, path.level, edges.on_s, edges.off_s)
        noise_there = in_cell * ((high - low) / path.level.noise_bandwidth_hz)
        opened = noise_there > 2.0 * float(np.median(noise_there))
        faded &= ~opened | (power > _READABLE * in_cell)
        told = power > np.where(opened, _TOLD_FROM_NOISE, 1.0) * noise_there
        faded &= ~(told & loud_pauses.like_noise(base, edges.on_s, edges.off_s, faded & told))
        moved = ~faded & (starts_s != edges.on_s)
        edges = replace(edges, on_s=np.where(faded, edges.on_s, starts_s))
        if (kept := true | faded).any():
            path, edges = _kept(path, edges, kept)
            moved = moved[kept]
        noisy = path.down_p is not None and fine.cell_s > 0.5 * path.level.cell_s
        likely = (np.where(moved, edges.on_s, path.on_s), path.off_s) if noisy else None
        return _marks(base, path, edges, keyed=True, likely=likely)
    return _marks(base, path, _presence(edges, path), keyed=False)


def _in_rhythm(
    levels: list[Level], path: Path, edges: Crossings, timing: morse_timing.Timing, noise: NoiseBeside
) -> Path:
    """The path found again with the rhythm that it has shown."""
    if _beyond_doubt(path, edges, timing):
        return path
    fit = [v for v in levels if v.cell_s <= timing.unit_s / 5]
    level = fit[-1] if fit else levels[0]
    quiet = noise.power(level)
    up = ~inside_stretches(
        path.on_s - 0.5 * timing.unit_s, path.off_s + 0.5 * timing.unit_s, level.z.size, 1 / level.cell_s
    )
    above = float(np.median(level.power[up] / quiet[up])) / np.log(2.0) if up.sum() > 20 else 1.0
    disturbance = quiet * max(above, 1.0)
    strongest = float(np.quantile(level.power, 0.9))
    disturbance = np.maximum(disturbance, strongest * level.noise_bandwidth_hz / MOST_CN0_HZ / 100)
    disturbance = np.maximum(disturbance, _left_after(level, path, timing.unit_s))
    unit = timing.unit_s / level.cell_s
    least = _LEAST_DIT / unit
    power = rhythm.followed_level(level.power, disturbance, max(2, round(1.25 * unit)), least)
    lost = power < least * disturbance  # a gain control has opened, or static: nothing there speaks for key-down
    disturbance = np.maximum(disturbance, _EDGE_POWER * power)  # a strong tone's edges are not neither of the two
    evidence = INDEPENDENT * rhythm.key_down_evidence(level.power / disturbance, power / disturbance)
    evidence[lost] = np.minimum(evidence[lost], 0.0)
    found = rhythm.marks_and_gaps(evidence, timing, level.cell_s)
    if found.first.size < LEAST_MARKS:
        return path
    return Path(level, quiet, power, found.first, found.last, path.gain, found.down_p)


def _left_after(level: Level, path: Path, unit_s: float) -> float:
    """Power in the middle of the first dit after a mark's end: a room's echo, no faded tone, fills the gaps."""
    down = inside_stretches(path.on_s, path.off_s, level.z.size, 1 / level.cell_s)
    after = inside_stretches(path.off_s + 0.25 * unit_s, path.off_s + 0.75 * unit_s, level.z.size, 1 / level.cell_s)
    after &= ~down
    if after.sum() < _ENOUGH_CELLS:
        return 0.0
    return min(float(np.median(level.power[after])), _MOST_LEFT * float(np.median(level.power[down])))


def _without_clicks(path: Path, edges: Crossings) -> tuple[Path, Crossings]:
    """Without marks far shorter than a dit (static, longer in coarse cells) or doubtful and far weaker than others."""
    length = edges.off_s - edges.on_s
    kept = length >= 0.4 * np.quantile(length, 0.25)
    if path.down_p is not None:
        power = mean_power(path.level, path.on_s, path.off_s)
        near = np.lib.stride_tricks.sliding_window_view(np.pad(power, 3, mode="edge"), 7)
        # in a fade the neighbours are weak too
        kept &= (power > 0.03 * np.median(near, axis=1)) | (_surest(path.down_p, path.first, path.last) > 0.9)
    return _kept(path, edges, kept)


def _kept(path: Path, edges: Crossings, kept: Mask) -> tuple[Path, Crossings]:
    """Some of the marks only."""
    on, off, rise, fall = (v[kept] for v in (edges.on_s, edges.off_s, edges.rise_s, edges.fall_s))
    path = replace(path, first=path.first[kept], last=path.last[kept])
    return path, replace(edges, on_s=on, off_s=off, rise_s=rise, fall_s=fall)


def _beyond_doubt(path: Path, edges: Crossings, timing: morse_timing.Timing) -> bool:
    """Whether each mark stands out far and each length is near those of its kind: a second look shows nothing new."""
    mark, gap = edges.off_s - edges.on_s, edges.on_s[1:] - edges.off_s[:-1]
    marks = np.log(mark / np.where(timing.dah, timing.dah_s, timing.dit_s))
    gaps = np.log(gap / timing.gaps_s[timing.gap])
    gaps = np.where(timing.gap == 2, np.minimum(gaps, 0.0), gaps)  # a pause may be of any length
    even = np.max(np.abs(marks)) < _EVEN and np.max(np.abs(gaps), initial=0.0) < 2 * _EVEN
    power = mean_power(path.level, path.on_s, path.off_s)
    # a fade that hides marks shows in those beside them
    clear = np.min(power) > max(_CLEAR * float(np.median(path.quiet)), _UNFADED * float(np.median(power)))
    return bool(even and clear)


def _keyed_timing(edges: Crossings) -> morse_timing.Timing | None:
    """The timing of keying, None where there is none.

    Keying has marks and gaps with sharp ends, of a few lengths; fading and cuts have not.
    Fading scatters lengths (the evidence of :mod:`sigcheck.measure.keyed.morse_timing` per mark and gap: a fist with
    25 % scatter 0.36, fading under 0.2). Where a fade passes through zero the amplitude is a V: from
    half to three quarters it takes, on both sides together, half of the time that it stayed below half.
    Edges as long as the dit take a third.
    """
    on, off = edges.on_s, edges.off_s
    if on.size < LEAST_MARKS:
        return None
    marks, gaps = off - on, on[1:] - off[:-1]
    slowness = float(np.median((edges.fall_s[:-1] + edges.rise_s[1:]) / gaps))
    share = float(marks.sum() / (off[-1] - on[0]))
    if slowness > _SHARP or share > _MOST_DOWN:
        return None
    timing = morse_timing.classify(on, off)
    dahs = float(np.mean(timing.dah))
    if min(dahs, 1 - dahs) < 0.1 and share > 0.65 and slowness > 0.2:
        return None  # lengths all alike, hardly any gaps, rounded: the beat of two paths
    sharp = slowness < 0.1 and share < 0.7
    least = 0.5 if on.size < 6 else -0.3 if sharp else 0.25
    return timing if timing.evidence > least * 2 * on.size else None


def _presence(edges: Crossings, path: Path) -> Crossings:
    """Stretches of a steady signal's presence: fades are filled, switching off is not."""
    on, off = edges.on_s, edges.off_s
    gaps = on[1:] - off[:-1]
    sharp = np.maximum(edges.fall_s[:-1], edges.rise_s[1:]) < 0.03 * gaps + 0.6 * path.level.cell_s
    gone = (gaps > max(_ABSENT_S, 6 * path.level.cell_s)) & sharp
    starts, ends = np.append(True, gone), np.append(gone, True)
    return Crossings(on[starts], off[ends], edges.rise_s[starts], edges.fall_s[ends], edges.settle_s)


def _marks(
    base: Baseband, path: Path, edges: Crossings, *, keyed: bool, likely: tuple[Real, Real] | None = None
) -> Marks:
    cell, n, rate = path.level.cell_s, base.z.size, base.rate_hz
    on, off = edges.on_s.copy(), edges.off_s.copy()
    end_s = n / rate
    cut_start, cut_end = bool(on[0] < 1.5 * cell), bool(off[-1] > end_s - 2.5 * cell)
    if cut_start:
        on[0] = 0.0
    if cut_end:
        off[-1] = end_s
    low, high = base.passband_hz
    # edges of some 5 to 10 ms and the ringing of the receiver's filter
    guard = 2.0 * edges.settle_s + 2.0 / max(high - low, 50.0)
    if keyed:
        marks, gaps = off - on, on[1:] - off[:-1]
        dit = 0.5 * (np.quantile(marks, 0.25) + np.quantile(gaps, 0.3))
        guard = float(np.clip(guard, min(0.004, 0.3 * dit), 0.3 * dit))
    else:
        guard = min(guard, 0.05 + 2 * cell)  # slow fades have no edges
    amplitude = np.sqrt(mean_power(path.level, on + cell, off - cell))
    first_guard, last_guard = np.full(on.size, guard), np.full(on.size, guard)
    first_guard[0] *= not cut_start
    last_guard[-1] *= not cut_end
    up_on, up_off = np.append(0.0, off + guard), np.append(on - guard, end_s)
    up_on[-1], up_off[0] = (end_s if cut_end else up_on[-1]), (0.0 if cut_start else up_off[0])
    return Marks(
        keyed=keyed,
        on_s=on,
        off_s=off,
        cut_start=cut_start,
        cut_end=cut_end,
        down=inside_stretches(on, off, n, rate),
        settled=inside_stretches(on + first_guard, off - last_guard, n, rate),
        up=inside_stretches(up_on, up_off, n, rate),
        amplitude=float(np.median(amplitude)),
        mark_p=None if path.down_p is None else _surest(path.down_p, path.first, path.last),
        likely_on_s=None if likely is None else likely[0],
        likely_off_s=None if likely is None else likely[1],
        gap_p=None if path.down_p is None else _surest(1 - path.down_p, path.last[:-1], path.first[1:]),
    )


def _surest(p: Real, first: Index, last: Index) -> Real:
    """Probability of stretches of cells: the mean over the inner half of each."""
    inner = np.maximum((last - first) // 4, 0)
    bounds = np.stack([first + inner, np.maximum(last - inner, first + inner + 1)], axis=1).ravel()
    length = bounds[1::2] - bounds[::2]
    return np.asarray(np.add.reduceat(np.append(p, 1.0), bounds)[::2] / length)


def _whole(base: Baseband, levels: list[Level], noise: NoiseBeside) -> Marks:
    """The whole recording as one steady mark; its amplitude from the level that shows it best."""
    n = base.z.size
    everything, nothing = np.ones(n, bool), np.zeros(n, bool)
    above = [(float(np.mean(v.power)), float(np.mean(noise.power(v)))) for v in levels if v.z.size]
    signal, quiet = max(above, key=lambda pair: pair[0] / pair[1], default=(0.0, 0.0))
    return Marks(
        keyed=False,
        on_s=np.zeros(1),
        off_s=np.array([n / base.rate_hz]),
        cut_start=True,
        cut_end=True,
        down=everything,
        settled=everything,
        up=nothing,
        amplitude=float(np.sqrt(max(signal - quiet, 0.0) or signal)),
    )
