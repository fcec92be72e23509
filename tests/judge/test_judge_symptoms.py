"""Each symptom on both sides of its note and its fault limit, and each condition of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from judge_cases import OtherSignal, Step, clean, line, mains, steady

from sigcheck.judge import Symptom, diagnose
from sigcheck.judge.symptoms import find
from sigcheck.measure.on_air import on_air
from sigcheck.measure.results import Dropout, Measurements, Spur
from sigcheck.plan import Plan
from sigcheck.recording import from_samples


def located(m: Measurements, plan: Plan | None) -> Measurements:
    """With what the plan makes of tone and start, as the pipeline does it."""
    start = plan.recorder.start_utc if plan else None
    recording = from_samples(np.zeros(8000), 8000, start_utc=start).with_plan(plan)
    return replace(m, on_air=on_air(m.signal, m.slot, m.keying, plan, recording))


def severity(m: Measurements, name: str, plan: Plan | None = None) -> str | None:
    found, unseen = find(located(m, plan), plan)
    here = [s.severity for s in found if s.id == name]
    assert not (here and f"symptoms.{name}" in unseen)
    return here[0] if here else ("unseen" if f"symptoms.{name}" in unseen else None)


def symptom(m: Measurements, name: str, plan: Plan | None = None) -> Symptom:
    return next(s for s in find(located(m, plan), plan)[0] if s.id == name)


def plan(**sections: Any) -> Plan:
    return Plan.from_dict(sections)


def _purity(name: str, sigma: float = 0.1) -> Callable[[float], Measurements]:
    return lambda v: clean(purity={name: v, f"{name}_sigma": sigma})


def _keying(name: str, sigma: float) -> Callable[[float], Measurements]:
    return lambda v: clean(keying={name: v, f"{name}_sigma": sigma})


def _rate(v: float) -> Measurements:
    return clean(drift={"rate_hz_per_min": v, "rate_hz_per_min_sigma": 0.05, "model": "linear"})


def _jump(v: float) -> Measurements:
    step = Step(time_s=10.0, size_hz=v, size_hz_sigma=0.02)
    return clean(drift={"steps": (step,), "model": "steps"})


def _wobble(v: float) -> Measurements:
    return clean(drift={"cycle_peak_hz": v, "cycle_peak_hz_sigma": 0.02, "cycle_s": 40.0, "model": "cyclic"})


def _other(v: float) -> Measurements:
    other = OtherSignal(frequency_hz=1500.0, level_dbc=v, keyed=False, dips_with_ours=None, same_lines=None)
    return clean(lines={"others": (other,)})


def _bursts(v: float) -> Measurements:
    return clean(bursts={"burst_over_floor_db": v, "burst_time_fraction": 0.1})


def _rasp(v: float) -> Measurements:
    return clean(purity={"rasp_dbc": v, "rasp_dbc_sigma": 0.1, "rasp_rise_db": 15.0, "rasp_rise_db_sigma": 0.5})


def _timing(v: float) -> Measurements:
    return clean(keying={"element_jitter": v, "element_jitter_sigma": 0.005, "text_confidence": 0.6})


def _ratio(v: float) -> Measurements:
    return clean(keying={"dah_dit_ratio": v, "dah_dit_ratio_sigma": 0.01, "text_confidence": 0.6})


def _slow_edges(v: float) -> Measurements:
    return clean(keying={"rise_s": v * 0.075, "fall_s": v * 0.075, "rise_limit_s": 0.0004})


# symptom, recording for a value, and three values: clean, a note, a fault
STEPS: list[tuple[str, Callable[[float], Measurements], tuple[float, float | None, float | None]]] = [
    ("hum-sidebands", lambda v: clean(lines=mains({100: v})), (-51.0, -49.0, -39.0)),
    ("spur-lines", lambda v: clean(lines={"sidebands": (line(312.0, v),)}), (-51.0, -49.0, -39.0)),
    ("harmonic-distortion", _purity("thd_db"), (-35.0, -33.0, -25.0)),
    ("rasp", _rasp, (-36.0, -34.0, -24.0)),
    ("noisy-tone", _purity("pm_excess_rad", 0.001), (0.028, 0.032, 0.105)),
    ("audio-hum", _purity("hum_dbc"), (-46.0, -44.0, -24.0)),
    ("voice-breakthrough", lambda v: clean(purity={"voice_dbc": v}), (-46.0, -44.0, -29.0)),
    ("key-clicks", _keying("rise_s", 5e-5), (3.1e-3, 2.9e-3, 1.8e-3)),
    ("key-clicks", _keying("fall_s", 5e-5), (3.1e-3, 2.9e-3, 1.8e-3)),
    ("slow-keying", _slow_edges, (0.24, 0.27, 0.52)),
    ("chirp", _keying("chirp_hz", 0.2), (4.8, 5.2, 21.0)),
    ("chirp", _keying("chirp_hz", 0.2), (-4.8, -5.2, -21.0)),
    ("backwave", _keying("backwave_db", 0.2), (-46.0, -44.0, -29.0)),
    ("overshoot", _keying("overshoot_db", 0.05), (2.9, 3.1, 6.2)),
    ("keying-timing", _timing, (0.07, 0.09, 0.22)),
    ("keying-timing", _ratio, (3.3, 3.5, 3.9)),
    ("keying-timing", _ratio, (2.7, 2.5, 2.1)),
    ("drift", _rate, (1.9, 2.1, 10.2)),
    ("drift", _rate, (-1.9, -2.1, -10.2)),
    ("frequency-jumps", _jump, (0.4, 0.6, 3.1)),
    ("frequency-jumps", _jump, (-0.4, -0.6, -3.1)),
    ("frequency-wobble", _wobble, (0.4, 0.6, 3.1)),
    ("other-signal", _other, (-26.0, -24.0, -5.0)),
    ("noise-bursts", _bursts, (9.0, 11.0, 21.0)),
    ("clipped-recording", lambda v: clean(health={"clipped_fraction": v}), (9e-5, 2e-4, 2e-3)),
    ("fading", lambda v: clean(signal={"level_range_db": v}), (9.0, 11.0, None)),
    ("weak-signal", lambda v: clean(signal={"snr_db": v}), (0.5, -0.5, -6.5)),
]


@pytest.mark.parametrize(("name", "make", "values"), STEPS, ids=[f"{s[0]}-{s[2][1]}" for s in STEPS])
def test_both_sides_of_each_limit(name, make, values):
    below, note, fault = values
    assert severity(make(below), name) is None
    if note is not None:
        assert severity(make(note), name) == "note"
    if fault is not None:
        assert severity(make(fault), name) == "fault"
        found = symptom(make(fault), name)
        assert found.text and "limit" in found.text


@pytest.mark.parametrize("m", [clean(), steady()], ids=["keyed", "steady"])
def test_the_clean_baseline_is_clean(m):
    d = diagnose(m)
    assert (d.symptoms, d.verdict) == ((), "clean")
    assert [c.id for c in d.causes] == ["no-fault"]


def test_the_text_names_number_unit_and_limit():
    text = symptom(clean(lines=mains({100: -28.0})), "hum-sidebands").text
    assert text == "sidebands at 100 Hz, 28 dB below the tone (limit -40 dBc)"


def test_a_fault_needs_the_whole_interval():
    # 1.96 sigma: 3 dB past the limit with 1 dB of scatter is a fault, with 2 dB a note
    assert (
        severity(clean(lines={"sidebands": (line(100, -37, family="twice-mains", sigma=1.0),)}), "hum-sidebands")
        == "fault"
    )
    assert (
        severity(clean(lines={"sidebands": (line(100, -37, family="twice-mains", sigma=2.0),)}), "hum-sidebands")
        == "note"
    )


# ---- noise hides ---------------------------------------------------------------------------------

HIDDEN: list[tuple[str, Measurements, float]] = [
    ("hum-sidebands", clean(lines={"sideband_floor_dbc": -38.0}), -38.0),
    ("spur-lines", clean(lines={"sideband_floor_dbc": -38.0}), -38.0),
    ("harmonic-distortion", clean(purity={"thd_db": -31.0, "thd_floor_db": -30.0}), -30.0),
    ("noisy-tone", clean(purity={"pm_excess_rad": 0.0, "pm_excess_floor_rad": 0.05}), 0.05),
    ("audio-hum", clean(purity={"hum_floor_dbc": -30.0}), -30.0),
    ("backwave", clean(keying={"backwave_floor_db": -25.0}), -25.0),
    ("chirp", clean(keying={"chirp_hz": 2.0, "chirp_hz_sigma": 4.0}), 10.0),
    ("chirp", clean(keying={"chirp_hz": 7.0, "chirp_hz_sigma": 4.0}), 10.0),
    ("drift", clean(drift={"rate_hz_per_min": 2.5, "rate_hz_per_min_sigma": 2.0}), 5.0),
    ("overshoot", clean(keying={"overshoot_db": 1.0, "overshoot_db_sigma": 2.0}), 5.0),
    # 3 dB of rise with noise of -20 dBc around the tone: -17 dBc
    ("rasp", clean(purity={"rasp_dbc": -19.5, "rasp_rise_db": 0.5, "rasp_rise_db_sigma": 0.3}), -17.0),
    ("other-signal", clean(lines={"other_floor_dbc": -20.0}), -20.0),
]  # fmt: skip


@pytest.mark.parametrize(("name", "m", "level"), HIDDEN, ids=[f"{h[0]}-{i}" for i, h in enumerate(HIDDEN)])
def test_noise_makes_a_symptom_untestable_never_absent(name, m, level):
    d = diagnose(m)
    assert name not in [s.id for s in d.symptoms]
    assert d.not_measured[f"symptoms.{name}"] == pytest.approx(level)


def test_what_stands_out_of_the_noise_is_still_seen():
    assert severity(clean(lines=dict(mains({100: -30}), sideband_floor_dbc=-38.0)), "hum-sidebands") == "fault"
    assert severity(clean(keying={"chirp_hz": 15.0, "chirp_hz_sigma": 4.0}), "chirp") == "note"
    assert severity(clean(purity={"thd_db": -20.0, "thd_floor_db": -30.0}), "harmonic-distortion") == "fault"


def test_what_was_not_measured_carries_its_reason():
    m = clean(
        purity={
            "thd_db": None,
            "thd_floor_db": None,
            "missing": {"thd_db": "no key-down stretch is long enough"},
        }
    )
    assert diagnose(m).not_measured["symptoms.harmonic-distortion"] == "no key-down stretch is long enough"


def test_lines_hidden_by_the_keying_are_not_called_absent():
    m = clean(lines={"mains_hz": 50.0, "blind_hz": (50.0,)})
    assert "50 Hz" in diagnose(m).not_measured["symptoms.hum-sidebands"]


# ---- rasp ----------------------------------------------------------------------------------------


def _noisy(m: Measurements, dbc: float, rise: float) -> Measurements:
    return replace(m, purity=replace(m.purity, rasp_dbc=dbc, rasp_rise_db=rise, rasp_rise_db_sigma=0.2))


def test_rasp_needs_both_level_and_rise():
    assert severity(_noisy(clean(), -20.0, 2.5), "rasp") == "unseen"  # additive noise: it hides, it accuses nobody
    assert severity(_noisy(clean(), -40.0, 10.0), "rasp") is None
    assert severity(_noisy(clean(), -20.0, 3.5), "rasp") == "note"
    assert severity(_noisy(clean(), -20.0, 7.0), "rasp") == "fault"
    assert severity(_noisy(clean(), -30.0, 20.0), "rasp") == "note"


def test_rasp_of_a_steady_tone_needs_a_wide_passband_and_one_db_more():
    narrow = steady(signal={"passband_hz": (500.0, 1000.0)})
    assert severity(_noisy(narrow, -20.0, 10.0), "rasp") == "unseen"
    assert severity(_noisy(steady(), -33.0, 3.5), "rasp") == "unseen"  # -36.5 dBc of noise plus 4 dB
    assert severity(_noisy(steady(), -33.0, 4.5), "rasp") == "note"
    with_quiet_end = replace(narrow, signal=replace(narrow.signal, present_s=(0.0, 40.0)))
    assert severity(_noisy(with_quiet_end, -20.0, 10.0), "rasp") == "fault"


def test_noise_that_another_stations_keying_makes_is_no_rasp():
    """27 dB below a station lies beyond 80 Hz of it with edges of 3 ms."""
    other = OtherSignal(frequency_hz=950.0, level_dbc=-3.0, keyed=True, dips_with_ours=None, same_lines=None)
    beside = clean(lines={"others": (other,)})
    assert severity(_noisy(beside, -31.0, 10.0), "rasp") == "unseen"
    assert severity(_noisy(beside, -29.0, 10.0), "rasp") == "note"
    carrier = clean(lines={"others": (replace(other, keyed=False),)})
    assert severity(_noisy(carrier, -31.0, 10.0), "rasp") == "note"


def test_a_voice_or_hum_as_strong_is_no_rasp():
    spoken = clean(purity={"voice_dbc": -25.0})
    assert severity(_noisy(spoken, -20.0, 10.0), "rasp") == "unseen"
    assert severity(_noisy(spoken, -18.0, 10.0), "rasp") == "fault"
    hum = {"hum_dbc": -20.0, "hum_dbc_sigma": 0.1, "hum_hz": 100.0}
    assert severity(_noisy(steady(purity=hum), -18.0, 10.0), "rasp") == "unseen"
    assert severity(_noisy(steady(purity=hum), -16.0, 10.0), "rasp") == "fault"
    assert severity(_noisy(clean(purity=hum), -18.0, 10.0), "rasp") == "fault"  # at key-up the hum is heard alone


def test_a_voice_below_the_recordings_coarse_steps_is_not_heard():
    """A tone of 8 steps of 8 bits: all of the rounding's error is 10 log10(1/6/64) = -25.8 dB below it."""
    coarse = {"health": {"bits_used": 8}, "signal": {"level_dbfs": -24.1, "cn0_dbhz": 90.0}}
    assert severity(clean(purity={"voice_dbc": -27.0}, **coarse), "voice-breakthrough") == "unseen"
    assert severity(clean(purity={"voice_dbc": -15.0}, **coarse), "voice-breakthrough") == "fault"
    assert severity(clean(purity={"voice_dbc": -27.0}), "voice-breakthrough") == "fault"


