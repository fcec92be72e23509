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

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure import loud_pauses, morse_timing, rhythm
from sigcheck.measure.levels import NOISE_MARGIN, Level, NoiseBeside, log_i0, pyramid
from sigcheck.measure.track import Baseband, Marks, Mask, Real

Index = NDArray[np.intp]

_FINEST_KEYED_S = 0.003  # shortest cell in which keying is looked for: a fifth of a dit at 60 WPM
_INDEPENDENT = 0.55  # neighbouring cells overlap: so much of each counts as new evidence
_SWITCH_COST = 4.0  # log-odds of a change of state in one cell: elements last some ten cells
_MOST_PER_CELL = 7.0  # no single cell decides alone: static crashes
# A strong signal is treated as if it stood no higher than this over the noise density (33 dBHz).
# Then ripple, hum and the noise of a recovering gain control do not pass for keying, and the level
# that explains a recording best has cells of a tenth to a third of a dit.
_MOST_CN0_HZ = 2000.0
_FADE = 10**-2.2  # power below the strongest stretch at which the signal is still looked for
_LONGEST_BOUNCE_S = 0.013
_LEAST_MARKS = 3
_LEAST_DIT = 20.0  # energy of a dit over the noise density under which it can't be read
_EVEN = 0.15  # of its length, by which a machine's element may be off after edges and noise
_CLEAR = 100.0  # power over noise in a cell at which no mark is missed
_UNFADED = 0.2  # of the usual power: the weakest mark where nothing fades
_NEARLY = 0.95  # of the gain on the best level: a finer one that comes so near resolves elements better
_ROUNDS = 5  # of adapting levels, as long as more marks come out of fades
_RAYLEIGH = 1 - np.pi / 4  # variance of the amplitude of noise over its power; less where a tone is louder
_CHIRPS_S = 0.04  # most chirps have settled by then (common practice, no source)
_LEAST_LEFT = 0.003  # of a mark's power: what is left at key-up moves half amplitude by a twentieth of the edge
_SHARP = 0.42  # of a gap, for the amplitude to pass from three quarters to half and back
_MOST_DOWN = 0.88  # dahs on end are key-down for 3/4 of the time; a loose contact breaks for less
_LOUD_AS_MARKS = 0.4  # of a mark's usual power: less is no noise that a gain control has lifted
_TOLD_FROM_NOISE = 0.4  # times the passband's noise: the phasors of a tone then add up to more than those of noise
_OVER_PAUSES = 1.5  # of the power in the usual pause
_ABSENT_S = 1.0  # a steady signal that is gone for longer, and abruptly, was switched off


@dataclass(frozen=True)
class _Path:
    """Key-down runs on one level: cells ``first`` to ``last`` - 1 of each."""

    level: Level
    quiet: Real  # (cells,) power of the noise
    power: Real  # (cells,) of the tone at key-down, locally
    first: Index
    last: Index
    gain: float  # log-likelihood over "no signal", less the cost of changes
    down_p: Real | None = None  # (cells,) probability of key-down, where the rhythm is known

    @property
    def on_s(self) -> Real:
        return np.asarray(self.level.first_s + self.level.cell_s * (self.first - 0.5))

    @property
    def off_s(self) -> Real:
        return np.asarray(self.level.first_s + self.level.cell_s * (self.last - 0.5))


@dataclass(frozen=True)
class _Edges:
    """Refined half-amplitude crossings (n,) and what their shape tells, in seconds."""

    on_s: Real
    off_s: Real
    rise_s: Real  # from half to three quarters of the amplitude; infinite where it takes very long
    fall_s: Real
    settle_s: float  # typical time from half amplitude to 90 %


