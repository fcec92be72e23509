"""Recording into a file, from blocks as a device would deliver them."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from sigcheck import capture
from sigcheck.capture import Block, Level, check_room, check_start, record
from sigcheck.errors import CaptureError
from sigcheck.recording import load

RATE = 8000
START = datetime(2026, 11, 1, 10, 2, 0, 125_000, tzinfo=UTC)


def blocks(seconds: float, *, level: float = 0.2, size: int = 400, channels: int = 1) -> Iterator[Block]:
    """A 700 Hz tone from START on, a block at a time; sample k is level * cos(2 pi 700 k / RATE)."""
    for first in range(0, int(seconds * RATE), size):
        t = (first + np.arange(size)) / RATE
        x = np.clip(level * np.cos(2 * np.pi * 700 * t), -1, 1).astype(np.float32)
        yield Block(np.repeat(x[:, None], channels, axis=1), START.timestamp() + first / RATE)


def test_what_comes_is_written_unscaled_with_its_start(tmp_path: Path) -> None:
    file = tmp_path / "shed.flac"
    got = record(blocks(3.0, channels=2), file, rate_hz=RATE, seconds=2.0)
    assert (got.seconds, got.cut_short, got.gaps, got.clipped_s) == (2.0, None, 0, 0.0)
    back = load(file)
    assert back.n_samples == 2 * RATE and back.n_channels == 2 and back.bits == 24
    wanted = 0.2 * np.cos(2 * np.pi * 700 * np.arange(2 * RATE) / RATE)
    assert np.max(np.abs(back.channel(1) - wanted)) < 2**-23 + 1e-7  # a step of 24 bits, and float32
    assert back.start_utc_source == "date-tag"
    assert back.start_utc is not None
    assert abs((back.start_utc - START).total_seconds()) < 2e-6
    assert back.start_utc_sigma_s == pytest.approx(0.05)


def test_a_later_start_is_kept_to_the_sample(tmp_path: Path) -> None:
    start = START + timedelta(seconds=0.5123)
    got = record(blocks(3.0), tmp_path / "x.flac", rate_hz=RATE, seconds=1.0, start_utc=start)
    assert abs((got.start_utc - start).total_seconds()) <= 0.5 / RATE + 1e-6
    first = round((got.start_utc - START).total_seconds() * RATE)
    x = load(got.path).channel(0)
    assert x[:50] == pytest.approx(0.2 * np.cos(2 * np.pi * 700 * (first + np.arange(50)) / RATE), abs=1e-6)


def test_blocks_handed_over_late_do_not_move_the_start(tmp_path: Path) -> None:
    """A busy computer stamps some blocks late, by up to 40 ms here; the samples came in time all the same."""
    rng = np.random.default_rng(5)
    late = (replace(b, utc_s=b.utc_s + rng.choice([0.0, 0.003, 0.04])) for b in blocks(3.0))
    start = START + timedelta(seconds=1.5123)
    got = record(late, tmp_path / "x.flac", rate_hz=RATE, seconds=1.0, start_utc=start)
    first = round((start - START).total_seconds() * RATE)
    x = load(got.path).channel(0)
    assert x[:50] == pytest.approx(0.2 * np.cos(2 * np.pi * 700 * (first + np.arange(50)) / RATE), abs=1e-6)


def test_in_a_folder_it_is_named_after_its_start(tmp_path: Path) -> None:
    got = record(blocks(1.0), tmp_path, rate_hz=RATE, seconds=0.5)
    assert got.path == tmp_path / "20261101T100200Z.flac"


def test_level_and_clipping(tmp_path: Path) -> None:
    levels: list[Level] = []
    record(blocks(2.0, level=0.1), tmp_path / "a.flac", rate_hz=RATE, seconds=2.0, on_level=levels.append)
    assert [level.at_s for level in levels] == pytest.approx([0.25 * k for k in range(1, 9)])
    assert all(level.peak_dbfs == pytest.approx(-20, abs=0.01) and not level.clipped for level in levels)
    levels.clear()
    got = record(blocks(2.0, level=1.5), tmp_path / "b.flac", rate_hz=RATE, seconds=2.0, on_level=levels.append)
    assert got.clipped_s == pytest.approx(2.0)
    assert levels and all(level.clipped for level in levels)


def unplugged(after_s: float) -> Iterator[Block]:
    yield from blocks(after_s)


def interrupted(after_s: float) -> Iterator[Block]:
    yield from blocks(after_s)
    raise KeyboardInterrupt


@pytest.mark.parametrize(("source", "word"), [(unplugged, "unplugged"), (interrupted, "stopped by you")])
def test_what_ends_early_is_kept(source: Any, word: str, tmp_path: Path) -> None:
    got = record(source(1.5), tmp_path / "x.flac", rate_hz=RATE, seconds=60.0)
    assert got.cut_short is not None and word in got.cut_short
    assert got.seconds == pytest.approx(1.5)
    assert load(got.path).n_samples == 1.5 * RATE


def test_nothing_at_all(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match=r"nothing was recorded.*unplugged"):
        record(iter(()), tmp_path / "x.flac", rate_hz=RATE, seconds=1.0)
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(CaptureError, match=r"nothing was recorded.*can't be written"):
        record(blocks(1.0), tmp_path / "no" / "x.flac", rate_hz=RATE, seconds=1.0)


FULL_DISK = """
import resource, signal, sys
import numpy as np
from pathlib import Path
from sigcheck.capture import Block, record
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000))
rng = np.random.default_rng(0)
blocks = (Block(0.1 * rng.standard_normal((800, 1)).astype(np.float32), 1.8e9 + k / 10) for k in range(600))
got = record(blocks, Path(sys.argv[1]), rate_hz=8000, seconds=60.0)
print(got.seconds, got.cut_short)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are set otherwise there")
def test_a_full_disk_keeps_what_was_recorded(tmp_path: Path) -> None:
    """A limit on the file's size stands for the full disk: writing fails in the same way."""
    file = tmp_path / "x.flac"
    done = subprocess.run([sys.executable, "-c", FULL_DISK, str(file)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    seconds, _, why = done.stdout.strip().partition(" ")
    assert "disk full?" in why
    back = load(file)  # what is there can be read
    assert back.n_samples == round(float(seconds) * RATE) > 4 * RATE
    assert np.std(back.channel(0)) == pytest.approx(0.1, rel=0.02)


def test_a_start_that_is_past() -> None:
    with pytest.raises(CaptureError, match=r"2026-11-01 10:02:00 UTC, is 60 s past; give a later one"):
        check_start(START, START + timedelta(seconds=60))
    check_start(START, START - timedelta(seconds=1))


def test_room_on_the_disk(tmp_path: Path) -> None:
    check_room(tmp_path / "x.flac", seconds=1, rate_hz=8000, channels=1)
    with pytest.raises(CaptureError, match="MB are free"):
        check_room(tmp_path / "x.flac", seconds=1e9, rate_hz=192000, channels=64)
    with pytest.raises(CaptureError, match="can't be written to"):
        check_room(tmp_path / "no" / "x.flac", seconds=1, rate_hz=8000, channels=1)


# --- the device, as the library shows it -----------------------------------------------------------


class PortAudioError(Exception):
    pass


def library(names: tuple[str, ...] = (), refuse: str | None = None) -> SimpleNamespace:
    """What is used of python-sounddevice."""

    def open_(**_: Any) -> Any:
        raise PortAudioError(refuse)

    found = [
        {"index": k, "name": name, "max_input_channels": 2, "default_samplerate": 48000.0}
        for k, name in enumerate(names)
    ]
    found.append({"index": 9, "name": "loudspeaker", "max_input_channels": 0, "default_samplerate": 48000.0})
    return SimpleNamespace(
        default=SimpleNamespace(device=(0, 9)), query_devices=lambda: found, PortAudioError=PortAudioError,
        InputStream=open_,
    )  # fmt: skip


def test_devices_that_record_are_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", library(("line in", "microphone")))
    found = capture.devices()
    assert [(d.number, d.name, d.usual) for d in found] == [(0, "line in", True), (1, "microphone", False)]


@pytest.mark.parametrize(
    ("names", "refuse", "words"),
    [((), None, "there is no sound device"), (("line in",), "Invalid sample rate", r"Invalid sample rate.*--list")],
)
def test_devices_that_are_not_there(
    names: tuple[str, ...], refuse: str | None, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", library(names, refuse))
    with (
        pytest.raises(CaptureError, match=words),
        capture.listening(device=None, rate_hz=8000, channels=1),
    ):
        pass


def test_without_the_package(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(CaptureError, match=r"pip install 'sigcheck\[record\]'"):
        capture.devices()
