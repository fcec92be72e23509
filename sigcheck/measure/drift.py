"""Frequency against time, and the simplest course that explains it.

Every course is fitted to the phase itself (to the elements' frequencies where the phase starts
afresh at each), so a drift rate reaches the bound of the whole recording. A course is preferred to
a simpler one when -2 log likelihood falls by more than its price. Prices are set so that noise
alone is called anything but constant in fewer than 4 of 1000 recordings, all courses together; and
every course competes under additive noise as well as with white, bounded and random-walk noise of
the oscillator, so a noisy oscillator is not taken for a drifting one.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field, replace

import numpy as np

from sigcheck.measure.audio.cells import CELL_S, Cells, chirp_fit
from sigcheck.measure.course.oscillator_noise import Noise
from sigcheck.measure.course.own_frequencies import element_frequencies
from sigcheck.measure.course.phase_record import (
    MOST_BLOCKS,
    NOISE_BLOCKS,
    Record,
    groups_of_cells,
    phase_record,
    with_breaks_at_gaps,
)
from sigcheck.measure.course.search import (
    PRICE_CYCLE,
    Course,
    Rest,
    Wave,
    best_cycle,
    best_tau,
    fast_wave,
    refined,
    shape_sigma,
    whitened,
)
from sigcheck.measure.course.steps import (
    best_steps,
    confirmed,
    fewer_steps,
    inside,
    is_even_stair,
    large_steps,
    placed,
    pruned,
    refined_steps,
)
from sigcheck.measure.course.track import allan_deviations, repeats_each_transmission, shown_track
from sigcheck.measure.results import Drift, Step
from sigcheck.measure.tone.phase_jumps import phase_jumps
from sigcheck.measure.tone.smooth_carrier import carrier_cycles
from sigcheck.measure.track import Real, Track

# Prices in -2 log likelihood. The search for a time or a period among m blocks makes noise look
# better by about 2 ln m, hence the second number.
_PRICE_RATE = 12.0
_PRICE_WARM_UP = 18.0
_PRICE_STEP = (9.0, 2.0)
# Flicker lies between white and random-walk noise, which choose as well without it; their sigmas need it.
_PRICE_NOISE = {"white": 0.0, "white-fm": 8.0, "flicker-fm": np.inf, "bounded": 8.0, "random-walk-fm": 13.0}
_MOST_STEPS = 40
_SEARCH_BLOCKS = 200
# Keying, filter and gain control turn the phase of one element against the next by some thousandths
# of a cycle: so much is no course of the oscillator.
_KEYING_CYCLES = 1e-3
_ELEMENTS_A_BLOCK = 2
_STAIR_PLACES = 3  # first time, interval and size tell all of an even stair
_STEP_CYCLES = 0.01  # by which the mean phase of a block may be off that has a step in it
_NEAR_STEP_S = 0.01
_SLUR_S = CELL_S / 12**0.5  # no step is placed better than within a cell
_WARMING_BLOCKS, _WARMING_STEPS = 150, 8  # time constants are tried one by one: each search is to be quick
_BY_TURNS = 3  # time constant and steps, each placed while the other is held
_TRIED_WARMING = np.geomspace(0.04, 1.5, 9)  # of the time on: the next one bends half as much again
_PLACING = 3  # rounds: each leaves the square of the error, in units of the course's own length
_UNSEEN = 1e-6  # sigmas squared that a second's (hertz') move of a place changes: none
_MEDIAN_SQUARE = 0.4549  # of a normal variable of variance 1


def measure_drift(track: Track) -> Drift:
    """Model, rate and total of the frequency's course over the key-down time."""
    if track.tone_missing is not None:
        return _nothing(track.tone_missing)
    c = track.cells
    if c.t.size < 8:
        return _nothing("the signal is too short to see its frequency move")
    reference = carrier_cycles(c, track)
    fine = _record(c, track, reference)
    if fine.t.size < 4:
        return _nothing("the signal is too short or too weak to see its frequency move")
    wave = fast_wave(replace(fine, var=fine.var + _by_keying(fine, keyed=track.marks.keyed)))
    slow = fine if wave is None else replace(fine, y=fine.y - fine.waves(wave.hz) @ wave.size)
    witness = _witness(c, track, reference, fine)
    study = _Study(slow, keyed=track.marks.keyed, witness=witness)
    course = study.choose()
    if wave is not None:  # a stair of even steps has a cycle too
        stair = _Study(fine, keyed=track.marks.keyed, witness=witness)
        steps = stair.choose()
        price = PRICE_CYCLE[0] + PRICE_CYCLE[1] * float(np.log(fine.t.size))
        if steps is not None and steps.steps_s and (course is None or stair.score < study.score + price):
            study, course, wave = stair, steps, None
    if witness is not None and course is not None and not course.steps_s and not study.white:
        # what the phase shows as a sway or as noise the elements' own frequencies may show as a stair
        stair = _Study(witness, keyed=True)
        steps = stair.choose()
        if steps is not None and steps.steps_s and (steps.regular or stair.white):
            study, course, wave = stair, steps, None
    if witness is not None and not (wave is None and study.white):
        # a fast cycle that gains cycles of phase between words is miscounted there; the elements by themselves see it
        own = fast_wave(replace(witness, var=witness.var + _by_keying(witness, keyed=True)))
        if own is not None and (wave is None or own.sigma < wave.sigma):
            wave = own
            study = _Study(replace(witness, y=witness.y - witness.waves(own.hz) @ own.size), keyed=True)
            course = study.choose()
    if course is None and witness is not None:  # the cycles between the elements were miscounted: do without
        study, wave = _Study(witness, keyed=track.marks.keyed), None
        course = study.choose()
    if course is None:
        return _nothing("the phase from one element to the next contradicts their frequencies")
    return _result(c, track, reference, study, course, wave)


