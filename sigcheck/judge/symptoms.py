"""From measurements to symptoms: one rule for each.

A rule returns the `Symptom`; or `Unseen`, where it could not be looked for, with the reason or
with the level that would have been seen; or None: looked for, and not there.

For all alike: a note needs the estimate beyond the limit, a fault the whole 95 % interval.
Where a quantity is zero in a clean signal and its scatter reaches past the limit, an estimate
beyond the limit says nothing yet: it counts from 2.5 standard deviations (one clean signal in
eighty is then accused, and there are some ten such quantities), below that it is unseen.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from sigcheck.judge.limits import Limit, limits_for
from sigcheck.judge.message import compare
from sigcheck.judge.shapes import Severity, Symptom
from sigcheck.plan import SLOW_MODES, Plan
from sigcheck.quantities import quantity, show

if TYPE_CHECKING:
    from sigcheck.measure.results import Family, Measurements, OtherSignal, Sideband

Z95 = 1.96  # two-sided 95 % of a normal distribution
Z_SEEN = 2.5  # see the module's docstring

# A level with more scatter is no line yet: with 2 dB it lies 10 dB over the noise in its own resolution,
# and of the dozens of places where lines are looked for some do so by chance.
VAGUE_DB = 2.0

SLOW_DIT_S = 0.5  # 2.4 WPM: nobody keys slower by hand or reads it by ear (common practice, no source)

START_SIGMA_S = 0.29  # a start known to the whole second: uniform over it, 1 / sqrt(12)


@dataclass(frozen=True)
class Unseen:
    """A symptom that could not be looked for: the reason, or the level that would have been seen."""

    why: str | float


Finding = Symptom | Unseen | None


@dataclass(frozen=True)
class Case:
    """What the rules look at."""

    m: Measurements
    plan: Plan
    limits: Mapping[str, Limit]

    @property
    def dit_s(self) -> float | None:
        """Length of a dit, as measured, else as planned."""
        if self.m.keying.dit_s:
            return self.m.keying.dit_s
        return self.plan.main.planned_dit_s

    @property
    def slow(self) -> bool:
        """Whether this is one of the slow modes, whose limits go with the dit."""
        if self.m.signal.kind == "shifted" or self.plan.main.keying in SLOW_MODES:
            return True
        measured = self.m.keying.dit_s
        return self.m.signal.kind == "keyed" and measured is not None and measured >= SLOW_DIT_S

    @property
    def mains_hz(self) -> float | None:
        """The mains frequency, as measured, else as planned."""
        measured = self.m.lines.mains_hz or self.m.purity.mains_hz
        return measured if measured is not None else self.plan.mains.hz


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


# ---- what the rules have in common -------------------------------------------------------------


def grade(limit: Limit, value: float, sigma: float | None = None) -> Severity | None:
    """Fault, note or neither, by the rule of the module's docstring."""
    reach = Z95 * (sigma or 0.0) * (-1.0 if limit.direction == "above" else 1.0)
    if limit.fault is not None and limit.beyond(value + reach, limit.fault):
        return "fault"
    if limit.note is not None and limit.beyond(value, limit.note):
        return "note"
    return None


def _symptom(
    case: Case, name: str, value: float, sigma: float | None, text: str, *, row: str | None = None
) -> Symptom | None:
    """The symptom if the value is beyond its limit; ``text`` says what, the limit is added."""
    limit = case.limits[row or name]
    severity = grade(limit, value, sigma)
    if severity is None:
        return None
    bound = limit.note if severity == "note" else limit.fault
    assert bound is not None
    return Symptom(
        id=name, severity=severity, value=value, sigma=sigma, unit=limit.unit, limit=bound,
        text=f"{text} (limit {_bound(name, bound, limit.unit)})",
    )  # fmt: skip


def _bound(name: str, bound: float, unit: str) -> str:
    """A limit as it is written in the table: a round number in the unit in which it is shown."""
    row = quantity(f"symptoms.{name}")
    if unit == row.unit:
        bound, unit = bound * row.scale, row.display_unit
    return f"{bound:g} {unit}".rstrip()


