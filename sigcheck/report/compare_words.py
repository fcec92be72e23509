"""Words of a comparison that page, card and terminal share."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import Any

from sigcheck.judge.tables import NAMES, NO_FAULT
from sigcheck.quantities import quantity, show, show_number
from sigcheck.report.words import capital, percent

CHANGED = "What changed"
UNCHANGED = "Neither better nor worse"
CAUSE = "What the outcome leaves as the cause"
CAUSE_BEFORE = "What likely caused it"
NEXT = "Try next"

VERDICTS = {
    "fixed": "Fixed",
    "better": "Better",
    "same": "The same as before",
    "worse": "Worse",
    "not-comparable": "Not comparable",
}

_FATES = (
    ("gone", "Gone"),
    ("hidden", "Hidden by noise now, not gone"),
    ("new", "New"),
    ("still", "Still there"),
    ("unseen_before", "Seen now; the first recording could not have shown it"),
)

CHANGES = {
    "attenuator": "pad in the receiver's antenna lead",
    "distance": "receiver moved away",
    "battery": "transmitter on a battery",
    "audio-lead": "audio lead isolated",
    "warm-up": "warmed up",
    "dummy-load": "transmitter into a shielded load",
    "keying": "other keying",
    "steady-station": "a known steady signal instead",
    "recording-level": "recording level turned down",
    "retune": "receiver retuned",
    "transmitter-off": "transmitter off",
    "gain-control-off": "gain control off",
    "receiver-battery": "receiver and recorder on batteries",
    "other-receiver": "another receiver or recorder",
    "other": "something else",
}


@dataclass(frozen=True)
class Told:
    """One measurement as text."""

    label: str
    before: str
    after: str
    change: str
    verdict: str


def headline(c: Mapping[str, Any]) -> str:
    """Verdict and reason in one sentence."""
    reason = str(c["reason"])
    return f"{VERDICTS[c['verdict']]}: {reason}." if reason else f"{VERDICTS[c['verdict']]}."


def what_was_done(c: Mapping[str, Any]) -> str:
    """The two recordings and what was changed between them."""
    one, two = (name_of(c[side]) for side in ("before", "after"))
    if c["changed"] is None:
        return f"{one}, then {two}; it was not said what was changed"
    by = "" if c["by_db"] is None else f", {c['by_db']:g} dB"
    return f"{one}, then {two}; changed: {CHANGES.get(c['changed'], c['changed'])}{by}"


def name_of(side: Mapping[str, Any]) -> str:
    """File name of one recording."""
    return PurePath(str(side.get("path") or "a recording")).name


def fates(c: Mapping[str, Any]) -> list[tuple[str, list[str]]]:
    """Symptoms by what became of them; empty sets are left out."""
    sets = c["symptoms"]
    return [
        (title, [NAMES.get(s, s) + (" (about the limit)" if s in sets["borderline"] else "") for s in sets[key]])
        for key, title in _FATES
        if sets.get(key)
    ]


def told_rows(c: Mapping[str, Any]) -> list[Told]:
    """The changes that were called, those of symptoms first."""
    ours = {s for names in c["symptoms"].values() for s in names}
    called = [r for r in c["changes"] if r["verdict"] != "same"]
    return [told(r) for r in sorted(called, key=lambda r: r["symptom"] not in ours)]


def same_rows(c: Mapping[str, Any]) -> list[Told]:
    """The measurements without a change beyond the scatter."""
    return [told(r) for r in c["changes"] if r["verdict"] == "same"]


def told(row: Mapping[str, Any]) -> Told:
    """A measurement as text; bounds say so."""
    path = row["measure"]
    unit = _unit_of_change(quantity(path).display_unit)
    if row["holds"] == "exactly":
        number = show_number(path, row["change"], row["change_sigma"])
        change = f"{'+' if row['change'] > 0 and not number.startswith('+') else ''}{number} {unit}"
    else:
        size = show_number(path, abs(row["change"])).lstrip("+")
        change = f"at least {size} {unit} {'less' if row['holds'] == 'at most' else 'more'}"
    return Told(
        label=capital(row["label"]),
        before=_side(path, row["before"], row["before_floor"]),
        after=_side(path, row["after"], row["after_floor"]),
        change=" ".join(change.split()),
        verdict=row["verdict"],
    )


def _unit_of_change(unit: str) -> str:
    """The difference of two levels is in plain decibels."""
    return "dB" if unit in ("dBc", "dBHz", "dBFS") else unit


def _side(path: str, value: float | None, floor: float | None) -> str:
    if value is not None:
        return show(path, value)
    return f"under {show(path, floor)}" if floor is not None else "not seen"


def accused(c: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Causes of something."""
    return [x for x in c["causes"] if x["id"] != NO_FAULT]


def chance(cause: Mapping[str, Any]) -> str:
    """Probability as a person says it."""
    return percent(cause["probability"])


def moved(cause: Mapping[str, Any]) -> str:
    """From what probability it came, where that was another."""
    was = cause.get("probability_before")
    if was is None or percent(was) == percent(cause["probability"]):
        return ""
    return f" (before: {percent(was)})"


def conditions(c: Mapping[str, Any]) -> Iterator[Told]:
    """What else the two recordings were like."""
    for row in c["conditions"]:
        number = show_number(row["measure"], row["change"])
        unit = _unit_of_change(quantity(row["measure"]).display_unit)
        yield Told(
            capital(row["label"]), show(row["measure"], row["before"]), show(row["measure"], row["after"]),
            f"{number} {unit}".rstrip(), "",
        )  # fmt: skip
