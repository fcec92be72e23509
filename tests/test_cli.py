"""The command line: what goes where, and with which exit status."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

import sigcheck.result
from sigcheck.cli import run

RATE = 8000
CODE = "from sigcheck.cli import main; main()"


def keyed_tone(hum: float = 0.0, seconds: float = 12.0) -> np.ndarray:
    """Dits at 12 WPM with 6 ms edges on 700 Hz, 30 dB over the noise in 2500 Hz, its amplitude humming."""
    t = np.arange(round(seconds * RATE)) / RATE
    place = (t / 0.2) % 1
    edge = np.clip(np.minimum(place, 0.5 - place) * 0.2 / 0.006, 0, 1)
    envelope = np.where(t < seconds - 2, 0.5 - 0.5 * np.cos(np.pi * edge), 0)
    noise = np.random.default_rng(1).normal(0, 0.01, t.size)
    return 0.3 * envelope * (1 + hum * np.cos(2 * np.pi * 100 * t)) * np.sin(2 * np.pi * 700 * t) + noise


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    where = tmp_path_factory.mktemp("audio")
    soundfile.write(where / "clean.flac", keyed_tone(), RATE)
    soundfile.write(where / "hum.flac", keyed_tone(0.1), RATE)
    two = np.stack([np.random.default_rng(2).normal(0, 0.01, 12 * RATE), keyed_tone()], axis=1)
    soundfile.write(where / "two.wav", two, RATE)
    (where / "text.wav").write_text("no sound " * 100)
    (where / "plan.toml").write_text('[sent]\nkeying = "cw"\nspeed_wpm = 12\n')
    (where / "wrong.toml").write_text("[sent]\nspeed = 12\n")
    (where / "limit.toml").write_text("[limits]\nhumm-sidebands = { note = -70 }\n")
    return where


Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def call(folder: Path, capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Call:
    """Run a command in the folder: status, standard output, standard error."""
    monkeypatch.chdir(folder)

    def called(*arguments: str) -> tuple[int, str, str]:
        status = run(arguments)
        return status, *capfd.readouterr()

    return called


# --- what is printed and written -------------------------------------------------------------


def test_the_summary_goes_to_standard_output(call: Call) -> None:
    status, out, err = call("diagnose", "hum.flac", "--plan", "plan.toml")
    assert (status, err) == (0, "")
    assert "hum" in out
    assert "dBc" in out
    assert "\x1b" not in out  # no terminal, no colours
    assert max(map(len, out.splitlines())) <= 80


def test_json_on_standard_output_is_all_there_is(call: Call) -> None:
    status, out, err = call("diagnose", "hum.flac", "--json", "-", "--note", "on battery", "--note", "pad in")
    assert (status, err) == (0, "")
    result = json.loads(out)
    assert result["schema"] == 1
    assert result["verdict"] == "faulty"
    assert "hum-sidebands" in [s["id"] for s in result["symptoms"]]
    assert result["notes"] == ["on battery", "pad in"]
    assert result["recording"]["path"] == "hum.flac"
    assert result["plan"] is None


def test_json_to_a_file_and_the_report(call: Call, tmp_path: Path) -> None:
    out = tmp_path / "new" / "reports"
    status, printed, err = call(
        "diagnose", "hum.flac", "--json", str(tmp_path / "r.json"), "--out", str(out), "--plan", "plan.toml"
    )
    assert status == 0
    assert "hum" in printed
    assert err == f"report: {out}/hum.html\n"
    assert sorted(os.listdir(out)) == ["hum.html", "hum.json", "hum.npz"]
    assert json.loads((tmp_path / "r.json").read_text()) == json.loads((out / "hum.json").read_text())
    assert json.loads((tmp_path / "r.json").read_text())["plan"]["sent"][0]["speed_wpm"] == 12
    assert (out / "hum.html").read_text().lstrip().lower().startswith("<!doctype html>")
    with np.load(out / "hum.npz", allow_pickle=False) as views:
        assert views.files


def test_the_same_call_gives_the_same_result(call: Call) -> None:
    first, second = (call("diagnose", "hum.flac", "--json", "-")[1] for _ in range(2))
    assert first == second


@pytest.mark.parametrize(
    ("file", "fail_on", "status"),
    [
        ("hum.flac", "fault", 3),
        ("hum.flac", "note", 3),
        ("clean.flac", "note", 0),
        ("clean.flac", "fault", 0),
    ],
)
def test_fail_on(call: Call, file: str, fail_on: str, status: int) -> None:
    assert call("diagnose", file, "--json", "-", "--fail-on", fail_on)[0] == status


def test_the_channel_with_the_tone_is_taken_unless_one_is_named(call: Call) -> None:
    _, out, _ = call("diagnose", "two.wav", "--json", "-")
    assert json.loads(out)["recording"]["channel"] == 1
    status, out, _ = call("diagnose", "two.wav", "--json", "-", "--channel", "0")
    assert (status, json.loads(out)["verdict"]) == (0, "no-signal")


def test_version_and_help(call: Call) -> None:
    assert call("--version") == (0, f"sigcheck {sigcheck.__version__}\n", "")
    for arguments in (("--help",), ("-h",), ()):
        status, out, err = call(*arguments)
        assert (status, err) == (0, "")
        assert "diagnose" in out
        assert "synth" in out
    assert "--fail-on" in call("diagnose", "--help")[1]


def test_synth_writes_a_recording_that_diagnose_reads(call: Call, tmp_path: Path) -> None:
    file = str(tmp_path / "made.flac")
    assert call("synth", file, "--seconds", "12")[0] == 0
    status, out, _ = call("diagnose", file, "--json", "-")
    assert (status, json.loads(out)["signal"]["kind"]) == (0, "keyed")


# --- no signal is a result -------------------------------------------------------------------


@pytest.mark.parametrize(
    "samples",
    [
        np.array([0.1]),
        np.zeros(2 * RATE),
        np.random.default_rng(3).normal(0, 0.05, 10 * RATE),
        np.zeros((RATE, 64)),
    ],
    ids=["one sample", "silence", "noise", "64 channels"],
)
def test_no_signal_is_no_error(call: Call, tmp_path: Path, samples: np.ndarray) -> None:
    soundfile.write(tmp_path / "a.wav", samples, RATE)
    status, out, _ = call("diagnose", str(tmp_path / "a.wav"), "--json", "-")
    assert (status, json.loads(out)["verdict"]) == (0, "no-signal")
    status, out, err = call("diagnose", str(tmp_path / "a.wav"), "--out", str(tmp_path))
    assert (status, len(err.splitlines())) == (0, 1)
    assert "dial" in out  # what to check


# --- what is unusable ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["diagnose", "missing.wav"], ["missing.wav", "no such file"]),
        (["diagnose", "."], ["is a folder"]),
        (["diagnose", "text.wav"], ["text.wav", "WAV or FLAC"]),
        (["diagnose", "clean.flac", "--plan", "missing.toml"], ["missing.toml"]),
        (["diagnose", "clean.flac", "--plan", "wrong.toml"], ["wrong.toml", "speed_wpm"]),
        (["diagnose", "clean.flac", "--plan", "limit.toml"], ["hum-sidebands"]),
        (["diagnose", "clean.flac", "--plan", "clean.flac"], ["is no plan"]),
        (["diagnose", "clean.flac", "--channel", "1"], ["clean.flac", "no channel 1"]),
        (["diagnose", "clean.flac", "--tone", "4000"], ["--tone 4000", "clean.flac"]),
        (["diagnose", "clean.flac", "--tone", "high"], ["--tone"]),
        (["diagnose", "clean.flac", "--out", "text.wav"], ["text.wav", "--out"]),
        (["diagnose", "clean.flac", "--out", "text.wav/deeper"], ["text.wav", "--out"]),
        (["diagnose", "clean.flac", "--json", "nowhere/r.json"], ["nowhere/r.json"]),
        (["diagnose", "clean.flac", "--fail-on", "anything"], ["--fail-on"]),
        (["diagnose", "clean.flac", "--loud"], ["--loud"]),
        (["diagnose"], ["FILE"]),
        (["diagnos", "clean.flac"], ["diagnos"]),
        (["synth"], ["OUT.flac"]),
    ],
)
def test_unusable_calls_end_with_one_line_and_status_2(
    call: Call, arguments: list[str], words: list[str]
) -> None:
    before = sorted(os.listdir())
    status, out, err = call(*arguments)
    assert (status, out) == (2, "")
    assert len(err.splitlines()) == 1
    assert err.startswith("sigcheck: ")
    for word in words:
        assert word in err
    assert sorted(os.listdir()) == before


def test_a_failed_write_leaves_nothing_behind(
    call: Call, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    status, _, err = call(
        "diagnose", "clean.flac", "--out", str(tmp_path), "--json", str(tmp_path / "r.json")
    )
    assert status == 2
    assert "No space left on device" in err
    assert os.listdir(tmp_path) == []


def test_a_defect_has_its_own_status(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("oh")

    monkeypatch.setattr(sigcheck.result, "diagnose", broken)
    status, out, err = call("diagnose", "clean.flac")
    assert (status, out, len(err.splitlines())) == (1, "", 1)
    assert "ZeroDivisionError" in err
    monkeypatch.setenv("SIGCHECK_TRACEBACK", "1")
    with pytest.raises(ZeroDivisionError):
        run(["diagnose", "clean.flac"])


# --- terminals -------------------------------------------------------------------------------


class Terminal(io.StringIO):
    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize(
    ("environment", "coloured"),
    [({}, True), ({"NO_COLOR": "1"}, False), ({"NO_COLOR": ""}, True), ({"TERM": "dumb"}, False)],
)
def test_colours_only_where_they_are_wanted(
    folder: Path, monkeypatch: pytest.MonkeyPatch, environment: dict[str, str], coloured: bool
) -> None:
    monkeypatch.chdir(folder)
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    terminal = Terminal()
    monkeypatch.setattr(sys, "stdout", terminal)
    assert run(["diagnose", "hum.flac"]) == 0
    assert ("\x1b[" in terminal.getvalue()) == coloured


def test_a_terminal_that_knows_only_ascii_is_enough(folder: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", CODE, "diagnose", "hum.flac"],
        cwd=folder,
        env={**os.environ, "PYTHONIOENCODING": "ascii"},
        capture_output=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"hum" in done.stdout


@pytest.mark.skipif(os.name == "nt", reason="no such pipes on Windows")
def test_a_reader_that_goes_away_is_no_defect(folder: Path) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-c", CODE, "diagnose", "hum.flac"],
        cwd=folder,
        stdout=writing,
        stderr=subprocess.PIPE,
        check=False,
    )
    os.close(writing)
    assert (done.returncode, done.stderr) == (141, b"")


def test_the_module_runs_as_the_command_does() -> None:
    done = subprocess.run([sys.executable, "-m", "sigcheck", "--version"], capture_output=True, text=True)
    assert done.returncode == 0 and done.stdout.startswith("sigcheck")
