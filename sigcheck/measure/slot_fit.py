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
from functools import lru_cache, partial

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.slot_search import FIXED_BITS, SYMBOLS, Narrow, Sighting
from sigcheck.measure.track import Complex, Real

Symbols = NDArray[np.intp]
Wide = NDArray[np.complex128]

_LEAPS = (8, 32)  # symbols: longer blocks gain nothing but the frequency, which is had elsewhere
_STAYS_COHERENT = 0.8  # of the power of single symbols that longer blocks must keep
_TRUST = np.log(50.0)  # odds that the fixed bit is as known: noise errs more often than transmitters
_LATENESS_S = 0.12  # how far the coarse start may be off
# How far a transmitter may be off, one sigma: keeps what a short or weak stretch cannot tell in bounds.
_USUAL_LENGTH_ERROR = 0.01
_USUAL_SPACING_ERROR = 0.15
_USUAL_CURVE_HZ = 0.7
_STEPS = 25
_LEAST_SCINTILLATION = 0.15  # of 162 energies at -25 dB: three times what their scatter makes of a steady signal
_STRETCHES = 18  # of nine symbols, 6 s: the fading of a path that spreads by 0.1 Hz or more is another one in the next
_FURTHEST = 1.5  # steps, by which the top of a parabola may lie beyond its points
_ORDERS = 6  # of the centre's course: an exponential warm-up over 30 s is met within some per cent
_LEGENDRE_0 = np.polynomial.legendre.legvander(np.zeros(1), _ORDERS)[0]
_AT_ZERO = (_LEGENDRE_0[2:] - _LEGENDRE_0[:-2]) / (2 * np.arange(1, _ORDERS) + 1)
_PARAMETERS = 3 + _ORDERS


@dataclass(frozen=True)
class Course:
    """Frequency of a transmission against time.

    ``hz`` (6,) are Legendre coefficients of the centre's frequency, relative to the narrow band's
    own, over the 162 nominal symbols from ``from_s`` for ``span_s``.
    """

    start_s: float
    symbol_s: float
    spacing_hz: float
    hz: tuple[float, ...]
    from_s: float
    span_s: float

    def slow_hz(self, t: Real) -> Real:
        """Frequency of the centre, held constant beyond the ends."""
        u = np.clip(2 * (t - self.from_s) / self.span_s - 1, -1, 1)
        return np.asarray(np.polynomial.legendre.legval(u, self.hz))

    def slow_cycles(self, band: Narrow) -> Real:
        """Its integral at the band's samples, from the middle of the span on."""
        return np.asarray(_slow_basis(band.z.size, band.first_s, band.rate_hz, self.from_s, self.span_s) @ self.hz)

    def place(self, t: Real) -> Real:
        """Position of times in the transmission, counted in symbols."""
        return np.asarray((t - self.start_s) / self.symbol_s)


def _integrals(u: Real) -> Real:
    """Integrals of the Legendre polynomials, zero at u = 0; shape (n, 6)."""
    p = np.polynomial.legendre.legvander(u, _ORDERS)
    order = np.arange(1, _ORDERS)
    higher = (p[:, 2:] - p[:, :-2]) / (2 * order + 1) - _AT_ZERO
    return np.column_stack([u, higher])


@lru_cache(maxsize=8)
def _slow_basis(count: int, first_s: float, rate_hz: float, from_s: float, span_s: float) -> Real:
    """Cycles that one hertz in each coefficient of a course makes at the samples of a band, (n, 6)."""
    t = first_s + np.arange(count) / rate_hz
    return _integrals(2 * (t - from_s) / span_s - 1) * (0.5 * span_s)


