"""Frequency against time, and the simplest course that explains it.

The carrier's phase, smooth and known at every settled key-down sample, gives a frequency and its
sigma in each block of half a second or more: a straight line through the phase, with one phase for
the block where the oscillator runs on through key-up, or one for each element where it starts afresh.
Sigma is the bound of that fit (Fisher information of the block's key-down samples); what neighbouring
blocks scatter beyond that is added to it.

Models are compared by chi-squared plus a price for each parameter, set so that noise alone is called
anything but constant in a few of a thousand recordings (a linear drift costs 14: p = 2e-4).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure import stability
from sigcheck.measure.results import Drift, DriftModel, Dropout, StabilityPoint, Step, TrackPoint
from sigcheck.measure.track import Real, Track

_CELL_S = 0.01
_MOST_BLOCKS = 600
_SHORTEST_BLOCK_S = 0.5
_PRICE_LINEAR = 14.0
_PRICE_WARM_UP = 26.0  # two more parameters, one of them searched for
_PRICE_STEP = 24.0  # place and size; the place is searched for among hundreds
_PRICE_CYCLE = 32.0
_MOST_STEPS = 12


@dataclass(frozen=True)
class Blocks:
    """Frequency per block: middle of its key-down time, frequency and sigma, shape (n,)."""

    t: Real
    hz: Real
    sigma: Real
    length_s: float
    cell_t: Real  # the settled cells behind them, and their frequency smoothed over 0.2 s
    cell_hz: Real


class _Fit(NamedTuple):
    model: DriftModel
    curve: Real
    score: float
    parameters: dict[str, float]
    steps: tuple[int, ...] = ()


def measure_drift(track: Track) -> Drift:
    """Model, rate and total of the frequency's course over the key-down time."""
    names = [f for f in Drift.__dataclass_fields__ if Drift.__dataclass_fields__[f].default is None and f != "missing"]
    if track.tone_missing is not None:
        return Drift(missing=dict.fromkeys(names, track.tone_missing))
    b = blocks(track)
    if b is None or b.t.size < 4:
        why = "the signal is too short or too weak to see its frequency move"
        if b is None or b.t.size < 2:
            return Drift(missing=dict.fromkeys(names, why))
        return Drift(missing=dict.fromkeys(names, why), track=_points(b, np.ones(b.t.size, bool)))
    scatter = _scatter(b)
    fit = _choose(b, scatter)
    return _as_drift(track, b, fit, scatter)


# --- the frequency in blocks -------------------------------------------------------------------