def _with_floor(
    case: Case, name: str, value: float | None, sigma: float | None, floor: float | None,
    missing: str | None, text: Callable[[float], str], *, row: str | None = None,
) -> Finding:  # fmt: skip
    """Judge a level below which noise hides everything.

    A level without a value but with a floor was looked for and not found.
    """
    limit = case.limits[row or name]
    first = limit.note if limit.note is not None else limit.fault
    assert first is not None
    hidden = floor is not None and limit.beyond(floor, first)
    if value is None or (hidden and floor is not None and not limit.beyond(value, floor)):
        if floor is None:
            return Unseen(missing or "not measured")
        return Unseen(floor) if hidden else None
    if sigma is not None and limit.unit in ("dB", "dBc") and sigma > VAGUE_DB:
        worst = value + Z95 * sigma
        return Unseen(worst) if limit.beyond(worst, first) else None
    found = _symptom(case, name, value, sigma, text(value), row=row)
    if found is None and hidden and floor is not None:
        return Unseen(floor)
    return found


def _about_zero(
    case: Case, name: str, value: float | None, sigma: float | None, missing: str | None, text: str,
    *, row: str | None = None,
) -> Finding:  # fmt: skip
    """Judge the size of a quantity that is zero in a clean signal."""
    floor = None if sigma is None else Z_SEEN * sigma
    size = None if value is None else abs(value)
    if size is None:
        return Unseen(missing or "not measured")
    return _with_floor(case, name, size, sigma, floor, missing, lambda _: text, row=row)


def ratio(level_db: float) -> float:
    """Power ratio of a level in dB; kept within what a float holds."""
    return float(10.0 ** (min(max(level_db, -300.0), 300.0) / 10.0))


def _dbc_below(value: float) -> str:
    return f"{abs(value):.0f} dB {'below' if value <= 0 else 'above'} the tone"


# ---- purity ------------------------------------------------------------------------------------


def mains_lines(m: Measurements) -> list[Sideband]:
    """Sidebands of both mains families, strongest first."""
    ours = [s for s in _modulation(m) if s.family in ("mains", "twice-mains")]
    return sorted(ours, key=lambda s: -s.level_dbc)


def other_lines(m: Measurements) -> list[Sideband]:
    """Sidebands outside the mains families, strongest first."""
    ours = [s for s in _modulation(m) if s.family not in ("mains", "twice-mains")]
    return sorted(ours, key=lambda s: -s.level_dbc)


def _modulation(m: Measurements) -> list[Sideband]:
    """Sidebands but those that lie on an audio harmonic of the tone: f + n f is harmonic n + 1."""
    tone_hz = m.signal.tone_hz
    beside = [s for s in m.lines.sidebands if s.offset_hz > 0]
    if not tone_hz:
        return beside
    return [s for s in beside if abs(s.offset_hz - max(round(s.offset_hz / tone_hz), 1) * tone_hz) > 1.0]


def hum_sidebands(case: Case) -> Finding:
    lines, mains = mains_lines(case.m), case.mains_hz
    if lines:
        top = lines[0]
        found = _symptom(
            case, "hum-sidebands", top.level_dbc, top.level_dbc_sigma,
            f"sidebands at {top.offset_hz:.0f} Hz, {_dbc_below(top.level_dbc)}",
        )  # fmt: skip
        if found is not None:
            return found
    blind = [n * mains for n in (1, 2) if mains and any(abs(n * mains - b) < 1.0 for b in case.m.lines.blind_hz)]
    if blind:
        return Unseen(f"the keying or the mains lines themselves hide sidebands at {blind[0]:.0f} Hz")
    missing = case.m.lines.missing.get("sideband_floor_dbc") or case.m.lines.missing.get("sidebands")
    floor = case.m.lines.sideband_floor_dbc
    return _with_floor(
        case, "hum-sidebands", None, None, floor if floor is not None or not lines else lines[0].level_dbc,
        missing, str,
    )  # fmt: skip


