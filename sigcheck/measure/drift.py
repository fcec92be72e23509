"""Frequency against time, and the simplest course that explains it.

Every course is fitted to the phase itself (to the elements' frequencies where the phase starts
afresh at each), so a drift rate reaches the bound of the whole recording. A course is preferred to
a simpler one when -2 log likelihood falls by more than its price. Prices are set so that noise
alone is called anything but constant in fewer than 4 of 1000 recordings, all courses together; and
every course competes under additive noise as well as with white, bounded and random-walk noise of
the oscillator, so a noisy oscillator is not taken for a drifting one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sigcheck.measure import stability
from sigcheck.measure.frequency import (
    MOST_BLOCKS,
    NOISE_BLOCKS,
    element_frequencies,
    phase_jumps,
)
from sigcheck.measure.phase_record import (
    Cells,
    Noise,
    Record,
    cells,
    chirp_fit,
    groups_of_cells,
    phase_record,
    with_breaks_at_gaps,
)
from sigcheck.measure.results import Drift, DriftModel, Dropout, StabilityPoint, Step, TrackPoint
from sigcheck.measure.track import Marks, Real, Track

# Prices in -2 log likelihood. The search for a time or a period among m blocks makes noise look
# better by about 2 ln m, hence the second number.
_PRICE_RATE = 12.0
_PRICE_WARM_UP = 18.0
_PRICE_STEP = (9.0, 2.0)
_PRICE_CYCLE = (15.0, 2.0)
_PRICE_NOISE = {"white": 0.0, "white-fm": 8.0, "bounded": 8.0, "random-walk-fm": 13.0}
_MOST_STEPS = 40
_SEARCH_BLOCKS = 200
# Keying, filter and gain control turn the phase of one element against the next by some thousandths
# of a cycle: so much is no course of the oscillator.
_KEYING_CYCLES = 1e-3
_ELEMENTS_A_BLOCK = 2
_TRACK_SIGMA_HZ = 0.1  # longer blocks are shown where noise would exceed it
_ALLAN_STEP = 4  # phases averaged over a quarter of their spacing: white noise reads 6 % low at most


def measure_drift(track: Track) -> Drift:
    """Model, rate and total of the frequency's course over the key-down time."""
    if track.tone_missing is not None:
        return _nothing(track.tone_missing)
    c = cells(track.base, track.marks.down)
    if c.t.size < 8:
        return _nothing("the signal is too short to see its frequency move")
    reference = _carrier_cycles(c, track)
    fine = _record(c, track, reference)
    if fine.t.size < 4:
        return _nothing("the signal is too short or too weak to see its frequency move")
    wave = _fast_wave(fine)
    slow = fine if wave is None else replace(fine, y=fine.y - fine.waves(wave.hz) @ wave.size)
    study = _Study(slow, keyed=track.marks.keyed)
    return _result(c, track, reference, study, study.choose(), wave)


def _nothing(why: str) -> Drift:
    names = [f for f, d in Drift.__dataclass_fields__.items() if d.default is None]
    return Drift(missing={**dict.fromkeys(names, why), "track": why, "allan": why})


