"""The slot family of the result: what our transmission does, each number with its sigma."""

from __future__ import annotations

from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.results import Slot, SlotHeard, not_measured_names
from sigcheck.measure.slot import Found, Transmission, same_symbols
from sigcheck.measure.slots.course import Symbols
from sigcheck.measure.slots.fit import Fit
from sigcheck.measure.slots.protocol import SYMBOLS

Products = NDArray[np.complex128]

_SPREAD_CELLS = 8  # to a symbol
_KEPT = 0.66  # of the autocorrelation, at the lag where the spread is read
_LONGEST_LAG = 0.15  # of the transmission, over which its coherence is looked at
_GROUPS = 9  # that the symbols are left out by, for the scatter of a mean


def measure_slot(
    found: Found,
    *,
    symbols: tuple[int, ...] | None = None,
    start_utc: datetime | None = None,
    repeat_s: float | None = None,
    passband_hz: tuple[float, float] | None = None,
) -> Slot:
    """The slot family of our main transmission, and the others of ours compared with it.

    Parameters
    ----------
    symbols : the plan's symbols.
    start_utc, repeat_s : time of the recording's first sample and the slots' period; with both the
        start is counted from the slot boundary.
    passband_hz : the receiver's. Its filter delays by some unknown part of, or more than, the inverse of
        its width, and the sigma of the start holds that.
    """
    main = found.main
    f, course = main.fit, main.fit.course
    missing = not_measured_names(Slot, "only shifted keying has a shift")
    values: dict[str, object] = {}
    start, origin = main.start_s, "recording"
    if start_utc is not None and repeat_s is not None:
        start, origin = since_boundary(start_utc, start, repeat_s), "slot"
    delay_s = 1 / max(passband_hz[1] - passband_hz[0], 50.0) if passband_hz is not None else 0.0
    errors, why = _errors(f, symbols)
    values["symbol_errors"] = errors
    spread = frequency_spread(f)
    if spread is None:
        why_spread = "too weak or too short to see the tones' width"
        missing.update(frequency_spread_hz=why_spread, frequency_spread_hz_sigma=why_spread)
    else:
        values["frequency_spread_hz"], values["frequency_spread_hz_sigma"] = spread
    clarity, clarity_sigma = symbol_clarity(f)
    drift_hz, drift_sigma = drift(f)
    same = [same_symbols(one, main) for one in found.ours if one is not main]
    told = [answer for answer in same if answer is not None]
    values["same_symbols"] = all(told) if told else None
    values |= {
        "kind": "four-tone",
        "start_offset_s": start,
        "start_offset_s_sigma": float(np.hypot(f.sigma[0], delay_s)),
        "start_offset_from": origin,
        "symbol_s": course.symbol_s,
        "symbol_s_sigma": float(f.sigma[1]),
        "tone_spacing_hz": course.spacing_hz,
        "tone_spacing_hz_sigma": float(f.sigma[2]),
        "symbols": tuple(int(k) for k in f.symbols[f.first : f.last]),
        "first_symbol": f.first,
        "expected_symbol_errors": main.expected_errors,
        "symbol_clarity": clarity,
        "symbol_clarity_sigma": clarity_sigma,
        "coherent_symbols": f.together,
        "drift_hz": drift_hz,
        "drift_hz_sigma": drift_sigma,
        "complete": main.complete,
        "heard": tuple(_heard(one, found) for one in found.ours),
    }
    missing = {k: v for k, v in missing.items() if values.get(k) is None}
    if errors is None:
        missing["symbol_errors"] = why
    if values["same_symbols"] is None:
        missing["same_symbols"] = "one transmission: nothing to compare it with"
    return Slot(missing=missing, **values)  # type: ignore[arg-type]


def since_boundary(start_utc: datetime, at_s: float, repeat_s: float) -> float:
    """Time of ``at_s`` in the recording since the nearest boundary of periods counted from the hour."""
    of_hour = start_utc.minute * 60 + start_utc.second + start_utc.microsecond * 1e-6
    return float((of_hour + at_s + 0.5 * repeat_s) % repeat_s - 0.5 * repeat_s)


