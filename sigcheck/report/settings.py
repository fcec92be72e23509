"""What to enter in the transmitter: its reference and its clock, with the sums shown."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from datetime import datetime
from typing import Any

from sigcheck.errors import PlanError
from sigcheck.measure.on_air import next_starts, reference_formula
from sigcheck.measure.results import OnAir
from sigcheck.plan import Plan
from sigcheck.quantities import show

TITLE = "On the air"
_SURE = 1.96  # 95 %


def setting_lines(result: Mapping[str, Any], now: datetime | None = None) -> list[str]:
    """Sentences on frequency, reference and clock; none where nothing of them was measured.

    Parameters
    ----------
    result : a saved result.
    now : the next moments at which a transmission should start are named after this; None names none.
    """
    section = result.get("on_air") or {}
    values: dict[str, Any] = {f.name: section.get(f.name) for f in fields(OnAir) if f.name != "missing"}
    air = OnAir(**values)
    try:
        plan = Plan.from_dict(result.get("plan") or {})
    except PlanError:
        plan = Plan()
    return [*_frequency(air, plan), *_clock(air, plan, now)]


def _frequency(air: OnAir, plan: Plan) -> list[str]:
    if air.carrier_hz is None:
        return []
    out = [f"Carrier on {show('on_air.carrier_hz', air.carrier_hz, air.carrier_hz_sigma)}"]
    if air.error_hz is None:
        return out
    error = show("on_air.error_hz", air.error_hz, air.error_hz_sigma)
    out[0] += f", off by {error} ({show('on_air.error_ppm', air.error_ppm, air.error_ppm_sigma)})"
    if abs(air.error_hz) <= _SURE * (air.error_hz_sigma or 0.0):
        out.append(
            "That is no more than receiver and recorder may be wrong by: calibrate them before correcting anything"
        )
    elif (formula := reference_formula(air, plan)) is not None:
        out.append(f"Enter as the reference: {formula}")
    return out


def _clock(air: OnAir, plan: Plan, now: datetime | None) -> list[str]:
    late_s, sigma_s = air.clock_correction_s, air.clock_correction_s_sigma or 0.0
    if late_s is None:
        return []
    size = show("on_air.clock_correction_s", abs(late_s), sigma_s).lstrip("+")
    if abs(late_s) <= _SURE * sigma_s:
        return [f"It starts when it should, as far as the recording's start is known (to {sigma_s:.2f} s)"]
    side, turn = ("late", "forward") if late_s > 0 else ("early", "back")
    out = [f"It starts {size} {side}: put the transmitter's clock {turn} by that much"]
    moments = next_starts(plan, now) if now is not None else ()
    if moments:
        out.append(f"The next starts should be at {', '.join(f'{m:%H:%M:%S}' for m in moments)} UTC")
    return out
