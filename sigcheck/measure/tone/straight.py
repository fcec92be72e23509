"""A weak keyed tone held together as one: its phase a constant frequency or a steady drift, and where it is heard.

Followed from mark to mark, the phase of a weak signal now and then slips by a cycle, and a mark that is only noise
bends it. All marks together have no such doubt: the likelihood of one tone of constant frequency or constant rate
has a single highest peak wherever the signal can be heard at all (Rife & Boorstyn, IEEE Trans. Inf. Theory 20(5),
1974). Where that tone explains nearly all that is heard, it is what the phase is followed along; and along it the
edges of weak marks are seen better than by their power.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sigcheck.measure.audio.cells import Cells, cells, chirp_fit, with_path
from sigcheck.measure.tone.following import Rough
from sigcheck.measure.track import Baseband, Marks, Mask, Real

# Energy of the usual mark over noise density: with more, noise is no longer taken for a mark (it would have to be
# as strong), and the phase does not slip.
_WEAK_ENERGY = 1000.0
_LEAST_MARKS = 8
_SLIPS = 3.0  # cycles over the whole that the followed phase may be off by
_STEP = 0.25  # cycles at the ends, from one trial to the next
_BLOCK = 10  # cells: 40 ms, within which nothing near turns by much
_SOUND_SHARE = 0.9  # of the key-down time: with less of it on the tone, there is more to it than a straight course
_STRAIGHT = 0.8  # of the amplitude that the marks have one by one: a phase scatter of 0.6 rad
_MEDIAN = 0.6745  # of the magnitude of a normal variable
_ODD = 5.5  # sigmas of a mark's phase: noise gets there once in 20 million
_CELL_ENERGY = 4.0  # of one cell: with more, power places an edge better than the nearest cell does
_REACH = 7  # cells by which an edge may be moved: five sigma of one placed by power at the threshold


@dataclass(frozen=True)
class Straight:
    """A straight tone: where it is ``heard`` (n,), the cells there and their phase."""

    heard: Mask
    cells: Cells
    rough: Rough


@dataclass(frozen=True)
class _Course:
    """A phase polynomial: frequency (Hz, less the cells' path) at the middle, rate (Hz/s) and offset (cycles)."""

    hz: float
    rate: float
    offset: float
    middle_s: float

    def at(self, t: Real) -> Real:
        u = t - self.middle_s
        return np.asarray(self.offset + self.hz * u + 0.5 * self.rate * u**2)


def straightened(base: Baseband, marks: Marks, c: Cells, rough: Rough) -> Straight | None:
    """The straight tone near a followed phase, or None where the signal is strong, or not straight.

    Parameters
    ----------
    c : the key-down cells of ``marks``.
    rough : the cells' phase as followed from mark to mark; it may have slipped by a cycle here and there.
    """
    runs = c.run_start
    if not rough.coherent or runs.size < _LEAST_MARKS:
        return None
    seconds = np.add.reduceat(c.seconds, runs)
    if rough.power * float(np.median(seconds)) > _WEAK_ENERGY * c.noise_density:
        return None
    flat, phase = with_path(c, rough.phase)
    found = _fitted(flat, phase)
    if found is None:
        return None
    course, sound = found
    heard = _heard(base, marks.down, flat, sound, course)
    kept = cells(base, heard)
    return Straight(heard, kept, replace(rough, phase=course.at(kept.t) - kept.path_cycles))


def _fitted(c: Cells, phase: Real) -> tuple[_Course, Mask] | None:
    """The course of greatest likelihood near ``phase``, and which cells are in marks that hold it."""
    middle_s = float(np.average(c.t, weights=c.seconds))
    phase = _searched(c, phase, middle_s)
    sound: Mask | None = np.ones(c.t.size, bool)
    course = None
    for _ in range(3):  # again without the marks that are none
        if sound is None:
            return None
        some, group = c.take(sound), np.zeros(int(sound.sum()), np.intp)
        (hz, rate), _ = chirp_fit(some, phase[sound], order=2, middle_s=middle_s, group=group)
        course = _Course(float(hz), float(rate), 0.0, middle_s)
        whole = np.sum(some.s * np.exp(-2j * np.pi * course.at(some.t)))
        course = replace(course, offset=float(np.angle(whole)) / (2 * np.pi))
        phase = course.at(c.t)
        sound = _sound(c, phase)
    return None if sound is None or course is None else (course, sound)


def _searched(c: Cells, phase: Real, middle_s: float) -> Real:
    """The straight phase near ``phase`` along which all cells add up to most."""
    x = 2 * (c.t - middle_s) / max(float(np.ptp(c.t)), 1e-9)  # about -1 to 1
    slope, bend = np.polynomial.polynomial.polyfit(x, phase, 2)[1:]
    start = slope * x + bend * x**2
    blocks = np.union1d(np.arange(0, c.t.size, _BLOCK), c.run_start)
    sums = np.add.reduceat(c.s * np.exp(-2j * np.pi * start), blocks)
    at = np.add.reduceat(x * c.seconds, blocks) / np.add.reduceat(c.seconds, blocks)
    trial = np.arange(-_SLIPS, _SLIPS + _STEP / 2, _STEP)
    tilted = np.exp(-2j * np.pi * trial[:, None] * at)
    bent = np.exp(-2j * np.pi * trial[:, None] * at**2)
    height = np.abs((tilted * sums) @ bent.T)
    i, j = np.unravel_index(int(np.argmax(height)), height.shape)
    return np.asarray(start + trial[i] * x + trial[j] * x**2)


def _sound(c: Cells, phase: Real) -> Mask | None:
    """The cells (m,) of marks that hold a tone of that phase, or None where too few do.

    A mark belongs to the tone where the tone at its own level makes it likelier than noise alone, and where its
    phase is not far off.
    """
    runs = c.run_start
    s = np.add.reduceat(c.s * np.exp(-2j * np.pi * phase), runs)
    seconds = np.add.reduceat(c.seconds, runs)
    whole = s.sum()
    s = s * np.conj(whole) / max(abs(whole), 1e-300)
    level = float(np.median(s.real / seconds))
    if level <= 0.0:
        return None
    # log likelihood of the tone over that of noise: (2 A Re s - A^2 seconds) / N0
    likelier = s.real > 0.5 * level * seconds
    off = np.abs(s.imag) / np.sqrt(0.5 * c.noise_density * seconds)
    # an oscillator's own unrest counts with the noise
    sound = likelier & (off < _ODD * max(1.0, float(np.median(off)) / _MEDIAN))
    if seconds[sound].sum() < _SOUND_SHARE * seconds.sum():
        return None
    alone = np.sqrt(np.maximum(np.abs(s[sound]) ** 2 - c.noise_density * seconds[sound], 0.0))
    if s.real[sound].sum() < _STRAIGHT * alone.sum():
        return None
    return np.repeat(sound, np.diff(np.append(runs, c.t.size)))


def _heard(base: Baseband, down: Mask, c: Cells, sound: Mask, course: _Course) -> Mask:
    """Where the tone is (n,): key-down less the marks that are none, and weak marks' edges placed anew."""
    every = cells(base, np.ones(base.z.size, bool))
    own = np.zeros(every.total, bool)
    own[c.index[sound]] = True
    level = float(np.sum(np.real(c.s * np.exp(-2j * np.pi * course.at(c.t)))[sound]) / c.seconds[sound].sum())
    if level**2 * every.length_s < _CELL_ENERGY * every.noise_density:
        return np.repeat(_with_edges_moved(every, own, course, level), every.samples)[: base.z.size]
    return np.asarray(down & np.repeat(own, every.samples)[: base.z.size])


def _with_edges_moved(every: Cells, own: Mask, course: _Course, level: float) -> Mask:
    """Cells (total,) of marks whose edges are each at the place of greatest likelihood.

    Of a change from noise to a tone whose phase and level A are known, the log likelihood ratio of each cell is
    (2 A Re s - A^2 seconds) / N0; it is summed up over the cells between the edge and the mark's middle.
    """
    flat, _ = with_path(every, np.zeros(every.t.size))
    real = np.real(flat.s * np.exp(-2j * np.pi * course.at(flat.t)))
    ratio = np.zeros(every.total)
    ratio[every.index] = (2 * level * real - level**2 * every.seconds) / every.noise_density
    before = np.append(0.0, np.cumsum(ratio))
    edge = np.flatnonzero(np.diff(own, prepend=False, append=False))
    middle = (edge[1:] + edge[:-1]) // 2
    trial = edge[:, None] + np.arange(-_REACH, _REACH + 1)
    allowed = (trial >= np.append(0, middle)[:, None]) & (trial <= np.append(middle, every.total)[:, None])
    rising = np.where(np.arange(edge.size) % 2 == 0, -1.0, 1.0)[:, None]
    worth = np.where(allowed, rising * before[np.clip(trial, 0, every.total)], -np.inf)
    edge = trial[np.arange(edge.size), np.argmax(worth, axis=1)]
    turns = np.zeros(every.total + 1, np.intp)
    np.add.at(turns, edge[::2], 1)
    np.add.at(turns, edge[1::2], -1)
    return np.asarray(np.cumsum(turns)[: every.total] > 0)