def spur_lines(case: Case) -> Finding:
    lines = case.m.lines
    heard = ("key-down", "always") if case.m.signal.kind == "steady" else ("key-down",)
    candidates: list[tuple[float, float | None, str]] = [
        (s.level_dbc, s.level_dbc_sigma, f"a line {s.offset_hz:.1f} Hz beside the tone") for s in other_lines(case.m)
    ]
    candidates += [
        (s.level_dbc, None, f"a line at {s.frequency_hz:.1f} Hz")
        for s in lines.spurs
        if s.when in heard and not _same_place(s.frequency_hz, lines.others)
    ]
    value, sigma, what = max(candidates, key=lambda c: c[0], default=(None, None, ""))
    return _with_floor(
        case, "spur-lines", value, sigma, lines.sideband_floor_dbc,
        lines.missing.get("sideband_floor_dbc"), lambda v: f"{what}, {_dbc_below(v)}",
    )  # fmt: skip


def _same_place(frequency_hz: float, others: tuple[OtherSignal, ...]) -> bool:
    return any(abs(frequency_hz - o.frequency_hz) < 3.0 for o in others)


def harmonic_distortion(case: Case) -> Finding:
    p = case.m.purity
    return _with_floor(
        case, "harmonic-distortion", p.thd_db, p.thd_db_sigma, p.thd_floor_db, p.missing.get("thd_db"),
        lambda v: f"audio harmonics of the tone, {_dbc_below(v)} together",
    )  # fmt: skip


def rasp(case: Case) -> Finding:
    """Noise that comes and goes with the key: it must be strong, and rise with the key."""
    p, s = case.m.purity, case.m.signal
    level, rise = case.limits["rasp"], case.limits["rasp-rise"]
    if p.rasp_dbc is None or p.rasp_rise_db is None:
        name = "rasp_dbc" if p.rasp_dbc is None else "rasp_rise_db"
        return Unseen(p.missing.get(name, "not measured"))
    extra_db = 0.0
    if s.kind == "steady":
        width_hz = s.passband_hz[1] - s.passband_hz[0] if s.passband_hz else 0.0
        if not _has_key_up(case) and width_hz < 1500.0:
            return Unseen("a steady tone in a narrow passband: the noise without the tone is not heard")
        extra_db = 1.0  # noise far from the tone stands in for noise at key-up: the passband is not flat
    assert level.note is not None and level.fault is not None
    assert rise.note is not None and rise.fault is not None
    rise_db, rise_sigma = p.rasp_rise_db - extra_db, p.rasp_rise_db_sigma or 0.0
    background_dbc = p.rasp_dbc - p.rasp_rise_db
    needed_db = max(rise.note, Z_SEEN * rise_sigma)
    if p.rasp_dbc > level.note and rise_db > needed_db:
        steep = rise_db - Z95 * rise_sigma > rise.fault
        strong = p.rasp_dbc - Z95 * (p.rasp_dbc_sigma or 0.0) > level.fault
        severity: Severity = "fault" if steep and strong else "note"
        bound = level.fault if severity == "fault" else level.note
        bound_rise = (rise.fault if severity == "fault" else rise.note) + extra_db
        text = (
            f"noise around the tone, {_dbc_below(p.rasp_dbc)}, rises {p.rasp_rise_db:.0f} dB with the key "
            f"(limits {bound:.0f} dBc and {bound_rise:.0f} dB)"
        )
        return Symptom(
            id="rasp",
            severity=severity,
            value=p.rasp_dbc,
            sigma=p.rasp_dbc_sigma,
            unit=level.unit,
            limit=bound,
            text=text,
        )
    seen_dbc = background_dbc + needed_db + extra_db
    return Unseen(seen_dbc) if seen_dbc > level.note else None


def _has_key_up(case: Case) -> bool:
    """Whether a second or more without the signal belongs to the recording."""
    present = case.m.signal.present_s
    return present is not None and case.m.duration_s - (present[1] - present[0]) >= 1.0


def noisy_tone(case: Case) -> Finding:
    p = case.m.purity
    floor = p.pm_excess_floor_rad
    if floor is None and p.pm_excess_rad_sigma is not None:
        floor = Z_SEEN * p.pm_excess_rad_sigma
    return _with_floor(
        case, "noisy-tone", p.pm_excess_rad, p.pm_excess_rad_sigma, floor, p.missing.get("pm_excess_rad"),
        lambda v: f"phase noise of the tone of {v:.3f} rad beyond the additive noise",
    )  # fmt: skip