def tone_sums(course: Course, tones: Symbols, v: Real) -> Real:
    """Integral over place ``v`` of the tone less the centre, in spacings; ``tones`` (162,)."""
    bounds = np.concatenate([[0.0], np.cumsum(tones - 1.5)])
    return np.asarray(np.interp(v, np.arange(SYMBOLS + 1), bounds))


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
    hz = (seen.centre_hz - narrow.hz, 0.5 * seen.drift_hz, *[0.0] * (_ORDERS - 2))
    course = Course(seen.start_s, seen.symbol_s, seen.spacing_hz, hz, seen.start_s, span_s)
    inside = within(narrow, course)
    if inside[1] - inside[0] < SYMBOLS // 4:
        return None
    density = noise_density(narrow, narrow.z, course.hz[0])
    fixed = seen.fixed_bits
    course = _coarse(narrow, course, inside, fixed)
    before = _Decided.of(narrow, course, density, inside, fixed)
    together = 0
    covariance: Real = np.zeros((_PARAMETERS, _PARAMETERS))
    if thorough:
        course, covariance, together = _refined(narrow, course, before.symbols, inside, density, 2)
    now = _Decided.of(narrow, course, density, inside, fixed)
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
    density = noise_density(narrow, _rest(narrow, course, now.symbols, 0, SYMBOLS, beyond=True), 0.0)
    now = _Decided.of(narrow, course, density, inside, fixed)
    first, last = now.heard(inside)
    used = now.symbols if known is None or np.mean(known[first:last] == now.symbols[first:last]) <= 0.7 else known
    if together:
        course, covariance, _ = _refined(narrow, course, used, (first, last), density, together)
    elif thorough:
        course, covariance = _incoherent(narrow, course, used, (first, last))
    now = _Decided.of(narrow, course, density, inside, fixed)
    rest = _rest(narrow, course, used, first, last)
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
    here = _Decided.of(narrow, course, density, (strong.first, strong.last), strong.fixed_bits)
    doubt = float(sum(np.sum(1 - posterior.max(axis=1)[part]) for posterior in (here.posterior, strong.posterior)))
    differ = int(np.sum(here.symbols[part] != strong.symbols[part]))
    return bool(differ <= doubt + 4 * np.sqrt(doubt) + 1)


def sighted_power(narrow: Narrow, seen: Sighting) -> float:
    """Power on the stronger tones of a sighting, noise and all: to tell strong from weak."""
    hz = (seen.centre_hz - narrow.hz, 0.5 * seen.drift_hz, *[0.0] * (_ORDERS - 2))
    course = Course(seen.start_s, seen.symbol_s, seen.spacing_hz, hz, seen.start_s, SYMBOLS * seen.symbol_s)
    power = np.abs(symbol_integrals(narrow, course)) ** 2
    return float(power.max(axis=1).sum() / max(np.count_nonzero(power.any(axis=1)), 1))


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


def within(narrow: Narrow, course: Course) -> tuple[int, int]:
    """First and one past the last symbol of which more than half lies in the recording."""
    place = course.place(narrow.times_s[[0, -1]])
    return int(np.clip(np.ceil(place[0] - 0.5), 0, SYMBOLS)), int(np.clip(np.floor(place[1] + 0.5), 0, SYMBOLS))


def _samples(narrow: Narrow, starts_s: Real, length: int) -> NDArray[np.intp]:
    """Index of the samples of one symbol length from each start, shape (n, length); -1 beyond the recording."""
    # a sample stands for half a step to both sides of it: those from the start on cover, in the mean, what follows it
    first = np.ceil((starts_s - narrow.first_s) * narrow.rate_hz).astype(np.intp)
    index = first[:, None] + np.arange(length)
    return np.where((index >= 0) & (index < narrow.z.size), index, -1)


def symbol_integrals(narrow: Narrow, course: Course) -> Complex:
    """Integrals over each symbol on each of the four tones, shape (162, 4)."""
    return offset_integrals(narrow, course, course.spacing_hz * (np.arange(4) - 1.5))


def offset_integrals(narrow: Narrow, course: Course, offsets_hz: Real) -> Complex:
    """Integrals over each symbol at frequencies that far from the middle of the tones, shape (162, n)."""
    length = round(course.symbol_s * narrow.rate_hz)
    index = _samples(narrow, course.start_s + course.symbol_s * np.arange(SYMBOLS), length)
    steady = np.append(narrow.z * np.exp(-2j * np.pi * course.slow_cycles(narrow)), 0.0)  # index -1 is the last
    local = np.arange(length) / narrow.rate_hz
    return np.asarray(steady[index] @ np.exp(-2j * np.pi * local[:, None] * offsets_hz) / narrow.rate_hz)


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
        _own_and_wrong(np.abs(symbol_integrals(narrow, one)) ** 2, fixed)[0][slice(*inside)].sum() for one in courses
    ]
    return courses[int(np.argmax(gains))]


def _own_and_wrong(energy: Real, fixed: bool) -> tuple[Real, Real]:
    """Energy (162,) on the strongest tone that a symbol may have, and the mean on tones that it has not."""
    if not fixed:
        own = energy.max(axis=1)
        return own, (energy.sum(axis=1) - own) / 3
    rows = np.arange(SYMBOLS)
    own = np.maximum(energy[rows, FIXED_BITS], energy[rows, FIXED_BITS + 2])
    return own, 0.5 * (energy[rows, 1 - FIXED_BITS] + energy[rows, 3 - FIXED_BITS])


