"""What is measured on four-tone slots: numbers with true sigmas, missing ends, several of them, copies."""

from __future__ import annotations

import numpy as np
import pytest
from independent.slots import SPACING_HZ, SYMBOL_S, Sending, SlotScene, make, random_symbols

import sigcheck
from sigcheck.measure import slot, spectrum
from sigcheck.measure.results import Slot
from sigcheck.measure.slots import values as slot_values
from sigcheck.plan import Plan
from sigcheck.recording import from_samples


def found_in(scene: SlotScene, seed: int) -> slot.Found:
    x = make(scene, np.random.default_rng(seed))
    found = slot.find(spectrum.survey(x, scene.rate, top_hz=min(6000, scene.rate / 2)))
    assert found is not None
    return found


def measured(sent: Sending, seed: int = 1, *, snr_db: float = -5.0, seconds: float = 120.0) -> tuple[Slot, np.ndarray]:
    scene = SlotScene(rate=6000, seconds=seconds, snr_db=snr_db, sendings=(sent,))
    found = found_in(scene, seed)
    symbols = scene.symbols[0]
    result = slot_values.measure_slot(found, symbols=tuple(int(s) for s in symbols))
    assert result.unexplained() == []
    return result, symbols


@pytest.mark.parametrize("snr_db", [15.0, -10.0, -20.0])
def test_numbers_lie_within_their_sigmas(snr_db: float) -> None:
    """Four recordings each, five numbers: the mean square of error over sigma is 1, here within three deviations."""
    ratios = []
    for seed in range(4):
        rng = np.random.default_rng(200 + seed)
        sent = Sending(
            tone_hz=rng.uniform(600, 2400), start_s=rng.uniform(1, 8), drift_hz=rng.uniform(-3, 3),
            spacing_hz=SPACING_HZ * rng.uniform(0.97, 1.03), symbol_s=SYMBOL_S * rng.uniform(0.999, 1.001),
        )  # fmt: skip
        scene = SlotScene(rate=6000, snr_db=snr_db, sendings=(sent,), passband_hz=None)
        found = found_in(scene, seed)
        r = slot_values.measure_slot(found)
        pairs = [
            (r.start_offset_s, r.start_offset_s_sigma, sent.start_s),
            (r.symbol_s, r.symbol_s_sigma, sent.symbol_s),
            (r.tone_spacing_hz, r.tone_spacing_hz_sigma, sent.spacing_hz),
            (r.drift_hz, r.drift_hz_sigma, sent.drift_hz),
            (found.main.centre_hz, found.main.centre_hz_sigma, sent.tone_hz),
        ]
        ratios += [(value - true) / sigma for value, sigma, true in pairs if value is not None and sigma]
        if snr_db > -15:
            np.testing.assert_array_equal(r.symbols, scene.symbols[0])
    # the low-pass of the survey and half a sample of rounding leave 20 us, some sigmas at 15 dB
    assert np.mean(np.square(ratios)) < (1 + 3 * np.sqrt(2 / len(ratios))) * (4.0 if snr_db > 0 else 1.0)
    assert np.mean(np.square(ratios)) > 0.3


@pytest.mark.parametrize(
    ("sent", "seconds", "first", "last"),
    [
        (Sending(start_s=-40.0), 120.0, 59, 162),
        (Sending(start_s=30.0), 100.0, 0, 102),
        (Sending(skip=45), 120.0, 45, 162),
        (Sending(stop=120), 120.0, 0, 120),
    ],
)
def test_a_missing_beginning_or_end_is_seen(sent: Sending, seconds: float, first: int, last: int) -> None:
    r, symbols = measured(sent, snr_db=-12.0, seconds=seconds)
    assert r.complete is False
    assert r.first_symbol is not None
    assert abs(r.first_symbol - first) <= 1  # a symbol cut in half may count or not
    assert abs(r.first_symbol + len(r.symbols) - last) <= 1
    assert r.start_offset_s == pytest.approx(sent.start_s, abs=0.02)
    assert r.symbol_errors == int(np.sum(np.array(r.symbols) != symbols[r.first_symbol :][: len(r.symbols)]))
    assert r.symbol_errors <= 2


def test_a_complete_one_is_complete_also_when_weak() -> None:
    r, _ = measured(Sending(), snr_db=-24.0)
    assert r.complete is True
    assert len(r.symbols) == 162


@pytest.mark.parametrize("spread_hz", [0.1, pytest.param(0.4, marks=pytest.mark.slow), 1.0])
def test_spread(spread_hz: float) -> None:
    """Mean over recordings of the spread put in; each holds some tens of independent fades, and scatters by 15 %."""
    got, sigma = [], []
    for seed in range(12):
        r, _ = measured(Sending(spread_hz=spread_hz), seed, snr_db=0.0)
        assert r.frequency_spread_hz is not None and r.frequency_spread_hz_sigma is not None
        got.append(r.frequency_spread_hz)
        sigma.append(r.frequency_spread_hz_sigma)
    assert np.mean(got) == pytest.approx(spread_hz, rel=0.2)
    assert np.std(got) < 3 * np.mean(sigma)