def audio_hum(case: Case) -> Finding:
    p = case.m.purity
    where = "" if p.hum_hz is None else f" at {p.hum_hz:.0f} Hz"
    return _with_floor(
        case, "audio-hum", p.hum_dbc, p.hum_dbc_sigma, p.hum_floor_dbc, p.missing.get("hum_dbc"),
        lambda v: f"hum in the audio{where}, with and without the key, {_dbc_below(v)}",
    )  # fmt: skip


def voice_breakthrough(case: Case) -> Finding:
    p = case.m.purity
    return _with_floor(
        case, "voice-breakthrough", p.voice_dbc, None, None, p.missing.get("voice_dbc"),
        lambda v: f"voice or music on or beside the tone, {_dbc_below(v)}",
    )  # fmt: skip


# ---- keying ------------------------------------------------------------------------------------


def key_clicks(case: Case) -> Finding:
    k, row = case.m.keying, case.limits["key-clicks"]
    edges = [(e, s) for e, s in ((k.rise_s, k.rise_s_sigma), (k.fall_s, k.fall_s_sigma)) if e is not None]
    if not edges:
        return Unseen(_reason(k, "rise_s"))
    if k.rise_limit_s is not None and k.rise_limit_s > 2e-3:
        return Unseen(f"the passband alone makes edges of {1e3 * k.rise_limit_s:.1f} ms")
    assert row.note is not None and row.fault is not None
    value, sigma = min(edges, key=lambda edge: edge[0])
    # Usual edges are 5 ms; scatter that reaches from there to the limit would accuse clean keying.
    reach = Z95 * (sigma or 0.0)
    if sigma is not None and Z_SEEN * sigma > 5e-3 - row.note and value + reach > row.note:
        seen = row.note - reach
        return Unseen(seen if seen > 0 else f"noise leaves the edges uncertain by {1e3 * sigma:.0f} ms")
    fault_s = max(row.fault, 1.2 * (k.rise_limit_s or 0.0))
    own = Case(case.m, case.plan, {**case.limits, "key-clicks": replace(row, fault=fault_s)})
    edge = "rise" if k.rise_s == value else "fall"
    return _symptom(own, "key-clicks", value, sigma, f"hard edges: the {edge} takes {1e3 * value:.1f} ms")


def slow_keying(case: Case) -> Finding:
    k, dit_s = case.m.keying, case.dit_s
    edges = [(e, s) for e, s in ((k.rise_s, k.rise_s_sigma), (k.fall_s, k.fall_s_sigma)) if e is not None]
    if not edges or dit_s is None:
        return Unseen(_reason(k, "rise_s" if not edges else "dit_s"))
    raw, raw_sigma = max(edges, key=lambda edge: edge[0])
    # Rise times of cascaded stages add as squares.
    own = math.sqrt(max(raw**2 - (k.rise_limit_s or 0.0) ** 2, 0.0))
    sigma = None if raw_sigma is None else raw_sigma * min(raw / own if own > 0 else 1.0, 3.0) / dit_s
    name = "rise" if k.rise_s == raw else "fall"
    text = f"soft edges: the {name} takes {1e3 * own:.0f} ms of a dit of {1e3 * dit_s:.0f} ms"
    return _about_zero(case, "slow-keying", own / dit_s, sigma, None, text)


def chirp(case: Case) -> Finding:
    k = case.m.keying
    if k.chirp_hz is None:
        return Unseen(_reason(k, "chirp_hz"))
    if not case.slow:
        text = f"chirp: each element starts {abs(k.chirp_hz):.1f} Hz {'high' if k.chirp_hz > 0 else 'low'}"
        return _about_zero(case, "chirp", k.chirp_hz, k.chirp_hz_sigma, None, text)
    if case.dit_s is None:
        return Unseen("the dit of this slow mode is not known")
    shift_hz = case.plan.main.shift_hz
    scale_hz = min([1.0 / case.dit_s] + ([shift_hz] if shift_hz else []))
    sigma = None if k.chirp_hz_sigma is None else k.chirp_hz_sigma / scale_hz
    share = k.chirp_hz / scale_hz
    text = f"chirp of {abs(k.chirp_hz):.2f} Hz, {abs(share):.2f} of what this slow mode resolves"
    return _about_zero(case, "chirp", share, sigma, None, text, row="chirp-slow")


