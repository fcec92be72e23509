"""One four-tone transmission to the physical limit: its symbols, and its phase against time.

The phase of a continuous-phase signal with known symbols is a smooth course plus the running sum of
the tones. All it depends on (start, symbol length, spacing, frequency, drift, curvature) is fitted
by maximum likelihood to blocks of M symbols, in each of which phase and amplitude are free: for
white noise of density N0 the log likelihood is the sum over blocks of |X|^2 / (N0 length), X the
block's integral after the modelled phase is taken off. M = 2 catches hold from a coarse grid; then
M grows for as long as the blocks stay coherent, so that a steady oscillator is measured at the
bound and one with spread as well as it allows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from sigcheck.measure.slots.band import Narrow
from sigcheck.measure.slots.course import (
    ORDERS,
    PARAMETERS,
    USUAL_CURVE_HZ,
    Course,
    Symbols,
    Wide,
    gradients,
    phase_of,
    rest_of,
    samples_within,
    stepped,
    symbol_integrals,
    tone_sums,
    within,
)
from sigcheck.measure.slots.energy_fit import by_energy
from sigcheck.measure.slots.follow import followed
from sigcheck.measure.slots.protocol import SYMBOLS
from sigcheck.measure.slots.search import Sighting
from sigcheck.measure.slots.symbols import Decided, own_and_wrong
from sigcheck.measure.track import Complex, Real

_LEAPS = (8, 32)  # symbols: longer blocks gain nothing but the frequency, which is had elsewhere
_STAYS_COHERENT = 0.8  # of the power of single symbols that longer blocks must keep
_LATENESS_S = 0.12  # how far the coarse start may be off
# How far a transmitter may be off, one sigma: keeps what a short or weak stretch cannot tell in bounds.
_USUAL_LENGTH_ERROR = 0.01
_USUAL_SPACING_ERROR = 0.15
_STEPS = 25


@dataclass(frozen=True)
class Fit:
    """A fitted transmission.

    ``sigma`` holds the standard uncertainties of start, symbol length, spacing and the
    coefficients of frequency, by noise and by what the blocks scatter beyond it.
    """

    course: Course
    symbols: Symbols  # (162,); outside first..last they mean nothing
    posterior: Real  # (162, 4) probability of each tone
    first: int
    last: int  # one past the last symbol heard
    together: int  # symbols that are coherent
    power: float  # of the tone, amplitude squared
    noise_density: float
    covariance: Real  # (9, 9)
    sums: Complex  # (162, 4) integrals over each symbol on each tone, noise of variance noise_density * symbol_s
    rest: Wide  # samples with the modelled phase taken off, zero outside the transmission
    fixed_bits: bool  # whether the symbols' low bits are the protocol's

    @property
    def sigma(self) -> Real:
        """Standard uncertainties, shape (9,)."""
        return np.asarray(np.sqrt(np.maximum(np.diag(self.covariance), 0.0)))

    @property
    def energy_db(self) -> float:
        """Energy of a symbol over the noise density."""
        return float(10 * np.log10(max(self.power * self.course.symbol_s / self.noise_density, 1e-10)))


def fit(narrow: Narrow, seen: Sighting, known: Symbols | None = None, *, thorough: bool = True) -> Fit | None:
    """Fit one sighting on the narrow band about it.

    Parameters
    ----------
    thorough : False stops at what energies tell (of other stations no more is asked).
    known : the symbols it should send, (162,): used in place of one's own decisions where they agree.

    Returns
    -------
    Fit, or None where fewer than a quarter of the symbols lie within the recording.
    """
    span_s = SYMBOLS * seen.symbol_s
    hz = _seen_hz(narrow, seen)
    course = Course(seen.start_s, seen.symbol_s, seen.spacing_hz, hz, seen.start_s, span_s)
    inside = within(narrow, course)
    if inside[1] - inside[0] < SYMBOLS // 4:
        return None
    density = noise_density(narrow, narrow.z, course.hz[0])
    fixed = seen.fixed_bits
    course = followed(narrow, course, inside) if fixed else course
    course = _coarse(narrow, course, inside, fixed)
    before = Decided.of(narrow, course, density, inside, fixed)
    together = 0
    covariance: Real = np.zeros((PARAMETERS, PARAMETERS))
    if thorough:
        course, covariance, together = _refined(narrow, course, before.symbols, inside, density, 2)
    now = Decided.of(narrow, course, density, inside, fixed)
    if known is not None and np.mean(known[inside[0] : inside[1]] == now.symbols[inside[0] : inside[1]]) > 0.7:
        now = replace(now, symbols=known.astype(np.intp))
    for leap in _LEAPS if together else ():
        for longer in (leap, leap // 2):
            trial, cov, kept = _refined(narrow, course, now.symbols, inside, density, longer)
            if kept:
                course, covariance, together = trial, cov, kept
                break
        if together < leap:
            break
    # with the tones' changes taken off the signal no longer reaches into what is taken for noise
    density = noise_density(narrow, rest_of(narrow, course, now.symbols, 0, SYMBOLS, beyond=True), 0.0)
    now = Decided.of(narrow, course, density, inside, fixed)
    first, last = now.heard(inside)
    used = now.symbols if known is None or np.mean(known[first:last] == now.symbols[first:last]) <= 0.7 else known
    if together:
        course, covariance, _ = _refined(narrow, course, used, (first, last), density, together)
    elif thorough:
        course, covariance = by_energy(narrow, course, used, (first, last))
    now = Decided.of(narrow, course, density, inside, fixed)
    rest = rest_of(narrow, course, used, first, last)
    return Fit(course, now.symbols, now.posterior, first, last, max(together, 1), now.power, density, covariance,
               now.sums, rest, fixed)  # fmt: skip


def slope_doubt_hz(f: Fit) -> float:
    """Uncertainty of the middle's mean frequency by that of start, symbol length and spacing.

    Their errors leave a phase in step with the symbols' running sum, and where that leans so does the
    frequency that is read from the phase.
    """
    v = np.linspace(f.first, f.last, 40 * (f.last - f.first), endpoint=False)
    tone = (f.symbols - 1.5)[np.minimum(v.astype(np.intp), SYMBOLS - 1)]
    sums, h, length = tone_sums(f.course, f.symbols, v), f.course.spacing_hz, f.course.symbol_s
    cycles = np.column_stack([-h * tone, h * (sums - v * tone), length * sums])
    u = (v - v.mean()) * length
    slope = u @ cycles / (u @ u)
    return float(np.sqrt(max(float(slope @ f.covariance[:3, :3] @ slope), 0.0)))


def heard_again(narrow: Narrow, strong: Fit, apart_hz: float) -> bool:
    """Whether the transmission fitted elsewhere is heard here too, a constant ``apart_hz`` from the band's middle."""
    course = replace(strong.course, hz=(apart_hz, *strong.course.hz[1:]))
    part = slice(strong.first, strong.last)
    density = noise_density(narrow, narrow.z, apart_hz)
    here = Decided.of(narrow, course, density, (strong.first, strong.last), strong.fixed_bits)
    doubt = float(sum(np.sum(1 - posterior.max(axis=1)[part]) for posterior in (here.posterior, strong.posterior)))
    differ = int(np.sum(here.symbols[part] != strong.symbols[part]))
    return bool(differ <= doubt + 4 * np.sqrt(doubt) + 1)


