"""Recording from a sound device into a FLAC file that knows when it began.

What the device delivers is written as it comes, in 24 bits, unscaled. The file's DATE tag holds the time of its
first sample, so that `sigcheck.recording.load` knows it. Whatever ends a recording early (device unplugged, disk
full, interrupted), what came until then stays in the file.

Needs the extra ``record`` (python-sounddevice), and PortAudio on the computer.
"""

from __future__ import annotations

import os
import queue
import shutil
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.errors import CaptureError

_SILENT_S = 3.0  # a device that delivers nothing for so long is gone
_FULL = 0.999  # of full scale
_HELD_SAMPLES = 3  # in a row at full scale: clipped, not a lucky peak
_BYTES = 3  # a sample at most, in 24 bits
_SPARE_BYTES = 5_000_000
_METER_S = 0.25
_PUNCTUAL_S = 10.0  # the stream's own clock is off by some 100 ppm: 1 ms in this time


@dataclass(frozen=True)
class Device:
    """A sound device that can be recorded from."""

    number: int
    name: str
    channels: int
    rate_hz: float
    usual: bool


@dataclass(frozen=True)
class Block:
    """Samples (n, channels) as they came; ``utc_s`` is the time of the first in seconds since 1970."""

    samples: NDArray[np.float32]
    utc_s: float
    lost: bool = False  # samples before these were lost


@dataclass(frozen=True)
class Level:
    """How loud it is, for the meter."""

    at_s: float
    peak_dbfs: float
    clipped: bool


@dataclass(frozen=True)
class Captured:
    """What was recorded."""

    path: Path
    start_utc: datetime
    seconds: float
    clipped_s: float  # blocks in which samples are held at full scale, all together
    gaps: int
    cut_short: str | None  # why it ended early


def devices() -> tuple[Device, ...]:
    """The devices that can be recorded from.

    Raises
    ------
    CaptureError : the package or the sound library is missing.
    """
    sounddevice = _sounddevice()
    usual = sounddevice.default.device[0]
    return tuple(
        Device(int(d["index"]), str(d["name"]), int(d["max_input_channels"]), float(d["default_samplerate"]),
               int(d["index"]) == usual)
        for d in sounddevice.query_devices()
        if d["max_input_channels"] > 0
    )  # fmt: skip


@contextmanager
def listening(*, device: int | str | None, rate_hz: int, channels: int) -> Iterator[Iterator[Block]]:
    """Open a device; the blocks come as they are recorded, and end where the device stops.

    Raises
    ------
    CaptureError : there is no such device, it can't be opened, or it does not do this rate.
    """
    sounddevice = _sounddevice()
    arrived: queue.Queue[Block] = queue.Queue()

    def take(samples: NDArray[np.float32], frames: int, times: Any, status: Any) -> None:
        now = time.time()
        # How long ago the first of these samples was taken, where the driver knows; else at least their own length.
        ago = times.currentTime - times.inputBufferAdcTime if times.inputBufferAdcTime > 0 else 0.0
        ago = ago if 0 < ago < 5 else frames / rate_hz
        arrived.put(Block(samples.copy(), now - ago, bool(status.input_overflow)))

    try:
        if not devices():
            raise CaptureError("there is no sound device to record from; plug one in, and see sigcheck record --list")
        stream = sounddevice.InputStream(
            device=device, samplerate=rate_hz, channels=channels, dtype="float32", callback=take
        )
        with stream:
            yield _blocks(stream, arrived)
    except (sounddevice.PortAudioError, ValueError) as error:
        reason = " ".join(str(error.args[0] if error.args else error).split())
        name = "the usual device" if device is None else f"device {device}"
        raise CaptureError(
            f"{name} can't be recorded from ({reason}); sigcheck record --list shows the devices, their channels and "
            "rates"
        ) from None


def _blocks(stream: Any, arrived: queue.Queue[Block]) -> Iterator[Block]:
    while True:
        try:
            yield arrived.get(timeout=_SILENT_S)
        except queue.Empty:
            return
        if not stream.active and arrived.empty():
            return


def _sounddevice() -> Any:
    try:
        import sounddevice
    except ImportError:
        raise CaptureError(
            "recording needs the package sounddevice; install it with pip install 'sigcheck[record]'"
        ) from None
    except OSError as error:
        raise CaptureError(f"recording needs PortAudio ({error}); on Debian it is the package libportaudio2") from None
    return sounddevice


