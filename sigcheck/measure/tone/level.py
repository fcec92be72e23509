"""How the key-down level swings: slowly, over the recording, and fast, within 0.2 s."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from sigcheck.measure.track import Real, Track

_WINDOW_S = 0.2
_SHORT_S = 0.001
_CELL_S = 0.02  # a whole cycle of 50 Hz and nearly so of 60 Hz: hum averages out
_APART = (1, 2, 3, 4)  # cells: their mean tells 4 to 20 Hz alike, within a fifth


@dataclass(frozen=True)
class Swing:
    """``range_db``: 5..95 % range of the level over 0.2 s; ``flutter_db``: rms of faster changes; noise removed."""

    range_db: float | None
    flutter_db: float | None
    missing: dict[str, str] = field(default_factory=dict)


def level_swing(track: Track, density: float) -> Swing:
    """Swing of the key-down level; ``density`` is that of the additive noise."""
    base = track.base
    cell = max(1, round(_CELL_S * base.rate_hz))
    per_window = round(_WINDOW_S / _CELL_S)
    n = base.z.size // (cell * per_window) * per_window
    along, count = _along_carrier(track, cell, n)
    noise = density * base.rate_hz / 2  # variance of one sample along the carrier

    held = count.reshape(-1, per_window).sum(axis=1)
    whole = held > 0.1 * cell * per_window
    if whole.sum() < 5:
        why = "less than a second of key-down time"
        return Swing(None, None, {"level_range_db": why, "flutter_db": why})
    level = np.maximum(along.reshape(-1, per_window).sum(axis=1)[whole] / held[whole], 0.0)
    low, high = np.quantile(level, [0.05, 0.95])
    # fades are not made by noise
    low = max(float(low), 3 * float(np.sqrt(np.median(noise / held[whole]))))
    spread = float(20 * np.log10(high / low)) if high > low > 0 else 0.0

    flutter = _flutter_db(along, count, cell, noise, float(np.sqrt(np.mean(level**2))))
    if flutter is None:
        return Swing(spread, None, {"flutter_db": "no key-down stretch is long enough to see fast level changes"})
    return Swing(spread, flutter)


def _along_carrier(track: Track, cell: int, n: int) -> tuple[Real, Real]:
    """Sums of the settled signal in phase with the carrier over n cells, and of how many samples."""
    # the carrier's size hardly changes within a millisecond, which is all settled where its ends are
    short = next(k for k in range(max(1, round(_SHORT_S * track.base.rate_hz)), 0, -1) if cell % k == 0)
    z, carrier = (x[: n * cell].view(np.float32).reshape(-1, 2 * short) for x in (track.base.z, track.carrier))
    use = track.marks.settled[: n * cell].reshape(-1, short)
    use = use[:, 0] & use[:, -1]
    middle = np.abs(track.carrier[short // 2 : n * cell : short])
    along = np.einsum("ij,ij->i", z, carrier) * use / np.maximum(middle, 1e-12)
    parts = cell // short
    return along.reshape(-1, parts).sum(axis=1, dtype=np.float64), use.reshape(-1, parts).sum(axis=1) * short


def _flutter_db(along: Real, count: Real, cell: int, noise: float, typical: float) -> float | None:
    full = count == cell
    mean = along / cell
    squares = []
    for apart in _APART:
        inside = np.convolve(full, np.ones(apart + 1), mode="valid") > apart + 0.5  # one key-down stretch
        if inside.sum() < 25 or typical <= 0:
            break
        square = (mean[apart:] - mean[:-apart])[inside] ** 2
        # crashes are not flutter: the median of the squares of a normal variable is 0.455 of their mean
        squares.append(min(float(np.mean(square)), 2 / 0.455 * float(np.median(square))))
    if len(squares) < 2:
        return None
    variance = max(float(np.mean(squares)) / 2 - noise / cell, 0.0)
    return float(20 / np.log(10) * np.sqrt(variance) / typical)
