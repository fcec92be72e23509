"""Rules on the tone itself: lines, distortion, noise."""

from __future__ import annotations

from math import inf, sqrt

from sigcheck.judge.explained import (
    clicks_of_others_dbc,
    explained,
    of_echo,
    of_gain_control,
    rounding_lines_dbc,
    rounding_noise_dbc,
)
from sigcheck.judge.ruling import (
    Z95,
    Z_SEEN,
    Case,
    Finding,
    Unseen,
    dbc_below,
    grade,
    ratio,
    same_place,
    symptom,
    with_floor,
)
from sigcheck.judge.shapes import Severity, Symptom
from sigcheck.measure.results import Measurements, Sideband


def of_mains(s: Sideband) -> bool:
    """Whether a sideband belongs to one of the two mains families."""
    return s.family in ("mains", "twice-mains")


def mains_lines(m: Measurements) -> list[Sideband]:
    """Sidebands of both mains families, strongest first; none that a room's echo explains."""
    ours = [s for s in _modulation(m) if of_mains(s) and not of_echo(m, s.offset_hz, s.level_dbc)]
    return sorted(ours, key=lambda s: -s.level_dbc)


def other_lines(m: Measurements) -> list[Sideband]:
    """Sidebands outside the mains families, strongest first; none that something else in the audio explains."""
    tone_hz = m.signal.tone_hz or 0.0
    ours = [
        s
        for s in _modulation(m)
        if not of_mains(s)
        and not explained(m, tone_hz + s.offset_hz, s.level_dbc, pair=s.nature != "single")
        and not of_gain_control(m, s.offset_hz, s.level_dbc, s.nature)
        and not of_echo(m, s.offset_hz, s.level_dbc)
    ]
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
        found = symptom(
            case, "hum-sidebands", top.level_dbc, top.level_dbc_sigma,
            f"sidebands at {top.offset_hz:.0f} Hz, {dbc_below(top.level_dbc)}",
        )  # fmt: skip
        if found is not None:
            return found
    if any(of_mains(s) and of_echo(case.m, s.offset_hz, s.level_dbc) for s in case.m.lines.sidebands):
        return Unseen(_ECHOED)
    blind = [n * mains for n in (1, 2) if mains and any(abs(n * mains - b) < 1.0 for b in case.m.lines.blind_hz)]
    if blind:
        return Unseen(f"the keying or the mains lines themselves hide sidebands at {blind[0]:.0f} Hz")
    missing = case.m.lines.missing.get("sideband_floor_dbc") or case.m.lines.missing.get("sidebands")
    floor = case.m.lines.sideband_floor_dbc
    return with_floor(
        case, "hum-sidebands", None, None, floor if floor is not None or not lines else lines[0].level_dbc,
        missing, str,
    )  # fmt: skip


# A voice is measured clear of the tone and of other signals; in the bins left out there may be as much again.
_VOICE_DB = 6.0
_HUM_DB = 3.0  # all of its lines together over the strongest
_ECHOED = "a room's echo comes back with each element, and in step with it: record through an audio lead"

# Morse so weak is not followed: a dit of 50 ms then holds less than 12 dB over the noise density.
_UNFOLLOWED_DBHZ, _KEYED_WITHIN_HZ = 25.0, 80.0


def _may_be_keying(m: Measurements, s: Sideband) -> bool:
    """Whether a line beside a weak tone may be the keying's own, which was not followed."""
    weak = m.signal.kind == "steady" and (m.signal.cn0_dbhz or 99.0) < _UNFOLLOWED_DBHZ
    return weak and s.offset_hz < _KEYED_WITHIN_HZ


