"""Signatures of causes, alone and in pairs: the right one, or its set, comes out on top."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace
from typing import Any

import pytest
from judge_cases import OtherSignal, Step, clean, line, mains, steady

from sigcheck.judge import Diagnosis, diagnose
from sigcheck.judge.evidence import _TRAITS
from sigcheck.judge.tables import CAUSES, MARKS, SAME, TRAITS
from sigcheck.measure.results import Dropout, Measurements
from sigcheck.plan import Plan

Changes = dict[str, dict[str, Any]]

OVERLOAD = {
    "thd_db": -20.0, "odd_dbc": -22.5, "even_dbc": -23.5, "after_filter_dbc": -80.0, "flat_top_share": 1.2,
    "rasp_dbc": -24.0, "rasp_rise_db": 18.0, "rasp_rise_db_sigma": 1.0, "rasp_angle_share": 0.5,
    "pm_excess_rad": 0.05,
}  # fmt: skip
FLAT = {
    "thd_db": -20.0,
    "odd_dbc": -20.5,
    "even_dbc": -32.0,
    "after_filter_dbc": -28.0,
    "flat_top_share": 2.5,
}
NOISY = {
    "rasp_dbc": -24.0, "rasp_rise_db": 18.0, "rasp_rise_db_sigma": 0.5, "rasp_angle_share": 0.95,
    "pm_excess_rad": 0.08,
}  # fmt: skip
STEPS = tuple(Step(time_s=5.0 * i, size_hz=2.0 * (-1) ** i, size_hz_sigma=0.05) for i in range(6))
JUMPS = tuple(Step(time_s=7.0 * i, size_hz=s, size_hz_sigma=0.05) for i, s in enumerate((4, -1, 2.5, -6, 1.2)))


def _drift(rate: float, model: str, **more: Any) -> Changes:
    return {"drift": {"rate_hz_per_min": rate, "rate_hz_per_min_sigma": 0.05, "model": model, **more}}


def _carrier(**more: Any) -> OtherSignal:
    return OtherSignal(**{"frequency_hz": 1500.0, "level_dbc": -30.0, "keyed": False, "dips_with_ours": None,
                          "same_lines": None, **more})  # fmt: skip


SIGNATURES: dict[str, Changes] = {
    "transmitter-supply-hum": {"lines": mains({100: -30, 200: -42, 300: -50})},
    "mains-remodulation": {"lines": mains({50: -30, 100: -32, 150: -40, 200: -41}, angle=0.5)},
    "magnetic-hum": {"lines": mains({50: -35}, angle=0.98)},
    "receiver-supply-hum": {"lines": {**mains({100: -30}), "others": (_carrier(same_lines=True),)}},
    "receiver-overload": {
        "purity": OVERLOAD, "lines": mains({100: -35, 50: -42}, angle=0.2), "signal": {"snr_db": 55.0},
        "keying": {"overshoot_db": 4.0, "overshoot_db_sigma": 0.1},
    },
    "audio-overdrive": {"purity": FLAT},
    "audio-ground-loop": {"purity": {"hum_dbc": -20.0, "hum_dbc_sigma": 0.3, "hum_hz": 50.0}},
    "oscillator-noise": {"purity": NOISY},
    "supply-sag": {"keying": {"chirp_hz": -25.0, "droop_db": 2.0}},
    "oscillator-pulling": {"keying": {"chirp_hz": 25.0, "droop_db": 0.1}},
    "gain-control": {
        "keying": {"overshoot_db": 7.0, "droop_db": 3.0}, "bursts": {"gain_recovery_db": 15.0},
    },
    "hard-keying": {"keying": {"rise_s": 1e-3, "fall_s": 1.2e-3}},
    "soft-keying": {"keying": {"rise_s": 30e-3, "fall_s": 35e-3}},
    "microphone-pickup": {
        "keying": {"rise_s": 6e-3, "fall_s": 40e-3, "backwave_db": -25.0, "backwave_db_sigma": 0.5},
        "purity": {"voice_dbc": -50.0},
    },
    "keying-leak": {"keying": {"backwave_db": -20.0, "backwave_db_sigma": 0.2}},
    "keyer-timing": {
        "keying": {"element_jitter": 0.25, "element_jitter_sigma": 0.01, "text_confidence": 0.7},
    },
    "key-bounce": {
        "keying": {"element_jitter": 0.25, "element_jitter_sigma": 0.01, "text_confidence": 0.7,
                   "broken_starts": 0.4},
    },
    "warm-up": _drift(-12.0, "warm-up", time_constant_s=90.0),
    "clock-drift": _drift(4.0, "linear"),
    "transmit-heating": _drift(4.0, "warm-up", repeats_each_transmission=True),
    "receiver-drift": {**_drift(4.0, "linear"), "lines": {"others": (_carrier(drifts_with_ours=True),)}},
    "temperature-cycling": {
        "drift": {"model": "cyclic", "cycle_s": 60.0, "cycle_peak_hz": 2.0, "cycle_peak_hz_sigma": 0.05},
    },
    "synthesiser-steps": {"drift": {"model": "steps", "steps": STEPS, "equal_steps": True}},
    "loose-connection": {"drift": {"model": "steps", "steps": JUMPS, "equal_steps": False}},
    "switching-supply": {
        "lines": {"switching_hz": 437.0, "sidebands": (line(437.0, -35, family="switching"),
                                                       line(874.0, -41, family="switching"))},
    },
    "co-channel-station": {"lines": {"others": (_carrier(keyed=True, level_dbc=-3.0),)}},
    "broadcast-breakthrough": {"purity": {"voice_dbc": -25.0}},
    "local-noise": {
        "bursts": {"burst_over_floor_db": 25.0, "burst_time_fraction": 0.1, "burst_rate_hz": 100.0},
    },
    "recorder-dropouts": {"health": {"dropouts": (Dropout(time_s=3.0, length_s=0.02, how="zeros"),)}},
    "path-fading": {"signal": {"level_range_db": 16.0}},
    "weak-path": {"signal": {"snr_db": -8.0, "cn0_dbhz": 26.0}},
}  # fmt: skip


def of(*names: str) -> Measurements:
    """The signatures of several causes in one recording."""
    merged: Changes = {}
    for name in names:
        for family, fields in SIGNATURES[name].items():
            merged[family] = {**merged.get(family, {}), **fields}
    return clean(**merged)


def named(d: Diagnosis) -> dict[str, float]:
    return {c.id: c.probability for c in d.causes}


@pytest.mark.parametrize("cause", SIGNATURES)
def test_its_signature_brings_the_cause_to_the_top(cause):
    d = diagnose(of(cause))
    assert d.symptoms
    assert d.causes[0].id == cause
    assert d.causes[0].evidence_for


@pytest.mark.parametrize("cause", SIGNATURES)
def test_a_cause_not_to_be_told_apart_is_no_confident_pick(cause):
    """Where the set has another member of a like prior and like marks, both are named."""
    top = diagnose(of(cause)).causes[0]
    for other in top.same_as:
        assert any({cause, other} <= group for group in SAME)


def test_supply_hum_of_either_side_is_split_by_the_priors_alone():
    chances = named(diagnose(of("transmitter-supply-hum")))
    ratio = chances["transmitter-supply-hum"] / chances["receiver-supply-hum"]
    priors = CAUSES["transmitter-supply-hum"].prior / CAUSES["receiver-supply-hum"].prior
    assert ratio == pytest.approx(priors, rel=0.3)  # odds, not probabilities, and a little of both at once
    top = diagnose(of("transmitter-supply-hum")).causes[0]
    assert {"receiver-supply-hum", "mains-remodulation"} <= set(top.same_as)


def test_another_carrier_with_the_same_lines_decides_for_the_receiver():
    top = diagnose(of("receiver-supply-hum")).causes[0]
    assert top.probability > 0.8
    assert any("1500 Hz" in text for text in top.evidence_for)


@pytest.mark.parametrize("hz", [50.0, 60.0])
@pytest.mark.parametrize("angle", [0.02, 0.3, 0.5])
def test_supply_hum_by_any_share_of_pushing(hz, angle):
    d = diagnose(clean(lines=mains({2 * hz: -30, 4 * hz: -42}, angle=angle, hz=hz)))
    assert d.causes[0].id == "transmitter-supply-hum"


@pytest.mark.parametrize("angle", [0.2, 0.5, 0.8])
@pytest.mark.parametrize("make", [clean, steady], ids=["keyed", "steady"])
def test_remodulation_has_both_families_and_both_natures(angle, make):
    d = diagnose(make(lines=mains({50: -30, 100: -33, 150: -40}, angle=angle)))
    assert d.causes[0].id == "mains-remodulation"


@pytest.mark.parametrize("level", [-15.0, -25.0, -32.0])
@pytest.mark.parametrize("flat", [1.0, 2.5])
def test_overdrive_by_its_harmonics_above_the_filter(level, flat):
    purity = {**FLAT, "thd_db": level, "odd_dbc": level - 0.5, "even_dbc": level - 12,
              "after_filter_dbc": level - 8, "flat_top_share": flat}  # fmt: skip
    assert diagnose(clean(purity=purity)).causes[0].id == "audio-overdrive"


def test_overload_in_a_steady_tone():
    m = steady(purity=OVERLOAD, lines=mains({50: -35, 100: -37}, angle=0.3), signal={"snr_db": 50.0})
    assert diagnose(m).causes[0].id == "receiver-overload"


def test_overload_without_rasp_still_by_harmonics_hum_and_overshoot():
    purity = {
        **OVERLOAD,
        "rasp_dbc": -44.0,
        "rasp_rise_db": 0.2,
        "pm_excess_rad": 0.002,
        "rasp_angle_share": None,
    }
    m = clean(
        purity=purity,
        lines=mains({100: -35}, angle=0.2),
        keying={"overshoot_db": 4.0, "overshoot_db_sigma": 0.1},
        signal={"snr_db": 50.0},
    )
    d = diagnose(m)
    assert d.causes[0].id == "receiver-overload"


# Causes whose marks do not touch each other's.
APART = (
    "transmitter-supply-hum", "audio-overdrive", "supply-sag", "hard-keying", "audio-ground-loop", "warm-up",
    "keyer-timing", "keying-leak", "loose-connection", "local-noise", "switching-supply", "gain-control",
)  # fmt: skip


def _probability_of_its_set(d: Diagnosis, cause: str) -> float:
    """Of the cause or of one that this recording cannot tell from it."""
    chances = named(d)
    same = next((c.same_as for c in d.causes if c.id == cause), ())
    return sum(chances.get(c, 0.0) for c in (cause, *same))


# A slow gain control draws the droop that would tell a sagging supply: these two hide each other.
PAIRS = [p for p in itertools.combinations(APART, 2) if set(p) != {"supply-sag", "gain-control"}]


@pytest.mark.parametrize("pair", PAIRS, ids="+".join)
def test_two_faults_at_once_are_both_named(pair):
    if {"transmitter-supply-hum", "switching-supply"} == set(pair):
        m = of("switching-supply")
        hum = mains({100: -30, 200: -42})
        m = replace(m, lines=replace(m.lines, sidebands=m.lines.sidebands + hum["sidebands"], mains_hz=50.0))
    elif {"warm-up", "loose-connection"} == set(pair):
        m = of(*pair)
        m = replace(m, drift=replace(m.drift, model="warm-up"))
    else:
        m = of(*pair)
    d = diagnose(m)
    for cause in pair:
        assert cause in named(d)
        assert _probability_of_its_set(d, cause) > 0.5, named(d)


def test_a_sagging_supply_under_a_slow_gain_control_is_named_as_a_set():
    d = diagnose(of("supply-sag", "gain-control"))
    chirping = next(c for c in d.causes if c.id in {"supply-sag", "oscillator-pulling"})
    assert {"supply-sag", "oscillator-pulling"} <= {chirping.id, *chirping.same_as}
    assert "gain-control" in named(d)


def test_three_faults_at_once_are_all_named():
    chances = named(diagnose(of("transmitter-supply-hum", "hard-keying", "clock-drift")))
    for cause in ("transmitter-supply-hum", "hard-keying", "clock-drift"):
        assert chances[cause] > 0.5


def test_five_faults_at_once_do_not_hide_each_other():
    five = ("transmitter-supply-hum", "hard-keying", "warm-up", "audio-ground-loop", "keying-leak")
    d = diagnose(of(*five))
    for cause in five:
        assert _probability_of_its_set(d, cause) > 0.5


def test_overload_is_one_fault_not_three():
    chances = named(diagnose(of("receiver-overload")))
    assert chances["receiver-overload"] > 0.9
    assert all(p < 0.4 for cause, p in chances.items() if cause != "receiver-overload")


def test_evidence_is_in_words_with_the_measured_number():
    top = diagnose(of("transmitter-supply-hum")).causes[0]
    assert "the mains sidebands are 98 % amplitude" in top.evidence_for
    top = diagnose(of("supply-sag")).causes[0]
    assert any(re.search(r"2\.0 dB", text) for text in top.evidence_for)
    remodulation = next(c for c in diagnose(of("transmitter-supply-hum")).causes if c.id == "mains-remodulation")
    assert any("98 % amplitude" in text for text in remodulation.against)


def test_what_the_noise_hides_does_not_count_against():
    hidden = {"rasp_dbc": -20.0, "rasp_rise_db": 0.1}
    seen = named(diagnose(clean(purity={**OVERLOAD, "rasp_dbc": -44.0, "rasp_rise_db": 0.1, "pm_excess_rad": 0.001})))
    unseen = named(diagnose(clean(purity={**OVERLOAD, **hidden, "pm_excess_rad": None,
                                          "pm_excess_floor_rad": 0.2})))  # fmt: skip
    assert unseen["receiver-overload"] > seen.get("receiver-overload", 0.0)


def test_a_plan_that_says_the_gain_control_was_off():
    off = Plan.from_dict({"receiver": {"gain_control": False}})
    m = of("gain-control")
    assert diagnose(m).causes[0].id == "gain-control"
    assert named(diagnose(m, off)).get("gain-control", 0.0) < 0.5


def test_settings_and_clock_by_the_plan():
    p = Plan.from_dict({"sent": {"text": "CQ DE Q7XYZ", "speed_wpm": 12}})
    d = diagnose(clean(), p)
    assert {s.id for s in d.symptoms} == {"off-speed", "wrong-message"}
    assert d.causes[0].id == "wrong-setting"


def test_verdict_and_sentence():
    d = diagnose(of("supply-sag"))
    assert d.verdict == "faulty" and d.sentence.startswith("Faulty: chirp. Most likely")
    note = diagnose(clean(lines=mains({100: -45})))
    assert note.verdict == "usable"
    assert "cannot tell" in note.sentence
    hidden = diagnose(clean(lines={"sideband_floor_dbc": -38.0}))
    assert hidden.verdict == "clean" and "-38" in hidden.sentence
    assert diagnose(clean()).sentence == "Clean: nothing beyond its limit."


def test_no_signal_names_what_to_look_at_and_no_absurd_certainty():
    d = diagnose(clean(signal={"kind": "none"}))
    assert {c.id for c in d.causes} == {"weak-path", "wrong-setting"}
    assert all(c.probability < 0.7 for c in d.causes)
    assert d.causes[0].experiment.id == "steady-station"


def test_every_trait_has_its_look():
    assert _TRAITS.keys() == TRAITS.keys()


def test_symptoms_are_marks():
    from sigcheck.judge.symptoms import RULES

    assert {name for name, mark in MARKS.items() if mark.is_symptom} == RULES.keys()