def _carrier_cycles(c: Cells, track: Track) -> Real:
    """Phase of the carrier at the cells in cycles, continuous."""
    at = np.minimum(np.arange(c.total) * c.samples + c.samples // 2, track.carrier.size - 1)
    cycles = np.unwrap(np.angle(track.carrier[at])) / (2 * np.pi)
    return np.asarray(np.interp(c.t, at / track.base.rate_hz, cycles))


def _record(c: Cells, track: Track, reference: Real) -> Record:
    if not track.coherent:
        return element_frequencies(c, cells(track.base, track.marks.settled), reference)
    breaks = np.array([j.time_s for j in phase_jumps(c, reference)])
    most, on = MOST_BLOCKS, track.marks.on_s
    if track.marks.keyed and on.size > 2:
        # Blocks of a few elements: single ones show the keying's own turns of phase, and beat with hum.
        most = max(20, min(most, int((on[-1] - on[0]) / (_ELEMENTS_A_BLOCK * np.median(np.diff(on))))))
    return with_breaks_at_gaps(phase_record(c, reference, most=most, breaks_s=breaks))


# --- courses -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Course:
    """A shape of frequency against time, its place parameters found and its sizes left to the fit."""

    model: DriftModel
    slope: bool = False
    tau_s: float | None = None
    steps_s: tuple[float, ...] = ()
    cycle_hz: float | None = None
    price: float = 0.0

    def columns(self, r: Record) -> Real:
        """What each term adds to the record's values, shape (m, terms)."""
        out = [r.slope()[:, None]] if self.slope else []
        if self.tau_s is not None:
            out.append(r.decay(self.tau_s)[:, None])
        if self.steps_s:
            out.append(r.hinges(np.array(self.steps_s)))
        if self.cycle_hz is not None:
            out.append(r.waves(self.cycle_hz))
        return np.column_stack(out) if out else np.empty((r.t.size, 0))

    def design(self, r: Record) -> Real:
        """Offsets, constant frequency, and the terms."""
        return np.column_stack([r.offsets(), r.constant(), self.columns(r)])


class _Study:
    """The search for the course of one record."""

    def __init__(self, fine: Record, *, keyed: bool) -> None:
        self.fine = fine
        self.coarse = fine.merged(NOISE_BLOCKS)
        self.noise = Noise(self.coarse)
        # an element's own slope turns its phase by sqrt(12) times the scatter over its length
        floor = _KEYING_CYCLES**2 * (1.0 if fine.is_phase else 12.0 / np.median(fine.seconds) ** 2) if keyed else 0.0
        # For choosing only: the estimates' sigmas come from the scatter itself.
        self._fine = replace(fine, var=fine.var + floor)
        self._coarse = replace(self.coarse, var=self.coarse.var + floor)
        self._noise = Noise(self._coarse) if floor else self.noise

    def choose(self) -> _Course:
        """The course with the lowest score, its place parameters as good as they get."""
        scored = [self._scored(_Course("constant")), self._scored(_Course("linear", slope=True, price=_PRICE_RATE))]
        if self.fine.t.size >= 8:
            scored += [self._scored(course) for course in self._smooth_courses()]
            best = min(s.score for s in scored)
            scored += [self._scored(course) for course in self._step_courses(best)]
        top = min(scored, key=lambda s: s.score)
        if top.noise == "random-walk-fm" and top.course.model in ("constant", "linear"):
            return replace(top.course, model="random")
        return _refined(top.course, self._fine) if top.noise == "white" or top.course.steps_s else top.course

    def _scored(self, course: _Course) -> _Scored:
        fits = self._noise.fits(course.design(self._coarse))
        misfit = fits.misfit + np.array([_PRICE_NOISE[f] for f in fits.family])
        k = int(np.argmin(misfit))
        return _Scored(course, course.price + float(misfit[k]), fits.family[k])

    def _smooth_courses(self) -> list[_Course]:
        price = _PRICE_CYCLE[0] + _PRICE_CYCLE[1] * np.log(self._coarse.t.size)
        out = [_Course("warm-up", tau_s=_best_tau(self._coarse), price=_PRICE_WARM_UP)]
        for slope in (False, True):
            hz = _best_cycle(self._coarse, slope)
            if hz is not None:
                out.append(_Course("cyclic", slope=slope, cycle_hz=hz, price=price + _PRICE_RATE * slope))
        return out

    def _step_courses(self, best: float) -> list[_Course]:
        """Courses of steps, so few that they can still beat the ``best`` score, were they perfect."""
        r = self._fine.merged(_SEARCH_BLOCKS)
        price = _PRICE_STEP[0] + _PRICE_STEP[1] * np.log(r.t.size)
        most = int(np.clip((best - 0.8 * self._noise.perfect_misfit) / price, 1, _MOST_STEPS))
        out = []
        for slope in (False, True):
            places = _best_steps(r, slope, price, most)
            if places:
                cost = price * len(places) + _PRICE_RATE * slope
                out.append(_Course("steps", slope=slope, steps_s=places, price=cost))
        return out


@dataclass(frozen=True)
class _Scored:
    course: _Course
    score: float
    noise: str


def _whitened(r: Record, columns: Real) -> Real:
    return np.asarray((columns.T / np.sqrt(r.var)).T)


@dataclass(frozen=True)
class _Rest:
    """What is left of whitened columns when the nuisance columns have taken their part."""

    q: Real  # (m, p), orthonormal

    @classmethod
    def of(cls, r: Record, nuisance: Real) -> _Rest:
        """Beside the columns (m, p) of a record."""
        return cls(np.linalg.qr(_whitened(r, nuisance))[0])

    def __call__(self, x: Real) -> Real:
        return np.asarray(x - self.q @ (self.q.T @ x))

    def also(self, column: Real) -> _Rest:
        """Beside one more whitened column, itself such a rest."""
        return _Rest(np.column_stack([self.q, column / np.sqrt(column @ column)]))


def _best_tau(r: Record) -> float:
    """Time constant of the exponential that leaves least, over a grid refined twice."""
    rest = _Rest.of(r, _Course("constant").design(r))
    y = rest(_whitened(r, r.y))
    grid = np.geomspace(r.span_s / 30, 2 * r.span_s, 25)
    for _ in range(3):
        x = rest(_whitened(r, np.column_stack([r.decay(tau) for tau in grid])))
        gain = (y @ x) ** 2 / np.maximum(np.sum(x * x, axis=0), 1e-300)
        k = int(np.argmax(gain))
        best = float(grid[k])
        grid = np.geomspace(grid[max(k - 1, 0)], grid[min(k + 1, grid.size - 1)], 9)
    return best


def _best_steps(r: Record, slope: bool, price: float, most: int) -> tuple[float, ...]:
    """Times of frequency steps: the one that explains most is added as long as it is worth its price.

    Then all are placed again, each with the others held, and those no longer worth it are dropped.
    """
    base = _Course("linear" if slope else "constant", slope=slope).design(r)
    candidates = 0.5 * (r.last[:-1] + r.first[1:])
    rest = _Rest.of(r, base)
    y, x = rest(_whitened(r, r.y)), rest(_whitened(r, r.hinges(candidates)))
    least = 1e-6 * float(np.sum(x * x, axis=0).max(initial=0.0))
    chosen: list[float] = []
    while len(chosen) < most:
        power = np.sum(x * x, axis=0)
        gain = np.where(power > least, (y @ x) ** 2 / np.maximum(power, 1e-300), 0.0)
        k = int(np.argmax(gain))
        if gain[k] < price:
            break
        at = _place(r, rest, y, candidates[k], float(np.median(np.diff(r.t))), rounds=3)
        chosen.append(at)
        rest = rest.also(rest(_whitened(r, r.hinges(np.array([at]))))[:, 0])
        y, x = rest(y), rest(x)
    return _pruned(r, base, sorted(chosen), price)


def _place(
    r: Record, rest: _Rest, y: Real, at: float, reach: float, limits: tuple[float, float] | None = None, rounds: int = 6
) -> float:
    """Time near ``at`` at which a step explains most of ``y``, over ever finer neighbourhoods."""
    low, high = limits or (float(r.first[0]), float(r.last[-1]))
    for _ in range(rounds):
        trial = np.clip(np.linspace(at - reach, at + reach, 9), low, high)
        x = rest(_whitened(r, r.hinges(trial)))
        gain = (y @ x) ** 2 / np.maximum(np.sum(x * x, axis=0), 1e-300)
        at = float(trial[int(np.argmax(gain))])
        reach /= 3.5
    return at


def _pruned(r: Record, base: Real, times: list[float], price: float) -> tuple[float, ...]:
    """Steps placed by turns, and without those that the others make needless."""
    if not times:
        return ()
    y = _whitened(r, r.y)
    times = _placed(r, base, times)
    while times:
        columns = _whitened(r, np.column_stack([base, r.hinges(np.array(times))]))
        inverse = np.linalg.pinv(columns.T @ columns, hermitian=True)
        beta = inverse @ (columns.T @ y)
        worth = (beta**2 / np.maximum(np.diag(inverse), 1e-300))[base.shape[1] :]
        k = int(np.argmin(worth))
        if worth[k] >= price:
            break
        del times[k]
    return tuple(times)


def _placed(r: Record, base: Real, times: list[float], rounds: int = 2) -> list[float]:
    """Each step's time at the place of least misfit between its neighbours, in turn."""
    block = float(np.median(np.diff(r.t)))
    for turn in range(rounds):
        for i, at in enumerate(times):
            others = np.array(times[:i] + times[i + 1 :])
            rest = _Rest.of(r, np.column_stack([base, r.hinges(others)]) if others.size else base)
            low = times[i - 1] if i else float(r.first[0])
            high = times[i + 1] if i + 1 < len(times) else float(r.last[-1])
            rounds_here = 6 if turn == rounds - 1 else 3
            y = rest(_whitened(r, r.y))
            times[i] = _place(r, rest, y, at, block / (1 + turn), (low, high), rounds_here)
    return times


def _joined(times: list[float], sizes: Real, block: float) -> list[float]:
    """Steps so close that they are one, slurred over some tenths of a second, taken as one."""
    out: list[tuple[float, float]] = []
    for at, size in zip(times, np.abs(sizes), strict=True):
        if out and at - out[-1][0] < max(0.6, 1.5 * block):
            before, weight = out[-1]
            out[-1] = ((before * weight + at * size) / max(weight + size, 1e-300), weight + size)
        else:
            out.append((at, float(size)))
    return [at for at, _ in out]


def _best_cycle(r: Record, slope: bool) -> float | None:
    """Rate of the sinusoid that explains most, from 0.7 cycles in all to five blocks a cycle."""
    rest = _Rest.of(r, _Course("linear" if slope else "constant", slope=slope).design(r))
    y = rest(_whitened(r, r.y))
    span = r.span_s
    trial = np.arange(0.7, span / (5.0 * float(np.median(np.diff(r.t)))), 0.2) / span
    if not trial.size:
        return None
    best, width = _best_wave(r, rest, y, trial), 0.2 / span
    for _ in range(2):
        best = _best_wave(r, rest, y, np.linspace(max(best - width, 0.5 / span), best + width, 9))
        width /= 4
    return best


def _best_wave(r: Record, rest: _Rest, y: Real, trial: Real) -> float:
    """The rate among ``trial`` (k,) whose cosine and sine together take most off the misfit."""
    waves = np.column_stack([r.waves(hz) for hz in trial])
    x = rest(_whitened(r, waves)).T.reshape(trial.size, 2, -1)
    cc, ss, cs = (x[:, 0] ** 2).sum(axis=1), (x[:, 1] ** 2).sum(axis=1), (x[:, 0] * x[:, 1]).sum(axis=1)
    cy, sy = x[:, 0] @ y, x[:, 1] @ y
    gain = (cy**2 * ss - 2 * cy * sy * cs + sy**2 * cc) / np.maximum(cc * ss - cs**2, 1e-12 * cc * ss + 1e-300)
    return float(trial[int(np.argmax(gain))])


@dataclass(frozen=True)
class _Wave:
    """A fast cycle: its rate, the sizes (2,) of its cosine and sine in hertz, and their sigma."""

    hz: float
    size: Real
    sigma: float


def _fast_wave(r: Record) -> _Wave | None:
    """The cycle too fast for the merged blocks, placed and sized on the fine ones, if there is one."""
    hz = _fast_cycle(r)
    if hz is None:
        return None
    base = _Course("linear", slope=True)
    rest = _Rest.of(r, base.design(r))
    y, width = rest(_whitened(r, r.y)), 0.5 / r.span_s
    for _ in range(5):
        hz = _best_wave(r, rest, y, np.linspace(hz - width, hz + width, 9))
        width /= 3
    x = rest(_whitened(r, r.waves(hz)))
    inverse = np.linalg.pinv(x.T @ x, hermitian=True)
    size = inverse @ (x.T @ y)
    scatter = float(np.sum((y - x @ size) ** 2)) / max(r.t.size - 6, 1)
    return _Wave(hz, size, float(np.sqrt(max(scatter, 1.0) * np.trace(inverse) / 2)))


def _fast_cycle(r: Record) -> float | None:
    """Rate of a cycle too fast for the merged blocks: a line in the spectrum of the phase, or None.

    Judged against the spectrum beside it, so whatever noise the oscillator has is allowed for.
    """
    block = float(np.median(np.diff(r.t)))
    low, top = 1.0 / (5.0 * block * max(1.0, r.t.size / NOISE_BLOCKS)), 1.0 / (3.0 * block)
    if r.t.size < 24 or top <= 1.2 * low:
        return None
    # Slower courses go first: through the keying's irregular blocks they would leak into all rates.
    x = (r.t - r.first[0]) / r.span_s
    slow = np.cos(np.pi * np.outer(x, np.arange(2, 2 + int(1.2 * low * r.span_s))))
    rest = _Rest.of(r, np.column_stack([_Course("linear", slope=True).design(r), slow]))
    y = rest(_whitened(r, r.y)) / np.sqrt(r.var)
    place = np.round((r.t - r.t[0]) / (0.5 * block)).astype(np.intp)
    series = np.zeros(1 << int(np.ceil(np.log2(2 * (place[-1] + 1)))))
    np.add.at(series, place, y)
    power = np.abs(np.fft.rfft(series)) ** 2
    hz = np.arange(power.size) / (series.size * 0.5 * block)
    inside = np.flatnonzero((hz > low) & (hz < top))
    if inside.size < 8:
        return None
    k = int(inside[np.argmax(power[inside])])
    beside = np.abs(np.arange(power.size) - k)
    # Both sides: oscillator noise falls steeply, and its rim is no line.
    floor = float(np.sum(1.0 / r.var))
    for side in (hz < hz[k], hz > hz[k]):
        near = side & (beside > 4) & (beside < 60) & (hz > 0.65 * low) & (hz < 1.2 * top)
        if near.any():
            floor = max(floor, float(np.median(power[near])) / np.log(2.0))
    price = _PRICE_CYCLE[0] + _PRICE_CYCLE[1] * np.log(r.t.size)
    return float(hz[k]) if 2 * power[k] / floor > price else None


def _refined(course: _Course, r: Record) -> _Course:
    """Place parameters on the fine record, by least squares over ever finer neighbourhoods."""
    if course.steps_s:
        base = replace(course, steps_s=()).design(r)
        times = list(course.steps_s)
        columns = _whitened(r, course.design(r))
        sizes = np.linalg.lstsq(columns, _whitened(r, r.y), rcond=None)[0][base.shape[1] :]
        times = _joined(times, sizes, float(np.median(np.diff(r.t))))
        return replace(course, steps_s=tuple(_placed(r, base, times)))
    if course.tau_s is None and course.cycle_hz is None:
        return course
    rest = _Rest.of(r, replace(course, tau_s=None, cycle_hz=None).design(r))
    y = rest(_whitened(r, r.y))
    value, width = course.tau_s or course.cycle_hz or 1.0, 0.05
    for _ in range(8):
        trial = value * (1 + width * np.linspace(-1, 1, 7))
        gains = []
        for v in trial:
            x = r.decay(v)[:, None] if course.tau_s is not None else r.waves(v)
            q, _ = np.linalg.qr(rest(_whitened(r, x)))
            gains.append(float(np.sum((q.T @ y) ** 2)))
        value = float(trial[int(np.argmax(gains))])
        width /= 2.5
    return replace(course, tau_s=value) if course.tau_s is not None else replace(course, cycle_hz=value)


# --- into the result ---------------------------------------------------------------------------


@dataclass(frozen=True)
class _Fitted:
    """A course with its sizes: values (p,) and covariance (p, p) averaged over the noise candidates."""

    course: _Course
    beta: Real
    cov: Real
    white: float  # probability of additive noise alone
    scale: float  # its variance over the stated one

    def value(self, weights: Real) -> tuple[float, float]:
        """A linear combination of the sizes and its sigma."""
        return float(weights @ self.beta), float(np.sqrt(max(float(weights @ self.cov @ weights), 0.0)))


def _fitted(study: _Study, course: _Course, extra: Real | None = None) -> _Fitted:
    """Sizes of the course; ``extra`` (m, k) columns stand for the uncertainty of its place parameters."""
    design = course.design(study.coarse)
    if extra is not None:
        design = np.column_stack([design, extra])
    fits = study.noise.fits(design)
    beta = fits.weight @ fits.beta
    off = fits.beta - beta
    cov = np.einsum("k,kpq->pq", fits.weight, fits.cov + off[:, :, None] * off[:, None, :])
    return _Fitted(course, beta, cov, fits.probability("white"), float(fits.scale[0]))


def _frequency(study: _Study, fitted: _Fitted, t: Real) -> tuple[Real, Real]:
    """Frequency of the course at the times ``t`` (audio Hz), and the weights (t, p) of its sizes."""
    shapes = np.column_stack([np.ones(t.size), fitted.course.columns(study.coarse.at(t))])
    k = study.coarse.offsets().shape[1]
    weights = np.zeros((t.size, fitted.beta.size))
    weights[:, k : k + shapes.shape[1]] = shapes
    return study.coarse.base_hz + weights @ fitted.beta, weights


def _result(
    c: Cells, track: Track, reference: Real, study: _Study, course: _Course, wave: _Wave | None
) -> Drift:
    fine = study.fine
    missing = {
        "time_constant_s": "no exponential settling was seen",
        "equal_steps": "fewer than three steps were seen",
        "cycle_s": "no cycle was seen",
        "cycle_peak_hz": "no cycle was seen",
    }
    values: dict[str, object] = {}
    with_rate = _fitted(study, replace(course, slope=course.model != "warm-up"))
    k = study.coarse.offsets().shape[1]
    ends = np.array([fine.first[0], fine.last[-1]])
    if course.model == "warm-up":
        fitted, values["time_constant_s"], values["time_constant_s_sigma"] = _warm_up(study, course)
        total = _difference(study, fitted, ends)
        rate = (total[0] / fine.span_s, total[1] / fine.span_s)
    else:
        fitted = _fitted(study, course)
        rate = with_rate.value(np.eye(with_rate.beta.size)[k + 1])
        if fine.is_phase and course.model in ("constant", "linear") and with_rate.white > 0.5:
            rate = _rate_of_cells(c, reference, fine, with_rate.scale)
        straight = course.model in ("constant", "linear", "random")
        total = (rate[0] * fine.span_s, rate[1] * fine.span_s) if straight else _difference(study, fitted, ends)
    if course.model == "steps":
        values["steps"] = steps = _steps(fitted, k + 1 + course.slope)
        if len(steps) >= 3:
            values["equal_steps"] = _equal(steps)
    model = course.model
    if model == "cyclic" and course.cycle_hz:
        values["cycle_s"] = 1.0 / course.cycle_hz
        values["cycle_peak_hz"], values["cycle_peak_hz_sigma"] = _peak(fitted, k + 1 + course.slope)
    elif wave is not None:
        model = "cyclic" if model in ("constant", "linear") else model
        values["cycle_s"] = 1.0 / wave.hz
        values["cycle_peak_hz"], values["cycle_peak_hz_sigma"] = float(np.hypot(*wave.size)), wave.sigma
    repeats = _repeats(track.marks, fine)
    if isinstance(repeats, str):
        missing["repeats_each_transmission"] = repeats
    else:
        values["repeats_each_transmission"] = repeats
    shown = fine if wave is None else replace(fine, y=fine.y + fine.waves(wave.hz) @ wave.size)
    points = _track(shown)
    t = np.array([p.time_s for p in points])
    curve = _frequency(study, fitted, t)[0] if course.model != "random" else _wander(study, fitted, t)
    if wave is not None:
        curve = curve + fine.at(t).waves(wave.hz) @ wave.size
    allan = _allan(c, reference, fine) if fine.is_phase else ()
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
        allan=allan,
        missing={name: why for name, why in missing.items() if name not in values},
        **values,  # type: ignore[arg-type]
    )


