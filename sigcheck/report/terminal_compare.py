"""A comparison on a terminal: verdict, what changed, and which cause it leaves."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import Any

from sigcheck.report import compare_words as words
from sigcheck.report.words import percent

_NARROWEST = 40
_STYLES = {"strong": "1", "worse": "1;31", "better": "32", "fixed": "32", "dim": "2"}


def summary(comparison: Mapping[str, Any], *, width: int = 80, colour: bool = False) -> str:
    """The comparison in lines, without a newline at the end.

    Parameters
    ----------
    comparison : as `Comparison.to_dict` gives it.
    width : columns to fill, at least 40.
    colour : put ANSI colours in; words tell everything without them.
    """
    return "\n".join(_Page(max(width, _NARROWEST), colour).lines(comparison))


class _Page:
    def __init__(self, width: int, colour: bool) -> None:
        self._width, self._colour = width, colour

    def lines(self, c: Mapping[str, Any]) -> Iterator[str]:
        """All lines."""
        yield from self._wrapped(words.headline(c), style=c["verdict"] if c["verdict"] in _STYLES else "strong")
        yield from self._wrapped(words.what_was_done(c), style="dim")
        for title, names in words.fates(c):
            yield from self._wrapped(f"{title}: {', '.join(names)}", indent=2, hanging=4)
        rows = words.told_rows(c)
        if rows:
            yield from self._title(words.CHANGED)
            wide = max(len(r.label) for r in rows)
            for r in rows:
                line = f"  {r.label:<{wide}}  {r.before} -> {r.after}  ({r.change}) {r.verdict}"
                if len(line) <= self._width:
                    yield self._styled(_clean(line), r.verdict)
                else:
                    yield self._styled(_clean(f"  {r.label}: {r.verdict}"), r.verdict)
                    yield from self._wrapped(f"{r.before} -> {r.after} ({r.change})", indent=6)
        yield from self._causes(c)
        for remark in c["remarks"]:
            yield ""
            yield from self._wrapped(remark)

    def _causes(self, c: Mapping[str, Any]) -> Iterator[str]:
        causes = words.accused(c)
        if not causes:
            return
        yield from self._title(words.CAUSE if c["changed"] else words.CAUSE_BEFORE)
        for cause in causes[:4]:
            line = f"{words.chance(cause):>4}  {cause['text']}{words.moved(cause)}"
            yield from self._wrapped(line, indent=2, hanging=6)
        first = causes[0]
        for word in ("for", "against"):
            for reason in first[word][:2]:
                yield from self._wrapped(f"{word:<8} {reason}", indent=8, hanging=9)
        same = [o for o in causes[1:] if o["id"] in first["same_as"]]
        if same:
            also = ", ".join(f"{o['text']} ({percent(o['probability'])})" for o in same)
            yield from self._wrapped(f"still not told from: {also}", indent=8, style="dim")
        if c["verdict"] != "fixed":
            step = first["experiment"]
            yield from self._title(words.NEXT)
            yield from self._wrapped(f"{step['title']} ({step['minutes']} min)", indent=2)
            yield from self._wrapped(step["do"], indent=2)
            yield from self._wrapped(f"Take care: {step['care']}", indent=2)

    def _title(self, text: str) -> Iterator[str]:
        yield ""
        yield self._styled(text, "strong")

    def _wrapped(self, text: str, *, indent: int = 0, hanging: int = 0, style: str = "") -> Iterator[str]:
        lead = " " * indent
        for line in textwrap.wrap(
            _clean(text), self._width, initial_indent=lead, subsequent_indent=lead + " " * hanging,
            break_on_hyphens=False,
        ):  # fmt: skip
            yield self._styled(line, style)

    def _styled(self, text: str, style: str) -> str:
        if not self._colour or style not in _STYLES:
            return text
        return f"\x1b[{_STYLES[style]}m{text}\x1b[0m"


def _clean(text: str) -> str:
    """Without control characters: a file's name must not steer the terminal."""
    return "".join(c if c.isprintable() else " " for c in text)
