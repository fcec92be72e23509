"""Several transmissions in one recording: each measured and judged by itself, with what the plan says of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

from sigcheck.measure.audio.transmissions import Span
from sigcheck.measure.pipeline import Measured, measure
from sigcheck.measure.slots.protocol import SYMBOLS

if TYPE_CHECKING:
    from sigcheck.measure.results import Measurements, Slot
    from sigcheck.plan import Plan
    from sigcheck.recording import Recording

_MARGIN_S = 1.0  # of the silence around a transmission, kept for its noise and its edges
_LEAST_CONFIDENCE = 0.5  # of the text: by less it may not be Morse at all
_LEAST_STEADY_S = 20.0


@dataclass(frozen=True)
class Part:
    """One transmission: where it is in the recording, its own samples, and what was measured in them."""

    start_s: float
    end_s: float
    mode: str
    recording: Recording
    plan: Plan | None
    measured: Measured


def mode_of(m: Measurements) -> str | None:
    """The keying as a plan names it; None where there is no signal."""
    if m.signal.kind == "none":
        return None
    if m.slot.kind is not None:
        return m.slot.kind
    return {"keyed": "cw", "steady": "steady", "four-tone": "four-tone"}.get(m.signal.kind)


def planned_for(mode: str | None, plan: Plan | None) -> Plan | None:
    """The plan with what it says of this mode first, as the one that counts."""
    if plan is None or len(plan.sent) < 2:
        return plan
    ours = [one for one in plan.sent if one.keying == mode]
    return replace(plan, sent=(*ours, *(one for one in plan.sent if one.keying != mode))) if ours else plan


def parts(
    recording: Recording, spans: tuple[Span, ...], *, channel: int, tone_hz: float | None, plan: Plan | None
) -> tuple[Part, ...]:
    """The transmissions in order; none where it turns out that there is only one kind of them."""
    measured = [_measured(recording, span, channel, tone_hz, plan) for span in spans if span.pace != "idle"]
    found = [part for part in measured if part is not None and _is_sending(part)]
    if len({part.mode for part in found}) < 2:
        return ()
    idle = [span for span in spans if span.pace == "idle" and _counts(span, found, plan)]
    steady = [_measured(recording, span, channel, tone_hz, plan) for span in idle]
    found += [part for part in steady if part is not None and part.mode == "steady"]
    return tuple(_in_the_plans_order(sorted(found, key=lambda part: part.start_s), tone_hz, plan))


def _counts(span: Span, found: list[Part], plan: Plan | None) -> bool:
    """Whether an idle carrier is a test signal: the plan says so, or it lasts longer than all else together."""
    if plan is not None and any(one.keying == "steady" for one in plan.sent):
        return True
    return span.seconds > max(_LEAST_STEADY_S, sum(part.end_s - part.start_s for part in found))


def _is_sending(part: Part) -> bool:
    m = part.measured.measurements
    if part.mode == "cw":
        return bool(m.keying.text) and (m.keying.text_confidence or 0.0) > _LEAST_CONFIDENCE
    return part.mode != "steady"


def _measured(
    recording: Recording, span: Span, channel: int, tone_hz: float | None, plan: Plan | None
) -> Part | None:
    start_s = max(0.0, span.start_s - min(_MARGIN_S, span.clear_before_s))
    end_s = min(recording.duration_s, span.end_s + min(_MARGIN_S, span.clear_after_s))
    piece = piece_of(recording, start_s, end_s)
    measured = measure(piece, channel=channel, tone_hz=tone_hz)
    mode = mode_of(measured.measurements)
    if mode is None:
        return None
    intended = planned_for(mode, plan)
    if intended is not None:
        measured = measure(piece, channel=channel, tone_hz=tone_hz, plan=intended)
    begin_s, finish_s = _times(span, start_s, measured.measurements.slot)
    return Part(begin_s, finish_s, mode, piece, intended, measured)


def _times(span: Span, piece_s: float, slot: Slot) -> tuple[float, float]:
    """Begin and end: a four-tone slot that was heard whole says itself where it is."""
    if slot.kind != "four-tone" or not slot.complete or len(slot.heard) != 1 or not slot.symbol_s:
        return span.start_s, span.end_s
    start_s = piece_s + slot.heard[0].start_s
    return start_s, start_s + SYMBOLS * slot.symbol_s


def piece_of(recording: Recording, start_s: float, end_s: float) -> Recording:
    """A stretch of a recording, with its own start time."""
    rate = recording.sample_rate_hz
    first, last = round(start_s * rate), round(end_s * rate)
    start = recording.start_utc
    return replace(
        recording,
        samples=recording.samples[first:last],
        start_utc=None if start is None else start + timedelta(seconds=first / rate),
        steps=(*recording.steps, f"seconds {first / rate:.2f} to {last / rate:.2f} taken"),
    )


def _in_the_plans_order(found: list[Part], tone_hz: float | None, plan: Plan | None) -> Iterator[Part]:
    """Each with the plan's own entry: where one kind is planned several times, the k-th heard is the k-th planned."""
    count: dict[str, int] = {}
    for part in found:
        k = count.get(part.mode, 0)
        count[part.mode] = k + 1
        planned = [] if plan is None else [one for one in plan.sent if one.keying == part.mode]
        if plan is None or len(planned) < 2:
            yield part
            continue
        mine = planned[k % len(planned)]
        plan_of_it = replace(plan, sent=(mine, *(one for one in plan.sent if one is not mine)))
        channel = part.measured.measurements.channel
        again = measure(part.recording, channel=channel, tone_hz=tone_hz, plan=plan_of_it)
        yield replace(part, plan=plan_of_it, measured=again)
