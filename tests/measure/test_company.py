"""A test signal in company: another station beside it, miscounted cycles, sounds that are no tone."""

from __future__ import annotations

import numpy as np
import pytest
from plain_audio import band_noise, keyed

from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Measurements, Purity, Signal
from sigcheck.measure.tone.no_tone import no_tone
from sigcheck.recording import from_samples

RATE = 12000.0

def measured(x: np.ndarray) -> Measurements:
    return measure(from_samples(x, RATE)).measurements


def test_another_station_neither_moves_the_tone_nor_counts_as_noise() -> None:
    rng = np.random.default_rng(21)
    t = np.arange(round(24 * RATE)) / RATE
    ours = keyed(t, wpm=16) * ((t > 2) & (t < 17))
    other = 0.4 * np.roll(keyed(t, wpm=21), 20000)
    density = 1e-7
    noise = band_noise(rng, t.size, RATE, density, 300, 2700)
    m = measured(0.2 * (ours * np.cos(2 * np.pi * 640.0 * t) + other * np.cos(2 * np.pi * 1010.0 * t + 1)) + noise)
    # amplitude 0.2: power 0.02 over the density; the tone is the strong one all along
    assert m.signal.tone_hz == pytest.approx(640.0, abs=0.05)
    assert m.signal.cn0_dbhz == pytest.approx(10 * np.log10(0.02 / density), abs=1.5)  # ripple of the far noise
    assert m.drift.steps == () and any(abs(o.frequency_hz - 1010.0) < 3.0 for o in m.lines.others)


def test_phase_noise_over_the_gaps_between_words_makes_no_steps() -> None:
    rng = np.random.default_rng(22)
    t = np.arange(round(30 * RATE)) / RATE
    walk = np.cumsum(rng.standard_normal(t.size)) * 2 * np.pi * np.sqrt(0.004 / RATE)  # white frequency noise
    x = 0.2 * keyed(t, wpm=14) * np.cos(2 * np.pi * 705.0 * t + walk) + band_noise(rng, t.size, RATE, 1e-8, 300, 2700)
    assert measured(x).drift.steps == ()


def test_a_step_that_the_elements_show_is_kept() -> None:
    rng = np.random.default_rng(23)
    t = np.arange(round(30 * RATE)) / RATE
    hz = np.where(t < 14.3, 705.0, 707.5)
    noise = band_noise(rng, t.size, RATE, 1e-8, 300, 2700)
    x = 0.2 * keyed(t, wpm=14) * np.cos(2 * np.pi * np.cumsum(hz) / RATE) + noise
    (step,) = measured(x).drift.steps
    assert step.size_hz == pytest.approx(2.5, abs=0.1) and step.time_s == pytest.approx(14.3, abs=0.7)  # a gap is 0.6 s


def test_no_dropouts_are_claimed_in_noise() -> None:
    rng = np.random.default_rng(24)
    t = np.arange(round(30 * RATE)) / RATE
    density = 0.02 / (2500 * 10**-0.8)  # -8 dB in 2500 Hz
    x = 0.2 * np.cos(2 * np.pi * 743.2 * t) + band_noise(rng, t.size, RATE, density, 300, 2700)
    assert measured(x).health.dropouts == ()


def heard(rasp_dbc: float, rise_db: float, swing_db: float) -> str | None:
    signal = Signal(kind="keyed", level_range_db=swing_db)
    return no_tone(Purity(rasp_dbc=rasp_dbc, rasp_rise_db=rise_db), signal)


def test_speech_is_no_tone_and_flutter_is_one() -> None:
    assert heard(5.0, 20.0, 28.0) is not None
    assert heard(2.0, 15.0, 12.0) is None  # a fluttering signal: as much noise of its own, but it never stays away
    assert heard(3.0, 0.2, 28.0) is None  # the noise is there without it
    assert heard(-20.0, 20.0, 28.0) is None


@pytest.mark.parametrize(("apart_hz", "near_hz", "wpm"), [(-153.7, -150.0, 23.0), (133.1, 120.0, 18.0)])
def test_a_stations_keying_at_a_multiple_of_the_mains_is_no_hum(apart_hz: float, near_hz: float, wpm: float) -> None:
    """Ours is steady, the other is keyed; a line of its keying lies 150 or 120 Hz from ours, on one side."""
    t = np.arange(round(45 * RATE)) / RATE
    rng = np.random.default_rng(25)
    other = keyed(t, wpm=wpm) * np.cos(2 * np.pi * (900.0 + apart_hz) * t) * 0.6
    # what repeats in its text, or a gain control, adds a line
    other = other + 0.03 * np.cos(2 * np.pi * (900.0 + near_hz) * t)
    x = 0.2 * (np.cos(2 * np.pi * 900.0 * t) + other) + band_noise(rng, t.size, RATE, 1e-8, 300, 2700)
    lines = measured(x).lines
    assert any(o.keyed and abs(o.frequency_hz - 900.0 - apart_hz) < 5.0 for o in lines.others)
    assert lines.mains_hz is None and lines.missing["mains_hz"]
    assert all(abs(b.offset_hz - abs(near_hz)) > 2.0 for b in lines.sidebands)


@pytest.mark.parametrize("added", [True, False])
@pytest.mark.parametrize(("mains_hz", "order", "off_hz"), [(49.97, 14, 1.6), (60.03, 12, -0.8), (50.02, 17, 2.9)])
def test_hum_about_a_steady_tone_near_a_mains_harmonic(
    mains_hz: float, order: int, off_hz: float, added: bool
) -> None:
    """Added to the audio it is on one side of the tone; as modulation it has a like line on the other."""
    t = np.arange(round(40 * RATE)) / RATE
    rng = np.random.default_rng(26)
    tone_hz = order * mains_hz + off_hz
    hum = sum(a * np.cos(2 * np.pi * k * mains_hz * t + k) for k, a in ((1, 0.06), (2, 0.04), (3, 0.03), (5, 0.02)))
    tone = np.cos(2 * np.pi * tone_hz * t)
    x = 0.2 * (tone + hum if added else tone * (1 + hum)) + band_noise(rng, t.size, RATE, 1e-7, 300, 2700)
    m = measured(x)
    assert (m.purity.hum_dbc is not None) == added
    assert any(b.family in ("mains", "twice-mains") for b in m.lines.sidebands) != added


@pytest.mark.parametrize("wpm", [None, 16.0])
def test_a_comb_at_exact_multiples_of_1_khz_is_a_digital_bus(wpm: float | None) -> None:
    """The recorder's clock is 60 ppm slow; two carriers elsewhere are no comb, nor is one at 1 kHz alone."""
    t = np.arange(round(30 * RATE)) / RATE
    rng = np.random.default_rng(27)
    ours = np.cos(2 * np.pi * 713.3 * t) * (1.0 if wpm is None else keyed(t, wpm=wpm))
    noise = band_noise(rng, t.size, RATE, 1e-7, 300, 2700)

    def beside(*hz: float) -> Measurements:
        return measured(0.2 * (ours + 0.08 * sum(np.cos(2 * np.pi * f * t) for f in hz)) + noise)

    lines = beside(1000.06, 2000.12).lines
    assert lines.bus_hz == pytest.approx(1000.06, abs=0.05)  # a tenth of a bin of 30 s is 3 mHz, the keying blurs it
    assert lines.bus_dbc == pytest.approx(20 * np.log10(0.08), abs=1.0)
    for alone in (beside(1012.0, 2024.0), beside(1000.06)):
        assert alone.lines.bus_hz is None and "1 kHz" in alone.lines.missing["bus_hz"]
