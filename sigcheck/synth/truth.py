"""What is truly wrong with a synthesised recording: computed from its settings, never heard out of it.

Lines come from the chain itself: the same receiver and recorder hear one second of a steady carrier
of whole hertz without noise, so that each line falls into one bin of a Fourier transform. Edges,
levels and frequencies come from the arrays that made the recording, noise from the densities that
were asked for. A symptom is true where its value is beyond the limit of a note.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np

from sigcheck.synth import signals
from sigcheck.synth.path import Fading, Path, speech
from sigcheck.synth.receiver import Overload, limiting_gain, relative_gain
from sigcheck.synth.scenario import Run, Scenario, run
from sigcheck.synth.signals import Real
from sigcheck.synth.transmitter import Drift, Load, Skirt, elements, half_amplitude_times

# Where a note and a fault begin; the package's table of limits says why.
LIMITS: dict[str, tuple[float, float]] = {
    "hum-sidebands": (-50.0, -40.0), "spur-lines": (-50.0, -40.0), "harmonic-distortion": (-34.0, -26.0),
    "rasp": (-35.0, -25.0), "noisy-tone": (0.03, 0.1), "audio-hum": (-45.0, -25.0),
    "key-clicks": (3e-3, 2e-3), "slow-keying": (0.25, 0.5), "chirp": (5.0, 20.0), "backwave": (-45.0, -30.0),
    "overshoot": (3.0, 6.0), "keying-timing": (0.08, 0.2), "keying-ratio": (0.4, 0.8), "drift": (2.0, 10.0),
    "frequency-jumps": (0.5, 3.0), "frequency-wobble": (0.5, 3.0), "other-signal": (-25.0, -6.0),
    "voice-breakthrough": (-45.0, -30.0), "noise-bursts": (10.0, 20.0), "clipped-recording": (1e-4, 1e-3),
    "fading": (10.0, np.inf), "weak-signal": (0.0, -6.0), "weak-signal-steady": (-10.0, -20.0),
}  # fmt: skip
_LOWER_IS_WORSE = {"key-clicks", "weak-signal", "weak-signal-steady"}
_IN_DECIBELS = {
    "hum-sidebands", "spur-lines", "harmonic-distortion", "rasp", "audio-hum", "backwave",
    "other-signal", "voice-breakthrough", "noise-bursts", "fading", "weak-signal", "weak-signal-steady",
}  # fmt: skip
_RASP_RISE_DB = (3.0, 6.0)
_BURST_TIME = (0.01, 0.05)
_TESTABLE_RISE_LIMIT_S = 2e-3


@dataclass(frozen=True, kw_only=True)
class SymptomTruth:
    """One quantity against its limits: ``beyond`` "", "note" or "fault"; ``close`` to where a note begins."""

    value: float
    beyond: str
    close: bool


@dataclass(frozen=True, kw_only=True)
class Truth:
    """What is truly the matter with a recording, and the parameters that made it so."""

    symptoms: tuple[str, ...]
    causes: tuple[str, ...]
    severity: dict[str, str]
    borderline: tuple[str, ...]
    values: dict[str, float] = field(default_factory=dict)
    parameters: dict[str, Any] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """For JSON: the lists, then each parameter as a key of its own. Numbers rounded to 7 digits."""
        plain: dict[str, Any] = _rounded({**asdict(self), **self.parameters})
        del plain["parameters"]
        return plain


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return float(f"{value:.7g}") if isinstance(value, float | np.floating) else value


def judged(symptom: str, value: float) -> SymptomTruth:
    """A value against its row of :data:`LIMITS`; close: within 2 dB, or 15 %, of the note limit."""
    note, fault = LIMITS[symptom]
    sign = -1.0 if symptom in _LOWER_IS_WORSE else 1.0
    beyond = "fault" if sign * (value - fault) > 0.0 else "note" if sign * (value - note) > 0.0 else ""
    margin = 2.0 if symptom in _IN_DECIBELS else 0.15 * abs(note)
    return SymptomTruth(value=value, beyond=beyond, close=abs(value - note) < margin)


# --- lines: a steady carrier of whole hertz through the same chain -------------------------------


@dataclass(frozen=True, kw_only=True)
class Lines:
    """What stands in the spectrum of a steady key-down, dBc unless named otherwise."""

    level_dbfs: float
    sidebands: tuple[dict[str, float], ...]
    hum_dbc: float
    thd_db: float
    harmonics: tuple[dict[str, float], ...]
    spur_dbc: float


def _whole(hz: float, mains_hz: int, remainder: int) -> float:
    """The whole number next to ``hz`` that leaves ``remainder`` over a multiple of the mains frequency."""
    return float(round((hz - remainder) / mains_hz) * mains_hz + remainder)


def steady_probe(scenario: Scenario, gain: float | None = None) -> Scenario:
    """The scenario's chain hearing a steady carrier; each kind of line keeps bins to itself.

    ``gain`` is what the gain control made of signal and noise together; without it, it finds its own.
    Over a multiple of the mains the tone leaves 17 Hz, so its harmonics leave 34, 51, ... and other
    lines 17 +- 23: none meets the mains families of another.
    """
    mains_hz = round(scenario.mains.hz)
    tx, rx = scenario.transmitter, scenario.receiver
    tone_hz = _whole(rx.tone_hz, mains_hz, 17)
    moved = tone_hz - rx.tone_hz
    switching, parasitic, band = tx.switching, tx.parasitic, rx.passband
    if switching is not None:
        switching = replace(switching, hz=_whole(switching.hz, mains_hz, 23), wander_hz=0.0)
    if parasitic is not None:
        parasitic = replace(parasitic, offset_hz=_whole(parasitic.offset_hz, mains_hz, 23), wander_hz=0.0)
    return replace(
        scenario,
        duration_s=3.5,
        mains=replace(scenario.mains, hz=float(mains_hz), wander_hz=0.0),
        transmitter=replace(
            tx, keying=replace(tx.keying, mode="steady", start_s=0.0, stop_s=-1.0, leak_db=None, bounces=0),
            load=Load(chirp_hz=0.0), switching=switching, parasitic=parasitic, drift=Drift()),
        path=Path(wiring=scenario.path.wiring, fading=Fading()),
        receiver=replace(
            rx, tone_hz=tone_hz, drift=Drift(), gain_control=None if gain else rx.gain_control,
            hand_gain=gain or rx.hand_gain,
            passband=replace(band, low_hz=band.low_hz + moved, high_hz=band.high_hz + moved)),
        recorder=replace(scenario.recorder, rate_error_ppm=0.0),
    )


def true_lines(scenario: Scenario, gain: float | None = None) -> Lines:
    """All lines of a steady key-down."""
    probe = steady_probe(scenario, gain)
    rate, mains_hz, tone = scenario.rate_hz, round(scenario.mains.hz), int(probe.receiver.tone_hz)
    audio = run(probe, quiet=True).samples[2 * rate : 3 * rate]
    line = np.fft.rfft(audio) * (2.0 / rate)
    relative = np.maximum(np.abs(line / line[tone]), 1e-9)
    top = int(0.45 * rate)
    orders = list(range(2, top // tone + 1))
    return Lines(
        level_dbfs=signals.db(abs(line[tone])),
        sidebands=tuple(_sidebands(line / line[tone], tone, mains_hz)),
        # What stays at key-up; at key-down the detector makes such lines of a modulated tone too.
        hum_dbc=max(scenario.recorder.hum.values(), default=-180.0)
        - scenario.recorder.turned_down_db - signals.db(abs(line[tone])),
        thd_db=signals.db(np.sqrt(np.sum(relative[[tone * k for k in orders]] ** 2))) if orders else -180.0,
        harmonics=tuple({"order": k, "dbc": signals.db(relative[k * tone])} for k in orders[:8]),
        spur_dbc=signals.db(np.where(_explained(line.size, rate, tone, mains_hz), 1e-9, relative).max()),
    )


def _explained(count: int, rate: int, tone: int, mains_hz: int) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Bins of the mains, of the tone's harmonics with their mains sidebands (folded too), of 0.45 rate on."""
    taken = np.zeros(count, dtype=np.bool_)
    taken[::mains_hz] = taken[:20] = taken[int(0.45 * rate) :] = True
    for orders, sidebands in ((count // tone + 1, 30), (40, 2)):  # folded ones are weaker: fewer sidebands
        lines = tone * np.arange(1, orders)[:, None] + mains_hz * np.arange(-sidebands, sidebands + 1)
        folded = np.abs((lines + rate // 2) % rate - rate // 2)
        taken[folded[folded < count]] = True
    return taken


def _sidebands(line: signals.Complex, tone: int, mains_hz: int) -> Iterator[dict[str, float]]:
    """Pairs of the mains families above -90 dBc: levels, and the part of the power that is angle."""
    for offset in range(mains_hz, 13 * mains_hz, mains_hz):
        upper = line[tone + offset]
        if tone - offset < mains_hz // 2:
            continue
        lower = line[tone - offset]
        level = np.sqrt(0.5 * (abs(lower) ** 2 + abs(upper) ** 2))
        if level < signals.from_db(-90.0):
            continue
        # A carrier 1 + a cos + j p cos has U = (a + j p)/2 and conj(L) = (a - j p)/2.
        am, pm = abs(upper + np.conj(lower)), abs(upper - np.conj(lower))
        yield {
            "offset_hz": float(offset), "level_dbc": signals.db(level), "lower_dbc": signals.db(abs(lower)),
            "upper_dbc": signals.db(abs(upper)), "am_index": float(am), "pm_index_rad": float(pm),
            "angle_share": float(pm**2 / (am**2 + pm**2)),
        }  # fmt: skip


# --- noise: from the densities -------------------------------------------------------------------


def _overload_share(overload: Overload, drive: float) -> tuple[float, float, float, float]:
    """What a limiting stage does at a drive u = a / L.

    Returns level gain D/u, and for a small relative change of L the relative change of amplitude and
    of phase (rad); last, the gain of a small amplitude change of the input, u D'/D.
    """
    step = 1e-3
    here = limiting_gain(drive, overload)
    above, below = (limiting_gain(drive, overload, 1.0 + s) for s in (step, -step))
    change = complex(np.log(above / below)) / (2.0 * step)
    return float(abs(here)) / drive, change.real, change.imag, 1.0 - change.real


def true_noise(
    scenario: Scenario, path_gain: signals.Complex, inner_hz: float, detector_level: float
) -> dict[str, float]:
    """SNR, rasp and phase noise that the settings make, the tone being ``detector_level`` at the detector."""
    tx, rx = scenario.transmitter, scenario.receiver
    carrier = rx.amplitude * signals.from_db(-rx.pad_db)
    antenna = rx.antenna_share * 10.0 ** (-rx.pad_db / 10.0)
    inner = 1.0 - rx.antenna_share
    up = down = antenna + inner
    f = np.arange(5.0, 500.5, 1.0)
    pm = sum((skirt.density(f) for skirt in (*tx.noise, *rx.noise)), np.zeros_like(f))
    am = np.zeros_like(f)
    if rx.overload is not None:
        drive = signals.from_db(rx.overload.drive_db - rx.pad_db)
        level, am_share, pm_share, passed = _overload_share(rx.overload, drive)
        carrier *= level
        # The signal turns the noise's phase part down with itself; the amplitude part is limited away.
        down = antenna * level**2 * 0.5 * (1.0 + passed**2) + inner
        hiss = Skirt(dbc_hz=rx.overload.noise_dbc_hz, to_hz=rx.overload.noise_to_hz).density(f)
        pressed = _passed_by_tanh(detector_level / signals.from_db(rx.detector.headroom_db))
        twist = Skirt(dbc_hz=rx.overload.angle_noise_dbc_hz, to_hz=rx.overload.noise_to_hz).density(f)
        am = am + hiss * (am_share * pressed) ** 2
        pm = pm + hiss * pm_share**2 + twist * (1.0 - level) ** 2
    sides = np.abs(rx.passband.response(rx.tone_hz + np.concatenate([f, -f]))) ** 2
    sides /= abs(rx.passband.response(np.array([rx.tone_hz]))[0]) ** 2
    both = sides.reshape(2, -1).sum(axis=0)
    made = 0.5 * (am + pm)  # a one-sided density S puts S/2 on each side of the carrier
    heard = np.sum(both * (made + down / carrier**2))
    pm_in = f <= 300.0
    angle = float(np.sum((0.5 * both * pm)[pm_in])) + _flutter_angle(path_gain, inner_hz) ** 2
    return {
        "snr_db": float(10.0 * np.log10(carrier**2 / (2500.0 * up))),
        "rasp_dbc": float(10.0 * np.log10(heard)),
        "rasp_rise_db": float(10.0 * np.log10(heard / np.sum(both * up / carrier**2))),
        "pm_excess_rad": float(np.sqrt(angle)),
    }  # fmt: skip


def _passed_by_tanh(u: float) -> float:
    """Part of a small amplitude modulation that is left by a tanh stage driven to ``u`` times its limit."""
    step = 1e-3
    above, below = (relative_gain(np.array([u * (1.0 + s)]))[0] for s in (step, -step))
    return 1.0 + float(np.log(above / below)) / (2.0 * step)


def _flutter_angle(gain: signals.Complex, rate_hz: float) -> float:
    """Phase (rms, rad) that the path adds at rates above 5 Hz."""
    slow = signals.filtered(gain, rate_hz, lambda f: (np.abs(f) < 5.0).astype(float))
    inside = slice(int(0.5 * rate_hz), -int(0.5 * rate_hz))
    angle = np.imag((gain * np.conj(slow))[inside])
    weight = np.abs(slow[inside]) ** 2
    return float(np.sqrt(np.mean(angle**2 / np.maximum(weight, 1e-3 * weight.mean())) / weight.mean()))


# --- keying and frequency: from the arrays -------------------------------------------------------


@dataclass(frozen=True)
class _Elements:
    """Each mark before the filter's own rise: its edges as keyed, its overshoot as the gain control leaves it."""

    rise_s: float
    fall_s: float
    overshoot_db: float


def _detector_amplitude(scenario: Scenario, made: Run) -> Real:
    """Our signal's amplitude (n,) after path, limiting and gain control, 1 at the control's target."""
    rx = scenario.receiver
    amplitude = made.emission.amplitude * np.abs(made.path_gain)
    amplitude = amplitude * (rx.amplitude * signals.from_db(-rx.pad_db))
    if rx.overload is not None:
        limit = rx.amplitude * signals.from_db(-rx.overload.drive_db)
        amplitude = limit * np.abs(limiting_gain(np.maximum(amplitude / limit, 1e-9), rx.overload))
    return np.asarray(amplitude * made.reception.gain)


def _recorded_amplitude(scenario: Scenario, amplitude: Real) -> Real:
    """The fundamental's amplitude (n,), full scale 1, after detector, audio stage and converter."""
    limit = signals.from_db(scenario.receiver.detector.headroom_db)
    peak = signals.from_db(scenario.recorder.level_dbfs)
    out = amplitude * relative_gain(amplitude / limit) * peak
    stage = scenario.recorder.overdrive
    if stage is not None:
        ceiling = peak * signals.from_db(-stage.drive_db)
        out = _clipped_fundamental(out, ceiling) if stage.hard else out * relative_gain(out / ceiling)
    return _clipped_fundamental(out, 1.0)


def _clipped_fundamental(amplitude: Real, limit: float) -> Real:
    """Fundamental of a sine clipped at +-limit: A (2/pi)(a + sin a cos a), sin a = limit / A."""
    sine = np.minimum(limit / np.maximum(amplitude, 1e-12), 1.0)
    angle = np.arcsin(sine)
    return np.asarray(amplitude * (2.0 / np.pi) * (angle + sine * np.cos(angle)))


def _turned_hz(scenario: Scenario, made: Run) -> Real:
    """Frequency (n,) of our signal that follows the key: the oscillator's, and a limiting stage's phase."""
    hz, rx = made.emission.keyed_hz, scenario.receiver
    if rx.overload is None:
        return hz
    drive = made.emission.amplitude * np.abs(made.path_gain)
    drive = drive * signals.from_db(rx.overload.drive_db - rx.pad_db)
    turn = np.angle(limiting_gain(np.maximum(drive, 1e-9), rx.overload))
    return np.asarray(hz + np.gradient(turn) * made.inner_hz / (2.0 * np.pi))


def _elements(heard: Real, gain: Real, rate_hz: float, on_s: Real, off_s: Real, dit_s: float) -> _Elements:
    """Medians over the marks of 10 to 90 % rise and fall and of the peak over the settled level.

    Rise and fall are the keying's, between what is left at key-up and the settled level: the gain control's
    ``gain`` (n,) is taken off the amplitude ``heard`` (n,). The peak is as heard.
    """
    keyed = heard / gain
    rise, fall, over = [], [], []
    reach = int(0.45 * dit_s * rate_hz)
    for on, off in zip((on_s * rate_hz).astype(int), (off_s * rate_hz).astype(int), strict=True):
        begin, end, middle = max(on - reach, 0), min(off + reach, heard.size), (on + off) // 2
        late = slice(middle, off - (off - on) // 6)
        over.append(heard[begin:middle].max() / float(np.median(heard[late])))
        settled = float(np.median(keyed[late]))
        first, last = (_swing(part, settled) for part in (keyed[begin:middle], keyed[middle:end]))
        rise.append(_crossing(first[::-1], 0.1) - _crossing(first[::-1], 0.9))
        fall.append(_crossing(last, 0.1) - _crossing(last, 0.9))
    return _Elements(float(np.median(rise)) / rate_hz, float(np.median(fall)) / rate_hz,
                     signals.db(float(np.median(over))))


def _swing(amplitude: Real, settled: float) -> Real:
    """0 at the least amplitude, which a backwave keeps from nothing, and 1 at the settled one."""
    least = float(amplitude.min())
    return np.asarray((amplitude - least) / (settled - least))


def _crossing(falling: Real, level: float) -> float:
    """Index (with fraction) at which an array, once above ``level``, first falls below it."""
    start = int(np.argmax(falling > level))
    k = start + int(np.argmax(falling[start:] <= level))
    if k == start:
        return float(falling.size)
    return float(k - 1 + (falling[k - 1] - level) / (falling[k - 1] - falling[k]))


def true_timing(scenario: Scenario, made: Run) -> dict[str, float]:
    """Scatter of the marks about their class mean, and 2 (dah + gap)/(dit + gap) - 1."""
    marks, keying = made.emission.marks, scenario.transmitter.keying
    length = marks.open_s - marks.close_s
    gaps = [units for _, units in elements(keying.text)]
    beside = np.resize(gaps, length.size)[:-1] == 1  # an ordinary gap follows
    interval = np.diff(marks.close_s)
    scatter = [float(np.std(length[kind]) / np.mean(length[kind]))
               for kind in (marks.dah, ~marks.dah) if np.count_nonzero(kind) > 1]
    out = {"element_jitter": max(scatter, default=0.0)}
    dahs, dits = interval[beside & marks.dah[:-1]], interval[beside & ~marks.dah[:-1]]
    if dahs.size and dits.size:
        out["dah_dit_ratio"] = float(2.0 * dahs.mean() / dits.mean() - 1.0)
        out["weighting"] = float(np.mean(length[:-1][beside & ~marks.dah[:-1]]) / dits.mean() - 0.5)
    return out


def true_chirp(scenario: Scenario, made: Run, after_s: float) -> float:
    """Frequency ``after_s`` after half amplitude less that at the mark's end; median of the dahs, if any."""
    marks = made.emission.marks
    on_s, off_s = half_amplitude_times(marks, scenario.transmitter.keying)
    kind = marks.dah if marks.dah.any() else ~marks.dah
    hz = _turned_hz(scenario, made)
    t = signals.times(hz.size, made.inner_hz)
    late = on_s + 0.9 * (off_s - on_s)
    early, settled = (np.interp(at[kind], t, hz) for at in (on_s + after_s, late))
    return float(np.median(early - settled))


def true_drift(scenario: Scenario, made: Run) -> dict[str, Any]:
    """Slope over the key-down time, jumps, and the cycle where a whole one was sent."""
    rate_hz = made.inner_hz
    paths = (made.emission.drift, made.reception.drift)
    t = signals.times(made.emission.amplitude.size, rate_hz)
    down = made.emission.amplitude > 0.5
    first, last = t[down][0], t[down][-1]
    settings = (scenario.transmitter.drift, scenario.receiver.drift)
    whole = [s.cycle_peak_hz for s in settings if s.cycle_s <= last - first]
    trend = sum((p.trend_hz for p in paths), np.zeros(t.size))
    for path, each in zip(paths, settings, strict=True):
        if each.cycle_s > last - first:
            trend = trend + path.cycle_hz
    at = t[down] - t[down].mean()
    slope = float(np.dot(at, trend[down]) / np.dot(at, at))
    jumps = [jump for path in paths for jump in path.jumps if first < jump[0] < last]
    total = sum((p.total_hz(rate_hz) for p in paths), np.zeros(t.size))
    straight = float(np.dot(at, total[down]) / np.dot(at, at))  # through jumps and cycles too
    return {
        "tone_hz": float(scenario.receiver.tone_hz + np.mean((total + made.emission.keyed_hz)[down])),
        "drift_hz_per_min": 60.0 * slope,
        "straight_line_hz_per_min": 60.0 * straight,
        "drift_total_hz": float(trend[down][-1] - trend[down][0]),
        "jumps": [{"time_s": when, "size_hz": size} for when, size in sorted(jumps)],
        "cycle_peak_hz": max((abs(peak) for peak in whole), default=0.0),
    }


# --- the rest of the path and the recorder --------------------------------------------------------


def _true_fading(amplitude: Real, down: np.ndarray[Any, np.dtype[np.bool_]], rate_hz: float) -> float:
    """5 to 95 % range of the key-down level averaged over 0.2 s, dB."""
    held = amplitude[down]
    block = int(0.2 * rate_hz)
    count = held.size // block
    if count < 2:
        return 0.0
    level = 10.0 * np.log10(np.mean(held[: count * block].reshape(count, block) ** 2, axis=1))
    low, high = np.percentile(level, [5.0, 95.0])
    return float(high - low)


def _true_bursts(scenario: Scenario, made: Run) -> tuple[float, float]:
    """Loudest millisecond of a burst over the floor (dB, median), and the share of time 10 dB over it."""
    power, rate_hz = made.bursts * scenario.receiver.antenna_share, made.inner_hz
    if not power.any():
        return 0.0, 0.0
    f = np.asarray(np.fft.fftfreq(power.size, 1.0 / rate_hz), dtype=np.float64)
    answer = np.abs(np.fft.ifft(scenario.receiver.passband.response(f))) ** 2
    spread = np.fft.irfft(np.fft.rfft(power) * np.fft.rfft(answer / answer.sum()), power.size)
    block = max(1, round(rate_hz * 1e-3))
    count = spread.size // block
    over = 10.0 * np.log10(np.maximum(spread[: count * block].reshape(count, block).mean(axis=1) + 1.0, 1.0))
    loud = over > LIMITS["noise-bursts"][0]
    if not loud.any():
        return float(over.max()), 0.0
    begin = np.flatnonzero(loud & ~np.append(False, loud[:-1]))
    peak = np.maximum.reduceat(np.where(loud, over, 0.0), begin)
    return float(np.median(peak)), float(loud.mean())


def _true_others(scenario: Scenario) -> dict[str, float]:
    """Strongest other station and speech as the filter passes them, relative to our tone."""
    band, tone_hz = scenario.receiver.passband, scenario.receiver.tone_hz
    own = abs(band.response(np.array([tone_hz]))[0])
    out = {}
    levels = [s.level_dbc + signals.db(abs(band.response(np.array([s.frequency_hz]))[0]) / own)
              for s in scenario.path.stations]
    if levels:
        out["other-signal"] = max(levels)
    voice = scenario.path.voice
    if voice is not None:
        rate_hz, n = 24000.0, 96000
        sound = signals.analytic(speech(n, rate_hz, np.random.default_rng(0)))
        if voice.on_tone:
            sound = sound.real * np.exp(2j * np.pi * tone_hz * signals.times(n, rate_hz))
        passed = np.abs(signals.filtered(sound, rate_hz, band.response)) ** 2
        share = float(passed.mean() / np.mean(np.abs(sound) ** 2))
        out["voice-breakthrough"] = voice.level_dbc + 10.0 * float(np.log10(share)) - signals.db(own)
    return out


def _clipped(scenario: Scenario, made: Run) -> float:
    """Share of the key-down samples at the rails."""
    rate_hz = scenario.rate_hz * (1.0 + 1e-6 * scenario.recorder.rate_error_ppm)
    t = signals.times(made.samples.size, rate_hz)
    on_s, off_s = half_amplitude_times(made.emission.marks, scenario.transmitter.keying)
    down = np.searchsorted(on_s, t, side="right") > np.searchsorted(off_s, t, side="right")
    rail = signals.from_db(-scenario.recorder.turned_down_db)
    step = 0.0 if scenario.recorder.bits is None else 2.0 ** (1 - scenario.recorder.bits)
    return float(np.mean(np.abs(made.samples[down]) >= rail - 1.01 * step))


# --- together --------------------------------------------------------------------------------------


def truth_of(scenario: Scenario, made: Run) -> Truth:
    """The truth about a recording that :func:`~sigcheck.synth.scenario.run` made of ``scenario``."""
    keying, rx = scenario.transmitter.keying, scenario.receiver
    drift = true_drift(scenario, made)
    at_detector = _detector_amplitude(scenario, made)
    heard = _recorded_amplitude(scenario, at_detector)
    down = made.emission.amplitude > 0.5
    lines = true_lines(scenario, float(np.median(made.reception.gain[down])))
    noise = true_noise(scenario, made.path_gain, made.inner_hz, float(np.median(at_detector[down])))
    burst_db, burst_time = _true_bursts(scenario, made)
    keyed = keying.mode == "cw"

    values: dict[str, float] = {
        "hum-sidebands": max((line["level_dbc"] for line in lines.sidebands), default=-90.0),
        "spur-lines": lines.spur_dbc,
        "harmonic-distortion": lines.thd_db,
        "rasp": noise["rasp_dbc"],
        "noisy-tone": noise["pm_excess_rad"],
        "audio-hum": lines.hum_dbc,
        "drift": abs(drift["drift_hz_per_min"]),
        "frequency-jumps": max((abs(jump["size_hz"]) for jump in drift["jumps"]), default=0.0),
        "frequency-wobble": drift["cycle_peak_hz"],
        "fading": _true_fading(heard, down, made.inner_hz),
        "noise-bursts": burst_db,
        "clipped-recording": _clipped(scenario, made),
        "weak-signal" if keyed else "weak-signal-steady": noise["snr_db"],
        **_true_others(scenario),
    }
    parameters: dict[str, Any] = {
        "kind": "keyed" if keyed else "steady",
        "duration_s": made.samples.size / scenario.rate_hz,
        "sample_rate_hz": scenario.rate_hz,
        "sample_rate_error_ppm": scenario.recorder.rate_error_ppm,
        "mains_hz": made.mains.mean_hz(scenario.duration_s),
        "level_dbfs": lines.level_dbfs,
        "passband_hz": [rx.passband.low_hz, rx.passband.high_hz],
        "sidebands": list(lines.sidebands),
        "harmonics": list(lines.harmonics),
        "key_down_s": float(np.count_nonzero(down) / made.inner_hz),
        "burst_time_fraction": burst_time,
        "dropouts": [asdict(lost) for lost in scenario.recorder.dropouts],
        **noise,
        **drift,
    }
    if keyed:
        keyed_values, keyed_parameters = _keyed_truth(scenario, made, heard)
        values |= keyed_values
        parameters |= keyed_parameters

    truths = {name: judged(name, value) for name, value in values.items()}
    truths["rasp"] = _needs_both(truths["rasp"], noise["rasp_rise_db"], _RASP_RISE_DB)
    truths["noise-bursts"] = _needs_both(truths["noise-bursts"], burst_time, _BURST_TIME)
    # A line through jumps or through a cycle is drift to some, and to others not.
    if judged("drift", abs(drift["straight_line_hz_per_min"])).beyond != truths["drift"].beyond:
        truths["drift"] = replace(truths["drift"], close=True)
    return _together(scenario, truths, values, parameters)


def _needs_both(truth: SymptomTruth, second: float, limits: tuple[float, float]) -> SymptomTruth:
    """The severity that a second quantity allows too."""
    beyond = "" if second < limits[0] else "note" if truth.beyond and second < limits[1] else truth.beyond
    close = abs(second / limits[0] - 1.0) < 0.3 if truth.beyond else truth.close and second > 0.7 * limits[0]
    return replace(truth, beyond=beyond, close=close)


def _keyed_truth(scenario: Scenario, made: Run, heard: Real) -> tuple[dict[str, float], dict[str, Any]]:
    """The values and parameters that only a keyed signal has."""
    keying, load = scenario.transmitter.keying, scenario.transmitter.load
    limit_s = scenario.receiver.passband.rise_limit_s(scenario.receiver.tone_hz)
    on_s, off_s = half_amplitude_times(made.emission.marks, keying)
    each = _elements(heard, made.reception.gain, made.inner_hz, on_s, off_s, keying.dit_s)
    timing = true_timing(scenario, made)
    values = {
        "slow-keying": max(each.rise_s, each.fall_s) / keying.dit_s,
        "chirp": abs(true_chirp(scenario, made, 2.0 * limit_s)),
        "overshoot": each.overshoot_db,
        "keying-timing": timing["element_jitter"],
        "keying-ratio": abs(timing.get("dah_dit_ratio", 3.0) - 3.0),
    }
    if limit_s <= _TESTABLE_RISE_LIMIT_S:
        values["key-clicks"] = float(np.hypot(min(each.rise_s, each.fall_s), limit_s))
    if keying.leak_db is not None:
        values["backwave"] = keying.leak_db
    parameters = {
        "text": keying.text, "wpm": keying.wpm, "dit_s": keying.dit_s, "n_elements": int(on_s.size),
        "rise_s": keying.rise_s, "fall_s": keying.fall_s, "rise_limit_s": limit_s,
        "heard_rise_s": each.rise_s, "heard_fall_s": each.fall_s, "overshoot_db": each.overshoot_db,
        "chirp_hz": true_chirp(scenario, made, 0.0), "chirp_settle_s": load.settle_s,
        "droop_db": load.droop_db, "backwave_db": keying.leak_db, **timing,
    }  # fmt: skip
    return values, parameters


def _together(scenario: Scenario, truths: dict[str, SymptomTruth], values: dict[str, float],
              parameters: dict[str, Any]) -> Truth:
    """Symptoms by their public names, and of the causes at work those that show."""
    severity = {name: truth.beyond for name, truth in truths.items() if truth.beyond}
    close = {name for name, truth in truths.items() if truth.close}
    for row, symptom in (("keying-ratio", "keying-timing"), ("weak-signal-steady", "weak-signal")):
        if row in severity:
            severity.setdefault(symptom, severity[row])
            del severity[row]
        if row in close:
            close = close - {row} | {symptom}
    if scenario.recorder.dropouts:
        severity["dropouts"] = "fault"
    if "keying-timing" in severity:
        severity["keying-timing"] = "note"  # a fault only where the copy suffers: no settings tell that
    symptoms = tuple(sorted(severity))
    causes = [blame.cause for blame in scenario.blames if set(blame.shows) & set(symptoms)]
    return Truth(
        symptoms=symptoms, causes=tuple(dict.fromkeys(causes)) or ("no-fault",), severity=severity,
        borderline=tuple(sorted(close)), values=values, parameters=parameters,
    )  # fmt: skip
