"""What else is in the audio: its spectrum without the test signal, additive hum, and what of the lines is theirs.

The test signal is kept out by looking while its key is up; a steady signal is there all the time, and
then only what stands clear of it and of its own modulation is counted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sigcheck.measure.audio.noise import FarNoise, bursts, disturbed, far_noise, noise_course
from sigcheck.measure.carrier import turn
from sigcheck.measure.lines.modulation import AdditiveLine
from sigcheck.measure.results import Lines, Sideband
from sigcheck.measure.spectrum import (
    HANN_ENBW_BINS,
    fundamental_from_lines,
    hann,
    passband,
    peak_bin,
    running_median,
    worn,
)
from sigcheck.measure.tone.nonlinear import products
from sigcheck.measure.track import BAND_HZ, Complex, Mask, Real, Track

__all__ = [
    "FarNoise",
    "Hum",
    "Quiet",
    "additive_hum",
    "additive_lines",
    "bursts",
    "disturbed",
    "far_noise",
    "heard_passband",
    "key_down_power",
    "less_voice",
    "noise_course",
    "quiet_spectrum",
    "sort_out",
    "tone_power",
]

_BLOCK_S = 6.0
_LEAK_PIECE_S = 0.5
DETECT = 31.6  # 15 dB over the noise of one block, as for sidebands
OTHER_DETECT = 60.0  # single lines are looked for at every frequency, so they need more room
_MAINS = (50.0, 60.0)
_MAINS_SPAN_HZ = 1.0
_MAINS_USUAL_HZ = 0.3  # interconnected grids stay within 0.2 Hz in operation
# Marks and gaps of even lengths set a line's copies half their rate away, ten decibels down or more. Nearer than
# the next harmonic of the mains.
_LOBE_HZ, _LOBE = 40.0, 0.2
_ADDITIVE_DBC = -45.0
_MOST_ADDITIVE = 8
_HUM_TOP_HZ = 1000.0
_MIRRORED = 0.1  # of a line's power: what is modulated as much as added is on both sides
_PATTERN_HZ, _PATTERN_DB = 60.0, 6.0  # side lobes of a keying's pattern lie so near and so far down at least
_PRODUCT_ORDER = 5  # 3 g - 2 f and lower ones
_EQUAL_DB = 2.0  # between the sides of a modulation, with the passband's ripple
_SMEARED_DB = 3.0  # what keeps its power together in one frame has lost half of it or more in the other
_SIDES_HZ = 25.0  # keying sidebands of another station that pass for a line
_KEYING_HZ, _KEYING_DB = 80.0, 15.0  # and its weaker ones, so far below it, reach so far


@dataclass(frozen=True)
class Quiet:
    """Spectrum of the audio with the test signal gated out (or, steady, still in).

    ``power`` (bins,) is line power (A^2) per bin; ``noise`` (bins,) the same of the noise alone; ``spread`` the sum
    over all bins, in lines, of what the gaps' pattern makes of a line of power 1.
    """

    power: Real
    noise: Real
    bin_hz: float
    blocks: int
    key_up: bool
    seconds: float
    spread: float

    def at(self, hz: float) -> tuple[float, float]:
        """(power of the line near ``hz``, noise in one bin); the peak between the bins is interpolated."""
        k = int(np.clip(round(hz / self.bin_hz), 3, self.power.size - 4))
        at = peak_bin(self.power, k)
        k = int(np.clip(round(at), 1, self.power.size - 2))
        a, b, c = np.log(np.maximum(self.power[k - 1 : k + 2], 1e-300))
        return float(np.exp(b - 0.25 * (a - c) * (at - k))), float(self.noise[k])

    def net(self, place: Real) -> Real:
        """Power over the noise at places between the bins."""
        below = np.clip(place.astype(np.intp), 0, self.power.size - 2)
        low, high = (np.maximum(self.power[k] - self.noise[k], 0.0) for k in (below, below + 1))
        return np.asarray(low + np.clip(place - below, 0.0, 1.0) * (high - low))

    def about(self, hz: float, reach_hz: float = 20.0) -> float:
        """Power of a keyed signal about ``hz``: what stands out of the noise there, all together."""
        k, reach = round(hz / self.bin_hz), round(reach_hz / self.bin_hz)
        part = slice(max(0, k - reach), k + reach + 1)
        shown = self.power[part] > self.limit(6.0) * self.noise[part]
        return float(((self.power[part] - self.noise[part]) * shown).sum() / HANN_ENBW_BINS)

    def limit(self, single: float) -> float:
        """Ratio to the noise at which a line counts, narrowed by averaging."""
        return float(1.0 + (single - 1.0) / np.sqrt(self.blocks))


def tone_power(track: Track) -> float:
    """Mean key-down power of the carrier (A^2); a static crash that the carrier followed counts for little."""
    return track.settled_power


def quiet_spectrum(track: Track, *, less_leak: bool = False) -> Quiet:
    """Long-block spectrum of the audio at key-up (or throughout, for a steady signal).

    ``less_leak``: what each gap holds of the tone is taken off before, for the gaps' own pattern spreads it.
    """
    from scipy import fft

    audio, rate = track.base.audio, track.base.rate_hz
    # the ringing of a steep filter outlasts the edges' guard; where gaps allow it, give it time to die
    calm = worn(track.marks.up, round(0.015 * rate))
    up = calm if np.count_nonzero(calm) > 0.4 * np.count_nonzero(track.marks.up) else track.marks.up
    key_up = bool(np.count_nonzero(up) > rate)
    if key_up and less_leak:
        audio = _less_leak(track, up)
    length = min(audio.size, round(_BLOCK_S * rate))
    count = max(1, round(audio.size / length))
    blocks = [slice(a, a + length) for a in np.linspace(0, audio.size - length, count).astype(int).tolist()]
    window = hann(length)
    gates = [up[b] * window if key_up else window for b in blocks]
    weights = np.array([gate.sum(dtype=np.float64) for gate in gates])
    keep = weights > 0.2 * weights.max()
    size = fft.next_fast_len(length)
    kept = np.flatnonzero(keep).tolist()
    gated = np.empty((len(kept), length), np.complex64)
    for row, k in zip(gated, kept, strict=True):
        np.multiply(audio[blocks[k]], gates[k], out=row)
    squares = float(sum(gates[k] @ gates[k] for k in kept))
    spectra = fft.fft(gated, size, axis=1)
    power = (spectra.real**2 + spectra.imag**2).sum(axis=0).astype(np.float64) / (weights[keep] ** 2).sum()
    bin_hz = rate / size
    step = max(1, round(1.0 / bin_hz))
    coarse = power[: power.size // step * step].reshape(-1, step).mean(axis=1)
    shape = keep.sum() * max(1.0, step / 2.0)
    level = running_median(coarse, max(5, round(30.0 / (step * bin_hz)) | 1)) / (1 - 1 / (9 * shape)) ** 3
    noise = np.repeat(level, step)
    noise = np.pad(noise, (0, power.size - noise.size), mode="edge")
    return Quiet(
        power=power,
        noise=np.maximum(noise, 1e-16 * track.marks.amplitude**2 + 1e-30),
        bin_hz=bin_hz,
        blocks=int(keep.sum()),
        key_up=key_up,
        seconds=sum(np.count_nonzero(up[b]) if key_up else length for b in blocks) / rate,
        spread=size * squares / float((weights[keep] ** 2).sum()) / HANN_ENBW_BINS,
    )


def _less_leak(track: Track, up: Mask) -> Complex:
    """Audio less the tone's mean in each gap (of half a second at the most: it drifts, and a gain control opens)."""
    base = track.base
    k = np.flatnonzero(up)
    starts = np.flatnonzero(np.diff(k, prepend=-2) > 1)
    gap = np.repeat(np.arange(starts.size), np.diff(np.append(starts, k.size)))
    piece = np.floor((k - k[starts][gap]) / (_LEAK_PIECE_S * base.rate_hz)).astype(np.intp)
    first = np.flatnonzero((np.diff(gap, prepend=-1) > 0) | (np.diff(piece, prepend=0) != 0))
    lengths = np.diff(np.append(first, k.size))
    mean = np.add.reduceat(base.z[k], first) / lengths
    audio = base.audio.copy()
    audio[k] -= np.repeat(mean, lengths).astype(np.complex64) * np.conj(turn(base.path_hz, base.rate_hz)[k])
    return audio


