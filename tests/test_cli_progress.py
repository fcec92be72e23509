"""The bar: only on a terminal, only for long work, gone when it is over."""

from __future__ import annotations

import io
import time

import pytest

from sigcheck.cli.progress import Progress


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        return True


def test_short_work_shows_nothing() -> None:
    stream = Terminal()
    with Progress(("reading", "measuring"), stream=stream):
        pass
    assert stream.getvalue() == ""


def test_no_terminal_no_bar() -> None:
    stream = io.StringIO()
    with Progress(("reading",), stream=stream, patience_s=0.0):
        time.sleep(0.5)
    assert stream.getvalue() == ""


def test_long_work_says_what_is_done_and_cleans_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")
    stream = Terminal()
    with Progress(("reading", "measuring"), stream=stream, patience_s=0.0) as progress:
        progress.next()
        time.sleep(0.8)
    assert "measuring [==========..........] 2 of 2" in stream.getvalue()
    assert stream.getvalue().endswith("\r\x1b[K")  # the line is empty again


def test_the_bar_keeps_to_a_narrow_terminal() -> None:
    assert len(Progress(("measuring",)).line(24)) <= 23


def test_an_error_goes_through_and_ends_it() -> None:
    with pytest.raises(ValueError, match="torn"), Progress(("reading",), stream=Terminal()):
        raise ValueError("torn")