def test_two_jumps_in_one_pause_do_not_hide_one_that_is_told():
    told = Step(time_s=10.0, size_hz=3.5, size_hz_sigma=0.01)
    pair = tuple(Step(time_s=30.0 + k, size_hz=4.0, size_hz_sigma=200.0) for k in range(2))
    m = clean(drift={"steps": (told, *pair), "model": "steps"})
    assert symptom(m, "frequency-jumps").value == 3.5 and severity(m, "frequency-jumps") == "fault"
    assert severity(clean(drift={"steps": pair, "model": "steps"}), "frequency-jumps") == "unseen"


# ---- lines and other signals ---------------------------------------------------------------------


def test_a_line_that_goes_with_the_key_is_a_spur_one_that_stays_another_signal():
    spur = Spur(frequency_hz=1234.0, level_dbc=-20.0, when="key-down")
    assert severity(clean(lines={"spurs": (spur,)}), "spur-lines") == "fault"
    stays = replace(spur, when="always")
    m = clean(lines={"spurs": (stays,)})
    assert (severity(m, "spur-lines"), severity(m, "other-signal")) == (None, "note")


def test_mains_lines_are_no_spurs():
    m = clean(lines=mains({100: -30.0}))
    assert [s.id for s in find(m)[0]] == ["hum-sidebands"]


