"""Frequency of each element from its own phase, and what of it is the oscillator's.

Elements tell less than the phase through all gaps, but nothing that is wrong with one spoils another. What isn't
the oscillator's is taken off: the chirp that every element has, marks that are noise or a crash of static, and
those in a deep fade, where the phase of what is left turns by itself.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.audio.cells import Cells
from sigcheck.measure.course.phase_record import Record, frequency_record
from sigcheck.measure.track import Real

_ALIKE_AT_LEAST = 4  # dits, and dahs, from which on their difference can be told
_COURSE_ORDER = 5  # of the polynomial that stands for the course meanwhile
_RESTLESS = 1.5  # so much more scatter about it than from element to element: the course is no polynomial
_FAINT = 0.06  # of the usual power: 12 dB down such an element adds a sixteenth of another one's information
_NEIGHBOURS = 4  # on either side
_AROUND = 5  # elements: two on either side, and itself
_FEWEST = 8  # elements, for one to stand out among them
_ODD = 6.0  # scatters
_NOISE_SIGMAS = 5.0


def element_frequencies(whole: Cells, settled: Cells, phase: Real) -> Record:
    """Frequency of each element, its edges left out if they pull it.

    ``phase`` (m,) belongs to ``whole``, the cells of the whole elements. Their edges sharpen the
    frequency much, unless a chirp or a filter's swing bends them.
    """
    record = frequency_record(whole, phase)
    if settled.t.size < 3:
        return record
    inner = frequency_record(settled, np.interp(settled.t, whole.t, phase))
    both = [(np.average(r.y, weights=1 / r.var), 1 / np.sum(1 / r.var)) for r in (record, inner)]
    difference = abs(both[0][0] - both[1][0])
    pulled = difference > 3.0 * np.sqrt(max(both[1][1] - both[0][1], 0.0))
    return without_odd_ones(alike_at_any_length(inner if pulled else record))


def alike_at_any_length(r: Record) -> Record:
    """The frequencies, of short and long elements brought to the mean of all.

    Whatever frequency does within every element (a chirp) pulls a dit's mean more than a dah's. Left in, it is a
    scatter far above the noise's. Its size is fitted together with a smooth course and taken out; where the
    frequency jumps no smooth course fits, and each dah is held against the dit beside it. The mean over the
    key-down time stays.
    """
    apart = float(np.sqrt(r.seconds.min() * r.seconds.max()))
    long = r.seconds > apart
    few = min(int(long.sum()), int((~long).sum()))
    if few < _ALIKE_AT_LEAST or np.median(r.seconds[long]) < 1.5 * np.median(r.seconds[~long]):
        return r
    u = (r.t - r.t.mean()) / max(float(np.ptp(r.t)), 1e-9)
    order = min(_COURSE_ORDER, r.t.size // 6)
    design = np.column_stack([np.vander(u, order + 1), long])
    beta = np.linalg.lstsq(design, r.y, rcond=None)[0]
    excess = float(beta[-1])
    beside = _excess_beside(r, long)
    if beside is not None:
        about_course = float(np.sqrt(np.mean((r.y - design @ beta) ** 2)))
        if about_course > _RESTLESS * beside[1]:
            excess = beside[0]
    return replace(r, y=r.y - excess * (long - float(r.seconds[long].sum() / r.seconds.sum())))


def _excess_beside(r: Record, long: NDArray[np.bool_]) -> tuple[float, float] | None:
    """How far a dah lies above the dit beside it, and the scatter of one element, both without the few that jump."""
    pairs = np.flatnonzero(long[1:] != long[:-1])
    if pairs.size < _ALIKE_AT_LEAST:
        return None
    step = (r.y[pairs + 1] - r.y[pairs]) * np.where(long[pairs], -1.0, 1.0)
    noise = np.sqrt(r.var[pairs + 1] + r.var[pairs])
    middle = float(np.median(step))
    scatter = max(1.4826 * float(np.median(np.abs(step - middle))), float(np.median(noise)))
    near = np.abs(step - middle) < 3.0 * scatter
    return float(np.average(step[near], weights=1 / noise[near] ** 2)), scatter / float(np.sqrt(2.0))


def without_odd_ones(r: Record) -> Record:
    """Less single elements that stand far off all around them, and less faint ones that do."""
    if r.t.size < _FEWEST:
        return r
    power = r.seconds**-3 / r.var  # of an even tone the variance goes as 1 / (power length^3)
    faint = power < _FAINT * float(np.quantile(power, 0.75))
    kept = ~(faint & _is_off(r, ~faint, _NEIGHBOURS))
    clear = r.take(kept)
    return clear.take(~_is_alone(clear)) if clear.t.size >= _FEWEST else r


def _is_off(r: Record, sound: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    """Which elements lie outside what the sound ones around them span, by more than noise explains."""
    y, var = r.y[sound], r.var[sound]
    if y.size == 0:
        return np.zeros(r.t.size, bool)
    after = np.searchsorted(np.flatnonzero(sound), np.arange(r.t.size))
    # rows of neighbours, of which the ends have fewer
    around = np.arange(-reach, reach) + after[:, None]
    beyond = (around < 0) | (around >= y.size)
    around = np.clip(around, 0, y.size - 1)
    near = np.where(beyond, np.nan, y[around])
    margin = _NOISE_SIGMAS * np.sqrt(r.var + np.nanmedian(np.where(beyond, np.nan, var[around]), axis=1))
    low, high = np.nanmin(near, axis=1) - margin, np.nanmax(near, axis=1) + margin
    return np.asarray(~((low <= r.y) & (r.y <= high)))


def _is_alone(r: Record) -> NDArray[np.bool_]:
    """Which elements stand far off their neighbours while these agree.

    What one element does alone is no course of the oscillator: static in it, lost samples, a contact that bounced;
    and after a pause a chirp is another.
    """
    # an end is held against more, for it has neighbours on one side only
    last = r.t.size - 1
    ends, inner = np.array([0, last]), np.arange(1, last)
    out = np.empty(r.t.size, bool)
    out[ends], out[inner] = _stands_off(r, ends, _FEWEST), _stands_off(r, inner, _AROUND)
    return out


def _stands_off(r: Record, at: NDArray[np.intp], count: int) -> NDArray[np.bool_]:
    """Which of the elements ``at`` lie far from the middle of the ``count`` around and with them."""
    first = np.clip(at - count // 2, 0, r.t.size - count)
    others = first[:, None] + np.arange(count - 1)
    others += others >= at[:, None]  # all but the element itself
    near = r.y[others]
    middle = np.median(near, axis=1)
    usual = 1.4826 * float(np.median(np.abs(np.diff(r.y)))) / np.sqrt(2.0)
    scatter = np.maximum(1.4826 * np.median(np.abs(near - middle[:, None]), axis=1), usual)
    scatter = np.maximum(scatter, np.sqrt(np.maximum(r.var[others].max(axis=1), r.var[at])))
    return np.asarray(np.abs(r.y[at] - middle) > _ODD * scatter)
