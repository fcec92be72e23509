"""``sigcheck synth``: writes what was asked, lists what there is, refuses in one line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import soundfile
import typer
from typer.testing import CliRunner

from sigcheck.cli.synth import synth
from sigcheck.errors import SaveError, SettingError, SigcheckError
from sigcheck.synth import FAULTS

app = typer.Typer()
app.command()(synth)
runner = CliRunner()
BRIEF = ["--seconds", "6", "--rate", "8000"]


def called(*words: str) -> str:
    result = runner.invoke(app, list(words), catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def refused(*words: str) -> SigcheckError:
    result = runner.invoke(app, list(words))
    assert isinstance(result.exception, SigcheckError)
    assert "\n" not in str(result.exception)
    return result.exception


def test_writes_audio_and_truth(tmp_path: Path) -> None:
    path = tmp_path / "two.flac"
    options = ["--tone", "810", "--wpm", "18", "--mains", "60"]
    said = called("key-clicks", "ground-loop", str(path), *BRIEF, *options)
    assert said == f"{path}: audio-hum, key-clicks\n"
    info = soundfile.info(path)
    assert (info.samplerate, info.channels, info.subtype, info.frames) == (8000, 1, "PCM_16", 48000)
    truth = json.loads((tmp_path / "two.truth.json").read_text())
    assert truth["symptoms"] == ["audio-hum", "key-clicks"]
    assert truth["causes"] == ["hard-keying", "audio-ground-loop"]
    assert (truth["wpm"], truth["tone_hz"]) == (18.0, pytest.approx(810.0, abs=1.0))


def test_no_fault_is_a_clean_recording_and_the_seed_changes_it(tmp_path: Path) -> None:
    for name, seed in (("a", "1"), ("b", "1"), ("c", "2")):
        assert "nothing beyond its limit" in called(str(tmp_path / f"{name}.flac"), *BRIEF, "--seed", seed)
    a, b, c = ((tmp_path / f"{name}.flac").read_bytes() for name in "abc")
    assert a == b != c


def test_a_steady_carrier_has_no_keying(tmp_path: Path) -> None:
    called("clean", str(tmp_path / "steady.flac"), *BRIEF, "--wpm", "0")
    assert json.loads((tmp_path / "steady.truth.json").read_text())["kind"] == "steady"


def test_lists_every_fault_with_its_sentence() -> None:
    lines = called("--list").splitlines()
    assert [line.split()[0] for line in lines] == list(FAULTS)
    assert all(fault.sounds in line for fault, line in zip(FAULTS.values(), lines, strict=True))


def test_refuses_what_it_cannot_do(tmp_path: Path) -> None:
    assert "--list" in str(refused())
    assert isinstance(refused("chirpy", str(tmp_path / "x.flac")), SettingError)
    assert isinstance(refused("key-clicks"), SaveError)
    assert "let the name end in .flac" in str(refused("clean", "x.wav"))
    assert "cannot be written" in str(refused(str(tmp_path / "nowhere" / "x.flac"), *BRIEF))
