"""The Typer application: which commands there are."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

import typer

from sigcheck import __version__
from sigcheck.cli.calibrate import calibrate
from sigcheck.cli.compare import compare
from sigcheck.cli.diagnose import diagnose
from sigcheck.cli.drift import drift
from sigcheck.cli.history import group as history_commands
from sigcheck.cli.plan import group as plan_commands
from sigcheck.cli.record import record
from sigcheck.cli.synth import synth


def command() -> Callable[..., Any]:
    """The whole command line as one callable that takes the list of arguments."""
    # Plain help needs no Rich, which takes longer to import than everything else here.
    app = typer.Typer(
        add_completion=False,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"]},
    )
    app.callback()(_common)
    app.command()(diagnose)
    app.command()(compare)
    app.command()(drift)
    app.command()(calibrate)
    app.add_typer(plan_commands(), name="plan")
    app.add_typer(history_commands(), name="history")
    app.command()(record)
    app.command()(synth)
    return typer.main.get_command(app)


def _print_version(asked: bool) -> None:
    if asked:
        typer.echo(f"sigcheck {__version__}")
        raise typer.Exit


def _common(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and exit."),
    ] = False,
) -> None:
    """Say from recordings of a receiver's audio what is wrong with a low-power beacon, and why."""
