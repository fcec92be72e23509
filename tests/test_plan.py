"""The plan: its keys, what is refused and how it is said."""

from __future__ import annotations

import json
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sigcheck import plan as plan_module
from sigcheck.errors import PlanError
from sigcheck.plan import Carrier, Plan, Receiver, Sent, load_plan

WHOLE = """
[[sent]]
keying = "cw"
text = "VVV  DE Q5KAP"
speed_wpm = 15
[[sent]]
keying = "dfcw"
dit_s = 3.0
shift_hz = 4.0
[carrier]
hz = 10140070.0
reference_hz = 25000000.0
power_w = 0.2
[timing]
repeat_s = 120
after_s = 1.0
[receiver]
dial_hz = 10138700.0
sideband = "usb"
error_ppm = 0.8
error_ppm_sigma = 0.1
gain_control = true
noise_reduction = false
[recorder]
start_utc = 2026-11-01T11:02:00.250+01:00
start_utc_sigma_s = 0.3
sample_rate_error_ppm = -12.3
[mains]
hz = 50.0
[limits]
hum-sidebands = { note = -70, fault = -50 }
drift = { fault = 20 }
"""


def parsed(toml: str) -> Plan:
    return Plan.from_dict(tomllib.loads(toml))


def test_every_key_is_kept_with_its_type() -> None:
    plan = parsed(WHOLE)
    assert plan.main == Sent(keying="cw", text="VVV DE Q5KAP", speed_wpm=15.0)
    assert plan.sent[1] == Sent(keying="dfcw", dit_s=3.0, shift_hz=4.0)
    assert plan.carrier == Carrier(hz=10140070.0, reference_hz=25e6, power_w=0.2)
    assert (plan.timing.repeat_s, plan.timing.after_s) == (120.0, 1.0)
    assert plan.receiver.sideband == "usb"
    assert (plan.receiver.gain_control, plan.receiver.noise_reduction) == (True, False)
    assert plan.recorder.start_utc == datetime(2026, 11, 1, 10, 2, 0, 250_000, tzinfo=UTC)
    assert plan.recorder.start_utc.utcoffset() == timedelta(0)
    assert plan.mains.hz == 50.0
    assert dict(plan.limits) == {"hum-sidebands": (-70.0, -50.0), "drift": (None, 20.0)}


def test_the_example_in_the_docstring_is_a_plan() -> None:
    indented = (plan_module.__doc__ or "").split("::", 1)[1].split("Each field")[0]
    example = parsed(indented)
    every = {
        (name, key)
        for name, section in (("sent", Sent), *plan_module._SECTIONS.items())
        for key in section.__dataclass_fields__
    }
    shown = example.to_dict()
    assert every == {(n, k) for n in shown if n != "limits" for k in _first(shown[n])}


def _first(section: Any) -> dict[str, Any]:
    return section[0] if isinstance(section, list) else section


def test_what_is_absent_is_unknown() -> None:
    plan = parsed("[receiver]\ndial_hz = 10138700")
    assert plan.sent == ()
    assert plan.main == Sent()
    assert plan.carrier.hz is None
    assert plan.receiver.error_ppm is None
    assert plan.tone_hz is None
    assert plan.to_dict() == {"receiver": {"dial_hz": 10138700.0}}
    assert Plan().to_dict() == {}


def test_to_dict_is_json_and_comes_back() -> None:
    plan = parsed(WHOLE)
    stored = json.loads(json.dumps(plan.to_dict()))
    assert stored["recorder"]["start_utc"] == "2026-11-01T10:02:00.250000Z"
    assert Plan.from_dict(stored) == plan


def test_the_tone_follows_from_carrier_dial_and_sideband() -> None:
    assert parsed(WHOLE).tone_hz == 1370.0
    lower = parsed('[carrier]\nhz=10140070\n[receiver]\ndial_hz=10141000\nsideband="lsb"')
    assert lower.tone_hz == 930.0


@pytest.mark.parametrize(
    ("sent", "dit_s"),
    [
        # Rec. ITU-R M.1677-1: PARIS has 50 dits, so a dit lasts 60 / 50 / WPM seconds.
        ({"keying": "cw", "speed_wpm": 12}, 0.1),
        ({"speed_wpm": 12}, 0.1),
        ({"keying": "qrss", "dit_s": 3}, 3.0),
        ({"dit_s": 3}, 3.0),
        ({"keying": "cw", "dit_s": 3}, None),
        ({"keying": "steady"}, None),
    ],
)
def test_planned_dit(sent: dict[str, Any], dit_s: float | None) -> None:
    assert Plan.from_dict({"sent": sent}).main.planned_dit_s == (dit_s and pytest.approx(dit_s))


def test_keys_that_the_keying_does_not_use_are_named() -> None:
    sent = Plan.from_dict({"sent": {"keying": "cw", "speed_wpm": 15, "dit_s": 3, "shift_hz": 4}}).main
    assert sent.unused == ("dit_s", "shift_hz")
    assert Plan.from_dict({"sent": {"keying": "dfcw", "dit_s": 3, "shift_hz": 4}}).main.unused == ()


def test_an_uncalibrated_chain_has_its_usual_uncertainty() -> None:
    assert Receiver().dial_error() == (0.0, 10.0)
    assert parsed(WHOLE).receiver.dial_error() == (0.8, 0.1)
    assert parsed(WHOLE).recorder.rate_error() == (-12.3, 50.0)


