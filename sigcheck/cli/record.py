"""``sigcheck record``: record from a sound device, and diagnose what was recorded."""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sigcheck.capture import Captured, Level
    from sigcheck.plan import Plan

_LEAD_S = 2.0  # of quiet before a slot, so that an early start is heard


def record(
    file: Annotated[
        str | None, typer.Argument(metavar="[FILE.flac]", help="The file; without one it is named after its start.")
    ] = None,
    list_devices: Annotated[bool, typer.Option("--list", help="List the devices to record from.")] = False,
    seconds: Annotated[float | None, typer.Option(metavar="S", help="How long; 60 s unless a slot is meant.")] = None,
    at: Annotated[
        str | None, typer.Option(metavar="UTC", help="Start then, such as 2026-11-01T10:02:00Z.")
    ] = None,
    next_slot: Annotated[
        bool, typer.Option("--next-slot", help="Record the next transmission that the plan's [timing] says.")
    ] = False,
    device: Annotated[str | None, typer.Option(metavar="N|NAME", help="The device, by number or name.")] = None,
    rate: Annotated[int, typer.Option(metavar="HZ", help="Sample rate.")] = 48000,
    channels: Annotated[int, typer.Option(metavar="N", help="How many channels.")] = 1,
    plan: Annotated[
        str | None, typer.Option(metavar="TOML", help="What is meant to be sent, and how it is received.")
    ] = None,
    out: Annotated[str | None, typer.Option(metavar="DIR", help="Write the report there.")] = None,
    json: Annotated[
        str | None, typer.Option(metavar="PATH", help="Write the result as JSON; - prints it and nothing else.")
    ] = None,
    only: Annotated[bool, typer.Option("--only", help="Record only, diagnose nothing.")] = False,
    force: Annotated[bool, typer.Option("--force", help="Write over a file that is there.")] = False,
) -> int:
    """Record from the receiver at once, at a time or for the next slot, and diagnose it."""
    from sigcheck import capture
    from sigcheck.plan import load_plan

    if list_devices:
        return _list()
    intended = None if plan is None else load_plan(plan)
    path = _path(file, force)
    _check_numbers(rate, channels, seconds)
    start, length = _when(at, next_slot, seconds, intended)
    capture.check_room(path, seconds=length, rate_hz=rate, channels=channels)
    chosen = int(device) if device is not None and device.isdigit() else device
    meter = _Meter(length, start)
    with capture.listening(device=chosen, rate_hz=rate, channels=channels) as blocks:
        try:
            got = capture.record(
                blocks, path, rate_hz=rate, seconds=length, start_utc=start, on_level=meter.show
            )
        finally:
            meter.end()
    status = _tell(got)
    if status or only:
        return status
    from sigcheck.cli.diagnose import diagnose

    return diagnose(file=str(got.path), plan=plan, out=out, json=json)


def _list() -> int:
    from sigcheck.capture import devices
    from sigcheck.errors import CaptureError

    found = devices()
    if not found:
        raise CaptureError("there is no sound device to record from; plug one in, and check that it is not muted")
    for d in found:
        usual = ", the usual one" if d.usual else ""
        many = "1 channel" if d.channels == 1 else f"{d.channels} channels"
        typer.echo(f"{d.number:3}  {d.name} ({many}, {d.rate_hz:.0f} Hz{usual})")
    return 0


def _path(file: str | None, force: bool) -> Path:
    from sigcheck.errors import SaveError

    path = Path(file or ".")
    if file is not None and not path.is_dir():
        if path.suffix.lower() != ".flac":
            raise SaveError(f"{file}: recordings are written as FLAC; give a name that ends in .flac")
        if os.path.lexists(path) and not force:
            raise SaveError(f"{file}: is there already; choose another name, or write over it with --force")
        if not path.parent.is_dir():
            raise SaveError(f"{file}: there is no folder {path.parent}; make it first")
    return path


