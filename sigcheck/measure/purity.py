"""How clean the tone is while the key is down: distortion, SINAD, residual modulation, skirt, rasp, hum, voice."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.audio.surroundings import FarNoise, Hum, tone_power
from sigcheck.measure.audio.voice import voice
from sigcheck.measure.lines.modulation import Modulation
from sigcheck.measure.results import Lines, Purity
from sigcheck.measure.tone.distortion import Distortion, distortion
from sigcheck.measure.tone.own_noise import HIGH_HZ, LOW_HZ, Skirt, residual, settled_part, skirt
from sigcheck.measure.track import Complex, Track

_RASP_HZ = 500.0
# Nearer to the tone fading, flutter and the oscillator's own noise have their figures; rasp is broad.
_RASP_FROM_HZ, _RASP_FROM_BINS = 50.0, 4.0
_CLIPPED_DB = -30.0  # harmonics from which on the noise's amplitude may be flattened
_ROUNDING = 1e-18  # of the tone's power: less than rounding in 32 bits leaves
_SEEN = 2.5  # standard deviations from which on an excess is one
_LINE_HZ = 12.0  # a supply's switching rate wanders by so much


def purity(
    x: NDArray[np.float32],
    rate_hz: float,
    track: Track,
    m: Modulation | None,
    rest: Complex | None,
    lines: Lines,
    far: FarNoise | None,
    hum: Hum,
) -> Purity:
    """All purity figures of the key-down signal."""
    missing: dict[str, str] = {}
    values: dict[str, object] = {}
    strongest = sorted(lines.others, key=lambda o: -o.level_dbc)[:2]
    heard = voice(track, tone_power(track), tuple(o.frequency_hz for o in strongest))
    values["voice_dbc"], values["voice_floor_dbc"] = heard.dbc, heard.floor_dbc
    if heard.dbc is None:
        missing["voice_dbc"] = heard.reason
    if heard.floor_dbc is None:
        missing["voice_floor_dbc"] = heard.reason
    d = distortion(x, rate_hz, track, lines.others)
    beside: Skirt | None = None
    if m is not None and rest is not None:
        m = settled_part(rest, m)
        beside = skirt(rest, m)
        values["skirt"] = beside.points if beside is not None else ()
        clipped = d is not None and d.thd_db is not None and d.thd_db > _CLIPPED_DB
        _residuals(values, missing, rest, m, lines, far, track, clipped=clipped)
        _rasp(values, missing, beside, m, lines, far, track)
    else:
        why = "no key-down stretch is long enough to measure modulation in"
        for name in (*_MODULATION, *_RASP):
            missing[name] = why
    _distortion_values(values, missing, d, beside, lines)
    values.update(mains_hz=hum.mains_hz or lines.mains_hz)
    values["mains_hz_sigma"] = hum.mains_hz_sigma if hum.mains_hz else lines.mains_hz_sigma
    if values["mains_hz"] is None:
        missing["mains_hz"] = "no line of a mains family was seen"
    values.update(hum_dbc=hum.dbc, hum_dbc_sigma=hum.dbc_sigma, hum_hz=hum.hz, hum_floor_dbc=hum.floor_dbc)
    if hum.dbc is None:
        missing["hum_dbc"] = missing["hum_hz"] = hum.reason
    if hum.floor_dbc is None:
        missing["hum_floor_dbc"] = hum.reason
    return Purity(**values, missing=missing)  # type: ignore[arg-type]


_MODULATION = (
    "am_percent", "pm_rad", "fm_hz", "am_excess_percent", "pm_excess_rad", "pm_excess_floor_rad",
)  # fmt: skip
_RASP = ("rasp_dbc", "rasp_rise_db", "rasp_angle_share")


def _residuals(
    values: dict[str, object],
    missing: dict[str, str],
    rest: Complex,
    m: Modulation,
    lines: Lines,
    far: FarNoise | None,
    track: Track,
    *,
    clipped: bool,
) -> None:
    r = residual(rest, m)
    if r is None:
        for name in _MODULATION:
            missing[name] = "too little settled key-down time between 5 and 300 Hz of modulation rate"
        return
    inside = [b for b in lines.sidebands if LOW_HZ <= b.offset_hz <= HIGH_HZ]
    am_lines = sum(b.am_index**2 / 2 for b in inside)
    pm_lines = sum(b.pm_index_rad**2 / 2 for b in inside)
    fm_lines = sum((b.pm_index_rad * b.offset_hz) ** 2 / 2 for b in inside)
    am, pm = np.sqrt(r.am + am_lines), np.sqrt(r.pm + pm_lines)
    values["am_percent"] = float(100 * am)
    values["am_percent_sigma"] = float(100 * r.am_sigma / (2 * am)) if am > 0 else 0.0
    values["pm_rad"] = float(pm)
    values["pm_rad_sigma"] = float(r.pm_sigma / (2 * pm)) if pm > 0 else 0.0
    values["fm_hz"] = float(np.sqrt(r.fm**2 + fm_lines))
    # another signal so near is on one side of the tone, and then equal in amplitude and angle like noise
    beside = any(abs(o.frequency_hz - track.tone_hz) < HIGH_HZ + 80.0 for o in lines.others)
    density = None if far is None or beside else far.with_bursts(far.additive)
    additive = None if density is None else density * HIGH_HZ / tone_power(track)
    # lines that wander are not taken out to the last, and what is left of them is no noise
    left = sum(b.pm_index_rad**2 / 2 for b in inside if b.family not in ("mains", "twice-mains"))
    near = [o for o in lines.spurs if abs(o.frequency_hz - track.tone_hz) < HIGH_HZ]
    left += sum(10 ** (o.level_dbc / 10) / 2 for o in near)  # one side alone is half angle, half amplitude
    own_sigma, difference = float(np.hypot(r.pm_sigma, left)), float(np.hypot(r.difference_sigma, left))
    pm_excess, pm_sigma, pm_floor = _excess(r.pm, r.am, additive, own_sigma, difference, clipped=clipped)
    am_excess, am_sigma, _ = _excess(r.am, r.pm, additive, r.am_sigma, r.difference_sigma)
    values["pm_excess_rad"], values["pm_excess_rad_sigma"] = pm_excess, pm_sigma
    values["am_excess_percent"], values["am_excess_percent_sigma"] = 100 * am_excess, 100 * am_sigma
    values["pm_excess_floor_rad"] = pm_floor


def _excess(
    own: float,
    other: float,
    additive: float | None,
    own_sigma: float,
    difference_sigma: float,
    *,
    clipped: bool = False,
) -> tuple[float, float, float]:
    """Excess rms of one quadrature over additive noise, its sigma, and the excess that would be hidden.

    Additive noise is equal in both quadratures, so the other one is the measure of it; where that too
    has an excess of its own (2 dB over the noise farther off), the noise farther off is, with 1 dB of doubt.
    So it is where the audio is clipped: that flattens the noise's amplitude and leaves its angle.
    """
    if additive is not None and (other > 1.6 * additive or (clipped and other < 0.8 * additive)):
        variance, sigma_variance = own - 1.26 * additive, float(np.hypot(own_sigma, 0.26 * additive))
    else:
        variance, sigma_variance = own - other, difference_sigma
    floor = float(np.sqrt(_SEEN * sigma_variance))
    excess = float(np.sqrt(max(variance, 0.0)))
    # sigma of a root: linear well above the noise, the floor itself near zero
    sigma = sigma_variance / (2 * excess) if excess > floor else floor / 2
    return excess, float(sigma), floor


def _rasp(
    values: dict[str, object],
    missing: dict[str, str],
    beside: Skirt | None,
    m: Modulation,
    lines: Lines,
    far: FarNoise | None,
    track: Track,
) -> None:
    density = np.zeros(0) if beside is None else beside.density
    if beside is not None:
        inside = np.isfinite(density) & (beside.offset_hz <= _RASP_HZ) & (beside.offset_hz >= LOW_HZ)
        whole = int(inside.sum())
        inside &= beside.offset_hz >= max(_RASP_FROM_HZ, _RASP_FROM_BINS * m.rate_hz / density.size)
        inside &= ~_near_others(beside, lines, track.tone_hz)
    if beside is None or not inside.any():
        for name in _RASP:
            missing[name] = "too little settled key-down time to see the noise beside the tone"
        return
    width = whole * m.rate_hz / density.size  # the bins left out are taken to be like the others
    rasp = float(density[inside].mean()) * width
    if rasp < _ROUNDING:
        for name in _RASP:
            missing[name] = "no noise beside the tone, not even that of the recording's own steps"
        return
    n_independent = max(width * m.seconds, 1.0)
    sigma = 4.343 / np.sqrt(n_independent)
    values["rasp_dbc"], values["rasp_dbc_sigma"] = _db(rasp), float(sigma)
    reference = None
    if far is not None and track.marks.keyed:
        reference = far.with_bursts(far.just_up)
    elif far is not None and track.base.passband_hz[1] - track.base.passband_hz[0] >= 1500.0:
        reference = far.with_bursts(far.down)
    if reference is None or reference <= 0:
        missing["rasp_rise_db"] = (
            "the noise cannot be heard without the tone beside it: leave gaps, or use a filter of 1500 Hz or more"
        )
        missing["rasp_angle_share"] = missing["rasp_rise_db"]
        return
    floor = reference * width / tone_power(track)
    values["rasp_rise_db"] = float(10 * np.log10(max(rasp, 1e-30) / max(floor, 1e-30)))
    values["rasp_rise_db_sigma"] = float(np.hypot(sigma, 1.0))  # the passband's own ripple: about 1 dB
    angle, amplitude = values.get("pm_rad"), values.get("am_percent")
    if rasp > 2 * floor and isinstance(angle, float) and isinstance(amplitude, float):
        additive = reference * HIGH_HZ / tone_power(track)
        pm = max(angle**2 - additive, 0.0)
        am = max((amplitude / 100) ** 2 - additive, 0.0)
        if pm + am > 0:
            values["rasp_angle_share"] = pm / (pm + am)
            return
    missing["rasp_angle_share"] = "no noise beyond the additive floor to divide"


def _near_others(beside: Skirt, lines: Lines, tone_hz: float) -> NDArray[np.bool_]:
    """Bins in which other signals or lines are heard: a keyed one reaches some tens of hertz."""
    upper = np.arange(beside.density.size) < beside.density.size // 2
    at = tone_hz + np.where(upper, beside.offset_hz, -beside.offset_hz)
    out = np.zeros(at.size, bool)
    for o in lines.others:
        out |= np.abs(at - o.frequency_hz) < (80.0 if o.keyed else 25.0)
    # lines that wander are not taken out to the last; mains is followed, and stays in no noise
    width = _LINE_HZ + 2 * float(beside.offset_hz[1])
    wandering = [b.offset_hz for b in lines.sidebands if b.family not in ("mains", "twice-mains")]
    wandering += [abs(spur.frequency_hz - tone_hz) for spur in lines.spurs]
    near_line = np.zeros(at.size, bool)
    for hz in wandering:
        near_line |= np.abs(beside.offset_hz - hz) < width
    return out | near_line if (near_line[beside.offset_hz <= _RASP_HZ]).mean() < 0.6 else out


def _distortion_values(
    values: dict[str, object],
    missing: dict[str, str],
    d: Distortion | None,
    beside: Skirt | None,
    lines: Lines,
) -> None:
    names = ("sinad_db", "thd_db", "thd_floor_db", "even_dbc", "odd_dbc", "after_filter_dbc", "flat_top_share",
             "tops", "intermod_dbc", "intermod_hz", "intermod_floor_dbc")  # fmt: skip
    if d is None:
        missing.update(dict.fromkeys(names, "no key-down stretch is long enough for a spectrum"))
        return
    for name in ("harmonics", "thd_db", "thd_db_sigma", "thd_floor_db", "even_dbc", "odd_dbc",
                 "after_filter_dbc", "flat_top_share"):  # fmt: skip
        values[name] = getattr(d, name)
    if d.thd_db is None:
        missing["thd_db"] = d.reason or "no harmonic stands out of the noise"
    for name in ("even_dbc", "odd_dbc", "after_filter_dbc"):
        if getattr(d, name) is None:
            missing[name] = "no such harmonic stands out of the noise"
    values["tops"] = d.tops
    if d.tops is None:
        missing["tops"] = d.tops_reason
    two = d.intermodulation
    values.update(intermod_dbc=two.dbc, intermod_dbc_sigma=two.dbc_sigma, intermod_hz=two.hz,
                  intermod_floor_dbc=two.floor_dbc)  # fmt: skip
    if two.dbc is None:
        missing["intermod_dbc"] = missing["intermod_hz"] = two.reason
    if two.floor_dbc is None:
        missing["intermod_floor_dbc"] = two.reason
    if d.flat_top_share is None:
        missing["flat_top_share"] = "no harmonics stand out to draw the waveform from"
    if beside is None:
        missing["sinad_db"] = "what lies close to the tone could not be measured"
        return
    close = sum(10 ** (b.level_dbc / 10) * (1 if b.nature == "single" else 2)
                for b in lines.sidebands if b.offset_hz < d.lobe_hz)  # fmt: skip
    close_by = (beside.offset_hz >= LOW_HZ) & (beside.offset_hz < max(d.lobe_hz, 30.0))
    near = beside.density[np.isfinite(beside.density) & close_by]
    noise = float(np.mean(near)) * 2 * d.lobe_hz if near.size else 0.0
    values["sinad_db"] = float(-10 * np.log10(max(d.outside_lobe + close + noise, 1e-20)))


def _db(power: float) -> float:
    return float(10 * np.log10(max(power, 1e-20)))