def _nothing(why: str) -> Drift:
    names = [f for f, d in Drift.__dataclass_fields__.items() if d.default is None]
    return Drift(missing={**dict.fromkeys(names, why), "track": why, "allan": why})


def _record(c: Cells, track: Track, reference: Real) -> Record:
    if not track.coherent:
        return element_frequencies(c, track.cells_of(track.marks.settled), reference)
    breaks = np.array([j.time_s for j in phase_jumps(c, reference)])
    most, on = MOST_BLOCKS, track.marks.on_s
    if track.marks.keyed and on.size > 2:
        # Blocks of a few elements: single ones show the keying's own turns of phase, and beat with hum.
        most = max(20, min(most, int((on[-1] - on[0]) / (_ELEMENTS_A_BLOCK * np.median(np.diff(on))))))
    return with_breaks_at_gaps(phase_record(c, reference, most=most, breaks_s=breaks))


def _witness(c: Cells, track: Track, reference: Real, fine: Record) -> Record | None:
    """The elements' own frequencies, where the record is of the phase from one to the next."""
    if not fine.is_phase or not track.marks.keyed or track.marks.on_s.size < 4:
        return None
    own = element_frequencies(c, track.cells_of(track.marks.settled), reference)
    return own if own.t.size >= 4 else None  # of shifted keying there is one long element


def _by_keying(r: Record, *, keyed: bool) -> float:
    """Variance that keying adds to the values of a record."""
    if not keyed:
        return 0.0
    # an element's own slope turns its phase by sqrt(12) times the scatter over its length
    return float(_KEYING_CYCLES**2 * (1.0 if r.is_phase else 12.0 / np.median(r.seconds) ** 2))


