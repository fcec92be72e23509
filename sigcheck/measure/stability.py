"""Frequency stability: Allan-type deviations of phase data (IEEE Std 1139, NIST SP 1065).

All take phase samples ``x`` (n,) at spacing ``tau0_s`` and an averaging factor m, and return the
deviation at tau = m tau0 with the number of second (third) differences behind it. In units of
x per second: phase in cycles gives hertz.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]


@dataclass(frozen=True)
class Deviation:
    """A deviation at one averaging time and the number of differences it rests on."""

    tau_s: float
    value: float
    count: int


def _from_differences(d: Real, scale: float, tau: float) -> Deviation | None:
    if d.size < 1:
        return None
    return Deviation(tau_s=tau, value=float(np.sqrt(np.mean(d**2) / scale)), count=int(d.size))


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
    total = np.concatenate([[0.0], np.cumsum(x)])
    mean = (total[m:] - total[:-m]) / m
    d = mean[2 * m :] - 2 * mean[m:-m] + mean[: -2 * m]
    return _from_differences(d, 2 * (m * tau0_s) ** 2, m * tau0_s)


def hdev(x: Real, tau0_s: float, m: int, *, overlapping: bool = True) -> Deviation | None:
    """Hadamard deviation (third differences: blind to linear drift), overlapping or not."""
    if m < 1 or x.size < 3 * m + 1:
        return None
    d = x[3 * m :] - 3 * x[2 * m : -m] + 3 * x[m : -2 * m] - x[: -3 * m]
    return _from_differences(d[:: 1 if overlapping else m], 6 * (m * tau0_s) ** 2, m * tau0_s)


def equivalent_freedom(n: int, m: int) -> float:
    """Equivalent degrees of freedom of the overlapping Allan deviation for white frequency noise.

    n phase points; NIST SP 1065, section 5.4.1 (formula from memory, not looked up). White frequency
    noise lies between the kinds that oscillators show at these times; others differ by some tens of
    per cent.
    """
    return max(1.0, (3 * (n - 1) / (2 * m) - 2 * (n - 2) / n) * 4 * m**2 / (4 * m**2 + 5))


def interval(d: Deviation, freedom: float) -> tuple[float, float]:
    """68 % interval of a deviation by chi-squared with ``freedom`` degrees."""
    from scipy import stats

    low, high = stats.chi2.ppf([0.16, 0.84], freedom)
    return float(d.value * np.sqrt(freedom / high)), float(d.value * np.sqrt(freedom / low))
