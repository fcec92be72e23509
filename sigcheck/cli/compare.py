"""``sigcheck compare``: what changed between two recordings, and which cause that leaves."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sigcheck.comparison import Comparison


def compare(
    before: Annotated[str, typer.Argument(metavar="BEFORE", help="Recording, or the JSON of its diagnosis.")],
    after: Annotated[str, typer.Argument(metavar="AFTER", help="The same after the change.")],
    changed: Annotated[
        str | None,
        typer.Option(
            metavar="WHAT",
            help="What was changed: attenuator, distance, battery, audio-lead, warm-up, dummy-load, keying, "
            "steady-station, recording-level, retune, transmitter-off, gain-control-off, receiver-battery, "
            "other-receiver or other.",
        ),
    ] = None,
    by_db: Annotated[
        float | None, typer.Option(metavar="DB", help="Value of the pad, or what the level was turned down by.")
    ] = None,
    plan: Annotated[
        str | None, typer.Option(metavar="TOML", help="What was meant to be sent, for both recordings.")
    ] = None,
    out: Annotated[
        str | None, typer.Option(metavar="DIR", help="Write the report as NAME.html and NAME.json there.")
    ] = None,
    json: Annotated[
        str | None, typer.Option(metavar="PATH", help="Write the comparison as JSON; - prints it and nothing else.")
    ] = None,
) -> None:
    """Say what changed between two recordings, by how much, and which cause the outcome leaves standing."""
    from sigcheck.cli.diagnose import _decoders_silenced, _folder
    from sigcheck.comparison import compare as compared
    from sigcheck.plan import load_plan
    from sigcheck.result import write_whole

    folder = None if out is None else _folder(out)
    intended = None if plan is None else load_plan(plan)
    with _decoders_silenced():
        result = compared(before, after, changed, by_db, plan=intended)
    if folder is not None:
        _write_report(result, folder, f"{Path(before).stem}-to-{Path(after).stem}")
    if json == "-":
        sys.stdout.write(result.to_json())
        return
    if json is not None:
        write_whole(json, result.to_json().encode())
    _print_summary(result)


def _write_report(result: Comparison, folder: Path, name: str) -> None:
    from sigcheck.report.comparison_page import render_comparison
    from sigcheck.result import write_whole

    page = render_comparison(result)
    write_whole(folder / f"{name}.json", result.to_json().encode())
    write_whole(folder / f"{name}.html", page.encode())
    print(f"report: {folder / name}.html", file=sys.stderr)


def _print_summary(result: Comparison) -> None:
    from sigcheck.cli.screen import print_summary
    from sigcheck.report.terminal_compare import summary

    print_summary(summary, result.to_dict())
