"""What else is in the audio: additive hum, other carriers, bursts, and the noise as the key goes up.

The test signal is kept out by looking while its key is up; a steady signal is there all the time, and
then only what stands clear of it and of its own modulation is counted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sigcheck.measure.carrier import turn
from sigcheck.measure.modulation import BAND_HZ, AdditiveLine
from sigcheck.measure.results import Bursts, Lines, OtherSignal
from sigcheck.measure.spectrum import (
    HANN_ENBW_BINS,
    Survey,
    fundamental_from_lines,
    hann,
    passband,
    peak_bin,
    running_median,
    slice_band,
    worn,
)
from sigcheck.measure.track import Complex, Mask, Real, Track

_BLOCK_S = 6.0
_DETECT = 31.6  # 15 dB over the noise of one block, as for sidebands
_OTHER_DETECT = 60.0  # single lines are looked for at every frequency, so they need more room
_MAINS = (50.0, 60.0)
_MAINS_SPAN_HZ = 1.0
_ADDITIVE_DBC = -45.0
_MOST_ADDITIVE = 8
_HUM_TOP_HZ = 1000.0
_RECOVERY_SHOWS_DB = 3.0
_MASKED_NOISE = 4.0  # 6 dB: no gain control recovers so far within some 10 ms
_GUSTY = 1.2
_OWN_NOISE = 0.7  # 1.5 dB: what a few hundred samples of 15 ms each leave to chance, and the filter's slope
_TONE_CLEAR_HZ = 200.0  # keying spreads a tone this far, 40 dB or more down


@dataclass(frozen=True)
class Quiet:
    """Spectrum of the audio with the test signal gated out (or, steady, still in).

    ``power`` (bins,) is line power (A^2) per bin; ``noise`` (bins,) the same of the noise alone.
    """

    power: Real
    noise: Real
    bin_hz: float
    blocks: int
    key_up: bool
    seconds: float

    def at(self, hz: float) -> tuple[float, float]:
        """(power of the line near ``hz``, noise in one bin); the peak between the bins is interpolated."""
        k = int(np.clip(round(hz / self.bin_hz), 3, self.power.size - 4))
        at = peak_bin(self.power, k)
        k = int(np.clip(round(at), 1, self.power.size - 2))
        a, b, c = np.log(np.maximum(self.power[k - 1 : k + 2], 1e-300))
        return float(np.exp(b - 0.25 * (a - c) * (at - k))), float(self.noise[k])

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
    power = np.abs(track.carrier[track.marks.settled]) ** 2
    return float(np.mean(np.minimum(power, 4 * np.median(power)), dtype=np.float64)) + 1e-30


def quiet_spectrum(track: Track) -> Quiet:
    """Long-block spectrum of the audio at key-up (or throughout, for a steady signal)."""
    from scipy import fft

    audio, rate = track.base.audio, track.base.rate_hz
    # the ringing of a steep filter outlasts the edges' guard; where gaps allow it, give it time to die
    calm = worn(track.marks.up, round(0.015 * rate))
    up = calm if calm.sum() > 0.4 * track.marks.up.sum() else track.marks.up
    key_up = float(up.sum()) / rate > 1.0
    length = min(audio.size, round(_BLOCK_S * rate))
    count = max(1, round(audio.size / length))
    places = np.linspace(0, audio.size - length, count).astype(np.intp)[:, None] + np.arange(length)
    window = hann(length)
    mask = up[places] if key_up else np.ones((count, length), bool)
    gate = mask * window
    weights = gate.sum(axis=1, dtype=np.float64)
    keep = weights > 0.2 * weights.max()
    size = fft.next_fast_len(length)
    spectra = fft.fft(audio[places[keep]] * gate[keep], size, axis=1, workers=-1)
    power = (spectra.real**2 + spectra.imag**2).sum(axis=0, dtype=np.float64) / (weights[keep] ** 2).sum()
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
        seconds=float(mask.sum()) / rate,
    )


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
    shown &= (q.power > q.limit(_OTHER_DETECT) * q.noise) & (q.power > carrier * 10 ** (_ADDITIVE_DBC / 10))
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
        angle = (-2 * np.pi * np.mod(f * t, 1.0)).astype(np.float32)
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
    bins = np.arange(q.power.size)
    limit = q.limit(_DETECT)
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
                usable &= ~_near_tone_or_its_lines(at, track.tone_hz, trial, clear)
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
        if q.key_up or not _near_tone_or_its_lines(np.array([k * step]), track.tone_hz, step, clear)[0]
    ]
    floor = 10 * np.log10(limit * float(np.median([q.at(k * 50.0)[1] for k in range(1, 7)])) / carrier)
    if found is None:
        return Hum(None, None, None, None, None, float(floor), "no mains line stands out of the noise")
    levels = {k: q.at(k * found) for k in orders if k * found < top}
    strong = [(k, peak_bin(q.power, round(k * found / q.bin_hz)) * q.bin_hz, p / n) for k, (p, n) in levels.items()]
    strong = [line for line in strong if line[2] > limit / 2 and abs(line[1] - line[0] * found) < 2 * q.bin_hz]
    if strong:
        found = fundamental_from_lines(strong)
    k, (power, noise) = max(levels.items(), key=lambda item: item[1][0] - item[1][1])
    net = max(power - noise, 1e-30)
    if q.key_up:
        net = min(net, max(float(key_down_power(track, np.array([k * found]))[0]), 1e-30))
    sigma = 4.343 * np.sqrt(2 * net * noise / q.blocks) / net
    width = q.bin_hz * np.sqrt(noise / net) / k
    return Hum(found, float(width + 1e-3), float(10 * np.log10(net / carrier)), float(max(sigma, 0.02)), k * found,
               float(floor), "")


def _near_tone_or_its_lines(at: Real, tone_hz: float, mains: Real | float, clear: float) -> Mask:
    """Whether a line at ``at`` may be the tone or one of the tone's own mains sidebands."""
    away = np.abs(at - tone_hz)
    near: Mask = away < 25.0
    for step in (mains, *_MAINS):  # the other mains frequency's sidebands may fall on this one's grid
        near = near | (np.abs(away - step * np.round(away / step)) < clear)
    return near


