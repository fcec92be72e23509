"""Text on the terminal, alike for all commands."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Callable, Mapping
from typing import Any


def print_summary(summary: Callable[..., str], result: Mapping[str, Any]) -> None:
    """Print what ``summary(result, width=, colour=)`` says: the terminal's width, colour where it is wanted."""
    terminal = sys.stdout.isatty()
    colour = terminal and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"
    width = shutil.get_terminal_size((80, 24)).columns if terminal else 80
    text = summary(result, width=width, colour=colour).rstrip("\n") + "\n"
    # A terminal that can't write ± shows ? instead of failing.
    encoding = sys.stdout.encoding or "utf-8"
    sys.stdout.write(text.encode(encoding, "replace").decode(encoding))