def _check_numbers(rate: int, channels: int, seconds: float | None) -> None:
    from sigcheck.errors import SettingError
    from sigcheck.recording import HIGHEST_RATE_HZ, LOWEST_RATE_HZ

    if not LOWEST_RATE_HZ <= rate <= HIGHEST_RATE_HZ:
        raise SettingError(f"--rate {rate}: give a sample rate of {LOWEST_RATE_HZ} to {HIGHEST_RATE_HZ} Hz")
    if not 1 <= channels <= 64:
        raise SettingError(f"--channels {channels}: give 1 to 64")
    if seconds is not None and not 0 < seconds <= 86400:
        raise SettingError(f"--seconds {seconds:g}: give more than 0, a day at most")


def _when(
    at: str | None, next_slot: bool, seconds: float | None, plan: Plan | None
) -> tuple[datetime | None, float]:
    """Start in UTC, None for at once, and the length in seconds."""
    from sigcheck.capture import check_start
    from sigcheck.errors import SettingError
    from sigcheck.measure.on_air import next_starts

    if at is not None and next_slot:
        raise SettingError("--at and --next-slot both say when to start; give one of them")
    if at is not None:
        try:
            start = datetime.fromisoformat(at)
        except ValueError:
            raise SettingError(f"--at {at}: is no date and time; write it as 2026-11-01T10:02:00Z") from None
        if start.tzinfo is None:
            raise SettingError(f"--at {at}: has no zone; end it with Z where it is UTC")
        check_start(start.astimezone(UTC))
        return start.astimezone(UTC), seconds or 60.0
    if not next_slot:
        return None, seconds or 60.0
    if plan is None or plan.timing.repeat_s is None:
        raise SettingError("--next-slot needs a plan with [timing] repeat_s (--plan)")
    now = datetime.now(UTC) + timedelta(seconds=_LEAD_S + 1.0)  # a second to open the device in
    first = next_starts(plan, now, 1)[0]
    return first - timedelta(seconds=_LEAD_S), seconds or plan.timing.repeat_s


class _Meter:
    """One line on the terminal that is written over; elsewhere a line when clipping begins, and no more."""

    def __init__(self, seconds: float, start: datetime | None) -> None:
        self._seconds, self._live = seconds, sys.stderr.isatty()
        self._warned = False
        if start is not None:
            print(f"recording starts at {start:%H:%M:%S} UTC", file=sys.stderr)

    def show(self, level: Level) -> None:
        if level.clipped and not self._warned:
            self._warned = True
            self._say("too loud: the recording clips, turn the level down to peaks of about -12 dBFS\n")
        if self._live:
            state = "clips" if level.clipped else "too quiet" if level.peak_dbfs < -40 else ""
            self._say(f"{level.at_s:6.1f} of {self._seconds:.0f} s   peak {level.peak_dbfs:6.1f} dBFS   {state}")

    def end(self) -> None:
        if self._live:
            self._say("")

    def _say(self, text: str) -> None:
        clear = "\r\x1b[K" if self._live else ""
        print(f"{clear}{text}", end="", file=sys.stderr, flush=True)


def _tell(got: Captured) -> int:
    from sigcheck.cli import UNUSABLE

    print(
        f"recorded {got.seconds:.1f} s from {got.start_utc:%Y-%m-%d %H:%M:%S} UTC: {got.path}", file=sys.stderr
    )
    if got.clipped_s > 0:
        print(f"sigcheck: {got.clipped_s:.1f} s are clipped; record again with less level", file=sys.stderr)
    if got.gaps:
        print(f"sigcheck: samples were lost {got.gaps} times; give the computer less to do", file=sys.stderr)
    if got.cut_short is None or got.cut_short == "stopped by you":
        return 0
    print(f"sigcheck: {got.cut_short}; what was recorded so far is kept in {got.path}", file=sys.stderr)
    return UNUSABLE
