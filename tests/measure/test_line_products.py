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