class _Study:
    """The search for the course of one record."""

    def __init__(self, fine: Record, *, keyed: bool, witness: Record | None = None) -> None:
        self.fine = fine
        self._witness = witness
        self.coarse = fine.merged(NOISE_BLOCKS)
        self.noise = Noise(self.coarse)
        floor = _by_keying(fine, keyed=keyed)
        self.score, self.white = np.inf, True
        # For choosing only: the estimates' sigmas come from the scatter itself.
        self._fine = replace(fine, var=fine.var + floor)
        self._coarse = replace(self.coarse, var=self.coarse.var + floor)
        self._noise = Noise(self._coarse) if floor else self.noise

    def less_sure_at(self, steps_s: tuple[float, ...]) -> _Study:
        """The study with those blocks doubted that hold a step: their mean phase is not exactly that of the course."""
        r = self.coarse
        if not steps_s:
            return self
        at = np.array(steps_s)[:, None]
        around = ((at > r.first - _NEAR_STEP_S) & (at < r.last + _NEAR_STEP_S)).any(axis=0)
        out = copy(self)
        out.coarse = replace(r, var=r.var + around * (_STEP_CYCLES if r.is_phase else 0.0) ** 2)
        out.noise = Noise(out.coarse)
        return out

    def choose(self) -> Course | None:
        """The course with the lowest score, its place parameters as good as they get.

        None where it has steps of the phase that the elements' own frequencies contradict.
        """
        scored = [self._scored(Course("constant")), self._scored(Course("linear", slope=True, price=_PRICE_RATE))]
        if self.fine.t.size >= 8:
            scored += [self._scored(course) for course in self._smooth_courses()]
            best = min(s.score for s in scored)
            scored += [self._scored(course) for course in self._step_courses(best)]
            if min(scored, key=lambda s: s.score).noise == "random-walk-fm":  # none of them explains it
                scored += [self._scored(course) for course in self._steps_while_warming(best)]
        top = min(scored, key=lambda s: s.score)
        self.score, self.white = top.score, top.noise == "white" and top.course.model != "cyclic"
        if top.course.steps_s and self.fine.is_phase and self._witness is not None:
            base = replace(top.course, steps_s=()).design(self._fine)
            if confirmed(top.course.steps_s, base, self._fine, self._witness) != top.course.steps_s:
                return None
        if top.noise == "random-walk-fm" and top.course.model in ("constant", "linear"):
            return replace(top.course, model="random")
        if top.course.steps_s:
            return refined_steps(top.course, self._fine)
        return refined(top.course, self._fine) if top.noise == "white" else top.course

    def _scored(self, course: Course) -> _Scored:
        fits = self._noise.fits(course.design(self._coarse))
        misfit = fits.misfit + np.array([_PRICE_NOISE[f] for f in fits.family])
        k = int(np.argmin(misfit))
        return _Scored(course, course.price + float(misfit[k]), fits.family[k])

    def _smooth_courses(self) -> list[Course]:
        price = PRICE_CYCLE[0] + PRICE_CYCLE[1] * np.log(self._coarse.t.size)
        out = [Course("warm-up", tau_s=best_tau(self._coarse), price=_PRICE_WARM_UP)]
        for slope in (False, True):
            hz = best_cycle(self._coarse, slope)
            if hz is not None:
                out.append(Course("cyclic", slope=slope, cycle_hz=hz, price=price + _PRICE_RATE * slope))
        return out

    def _step_courses(self, best: float) -> list[Course]:
        """Courses of steps, so few that they can still beat the ``best`` score, were they perfect."""
        r, price, most = self._step_search(best)
        out = []
        for slope in (False, True):
            beside = Course("linear" if slope else "constant", slope=slope)
            base, every = beside.design(r), best_steps(r, beside, price, most)
            kept = (every, fewer_steps(every, base, r, price), large_steps(every, base, r))
            # beside large steps small ones are the oscillator's unrest; the score tells which it is
            for places in dict.fromkeys(tuple(inside(p, r)) for p in kept):
                if places and not r.is_phase:
                    places = confirmed(places, base, r, r)
                if places:
                    even = is_even_stair(places, base, r)
                    cost = price * (_STAIR_PLACES if even else len(places)) + _PRICE_RATE * slope
                    out.append(Course("steps", slope=slope, steps_s=places, price=cost, regular=even))
        return out

    def _step_search(self, best: float) -> tuple[Record, float, int]:
        """(record to look for steps in, price of one, most of them that can still beat the ``best`` score)."""
        r = self._fine.merged(_SEARCH_BLOCKS)
        r = replace(r, var=r.var * _unrest(r))
        price = float(_PRICE_STEP[0] + _PRICE_STEP[1] * np.log(r.t.size))
        return r, price, int(np.clip((best - 0.8 * self._noise.perfect_misfit) / price, 1, _MOST_STEPS))

    def _steps_while_warming(self, best: float) -> list[Course]:
        """The best course of steps beside an exponential approach, if there is one.

        With a wrong time constant its bend would be taken for steps, and with steps left in, theirs for a bend: so
        some time constants are tried, the best with its steps is placed anew, and these are looked for once more.
        """
        r, price, most = self._step_search(best)
        r, most = r.merged(_WARMING_BLOCKS), min(most, _WARMING_STEPS)
        y = whitened(r, r.y)

        def cost(course: Course) -> float:
            left = Rest.of(r, course.design(r))(y)
            return float(left @ left) + price * len(course.steps_s)

        def with_steps(tau_s: float) -> Course:
            beside = Course("warm-up", tau_s=tau_s)
            return Course("steps", tau_s=tau_s, steps_s=tuple(inside(best_steps(r, beside, price, most), r)))

        def anew(course: Course) -> Course:
            for _ in range(_BY_TURNS):
                course = replace(course, tau_s=best_tau(r, replace(course, tau_s=None)))
                base = replace(course, steps_s=()).design(r)
                course = replace(course, steps_s=tuple(placed(r, base, list(course.steps_s))))
            return course

        found = min((with_steps(tau_s) for tau_s in r.span_s * _TRIED_WARMING), key=cost)
        found = min((found, with_steps(anew(found).tau_s or r.span_s)), key=cost)
        out = []
        # small steps beside large ones mend a time constant that is not quite right: without them, it is
        for places in (found.steps_s, large_steps(found.steps_s, replace(found, steps_s=()).design(r), r)):
            course = anew(replace(found, steps_s=tuple(places)))
            base = replace(course, steps_s=()).design(r)
            course = replace(course, steps_s=fewer_steps(pruned(r, base, list(course.steps_s), price), base, r, price))
            if course.steps_s and not r.is_phase:
                course = replace(course, steps_s=confirmed(course.steps_s, base, r, r))
            if course.steps_s:
                out.append(replace(course, price=price * len(course.steps_s) + _PRICE_WARM_UP))
        return out


