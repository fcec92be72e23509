"""What holds for any measurements at all."""

from __future__ import annotations

import json
import math
import time
from dataclasses import fields, is_dataclass
from types import NoneType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from judge_cases import clean

from sigcheck.judge import Diagnosis, diagnose
from sigcheck.judge.tables import CAUSES, NO_FAULT
from sigcheck.measure import results
from sigcheck.plan import Plan

NUMBERS = st.one_of(
    st.floats(min_value=-120, max_value=120, allow_nan=False),
    st.floats(min_value=-0.2, max_value=0.2, allow_nan=False),
    st.sampled_from([0.0, 1e-9, 1e9, -1e9, 50.0, 100.0]),
).map(lambda x: round(x, 9))  # no measured quantity is finer than that in its unit


def anything(hint: Any, name: str = "") -> st.SearchStrategy[Any]:
    """Any value of a field's type; sigmas, lengths and times are not negative."""
    origin, args = get_origin(hint), get_args(hint)
    if hint is NoneType:
        return st.none()
    if hint is float:
        positive = name.endswith(("_sigma", "_s", "_fraction", "_share", "_range_db")) or name == "snr_db_sigma"
        return NUMBERS.map(abs) if positive else NUMBERS
    if hint is int:
        return st.integers(0, 10)
    if hint is bool:
        return st.booleans()
    if hint is str:
        return st.sampled_from(["", "VVV DE Q5KAP", "E", "VVV DE Q5KAP VVV DE Q5KAP"])
    if origin is Literal:
        return st.sampled_from(args)
    if origin is tuple and args[-1] is Ellipsis:
        return st.lists(anything(args[0]), max_size=4).map(tuple)
    if origin is tuple:
        return st.tuples(*(anything(a) for a in args))
    if is_dataclass(hint):
        hints = get_type_hints(hint)
        chosen = {f.name: anything(hints[f.name], f.name) for f in fields(hint) if f.name != "missing"}
        return st.builds(hint, **chosen)
    if origin is Union or str(origin) == "<class 'types.UnionType'>":
        return st.one_of(*(anything(a, name) for a in args))
    raise AssertionError(f"no strategy for {hint}")


MEASUREMENTS = anything(results.Measurements)
PLANS = st.sampled_from(
    [
        None,
        Plan(),
        Plan.from_dict({"sent": {"keying": "qrss", "dit_s": 3.0, "text": "Q5KAP"}}),
        Plan.from_dict(
            {
                "sent": {"keying": "fskcw", "dit_s": 6.0, "shift_hz": 5.0, "text": "Q5KAP"},
                "carrier": {"hz": 10_139_400.0},
                "receiver": {"dial_hz": 10_138_700.0, "sideband": "usb", "gain_control": True},
                "timing": {"repeat_s": 120.0, "after_s": 1.0},
                "recorder": {"start_utc": "2026-11-01T10:02:00Z"},
                "limits": {"drift": {"note": 1.0}},
            }
        ),
    ]
)


def check(d: Diagnosis) -> None:
    assert d.causes and d.sentence.endswith(".")
    chances = [c.probability for c in d.causes]
    assert chances == sorted(chances, reverse=True)
    assert all(0.0 <= p <= 1.0 for p in chances)
    by_id = {c.id: c for c in d.causes}
    assert len(by_id) == len(d.causes)
    for cause in d.causes:
        assert cause.id in CAUSES or cause.id == NO_FAULT
        assert all(cause.id in by_id[other].same_as for other in cause.same_as)
        assert cause.experiment.outcomes
    for symptom in d.symptoms:
        assert math.isfinite(symptom.value) and symptom.text
        assert f"symptoms.{symptom.id}" not in d.not_measured
    if d.verdict == "clean":
        assert not d.symptoms and [c.id for c in d.causes] == [NO_FAULT]
    elif d.verdict != "no-signal":
        assert d.symptoms and NO_FAULT not in by_id
    assert (d.verdict == "faulty") == (any(s.severity == "fault" for s in d.symptoms) and d.verdict != "no-signal")
    json.dumps(d.to_dict(), allow_nan=False)


# Measurements are too large to shrink in reasonable time: a failure shows the example as it was drawn.
@settings(
    max_examples=50,
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=(Phase.explicit, Phase.reuse, Phase.generate),
)
@given(m=MEASUREMENTS, plan=PLANS)
def test_any_measurements_are_judged(m, plan):
    check(diagnose(m, plan))


def test_the_json_has_the_shapes_of_a_result():
    d = diagnose(clean(keying={"chirp_hz": -25.0, "droop_db": 2.0})).to_dict()
    assert d.keys() == {"symptoms", "causes", "verdict", "sentence", "not_measured"}
    assert d["symptoms"][0].keys() == {"id", "severity", "value", "sigma", "unit", "limit", "text"}
    assert d["causes"][0].keys() == {
        "id", "text", "probability", "for", "against", "same_as", "experiment",
    }  # fmt: skip


def test_judging_is_quick():
    """Under 50 ms even with much wrong at once; of the processor's time, the best of some runs."""
    m = clean(
        purity={
            "thd_db": -20.0,
            "rasp_dbc": -20.0,
            "rasp_rise_db": 20.0,
            "pm_excess_rad": 0.2,
            "hum_dbc": -20.0,
        },
        keying={
            "chirp_hz": -25.0,
            "overshoot_db": 7.0,
            "rise_s": 1e-3,
            "backwave_db": -20.0,
            "element_jitter": 0.3,
        },
        drift={"model": "linear", "rate_hz_per_min": 12.0},
        signal={"snr_db": -2.0, "level_range_db": 20.0},
        health={"clipped_fraction": 0.1},
    )
    best = math.inf
    for _ in range(7):
        start = time.process_time()
        diagnose(m)
        best = min(best, time.process_time() - start)
    assert best < 0.05


@pytest.mark.parametrize("bad", ["text", "E E E E E E E E"])
def test_a_long_plan_text_does_not_slow_it_down(bad):
    plan = Plan.from_dict({"sent": {"text": "VVV DE Q5KAP Q5KAP BEACON IN THE SHED " * 6}})
    m = clean(keying={"text": f"{bad} " * 200, "character_confidence": ()})
    start = time.process_time()
    diagnose(m, plan)
    assert time.process_time() - start < 0.5
