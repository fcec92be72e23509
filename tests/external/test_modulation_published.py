"""Levels and nature of modulation lines, residual modulation of noise, rectifier ripple."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from .arrays import Array, diagnosed, noise, times

RATE = 16_000
TONE_HZ = 1000.0


def modulated(
    amplitude: Array | float, phase: Array | float, seconds: float = 12.0, cn0_dbhz: float = 100.0
) -> Array:
    """A tone with amplitude 1 + `amplitude` and the phase `phase`, over noise 66 dB down in 2500 Hz."""
    t = times(seconds, RATE)
    return 0.4 * (1 + amplitude) * np.cos(2 * np.pi * TONE_HZ * t + phase + 0.7) + noise(
        t.size, RATE, cn0_dbhz, 0.4, 3
    )


def line(result: dict[str, Any], offset_hz: float) -> dict[str, Any]:
    """The modulation line at an offset, and no other within a hertz of it."""
    near = [s for s in result["sidebands"] if abs(s["offset_hz"] - offset_hz) < 1.0]
    all_lines = [(round(s["offset_hz"], 2), round(s["level_dbc"], 1)) for s in result["sidebands"]]
    assert len(near) == 1, f"{offset_hz} Hz: {all_lines}"
    return near[0]


# m/2 and J1(b)/J0(b) in dB: amplitude modulation, any textbook; angle modulation, Abramowitz & Stegun,
# Handbook of Mathematical Functions, tables 9.1 and 9.2 (values computed and equal to them).
INDEX = {0.01: (-46.021, -46.020), 0.02: (-40.000, -40.000), 0.1: (-26.021, -26.010),
         0.2: (-20.000, -19.956), 0.5: (-12.041, -11.762)}  # fmt: skip


@pytest.mark.parametrize("index", INDEX)
@pytest.mark.parametrize("rate_hz", [100.0, 137.0])
def test_amplitude_modulation(index: float, rate_hz: float) -> None:
    result = diagnosed(modulated(index * np.cos(2 * np.pi * rate_hz * times(12, RATE)), 0.0), RATE)
    found = line(result, rate_hz)
    # 0.05 dB: the line stands 46 dB or more over the noise in its own resolution (sigma 0.02 dB)
    assert found["level_dbc"] == pytest.approx(INDEX[index][0], abs=0.05)
    assert found["am_index"] == pytest.approx(index, rel=0.006)
    assert found["nature"] == "amplitude"
    assert found["angle_share"] < 0.01
    assert result["purity"]["am_percent"] == pytest.approx(100 * index / np.sqrt(2), rel=0.01, abs=0.03)


@pytest.mark.parametrize("index", INDEX)
@pytest.mark.parametrize("rate_hz", [100.0, 137.0])
def test_angle_modulation(index: float, rate_hz: float) -> None:
    phase = index * np.sin(2 * np.pi * rate_hz * times(12, RATE))
    result = diagnosed(modulated(0.0, phase), RATE)
    found = line(result, rate_hz)
    assert found["level_dbc"] == pytest.approx(INDEX[index][1], abs=0.05)
    assert found["nature"] == "angle"
    # residual phase and frequency modulation of a sine: b/sqrt(2) rad, b fm/sqrt(2) Hz
    assert result["purity"]["pm_rad"] == pytest.approx(index / np.sqrt(2), rel=0.01, abs=3e-4)
    assert result["purity"]["fm_hz"] == pytest.approx(index * rate_hz / np.sqrt(2), rel=0.01, abs=0.05)
    # second pair J2(b)/J0(b): 1.2500e-5/0.99998, 4.9998e-5/0.99990, 1.2490e-3/0.99750, 4.9833e-3/0.99002,
    # 3.0604e-2/0.93847; the same modulation once more, so it may be left out of the list, but never stand
    # there with another level
    second = {0.01: -98.06, 0.02: -86.02, 0.1: -58.05, 0.2: -45.96, 0.5: -29.73}[index]
    if any(abs(s["offset_hz"] - 2 * rate_hz) < 1 for s in result["sidebands"]):
        assert line(result, 2 * rate_hz)["level_dbc"] == pytest.approx(second, abs=0.1)


def test_one_hertz_of_deviation_at_fifty_hertz() -> None:
    # index = peak deviation / rate = 0.02, so -40.00 dBc (definition of the modulation index)
    result = diagnosed(modulated(0.0, 0.02 * np.sin(2 * np.pi * 50 * times(12, RATE))), RATE)
    found = line(result, 50.0)
    assert found["level_dbc"] == pytest.approx(-40.0, abs=0.05)
    assert found["family"] == "mains"


def test_equal_amplitude_and_angle_in_phase_leave_one_side() -> None:
    # m = b = 0.1 in phase: one side vanishes, the other doubles, -19.99 dBc (sum of the two pairs)
    turn = 2 * np.pi * 100 * times(12, RATE)
    found = line(diagnosed(modulated(0.1 * np.cos(turn), 0.1 * np.sin(turn)), RATE), 100.0)
    assert found["nature"] == "single"
    assert found["level_dbc"] == pytest.approx(-19.99, abs=0.06)
    assert found["upper_dbc"] == pytest.approx(-19.99, abs=0.06)
    assert found["lower_dbc"] is None or found["lower_dbc"] < -50


def test_equal_amplitude_and_angle_in_quadrature_are_mixed() -> None:
    turn = 2 * np.pi * 100 * times(12, RATE)
    found = line(diagnosed(modulated(0.1 * np.cos(turn), 0.1 * np.cos(turn)), RATE), 100.0)
    assert found["nature"] == "mixed"
    assert found["level_dbc"] == pytest.approx(-23.01, abs=0.06)
    assert found["angle_share"] == pytest.approx(0.5, abs=0.01)


# Fourier series of rectified sines (full-wave 2fm, 4fm .. as 1/(4k^2 - 1); half-wave with fm itself).
FULL_WAVE = {100: 0.0, 200: -13.98, 300: -21.34, 400: -26.44}
HALF_WAVE = {50: 0.0, 100: -7.44, 200: -21.42, 300: -28.78}


@pytest.mark.parametrize(("waves", "series"), [("full", FULL_WAVE), ("half", HALF_WAVE)])
@pytest.mark.parametrize("mains_hz", [50.0, 49.93])
def test_rectified_mains_as_sidebands(waves: str, series: dict[int, float], mains_hz: float) -> None:
    turn = 2 * np.pi * mains_hz * times(12, RATE)
    wave = np.abs(np.sin(turn)) if waves == "full" else np.maximum(np.sin(turn), 0)
    strongest = {"full": 0.4244, "half": 0.5}[waves]
    result = diagnosed(modulated(0.2 / strongest * (wave - wave.mean()), 0.0), RATE)
    levels = {order: line(result, order / 50 * mains_hz)["level_dbc"] for order in series}
    for order, relative in series.items():
        # 0.1 dB: the weakest line is at -49 dBc, 45 dB over the noise in its resolution
        assert levels[order] == pytest.approx(-20.0 + relative, abs=0.1), order
    found = {round(s["offset_hz"] / mains_hz): s for s in result["sidebands"]}
    if waves == "full":
        assert 1 not in found or found[1]["level_dbc"] < -60
        assert found[2]["family"] == "twice-mains"
    else:
        assert found[1]["family"] == "mains"
        assert found[1]["level_dbc"] > max(s["level_dbc"] for n, s in found.items() if n > 1)
    assert result["purity"]["mains_hz"] is None or result["purity"]["mains_hz"] == pytest.approx(
        mains_hz, abs=0.05
    )
    assert result["lines"]["mains_hz"] == pytest.approx(mains_hz, abs=0.02)


# Additive white noise, rates f1..f2: rms phase = relative rms amplitude = sqrt((f2 - f1)/(C/N0)), rms
# frequency = sqrt((f2^3 - f1^3)/(3 C/N0)) Hz; for 5..300 Hz and 10, 20, 40 dB in 2500 Hz:
RESIDUAL = {10: (0.1086, 18.97), 20: (0.03435, 6.000), 40: (0.003435, 0.6000)}


@pytest.mark.parametrize("snr_db", RESIDUAL)
def test_residual_modulation_of_white_noise(snr_db: int) -> None:
    x = modulated(0.0, 0.0, 40.0, snr_db + 10 * np.log10(2500))
    found = diagnosed(x, RATE)["purity"]
    radians, hertz = RESIDUAL[snr_db]
    # 2 % and one more for chance: 2 * 295 Hz * 40 s = 23 600 values give 0.5 % (0.7 % for frequency);
    # at 10 dB the small-index formula itself is off by half the noise power, 0.6 %
    assert found["am_percent"] == pytest.approx(100 * radians, rel=0.03)
    assert found["pm_rad"] == pytest.approx(radians, rel=0.03)
    assert found["fm_hz"] == pytest.approx(hertz, rel=0.03)
    # nothing exceeds the additive noise: the excess is within three of its sigmas of nothing
    if found["pm_excess_rad"] is not None:
        assert found["pm_excess_rad"] <= 3 * found["pm_excess_rad_sigma"] + 0.1 * radians
    assert found["pm_excess_floor_rad"] is None or found["pm_excess_floor_rad"] < radians


@pytest.mark.parametrize("snr_db", [3.0, 20.0, 40.0])
def test_carrier_to_noise_density_and_the_2500_hertz_reference(snr_db: float) -> None:
    # SNR(2500 Hz) = C/N0 - 10 log10(2500) = C/N0 - 33.98 dB (definition; the reference is common practice)
    x = modulated(0.0, 0.0, 30.0, snr_db + 33.979)
    signal = diagnosed(x, RATE)["signal"]
    assert signal["cn0_dbhz"] - signal["snr_db"] == pytest.approx(33.979, abs=1e-3)
    # 0.3 dB: the noise density from 10^4 bins is good to 0.05 dB, the rest for the window and the median
    assert signal["snr_db"] == pytest.approx(snr_db, abs=0.3)