def segment(base: Baseband) -> Marks:
    """Find the key-down stretches.

    Returns Marks with ``keyed`` False for a steady signal: then one mark, or one for each stretch of
    presence. Where nothing can be told apart the whole recording is one steady mark.
    """
    levels = pyramid(base.z, base.rate_hz)
    noise = NoiseBeside.beside(base, levels[0])
    path = _best_path(levels, noise)
    if path is None or not path.first.size:
        return _whole(base, levels, noise)
    fine = _finest_usable(levels, path)
    edges = _refined(path, fine, final=False)
    if _is_keyed(edges):
        path = _in_rhythm(levels, path, edges, noise)
        path, edges = _without_clicks(path, _refined(path, fine, final=True))
        starts_s, true = loud_pauses.true_marks(base, edges.on_s, edges.off_s)
        # a gain control lifts what is heard in a pause to the usual level; what is weaker than that has faded
        power = _mean_power(path.level, edges.on_s, edges.off_s)
        faded = power < _LOUD_AS_MARKS * float(np.median(power))
        # but what is no stronger than the usual pause is one
        pauses = _mean_power(path.level, edges.off_s[:-1], edges.on_s[1:])
        faded &= power > _OVER_PAUSES * float(np.median(pauses)) if pauses.size else True
        # and where noise can be told from a tone, weak or not, it is none either; all the more if it has come up
        low, high = base.passband_hz
        in_passband = path.quiet * ((high - low) / path.level.noise_bandwidth_hz / NOISE_MARGIN)
        noise_there = _mean_of(in_passband, path.level, edges.on_s, edges.off_s)
        opened = noise_there > 2.0 * float(np.median(noise_there))
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


def _in_rhythm(levels: list[Level], path: _Path, edges: _Edges, noise: NoiseBeside) -> _Path:
    """The path found again with the rhythm that it has shown."""
    timing = morse_timing.classify(edges.on_s, edges.off_s)
    if _beyond_doubt(path, edges, timing):
        return path
    fit = [v for v in levels if v.cell_s <= timing.unit_s / 5]
    level = fit[-1] if fit else levels[0]
    quiet = noise.power(level)
    up = ~_within(path.on_s - 0.5 * timing.unit_s, path.off_s + 0.5 * timing.unit_s, level.z.size, 1 / level.cell_s)
    above = float(np.median(level.power[up] / quiet[up])) / np.log(2.0) if up.sum() > 20 else 1.0
    disturbance = quiet * max(above, 1.0)
    strongest = float(np.quantile(level.power, 0.9))
    disturbance = np.maximum(disturbance, strongest * level.noise_bandwidth_hz / _MOST_CN0_HZ / 100)
    unit = timing.unit_s / level.cell_s
    least = _LEAST_DIT / unit
    power = rhythm.followed_level(level.power, disturbance, max(2, round(1.25 * unit)), least)
    lost = power < least * disturbance  # a gain control has opened, or static: nothing there speaks for key-down
    disturbance = np.maximum(disturbance, 0.02 * power)  # a strong tone's edges are not neither of the two
    evidence = _INDEPENDENT * rhythm.key_down_evidence(level.power / disturbance, power / disturbance)
    evidence[lost] = np.minimum(evidence[lost], 0.0)
    found = rhythm.marks_and_gaps(evidence, timing, level.cell_s)
    if found.first.size < _LEAST_MARKS:
        return path
    return _Path(level, quiet, power, found.first, found.last, path.gain, found.down_p)


def _without_clicks(path: _Path, edges: _Edges) -> tuple[_Path, _Edges]:
    """Without marks far shorter than a dit (static, longer in coarse cells) or doubtful and far weaker than others."""
    length = edges.off_s - edges.on_s
    kept = length >= 0.4 * np.quantile(length, 0.25)
    if path.down_p is not None:
        power = _mean_power(path.level, path.on_s, path.off_s)
        near = np.lib.stride_tricks.sliding_window_view(np.pad(power, 3, mode="edge"), 7)
        # in a fade the neighbours are weak too
        kept &= (power > 0.03 * np.median(near, axis=1)) | (_surest(path.down_p, path.first, path.last) > 0.9)
    return _kept(path, edges, kept)


def _kept(path: _Path, edges: _Edges, kept: Mask) -> tuple[_Path, _Edges]:
    """Some of the marks only."""
    on, off, rise, fall = (v[kept] for v in (edges.on_s, edges.off_s, edges.rise_s, edges.fall_s))
    path = replace(path, first=path.first[kept], last=path.last[kept])
    return path, replace(edges, on_s=on, off_s=off, rise_s=rise, fall_s=fall)