def heard_passband(q: Quiet, track: Track) -> Track:
    """The track with its passband read off the long blocks' noise.

    At key-up no keying sidebands hide the edges; beside a steady tone the long blocks' window leaks so
    little that a clean tone 70 dB over the noise leaves the noise to be seen.
    """
    step = max(1, round(5.0 / q.bin_hz))
    noise = q.noise[: q.noise.size // step * step].reshape(-1, step).mean(axis=1)
    low, high, seen = passband(noise, step * q.bin_hz, track.tone_hz)
    return replace(track, base=replace(track.base, passband_hz=(low, high), passband_from_noise=seen))


def additive_lines(q: Quiet, track: Track) -> tuple[AdditiveLine, ...]:
    """The strongest lines at key-up within reach of the modulation, down to what could leave copies that count."""
    if not q.key_up:
        return ()
    f = np.arange(q.power.size) * q.bin_hz
    carrier = tone_power(track)
    shown = (np.abs(f - track.tone_hz) < BAND_HZ) & (np.abs(f - track.tone_hz) > 15.0) & (f > 30.0)
    shown &= (q.power > q.limit(OTHER_DETECT) * q.noise) & (q.power > carrier * 10 ** (_ADDITIVE_DBC / 10))
    out: list[AdditiveLine] = []
    power = np.where(shown, q.power, 0.0)
    while len(out) < _MOST_ADDITIVE and power.max() > 0.0:
        k = int(np.argmax(power))
        out.append(AdditiveLine(float(peak_bin(q.power, k) * q.bin_hz), float(np.sqrt(q.power[k]))))
        power[np.abs(f - f[k]) < 10.0] = 0.0
    return tuple(out)


def key_down_power(track: Track, hz: Real) -> Real:
    """Power (A^2) of additive lines at ``hz`` while the key is down, the tone itself subtracted.

    A gain control opens at key-up and lifts what came in before it; only the level at key-down compares
    with the tone. Noise is left in: the result is an upper estimate where the line is weak.
    """
    base, marks = track.base, track.marks
    k = np.flatnonzero(marks.settled)
    rest = (base.z[k] - track.carrier[k]) * np.conj(turn(base.path_hz, base.rate_hz)[k])
    t = k / base.rate_hz
    block = (t / _BLOCK_S).astype(np.intp)
    n = np.bincount(block)
    out = np.empty(np.size(hz))
    for i, f in enumerate(np.atleast_1d(hz)):
        angle = (-2 * np.pi * (f * t - np.floor(f * t))).astype(np.float32)
        line = rest * (np.cos(angle) + 1j * np.sin(angle))
        total = np.bincount(block, line.real) + 1j * np.bincount(block, line.imag)
        out[i] = float((np.abs(total) ** 2 / np.maximum(n, 1)).sum() / n.sum())
    return out


@dataclass(frozen=True)
class Hum:
    """Additive mains hum; ``dbc`` None where no line was seen."""

    mains_hz: float | None
    mains_hz_sigma: float | None
    dbc: float | None
    dbc_sigma: float | None
    hz: float | None
    floor_dbc: float | None
    reason: str


def additive_hum(q: Quiet, track: Track) -> Hum:
    """Strongest additive line of a mains family (it stays put when the tone is retuned)."""
    carrier = tone_power(track)
    top = min(_HUM_TOP_HZ, q.power.size * q.bin_hz / 2)
    if q.seconds < 0.5:
        return Hum(None, None, None, None, None, None, "too short a recording to resolve mains lines")
    best, found = 0.0, None
    ratio = q.power / q.noise
    if q.key_up:
        ratio = np.where(lobes(q), 0.0, ratio)
    bins = np.arange(q.power.size)
    limit = q.limit(DETECT)
    clear = 3.0 + 2 * q.bin_hz
    for nominal in _MAINS:
        trial = np.arange(nominal - _MAINS_SPAN_HZ, nominal + _MAINS_SPAN_HZ, q.bin_hz / 12)
        evidence = np.zeros(trial.size)
        seen = np.zeros(trial.size, bool)
        for k in range(1, 11):
            at = k * trial
            r = np.interp(at / q.bin_hz, bins, ratio)
            usable = at < top
            if not q.key_up:
                usable &= ~_near_tone_or_its_lines(at, track.tone_hz, trial, clear) | _alone(q, at, track)
            r = np.where(usable, r, 0.0)
            evidence += np.where(r > limit / 2, r, 0.0)
            if k <= 6:  # rectified mains is strongest in its first harmonics
                seen |= r > limit
        evidence[~seen] = 0.0
        k = int(np.argmax(evidence))
        if evidence[k] > best:
            best, found = float(evidence[k]), float(trial[k])
    step = found or 50.0
    orders = [
        k
        for k in range(1, int(top / 50.0) + 1)
        if q.key_up
        or not _near_tone_or_its_lines(np.array([k * step]), track.tone_hz, step, clear)[0]
        or _alone(q, np.array([k * step]), track)[0]
    ]
    floor = 10 * np.log10(limit * float(np.median([q.at(k * 50.0)[1] for k in range(1, 7)])) / carrier)
    if found is None:
        return Hum(None, None, None, None, None, float(floor), "no mains line stands out of the noise")
    levels = {k: q.at(k * found) for k in orders if k * found < top}
    strong = [(k, peak_bin(q.power, round(k * found / q.bin_hz)) * q.bin_hz, p / n) for k, (p, n) in levels.items()]
    strong = [line for line in strong if line[2] > limit / 2 and abs(line[1] - line[0] * found) < 2 * q.bin_hz]
    if strong:
        found = fundamental_from_lines(strong)
    if len(strong) < 2 and min(abs(found - nominal) for nominal in _MAINS) > _MAINS_USUAL_HZ:
        return Hum(None, None, None, None, None, float(floor), f"a lone line, as if of {found:.1f} Hz, is no mains hum")
    k, (power, noise) = max(levels.items(), key=lambda item: item[1][0] - item[1][1])
    net = max(power - noise, 1e-30)
    if q.key_up:
        net = min(net, max(float(key_down_power(track, np.array([k * found]))[0]), 1e-30))
    sigma = 4.343 * np.sqrt(2 * net * noise / q.blocks) / net
    width = q.bin_hz * np.sqrt(noise / net) / k
    return Hum(found, float(width + 1e-3), float(10 * np.log10(net / carrier)), float(max(sigma, 0.02)), k * found,
               float(floor), "")


def lobes(q: Quiet) -> Mask:
    """Bins that what the gaps' pattern sets beside a stronger line may fill."""
    from scipy.ndimage import maximum_filter1d

    beside = maximum_filter1d(q.power, 2 * round(_LOBE_HZ / q.bin_hz) + 1)
    return np.asarray(q.power < _LOBE * beside)


def _near_tone_or_its_lines(at: Real, tone_hz: float, mains: Real | float, clear: float) -> Mask:
    """Whether a line at ``at`` may be the tone or one of the tone's own mains sidebands."""
    away = np.abs(at - tone_hz)
    near: Mask = away < 25.0
    for step in (mains, *_MAINS):  # the other mains frequency's sidebands may fall on this one's grid
        near = near | (np.abs(away - step * np.round(away / step)) < clear)
    return near


def _alone(q: Quiet, at: Real, track: Track) -> Mask:
    """Whether nothing like a line at ``at`` is heard on the tone's other side, where it could be: no modulation."""
    low, high = track.base.passband_hz
    mirror = 2 * track.tone_hz - at
    inside = (mirror > low) & (mirror < min(high, 0.97 * track.base.rate_hz)) & (np.abs(at - track.tone_hz) > 25.0)
    there = q.net(mirror / q.bin_hz + np.array([[-1], [0], [1]])).max(axis=0)
    return np.asarray(inside & (there < _MIRRORED * q.net(at / q.bin_hz)))


def sort_out(lines: Lines, q: Quiet, track: Track) -> Lines:
    """A line seen both as a key-down spur and at key-up is no spur: a gain control or not, it stays.

    Beside a steady tone that moves, what moves with it is stronger in its own frame, and no other signal; what
    stays is stronger in the audio's.
    """
    if not q.key_up:
        been = track.base.path_hz[track.marks.down]
        moved_hz = float(np.ptp(been)) if been.size else 0.0
        ours = [
            o
            for o in lines.others
            if any(
                abs(spur.frequency_hz - o.frequency_hz) < moved_hz + 2.0 and spur.level_dbc > o.level_dbc + _SMEARED_DB
                for spur in lines.spurs
            )
        ]
        lines = replace(lines, others=tuple(o for o in lines.others if o not in ours))

    def apart(hz: float) -> bool:
        # a keyed signal's own sidebands reach some tens of hertz from it
        return all(abs(hz - o.frequency_hz) > (_KEYING_HZ if o.keyed else 2.0) for o in lines.others)

    def copy(hz: float, level_dbc: float) -> bool:
        # what is left of a strong carrier beside ours, smeared by our keying
        return any(abs(hz - o.frequency_hz) < 120.0 and level_dbc < o.level_dbc - 20.0 for o in lines.others)

    def of_hum(hz: float, level_dbc: float) -> bool:
        # and what the keying's pattern leaves beside additive lines, a few times its rate away
        if not q.key_up:
            return False
        near = slice(max(0, round((hz - _PATTERN_HZ) / q.bin_hz)), round((hz + _PATTERN_HZ) / q.bin_hz) + 1)
        return float(q.power[near].max(initial=0.0)) > tone_power(track) * 10 ** ((level_dbc + _PATTERN_DB) / 10)

    def gone_at_key_up(hz: float, level_dbc: float) -> bool:
        if not q.key_up:
            return True
        line, noise = q.at(hz)
        # noise and what a gain control's swing leaves of it stand up everywhere, a station only where it is
        usual = float(np.median([q.about(hz + d) for d in (-130.0, -90.0, -50.0, 50.0, 90.0, 130.0)]))
        heard = max(line - noise, q.about(hz) - 2 * usual)
        return heard < 0.3 * tone_power(track) * 10 ** (level_dbc / 10)

    kept = tuple(
        spur
        for spur in lines.spurs
        if apart(spur.frequency_hz)
        and not copy(spur.frequency_hz, spur.level_dbc)
        and not of_hum(spur.frequency_hz, spur.level_dbc)
        and gone_at_key_up(spur.frequency_hz, spur.level_dbc)
    )
    def of_two(b: Sideband) -> bool:
        # The other signal itself and its products with the tone, n steps of their distance from it. A pair of
        # equal sides is modulation: a station has one side, and the product on the other is weaker.
        if b.lower_dbc is not None and b.upper_dbc is not None and abs(b.lower_dbc - b.upper_dbc) < _EQUAL_DB:
            return False
        for o in lines.others:
            apart = abs(o.frequency_hz - track.tone_hz)
            reach = _SIDES_HZ if o.keyed else 2.0
            steps = [hz for n, k, hz in products(track.tone_hz, o.frequency_hz, _PRODUCT_ORDER) if n + k == 1]
            near = any(abs(abs(hz - track.tone_hz) - b.offset_hz) < reach for hz in steps)
            if near and b.level_dbc < o.level_dbc + 3.0:
                return True
            weak = b.level_dbc < o.level_dbc - _KEYING_DB
            if o.keyed and b.nature == "single" and weak and abs(b.offset_hz - apart) < _KEYING_HZ:
                return True
        return False

    def of_mains(b: Sideband) -> bool:
        return b.family in ("mains", "twice-mains")

    # hum on both sides is hum; on one side alone it may as well be part of a station's keying
    beside = tuple(b for b in lines.sidebands if (of_mains(b) and b.nature != "single") or not of_two(b))
    lines = replace(lines, spurs=kept, sidebands=beside)
    if lines.mains_hz is None or any(of_mains(b) for b in beside):
        return lines
    why = "what lies at a multiple of the mains frequency is on one side only, and another signal's own"
    missing = {**lines.missing, "mains_hz": why, "mains_hz_sigma": why}
    return replace(lines, mains_hz=None, mains_hz_sigma=None, missing=missing)


def less_voice(lines: Lines, voice_dbc: float | None) -> Lines:
    """Less the keyed signals that are a voice's own tones, where a voice is heard."""
    if voice_dbc is None:
        return lines
    return replace(lines, others=tuple(o for o in lines.others if not o.keyed or o.level_dbc > voice_dbc + 3.0))
