"""The elements and the text that the runs of a slow-keyed signal spell."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure import morse
from sigcheck.measure.slowly.runs import HIGH, LOW, Pair, Runs
from sigcheck.measure.slowly.signal import LEAST_ELEMENTS, Elements, Mode
from sigcheck.measure.track import Real

_LEAST_PARTED = 0.7  # of DFCW's elements have a gap after them: what merely steps about has none
_USUAL_GAPS = (0.65, 0.25, 0.1)  # share of gaps inside characters, between them, between words (plain text)
_EDGES_SCATTER = 2.5  # over a dit's energy: scatter of a gap in dits, both its edges placed by energy (simulated)
_KEYED_SCATTER = 0.03  # of a dit: what keyer, filter and the steps of the runs leave of a strong signal's gaps
_GAP_SCATTER = 0.07  # of a gap, by which those of one kind differ
_LEVELS = 25  # lengths of each kind that are tried
_PAUSE = 3.2  # standard deviations, as which any longer gap counts: it may last some ten dits, which makes exp(-5)
_STRAY = 4.0  # standard deviations, at which a gap is none of the kinds
_LONGER = 1.5  # times as long is the next kind of gap
_LEAST_STEP = 0.25  # dits, by which it is longer
_WRONG_LENGTH = 0.5  # dits, by which an element may be two in one, or a piece
_HARDLY_SURE = 0.3


def elements_of(mode: Mode, inverted: bool, runs: Runs, pair: Pair, dit_s: float, sure: Real) -> Elements | None:
    """The elements and what they spell; None where there are too few, or none that could be told apart."""
    if mode == "dfcw":
        return _from_tones(runs, sure, inverted, pair, dit_s)
    mark = LOW if mode == "qrss" or inverted else HIGH
    mine = np.flatnonzero(runs.state == mark)
    on, off = runs.start_s[mine], runs.end_s[mine]
    if on.size < LEAST_ELEMENTS:
        return None
    cut_start, cut_end = _cut(pair, on[0], off[-1], dit_s)
    heard = (float(pair.low.times_s[0]), float(pair.low.times_s[-1]))
    decoded = morse.decode(on, off, cut_start=cut_start, cut_end=cut_end, heard_s=heard)
    if decoded.timing is None:
        return None
    first = int(cut_start)
    dah = np.zeros(on.size, bool)
    dah[first : first + decoded.timing.dah.size] = decoded.timing.dah
    return Elements(on, off, dah, _with_gaps(sure, mine), decoded, cut=first)


def _cut(pair: Pair, first_s: float, last_s: float, dit_s: float) -> tuple[bool, bool]:
    """Whether the first and the last element go on beyond the recording, to within a cell of the runs."""
    step = max(0.05, 0.1 * dit_s)
    times = pair.low.times_s
    return bool(first_s < times[0] + step), bool(last_s > times[-1] - step)


def _with_gaps(sure: Real, mine: NDArray[np.intp]) -> Real:
    """An element is as sure as itself and the gap after it."""
    after = np.append(sure, 1.0)[mine + 1]
    return np.asarray(sure[mine] * after)


def _from_tones(runs: Runs, sure: Real, inverted: bool, pair: Pair, dit_s: float) -> Elements | None:
    """DFCW: kinds by the tone; the gaps sorted into three classes; then read as Morse of those lengths."""
    mine = np.flatnonzero(runs.on)
    on, off = runs.start_s[mine], runs.end_s[mine]
    if on.size < LEAST_ELEMENTS:
        return None
    parted = np.mean(on[1:] - off[:-1] > 0.1 * dit_s)
    if parted < _LEAST_PARTED:
        return None
    dah = (runs.state[mine] == HIGH) != inverted
    energy = float(np.median(pair.density[: pair.tones])) * dit_s
    between, told = gap_classes(on[1:] - off[:-1], dit_s, energy)
    odd = np.abs(off - on - np.median(off - on)) > _WRONG_LENGTH * dit_s
    sure_each = sure[mine] * np.append(told, 1.0) * np.where(odd, _HARDLY_SURE, 1.0)
    marks = np.where(dah, 3.0, 1.0)
    gaps = np.array([1.0, 3.0, 7.0])[between]
    begin = np.concatenate([[0.0], np.cumsum(marks[:-1] + gaps)])
    cut_start, cut_end = _cut(pair, on[0], off[-1], dit_s)
    inside = between == 0
    unit_s = float(np.median((on[1:] - off[:-1])[inside])) if inside.any() else dit_s
    unit_s = max(unit_s, 0.02 * dit_s)
    silence = (on[0] - pair.low.times_s[0], pair.low.times_s[-1] - off[-1])
    heard = (-float(silence[0]) / unit_s, float(begin[-1] + marks[-1] + silence[1] / unit_s))
    decoded = morse.decode(begin, begin + marks, cut_start=cut_start, cut_end=cut_end, heard_s=heard)
    if decoded.timing is None:
        return None
    placed = tuple(
        replace(c, start_s=float(np.interp(c.start_s, begin, on)), end_s=float(np.interp(c.end_s, begin + marks, off)))
        for c in decoded.characters
    )
    return Elements(on, off, dah, sure_each, replace(decoded, characters=placed), cut=int(cut_start))


def gap_classes(gap_s: Real, dit_s: float, dit_energy: float) -> tuple[NDArray[np.intp], Real]:
    """Kind of each gap, 0 within a character, 1 between characters, 2 between words; and its probability.

    Each kind has its own length, whatever it is in dits, and scatters about it by what noise leaves of two edges
    and by a share of itself; the lengths are those that explain all gaps best. A group that is split or two that
    are pooled explain them worse.
    """
    gap = np.clip(gap_s / dit_s, 0.0, 12.0)
    edges = max(_EDGES_SCATTER / dit_energy, _KEYED_SCATTER)
    usual = np.log(_USUAL_GAPS)
    grid = np.unique(np.round(np.quantile(gap, np.linspace(0.01, 0.99, _LEVELS)), 3))
    best, lengths = -np.inf, np.array([float(np.median(gap))])
    for count in (1, 2, 3):
        levels = grid[np.array(list(combinations(range(grid.size), count)), np.intp).reshape(-1, count)]
        apart = (levels[:, 1:] >= _LONGER * levels[:, :-1]) & (np.diff(levels) >= max(_LEAST_STEP, 2.5 * edges))
        levels = levels[apart.all(axis=1)]
        if levels.size:
            likely = np.logaddexp.reduce(_gap_nats(gap, levels, edges) + usual[:count], axis=2).sum(axis=0)
            k = int(likely.argmax())
            if likely[k] > best:
                best, lengths = float(likely[k]), levels[k]
    weight = _gap_nats(gap, lengths[None], edges)[:, 0] + usual[: lengths.size]
    share = np.exp(weight - weight.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    kind = share.argmax(axis=1)
    sure = share[np.arange(kind.size), kind]
    if lengths.size == 2:
        kind = np.where(gap > _LONGER * lengths[1] + edges, 2, kind)
    return np.asarray(kind, np.intp), np.asarray(sure)


def _gap_nats(gap: Real, levels: Real, edges: float) -> Real:
    """Log-likelihood of gaps (n,) of each kind for trial lengths (trials, kinds); shape (n, trials, kinds).

    The longest kind may be a pause as long as it likes, at a price.
    """
    spread = np.hypot(edges, _GAP_SCATTER * levels)
    away = (gap[:, None, None] - levels) / spread
    away[..., -1] = np.minimum(away[..., -1], _PAUSE)
    return np.asarray(-0.5 * np.minimum(away**2, _STRAY**2) - np.log(spread / edges))
