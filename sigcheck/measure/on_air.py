"""Where and when the signal is on the air: arithmetic from the plan, the tone and the recording's start.

Signs: a receiver whose reference runs high by e listens at dial (1 + e); a recorder that takes too many samples by
r makes every audio frequency read low, so the tone was really tone (1 + r). With upper sideband the carrier lies
above the dial by the tone, with lower sideband below it. A transmission that starts late comes from a clock that
is slow: the correction, to be added to that clock, is how late it starts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from sigcheck.measure.results import Keying, OnAir, Signal, Slot, not_measured_family

if TYPE_CHECKING:
    from sigcheck.plan import Plan
    from sigcheck.recording import Recording

_DAY_S = 86400.0
_EDGE_SIGMA_S = 0.01  # of a first key-down: an edge, and the contact before it (common practice, no source)


def on_air(signal: Signal, slot: Slot, keying: Keying, plan: Plan | None, recording: Recording) -> OnAir:
    """Carrier, its error, the reference and the clock correction, as far as the plan lets them be told."""
    if plan is None:
        nothing = not_measured_family(OnAir, "there is no plan to tell the dial and the sideband: give one with --plan")
        when = "there is no plan to tell when it should start: give one with --plan"
        return replace(nothing, missing={**nothing.missing, "clock_correction_s": when})
    missing: dict[str, str] = {}
    carrier, carrier_sigma = _carrier(signal, plan, missing)
    error = ppm = reference = None
    if carrier is None:
        missing.update(dict.fromkeys(("error_hz", "error_ppm", "corrected_reference_hz"), missing["carrier_hz"]))
    elif plan.carrier.hz is None:
        why = "the plan does not give the carrier's frequency"
        missing.update(error_hz=why, error_ppm=why, corrected_reference_hz=why)
    else:
        error = carrier - plan.carrier.hz
        ppm = 1e6 / plan.carrier.hz
        if plan.carrier.reference_hz is None:
            missing["corrected_reference_hz"] = "the plan does not give the reference that the synthesiser was told"
        else:
            reference = plan.carrier.reference_hz / plan.carrier.hz
    correction, correction_sigma = _clock_correction(signal, slot, keying, plan, recording, missing)
    return OnAir(
        carrier_hz=carrier,
        carrier_hz_sigma=carrier_sigma,
        error_hz=error,
        error_hz_sigma=None if error is None else carrier_sigma,
        error_ppm=_times(error, ppm),
        error_ppm_sigma=None if error is None else _times(carrier_sigma, ppm),
        corrected_reference_hz=_times(carrier, reference),
        corrected_reference_hz_sigma=_times(carrier_sigma, reference),
        clock_correction_s=correction,
        clock_correction_s_sigma=correction_sigma,
        missing=missing,
    )


def carrier_of(tone_hz: float, tone_hz_sigma: float, plan: Plan) -> tuple[float, float]:
    """Frequency on the air of an audio tone and its sigma, both in Hz; the plan knows dial and sideband."""
    dial_hz, side = plan.receiver.dial_hz, plan.receiver.sideband
    assert dial_hz is not None and side is not None
    dial_ppm, dial_sigma = plan.receiver.dial_error()
    rate_ppm, rate_sigma = plan.recorder.rate_error()
    sign = 1.0 if side == "usb" else -1.0
    carrier = dial_hz * (1 + 1e-6 * dial_ppm) + sign * tone_hz * (1 + 1e-6 * rate_ppm)
    return carrier, math.hypot(tone_hz_sigma, 1e-6 * dial_hz * dial_sigma, 1e-6 * tone_hz * rate_sigma)


def reference_formula(measured: OnAir, plan: Plan) -> str | None:
    """How the corrected reference comes about, with its numbers; None where there is none.

    The synthesiser multiplies its true reference by what it believes the wanted carrier to be in units of the
    reference that it was told; so told x heard / wanted is the true reference, and that it should be told.
    """
    heard, wanted, told = measured.carrier_hz, plan.carrier.hz, plan.carrier.reference_hz
    if heard is None or wanted is None or told is None or measured.corrected_reference_hz is None:
        return None
    digits = _digits(measured.carrier_hz_sigma)
    result_digits = _digits(measured.corrected_reference_hz_sigma)
    return (
        f"reference x heard / wanted = {_plain(told)} Hz x {heard:.{digits}f} Hz / {_plain(wanted)} Hz = "
        f"{measured.corrected_reference_hz:.{result_digits}f} Hz"
    )


def next_starts(plan: Plan, now: datetime, count: int = 3) -> tuple[datetime, ...]:
    """The next moments in UTC at which a transmission should start, none where the plan has no period.

    Periods are counted from the full hour, those longer than an hour from midnight UTC.
    """
    repeat_s = plan.timing.repeat_s
    if repeat_s is None:
        return ()
    now = now.astimezone(UTC)
    after_s = plan.timing.after_s or 0.0
    cycle_s = _cycle_s(repeat_s)
    cycle = now.replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(seconds=cycle_s)
    starts: list[datetime] = []
    while len(starts) < count:
        first = max(0, math.floor(((now - cycle).total_seconds() - after_s) / repeat_s) + 1)
        for k in range(first, math.ceil(cycle_s / repeat_s - 1e-9)):
            starts.append(cycle + timedelta(seconds=k * repeat_s + after_s))
            if len(starts) == count:
                break
        cycle += timedelta(seconds=cycle_s)
    return tuple(starts)


def _cycle_s(repeat_s: float) -> float:
    """After what time the counting of periods begins anew: every hour, for longer periods every day UTC."""
    return 3600.0 if repeat_s <= 3600.0 else _DAY_S


@dataclass(frozen=True, kw_only=True)
class ClockDrift:
    """How a transmitter's clock runs over several transmissions, and when it leaves the window."""

    late_s: float  # at the last of them, by the fitted line
    late_s_sigma: float
    s_per_day: float  # positive: the clock loses, transmissions start later every day
    s_per_day_sigma: float
    leaves_utc: datetime | None  # None: not within ten years at this rate
    leaves_from_utc: datetime | None  # earliest and latest by the 95 % interval of the rate
    leaves_to_utc: datetime | None