def _beyond_doubt(path: _Path, edges: _Edges, timing: morse_timing.Timing) -> bool:
    """Whether each mark stands out far and each length is near those of its kind: a second look shows nothing new."""
    mark, gap = edges.off_s - edges.on_s, edges.on_s[1:] - edges.off_s[:-1]
    marks = np.log(mark / np.where(timing.dah, timing.dah_s, timing.dit_s))
    gaps = np.log(gap / timing.gaps_s[timing.gap])
    gaps = np.where(timing.gap == 2, np.minimum(gaps, 0.0), gaps)  # a pause may be of any length
    even = np.max(np.abs(marks)) < _EVEN and np.max(np.abs(gaps), initial=0.0) < 2 * _EVEN
    power = _mean_power(path.level, path.on_s, path.off_s)
    # a fade that hides marks shows in those beside them
    clear = np.min(power) > max(_CLEAR * float(np.median(path.quiet)), _UNFADED * float(np.median(power)))
    return bool(even and clear)


def _best_path(levels: list[Level], noise: NoiseBeside) -> _Path | None:
    """The path on the level that explains the recording best, found again there with adapted levels."""
    tried = [(v, noise.power(v)) for v in levels if v.cell_s >= _FINEST_KEYED_S]
    upper = [_upper_power(v, quiet) for v, quiet in tried]
    if not tried:
        return None
    grid, _ = upper[0]
    strongest = np.max([np.interp(grid, t, p) for t, p in upper], axis=0)
    least = _FADE * float(np.quantile(strongest, 0.95))
    paths: list[tuple[_Path, Real]] = []
    for (level, quiet), (t, p) in zip(tried, upper, strict=True):
        power = np.maximum(np.interp(level.times_s, t, p), least)
        ceiling = np.maximum(np.interp(level.times_s, grid, strongest), least)
        disturbance = np.maximum(quiet, ceiling * level.noise_bandwidth_hz / _MOST_CN0_HZ)
        if np.quantile(power / disturbance, 0.9) < 1.0:
            continue
        path = _viterbi(level, quiet, power, disturbance)
        if _resolved(path):
            paths.append((path, power))
    if not paths:
        return None
    most = max(path.gain for path, _ in paths)
    best, power = next((path, power) for path, power in paths if path.gain >= _NEARLY * most)
    for _ in range(_ROUNDS):
        before = best.first.size
        best = _cleaned(_adapted(best, power, least), noise.followed)
        if best.first.size <= before:
            break
    return best


def _upper_power(level: Level, noise: Real) -> tuple[Real, Real]:
    """Power of the tone at key-down by blocks of half a second or 40 cells: (centres, powers).

    A block without key-down takes its neighbours' power, less 9 dB for each step between.
    """
    width = min(max(round(0.5 / level.cell_s), 40), level.z.size)
    count = level.z.size // width
    p = level.power[: count * width].reshape(count, width)
    quiet = noise[: count * width].reshape(count, width)
    rank = round(0.85 * (width - 1))
    # a crash must not pass for signal; noise alone exceeds 1.9 times its mean for 15 % of the time
    above = np.maximum(np.partition(p - 1.9 * quiet, rank, axis=1)[:, rank], 1e-30)
    step = np.log(8.0) * np.arange(count)
    rising = np.maximum.accumulate(np.log(above) + step) - step
    falling = (np.maximum.accumulate((np.log(above) - step)[::-1]) + step[::-1])[::-1]
    centres = level.first_s + level.cell_s * width * (np.arange(count) + 0.5)
    return np.asarray(centres), np.asarray(np.exp(np.maximum(rising, falling)))


def _viterbi(level: Level, quiet: Real, power: Real, disturbance: Real) -> _Path:
    """Most probable key-up/key-down path given the tone's power and the disturbance's in each cell."""
    ratio = power / disturbance
    evidence = _INDEPENDENT * (log_i0(2 * np.sqrt(ratio * level.power / disturbance)) - ratio)
    down = _most_probable(np.clip(evidence, -_MOST_PER_CELL, _MOST_PER_CELL), _SWITCH_COST)
    first, last = _runs(down)
    gain = float(evidence[down].sum()) - 2 * _SWITCH_COST * first.size
    return _Path(level, quiet, power, first, last, gain)


