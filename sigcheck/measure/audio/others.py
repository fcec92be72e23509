"""Other carriers and keyed signals in the audio beside ours.

They are looked for while our key is up; a steady signal is there all the time, and then only what stands clear of
it and of its own modulation is counted.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sigcheck.measure.audio.noise import FarNoise
from sigcheck.measure.audio.surroundings import (
    DETECT,
    OTHER_DETECT,
    Hum,
    Quiet,
    key_down_power,
    lobes,
    quiet_spectrum,
    tone_power,
)
from sigcheck.measure.results import Lines, OtherSignal
from sigcheck.measure.spectrum import HANN_ENBW_BINS, Survey, peak_bin, quantile_of_columns
from sigcheck.measure.track import Real, Track

_STATION_HZ, _STATION_FRAMES, _ENOUGH_FRAMES = 60.0, 20, 120
_STATION_OVER = 30.0  # 15 dB: a tenth of some dozen frames of noise stands 5 dB over its median at most
# Of a station's power, at least so much is left in the gaps' own spectrum: it is keyed down a third of the time
# or more, and most of it stays within 20 Hz. What only leaks from our elements into frames is not in that.
_STATION_HELD, _HELD_HZ = 0.06, 20.0
# Of a steady carrier's power all that is held belongs to the line and its gaps' pattern; keyed for a share d of
# the time it leaves d of that to the line. Frames near our tone show our own key, and may not be asked alone.
_STEADY = 0.9
# The frames of a digital bus come once a millisecond (USB 2.0; from memory, not looked up); a recorder's clock is off
# by less than 200 ppm, and a line's place is read to a tenth of a hertz.
_BUS_HZ, _BUS_PPM, _BUS_READ_HZ, _BUS_LINES = 1000.0, 700.0, 0.2, 2
_GAIN_MOVES = 1.4  # the noise's rise at key-up that is more than its scatter


def other_signals(
    q: Quiet, s: Survey, track: Track, hum: Hum, lines: Lines, far: FarNoise | None
) -> tuple[tuple[OtherSignal, ...], float]:
    """Other carriers and keyed signals in the passband, strongest first; and the level that would show.

    Levels are those beside our key-down tone: what a gain control lifts at key-up is taken off again.
    """
    opened = 1.0
    if q.key_up and far is not None and far.down and far.late_up:
        opened = max(1.0, far.late_up / far.down)
    if q.key_up:
        leak, beside = q.at(track.tone_hz)
        if leak > q.limit(DETECT) * beside:
            q = quiet_spectrum(track, less_leak=True)
    opening = _opening(s, track) if opened > _GAIN_MOVES else None
    base = track.base
    carrier = tone_power(track)
    low, high = base.passband_hz
    f = np.arange(q.power.size) * q.bin_hz
    ratio = q.power / q.noise
    limit = q.limit(OTHER_DETECT)
    allowed = (f > max(low, 100.0)) & (f < min(high, 0.97 * base.rate_hz)) & (ratio > limit)
    allowed &= np.abs(f - track.tone_hz) > (15.0 if q.key_up else 40.0)
    for mains in (hum.mains_hz, lines.mains_hz):
        if mains is not None:
            allowed &= np.abs(f - mains * np.round(f / mains)) > 0.3 + 2 * q.bin_hz
    offsets = np.array([b.offset_hz for b in lines.sidebands])
    for order in range(2, 8):
        allowed &= np.abs(f - order * track.tone_hz) > 30.0
    if not q.key_up and offsets.size:
        # wherever the tone has been its lines have been too
        been = base.path_hz[track.marks.down]
        lowest, highest = min(float(been.min()), track.tone_hz), max(float(been.max()), track.tone_hz)
        for offset in np.concatenate([-offsets, offsets]):
            at = f - offset
            allowed &= np.abs(at - np.clip(at, lowest, highest)) > 0.5 + 2 * q.bin_hz
    inside = (f > low) & (f < high)
    typical = float(np.median(q.noise[inside])) if inside.any() else 1e-30
    floor = float(10 * np.log10(limit * typical / carrier))
    out: list[OtherSignal] = []
    power = np.where(allowed & ~lobes(q) if q.key_up else allowed, q.power, 0.0)
    strongest = 0.0
    while len(out) < 8:
        k = int(np.argmax(power))
        if power[k] <= 0.0:
            break
        near = np.abs(f - f[k]) < 60.0
        # the gate's pattern smears a strong line into weaker companions: those are not signals
        companion = any(abs(o.frequency_hz - f[k]) < 250.0 and power[k] < 0.05 * strongest for o in out)
        power[near] = 0.0
        if companion or not (q.key_up or _stands_alone(q, f[k], track.tone_hz)):
            continue
        strongest = max(strongest, float(q.power[k]))
        signal = _describe(s, peak_bin(q.power, k) * q.bin_hz, track, lines, q, opened, opening)
        if signal is not None:
            out.append(signal)
    for hz in _keyed_stations(q, s, track) if q.key_up else ():
        signal = _describe(s, hz, track, lines, q, opened, opening)
        if signal is not None and signal.keyed:
            near = [o for o in out if abs(o.frequency_hz - hz) < _STATION_HZ]
            if all(o.level_dbc < signal.level_dbc for o in near):  # what was seen of it before was a side lobe
                out = [o for o in out if o not in near] + [signal]
    for spur in () if q.key_up else lines.spurs:
        if not low < spur.frequency_hz < high:  # a line of the tone's does not come and go
            signal = _describe(s, spur.frequency_hz, track, lines, q, opened, opening)
            if signal is not None and signal.keyed:
                out.append(signal)
    out.sort(key=lambda o: -o.level_dbc)
    return tuple(out), floor


def with_bus(lines: Lines) -> Lines:
    """The lines with the comb of a digital bus named: two steady carriers or more at exact multiples of 1 kHz."""
    comb = [o for o in lines.others if not o.keyed and on_bus_grid(o.frequency_hz, _BUS_HZ)]
    orders = np.array([round(o.frequency_hz / _BUS_HZ) for o in comb])
    if np.unique(orders).size < _BUS_LINES:
        why = "no two steady carriers lie at exact multiples of 1 kHz"
        return replace(lines, missing={**lines.missing, "bus_hz": why, "bus_dbc": why})
    hz = np.array([o.frequency_hz for o in comb])
    spacing = float((orders * hz).sum() / (orders**2).sum())
    return replace(lines, bus_hz=spacing, bus_dbc=max(o.level_dbc for o in comb))


def on_bus_grid(hz: float, spacing_hz: float) -> bool:
    """Whether a carrier lies at a multiple of the bus's rate, as exactly as a recorder's clock lets it."""
    order = round(hz / spacing_hz)
    return order > 0 and abs(hz - order * spacing_hz) < _BUS_READ_HZ + 1e-6 * _BUS_PPM * hz


def _keyed_stations(q: Quiet, s: Survey, track: Track) -> list[float]:
    """Where another station is keyed in our gaps: strong for a tenth of the frames, and nothing beside it.

    Long blocks smear it by its keying and by our gaps, and hide it in a noise that is its own.
    """
    rate = track.base.rate_hz
    at = np.clip((s.frame_s * rate).astype(np.intp), 0, track.marks.up.size - 1)
    low, high = track.base.passband_hz
    bins = min(s.density.shape[1], round((min(high, 0.97 * rate) + 200.0) / s.bin_hz))
    heard = _some(s.density[:, :bins][track.marks.up[at]])
    if heard.shape[0] < _STATION_FRAMES:
        return []
    f = np.arange(bins) * s.bin_hz
    inside = (f > max(low, 100.0)) & (f < min(high, 0.97 * rate))
    clear = inside & (np.abs(f - track.tone_hz) > _STATION_HZ)
    for order in range(2, 8):
        clear &= np.abs(f - order * track.tone_hz) > _STATION_HZ
    if not clear.any():
        return []
    loud = quantile_of_columns(heard, 0.9)
    own = _some(s.density[:, :bins][track.marks.down[at] & ~track.marks.up[at]])
    # frames reach beyond a short gap, so what comes with our own key shows in it, but weaker
    ours = quantile_of_columns(own, 0.9) > 4.0 * loud if own.shape[0] >= _STATION_FRAMES else np.zeros(f.size, bool)
    floor = float(np.median(loud[clear]))
    near, far = round(50.0 / s.bin_hz), round(150.0 / s.bin_hz)
    power = np.where(clear, loud, 0.0)
    out: list[float] = []
    while len(out) < 4:
        k = int(np.argmax(power))
        if power[k] < _STATION_OVER * floor:
            break
        power[np.abs(f - f[k]) < _STATION_HZ] = 0.0
        beside = np.concatenate([loud[max(0, k - far) : max(0, k - near)], loud[k + near : k + far]])
        if not ours[k] and beside.size and loud[k] > _STATION_OVER * float(np.median(beside)):
            part = slice(max(0, round((f[k] - 12.0) / q.bin_hz)), round((f[k] + 12.0) / q.bin_hz) + 1)
            out.append(float((part.start + np.argmax(q.power[part])) * q.bin_hz))
    return out


def _some(frames: Real) -> Real:
    """At most so many frames (n, bins), evenly picked: enough for a quantile of them."""
    return frames[:: max(1, frames.shape[0] // _ENOUGH_FRAMES)]


def _stands_alone(q: Quiet, hz: float, tone_hz: float) -> bool:
    """A line beside a steady tone with no like partner on the tone's other side."""
    here, _ = q.at(hz)
    mirror = 2 * tone_hz - hz
    if not 0 < mirror < q.power.size * q.bin_hz:
        return True
    there, noise = q.at(mirror)
    return max(there - noise, 0.0) < 0.2 * here


