"""The quantity that each symptom is judged by, found or not, so that two recordings can be compared.

A symptom says only on which side of a limit something lies. A reading says how much of it there
was, how sure that is, and where there was none, from what size on it would have been seen.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from sigcheck.judge.limits import LIMITS, limits_for
from sigcheck.judge.rules_tone import mains_lines, other_lines
from sigcheck.judge.ruling import VAGUE_DB, Z95, Z_SEEN, Case
from sigcheck.judge.shapes import Symptom
from sigcheck.measure.results import Measurements
from sigcheck.plan import Plan

Scale = Literal["level", "size", "shortness"]
"""How much of it there is: a level in dB; a size, where twice as much is 6 dB; a shortness (edges)."""

PUTTING_BACK_DB = 2.0  # what moving and reconnecting things changes by itself (common practice, no source)
PUTTING_BACK_SHARE = 0.1  # ... of hertz, seconds and shares (common practice, no source)

# What temperature, weather and time of day make differs by itself (common practice, no source).
NATURE_SHARE = 0.4

# A skirt is strongest next to the tone, so most of its power is slow: a recording holds it a few times only.
SKIRT_DB = 4.0

# Of a line whose scatter is not stated: other stations and wandering lines vary by so much from one
# stretch of time to the next (judgement).
UNSTATED_DB = 1.5
OTHERS_DB = 2.0  # just under what is too vague to be a line

DB_PER_SHARE = 20.0 / math.log(10.0)  # a relative change of a size, in dB
_SMALLEST = 1e-9


@dataclass(frozen=True, kw_only=True)
class Reading:
    """How much of one symptom's quantity a recording has.

    ``value`` None: it was looked for and would have been seen from ``floor`` on, or, where that is
    None too, it was not measured for the reason in ``why``. All in the quantity's stored unit.
    """

    value: float | None = None
    sigma: float | None = None
    floor: float | None = None
    why: str | None = None

    @property
    def looked_for(self) -> bool:
        """Whether the recording says anything about it."""
        return self.value is not None or self.floor is not None


@dataclass(frozen=True, kw_only=True)
class Shift:
    """The change from one reading to another, in dB of how much of it there is.

    ``db`` is a bound where one of the two was not seen: at most so much, or at least.
    """

    db: float
    sigma_db: float
    holds: Literal["exactly", "at most", "at least"] = "exactly"

    @property
    def is_clear(self) -> bool:
        """More than the scatter of both and of putting things back."""
        return self.fell or self.rose

    @property
    def fell(self) -> bool:
        """Clearly less than before."""
        return self.holds != "at least" and self.db < -2.0 * self.sigma_db

    @property
    def rose(self) -> bool:
        """Clearly more than before."""
        return self.holds != "at most" and self.db > 2.0 * self.sigma_db


    @property
    def stands_out(self) -> bool:
        """Beyond three standard deviations: enough where several marks are looked at together."""
        away = max(-self.db, 0.0) if self.holds == "at most" else max(self.db, 0.0)
        return (abs(self.db) if self.holds == "exactly" else away) > 3.0 * self.sigma_db


@dataclass(frozen=True, kw_only=True)
class Mark:
    """How a symptom's quantity is read and on which scale it changes."""

    scale: Scale
    read: Callable[[Case], Reading] | None = None
    share: float = PUTTING_BACK_SHARE  # of a size: what it changes by itself from one recording to the next
    level_db: float = PUTTING_BACK_DB  # of a level: likewise


def read_all(
    m: Measurements, plan: Plan, symptoms: tuple[Symptom, ...], not_measured: Mapping[str, float | str]
) -> dict[str, Reading]:
    """The readings of all symptoms of one recording."""
    case = Case(m, plan, limits_for(plan.limits))
    found = {s.id: s for s in symptoms}
    return {name: _reading(name, case, found.get(name), not_measured.get(f"symptoms.{name}")) for name in MARKS}