def other_signals(
    q: Quiet, s: Survey, track: Track, hum: Hum, lines: Lines, far: FarNoise | None
) -> tuple[tuple[OtherSignal, ...], float]:
    """Other carriers and keyed signals in the passband, strongest first; and the level that would show.

    Levels are those beside our key-down tone: what a gain control lifts at key-up is taken off again.
    """
    opened = 1.0
    if q.key_up and far is not None and far.down and far.late_up:
        opened = max(1.0, far.late_up / far.down)
    base = track.base
    carrier = tone_power(track)
    low, high = base.passband_hz
    f = np.arange(q.power.size) * q.bin_hz
    ratio = q.power / q.noise
    limit = q.limit(_OTHER_DETECT)
    allowed = (f > max(low, 100.0)) & (f < min(high, 0.97 * base.rate_hz)) & (ratio > limit)
    allowed &= np.abs(f - track.tone_hz) > (15.0 if q.key_up else 40.0)
    for mains in (hum.mains_hz, lines.mains_hz):
        if mains is not None:
            allowed &= np.abs(f - mains * np.round(f / mains)) > 0.3 + 2 * q.bin_hz
    offsets = np.array([b.offset_hz for b in lines.sidebands])
    for order in range(2, 8):
        allowed &= np.abs(f - order * track.tone_hz) > 30.0
    if not q.key_up and offsets.size:
        away = np.abs(f - track.tone_hz)
        nearest = np.abs(away[:, None] - offsets[None, :]).min(axis=1)
        allowed &= nearest > 0.5 + 2 * q.bin_hz
    inside = (f > low) & (f < high)
    typical = float(np.median(q.noise[inside])) if inside.any() else 1e-30
    floor = float(10 * np.log10(limit * typical / carrier))
    out: list[OtherSignal] = []
    power = np.where(allowed, q.power, 0.0)
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
        signal = _describe(s, float(f[k]), track, lines, q, opened)
        if signal is not None:
            out.append(signal)
    out.sort(key=lambda o: -o.level_dbc)
    return tuple(out), floor


