"""What is really wrong with a simulated recording, read from the parts that the noise never touched."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from . import station
from .scene import Simulated
from .station import SLOW_HZ, Array


@dataclass
class Truth:
    """The answer that a diagnosis should come to.

    `symptoms` are beyond their note limit by the true values; `near` are within 2 dB or 20 % of a
    limit, or a matter of taste, and count neither way. `causes` are what was put in, `accept` what a
    careful listener may name as well. `families` are wider groups to tell raspy signals apart.
    """

    kind: str
    signal: str  # none | steady | keyed
    symptoms: frozenset[str] = frozenset()
    near: frozenset[str] = frozenset()
    causes: tuple[str, ...] = ()
    accept: frozenset[str] = frozenset()
    tone_hz: float | None = None
    wpm: float | None = None
    text: str | None = None
    snr_db: float | None = None
    lossy: bool = False
    levels: dict[str, float] = field(default_factory=dict)


# Where a note begins; "dB" limits are near within 2 dB, "x" limits within a fifth.
LIMITS: dict[str, tuple[tuple[str, float, str], ...]] = {
    "hum-sidebands": (("hum_sidebands_dbc", -50, "dB"),),
    "spur-lines": (("spur_dbc", -50, "dB"),),
    "harmonic-distortion": (("thd_db", -34, "dB"),),
    "rasp": (("rasp_dbc", -35, "dB"), ("rasp_rise_db", 3, "dB")),
    "noisy-tone": (("pm_excess_rad", 0.03, "x"),),
    "audio-hum": (("hum_dbc", -45, "dB"),),
    "key-clicks": (("edge_rate_per_s", 1 / 0.003, "x"),),
    "slow-keying": (("edge_over_dit", 0.25, "x"),),
    "chirp": (("chirp_hz", 5, "x"),),
    "backwave": (("backwave_db", -45, "dB"),),
    "overshoot": (("overshoot_db", 3, "x"),),
    "drift": (("drift_hz_per_min", 2, "x"),),
    "frequency-jumps": (("jump_hz", 0.5, "x"),),
    "frequency-wobble": (("wobble_hz", 0.5, "x"),),
    "other-signal": (("other_dbc", -25, "dB"),),
    "clipped-recording": (("clipped_fraction", 1e-4, "x"),),
    "dropouts": (("gaps", 0.5, "x"),),
    "fading": (("fading_db", 10, "x"),),
    "weak-signal": (("lack_db", 0, "dB"),),
    "noise-bursts": (("burst_db", 10, "dB"), ("burst_share", 0.01, "x")),
    "keying-timing": (("timing", 1.0, "x"),),
}


def expected(levels: dict[str, float]) -> tuple[set[str], set[str]]:
    """Symptoms beyond their limits, and those too near to a limit to count."""
    found, near = set(), set()
    for symptom, rows in LIMITS.items():
        verdicts = []
        for name, limit, how in rows:
            value = levels.get(name, -np.inf)
            low, high = (limit - 2, limit + 2) if how == "dB" else (limit * 0.8, limit * 1.2)
            verdicts.append("yes" if value > high else "near" if value > low else "no")
        if "no" in verdicts:
            continue
        (found if all(v == "yes" for v in verdicts) else near).add(symptom)
    return found, near


def read(sim: Simulated) -> dict[str, float]:
    """The true values by name; what does not apply is left out."""
    scene = sim.scene
    if not scene.transmits:
        return {}
    levels: dict[str, float] = {"thd_db": _db(np.sum(sim.harmonics[2:] ** 2))}
    levels["chirp_hz"] = abs(sim.chirp_hz)
    levels["gaps"] = float(_gaps_that_show(sim))
    levels["clipped_fraction"] = sim.clipped_fraction
    levels["lack_db"] = (0.0 if scene.keyed else -10.0) - scene.snr_db
    if sim.comb:
        levels["hum_dbc"] = max(sim.comb.values())
    if scene.keyed and scene.backwave_db is not None:
        levels["backwave_db"] = scene.backwave_db
    if scene.switching:
        hz, dbc, _ = scene.switching
        levels["spur_dbc"] = dbc + _both_sides_db(sim, hz)
    if scene.bursts:
        per_cycle, db, length = scene.bursts
        levels["burst_db"] = db
        levels["burst_share"] = length * (per_cycle * scene.mains_hz or 25.0)
    for other in scene.others:
        dbc = other.dbc + _db(abs(_relative_response(sim, np.array([other.hz]))[0]) ** 2)
        levels["other_dbc"] = max(levels.get("other_dbc", -200.0), dbc)
    levels |= _modulation(sim) | _frequency(sim) | _level_swing(sim) | _noise(sim)
    if scene.keyed:
        levels |= _edges(sim) | _timing(sim)
    return levels


def _gaps_that_show(sim: Simulated) -> int:
    """Gaps that take away more than zeros: 8 bits hold no noise at key-up."""
    if sim.scene.bits > 8:
        return len(sim.gaps)
    places = [slice(int(at * SLOW_HZ), int((at + length) * SLOW_HZ)) for at, length in sim.gaps]
    return sum(sim.key[place].sum() > 0.005 * SLOW_HZ for place in places)


def _db(power: float) -> float:
    return float(10 * np.log10(max(power, 1e-20)))


def _relative_response(sim: Simulated, offset_hz: Array) -> Array:
    f = sim.scene.tone_hz + np.append(0.0, offset_hz)
    response = np.abs(sim.scene.filter.response(np.maximum(f, 1.0)))
    return np.where(f[1:] > 0, response[1:] / response[0], 0.0)


def _both_sides_db(sim: Simulated, hz: float) -> float:
    return _db(float(np.mean(_relative_response(sim, np.array([-hz, hz])) ** 2)))


def _modulation(sim: Simulated) -> dict[str, float]:
    """Strongest line at a multiple of the mains, where anything at all modulates with the mains.

    Read from the received tone with its slow course taken out; where chirp or oscillator noise would
    smear that, from the modulating factor itself and the filter's response at the two sides.
    """
    scene = sim.scene
    if sim.hum is None or sim.settled.sum() < 0.5 * SLOW_HZ:
        return {}
    smeared = scene.chirp is not None or scene.noise_rad > 0.03
    relative = sim.hum if smeared else sim.received / _slow_course(sim)
    lines = station.line_coefficients(relative, sim.angle, sim.settled, 10)
    mains = (sim.angle[-1] - sim.angle[0]) / (2 * np.pi) * SLOW_HZ / (sim.angle.size - 1)
    best = -200.0
    for k in range(1, 11):
        up, low = (abs(lines[s]) / abs(lines[0]) for s in (k, -k))
        if smeared:
            low, up = np.array([low, up]) * _relative_response(sim, np.array([-k * mains, k * mains]))
        pair = max(up, low) if max(up, low) > 3.162 * min(up, low) else np.sqrt((up**2 + low**2) / 2)
        best = max(best, _db(pair**2))
    return {"hum_sidebands_dbc": best}


def _slow_course(sim: Simulated, block_s: float = 0.025, spread_s: float = 0.1) -> NDArray[np.complex128]:
    """The carrier averaged over about `spread_s`, the settled samples alone."""
    block = int(block_s * SLOW_HZ)
    starts = np.arange(0, sim.settled.size, block)
    weight = gaussian_filter1d(np.add.reduceat(sim.settled.astype(float), starts), spread_s / block_s)
    value = gaussian_filter1d(np.add.reduceat(sim.received * sim.settled, starts), spread_s / block_s)
    at = np.arange(sim.settled.size)
    smooth = np.interp(at, starts + block / 2, value / np.maximum(weight, 1e-6))
    return np.where(sim.settled, smooth, 1.0)


def _frequency(sim: Simulated) -> dict[str, float]:
    t = np.flatnonzero(sim.settled) / SLOW_HZ
    f = sim.frequency[sim.settled]
    slope = np.polyfit(t - t.mean(), f, 1)[0] if np.ptp(f) > 0 else 0.0
    out = {"tone_hz": sim.scene.tone_hz + float(f.mean()), "drift_hz_per_min": abs(float(slope)) * 60}
    inside = [abs(size) for when, size in sim.scene.steps if t[0] + 0.5 < when < t[-1] - 0.5]
    if inside:
        out["jump_hz"] = max(inside)
    if sim.scene.wobble:
        out["wobble_hz"] = sim.scene.wobble[0]
    return out


def _level_swing(sim: Simulated) -> dict[str, float]:
    block = int(0.2 * SLOW_HZ)
    n = sim.settled.size // block * block
    use = sim.settled[:n].reshape(-1, block)
    power = (np.abs(sim.received[:n]) ** 2).reshape(-1, block)
    enough = use.sum(axis=1) > block * 0.15
    if enough.sum() < 5:
        return {}
    level = 10 * np.log10((power * use).sum(axis=1)[enough] / use.sum(axis=1)[enough])
    low, high = np.percentile(level, [5, 95])
    return {"fading_db": float(high - low)}


def _noise(sim: Simulated) -> dict[str, float]:
    """The noise that follows the tone, and how far it stands over the noise that does not."""
    own = sim.own_noise
    f = np.fft.fftfreq(own.size, 1 / SLOW_HZ)
    weight = np.zeros(f.size)
    near = (np.abs(f) > 5) & (np.abs(f) < 500)
    grid = np.arange(-500, 501.0, 5)
    response = _relative_response(sim, grid)
    weight[near] = np.interp(f[near], grid, response) ** 2
    follows = float((np.abs(np.fft.fft(own) / own.size) ** 2 * weight).sum())
    angle = np.abs(np.fft.fft(own.imag) / own.size) ** 2 * weight
    stays = float(np.mean(response**2) * 1000) / (2500 * 10 ** (sim.scene.snr_db / 10))
    return {
        "rasp_dbc": _db(follows + stays),
        "rasp_rise_db": _db((follows + stays) / stays),
        "pm_excess_rad": float(np.sqrt(angle[np.abs(f) < 300].sum())),
    }


def _edges(sim: Simulated) -> dict[str, float]:
    """10..90 % times, overshoot: medians over the elements, from the noise-free envelope.

    Rise and fall are the keying's as the filter passes it, from what is left at key-up to the settled level, with
    the gain control's gain taken off; overshoot and droop are as heard.
    """
    size = np.abs(sim.received)
    keyed = size / sim.control_gain
    starts = np.flatnonzero(np.diff(sim.key.astype(int)) == 1)
    stops = np.flatnonzero(np.diff(sim.key.astype(int)) == -1)
    rises, falls, peaks, droops = [], [], [], []
    delay = int(0.03 * SLOW_HZ)
    for a, b in zip(starts, [*stops, sim.key.size][: starts.size], strict=False):
        length = b - a
        if length < 0.02 * SLOW_HZ or a < delay or b + delay > size.size:
            continue
        top = float(np.median(size[a + length // 2 : b]))
        keyed_top = float(np.median(keyed[a + length // 2 : b]))
        rise = _crossing_time(keyed[max(0, a - delay) : a + length // 2], keyed_top)
        fall = _crossing_time(keyed[a + length // 2 : b + delay][::-1], keyed_top)
        if rise is not None:
            rises.append(rise)
        if fall is not None:
            falls.append(fall)
        peaks.append(20 * np.log10(size[a : a + min(length, int(0.05 * SLOW_HZ))].max() / top))
        early = size[a + int(0.015 * SLOW_HZ) : a + int(0.02 * SLOW_HZ)]
        if early.size:
            droops.append(20 * np.log10(early.mean() / size[b - early.size - 24 : b - 24].mean()))
    if not rises or not falls:
        return {}
    rise, fall = float(np.median(rises)), float(np.median(falls))
    dit = 1.2 / sim.scene.wpm
    width = sim.scene.filter.high_hz - sim.scene.filter.low_hz
    own = np.sqrt(max(max(rise, fall) ** 2 - (0.892 / width) ** 2, 0.0))
    return {
        "rise_s": rise,
        "fall_s": fall,
        "edge_rate_per_s": 1 / min(rise, fall),
        "edge_over_dit": float(own) / dit,
        "overshoot_db": float(np.median(peaks)),
        "droop_db": float(np.median(droops)) if droops else 0.0,
    }


def _crossing_time(x: Array, top: float) -> float | None:
    """Time from the last sample below 10 % of the way to `top` to the first after it above 90 %, interpolated."""
    least = float(x.min())
    x, top = x - least, top - least
    above = np.flatnonzero(x > 0.9 * top)
    if not above.size or above[0] == 0:
        return None
    j = int(above[0])
    below = np.flatnonzero(x[:j] < 0.1 * top)
    if not below.size:
        return None
    i = int(below[-1])
    first = i + (0.1 * top - x[i]) / (x[i + 1] - x[i])
    last = j - 1 + (0.9 * top - x[j - 1]) / (x[j] - x[j - 1])
    return float((last - first) / SLOW_HZ)


def _timing(sim: Simulated) -> dict[str, float]:
    sent = sim.sending
    assert sent is not None
    on, off, dah = sent.on_s, sent.off_s, sent.is_dah
    inside = off < sim.scene.seconds
    on, off, dah = on[inside], off[inside], dah[inside]
    marks = off - on
    gaps = on[1:] - off[:-1]
    unit = 1.2 / sim.scene.wpm
    within = gaps < 2 * unit
    period = on[1:] - on[:-1]
    dit_period, dah_period = (float(np.mean(period[within & (dah[:-1] == d)])) for d in (False, True))
    scatter = max(float(np.std(marks[dah == d]) / np.mean(marks[dah == d])) for d in (False, True))
    ratio = 2 * dah_period / dit_period - 1
    return {
        "wpm": 2.4 / dit_period,
        "ratio": ratio,
        "jitter": scatter,
        "timing": max(scatter / 0.08, abs(ratio - 3) / 0.4),
    }
