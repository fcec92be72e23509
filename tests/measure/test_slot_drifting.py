"""Four-tone slots that drift by several times their own width, steadily or warming up."""

from __future__ import annotations

import numpy as np
import pytest
from independent.slots import SYMBOL_S, Sending, SlotScene, make

from sigcheck.measure import slot, spectrum
from sigcheck.measure.slots import search as slot_search
from sigcheck.measure.slots import sweep as slot_sweep
from sigcheck.measure.slots import values as slot_values
from sigcheck.measure.slots.band import Narrow, narrowed
from sigcheck.measure.slots.fit import fit

LENGTH_S = 162 * SYMBOL_S


def found_in(scene: SlotScene, seed: int) -> slot.Found | None:
    x = make(scene, np.random.default_rng(seed))
    return slot.find(spectrum.survey(x, scene.rate, top_hz=scene.rate / 2))


@pytest.mark.parametrize(
    ("drift_hz", "snr_db"),
    [(8.0, -22.0), (-12.0, -15.0), (20.0, -22.0), (-23.0, 10.0), pytest.param(7.0, -22.0, marks=pytest.mark.slow)],
)
def test_a_steady_drift_of_more_than_the_slots_width_is_found_and_measured(drift_hz: float, snr_db: float) -> None:
    sent = Sending(tone_hz=1234.5, start_s=3.21, drift_hz=drift_hz)
    scene = SlotScene(rate=6000, snr_db=snr_db, sendings=(sent,))
    found = found_in(scene, 31)
    assert found is not None
    r = slot_values.measure_slot(found)
    assert r.drift_hz is not None and r.drift_hz_sigma is not None
    # 4.5 sigma: one in 10^5 of a normal error; by -22 dB a wrong symbol or two may spoil it a little
    assert abs(r.drift_hz - drift_hz) < 4.5 * r.drift_hz_sigma + 1e-4
    assert found.main.start_s == pytest.approx(3.21, abs=0.02)
    assert found.main.centre_hz == pytest.approx(1234.5, abs=0.02)
    assert np.sum(found.main.fit.symbols != scene.symbols[0]) <= 3


@pytest.mark.parametrize("hz", [-4.0, 12.0])
@pytest.mark.parametrize("tau_s", [20.0, pytest.param(40.0, marks=pytest.mark.slow), 90.0])
def test_warming_up_is_followed_from_its_start(hz: float, tau_s: float) -> None:
    """The tail alone drifts little, and is found first; the beginning must be followed out from there."""
    sent = Sending(tone_hz=1500.0, start_s=2.0, warm_up=(hz, tau_s))
    scene = SlotScene(rate=6000, snr_db=-15.0, sendings=(sent,))
    found = found_in(scene, 32)
    assert found is not None
    r = slot_values.measure_slot(found)
    drift_hz = hz * (np.exp(-LENGTH_S / tau_s) - 1)
    assert r.complete
    assert r.drift_hz is not None and r.drift_hz_sigma is not None
    assert abs(r.drift_hz - drift_hz) < 4.0 * r.drift_hz_sigma  # 4 sigma: six recordings
    assert r.drift_hz_sigma < 0.02 * abs(hz)
    np.testing.assert_array_equal(found.main.fit.symbols, scene.symbols[0])


def test_the_course_is_not_led_away_by_a_stronger_neighbour() -> None:
    sent = (Sending(tone_hz=1500.0, start_s=2.0, drift_hz=1.0), Sending(tone_hz=1520.0, start_s=2.6, level_db=12.0))
    scene = SlotScene(rate=6000, snr_db=-12.0, sendings=sent, carriers=((1485.0, 10.0),))
    x = make(scene, np.random.default_rng(33))
    seen = slot_search.Sighting(1500.1, 2.05, 1.2, 12000 / 8192, SYMBOL_S, 10.0, 162)
    survey = spectrum.survey(x, 6000, top_hz=3000)
    band = narrowed(survey.audio, survey.rate_hz, np.array([1500.0]), pieces=4)[0]
    fitted = fit(band, seen)
    assert fitted is not None
    assert np.sum(fitted.symbols != scene.symbols[0]) <= 4


def test_more_than_is_looked_for_is_not_found_and_nothing_else_is() -> None:
    scene = SlotScene(rate=6000, snr_db=0.0, sendings=(Sending(drift_hz=2.0 * slot_sweep.MOST_DRIFT_HZ),))
    assert found_in(scene, 34) is None


def test_a_sweep_taken_off_leaves_a_chirp_standing_still() -> None:
    """exp(2 pi i (r/2) (t - s)^2) is a frequency of r (t - s)."""
    rate, first_s, still_s = 93.75, 0.4, 40.0
    t = first_s + np.arange(9000) / rate
    chirp = np.exp(2j * np.pi * (3.0 * t + 0.5 * 0.2 * (t - still_s) ** 2)).astype(np.complex64)
    band = Narrow(chirp, 1000.0, rate, first_s, np.ones(1), 6000.0)
    rest = slot_sweep.Sweep(0.2, still_s).taken_off(band)
    assert np.ptp(np.unwrap(np.angle(rest.z)) - 2 * np.pi * 3.0 * t) < 0.01  # single precision of some 2000 turns
    assert slot_sweep.Sweep(0.2, still_s).at(45.0) == pytest.approx(1.0)
