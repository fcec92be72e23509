"""Allan-type deviations against the published test sets and a reference library.

NIST SP 1065 (W. J. Riley, Handbook of Frequency Stability Analysis), the NBS 14-point set of 9
frequencies and the 1000-point set, pp. 107-108, as the regression tests of allantools quote them.
Tolerance 1e-6 relative: the printed figures have seven digits.
"""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.stability import Real, adev, hdev, mdev, oadev

SMALL = np.array([892.0, 809, 823, 798, 671, 644, 883, 903, 677])
SMALL_PUBLISHED = {
    "adev": (91.22945, 115.8082),
    "oadev": (91.22945, 85.95287),
    "mdev": (91.22945, 74.78849),
    "hdev": (70.80608, 116.7980),
    "ohdev": (70.80607, 85.61487),
}
LARGE_PUBLISHED = {  # tau = 1, 10, 100
    "adev": (2.922319e-01, 9.965736e-02, 3.897804e-02),
    "oadev": (2.922319e-01, 9.159953e-02, 3.241343e-02),
    "mdev": (2.922319e-01, 6.172376e-02, 2.170921e-02),
    "hdev": (2.943883e-01, 1.052754e-01, 3.910860e-02),
    "ohdev": (2.943883e-01, 9.581083e-02, 3.237638e-02),
}


def phase(frequency: Real) -> Real:
    return np.concatenate([[0.0], np.cumsum(frequency)])


def value(kind: str, x: Real, m: int) -> float:
    by_name = {
        "adev": lambda: adev(x, 1.0, m),
        "oadev": lambda: oadev(x, 1.0, m),
        "mdev": lambda: mdev(x, 1.0, m),
        "hdev": lambda: hdev(x, 1.0, m, overlapping=False),
        "ohdev": lambda: hdev(x, 1.0, m),
    }
    found = by_name[kind]()
    assert found is not None
    return found.value


def large_set() -> Real:
    n = [1234567890]
    while len(n) < 1000:
        n.append(16807 * n[-1] % 2147483647)
    assert n[1:5] == [395529916, 1209410747, 633705974, 1324899545]  # the published first steps and one more
    return np.array(n) / 2147483647.0


@pytest.mark.parametrize("kind", SMALL_PUBLISHED)
def test_small_published_set(kind: str) -> None:
    for m, published in zip((1, 2), SMALL_PUBLISHED[kind], strict=True):
        assert value(kind, phase(SMALL), m) == pytest.approx(published, rel=1e-6, abs=0)


@pytest.mark.parametrize("kind", LARGE_PUBLISHED)
def test_large_published_set(kind: str) -> None:
    x = phase(large_set())
    for m, published in zip((1, 10, 100), LARGE_PUBLISHED[kind], strict=True):
        assert value(kind, x, m) == pytest.approx(published, rel=1e-6, abs=0)


@pytest.mark.parametrize("kind", SMALL_PUBLISHED)
def test_reference_library_on_random_data(kind: str) -> None:
    allantools = pytest.importorskip("allantools")
    x = phase(np.random.default_rng(1).standard_normal(500))
    for m in (1, 3, 20):
        reference = getattr(allantools, kind)(x, rate=1.0, data_type="phase", taus=[m])[1][0]
        assert value(kind, x, m) == pytest.approx(reference, rel=1e-9, abs=0)


def test_linear_drift_gives_d_tau_over_root_two() -> None:
    """ADEV = OADEV = D tau / sqrt 2, HDEV = 0 (formula from memory, not looked up)."""
    t = np.arange(1000.0)
    x = 0.5 * 0.01 * t**2
    for m in (1, 10, 100):
        assert value("oadev", x, m) == pytest.approx(0.01 * m / np.sqrt(2), rel=1e-6)
        assert value("ohdev", x, m) < 1e-9
