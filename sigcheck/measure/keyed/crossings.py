"""Where single marks begin and end: crossings of half amplitude, on the finest time scale that the noise allows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sigcheck.measure.keyed.levels import NOISE_MARGIN, Level
from sigcheck.measure.keyed.path import LEAST_MARKS, Index, Path, inside_runs, running_sum
from sigcheck.measure.track import Mask, Real

_RAYLEIGH = 1 - np.pi / 4  # variance of the amplitude of noise over its power; less where a tone is louder
_CHIRPS_S = 0.04  # most chirps have settled by then (common practice, no source)
_LEAST_LEFT = 0.003  # of a mark's power: what is left at key-up moves half amplitude by a twentieth of the edge


@dataclass(frozen=True)
class Crossings:
    """Refined half-amplitude crossings (n,) and what their shape tells, in seconds."""

    on_s: Real
    off_s: Real
    rise_s: Real  # from half to three quarters of the amplitude; infinite where it takes very long
    fall_s: Real
    settle_s: float  # typical time from half amplitude to 90 %


def finest_usable(levels: list[Level], path: Path) -> Level:
    """The finest level on which key-down stands 17 dB over all that is heard at key-up."""
    margin = path.level.cell_s
    quiet_on = np.concatenate([[0.0], path.off_s])
    quiet_off = np.concatenate([path.on_s, [path.level.times_s[-1]]])
    # a path that finds the start of a chirp late leaves it in the gap
    margins = np.maximum(margin, 0.25 * (quiet_off - quiet_on))
    quiet_on, quiet_off = quiet_on + margins, quiet_off - margins
    long = quiet_off - quiet_on > 0.5 * path.level.cell_s
    marks = np.median([mean_power(path.level, path.on_s + margin / 2, path.off_s - margin / 2)])
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
    power = mean_power(level, start_s, end_s)
    amplitude = mean_of(np.abs(level.z), level, start_s, end_s)
    scatter = np.maximum(power - amplitude**2, 0.0) / _RAYLEIGH
    return float(np.average(np.minimum(power, scatter), weights=length))


def _flat(level: Level, path: Path) -> bool:
    """Whether marks are free of deep ripple on this level (a coarser one averages over it)."""
    margin = path.level.cell_s
    inside = inside_stretches(path.on_s + margin, path.off_s - margin, level.z.size, 1 / level.cell_s)
    if not inside.any():
        return False
    steps = np.abs(level.z)[inside]
    local = running_sum(steps, max(round(4 * margin / level.cell_s), 3))
    mean = local / running_sum(np.ones(steps.size), max(round(4 * margin / level.cell_s), 3))
    return bool(np.mean((steps / np.maximum(mean, 1e-30) - 1) ** 2) < 0.1)


def mean_power(level: Level, start_s: Real, end_s: Real) -> Real:
    """Mean power over each of the stretches, at least one cell of each."""
    return mean_of(level.power, level, start_s, end_s)


def mean_of(x: Real, level: Level, start_s: Real, end_s: Real) -> Real:
    """Mean of ``x`` over each of the stretches, at least one cell of each."""
    a = np.clip(np.ceil(level.cell_at(start_s)).astype(int), 0, level.z.size - 1)
    b = np.clip(np.floor(level.cell_at(end_s)).astype(int) + 1, a + 1, level.z.size)
    sums = np.add.reduceat(np.append(x, 0.0), np.stack([a, b], axis=1).ravel())[::2]
    return np.asarray(sums / (b - a))


def refined_crossings(path: Path, fine: Level, *, final: bool) -> Crossings:
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
    start = np.sqrt(mean_power(path.level, on + skip, on + skip + span))
    end = np.sqrt(mean_power(path.level, off - skip - span, off - skip))
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
    return Crossings(on_s, off_s, rise[1] * fine.cell_s, fall[1] * fine.cell_s, settle_s)


def _left_over(path: Path) -> float:
    """Amplitude of the tone at key-up over that at key-down, where it stands out of the noise beside it."""
    margin = 1.5 * path.level.cell_s
    up = ~inside_stretches(path.on_s - margin, path.off_s + margin, path.level.z.size, 1 / path.level.cell_s)
    up &= inside_stretches(path.on_s[:1], path.off_s[-1:], path.level.z.size, 1 / path.level.cell_s)
    if up.sum() < LEAST_MARKS or not path.first.size:
        return 0.0
    marks = float(np.median(mean_power(path.level, path.on_s + margin / 3, path.off_s - margin / 3)))
    left = float(np.median(path.level.power[up]) - np.median(path.quiet[up]))
    return float(np.sqrt(left / marks)) if left > max(path.quiet[up].mean(), _LEAST_LEFT * marks) else 0.0


def _crossings(amplitude: Real, guess: Real, full: Real, reach: int, *, rising: bool) -> tuple[Real, Real, Real]:
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


def inside_stretches(start_s: Real, end_s: Real, n: int, rate_hz: float) -> Mask:
    """Mask (n,) of samples inside stretches of seconds."""
    some = end_s > start_s
    edges = [np.clip(np.ceil(t[some] * rate_hz - 1e-6).astype(int), 0, n) for t in (start_s, end_s)]
    filled = edges[1] > edges[0]
    return inside_runs(edges[0][filled], edges[1][filled], n)
