"""Several transmissions in one recording: divided, measured apart, matched to the plan, shown and compared."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import numpy as np
import pytest

from sigcheck.comparison import compare
from sigcheck.measure import spectrum
from sigcheck.measure.audio import transmissions
from sigcheck.plan import Plan
from sigcheck.recording import from_samples
from sigcheck.report.html import render
from sigcheck.report.terminal import summary
from sigcheck.result import Result, diagnose
from sigcheck.saved import from_dict, transmissions_of
from tests.sendings import RATE, Turn, make

SILENCE, IDLE = Turn("silence", seconds=4.0), Turn("idle", seconds=9.0)
MORSE = Turn("cw", "VVV DE Q5KAP VVV DE Q5KAP")
SLOW, SHIFTED, SLOT = Turn("qrss", "Q5KAP", 2.0), Turn("fskcw", "Q5KAP", 2.0, shift_hz=6.0), Turn("slot")
MODES = {"cw": "cw", "qrss": "qrss", "fskcw": "fskcw", "slot": "four-tone"}


Sent = list[tuple[str, float, float]]


def diagnosed(turns: list[Turn], *, plan: Plan | None = None, seed: int = 0) -> tuple[Result, Sent]:
    x, sent = make(turns, seed=seed)
    return diagnose(from_samples(x, RATE, start_utc=datetime(2026, 11, 1, 10, tzinfo=UTC)), plan), sent


@pytest.fixture(scope="module")
def morse_and_slot() -> tuple[Result, Sent]:
    return diagnosed([SILENCE, MORSE, SILENCE, SLOT, SILENCE])


@pytest.mark.parametrize(
    "turns",
    [
        [SLOT, IDLE, SILENCE, MORSE, SILENCE],
        [IDLE, SHIFTED, IDLE, SILENCE, MORSE, SILENCE],
        [MORSE, SILENCE, SLOW, SILENCE, SLOT],
    ],
    ids=["slot, carrier, Morse", "carrier, shifted, Morse", "Morse, slow, slot"],
)
def test_each_is_found_where_it_is(turns: list[Turn]) -> None:
    found, sent = diagnosed(turns)
    assert [one.mode for one in found.transmissions] == [MODES[kind] for kind, _, _ in sent]
    for one, (kind, start, end) in zip(found.transmissions, sent, strict=True):
        doubt = 10.0 if kind == "fskcw" else 1.0  # an idle carrier is as its space: it may count to the longest gap
        assert one.start_s == pytest.approx(start, abs=doubt)
        assert one.end_s == pytest.approx(end, abs=doubt)
        assert one.result.measurements.lines.others == ()  # the idle carrier is no other signal
        assert one.result.verdict == "clean"
    texts = {one.mode: one.result.measurements.keying.text for one in found.transmissions}
    assert "DE Q5KAP VVV DE Q5KAP" in (texts["cw"] or "")


def test_the_top_level_is_the_longest(morse_and_slot: tuple[Result, Sent]) -> None:
    found, sent = morse_and_slot
    data = found.to_dict()
    assert data["signal"]["kind"] == "four-tone"
    assert data["recording"]["duration_s"] == pytest.approx(sent[-1][2] + 4.0, abs=0.1)
    assert [one["mode"] for one in data["transmissions"]] == ["cw", "four-tone"]
    assert data["transmissions"][0]["keying"]["text"] == "VVV DE Q5KAP VVV DE Q5KAP"
    slot = found.transmissions[1].result
    assert slot.recording.start_utc is not None
    begin_s = (slot.recording.start_utc - datetime(2026, 11, 1, 10, tzinfo=UTC)).total_seconds()
    assert slot.measurements.slot.start_offset_s is not None
    assert begin_s + slot.measurements.slot.start_offset_s == pytest.approx(sent[1][1], abs=0.01)


def test_a_result_with_several_is_shown_and_read_back(
    morse_and_slot: tuple[Result, Sent],
) -> None:
    found, _ = morse_and_slot
    data = json.loads(found.to_json())
    page, lines = render(data, None), summary(data)
    for text in (page, lines):
        assert "Transmissions in this recording" in text
        assert "0:04 to 0:2" in text and "four-tone slot" in text.lower()
    saved = transmissions_of(from_dict(data))
    assert [one.mode for one in saved] == ["cw", "four-tone"]
    assert saved[0].result.measurements.keying.text == "VVV DE Q5KAP VVV DE Q5KAP"


def test_the_plans_entries_go_to_what_they_are_of() -> None:
    plan = Plan.from_dict(
        {
            "sent": [
                {"keying": "four-tone"},
                {"keying": "cw", "text": "VVV DE Q5AAA", "speed_wpm": 15},
                {"keying": "qrss", "text": "Q5KAP", "dit_s": 3.0},
            ]
        }
    )
    found, _ = diagnosed([MORSE, SILENCE, SLOT], plan=plan)
    morse, slot = found.transmissions
    assert {s.id for s in morse.result.diagnosis.symptoms} == {"wrong-message"}
    assert slot.result.verdict == "clean"
    assert any("qrss was not heard" in remark for remark in found.to_dict()["recording"]["remarks"])


def test_of_a_plan_for_several_the_one_that_is_heard_counts() -> None:
    plan = Plan.from_dict({"sent": [{"keying": "qrss", "dit_s": 3.0}, {"keying": "cw", "speed_wpm": 15}]})
    found, _ = diagnosed([SILENCE, MORSE, SILENCE], plan=plan)
    assert found.transmissions == () and found.verdict == "clean"
    assert found.plan is not None and found.plan.main.keying == "cw"


def test_a_fault_of_one_is_that_ones_only() -> None:
    humming = Turn("cw", "VVV DE Q5KAP VVV DE Q5KAP", hum_db=-22.0)
    found, _ = diagnosed([SILENCE, humming, SILENCE, SLOT])
    assert [one.result.verdict for one in found.transmissions] == ["faulty", "clean"]
    for text in (render(found.to_dict(), None), summary(found.to_dict(), width=200)):
        assert "Morse at 0:04 is faulty (hum on the tone)" in text


def test_comparing_takes_the_two_that_are_alike(
    morse_and_slot: tuple[Result, Sent],
) -> None:
    found, _ = morse_and_slot
    humming, _ = diagnosed([SILENCE, Turn("cw", "VVV DE Q5KAP VVV DE Q5KAP", hum_db=-22.0), SILENCE], seed=3)
    c = compare(humming, found)
    assert c.verdict == "fixed" and c.gone == ("hum-sidebands",)
    assert compare(json.loads(humming.to_json()), json.loads(found.to_json())).verdict == "fixed"


# --- what must not be divided -------------------------------------------------------------------


def spans_of(x: np.ndarray) -> tuple[transmissions.Span, ...]:
    s = spectrum.survey(x.astype(np.float32), RATE, top_hz=RATE / 2)
    return transmissions.spans(s, lambda: ())


@pytest.mark.parametrize(
    "turns",
    [
        [MORSE, Turn("silence", seconds=30.0), MORSE],
        [MORSE, Turn("idle", seconds=20.0), MORSE, Turn("idle", seconds=20.0), MORSE],
        [IDLE, MORSE],
        [SILENCE, SLOW, SILENCE],
        [SILENCE, Turn("qrss", "Q5KAP Q5KAP", 0.5), SILENCE],
        [IDLE, SHIFTED, IDLE],
        [SILENCE, SLOT, SILENCE],
        [Turn("idle", seconds=60.0)],
        [Turn("silence", seconds=30.0)],
    ],
    ids=["pause", "carrier between", "carrier before", "slow", "half a second", "shifted", "slot", "steady", "nothing"],
)
def test_one_kind_of_sending_is_one_transmission(turns: list[Turn]) -> None:
    assert spans_of(make(turns, seed=2)[0]) == ()


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("keying", ["cw", "idle"])
def test_fading_and_static_divide_nothing(keying: str, seed: int) -> None:
    """Two minutes; fades of 30 dB within seconds, and crashes."""
    rng = np.random.default_rng(seed)
    x, _ = make([Turn(keying, "VVV DE Q5KAP " * 18 if keying == "cw" else "", seconds=120.0)], snr_db=20, seed=seed)
    t = np.arange(x.size) / RATE
    knots = np.arange(0, t[-1] + 6, rng.uniform(2, 6))
    fade = 10 ** (-rng.uniform(0, 30, knots.size) / 20)
    crashes = np.zeros(x.size)
    for at in rng.integers(0, x.size - 800, 60):
        crashes[at : at + 400] += 0.3 * rng.standard_normal(400) * np.exp(-np.arange(400) / 100)
    heard = x * np.interp(t, knots, fade) + crashes
    # what looks like two kinds of sending at first turns out to be one
    assert spans_of(heard) == () or diagnose(from_samples(heard, RATE)).transmissions == ()