def clock_drift(
    started_utc: Sequence[datetime], late_s: Sequence[float], late_s_sigma: Sequence[float], *, window_s: float
) -> ClockDrift | None:
    """Weighted straight line through how late the transmissions started; None for fewer than two moments.

    Parameters
    ----------
    started_utc : when each slot began.
    late_s : how late each started (``on_air.clock_correction_s``), seconds.
    late_s_sigma : standard uncertainties; where the starts scatter by more about the line, that counts.
    window_s : how early or late a start may be.
    """
    if len(started_utc) < 2 or (max(started_utc) - min(started_utc)).total_seconds() < 1.0:
        return None
    last = max(started_utc)
    day = np.array([(moment - last).total_seconds() / _DAY_S for moment in started_utc])
    late, sigma = np.asarray(late_s, float), np.maximum(np.asarray(late_s_sigma, float), 1e-6)
    design = np.stack([np.ones(day.size), day], axis=1) / sigma[:, None]
    cov = np.linalg.inv(design.T @ design)
    beta = cov @ design.T @ (late / sigma)
    free = day.size - 2
    if free > 0:
        cov = cov * max(1.0, float(np.sum((late / sigma - design @ beta) ** 2)) / free)
    rate, rate_sigma = float(beta[1]), float(np.sqrt(cov[1, 1]))
    now = float(beta[0])

    def leaves(rate_s_per_day: float) -> datetime | None:
        if abs(now) >= window_s:
            return last
        if rate_s_per_day == 0.0:
            return None
        days = (math.copysign(window_s, rate_s_per_day) - now) / rate_s_per_day
        return last + timedelta(days=days) if days < 3653 else None

    fast = rate + math.copysign(1.96 * rate_sigma, rate)
    slow = rate - math.copysign(1.96 * rate_sigma, rate)
    return ClockDrift(
        late_s=now,
        late_s_sigma=float(np.sqrt(cov[0, 0])),
        s_per_day=rate,
        s_per_day_sigma=rate_sigma,
        leaves_utc=leaves(rate),
        leaves_from_utc=leaves(fast),
        leaves_to_utc=leaves(slow) if slow * rate > 0 else None,
    )


def _carrier(signal: Signal, plan: Plan, missing: dict[str, str]) -> tuple[float | None, float | None]:
    if plan.receiver.dial_hz is None or plan.receiver.sideband is None:
        missing["carrier_hz"] = "the plan does not give the dial and the sideband"
    elif signal.tone_hz is None:
        missing["carrier_hz"] = signal.missing.get("tone_hz", "the tone was not measured")
    else:
        return carrier_of(signal.tone_hz, signal.tone_hz_sigma or 0.0, plan)
    return None, None


def _clock_correction(
    signal: Signal, slot: Slot, keying: Keying, plan: Plan, recording: Recording, missing: dict[str, str]
) -> tuple[float | None, float | None]:
    """How late the transmission starts, within half a period either way."""
    repeat_s = plan.timing.repeat_s
    if recording.start_utc is None or repeat_s is None:
        missing["clock_correction_s"] = "the recording's start in UTC or the plan's period is not known"
        return None, None
    start = _start(signal, slot, keying, _of_day_s(recording.start_utc) % _cycle_s(repeat_s))
    if isinstance(start, str):
        missing["clock_correction_s"] = start
        return None, None
    late_s = start[0] - (plan.timing.after_s or 0.0)
    late_s = (late_s + repeat_s / 2) % repeat_s - repeat_s / 2
    return late_s, math.hypot(start[1], recording.start_utc_sigma_s or 0.0)


def _start(signal: Signal, slot: Slot, keying: Keying, recording_s: float) -> tuple[float, float] | str:
    """When the transmission starts, counted as ``recording_s`` or from its slot, and the sigma; or why not."""
    if slot.start_offset_s is not None:
        if slot.start_offset_from == "slot":
            return slot.start_offset_s, slot.start_offset_s_sigma or 0.0
        return recording_s + slot.start_offset_s, slot.start_offset_s_sigma or 0.0
    if signal.present_s is None:
        return signal.missing.get("present_s", "no transmission was seen to begin")
    # seen to begin only after more quiet than there is between two words (seven dits)
    if signal.present_s[0] < max(1.0, 10.0 * (keying.dit_s or 0.0)):
        return "the recording does not show the beginning of a transmission"
    return recording_s + signal.present_s[0], _EDGE_SIGMA_S


def _of_day_s(moment: datetime) -> float:
    moment = moment.astimezone(UTC)
    return 3600.0 * moment.hour + 60.0 * moment.minute + moment.second + 1e-6 * moment.microsecond


def _times(value: float | None, factor: float | None) -> float | None:
    return None if value is None or factor is None else value * factor


def _digits(sigma: float | None) -> int:
    """Decimals that show a number to a tenth of its sigma."""
    return 1 if not sigma else int(min(max(1 - math.floor(math.log10(sigma)), 0), 6))


def _plain(hz: float) -> str:
    return f"{hz:.6f}".rstrip("0").rstrip(".")
