"""Rules on what was planned: frequency, time, speed, shift and message."""

from __future__ import annotations

from sigcheck.judge.message import at_least, compare
from sigcheck.judge.ruling import Case, Finding, Unseen, about_zero, grade, reason, signed
from sigcheck.judge.shapes import Symptom
from sigcheck.measure.slots.protocol import SPACING_HZ, SYMBOL_S

# A figure so near to another that one was entered for the other.
_SAME = 0.08


def off_frequency(case: Case) -> Finding:
    air = case.m.on_air
    if air.error_hz is None:
        return Unseen(air.missing.get("error_hz") or reason(air, "carrier_hz"))
    text = f"on the air {air.error_hz:+.0f} Hz off the planned frequency"
    return signed(about_zero(case, "off-frequency", air.error_hz, air.error_hz_sigma, None, text), air.error_hz)


def off_time(case: Case) -> Finding:
    late_s, sigma_s = case.m.on_air.clock_correction_s, case.m.on_air.clock_correction_s_sigma
    if late_s is None:
        return Unseen(reason(case.m.on_air, "clock_correction_s"))
    text = f"starts {abs(late_s):.2f} s {'late' if late_s > 0 else 'early'}{_wrong_minute(case, late_s)}"
    return signed(about_zero(case, "off-time", late_s, sigma_s, None, text), late_s)


def _wrong_minute(case: Case, late_s: float) -> str:
    repeat_s = case.plan.timing.repeat_s
    if repeat_s is None or abs(abs(late_s) - 60.0) > 3.0 or repeat_s < 90.0:
        return ""
    return ", so in the wrong minute"


def off_speed(case: Case) -> Finding:
    if case.m.signal.kind == "four-tone":
        return _symbol_rate(case)
    k, wanted_dit_s = case.m.keying, case.plan.main.planned_dit_s
    if wanted_dit_s is None:
        return Unseen("the plan does not give a speed")
    if k.wpm is None:
        return Unseen(reason(k, "wpm"))
    wanted = 1.2 / wanted_dit_s  # PARIS: 50 dits a word
    off = k.wpm / wanted - 1.0
    sigma = None if k.wpm_sigma is None else k.wpm_sigma / wanted
    if case.slow:
        text = f"dits of {case.m.keying.dit_s or 0.0:.3g} s instead of {wanted_dit_s:.3g} s"
    else:
        text = f"sent at {k.wpm:.3g} WPM, {100 * off:+.0f} % off the planned speed"
    return signed(about_zero(case, "off-speed", off, sigma, None, text + _mixed_up(case)), off)


def _mixed_up(case: Case) -> str:
    """Whether words a minute were entered as the seconds of a dit, or the other way round."""
    sent, dit_s = case.plan.main, case.m.keying.dit_s
    if dit_s and sent.speed_wpm and abs(dit_s / sent.speed_wpm - 1.0) < _SAME:
        return "; the planned words per minute were taken as the seconds of a dit"
    if dit_s and sent.dit_s and abs(1.2 - dit_s * sent.dit_s) < _SAME * 1.2:
        return "; the planned seconds of a dit were taken as words per minute"
    return ""


def _symbol_rate(case: Case) -> Finding:
    slot = case.m.slot
    if not slot.symbol_s:
        return Unseen(reason(slot, "symbol_s"))
    off = SYMBOL_S / slot.symbol_s - 1.0
    sigma = None if slot.symbol_s_sigma is None else slot.symbol_s_sigma / SYMBOL_S
    text = f"symbols of {slot.symbol_s:.4f} s instead of {SYMBOL_S:.4f} s"
    return signed(about_zero(case, "off-speed", off, sigma, None, text), off)


def off_shift(case: Case) -> Finding:
    slot, wanted_hz = case.m.slot, case.plan.main.shift_hz
    if case.m.signal.kind == "four-tone":
        if slot.tone_spacing_hz is None:
            return Unseen(reason(slot, "tone_spacing_hz"))
        value, sigma_hz, wanted_hz, what = slot.tone_spacing_hz, slot.tone_spacing_hz_sigma, SPACING_HZ, "tones"
    else:
        if wanted_hz is None:
            return Unseen("the plan does not give a shift")
        if slot.shift_hz is None:
            return Unseen(slot.missing.get("shift_hz", "this signal has no shift"))
        turned = -1.0 if case.plan.receiver.sideband == "lsb" else 1.0  # such a receiver turns over what it hears
        value, sigma_hz, what = turned * slot.shift_hz, slot.shift_hz_sigma, "mark and space"
    off = value / wanted_hz - 1.0
    sigma = None if sigma_hz is None else sigma_hz / wanted_hz
    text = f"{what} {abs(value):.2f} Hz apart instead of {wanted_hz:.2f} Hz"
    if value < 0:
        text = f"mark and space are exchanged (shift {value:.2f} Hz on the air), as the wrong sideband does"
    return signed(about_zero(case, "off-shift", off, sigma, None, text), off)


def wrong_message(case: Case) -> Finding:
    if case.m.signal.kind == "four-tone":
        return _wrong_symbols(case)
    k, sent = case.m.keying, case.plan.main.text
    if not sent:
        return Unseen("the plan does not give a text")
    if not k.text:
        return Unseen(reason(k, "text"))
    result = compare(k.text, k.character_confidence, k.text_confidence, sent)
    if result is None:
        return Unseen("too few characters were copied")
    count, probability = result
    places = "one place" if count == 1 else f"{count} places"
    return _differs(case, count, probability, f"the copied text differs from the planned one in {places}")


def _wrong_symbols(case: Case) -> Finding:
    slot = case.m.slot
    if slot.symbol_errors is None:
        return Unseen(reason(slot, "symbol_errors"))
    expected = max(slot.expected_symbol_errors or 0.0, 1e-3 * len(slot.symbols))
    # the expected errors come from the measured level: let them be a third too few
    probability = at_least(slot.symbol_errors, 1.5 * expected)
    text = f"{slot.symbol_errors} of {len(slot.symbols)} symbols differ from the planned ones"
    return _differs(case, slot.symbol_errors, probability, text)


def _differs(case: Case, count: int, probability: float, what: str) -> Finding:
    if grade(case.limits["wrong-message"], probability) is None:
        return None if count == 0 else Unseen(f"{what}, which noise may have done: record it once more")
    return Symptom(
        id="wrong-message",
        severity="fault",
        value=float(count),
        sigma=None,
        unit="",
        limit=0.0,
        text=f"{what}, more than noise explains (limit 0)",
    )