def shift(name: str, before: Reading, after: Reading) -> Shift | None:
    """What became of a symptom's quantity; None where the two say nothing about it."""
    if before.value is None and after.value is None:
        return None
    scale = MARKS[name].scale
    one, two = (_in_db(r, scale) for r in (before, after))
    if one is None or two is None:
        return None
    holds: Literal["exactly", "at most", "at least"] = "exactly"
    if after.value is None:
        holds = "at most"
    elif before.value is None:
        holds = "at least"
    back_db = MARKS[name].level_db if scale == "level" else DB_PER_SHARE * MARKS[name].share
    # Two standard deviations of the whole are then 2 dB, or 10 %, where both are known exactly.
    return Shift(db=two[0] - one[0], sigma_db=math.hypot(one[1], two[1], 0.5 * back_db), holds=holds)


def _in_db(reading: Reading, scale: Scale) -> tuple[float, float] | None:
    """Value (or the floor) and its sigma in dB."""
    value = reading.value if reading.value is not None else reading.floor
    if value is None:
        return None
    sigma = (reading.sigma or 0.0) if reading.value is not None else 0.0
    if scale == "level":
        return value, sigma
    size = max(abs(value), _SMALLEST)
    db = 20.0 * math.log10(size) * (-1.0 if scale == "shortness" else 1.0)
    return db, DB_PER_SHARE * min(sigma / size, 1.0)


# ---- reading -----------------------------------------------------------------------------------


def _reading(name: str, case: Case, found: Symptom | None, unseen: float | str | None) -> Reading:
    read = MARKS[name].read
    if isinstance(unseen, str):
        return Reading(why=unseen)
    own = Reading() if read is None else read(case)
    if found is not None and own.value is None:
        size = found.value if MARKS[name].scale == "level" else abs(found.value)
        own = Reading(value=size, sigma=found.sigma, floor=own.floor)
    if unseen is not None and not own.looked_for:
        own = Reading(floor=unseen)
    if own.looked_for or own.why:
        return own
    # Looked for and absent, with nothing more known: it would have been seen from its limit on.
    limit = case.limits[name]
    return Reading(floor=limit.note if limit.note is not None else limit.fault)


def _level(value: float | None, sigma: float | None, floor: float | None) -> Reading:
    """A level over noise; one that is too vague to be a line is none."""
    if value is not None and sigma is not None and sigma > VAGUE_DB:
        return Reading(floor=value + Z95 * sigma)
    if value is not None and floor is not None and value < floor:
        return Reading(floor=floor)
    return Reading(value=value, sigma=sigma, floor=floor)


def _about_zero(value: float | None, sigma: float | None, floor: float | None = None) -> Reading:
    """The size of a quantity that is zero in a clean signal: seen from some standard deviations on."""
    if value is None:
        return Reading(floor=floor)
    least = max(Z_SEEN * (sigma or 0.0), floor or 0.0)
    if abs(value) <= least:
        return Reading(floor=max(least, abs(value)))
    return Reading(value=abs(value), sigma=sigma, floor=least or None)


def _hum_sidebands(case: Case) -> Reading:
    lines = mains_lines(case.m)
    if not lines:
        return _level(None, None, case.m.lines.sideband_floor_dbc)
    return _level(lines[0].level_dbc, lines[0].level_dbc_sigma, None)


def _spur_lines(case: Case) -> Reading:
    heard = ("key-down", "always") if case.m.signal.kind == "steady" else ("key-down",)
    levels: list[tuple[float, float | None]] = [(s.level_dbc, s.level_dbc_sigma) for s in other_lines(case.m)]
    levels += [(s.level_dbc, UNSTATED_DB) for s in case.m.lines.spurs if s.when in heard]
    if not levels:
        return _level(None, None, case.m.lines.sideband_floor_dbc)
    level, sigma = max(levels, key=lambda line: line[0])
    return _level(level, sigma, None)