def _difference(study: _Study, fitted: _Fitted, ends: Real) -> tuple[float, float]:
    """Frequency of the course at the last of the two times less that at the first."""
    _, weights = _frequency(study, fitted, ends)
    return fitted.value(weights[1] - weights[0])


def _rate_of_cells(c: Cells, reference: Real, record: Record, scale: float) -> tuple[float, float]:
    """Drift rate by the likelihood of the samples themselves (additive noise alone)."""
    beta, cov = chirp_fit(c, reference, order=2, middle_s=record.middle_s, group=groups_of_cells(c, record))
    return float(beta[1]), float(np.sqrt(cov[1, 1] * scale))


def _warm_up(study: _Study, course: _Course) -> tuple[_Fitted, float, float]:
    """The fitted exponential, its time constant and sigma; their covariance by the derivative."""
    tau, r = course.tau_s or 1.0, study.coarse
    size = _fitted(study, course).beta[-1]
    turn = size * (r.decay(1.01 * tau) - r.decay(0.99 * tau)) / (0.02 * tau)
    fitted = _fitted(study, course, turn[:, None])
    return fitted, tau, float(np.sqrt(fitted.cov[-1, -1]))


def _steps(fitted: _Fitted, first: int) -> tuple[Step, ...]:
    sigma = np.sqrt(np.diag(fitted.cov))
    return tuple(
        Step(time_s=at, size_hz=float(fitted.beta[first + i]), size_hz_sigma=float(sigma[first + i]))
        for i, at in enumerate(fitted.course.steps_s)
    )