def backwave(case: Case) -> Finding:
    k = case.m.keying
    if k.backwave_db is not None and case.plan.receiver.gain_control and case.m.bursts.gain_recovery_db is None:
        return Unseen("the gain control was on, and the noise does not tell how far it opened at key-up")
    return _with_floor(
        case, "backwave", k.backwave_db, k.backwave_db_sigma, k.backwave_floor_db, _reason(k, "backwave_db"),
        lambda v: f"backwave: the tone stays at key-up, {abs(v):.0f} dB weaker",
    )  # fmt: skip


def overshoot(case: Case) -> Finding:
    k = case.m.keying
    peak_db = None if k.overshoot_db is None else max(k.overshoot_db, 0.0)
    return _about_zero(
        case, "overshoot", peak_db, k.overshoot_db_sigma, _reason(k, "overshoot_db"),
        f"elements start {k.overshoot_db or 0.0:.1f} dB above their settled level",
    )  # fmt: skip


def keying_timing(case: Case) -> Finding:
    """Scatter or ratio; a fault only where the copy suffers."""
    k = case.m.keying
    if k.element_jitter is None and k.dah_dit_ratio is None:
        return Unseen(_reason(k, "element_jitter"))
    off = None if k.dah_dit_ratio is None else k.dah_dit_ratio - 3.0
    scatter = _about_zero(
        case, "keying-timing", k.element_jitter, k.element_jitter_sigma, _reason(k, "element_jitter"),
        f"element lengths scatter by {100 * (k.element_jitter or 0):.0f} %",
    )  # fmt: skip
    ratio = _about_zero(
        case, "keying-timing", off, k.dah_dit_ratio_sigma, _reason(k, "dah_dit_ratio"),
        f"a dah lasts {k.dah_dit_ratio or 0:.2f} dits instead of 3", row="keying-ratio",
    )  # fmt: skip
    found = [f for f in (scatter, ratio) if isinstance(f, Symptom)]
    if not found:
        return scatter if isinstance(scatter, Unseen) else ratio
    worst = min(found, key=lambda f: f.severity != "fault")
    suffers = case.limits["copy-suffers"]
    spoilt = k.text_confidence is not None and grade(suffers, k.text_confidence) == "fault"
    if worst.severity == "note" or spoilt:
        return worst
    row = case.limits["keying-timing" if worst is scatter else "keying-ratio"]
    if row.note is None:
        return None
    text = f"{worst.text.partition(' (limit')[0]}, though the copy does not suffer (limit {row.note:g})"
    return replace(worst, severity="note", limit=row.note, text=text)


# ---- frequency ---------------------------------------------------------------------------------


def drift(case: Case) -> Finding:
    d = case.m.drift
    if case.m.signal.kind == "four-tone":
        text = f"drifts {d.total_hz or 0:+.2f} Hz over the transmission"
        return _about_zero(case, "drift", d.total_hz, d.total_hz_sigma, _reason(d, "total_hz"), text, row="drift-slot")
    rate, sigma = d.rate_hz_per_min, d.rate_hz_per_min_sigma
    if rate is None:
        return Unseen(_reason(d, "rate_hz_per_min"))
    if not case.slow:
        return _about_zero(case, "drift", rate, sigma, None, f"drifts {rate:+.1f} Hz/min")
    if case.dit_s is None:
        return Unseen("the dit of this slow mode is not known")
    # Change over one dit, (rate / 60) dit, against the 1/dit that a dit resolves.
    scale = case.dit_s**2 / 60.0
    text = f"drifts {rate:+.2f} Hz/min, {abs(rate) * scale:.1f} of what a dit resolves"
    return _about_zero(
        case, "drift", rate * scale, None if sigma is None else sigma * scale, None, text, row="drift-slow"
    )


def frequency_jumps(case: Case) -> Finding:
    d = case.m.drift
    if d.steps:
        top = max(d.steps, key=lambda s: abs(s.size_hz))
        many = f"{len(d.steps)} frequency jumps, the largest" if len(d.steps) > 1 else "a frequency jump"
        text = f"{many} {abs(top.size_hz):.1f} Hz"
        return _about_zero(case, "frequency-jumps", top.size_hz, top.size_hz_sigma, None, text)
    return None if d.model is not None else Unseen(_reason(d, "model"))


