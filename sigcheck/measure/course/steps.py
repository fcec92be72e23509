"""The search for steps of the frequency."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sigcheck.measure.course.phase_record import Record
from sigcheck.measure.course.search import Course, Rest, whitened
from sigcheck.measure.track import Real


def best_steps(r: Record, beside: Course, price: float, most: int) -> tuple[float, ...]:
    """Times of frequency steps beside a course: the one that explains most is added as long as it is worth its price.

    Then all are placed again, each with the others held, and those no longer worth it are dropped.
    """
    base = beside.design(r)
    candidates = 0.5 * (r.last[:-1] + r.first[1:])
    rest = Rest.of(r, base)
    y, x = rest(whitened(r, r.y)), rest(whitened(r, r.hinges(candidates)))
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
        rest = rest.also(rest(whitened(r, r.hinges(np.array([at]))))[:, 0])
        y, x = rest(y), rest(x)
    one_by_one = pruned(r, base, sorted(chosen), price)
    if beside.model != "constant":
        return one_by_one
    # Of a long stair the first few steps chosen are none of its own: it is taken apart as a whole too.
    at_once = pruned(r, base, inside(_parted(r, price), r)[:most], price)
    return min((one_by_one, at_once), key=lambda places: _misfit(r, base, places) + price * len(places))


def inside(places: Sequence[float], r: Record) -> list[float]:
    """Those with some blocks on both sides: what one block at an end does is no step.

    Of elements, the odd ones are gone already; a block of phase at an end is turned by whatever filter rings there.
    """
    least = _END_BLOCKS if r.is_phase else _SIDE_BLOCKS
    return [at for at in places if least <= np.searchsorted(r.t, at) <= r.t.size - least]


def _misfit(r: Record, base: Real, places: tuple[float, ...]) -> float:
    columns = whitened(r, np.column_stack([base, r.hinges(np.array(places))]) if places else base)
    left = Rest(np.linalg.qr(columns)[0])(whitened(r, r.y))
    return float(left @ left)


def _parted(r: Record, price: float) -> list[float]:
    """Times that part the record into stretches of one frequency each, with the least misfit and price in all.

    By dynamic programming over the ends of the stretches (Bellman 1961). Of a phase, the frequency from block to
    block is looked at; that of the interval with the step in it lies between, and makes two cuts that are one.
    """
    hz, var, t = r.y, r.var, r.t
    if r.is_phase:
        apart = np.maximum(np.diff(r.t), 1e-9)
        hz, var, t = np.diff(r.y) / apart, (r.var[1:] + r.var[:-1]) / apart**2, 0.5 * (r.t[1:] + r.t[:-1])
    w = 1 / var
    sums = [np.concatenate([[0.0], np.cumsum(v)]) for v in (w, w * hz, w * hz * hz)]
    best, since = np.zeros(hz.size + 1), np.zeros(hz.size + 1, np.intp)
    best[0] = -price
    for end in range(1, hz.size + 1):
        n, first, second = (v[end] - v[:end] for v in sums)
        cost = best[:end] + price + second - first**2 / n
        since[end] = int(np.argmin(cost))
        best[end] = cost[since[end]]
    cuts, end = [], hz.size
    while since[end] > 0:
        end = int(since[end])
        cuts.append(0.5 * float(t[end - 1] + t[end]))
    out: list[float] = []
    for cut in reversed(cuts):
        near = 1.5 * float(np.median(np.diff(r.t)))
        if out and cut - out[-1] < near:
            out[-1] = 0.5 * (out[-1] + cut)
        else:
            out.append(cut)
    return out


def _place(
    r: Record, rest: Rest, y: Real, at: float, reach: float, limits: tuple[float, float] | None = None, rounds: int = 6
) -> float:
    """Time near ``at`` at which a step explains most of ``y``, over ever finer neighbourhoods."""
    low, high = limits or (float(r.first[0]), float(r.last[-1]))
    for _ in range(rounds):
        trial = np.clip(np.linspace(at - reach, at + reach, 9), low, high)
        x = rest(whitened(r, r.hinges(trial)))
        gain = (y @ x) ** 2 / np.maximum(np.sum(x * x, axis=0), 1e-300)
        at = float(trial[int(np.argmax(gain))])
        reach /= 3.5
    return at


def pruned(r: Record, base: Real, times: list[float], price: float) -> tuple[float, ...]:
    """Steps placed by turns, and without those that the others make needless."""
    if not times:
        return ()
    y = whitened(r, r.y)
    times = placed(r, base, times)
    while times:
        columns = whitened(r, np.column_stack([base, r.hinges(np.array(times))]))
        inverse = np.linalg.pinv(columns.T @ columns, hermitian=True)
        beta = inverse @ (columns.T @ y)
        worth = (beta**2 / np.maximum(np.diag(inverse), 1e-300))[base.shape[1] :]
        k = int(np.argmin(worth))
        if worth[k] >= price:
            break
        del times[k]
    return tuple(times)


def is_even_stair(places: tuple[float, ...], base: Real, r: Record) -> bool:
    """Whether four steps or more go the same way, by the same size and at even intervals."""
    if len(places) < _STAIR_LEAST:
        return False
    columns = whitened(r, np.column_stack([base, r.hinges(np.array(places))]))
    sizes = np.linalg.lstsq(columns, whitened(r, r.y), rcond=None)[0][-len(places) :]
    apart = np.diff(places)
    # the nearest steps to a missed one are two intervals apart
    interval = max(float(np.median(apart)), 1e-9)
    off = np.abs(apart / interval - np.maximum(np.round(apart / interval), 1))
    return bool(np.all(np.abs(sizes / np.median(sizes) - 1) < _STAIR_SIZE) and np.all(off < _STAIR_INTERVAL))


def fewer_steps(places: tuple[float, ...], base: Real, r: Record, price: float) -> tuple[float, ...]:
    """Those of the steps that stand close together made one, all placed again, and those no longer worth it dropped."""
    if len(places) < 2:
        return places
    columns = whitened(r, np.column_stack([base, r.hinges(np.array(places))]))
    sizes = np.linalg.lstsq(columns, whitened(r, r.y), rcond=None)[0][-len(places) :]
    fewer = joined(list(places), sizes, float(np.median(np.diff(r.t))))
    return places if len(fewer) == len(places) else pruned(r, base, fewer, price)


def large_steps(places: tuple[float, ...], base: Real, r: Record) -> tuple[float, ...]:
    """Those of the steps that are a good part of the largest, placed again."""
    if len(places) < 2:
        return places
    columns = whitened(r, np.column_stack([base, r.hinges(np.array(places))]))
    sizes = np.abs(np.linalg.lstsq(columns, whitened(r, r.y), rcond=None)[0][-len(places) :])
    kept = [at for at, size in zip(places, sizes, strict=True) if size >= _LARGE * sizes.max()]
    return tuple(placed(r, base, kept))


def placed(r: Record, base: Real, times: list[float], rounds: int = 2) -> list[float]:
    """Each step's time at the place of least misfit between its neighbours, in turn."""
    block = float(np.median(np.diff(r.t)))
    for turn in range(rounds):
        for i, at in enumerate(times):
            others = np.array(times[:i] + times[i + 1 :])
            rest = Rest.of(r, np.column_stack([base, r.hinges(others)]) if others.size else base)
            low = times[i - 1] if i else float(r.first[0])
            high = times[i + 1] if i + 1 < len(times) else float(r.last[-1])
            rounds_here = 6 if turn == rounds - 1 else 3
            y = rest(whitened(r, r.y))
            times[i] = _place(r, rest, y, at, block / (1 + turn), (low, high), rounds_here)
    return times