# --- symbols -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Decided:
    """Symbols by the energy on their tones, the fixed bits counting as strong but not certain knowledge."""

    sums: Complex
    symbols: Symbols
    posterior: Real  # (162, 4)
    power: float
    evidence: Real  # (162,) log likelihood of a symbol there over noise alone

    @classmethod
    def of(cls, narrow: Narrow, course: Course, density: float, inside: tuple[int, int], fixed: bool) -> _Decided:
        sums = symbol_integrals(narrow, course)
        energy = np.abs(sums) ** 2 / (density * course.symbol_s)
        own, wrong = _own_and_wrong(energy, fixed)
        strength = _nearby(own - wrong, inside)
        # spread and wrong spacing put a share of the energy into the other tones: noise of its own
        usual = slice(*inside)
        leak = np.clip((wrong[usual].mean() - 1.0) / max(float(strength[usual].mean()), 0.1), 0.0, 1.0)
        ratio = np.maximum(strength, 0.1)[:, None]
        likely = _tone_nats(energy, ratio, 1.0 + leak * ratio, _faded_share(own[usual], strength[usual]))
        prior = np.where((np.arange(4) % 2) == FIXED_BITS[:, None], 0.0, -_TRUST if fixed else 0.0)
        weight = likely + prior
        top = weight.max(axis=1, keepdims=True)
        share = np.exp(weight - top)
        symbols = np.argmax(weight, axis=1)
        posterior = share / share.sum(axis=1, keepdims=True)
        evidence = top[:, 0] + np.log(share.sum(axis=1) / 2)
        power = float(np.maximum(strength[usual].mean(), 0.1)) * density / course.symbol_s
        return cls(sums, symbols, posterior, power, evidence)

    def heard(self, inside: tuple[int, int]) -> tuple[int, int]:
        """First and one past the last symbol of the stretch that the transmission was on for."""
        gain = np.clip(self.evidence, -6.0, 6.0)
        gain[: inside[0]] = gain[inside[1] :] = 0.0
        total = np.concatenate([[0.0], np.cumsum(gain)])
        lowest = np.minimum.accumulate(total)
        last = int(np.argmax(total - lowest))
        first = int(np.argmin(total[: last + 1]))
        # noise hides single symbols at the ends: they are missing only where that is likely
        if total[inside[0]] - total[first] < 4.0:
            first = inside[0]
        if total[last] - total[inside[1]] < 4.0:
            last = inside[1]
        return first, last


def _faded_share(own: Real, strength: Real) -> float:
    """Share of the power that fades from symbol to symbol, 0..1, the rest being steady (Rice).

    The energies' variance beyond that of noise, over their squared mean, is 1 less the steady share squared.
    """
    if own.size < SYMBOLS // 4:
        return 0.0
    excess = float(np.mean((own - 1.0 - strength) ** 2 - 1.0 - 2.0 * np.maximum(strength, 0.0)))
    scintillation = float(np.clip(excess / max(float(np.mean(strength**2)), 0.1), 0.0, 1.0))
    return 0.0 if scintillation < _LEAST_SCINTILLATION else 1.0 - float(np.sqrt(1.0 - scintillation))


def _tone_nats(energy: Real, ratio: Real, noise: Real, faded: float) -> Real:
    """Log-likelihood of energies (n, 4) on a tone of mean energy ``ratio`` over noise alone, a share of it fading.

    A complex normal with a steady part: the noncentral chi-squared density of two degrees of freedom.
    """
    wide = 1.0 + faded * ratio / noise
    steady, seen = (1.0 - faded) * ratio / noise, energy / noise
    beside = seen * (1.0 - 1.0 / wide) - steady / wide - np.log(wide)
    return np.asarray(log_i0(2 * np.sqrt(steady * seen) / wide) + beside)


def _nearby(values: Real, inside: tuple[int, int]) -> Real:
    """Mean of a dozen neighbouring symbols, (162,), drawn a little to the mean of all: fading, not noise."""
    part = values[slice(*inside)]
    kernel = np.ones(min(11, part.size))
    count = np.convolve(np.ones(part.size), kernel, "same")
    out = np.full(SYMBOLS, float(part.mean()))
    out[slice(*inside)] = (np.convolve(part, kernel, "same") + 3 * part.mean()) / (count + 3)
    return out


def log_i0(x: Real) -> Real:
    """Logarithm of the modified Bessel function I0, to 1e-3."""
    small = np.minimum(x, 30.0)
    far = np.maximum(x, 10.0)
    return np.where(x < 20.0, np.log(np.i0(small)), far - 0.5 * np.log(2 * np.pi * far) + 1 / (8 * far))


