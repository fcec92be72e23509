"""The obstacles between a beacon and a distant listener, in their order."""

from __future__ import annotations

from dataclasses import replace

from judge_cases import clean, mains

from sigcheck.judge import diagnose
from sigcheck.judge.shapes import Hearing
from sigcheck.measure.results import Copy, Measurements


def heard(m: Measurements) -> Hearing:
    return diagnose(m).hearing


def state(h: Hearing, name: str) -> str:
    return next(c.state for c in h.conditions if c.name == name)


def test_a_clean_signal_passes_what_was_tested_and_says_what_was_not():
    h = heard(clean())
    assert h.first_obstacle is None
    assert state(h, "tone purity") == state(h, "drift") == state(h, "keying") == "passed"
    assert state(h, "start inside the window") == state(h, "margin") == "unknown"
    assert "not known" in h.sentence and "margin" in h.sentence


def test_the_first_of_two_obstacles_is_named():
    drifting = clean(
        lines=mains({100.0: -20.0}),
        drift={"rate_hz_per_min": 30.0, "rate_hz_per_min_sigma": 0.1, "model": "linear"},
    )
    h = heard(drifting)
    assert h.first_obstacle == "drift" and "30" in h.sentence
    assert state(h, "tone purity") == "failed"


def test_a_note_is_bearable():
    h = heard(clean(lines=mains({100.0: -47.0})))
    condition = next(c for c in h.conditions if c.name == "tone purity")
    assert condition.state == "passed" and condition.text.startswith("bearable") and h.first_obstacle is None


def test_no_margin_is_the_last_obstacle():
    weak = replace(clean(), copy=Copy(margin_db=-4.0, margin_db_sigma=0.5, missing={}))
    assert heard(weak).first_obstacle == "no margin"
    strong = replace(clean(signal={"snr_db": 45.0}), copy=Copy(margin_db=50.0, margin_db_sigma=0.5, missing={}))
    margin = next(c for c in heard(strong).conditions if c.name == "margin")
    assert margin.state == "passed" and "says nothing of the path" in margin.text


def test_without_a_signal_nothing_is_claimed():
    h = heard(replace(clean(), signal=replace(clean().signal, kind="none")))
    assert h.conditions == () and h.first_obstacle is None and "No signal" in h.sentence
