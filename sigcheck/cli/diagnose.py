"""``sigcheck diagnose``: one recording in, a diagnosis out."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sigcheck.result import Result


class Severity(StrEnum):
    """What ``--fail-on`` can be told to look for."""

    note = "note"
    fault = "fault"


def diagnose(
    file: Annotated[
        str, typer.Argument(metavar="FILE", help="The recording: WAV, FLAC, Ogg, MP3 and others.")
    ],
    plan: Annotated[
        str | None, typer.Option(metavar="TOML", help="What was meant to be sent, and how it was received.")
    ] = None,
    out: Annotated[
        str | None,
        typer.Option(metavar="DIR", help="Write the report as NAME.html, NAME.json and NAME.npz there."),
    ] = None,
    json: Annotated[
        str | None,
        typer.Option(metavar="PATH", help="Write the result as JSON; - prints it and nothing else."),
    ] = None,
    tone: Annotated[
        float | None, typer.Option(metavar="HZ", help="Look for the signal near this audio frequency.")
    ] = None,
    channel: Annotated[
        int | None,
        typer.Option(
            metavar="N", help="Use this channel, the first is 0. Else the one with the strongest tone."
        ),
    ] = None,
    note: Annotated[
        list[str] | None, typer.Option(metavar="TEXT", help="Your own words, kept with the result.")
    ] = None,
    fail_on: Annotated[
        Severity | None, typer.Option(help="Exit with status 3 if a symptom is at least that bad.")
    ] = None,
) -> int:
    """Say what is wrong with the signal in a recording, what likely causes it, and what would settle it."""
    from sigcheck.cli.progress import Progress
    from sigcheck.errors import SettingError
    from sigcheck.plan import load_plan
    from sigcheck.recording import load
    from sigcheck.result import diagnose as diagnosed
    from sigcheck.result import write_whole

    folder = None if out is None else _folder(out)
    intended = None if plan is None else load_plan(plan)
    with Progress(("reading", "measuring", "drawing")) as progress:
        with _decoders_silenced():
            recording = load(file, plan=intended)
        if tone is not None and not 0 < tone < recording.sample_rate_hz / 2:
            raise SettingError(
                f"--tone {tone:g} Hz is not in {file}, which holds 0 to {recording.sample_rate_hz / 2:g} Hz; "
                "give the audio frequency of the tone"
            )
        progress.next()
        result = diagnosed(recording, intended, tone_hz=tone, channel=channel, notes=tuple(note or ()))
        progress.next()
        if folder is not None:
            _write_report(result, folder, Path(file).stem)
    if folder is not None:
        print(f"report: {folder / Path(file).stem}.html", file=sys.stderr)
    if json == "-":
        sys.stdout.write(result.to_json())
    else:
        if json is not None:
            write_whole(json, result.to_json().encode())
        _print_summary(result)
    return _status(result, fail_on)


@contextmanager
def _decoders_silenced() -> Iterator[None]:
    """Keep the remarks that the MP3 decoder prints about damaged files off standard error."""
    saved = os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    try:
        yield
    finally:
        os.dup2(saved, 2)
        os.close(saved)
        os.close(nowhere)


def _folder(name: str) -> Path:
    """The folder for the report, made if need be; said before the work is done if it can't be."""
    from sigcheck.errors import SaveError

    folder = Path(name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise SaveError(f"{name}: no folder to write into ({reason}); choose another with --out") from None
    if not os.access(folder, os.W_OK | os.X_OK):
        raise SaveError(f"{name}: no permission to write there; choose another folder with --out")
    return folder


def _write_report(result: Result, folder: Path, name: str) -> None:
    from sigcheck.report.html import render
    from sigcheck.result import write_whole

    views = result.views()
    page = render(result.to_dict(), views)
    views.save(folder / f"{name}.npz")
    write_whole(folder / f"{name}.json", result.to_json().encode())
    write_whole(folder / f"{name}.html", page.encode())


def _print_summary(result: Result) -> None:
    from sigcheck.cli.screen import print_summary
    from sigcheck.report.terminal import summary

    print_summary(summary, result.to_dict())


def _status(result: Result, fail_on: Severity | None) -> int:
    from sigcheck.cli import SYMPTOMS_FOUND

    if fail_on is None:
        return 0
    bad = {"fault"} if fail_on is Severity.fault else {"note", "fault"}
    data = result.to_dict()
    all_of_them = (s for one in (data, *data["transmissions"]) for s in one["symptoms"])
    return SYMPTOMS_FOUND if any(s["severity"] in bad for s in all_of_them) else 0
