"""The strip: places on the scale, states, and which limits stand beside what."""

from __future__ import annotations

import pytest
from examples_for_report import clean, faulty, no_signal

from sigcheck.judge.limits import LIMITS
from sigcheck.report.gauges import FAULT_AT, NOTE_AT, _position, gauges, limit_for_path, untested

TWO_SIDED = [row for row in LIMITS.values() if row.note is not None and row.fault is not None]


@pytest.mark.parametrize("row", TWO_SIDED, ids=lambda row: row.id)
def test_limits_stand_at_the_zones_borders_and_worse_is_further_right(row) -> None:
    assert _position(row, row.note) == pytest.approx(NOTE_AT)
    assert _position(row, row.fault) == pytest.approx(FAULT_AT)
    step = 0.2 * abs(row.fault - row.note) * (1 if row.direction == "above" else -1)
    places = [_position(row, row.note + k * step) for k in range(-8, 9)]
    assert places == sorted(places) and 0.0 <= places[0] < NOTE_AT < places[-1] <= 1.0


def test_decibels_are_linear_and_other_quantities_logarithmic() -> None:
    hum, chirp = LIMITS["hum-sidebands"], LIMITS["chirp"]  # -50, -40 dBc; 5, 20 Hz
    middle = 0.5 * (NOTE_AT + FAULT_AT)
    assert _position(hum, -45.0) == pytest.approx(middle)
    assert _position(chirp, 10.0) == pytest.approx(middle)
    assert _position(chirp, 0.0) == 0.0


def test_faults_come_first_and_the_word_agrees_with_the_place() -> None:
    rows = gauges(faulty())
    assert [g.state for g in rows][:4] == ["fault", "note", "note", "good"]
    zones = {"good": (0.0, NOTE_AT), "note": (NOTE_AT, FAULT_AT), "fault": (FAULT_AT, 1.0)}
    for g in rows:
        low, high = zones[g.state]
        assert low <= g.at <= high, g.id
        assert g.low <= g.at <= g.high


def test_what_noise_hides_points_to_its_level() -> None:
    spurs = next(g for g in gauges(faulty()) if g.id == "spur-lines")
    assert spurs.below and spurs.value == "below -58.0 dBc"


def test_what_was_not_tested_is_no_gauge() -> None:
    result = faulty()
    assert {u.id for u in untested(result)} == {"backwave", "audio-hum"}
    assert not {"backwave", "audio-hum"} & {g.id for g in gauges(result)}
    why = {u.id: u.why for u in untested(result)}
    assert "-47.0 dB upwards" in why["backwave"]
    assert why["audio-hum"] == "no key-up stretch is long enough"


def test_the_plans_limits_count() -> None:
    result = clean()
    result["plan"]["limits"] = {"key-clicks": {"note": 0.004, "fault": 0.001}}
    edge = next(g for g in gauges(result) if g.id == "key-clicks")
    assert edge.limits == "note 4, fault 1 ms"
    assert limit_for_path("keying.rise_s", result) == "note 4, fault 1 ms"


def test_a_limit_is_shown_in_the_unit_of_the_quantity_beside_it() -> None:
    result = clean()
    assert limit_for_path("keying.element_jitter", result) == "note 8, fault 20 %"
    assert limit_for_path("recording.clipped_fraction", result) == "note 0.01, fault 0.1 %"
    assert limit_for_path("signal.tone_hz", result) == ""


def test_a_symptom_finds_the_row_of_its_own_measure() -> None:
    result = clean()
    result["symptoms"] = [
        {"id": "drift", "severity": "fault", "value": 4.0, "sigma": 0.1, "unit": "Hz", "limit": 3.0, "text": ""},
        {"id": "keying-timing", "severity": "note", "value": 0.5, "sigma": 0.02, "unit": "", "limit": 0.4, "text": ""},
    ]  # fmt: skip
    shown = {g.id: g for g in gauges(result)}
    assert shown["drift"].limits == "note 1, fault 3 Hz" and shown["drift"].at > FAULT_AT
    assert shown["keying-timing"].limits == "note 0.4, fault 0.8"


def test_what_is_judged_with_another_quantity_is_not_called_good_beyond_its_limit() -> None:
    result = clean()
    result["purity"]["rasp_dbc"] = -20.0  # loud noise that does not rise with the key is no rasp
    assert "rasp" not in {g.id for g in gauges(result)}


def test_no_signal_leaves_only_the_recording() -> None:
    assert {g.id for g in gauges(no_signal())} == {"dropouts"}