def test_other_signals_outside_the_passband_are_left_out():
    m = clean(lines={"spurs": (Spur(frequency_hz=5000.0, level_dbc=-3.0, when="always"),)})
    assert find(m)[0] == ()


# ---- keying --------------------------------------------------------------------------------------


def test_clicks_are_untestable_through_a_narrow_filter():
    m = clean(keying={"rise_s": 2.5e-3, "rise_limit_s": 2.1e-3})
    assert severity(m, "key-clicks") == "unseen"


def test_a_filter_of_its_own_moves_the_fault_limit_of_clicks():
    # 1.2 times the passband's own 1.9 ms is 2.28 ms
    assert severity(clean(keying={"rise_s": 2.1e-3, "rise_limit_s": 0.4e-3}), "key-clicks") == "note"
    assert severity(clean(keying={"rise_s": 2.1e-3, "rise_limit_s": 1.9e-3}), "key-clicks") == "fault"


def test_edges_too_noisy_to_judge():
    m = clean(keying={"rise_s": 2.6e-3, "rise_s_sigma": 1.5e-3, "fall_s": 5e-3, "fall_s_sigma": 1.5e-3})
    assert severity(m, "key-clicks") == "unseen"


def test_slow_edges_are_the_transmitters_not_the_filters():
    # 20 ms through a filter that makes 19 ms by itself: 6.2 ms of 75 ms
    m = clean(keying={"rise_s": 20e-3, "fall_s": 20e-3, "rise_limit_s": 19e-3})
    assert severity(m, "slow-keying") is None
    assert severity(clean(keying={"rise_s": 20e-3, "fall_s": 20e-3}), "slow-keying") == "note"