def blocks(track: Track) -> Blocks | None:
    """Frequency in blocks of the key-down time, or None without any."""
    base, marks = track.base, track.marks
    step = max(1, round(_CELL_S * base.rate_hz))
    n = base.z.size // step
    use = marks.settled[: n * step].reshape(n, step).all(axis=1)
    k = np.flatnonzero(use)
    if k.size < 20:
        return None
    middle = k * step + step // 2
    t = (middle + 0.5) / base.rate_hz
    carrier = track.carrier[middle]
    element = np.maximum(np.searchsorted(marks.on_s, t, side="right") - 1, 0)
    # through the gaps as well, where the carrier runs on: a word's gap holds more than one turn
    everywhere = track.carrier[np.arange(n) * step + step // 2]
    phase = (np.unwrap(np.angle(everywhere)) / (2 * np.pi))[k]
    power = np.abs(carrier) ** 2
    density = max(base.noise_density, 1e-30)
    span = t[-1] - t[0]
    length = _block_length(span, float(np.median(power)) / density, use.mean())
    which = np.minimum(((t - t[0]) / length).astype(np.intp), int(span / length))
    own = element if not track.coherent else np.zeros_like(element)
    group = which * (own.max() + 1) + own
    dt = step / base.rate_hz
    weight = power * dt
    slope, information = _slopes(t, phase, weight, which, group)
    # variance of a phase (cycles) at energy E = A^2 dt over density N0: N0 / (2 E) / (2 pi)^2
    sigma = np.sqrt(density / (2 * np.maximum(information, 1e-300))) / (2 * np.pi)
    count = np.bincount(which)
    good = (count >= 5) & (information > 0) & (sigma < 20.0)
    mean_t = np.bincount(which, t) / np.maximum(count, 1)
    mean_path = np.bincount(which, base.path_hz[middle]) / np.maximum(count, 1)
    if good.sum() < 2:
        return None
    smooth = _cell_frequency(t, phase, element) + base.path_hz[middle]
    return Blocks(mean_t[good], (slope + mean_path)[good], sigma[good], length, t, smooth)


def _block_length(span: float, carrier_to_noise: float, duty: float) -> float:
    """Half a second, or longer where that would leave more than half a hertz of noise, or too many."""
    wanted = (0.39 / (0.5 * np.sqrt(max(carrier_to_noise * max(duty, 0.1), 1e-9)))) ** (2 / 3)
    return float(np.clip(wanted, max(_SHORTEST_BLOCK_S, span / _MOST_BLOCKS), max(span / 3, _SHORTEST_BLOCK_S)))


def _slopes(
    t: Real, phase: Real, weight: Real, which: NDArray[np.intp], group: NDArray[np.intp]
) -> tuple[Real, Real]:
    """Weighted slope of phase against time per block, each group with a level of its own."""
    _, g = np.unique(group, return_inverse=True)
    total = np.bincount(g, weight)
    t0 = (np.bincount(g, weight * t) / total)[g]
    p0 = (np.bincount(g, weight * phase) / total)[g]
    information = np.bincount(which, weight * (t - t0) ** 2)
    slope = np.bincount(which, weight * (t - t0) * (phase - p0)) / np.maximum(information, 1e-300)
    return slope, np.asarray(information, np.float64)


def _cell_frequency(t: Real, phase: Real, element: NDArray[np.intp]) -> Real:
    """Frequency (cells,) from phase differences, smoothed over 0.2 s of key-down; for placing steps."""
    rate = np.diff(phase, prepend=phase[0]) / np.maximum(np.diff(t, prepend=t[0] - _CELL_S), 1e-6)
    new = np.diff(element, prepend=-1) != 0
    rate[new] = np.nan
    known = np.flatnonzero(np.isfinite(rate))
    if known.size < 2:
        return np.zeros_like(t)
    filled = np.interp(np.arange(t.size), known, rate[known])
    width = max(1, round(0.2 / _CELL_S))
    return np.convolve(np.pad(filled, width // 2, mode="edge"), np.ones(width) / width, mode="valid")[: t.size]


def _scatter(b: Blocks) -> float:
    """Scatter in Hz of each block's frequency beyond its sigma, from second differences of neighbours.

    It is the oscillator's own, or comes with the keying (a chirp weighs more in blocks of dits).
    """
    if b.t.size < 5:
        return 0.0
    d = np.diff(b.hz, 2)
    s = b.sigma**2
    expected = s[2:] + 4 * s[1:-1] + s[:-2]
    # the median of chi-squared with one degree of freedom is 0.4549
    return float(np.sqrt(max(0.0, np.median(d**2) / 0.4549 - np.median(expected)) / 6.0))


# --- models ------------------------------------------------------------------------------------


def _choose(b: Blocks, scatter: float) -> _Fit:
    w = 1.0 / (b.sigma**2 + scatter**2)
    fits = [_constant(b, w), _linear(b, w)]
    if b.t.size >= 8:
        fits += [_warm_up(b, w), _steps(b, w)]
    if b.t.size >= 12:
        fits.append(_cyclic(b, w))
    return min(fits, key=lambda f: f.score)


def _solve(design: Real, y: Real, w: Real) -> tuple[Real, Real, float]:
    root = np.sqrt(w)
    solution, *_ = np.linalg.lstsq(design * root[:, None], y * root, rcond=None)
    curve = design @ solution
    return solution, curve, float((w * (y - curve) ** 2).sum())


def _constant(b: Blocks, w: Real) -> _Fit:
    _, curve, chi2 = _solve(np.ones((b.t.size, 1)), b.hz, w)
    return _Fit("constant", curve, chi2, {})


def _linear(b: Blocks, w: Real) -> _Fit:
    x = b.t - b.t.mean()
    solution, curve, chi2 = _solve(np.stack([np.ones_like(x), x], axis=1), b.hz, w)
    return _Fit("linear", curve, chi2 + _PRICE_LINEAR, {"slope": float(solution[1])})


def _warm_up(b: Blocks, w: Real) -> _Fit:
    x = b.t - b.t[0]

    def at(tau: float) -> _Fit:
        solution, curve, chi2 = _solve(np.stack([np.ones_like(x), np.exp(-x / tau)], axis=1), b.hz, w)
        return _Fit("warm-up", curve, chi2 + _PRICE_WARM_UP, {"tau": float(tau), "size": float(solution[1])})

    return _refined(at, np.geomspace(max(x[-1] / 20, b.length_s), 2.0 * x[-1], 16))


def _refined(at: Callable[[float], _Fit], grid: Real) -> _Fit:
    """The best fit over a grid, then over ever finer ones about the best."""
    for _ in range(3):
        fits = [at(float(v)) for v in grid]
        k = min(range(len(fits)), key=lambda i: fits[i].score)
        grid = np.linspace(grid[max(k - 1, 0)], grid[min(k + 1, len(grid) - 1)], 7)
    return fits[k]


def _steps(b: Blocks, w: Real) -> _Fit:
    """Levels with jumps between: the jump that gains most is added until none is worth its price."""
    n = b.t.size
    cuts: list[int] = []
    sums = [np.concatenate([[0.0], np.cumsum(v)]) for v in (w, w * b.hz, w * b.hz**2)]

    def cost(a: NDArray[np.intp] | int, e: NDArray[np.intp] | int) -> Real:
        s0, s1, s2 = (s[e] - s[a] for s in sums)
        return np.asarray(s2 - s1**2 / np.maximum(s0, 1e-300))

    total = float(cost(0, n))
    for _ in range(_MOST_STEPS):
        best_gain, best_cut = _PRICE_STEP, -1
        edges = [0, *sorted(cuts), n]
        for a, e in pairwise(edges):
            if e - a < 3:
                continue
            at = np.arange(a + 1, e)
            gain = cost(a, e) - cost(a, at) - cost(at, e)
            k = int(np.argmax(gain))
            if gain[k] > best_gain:
                best_gain, best_cut = float(gain[k]), int(at[k])
        if best_cut < 0:
            break
        cuts.append(best_cut)
        total -= best_gain
    cuts.sort()
    cuts = _without_slivers(cuts, n)
    edges = [0, *cuts, n]
    curve = np.empty(n)
    for a, e in pairwise(edges):
        inner = slice(a, max(e - 1, a + 1)) if e < n else slice(a, e)  # the last block may hold the jump
        curve[a:e] = np.average(b.hz[inner], weights=w[inner])
    price = _PRICE_STEP * len(cuts) + (0.0 if cuts else np.inf)
    return _Fit("steps", curve, total + price, {}, tuple(cuts))


def _without_slivers(cuts: list[int], n: int) -> list[int]:
    """A block that a jump falls into lies between both levels: one jump, not two around it."""
    kept: list[int] = []
    for cut in cuts:
        if kept and cut - kept[-1] <= 1:
            kept[-1] = cut
        else:
            kept.append(cut)
    return [c for c in kept if 1 < c < n - 1]


def _cyclic(b: Blocks, w: Real) -> _Fit:
    x = b.t - b.t[0]
    trial = np.arange(0.7 / x[-1], 0.25 / b.length_s, 0.2 / x[-1])
    if not trial.size:
        return _Fit("cyclic", b.hz, np.inf, {})
    # all frequencies at once: what a cosine and a sine take off the weighted scatter about the mean
    y = b.hz - np.average(b.hz, weights=w)
    angle = 2 * np.pi * np.outer(trial, x)
    c, s = np.cos(angle), np.sin(angle)
    c -= (c @ w / w.sum())[:, None]
    s -= (s @ w / w.sum())[:, None]
    cc, ss, cs = (c**2) @ w, (s**2) @ w, (c * s) @ w
    cy, sy = c @ (w * y), s @ (w * y)
    gain = (cy**2 * ss - 2 * cy * sy * cs + sy**2 * cc) / np.maximum(cc * ss - cs**2, 1e-12)
    best = float(trial[int(np.argmax(gain))])

    def at(f: float) -> _Fit:
        angle = 2 * np.pi * f * x
        solution, curve, chi2 = _solve(np.stack([np.ones_like(x), np.cos(angle), np.sin(angle)], axis=1), b.hz, w)
        peak = float(np.hypot(solution[1], solution[2]))
        return _Fit("cyclic", curve, chi2 + _PRICE_CYCLE, {"period": 1 / f, "peak": peak})

    step = 0.2 / x[-1]
    return _refined(at, np.linspace(max(best - step, 0.5 * step), best + step, 7))


# --- into the result ---------------------------------------------------------------------------


def _as_drift(track: Track, b: Blocks, fit: _Fit, scatter: float) -> Drift:
    missing: dict[str, str] = {}
    w = 1.0 / (b.sigma**2 + scatter**2)
    # the median passes over the block or two that a jump falls into
    excess = float(np.median(w * (b.hz - fit.curve) ** 2)) / 0.4549
    model: DriftModel = fit.model
    # what no model explains, though neighbouring blocks agree far better: it wanders
    if excess > 6.0 and b.t.size >= 12 and _together((b.hz - fit.curve) * np.sqrt(w)) > 0.6:
        model = "random"
    slope, sigma = _slope(b, w, max(1.0, excess), fit if model == fit.model else None)
    values: dict[str, object] = {
        "rate_hz_per_min": 60 * slope,
        "rate_hz_per_min_sigma": 60 * sigma,
        "total_hz": float(fit.curve[-1] - fit.curve[0]),
        "total_hz_sigma": sigma * float(b.t[-1] - b.t[0]),
        "model": model,
    }
    if model == "warm-up":
        values["time_constant_s"] = fit.parameters["tau"]
        values["time_constant_s_sigma"] = _tau_sigma(b, w * (1.0 / max(1.0, excess)), fit)
    else:
        missing["time_constant_s"] = "no exponential settling was seen"
    if model == "steps":
        values["steps"] = steps = _named_steps(b, fit, w)
        sizes = np.abs([s.size_hz for s in steps])
        values["equal_steps"] = bool(sizes.size >= 3 and np.ptp(sizes) < 0.15 * sizes.mean())
    else:
        missing["equal_steps"] = "no steps were seen"
    if model == "cyclic":
        values["cycle_s"], values["cycle_peak_hz"] = fit.parameters["period"], fit.parameters["peak"]
        values["cycle_peak_hz_sigma"] = float(np.sqrt(2 / w.sum()))
    else:
        missing["cycle_s"] = missing["cycle_peak_hz"] = "no cycle was seen"
    missing["repeats_each_transmission"] = "one transmission: nothing to compare it with"
    shown = np.unique(np.linspace(0, b.t.size - 1, min(_MOST_BLOCKS, b.t.size)).round().astype(np.intp))
    return Drift(
        **values,  # type: ignore[arg-type]
        track=_points(b, shown, scatter),
        fit_hz=tuple(float(v) for v in fit.curve[shown]),
        allan=_allan(b),
        missing=missing,
    )


def _tau_sigma(b: Blocks, w: Real, fit: _Fit) -> float:
    """Sigma of the time constant from the Fisher information of level, size and time constant."""
    x, tau, size = b.t - b.t[0], fit.parameters["tau"], fit.parameters["size"]
    decay = np.exp(-x / tau)
    design = np.stack([np.ones_like(x), decay, size * x / tau**2 * decay], axis=1)
    return float(np.sqrt(max(np.linalg.pinv(design.T @ (design * w[:, None]), hermitian=True)[2, 2], 0.0)))


def _together(left: Real) -> float:
    """How alike neighbours are in what is left: 0 for noise, near 1 for a frequency that wanders."""
    return float((left[1:] * left[:-1]).sum() / max(float((left**2).sum()), 1e-30))


def _slope(b: Blocks, w: Real, excess: float, fit: _Fit | None) -> tuple[float, float]:
    """Drift rate beside what the model explains: between jumps, or through a cycle."""
    x = (b.t - b.t.mean())[:, None]
    if fit is not None and fit.model == "steps":
        edges = [0, *fit.steps, b.t.size]
        w = w.copy()
        for cut in fit.steps:  # a block that holds a jump has neither level's frequency
            w[max(cut - 1, 0) : cut + 1] = 0.0
        level = np.repeat(np.arange(len(edges) - 1), np.diff(edges))
        others = (level[:, None] == np.arange(len(edges) - 1)).astype(float)
    elif fit is not None and fit.model == "cyclic":
        angle = 2 * np.pi * b.t / fit.parameters["period"]
        others = np.stack([np.ones_like(b.t), np.cos(angle), np.sin(angle)], axis=1)
    else:
        others = np.ones((b.t.size, 1))
    design = np.concatenate([x, others], axis=1)
    information = np.linalg.pinv(design.T @ (design * w[:, None]), hermitian=True)
    solution = information @ (design.T @ (w * b.hz))
    return float(solution[0]), float(np.sqrt(excess * max(information[0, 0], 0.0)))


def _points(b: Blocks, shown: NDArray[np.generic], scatter: float = 0.0) -> tuple[TrackPoint, ...]:
    return tuple(
        TrackPoint(time_s=float(t), hz=float(f), hz_sigma=float(s))
        for t, f, s in zip(b.t[shown], b.hz[shown], np.hypot(scatter, b.sigma[shown]), strict=True)
    )


def _named_steps(b: Blocks, fit: _Fit, w: Real) -> tuple[Step, ...]:
    out = []
    edges = [0, *fit.steps, b.t.size]
    for i, cut in enumerate(fit.steps):
        before, after = fit.curve[cut - 1], fit.curve[cut]
        inside = (b.cell_t > b.t[cut - 1] - b.length_s) & (b.cell_t < b.t[cut] + b.length_s)
        t, f = b.cell_t[inside], b.cell_hz[inside]
        side = (f - 0.5 * (before + after)) * np.sign(after - before)
        crossed = np.flatnonzero((side[:-1] < 0) & (side[1:] >= 0))
        middle = 0.5 * (b.t[cut - 1] + b.t[cut])
        time = float(t[crossed[np.argmin(np.abs(t[crossed] - middle))]]) if crossed.size else float(middle)
        variance = 1 / w[edges[i] : cut].sum() + 1 / w[cut : edges[i + 2]].sum()
        out.append(Step(time_s=time, size_hz=float(after - before), size_hz_sigma=float(np.sqrt(variance))))
    return tuple(out)


def _allan(b: Blocks) -> tuple[StabilityPoint, ...]:
    """Overlapping Allan deviation of the block frequencies, where blocks follow each other without holes."""
    spacing = np.diff(b.t)
    if b.t.size < 8 or spacing.max() > 1.5 * np.median(spacing):
        return ()
    tau0 = float(np.mean(spacing))
    x = np.concatenate([[0.0], np.cumsum(b.hz) * tau0])
    out = []
    m = 1
    while (d := stability.oadev(x, tau0, m)) is not None and d.count >= 2:
        low, high = stability.interval(d, stability.equivalent_freedom(x.size, m))
        out.append(StabilityPoint(tau_s=d.tau_s, adev_hz=d.value, low_hz=low, high_hz=high))
        m *= 2
    return tuple(out)


# --- breaks in the phase -----------------------------------------------------------------------


def phase_breaks(track: Track) -> tuple[Dropout, ...]:
    """Jumps of the phase at an unchanged frequency within long marks: samples lost or repeated.

    Phase is averaged over 40 ms on either side of each moment, 10 ms apart; a break turns it by half a
    radian or more, at least ten times what noise does, and leaves the frequency alone. Nothing is
    claimed of marks shorter than a second.
    """
    base, marks = track.base, track.marks
    dt = 0.01
    step = max(1, round(dt * base.rate_hz))
    out: list[Dropout] = []
    for on, off in zip(marks.on_s, marks.off_s, strict=True):
        a, e = int((on + 0.05) * base.rate_hz), int((off - 0.05) * base.rate_hz)
        n = (e - a) // step
        if n * dt < 1.0:
            continue
        cells = base.z[a : a + n * step].reshape(n, step).mean(axis=1)
        out += _breaks_in(cells, a / base.rate_hz, step / base.rate_hz)
    return tuple(out[:50])


def _breaks_in(cells: NDArray[np.complex64], start_s: float, dt: float) -> list[Dropout]:
    side = 4
    turn = np.angle(cells[1:] * np.conj(cells[:-1]))
    width = 31
    if turn.size < width + 2 * side:
        return []
    padded = np.pad(turn, width // 2, mode="edge")
    usual = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    level = np.concatenate([[0.0], np.cumsum(turn - usual)])  # phase less its smooth course
    total = np.concatenate([[0.0], np.cumsum(level)])
    k = np.arange(side, level.size - side - 1)
    before = (total[k] - total[k - side]) / side
    after = (total[k + side + 1] - total[k + 1]) / side
    jump = after - before
    noise = 1.4826 * float(np.median(np.abs(jump - np.median(jump)))) + 1e-4
    amplitude = np.abs(cells)
    faint = amplitude[k] < 0.3 * np.median(amplitude)  # the phase of a deep fade turns of itself
    hits = np.flatnonzero((np.abs(jump) > max(0.5, 10 * noise)) & ~faint)
    out: list[Dropout] = []
    while hits.size:
        top = hits[int(np.argmax(np.abs(jump[hits])))]
        out.append(Dropout(time_s=float(start_s + (k[top] + 0.5) * dt), length_s=dt, how="phase-break"))
        hits = hits[np.abs(hits - top) > 2 * side]
    return out
