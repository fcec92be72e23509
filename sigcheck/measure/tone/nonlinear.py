"""What kind of stage bends the audio: flat tops or a soft curve; and the products of two signals in it.

A stage that clips flat makes harmonics that hardly fall from one order to the next while it clips little;
one that bends softly makes each next pair weaker by as much as the first is below the tone (a power series).
The Fourier series of a clipped sine and of tanh of a sine are the two yardsticks.

Two signals of amplitudes a and b give third-order products at 2 f1 - f2 and 2 f2 - f1, of amplitudes
(3/4) k a^2 b and (3/4) k a b^2: 3 dB for each dB of both. They keep the phase 2 phi1 - phi2, so each frame's
amplitude there times the conjugate of that adds up, keyed or drifting, and chance lines do not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.results import OtherSignal
from sigcheck.measure.track import Real

Tops = Literal["flat", "soft"]
Amplitudes = NDArray[np.complex128]

_CLEARLY_DB = 6.0  # by which the two kinds must differ in what they predict
_SEEN = 3.0  # standard deviations
_LEAST_DBC = -40.0  # of another signal: a weaker one makes no product that is heard
_LONGEST_SERIES = 512


def products(tone_hz: float, other_hz: float, order: int) -> Iterator[tuple[int, int, float]]:
    """All (n, k, |n f + k g| in Hz) with k of 1 or more, up to an order: the other signal (0, 1) and its products.

    Those with n + k = 1 lie beside the tone, steps of the two signals' distance away from it.
    """
    for k in range(1, order + 1):
        for n in range(k - order, order - k + 1):
            yield n, k, abs(n * tone_hz + k * other_hz)


@dataclass(frozen=True)
class Intermodulation:
    """The stronger third-order product of the tone and another signal; ``dbc`` None with the reason."""

    dbc: float | None
    dbc_sigma: float | None
    hz: float | None
    floor_dbc: float | None
    reason: str


def intermodulation(
    amplitude: Callable[[Real], Amplitudes],
    noise: Callable[[Real], float],
    tone_hz: Real,
    others: Sequence[OtherSignal],
    *,
    apart_hz: float,
    top_hz: float,
) -> Intermodulation:
    """Third-order products of the tone and the strongest other signal.

    ``amplitude``: complex amplitudes (frames,) of lines at ``hz`` (frames,); ``noise``: their variance there;
    ``apart_hz``: how near two lines may be; ``top_hz``: how high the audio reaches.
    """
    strong = [o for o in others if o.level_dbc > _LEAST_DBC]
    if not strong:
        return Intermodulation(None, None, None, None, "no second signal is strong enough to make products")
    other = max(strong, key=lambda o: o.level_dbc)
    other_hz = np.full(tone_hz.size, other.frequency_hz)
    if np.abs(tone_hz - other_hz).min() < 2 * apart_hz:
        return Intermodulation(None, None, None, None, "the other signal is too near to tell products from the two")
    own, second = amplitude(tone_hz), amplitude(other_hz)
    strength = float(np.quantile(np.abs(second) ** 2, 0.9))  # while it is keyed down
    carrier = float(np.mean(np.abs(own) ** 2))
    best: tuple[float, float, float] | None = None
    floor = np.inf
    for at, driver, size in (
        (2 * tone_hz - other_hz, own**2 * second.conj(), carrier**2 * strength),
        (2 * other_hz - tone_hz, second**2 * own.conj(), strength**2 * carrier),
    ):
        if at.min() < apart_hz or at.max() > top_hz - apart_hz or _taken(at, tone_hz, others, apart_hz):
            continue
        energy = float(np.sum(np.abs(driver) ** 2))
        gain = complex(np.sum(amplitude(at) * driver.conj())) / energy
        variance = max(noise(at), 1e-13 * carrier) / energy  # rounding at the least
        power, sigma = (abs(gain) ** 2 - variance) * size / carrier, np.sqrt(2 * variance) * abs(gain) * size / carrier
        floor = min(floor, _SEEN**2 * variance * size / carrier)
        if abs(gain) ** 2 > _SEEN**2 * 2 * variance and (best is None or power > best[0]):
            best = power, float(sigma), float(at.mean())
    if not np.isfinite(floor):
        return Intermodulation(None, None, None, None, "the products fall upon other lines or beyond the audio")
    if best is None:
        return Intermodulation(None, None, None, _db(floor), "no product of the two signals stands out of the noise")
    power, sigma, hz = best
    return Intermodulation(_db(power), 4.343 * sigma / power, hz, _db(floor), "")


def _taken(at: Real, tone_hz: Real, others: Sequence[OtherSignal], apart_hz: float) -> bool:
    """Whether a harmonic of the tone or a further signal lies there."""
    lines = [n * tone_hz for n in range(1, 6)] + [np.full(at.size, o.frequency_hz) for o in others]
    return any(bool(np.abs(at - line).min() < apart_hz) for line in lines)


def tops(
    orders: Sequence[int], powers: Sequence[float], sigmas: Sequence[float], after: Sequence[bool]
) -> tuple[Tops | None, str]:
    """Whether harmonics are those of flat tops or of a soft curve, or None with the reason.

    ``powers``, ``sigmas`` relative to the tone; ``after``: which harmonics lie beyond the passband.
    """
    level = {n: (p, s, a) for n, p, s, a in zip(orders, powers, sigmas, after, strict=True)}
    first = max((n for n in (2, 3) if n in level), key=lambda n: level[n][0], default=0)
    if not first or level[first][0] < _SEEN * level[first][1]:
        return None, "no harmonic stands out of the noise to show the curve by"
    following = [level[n] for n in (first + 2, first + 4) if n in level]
    if not following:
        return None, "the next harmonics lie beyond the recording"
    leading_db = _db(level[first][0])
    flat_db, soft_db = (float(np.interp(leading_db, *_series(kind, first))) for kind in ("flat", "soft"))
    if flat_db - soft_db < _CLEARLY_DB:
        return None, "so strongly driven a stage looks alike, flat or soft"
    middle = 10 ** ((leading_db + 0.5 * (flat_db + soft_db)) / 10)
    strongest = max(p for p, _, _ in following)
    surely = max(p + 2 * s for p, s, _ in following)
    if strongest > middle and strongest > _SEEN * min(s for p, s, _ in following if p == strongest):
        return "flat", ""
    if any(a for _, _, a in following) and not level[first][2]:
        return None, "the next harmonics lie beyond the passband, which may have taken them away"
    if surely > middle:
        return None, "noise hides the next harmonics"
    return "soft", ""


@cache
def _series(kind: Tops, first: int) -> tuple[Real, Real]:
    """(level of the first harmonic over the tone, the stronger of the next two over it), rising, in dB.

    Both sides bent alike for the third harmonic, one side alone for the second.
    """
    angle = 2 * np.pi * (np.arange(_LONGEST_SERIES) + 0.5) / _LONGEST_SERIES
    wave = np.cos(angle)
    rows = []
    for drive in np.geomspace(0.02, 8.0, 120):
        if kind == "flat":
            limit = 1.0 / (1.0 + drive)
            bent = np.minimum(wave, limit) if first == 2 else np.clip(wave, -limit, limit)
        else:
            bent = np.tanh(drive * wave + (0.5 if first == 2 else 0.0))
        size = np.abs(np.fft.rfft(bent))
        lead, following = size[first] / size[1], max(size[first + 2], size[first + 4]) / size[first]
        rows.append((20 * np.log10(max(lead, 1e-9)), 20 * np.log10(max(following, 1e-9))))
    rows = rows[: 1 + int(np.argmax([lead for lead, _ in rows]))]
    rows.sort()
    lead, following = np.array(rows).T
    return lead, following


def _db(power: float) -> float:
    return float(10 * np.log10(max(power, 1e-20)))