def test_bad_timing_is_a_fault_only_where_the_copy_suffers():
    scattered = {"element_jitter": 0.3, "element_jitter_sigma": 0.01}
    assert severity(clean(keying={**scattered, "text_confidence": 0.95}), "keying-timing") == "note"
    assert severity(clean(keying={**scattered, "text_confidence": 0.85}), "keying-timing") == "fault"
    found = symptom(clean(keying={**scattered, "text_confidence": 0.95}), "keying-timing")
    assert found.limit == 0.08


def test_backwave_needs_to_know_what_the_gain_did():
    m = clean(keying={"backwave_db": -20.0, "backwave_db_sigma": 0.2}, bursts={"gain_recovery_db": None})
    assert severity(m, "backwave", plan(receiver={"gain_control": True})) == "unseen"
    assert severity(m, "backwave", plan(receiver={"gain_control": False})) == "fault"


def test_chirp_of_slow_modes_counts_against_what_a_dit_resolves():
    # dit of 3 s: 1/3 Hz; shift of 5 Hz does not matter
    slow = {"dit_s": 3.0, "chirp_hz_sigma": 0.005}
    qrss = plan(sent={"keying": "qrss", "dit_s": 3.0})
    assert severity(clean(keying={**slow, "chirp_hz": 0.06}), "chirp", qrss) is None
    assert severity(clean(keying={**slow, "chirp_hz": 0.1}), "chirp", qrss) == "note"
    assert severity(clean(keying={**slow, "chirp_hz": -0.2}), "chirp", qrss) == "fault"
    small_shift = plan(sent={"keying": "fskcw", "dit_s": 3.0, "shift_hz": 0.1})
    shifted = clean(keying={**slow, "chirp_hz": 0.06}, signal={"kind": "shifted"})
    assert severity(shifted, "chirp", small_shift) == "fault"
    # what is keyed on and off has no shift, whatever the plan says
    assert severity(clean(keying={**slow, "chirp_hz": 0.06}), "chirp", small_shift) is None