def _errors(f: Fit, symbols: tuple[int, ...] | None) -> tuple[int | None, str]:
    if symbols is None:
        return None, "the plan names no symbols"
    if len(symbols) != SYMBOLS:
        return None, f"the plan names {len(symbols)} symbols; a transmission has {SYMBOLS}"
    sent: Symbols = np.array(symbols, np.intp)[f.first : f.last]
    return int(np.sum(f.symbols[f.first : f.last] != sent)), ""


def _heard(one: Transmission, found: Found) -> SlotHeard:
    f = one.fit
    part = slice(max(f.first, found.main.fit.first), min(f.last, found.main.fit.last))
    drift_hz, drift_sigma = drift(f)
    return SlotHeard(
        start_s=one.start_s,
        start_s_sigma=float(f.sigma[0]),
        tone_hz=one.centre_hz,
        tone_hz_sigma=float(f.sigma[3]),
        level_db=float(10 * np.log10(f.power / found.main.fit.power)),
        energy_db=f.energy_db,
        drift_hz=drift_hz,
        drift_hz_sigma=drift_sigma,
        complete=one.complete,
        symbol_differences=int(np.sum(f.symbols[part] != found.main.fit.symbols[part])),
        same_symbols=same_symbols(one, found.main),
    )


def drift(f: Fit) -> tuple[float, float]:
    """Frequency at the end of what was heard less that at its start, and its sigma.

    How many terms the course needs is not known: straight, bent and more are averaged by how likely each is (by
    Schwarz's criterion, from memory, not looked up), and the sigma holds how far they differ. By energy alone no
    more than a straight course is told.
    """
    course, terms = f.course, len(f.course.hz)
    ends = 2 * (course.start_s + course.symbol_s * np.array([f.first, f.last]) - course.from_s) / course.span_s - 1
    weight = np.diff(np.polynomial.legendre.legvander(ends, terms - 1), axis=0)[0]
    hz, covariance = np.array(course.hz), f.covariance[3:, 3:]
    values, variances, costs = [], [], []
    for kept in range(2, terms + 1 if f.together > 1 else 3):
        use, out = slice(0, kept), slice(kept, terms)
        pull = covariance[use, out] @ np.linalg.pinv(covariance[out, out], hermitian=True)
        values.append(float(weight[use] @ (hz[use] - pull @ hz[out])))
        variances.append(float(weight[use] @ (covariance[use, use] - pull @ covariance[out, use]) @ weight[use]))
        worse = hz[out] @ np.linalg.pinv(covariance[out, out], hermitian=True) @ hz[out]
        costs.append(0.5 * float(worse) + 0.5 * np.log(f.last - f.first) * kept)
    share = np.exp(min(costs) - np.array(costs))
    share /= share.sum()
    value = float(share @ values)
    variance = float(share @ (np.array(variances) + (np.array(values) - value) ** 2))
    return value, float(np.hypot(np.sqrt(max(variance, 0.0)), _unfollowed_hz(f)))


def _unfollowed_hz(f: Fit) -> float:
    """What the terms that the course does not have may add at its ends, as the last two that it has fall off."""
    before, last = (abs(v) for v in f.course.hz[-2:])
    if last < 3 * f.sigma[-1]:
        return 0.0
    ratio = min(last / max(before, 1e-12), 0.8)
    return float(last * ratio / (1 - ratio))


