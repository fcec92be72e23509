"""``sigcheck plan``: write, explain and learn what was meant to be sent."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sigcheck.plan import Plan

_OUT = typer.Argument(metavar="[TOML]", help="The file to write; without one it is printed.")
_FORCE = typer.Option("--force", help="Write over a file that is there.")


def new(
    file: Annotated[str | None, _OUT] = None,
    force: Annotated[bool, _FORCE] = False,
) -> None:
    """Write a plan with every key explained, for you to fill in."""
    from sigcheck.plan_text import commented

    _put(commented(), file, force)


def check(
    file: Annotated[str, typer.Argument(metavar="TOML", help="The plan.")],
) -> None:
    """Say in plain words what a plan means, and what can't be told without more."""
    from sigcheck.errors import PlanError
    from sigcheck.measure.on_air import next_starts
    from sigcheck.plan import load_plan, plan_faults
    from sigcheck.plan_text import explain

    faults = plan_faults(file)
    for fault in faults[:-1]:
        typer.echo(f"sigcheck: {fault}", err=True)
    if faults:
        raise PlanError(faults[-1])
    plan = load_plan(file)
    for sentence in explain(plan, next_starts(plan, datetime.now(UTC))):
        typer.echo(sentence)


def learn(
    recording: Annotated[str, typer.Argument(metavar="RECORDING", help="A strong recording made close by.")],
    file: Annotated[str | None, _OUT] = None,
    tone: Annotated[
        float | None, typer.Option(metavar="HZ", help="Look for the signal near this audio frequency.")
    ] = None,
    force: Annotated[bool, _FORCE] = False,
) -> None:
    """Take keying, text, speed, shift and symbols from a recording, and write them as a plan."""
    from sigcheck.cli.diagnose import _decoders_silenced
    from sigcheck.learning import learn_plan
    from sigcheck.recording import load
    from sigcheck.result import diagnose

    if file is not None:
        _refuse_existing(file, force)
    with _decoders_silenced():
        loaded = load(recording)
    plan, doubts = learn_plan(diagnose(loaded, tone_hz=tone).measurements, recording)
    for doubt in doubts:
        typer.echo(f"sigcheck: {doubt}", err=True)
    _put(_with_heading(plan, recording), file, force)


def _with_heading(plan: Plan, recording: str) -> str:
    from sigcheck.plan_text import to_toml

    name = "".join(c if c.isprintable() else "?" for c in Path(recording).name)
    return f"# Learnt from {name}: read it through, and put right what was misread.\n{to_toml(plan)}"


def _put(text: str, file: str | None, force: bool) -> None:
    from sigcheck.result import write_whole

    if file is None:
        typer.echo(text, nl=False)
        return
    _refuse_existing(file, force)
    write_whole(file, text.encode())
    typer.echo(f"plan: {file}", err=True)


def _refuse_existing(file: str, force: bool) -> None:
    from sigcheck.errors import SaveError

    if not force and os.path.lexists(file):
        raise SaveError(f"{file}: is there already; choose another name, or write over it with --force")


def group() -> typer.Typer:
    """The three commands under ``sigcheck plan``."""
    app = typer.Typer(
        help="Write, explain and learn a plan: what was meant to be sent, and how it was received.",
        rich_markup_mode=None,
    )
    app.command()(new)
    app.command()(check)
    app.command()(learn)
    return app
