"""A slow-keyed signal read along one course: runs, rhythm, mode and text."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from sigcheck.measure import morse
from sigcheck.measure.slowly import path
from sigcheck.measure.slowly import runs as run
from sigcheck.measure.slowly.certainty import certainty
from sigcheck.measure.slowly.fit import PathFit, ToneFit, fit_path, run_frequencies
from sigcheck.measure.slowly.partner import WIDEST_SHIFT_HZ, apart, elsewhere, where_when_off
from sigcheck.measure.slowly.runs import HIGH, LOW, OFF, Pair, Rhythm, Runs
from sigcheck.measure.slowly.signal import LEAST_ELEMENTS, Mode, SlowKeying
from sigcheck.measure.slowly.text import elements_of
from sigcheck.measure.slowly.way_up import right_way_up
from sigcheck.measure.spectrum import Survey
from sigcheck.measure.track import Real

if TYPE_CHECKING:
    from sigcheck.plan import Plan


def read_along(
    low: path.Band, high: path.Band, course: path.Course, frame_s: float, plan: Plan | None
) -> SlowKeying | None:
    """Runs, rhythm and text along one course; None where there are too few runs to be keying."""
    hz = np.interp(low.times_s, course.times_s, course.hz) + low.centre_hz
    density = np.full((2, low.z.size), max(course.density, 1e-6))
    pair = Pair(low, high, hz, course.shift_hz, density)
    # no lengths are known yet: runs of at most a frame, joined as long as the state stays
    c = run.cells(pair, frame_s / 8)
    runs = run.best_runs(run.run_scores(c, pair.tones, 10, 16.0), c).inner()
    if not _enough(runs):
        return None
    for _ in range(2):
        followed = _followed(pair, runs, frame_s)
        if followed is None:
            return None
        pair, _, _ = followed
    readings = [
        reading
        for mode, inverted, rhythm in _hypotheses(runs, pair)
        for reading in _by_rhythm(mode, inverted, rhythm, pair)
    ]
    return right_way_up(readings, plan)


def _enough(runs: Runs) -> bool:
    return int(runs.on.sum()) >= LEAST_ELEMENTS and runs.state.size >= LEAST_ELEMENTS + 4


def _followed(pair: Pair, runs: Runs, dit_s: float) -> tuple[Pair, PathFit, ToneFit] | None:
    """The pair along the path, with the shift and the levels, that the runs themselves show."""
    tones = run_frequencies(runs, pair, dit_s)
    fit = fit_path(tones)
    if fit is None or (pair.shift_hz and not fit.shift_hz):
        return None
    moved = replace(pair, path_hz=fit.path(pair.low.times_s), shift_hz=fit.shift_hz)
    return replace(moved, density=_levels(moved, runs, dit_s)), fit, tones


def _levels(pair: Pair, runs: Runs, dit_s: float) -> Real:
    """C/N0 of each tone against time, from its runs, smooth over some three to nine of them."""
    c = run.cells(pair, 0.0)
    out = np.array(pair.density)
    for tone in range(pair.tones):
        mine = (runs.state == tone) & (runs.length_s > 0.5 * dit_s)
        if not mine.any():
            continue
        a, b = (run.positions(c, v[mine]) for v in (runs.start_s, runs.end_s))
        seconds = np.maximum(b - a, 1) * c.cell_s
        level = (np.abs(c.total[tone, b] - c.total[tone, a]) ** 2 / seconds - 1.0) / seconds
        middle = 0.5 * (runs.start_s + runs.end_s)[mine]
        # strong runs tell their level one by one, and so follow fading; weak ones only together
        energy = float(np.median(level)) * dit_s
        width = min(3 if energy > 100.0 else 5 if energy > 40.0 else 9, level.size) | 1
        padded = np.pad(level, width // 2, mode="edge")
        smooth = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
        smooth = np.maximum(smooth, 0.03 * float(np.median(level)))
        out[tone] = np.maximum(np.interp(pair.low.times_s, middle, smooth), 1e-6)
    return out


def _hypotheses(runs: Runs, pair: Pair) -> list[tuple[Mode, bool, Rhythm]]:
    """What the runs may be: the mode, whether it is upside down, and the lengths to expect."""
    seconds = np.array([runs.length_s[runs.state == s].sum() for s in (LOW, HIGH, OFF)])
    if pair.tones == 1:
        rhythm = _morse_rhythm(runs, LOW)
        return [] if rhythm is None else [("qrss", False, rhythm)]
    if min(seconds[LOW], seconds[HIGH]) < 0.08 * seconds[:2].sum():
        return []
    if seconds[OFF] < 0.12 * seconds.sum():
        found: list[tuple[Mode, bool, Rhythm]] = []
        for mark in (HIGH, LOW):
            rhythm = _morse_rhythm(runs, mark)
            if rhythm is not None:
                found.append(("fskcw", mark == LOW, rhythm))
        return found
    return [("dfcw", False, _equal_rhythm(runs))]


def _morse_rhythm(runs: Runs, mark: int) -> Rhythm | None:
    on, off = _marks_of(runs, mark)
    if on.size < LEAST_ELEMENTS:
        return None
    timing = morse.classify(on, off)
    dit = timing.unit_s
    gaps = np.clip(timing.gaps_s, np.array([0.5, 2.0, 5.0]) * dit, np.array([1.5, 4.5, 9.0]) * dit)
    return Rhythm(marks=(timing.dit_s, timing.dah_s), gaps=tuple(gaps.tolist()), mark_states=(mark,))


def _equal_rhythm(runs: Runs) -> Rhythm:
    length = runs.length_s[runs.on]
    one = float(np.quantile(length, 0.3))
    one = float(np.median(length[length < 1.5 * one]))
    gaps = tuple(one * g for g in (0.33, 0.6, 1.0, 2.0, 3.0))
    return Rhythm(marks=(one,), gaps=gaps, mark_states=(LOW, HIGH), split=True)


def _marks_of(runs: Runs, mark: int) -> tuple[Real, Real]:
    mine = runs.state == mark
    return runs.start_s[mine], runs.end_s[mine]


def _by_rhythm(mode: Mode, inverted: bool, rhythm: Rhythm, pair: Pair) -> list[SlowKeying]:
    """The runs found again with the lengths of the rhythm; twice, as the path is better known then.

    DFCW is read either way up.
    """
    dit = rhythm.marks[0]
    fit, tones = None, None
    runs: Runs | None = None
    for _ in range(2):
        c = run.cells(pair, dit / 12)
        longest = int(np.ceil(3.6 * dit / c.cell_s)) if mode != "dfcw" else int(np.ceil(3.4 * dit / c.cell_s))
        scores = run.run_scores(c, pair.tones, longest, 12.0, faded=1)
        runs = run.best_runs(scores, c, rhythm=rhythm, change=2.0).inner()
        if not _enough(runs):
            return []
        runs = _joined(runs) if mode != "dfcw" else runs
        followed = _followed(pair, runs, dit)
        if followed is None:
            return []
        pair, fit, tones = followed
    assert runs is not None and fit is not None and tones is not None
    if (pair.tones == 2 and not apart(runs, pair)) or (mode != "fskcw" and elsewhere(runs, pair)):
        return []
    runs = run.sharpened(runs, pair, dit)
    c = run.cells(pair, dit / 12)
    scores = run.run_scores(c, pair.tones, longest, 12.0, faded=1)
    sure = np.minimum(run.certainty(runs, pair, dit), certainty(runs, scores, c, rhythm, dit))
    if pair.tones == 2:
        sure[tones.run] = np.minimum(sure[tones.run], 1.0 / (1.0 + np.exp(-np.clip(fit.odds, -50.0, 50.0))))
    ways = (False, True) if mode == "dfcw" else (inverted,)
    readings = [(way, elements_of(mode, way, runs, pair, dit, sure)) for way in ways]
    return [SlowKeying(mode, way, pair, runs, fit, e, dit, runs.score) for way, e in readings if e is not None]


def _joined(runs: Runs) -> Runs:
    """Neighbouring runs of one state as one."""
    first = np.append(True, runs.state[1:] != runs.state[:-1])
    last = np.append(first[1:], True)
    return replace(runs, start_s=runs.start_s[first], end_s=runs.end_s[last], state=runs.state[first])


def with_partner(s: Survey, read: SlowKeying, frame_s: float, noise: path.Noise, plan: Plan | None) -> SlowKeying:
    """The reading with the tone that is on while this one is off, where there is such a tone far from it."""
    runs, pair = read.runs, read.pair
    centre = pair.low.centre_hz
    wide = path.band(s.audio, s.rate_hz, centre, noise, wanted_hz=min(4.4 * WIDEST_SHIFT_HZ, s.rate_hz))
    offset = where_when_off(wide, pair, runs, read.dit_s)
    if offset is None:
        return read
    partner = path.band(s.audio, s.rate_hz, centre + offset, noise)
    low, high = (pair.low, partner) if offset > 0 else (partner, pair.low)
    hz = pair.path_hz + min(offset, 0.0) - low.centre_hz
    course = path.Course(pair.low.times_s, hz, abs(offset), read.score, float(np.median(pair.density[0])))
    two = read_along(low, high, course, frame_s, plan)
    return two if two is not None and two.elements.decoded.text is not None else read
