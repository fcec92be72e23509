"""``sigcheck history``: the trend over saved results, and notes on them."""

from __future__ import annotations

import sys
from typing import Annotated

import typer


def group() -> typer.Typer:
    """``history DIR`` shows the trend, ``history note RESULT TEXT`` keeps the user's words."""
    app = typer.Typer(cls=_folder_by_default(), rich_markup_mode=None, no_args_is_help=True)
    app.command(name="note")(note)
    app.command(name="show", hidden=True)(show)
    app.info.help = "Show the trend over the saved results in a folder (history DIR), or add a note to one."
    return app


def _folder_by_default() -> type[typer.core.TyperGroup]:
    class FolderByDefault(typer.core.TyperGroup):
        """What is no command's name is the folder."""

        def parse_args(self, ctx: typer.Context, args: list[str]) -> list[str]:  # type: ignore[override]
            if args and args[0] not in self.commands and args[0] not in ("--help", "-h"):
                args = ["show", *args]
            return super().parse_args(ctx, args)

    return FolderByDefault


def show(
    folder: Annotated[str, typer.Argument(metavar="DIR", help="Where the results (NAME.json) are.")],
    out: Annotated[
        str | None, typer.Option(metavar="DIR", help="Write the page as history.html and history.csv there.")
    ] = None,
    csv: Annotated[
        str | None, typer.Option(metavar="PATH", help="Write the table as CSV; - prints it and nothing else.")
    ] = None,
) -> None:
    """Show the trend over the saved results in a folder."""
    from sigcheck.cli.diagnose import _folder
    from sigcheck.cli.progress import Progress
    from sigcheck.history import read_history
    from sigcheck.report.terminal import history_summary

    target = None if out is None else _folder(out)
    with Progress(("reading", "drawing")) as progress:
        history = read_history(folder)
        progress.next()
        if target is not None:
            from sigcheck.report.history_page import render_history
            from sigcheck.result import write_whole

            write_whole(target / "history.html", render_history(history).encode())
            history.save_csv(target / "history.csv")
    if target is not None:
        print(f"report: {target / 'history.html'}", file=sys.stderr)
    if csv == "-":
        sys.stdout.write(history.to_csv())
        return
    if csv is not None:
        history.save_csv(csv)
    width = None if sys.stdout.isatty() else 80
    encoding = sys.stdout.encoding or "utf-8"
    text = history_summary(history, width=width) + "\n"
    sys.stdout.write(text.encode(encoding, "replace").decode(encoding))


def note(
    result: Annotated[str, typer.Argument(metavar="RESULT", help="The saved result, NAME.json.")],
    text: Annotated[str, typer.Argument(metavar="TEXT", help="Your own words.")],
) -> None:
    """Add a note to a saved result; the trend shows it as a line at that time."""
    from sigcheck.history import add_note

    add_note(result, text)
