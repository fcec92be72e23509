"""Four-tone slots are found without a hint where they are, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest
from independent.slots import SPACING_HZ, SYMBOL_S, Sending, SlotScene, make

from sigcheck.measure import spectrum
from sigcheck.measure.slots import search as slot_search


def survey_of(x: np.ndarray, rate: int) -> spectrum.Survey:
    return spectrum.survey(x.astype(np.float32), rate, top_hz=min(6000, rate / 2))


def found_in(scene: SlotScene, seed: int) -> list[slot_search.Sighting]:
    return slot_search.search(survey_of(make(scene, np.random.default_rng(seed)), scene.rate))


@pytest.mark.parametrize(
    ("rate", "seed"),
    [(6000, 0), (6000, 1), (6000, 2), (8000, 3), (11025, 4), pytest.param(48000, 7, marks=pytest.mark.slow)],
)
def test_found_at_minus_25_db_without_a_hint(rate: int, seed: int) -> None:
    rng = np.random.default_rng(50 + seed)
    sent = Sending(tone_hz=rng.uniform(450, 2500), start_s=rng.uniform(0.5, 8), drift_hz=rng.uniform(-3, 3))
    found = found_in(SlotScene(rate=rate, snr_db=-25, sendings=(sent,)), seed)
    assert len(found) == 1
    assert abs(found[0].centre_hz - sent.tone_hz) < 0.4
    assert abs(found[0].start_s - sent.start_s) < 0.12
    assert abs(found[0].drift_hz - sent.drift_hz) < 1.2


@pytest.mark.parametrize("share", [0.75, 0.88, 1.12, 1.25])
def test_a_wrong_spacing_is_found_all_the_same(share: float) -> None:
    sent = Sending(tone_hz=1200.0, spacing_hz=share * SPACING_HZ)
    found = found_in(SlotScene(rate=8000, snr_db=-18, sendings=(sent,)), 3)
    assert len(found) == 1
    assert abs(found[0].centre_hz - 1200.0) < 0.8


@pytest.mark.parametrize("share", [0.975, 0.99, 1.012, 1.025])
def test_a_wrong_symbol_length_is_found_all_the_same(share: float) -> None:
    sent = Sending(tone_hz=1200.0, start_s=3.0, symbol_s=share * SYMBOL_S)
    found = found_in(SlotScene(rate=8000, snr_db=-10, sendings=(sent,)), 4)
    assert len(found) == 1
    assert found[0].symbol_s == pytest.approx(share * SYMBOL_S, rel=0.004)


def test_several_at_once_and_one_after_the_other() -> None:
    sent = (
        Sending(tone_hz=700.0, start_s=2.0, level_db=-8),
        Sending(tone_hz=1500.0, start_s=2.5),
        Sending(tone_hz=1540.0, start_s=1.2, level_db=-6, drift_hz=2.0),
        Sending(tone_hz=1500.5, start_s=122.4),
    )
    found = found_in(SlotScene(rate=8000, seconds=240, snr_db=-12, sendings=sent), 5)
    assert len(found) == 4
    for one in sent:
        assert any(abs(f.centre_hz - one.tone_hz) < 0.5 and abs(f.start_s - one.start_s) < 0.12 for f in found)


def test_amid_other_stations_carriers_clicks_and_hum() -> None:
    scene = SlotScene(
        rate=12000, snr_db=-15, sendings=(Sending(tone_hz=1450.0),), carriers=((1400.0, 12.0), (2100.0, 20.0)),
        morse=((900.0, 20.0, 17.0),), clicks_per_s=2.0, hum_dbc=5.0,
    )  # fmt: skip
    found = found_in(scene, 6)
    assert len(found) == 1
    assert abs(found[0].centre_hz - 1450.0) < 0.5


@pytest.mark.slow
def test_linear_in_time_over_an_hour() -> None:
    sent = tuple(Sending(tone_hz=1500.0, start_s=1.0 + 600 * k) for k in range(6))
    found = found_in(SlotScene(rate=6000, seconds=3600, snr_db=-15, sendings=sent), 7)
    assert sorted(round(f.start_s) for f in found) == [1 + 600 * k for k in range(6)]


# --- what is no slot ---------------------------------------------------------------------------

UNITS = {
    "V": "1010101110", "D": "11101010", "E": "10", "Q": "11101110101110", "5": "1010101010", "K": "1110101110",
    "A": "1011100", "P": "101110111010",
}  # fmt: skip


def keyed_units(text: str) -> np.ndarray:
    return np.array([int(b) for word in text.split() for b in "".join(UNITS[c] + "00" for c in word) + "0000"])


def slow_keyed(kind: str, dit_s: float, shift_hz: float, snr_db: float, rng: np.random.Generator) -> np.ndarray:
    """Two minutes at 6 kHz of very slow keying: by level, by frequency, or dits and dahs on two frequencies."""
    rate, n = 6000, 720_000
    t = np.arange(n) / rate + rng.uniform(0, 20)
    units = keyed_units("VVV DE Q5KAP")
    on = units[(t / dit_s).astype(int) % units.size]
    hz = np.full(n, rng.uniform(500, 2500))
    if kind == "two tones":
        hz += shift_hz * on
    if kind == "dits and dahs":
        elements = rng.integers(0, 4, 400)  # two of four a pause
        chosen = elements[(t / dit_s).astype(int) % 400]
        on, hz = (chosen < 2).astype(int), hz + shift_hz * (chosen == 1)
    level = np.ones(n) if kind == "two tones" else np.convolve(on, np.hanning(120) / 59.5, "same")
    sigma = 0.03
    amplitude = sigma * np.sqrt(2 * 10 ** (snr_db / 10) * 2500 / (rate / 2))
    return amplitude * level * np.cos(2 * np.pi * np.cumsum(hz) / rate) + sigma * rng.standard_normal(n)


@pytest.mark.parametrize("kind", ["level", "two tones", "dits and dahs"])
@pytest.mark.parametrize("dit_s", [0.5, 0.68, 1.0, 3.0, 20.0, 120.0])
def test_slow_keying_is_no_slot(kind: str, dit_s: float) -> None:
    rng = np.random.default_rng(int(100 * dit_s) + len(kind))
    for shift_hz, snr_db in ((1.465, 5.0), (2.93, -15.0), (5.0, -5.0)):
        x = slow_keyed(kind, dit_s, shift_hz, snr_db, rng)
        assert slot_search.search(survey_of(x, 6000)) == []
        if kind == "level":
            break


def speech_like(rng: np.random.Generator) -> np.ndarray:
    """A minute of voiced sounds: harmonics of a gliding pitch under syllables."""
    rate, n = 6000, 360_000
    pitch = np.interp(np.arange(n), np.arange(0, n, 300), rng.uniform(90, 200, n // 300))
    phase = 2 * np.pi * np.cumsum(pitch) / rate
    loud = np.interp(np.arange(n), np.arange(0, n, 900), rng.uniform(0, 1, n // 900) ** 2)
    return 0.1 * loud * sum(np.cos(k * phase) / k for k in range(1, 15)) + 0.003 * rng.standard_normal(n)


@pytest.mark.parametrize("seed", range(2))
def test_noise_speech_carriers_and_keying_are_no_slots(seed: int) -> None:
    rng = np.random.default_rng(seed)
    assert slot_search.search(survey_of(speech_like(rng), 6000)) == []
    for scene in (
        SlotScene(rate=8000, sendings=(), clicks_per_s=float(seed)),
        SlotScene(rate=8000, sendings=(), carriers=((rng.uniform(400, 2500), 10.0),), hum_dbc=10.0 * seed),
        SlotScene(rate=8000, sendings=(), morse=((rng.uniform(400, 2500), 15.0, rng.uniform(5, 30)),), hum_dbc=0.0),
    ):
        assert found_in(scene, seed) == []


def test_too_short_a_recording_has_no_slot() -> None:
    assert found_in(SlotScene(rate=8000, seconds=20.0, snr_db=10), 1) == []


def four_random_tones(rng: np.random.Generator, length_s: float) -> np.ndarray:
    """Two minutes of four tones, a spacing apart, that change at random every ``length_s``."""
    rate, n = 6000, 720_000
    tones = rng.integers(0, 4, round(n / rate / length_s) + 2)[(np.arange(n) / rate / length_s).astype(int)]
    hz = 1300.0 + SPACING_HZ * (tones - 1.5)
    return 0.1 * np.cos(2 * np.pi * np.cumsum(hz) / rate) + 0.03 * rng.standard_normal(n)


@pytest.mark.parametrize("length_s", [0.4, 0.9, 1.365])
def test_four_tones_to_another_clock_are_no_slot(length_s: float) -> None:
    assert slot_search.search(survey_of(four_random_tones(np.random.default_rng(8), length_s), 6000)) == []


@pytest.mark.parametrize("snr_db", [10.0, -12.0])
def test_a_clear_slot_with_other_symbols_is_found_by_its_clock(snr_db: float) -> None:
    rng = np.random.default_rng(10)
    sent = Sending(tone_hz=1900.0, start_s=3.3, symbols=rng.integers(0, 4, 162), drift_hz=1.0)
    found = found_in(SlotScene(rate=8000, snr_db=snr_db, sendings=(sent,)), 11)
    assert len(found) == 1
    assert not found[0].fixed_bits
    assert abs(found[0].start_s - 3.3) < 0.12
    assert abs(found[0].centre_hz - 1900.0) < 0.5
