"""Fields of the keying as they are found, each None with its reason."""

from __future__ import annotations

from dataclasses import fields

from sigcheck.measure.keyed.elements import Figure
from sigcheck.measure.results import Keying

NAMES = tuple(f.name for f in fields(Keying) if f.name not in ("missing", "character_confidence"))


class Values:
    """Fields of Keying as they are found, each None with its reason."""

    def __init__(self) -> None:
        self.found: dict[str, object] = {}
        self.missing: dict[str, str] = {}

    def put(self, name: str, figure: Figure) -> None:
        """A figure and its sigma, or why there is none."""
        if figure.value is None:
            self.missing[name] = figure.reason or "not measured"
            return
        self.found[name] = figure.value
        if figure.sigma is not None and f"{name}_sigma" in NAMES:
            self.found[f"{name}_sigma"] = figure.sigma

    def lack(self, reason: str, *names: str) -> None:
        """The same reason for several fields, where they have none yet."""
        for name in names:
            if name not in self.found:
                self.missing.setdefault(name, reason)

    def keying(self) -> Keying:
        """The result."""
        return Keying(**self.found, missing=self.missing)  # type: ignore[arg-type]
