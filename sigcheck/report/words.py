"""Words that page and terminal share, so that both say the same in the same order."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from sigcheck.judge.tables import NO_FAULT

VERDICTS = {"clean": "Clean", "usable": "Usable", "faulty": "Faulty", "no-signal": "No signal"}

WRONG = "What is wrong"
CAUSE = "What likely causes it"
NEXT = "Try next"
UNTESTED = "Not tested here"

KINDS = {
    "none": "no signal",
    "steady": "steady tone",
    "keyed": "keyed tone",
    "shifted": "shifted tone",
    "four-tone": "four-tone slot",
}

TO_CHECK = (
    "The dial: the tone must fall into the receiver's passband; turn it slowly through the frequency.",
    "The sideband: on the wrong one the tone lies elsewhere or outside the passband.",
    "The level: peaks near -12 dBFS; the audio lead sits in the right socket, the right channel is recorded.",
    "The transmitter: it was sending while this was recorded, into its load or antenna.",
)

LIKELY = 0.5  # from here a further cause is named as "also", below it as "perhaps"

LIMITS = (
    "This is the audio of one receiver, no compliance test: harmonics and spurious emissions outside its "
    "passband are not seen.",
    "At levels where the receiver itself distorts, the numbers describe the receiver.",
    "A strong local recording knows nothing of the path to a distant listener.",
)

CARE = (
    "To transmit you need a licence, and you must identify the station.",
    "Never transmit without the band filter and a load or antenna; bench tests: a dummy load and low power.",
    "Antennas and leads can burn and belong away from power lines; keep the exposure limits.",
    "Protective earths stay connected; work on mains or high voltage is for those qualified.",
    "Local regulations decide.",
)


def heading(result: Mapping[str, Any]) -> tuple[str, str]:
    """The verdict's sentence in two: what stands large, and what follows it."""
    sentence = str(result.get("sentence") or "").strip()
    # What to check after "no signal", and what noise hides after "clean", is not the headline.
    ends = ".;:" if result.get("verdict") == "no-signal" else ".;"
    parts = re.split(rf"[{ends}]\s+", sentence, maxsplit=1)
    head = parts[0].rstrip(".")
    return (f"{head}." if head else ""), capital(parts[1]) if len(parts) > 1 else ""


def capital(text: str) -> str:
    """With a capital first letter."""
    return text[:1].upper() + text[1:]


def percent(probability: float) -> str:
    """A probability as a person says it: never nought, never a hundred."""
    return f"{min(max(round(100.0 * probability), 1), 99)} %"


def minus(text: str) -> str:
    """Hyphens before numbers turned into minus signs."""
    return re.sub(r"(?<![\w.])-(?=\d)", "\N{MINUS SIGN}", text)


def accused(result: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The causes of something: all but the one entry that says that nothing is wrong."""
    return [c for c in result.get("causes") or () if c["id"] != NO_FAULT]


def companions(result: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Causes that this recording can't tell from the first one."""
    causes = result.get("causes") or []
    return [c for c in causes[1:] if c["id"] in causes[0]["same_as"]] if causes else []


def rest(result: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Causes beside the first one and those that can't be told from it."""
    causes = result.get("causes") or []
    named = {c["id"] for c in companions(result)}
    return [c for c in causes[1:] if c["id"] not in named]
