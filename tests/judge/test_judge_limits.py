"""The table of limits itself, and a plan's overrides."""

from __future__ import annotations

import math

import pytest
from judge_cases import clean, mains

from sigcheck.errors import PlanError
from sigcheck.judge import diagnose
from sigcheck.judge.limits import LIMITS, limits_for
from sigcheck.judge.symptoms import RULES
from sigcheck.plan import Plan
from sigcheck.quantities import QUANTITIES


def test_every_row_has_a_source_and_a_quantity():
    for row in LIMITS.values():
        assert row.source.strip() and row.quantity.strip(), row.id
        assert row.note is not None or row.fault is not None, row.id


def test_a_fault_lies_further_out_than_a_note():
    for row in LIMITS.values():
        if row.note is not None and row.fault is not None:
            assert row.beyond(row.fault, row.note), row.id


def test_every_symptom_has_a_row_a_rule_and_a_label():
    assert RULES.keys() <= LIMITS.keys()
    assert {f"symptoms.{name}" for name in RULES} <= QUANTITIES.keys()


def test_distortion_limits_are_two_and_five_per_cent():
    # 20 log10 of the ratio of amplitudes
    row = LIMITS["harmonic-distortion"]
    assert row.note == pytest.approx(20 * math.log10(0.02), abs=0.1)
    assert row.fault == pytest.approx(20 * math.log10(0.05), abs=0.1)


def test_an_override_moves_both_limits_of_its_row_alone():
    table = limits_for({"hum-sidebands": (-70.0, -50.0)})
    assert (table["hum-sidebands"].note, table["hum-sidebands"].fault) == (-70.0, -50.0)
    assert table["spur-lines"] == LIMITS["spur-lines"]


def test_half_an_override_keeps_the_other_limit():
    row = limits_for({"drift": (None, 30.0)})["drift"]
    assert (row.note, row.fault) == (LIMITS["drift"].note, 30.0)


def test_an_unknown_row_is_refused_with_the_nearest_named():
    with pytest.raises(PlanError, match="did you mean 'hum-sidebands'"):
        limits_for({"hum-sideband": (-70.0, -50.0)})


def test_a_plan_decides_what_is_a_fault():
    m = clean(lines=mains({100: -60}))
    assert diagnose(m).symptoms == ()
    strict = Plan.from_dict({"limits": {"hum-sidebands": {"note": -70, "fault": -65}}})
    (symptom,) = diagnose(m, strict).symptoms
    assert (symptom.id, symptom.severity, symptom.limit) == ("hum-sidebands", "fault", -65.0)
    lax = Plan.from_dict({"limits": {"hum-sidebands": {"note": -20, "fault": -10}}})
    assert diagnose(clean(lines=mains({100: -30})), lax).symptoms == ()