# ---- drift ---------------------------------------------------------------------------------------


def test_drift_of_slow_modes_counts_over_one_dit():
    # 1 Hz/min over a 10 s dit are 0.167 Hz, against 1/10 Hz: 1.67
    m = clean(
        keying={"dit_s": 10.0},
        drift={"rate_hz_per_min": 1.0, "rate_hz_per_min_sigma": 0.01, "model": "linear"},
    )
    found = symptom(m, "drift", plan(sent={"keying": "qrss", "dit_s": 10.0}))
    assert (found.severity, found.value) == ("note", pytest.approx(1.0 / 60 * 10 * 10))
    assert severity(m, "drift") == "note"  # a keyed signal with so long a dit is slow, plan or not


def test_drift_of_a_slot_counts_over_the_transmission():
    four = clean(signal={"kind": "four-tone", "snr_db": 0.0})
    drifting = lambda hz: replace(four, slot=replace(four.slot, drift_hz=hz, drift_hz_sigma=0.05))  # noqa: E731
    assert severity(drifting(0.9), "drift") is None
    assert severity(drifting(-1.2), "drift") == "note"
    assert severity(drifting(3.2), "drift") == "fault"


def test_no_cycle_found_is_no_wobble():
    assert severity(clean(), "frequency-wobble") is None


# ---- recorder and path ---------------------------------------------------------------------------


def test_any_dropout_is_a_fault():
    m = clean(health={"dropouts": (Dropout(time_s=3.0, length_s=0.02, how="zeros"),)})
    found = symptom(m, "dropouts")
    assert (found.severity, found.value) == ("fault", 1.0)


def test_bursts_need_both_level_and_time():
    assert severity(clean(bursts={"burst_over_floor_db": 30.0, "burst_time_fraction": 0.005}), "noise-bursts") is None
    assert severity(clean(bursts={"burst_over_floor_db": 30.0, "burst_time_fraction": 0.02}), "noise-bursts") == "note"
    assert severity(clean(bursts={"burst_over_floor_db": 15.0, "burst_time_fraction": 0.20}), "noise-bursts") == "note"


