"""Courses that a frequency may take, and the search for the one that explains a record best."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sigcheck.measure.course.phase_record import NOISE_BLOCKS, Record
from sigcheck.measure.results import DriftModel
from sigcheck.measure.track import Real

# Price of a cycle in -2 log likelihood: the search for its rate among m blocks makes noise look
# better by about 2 ln m, hence the second number.
PRICE_CYCLE = (15.0, 2.0)
_BENT = 0.02  # times (w^2 spread)^2: share of a wave's peak that blocks with gaps may lose otherwise than even ones
_CLOSER = 2  # rounds of Gauss and Newton from the best of the trial rates
_LITTLE_S = 1e-3  # either side of a step, for its derivative


@dataclass(frozen=True)
class Course:
    """A shape of frequency against time, its place parameters found and its sizes left to the fit."""

    model: DriftModel
    slope: bool = False
    tau_s: float | None = None
    steps_s: tuple[float, ...] = ()
    cycle_hz: float | None = None
    price: float = 0.0
    regular: bool = False  # steps of one size at even intervals

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

    def tangents(self, r: Record, sizes: Real) -> Real:
        """What the record's values gain for a unit of each place parameter, shape (m, places).

        The places are the time constant (s), each step's time (s) and the cycle's rate (Hz); ``sizes`` (terms,) are
        those of `columns`.
        """
        sizes, out = sizes[int(self.slope) :], []
        if self.tau_s is not None:
            later, earlier = r.decay(1.01 * self.tau_s), r.decay(0.99 * self.tau_s)
            out.append(sizes[:1] * (later - earlier)[:, None] / (0.02 * self.tau_s))
            sizes = sizes[1:]
        if self.steps_s:
            at, little = np.array(self.steps_s), _LITTLE_S
            out.append(sizes[: at.size] * (r.hinges(at + little) - r.hinges(at - little)) / (2 * little))
        elif self.cycle_hz is not None:
            little = 1e-3 * self.cycle_hz
            turned = r.waves(self.cycle_hz + little) - r.waves(self.cycle_hz - little)
            out.append((turned @ sizes[:2])[:, None] / (2 * little))
        return np.column_stack(out) if out else np.empty((r.t.size, 0))

    def moved(self, by: Real, r: Record) -> Course:
        """The course with each place parameter moved, by no more than keeps it the same course."""
        if self.tau_s is not None:
            tau_s = self.tau_s * float(np.exp(np.clip(by[0] / self.tau_s, -0.2, 0.2)))
            return replace(self, tau_s=None).moved(by[1:], r).bent(tau_s)
        if self.steps_s:
            block = float(np.median(np.diff(r.t)))
            at = np.array(self.steps_s) + np.clip(by, -0.5 * block, 0.5 * block)
            return replace(self, steps_s=tuple(float(x) for x in np.clip(at, r.first[0], r.last[-1])))
        if self.cycle_hz is not None:
            most = 0.1 / r.span_s
            return replace(self, cycle_hz=self.cycle_hz + float(np.clip(by[0], -most, most)))
        return self

    def bent(self, tau_s: float) -> Course:
        """The course with an exponential approach of that time constant."""
        return replace(self, tau_s=tau_s)


def whitened(r: Record, columns: Real) -> Real:
    """Columns (or values) in units of each block's own sigma."""
    return np.asarray((columns.T / np.sqrt(r.var)).T)


@dataclass(frozen=True)
class Rest:
    """What is left of whitened columns when the nuisance columns have taken their part."""

    q: Real  # (m, p), orthonormal

    @classmethod
    def of(cls, r: Record, nuisance: Real) -> Rest:
        """Beside the columns (m, p) of a record."""
        return cls(np.linalg.qr(whitened(r, nuisance))[0])

    def __call__(self, x: Real) -> Real:
        return np.asarray(x - self.q @ (self.q.T @ x))

    def also(self, column: Real) -> Rest:
        """Beside one more whitened column, itself such a rest."""
        return Rest(np.column_stack([self.q, column / np.sqrt(column @ column)]))


def best_tau(r: Record, beside: Course | None = None) -> float:
    """Time constant of the exponential that leaves least beside a course, over a grid refined five times."""
    rest = Rest.of(r, (beside or Course("constant")).design(r))
    y = rest(whitened(r, r.y))
    grid = np.geomspace(r.span_s / 30, 2 * r.span_s, 25)
    for _ in range(6):
        x = rest(whitened(r, np.column_stack([r.decay(tau) for tau in grid])))
        gain = (y @ x) ** 2 / np.maximum(np.sum(x * x, axis=0), 1e-300)
        k = int(np.argmax(gain))
        best = float(grid[k])
        grid = np.geomspace(grid[max(k - 1, 0)], grid[min(k + 1, grid.size - 1)], 9)
    return best


def best_cycle(r: Record, slope: bool) -> float | None:
    """Rate of the sinusoid that explains most, from 0.7 cycles in all to five blocks a cycle."""
    rest = Rest.of(r, Course("linear" if slope else "constant", slope=slope).design(r))
    y = rest(whitened(r, r.y))
    span = r.span_s
    trial = np.arange(0.7, span / (5.0 * float(np.median(np.diff(r.t)))), 0.2) / span
    if not trial.size:
        return None
    best, width = best_wave(r, rest, y, trial), 0.2 / span
    for _ in range(5):
        best = best_wave(r, rest, y, np.linspace(max(best - width, 0.5 / span), best + width, 9))
        width /= 4
    return best


