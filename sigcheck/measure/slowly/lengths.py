"""How well lengths of marks and gaps are those of Morse."""

from __future__ import annotations

import numpy as np

from sigcheck.measure.track import Real

_LENGTH_SPREAD = 0.12  # of the logarithm of lengths; noise places the edges of a 16 dB dit to a tenth of it
_MOST_WEIGHTING = 0.3  # of a dit, by which all marks may be longer and all gaps shorter


def misfits(on_s: Real, off_s: Real, unit_s: float) -> Real:
    """Half the squared misfit of each inner length to 1 and 3 units (gaps: 1, 3, and 7 or more), at most 6.

    Upside down, the gaps between words become marks of seven units, which Morse does not have.
    """

    def misfit(units: Real, allowed: tuple[float, ...]) -> Real:
        away = [np.abs(np.log(np.maximum(units, 1e-3) / a)) for a in allowed]
        return np.asarray(np.minimum(0.5 * (np.min(away, axis=0) / _LENGTH_SPREAD) ** 2, 6.0))

    marks, gaps = (off_s - on_s)[1:-1] / unit_s, (on_s[1:] - off_s[:-1]) / unit_s
    heavy = float(np.median(np.concatenate([_off(marks, (1.0, 3.0)), -_off(gaps, (1.0, 3.0, 7.0))])))
    heavy = float(np.clip(heavy, -_MOST_WEIGHTING, _MOST_WEIGHTING))  # a weighting belongs to all marks and gaps
    marks, gaps = marks - heavy, np.minimum(gaps + heavy, 7.0)
    return np.concatenate([misfit(marks, (1.0, 3.0)), misfit(gaps, (1.0, 3.0, 7.0))])


def _off(units: Real, allowed: tuple[float, ...]) -> Real:
    """Lengths less the nearest allowed one."""
    away = units[:, None] - np.array(allowed)
    return np.asarray(away[np.arange(units.size), np.abs(away).argmin(axis=1)])
