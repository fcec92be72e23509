"""What can't be true at once in a plan."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sigcheck.plan import Plan, Sent


def contradictions(plan: Plan) -> Iterator[str]:
    """Each contradiction of a plan, and what to do about it, a line each."""
    for sent in plan.sent:
        yield from _two_speeds(sent)
    repeat, after = plan.timing.repeat_s, plan.timing.after_s
    if after is not None and repeat is not None and after >= repeat:
        yield f"[timing] after_s = {after:g} lies beyond repeat_s = {repeat:g}; make it smaller"
    for section, value, sigma in (
        ("receiver", "error_ppm", "error_ppm_sigma"),
        ("recorder", "sample_rate_error_ppm", "sample_rate_error_ppm_sigma"),
        ("recorder", "start_utc", "start_utc_sigma_s"),
    ):
        part = getattr(plan, section)
        # The start may come from the file, so its uncertainty may stand alone.
        if value != "start_utc" and getattr(part, sigma) is not None and getattr(part, value) is None:
            yield f"[{section}] {sigma} stands without {value}; give both, {value} = 0 if it is so"
    for a, b in (("sideband_hz", "sideband_dbc"), ("skirt_hz", "skirt_dbc_hz")):
        first, second = getattr(plan.chain, a), getattr(plan.chain, b)
        if len(first or ()) != len(second or ()):
            yield f"[chain] {a} and {b} go together; give as many of the one as of the other"
    yield from _unheard(plan)


def _two_speeds(sent: Sent) -> Iterator[str]:
    """Where the keying is known only one of them is used; without it two that differ are a riddle."""
    if sent.keying is not None or sent.speed_wpm is None or sent.dit_s is None:
        return
    dit_s = 1.2 / sent.speed_wpm
    if not math.isclose(sent.dit_s, dit_s, rel_tol=0.02):  # a dit rounded to whole milliseconds is closer
        yield (
            f"[sent] speed_wpm = {sent.speed_wpm:g} means a dit of {dit_s:.3g} s but dit_s = {sent.dit_s:g}; "
            "keep one of them, or name the keying"
        )


def _unheard(plan: Plan) -> Iterator[str]:
    """A carrier that this dial and sideband can't bring to the ear is a slip of the pen."""
    tone, receiver, hz = plan.tone_hz, plan.receiver, plan.carrier.hz
    if tone is None or 20 <= tone <= 96_000:  # from the lowest audio to half of the highest sample rate
        return
    other = "lsb" if receiver.sideband == "usb" else "usb"
    remedy = f'is sideband = "{other}" meant?' if 20 <= -tone <= 96_000 else "are both in hertz?"
    yield (
        f"[carrier] hz = {hz:.12g} is not heard with [receiver] dial_hz = {receiver.dial_hz:.12g} and "
        f'sideband = "{receiver.sideband}" (the tone would be at {tone:.12g} Hz); {remedy}'
    )