def _stands_alone(q: Quiet, hz: float, tone_hz: float) -> bool:
    """A line beside a steady tone with no like partner on the tone's other side."""
    here, _ = q.at(hz)
    mirror = 2 * tone_hz - hz
    if not 0 < mirror < q.power.size * q.bin_hz:
        return True
    there, noise = q.at(mirror)
    return max(there - noise, 0.0) < 0.2 * here


def _describe(
    s: Survey, hz: float, track: Track, lines: Lines, q: Quiet, opened: float
) -> OtherSignal | None:
    k = int(np.clip(round(hz / s.bin_hz), 1, s.density.shape[1] - 2))
    row = s.density[:, k - 1 : k + 2].sum(axis=1, dtype=np.float64) * s.bin_hz
    rate = track.base.rate_hz
    at = np.clip((s.frame_s * rate).astype(np.intp), 0, track.marks.up.size - 1)
    up = track.marks.up[at] if q.key_up else np.ones(at.size, bool)
    if up.sum() < 2:
        return None
    heard = row[up]
    noise = 3 * s.bin_hz * track.base.noise_density
    high = float(np.quantile(heard, 0.9))
    low = float(np.quantile(heard, 0.15))
    keyed = low < 0.1 * high and high > 8 * noise
    carrier = tone_power(track)
    line, line_noise = q.at(hz)
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


def sort_out(lines: Lines, q: Quiet, track: Track) -> Lines:
    """A line seen both as a key-down spur and at key-up is no spur: a gain control or not, it stays."""
    def apart(hz: float) -> bool:
        # a keyed signal's own sidebands reach some tens of hertz from it
        return all(abs(hz - o.frequency_hz) > (80.0 if o.keyed else 2.0) for o in lines.others)

    def copy(hz: float, level_dbc: float) -> bool:
        # what is left of a strong carrier beside ours, smeared by our keying
        return any(abs(hz - o.frequency_hz) < 120.0 and level_dbc < o.level_dbc - 20.0 for o in lines.others)

    def gone_at_key_up(hz: float, level_dbc: float) -> bool:
        if not q.key_up:
            return True
        return max(q.at(hz)[0] - q.at(hz)[1], q.about(hz)) < 0.3 * tone_power(track) * 10 ** (level_dbc / 10)

    kept = tuple(
        spur
        for spur in lines.spurs
        if apart(spur.frequency_hz)
        and not copy(spur.frequency_hz, spur.level_dbc)
        and gone_at_key_up(spur.frequency_hz, spur.level_dbc)
    )
    return replace(lines, spurs=kept)


def less_voice(lines: Lines, voice_dbc: float | None) -> Lines:
    """Less the keyed signals that are a voice's own tones, where a voice is heard."""
    if voice_dbc is None:
        return lines
    return replace(lines, others=tuple(o for o in lines.others if not o.keyed or o.level_dbc > voice_dbc + 3.0))


@dataclass(frozen=True)
class NoiseCourse:
    """Noise power in steps of a millisecond, over its own floor of the moment."""

    t: Real
    over: Real
    step_s: float


def _course(stream: Complex, rate_hz: float) -> NoiseCourse:
    step = max(1, round(0.001 * rate_hz))
    n = stream.size // step
    power = (stream.real**2 + stream.imag**2)[: n * step].reshape(n, step).mean(axis=1, dtype=np.float64)
    # the floor follows the gain control: medians of some 60 ms, which bursts at the mains rate leave alone
    width = max(5, round(0.06 * rate_hz / step))
    whole = n // width
    if whole >= 2:
        medians = np.median(power[: whole * width].reshape(whole, width), axis=1)
        floor = np.interp(np.arange(n), (np.arange(whole) + 0.5) * width, medians)
    else:
        floor = np.full(n, np.median(power) if n else 1.0)
    floor = floor / (np.log(2.0) if step == 1 else 1 - 1 / (9 * step * 0.6))
    usual = float(np.median(floor)) if n else 1.0
    return NoiseCourse(
        t=(np.arange(n) + 0.5) * step / rate_hz,
        over=power / np.maximum(floor, max(1e-3 * usual, 1e-30)),
        step_s=step / rate_hz,
    )


