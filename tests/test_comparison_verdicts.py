"""Comparisons: what is called a change, gone, hidden or new, the verdict, and the cause that is left."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import sigcheck
from sigcheck.comparison import compare
from sigcheck.errors import RecordingError, ResultError, SettingError

SAMPLES = Path(__file__).parent.parent / "sample_audio"
Data = dict[str, Any]


def diagnosed(name: str) -> Data:
    return sigcheck.diagnose(SAMPLES / f"{name}.flac").to_dict()


@pytest.fixture(scope="module")
def hum() -> Data:
    return diagnosed("supply-hum")


@pytest.fixture(scope="module")
def clean() -> Data:
    return diagnosed("clean-keyed")


@pytest.fixture(scope="module")
def strong() -> Data:
    return diagnosed("receiver-overloaded")


@pytest.fixture(scope="module")
def padded() -> Data:
    return diagnosed("receiver-overloaded-pad")


def other(data: Data, change: Callable[[Data], None] = lambda d: None) -> Data:
    """Another recording of the same: its own fingerprint, and something changed."""
    again = copy.deepcopy(data)
    again["recording"]["sha256"] = "f" * 64
    change(again)
    return again


def louder_hum(db: float) -> Callable[[Data], None]:
    def change(d: Data) -> None:
        for line in d["sidebands"]:
            line["level_dbc"] += db
        for s in d["symptoms"]:
            if s["id"] == "hum-sidebands":
                s["value"] += db

    return change


def row(c: sigcheck.Comparison, measure: str) -> Data:
    return next(r for r in c.to_dict()["changes"] if r["measure"] == measure)


def test_the_shape_that_is_promised(hum, clean):
    c = compare(hum, clean, changed="battery")
    d = c.to_dict()
    json.dumps(d, allow_nan=False)
    assert {"changes", "symptoms", "causes", "verdict"} <= d.keys()
    for r in d["changes"]:
        assert {"measure", "before", "after", "change", "change_sigma", "unit", "verdict"} <= r.keys()
        assert r["verdict"] in {"better", "worse", "same"}
    assert {"gone", "hidden", "new", "still"} <= d["symptoms"].keys()
    assert {"id", "text", "probability", "for", "against", "same_as", "experiment"} <= d["causes"][0].keys()


def test_hum_that_a_battery_cured(hum, clean):
    c = compare(hum, clean, changed="battery")
    assert c.verdict == "fixed" and c.gone == ("hum-sidebands",)
    assert c.causes[0].id == "transmitter-supply-hum"
    assert c.causes[0].probability > c.chance_before["transmitter-supply-hum"]
    assert "receiver-supply-hum" not in c.causes[0].same_as  # the battery told them apart
    assert "battery" in c.causes[0].evidence_for[0]
    level = row(c, "symptoms.hum-sidebands")
    assert level["after"] is None and level["holds"] == "at most" and level["verdict"] == "better"


def test_hum_that_a_battery_did_not_cure(hum):
    c = compare(hum, other(hum), changed="battery")
    assert c.verdict == "same" and c.still == ("hum-sidebands",)
    assert c.causes[0].id == "receiver-supply-hum"
    then = {x.id: x.probability for x in c.causes}
    assert then["transmitter-supply-hum"] < 0.5 * c.chance_before["transmitter-supply-hum"]
    assert c.causes[0].experiment.id != "battery"


def test_overload_under_a_pad_falls_faster_than_the_signal(strong, padded):
    c = compare(strong, padded, changed="attenuator", by_db=20)
    assert c.verdict == "fixed"
    assert set(c.gone) == {"hum-sidebands", "harmonic-distortion", "rasp"}
    assert c.causes[0].id == "receiver-overload" and c.causes[0].probability > 0.9
    # its third-order products: 1 to 2 dB per dB of pad, here from the edge of limiting
    assert -2.2 < row(c, "symptoms.hum-sidebands")["slope"] < -0.8


def test_less_than_ten_decibels_decide_nothing(strong, padded):
    c = compare(strong, padded, changed="attenuator", by_db=6)
    assert {x.id: x.probability for x in c.causes} == c.chance_before
    assert any("decides nothing" in r for r in c.remarks)


def test_nothing_said_of_what_was_changed_leaves_the_causes(strong, padded):
    c = compare(strong, padded)
    assert {x.id: x.probability for x in c.causes} == c.chance_before
    assert c.verdict == "fixed" and any("--changed" in r for r in c.remarks)


@pytest.mark.parametrize(("db", "verdict"), [(-8.0, "better"), (8.0, "worse"), (-1.5, "same"), (1.5, "same")])
def test_a_level_has_changed_from_two_decibels_and_the_scatter_on(hum, db, verdict):
    c = compare(hum, other(hum, louder_hum(db)))
    assert c.verdict == verdict and c.still == ("hum-sidebands",)
    level = row(c, "symptoms.hum-sidebands")
    assert level["verdict"] == verdict and level["change"] == pytest.approx(db)
    scatter = [s["level_dbc_sigma"] for s in hum["sidebands"]][:1] * 2 + [1.0]
    assert level["change_sigma"] == pytest.approx(sum(s**2 for s in scatter) ** 0.5, rel=1e-6)


def test_gone_needs_a_second_recording_that_would_have_shown_it(hum, clean):
    def noisy(level: float) -> Callable[[Data], None]:
        def change(d: Data) -> None:
            d["not_measured"]["symptoms.hum-sidebands"] = level
            d["lines"]["sideband_floor_dbc"] = level

        return change

    # the hum was at -28 dBc: under noise that hides all below -20 it may still be there
    c = compare(hum, other(clean, noisy(-20.0)), changed="battery")
    assert c.hidden == ("hum-sidebands",) and not c.gone and c.verdict == "not-comparable"
    assert "hidden is not gone" in c.reason
    # ... but not at -28 where all above -42 dBc would have been seen
    assert compare(hum, other(clean, noisy(-42.0)), changed="battery").gone == ("hum-sidebands",)


def test_new_needs_a_first_recording_that_would_have_shown_it(hum, clean):
    assert compare(clean, hum).new == ("hum-sidebands",)

    def noisy(d: Data) -> None:
        d["not_measured"]["symptoms.hum-sidebands"] = -25.0
        d["lines"]["sideband_floor_dbc"] = -25.0

    c = compare(other(clean, noisy), hum)
    assert not c.new and c.unseen_before == ("hum-sidebands",) and c.verdict == "same"


def test_about_the_limit_is_neither_gone_nor_new(hum):
    """-49.5 dBc is a note, -50.5 none; the two do not differ."""

    def at(level: float) -> Callable[[Data], None]:
        def change(d: Data) -> None:
            top = max(s["level_dbc"] for s in d["sidebands"])
            louder_hum(level - top)(d)
            d["symptoms"] = [s for s in d["symptoms"] if s["id"] != "hum-sidebands" or level > -50.0]
            for s in d["symptoms"]:
                s["severity"] = "note"

        return change

    over, under = other(hum, at(-49.5)), other(hum, at(-50.5))
    under["recording"]["sha256"] = "e" * 64
    for pair in ((over, under), (under, over)):
        c = compare(*pair)
        assert c.verdict == "same" and c.still == ("hum-sidebands",) == c.borderline


def test_clean_twice_is_the_same_and_a_fault_is_worse(clean, hum):
    assert compare(clean, other(clean)).verdict == "same"
    assert compare(clean, hum).verdict == "worse"


def test_a_weaker_signal_is_no_news_where_it_was_made_weaker(hum):
    def weak(d: Data) -> None:
        d["signal"]["snr_db"] -= 30
        weak_one = {"id": "weak-signal", "severity": "note", "value": -3.0, "sigma": 0.5, "unit": "dB", "limit": 0.0}
        d["symptoms"].append(weak_one | {"text": "weak"})

    assert compare(hum, other(hum, weak), changed="attenuator", by_db=30).verdict == "same"
    assert compare(hum, other(hum, weak)).verdict == "worse"


@pytest.mark.parametrize(
    ("after", "says"),
    [
        (lambda h: copy.deepcopy(h), "the same recording"),
        (lambda h: other(h, lambda d: d["signal"].update(kind="steady")), "a steady tone"),
        (lambda h: other(h, lambda d: d["keying"].update(dit_s=3.0)), "slowly keyed"),
        (lambda h: other(h, lambda d: d["signal"].update(kind="none")), "holds no signal"),
    ],
)
def test_what_cannot_be_compared_says_why(hum, after, says):
    c = compare(hum, after(hum))
    assert c.verdict == "not-comparable" and says in c.reason
    assert not c.changes and not c.gone and not c.still
    assert c.causes[0].id == "transmitter-supply-hum"


def test_another_signal_weighs_the_causes_and_judges_nothing(hum, clean):
    on_it = compare(hum, other(hum), changed="steady-station")
    assert on_it.verdict == "not-comparable"
    assert on_it.causes[0].id == "receiver-supply-hum"
    not_on_it = compare(hum, other(clean, lambda d: d["signal"].update(kind="steady")), changed="steady-station")
    assert not_on_it.causes[0].id == "transmitter-supply-hum" and not_on_it.causes[0].probability > 0.9


def test_limits_of_the_first_plan_judge_both(hum, clean):
    strict = other(clean, lambda d: d.update(plan={"limits": {"chirp": {"note": 0.5, "fault": 100.0}}}))
    assert compare(strict, clean).verdict == "same"  # the chirp of both lies beyond it
    assert [s.id for s in compare(strict, clean).after.symptoms] == ["chirp"]


def test_wrong_calls_name_what_is_right(hum, clean, tmp_path):
    with pytest.raises(SettingError, match="did you mean 'battery'"):
        compare(hum, clean, changed="batery")
    for bad in (0.0, -20.0, float("nan"), 1000.0):
        with pytest.raises(SettingError, match="by_db"):
            compare(hum, clean, changed="attenuator", by_db=bad)
    with pytest.raises(RecordingError):
        compare(tmp_path / "none.flac", clean)
    with pytest.raises(ResultError):
        compare(hum, tmp_path / "none.json")
    with pytest.raises(SettingError, match="can't be compared"):
        compare(hum, 3)  # type: ignore[arg-type]


def test_recordings_and_saved_results_give_the_same(tmp_path, hum, clean):
    for name, data in (("one.json", hum), ("two.txt", clean)):  # JSON is told by its content too
        (tmp_path / name).write_text(json.dumps(data))
    saved = compare(tmp_path / "one.json", tmp_path / "two.txt", changed="battery").to_dict()
    fresh = compare(SAMPLES / "supply-hum.flac", SAMPLES / "clean-keyed.flac", changed="battery").to_dict()
    for key in ("verdict", "reason", "symptoms", "changes", "causes"):
        assert saved[key] == fresh[key]


def test_in_a_notebook_it_shows_itself(hum, clean):
    c = compare(other(hum, lambda d: d["recording"].update(path="<b>.flac")), clean, changed="battery")
    html = c._repr_html_()
    assert "Fixed" in html and "&lt;b&gt;.flac" in html and "<b>.flac" not in html


def test_saved_whole(hum, clean, tmp_path):
    c = compare(hum, clean)
    c.save(tmp_path / "c.json")
    assert json.loads((tmp_path / "c.json").read_text()) == c.to_dict()
