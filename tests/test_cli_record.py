"""``sigcheck record``: wrong calls, and a whole recording from a real sound server.

The server is PulseAudio with a sink that goes nowhere; what is played into it is recorded from its monitor through
PortAudio and ALSA. Where the server, its client tools or PortAudio are missing, those tests are skipped.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sigcheck import load, load_plan
from sigcheck.cli import run

ROOT = Path(__file__).parents[1]
SAMPLE = ROOT / "sample_audio" / "supply-hum.flac"


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["x.wav"], "ends in .flac"),
        (["there.flac"], "--force"),
        (["no/x.flac"], "no folder"),
        (["--rate", "100"], "sample rate of 6000"),
        (["--channels", "0"], "1 to 64"),
        (["--seconds", "0"], "more than 0"),
        (["--at", "2020-01-01T00:00:00Z"], "past; give a later one"),
        (["--at", "2040-01-01T00:00:00"], "no zone"),
        (["--at", "noon"], "no date and time"),
        (["--at", "2040-01-01T00:00:00Z", "--next-slot"], "one of them"),
        (["--next-slot"], "[timing] repeat_s"),
    ],
)
def test_wrong_calls(
    options: list[str], words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("there.flac").write_text("mine")
    assert run(["record", *options]) == 2
    error = capsys.readouterr().err
    assert words in error and error.count("\n") == 1
    assert Path("there.flac").read_text() == "mine"


def test_without_the_package(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    assert run(["record", "--list"]) == 2
    assert "sigcheck[record]" in capsys.readouterr().err


# --- with a sound server ---------------------------------------------------------------------------


class Server:
    """A sound server of our own, apart from any that runs."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "run").mkdir(mode=0o700)
        (folder / ".asoundrc").write_text("pcm.!default { type pulse }\nctl.!default { type pulse }\n")
        self.env = {k: v for k, v in os.environ.items() if not k.startswith("PULSE") and k != "DISPLAY"} | {
            "HOME": str(folder),
            "XDG_RUNTIME_DIR": str(folder / "run"),
            "XDG_CONFIG_HOME": str(folder / "config"),
            "PULSE_SERVER": f"unix:{folder}/run/pulse/native",
            "PYTHONPATH": str(ROOT),
        }
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> str | None:
        """Why it does not run, or None."""
        missing = [name for name in ("pulseaudio", "pactl", "paplay") if shutil.which(name) is None]
        if missing:
            return f"no {missing[0]} here"
        env = {k: v for k, v in self.env.items() if k != "PULSE_SERVER"}
        self.process = subprocess.Popen(
            ["pulseaudio", "--daemonize=no", "--exit-idle-time=-1", "-n", "--log-level=error",
             "-L", "module-native-protocol-unix", "-L", "module-null-sink sink_name=nowhere rate=48000"],
            env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        for _ in range(50):
            if self.process.poll() is not None:
                return "the sound server ends at once"
            if subprocess.run(["pactl", "info"], env=self.env, capture_output=True).returncode == 0:
                break
            time.sleep(0.1)
        else:
            return "the sound server does not answer"
        subprocess.run(["pactl", "set-default-source", "nowhere.monitor"], env=self.env, check=True, timeout=10)
        listed = self.sigcheck("record", "--list")
        return None if listed.returncode == 0 else f"PortAudio does not see it: {listed.stderr.strip()}"

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()

    def sigcheck(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        code = "from sigcheck.cli import main; main()"
        return subprocess.run(
            [sys.executable, "-c", code, *arguments], env=self.env, cwd=self.folder, capture_output=True, text=True,
            timeout=120,
        )  # fmt: skip

    def play(self, file: Path) -> subprocess.Popen[bytes]:
        return subprocess.Popen(["paplay", "--device=nowhere", str(file)], env=self.env)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    made = Server(tmp_path_factory.mktemp("sound"))
    try:
        why = made.start()
        if why is not None:
            pytest.skip(why)
        yield made
    finally:
        made.stop()


def test_the_servers_device_is_listed(server: Server) -> None:
    assert "the usual one" in server.sigcheck("record", "--list").stdout


def test_a_sample_played_comes_out_diagnosed(server: Server, tmp_path: Path) -> None:
    """What the sample is known to have must be found again after the way through the sound server."""
    file, plan = tmp_path / "heard.flac", SAMPLE.with_suffix("").with_suffix(".plan.toml")
    player = server.play(SAMPLE)
    before = datetime.now(UTC)
    done = server.sigcheck("record", str(file), "--seconds", "12", "--plan", str(plan), "--json", "-")
    player.terminate()
    player.wait(10)
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    truth = json.loads((ROOT / "sample_audio" / "supply-hum.truth.json").read_text())
    assert {s["id"] for s in result["symptoms"]} >= {"hum-sidebands"}
    assert result["causes"][0]["id"] in truth["causes"] or set(truth["causes"]) & set(result["causes"][0]["same_as"])
    recording = load(file)
    assert recording.duration_s == pytest.approx(12.0, abs=1e-3)
    assert recording.start_utc_source == "date-tag" and recording.start_utc is not None
    assert timedelta(0) <= recording.start_utc - before < timedelta(seconds=15)


def test_a_start_to_come_and_the_next_slot(server: Server, tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text("[timing]\nrepeat_s = 6\nafter_s = 1\n")
    assert load_plan(plan).timing.repeat_s == 6
    done = server.sigcheck("record", str(tmp_path), "--next-slot", "--plan", str(plan), "--seconds", "1", "--only")
    assert done.returncode == 0, done.stderr
    recording = load(next(tmp_path.glob("*.flac")))
    assert recording.start_utc is not None
    # two seconds before a start, and starts are one second after whole periods of six
    second = recording.start_utc.second + recording.start_utc.microsecond * 1e-6
    # To the sample it is tested in test_capture.py; here the sound server of a busy computer may lag, by far less
    # than the second that a wrong start would be off.
    assert (second - 5.0 + 3.0) % 6.0 - 3.0 == pytest.approx(0.0, abs=0.4)


def test_a_rate_or_device_that_is_not_there(server: Server, tmp_path: Path) -> None:
    done = server.sigcheck("record", str(tmp_path / "x.flac"), "--device", "no such thing", "--seconds", "1")
    assert done.returncode == 2
    assert "--list" in done.stderr and done.stderr.count("\n") == 1


def test_a_device_that_goes_away(tmp_path_factory: pytest.TempPathFactory, server: Server, tmp_path: Path) -> None:
    """The sound server ends while we record: what came is kept, one line says so."""
    other = Server(tmp_path_factory.mktemp("gone"))
    try:
        if why := other.start():
            pytest.skip(why)
        file = tmp_path / "x.flac"
        code = "from sigcheck.cli import main; main()"
        recording = subprocess.Popen(
            [sys.executable, "-c", code, "record", str(file), "--seconds", "60"],
            env=other.env, cwd=tmp_path, stderr=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        deadline = time.monotonic() + 20
        while not file.exists() and time.monotonic() < deadline:
            time.sleep(0.1)
        time.sleep(1.0)
    finally:
        other.stop()
    try:
        _, error = recording.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        recording.kill()
        recording.communicate()
        pytest.skip("the sound library itself waits for its dead server, as it now and then does")
    assert recording.returncode == 2, error
    assert "kept in" in error.splitlines()[-1]
    assert load(file).duration_s > 0.3