@dataclass(frozen=True)
class FarNoise:
    """Noise in the passband away from the tone.

    Densities in the convention of :mod:`sigcheck.measure.track`; None where not to be heard.
    """

    down: float | None
    down_samples: int
    just_up: float | None  # 5..20 ms after key-up, before a gain control recovers
    late_up: float | None
    width_hz: float
    stream: Complex
    rate_hz: float
    course: NoiseCourse
    gusts: float  # mean power of the noise without the tone over its typical power: bursts raise it

    def with_bursts(self, density: float | None) -> float | None:
        """A typical density raised to the mean, where bursts make that more than noise scatters by itself."""
        return density * self.gusts if density is not None and self.gusts > _GUSTY else density

    @property
    def additive(self) -> float | None:
        """What is there without the tone, at the gain of key-down.

        A strong signal's own noise reaches far from it, and ends with it; lossy coding drops what the tone
        would mask. Then the noise just after key-up is the measure, before a gain control recovers. It is
        heard for moments only, so small differences are left to chance.
        """
        if self.down is None or self.just_up is None:
            return self.down
        unlike = self.just_up < _OWN_NOISE * self.down or self.just_up > _MASKED_NOISE * self.down
        return self.just_up if unlike else self.down


def far_noise(track: Track) -> FarNoise | None:
    """Noise beyond 200 Hz from the tone, on the wider side of the passband; None without such a side."""
    base, marks = track.base, track.marks
    low, high = base.passband_hz
    tone = track.tone_hz
    swing = float(np.ptp(base.path_hz)) / 2
    clear = _TONE_CLEAR_HZ if high - low > 900.0 else 100.0
    below = (max(low + 40.0, 100.0), tone - swing - clear)
    harmonic = 2 * tone - 60.0 if tone > 450.0 else np.inf
    above = (tone + swing + clear, min(high - 40.0, 0.95 * base.rate_hz, harmonic))
    side = max((below, above), key=lambda b: b[1] - b[0])
    width = side[1] - side[0]
    if width < 60.0:
        return None
    taper = min(100.0, max(30.0, width / 4))
    stream, rate = slice_band(base.audio, base.rate_hz, *side, taper_hz=taper)
    noise_width = width + taper * 0.75  # two raised-cosine skirts (power 3/8 each)
    t = np.minimum(np.round(np.arange(stream.size) / rate * base.rate_hz).astype(np.intp), base.z.size - 1)
    course = _course(stream, rate)
    power = (stream.real**2 + stream.imag**2) / noise_width
    guard = 1.0 / taper
    down = marks.settled[t]
    up = marks.up[t]
    since_off = _since(marks.off_s, np.arange(stream.size) / rate)
    before_on = _until(marks.on_s, np.arange(stream.size) / rate)
    quiet_gap = ~marks.down[t] & (before_on > 0.005)
    early = quiet_gap & (since_off > 0.005 + 0.5 * guard) & (since_off < 0.02 + 0.5 * guard)
    late = up & (since_off > 0.1) & (before_on > guard)
    return FarNoise(
        down=_typical(power[down]),
        down_samples=int(down.sum()),
        just_up=_typical(power[early]) if marks.keyed else None,
        late_up=_typical(power[late]),
        width_hz=noise_width,
        stream=stream,
        rate_hz=rate,
        course=course,
        gusts=_gusts(course, up if up.sum() > 0.5 * rate else down, rate),
    )


