"""A followed path that jumped: was the transmitter retuned, or was another station followed for a while?

Where ours and another station are there together the stronger is followed, so the weaker one is still seen
while ours is on; and it is followed once ours has stopped. A retuned transmitter is in one place only. Levels
tell less: a gain control raises the other one when ours is gone.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.track import Real

_HEARD = 0.01  # of the key-down power: less is a gap or another's sideband
_BINS_A_BLOCK = 0.5  # so fast does a signal move unheard: 12 Hz a second, a low satellite's Doppler
_CONTRAST = 8.0  # over the median of the bins around: noise averaged over a block stays below

_SHARE_SEEN = 0.1  # of the blocks of 0.3 s: a keyed station is there in most of them
_LEAST_SHARE = 0.34  # of the blocks in which something is heard, for one station to be ours

Piece = NDArray[np.intp]


def own_pieces(bins: NDArray[np.intp], power: Real, *, jump: int) -> NDArray[np.intp]:
    """The path with those of its pieces held at their neighbour's end that belong to another station.

    Parameters
    ----------
    bins : the path, one bin per block, shape (rows,).
    power : power per bin, noise included, shape (rows, all bins).
    jump : a longer move between two blocks begins a new piece; so does a slide through blocks in which
        nothing is heard, which costs the search next to nothing.
    """
    rows = np.arange(bins.size)
    own = np.max([power[rows, np.clip(bins + d, 0, power.shape[1] - 1)] for d in (-1, 0, 1)], axis=0)
    heard = np.flatnonzero(own > _HEARD * np.quantile(own, 0.9))
    if heard.size < 2:
        return bins
    moved = np.abs(np.diff(bins[heard])) > jump + (np.diff(heard) - 1) * _BINS_A_BLOCK
    pieces = np.split(heard, np.flatnonzero(moved) + 1)
    if len(pieces) == 1:
        return bins
    place = [int(np.median(bins[p])) for p in pieces]
    energy = [float(own[p].sum()) for p in pieces]
    beside = np.array([[_is_seen(power, during, k) for k in place] for during in pieces])  # [during, whose]
    apart = np.abs(np.subtract.outer(place, place)) > jump
    outranks = (beside & apart).astype(int) - (beside & apart).T.astype(int)
    main = max(range(len(pieces)), key=lambda i: (int(outranks[i].sum()), energy[i]))
    inside = np.zeros(bins.size, bool)
    for i, piece in enumerate(pieces):
        alone = not (apart[main, i] and (beside[main, i] or beside[i, main]))
        inside[piece[0] : piece[-1] + 1] = alone
    if inside[heard].mean() < _LEAST_SHARE:
        return bins  # a melody of many notes, not one station and a few others
    stays = np.flatnonzero(inside)
    return np.asarray(bins[stays[np.abs(rows[:, None] - stays[None, :]).argmin(axis=1)]], np.intp)


def _is_seen(power: Real, during: Piece, k: int) -> bool:
    """Whether a line stands at bin ``k`` in these blocks."""
    last = power.shape[1] - 1
    around = [np.clip(k + d, 0, last) for d in (*range(-12, -4), *range(5, 13))]
    line = power[during, max(k - 1, 0) : k + 2].max(axis=1)
    seen = line > _CONTRAST * np.median(power[np.ix_(during, around)], axis=1)
    # the block in which a transmitter is retuned holds both
    return bool(seen.sum() >= 3 and seen.mean() > _SHARE_SEEN)