def _most_probable(evidence: Real, cost: float) -> Mask:
    """Two-state Viterbi: the state sequence with the highest evidence less the cost of changes.

    The lead d of one state's score over the other's obeys d <- clip(d, -cost, cost) + evidence; where
    it leaves the clip range before the next cell, the state at that cell is decided, and the cells
    before, back to the last decision, share it.
    """
    lead = []
    d = 0.0
    for e in evidence.tolist():
        d = (cost if d > cost else -cost if d < -cost else d) + e
        lead.append(d)
    leads = np.array(lead)
    leads[-1] = np.copysign(2 * cost, leads[-1])
    decided = np.abs(leads) > cost
    position = np.where(decided, np.arange(leads.size), leads.size)
    following = np.minimum.accumulate(position[::-1])[::-1]
    return np.asarray(leads[following] > 0)


def _runs(mask: Mask) -> tuple[Index, Index]:
    """First and one-past-last index of each run of True."""
    change = np.diff(mask.astype(np.int8), prepend=0, append=0)
    return np.flatnonzero(change == 1), np.flatnonzero(change == -1)


def _resolved(path: _Path) -> bool:
    """Whether marks and gaps span several cells, so that the level can tell them (or there are too few)."""
    if path.first.size < _LEAST_MARKS:
        return True
    marks, gaps = path.last - path.first, path.first[1:] - path.last[:-1]
    return bool(np.median(marks) >= 3.5 and np.median(gaps) >= 2.5)


def _adapted(path: _Path, upper: Real, least: float) -> _Path:
    """The path found again with key-down and key-up levels taken from it.

    ``upper`` (cells,) is the tone's power as the blocks of the recording show it without a path.
    """
    level, quiet, n = path.level, path.quiet, path.level.z.size
    p = level.power
    down = _between(path.first, path.last, n)
    inside = down & np.roll(down, 1) & np.roll(down, -1)
    use = (inside if inside.sum() > 0.3 * down.sum() else down).astype(np.float64)
    width = max(round(0.35 / level.cell_s), 12)
    sums, weight = (
        _smooth_sum(_smooth_sum(v * use, width), width) for v in (np.sqrt(np.maximum(p - quiet, 0.0)), 1.0)
    )
    known = np.flatnonzero(weight > 2.5 * width)
    if not known.size:
        return path
    power = np.interp(np.arange(n), known, (sums[known] / weight[known]) ** 2)
    # where marks were missed in a fade, the interpolation between the found ones is too high
    power = np.maximum(np.minimum(power, 2 * upper), least)
    up = ~(down | np.roll(down, 1) | np.roll(down, -1))
    key_up = float(np.median(p[up] / quiet[up])) / np.log(2.0) * quiet if up.sum() > 5 else 0.0 * quiet
    # a deaf moment of the fading still stands clear of a quiet key-up: look 4.4 dB further down there
    power = np.maximum(np.minimum(power, np.maximum(0.36 * power, 16 * key_up)), 4 * key_up)
    disturbance = np.maximum(np.maximum(quiet, key_up), power * level.noise_bandwidth_hz / _MOST_CN0_HZ)
    found = _viterbi(level, quiet, power, disturbance)
    return found if found.first.size else path


