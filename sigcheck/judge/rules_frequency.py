"""Rules on the course of the frequency."""

from __future__ import annotations

from sigcheck.judge.ruling import Z95, Case, Finding, Unseen, about_zero, reason


def drift(case: Case) -> Finding:
    d = case.m.drift
    if case.m.signal.kind == "four-tone":
        slot = case.m.slot
        text = f"drifts {slot.drift_hz or 0:+.2f} Hz over the transmission"
        why = reason(slot, "drift_hz")
        return about_zero(case, "drift", slot.drift_hz, slot.drift_hz_sigma, why, text, row="drift-slot")
    rate, sigma = d.rate_hz_per_min, d.rate_hz_per_min_sigma
    if rate is None:
        return Unseen(reason(d, "rate_hz_per_min"))
    if not case.slow:
        return about_zero(case, "drift", rate, sigma, None, f"drifts {rate:+.1f} Hz/min")
    if case.dit_s is None:
        return Unseen("the dit of this slow mode is not known")
    # Change over one dit, (rate / 60) dit, against the 1/dit that a dit resolves.
    scale = case.dit_s**2 / 60.0
    text = f"drifts {rate:+.2f} Hz/min, {abs(rate) * scale:.1f} of what a dit resolves"
    return about_zero(
        case, "drift", rate * scale, None if sigma is None else sigma * scale, None, text, row="drift-slow"
    )


def frequency_jumps(case: Case) -> Finding:
    d = case.m.drift
    if d.steps:
        # of two steps in one pause only the sum is known: they are not to hide one that is told well
        told = [s for s in d.steps if abs(s.size_hz) > Z95 * s.size_hz_sigma]
        top = max(told or d.steps, key=lambda s: abs(s.size_hz))
        many = f"{len(d.steps)} frequency jumps, the largest" if len(d.steps) > 1 else "a frequency jump"
        text = f"{many} {abs(top.size_hz):.1f} Hz"
        return about_zero(case, "frequency-jumps", top.size_hz, top.size_hz_sigma, None, text)
    return None if d.model is not None else Unseen(reason(d, "model"))


def frequency_wobble(case: Case) -> Finding:
    d = case.m.drift
    if d.cycle_peak_hz is None:
        return None if d.model is not None else Unseen(reason(d, "model"))
    period = "" if d.cycle_s is None else f" every {d.cycle_s:.0f} s"
    text = f"the frequency swings {d.cycle_peak_hz:.1f} Hz either way{period}"
    return about_zero(case, "frequency-wobble", d.cycle_peak_hz, d.cycle_peak_hz_sigma, None, text)
