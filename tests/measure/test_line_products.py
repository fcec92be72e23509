"""What belongs to the tone's harmonics is no line of its own, though keying spreads it."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Lines
from sigcheck.recording import from_samples
from tests.measure.plain_audio import Real, keyed, tone_and_noise

RATE = 8000.0


def lines(x: Real) -> Lines:
    return measure(from_samples(np.asarray(x, np.float32), RATE)).measurements.lines


@pytest.mark.parametrize("hz", [365.0, 515.1, 540.3])
@pytest.mark.parametrize("wpm", [13.9, 21.1])
def test_harmonics_leave_no_side_lobes(hz: float, wpm: float) -> None:
    """A square-law and cubic stage: the second and third harmonic 22 dB down, and a keyed direct current."""
    t = np.arange(round(20 * RATE)) / RATE
    rng = np.random.default_rng(61)
    envelope = keyed(t, wpm=wpm)
    x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=20, snr_db=40, hz=hz, envelope=envelope)
    turn = 2 * np.pi * hz * t
    bent = 0.2 * envelope * (0.08 * np.cos(2 * turn + 1) + 0.08 * np.cos(3 * turn + 2) + 0.05)
    found = lines(x + bent)
    assert [b for b in found.sidebands if b.level_dbc > -55] == []
    assert [s for s in found.spurs if s.level_dbc > -55] == []


@pytest.mark.parametrize("seed", [62, 63, 64])
def test_a_strong_line_far_over_the_noise_is_not_taken_for_its_own_remainder(seed: int) -> None:
    """What a fit leaves of a line 70 dB over the noise shows beside it, and is no second piece of it."""
    t = np.arange(round(20 * RATE)) / RATE
    rng = np.random.default_rng(seed)
    hz = rng.uniform(28, 31)
    drift = np.pi * rng.uniform(-0.5, 0.5) / 60 * t**2
    am = 0.17 * np.cos(2 * np.pi * hz * t) + 0.06 * np.cos(4 * np.pi * 60.1 * t + 1)
    x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=20, snr_db=45, hz=1016.4, envelope=1 + am, phase=drift)
    top = max(lines(x).sidebands, key=lambda b: b.level_dbc)
    assert top.offset_hz == pytest.approx(hz, abs=0.01)
    assert top.level_dbc == pytest.approx(20 * np.log10(0.085), abs=0.2)


@pytest.mark.parametrize("order", [2, 3, 4])
def test_a_lone_line_just_beside_the_keyings_rate_is_kept(order: int) -> None:
    """15 WPM by a machine: half the unit's rate is 6.25 Hz; in 20 s, 0.075 Hz about it and some more are blind."""
    t = np.arange(round(20 * RATE)) / RATE
    rate = 6.25 * order
    for hz, told in ((rate * 1.008 + 0.1, True), (rate, False)):
        envelope = keyed(t, wpm=15) * (1 + 0.04 * np.cos(2 * np.pi * hz * t + 1))
        x, _ = tone_and_noise(np.random.default_rng(65), rate_hz=RATE, seconds=20, snr_db=35, envelope=envelope)
        found = lines(x)
        near = [b for b in found.sidebands if abs(b.offset_hz - hz) < 0.05]
        blind = any(low < hz < high for low, high in found.blind_zones_hz)
        assert blind is not told
        if told:
            assert near and near[0].level_dbc == pytest.approx(20 * np.log10(0.02), abs=1.0)


def test_a_line_in_step_with_the_elements_says_how_unsure_it_is() -> None:
    """24 WPM: a unit lasts one period of 20 Hz, and all elements begin at one phase of 100 Hz."""
    t = np.arange(round(20 * RATE)) / RATE
    pm = 0.03 * np.cos(2 * np.pi * 100.0 * t + 0.7)
    x, _ = tone_and_noise(np.random.default_rng(66), rate_hz=RATE, seconds=20, snr_db=38,
                          envelope=keyed(t, wpm=24), phase=pm)  # fmt: skip
    line = next(b for b in lines(x).sidebands if abs(b.offset_hz - 100.0) < 0.1)
    assert line.level_dbc_sigma > 1.0
    assert line.level_dbc == pytest.approx(20 * np.log10(0.015), abs=3 * line.level_dbc_sigma)


@pytest.mark.parametrize("wpm", [19.0, 25.0])
def test_a_station_keyed_in_the_gaps_is_heard_and_is_no_line(wpm: float) -> None:
    """Long blocks smear it by both keyings; frames of a tenth of a second show it 30 dB over the noise."""
    t = np.arange(round(15 * RATE)) / RATE
    x, _ = tone_and_noise(np.random.default_rng(67), rate_hz=RATE, seconds=15, snr_db=38, hz=700.2,
                          envelope=keyed(t, wpm=13))  # fmt: skip
    found = lines(x + 0.1 * keyed(t, wpm=wpm, pattern="QA5 VK ") * np.cos(2 * np.pi * 1013.3 * t))
    assert [round(o.frequency_hz / 5) for o in found.others] == [203]
    assert found.others[0].keyed and found.others[0].level_dbc == pytest.approx(-6.0, abs=1.5)
    assert found.spurs == ()
    assert [b for b in found.sidebands if b.level_dbc > -40] == []
