"""The verdict and its one sentence, for somebody who is tired."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sigcheck.judge.limits import LIMITS
from sigcheck.judge.shapes import Cause, Symptom, Verdict
from sigcheck.judge.tables import NAMES, NO_FAULT
from sigcheck.measure.results import Measurements
from sigcheck.quantities import quantity, show

# Peaks below this leave a quiet signal with too few bits to be found (16 bits: -98 dBFS of noise).
QUIET_DBFS = -60.0


def verdict_for(m: Measurements, symptoms: Sequence[Symptom]) -> Verdict:
    """Clean, usable (notes only), faulty, or no signal at all."""
    if m.signal.kind == "none":
        return "no-signal"
    if any(s.severity == "fault" for s in symptoms):
        return "faulty"
    return "usable" if symptoms else "clean"


def sentence_for(
    m: Measurements,
    verdict: Verdict,
    symptoms: Sequence[Symptom],
    causes: Sequence[Cause],
    not_measured: Mapping[str, float | str],
) -> str:
    """The verdict in plain words."""
    if verdict == "no-signal":
        return _no_signal(m)
    if verdict == "clean":
        return _clean(not_measured)
    worst = [s for s in symptoms if s.severity == "fault"] or list(symptoms)
    named = [NAMES[s.id] for s in worst]
    head = f"Faulty: {_and(named)}" if verdict == "faulty" else f"Usable, with a remark: {_and(named)}"
    return f"{head}. {_why(causes)}"


def _why(causes: Sequence[Cause]) -> str:
    likely = [c for c in causes if c.id != NO_FAULT]
    if not likely:
        return "No known cause explains it; record it again."
    top = likely[0]
    same = [c.text for c in likely if c.id in top.same_as]
    also = [c for c in likely[1:] if c.id not in top.same_as and c.probability >= 0.5 and not _covered(c, likely)]
    text = f"Most likely {top.text}"
    if same:
        text += f", which this recording cannot tell from {_or(same)}"
    if also:
        text += f"; also {_and([c.text for c in also])}"
    return f"{text}. Next: {top.experiment.title[0].lower()}{top.experiment.title[1:]}."


def _covered(cause: Cause, likely: Sequence[Cause]) -> bool:
    """Whether a likelier cause that cannot be told from this one was named already."""
    before = likely[: likely.index(cause)]
    return any(cause.id in c.same_as and c.probability >= 0.5 for c in before)


def _clean(not_measured: Mapping[str, float | str]) -> str:
    hidden = {name.partition(".")[2]: level for name, level in not_measured.items() if not isinstance(level, str)}
    text = "Clean: nothing beyond its limit"
    if not hidden:
        return f"{text}."
    shown = [_level(name, level) for name, level in list(hidden.items())[:3]]
    more = f" and {len(hidden) - 3} more" if len(hidden) > 3 else ""
    return f"{text} as far as could be seen; the noise would have hidden {', '.join(shown)}{more}."


def _level(name: str, level: float) -> str:
    path = f"symptoms.{name}"
    limit = LIMITS[name]
    hidden_side = "less" if limit.direction == "above" else "more"
    return f"{quantity(path).label} of {hidden_side} than {show(path, level, unit=limit.unit).lstrip('+')}"


def _no_signal(m: Measurements) -> str:
    h = m.health
    if h.silent_fraction is not None and h.silent_fraction > 0.99:
        return "No signal: the recording is silent; check the audio lead, the recorder's input and its level."
    if h.peak_dbfs is not None and h.peak_dbfs < QUIET_DBFS:
        return (
            f"No signal, and the recording is very quiet (peak {h.peak_dbfs:.0f} dBFS): "
            "check the level and the audio lead, then the dial and the sideband."
        )
    return (
        "No signal found: check that the dial puts the tone into the passband, that the sideband is right, "
        "that the level is right, and that the transmitter was sending."
    )


def _and(items: Sequence[str]) -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


def _or(items: Sequence[str]) -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} or {items[-1]}"
