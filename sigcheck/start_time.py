"""When a recording began, in UTC, as far as its file tells.

The first of these that states its zone is taken:

1. the broadcast extension chunk of a WAV or RF64 file ("bext", EBU Tech 3285),
2. the DATE tag of the file (FLAC, Vorbis and others),
3. a date and time after ISO 8601 in the file's name, as in ``shed-20261101T100200Z.flac``.

Tech 3285 gives date and time without a zone, so a bext chunk alone says nothing about UTC. It is
used where its own text fields name the zone ("UTC", "UTC+01:00"), or where the DATE tag or the
file's name gives the same moment in a known zone: then the two differ by whole quarter hours, and
the chunk's count of samples since midnight adds the fraction of the second. Everything left
unused for want of a zone is named in a note.
"""

from __future__ import annotations

import os
import re
import struct
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from io import BufferedReader
from typing import Literal

StartSource = Literal["plan", "bext", "date-tag", "file-name"]

WHOLE_SECONDS_SIGMA_S = 0.29  # a uniform second: 1 / sqrt(12)
CLOCK_SIGMA_S = 0.05  # a network-set clock and the audio buffers before it: common practice, no source


@dataclass(frozen=True)
class Stamp:
    """A moment in UTC, its standard uncertainty and where it was read."""

    utc: datetime
    sigma_s: float
    source: StartSource


def sigma_of(moment: datetime) -> float:
    """Standard uncertainty of a written time, in seconds: whole seconds or finer."""
    return CLOCK_SIGMA_S if moment.microsecond else WHOLE_SECONDS_SIGMA_S


def start_time(name: str, date_tag: str, bext: Bext | None) -> tuple[Stamp | None, tuple[str, ...]]:
    """The start of the recording, and notes on what could not be used for it.

    Parameters
    ----------
    name : the file's name, without its folder.
    date_tag : the text of its DATE tag, empty where there is none.
    bext : what its broadcast extension chunk says.
    """
    notes: list[str] = []
    stamps: list[Stamp] = []
    sources: tuple[tuple[StartSource, str, str], ...] = (
        ("date-tag", "DATE tag", date_tag),
        ("file-name", "file's name", name),
    )
    for source, where, text in sources:
        read = _read_iso(text)
        if read is None:
            continue
        moment, resolution_s = read
        if moment.tzinfo is None:
            notes.append(_unplaced(where, moment))
        else:
            coarse_s = resolution_s * WHOLE_SECONDS_SIGMA_S
            stamps.append(Stamp(moment, max(sigma_of(moment), coarse_s), source))
    if bext is not None:
        placed = _place(bext, stamps)
        if placed is None:
            notes.append(_unplaced("bext chunk", bext.local))
        else:
            stamps.insert(0, placed)
    # A minute apart they can't mean the same start, whatever the rounding.
    if stamps and any(abs((s.utc - stamps[0].utc).total_seconds()) > 60.0 for s in stamps[1:]):
        told = ", ".join(f"{s.source} {s.utc:%Y-%m-%dT%H:%M:%SZ}" for s in stamps)
        notes.append(f"the file's start times disagree ({told}); the first was used")
    return (stamps[0] if stamps else None), tuple(notes)


def _unplaced(where: str, moment: datetime) -> str:
    return f"the time in the {where} ({moment:%Y-%m-%d %H:%M:%S}) has no zone and was not used"


# --- ISO 8601 in a text ------------------------------------------------------------------------

# Basic or extended format, also with the signs that file names allow between the parts.
_ISO = re.compile(
    r"(?<!\d)(\d{4})(-?)(\d\d)\2(\d\d)[Tt _-]"
    r"(\d\d)[:_.-]?(\d\d)(?:[:_.-]?(\d\d)(?:[.,](\d{1,9}))?)?"
    r"(?:([Zz])(?![A-Za-z0-9])|([+-])(0\d|1[0-4]):?(00|15|30|45)(?!\d)|(?!\d))",
    re.ASCII,
)


def _read_iso(text: str) -> tuple[datetime, float] | None:
    """The first date and time in a text, in UTC where it has a zone, and its resolution in seconds."""
    for found in _ISO.finditer(text):
        year, _, month, day, hour, minute, second, fraction, z, sign, zone_h, zone_m = found.groups()
        digits = (fraction or "")[:6]
        try:
            parts = (year, month, day, hour, minute, second or "0", digits.ljust(6, "0"))
            moment = datetime(*(int(part) for part in parts))  # type: ignore[arg-type]
            if z:
                moment = moment.replace(tzinfo=UTC)
            elif sign:
                moment = moment.replace(tzinfo=timezone(_offset(sign, zone_h, zone_m))).astimezone(UTC)
        except (ValueError, OverflowError):  # month 13, or a zone that leads out of the calendar
            continue
        return moment, 60.0 if second is None else 10.0 ** -len(digits)
    return None


