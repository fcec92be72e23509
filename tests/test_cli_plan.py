"""``sigcheck plan``: a new one, one explained, one learnt."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from sigcheck import Plan, load_plan
from sigcheck.cli import run
from sigcheck.errors import PlanError, RecordingError
from sigcheck.learning import _once, learn_plan
from sigcheck.measure.results import Keying, Signal, Slot, not_measured_family
from sigcheck.plan import _SECTIONS, Sent
from sigcheck.plan_text import commented, edited, explain, to_toml
from sigcheck.result import Result, diagnose

SAMPLES = Path(__file__).parents[1] / "sample_audio"


def explained(toml: str) -> str:
    return "\n".join(explain(Plan.from_dict(tomllib.loads(toml))))


def test_the_new_plan_sets_nothing_and_names_every_key() -> None:
    assert Plan.from_dict(tomllib.loads(commented())) == Plan.from_dict({"sent": {}})
    opened = re.sub(r"(?m)^# (?=[a-z0-9_-]+ = )", "", commented())
    whole = Plan.from_dict(tomllib.loads(opened.replace('keying = "cw"', 'keying = "dfcw"')))
    sections = {name: cls for name, cls in (("sent", Sent), *_SECTIONS.items()) if name != "chain"}
    shown = whole.to_dict()
    for name, section in sections.items():
        keys = shown[name][0] if name == "sent" else shown[name]
        assert set(keys) == set(section.__dataclass_fields__), name


def test_new_is_printed_or_written_and_never_over_another(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["plan", "new"]) == 0
    assert capsys.readouterr().out == commented()
    file = tmp_path / "shed.toml"
    assert run(["plan", "new", str(file)]) == 0
    file.write_text("mine")
    assert run(["plan", "new", str(file)]) == 2
    assert "--force" in capsys.readouterr().err
    assert file.read_text() == "mine"
    assert run(["plan", "new", str(file), "--force"]) == 0
    assert file.read_text() == commented()


@pytest.mark.parametrize(
    ("toml", "words"),
    [
        # PARIS (Rec. ITU-R M.1677-1): a dit lasts 1.2 s over the words a minute
        ('[sent]\nkeying = "cw"\nspeed_wpm = 15', "Morse at 15 WPM: dit 80 ms, dah 240 ms"),
        ('[sent]\nkeying = "qrss"\ndit_s = 6', "Very slow Morse by level at 0.2 WPM: dit 6 s, dah 18 s"),
        ('[sent]\nkeying = "dfcw"\ndit_s = 3\nshift_hz = 4', "shift 4 Hz"),
        ('[sent]\nkeying = "cw"\ndit_s = 3', "dit_s says nothing for this keying"),
        ('[sent]\nkeying = "four-tone"\nsymbols = [0, 1]', "2 symbols known"),
        # five letters and a space are 50 dits: 4 s at 15 WPM
        ('[sent]\nkeying = "cw"\nspeed_wpm = 15\ntext = "PARIS"', "lasts about 4 s"),
        ('[carrier]\nhz = 10140070\n[receiver]\ndial_hz = 10138700\nsideband = "usb"', "it is heard at 1370 Hz"),
        ("[timing]\nrepeat_s = 120\nafter_s = 1", "every 2.0 min of the hour, 1 s later"),
        ("[receiver]\nerror_ppm = -0.8\nerror_ppm_sigma = 0.1", "listens 0.8 ± 0.1 ppm below its dial"),
        ("[recorder]\nsample_rate_error_ppm = 12", "12 ± 50 ppm more samples"),
        ("", "can't be told without [carrier] hz, [receiver] dial_hz, [receiver] sideband"),
        ("[limits]\ndrift = { fault = 20 }", "drift: a fault from 20"),
    ],
)
def test_a_plan_in_plain_words(toml: str, words: str) -> None:
    assert words in explained(toml)


def test_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "shed.toml"
    file.write_text('[sent]\nkeying = "cw"\nspeed_wpm = 15\n')
    assert run(["plan", "check", str(file)]) == 0
    assert "dit 80 ms" in capsys.readouterr().out
    file.write_text("[sent]\nspeed = 15\n")
    assert run(["plan", "check", str(file)]) == 2
    assert "did you mean speed_wpm?" in capsys.readouterr().err


def test_check_names_all_that_is_wrong(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "shed.toml"
    file.write_text(
        '[[sent]]\nkeying = "morse"\ntext = 5\n[[sent]]\nspeed = 15\n'
        '[carrier]\nhz = "10.14 MHz"\n[timing]\nrepeat_s = 60\nafter_s = 61\n[reciever]\ndial_hz = 1\n'
        "[limits]\nhum-sidebands = 3\n"
    )
    assert run(["plan", "check", str(file)]) == 2
    lines = capsys.readouterr().err.splitlines()
    wanted = ("keying", "text", "speed_wpm", "[carrier] hz", "[receiver]", "hum-sidebands", "after_s")
    assert len(lines) == len(wanted)
    assert all(word in line for word, line in zip(wanted, lines, strict=True)), lines


def test_to_toml_comes_back() -> None:
    sample = next(iter(sorted(SAMPLES.glob("*.plan.toml"))))
    for plan in (load_plan(sample), Plan.from_dict({"sent": [{"text": 'A "B" \\ Ä'}, {"keying": "steady"}],
                 "limits": {"drift": {"note": 3}}, "recorder": {"start_utc": "2026-11-01T10:02:00.25Z"},
                 "receiver": {"gain_control": False}})):  # fmt: skip
        assert Plan.from_dict(tomllib.loads(to_toml(plan))) == plan


def test_editing_keeps_everything_else() -> None:
    text = "# mine\n[receiver]\nerror_ppm = 3  # old\n\n[mains]\nhz = 50\n"
    out = edited(text, {"receiver": {"error_ppm": 0.5, "error_ppm_sigma": 0.1}, "chain": {"sideband_hz": (50.0,),
                 "sideband_dbc": (-40.0,)}})  # fmt: skip
    assert out == (
        "# mine\n[receiver]\nerror_ppm = 0.5  # old\nerror_ppm_sigma = 0.1\n\n[mains]\nhz = 50\n\n"
        "[chain]\nsideband_hz = [50.0]\nsideband_dbc = [-40.0]\n"
    )
    # once more gives the same
    assert edited(out, {"receiver": {"error_ppm": 0.5}}) == out
    with pytest.raises(PlanError, match="give a new file"):
        edited("receiver = { dial_hz = 1e7 }\n", {"receiver": {"error_ppm": 0.5}})


# --- learning --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def keyed() -> Result:
    return diagnose(SAMPLES / "clean-keyed.flac")


def test_learn_writes_what_was_sent(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sample = SAMPLES / "clean-keyed.flac"
    meant = load_plan(SAMPLES / "clean-keyed.plan.toml").main
    file = tmp_path / "learnt.toml"
    assert run(["plan", "learn", str(sample), str(file)]) == 0
    sent = load_plan(file).main
    assert sent.keying == meant.keying == "cw"
    assert sent.speed_wpm == pytest.approx(meant.speed_wpm, rel=0.01)
    assert meant.text is not None and sent.text is not None and meant.text in sent.text
    assert run(["plan", "learn", str(sample), str(file)]) == 2
    assert "--force" in capsys.readouterr().err
    assert run(["plan", "learn", str(tmp_path / "none.wav")]) == 2


def test_learning_four_tone_and_slow_modes(keyed: Result) -> None:

    m = keyed.measurements
    symbols = tuple([0, 1, 2, 3] * 5)
    slot = Slot(kind="four-tone", symbols=symbols, complete=True)
    assert learn_plan(replace(m, slot=slot), "x")[0].main.symbols == symbols
    plan, doubts = learn_plan(replace(m, slot=replace(slot, complete=False)), "x")
    assert plan.main.keying == "four-tone" and plan.main.symbols is None
    assert "not whole" in doubts[0]
    slow = replace(m, slot=Slot(kind="dfcw", shift_hz=-4.0321), keying=replace(m.keying, dit_s=3.0004, text="QQ"))
    sent = learn_plan(slow, "x")[0].main
    assert (sent.keying, sent.dit_s, sent.shift_hz, sent.text) == ("dfcw", 3.0, 4.032, "QQ")


def test_what_is_doubtful_is_said(keyed: Result) -> None:

    m = keyed.measurements
    _, doubts = learn_plan(replace(m, keying=replace(m.keying, text_confidence=0.5)), "x")
    assert "50 %" in doubts[0]
    none = replace(m, signal=Signal(kind="none", missing={"kind": "no tone stands out"}))
    with pytest.raises(RecordingError, match=r"x: nothing to learn from \(no tone stands out\)"):
        learn_plan(none, "x")
    steady = replace(m, signal=replace(m.signal, kind="steady"), keying=not_measured_family(Keying, "steady"))
    assert learn_plan(steady, "x")[0].main == Sent(keying="steady")


@pytest.mark.parametrize(
    ("heard", "text"),
    [
        ("VVV DE Q5KAP VVV DE Q5KAP", "VVV DE Q5KAP"),
        ("VVV DE Q5KAP VVE", "VVV DE Q5KAP"),  # the third V is cut
        ("AP Q5KAP Q5KAP Q5", "Q5KAP"),
        ("CQ CQ DE Q5KAP K", "CQ CQ DE Q5KAP K"),
        ("VVV VVV VVV DE Q5KAP", "VVV VVV VVV DE Q5KAP"),
        ("Q5KAP", "Q5KAP"),
    ],
)
def test_a_repeated_message_is_learnt_once(heard: str, text: str) -> None:
    assert _once(heard) == text
