"""Rules on the band, the path and the recorder."""

from __future__ import annotations

import math

from sigcheck.judge.explained import echo_in_gaps, of_bus
from sigcheck.judge.ruling import (
    Case,
    Finding,
    Unseen,
    dbc_below,
    grade,
    ratio,
    reason,
    same_place,
    symptom,
    with_floor,
)
from sigcheck.judge.shapes import Severity, Symptom
from sigcheck.measure.results import Measurements
from sigcheck.quantities import show


def other_signal(case: Case) -> Finding:
    lines, band = case.m.lines, case.m.signal.passband_hz
    candidates = [
        (o.level_dbc, f"{'a keyed signal' if o.keyed else 'a carrier'} at {o.frequency_hz:.0f} Hz")
        for o in lines.others
        if not (echo_in_gaps(case.m, o.frequency_hz) if o.keyed else of_bus(case.m, o.frequency_hz))
    ]
    if case.m.signal.kind != "steady":  # there a steady line is a spur or another carrier: spur-lines has it
        candidates += [
            (s.level_dbc, f"a carrier at {s.frequency_hz:.0f} Hz")
            for s in lines.spurs
            if s.when != "key-down"
            and (band is None or band[0] <= s.frequency_hz <= band[1])
            and not same_place(s.frequency_hz, lines.others)
        ]
    level, what = max(candidates, default=(None, ""))
    return with_floor(
        case, "other-signal", level, None, lines.other_floor_dbc, lines.missing.get("other_floor_dbc"),
        lambda v: f"another signal in the passband: {what}, {dbc_below(v)}",
    )  # fmt: skip


def noise_bursts(case: Case) -> Finding:
    b, level, time = case.m.bursts, case.limits["noise-bursts"], case.limits["noise-bursts-time"]
    if b.burst_time_fraction is None:
        return Unseen(reason(b, "burst_time_fraction"))
    if grade(time, b.burst_time_fraction) is None:
        return None  # too seldom, however strong; where there are none they have no level either
    if b.burst_over_floor_db is None:
        return Unseen(reason(b, "burst_over_floor_db"))
    grades = (grade(level, b.burst_over_floor_db), grade(time, b.burst_time_fraction))
    if None in grades:
        return None
    severity: Severity = "fault" if grades == ("fault", "fault") else "note"
    bound = level.fault if severity == "fault" else level.note
    bound_time = time.fault if severity == "fault" else time.note
    if bound is None or bound_time is None:
        return None
    rhythm = "at random" if b.burst_rate_hz is None else f"{b.burst_rate_hz:.0f} times a second"
    text = (
        f"bursts of noise {rhythm}, {b.burst_over_floor_db:.0f} dB over the floor for "
        f"{100 * b.burst_time_fraction:.1f} % of the time "
        f"(limits {bound:.0f} dB and {100 * bound_time:.0f} %)"
    )
    return Symptom(
        id="noise-bursts",
        severity=severity,
        value=b.burst_over_floor_db,
        sigma=None,
        unit=level.unit,
        limit=bound,
        text=text,
    )


def clipped_recording(case: Case) -> Finding:
    h = case.m.health
    if h.clipped_fraction is None:
        return Unseen(reason(h, "clipped_fraction"))
    text = f"{show('symptoms.clipped-recording', h.clipped_fraction)} of the key-down samples at the rails"
    return symptom(case, "clipped-recording", h.clipped_fraction, None, text)


def dropouts(case: Case) -> Finding:
    h = case.m.health
    if h.silent_fraction is not None and h.silent_fraction > 0.99:
        return Unseen("the recording is silent throughout")
    count, lost_s = len(h.dropouts), sum(d.length_s for d in h.dropouts)
    text = f"{count} gap{'s' if count > 1 else ''} in the recording, {1e3 * lost_s:.0f} ms together"
    return symptom(case, "dropouts", float(count), None, text)


def fading(case: Case) -> Finding:
    s, row = case.m.signal, case.limits["fading"]
    if s.level_range_db is None:
        return Unseen(reason(s, "level_range_db"))
    swing_db = noise_swing_db(case.m)
    if row.note is not None and swing_db > row.note / 2:
        seen_db = math.hypot(row.note, swing_db)
        return Unseen(seen_db) if s.level_range_db <= seen_db else _fading(case, s.level_range_db)
    return _fading(case, s.level_range_db)


def noise_swing_db(m: Measurements) -> float:
    """The 5 to 95 % range of the level averaged over 0.2 s that additive noise makes by itself."""
    if m.signal.cn0_dbhz is None:
        return 0.0
    # C/N0 times 0.2 s below the carrier, half of it in phase; the range is 3.29 standard deviations.
    spread = 1.0 / math.sqrt(2.0 * 0.2 * ratio(m.signal.cn0_dbhz))
    return 3.29 * spread * 20.0 / math.log(10.0)


def _fading(case: Case, range_db: float) -> Symptom | None:
    return symptom(case, "fading", range_db, None, f"the level swings {range_db:.0f} dB")


def weak_signal(case: Case) -> Finding:
    s = case.m.signal
    if case.slow:
        if s.cn0_dbhz is None or case.dit_s is None:
            return Unseen(reason(s, "cn0_dbhz"))
        value, sigma, row = s.cn0_dbhz + 10.0 * math.log10(case.dit_s), s.cn0_dbhz_sigma, "weak-signal-slow"
        what = f"weak: the energy of a dit is {value:.0f} dB over the noise density"
    else:
        if s.snr_db is None:
            return Unseen(reason(s, "snr_db"))
        rows = {"steady": "weak-signal-steady", "four-tone": "weak-signal-slot"}
        value, sigma, row = s.snr_db, s.snr_db_sigma, rows.get(s.kind, "weak-signal")
        what = f"weak: {value:.0f} dB over the noise in 2500 Hz"
    return symptom(case, "weak-signal", value, sigma, what, row=row)