def frequency_wobble(case: Case) -> Finding:
    d = case.m.drift
    if d.cycle_peak_hz is None:
        return None if d.model is not None else Unseen(_reason(d, "model"))
    period = "" if d.cycle_s is None else f" every {d.cycle_s:.0f} s"
    text = f"the frequency swings {d.cycle_peak_hz:.1f} Hz either way{period}"
    return _about_zero(case, "frequency-wobble", d.cycle_peak_hz, d.cycle_peak_hz_sigma, None, text)


# ---- band, path, recorder ----------------------------------------------------------------------


def other_signal(case: Case) -> Finding:
    lines, band = case.m.lines, case.m.signal.passband_hz
    candidates = [(o.level_dbc, f"{'a keyed signal' if o.keyed else 'a carrier'} at {o.frequency_hz:.0f} Hz")
                  for o in lines.others]  # fmt: skip
    if case.m.signal.kind != "steady":  # there a steady line is a spur or another carrier: spur-lines has it
        candidates += [
            (s.level_dbc, f"a carrier at {s.frequency_hz:.0f} Hz")
            for s in lines.spurs
            if s.when != "key-down"
            and (band is None or band[0] <= s.frequency_hz <= band[1])
            and not _same_place(s.frequency_hz, lines.others)
        ]
    level, what = max(candidates, default=(None, ""))
    return _with_floor(
        case, "other-signal", level, None, lines.other_floor_dbc, lines.missing.get("other_floor_dbc"),
        lambda v: f"another signal in the passband: {what}, {_dbc_below(v)}",
    )  # fmt: skip


def noise_bursts(case: Case) -> Finding:
    b, level, time = case.m.bursts, case.limits["noise-bursts"], case.limits["noise-bursts-time"]
    if b.burst_time_fraction is None:
        return Unseen(_reason(b, "burst_time_fraction"))
    if grade(time, b.burst_time_fraction) is None:
        return None  # too seldom, however strong; where there are none they have no level either
    if b.burst_over_floor_db is None:
        return Unseen(_reason(b, "burst_over_floor_db"))
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
        return Unseen(_reason(h, "clipped_fraction"))
    text = f"{show('symptoms.clipped-recording', h.clipped_fraction)} of the key-down samples at the rails"
    return _symptom(case, "clipped-recording", h.clipped_fraction, None, text)


def dropouts(case: Case) -> Finding:
    h = case.m.health
    if h.silent_fraction is not None and h.silent_fraction > 0.99:
        return Unseen("the recording is silent throughout")
    count, lost_s = len(h.dropouts), sum(d.length_s for d in h.dropouts)
    text = f"{count} gap{'s' if count > 1 else ''} in the recording, {1e3 * lost_s:.0f} ms together"
    return _symptom(case, "dropouts", float(count), None, text)


def fading(case: Case) -> Finding:
    s, row = case.m.signal, case.limits["fading"]
    if s.level_range_db is None:
        return Unseen(_reason(s, "level_range_db"))
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
    return _symptom(case, "fading", range_db, None, f"the level swings {range_db:.0f} dB")


def weak_signal(case: Case) -> Finding:
    s = case.m.signal
    if case.slow:
        if s.cn0_dbhz is None or case.dit_s is None:
            return Unseen(_reason(s, "cn0_dbhz"))
        value, sigma, row = s.cn0_dbhz + 10.0 * math.log10(case.dit_s), s.cn0_dbhz_sigma, "weak-signal-slow"
        what = f"weak: the energy of a dit is {value:.0f} dB over the noise density"
    else:
        if s.snr_db is None:
            return Unseen(_reason(s, "snr_db"))
        rows = {"steady": "weak-signal-steady", "four-tone": "weak-signal-slot"}
        value, sigma, row = s.snr_db, s.snr_db_sigma, rows.get(s.kind, "weak-signal")
        what = f"weak: {value:.0f} dB over the noise in 2500 Hz"
    return _symptom(case, "weak-signal", value, sigma, what, row=row)


# ---- against the plan --------------------------------------------------------------------------