def _equal(steps: tuple[Step, ...]) -> bool:
    """All steps of one size, up or down, within a tenth or three sigma."""
    size = np.array([abs(s.size_hz) for s in steps], np.float64)
    sigma = np.array([s.size_hz_sigma for s in steps])
    return bool(np.all(np.abs(size - np.median(size)) < np.maximum(0.1 * np.median(size), 3 * sigma)))


def _peak(fitted: _Fitted, first: int) -> tuple[float, float]:
    pair = fitted.beta[first : first + 2]
    peak = float(np.hypot(*pair))
    direction = pair / max(peak, 1e-300)
    variance = float(direction @ fitted.cov[first : first + 2, first : first + 2] @ direction)
    return peak, float(np.sqrt(variance))


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


# --- the track, transmissions, stability -------------------------------------------------------


def _track(r: Record) -> tuple[TrackPoint, ...]:
    """Frequency around each time: what the phase gains from block to block, or the elements' own."""
    if r.is_phase:
        usual, blocks = float(np.median(r.var / (r.t.size / r.span_s))), float(r.t.size)
        # sigma of a difference of phases over its time: both fall as blocks grow, as length^-1.5
        sigma = np.sqrt(2 * usual * r.t.size / r.span_s) * r.t.size / r.span_s
        blocks = max(blocks * min(1.0, (_TRACK_SIGMA_HZ / sigma) ** (2 / 3)), 12.0)
        r = r.merged(int(blocks))
        same = np.diff(r.group) == 0
        apart = np.diff(r.t)[same]
        t, hz = (0.5 * (r.t[1:] + r.t[:-1]))[same], np.diff(r.y)[same] / apart
        sigmas = np.sqrt(r.var[1:] + r.var[:-1])[same] / apart
    else:
        r = r.merged(MOST_BLOCKS)
        t, hz, sigmas = r.t, r.y, np.sqrt(r.var)
    return tuple(
        TrackPoint(time_s=float(a), hz=float(r.base_hz + f), hz_sigma=float(s))
        for a, f, s in zip(t, hz, sigmas, strict=True)
    )


