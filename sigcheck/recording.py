"""Audio in: samples as they are, the rate, and when the recording began.

Nothing is resampled, mixed or scaled on the way in; what libsndfile decodes is what is measured.
Full scale is 1.0; floating-point and lossy files may go beyond it and are taken as they are.

The start time comes from the plan's ``[recorder] start_utc`` or else from the file, see
`sigcheck.start_time`.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from io import BufferedReader
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigcheck.errors import RecordingError
from sigcheck.start_time import StartSource, parse_bext, read_chunks, sigma_of, start_time

if TYPE_CHECKING:
    from sigcheck.plan import Plan

Samples = NDArray[np.float32]
LOWEST_RATE_HZ = 6_000
HIGHEST_RATE_HZ = 192_000

# 4 GB as float32, six hours of one channel at 48 kHz. Longer files are read with `blocks`.
_MOST_SAMPLES = 2**30
_FIRST_ROOM = 2**26  # samples to make room for before it is known that the header tells the truth

_PCM_BITS = {
    "PCM_S8": 8,
    "PCM_U8": 8,
    "PCM_16": 16,
    "PCM_24": 24,
    "PCM_32": 32,
    "ALAC_16": 16,
    "ALAC_20": 20,
    "ALAC_24": 24,
    "ALAC_32": 32,
}
_FLOATING = {"FLOAT", "DOUBLE"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Recording:
    """One recording, unchanged.

    Attributes
    ----------
    samples : float32, shape (n_samples, n_channels), read-only, full scale 1.0.
    sha256 : of the file's bytes; of the samples' bytes where there is no file.
    start_utc, start_utc_sigma_s : time of the first sample, None where it is not known.
    lossy : coded with loss (Vorbis, Opus, MP3, ADPCM, companded), so that sample values are smeared.
    bits : resolution of the file's sample format, None for floating point and lossy ones.
    steps : named steps done to the samples since they were read; normally none.
    notes : what was found beside the samples and could not be used, in plain words.
    """

    samples: Samples
    sample_rate_hz: float
    path: str | None = None
    sha256: str
    start_utc: datetime | None = None
    start_utc_sigma_s: float | None = None
    start_utc_source: StartSource | None = None
    lossy: bool = False
    bits: int | None = None
    steps: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def n_samples(self) -> int:
        """Samples in each channel."""
        return int(self.samples.shape[0])

    @property
    def n_channels(self) -> int:
        """Number of channels."""
        return int(self.samples.shape[1])

    @property
    def duration_s(self) -> float:
        """Length in seconds by the nominal sample rate."""
        return self.n_samples / self.sample_rate_hz

    def channel(self, k: int) -> Samples:
        """Samples of channel ``k`` (the first is 0): float32, shape (n_samples,), contiguous, read-only.

        Raises
        ------
        RecordingError : there is no such channel.
        """
        if not 0 <= k < self.n_channels:
            have = "only channel 0" if self.n_channels == 1 else f"channels 0 to {self.n_channels - 1}"
            raise RecordingError(f"{self.path or 'the recording'}: no channel {k}; it has {have}")
        one = np.ascontiguousarray(self.samples[:, k])
        one.flags.writeable = False
        return one

    def with_plan(self, plan: Plan | None) -> Recording:
        """This recording with the plan's start time, where the plan has one."""
        recorder = plan.recorder if plan is not None else None
        if recorder is None or recorder.start_utc is None:
            return self
        return replace(
            self,
            start_utc=recorder.start_utc,
            start_utc_sigma_s=recorder.start_utc_sigma_s or sigma_of(recorder.start_utc),
            start_utc_source="plan",
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class Block:
    """A piece of a long recording: ``samples`` as in `Recording`, the first of them at ``start_s``."""

    samples: Samples
    sample_rate_hz: float
    start_s: float


# --- reading ---------------------------------------------------------------------------------


def load(path: str | os.PathLike[str], *, plan: Plan | None = None) -> Recording:
    """Read a recording whole.

    Parameters
    ----------
    path : a file in any format that libsndfile reads, 6 to 192 kHz, any number of channels.
    plan : its ``[recorder] start_utc`` wins over what the file says.

    Raises
    ------
    RecordingError : the file is missing, is no sound file, is damaged or cut off, holds no samples
        or values that are no numbers, or its rate is out of range. One line, file and remedy named.
    """
    name = _path(path)
    with _opened(name) as (raw, sound):
        samples = _read_whole(name, sound)
        form = _form(sound)
        chunks = read_chunks(raw)
        date_tag = _date_tag(sound)
        sha256 = _sha256(raw)
    rate = sound.samplerate
    _check_finite(name, samples, rate, 0)
    samples.flags.writeable = False
    start, notes = start_time(Path(name).name, date_tag, parse_bext(chunks.bext, rate))
    if form.bits and (missing := chunks.data_bytes * 8 // (sound.channels * form.bits) - len(samples)) > 0:
        notes = (*notes, f"the file ends {missing / rate:.1f} s before the length that its header promises")
    recording = Recording(
        samples=samples,
        sample_rate_hz=float(rate),
        path=name,
        sha256=sha256,
        start_utc=start.utc if start else None,
        start_utc_sigma_s=start.sigma_s if start else None,
        start_utc_source=start.source if start else None,
        lossy=form.lossy,
        bits=form.bits,
        notes=notes,
    )
    return recording.with_plan(plan)


def from_samples(
    samples: ArrayLike,
    sample_rate_hz: float,
    *,
    start_utc: datetime | None = None,
    start_utc_sigma_s: float | None = None,
    lossy: bool = False,
    bits: int | None = None,
    steps: tuple[str, ...] = (),
) -> Recording:
    """Make a recording of an array.

    Parameters
    ----------
    samples : shape (n,) or (n, n_channels); floating point with full scale 1.0, or signed integers,
        which are divided by their type's full scale.
    sample_rate_hz : 6000 to 192000.
    start_utc : with a zone.

    Raises
    ------
    RecordingError : no samples, more than two axes, values that are no numbers, a rate out of range,
        or a start time without a zone.
    """
    given = np.asarray(samples)
    if given.ndim not in (1, 2) or given.size == 0:
        raise RecordingError(
            f"samples have the shape {given.shape}; give (n,) or (n, n_channels) with at least one sample"
        )
    if given.dtype.kind == "i":
        bits = bits or 8 * given.dtype.itemsize
        scaled = given / np.float64(2.0 ** (8 * given.dtype.itemsize - 1))
    elif given.dtype.kind == "f":
        scaled = given
    else:
        raise RecordingError(f"samples are of type {given.dtype}; give floating point or signed integers")
    _check_rate("the array", sample_rate_hz)
    with np.errstate(over="ignore"):  # what float32 can't hold becomes infinite and is refused below
        own = np.array(scaled, dtype=np.float32, order="C", copy=True).reshape(given.shape[0], -1)
    _check_finite("the array", own, sample_rate_hz, 0)
    own.flags.writeable = False
    sigma = start_utc_sigma_s
    if start_utc is not None:
        if start_utc.tzinfo is None:
            raise RecordingError("start_utc has no zone; give a datetime with tzinfo, e.g. datetime.UTC")
        start_utc = start_utc.astimezone(UTC)
        sigma = sigma or sigma_of(start_utc)
    return Recording(
        samples=own,
        sample_rate_hz=float(sample_rate_hz),
        sha256=hashlib.sha256(own.data).hexdigest(),
        start_utc=start_utc,
        start_utc_sigma_s=sigma,
        lossy=lossy,
        bits=bits,
        steps=steps,
    )


def blocks(path: str | os.PathLike[str], seconds: float, *, overlap_s: float = 0.0) -> Iterator[Block]:
    """Read a long recording piece by piece, in constant memory.

    Parameters
    ----------
    path : as for `load`.
    seconds : length of a piece; the last one is as long as what is left.
    overlap_s : how much of each piece is repeated at the start of the next.

    Raises
    ------
    RecordingError : as for `load`; damage is found when it is reached.
    """
    if not 0 <= overlap_s < seconds:
        raise RecordingError(
            f"blocks of {seconds} s can't overlap by {overlap_s} s; choose less than a block"
        )
    name = _path(path)
    with _opened(name) as (_, sound):
        rate = sound.samplerate
        length = max(1, round(seconds * rate))
        kept = min(round(overlap_s * rate), length - 1)
        tail = np.empty((0, sound.channels), np.float32)
        at = 0
        while True:
            piece = np.empty((length, sound.channels), np.float32)
            piece[: len(tail)] = tail
            got = _fill(name, sound, piece[len(tail) :])
            piece = piece[: len(tail) + got]
            if got == 0:
                _check_complete(name, sound, at + len(tail))
                return
            _check_finite(name, piece, rate, at)
            tail = piece[len(piece) - kept :].copy() if kept else tail[:0]
            piece.flags.writeable = False
            yield Block(samples=piece, sample_rate_hz=float(rate), start_s=at / rate)
            at += len(piece) - len(tail)


def _path(path: str | os.PathLike[str]) -> str:
    name = os.fspath(path)
    return os.fsdecode(name) if isinstance(name, bytes) else name


def _shown(name: str) -> str:
    """The name as it goes into a message: on one line, and its end only where it is very long."""
    one_line = "".join(c if c.isprintable() else "?" for c in name)
    return one_line if len(one_line) <= 200 else "..." + one_line[-200:]


_UNREADABLE = (RuntimeError, OSError, ValueError, TypeError, AssertionError, OverflowError)


@contextmanager
def _opened(name: str) -> Iterator[tuple[BufferedReader, Any]]:
    """The file and its decoder; every way in which it can't be opened becomes one line."""
    try:
        # A pipe or device could make us wait for ever, so look before opening.
        mode = os.stat(name).st_mode
        if stat.S_ISDIR(mode):
            raise RecordingError(f"{_shown(name)}: is a folder; name one sound file in it")
        if not stat.S_ISREG(mode):
            raise RecordingError(
                f"{_shown(name)}: is not an ordinary file; save the recording to a file first"
            )
        raw = open(name, "rb")  # noqa: SIM115
    except FileNotFoundError:
        raise RecordingError(f"{_shown(name)}: no such file; check the name and the folder") from None
    except PermissionError:
        raise RecordingError(
            f"{_shown(name)}: no permission to read it; change its permissions or copy it"
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise RecordingError(f"{_shown(name)}: can't be opened ({reason}); check the name") from None
    with raw:
        if os.fstat(raw.fileno()).st_size == 0:
            raise RecordingError(f"{_shown(name)}: the file is empty; record again or copy it again")
        import soundfile

        try:
            sound = soundfile.SoundFile(raw.fileno(), closefd=False)
        except _UNREADABLE as error:
            raise RecordingError(
                f"{_shown(name)}: is no readable sound file ({_reason(error)}); save it as WAV or FLAC"
            ) from None
        # Otherwise each read is followed by a seek to where the file stands anyway, which costs time
        # and fails in streams whose header does not know their length.
        sound.seekable = lambda: False
        with sound:
            _check_rate(name, sound.samplerate)
            yield raw, sound


def _reason(error: BaseException) -> str:
    """What the decoder says, on one line and without its own prefix."""
    text = " ".join(str(getattr(error, "error_string", None) or error).split())
    text = re.sub(r"^(Error|Supported file)?\s*:\s*", "", text).rstrip(".")
    return text[:1].lower() + text[1:120] if text else "the decoder gave no reason"


def _read_whole(name: str, sound: Any) -> Samples:
    """All samples, shape (n, channels).

    The header's length is a claim: it may be unknown (a stream), wrong, or made to exhaust the
    memory. So room is made as samples really arrive.
    """
    channels = sound.channels
    claimed = max(0, min(sound.frames, _MOST_SAMPLES // channels + 1))
    try:
        buffer = np.empty((min(claimed, _FIRST_ROOM // channels) + 1, channels), np.float32)
        n = 0
        while (got := _fill(name, sound, buffer[n:])) > 0:
            n += got
            if n * channels > _MOST_SAMPLES:
                raise RecordingError(f"{_shown(name)}: too long to be held at once; cut it into hours")
            if n == len(buffer):
                # twice as much, or what is left of the claim: untouched room costs nothing, a copy of it does
                room = min(n, claimed + 1 - n) if n <= claimed else n
                grown = np.empty((n + room, channels), np.float32)
                grown[:n] = buffer
                buffer = grown
    except MemoryError:
        raise RecordingError(f"{_shown(name)}: does not fit into memory; cut it into shorter parts") from None
    _check_complete(name, sound, n)
    return buffer[:n]


def _fill(name: str, sound: Any, room: Samples) -> int:
    """Decode the next frames into ``room``; how many came."""
    try:
        return len(sound.read(out=room))
    except _UNREADABLE as error:
        raise RecordingError(
            f"{_shown(name)}: damaged or cut off ({_reason(error)}); copy it again, or save what plays as WAV"
        ) from None


def _check_complete(name: str, sound: Any, n: int) -> None:
    """Refuse a file without samples, or one whose exact header promises more than there is."""
    if n == 0:
        raise RecordingError(f"{_shown(name)}: holds no samples; record again or copy it again")
    # Lossy headers estimate their length, and 2^63 - 1 stands for a stream of unknown length.
    exact = not _form(sound).lossy and sound.frames < 2**62
    if exact and n < sound.frames:
        there_s, whole_s = n / sound.samplerate, sound.frames / sound.samplerate
        raise RecordingError(
            f"{_shown(name)}: cut off, {there_s:.1f} s of {whole_s:.1f} s can be decoded; "
            "copy it again, or save what plays as WAV"
        )


def _check_rate(name: str, rate_hz: float) -> None:
    if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
        raise RecordingError(
            f"{_shown(name)}: sample rate {rate_hz:g} Hz is outside 6 to 192 kHz; record at 12 or 48 kHz"
        )


def _check_finite(name: str, samples: Samples, rate_hz: float, first: int) -> None:
    # The sum of squares is finite only if every sample is, and costs a fifth of a look at each. A
    # float32 sum may overflow where each sample is finite, so only a suspicion is decided by it.
    flat = samples.ravel()
    with np.errstate(over="ignore", invalid="ignore"):
        if np.isfinite(np.dot(flat, flat)):
            return
    wrong = np.flatnonzero(~np.isfinite(flat))
    if wrong.size:
        frame, channel = divmod(int(wrong[0]), samples.shape[1])
        raise RecordingError(
            f"{_shown(name)}: {wrong.size} samples are no numbers or infinite, the first at "
            f"{(first + frame) / rate_hz:.4f} s in channel {channel}; save it again as 16- or 24-bit WAV"
        )


@dataclass(frozen=True)
class _Form:
    lossy: bool
    bits: int | None


def _form(sound: Any) -> _Form:
    bits = _PCM_BITS.get(sound.subtype)
    return _Form(lossy=bits is None and sound.subtype not in _FLOATING, bits=bits)


def _date_tag(sound: Any) -> str:
    try:
        return str(sound.date or "")
    except _UNREADABLE:
        return ""


def _sha256(raw: BufferedReader) -> str:
    raw.seek(0)
    return hashlib.file_digest(raw, "sha256").hexdigest()