# --- the fit -----------------------------------------------------------------------------------


def _parts(narrow: Narrow, course: Course, inside: tuple[int, int]) -> tuple[slice, Real]:
    """Samples of the symbols inside, and their places."""
    edge = (course.start_s + course.symbol_s * np.array(inside) - narrow.first_s) * narrow.rate_hz
    a, b = int(np.clip(np.ceil(edge[0]), 0, narrow.z.size)), int(np.clip(np.ceil(edge[1]), 0, narrow.z.size))
    t = narrow.first_s + np.arange(a, b) / narrow.rate_hz
    return slice(a, b), course.place(t)


def _refined(
    narrow: Narrow, course: Course, tones: Symbols, inside: tuple[int, int], density: float, together: int
) -> tuple[Course, Real, int]:
    """Newton steps on blocks of ``together`` symbols: (course, covariance, together or 0 if not coherent)."""
    scale = np.array([_USUAL_LENGTH_ERROR * course.symbol_s, _USUAL_SPACING_ERROR * course.spacing_hz])
    first = np.array([course.symbol_s, course.spacing_hz])
    tight = np.array([0.0, *scale**-2.0, 0.0, 0.0, *[_USUAL_CURVE_HZ**-2] * (_ORDERS - 2)])
    begun = course
    covariance = np.zeros((_PARAMETERS, _PARAMETERS))
    power = 0.0
    for _ in range(_STEPS):
        where, v = _parts(narrow, course, inside)
        g = _gradients(narrow, course, tones, where, v)
        y = narrow.z[where] * np.exp(-1j * _phase(narrow, course, tones, where, v))
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
        course = _stepped(course, step)
        covariance = covariance * _excess(pull, covariance)
        if np.all(np.abs(step) < 0.02 * np.sqrt(np.diag(covariance)) + 1e-12):
            break
    single = _coherent_power(narrow, course, tones, inside, density, 1)
    kept = power > _STAYS_COHERENT * single and abs(course.start_s - begun.start_s) < 0.15
    return (course if kept else begun), covariance, together if kept else 0


def _phase(narrow: Narrow, course: Course, tones: Symbols, where: slice, v: Real) -> Real:
    slow = course.slow_cycles(narrow)[where]
    return np.asarray(2 * np.pi * (slow + course.spacing_hz * course.symbol_s * tone_sums(course, tones, v)))


def _gradients(narrow: Narrow, course: Course, tones: Symbols, where: slice, v: Real) -> Real:
    """Derivatives of the phase by start, symbol length, spacing and the frequency's coefficients, (n, 9)."""
    tone = (tones - 1.5)[np.clip(v.astype(np.intp), 0, SYMBOLS - 1)]
    sums = tone_sums(course, tones, v)
    slow = _slow_basis(narrow.z.size, narrow.first_s, narrow.rate_hz, course.from_s, course.span_s)[where]
    return np.asarray(2 * np.pi * np.column_stack(
        [-course.spacing_hz * tone, course.spacing_hz * (sums - v * tone), course.symbol_s * sums, slow]
    ))  # fmt: skip


def _kept_small(step: Real, course: Course) -> Real:
    """The step, shortened as a whole where it leaves what one linearisation covers."""
    most = np.array([0.1, 0.002 * course.symbol_s, 0.08 * course.spacing_hz, 0.3, *[0.5] * (_ORDERS - 1)])
    return np.asarray(step / max(1.0, float(np.max(np.abs(step) / most))))


def _stepped(course: Course, step: Real) -> Course:
    hz = tuple(float(x + y) for x, y in zip(course.hz, step[3:], strict=True))
    return replace(course, start_s=float(course.start_s + step[0]), symbol_s=float(course.symbol_s + step[1]),
                   spacing_hz=float(course.spacing_hz + step[2]), hz=hz)  # fmt: skip


def _excess(pull: Real, covariance: Real) -> float:
    """Scatter of the blocks' pulls over what noise makes: 1 for a steady oscillator in white noise."""
    return max(1.0, float(np.mean(np.einsum("bp,pq,bq->b", pull, covariance, pull)) * len(pull) / pull.shape[1]))


def _coherent_power(
    narrow: Narrow, course: Course, tones: Symbols, inside: tuple[int, int], density: float, together: int
) -> float:
    """Amplitude squared by blocks of so many symbols."""
    where, v = _parts(narrow, course, inside)
    y = narrow.z[where] * np.exp(-1j * _phase(narrow, course, tones, where, v))
    starts = np.flatnonzero(np.diff(np.clip((v - inside[0]) / together, 0, None).astype(np.intp), prepend=-1))
    n = np.diff(np.append(starts, v.size)).astype(float)
    x = np.add.reduceat(y, starts)
    return float((np.sum(np.abs(x) ** 2) - density * narrow.rate_hz * v.size) / np.sum(n**2))


