"""Where in a recording four-tone slots are: place, start, drift and spacing to within a fraction of a tone.

A slot is 162 symbols on four tones one symbol rate apart, and the low bit of each symbol is known
(the *fixed bits*): tones 0 and 2 where it is 0, tones 1 and 3 where it is 1. Three sieves, from
cheap to dear:

1. places: frequencies where the survey holds more power than its surroundings for half a minute;
2. alternation: there the strongest frequency changes from one symbol length to the next, as it does
   in a slot and does not in a carrier, in keying or in hum;
3. correlation: which of the two pairs of tones is stronger, symbol by symbol, against the fixed
   bits, for all starts (also before the recording), centres, drifts and spacings.

The correlation looks at shares of power, so neither fading nor a strong neighbour sways it, and its
mean is removed, so that a steady tone correlates with nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.slots.band import Narrow, narrowed
from sigcheck.measure.slots.correlation import Clock, Lean, pair_lean
from sigcheck.measure.slots.places import CHUNK_S, beside, places
from sigcheck.measure.slots.protocol import FIXED_BITS, SPACING_HZ, SYMBOL_S, SYMBOLS
from sigcheck.measure.slots.sweep import sweep_of
from sigcheck.measure.slots.tones import FEWEST, GRID, HOPS, REACH_HZ, TonePower, alternates, tone_power
from sigcheck.measure.spectrum import Survey
from sigcheck.measure.track import Real

_DRIFTS_HZ = (0.0, 1.2, -1.2, 2.4, -2.4, 3.6, -3.6, 4.8, -4.8)  # over a transmission
_MOST_TRIED = 40  # peaks of the quick score that are looked at exactly
# Symbol lengths over the nominal one: at the steps' middle the last symbol is a fifth of one off.
_LENGTHS = tuple(1 + 0.005 * k for k in (-1, 1, -2, 2, -3, 3, -4, 4, -5, 5, -6, 6))
_SOME_LEAN = 0.155  # largest among the centres: less is noise; a slot of -25 dB has 0.17, drifting by 5 Hz
_MORE_LEAN = 0.2  # from here on wrong spacings are tried: -25 dB, if it hardly drifts
_CLEAR_LEAN = 0.4  # mean square of the lean: a slot of -20 dB in 2500 Hz has this, a clear one 0.6
_EXPLAINED = 0.8  # correlation coefficient
_CLEARLY_BETTER = 1.0  # in the score: as much as its scatter
# A slot that is not known by its fixed bits must be clear: energy of a symbol over the noise density
# (-19 dB in 2500 Hz), share of it on one tone at a time in step with the clock and how much less out of
# step, share of the symbols on each tone (a quarter, if random).
_CLEAR_ENERGY = 20.0
_SHARE_ON_TONES = 0.72
_IN_STEP = 0.1
_EACH_TONE = 0.1
# The largest of some 10^6 correlations of noise reaches 5.5; of things that dwell for longer than a
# symbol the scatter is larger by half.
LEAST_SCORE = 6.5
_LONG_S = 55.0  # half a transmission: in less a wrong spacing or length is not looked for
_MOST_BESIDES = 6  # places, the strongest, that are looked at for close neighbours
_MOST_SWEPT = 3  # places, the strongest, that are looked at for large drifts
_REACHED_HZ = 12.0  # from the middle of a slot: its own tones
_WINDOW_S = 600.0  # long recordings are searched by such pieces, each overlapping the next by a transmission


@dataclass(frozen=True)
class Sighting:
    """A slot seen by its fixed bits."""

    centre_hz: float  # middle between the lowest and the highest tone, at the middle of the transmission
    start_s: float  # of the first of 162 symbols; before the recording where its beginning is missing
    drift_hz: float  # end less start
    spacing_hz: float
    symbol_s: float
    score: float  # correlation times the square root of the number of symbols
    within: int  # symbols within the recording
    fixed_bits: bool = True  # False: it keeps the clock on four tones, but its symbols are others


def search(s: Survey, *, near_hz: float | None = None) -> list[Sighting]:
    """All slots in the survey's audio, best first.

    Parameters
    ----------
    near_hz : look within 150 Hz of here only; None looks everywhere.
    """
    duration_s = s.audio.size / s.rate_hz
    if duration_s < FEWEST * SYMBOL_S:
        return []
    found: list[Sighting] = []
    length, step = _WINDOW_S, _WINDOW_S - 1.1 * SYMBOLS * SYMBOL_S
    for start in np.arange(0.0, max(duration_s - length, 0.0) + step, step):
        found += _search_window(s, float(start), min(float(start) + length, duration_s), near_hz)
    return _distinct(found)


def _search_window(s: Survey, start_s: float, end_s: float, near_hz: float | None) -> list[Sighting]:
    hz, clearest_s = places(s, start_s, end_s)
    if near_hz is not None:
        near = np.abs(hz - near_hz) < 150.0
        hz, clearest_s = hz[near], clearest_s[near]
    kept: list[Narrow] = []
    clearest: list[float] = []
    for at_s in np.unique(clearest_s):  # the half minute in which a place stands out most tells
        some = hz[clearest_s == at_s]
        part = narrowed(s.audio, s.rate_hz, some, start_s=at_s - 0.5 * CHUNK_S, end_s=at_s + 0.5 * CHUNK_S)
        near = [hz for n in part[:_MOST_BESIDES] for hz in beside(n) if np.all(np.abs(some - hz) > REACH_HZ)]
        part += narrowed(s.audio, s.rate_hz, np.array(near), start_s=at_s - 0.5 * CHUNK_S, end_s=at_s + 0.5 * CHUNK_S)
        part = [n for n in part if alternates(n)]
        kept, clearest = kept + part, clearest + [float(at_s)] * len(part)
    found: list[Sighting] = []
    left: list[tuple[Narrow, Narrow, float]] = []
    whole = narrowed(s.audio, s.rate_hz, np.array([n.hz for n in kept]), start_s=start_s, end_s=end_s)
    for narrow, chunk, at_s in zip(whole, kept, clearest, strict=True):
        seen = _correlated(tone_power(narrow), narrow) if alternates(narrow) else []
        found += seen
        if not seen:
            left.append((narrow, chunk, at_s))
    if end_s - start_s > _LONG_S:
        strength = [float(np.mean(np.abs(chunk.z) ** 2)) for _, chunk, _ in left]
        for k in np.argsort(strength)[: -_MOST_SWEPT - 1 : -1]:
            if all(abs(one.centre_hz - left[k][0].hz) > _REACHED_HZ + 0.5 * abs(one.drift_hz) for one in found):
                found += _swept(*left[k])
    return found


def _swept(narrow: Narrow, chunk: Narrow, at_s: float) -> list[Sighting]:
    """Slots about a place that drift by more than their own width."""
    sweep = sweep_of(narrow, chunk, at_s)
    if sweep is None:
        return []
    still = sweep.taken_off(narrow)
    power, seen = tone_power(still), []
    for one in _best_by_fixed_bits(power, still, _leans(power, GRID), GRID, SYMBOL_S, _DRIFTS_HZ[:3]):
        length_s = SYMBOLS * one.symbol_s
        centre_hz = one.centre_hz + sweep.at(one.start_s + 0.5 * length_s)
        seen.append(replace(one, centre_hz=centre_hz, drift_hz=one.drift_hz + sweep.hz_per_s * length_s))
    return seen


# --- correlation -------------------------------------------------------------------------------


def _correlated(p: TonePower, n: Narrow) -> list[Sighting]:
    """Slots about one place: by the nominal spacing and symbol length, or else by wrong ones."""
    nominal = _leans(p, GRID)
    lean = float(np.mean(nominal.value**2, axis=0).max())
    if lean < _SOME_LEAN:
        return []
    found: list[Sighting] = []
    long = p.value.shape[0] * p.hop_s > _LONG_S
    for grid in (GRID, GRID - 1, GRID + 1) if long and lean > _MORE_LEAN else (GRID,):
        leans = nominal if grid == GRID else _leans(p, grid)
        found = _best_by_fixed_bits(p, n, leans, grid, SYMBOL_S, _DRIFTS_HZ)
        if found:
            break
    # noise leaves nothing to be explained, nor does what leans as the fixed bits say
    if not long or lean < _CLEAR_LEAN or any(one.score > _EXPLAINED * np.sqrt(one.within) for one in found):
        return found
    best = max((one.score for one in found), default=LEAST_SCORE - _CLEARLY_BETTER)
    wrong: list[Sighting] = []
    for share in _LENGTHS:
        wrong += _best_by_fixed_bits(p, n, nominal, GRID, share * SYMBOL_S, _DRIFTS_HZ[:1])
    found = _distinct(found + [one for one in wrong if one.score > best + _CLEARLY_BETTER])
    return found or _by_clock(p, n)


def _leans(p: TonePower, grid: int) -> Lean:
    """The lean for four tones ``grid`` columns apart, ready for symbols of any length that is looked for."""
    longest = int(SYMBOLS * max(_LENGTHS) * SYMBOL_S / p.hop_s) + 1
    return Lean.of(pair_lean(p.value, grid), longest)


def _best_by_fixed_bits(
    p: TonePower, n: Narrow, lean: Lean, grid: int, symbol_s: float, drifts_hz: tuple[float, ...]
) -> list[Sighting]:
    """All starts and centres, and these drifts, for one spacing (``grid`` columns) and symbol length."""
    at = np.round(np.arange(SYMBOLS) * symbol_s / p.hop_s).astype(np.intp)
    clock = Clock(2.0 * FIXED_BITS - 1.0, at, FEWEST, p.value.shape[0])
    reach = int(REACH_HZ / SPACING_HZ * GRID)
    lowest = p.middle - round(1.5 * grid)
    use = np.arange(max(lowest - reach, 0), min(lowest + reach + 1, lean.value.shape[1]))
    shifts = [_shifts(drift_hz) for drift_hz in drifts_hz]
    totals = clock.totals(lean, use, shifts)
    scores = clock.score(totals.max(axis=0), lean, use)
    tried: list[Sighting] = []
    for _ in range(_MOST_TRIED):
        c, j = (int(v) for v in np.unravel_index(int(np.argmax(scores)), scores.shape))
        if scores[c, j] < LEAST_SCORE:
            break
        which = int(np.argmax(totals[:, c, j]))
        exact, within = clock.exact(lean, j, use[c] + shifts[which])
        scores[max(0, c - 2) : c + 3, max(0, j - 2) : j + 3] = 0.0
        if exact >= LEAST_SCORE:
            centre = n.hz + (use[c] + 1.5 * grid - p.middle) * SPACING_HZ / GRID
            start_s = p.first_s + (clock.first + j) * p.hop_s
            spacing_hz = SPACING_HZ * grid / GRID
            tried.append(Sighting(float(centre), float(start_s), drifts_hz[which], spacing_hz, symbol_s, exact, within))
    return _distinct(tried)


def _shifts(drift_hz: float) -> NDArray[np.intp]:
    """Columns by which a drift moves each symbol, (162,)."""
    along = (np.arange(SYMBOLS) - 0.5 * (SYMBOLS - 1)) / SYMBOLS
    return np.asarray(np.round(drift_hz * along * GRID / SPACING_HZ), np.intp)


def _by_clock(p: TonePower, n: Narrow) -> list[Sighting]:
    """A clear transmission that keeps the symbols' clock and uses all four tones, whatever it sends.

    Nearly all its power then lies on one tone at a time, in step with the clock and only so. The 162
    symbols are where the power is.
    """
    count = int((p.value.shape[0] - 1) * p.hop_s / SYMBOL_S)
    at = np.round(np.arange(count) * SYMBOL_S / p.hop_s).astype(np.intp)
    lowest = np.arange(2 * GRID, p.value.shape[1] - 5 * GRID)
    best: tuple[float, float, int, int, float] | None = None
    worst = np.inf
    for hop in range(HOPS):
        rows = p.value[np.minimum(at + hop, p.value.shape[0] - 1)]
        total = (rows.sum(axis=1) - rows.shape[1]) / GRID  # energy over the noise density
        length = min(SYMBOLS, count)
        running = np.concatenate([[0.0], np.cumsum(total)])
        first = int(np.argmax(running[length:] - running[:-length]))
        energy = float(running[first + length] - running[first])
        if energy < _CLEAR_ENERGY * length:
            return []
        part = rows[first : first + length]
        shares = {drift_hz: _share_on_tones(part, lowest, drift_hz) / energy for drift_hz in _DRIFTS_HZ}
        drift_hz = max(shares, key=lambda d: float(shares[d].max()))
        share = float(shares[drift_hz].max())
        worst = min(worst, share)
        if best is None or share > best[0]:
            column = int(lowest[np.argmax(shares[drift_hz])])
            best = (share, p.first_s + (hop + at[first]) * p.hop_s, column, first, drift_hz)
            used = _tones_used(part, column, drift_hz)
    if best is None or best[0] < _SHARE_ON_TONES or best[0] - worst < _IN_STEP or min(used) < _EACH_TONE:
        return []
    _, start_s, column, _, drift_hz = best
    centre = n.hz + (column + 1.5 * GRID - p.middle) * SPACING_HZ / GRID
    return [Sighting(float(centre), float(start_s), drift_hz, SPACING_HZ, SYMBOL_S, 0.0, min(SYMBOLS, count), False)]


def _on_tones(part: NDArray[np.float32], lowest: NDArray[np.intp], drift_hz: float) -> NDArray[np.float32]:
    """Power of each symbol on the four tones from each lowest one along a drift, (symbols, lowest, 4)."""
    along = np.arange(part.shape[0]) / SYMBOLS - 0.5
    shift = np.round(drift_hz * along * GRID / SPACING_HZ).astype(np.intp)
    columns = shift[:, None, None] + lowest[:, None] + GRID * np.arange(4)
    return np.asarray(part[np.arange(part.shape[0])[:, None, None], np.clip(columns, 0, part.shape[1] - 1)])


def _share_on_tones(part: NDArray[np.float32], lowest: NDArray[np.intp], drift_hz: float) -> Real:
    """Energy on the strongest of four tones, summed over the symbols, for each lowest tone."""
    return np.asarray((_on_tones(part, lowest, drift_hz).max(axis=2) - 1.0).sum(axis=0), np.float64)


def _tones_used(part: NDArray[np.float32], lowest: int, drift_hz: float) -> list[float]:
    """Share of the symbols on each of the tones, and of those that differ from the one before."""
    tones = np.argmax(_on_tones(part, np.array([lowest]), drift_hz)[:, 0], axis=1)
    shares = [float(np.mean(tones == k)) for k in range(4)]
    return [*shares, float(np.mean(np.diff(tones) != 0)) - 0.4]


def _distinct(found: list[Sighting]) -> list[Sighting]:
    """Best first, each only once: a slot is seen again at neighbouring places and a tone away."""
    out: list[Sighting] = []
    for one in sorted(found, key=lambda x: -x.score):
        length = SYMBOLS * one.symbol_s
        if all(abs(o.start_s - one.start_s) > 0.9 * length or abs(o.centre_hz - one.centre_hz) > 5.0 for o in out):
            out.append(one)
    return out