def test_no_spread_is_measured_as_none() -> None:
    r, _ = measured(Sending(), snr_db=-10.0)
    assert r.frequency_spread_hz is not None and r.frequency_spread_hz_sigma is not None
    assert r.frequency_spread_hz < 0.01
    assert r.frequency_spread_hz_sigma < 0.02


def test_clarity_falls_with_wrong_spacing_as_the_tones_stop_being_orthogonal() -> None:
    """Tones at spacing h in filters matched to it: neighbours take sinc^2(h T) of the energy each."""
    right, _ = measured(Sending(), snr_db=5.0)
    wrong, symbols = measured(Sending(spacing_hz=0.8 * SPACING_HZ), snr_db=5.0)
    assert right.symbol_clarity == pytest.approx(1.0, abs=0.01)
    leak = np.sinc(0.8 * np.arange(-3, 4)) ** 2
    own = np.mean([1 / sum(leak[3 + other - s] for other in range(4)) for s in symbols])
    assert wrong.symbol_clarity == pytest.approx(own, abs=0.02)


def test_phase_that_starts_afresh_at_each_symbol_is_no_spread() -> None:
    r, _ = measured(Sending(continuous=False), snr_db=0.0)
    assert r.coherent_symbols == 1
    assert r.start_offset_s == pytest.approx(4.0, abs=0.006)
    assert r.symbol_clarity == pytest.approx(1.0, abs=0.02)
    assert r.symbol_errors == 0


def test_wrong_symbols_are_counted() -> None:
    rng = np.random.default_rng(9)
    sent = random_symbols(rng)
    plan = sent.copy()
    plan[[3, 40, 41, 100, 161]] ^= 2
    found = found_in(SlotScene(rate=6000, snr_db=-15, sendings=(Sending(symbols=sent),)), 2)
    assert slot_values.measure_slot(found, symbols=tuple(int(s) for s in plan)).symbol_errors == 5
    r = slot_values.measure_slot(found, symbols=(0, 1, 2))
    assert r.symbol_errors is None
    assert "162" in r.missing["symbol_errors"]


def test_expected_errors_are_what_noise_makes() -> None:
    made, expected = [], []
    for seed in range(8):
        r, _ = measured(Sending(), 70 + seed, snr_db=-25.0)
        made.append(r.symbol_errors)
        expected.append(r.expected_symbol_errors)
    assert np.mean(made) == pytest.approx(np.mean(expected), rel=0.35)  # some fifty errors in all


def test_several_of_one_station_are_compared() -> None:
    rng = np.random.default_rng(11)
    same, other = random_symbols(rng), random_symbols(rng)
    for symbols, expected in ((same, True), (other, False)):
        sent = (Sending(start_s=1.2, symbols=same), Sending(start_s=121.2, symbols=symbols, tone_hz=1500.4))
        found = found_in(SlotScene(rate=6000, seconds=240, snr_db=-12, sendings=sent), 3)
        r = slot_values.measure_slot(found)
        assert len(r.heard) == 2
        assert r.same_symbols is expected
        assert r.heard[1].start_s - r.heard[0].start_s == pytest.approx(120.0, abs=0.01)
        assert r.heard[1].tone_hz - r.heard[0].tone_hz == pytest.approx(0.4, abs=0.005)


# --- through the whole pipeline ----------------------------------------------------------------


def result_of(scene: SlotScene, seed: int, plan: Plan | None = None) -> sigcheck.Result:
    return sigcheck.diagnose(from_samples(make(scene, np.random.default_rng(seed)), scene.rate), plan)


def test_copies_a_mains_frequency_apart_are_hum_of_one_signal() -> None:
    sent = Sending(tone_hz=1380.0, drift_hz=0.5, hum=(49.98, -22.0, 0.4))
    r = result_of(SlotScene(rate=8000, snr_db=12, sendings=(sent,)), 4)
    m = r.measurements
    assert m.signal.kind == "four-tone"
    assert m.lines.others == ()
    line = max(m.lines.sidebands, key=lambda b: b.level_dbc)
    assert line.family == "mains"
    assert line.offset_hz == pytest.approx(49.98, abs=0.02)
    assert line.level_dbc == pytest.approx(-22.0, abs=1.0)
    assert "hum-sidebands" in {s.id for s in r.diagnosis.symptoms}


def test_a_clean_slot_is_clean_and_its_middle_is_the_tone() -> None:
    r = result_of(SlotScene(rate=8000, snr_db=20, sendings=(Sending(tone_hz=1512.3456),)), 5)
    assert r.verdict == "clean"
    s = r.measurements.signal
    assert s.tone_hz == pytest.approx(1512.3456, abs=1e-4)
    assert s.snr_db == pytest.approx(20.0, abs=1.0)
    assert r.measurements.slot.start_offset_from == "recording"