def _repeats(marks: Marks, r: Record) -> bool | str:
    """Whether every transmission drifts alike from its own start, or why that cannot be told.

    Each transmission's rate is fitted to its own frequencies; alike are rates of one sign whose
    scatter is small against them, with the frequency back near its start each time.
    """
    starts = _transmission_starts(marks)
    if starts.size < 2:
        return "one transmission: nothing to compare it with"
    points = _track(r)
    t, hz, sigma = (np.array([getattr(p, name) for p in points]) for name in ("time_s", "hz", "hz_sigma"))
    which = np.searchsorted(starts, t, side="right") - 1
    rates, variances, begins = [], [], []
    for k in range(starts.size):
        inside = which == k
        if inside.sum() < 3:
            continue
        u, w = t[inside] - starts[k], 1 / sigma[inside] ** 2
        design = np.column_stack([np.ones_like(u), u])
        inverse = np.linalg.pinv(design.T @ (design * w[:, None]), hermitian=True)
        beta = inverse @ (design.T @ (w * hz[inside]))
        rates.append(beta[1])
        variances.append(inverse[1, 1])
        begins.append((beta[0], u[-1]))
    if len(rates) < 2:
        return "the transmissions are too short or too weak to compare their drift"
    rate, variance = np.array(rates), np.array(variances)
    mean = float(np.average(rate, weights=1 / variance))
    if abs(mean) < 4 / np.sqrt(np.sum(1 / variance)):
        return "no drift within the transmissions to compare"
    alike = np.abs(rate - mean) < np.maximum(0.5 * abs(mean), 3 * np.sqrt(variance))
    fall = np.diff([b for b, _ in begins])  # from one start to the next
    gone = abs(mean) * float(np.mean([length for _, length in begins]))
    return bool(alike.all() and np.median(np.abs(fall)) < 0.5 * gone)


