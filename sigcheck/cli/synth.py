"""``sigcheck synth``: write a recording with known faults, to hear it or to try the tool on it."""

from __future__ import annotations

from typing import Annotated

import typer


def synth(
    faults_and_file: Annotated[
        list[str] | None,
        typer.Argument(metavar="FAULT... OUT.flac", help="Faults by name (none: clean), then the file."),
    ] = None,
    list_faults: Annotated[
        bool, typer.Option("--list", help="List the faults and what each sounds like.")
    ] = False,
    seconds: Annotated[float, typer.Option(help="Length in seconds.")] = 30.0,
    rate: Annotated[int, typer.Option(help="Sample rate in Hz.")] = 12000,
    tone: Annotated[float, typer.Option(help="Audio frequency of the tone in Hz.")] = 740.0,
    wpm: Annotated[float, typer.Option(help="Speed in words a minute; 0 for a steady carrier.")] = 15.0,
    snr: Annotated[float, typer.Option(help="Signal over the noise in 2500 Hz, in dB.")] = 28.0,
    mains: Annotated[float, typer.Option(help="Mains frequency in Hz.")] = 50.0,
    seed: Annotated[int, typer.Option(help="Another number gives another recording of the same.")] = 1,
) -> None:
    """Write a recording with known faults as OUT.flac, and the truth about it as OUT.truth.json."""
    from sigcheck.errors import SettingError
    from sigcheck.synth import faults

    if list_faults:
        for fault in faults.FAULTS.values():
            typer.echo(f"{fault.name:26} {fault.sounds}")
        return
    if not faults_and_file:
        raise SettingError("name at least the file to write, such as OUT.flac; --list shows the faults")
    *names, path = faults_and_file

    from sigcheck.synth import audio_path, save, scenario_with, synthesise

    audio_path(path)  # a wrong name is said before the work is done
    base = faults.clean_scenario(
        seconds=seconds, rate_hz=rate, tone_hz=tone, wpm=wpm, snr_db=snr, mains_hz=mains, seed=seed
    )
    made = synthesise(scenario_with(names, base))
    save(made, path)
    typer.echo(f"{path}: {', '.join(made.truth.symptoms) or 'nothing beyond its limit'}")