def _describe(
    s: Survey, hz: float, track: Track, lines: Lines, q: Quiet, opened: float, opening: Real | None
) -> OtherSignal | None:
    k = int(np.clip(round(hz / s.bin_hz), 1, s.density.shape[1] - 2))
    row = s.density[:, k - 1 : k + 2].sum(axis=1, dtype=np.float64) * s.bin_hz
    rate = track.base.rate_hz
    at = np.clip((s.frame_s * rate).astype(np.intp), 0, track.marks.up.size - 1)
    up = track.marks.up[at] if q.key_up else np.ones(at.size, bool)
    if up.sum() < 2:
        return None
    heard = row[up] if opening is None else row[up] / opening[up]
    # beyond the passband's edge there is less noise than beside the tone
    beside = slice(max(0, k - round(75.0 / s.bin_hz)), k + round(75.0 / s.bin_hz) + 1)
    noise = 3 * s.bin_hz * min(track.base.noise_density, float(np.median(s.low_density[beside])))
    high = float(np.quantile(heard, 0.9))
    low = float(np.quantile(heard, 0.15))
    line, line_noise = q.at(hz)
    held = _held(q, hz, track)
    steady = q.key_up and (line - line_noise) * q.spread > _STEADY * held
    keyed = low < 0.1 * high and high > 8 * noise and held > _STATION_HELD * high and not steady
    carrier = tone_power(track)
    level = max(high - noise, 1e-30) / opened if keyed else max(line - line_noise, 1e-30)
    if not keyed and q.key_up:
        level = min(level, max(float(key_down_power(track, np.array([hz]))[0]), 1e-30))
    dips: bool | None = None
    down = track.marks.down[at] & ~track.marks.up[at]
    if q.key_up and not keyed and down.sum() >= 5 and high > 8 * noise and abs(hz - track.tone_hz) > 100.0:
        dips = bool(np.median(row[down]) < 0.5 * np.median(heard))
    return OtherSignal(
        frequency_hz=hz,
        level_dbc=float(10 * np.log10(level / carrier)),
        keyed=keyed,
        dips_with_ours=dips,
        same_lines=_same_lines(q, hz, lines, level),
    )


