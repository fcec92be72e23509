"""Frequency stability: Allan-type deviations of phase data (IEEE Std 1139, NIST SP 1065).

All take phase samples ``x`` (n,) at spacing ``tau0_s`` and an averaging factor m, and return the
deviation at tau = m tau0 with the number of second (third) differences behind it. In units of
x per second: phase in cycles gives hertz.

Missing samples are NaN. A difference that needs one is left out, nothing is filled in: what is
left is the deviation of the time that was observed, on fewer differences.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sigcheck.measure.track import Real


@dataclass(frozen=True)
class Deviation:
    """A deviation at one averaging time, the number of differences it rests on and of those possible."""

    tau_s: float
    value: float
    count: int
    possible: int


def _from_differences(d: Real, scale: float, tau: float) -> Deviation | None:
    seen = d[np.isfinite(d)]
    if seen.size < 1:
        return None
    return Deviation(tau, float(np.sqrt(np.mean(seen**2) / scale)), int(seen.size), int(d.size))


def adev(x: Real, tau0_s: float, m: int) -> Deviation | None:
    """Allan deviation, differences that do not overlap; None where the record is too short."""
    return _allan(x, tau0_s, m, stride=m)


def oadev(x: Real, tau0_s: float, m: int) -> Deviation | None:
    """Overlapping Allan deviation; None where the record is too short."""
    return _allan(x, tau0_s, m, stride=1)


def _allan(x: Real, tau0_s: float, m: int, *, stride: int) -> Deviation | None:
    if m < 1 or x.size < 2 * m + 1:
        return None
    d = (x[2 * m :] - 2 * x[m:-m] + x[: -2 * m])[::stride]
    return _from_differences(d, 2 * (m * tau0_s) ** 2, m * tau0_s)


def mdev(x: Real, tau0_s: float, m: int) -> Deviation | None:
    """Modified Allan deviation: the second difference averaged over m neighbours first."""
    if m < 1 or x.size < 3 * m:
        return None
    known = np.isfinite(x)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, x, 0.0))])
    holes = np.concatenate([[0], np.cumsum(~known)])
    mean = np.where(holes[m:] == holes[:-m], (total[m:] - total[:-m]) / m, np.nan)
    d = mean[2 * m :] - 2 * mean[m:-m] + mean[: -2 * m]
    return _from_differences(d, 2 * (m * tau0_s) ** 2, m * tau0_s)


def hdev(x: Real, tau0_s: float, m: int, *, overlapping: bool = True) -> Deviation | None:
    """Hadamard deviation (third differences: blind to linear drift), overlapping or not."""
    if m < 1 or x.size < 3 * m + 1:
        return None
    d = x[3 * m :] - 3 * x[2 * m : -m] + 3 * x[m : -2 * m] - x[: -3 * m]
    return _from_differences(d[:: 1 if overlapping else m], 6 * (m * tau0_s) ** 2, m * tau0_s)


def noise_exponent(x: Real, m: int) -> int:
    """Exponent alpha of the power-law frequency noise S_y ~ f^alpha at averaging factor m.

    2 white phase, 1 flicker phase, 0 white frequency, -1 flicker frequency, -2 random-walk
    frequency. From the lag-1 autocorrelation of the phase taken every m samples, differenced until
    it is stationary (NIST SP 1065, power-law noise identification; from memory, not looked up).
    Taken as white frequency noise where fewer than a dozen samples are left.
    """
    z = x[::m]
    z = z[np.isfinite(z)]
    if z.size < 12:
        return 0
    slope, at0 = np.polyfit(np.arange(z.size), z, 1)
    z = z - slope * np.arange(z.size) - at0
    for order in range(3):
        z = z - z.mean()
        power = float(z @ z)
        r1 = float(z[:-1] @ z[1:]) / power if power > 0 else 0.0
        delta = r1 / (1 + r1)
        if delta < 0.25 or order == 2:
            break
        z = np.diff(z)
    return int(np.clip(2 - round(2 * delta) - 2 * order, -2, 2))


def equivalent_freedom(n: int, m: int, alpha: int = 0) -> float:
    """Equivalent degrees of freedom of the overlapping Allan deviation of n phase points.

    For each power law by the simple formulas of NIST SP 1065, section 5.4 (after Howe, Allan and
    Barnes 1981; from memory, checked against a reference library).
    """
    if alpha >= 2:
        freedom = (n + 1) * (n - 2 * m) / (2 * (n - m))
    elif alpha == 1:
        a, b = np.log((n - 1) / (2 * m)), np.log((2 * m + 1) * (n - 1) / 4)
        freedom = float(np.exp(np.sqrt(max(a * b, 0.0))))
    elif alpha == 0:
        freedom = (3 * (n - 1) / (2 * m) - 2 * (n - 2) / n) * 4 * m**2 / (4 * m**2 + 5)
    elif alpha == -1:
        freedom = 2 * (n - 2) ** 2 / (2.3 * n - 4.9) if m == 1 else 5 * n**2 / (4 * m * (n + 3 * m))
    else:
        freedom = (n - 2) / m * ((n - 1) ** 2 - 3 * m * (n - 1) + 4 * m**2) / (n - 3) ** 2
    return max(1.0, float(freedom))


def interval(d: Deviation, freedom: float, probability: float = 0.6827) -> tuple[float, float]:
    """Interval that holds the true deviation with ``probability``, by chi-squared with ``freedom`` degrees."""
    from scipy import special

    tail = 0.5 * (1 - probability)
    low, high = 2 * special.gammaincinv(freedom / 2, [tail, 1 - tail])
    return float(d.value * np.sqrt(freedom / high)), float(d.value * np.sqrt(freedom / low))