def _gusts(course: NoiseCourse, use: Mask, rate_hz: float) -> float:
    """Mean of the noise over its own floor of the moment, which a gain control moves."""
    here = use[np.minimum(np.round(course.t * rate_hz).astype(np.intp), use.size - 1)]
    return max(1.0, float(np.mean(course.over[here]))) if here.any() else 1.0


def _typical(power: Real) -> float | None:
    """Noise power that static crashes and clicks do not pull up (median of an exponential)."""
    return float(np.median(power) / np.log(2.0)) if power.size >= 20 else None


def _since(events_s: Real, t: Real) -> Real:
    if not events_s.size:
        return np.full(t.size, np.inf)
    k = np.searchsorted(events_s, t, side="right") - 1
    return np.where(k >= 0, t - events_s[np.maximum(k, 0)], np.inf)


def _until(events_s: Real, t: Real) -> Real:
    if not events_s.size:
        return np.full(t.size, np.inf)
    k = np.searchsorted(events_s, t, side="left")
    return np.where(k < events_s.size, events_s[np.minimum(k, events_s.size - 1)] - t, np.inf)


def bursts(far: FarNoise | None, course: NoiseCourse | None, track: Track) -> Bursts:
    """Impulsive noise and the gain control's recovery, from the noise away from the tone."""
    names = ("burst_over_floor_db", "burst_time_fraction", "burst_rate_hz", "gain_recovery_db", "gain_recovery_s")
    if far is None or course is None:
        return Bursts(missing=dict.fromkeys(names, "the passband leaves no room away from the tone to hear noise in"))
    missing: dict[str, str] = {}
    over, fraction, rate = _burst_figures(course, track, missing)
    recovery = None
    if not track.marks.keyed:
        missing["gain_recovery_db"] = "the tone is steady: the gain has no gap to recover in"
    elif far.just_up is None or far.late_up is None or far.just_up <= 0:
        missing["gain_recovery_db"] = "no gap of more than 0.1 s to see the noise recover in"
    else:
        recovery = float(10 * np.log10(max(far.late_up, 1e-30) / far.just_up))
    seconds = None
    if recovery is None:
        missing["gain_recovery_s"] = missing["gain_recovery_db"]
    elif recovery < _RECOVERY_SHOWS_DB:
        missing["gain_recovery_s"] = "the gain hardly moves at key-up"
    else:
        seconds = _recovery_s(far, track)
        if seconds is None:
            missing["gain_recovery_s"] = "too few gaps are long enough to follow the gain through"
    return Bursts(
        burst_over_floor_db=over,
        burst_time_fraction=fraction,
        burst_rate_hz=rate,
        gain_recovery_db=recovery,
        gain_recovery_s=seconds,
        missing=missing,
    )


def noise_course(far: FarNoise | None) -> NoiseCourse | None:
    """Course of the noise away from the tone; None where there is no such noise."""
    return None if far is None else far.course


def disturbed(course: NoiseCourse | None, track: Track) -> Mask:
    """Where bursts 10 dB over the noise floor fall (track's grid), some milliseconds about them included."""
    n = track.base.z.size
    if course is None:
        return np.zeros(n, bool)
    hit = course.over > 10.0
    reach = max(1, round(0.004 / course.step_s))
    wide = np.convolve(hit, np.ones(2 * reach + 1), mode="same") > 0.5
    at = np.minimum((np.arange(n) / track.base.rate_hz / course.step_s).astype(np.intp), max(wide.size - 1, 0))
    found: Mask = wide[at] if wide.size else np.zeros(n, bool)
    # noise alone exceeds 10 dB now and then: a few moments less do no harm, half of the signal would
    settled = track.marks.settled
    return found if found[settled].mean() < 0.5 else np.zeros(n, bool)