def symbol_clarity(f: Fit) -> tuple[float, float]:
    """Share of the symbols' energy that is in their own tones, noise removed, and its sigma.

    Each tone's energy counts with the probability that it is the symbol's: to count the strongest
    would take noise for clarity. The scatter comes from leaving out groups of symbols.
    """
    rows = slice(f.first, f.last)
    energy = np.abs(f.sums[rows]) ** 2 - f.noise_density * f.course.symbol_s
    own, all_ = np.sum(f.posterior[rows] * energy, axis=1), energy.sum(axis=1)
    group = np.arange(own.size) * _GROUPS // own.size
    part = np.array([own[group != k].sum() / max(all_[group != k].sum(), 1e-30) for k in range(_GROUPS)])
    sigma = np.sqrt((_GROUPS - 1) / _GROUPS * np.sum((part - part.mean()) ** 2))
    return float(np.clip(own.sum() / max(all_.sum(), 1e-30), 0.0, 1.0)), float(sigma)


def frequency_spread(f: Fit) -> tuple[float, float] | None:
    """Twice the standard deviation of the tone's own spectrum in Hz, drift and symbols removed; and sigma.

    A Gaussian spectrum of standard deviation s makes the autocorrelation exp(-(2 pi s lag)^2 / 2).
    It is read at the longest lag at which two thirds are left: there noise matters least and the
    shape still is that of any smooth spectrum.
    """
    cells, cell_s, noise = rest_cells(f)
    if cells.size < 64:
        return None
    # where the phase starts afresh only what lies within one symbol can be compared, and wholly within it
    cells = cells[:, 1:-1] if f.together == 1 else cells
    width_of = cells.shape[1] if f.together == 1 else cells.size
    cells = cells.reshape(-1, width_of)
    longest = width_of - 2 if f.together == 1 else round(_LONGEST_LAG * cells.size)
    lags = np.unique(np.round(np.geomspace(1, max(longest, 2), 24)).astype(np.intp))
    parts = np.array([_lagged(cells, int(m)) for m in lags])  # (lags, groups)

    def width(products: Products) -> float:
        level = np.abs(products.sum(axis=1))
        # level at lag 0 without the noise: as a parabola's top
        zero = max(level[0] + (level[0] - level[1]) / (int(lags[1]) ** 2 - 1), 1e-30)
        kept = level / zero
        last = int(np.argmax(kept < _KEPT)) if np.any(kept < _KEPT) else lags.size - 1
        curve = max(-2 * float(np.log(np.clip(kept[last], 1e-3, 1.0))), 0.0)
        return float(np.sqrt(abs(curve)) / (2 * np.pi * float(lags[last]) * cell_s))

    level = float(np.abs(parts.sum(axis=1)[0]))
    doubt = noise / np.sqrt(cells.size)
    if level < 4 * doubt:
        return None
    groups = parts.shape[1]
    left_out = np.array([width(np.delete(parts, k, axis=1)) for k in range(groups)])
    sigma = np.sqrt((groups - 1) / groups * np.sum((left_out - left_out.mean()) ** 2))
    # what noise in the autocorrelation can pass for at the longest lag
    floor = np.sqrt(2 * min(doubt * np.sqrt(1 + 2 * level / noise) / level, 1.0)) / (2 * np.pi * lags[-1] * cell_s)
    return 2 * width(parts), 2 * float(np.hypot(sigma, floor))


def rest_cells(f: Fit) -> tuple[Products, float, float]:
    """Means of what is left without the symbols, eight to a symbol (symbols, 8), their length, and their noise."""
    rest = f.rest[np.flatnonzero(f.rest)]
    count = (f.last - f.first) * _SPREAD_CELLS
    bounds = np.round(np.arange(count) * rest.size / count).astype(np.intp)
    size = np.diff(np.append(bounds, rest.size))
    cells = np.asarray(np.add.reduceat(rest, bounds) / size, np.complex128)
    cell_s = f.course.symbol_s / _SPREAD_CELLS
    return cells.reshape(-1, _SPREAD_CELLS), cell_s, f.noise_density / cell_s


def _lagged(cells: Products, lag: int) -> Products:
    """Lagged products within each row, summed by groups of neighbours, over the number of all."""
    product = (np.conj(cells[:, :-lag]) * cells[:, lag:]).ravel()
    return np.array([part.sum() for part in np.array_split(product, _GROUPS)], np.complex128) / product.size