def test_noise_alone_is_no_fading():
    # 14 dBHz are 7 dB in 0.2 s: a scatter of 2.7 dB by itself, 9 dB from 5 to 95 %; with 10 dB of
    # fading 13.5 dB
    weak = clean(signal={"cn0_dbhz": 14.0, "snr_db": -20.0, "level_range_db": 12.0})
    assert severity(weak, "fading") == "unseen"
    assert severity(clean(signal={"cn0_dbhz": 40.0, "level_range_db": 12.0}), "fading") == "note"


def test_weak_has_its_own_meaning_for_each_kind():
    assert severity(steady(signal={"snr_db": -9.0, "cn0_dbhz": 25.0}), "weak-signal") is None
    assert severity(steady(signal={"snr_db": -11.0, "cn0_dbhz": 23.0}), "weak-signal") == "note"
    # 10 dBHz over a dit of 3 s: 14.8 dB; of 6 s: 17.8 dB
    slow = clean(signal={"snr_db": -24.0, "cn0_dbhz": 10.0}, keying={"dit_s": 3.0})
    assert severity(slow, "weak-signal") == "note"
    assert severity(clean(signal={"snr_db": -24.0, "cn0_dbhz": 10.0}, keying={"dit_s": 6.0}), "weak-signal") is None
    four = clean(signal={"kind": "four-tone", "snr_db": -23.0})
    assert severity(four, "weak-signal") == "note"


# ---- against the plan ----------------------------------------------------------------------------

CALIBRATED = {"dial_hz": 10_138_700.0, "sideband": "usb", "error_ppm": 0.0, "error_ppm_sigma": 0.01}


def test_frequency_against_the_plan():
    def off(hz: float, **receiver: Any) -> str | None:
        where = {"hz": 10_139_400.0 - hz}
        return severity(clean(), "off-frequency", plan(carrier=where, receiver={**CALIBRATED, **receiver}))

    assert (off(5.0), off(-12.0), off(60.0)) == (None, "note", "fault")
    assert off(60.0, error_ppm_sigma=10.0) == "unseen"  # 100 Hz of doubt


def test_lower_sideband_turns_the_sign():
    receiver = {**CALIBRATED, "sideband": "lsb", "dial_hz": 10_140_000.0}
    found = symptom(clean(), "off-frequency", plan(carrier={"hz": 10_139_200.0}, receiver=receiver))
    assert found.value == pytest.approx(100.0)  # 10 140 000 - 700 - 10 139 200


def test_a_calibrated_receiver_is_corrected():
    # 1 ppm of 10.1387 MHz is 10.14 Hz
    receiver = {**CALIBRATED, "error_ppm": 2.0}
    found = symptom(clean(), "off-frequency", plan(carrier={"hz": 10_139_400.0}, receiver=receiver))
    assert found.value == pytest.approx(2 * 10.1387, abs=0.01)


def test_start_against_the_plan():
    def off(start: datetime) -> str | None:
        p = plan(timing={"repeat_s": 120, "after_s": 1.0}, recorder={"start_utc": start, "start_utc_sigma_s": 0.05})
        return severity(clean(), "off-time", p)  # the first key-down comes at 2.0 s

    assert off(datetime(2026, 11, 1, 10, 1, 59, tzinfo=UTC)) is None
    assert off(datetime(2026, 11, 1, 10, 1, 59, 700_000, tzinfo=UTC)) == "note"
    assert off(datetime(2026, 11, 1, 10, 1, 57, tzinfo=UTC)) == "fault"


def test_a_recording_that_begins_within_a_transmission_shows_no_start():
    m = clean(signal={"present_s": (0.1, 58.0)})
    p = plan(timing={"repeat_s": 120}, recorder={"start_utc": datetime(2026, 11, 1, 10, 2, 30, tzinfo=UTC)})
    assert severity(m, "off-time", p) == "unseen"


def test_speed_against_the_plan():
    assert [severity(clean(), "off-speed", plan(sent={"speed_wpm": w})) for w in (15.6, 15.0, 13.0)] == [
        None, "note", "fault",
    ]  # fmt: skip
    assert symptom(clean(), "off-speed", plan(sent={"speed_wpm": 20})).value == pytest.approx(16 / 20 - 1)


