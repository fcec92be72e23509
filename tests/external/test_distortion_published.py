"""Distortion and SINAD against closed forms and published values."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from .arrays import Array, diagnosed, times

RATE = 48_000


def cycle(shape: Any, tone_hz: float, orders: int, seconds: float = 6.0) -> Array:
    """A distorted tone summed from its own harmonics, so that nothing folds back."""
    points = 1 << 14
    lines = np.fft.rfft(shape(np.sin(2 * np.pi * np.arange(points) / points))) * 2 / points
    t = times(seconds, RATE)
    turn = 2 * np.pi * tone_hz * t
    return np.sum(
        [abs(c) * np.cos(k * turn + np.angle(c)) for k, c in enumerate(lines[: orders + 1]) if k], axis=0
    )


def harmonics(result: dict[str, Any]) -> dict[int, float]:
    """Level of each harmonic in dBc."""
    return {h["order"]: h["dbc"] for h in result["purity"]["harmonics"]}


# Ideal N-bit quantisation, full-scale sine of amplitude 2^(N-1) - 1 steps, 48 kHz: the four-parameter
# fit's residual over four phases (IEEE Std 1057/1241 procedure, run independently); the formula
# 6.0206 N + 1.7609 dB (signal-to-quantisation-noise ratio of a full-scale sine) lies within 0.15 dB of it.
QUANTISED = {8: 49.953, 10: 61.996, 12: 74.028, 14: 86.061, 16: 98.10}


@pytest.mark.parametrize("bits", QUANTISED)
@pytest.mark.parametrize("tone_hz", [997.0, 1234.5678])
def test_sinad_of_an_ideally_quantised_sine(bits: int, tone_hz: float) -> None:
    steps = 2 ** (bits - 1)
    x = np.round((steps - 1) * np.sin(2 * np.pi * tone_hz * times(4.0, RATE) + 0.1)) / steps
    # 0.15 dB: the spread of the fit's own result over phases and frequencies from 8 bits up
    assert diagnosed(x, RATE)["purity"]["sinad_db"] == pytest.approx(QUANTISED[bits], abs=0.15)


# Symmetric clipping of a unit sine at level c (odd harmonics only), Fourier series in closed form:
# b1 = (2/pi)(a + sin a cos a), bn = (2/(pi n))(sin((n-1)a)/(n-1) + sin((n+1)a)/(n+1)), c = sin a.
# columns: c, H3, H5, H7, H9 in dBc, THD in %
CLIPPED = [
    (0.99, -58.56, -58.84, -59.26, -59.84, 0.2862),
    (0.95, -38.10, -39.58, -41.94, -45.49, 1.9240),
    (0.90, -29.67, -32.81, -38.45, -50.27, 4.2199),
    (0.80, -21.74, -29.19, -68.98, -39.88, 8.9786),
    (0.7071067811865476, -17.74, -31.72, -34.65, -41.27, 13.4196),
    (0.50, -12.91, -26.88, -35.83, -32.91, 23.2938),
]


@pytest.mark.parametrize("row", CLIPPED, ids=lambda r: f"{r[0]:.2f}")
def test_symmetric_clipping(row: tuple[float, ...]) -> None:
    level, *expected, thd = row
    # 500 Hz: the harmonics up to the 41st lie below 0.45 of the rate; what is above, falling as 1/n^2, holds
    # less than 0.1 % of the distortion's power
    result = diagnosed(0.8 * cycle(lambda s: np.clip(s, -level, level), 500.0, 41), RATE)
    found = harmonics(result)
    for order, dbc in zip((3, 5, 7, 9), expected, strict=True):
        # 0.05 dB above -90 dBc: leakage of the estimator and the rounding of the table
        assert found[order] == pytest.approx(dbc, abs=0.05), order
    assert result["purity"]["thd_db"] == pytest.approx(20 * np.log10(thd / 100), abs=0.05)


# The same, tops only: H2..H5 in dBc and THD in % (closed form, Fourier series).
ONE_SIDED = [
    (0.9, -34.94, -35.85, -37.19, -39.00, 3.2105),
    (0.8, -26.31, -28.25, -31.22, -35.70, 7.0552),
    (0.5, -15.32, -21.34, -35.32, -35.32, 19.4648),
]


@pytest.mark.parametrize("row", ONE_SIDED, ids=lambda r: f"{r[0]:.1f}")
def test_clipping_of_the_tops_alone(row: tuple[float, ...]) -> None:
    level, *expected, thd = row
    result = diagnosed(0.7 * cycle(lambda s: np.minimum(s, level), 500.0, 41), RATE)
    found = harmonics(result)
    for order, dbc in zip((2, 3, 4, 5), expected, strict=True):
        assert found[order] == pytest.approx(dbc, abs=0.05), order
    assert result["purity"]["thd_db"] == pytest.approx(20 * np.log10(thd / 100), abs=0.05)


def test_square_wave() -> None:
    # THD of a square wave sqrt(pi^2/8 - 1) = 48.3426 % (closed form after Blagouchine & Moreau, IEEE Trans.
    # Commun. 59(9), 2011); of its harmonics up to the 39th sqrt(sum 1/n^2, n = 3, 5 .. 39) = 47.04 %.
    partial = np.sqrt(np.sum(1.0 / np.arange(3, 41, 2) ** 2))
    x = np.sum([np.sin(2 * np.pi * 500 * n * times(6.0, RATE)) / n for n in range(1, 41, 2)], axis=0)
    found = diagnosed(0.5 * x, RATE)["purity"]["thd_db"]
    assert found == pytest.approx(20 * np.log10(partial), abs=0.05)
    assert found == pytest.approx(-6.313, abs=0.05 + 20 * np.log10(0.483426 / partial))


# y = x + a2 x^2 + a3 x^3 at amplitude A: H2 = a2 A/2 and H3 = a3 A^2/4 of the fundamental, first order.
@pytest.mark.parametrize("a2", [0.001, 0.01])
@pytest.mark.parametrize("a3", [0.001, 0.02])
def test_polynomial(a2: float, a3: float) -> None:
    amplitude = 0.5
    s = amplitude * np.sin(2 * np.pi * 1013.0 * times(6.0, RATE))
    found = harmonics(diagnosed(s + a2 * s**2 + a3 * s**3, RATE))
    assert found[2] == pytest.approx(20 * np.log10(a2 * amplitude / 2), abs=0.05)
    # the fundamental grows by 3/4 a3 A^2, under 0.04 dB here
    assert found[3] == pytest.approx(20 * np.log10(a3 * amplitude**2 / 4), abs=0.08)