def _smooth_sum(x: Real, width: int) -> Real:
    total = np.concatenate([[0.0], np.cumsum(x)])
    k = np.arange(x.size)
    return np.asarray(total[np.minimum(k + width // 2 + 1, x.size)] - total[np.maximum(k - width // 2, 0)])


def _between(first: Index, last: Index, n: int) -> Mask:
    """Mask (n,) of the runs first .. last - 1, which must not overlap."""
    inside = np.zeros(n, bool)
    for a, b in zip(np.clip(first, 0, n).tolist(), np.clip(last, 0, n).tolist(), strict=True):
        inside[a:b] = True
    return inside


def _cleaned(path: _Path, noise_followed: bool) -> _Path:
    """Without breaks far shorter than the usual gap, and without blips that are short or too weak.

    Where the noise was not followed, what is far weaker than its neighbours may be noise that a gain
    control has lifted.
    """
    first, last = path.first, path.last
    if first.size < _LEAST_MARKS:
        return path
    shortest_gap = 0.35 * np.quantile(first[1:] - last[:-1], 0.3)
    # a contact that bounces, maybe in most elements, opens for a few ms: no gap at any usual speed
    bounce = min(0.3 * float(np.median(last - first)), _LONGEST_BOUNCE_S / path.level.cell_s)
    shortest_gap = max(shortest_gap, bounce)
    keep = np.append(first[1:] - last[:-1] >= shortest_gap, True)
    last = last[keep]
    first = first[np.append(True, keep[:-1])]
    length = last - first
    p = np.concatenate([[0.0], np.cumsum(path.level.power)])
    quiet = np.concatenate([[0.0], np.cumsum(path.quiet)])
    energy = (p[last] - p[first]) - (quiet[last] - quiet[first])
    power = energy / length
    reach = min(7, (power.size - 1) // 2)
    around = np.lib.stride_tricks.sliding_window_view(np.pad(power, reach, mode="reflect"), 2 * reach + 1)
    local = power / np.maximum(np.median(around, axis=1), 1e-30)
    # energy over density: below some 13 dB a lone blip is as likely noise that the path let through
    over_noise = energy / (quiet[last] - quiet[first]) * length * _INDEPENDENT
    clear = (over_noise > 25.0) & (noise_followed | (local > 0.02))
    real = (length >= 0.4 * np.quantile(length, 0.25)) & (clear | (local > 0.1))
    return replace(path, first=first[real], last=last[real])


def _finest_usable(levels: list[Level], path: _Path) -> Level:
    """The finest level on which key-down stands 17 dB over all that is heard at key-up."""
    margin = path.level.cell_s
    quiet_on = np.concatenate([[0.0], path.off_s])
    quiet_off = np.concatenate([path.on_s, [path.level.times_s[-1]]])
    # a path that finds the start of a chirp late leaves it in the gap
    margins = np.maximum(margin, 0.25 * (quiet_off - quiet_on))
    quiet_on, quiet_off = quiet_on + margins, quiet_off - margins
    long = quiet_off - quiet_on > 0.5 * path.level.cell_s
    marks = np.median([_mean_power(path.level, path.on_s + margin / 2, path.off_s - margin / 2)])
    for level in levels:
        if level.cell_s >= path.level.cell_s:
            break
        if not long.any() or not _flat(level, path):
            continue
        if marks > 50.0 * _unsteady_power(level, quiet_on[long], quiet_off[long]):
            return level
    return path.level


def _unsteady_power(level: Level, start_s: Real, end_s: Real) -> float:
    """Power of what is heard in stretches, less that of a tone that stays there: only what swings moves a crossing."""
    length = end_s - start_s
    power = _mean_power(level, start_s, end_s)
    amplitude = _mean_of(np.abs(level.z), level, start_s, end_s)
    scatter = np.maximum(power - amplitude**2, 0.0) / _RAYLEIGH
    return float(np.average(np.minimum(power, scatter), weights=length))


def _flat(level: Level, path: _Path) -> bool:
    """Whether marks are free of deep ripple on this level (a coarser one averages over it)."""
    margin = path.level.cell_s
    inside = _within(path.on_s + margin, path.off_s - margin, level.z.size, 1 / level.cell_s)
    if not inside.any():
        return False
    steps = np.abs(level.z)[inside]
    local = _smooth_sum(steps, max(round(4 * margin / level.cell_s), 3))
    mean = local / _smooth_sum(np.ones(steps.size), max(round(4 * margin / level.cell_s), 3))
    return bool(np.mean((steps / np.maximum(mean, 1e-30) - 1) ** 2) < 0.1)


def _mean_power(level: Level, start_s: Real, end_s: Real) -> Real:
    """Mean power over each of the stretches, at least one cell of each."""
    return _mean_of(level.power, level, start_s, end_s)


def _mean_of(x: Real, level: Level, start_s: Real, end_s: Real) -> Real:
    total = np.concatenate([[0.0], np.cumsum(x, dtype=np.float64)])
    a = np.clip(np.ceil(level.cell_at(start_s)).astype(int), 0, level.z.size - 1)
    b = np.clip(np.floor(level.cell_at(end_s)).astype(int) + 1, a + 1, level.z.size)
    return np.asarray((total[b] - total[a]) / (b - a))


def _refined(path: _Path, fine: Level, *, final: bool) -> _Edges:
    """Half-amplitude crossings near the path's edges, half being taken from each element's own level.

    ``final``: halfway from what the tone leaves at key-up, and without the lift that noise gives to a magnitude.
    Before that it isn't known whether there is any keying: what fading leaves is no backwave.
    """
    on, off = path.on_s, path.off_s
    # The median magnitude of a tone in noise is near the root of its power and half of the noise's here; half of
    # the root of the full power and all of the noise's there, near the root of a quarter of the first and of that.
    share = 0.5 * fine.noise_bandwidth_hz / path.level.noise_bandwidth_hz - 0.25
    lift = share * np.interp(fine.times_s, path.level.times_s, path.quiet) / NOISE_MARGIN if final else 0.0
    amplitude = np.sqrt(np.maximum(fine.power - lift, 0.0))
    # the level near an edge: from well inside up to a dit further, as fading may change it along a mark
    length = off - on
    dit = float(np.quantile(length, 0.25))
    # what chirps begins outside the band of the path's cells, which see it late
    gap = float(np.quantile(on[1:] - off[:-1], 0.3)) if on.size > 1 else 0.0
    reach = int(np.ceil(max(3.0 * path.level.cell_s, 0.3 * dit, min(_CHIRPS_S, 0.6 * gap)) / fine.cell_s)) + 2
    skip = np.minimum(0.35 * dit, 0.4 * length)
    span = np.minimum(0.65 * dit, length - 2 * skip)
    start = np.sqrt(_mean_power(path.level, on + skip, on + skip + span))
    end = np.sqrt(_mean_power(path.level, off - skip - span, off - skip))
    if final and (left := _left_over(path)):
        amplitude = np.maximum(amplitude - left * np.interp(fine.times_s, on, start), 0.0)
        start, end = (1 - left) * start, (1 - left) * end
    rise = _crossings(amplitude, fine.cell_at(on), start, reach, rising=True)
    fall = _crossings(amplitude, fine.cell_at(off), end, reach, rising=False)
    on_s = fine.first_s + fine.cell_s * rise[0]
    off_s = fine.first_s + fine.cell_s * fall[0]
    bad = off_s <= on_s
    on_s[bad], off_s[bad] = on[bad], off[bad]
    overlap = np.flatnonzero(on_s[1:] <= off_s[:-1])
    on_s[overlap + 1], off_s[overlap] = on[overlap + 1], off[overlap]
    settle = np.concatenate([rise[2], fall[2]])
    settle_s = float(np.median(np.minimum(settle, 2 * reach))) * fine.cell_s
    return _Edges(on_s, off_s, rise[1] * fine.cell_s, fall[1] * fine.cell_s, settle_s)


def _left_over(path: _Path) -> float:
    """Amplitude of the tone at key-up over that at key-down, where it stands out of the noise beside it."""
    margin = 1.5 * path.level.cell_s
    up = ~_within(path.on_s - margin, path.off_s + margin, path.level.z.size, 1 / path.level.cell_s)
    up &= _within(path.on_s[:1], path.off_s[-1:], path.level.z.size, 1 / path.level.cell_s)
    if up.sum() < _LEAST_MARKS or not path.first.size:
        return 0.0
    marks = float(np.median(_mean_power(path.level, path.on_s + margin / 3, path.off_s - margin / 3)))
    left = float(np.median(path.level.power[up]) - np.median(path.quiet[up]))
    return float(np.sqrt(left / marks)) if left > max(path.quiet[up].mean(), _LEAST_LEFT * marks) else 0.0


def _crossings(
    amplitude: Real, guess: Real, full: Real, reach: int, *, rising: bool
) -> tuple[Real, Real, Real]:
    """Crossings of half of ``full`` nearest the guesses, and times from there to 3/4 and 9/10, in cells.

    A falling edge is a rising one seen backwards. Where no crossing is found the guess stands; times
    that are not over within ``reach`` are infinite.
    """
    sense = 1 if rising else -1
    centre = np.round(guess).astype(int)
    columns = centre[:, None] + sense * np.arange(-reach, reach + 1)
    e = amplitude[np.clip(columns, 0, amplitude.size - 1)] / np.maximum(full, 1e-30)[:, None]
    crossing = (e[:, :-1] < 0.5) & (e[:, 1:] >= 0.5)
    distance = np.where(crossing, np.abs(np.arange(2 * reach) + 0.5 - reach), np.inf)
    j = np.argmin(distance, axis=1)
    found = np.isfinite(distance[np.arange(j.size), j])
    half = _at_level(e, j, 0.5)
    later = np.arange(2 * reach) >= j[:, None]
    times = []
    for height in (0.75, 0.9):
        passing = (e[:, :-1] < height) & (e[:, 1:] >= height) & later
        reached = found & passing.any(axis=1)
        times.append(np.where(reached, _at_level(e, np.argmax(passing, axis=1), height) - half, np.inf))
    return np.where(found, centre + sense * (half - reach), guess), times[0], times[1]


def _at_level(e: Real, j: Index, height: float) -> Real:
    """Column where e (rows, columns) passes the height between columns j and j + 1, linearly."""
    rows = np.arange(j.size)
    a, b = e[rows, j], e[rows, j + 1]
    step = np.where(np.abs(b - a) > 1e-12, b - a, 1.0)
    return np.asarray(j + np.clip((height - a) / step, 0.0, 1.0))


def _is_keyed(edges: _Edges) -> bool:
    """Keying has marks and gaps with sharp ends, of a few lengths; fading and cuts have not.

    Fading scatters lengths (the evidence of :mod:`sigcheck.measure.morse_timing` per mark and gap: a fist with
    25 % scatter 0.36, fading under 0.2). Where a fade passes through zero the amplitude is a V: from
    half to three quarters it takes, on both sides together, half of the time that it stayed below half.
    Edges as long as the dit take a third.
    """
    on, off = edges.on_s, edges.off_s
    if on.size < _LEAST_MARKS:
        return False
    marks, gaps = off - on, on[1:] - off[:-1]
    slowness = float(np.median((edges.fall_s[:-1] + edges.rise_s[1:]) / gaps))
    share = float(marks.sum() / (off[-1] - on[0]))
    if slowness > _SHARP or share > _MOST_DOWN:
        return False
    timing = morse_timing.classify(on[:200], off[:200])
    dahs = float(np.mean(timing.dah))
    if min(dahs, 1 - dahs) < 0.1 and share > 0.65 and slowness > 0.2:
        return False  # lengths all alike, hardly any gaps, rounded: the beat of two paths
    regular = timing.evidence / (2 * min(on.size, 200))
    if on.size < 6:
        return bool(regular > 0.5)
    return bool(regular > (-0.3 if slowness < 0.1 and share < 0.7 else 0.25))


def _presence(edges: _Edges, path: _Path) -> _Edges:
    """Stretches of a steady signal's presence: fades are filled, switching off is not."""
    on, off = edges.on_s, edges.off_s
    gaps = on[1:] - off[:-1]
    sharp = np.maximum(edges.fall_s[:-1], edges.rise_s[1:]) < 0.03 * gaps + 0.6 * path.level.cell_s
    gone = (gaps > max(_ABSENT_S, 6 * path.level.cell_s)) & sharp
    starts, ends = np.append(True, gone), np.append(gone, True)
    return _Edges(on[starts], off[ends], edges.rise_s[starts], edges.fall_s[ends], edges.settle_s)


def _marks(
    base: Baseband, path: _Path, edges: _Edges, *, keyed: bool, likely: tuple[Real, Real] | None = None
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
    amplitude = np.sqrt(_mean_power(path.level, on + cell, off - cell))
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
        down=_within(on, off, n, rate),
        settled=_within(on + first_guard, off - last_guard, n, rate),
        up=_within(up_on, up_off, n, rate),
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


def _within(start_s: Real, end_s: Real, n: int, rate_hz: float) -> Mask:
    some = end_s > start_s
    edges = [np.clip(np.ceil(t[some] * rate_hz - 1e-6).astype(int), 0, n) for t in (start_s, end_s)]
    filled = edges[1] > edges[0]
    return _between(edges[0][filled], edges[1][filled], n)


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
