"""From measurements to symptoms: one rule for each (`sigcheck.judge.ruling` says what they have in common)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from sigcheck.judge.limits import limits_for
from sigcheck.judge.rules_band import clipped_recording, dropouts, fading, noise_bursts, other_signal, weak_signal
from sigcheck.judge.rules_frequency import drift, frequency_jumps, frequency_wobble
from sigcheck.judge.rules_keying import backwave, chirp, key_clicks, keying_timing, overshoot, slow_keying
from sigcheck.judge.rules_plan import off_frequency, off_shift, off_speed, off_time, wrong_message
from sigcheck.judge.rules_tone import (
    audio_hum,
    harmonic_distortion,
    hum_sidebands,
    noisy_tone,
    rasp,
    spur_lines,
    voice_breakthrough,
)
from sigcheck.judge.ruling import Case, Finding, Unseen
from sigcheck.judge.shapes import Symptom
from sigcheck.plan import Plan

if TYPE_CHECKING:
    from sigcheck.measure.results import Measurements


RULES: Mapping[str, Callable[[Case], Finding]] = {
    "hum-sidebands": hum_sidebands,
    "spur-lines": spur_lines,
    "harmonic-distortion": harmonic_distortion,
    "rasp": rasp,
    "noisy-tone": noisy_tone,
    "audio-hum": audio_hum,
    "key-clicks": key_clicks,
    "slow-keying": slow_keying,
    "chirp": chirp,
    "backwave": backwave,
    "overshoot": overshoot,
    "keying-timing": keying_timing,
    "drift": drift,
    "frequency-jumps": frequency_jumps,
    "frequency-wobble": frequency_wobble,
    "other-signal": other_signal,
    "voice-breakthrough": voice_breakthrough,
    "noise-bursts": noise_bursts,
    "clipped-recording": clipped_recording,
    "dropouts": dropouts,
    "fading": fading,
    "weak-signal": weak_signal,
    "off-frequency": off_frequency,
    "off-time": off_time,
    "off-speed": off_speed,
    "off-shift": off_shift,
    "wrong-message": wrong_message,
}
"""Every symptom's rule, in the order in which they are reported."""

# What a recording shows even where no test signal was found in it.
_WITHOUT_SIGNAL = frozenset({"noise-bursts", "dropouts"})


def find(m: Measurements, plan: Plan | None = None) -> tuple[tuple[Symptom, ...], dict[str, float | str]]:
    """All symptoms, faults first, and ``symptoms.ID`` -> reason or hidden level for those not looked for.

    Raises
    ------
    PlanError : the plan sets a limit that does not exist.
    """
    plan = plan or Plan()
    case = Case(m, plan, limits_for(plan.limits))
    if m.signal.kind == "none":
        found = {name: rule(case) for name, rule in RULES.items() if name in _WITHOUT_SIGNAL}
        found |= {name: Unseen("no signal was found") for name in RULES if name not in found}
    else:
        found = {name: rule(case) for name, rule in RULES.items()}
    symptoms = sorted((f for f in found.values() if isinstance(f, Symptom)), key=lambda s: s.severity != "fault")
    unseen = {f"symptoms.{name}": f.why for name, f in found.items() if isinstance(f, Unseen)}
    return tuple(symptoms), unseen
