"""Tone frequency, drift rate and the other courses' sizes against their bounds and their stated sigmas."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.bench_frequency import COURSES, Covered, courses, covered, rms, trials


@pytest.mark.parametrize(("keyed", "snr_db"), [(False, -28.0), (True, -8.0), (True, -5.0), (True, 20.0)])
def test_a_few_recordings(keyed: bool, snr_db: float) -> None:
    e = trials(keyed=keyed, snr_db=snr_db, count=10, seed=7)
    assert e.lost <= 1
    # 10 values: a perfect estimator's rms stays under 1.6 bounds in 99.9 of 100 (chi-squared, 10)
    assert rms(e.tone_over_bound) < 1.65
    assert rms(e.rate_over_bound) < 1.65
    assert rms(e.tone_over_sigma) < 1.65


@pytest.mark.slow
@pytest.mark.parametrize(("keyed", "snr_db"), [(False, -28.0), (True, -8.0), (True, -4.0), (True, 20.0)])
def test_many_recordings(keyed: bool, snr_db: float) -> None:
    """1.05 x the bound and an interval that covers 93 to 97 %, widened by what 300 trials leave open (3 sigma)."""
    e = trials(keyed=keyed, snr_db=snr_db, count=300)
    assert e.lost <= 3
    assert e.not_constant <= 4  # 0.4 % wanted: 5 or more in 300 have a chance of 0.8 %
    for ratio in (e.tone_over_bound, e.rate_over_bound):
        assert rms(ratio) < 1.05 * (1 + 3 * (2 * 300) ** -0.5)
    for z in (e.tone_over_sigma, e.rate_over_sigma):
        assert 0.93 - 3 * (0.95 * 0.05 / 300) ** 0.5 < covered(z) < 0.97 + 3 * (0.95 * 0.05 / 300) ** 0.5


def _hold_true(e: Covered) -> None:
    for name, z in e.z.items():
        # a sigma that is true covers 95 %, of a few dozen values all but what three sigma of their number leave
        assert covered(np.array(z)) > 0.93 - 3 * (0.95 * 0.05 / len(z)) ** 0.5, name
        if name not in ("tone", "rate"):
            # a step in a gap of the keying may lie anywhere in it where the phase gains whole cycles meanwhile:
            # one in eight of these, by the gaps between words
            assert np.mean(e.close[name]) > (0.8 if name == "step time" else 0.95), name


@pytest.mark.parametrize("kind", ["warm-up", "steps", "cycle", "fast-cycle"])
@pytest.mark.parametrize("keyed", [False, True])
def test_a_few_courses(kind: str, keyed: bool) -> None:
    e = courses(kind, keyed=keyed, snr_db=20.0, count=4, seed=3)
    assert e.named == 4
    for name, z in e.z.items():
        # of 4 values the rms is above 2.15 once in a thousand; the tone of a bent course is less sure than it says
        assert rms(np.array(z)) < 3.0, name


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["warm-up", "steps", "cycle", "fast-cycle"])
def test_many_courses(kind: str) -> None:
    e = courses(kind, keyed=True, snr_db=20.0, count=60)
    assert e.named >= 58
    assert COURSES[kind] is not None
    _hold_true(e)