def off_frequency(case: Case) -> Finding:
    s, plan = case.m.signal, case.plan
    if plan.carrier.hz is None or plan.receiver.dial_hz is None or plan.receiver.sideband is None:
        return Unseen("the plan does not give the carrier, the dial and the sideband")
    if s.tone_hz is None:
        return Unseen(_reason(s, "tone_hz"))
    # A receiver whose reference runs high listens as much higher than its dial says. A recorder that
    # takes too many samples a second makes the tone read too low.
    dial_ppm, dial_sigma = plan.receiver.dial_error()
    rate_ppm, rate_sigma = plan.recorder.rate_error()
    sign = 1.0 if plan.receiver.sideband == "usb" else -1.0
    dial_hz = plan.receiver.dial_hz
    carrier_hz = dial_hz * (1.0 + 1e-6 * dial_ppm) + sign * s.tone_hz * (1.0 + 1e-6 * rate_ppm)
    sigma_hz = math.hypot(s.tone_hz_sigma or 0.0, 1e-6 * dial_hz * dial_sigma, 1e-6 * s.tone_hz * rate_sigma)
    error_hz = carrier_hz - plan.carrier.hz
    text = f"on the air {error_hz:+.0f} Hz off the planned frequency"
    return _signed(_about_zero(case, "off-frequency", error_hz, sigma_hz, None, text), error_hz)


def _signed(found: Finding, value: float) -> Finding:
    """The symptom with the sign that `_about_zero` took off."""
    return replace(found, value=value) if isinstance(found, Symptom) else found


def off_time(case: Case) -> Finding:
    start_utc, repeat_s = case.plan.recorder.start_utc, case.plan.timing.repeat_s
    present = case.m.signal.present_s
    if start_utc is None or repeat_s is None:
        return Unseen("the plan does not give the recording's start and the transmission's period")
    if present is None:
        return Unseen(_reason(case.m.signal, "present_s"))
    # Only a transmission that is seen to begin has a start: there must be more quiet before it
    # than between two words (seven dits).
    quiet_s = max(1.0, 10.0 * (case.dit_s or 0.0))
    if present[0] < quiet_s:
        return Unseen("the recording does not show the beginning of a transmission")
    of_hour_s = 60.0 * start_utc.minute + start_utc.second + 1e-6 * start_utc.microsecond + present[0]
    late_s = of_hour_s - (case.plan.timing.after_s or 0.0)
    late_s = (late_s + repeat_s / 2) % repeat_s - repeat_s / 2
    known_s = case.plan.recorder.start_utc_sigma_s
    sigma_s = START_SIGMA_S if known_s is None else known_s
    text = f"starts {abs(late_s):.2f} s {'late' if late_s > 0 else 'early'}"
    return _signed(_about_zero(case, "off-time", late_s, sigma_s, None, text), late_s)


def off_speed(case: Case) -> Finding:
    k, wanted_dit_s = case.m.keying, case.plan.main.planned_dit_s
    if wanted_dit_s is None:
        return Unseen("the plan does not give a speed")
    if k.wpm is None:
        return Unseen(_reason(k, "wpm"))
    wanted = 1.2 / wanted_dit_s  # PARIS: 50 dits a word
    off = k.wpm / wanted - 1.0
    sigma = None if k.wpm_sigma is None else k.wpm_sigma / wanted
    text = f"sent at {k.wpm:.3g} WPM, {100 * off:+.0f} % off the planned speed"
    return _signed(_about_zero(case, "off-speed", off, sigma, None, text), off)


def off_shift(case: Case) -> Finding:
    if case.plan.main.shift_hz is None:
        return Unseen("the plan does not give a shift")
    return Unseen("the shift of this signal was not measured")


def wrong_message(case: Case) -> Finding:
    k, sent, row = case.m.keying, case.plan.main.text, case.limits["wrong-message"]
    if not sent:
        return Unseen("the plan does not give a text")
    if not k.text:
        return Unseen(_reason(k, "text"))
    result = compare(k.text, k.character_confidence, k.text_confidence, sent)
    if result is None:
        return Unseen("too few characters were copied")
    count, probability = result
    if grade(row, probability) is None:
        return None
    places = "one place" if count == 1 else f"{count} places"
    text = f"the copied text differs from the planned one in {places}, more than noise explains (limit 0)"
    return Symptom(
        id="wrong-message",
        severity="fault",
        value=float(count),
        sigma=None,
        unit="",
        limit=0.0,
        text=text,
    )


def _reason(family: Family, name: str) -> str:
    return str(family.missing.get(name, "not measured"))


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