@pytest.mark.parametrize(
    ("toml", "message"),
    [
        # unknown keys, the nearest known one named
        ("[sent]\nspeed = 15", r"\[sent\] speed: no such key; did you mean speed_wpm\?"),
        ("speed_wpm = 15", r"speed_wpm: no such key; did you mean speed_wpm in \[sent\]\?"),
        ("[receiver]\ndial_khz = 10138.7", r"\[receiver\] dial_khz: .*did you mean dial_hz\?"),
        ("[reciever]\ndial_hz = 1e7", r"reciever: no such key; did you mean \[receiver\]\?"),
        ("[carrier]\nsideband = 'usb'", r"did you mean sideband in \[receiver\]\?"),
        ("[limits]\ndrift = { notes = 1 }", r"\[limits\.drift\] notes: .*did you mean note\?"),
        # wrong types and units, with an example
        ('[sent]\nspeed_wpm = "15"', r'speed_wpm = "15": needs a number, for example speed_wpm = 15'),
        ("[sent]\nspeed_wpm = true", r"speed_wpm = true: needs a number"),
        ("[carrier]\nhz = 10.14007", r"needs a number from 5000 .* for example hz = 10140070.0"),
        ("[carrier]\nhz = nan", r"hz = nan: needs a number"),
        ("[carrier]\npower_w = 0", r"needs a number above 0"),
        ("[sent]\nkeying = 'CW'", r"needs one of steady, cw, .* \(did you mean 'cw'\?\)"),
        ("[sent]\nsymbols = [0, 4]", r"the tones 0, 1, 2 or 3, for example symbols = \[3, 1, 0, 2\]"),
        ("[sent]\nsymbols = []", "needs a list"),
        ("[sent]\ntext = ' '", "needs a text in quotes"),
        ("[receiver]\ngain_control = 'on'", "needs true or false, without quotes"),
        ("[recorder]\nstart_utc = 2026-11-01T10:02:00", "has no zone; end it with Z"),
        ("[recorder]\nstart_utc = 2026-11-01", "needs a date and time"),
        ("[recorder]\nstart_utc = 0001-01-01T00:00:00+10:00", "outside the calendar"),
        ("[limits]\ndrift = 3", r"drift = 3: needs a note, a fault or both, for example drift ="),
        ("[limits]\ndrift = { note = 'high' }", r'"high" is no limit; needs a number'),
        ("[limits]\ndrift = { note = inf }", "inf is no limit"),
        ("carrier = 3", r"write \[carrier\] on a line of its own"),
        ("sent = 3", r"write \[sent\] on a line of its own"),
        ("limits = 3", r"write \[limits\] on a line of its own"),
        # what can't be true at once
        ("[sent]\nspeed_wpm = 12\ndit_s = 3", "speed_wpm = 12 means a dit of 0.1 s but dit_s = 3"),
        ("[timing]\nrepeat_s = 10\nafter_s = 11", "after_s = 11 lies beyond repeat_s = 10"),
        ("[receiver]\nerror_ppm_sigma = 1", "error_ppm_sigma stands without error_ppm"),
        (
            '[carrier]\nhz = 10140070\n[receiver]\ndial_hz = 10141000\nsideband = "usb"',
            'tone would be at -930 Hz.*is sideband = "lsb" meant?',
        ),
        (
            '[carrier]\nhz = 10140.07\n[receiver]\ndial_hz = 10138.7\nsideband = "usb"',
            "are both in hertz?",
        ),
    ],
)
def test_what_is_wrong_is_named_with_a_remedy(toml: str, message: str) -> None:
    with pytest.raises(PlanError, match=message) as caught:
        parsed(toml)
    assert str(caught.value).isprintable()


def test_files_that_are_no_plan_are_refused_in_one_line(tmp_path: Path) -> None:
    cases = {
        "missing.toml": None,
        "broken.toml": b"[sent\nkeying=",
        "latin.toml": b"# \xe9t\xe9\n",
        "nested.toml": b"a=" + b"[" * 5000,
        "wrong.toml": b"[sent]\nspeed = 3\n",
    }
    for name, content in cases.items():
        path = tmp_path / name
        if content is not None:
            path.write_bytes(content)
        with pytest.raises(PlanError) as caught:
            load_plan(path)
        assert name in str(caught.value)
        assert str(caught.value).isprintable()
    with pytest.raises(PlanError, match="is no plan"):
        load_plan(tmp_path)
    (tmp_path / "good.toml").write_text(WHOLE)
    assert load_plan(tmp_path / "good.toml") == parsed(WHOLE)


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
KEYS = st.sampled_from(
    ["sent", "limits", *plan_module._SECTIONS]
    + [k for s in (Sent, *plan_module._SECTIONS.values()) for k in s.__dataclass_fields__]
)


@given(st.dictionaries(KEYS, st.dictionaries(KEYS, ANYTHING, max_size=3) | ANYTHING, max_size=3))
def test_any_tables_are_a_plan_or_an_error(tables: dict[str, Any]) -> None:
    try:
        plan = Plan.from_dict(tables)
    except PlanError as error:
        assert str(error).isprintable()
    else:
        assert Plan.from_dict(json.loads(json.dumps(plan.to_dict()))) == plan


@given(st.binary(max_size=60))
def test_any_bytes_are_a_plan_or_an_error(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "any.toml"
    path.write_bytes(data)
    try:
        load_plan(path)
    except PlanError as error:
        assert str(error).isprintable()