def _unrest(r: Record) -> float:
    """How much more the frequency changes from block to block than noise of the stated variance makes it (>= 1).

    The median of the squared changes: a step now and then does not move it, but an oscillator that wanders all the
    time is not to be taken for one that steps all the time.
    """
    if r.is_phase:
        apart = np.maximum(np.diff(r.t), 1e-9)
        change = np.diff(np.diff(r.y) / apart)
        first, second = 1 / apart[:-1], 1 / apart[1:]
        var = r.var[:-2] * first**2 + r.var[1:-1] * (first + second) ** 2 + r.var[2:] * second**2
        same = (np.diff(r.group)[:-1] == 0) & (np.diff(r.group)[1:] == 0)
        change, var = change[same], var[same]
    else:
        change, var = np.diff(r.y), r.var[1:] + r.var[:-1]
    if change.size < 8:
        return 1.0
    return max(1.0, float(np.median(change**2 / var)) / _MEDIAN_SQUARE)


@dataclass(frozen=True)
class _Scored:
    course: Course
    score: float
    noise: str


@dataclass(frozen=True)
class _Fitted:
    """A course with its sizes: values (p,) and covariance (p, p) averaged over the noise candidates."""

    course: Course
    beta: Real
    cov: Real
    white: float  # probability of additive noise alone
    scale: float  # its variance over the stated one
    place_sigma: Real = field(default_factory=lambda: np.empty(0))

    def value(self, weights: Real) -> tuple[float, float]:
        """A linear combination of the sizes and its sigma."""
        return float(weights @ self.beta), float(np.sqrt(max(float(weights @ self.cov @ weights), 0.0)))