def _recovery_s(far: FarNoise, track: Track) -> float | None:
    """Time constant of the gain's rise in dB after key-up, from the noise's typical course in the gaps.

    Fitted over ages up to a second: level(t) = end - rise exp(-t / tau), least squares in dB, tau on a grid.
    """
    t = np.arange(far.stream.size) / far.rate_hz
    since, until = _since(track.marks.off_s, t), _until(track.marks.on_s, t)
    power = far.stream.real**2 + far.stream.imag**2
    edges = np.concatenate([[0.005 + 0.5 / 60.0], np.geomspace(0.02, 1.5, 18)])
    base, marks = track.base, track.marks
    gap = ~marks.down[np.minimum((t * base.rate_hz).astype(np.intp), marks.down.size - 1)]
    use = gap & (until > 0.01) & (since > edges[0]) & (since < edges[-1])
    which = np.searchsorted(edges, since[use], side="right") - 1
    order = np.argsort(which, kind="stable")
    parts = np.split(power[use][order], np.cumsum(np.bincount(which[order], minlength=edges.size - 1))[:-1])
    enough = [k for k, part in enumerate(parts[: edges.size - 1]) if part.size >= 30]
    if len(enough) < 5:
        return None
    age = np.sqrt(edges[:-1] * edges[1:])[enough]
    level = np.array([10 * np.log10(np.median(parts[k]) / np.log(2.0) + 1e-30) for k in enough])
    weight = np.sqrt([min(parts[k].size, 2000) for k in enough])
    best: tuple[float, float] | None = None
    for tau in np.geomspace(0.01, 3.0, 60):
        shape = np.stack([np.ones(age.size), -np.exp(-age / tau)], axis=1) * weight[:, None]
        _, misfit, *_ = np.linalg.lstsq(shape, level * weight, rcond=None)
        if misfit.size and (best is None or float(misfit[0]) < best[0]):
            best = float(misfit[0]), float(tau)
    return None if best is None or best[1] > 2 * age[-1] else best[1]


def _burst_figures(
    course: NoiseCourse, track: Track, missing: dict[str, str]
) -> tuple[float | None, float | None, float | None]:
    t = course.t
    index = np.minimum((t * track.base.rate_hz).astype(np.intp), track.base.z.size - 1)
    up = track.marks.up
    use = up[index] if up.sum() > 2 * track.base.rate_hz else np.ones(t.size, bool)
    if track.marks.keyed:
        use &= (_since(track.marks.off_s, t) > 0.03) & (_until(track.marks.on_s, t) > 0.02)
    if use.sum() < 500 or not np.any(course.over[use] > 0):
        why = "less than half a second of noise without the signal"
        missing.update(dict.fromkeys(("burst_over_floor_db", "burst_time_fraction", "burst_rate_hz"), why))
        return None, None, None
    ratio = course.over[use]
    burst = ratio > 10.0
    fraction = float(burst.mean())
    # what Gaussian noise does by itself: powers of n samples' mean follow a gamma distribution
    if fraction < 2e-3:
        missing["burst_over_floor_db"] = "no more bursts 10 dB over the noise floor than noise makes by itself"
        missing["burst_rate_hz"] = missing["burst_over_floor_db"]
        return None, fraction, None
    over = float(10 * np.log10(np.median(ratio[burst])))
    rate = _burst_rate(np.log(np.clip(ratio, 0.5, 100.0)), 1.0 / course.step_s)
    if rate is None:
        missing["burst_rate_hz"] = "the bursts come at random: no rate stands out"
    return over, fraction, rate


def _burst_rate(level: Real, rate_hz: float) -> float | None:
    """Repetition rate between 40 and 130 Hz of the level (gaps closed up: good for long stretches only)."""
    from scipy import fft

    length = min(level.size, 2048)
    frames = level[: level.size // length * length].reshape(-1, length)
    centred = (frames - frames.mean(axis=1, keepdims=True)) * hann(length)
    spectrum = (np.abs(fft.rfft(centred, axis=1)) ** 2).mean(axis=0)
    f = np.arange(spectrum.size) * rate_hz / length
    inside = (f > 40.0) & (f < 130.0)
    if not inside.any():
        return None
    k = int(np.argmax(np.where(inside, spectrum, 0.0)))
    return float(f[k]) if spectrum[k] > 12 * float(np.median(spectrum[inside])) else None
