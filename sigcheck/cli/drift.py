"""``sigcheck drift``: frequency against time over one recording or a series of slots."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sigcheck.drift_series import Series


def drift(
    files: Annotated[
        list[str],
        typer.Argument(metavar="FILE...", help="Recordings, or the JSON of their diagnoses, in any order."),
    ],
    plan: Annotated[
        str | None, typer.Option(metavar="TOML", help="What was meant to be sent, and how it was received.")
    ] = None,
    tone: Annotated[
        float | None, typer.Option(metavar="HZ", help="Look for the signal near this audio frequency.")
    ] = None,
    channel: Annotated[
        int | None, typer.Option(metavar="N", help="Use this channel, the first is 0. Else the one with the signal.")
    ] = None,
    csv: Annotated[
        str | None, typer.Option(metavar="PATH", help="Write frequency against time as CSV; - prints it alone.")
    ] = None,
    json: Annotated[
        str | None, typer.Option(metavar="PATH", help="Write all of it as JSON; - prints it and nothing else.")
    ] = None,
    out: Annotated[
        str | None, typer.Option(metavar="DIR", help="Write the page as NAME.html, with NAME.json and NAME.csv.")
    ] = None,
) -> None:
    """Show how the frequency moves within a recording, and from one recording to the next."""
    from sigcheck.cli.diagnose import _decoders_silenced, _folder
    from sigcheck.drift_series import measure_series
    from sigcheck.errors import SettingError
    from sigcheck.plan import load_plan
    from sigcheck.report.drift_page import summary
    from sigcheck.result import write_whole

    if csv == "-" and json == "-":
        raise SettingError("--csv - and --json - can't both print; write one of them to a file")
    folder = None if out is None else _folder(out)
    intended = None if plan is None else load_plan(plan)
    with _decoders_silenced():
        series = measure_series(files, intended, tone_hz=tone, channel=channel)
    if folder is not None:
        _write_page(series, folder)
    if csv not in (None, "-"):
        series.save_csv(str(csv))
    if json not in (None, "-"):
        write_whole(str(json), series.to_json().encode())
    text = series.to_csv() if csv == "-" else series.to_json() if json == "-" else summary(series)
    encoding = sys.stdout.encoding or "utf-8"
    sys.stdout.write(text.encode(encoding, "replace").decode(encoding))


def _write_page(series: Series, folder: Path) -> None:
    from sigcheck.report.drift_page import render_drift
    from sigcheck.result import write_whole

    name = f"{Path(series.parts[0].file).stem}-drift"
    page = render_drift(series)
    write_whole(folder / f"{name}.json", series.to_json().encode())
    series.save_csv(folder / f"{name}.csv")
    write_whole(folder / f"{name}.html", page.encode())
    print(f"report: {folder / name}.html", file=sys.stderr)
