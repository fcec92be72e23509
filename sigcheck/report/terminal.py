"""The summary on a terminal: the page's words in the page's order, read in ten seconds."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from sigcheck.quantities import show
from sigcheck.report import hearing, words
from sigcheck.report.gauges import limit_value, name_of, untested
from sigcheck.report.html import facts
from sigcheck.report.settings import TITLE, setting_lines
from sigcheck.report.turns import TITLE as TURNS
from sigcheck.report.turns import turns, worse

if TYPE_CHECKING:
    from sigcheck.history import History

Result = Mapping[str, Any]

_NARROWEST = 32
_STYLES = {"strong": "1", "fault": "1;31", "note": "33", "good": "32", "dim": "2"}


def summary(result: Result, *, width: int | None = 80, colour: bool = False) -> str:
    """Verdict, what is wrong, likely causes, the experiment, what was not tested.

    Parameters
    ----------
    width : columns to fill; None asks the terminal. Below 32 it stays at 32.
    colour : put ANSI colours in; words and order tell everything without them.

    Returns
    -------
    Lines without a newline at the end. Control characters in names and texts are left out.
    """
    if width is None:
        width = shutil.get_terminal_size().columns
    page = _Page(max(width, _NARROWEST), colour)
    return "\n".join(page.lines(result))


class _Page:
    def __init__(self, width: int, colour: bool) -> None:
        self._width = width
        self._colour = colour

    def lines(self, result: Result) -> Iterator[str]:
        """All lines of the summary."""
        state = {"faulty": "fault", "usable": "note", "clean": "good"}.get(result.get("verdict", ""), "strong")
        head, lead = words.heading(result)
        yield from self.wrapped(head, style=state)
        if lead and not words.accused(result):
            yield from self.wrapped(lead)
        if warning := worse(result):
            yield from self.wrapped(warning, style="fault")
        yield from self.wrapped("; ".join(facts(result)), style="dim")
        yield from self._turns(result)
        if (result.get("signal") or {}).get("kind") == "none":
            yield from self._block("What to check", words.TO_CHECK, mark="- ")
        yield from self._causes(result)
        yield from self._experiment(result)
        yield from self._symptoms(result)
        settings = setting_lines(result, datetime.now(UTC))
        if settings:
            yield from self._block(TITLE, settings)
        yield from self._hearing(result)
        unseen = untested(result)
        if unseen and result.get("symptoms") is not None and state != "strong":
            labels = ", ".join(dict.fromkeys(u.label for u in unseen))
            yield from self._block(words.UNTESTED, [labels])
        if state != "strong":
            yield ""
            yield from self.wrapped(words.LIMITS[0], style="dim")

    def _turns(self, result: Result) -> Iterator[str]:
        several = turns(result)
        if not several:
            return
        yield from self._title(TURNS)
        for turn in several:
            shown = " (shown here)" if turn.shown else ""
            line = f"{turn.when}  {turn.what}{shown}: {turn.verdict}, {turn.found}"
            style = turn.state if turn.state in _STYLES else ""
            yield from self.wrapped(line, indent=2, hanging=4, style="" if style == "good" else style)

    def _symptoms(self, result: Result) -> Iterator[str]:
        symptoms = result.get("symptoms") or ()
        if not symptoms:
            return
        yield from self._title(words.WRONG)
        names = [_clean(name_of(s["id"])) for s in symptoms]
        wide = max(len(n) for n in names)
        for s, name in zip(symptoms, names, strict=True):
            path = f"symptoms.{s['id']}"
            value = show(path, s["value"], s.get("sigma"), unit=s["unit"])
            judged = f"{value} (limit {limit_value(s)})"
            line = f"  {s['severity']:<6}{name:<{wide}}  {judged}"
            if len(line) <= self._width:
                yield self._styled(line, s["severity"])
            else:
                yield self._styled(f"  {s['severity']:<6}{name}", s["severity"])
                yield from self.wrapped(judged, indent=8, style=s["severity"])

    def _causes(self, result: Result) -> Iterator[str]:
        causes = words.accused(result)
        if not causes:
            return
        yield from self._title(words.CAUSE)
        first = causes[0]
        yield from self._chance(first)
        for other in words.companions(result)[:3]:
            yield from self._chance(other, before="or ")
        if words.companions(result):
            yield from self.wrapped("(this recording can't tell these apart)", indent=8, style="dim")
        for reason in first["for"][:2]:
            yield from self.wrapped(f"for      {reason}", indent=8, hanging=9)
        for reason in first["against"][:1]:
            yield from self.wrapped(f"against  {reason}", indent=8, hanging=9)
        for other in words.rest(result)[:2]:
            yield from self._chance(other, before="also " if other["probability"] >= words.LIKELY else "perhaps ")

    def _chance(self, cause: Mapping[str, Any], before: str = "") -> Iterator[str]:
        yield from self.wrapped(
            f"{words.percent(cause['probability']):>4}  {before}{cause['text']}", indent=2, hanging=6
        )

    def _experiment(self, result: Result) -> Iterator[str]:
        causes = result.get("causes") or []
        if not causes or not causes[0]["experiment"]["outcomes"]:
            return
        experiment = causes[0]["experiment"]
        yield from self._title(words.NEXT)
        yield from self.wrapped(experiment["title"], indent=2, style="strong")
        parts = f", {experiment['parts']}" if experiment.get("parts") not in (None, "", "none") else ""
        yield from self.wrapped(f"{experiment['do']} ({experiment['minutes']} min{parts})", indent=2)
        for outcome in experiment["outcomes"]:
            yield from self.wrapped(f"- {outcome['outcome']}: {outcome['meaning']}", indent=2, hanging=2)
        if experiment.get("care"):
            yield from self.wrapped(f"Take care: {experiment['care']}", indent=2)

    def _hearing(self, result: Result) -> Iterator[str]:
        """The list is for those who say what they meant to send; the obstacle is for all."""
        if not result.get("plan") and not (result.get("copy") or {}).get("first_obstacle"):
            return
        yield from self._block(hearing.TITLE, [hearing.sentence(result)])
        if result.get("plan"):
            for line in hearing.lines(result):
                yield from self.wrapped(f"{line.state:<8}{line.name}: {line.text}", indent=2, hanging=8)

    def _block(self, title: str, texts: Any, mark: str = "") -> Iterator[str]:
        yield from self._title(title)
        for text in texts:
            yield from self.wrapped(mark + text, indent=2, hanging=len(mark))

    def _title(self, text: str) -> Iterator[str]:
        yield ""
        yield self._styled(text, "strong")

    def wrapped(self, text: str, *, indent: int = 0, hanging: int = 0, style: str = "") -> Iterator[str]:
        """A text in lines of the page's width."""
        lead = " " * indent
        for line in textwrap.wrap(
            _clean(text), self._width, initial_indent=lead, subsequent_indent=lead + " " * hanging,
            drop_whitespace=True, break_on_hyphens=False,
        ):  # fmt: skip
            yield self._styled(line, style)

    def _styled(self, text: str, style: str) -> str:
        if not self._colour or not style:
            return text
        return f"\x1b[{_STYLES[style]}m{text}\x1b[0m"


def _clean(text: str) -> str:
    """Without control characters: a text that was decoded or typed must not steer the terminal."""
    return "".join(c if c.isprintable() else " " for c in text)


def history_summary(history: History, *, width: int | None = 80) -> str:
    """The history's page in a few lines: how often something is wrong, what moves, what was skipped."""
    from sigcheck.report.history_page import fault_counts, headline, moves

    page = _Page(max(width or shutil.get_terminal_size().columns, _NARROWEST), False)
    lines = [*page.wrapped(headline(history))]
    for label, text in moves(history):
        lines += page.wrapped(f"{label}: {text}", indent=2, hanging=2)
    for name, times in fault_counts(history):
        lines += page.wrapped(f"fault {name}: {times} of {len(history.entries)}", indent=2, hanging=2)
    for file, reason in history.skipped:
        lines += page.wrapped(f"skipped {file}: {reason}", indent=2, hanging=2)
    return "\n".join(lines)
