"""A four-tone slot with something stronger close beside it: found, measured, and the other thing named."""

from __future__ import annotations

import numpy as np
import pytest
from independent.slots import Sending, SlotScene, make

import sigcheck
from sigcheck.measure import slot, spectrum
from sigcheck.measure.slots import company as slot_company
from sigcheck.measure.slots import search as slot_search
from sigcheck.recording import from_samples

RATE = 6000


def result_of(scene: SlotScene, seed: int) -> sigcheck.Result:
    return sigcheck.diagnose(from_samples(make(scene, np.random.default_rng(seed)), scene.rate))


def survey_of(scene: SlotScene, seed: int) -> spectrum.Survey:
    return spectrum.survey(make(scene, np.random.default_rng(seed)), scene.rate, top_hz=scene.rate / 2)


@pytest.mark.parametrize(("apart_hz", "stronger_db"), [(16.0, 10.0), (-20.0, 20.0), (33.0, 20.0), (150.0, 30.0)])
@pytest.mark.parametrize("kind", ["carrier", "slot"])
def test_both_are_seen(kind: str, apart_hz: float, stronger_db: float) -> None:
    sent = [Sending(tone_hz=1500.0, start_s=2.0, drift_hz=0.5)]
    carriers: tuple[tuple[float, float], ...] = ((1500.0 + apart_hz, stronger_db),)
    if kind == "slot":
        sent.append(Sending(tone_hz=1500.0 + apart_hz, start_s=2.7, level_db=stronger_db))
        carriers = ()
    scene = SlotScene(rate=RATE, snr_db=-10.0, sendings=tuple(sent), carriers=carriers)
    seen = {round(one.centre_hz) for one in slot_search.search(survey_of(scene, 41))}
    expected = {1500} if kind == "carrier" else {1500, round(1500 + apart_hz)}
    assert {min(expected, key=lambda hz: abs(hz - one)) for one in seen} == expected
    assert len(seen) == len(expected)


@pytest.mark.parametrize("apart_hz", [-20.0, 26.0])
def test_a_stronger_carrier_close_by_is_another_signal_and_spoils_nothing(apart_hz: float) -> None:
    scene = SlotScene(rate=RATE, snr_db=-8.0, sendings=(Sending(drift_hz=0.5),), carriers=((1500.0 + apart_hz, 10.0),))
    r = result_of(scene, 42)
    m = r.measurements
    assert m.signal.kind == "four-tone"
    assert m.signal.tone_hz == pytest.approx(1500.0, abs=0.01)
    assert m.slot.start_offset_s == pytest.approx(4.0, abs=0.006)
    (other,) = m.lines.others
    assert other.frequency_hz == pytest.approx(1500.0 + apart_hz, abs=0.1)
    assert other.level_dbc == pytest.approx(10.0, abs=1.0)
    assert {s.id for s in r.diagnosis.symptoms} == {"other-signal"}


def test_a_weaker_slot_beside_ours_is_another_signal() -> None:
    sent = (Sending(start_s=2.0), Sending(tone_hz=1522.0, start_s=2.6, level_db=-10.0, drift_hz=1.0))
    m = result_of(SlotScene(rate=RATE, snr_db=0.0, sendings=sent), 43).measurements
    (other,) = m.lines.others
    assert other.keyed
    assert other.frequency_hz == pytest.approx(1522.0, abs=0.5)
    assert other.level_dbc == pytest.approx(-10.0, abs=1.0)


def test_a_carrier_is_taken_out_and_what_is_beside_it_stays() -> None:
    """A tone of amplitude 1 whose frequency wanders by 0.1 Hz, and one of 0.2 that is 12 Hz away."""
    t = np.arange(60 * RATE) / RATE
    kept = 0.2 * np.exp(2j * np.pi * 1512.0 * t)
    wandering = np.exp(2j * np.pi * (1500.0 * t + 0.1 * 20 / (2 * np.pi) * np.sin(2 * np.pi * t / 20)))
    scene = survey_of(SlotScene(seconds=60.0, rate=RATE, sendings=()), 44)
    audio = (kept + wandering).astype(np.complex64)
    one = slot_company.NearCarrier(1500.0, 1.0)
    rest = slot_company.without_carriers(spectrum.Survey(audio, RATE, *_frames_of(scene)), (one,)).audio
    middle = slice(3 * RATE, -3 * RATE)  # where the smoothing is whole
    assert np.sqrt(np.mean(np.abs(rest[middle] - kept[middle]) ** 2)) < 0.02


def _frames_of(s: spectrum.Survey) -> tuple[np.ndarray, np.ndarray, float]:
    return s.density, s.frame_s, s.bin_hz


def test_no_carrier_is_seen_where_there_is_none() -> None:
    sendings = (Sending(), Sending(spread_hz=0.3), Sending(drift_hz=15.0), Sending(hum=(50.0, -15.0, 0.3)))
    for seed, sent in enumerate(sendings):
        found = slot.find(survey_of(SlotScene(rate=RATE, snr_db=5.0, sendings=(sent,)), 45 + seed))
        assert found is not None
        assert slot_company.carriers_beside(found) == ()