def spur_lines(case: Case) -> Finding:
    lines = case.m.lines
    heard = ("key-down", "always") if case.m.signal.kind == "steady" else ("key-down",)
    candidates: list[tuple[float, float | None, str]] = [
        (s.level_dbc, s.level_dbc_sigma, f"a line {s.offset_hz:.1f} Hz beside the tone")
        for s in other_lines(case.m)
        if not _may_be_keying(case.m, s)
    ]
    candidates += [
        (s.level_dbc, None, f"a line at {s.frequency_hz:.1f} Hz")
        for s in lines.spurs
        if s.when in heard
        and not same_place(s.frequency_hz, lines.others)
        and not explained(case.m, s.frequency_hz, s.level_dbc)
        and not of_gain_control(case.m, abs(s.frequency_hz - (case.m.signal.tone_hz or 0.0)), s.level_dbc, "single")
    ]
    value, sigma, what = max(candidates, key=lambda c: c[0], default=(None, None, ""))
    found = with_floor(
        case, "spur-lines", value, sigma, lines.sideband_floor_dbc,
        lines.missing.get("sideband_floor_dbc"), lambda v: f"{what}, {dbc_below(v)}",
    )  # fmt: skip
    driven = [s for s in lines.sidebands if of_gain_control(case.m, s.offset_hz, s.level_dbc, s.nature)]
    driven = [s for s in driven if not of_mains(s)]
    echoed = [s.level_dbc for s in lines.sidebands if of_echo(case.m, s.offset_hz, s.level_dbc)]
    if found is None and echoed and grade(case.limits["spur-lines"], max(echoed)) is not None:
        return Unseen(_ECHOED)
    if found is None and driven and grade(case.limits["spur-lines"], max(s.level_dbc for s in driven)) is not None:
        return Unseen("lines as slow as the keying may be the gain control's doing: switch it off and record again")
    return found


def harmonic_distortion(case: Case) -> Finding:
    p = case.m.purity
    if p.thd_db is not None and p.thd_db < rounding_lines_dbc(case.m):
        return Unseen(_few_steps(case.m, "harmonics"))
    return with_floor(
        case, "harmonic-distortion", p.thd_db, p.thd_db_sigma, p.thd_floor_db, p.missing.get("thd_db"),
        lambda v: f"audio harmonics of the tone, {dbc_below(v)} together",
    )  # fmt: skip


def _few_steps(m: Measurements, what: str) -> str:
    return f"so few steps of {m.health.bits_used} bits make such {what} themselves: record louder, or with more bits"


def rasp(case: Case) -> Finding:
    """Noise that comes and goes with the key: it must be strong, and rise with the key."""
    p, s = case.m.purity, case.m.signal
    level, rise = case.limits["rasp"], case.limits["rasp-rise"]
    if p.rasp_dbc is None or p.rasp_rise_db is None:
        name = "rasp_dbc" if p.rasp_dbc is None else "rasp_rise_db"
        return Unseen(p.missing.get(name, "not measured"))
    if p.rasp_dbc < rounding_noise_dbc(case.m):
        return Unseen(_few_steps(case.m, "noise"))
    if p.rasp_dbc < clicks_of_others_dbc(case.m):
        return Unseen("another station's keying reaches as far: record again when it is silent, or retune past it")
    if s.kind == "steady" and p.hum_dbc is not None and p.rasp_dbc < p.hum_dbc + _HUM_DB:
        return Unseen("the hum in the audio is as strong, and there is no key-up to tell it by: mend the hum first")
    if p.voice_dbc is not None and p.rasp_dbc < p.voice_dbc + _VOICE_DB:
        return Unseen("the voice or music beside the tone is as strong: record again when it is silent")
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
            f"noise around the tone, {dbc_below(p.rasp_dbc)}, rises {p.rasp_rise_db:.0f} dB with the key "
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


# What a chirp leaves of itself in the phase, however it is taken off: no two elements chirp quite alike.
_CHIRPED_RAD = 0.06
# A chain that clips takes a fifth of the noise's amplitude away, and leaves its angle.
_CLIPPED, _DISTORTED_DB = 0.45, -30.0
# The noise's density is known to half a decibel: amplitude further below it is flattened, angle within it explained.
_LESS_AMPLITUDE, _NO_MORE_ANGLE = 0.93, 1.12
_ANGLE_BAND_HZ = 600.0  # the excess is taken within 300 Hz of the tone