def _fitted(study: _Study, course: Course, extra: Real | None = None) -> _Fitted:
    """Sizes of the course; ``extra`` (m, k) columns stand for the uncertainty of its place parameters."""
    design = course.design(study.coarse)
    if extra is not None:
        design = np.column_stack([design, extra])
    fits = study.noise.fits(design)
    beta = fits.weight @ fits.beta
    off = fits.beta - beta
    cov = np.einsum("k,kpq->pq", fits.weight, fits.cov + off[:, :, None] * off[:, None, :])
    return _Fitted(course, beta, cov, fits.probability("white"), float(fits.scale[0]))


def _located(study: _Study, course: Course) -> _Fitted:
    """The course with its place parameters where they leave least under the noise that is there (Gauss-Newton).

    Their columns come after those of the sizes, so the covariance holds what not knowing the places does to the
    sizes; ``place_sigma`` are their own sigmas, infinite where the record does not tell one place from the next.
    """
    k = study.coarse.offsets().shape[1] + 1
    terms = course.columns(study.coarse).shape[1]
    fitted = _fitted(study, course)
    for turn in range(_PLACING + 1):
        turns = course.tangents(study.coarse, fitted.beta[k : k + terms])
        seen = np.sum((turns.T**2 / study.coarse.var).T, axis=0) > _UNSEEN
        if not seen.any():
            return replace(fitted, place_sigma=np.full(seen.size, np.inf))
        fitted = _fitted(study, course, turns[:, seen])
        if turn < _PLACING:
            by = np.zeros(seen.size)
            by[seen] = fitted.beta[k + terms :]
            course = course.moved(by, study.coarse)
    sigma = np.full(seen.size, np.inf)
    sigma[seen] = np.sqrt(np.maximum(np.diag(fitted.cov)[k + terms :], 0.0))
    return replace(fitted, place_sigma=sigma)


def _frequency(study: _Study, fitted: _Fitted, t: Real) -> tuple[Real, Real]:
    """Frequency of the course at the times ``t`` (audio Hz), and the weights (t, p) of its sizes."""
    at = study.coarse.at(t)
    k = study.coarse.offsets().shape[1]
    columns = fitted.course.columns(at)
    shapes = [np.ones(t.size), columns]
    if (seen := np.isfinite(fitted.place_sigma)).any():
        shapes.append(fitted.course.tangents(at, fitted.beta[k + 1 : k + 1 + columns.shape[1]])[:, seen])
    shown = np.column_stack(shapes)
    weights = np.zeros((t.size, fitted.beta.size))
    weights[:, k : k + shown.shape[1]] = shown
    sizes = fitted.beta.copy()
    sizes[k + 1 + columns.shape[1] :] = 0.0  # the places have been moved
    return study.coarse.base_hz + weights @ sizes, weights


