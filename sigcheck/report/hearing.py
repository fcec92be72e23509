"""Why might nobody hear it: the judge's list of conditions, for the page and the terminal."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

TITLE = "Would it be copied far away?"
_MARKS = {"passed": "good", "failed": "fault", "unknown": "below"}


@dataclass(frozen=True)
class Line:
    """One condition: what it is, passed, failed or unknown, and why; ``mark`` for the eye."""

    name: str
    state: str
    text: str
    mark: str


def sentence(result: Mapping[str, Any]) -> str:
    """The answer in one sentence; empty where the result does not have it."""
    return str((result.get("copy") or {}).get("sentence") or "")


def lines(result: Mapping[str, Any]) -> list[Line]:
    """The conditions in the order in which they bite."""
    rows = (result.get("copy") or {}).get("conditions") or []
    return [Line(c["name"], c["state"], c["text"], _MARKS.get(c["state"], "below")) for c in rows]