def sighted_power(narrow: Narrow, seen: Sighting) -> float:
    """Power on the stronger tones of a sighting, noise and all: to tell strong from weak."""
    hz = _seen_hz(narrow, seen)
    course = Course(seen.start_s, seen.symbol_s, seen.spacing_hz, hz, seen.start_s, SYMBOLS * seen.symbol_s)
    power = np.abs(symbol_integrals(narrow, course)) ** 2
    return float(power.max(axis=1).sum() / max(np.count_nonzero(power.any(axis=1)), 1))


def _seen_hz(narrow: Narrow, seen: Sighting) -> tuple[float, ...]:
    """Coefficients of a course's frequency as the search has them."""
    return (seen.centre_hz - narrow.hz, 0.5 * seen.drift_hz, *[0.0] * (ORDERS - 2))


def noise_density(narrow: Narrow, z: Complex | Wide, centre_hz: float) -> float:
    """Noise power per hertz beside the four tones: the quieter side, lines and other stations passed over."""
    length = round(1.4 * narrow.rate_hz)
    if z.size < length:
        return 1e-30
    hz = np.arange(8.0, 22.0, 1.4 / length * narrow.rate_hz)
    window: Real = np.asarray(np.hanning(length + 1)[:-1], np.float64)
    part = np.asarray(np.lib.stride_tricks.sliding_window_view(z, length)[:: length // 2], np.complex128)
    frames = part * window
    t = np.arange(length) / narrow.rate_hz
    sides = []
    for sign in (-1, 1):
        offset = sign * hz + centre_hz
        power = np.abs(frames @ np.exp(-2j * np.pi * t[:, None] * offset)) ** 2
        level = np.median(power, axis=0) / (np.log(2.0) * narrow.rate_hz * np.sum(window**2))
        sides.append(float(np.median(level / narrow.response(offset))))
    return max(min(sides) * 1.02, 1e-30)  # the lower of two that scatter by some per cent


# --- catching hold -----------------------------------------------------------------------------


def _coarse(narrow: Narrow, course: Course, inside: tuple[int, int], fixed: bool) -> Course:
    """Start, centre, drift, spacing and length to within what two symbols together resolve."""
    late = np.arange(-_LATENESS_S, _LATENESS_S + 1e-9, 0.015)
    for _ in range(2):
        best = partial(_best_of, narrow, inside=inside, fixed=fixed)
        course = best([replace(course, start_s=course.start_s + d) for d in late])
        course = best([_moved(course, d, 0.0) for d in np.arange(-0.3, 0.31, 0.1)])
        course = best([_moved(course, 0.0, d) for d in np.arange(-0.6, 0.61, 0.2)])
        course = best([replace(course, spacing_hz=course.spacing_hz * k) for k in (0.9, 0.95, 1.0, 1.05, 1.1)])
        late = np.arange(-0.03, 0.031, 0.01)
    return course


def _moved(course: Course, centre_hz: float, end_hz: float) -> Course:
    return replace(course, hz=(course.hz[0] + centre_hz, course.hz[1] + end_hz, *course.hz[2:]))


def _best_of(narrow: Narrow, courses: list[Course], inside: tuple[int, int], fixed: bool) -> Course:
    """The one with the most energy on the stronger tone of each symbol's pair, or of all four."""
    gains = [
        own_and_wrong(np.abs(symbol_integrals(narrow, one)) ** 2, fixed)[0][slice(*inside)].sum() for one in courses
    ]
    return courses[int(np.argmax(gains))]


# --- the fit -----------------------------------------------------------------------------------


def _refined(
    narrow: Narrow, course: Course, tones: Symbols, inside: tuple[int, int], density: float, together: int
) -> tuple[Course, Real, int]:
    """Newton steps on blocks of ``together`` symbols: (course, covariance, together or 0 if not coherent)."""
    scale = np.array([_USUAL_LENGTH_ERROR * course.symbol_s, _USUAL_SPACING_ERROR * course.spacing_hz])
    first = np.array([course.symbol_s, course.spacing_hz])
    tight = np.array([0.0, *scale**-2.0, 0.0, 0.0, *[USUAL_CURVE_HZ**-2] * (ORDERS - 2)])
    begun = course
    covariance = np.zeros((PARAMETERS, PARAMETERS))
    power = 0.0
    for _ in range(_STEPS):
        where, v = samples_within(narrow, course, inside)
        g = gradients(narrow, course, tones, where, v)
        y = narrow.z[where] * np.exp(-1j * phase_of(narrow, course, tones, where, v))
        block = np.clip((v - inside[0]) / together, 0, None).astype(np.intp)
        starts = np.flatnonzero(np.diff(block, prepend=-1))
        n = np.diff(np.append(starts, v.size))
        x = np.add.reduceat(y, starts)
        mean = np.add.reduceat(g, starts, axis=0) / n[:, None]
        g = g - np.repeat(mean, n, axis=0)
        sigma2 = density * narrow.rate_hz
        power = max(float((np.sum(np.abs(x) ** 2) - sigma2 * v.size) / np.sum(n.astype(float) ** 2)), 0.0)
        own = np.maximum((np.abs(x) ** 2 - sigma2 * n) / n.astype(float) ** 2, 0.05 * power)
        information = 2 / sigma2 * (g * np.repeat(own, n)[:, None]).T @ g
        pull = 2 / sigma2 * np.imag(np.conj(x)[:, None] * np.add.reduceat(y[:, None] * g, starts, axis=0)) / n[:, None]
        off = np.array([0.0, course.symbol_s - first[0], course.spacing_hz - first[1], 0.0, 0.0, *course.hz[2:]])
        covariance = np.linalg.pinv(information + np.diag(tight), hermitian=True)
        step = covariance @ (pull.sum(axis=0) - tight * off)
        step = _kept_small(step, course)
        course = stepped(course, step)
        covariance = covariance * _excess(pull, covariance)
        if np.all(np.abs(step) < 0.02 * np.sqrt(np.diag(covariance)) + 1e-12):
            break
    single = _coherent_power(narrow, course, tones, inside, density, 1)
    kept = power > _STAYS_COHERENT * single and abs(course.start_s - begun.start_s) < 0.15
    return (course if kept else begun), covariance, together if kept else 0


def _kept_small(step: Real, course: Course) -> Real:
    """The step, shortened as a whole where it leaves what one linearisation covers."""
    most = np.array([0.1, 0.002 * course.symbol_s, 0.08 * course.spacing_hz, 0.3, *[0.5] * (ORDERS - 1)])
    return np.asarray(step / max(1.0, float(np.max(np.abs(step) / most))))


def _excess(pull: Real, covariance: Real) -> float:
    """Scatter of the blocks' pulls over what noise makes: 1 for a steady oscillator in white noise."""
    return max(1.0, float(np.mean(np.einsum("bp,pq,bq->b", pull, covariance, pull)) * len(pull) / pull.shape[1]))


def _coherent_power(
    narrow: Narrow, course: Course, tones: Symbols, inside: tuple[int, int], density: float, together: int
) -> float:
    """Amplitude squared by blocks of so many symbols."""
    where, v = samples_within(narrow, course, inside)
    y = narrow.z[where] * np.exp(-1j * phase_of(narrow, course, tones, where, v))
    starts = np.flatnonzero(np.diff(np.clip((v - inside[0]) / together, 0, None).astype(np.intp), prepend=-1))
    n = np.diff(np.append(starts, v.size)).astype(float)
    x = np.add.reduceat(y, starts)
    return float((np.sum(np.abs(x) ** 2) - density * narrow.rate_hz * v.size) / np.sum(n**2))