def _result(c: Cells, track: Track, reference: Real, study: _Study, course: Course, wave: Wave | None) -> Drift:
    fine = study.fine
    missing = {
        "time_constant_s": "no exponential settling was seen",
        "equal_steps": "fewer than three steps were seen",
        "cycle_s": "no cycle was seen",
        "cycle_peak_hz": "no cycle was seen",
    }
    values: dict[str, object] = {}
    with_rate = _fitted(study, replace(course, slope=course.tau_s is None))
    k = study.coarse.offsets().shape[1]
    ends = fine.runs[[0, -1], [0, 1]] if fine.runs.size else np.array([fine.first[0], fine.last[-1]])
    span_s = float(ends[1] - ends[0])
    fitted = _located(study.less_sure_at(course.steps_s), course)
    course = fitted.course
    if course.tau_s is not None:
        values["time_constant_s"], values["time_constant_s_sigma"] = course.tau_s, float(fitted.place_sigma[0])
        total = _difference(study, fitted, ends)
        settled = _difference(study, fitted, ends, without_steps=True)
        rate = (settled[0] / span_s, settled[1] / span_s)
    else:
        rate = with_rate.value(np.eye(with_rate.beta.size)[k + 1])
        if fine.is_phase and course.model in ("constant", "linear") and with_rate.white > 0.5:
            rate = _rate_of_cells(c, reference, fine, with_rate.scale)
        straight = course.model in ("constant", "linear", "random")
        total = (rate[0] * span_s, rate[1] * span_s) if straight else _difference(study, fitted, ends)
    # begin and end of the key-down are each known to a cell
    slope = np.abs(
        np.diff(_frequency(study, fitted, np.concatenate([ends - 0.5, ends + 0.5])[[0, 2, 1, 3]])[0])[[0, 2]]
    )
    total = (total[0], float(np.hypot(total[1], _SLUR_S * np.hypot(*slope))))
    if course.model == "steps":
        values["steps"] = steps = _steps(study, fitted)
        if len(steps) >= 3:
            values["equal_steps"] = _equal(steps)
    model = course.model
    slow = _peak(study.coarse, fitted, k + 1 + course.slope) if course.cycle_hz else None
    if course.cycle_hz and slow is not None and (wave is None or slow[0] > np.hypot(*wave.size)):
        values["cycle_s"] = 1.0 / course.cycle_hz
        values["cycle_s_sigma"] = float(fitted.place_sigma[0]) / course.cycle_hz**2
        values["cycle_peak_hz"], values["cycle_peak_hz_sigma"] = slow
    elif wave is not None:
        model = "cyclic" if model in ("constant", "linear") else model
        values["cycle_s"], values["cycle_s_sigma"] = 1.0 / wave.hz, wave.hz_sigma / wave.hz**2
        values["cycle_peak_hz"], values["cycle_peak_hz_sigma"] = float(np.hypot(*wave.size)), wave.sigma
    repeats = repeats_each_transmission(track.marks, fine)
    if isinstance(repeats, str):
        missing["repeats_each_transmission"] = repeats
    else:
        values["repeats_each_transmission"] = repeats
    shown = fine if wave is None else replace(fine, y=fine.y + fine.waves(wave.hz) @ wave.size)
    points = shown_track(shown)
    t = np.array([p.time_s for p in points])
    curve, weights = _frequency(study, fitted, t)
    band = np.sqrt(np.maximum(np.einsum("tp,pq,tq->t", weights, fitted.cov, weights), 0.0))
    if course.model == "random":
        curve, band = _wander(study, fitted, t), np.empty(0)
    if wave is not None:
        curve = curve + fine.at(t).waves(wave.hz) @ wave.size
    allan = allan_deviations(c, reference, fine) if fine.is_phase else ()
    if not allan:
        missing["allan"] = "the phase starts afresh at each element" if not fine.is_phase else "too short"
    return Drift(
        rate_hz_per_min=60 * rate[0],
        rate_hz_per_min_sigma=60 * rate[1],
        total_hz=total[0],
        total_hz_sigma=total[1],
        model=model,
        track=points,
        fit_hz=tuple(float(v) for v in curve),
        fit_hz_sigma=tuple(float(v) for v in band),
        allan=allan,
        missing={name: why for name, why in missing.items() if name not in values},
        **values,  # type: ignore[arg-type]
    )


def _difference(
    study: _Study, fitted: _Fitted, ends: Real, *, without_steps: bool = False
) -> tuple[float, float]:
    """Frequency of the course at the last of the two times less that at the first; or what of it is no step."""
    _, weights = _frequency(study, fitted, ends)
    change = weights[1] - weights[0]
    if without_steps:
        first = _first_step(study, fitted.course)
        change[first : first + len(fitted.course.steps_s)] = 0.0
    return fitted.value(change)


def _first_step(study: _Study, course: Course) -> int:
    """Where among the sizes those of the steps begin."""
    return int(study.coarse.offsets().shape[1]) + 1 + course.slope + (course.tau_s is not None)