def _transmission_starts(marks: Marks) -> Real:
    """Starts of the transmissions: after a pause of 20 usual gaps and 3 s or more."""
    if not marks.keyed or marks.on_s.size < 4:
        return np.empty(0)
    gap = marks.on_s[1:] - marks.off_s[:-1]
    pause = gap > max(3.0, 20 * float(np.quantile(gap, 0.25)))
    return np.asarray(np.concatenate([marks.on_s[:1], marks.on_s[1:][pause]]))


def _allan(c: Cells, reference: Real, r: Record) -> tuple[StabilityPoint, ...]:
    """Overlapping Allan deviation in Hz, from the phase on an even grid with its holes left open.

    Of several stretches without a common phase the longest is taken.
    """
    longest = int(np.argmax(np.bincount(r.group, r.seconds)))
    inside = groups_of_cells(c, r) == longest
    x, tau0 = _phase_grid(c.take(inside), np.asarray(reference[inside], np.float64))
    out: list[StabilityPoint] = []
    m = _ALLAN_STEP
    while 4 * m <= x.size:
        d = stability.oadev(x, tau0, m)
        if d is not None and d.count >= 3:
            seen = round(x.size * d.count / d.possible)  # fewer differences, fewer degrees of freedom
            freedom = stability.equivalent_freedom(max(seen, 2 * m + 2), m, stability.noise_exponent(x, m))
            low, high = stability.interval(d, freedom)
            out.append(StabilityPoint(tau_s=d.tau_s, adev_hz=d.value, low_hz=low, high_hz=high))
        m *= 2
    return tuple(out)


