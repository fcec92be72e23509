"""Constants of the two-minute four-tone protocol, and bounds for what is measured on it.

The protocol's constants are from memory, not looked up; what follows from them is arithmetic.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from independent.slots import Sending, SlotScene, fixed_bits, make

from sigcheck.measure import slot, spectrum
from sigcheck.measure.slots import protocol as slot_protocol
from sigcheck.measure.slots import values as slot_values


def test_spacing_is_the_symbol_rate_and_162_symbols_last_110_592_s() -> None:
    assert slot_protocol.SPACING_HZ == 12000 / 8192 == 1.46484375
    assert pytest.approx(1.0, abs=1e-15) == slot_protocol.SYMBOL_S * slot_protocol.SPACING_HZ
    assert pytest.approx(110.592, abs=1e-12) == slot_protocol.SYMBOLS * slot_protocol.SYMBOL_S
    assert pytest.approx(4.3945, abs=5e-5) == 3 * slot_protocol.SPACING_HZ


def test_fixed_bits_have_63_ones_and_an_autocorrelation_of_at_most_33() -> None:
    bits = slot_protocol.FIXED_BITS
    assert bits.size == 162
    assert bits.sum() == 63
    signs = 2 * bits - 1
    off_peak = np.correlate(signs, signs, "full")[162:]
    assert np.abs(off_peak).max() == 33
    np.testing.assert_array_equal(bits, fixed_bits())  # written down once more, as lengths of runs


@pytest.mark.parametrize(
    ("minute", "second", "in_recording", "expected"),
    [(2, 0.0, 1.0, 1.0), (1, 58.5, 1.0, -0.5), (58, 10.25, 110.75, 1.0), (3, 0.0, 0.0, -60.0)],
)
def test_start_counts_from_the_even_minute(
    minute: int, second: float, in_recording: float, expected: float
) -> None:
    """By hand: a recording begun at minute:second, the transmission so many seconds later, slots of 120 s."""
    start = datetime(2026, 11, 1, 10, minute, int(second), round(second % 1 * 1e6), tzinfo=UTC)
    assert slot_values.since_boundary(start, in_recording, 120.0) == pytest.approx(expected, abs=1e-9)


def start_bound_s(cn0: float, tones: np.ndarray) -> float:
    """Cramer-Rao bound of the start with symbol length, spacing, frequency, drift unknown, phase known to run on.

    Fisher information of a tone's phase is 2 C/N0 per second; the columns are the phase's derivatives.
    """
    t = (np.arange(162 * 40) + 0.5) / 40 * slot_protocol.SYMBOL_S
    v = t / slot_protocol.SYMBOL_S
    tone = tones[v.astype(int)] - 1.5
    turns = np.interp(v, np.arange(163), np.concatenate([[0], np.cumsum(tones - 1.5)]))
    u = t - t.mean()
    h, ts = slot_protocol.SPACING_HZ, slot_protocol.SYMBOL_S
    g = 2 * np.pi * np.column_stack([h * tone, h * (turns - v * tone), ts * turns, u, u**2, np.ones(t.size)])
    g /= np.linalg.norm(g, axis=0)
    scale = np.linalg.norm(2 * np.pi * h * tone)
    fisher = 2 * cn0 * (t[1] - t[0]) * g.T @ g
    return float(np.sqrt(np.linalg.inv(fisher)[0, 0]) / scale)


def test_known_start_alone_has_the_closed_form_bound() -> None:
    """With all else known: sigma = 1 / (2 pi rms(tone) sqrt(2 C/N0 T)), 1.3 ms at -20 dB in 2500 Hz."""
    cn0 = 2500 * 10**-2.0
    rms_hz = slot_protocol.SPACING_HZ * np.sqrt(1.25)
    alone = 1 / (2 * np.pi * rms_hz * np.sqrt(2 * cn0 * 110.592))
    assert alone == pytest.approx(1.3e-3, abs=0.05e-3)
    tones = np.resize([0, 3, 1, 2], 162)
    assert start_bound_s(cn0, tones) > alone


def test_start_and_its_sigma_against_the_bound_at_minus_20_db() -> None:
    """Twelve recordings, random symbols, drifts and starts: rms error within 6 ms and near the joint bound."""
    cn0 = 2500 * 10**-2.0
    errors, sigmas, bounds = [], [], []
    for seed in range(12):
        rng = np.random.default_rng(1000 + seed)
        sent = Sending(tone_hz=rng.uniform(500, 2400), start_s=rng.uniform(1, 8), drift_hz=rng.uniform(-2, 2))
        scene = SlotScene(rate=6000, snr_db=-20.0, sendings=(sent,), passband_hz=None)
        survey = spectrum.survey(make(scene, rng), 6000, top_hz=3000)
        found = slot.find(survey)
        assert found is not None
        errors.append(found.main.start_s - sent.start_s)
        sigmas.append(found.main.fit.sigma[0])
        bounds.append(start_bound_s(cn0, scene.symbols[0]))
    rms, bound = np.sqrt(np.mean(np.square(errors))), np.sqrt(np.mean(np.square(bounds)))
    assert rms < 6e-3
    assert rms < 1.7 * bound  # rms of 12: two standard errors are 41 %; frequency curves are fitted too
    assert np.sqrt(np.mean(np.square(np.array(errors) / sigmas))) == pytest.approx(1.0, abs=0.45)