def best_wave(r: Record, rest: Rest, y: Real, trial: Real) -> float:
    """The rate among ``trial`` (k,) whose cosine and sine together take most off the misfit."""
    x = rest(whitened(r, r.waves(trial))).T.reshape(trial.size, 2, -1)
    cc, ss, cs = (x[:, 0] ** 2).sum(axis=1), (x[:, 1] ** 2).sum(axis=1), (x[:, 0] * x[:, 1]).sum(axis=1)
    cy, sy = x[:, 0] @ y, x[:, 1] @ y
    gain = (cy**2 * ss - 2 * cy * sy * cs + sy**2 * cc) / np.maximum(cc * ss - cs**2, 1e-12 * cc * ss + 1e-300)
    return float(trial[int(np.argmax(gain))])


@dataclass(frozen=True)
class Wave:
    """A fast cycle: its rate and its sigma, the sizes (2,) of its cosine and sine in hertz, and theirs."""

    hz: float
    size: Real
    sigma: float
    hz_sigma: float


def fast_wave(r: Record) -> Wave | None:
    """The cycle too fast for the merged blocks, placed and sized on the fine ones, if there is one."""
    hz = _fast_cycle(r)
    if hz is None:
        return None
    base = Course("linear", slope=True)
    rest = Rest.of(r, base.design(r))
    y, width = rest(whitened(r, r.y)), 0.5 / r.span_s
    for _ in range(5):
        hz = best_wave(r, rest, y, np.linspace(hz - width, hz + width, 9))
        width /= 3
    for _ in range(_CLOSER):
        size, _ = _wave_fitted(r, rest, y, r.waves(hz))
        tangent = Course("cyclic", cycle_hz=hz).tangents(r, size)
        size, own = _wave_fitted(r, rest, y, np.column_stack([r.waves(hz), tangent]))
        hz += float(np.clip(size[2], -width, width))
    size, _ = _wave_fitted(r, rest, y, r.waves(hz))
    peak, sigma = float(np.hypot(*size)), float(np.sqrt(0.5 * np.sum(own[:2] ** 2)))
    return Wave(hz, size, float(np.hypot(sigma, shape_sigma(r, hz) * peak)), float(own[2]))


def shape_sigma(r: Record, hz: float) -> float:
    """Share of a wave's peak that is not known for the shape of the blocks."""
    return _BENT * float((2 * np.pi * hz) ** 2 * np.median(r.spread)) ** 2


def _wave_fitted(r: Record, rest: Rest, y: Real, columns: Real) -> tuple[Real, Real]:
    """Sizes of the columns, and their sigmas by what is left."""
    x = rest(whitened(r, columns))
    inverse = np.linalg.pinv(x.T @ x, hermitian=True)
    size = inverse @ (x.T @ y)
    scatter = max(float(np.sum((y - x @ size) ** 2)) / max(r.t.size - 6, 1), 1.0)
    return np.asarray(size), np.sqrt(scatter * np.diag(inverse))


def _fast_cycle(r: Record) -> float | None:
    """Rate of a cycle too fast for the merged blocks: a line in the spectrum of the phase, or None.

    Judged against the spectrum beside it, so whatever noise the oscillator has is allowed for.
    """
    block = float(np.median(np.diff(r.t)))
    low, top = 1.0 / (5.0 * block * -(-r.t.size // NOISE_BLOCKS)), 1.0 / (3.0 * block)
    if r.t.size < 24 or top <= 1.2 * low:
        return None
    # Slower courses go first: through the keying's irregular blocks they would leak into all rates.
    x = (r.t - r.first[0]) / r.span_s
    slow = np.cos(np.pi * np.outer(x, np.arange(2, 2 + int(1.2 * low * r.span_s))))
    rest = Rest.of(r, np.column_stack([Course("linear", slope=True).design(r), slow]))
    y = rest(whitened(r, r.y)) / np.sqrt(r.var)
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
    price = PRICE_CYCLE[0] + PRICE_CYCLE[1] * np.log(r.t.size)
    return float(hz[k]) if 2 * power[k] / floor > price else None


def refined(course: Course, r: Record) -> Course:
    """Time constant or rate of the cycle on the fine record, over ever finer neighbourhoods."""
    if course.tau_s is None and course.cycle_hz is None:
        return course
    rest = Rest.of(r, replace(course, tau_s=None, cycle_hz=None).design(r))
    y = rest(whitened(r, r.y))
    value, width = course.tau_s or course.cycle_hz or 1.0, 0.05
    for _ in range(8):
        trial = value * (1 + width * np.linspace(-1, 1, 7))
        gains = []
        for v in trial:
            x = r.decay(v)[:, None] if course.tau_s is not None else r.waves(v)
            q, _ = np.linalg.qr(rest(whitened(r, x)))
            gains.append(float(np.sum((q.T @ y) ** 2)))
        value = float(trial[int(np.argmax(gains))])
        width /= 2.5
    return replace(course, tau_s=value) if course.tau_s is not None else replace(course, cycle_hz=value)
