"""Whether what stands out of the noise is a line: it keeps its phase, or at least is there all the time.

A line of an oscillator, a supply or a digital bus keeps its strength and, along its course, its phase over
the whole recording. A piece of noise that wanders, of a voice or of another station's keying may stand as
high in the average, but its amplitude and phase are others from second to second.

Cut into pieces, a line of power S leaves in them only noise about their common amplitude; that noise over
its own density follows a gamma distribution (shape: one for each piece and side, less those fitted). A
narrow band of noise leaves as much again as it adds up to: of complex normal pieces, the squared mean and
the scatter about it are equal in the mean over two pieces, and the scatter grows from there.
"""

from __future__ import annotations

import numpy as np

from sigcheck.measure.lines.fit import LineFit, Turn
from sigcheck.measure.lines.search import chance_limit
from sigcheck.measure.spectrum import phasors
from sigcheck.measure.track import Complex, Real

_PIECES = 8  # of a block: about a second each, so that a band of noise a hertz wide shows itself
_CHANCE = 1e-4  # that a true line's scatter is taken for more than noise
_SWAY = 1 / 3  # of its power that a true line may leave: its strength sways with load and temperature
_TYPICAL = 0.5  # of the mean power that the typical block must hold


def keeps_phase(fit: LineFit, rest: Complex, turn: Turn, noise: float) -> bool:
    """Whether a line, still in ``rest``, keeps amplitude and phase along its turn; ``noise`` is per sample."""
    together, scatter, pieces = 0.0, 0.0, 0
    for b, cycles in zip(fit.of(rest), turn.cycles, strict=True):
        held = b.gain**2
        so_far = np.cumsum(held, dtype=np.float64)
        starts = np.searchsorted(so_far, np.arange(_PIECES) / _PIECES * so_far[-1])
        weight = np.add.reduceat(held, starts, dtype=np.float64)
        wave, weighed = phasors(cycles), b.y * held
        for data in (weighed * wave.conj(), weighed * wave):
            total = np.add.reduceat(data, starts).astype(np.complex128)
            mean = total.sum() / weight.sum()
            together += abs(mean) ** 2 * weight.sum()
            scatter += float((weight * np.abs(total / np.maximum(weight, 1e-9) - mean) ** 2).sum())
        pieces += _PIECES - 1
    return scatter < noise * chance_limit(2 * pieces, _CHANCE) + _SWAY * together


def there_all_the_time(power: Real, noise: Real) -> bool:
    """Whether the typical one of some blocks' powers stands over its noise as the mean does, (blocks,) each."""
    over = power - noise
    return bool(np.median(over) > _TYPICAL * np.mean(over))
