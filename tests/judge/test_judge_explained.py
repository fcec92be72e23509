"""Which lines belong to something that has its own name. The tone of `clean` is at 700 Hz."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sigcheck.judge.explained import explained, of_gain_control, rounding_lines_dbc, rounding_noise_dbc
from sigcheck.judge.rules_tone import other_lines
from sigcheck.judge.symptoms import find
from sigcheck.measure.results import Measurements
from tests.judge.judge_cases import Harmonic, OtherSignal, clean, line


def distorted(**changes: dict[str, object]) -> Measurements:
    harmonics = (
        Harmonic(order=2, dbc=-35.0, dbc_sigma=0.2, after_filter=False),
        Harmonic(order=3, dbc=-20.0, dbc_sigma=0.2, after_filter=True),
    )
    other = OtherSignal(frequency_hz=950.0, level_dbc=-6.0, keyed=False, dips_with_ours=False, same_lines=None)
    m = clean(purity={"harmonics": harmonics}, lines={"others": (other,), "mains_hz": 50.0}, **changes)
    return replace(m, sample_rate_hz=8000.0)


@pytest.mark.parametrize(
    ("hz", "dbc", "what"),
    [
        (1420.0, -40.0, "keying beside the second harmonic"),
        (2050.0, -30.0, "50 Hz below the third"),
        (1550.0, -25.0, "150 Hz above the second, which a symmetric limiter cancels"),
        (450.0, -22.0, "2 f - g"),
        (1200.0, -22.0, "2 g - f"),
        (250.0, -24.0, "g - f"),
        (1100.0, -40.0, "order 13 at 9100 Hz, less 8000 Hz: it falls by 13 dB or more from the third"),
    ],
)
def test_lines_of_a_distorted_chain(hz: float, dbc: float, what: str) -> None:
    assert explained(distorted(), hz, dbc), what


@pytest.mark.parametrize(("hz", "dbc"), [(817.3, -45.0), (450.0, -10.0), (1550.0, -10.0), (2337.0, -40.0)])
def test_what_lies_elsewhere_or_is_too_strong_is_a_line_of_its_own(hz: float, dbc: float) -> None:
    assert not explained(distorted(), hz, dbc)


def test_a_clean_chain_makes_no_products() -> None:
    m = distorted()
    undistorted = replace(m, purity=replace(m.purity, harmonics=()))
    assert not any(explained(undistorted, hz, -40.0) for hz in (450.0, 1200.0, 1100.0))


def test_a_chirp_spreads_a_harmonic_so_that_it_is_read_low() -> None:
    m = clean(purity={"harmonics": (Harmonic(order=2, dbc=-42.0, dbc_sigma=0.2, after_filter=False),)})
    assert not explained(m, 1385.0, -36.0)
    assert explained(replace(m, keying=replace(m.keying, chirp_hz=43.0)), 1385.0, -36.0)


def coarse(amplitude_steps: float, *, snr_dbhz: float = 90.0) -> Measurements:
    """A tone of so many of 8 bits' steps in a passband of 2400 Hz."""
    level_dbfs = 20 * float(np.log10(amplitude_steps * 2.0**-7))
    return clean(health={"bits_used": 8}, signal={"level_dbfs": level_dbfs, "cn0_dbhz": snr_dbhz})


@pytest.mark.parametrize("steps", [3.3, 7.1, 12.2, 17.7, 23.8, 60.4])
def test_what_rounding_makes_of_a_sine_lies_below_its_bounds(steps: float) -> None:
    """Its spectrum, computed over one period: the strongest harmonic, and all of the error together."""
    angle = 2 * np.pi * (np.arange(1 << 14) + 0.5) / (1 << 14)
    error = np.round(steps * np.cos(angle)) - steps * np.cos(angle)
    strongest = 2 * np.abs(np.fft.rfft(error))[2:].max() / angle.size / steps
    m = coarse(steps)
    bound = rounding_lines_dbc(m)
    assert bound - 25.0 < 20 * np.log10(strongest) < bound  # a harmonic falls and rises with the amplitude
    assert 10 * np.log10(np.mean(error**2) / (steps**2 / 2)) < rounding_noise_dbc(m)
    assert explained(m, 1234.5, bound - 0.5) and not explained(m, 1234.5, bound + 0.5)


def test_noise_of_half_a_step_blurs_the_steps() -> None:
    """20 steps and 0.5 of noise: 10 log10(20^2 / 2 / 0.25) = 29 dB in 2400 Hz, 62.8 dBHz."""
    assert rounding_lines_dbc(coarse(20.0, snr_dbhz=62.0)) == -np.inf
    assert rounding_lines_dbc(coarse(20.0, snr_dbhz=63.5)) > -50.0
    assert rounding_lines_dbc(clean()) < -80.0  # 16 bits


def test_another_stations_keying_pumps_the_gain() -> None:
    other = OtherSignal(frequency_hz=950.0, level_dbc=-12.0, keyed=True, dips_with_ours=None, same_lines=None)
    m = clean(lines={"others": (other,)})
    assert of_gain_control(m, 7.4, -40.0, "amplitude")
    assert not of_gain_control(m, 7.4, -40.0, "angle")  # a gain has no phase to speak of
    assert not of_gain_control(m, 80.0, -40.0, "amplitude")
    assert not of_gain_control(clean(), 7.4, -40.0, "amplitude")


def test_our_own_keying_works_the_gain_on_hum_too() -> None:
    """16 WPM: nothing that the keying drives is faster than 13.3 Hz."""
    hum = line(50.0, -14.0, family="mains")
    m = clean(lines={"sidebands": (hum, line(hum.offset_hz + 6.7, -48.0))}, bursts={"gain_recovery_db": 10.0})
    assert other_lines(m) == []
    strong = replace(m, lines=replace(m.lines, sidebands=(hum, line(hum.offset_hz + 6.7, -30.0))))
    assert len(other_lines(strong)) == 1
    still = replace(m, bursts=replace(m.bursts, gain_recovery_db=0.5))
    assert len(other_lines(still)) == 1


def test_a_voice_hides_a_note_but_no_pair_of_like_sides() -> None:
    m = clean(purity={"voice_dbc": -30.0})
    assert explained(m, 850.0, -40.0)
    assert not explained(m, 850.0, -40.0, pair=True)
    assert not explained(m, 850.0, -20.0)


def test_a_strong_line_that_may_be_the_gain_controls_is_not_denied() -> None:
    """It may as well be the transmitter's: the result says what to do to find out."""
    m = clean(lines={"sidebands": (line(7.4, -38.0),)}, bursts={"gain_recovery_db": 10.0})
    found, unseen = find(m)
    assert not any(s.id == "spur-lines" for s in found)
    assert "switch it off" in str(unseen["symptoms.spur-lines"])
