"""The course of a slowly keyed tone from the frequencies of its runs, and the shift between its two tones.

A drift is slow against the keying, but nobody knows how slow: it is taken for an integrated random walk, whose
strength the runs themselves tell (restricted maximum likelihood). A straight course comes out straight, with the
sigmas of a line; the bend of a warm-up is followed and does not become part of the shift.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.slowly.runs import HIGH, OFF, Pair, Runs
from sigcheck.measure.track import Mask, Real

_RUNS_EACH = 2.0  # runs to a knot: nothing faster could be told from them
_MOST_KNOTS = 60
_STRENGTHS = 14  # of the random walk that are tried
_OUTLIER = 3.0  # sigmas, from which on a run's frequency counts less: it may be on the other tone


@dataclass(frozen=True)
class ToneFit:
    """Frequencies of the runs on a tone, (k,): middle time, audio frequency, variance, whether it is the upper tone.

    ``run`` (k,) is the place of each among the runs.
    """

    time_s: Real
    hz: Real
    variance: Real
    high: Mask
    run: NDArray[np.intp]


def run_frequencies(runs: Runs, pair: Pair, dit_s: float) -> ToneFit:
    """Frequency of each run by maximum likelihood within half a cycle of the path, its ends left out.

    Variance by the Cramer-Rao bound of a tone of unknown phase in noise, 6 / ((2 pi)^2 (C/N0) T^3)
    (Rife and Boorstyn 1974, for many samples).
    """
    rate, first = pair.low.rate_hz, pair.low.first_s
    streams = [pair.baseband(tone) for tone in range(pair.tones)]
    time, hz, variance, high, which = [], [], [], [], []
    # an edge is placed to some 3 / (C/N0); the other tone beyond it would pull the frequency
    density = float(np.median(pair.density[: pair.tones]))
    guard = float(np.clip(4.0 / density, min(0.08 * dit_s, 0.5), 0.2 * dit_s))
    for k, (start, end, state) in enumerate(zip(runs.start_s, runs.end_s, runs.state, strict=True)):
        a, b = (int(np.clip(np.ceil((v - first) * rate), 0, pair.path_hz.size)) for v in (start + guard, end - guard))
        if state == OFF or (b - a) / rate < 0.4 * dit_s or b - a < 4:
            continue
        seconds = (b - a) / rate
        thin = max(1, (b - a) // 256)
        x = streams[state][a : a + (b - a) // thin * thin].reshape(-1, thin).mean(axis=1)
        u = (np.arange(x.size) - (x.size - 1) / 2) * (thin / rate)
        trial = np.arange(-1.5, 1.51, 0.25) / seconds
        power = np.abs(np.exp(-2j * np.pi * np.outer(trial, u)) @ x)
        f = float(trial[int(np.argmax(power))])
        for _ in range(4):
            turned = x * np.exp(-2j * np.pi * f * u)
            whole = turned.sum()
            lever = 2 * np.pi * abs(whole) ** 2 * float(np.mean(u * u))
            step = float(np.imag(np.sum(turned * u) * np.conj(whole))) / max(lever, 1e-30)
            f += float(np.clip(step, -0.3 / seconds, 0.3 / seconds))
        level = float(pair.density[state, a:b].mean())
        energy = float(abs((x * np.exp(-2j * np.pi * f * u)).sum() * thin / rate) ** 2 / seconds)
        if energy < 0.4 * level * seconds:  # it was not on this tone all the time
            continue
        middle = (a + b - 1) // 2
        time.append(first + 0.5 * (a + b - 1) / rate)
        hz.append(float(pair.path_hz[middle]) + f + (pair.shift_hz if state else 0.0))
        variance.append(6.0 / ((2 * np.pi) ** 2 * energy * seconds**2))
        high.append(state == HIGH)
        which.append(k)
    return ToneFit(np.array(time), np.array(hz), np.array(variance), np.array(high, bool), np.array(which, np.intp))


@dataclass(frozen=True)
class PathFit:
    """Drift of the lower tone as straight lines between knots, and the shift with its sigma.

    ``hz_sigma`` (knots,): of the course itself.
    """

    knots_s: Real
    hz: Real
    hz_sigma: Real
    shift_hz: float
    shift_sigma: float
    change_hz: float  # from the first knot to the last, with its sigma
    change_sigma: float
    scatter: float  # of the runs' frequencies about the fit over what noise explains
    rest: Real  # (k,) the runs' frequencies about the fit, Hz
    variance: Real  # (k,) of them, by noise alone
    bends: float  # how many parameters, beyond a line and the shift, the course spends on following the runs
    odds: Real  # (k,) log-odds of each run's tone against the other one, by its frequency and the other runs'

    @property
    def rest_hz(self) -> float:
        """Rms of the runs' frequencies about the fit."""
        return float(np.sqrt(np.mean(self.rest**2)))

    @property
    def usual_rest_hz(self) -> float:
        """The same from the median, which a few runs that have faded do not move."""
        return 1.48 * float(np.median(np.abs(self.rest)))

    def misfit(self, settled_hz: float, most: float) -> float:
        """Half the squared misfits of all runs, at most ``most`` each; the transmitter itself holds ``settled_hz``."""
        return float(np.minimum(0.5 * self.rest**2 / (self.variance + settled_hz**2), most).sum())

    def path(self, at_s: Real) -> Real:
        """Audio frequency of the lower tone at times (n,), beyond the first and last knot straight on."""
        knots, hz = self.knots_s, self.hz
        out = np.interp(at_s, knots, hz)
        if knots.size > 1:
            first, last = (hz[1] - hz[0]) / (knots[1] - knots[0]), (hz[-1] - hz[-2]) / (knots[-1] - knots[-2])
            out = out + first * np.minimum(at_s - knots[0], 0.0) + last * np.maximum(at_s - knots[-1], 0.0)
        return np.asarray(out)

    def path_sigma(self, at_s: Real) -> Real:
        """Standard deviation of that frequency (n,)."""
        return np.asarray(np.interp(at_s, self.knots_s, self.hz_sigma))