def noisy_tone(case: Case) -> Finding:
    p, k = case.m.purity, case.m.keying
    floor = p.pm_excess_floor_rad
    if floor is None and p.pm_excess_rad_sigma is not None:
        floor = Z_SEEN * p.pm_excess_rad_sigma
    if floor is not None and k.chirp_hz is not None and abs(k.chirp_hz) > _note(case, "chirp"):
        floor = max(floor, _CHIRPED_RAD)
    if floor is not None and _distorted(case):
        floor = max(floor, _CLIPPED * (p.am_percent or 0.0) / 100.0)
    if floor is not None and _clipped(case):
        floor = max(floor, _all_in_the_angle(case.m))
    if floor is not None and p.pm_excess_rad is not None and _flattened(case.m):
        floor = max(floor, p.pm_excess_rad)
    return with_floor(
        case, "noisy-tone", p.pm_excess_rad, p.pm_excess_rad_sigma, floor, p.missing.get("pm_excess_rad"),
        lambda v: f"phase noise of the tone of {v:.3f} rad beyond the additive noise",
    )  # fmt: skip


def _all_in_the_angle(m: Measurements) -> float:
    """Angle, in rad, of all the noise within 300 Hz either way: a hard limiter leaves nothing else of it."""
    if m.signal.snr_db is None:
        return 0.0
    return sqrt(ratio(-m.signal.snr_db) * _ANGLE_BAND_HZ / 2500.0)


def _flattened(m: Measurements) -> bool:
    """Whether a gain control takes from the noise's amplitude, while its angle is what the noise explains.

    Angle over amplitude is then no noise of the tone.
    """
    s, p = m.signal, m.purity
    if s.passband_hz is None or s.tone_hz is None or s.cn0_dbhz is None or p.am_percent is None or p.pm_rad is None:
        return False
    reach_hz = _ANGLE_BAND_HZ / 2
    width_hz = min(s.passband_hz[1], s.tone_hz + reach_hz) - max(s.passband_hz[0], s.tone_hz - reach_hz)
    additive = ratio(-s.cn0_dbhz) * max(width_hz, 0.0) / 2  # half of it in the amplitude, half in the angle
    inside = [b for b in m.lines.sidebands if b.offset_hz < reach_hz]
    am = (p.am_percent / 100.0) ** 2 - sum(b.am_index**2 for b in inside) / 2
    pm = p.pm_rad**2 - sum(b.pm_index_rad**2 for b in inside) / 2
    return am < _LESS_AMPLITUDE * additive and pm < _NO_MORE_ANGLE * additive


def _clipped(case: Case) -> bool:
    return (case.m.health.clipped_fraction or 0.0) > _note(case, "clipped-recording")


def _distorted(case: Case) -> bool:
    thd_db = case.m.purity.thd_db
    return _clipped(case) or (thd_db is not None and thd_db > _DISTORTED_DB)


def _note(case: Case, name: str) -> float:
    limit = case.limits[name]
    note = limit.note if limit.note is not None else limit.fault
    assert note is not None
    return note


def audio_hum(case: Case) -> Finding:
    p, lines = case.m.purity, case.m.lines
    if lines.bus_hz is not None and lines.bus_dbc is not None and lines.bus_dbc > (p.hum_dbc or -inf):
        what = f"a comb of {lines.bus_hz:.0f} Hz in the audio, as of a digital bus, with and without the key"
        found = symptom(case, "audio-hum", lines.bus_dbc, None, f"{what}, {dbc_below(lines.bus_dbc)}")
        if found is not None:
            return found
    where = "" if p.hum_hz is None else f" at {p.hum_hz:.0f} Hz"
    return with_floor(
        case, "audio-hum", p.hum_dbc, p.hum_dbc_sigma, p.hum_floor_dbc, p.missing.get("hum_dbc"),
        lambda v: f"hum in the audio{where}, with and without the key, {dbc_below(v)}",
    )  # fmt: skip


def voice_breakthrough(case: Case) -> Finding:
    p = case.m.purity
    if p.voice_dbc is not None and p.voice_dbc < rounding_noise_dbc(case.m):
        return Unseen(_few_steps(case.m, "sounds"))
    return with_floor(
        case, "voice-breakthrough", p.voice_dbc, None, p.voice_floor_dbc if p.voice_dbc is None else None,
        p.missing.get("voice_dbc"),
        lambda v: f"voice or music on or beside the tone, {dbc_below(v)}",
    )  # fmt: skip