# A step is believed with so many blocks on each side of it: one alone may be an odd element.
_SIDE_BLOCKS = 2
_END_BLOCKS = 3
_LARGE = 0.2  # of the largest step
_STAIR_LEAST, _STAIR_SIZE, _STAIR_INTERVAL = 4, 0.25, 0.2
_REFUTED_SIGMAS = 4.0
_NEAREST = 5  # elements on either side
_FOR_A_SLOPE = 6
_NEAR_S = 0.02  # beside an element: so well is a step placed before it is confirmed
_UNREST = 5.0  # times the stated scatter


def confirmed(places: tuple[float, ...], base: Real, r: Record, elements: Record) -> tuple[float, ...]:
    """Those of the steps that the frequency within the elements shows too.

    A cycle too many or too few across a gap between words looks like two steps of 1 / gap with opposite signs;
    the elements between them know nothing of it. And what the first or last element does alone (a filter that
    rings, a gain control that settles, a click taken for an element) is no step of the oscillator.

    Parameters
    ----------
    places : times of the steps fitted to ``r``, whose other columns are ``base`` (m, p).
    elements : frequency of each element, from its own phase alone.
    """
    at = _apart(np.array(places), r.t)
    while at.size:
        columns = whitened(r, np.column_stack([base, r.hinges(at)]))
        sizes = np.linalg.lstsq(columns, whitened(r, r.y), rcond=None)[0][-at.size :]
        excess = np.array([_excess(elements, at, k, size) for k, size in enumerate(sizes)])
        k = int(np.argmax(excess))
        if excess[k] <= 0.0:
            break
        at = np.delete(at, k)
    return tuple(float(t) for t in at)