def record(
    blocks: Iterable[Block],
    path: Path,
    *,
    rate_hz: int,
    seconds: float,
    start_utc: datetime | None = None,
    on_level: Callable[[Level], None] | None = None,
) -> Captured:
    """Write what comes to a FLAC file.

    Parameters
    ----------
    blocks : of `listening`, or of any other source.
    path : the file, or a folder in which it is named after its start.
    seconds : how long, from the start.
    start_utc : what comes before this is left out, to the sample; None starts at once.
    on_level : told the level about four times a second, while waiting too.

    Raises
    ------
    CaptureError : nothing at all was recorded, or the file can't be written; what was recorded is kept.
    """
    needed = round(seconds * rate_hz)
    taken = _Taken(path, rate_hz, on_level)
    why: str | None = "the device delivers no more; is it unplugged?"
    try:
        for block in _punctual(blocks, rate_hz):
            samples, utc_s = block.samples, block.utc_s
            if start_utc is not None and taken.frames == 0:
                skip = round((start_utc.timestamp() - utc_s) * rate_hz)
                if skip >= len(samples):
                    taken.meter(block.samples)
                    continue
                samples, utc_s = samples[max(skip, 0) :], utc_s + max(skip, 0) / rate_hz
            taken.write(samples[: needed - taken.frames], utc_s, block.lost)
            if taken.frames >= needed:
                why = None
                break
    except KeyboardInterrupt:
        why = "stopped by you"
    except _WriteError as error:
        why = str(error)
        taken.close()
        taken.mend()
    finally:
        taken.close()
    if taken.start is None or taken.file is None:
        raise CaptureError(f"nothing was recorded: {why}")
    return Captured(taken.file, taken.start, taken.frames / rate_hz, taken.clipped_s, taken.gaps, why)


def _punctual(blocks: Iterable[Block], rate_hz: int) -> Iterator[Block]:
    """The blocks with their times mended.

    A computer that is busy hands a block over late, never early. So the least delayed of the blocks just before,
    counted on by the samples since, says better when this one began than its own time does.
    """
    began: deque[tuple[float, float]] = deque()  # count of samples in seconds, and when the stream began by it
    at_s = 0.0
    for block in blocks:
        if block.lost:
            began.clear()
        began.append((at_s, block.utc_s - at_s))
        while began[0][0] < at_s - _PUNCTUAL_S:
            began.popleft()
        yield replace(block, utc_s=min(start_s for _, start_s in began) + at_s)
        at_s += len(block.samples) / rate_hz


def check_start(start_utc: datetime, now: datetime | None = None) -> None:
    """Refuse a start that is past.

    Raises
    ------
    CaptureError
    """
    now = now or datetime.now(UTC)
    if start_utc < now:
        ago = (now - start_utc).total_seconds()
        shown = f"{ago:.0f} s" if ago < 300 else str(timedelta(seconds=round(ago)))
        raise CaptureError(f"the start, {start_utc:%Y-%m-%d %H:%M:%S} UTC, is {shown} past; give a later one")


def check_room(path: Path, *, seconds: float, rate_hz: int, channels: int) -> None:
    """Refuse a recording that the disk has no room for.

    Raises
    ------
    CaptureError
    """
    folder = path if path.is_dir() else path.parent
    try:
        free = shutil.disk_usage(folder).free
    except OSError as error:
        raise CaptureError(f"{folder}: can't be written to ({error.strerror}); choose another place") from None
    most = seconds * rate_hz * channels * _BYTES + _SPARE_BYTES
    if free < most:
        raise CaptureError(
            f"{folder}: {free / 1e6:.0f} MB are free and {most / 1e6:.0f} MB may be needed; make room or record less"
        )


class _WriteError(Exception):
    """The file takes no more."""