def test_the_text_against_the_plan():
    assert severity(clean(), "wrong-message", plan(sent={"text": "VVV DE Q5KAP"})) is None
    assert severity(clean(), "wrong-message", plan(sent={"text": "VVV DE Q7XYZ"})) == "fault"
    assert severity(clean(), "wrong-message") == "unseen"


# ---- no signal -----------------------------------------------------------------------------------


def test_without_a_signal_only_the_recording_is_judged():
    m = clean(signal={"kind": "none"}, health={"dropouts": (Dropout(time_s=1, length_s=0.1, how="zeros"),)})
    d = diagnose(m)
    assert d.verdict == "no-signal"
    assert [s.id for s in d.symptoms] == ["dropouts"]
    assert d.not_measured["symptoms.drift"] == "no signal was found"


@pytest.mark.parametrize(
    ("health", "word"),
    [({"silent_fraction": 1.0}, "silent"), ({"peak_dbfs": -70.0}, "quiet"), ({}, "sideband")],
)
def test_without_a_signal_the_sentence_says_what_to_check(health, word):
    assert word in diagnose(clean(signal={"kind": "none"}, health=health)).sentence


def test_a_backwave_known_to_some_decibels_is_one_all_the_same():
    # the noise tells a gain control's swing to a few decibels only
    keying = {"backwave_db": -17.0, "backwave_db_sigma": 3.0, "backwave_floor_db": -40.0}
    assert severity(clean(keying=keying), "backwave") == "fault"
    assert severity(clean(keying={**keying, "backwave_db": -33.0}), "backwave") == "note"


@pytest.mark.parametrize(
    ("am_share", "pm_share", "wanted"),
    [
        (0.80, 1.02, "unseen"),  # a gain control has taken a fifth of the amplitude
        (1.00, 1.25, "note"),  # nothing is flattened
        (0.80, 1.30, "note"),  # the angle is more than the noise explains
    ],
)
def test_a_gain_control_that_flattens_the_noise_makes_no_noisy_tone(
    am_share: float, pm_share: float, wanted: str
) -> None:
    """43 dBHz: within 300 Hz either way the noise has 600 / 10^4.3 / 2 of the tone's power in each part."""
    additive = 600.0 / 10**4.3 / 2
    noise = {
        "am_percent": 100 * (am_share * additive) ** 0.5, "pm_rad": (pm_share * additive) ** 0.5,
        "pm_excess_rad": ((pm_share - am_share) * additive) ** 0.5, "pm_excess_rad_sigma": 0.002,
        "pm_excess_floor_rad": 0.015,
    }  # fmt: skip
    m = steady(signal={"kind": "steady", "cn0_dbhz": 43.0, "snr_db": 9.0}, purity=noise)
    assert severity(m, "noisy-tone") == wanted


def test_a_digital_buss_comb_is_in_the_audio_and_no_signal() -> None:
    others = tuple(
        OtherSignal(frequency_hz=hz, level_dbc=-20.0, keyed=False, dips_with_ours=None, same_lines=None)
        for hz in (1000.0, 2000.0)
    )
    m = clean(lines={"others": others, "bus_hz": 1000.0, "bus_dbc": -20.0})
    assert severity(m, "audio-hum") == "fault" and "digital bus" in symptom(m, "audio-hum").text
    assert severity(m, "other-signal") is None
    assert severity(replace(m, lines=replace(m.lines, bus_hz=None, bus_dbc=None)), "other-signal") == "note"


@pytest.mark.parametrize(
    ("mains_hz", "level_db", "wanted"),
    [
        (50.1, -43.0, "unseen"),  # harmonic 14 is 1.4 Hz away, and may be 17 dB below the strongest line
        (50.1, -25.0, "fault"),  # but not so strong
        (51.9, -43.0, "note"),  # the nearest harmonic is 25 Hz away
    ],
)
def test_hum_beside_the_tone_is_no_backwave(mains_hz: float, level_db: float, wanted: str) -> None:
    m = clean(
        keying={"backwave_db": level_db, "backwave_db_sigma": 0.2},
        purity={"hum_dbc": -20.0, "hum_hz": mains_hz, "mains_hz": mains_hz},
    )
    assert severity(m, "backwave") == wanted