def _rate_of_cells(c: Cells, reference: Real, record: Record, scale: float) -> tuple[float, float]:
    """Drift rate by the likelihood of the samples themselves (additive noise alone)."""
    beta, cov = chirp_fit(c, reference, order=2, middle_s=record.middle_s, group=groups_of_cells(c, record))
    return float(beta[1]), float(np.sqrt(cov[1, 1] * scale))


def _steps(study: _Study, fitted: _Fitted) -> tuple[Step, ...]:
    sigma = np.sqrt(np.diag(fitted.cov))
    first, places = _first_step(study, fitted.course), fitted.place_sigma[-len(fitted.course.steps_s) :]
    out = []
    for i, at in enumerate(fitted.course.steps_s):
        size = float(fitted.beta[first + i])
        time, doubt = _step_time(study.fine, at, size, float(places[i]))
        doubt = float(np.hypot(doubt, _SLUR_S))
        out.append(Step(time_s=time, time_s_sigma=doubt, size_hz=size, size_hz_sigma=float(sigma[first + i])))
    return tuple(out)


def _step_time(r: Record, at: float, size: float, sigma: float) -> tuple[float, float]:
    """Time of a step and its sigma, seconds, where it may lie in a gap of the key-down.

    Elements' own frequencies tell no more than that it is in the gap. The phase gained across it tells the place,
    but whole cycles of it don't show: with places 1 / size apart the phase is the same.
    """
    k = int(np.searchsorted(r.runs[:, 0], at)) - 1
    if not 0 <= k < len(r.runs) - 1:
        return at, sigma if np.isfinite(sigma) else 0.5 * float(np.median(np.diff(r.t)))
    begin, end = float(r.runs[k, 1]), float(r.runs[k + 1, 0])
    if not np.isfinite(sigma):
        near = (begin, end) if at > begin else (float(r.runs[k, 0]), begin)
        return 0.5 * (near[0] + near[1]), (near[1] - near[0]) / float(np.sqrt(12.0))
    if not r.is_phase or at < begin:
        return at, sigma
    apart = 1.0 / max(abs(size), 1e-9)
    before, after = int((at - begin) / apart), int((end - at) / apart)
    spread = apart * float(np.sqrt(((before + after + 1) ** 2 - 1) / 12.0))
    return at + 0.5 * (after - before) * apart, float(np.hypot(sigma, spread))


def _equal(steps: tuple[Step, ...]) -> bool:
    """All steps of one size, up or down, within a tenth or three sigma."""
    size = np.array([abs(s.size_hz) for s in steps], np.float64)
    sigma = np.array([s.size_hz_sigma for s in steps])
    return bool(np.all(np.abs(size - np.median(size)) < np.maximum(0.1 * np.median(size), 3 * sigma)))


def _peak(r: Record, fitted: _Fitted, first: int) -> tuple[float, float]:
    pair = fitted.beta[first : first + 2]
    peak = float(np.hypot(*pair))
    direction = pair / max(peak, 1e-300)
    variance = float(direction @ fitted.cov[first : first + 2, first : first + 2] @ direction)
    bent = peak * shape_sigma(r, fitted.course.cycle_hz or 0.0)
    return peak, float(np.hypot(np.sqrt(variance), bent))


def _wander(study: _Study, fitted: _Fitted, t: Real) -> Real:
    """Frequency of a wandering tone once its additive noise is taken out."""
    r, design = study.coarse, fitted.course.design(study.coarse)
    fits = study.noise.fits(design)
    smooth = study.noise.smoothed(design, fits, fits.best("random-walk-fm")[0])
    if not r.is_phase:
        return np.asarray(r.base_hz + np.interp(t, r.t, smooth))
    same = np.diff(r.group) == 0
    hz = (np.diff(smooth) / np.diff(r.t))[same]
    return np.asarray(r.base_hz + np.interp(t, (0.5 * (r.t[1:] + r.t[:-1]))[same], hz))