class _Taken:
    """The file being written, and what is known about it."""

    def __init__(self, path: Path, rate_hz: int, on_level: Callable[[Level], None] | None) -> None:
        self._path, self._rate_hz, self._on_level = path, rate_hz, on_level
        self._sound: Any = None
        self._peak, self._peak_clipped, self._metered, self._heard = 0.0, False, 0, 0
        self.file: Path | None = None
        self.start: datetime | None = None
        self.frames = self.gaps = 0
        self.clipped_s = 0.0

    def write(self, samples: NDArray[np.float32], utc_s: float, lost: bool) -> None:
        """Append samples; the first ones open the file, as its tags come before its sound."""
        try:
            if self._sound is None:
                self._open(datetime.fromtimestamp(utc_s, UTC), samples.shape[1])
            elif lost:
                self.gaps += 1
            self._sound.write(samples)
        except (RuntimeError, OSError, AssertionError) as error:
            reason = " ".join(str(getattr(error, "error_string", None) or error).split()) or "no reason given"
            raise _WriteError(f"the file can't be written on ({reason.rstrip('.')}); is the disk full?") from None
        self.frames += len(samples)
        if self.meter(samples):
            self.clipped_s += len(samples) / self._rate_hz

    def meter(self, samples: NDArray[np.float32]) -> bool:
        """Tell the level now and then; True where these samples are clipped."""
        if not samples.size:
            return False
        full = np.abs(samples) >= _FULL
        clipped = bool(full.sum() >= _HELD_SAMPLES and _runs(full))
        self._peak = max(self._peak, float(np.abs(samples).max()))
        self._peak_clipped |= clipped
        self._heard += len(samples)
        if self._on_level is not None and self._heard - self._metered >= _METER_S * self._rate_hz:
            peak_dbfs = float(20 * np.log10(max(self._peak, 1e-6)))
            self._on_level(Level(self.frames / self._rate_hz, peak_dbfs, self._peak_clipped))
            self._peak, self._peak_clipped, self._metered = 0.0, False, self._heard
        return clipped

    def _open(self, start: datetime, channels: int) -> None:
        import soundfile

        name = self._path
        if name.is_dir():
            name = name / f"{start:%Y%m%dT%H%M%SZ}.flac"
            if os.path.lexists(name):
                raise OSError(f"{name} is there already")
        self._sound = soundfile.SoundFile(name, "w", self._rate_hz, channels, "PCM_24", format="FLAC")
        self._sound.date = start.isoformat(timespec="microseconds").replace("+00:00", "Z")
        self.file, self.start = name, start

    def close(self) -> None:
        """Finish the file; on a full disk what can't be written any more is given up."""
        if self._sound is not None:
            with suppress(RuntimeError, OSError):
                self._sound.close()
            self._sound = None

    def mend(self) -> None:
        """Make a file that could not be finished readable: what can be decoded is what it holds."""
        if self.file is not None:
            with suppress(RuntimeError, OSError):
                self.frames = _finish_header(self.file)


def _finish_header(path: Path) -> int:
    """Cut a FLAC file after the last whole frame, and write into its header how many samples it then holds.

    RFC 9639, 8.2: the stream information begins at byte 8, with the block size in bytes 10 and 11; the number of
    samples is the low 36 of the 64 bits from byte 18, the checksum the 16 bytes after them, zero where it is not
    known. 9.1: a frame begins with four bytes alike in all, and its number coded as characters are in UTF-8.
    """
    import soundfile

    frames = 0
    with soundfile.SoundFile(path) as sound:
        sound.seekable = lambda: False  # as its length is not known, nothing can be sought in it
        with suppress(RuntimeError, OSError):
            while got := len(sound.read(4096)):
                frames += got
    with open(path, "r+b") as file:
        data = file.read()
        block = int.from_bytes(data[10:12], "big")
        frames -= frames % block
        number = chr(frames // block).encode("utf-8", "surrogatepass")
        cut = data.rfind(data[_first_frame(data) :][:4] + number)
        if cut > 0:
            file.truncate(cut)
        file.seek(18)
        packed = int.from_bytes(file.read(8), "big")
        file.seek(18)
        file.write((packed >> 36 << 36 | frames).to_bytes(8, "big") + bytes(16))
    return frames


def _first_frame(data: bytes) -> int:
    """Where the blocks of metadata end (RFC 9639, 8.1): each says its length, the last one that it is the last."""
    at, last = 4, False
    while not last:
        last = bool(data[at] & 0x80)
        at += 4 + int.from_bytes(data[at + 1 : at + 4], "big")
    return at


def _runs(full: NDArray[np.bool_]) -> bool:
    """Whether a channel stays at full scale for some samples in a row."""
    held = full[2:] & full[1:-1] & full[:-2]
    return bool(held.any())
