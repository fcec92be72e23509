"""A bar on the terminal for work that takes over two seconds."""

from __future__ import annotations

import os
import shutil
import sys
import threading
import time
from collections.abc import Sequence
from types import TracebackType
from typing import Self, TextIO

_PATIENCE_S = 2.0  # shorter work is done before anybody wonders
_EVERY_S = 0.3
_BAR = 20  # characters


class Progress:
    """Shows which of some steps is being done and for how long, on standard error, on a terminal only.

    ::

        with Progress(("reading", "measuring", "drawing")) as progress:
            ...
            progress.next()
    """

    def __init__(self, steps: Sequence[str], *, stream: TextIO | None = None, patience_s: float = _PATIENCE_S) -> None:
        self._steps = steps
        self._stream = sys.stderr if stream is None else stream
        self._patience_s = patience_s
        self._done = 0
        self._over = threading.Event()
        self._began = time.monotonic()
        self._thread: threading.Thread | None = None

    def next(self) -> None:
        """The step is done, the next one begins."""
        self._done = min(self._done + 1, len(self._steps) - 1)

    def __enter__(self) -> Self:
        if self._stream.isatty() and os.environ.get("TERM") != "dumb":
            self._thread = threading.Thread(target=self._run, daemon=True)
            self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        if self._thread is not None:
            self._thread.join()

    def line(self, width: int) -> str:
        """What the bar says now, in at most ``width`` columns."""
        filled = round(_BAR * self._done / len(self._steps))
        bar = "=" * filled + "." * (_BAR - filled)
        seconds = time.monotonic() - self._began
        text = f"{self._steps[self._done]} [{bar}] {self._done + 1} of {len(self._steps)}, {seconds:.0f} s"
        return text[: max(width - 1, 1)]

    def _run(self) -> None:
        if self._over.wait(self._patience_s):
            return
        while not self._over.wait(_EVERY_S):
            width = shutil.get_terminal_size().columns
            self._stream.write(f"\r{self.line(width)}\x1b[K")
            self._stream.flush()
        self._stream.write("\r\x1b[K")
        self._stream.flush()