def _offset(sign: str | None, hours: str | None, minutes: str | None) -> timedelta:
    size = timedelta(hours=int(hours or 0), minutes=int(minutes or 0))
    return -size if sign == "-" else size


# --- the broadcast extension chunk -------------------------------------------------------------


@dataclass(frozen=True)
class Bext:
    """What a broadcast extension chunk says of the start, without a zone."""

    local: datetime
    words: str  # its text fields, where a zone may be named


# EBU Tech 3285: Description, Originator, OriginatorReference, OriginationDate, OriginationTime,
# TimeReference (samples since midnight), all little-endian; CodingHistory runs from byte 602 to the end.
_BEXT_HEAD = struct.Struct("<256s32s32s10s8sQ")
_CODING_HISTORY_AT = 602
_THREE_NUMBERS = re.compile(r"\D*(\d+)\D+(\d+)\D+(\d+)\D*", re.ASCII)  # any separators, as 3285 allows


def parse_bext(chunk: bytes, rate_hz: int) -> Bext | None:
    """Read date and time from the chunk's bytes; None where they hold none."""
    if len(chunk) < _BEXT_HEAD.size:
        return None
    description, originator, reference, date, time, since_midnight = _BEXT_HEAD.unpack_from(chunk)
    d, t = (_THREE_NUMBERS.fullmatch(part.decode("ascii", "replace")) for part in (date, time))
    if not d or not t:
        return None
    try:
        local = datetime(*(int(part) for part in d.groups() + t.groups()))  # type: ignore[arg-type]
    except ValueError:
        return None
    texts = (description, originator, reference, chunk[_CODING_HISTORY_AT:])
    words = " ".join(text.split(b"\0")[0].decode("latin-1") for text in texts)
    # Many recorders leave the sample count 0 or put a time code of their own there. It is the same
    # clock, and finer, where it agrees with the written time.
    midnight = local.replace(hour=0, minute=0, second=0)
    counted_s = since_midnight / rate_hz
    if since_midnight and abs((local - midnight).total_seconds() - counted_s) <= 2.0:
        local = midnight + timedelta(seconds=counted_s)
    return Bext(local, words)


_ZONE_WORD = re.compile(r"\b(?:UTC|GMT)(?:\s*([+-])(\d{1,2})(?::?(\d\d))?)?(?!\w)", re.ASCII)


def _place(bext: Bext, stamps: list[Stamp]) -> Stamp | None:
    """The chunk's time in UTC, where its zone is named or can be told from another source."""
    as_utc = bext.local.replace(tzinfo=UTC)
    sigma_s = sigma_of(bext.local)
    named = _ZONE_WORD.search(bext.words)
    try:
        if named:
            return Stamp(as_utc - _offset(*named.groups()), sigma_s, "bext")
        for stamp in stamps:
            ahead_s = (as_utc - stamp.utc).total_seconds()
            quarters = round(ahead_s / 900.0)  # zones lie whole quarter hours from UTC, 14 hours at most
            if abs(quarters) <= 56 and abs(ahead_s - 900.0 * quarters) <= 2.0:
                return Stamp(as_utc - timedelta(seconds=900.0 * quarters), sigma_s, "bext")
    except OverflowError:  # a zone that leads out of the calendar
        return None
    return None


# --- the chunks of a WAV file ------------------------------------------------------------------


@dataclass(frozen=True)
class Chunks:
    """The bext chunk of a WAV or RF64 file, and how many bytes its data chunk claims (0: not said)."""

    bext: bytes = b""
    data_bytes: int = 0


def read_chunks(raw: BufferedReader) -> Chunks:
    """Walk through the chunks of a WAV or RF64 file (EBU Tech 3306); nothing in any other file.

    The sizes in a file are claims: each step is checked against the file's end, so that no bytes
    can make this read far or run on for ever.
    """
    end = os.fstat(raw.fileno()).st_size
    raw.seek(0)
    head = raw.read(12)
    if len(head) < 12 or head[:4] not in (b"RIFF", b"RF64", b"BW64") or head[8:] != b"WAVE":
        return Chunks()
    bext, data_bytes, data64 = b"", 0, 0
    at = 12
    for _ in range(1000):  # no honest file has as many chunks
        raw.seek(at)
        head = raw.read(8)
        if len(head) < 8:
            break
        name, size = head[:4], int.from_bytes(head[4:], "little")
        if name == b"ds64":
            data64 = int.from_bytes(raw.read(16)[8:16], "little")
        elif name == b"bext":
            bext = raw.read(min(size, 65536))
        elif name == b"data":
            in_ds64 = size == 0xFFFFFFFF
            size = data64 if in_ds64 else size
            # Programs that write to a pipe put a size near the greatest one: no promise.
            data_bytes = size if in_ds64 or size < 0x7FFF0000 else 0
        at += 8 + size + (size & 1)
        if at >= end:
            break
    return Chunks(bext, data_bytes)