def _incoherent(
    narrow: Narrow, course: Course, tones: Symbols, heard: tuple[int, int]
) -> tuple[Course, Real]:
    """Start, length, spacing, centre and drift by energy alone, where the phase does not run on.

    Each is moved to the top of a parabola through the energies; the scatter comes from leaving out
    a stretch of neighbouring symbols in turn, as what fades fades together.
    """
    rows = np.arange(*heard)
    steps = np.array([0.03, 0.03 / SYMBOLS, 0.05, 0.12, 0.2])

    def energies(one: Course) -> Real:
        return _own_energies(narrow, one, tones)[rows]

    estimates = np.zeros(5)
    left_out = np.zeros((_STRETCHES, 5))
    group = np.arange(rows.size) * _STRETCHES // rows.size
    for _ in range(3):
        for p in range(5):
            change = np.zeros(_PARAMETERS)
            change[p] = steps[p]
            if p == 1:
                change[0] = -steps[p] * SYMBOLS / 2  # stretch about the middle
            lower, here, upper = (energies(_stepped(course, k * change)) for k in (-1, 0, 1))

            def top(use: NDArray[np.bool_], a: Real = lower, b: Real = here, c: Real = upper) -> float:
                left, middle, right = float(a[use].sum()), float(b[use].sum()), float(c[use].sum())
                curve = left - 2 * middle + right
                return float(np.clip(0.5 * (left - right) / curve, -_FURTHEST, _FURTHEST)) if curve < 0 else 0.0

            estimates[p] = top(np.ones(rows.size, bool))
            left_out[:, p] = [top(group != k) for k in range(_STRETCHES)]
            course = _stepped(course, estimates[p] * change)
    share = (_STRETCHES - 1) / _STRETCHES
    scatter = np.sqrt(share * np.sum((left_out - left_out.mean(axis=0)) ** 2, axis=0)) * steps
    # where no top was found, or beyond the last step, all that is known is that it is about there
    lost = (np.abs(estimates) >= _FURTHEST) | (scatter == 0.0)
    scatter = np.where(lost, np.hypot(scatter, steps), scatter)
    # the energy falls in a straight line to both sides of the right start and length: a parabola through such a
    # peak shows half of its shift, which the repeated steps make up for and the scatter of one step does not
    scatter[:2] *= 2.0
    sigma = np.array([*scatter, *[_USUAL_CURVE_HZ] * (_ORDERS - 2)])
    return replace(course, hz=(*course.hz[:2], *[0.0] * (_ORDERS - 2))), np.diag(sigma**2)


def _own_energies(narrow: Narrow, course: Course, tones: Symbols) -> Real:
    """Energy of each symbol on its own tone, (162,), its bounds wherever they fall between two samples.

    A symbol by the book is 64 samples of the narrow band: counted in whole ones, all starts within one of them
    would look alike.
    """
    t = narrow.times_s
    steady = narrow.z * np.exp(-2j * np.pi * course.slow_cycles(narrow))
    bounds = course.start_s + course.symbol_s * np.arange(SYMBOLS + 1)
    # a sample stands for half a step to both sides of it
    at = np.concatenate([t - 0.5 / narrow.rate_hz, t[-1:] + 0.5 / narrow.rate_hz])
    out = np.zeros(SYMBOLS)
    for tone in range(4):
        turned = steady * np.exp(-2j * np.pi * course.spacing_hz * (tone - 1.5) * (t - narrow.first_s))
        total = np.concatenate([[0.0], np.cumsum(turned)])
        running = np.interp(bounds, at, total.real) + 1j * np.interp(bounds, at, total.imag)
        mine = tones == tone
        out[mine] = np.abs(np.diff(running)[mine] / narrow.rate_hz) ** 2
    return out


def _rest(narrow: Narrow, course: Course, tones: Symbols, first: int, last: int, *, beyond: bool = False) -> Wide:
    """Samples with the modelled phase taken off; outside the symbols zero, or as received (``beyond``)."""
    where, v = _parts(narrow, course, (first, last))
    out = narrow.z.astype(np.complex128) if beyond else np.zeros(narrow.z.size, np.complex128)
    out[where] = narrow.z[where] * np.exp(-1j * _phase(narrow, course, tones, where, v))
    return out
