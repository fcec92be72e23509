"""What the rules of symptoms have in common: what they look at, what they return, how they judge.

A rule returns the `Symptom`; or `Unseen`, where it could not be looked for, with the reason or
with the level that would have been seen; or None: looked for, and not there.

For all alike: a note needs the estimate beyond the limit, a fault the whole 95 % interval.
Where a quantity is zero in a clean signal and its scatter reaches past the limit, an estimate
beyond the limit says nothing yet: it counts from 2.5 standard deviations (one clean signal in
eighty is then accused, and there are some ten such quantities), below that it is unseen.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from sigcheck.judge.limits import Limit
from sigcheck.judge.shapes import Severity, Symptom
from sigcheck.plan import SLOW_MODES, Plan
from sigcheck.quantities import quantity

if TYPE_CHECKING:
    from sigcheck.measure.results import Family, Measurements, OtherSignal

Z95 = 1.96  # two-sided 95 % of a normal distribution
Z_SEEN = 2.5  # see the module's docstring

# A level with more scatter is no line yet: with 2 dB it lies 10 dB over the noise in its own resolution,
# and of the dozens of places where lines are looked for some do so by chance.
VAGUE_DB = 2.0

SLOW_DIT_S = 0.5  # 2.4 WPM: nobody keys slower by hand or reads it by ear (common practice, no source)

@dataclass(frozen=True)
class Unseen:
    """A symptom that could not be looked for: the reason, or the level that would have been seen."""

    why: str | float


Finding = Symptom | Unseen | None


@dataclass(frozen=True)
class Case:
    """What the rules look at."""

    m: Measurements
    plan: Plan
    limits: Mapping[str, Limit]

    @property
    def dit_s(self) -> float | None:
        """Length of a dit, as measured, else as planned."""
        if self.m.keying.dit_s:
            return self.m.keying.dit_s
        return self.plan.main.planned_dit_s

    @property
    def slow(self) -> bool:
        """Whether this is one of the slow modes, whose limits go with the dit."""
        if self.m.signal.kind == "shifted" or self.plan.main.keying in SLOW_MODES:
            return True
        measured = self.m.keying.dit_s
        return self.m.signal.kind == "keyed" and measured is not None and measured >= SLOW_DIT_S

    @property
    def mains_hz(self) -> float | None:
        """The mains frequency, as measured, else as planned."""
        measured = self.m.lines.mains_hz or self.m.purity.mains_hz
        return measured if measured is not None else self.plan.mains.hz


def grade(limit: Limit, value: float, sigma: float | None = None) -> Severity | None:
    """Fault, note or neither, by the rule of the module's docstring."""
    reach = Z95 * (sigma or 0.0) * (-1.0 if limit.direction == "above" else 1.0)
    if limit.fault is not None and limit.beyond(value + reach, limit.fault):
        return "fault"
    if limit.note is not None and limit.beyond(value, limit.note):
        return "note"
    return None


def symptom(
    case: Case, name: str, value: float, sigma: float | None, text: str, *, row: str | None = None
) -> Symptom | None:
    """The symptom if the value is beyond its limit; ``text`` says what, the limit is added."""
    limit = case.limits[row or name]
    severity = grade(limit, value, sigma)
    if severity is None:
        return None
    bound = limit.note if severity == "note" else limit.fault
    assert bound is not None
    return Symptom(
        id=name, severity=severity, value=value, sigma=sigma, unit=limit.unit, limit=bound,
        text=f"{text} (limit {_bound(name, bound, limit.unit)})",
    )  # fmt: skip


def _bound(name: str, bound: float, unit: str) -> str:
    """A limit as it is written in the table: a round number in the unit in which it is shown."""
    row = quantity(f"symptoms.{name}")
    if unit == row.unit:
        bound, unit = bound * row.scale, row.display_unit
    return f"{bound:g} {unit}".rstrip()


def with_floor(
    case: Case, name: str, value: float | None, sigma: float | None, floor: float | None,
    missing: str | None, text: Callable[[float], str], *, row: str | None = None, searched: bool = True,
) -> Finding:  # fmt: skip
    """Judge a level below which noise hides everything.

    A level without a value but with a floor was looked for and not found. ``searched``: it was found by
    looking in many places, so a vague one may be chance.
    """
    limit = case.limits[row or name]
    first = limit.note if limit.note is not None else limit.fault
    assert first is not None
    hidden = floor is not None and limit.beyond(floor, first)
    if value is None or (hidden and floor is not None and not limit.beyond(value, floor)):
        if floor is None:
            return Unseen(missing or "not measured")
        return Unseen(floor) if hidden else None
    if searched and sigma is not None and limit.unit in ("dB", "dBc") and sigma > VAGUE_DB:
        worst = value + Z95 * sigma
        return Unseen(worst) if limit.beyond(worst, first) else None
    found = symptom(case, name, value, sigma, text(value), row=row)
    if found is None and hidden and floor is not None:
        return Unseen(floor)
    return found


def about_zero(
    case: Case, name: str, value: float | None, sigma: float | None, missing: str | None, text: str,
    *, row: str | None = None,
) -> Finding:  # fmt: skip
    """Judge the size of a quantity that is zero in a clean signal."""
    floor = None if sigma is None else Z_SEEN * sigma
    size = None if value is None else abs(value)
    if size is None:
        return Unseen(missing or "not measured")
    return with_floor(case, name, size, sigma, floor, missing, lambda _: text, row=row)


def ratio(level_db: float) -> float:
    """Power ratio of a level in dB; kept within what a float holds."""
    return float(10.0 ** (min(max(level_db, -300.0), 300.0) / 10.0))


def dbc_below(value: float) -> str:
    """A level against the tone in words."""
    return f"{abs(value):.0f} dB {'below' if value <= 0 else 'above'} the tone"


def same_place(frequency_hz: float, others: tuple[OtherSignal, ...]) -> bool:
    """Whether a line lies where another signal is."""
    return any(abs(frequency_hz - o.frequency_hz) < 3.0 for o in others)


def signed(found: Finding, value: float) -> Finding:
    """The symptom with the sign that `about_zero` took off."""
    return replace(found, value=value) if isinstance(found, Symptom) else found


def reason(family: Family, name: str) -> str:
    """Why a field of a family was not measured."""
    return str(family.missing.get(name, "not measured"))