def _apart(at: Real, t: Real) -> Real:
    """Steps with nothing between them made one, and those too near to either end left out."""
    part = np.searchsorted(t, at)
    middles = np.array([at[part == k].mean() for k in np.unique(part)])
    before = np.searchsorted(t, middles)
    return middles[(before >= _SIDE_BLOCKS) & (t.size - before >= _SIDE_BLOCKS)]


def _excess(elements: Record, at: Real, k: int, size: float) -> float:
    """By how much the elements on both sides contradict step ``k``, hertz; negative where they don't.

    Those nearest to it are asked, a common slope beside the step: over longer times the frequency drifts.
    """
    part = np.searchsorted(at, elements.t)
    # an element with the step within it has a frequency between the two
    part[(elements.first - _NEAR_S < at[k]) & (elements.last + _NEAR_S > at[k])] = -1
    before, after = np.flatnonzero(part == k)[-_NEAREST:], np.flatnonzero(part == k + 1)[:_NEAREST]
    if not before.size or not after.size:
        return np.inf  # no element there: nothing speaks for it
    near = elements.take(np.isin(np.arange(elements.t.size), np.concatenate([before, after])))
    seen, sigma, unrest = _step_seen(near, float(at[k]))
    doubt = _REFUTED_SIGMAS * sigma + 0.3 * abs(size)
    # elements that contradict each other speak for nothing: they are noise, or the step is
    unheard = unrest > _UNREST and abs(seen) < _REFUTED_SIGMAS * sigma
    return np.inf if unheard else abs(seen - size) - doubt


def _step_seen(r: Record, at: float) -> tuple[float, float, float]:
    """Step of some elements' frequency at ``at`` beside a common slope, its sigma, and their scatter over the stated.

    Too few for a slope tell the difference of the two means.
    """
    columns: list[Real] = [np.ones(r.t.size), (r.t > at).astype(np.float64)]
    if r.t.size >= _FOR_A_SLOPE:
        columns.append(r.t - at)
    x, y = whitened(r, np.column_stack(columns)), whitened(r, r.y)
    inverse = np.linalg.pinv(x.T @ x, hermitian=True)
    beta = inverse @ (x.T @ y)
    left = y - x @ beta
    unrest = float(np.sqrt(left @ left / max(r.t.size - len(columns), 1))) if r.t.size > len(columns) else 1.0
    return float(beta[1]), max(unrest, 1.0) * float(np.sqrt(inverse[1, 1])), unrest


def joined(times: list[float], sizes: Real, block: float) -> list[float]:
    """Steps so close that they are one, slurred over some tenths of a second, taken as one."""
    out: list[tuple[float, float]] = []
    for at, size in zip(times, np.abs(sizes), strict=True):
        if out and at - out[-1][0] < max(0.6, 1.5 * block):
            before, weight = out[-1]
            out[-1] = ((before * weight + at * size) / max(weight + size, 1e-300), weight + size)
        else:
            out.append((at, float(size)))
    return [at for at, _ in out]


def refined_steps(course: Course, r: Record) -> Course:
    """Steps joined where they are one, and placed on the fine record."""
    base = replace(course, steps_s=()).design(r)
    columns = whitened(r, course.design(r))
    sizes = np.linalg.lstsq(columns, whitened(r, r.y), rcond=None)[0][base.shape[1] :]
    times = joined(list(course.steps_s), sizes, float(np.median(np.diff(r.t))))
    return replace(course, steps_s=tuple(placed(r, base, times)))
