"""Saved results read back: the same measurements, and for anything else one clear line."""

from __future__ import annotations

import copy
import json
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import sigcheck
from sigcheck.comparison import compare
from sigcheck.errors import ResultError, SigcheckError
from sigcheck.result import SCHEMA
from sigcheck.saved import from_dict, load_result

SAMPLES = Path(__file__).parent.parent / "sample_audio"


@pytest.fixture(scope="module")
def result() -> sigcheck.Result:
    plan = sigcheck.load_plan(SAMPLES / "hum-and-clicks.plan.toml")
    return sigcheck.diagnose(SAMPLES / "hum-and-clicks.flac", plan=plan)


@pytest.fixture(scope="module")
def data(result: sigcheck.Result) -> dict[str, Any]:
    return result.to_dict()


def test_what_is_read_is_what_was_measured(result, tmp_path):
    result.save(tmp_path / "r.json")
    again = load_result(tmp_path / "r.json")
    for name, family in result.measurements.families().items():
        read = again.measurements.families()[name]
        for f in fields(family):
            if f.name != "missing":
                assert getattr(read, f.name) == getattr(family, f.name), f"{name}.{f.name}"
    assert again.symptoms == result.diagnosis.symptoms
    assert again.plan == result.plan
    assert again.sha256 == result.recording.sha256
    assert again.verdict == result.verdict


def test_unknown_keys_are_left_alone_and_absent_ones_are_not_measured(data):
    changed = copy.deepcopy(data)
    changed["keying"]["colour_of_the_key"] = "brass"
    changed["later"] = {"x": 1}
    del changed["keying"]["rise_s"], changed["noise"]
    m = from_dict(changed).measurements
    assert m.keying.rise_s is None and m.bursts.burst_over_floor_db is None
    assert m.keying.fall_s == data["keying"]["fall_s"]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d.update(schema=SCHEMA + 1), "newer version"),
        (lambda d: d.pop("schema"), "no result of sigcheck"),
        (lambda d: d.update(schema="1"), "schema is '1'"),
        (lambda d: d["purity"].update(thd_db="loud"), "purity.thd_db is 'loud', not a number"),
        (lambda d: d["purity"].update(thd_db=True), "purity.thd_db is True"),
        (lambda d: d["purity"].update(thd_db=1e300), "which no measurement gives"),
        (lambda d: d["keying"].update(n_elements=1.5), "keying.n_elements is 1.5, not a whole number"),
        (lambda d: d["signal"].update(kind="loud"), "signal.kind is 'loud', not one of none, steady"),
        (lambda d: d["signal"].pop("kind"), "signal.kind is missing"),
        (lambda d: d["sidebands"][0].pop("level_dbc"), "level_dbc is missing"),
        (lambda d: d.update(sidebands={}), "sidebands is a dict, not a list"),
        (lambda d: d.update(symptoms=None), "symptoms is None, not a list"),
        (lambda d: d.update(verdict="bad"), "verdict is 'bad'"),
        (lambda d: d["signal"].update(passband_hz=[1.0]), "holds 1 values, not 2"),
        (lambda d: d.update(plan={"sent": [{"speed": 3}]}), "the plan in it can't be used"),
        (lambda d: d.update(signal=[]), "section 'signal' is missing or no object"),
    ],
)
def test_a_damaged_result_is_refused_with_the_place(data, change, says):
    broken = copy.deepcopy(data)
    change(broken)
    with pytest.raises(ResultError, match=r"diagnose the recording again$") as error:
        from_dict(broken, "old.json")
    assert says in str(error.value) and "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "no JSON"),
        (b"{", "no JSON"),
        (b"[1, 2]", "object with sections"),
        (b"NaN", "no JSON"),
        (b'{"schema": NaN}', "NaN is no number"),
        (b"\xff\xfe{\x00", "not text in UTF-8"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"schema": 1' + b"0" * 5000 + b"}", "no JSON"),
    ],
)
def test_files_that_are_no_result(tmp_path, content, says):
    path = tmp_path / "x.json"
    path.write_bytes(content)
    with pytest.raises(ResultError) as error:
        load_result(path)
    assert says in str(error.value) and str(path) in str(error.value)


def test_no_file_and_a_folder(tmp_path):
    with pytest.raises(ResultError, match="no such file"):
        load_result(tmp_path / "none.json")
    with pytest.raises(ResultError, match="can't be read"):
        load_result(tmp_path)


@given(st.binary(max_size=300))
@settings(max_examples=150)
def test_any_bytes_end_in_one_line(tmp_path_factory, content):
    path = tmp_path_factory.getbasetemp() / "any.json"
    path.write_bytes(content)
    try:
        load_result(path)
    except ResultError as error:
        assert "\n" not in str(error)


NUMBERS = st.floats(allow_nan=False) | st.integers() | st.sampled_from([0, -1, 1e-9, 1e9, -400.0])
JUNK = st.none() | st.booleans() | NUMBERS | st.text(max_size=4) | st.just([]) | st.just({})


@given(draw=st.data())
@settings(max_examples=120)
def test_any_value_changed_gives_a_comparison_or_one_line(data, draw):
    """Whatever number stands in a result, comparing ends in an answer or an error of ours."""
    broken = json.loads(json.dumps(data))
    broken["recording"]["sha256"] = "0" * 64
    for _ in range(3):
        where: Any = broken
        while True:
            keys = sorted(where) if isinstance(where, dict) else list(range(len(where)))
            key = draw.draw(st.sampled_from(keys))
            if isinstance(where[key], dict | list) and where[key] and draw.draw(st.integers(0, 5)):
                where = where[key]
                continue
            where[key] = draw.draw(JUNK)
            break
    for pair in ((data, broken), (broken, data)):
        try:
            c = compare(*pair, changed="attenuator", by_db=20.0)
        except SigcheckError as error:
            assert "\n" not in str(error)
        else:
            json.dumps(c.to_dict(), allow_nan=False)
