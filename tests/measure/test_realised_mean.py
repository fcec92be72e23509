"""Oscillator noise over blocks of key-down, and the mean frequency of a tone that wanders."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.course.noise_kernels import Wandering, about_the_middle, covariance, from_the_first, over_blocks
from sigcheck.measure.course.oscillator_noise import mixed
from sigcheck.measure.course.phase_record import Record
from sigcheck.measure.course.realised_mean import realised_mean

STEP_S = 0.005
SIGMA = 1e-3  # cycles
BLOCK_S = 0.5


def record(phase: np.ndarray, *, key_down_s: float, rng: np.random.Generator) -> Record:
    """Blocks of ``phase`` (n,) in cycles every ``STEP_S``: key-down at the beginning of each half second."""
    rows = phase.reshape(-1, round(BLOCK_S / STEP_S))[:, : round(key_down_s / STEP_S)]
    m = rows.shape[0]
    first = BLOCK_S * np.arange(m)
    t = first + 0.5 * key_down_s
    return Record(
        is_phase=True, base_hz=700.0, t=t, y=rows.mean(axis=1) + SIGMA * rng.standard_normal(m),
        var=np.full(m, SIGMA**2), seconds=np.full(m, key_down_s), spread=np.full(m, key_down_s**2 / 12),
        first=first, last=first + key_down_s, group=np.zeros(m, np.intp), middle_s=float(t.mean()), start_s=0.0,
        runs=np.column_stack([first, first + key_down_s]),
    )  # fmt: skip


def wandering(kind: Wandering, rng: np.random.Generator, n: int, power: float) -> np.ndarray:
    """Frequency (n,) of noise of the kind, ``power`` in units of the table of kernels."""
    white = rng.standard_normal(n)
    if kind == "flicker-fm":
        # Of S = h / f (one-sided, Hz^2 per hertz) the phase has the kernel (h / 2) d^2 ln d: the second derivative of
        # the integral of h / f cos(2 pi f d) has the same logarithm. From white noise of density 2 STEP_S.
        f = np.fft.rfftfreq(4 * n, STEP_S)
        f[0] = np.inf
        spectrum = np.fft.rfft(rng.standard_normal(4 * n)) * np.sqrt(2 * power / (2 * STEP_S * f))
        return np.asarray(np.fft.irfft(spectrum)[:n])
    walk = np.cumsum(white) * np.sqrt(power * STEP_S)
    return walk if kind == "random-walk-fm" else np.cumsum(walk) * STEP_S


@pytest.mark.parametrize("kind", ["white-fm", "random-walk-fm", "flicker-fm"])
def test_means_of_blocks_differ_as_fine_sums_say(kind: Wandering) -> None:
    """Second differences of neighbouring blocks' means, against a fine sum over all pairs of places."""
    rng = np.random.default_rng(1)
    r = record(np.zeros(2000), key_down_s=0.5, rng=rng)
    places = (np.arange(600) + 0.5) / 200 * BLOCK_S / r.span_s  # three blocks, 200 places in each
    weight = np.repeat([1.0, -2.0, 1.0], 200) / 200
    fine = weight @ covariance(kind, places[:, None] - places[None, :]) @ weight
    over = over_blocks(kind, r)[:3, :3]
    assert np.array([1, -2, 1]) @ over @ np.array([1, -2, 1]) == pytest.approx(fine, rel=0.02)
    if kind != "flicker-fm":  # begun at nought or not, differences are the same
        anchored = from_the_first(kind, r)[:3, :3]
        assert np.array([1, -2, 1]) @ anchored @ np.array([1, -2, 1]) == pytest.approx(fine, rel=0.02)
    # the mean over one block about its middle
    at = np.concatenate([[0.0], (np.arange(400) + 0.5) / 400 - 0.5]) * BLOCK_S / r.span_s
    weight = np.concatenate([[-1.0], np.full(400, 1 / 400)])
    fine = weight @ covariance(kind, at[:, None] - at[None, :]) @ weight
    assert about_the_middle(kind, r)[0] == pytest.approx(fine, rel=0.02)


@pytest.mark.parametrize("key_down_s", [0.5, 0.3])
@pytest.mark.parametrize(("kind", "power"), [("flicker-fm", 1e-4), ("random-walk-fm", 1e-3), ("smooth-fm", 1e-4)])
def test_the_realised_mean_is_known_as_well_as_it_says(kind: Wandering, power: float, key_down_s: float) -> None:
    rng = np.random.default_rng(7)
    n = round(50.0 / STEP_S)
    z, size, sigma = [], [], np.inf
    for _ in range(100):
        hz = wandering(kind, rng, n, power)
        phase = (np.cumsum(hz) - 0.5 * hz) * STEP_S
        r = record(phase, key_down_s=key_down_s, rng=rng)
        truth = hz.reshape(100, -1)[:, : round(key_down_s / STEP_S)].mean()
        # times are in units of the span, which has as many dimensions as the kernel says
        scaled = power * r.span_s ** {"flicker-fm": 2, "random-walk-fm": 3, "smooth-fm": 5}[kind]
        value, sigma = realised_mean(r, kind, scaled, 1.0)
        z.append((value - truth) / sigma)
        size.append(abs(truth))
    assert sigma < 0.1 * np.median(size)  # it is the mean of this very course
    # 100 values: their rms is known to 7 %
    assert np.sqrt(np.mean(np.square(z))) == pytest.approx(1.0, abs=0.22)


def test_one_sigma_for_several_normal_distributions() -> None:
    one = np.array([1.0])
    assert mixed(2 * one, 0.3 * one, one) == pytest.approx((2.0, 0.3), rel=1e-4)
    values, sigmas, weights = np.array([0.0, 0.5]), np.array([1.0, 6.0]), np.array([0.8, 0.2])
    value, sigma = mixed(values, sigmas, weights)
    assert value == pytest.approx(0.1)
    rng = np.random.default_rng(3)
    which = rng.choice(2, 200_000, p=weights)
    drawn = values[which] + sigmas[which] * rng.standard_normal(200_000)
    # 200 000 drawn know a share of 95 % to 0.05 %
    assert np.mean(np.abs(drawn - value) < 1.96 * sigma) == pytest.approx(0.95, abs=0.002)