def _phase_grid(c: Cells, reference: Real) -> tuple[Real, float]:
    """Phase (cycles) at even times, NaN where there was no key-down, and the spacing."""
    rest = c.s * np.exp(-2j * np.pi * reference)
    power = float(np.median(np.abs(rest) / c.seconds)) ** 2
    span_s = float(c.t[-1] - c.t[0])
    wanted = max(span_s / 4096, 20 * c.noise_density / power, 0.02)
    size = max(1, int(np.ceil(wanted / c.length_s)))
    number = c.index // size
    starts = np.flatnonzero(np.diff(number, prepend=-1) != 0)
    seconds = np.add.reduceat(c.seconds, starts)
    t = np.add.reduceat(c.seconds * c.t, starts) / seconds
    total = reference + c.path_cycles
    y = np.add.reduceat(c.seconds * total, starts) / seconds
    y = y + np.angle(np.add.reduceat(rest, starts)) / (2 * np.pi)
    place = number[starts]
    middle = (place + 0.5) * size * c.length_s
    # a block only partly key-down is moved to the middle of its place along the phase
    y = y + np.interp(middle, c.t, total) - np.interp(t, c.t, total)
    x = np.full(int(place[-1] - place[0]) + 1, np.nan)
    x[place - place[0]] = np.where(seconds > 0.3 * size * c.length_s, y, np.nan)
    return np.asarray(x, np.float64), float(size * c.length_s)


def phase_breaks(track: Track) -> tuple[Dropout, ...]:
    """Jumps of the phase at an unchanged frequency: samples lost or repeated in the recorder.

    ``length_s`` is the shortest stretch of the tone that makes the jump; whole cycles more or fewer
    leave the same. Claimed only within steady signals and marks of 0.6 s and more.
    """
    if track.tone_missing is not None:
        return ()
    c = cells(track.base, track.marks.down)
    if c.t.size < 8:
        return ()
    jumps = phase_jumps(c, _carrier_cycles(c, track))
    return tuple(
        Dropout(time_s=j.time_s, length_s=abs(j.cycles) / max(track.tone_hz, 1.0), how="phase-break") for j in jumps
    )