def _rasp(case: Case) -> Reading:
    """The noise that comes with the key alone: what is left of it without the noise that stays."""
    p = case.m.purity
    if p.rasp_dbc is None or p.rasp_rise_db is None:
        return Reading()
    extra_db = 1.0 if case.m.signal.kind == "steady" else 0.0
    rise_db, rise_sigma = p.rasp_rise_db - extra_db, p.rasp_rise_db_sigma or 0.0
    stays_dbc = p.rasp_dbc - rise_db
    needed_db = max(1.0, Z_SEEN * rise_sigma)
    if rise_db < needed_db:
        return Reading(floor=stays_dbc + _power_less_one_db(needed_db))
    value = stays_dbc + _power_less_one_db(rise_db)
    # d(own)/d(rise) with the noise at key-down given: the share of what stays in what is left.
    weight = 1.0 / (10.0 ** (min(rise_db, 100.0) / 10.0) - 1.0)
    return Reading(value=value, sigma=math.hypot(p.rasp_dbc_sigma or 0.0, weight * rise_sigma))


def _power_less_one_db(rise_db: float) -> float:
    """10 log(10^(rise / 10) - 1)."""
    return 10.0 * math.log10(10.0 ** (min(max(rise_db, 0.1), 200.0) / 10.0) - 1.0)


def _key_clicks(case: Case) -> Reading:
    k = case.m.keying
    edges = [(e, s) for e, s in ((k.rise_s, k.rise_s_sigma), (k.fall_s, k.fall_s_sigma)) if e is not None and e > 0]
    value, sigma = min(edges, key=lambda edge: edge[0], default=(None, None))
    return Reading(value=value, sigma=sigma)


def _slow_keying(case: Case) -> Reading:
    k, dit_s = case.m.keying, case.dit_s
    edges = [(e, s) for e, s in ((k.rise_s, k.rise_s_sigma), (k.fall_s, k.fall_s_sigma)) if e is not None]
    if not edges or not dit_s:
        return Reading()
    raw, sigma = max(edges, key=lambda edge: edge[0])
    own = math.sqrt(max(raw**2 - (k.rise_limit_s or 0.0) ** 2, 0.0))
    return _about_zero(own / dit_s, None if sigma is None else sigma / dit_s, 0.05)


def _overshoot(case: Case) -> Reading:
    """As the share by which the peak exceeds the settled amplitude."""
    k = case.m.keying
    if k.overshoot_db is None:
        return Reading()
    ratio = 10.0 ** (min(max(k.overshoot_db, 0.0), 100.0) / 20.0)
    return _about_zero(ratio - 1.0, ratio / DB_PER_SHARE * (k.overshoot_db_sigma or 0.0), 0.05)


def _keying_timing(case: Case) -> Reading:
    """Scatter or ratio, whichever is worse, in units of its limit."""
    k = case.m.keying
    rows = (
        ("keying-timing", k.element_jitter, k.element_jitter_sigma),
        ("keying-ratio", None if k.dah_dit_ratio is None else k.dah_dit_ratio - 3.0, k.dah_dit_ratio_sigma),
    )
    worst = Reading()
    for name, value, sigma in rows:
        limit = case.limits[name].note or LIMITS[name].note or 1.0
        if value is not None and abs(value) / limit >= (worst.value or 0.0):
            worst = Reading(value=abs(value) / limit, sigma=None if sigma is None else sigma / limit)
    return _about_zero(worst.value, worst.sigma, None if worst.value is None else 0.25)


def _drift(case: Case) -> Reading:
    d = case.m.drift
    if case.m.signal.kind == "four-tone":
        return _about_zero(d.total_hz, d.total_hz_sigma)
    scale = case.dit_s**2 / 60.0 if case.slow and case.dit_s else 1.0
    rate, sigma = d.rate_hz_per_min, d.rate_hz_per_min_sigma
    if rate is None:
        return Reading()
    return _about_zero(rate * scale, None if sigma is None else sigma * scale)


def _jumps(case: Case) -> Reading:
    steps = case.m.drift.steps
    if not steps:
        return Reading()
    top = max(steps, key=lambda s: abs(s.size_hz))
    found = _about_zero(top.size_hz, top.size_hz_sigma)
    if found.value is None or case.m.drift.equal_steps:
        return found
    # No contact repeats its jump: the largest of a few is uncertain by about its half.
    return Reading(value=found.value, sigma=0.5 * found.value)


