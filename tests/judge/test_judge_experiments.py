"""Experiments: what is predicted, what is proposed, what an outcome means."""

from __future__ import annotations

import math

import pytest
from judge_cases import clean, mains

from sigcheck.judge import diagnose
from sigcheck.judge.experiments import SOMETHING_ELSE, TRIALS, after, expected_bits, propose
from sigcheck.judge.tables import CAUSES, MARKS, NO_FAULT

# What a comparison accepts as the thing that was changed.
CHANGES = {
    "distance", "attenuator", "battery", "audio-lead", "warm-up", "dummy-load", "keying", "steady-station",
    "recording-level", "retune", "transmitter-off", "gain-control-off", "receiver-battery", "other-receiver",
    "other",
}  # fmt: skip


def test_predictions_are_probabilities_of_known_outcomes_for_known_causes():
    for key, trial in TRIALS.items():
        assert (trial.id or key) in CHANGES
        assert trial.change in CHANGES or trial.otherwise in trial.outcomes
        assert trial.predicts.keys() <= CAUSES.keys() | {NO_FAULT}, key
        for cause in (*CAUSES, NO_FAULT):
            chances = trial.chances(cause)
            assert chances.keys() == trial.outcomes.keys(), (key, cause)
            assert sum(chances.values()) == pytest.approx(1.0), (key, cause)
        assert trial.marks is None or trial.marks <= MARKS.keys()


def test_each_says_what_to_do_what_it_costs_and_what_to_mind():
    for key, trial in TRIALS.items():
        assert trial.title and trial.do and trial.parts and trial.care and trial.minutes > 0, key


def test_cautions_where_work_can_hurt():
    assert "fuse" in TRIALS["battery"].care.lower()
    assert "protective earth" in TRIALS["audio-lead"].care
    assert "hot" in TRIALS["dummy-load"].care
    assert "straight to a receiver" in TRIALS["attenuator"].care


# Signs of the change relative to the tone under a pad: physics of each path to the receiver.
@pytest.mark.parametrize(
    ("cause", "outcome"),
    [
        ("receiver-overload", "less"),  # third order: -2 dB per dB
        ("transmitter-supply-hum", "same"),  # on the signal itself
        ("receiver-supply-hum", "same"),  # linear in the signal
        ("oscillator-noise", "same"),
        ("supply-sag", "same"),
        ("co-channel-station", "same"),  # it comes through the same pad
    ],
)
def test_what_a_pad_does(cause, outcome):
    chances = TRIALS["attenuator"].chances(cause)
    assert max(chances, key=lambda key: chances[key]) == outcome


def test_a_battery_cures_the_supply_and_a_known_station_clears_it():
    assert TRIALS["battery"].chances("transmitter-supply-hum")["less"] > 0.9
    assert TRIALS["battery"].chances("receiver-supply-hum")["same"] > 0.9
    assert TRIALS["steady-station"].chances("receiver-supply-hum")["too"] > 0.9
    assert TRIALS["steady-station"].chances("transmitter-supply-hum")["not"] > 0.9


def test_information_of_an_experiment_by_hand():
    # two causes alike likely, predictions opposite, each wrong one time in twenty (a tenth spread over
    # two outcomes): 1 - H(0.05)
    trial = TRIALS["steady-station"]
    bits = expected_bits(trial, {"receiver-supply-hum": 0.5, "transmitter-supply-hum": 0.5})
    h = -(0.05 * math.log2(0.05) + 0.95 * math.log2(0.95))
    assert bits == pytest.approx(1 - h)


def test_an_experiment_that_splits_nothing_tells_nothing():
    assert expected_bits(
        TRIALS["attenuator"], {"receiver-supply-hum": 0.5, "transmitter-supply-hum": 0.5}
    ) == pytest.approx(0)


def test_after_an_outcome_by_hand():
    then = after(TRIALS["steady-station"], "too", {"receiver-supply-hum": 0.2, "transmitter-supply-hum": 0.8})
    assert then["receiver-supply-hum"] == pytest.approx(0.2 * 0.95 / (0.2 * 0.95 + 0.8 * 0.05))


def test_supply_hum_is_never_settled_by_a_pad():
    d = diagnose(clean(lines=mains({100: -30, 200: -42})))
    assert d.causes[0].experiment.id in {"steady-station", "battery"}


def test_the_cheap_one_comes_first():
    # hum in the audio or another source: retuning for a minute says as much as an isolating transformer
    d = diagnose(clean(purity={"hum_dbc": -20.0, "hum_dbc_sigma": 0.3, "hum_hz": 50.0}))
    assert d.causes[0].experiment.minutes <= 2


def test_the_outcome_names_the_causes_it_leaves_standing():
    rivals = {"transmitter-supply-hum": 0.55, "receiver-supply-hum": 0.4}
    experiment = propose("transmitter-supply-hum", rivals, "hum-sidebands", frozenset({"battery"}))
    assert experiment.id == "steady-station"
    too = next(meaning for seen, meaning in experiment.outcomes if "receiving side" in seen)
    assert too.startswith("then hum on the receiver's own supply")
    assert "hardly hum on the transmitter's supply" in too
    assert all("{" not in seen for seen, _ in experiment.outcomes)


def test_what_was_tried_is_not_proposed_again():
    rivals = {"transmitter-supply-hum": 0.75, "receiver-supply-hum": 0.2}
    first = propose("transmitter-supply-hum", rivals, "hum-sidebands")
    second = propose("transmitter-supply-hum", rivals, "hum-sidebands", frozenset({first.id}))
    assert second.id != first.id


@pytest.mark.parametrize("cause", [*CAUSES, NO_FAULT])
def test_every_cause_has_an_experiment(cause):
    marks = [name for name, mark in MARKS.items() if cause in mark.rows] or [None]
    for mark in marks:
        e = propose(cause, {cause: 0.5}, mark)
        assert e.id in CHANGES and e.do and len(e.outcomes) >= 2
        assert all(seen and meaning and SOMETHING_ELSE not in meaning for seen, meaning in e.outcomes)
