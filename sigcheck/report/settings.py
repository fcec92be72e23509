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
_NEAR_MINUTE_S = 3.0  # a clock set by hand is that good (common practice, no source)
_SAME = 0.05  # the limit from which a speed is off


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
    return [*_frequency(air, plan), *_clock(air, plan, now), *_mistakes(result, plan)]


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
    minutes = round(late_s / 60)
    if minutes and abs(late_s - 60 * minutes) < max(_NEAR_MINUTE_S, 2 * sigma_s):
        rest_s = late_s - 60 * minutes
        out = [
            f"It starts in the wrong minute, {abs(minutes)} min {side}, and {abs(rest_s):.1f} s off within it: check "
            "which minute the transmitter is set to start in"
        ]
    else:
        out = [f"It starts {size} {side}: put the transmitter's clock {turn} by that much"]
    moments = next_starts(plan, now) if now is not None else ()
    if moments:
        out.append(f"The next starts should be at {', '.join(f'{m:%H:%M:%S}' for m in moments)} UTC")
    return out


def _mistakes(result: Mapping[str, Any], plan: Plan) -> list[str]:
    """Settings that were taken for another: a speed for a length, one sideband for the other."""
    dit_s = (result.get("keying") or {}).get("dit_s")
    shift_hz = (result.get("slot") or {}).get("shift_hz")
    sent, out = plan.main, []
    for other in (result.get("keying") or {}).get("other_readings") or ():
        out.append(
            f"It may be upside down, as the wrong sideband makes it, and then it says {other!r}: a plan that gives the "
            "receiver's sideband or the text tells"
        )
    if dit_s and sent.dit_s is not None and _alike(1.2 / dit_s, sent.dit_s) and not _alike(dit_s, sent.dit_s):
        out.append(
            f"It sends {1.2 / dit_s:.3g} WPM, and a dit of {sent.dit_s:g} s was planned: the length of the dit was "
            "set as a speed"
        )
    if dit_s and sent.speed_wpm is not None and _alike(dit_s, sent.speed_wpm):
        out.append(
            f"Its dits last {dit_s:.3g} s, and {sent.speed_wpm:g} WPM were planned: the speed was set as the length "
            "of a dit"
        )
    turned = plan.receiver.sideband == "lsb"  # such a receiver turns over what it hears
    if shift_hz is not None and (shift_hz < 0) != turned and sent.shift_hz is not None:
        side = {"usb": "lsb", "lsb": "usb"}.get(plan.receiver.sideband or "", "the other sideband")
        out.append(f"The shift is upside down: the receiver may have stood on {side}, or the two tones are exchanged")
    return out


def _alike(a: float, b: float) -> bool:
    return abs(a / b - 1) < _SAME