def fit_path(t: ToneFit) -> PathFit | None:
    """The smoothest course that the runs allow, and one shift; None of fewer than four runs."""
    if t.time_s.size < 4:
        return None
    knots = _knots(t.time_s)
    both = bool(t.high.any() and (~t.high).any())
    columns = np.stack([np.interp(t.time_s, knots, row) for row in np.eye(knots.size)], axis=1)
    if both:
        columns = np.column_stack([columns, t.high])
    bend = _bending(knots, columns.shape[1])
    offset = float(np.median(t.hz))
    trust = np.ones(t.time_s.size)
    for _ in range(4):
        weight = trust / np.sqrt(t.variance)
        found, covariance, scatter = _smoothest(columns * weight[:, None], (t.hz - offset) * weight, bend)
        rest = np.abs(t.hz - offset - columns @ found) / np.sqrt(t.variance)
        trust = np.sqrt(np.minimum(1.0, _OUTLIER * max(1.0, 1.48 * float(np.median(rest))) / np.maximum(rest, 1e-9)))
    count = knots.size
    end = np.zeros(found.size)
    end[[0, count - 1]] = -1.0, 1.0
    shift = float(found[-1]) if both else 0.0
    leverage = np.sum((columns @ covariance) * columns, axis=1) * weight**2 / scatter**2
    # how far a run lies from where the others alone would have it, and how far it would on the other tone
    alone = (t.hz - offset - columns @ found) / np.maximum(1.0 - leverage, 1e-6)
    other = alone + np.where(t.high, shift, -shift)
    odds = 0.5 * (other**2 - alone**2) * np.maximum(1.0 - leverage, 0.0) / (scatter**2 * t.variance)
    deviation = np.sqrt(np.diag(covariance))
    return PathFit(
        knots_s=knots,
        hz=found[:count] + offset,
        hz_sigma=deviation[:count],
        shift_hz=shift,
        shift_sigma=float(deviation[-1]) if both else 0.0,
        change_hz=float(found[count - 1] - found[0]),
        change_sigma=float(np.sqrt(max(float(end @ covariance @ end), 0.0))),
        scatter=scatter,
        rest=t.hz - offset - columns @ found,
        variance=t.variance,
        bends=max(0.0, float(leverage.sum()) - columns.shape[1] + bend.shape[0]),
        odds=odds,
    )


def _knots(time_s: Real) -> Real:
    """Times between which the course is straight: as dense as the runs are, the first and the last run included."""
    count = int(np.clip(time_s.size / _RUNS_EACH, 1, _MOST_KNOTS)) + 1
    at = np.sort(time_s)
    return np.asarray(np.interp(np.linspace(0, at.size - 1, count), np.arange(at.size), at))


def _bending(knots: Real, unknowns: int) -> Real:
    """Rows whose squares sum up to the integral of the squared second derivative, made free of the recording's length.

    For an integrated random walk of unit strength over the whole time, each row is a unit normal.
    """
    x = (knots - knots[0]) / max(float(knots[-1] - knots[0]), 1e-9)
    rows = np.zeros((max(x.size - 2, 0), unknowns))
    for k in range(x.size - 2):
        left, right = x[k + 1] - x[k], x[k + 2] - x[k + 1]
        rows[k, k : k + 3] = np.array([1 / left, -1 / left - 1 / right, 1 / right]) / np.sqrt(0.5 * (left + right))
    return rows


def _smoothest(a: Real, y: Real, bend: Real) -> tuple[Real, Real, float]:
    """Unknowns, covariance and scatter for the strength of the walk that makes ``y`` likeliest.

    ``a`` and ``y`` are in units of their sigma. The scatter beyond it is estimated along, never below 1. The
    likelihood is that of what the free parameters (a line and the shift) leave (restricted maximum likelihood).
    """
    free = a.shape[1] - bend.shape[0]
    left = max(y.size - free, 1)
    normal, right, stiff = a.T @ a, a.T @ y, bend.T @ bend
    # from a bend that nobody could see to one that follows every run
    least = 1e-2 * np.sqrt(1.0 / max(float(np.mean(np.sum(a * a, axis=1))), 1e-30) / y.size)
    best: tuple[float, Real, Real, float] | None = None
    for strength in least * np.geomspace(1.0, 1e6, _STRENGTHS) if bend.size else [1.0]:
        precision = normal + stiff / strength**2
        jitter = 1e-10 * np.diag(np.diag(precision))
        inverse = np.linalg.inv(precision + jitter)
        found = inverse @ right
        rest, bent = y - a @ found, bend @ found / strength
        total = float(rest @ rest + bent @ bent)
        excess = max(1.0, total / left)
        _, size = np.linalg.slogdet(precision + jitter)
        cost = left * np.log(excess) + total / excess + float(size) + 2 * bend.shape[0] * np.log(strength)
        if best is None or cost < best[0]:
            best = (cost, found, inverse * excess, float(np.sqrt(excess)))
    assert best is not None  # at least one strength is tried
    return best[1:]
