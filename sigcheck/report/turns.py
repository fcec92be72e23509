"""Several transmissions in one recording, a line for each."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sigcheck.report import words
from sigcheck.report.gauges import name_of
from sigcheck.report.html import facts

TITLE = "Transmissions in this recording"
SHOWN = "The longest is shown in full; times on it count from its own beginning."
MODES = {
    "cw": "Morse",
    "qrss": "very slow Morse",
    "fskcw": "slow Morse by shift",
    "dfcw": "slow Morse, dits and dahs on two tones",
    "four-tone": "four-tone slot",
    "steady": "steady carrier",
}


@dataclass(frozen=True)
class Turn:
    """One transmission: when, what, how it was found, and whether it is the one shown in full."""

    when: str
    what: str
    state: str
    verdict: str
    found: str
    facts: str
    shown: bool


def turns(result: Mapping[str, Any]) -> list[Turn]:
    """The transmissions of a saved result in order; none where it holds one only."""
    return list(_turns(result.get("transmissions") or ()))


def worse(result: Mapping[str, Any]) -> str:
    """A sentence where another transmission is worse than the one shown in full; else empty."""
    several = turns(result)
    order = ("untested", "good", "note", "fault")
    shown = next((order.index(t.state) for t in several if t.shown), len(order))
    bad = [t for t in several if order.index(t.state) > max(shown, 1)]
    if not bad:
        return ""
    told = "; ".join(f"{t.what} at {t.when.split(' ')[0]} is {t.verdict} ({t.found})" for t in bad)
    return f"This is of the longest transmission only: {told}."


def _turns(several: Any) -> Iterator[Turn]:
    longest = max(several, key=lambda one: one["end_s"] - one["start_s"], default=None)
    for one in several:
        names = [name_of(s["id"]).lower() for s in one.get("symptoms") or ()]
        verdict = str(one.get("verdict", ""))
        yield Turn(
            when=f"{_clock(one['start_s'])} to {_clock(one['end_s'])}",
            what=MODES.get(one.get("mode", ""), str(one.get("mode", ""))),
            state={"faulty": "fault", "usable": "note", "clean": "good"}.get(verdict, "untested"),
            verdict=words.VERDICTS.get(verdict, "Not judged").lower(),
            found=", ".join(names) or "nothing beyond its limits",
            facts="; ".join(facts(one)),
            shown=one is longest,
        )


def _clock(seconds: float) -> str:
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes = f"{rest // 60:02d}" if hours else f"{rest // 60}"
    return f"{f'{hours}:' if hours else ''}{minutes}:{rest % 60:02d}"