def _opening(s: Survey, track: Track) -> Real:
    """How far a gain control has opened in each frame, in power and of its typical opening at key-up; 1 at the most.

    Heard in the noise. What closes with our key and opens after it would make a steady carrier look keyed.
    """
    low, high = track.base.passband_hz
    inside = slice(int(max(low, 100.0) / s.bin_hz) + 1, max(int(high / s.bin_hz), int(low / s.bin_hz) + 4))
    at = np.clip((s.frame_s * track.base.rate_hz).astype(np.intp), 0, track.marks.up.size - 1)
    noise = np.median(s.density[:, inside], axis=1)
    usual = float(np.median(noise[track.marks.up[at]])) if track.marks.up[at].any() else 1.0
    return np.asarray(np.clip(noise / max(usual, 1e-30), 1e-3, 1.0))


def _held(q: Quiet, hz: float, track: Track) -> float:
    """Power that the gaps hold about ``hz``, over the noise of the passband, or what there is of it beyond its edge."""
    low, high = (round(f / q.bin_hz) for f in track.base.passband_hz)
    k, reach = round(hz / q.bin_hz), round(_HELD_HZ / q.bin_hz)
    part = q.power[max(0, k - reach) : k + reach + 1]
    about = q.noise[max(0, k - 8 * reach) : k + 8 * reach + 1]
    noise = min(float(np.median(q.noise[low : high + 1])), float(np.median(about)))
    return float((part - noise).sum() / HANN_ENBW_BINS)


def _same_lines(q: Quiet, hz: float, lines: Lines, level: float) -> bool | None:
    """Whether the other carrier shows our strongest double sideband at its own offset and level."""
    ours = next((b for b in lines.sidebands if b.nature != "single"), None)
    if ours is None:
        return None
    expected = level * 10 ** (ours.level_dbc / 10)
    seen = [q.at(hz + sign * ours.offset_hz) for sign in (-1, 1)]
    noise = max(n for _, n in seen)
    if expected < 6 * noise * q.limit(2.0):
        return None
    return bool(all(p - n > 0.3 * expected for p, n in seen))
