"""Tone frequency and drift rate against their bounds, on audio from beginning to end."""

from __future__ import annotations

import pytest

from tests.benchmarks.bench_frequency import covered, rms, trials


@pytest.mark.parametrize(("keyed", "snr_db"), [(False, -28.0), (True, -8.0), (True, 20.0)])
def test_a_few_recordings(keyed: bool, snr_db: float) -> None:
    e = trials(keyed=keyed, snr_db=snr_db, count=10, seed=7)
    assert e.lost <= 1
    # 10 values: a perfect estimator's rms stays under 1.6 bounds in 99.9 of 100 (chi-squared, 10)
    assert rms(e.tone_over_bound) < 1.65
    assert rms(e.rate_over_bound) < 1.65
    assert rms(e.tone_over_sigma) < 1.65


@pytest.mark.slow
@pytest.mark.parametrize(("keyed", "snr_db"), [(False, -28.0), (False, 0.0), (True, -8.0), (True, 20.0)])
def test_many_recordings(keyed: bool, snr_db: float) -> None:
    """1.05 x the bound and an interval that covers 93 to 97 %, widened by what 300 trials leave open (3 sigma)."""
    e = trials(keyed=keyed, snr_db=snr_db, count=300)
    assert e.lost <= 3
    assert e.not_constant <= 4  # 0.4 % wanted: 5 or more in 300 have a chance of 0.8 %
    for ratio in (e.tone_over_bound, e.rate_over_bound):
        assert rms(ratio) < 1.05 * (1 + 3 * (2 * 300) ** -0.5)
    for z in (e.tone_over_sigma, e.rate_over_sigma):
        assert 0.93 - 3 * (0.95 * 0.05 / 300) ** 0.5 < covered(z) < 0.97 + 3 * (0.95 * 0.05 / 300) ** 0.5
