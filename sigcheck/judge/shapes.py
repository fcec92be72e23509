"""What a judgement consists of: symptoms, causes, experiments and the verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

Severity = Literal["note", "fault"]
Verdict = Literal["clean", "usable", "faulty", "no-signal"]
State = Literal["passed", "failed", "unknown"]


@dataclass(frozen=True, kw_only=True)
class Symptom:
    """One measured quantity beyond its limit.

    ``value``, ``sigma`` and ``limit`` are in ``unit``; ``limit`` is the one that ``severity``
    speaks of. ``sigma`` is None where the measurement has no scatter (a count) or states none.
    """

    id: str
    severity: Severity
    value: float
    sigma: float | None
    unit: str
    limit: float
    text: str

    def to_dict(self) -> dict[str, Any]:
        """The JSON shape."""
        return {
            "id": self.id,
            "severity": self.severity,
            "value": self.value,
            "sigma": self.sigma,
            "unit": self.unit,
            "limit": self.limit,
            "text": self.text,
        }


@dataclass(frozen=True, kw_only=True)
class Experiment:
    """Something cheap to change before recording again, and what each outcome would mean."""

    id: str
    title: str
    do: str
    minutes: int
    parts: str
    care: str
    outcomes: tuple[tuple[str, str], ...]

    def to_dict(self) -> dict[str, Any]:
        """The JSON shape."""
        return {
            "id": self.id,
            "title": self.title,
            "do": self.do,
            "minutes": self.minutes,
            "parts": self.parts,
            "care": self.care,
            "outcomes": [{"outcome": seen, "meaning": meaning} for seen, meaning in self.outcomes],
        }


@dataclass(frozen=True, kw_only=True)
class Cause:
    """A possible cause with its probability and the evidence for and against it.

    ``same_as`` names the causes that this recording cannot tell from it.
    """

    id: str
    text: str
    probability: float
    evidence_for: tuple[str, ...]
    against: tuple[str, ...]
    same_as: tuple[str, ...]
    experiment: Experiment

    def to_dict(self) -> dict[str, Any]:
        """The JSON shape."""
        return {
            "id": self.id,
            "text": self.text,
            "probability": self.probability,
            "for": list(self.evidence_for),
            "against": list(self.against),
            "same_as": list(self.same_as),
            "experiment": self.experiment.to_dict(),
        }


@dataclass(frozen=True, kw_only=True)
class Condition:
    """One condition of being copied far away; ``obstacle`` is its name once it failed."""

    name: str
    state: State
    text: str
    obstacle: str

    def to_dict(self) -> dict[str, Any]:
        """The JSON shape."""
        return {"name": self.name, "state": self.state, "text": self.text}


@dataclass(frozen=True, kw_only=True)
class Hearing:
    """Whether a distant listener would copy it: the conditions, the first that failed, one sentence."""

    sentence: str
    first_obstacle: str | None = None
    conditions: tuple[Condition, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The JSON shape; it joins the measured part of ``copy``."""
        return {
            "first_obstacle": self.first_obstacle,
            "sentence": self.sentence,
            "conditions": [c.to_dict() for c in self.conditions],
        }


@dataclass(frozen=True, kw_only=True)
class Diagnosis:
    """The judgement on one recording.

    ``causes`` are sorted, most likely first. Several can be present at once, so their
    probabilities need not add up to 1. ``not_measured`` maps ``"symptoms.ID"`` to the level that
    would have been seen where noise hides the limit (a number, in the limit's unit), else to the
    reason in words.
    """

    symptoms: tuple[Symptom, ...]
    causes: tuple[Cause, ...]
    verdict: Verdict
    sentence: str
    hearing: Hearing
    not_measured: dict[str, float | str] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """The JSON shape."""
        return {
            "symptoms": [s.to_dict() for s in self.symptoms],
            "causes": [c.to_dict() for c in self.causes],
            "verdict": self.verdict,
            "sentence": self.sentence,
            "not_measured": dict(self.not_measured),
        }