def test_other_slots_and_carriers_are_others() -> None:
    sent = (Sending(tone_hz=1500.0), Sending(tone_hz=1610.0, level_db=-9, start_s=3.1))
    scene = SlotScene(rate=8000, snr_db=0, sendings=sent, carriers=((1000.0, 6.0),))
    others = {round(o.frequency_hz): o.level_dbc for o in result_of(scene, 6).measurements.lines.others}
    assert others.keys() == {1610, 1000}
    assert others[1610] == pytest.approx(-9.0, abs=1.0)
    assert others[1000] == pytest.approx(6.0, abs=1.0)


def test_the_plan_says_which_signal_is_ours_and_where_the_slot_begins() -> None:
    scene = SlotScene(rate=8000, snr_db=-18, sendings=(Sending(start_s=2.25),), morse=((800.0, 30.0, 15.0),))
    plan = Plan.from_dict(
        {
            "sent": {"keying": "four-tone"},
            "timing": {"repeat_s": 120},
            "recorder": {"start_utc": "2026-11-01T10:01:59.500Z"},
        }
    )
    m = result_of(scene, 7, plan).measurements
    assert m.signal.kind == "four-tone"
    assert m.slot.start_offset_from == "slot"
    assert m.slot.start_offset_s == pytest.approx(1.75, abs=0.02)
    keyed = result_of(scene, 7, Plan.from_dict({"sent": {"keying": "cw"}})).measurements
    assert keyed.signal.kind == "keyed"  # a slot 48 dB beneath Morse is not looked for


def test_the_middle_and_its_sigma_through_the_pipeline() -> None:
    """The spacing's error leans on the mean frequency as far as the symbols do: the sigma holds that."""
    ratios = []
    for seed in range(6):
        rng = np.random.default_rng(800 + seed)
        sent = Sending(tone_hz=rng.uniform(500, 2400), start_s=rng.uniform(0.5, 8))
        s = result_of(SlotScene(rate=6000, snr_db=-18, sendings=(sent,)), seed).measurements.signal
        assert s.tone_hz is not None and s.tone_hz_sigma is not None
        ratios.append((s.tone_hz - sent.tone_hz) / s.tone_hz_sigma)
    assert 0.3 < np.sqrt(np.mean(np.square(ratios))) < 1.7  # six of them: 1 +- 0.3


def test_a_carrier_left_on_nearby_does_not_hide_a_slot() -> None:
    scene = SlotScene(rate=6000, snr_db=-15, carriers=((900.0, 25.0),))
    m = result_of(scene, 8).measurements
    assert m.signal.kind == "four-tone"
    assert m.slot.start_offset_s == pytest.approx(4.0, abs=0.01)
    assert any(abs(o.frequency_hz - 900.0) < 1 for o in m.lines.others)


def test_the_start_is_told_within_a_sample_where_the_phase_starts_afresh() -> None:
    """By energy alone, and by the book: all symbols then begin at one place between two samples of 10.7 ms.

    At 23 dB in a symbol the energies tell a start to some 1 ms (simulated); whole samples left 10 ms.
    """
    pulls, errors, spreads = [], [], []
    for seed in range(6):
        start_s = 3.0 + 0.0031 * seed
        scene = SlotScene(rate=6000, snr_db=-10, sendings=(Sending(start_s=start_s, continuous=False),))
        r = slot_values.measure_slot(found_in(scene, 400 + seed))
        assert r.start_offset_s is not None and r.start_offset_s_sigma is not None and r.coherent_symbols == 1
        assert r.frequency_spread_hz is not None and r.frequency_spread_hz_sigma is not None
        errors.append(r.start_offset_s - start_s)
        pulls.append(errors[-1] / r.start_offset_s_sigma)
        spreads.append(r.frequency_spread_hz / r.frequency_spread_hz_sigma)
    assert np.sqrt(np.mean(np.square(errors))) < 0.003
    assert np.sqrt(np.mean(np.square(pulls))) < 1.9  # 99.9 % of chi-squared with 6
    assert np.mean(spreads) < 1.5


def test_what_fades_is_neither_missing_nor_surely_wrong() -> None:
    """A path that spreads by 0.4 Hz hides some symbols: they are expected to be wrong, and the ends are still there."""
    wrong, expected, complete = 0, 0.0, 0
    for seed in range(6):
        scene = SlotScene(rate=6000, snr_db=-10, sendings=(Sending(spread_hz=0.4),))
        r = slot_values.measure_slot(found_in(scene, 500 + seed))
        assert r.first_symbol is not None and r.expected_symbol_errors is not None
        sent = scene.symbols[0][r.first_symbol :][: len(r.symbols)]
        wrong += int(np.sum(np.array(r.symbols) != sent))
        expected += r.expected_symbol_errors
        complete += bool(r.complete)
    assert complete >= 5
    assert wrong < 1.5 * expected + 6  # what a wrong message is judged by