def _other_signal(case: Case) -> Reading:
    lines = case.m.lines
    levels = [o.level_dbc for o in lines.others]
    if case.m.signal.kind != "steady":
        levels += [s.level_dbc for s in lines.spurs if s.when != "key-down"]
    return _level(max(levels, default=None), OTHERS_DB, None if levels else lines.other_floor_dbc)


def _bursts(case: Case) -> Reading:
    return Reading(value=case.m.bursts.burst_over_floor_db, sigma=UNSTATED_DB)


def _dropouts(case: Case) -> Reading:
    """Events that come at random: so many, give or take the square root."""
    count = len(case.m.health.dropouts)
    return Reading(value=float(count), sigma=math.sqrt(count)) if count else Reading()


def _weakness(case: Case) -> Reading:
    """How far the carrier lies below the noise in 2500 Hz."""
    snr, sigma = case.m.signal.snr_db, case.m.signal.snr_db_sigma
    return Reading() if snr is None else Reading(value=-snr, sigma=sigma)


def _clipped(case: Case) -> Reading:
    return _about_zero(case.m.health.clipped_fraction, None, 1e-5)


MARKS: Mapping[str, Mark] = {
    "hum-sidebands": Mark(scale="level", read=_hum_sidebands),
    "spur-lines": Mark(scale="level", read=_spur_lines),
    "harmonic-distortion": Mark(
        scale="level", read=lambda c: _level(c.m.purity.thd_db, c.m.purity.thd_db_sigma, c.m.purity.thd_floor_db)
    ),
    "rasp": Mark(scale="level", level_db=SKIRT_DB, read=_rasp),
    "noisy-tone": Mark(
        scale="size",
        share=SKIRT_DB / DB_PER_SHARE,
        read=lambda c: _about_zero(
            c.m.purity.pm_excess_rad, c.m.purity.pm_excess_rad_sigma, c.m.purity.pm_excess_floor_rad
        ),
    ),
    "audio-hum": Mark(
        scale="level", read=lambda c: _level(c.m.purity.hum_dbc, c.m.purity.hum_dbc_sigma, c.m.purity.hum_floor_dbc)
    ),
    "key-clicks": Mark(scale="shortness", read=_key_clicks),
    "slow-keying": Mark(scale="size", read=_slow_keying),
    "chirp": Mark(scale="size", read=lambda c: _about_zero(c.m.keying.chirp_hz, c.m.keying.chirp_hz_sigma)),
    "backwave": Mark(
        scale="level",
        read=lambda c: _level(
            c.m.keying.backwave_db, c.m.keying.backwave_db_sigma, c.m.keying.backwave_floor_db
        ),
    ),
    "overshoot": Mark(scale="size", read=_overshoot),
    "keying-timing": Mark(scale="size", read=_keying_timing),
    "drift": Mark(scale="size", read=_drift, share=NATURE_SHARE),
    "frequency-jumps": Mark(scale="size", read=_jumps),
    "frequency-wobble": Mark(
        scale="size",
        share=NATURE_SHARE,
        read=lambda c: _about_zero(c.m.drift.cycle_peak_hz, c.m.drift.cycle_peak_hz_sigma),
    ),
    "other-signal": Mark(scale="level", read=_other_signal),
    "voice-breakthrough": Mark(scale="level", read=lambda c: _level(c.m.purity.voice_dbc, None, None)),
    "noise-bursts": Mark(scale="level", read=_bursts),
    "clipped-recording": Mark(scale="size", share=1.0, read=_clipped),
    "dropouts": Mark(scale="size", read=_dropouts),
    "fading": Mark(scale="size", share=NATURE_SHARE, read=lambda c: _about_zero(c.m.signal.level_range_db, None)),
    "weak-signal": Mark(scale="level", read=_weakness),
    "off-frequency": Mark(scale="size"),
    "off-time": Mark(scale="size"),
    "off-speed": Mark(scale="size"),
    "off-shift": Mark(scale="size"),
    "wrong-message": Mark(scale="size"),
}  # fmt: skip
"""Every symptom: on which scale, and how it is read; without a way of its own, from the symptom alone."""
