"""One evening at the bench: all settings from the station to the recorder, and what comes out."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from . import receiver, recorder, station
from .keyer import Fist, Sending, send
from .receiver import FAST_HZ, STEP, Filter, GainControl
from .station import SLOW_HZ, Array

Bool = NDArray[np.bool_]
MARGIN_S = 0.2  # run before and after the recording; a whole number of samples at every rate


@dataclass
class Supply:
    """A mains supply whose ripple reaches amplitude and phase; strongest line `dbc` on each side."""

    dbc: float
    full_wave: bool = True
    discharge_s: float = 0.03
    imbalance: float = 0.0
    angle_share: float = 0.0  # of the line's power
    pushes: str = "phase"  # or "frequency"


@dataclass
class Wiring:
    """The signal on the house wiring, heard again through a rectifier that conducts at the peaks."""

    dbc: float
    turn_rad: float
    threshold: float = 0.85
    softness: float = 0.04
    other_half: float = 0.5


@dataclass
class Chirp:
    """Frequency (and perhaps level) that follows the key late."""

    hz: float
    settle_s: float
    droop_db: float = 0.0


@dataclass
class Overload:
    """A radio-frequency stage driven `drive_db` past its limit, with hum on that limit."""

    drive_db: float
    hum_dbc: float
    angle_share: float
    rasp_dbc: float
    hard: bool = False


@dataclass
class Other:
    """Another station, `hz` away from the tone."""

    hz: float
    dbc: float
    keyed: bool
    wpm: float = 18.0


@dataclass
class Scene:
    """All settings; the defaults are a station and a receiver without any fault."""

    seconds: float = 20.0
    keyed: bool = True
    transmits: bool = True
    tone_hz: float = 700.0
    snr_db: float = 25.0
    wpm: float = 15.0
    text: str = "VVV DE Q5KAP "
    fist: Fist = field(default_factory=Fist)
    begin_s: float = 0.7
    end_s: float = 19.0
    shape: str = "gauss"
    rise_s: float = 0.006
    fall_s: float = 0.006
    mains_hz: float = 50.0
    supply: Supply | None = None
    magnetic_dbc: float | None = None
    switching: tuple[float, float, float] | None = None  # Hz, dBc, wander in Hz
    wiring: Wiring | None = None
    chirp: Chirp | None = None
    backwave_db: float | None = None
    noise_slope: str = "f2"
    noise_rad: float = 0.004  # rms phase noise, 5..300 Hz
    noise_amplitude_rms: float = 0.0
    drift_hz_per_min: float = 0.0
    warm_up: tuple[float, float] | None = None  # Hz, time constant s
    steps: tuple[tuple[float, float], ...] = ()  # s, Hz
    wobble: tuple[float, float] | None = None  # peak Hz, cycle s
    fading: tuple[float, float] | None = None  # strength of the second path 0..1, turns a second
    sferics_per_s: float = 0.0
    bursts: tuple[float, float, float] | None = (
        None  # per mains cycle (0: at random, 25/s), dB over the floor, length s
    )
    others: tuple[Other, ...] = ()
    voice_db: float | None = None  # speech relative to the tone (to the noise in the passband without one)
    filter: Filter = field(default_factory=lambda: Filter(300, 2700, "ellip", 6))
    control: GainControl | None = None
    overload: Overload | None = None
    hum_on_receiver: Supply | None = None
    detector_second: float = 0.001  # polynomial coefficients at the tone's amplitude
    detector_third: float = 0.002
    audio_drive_db: float | None = None  # tone over the audio stage's limit
    audio_hard: bool = False
    audio_other_side: float = 1.0  # limit of the negative half relative to the positive
    audio_filter_after: bool = False
    comb_dbc: float | None = None
    rate: int = 48_000
    bits: int = 16
    dither: bool = False
    codec: str | None = None
    peak_dbfs: float = -9.0
    clip_db: float | None = None  # tone over the recorder's rails
    quieter: float = 1.0
    gaps: tuple[str, int] | None = None
    only: str | None = None  # without a transmitter: "noise", "silence", "hum", "voice"


@dataclass
class Simulated:
    """What came out, and the inner quantities from which the truth is read."""

    samples: Array
    rate: int
    scene: Scene
    sending: Sending | None
    angle: Array  # of the mains
    key: Bool  # at SLOW_HZ: between the half-amplitude points
    settled: Bool
    received: NDArray[np.complex128]  # noise-free tone at complex baseband, SLOW_HZ
    control_gain: Array  # amplitude, of the receiver's gain control, SLOW_HZ
    frequency: Array  # of the tone against time at the transmitter, slow part
    chirp_hz: float
    own_noise: NDArray[np.complex128]  # multiplicative noise, amplitude + j phase
    hum: NDArray[np.complex128] | None  # all modulation by the mains, if there is any
    harmonics: Array  # amplitudes 0.. relative to the fundamental
    clipped_fraction: float
    comb: dict[float, float] = field(default_factory=dict)
    gaps: list[tuple[float, float]] = field(default_factory=list)


def simulate(scene: Scene, rng: np.random.Generator) -> Simulated:
    """Run the whole chain; what the filters do at the two ends is left out by `MARGIN_S`."""
    n_slow = round((round(scene.seconds, 1) + 2 * MARGIN_S) * SLOW_HZ)
    n = n_slow * STEP
    angle = station.mains_angle(n_slow, scene.mains_hz, rng)
    sending, envelope, key, settled = _keying(scene, n_slow, rng)
    amplitude, phase, parts = _transmitter(scene, envelope, key, settled, angle, rng)
    clean = receiver.on_carrier(amplitude, phase, scene.tone_hz, n) if scene.transmits else np.zeros(n)
    noise = _band_noise(scene, n, angle, rng)
    rest = _other_signals(scene, n, rng)

    total, clean = _front_end(scene, clean, noise + rest, angle, settled, parts, rng)
    sections = scene.filter.sections()
    total, clean = (receiver.signal.sosfilt(sections, x) for x in (total, clean))
    full = _full_amplitude(clean, settled) if scene.transmits else _loudness(total)
    gain = receiver.control_gain(total, scene.control, full)
    control_gain = gain[::STEP][:n_slow]
    hum_gain, hum_phase = _receiver_hum(scene, angle)
    if scene.hum_on_receiver:
        hum = hum_gain * np.exp(1j * hum_phase)
        parts["hum"] = hum if parts["hum"] is None else parts["hum"] * hum
    gain *= receiver.faster(hum_gain, n)
    total, clean = total * gain, clean * gain
    shift = receiver.faster(hum_phase, n) if np.any(hum_phase) else None
    audio = receiver.product_detector(total, shift)
    track = _own_track(scene, clean, hum_phase, parts["slow_phase"])
    full = float(np.median(np.abs(track[settled]))) if scene.transmits else _loudness(audio)

    audio, harmonics, bend = _audio_stages(scene, audio, full)
    out = recorder.at_rate(audio, scene.rate)
    out, comb = _ground_loop(scene, out, angle, full, rng)
    out = out[int(MARGIN_S * scene.rate) : -int(MARGIN_S * scene.rate)]
    kept = slice(int(MARGIN_S * SLOW_HZ), -int(MARGIN_S * SLOW_HZ))
    out, clipped, rails = _levelled(scene, out, full, key[kept])
    if rails is not None:  # the recorder's rails bend the tone after everything else
        harmonics, bend = _audio_harmonics(scene, full, rails)
    out, gaps = _stored(scene, out, rng)
    return Simulated(
        samples=out,
        rate=scene.rate,
        scene=scene,
        sending=None if sending is None else sending.later(-MARGIN_S),
        angle=angle[kept],
        key=key[kept],
        settled=settled[kept],
        received=bend(track / full)[kept],
        control_gain=control_gain[kept],
        frequency=parts["frequency"][kept],
        chirp_hz=parts["chirp_hz"],
        own_noise=parts["own_noise"],
        hum=None if parts["hum"] is None else parts["hum"][kept],
        harmonics=harmonics,
        clipped_fraction=clipped,
        comb=comb,
        gaps=gaps,
    )


def _keying(scene: Scene, n: int, rng: np.random.Generator) -> tuple[Sending | None, Array, Bool, Bool]:
    t = np.arange(n) / SLOW_HZ
    if not scene.transmits:
        nothing = np.zeros(n, bool)
        return None, np.zeros(n), nothing, nothing
    if scene.keyed:
        sending = send(
            scene.text, scene.wpm, scene.begin_s + MARGIN_S, scene.end_s + MARGIN_S, scene.fist, rng
        )
        on, off = sending.on_s, sending.off_s
    else:
        sending, on, off = None, np.array([scene.begin_s]) + MARGIN_S, np.array([scene.end_s]) + MARGIN_S
    envelope = station.keyed_envelope(n, on, off, scene.shape, scene.rise_s, scene.fall_s)
    key = envelope > 0.5
    edge = 2 * scene.rise_s + 0.008
    settled = np.zeros(n, bool)
    for a, b in zip(on, off, strict=True):
        settled |= (t > min(a + edge, (a + b) / 2)) & (t < b - 0.004)
    return sending, envelope, key, settled & (envelope > 0.9)


def _transmitter(
    scene: Scene, envelope: Array, key: Bool, settled: Bool, angle: Array, rng: np.random.Generator
) -> tuple[Array, Array, dict[str, Any]]:
    """Amplitude and phase at SLOW_HZ, and the parts that the truth needs."""
    n = envelope.size
    t = np.arange(n) / SLOW_HZ
    factor = np.ones(n, complex)
    if scene.supply:
        load = 0.15 + 0.85 * key
        factor *= _ripple_factor(scene.supply, load, angle, settled)
    if scene.magnetic_dbc is not None:
        factor *= np.exp(2j * 10 ** (scene.magnetic_dbc / 20) * np.sin(angle + 1.0))
    if scene.wiring:
        factor *= _wiring_factor(scene.wiring, angle, settled)
    hum = factor.copy() if scene.supply or scene.wiring or scene.magnetic_dbc is not None else None
    if scene.switching:
        hz, dbc, wander = scene.switching
        spin = 2 * np.pi * np.cumsum(hz + _slow_walk(t, 0.3 * wander, rng)) / SLOW_HZ
        factor *= np.exp(10 ** (dbc / 20) * (0.6 * 2 * np.cos(spin) + 0.8j * 2 * np.sin(spin + 0.5)))
    if scene.fading:
        strength, turns = scene.fading
        walk = _slow_walk(t, 0.25, rng)
        factor *= (1 + strength * np.exp(1j * (2 * np.pi * turns * t + walk + rng.uniform(0, 6)))) / (
            1 + strength
        )

    noise = station.shaped_noise(n, scene.noise_slope, rng)
    noise *= scene.noise_rad / station.band_rms(noise, 5, 300)
    amplitude_noise = np.zeros(n)
    if scene.noise_amplitude_rms:
        amplitude_noise = station.shaped_noise(n, "plateau", rng, 600.0)
        amplitude_noise *= scene.noise_amplitude_rms / station.band_rms(amplitude_noise, 5, 500)

    chirp_phase, droop, chirp_hz = _chirp(scene, key, t)
    frequency = _slow_frequency(scene, t)
    slow_phase = 2 * np.pi * np.cumsum(frequency) / SLOW_HZ
    shape = envelope if scene.backwave_db is None else np.maximum(envelope, 10 ** (scene.backwave_db / 20))
    amplitude = shape * droop * np.abs(factor) * np.maximum(1 + amplitude_noise, 0.05)
    phase = slow_phase + chirp_phase + np.unwrap(np.angle(factor)) + noise
    if scene.supply and scene.supply.pushes == "frequency":
        chirp_hz += _edge_frequency(np.unwrap(np.angle(factor)), key)
    return (
        amplitude,
        phase,
        {
            "slow_phase": slow_phase,
            "frequency": frequency,
            "chirp_hz": chirp_hz,
            "hum": hum,
            "own_noise": amplitude_noise + 1j * noise,
        },
    )


def _walk(n: int, step: float, rng: np.random.Generator) -> Array:
    return np.cumsum(step * rng.standard_normal(n))


def _slow_walk(t: Array, step: float, rng: np.random.Generator) -> Array:
    """A random walk of one `step` every half second, straight between."""
    knots = np.arange(0, t[-1] + 1, 0.5)
    return np.interp(t, knots, _walk(knots.size, step, rng))


def _ripple_factor(supply: Supply, load: Array, angle: Array, settled: Bool) -> NDArray[np.complex128]:
    """Modulation by the supply's ripple with its strongest line at the level that was asked for."""
    volts = station.reservoir(
        angle, load, supply.discharge_s, full_wave=supply.full_wave, imbalance=supply.imbalance
    )
    ripple = volts / volts[settled].mean() - 1
    lines = station.line_coefficients(ripple.astype(complex), angle, settled, 8)
    order, strongest = max(((k, abs(c)) for k, c in lines.items() if k > 0), key=lambda x: x[1])
    scale = 10 ** (supply.dbc / 20) / strongest
    by_level, by_angle = scale * np.sqrt(1 - supply.angle_share), scale * np.sqrt(supply.angle_share)
    if supply.pushes == "phase":
        turn = by_angle * ripple
    else:  # frequency: the same index at the strongest line, falling with the line's frequency
        rate = 2 * np.pi * order * (angle[-1] - angle[0]) / (2 * np.pi) * SLOW_HZ / (angle.size - 1)
        # held at key-up so that the light load's higher voltage does not run the phase away
        turn = by_angle * rate * np.cumsum(ripple * (load > 0.5)) / SLOW_HZ
    return np.maximum(1 + by_level * ripple, 0.02) * np.exp(1j * turn)


def _wiring_factor(wiring: Wiring, angle: Array, settled: Bool) -> NDArray[np.complex128]:
    second = station.conduction(angle, wiring.threshold, wiring.softness, wiring.other_half) * np.exp(
        1j * wiring.turn_rad
    )
    lines = station.line_coefficients(second, angle, settled, 8)
    side = max(np.sqrt((abs(lines[k]) ** 2 + abs(lines[-k]) ** 2) / 2) for k in range(1, 9))
    return np.asarray(1 + 10 ** (wiring.dbc / 20) / side * second)


def _chirp(scene: Scene, key: Bool, t: Array) -> tuple[Array, Array, float]:
    if scene.chirp is None:
        return np.zeros(t.size), np.ones(t.size), 0.0
    settled_share = station.lagged(key.astype(float), scene.chirp.settle_s)
    offset = scene.chirp.hz * (1 - settled_share) * key
    phase = 2 * np.pi * np.cumsum(offset) / SLOW_HZ
    sag = 1 - 10 ** (-scene.chirp.droop_db / 20)
    return phase, 1 - sag * settled_share, _edge_frequency(phase, key)


def _edge_frequency(phase: Array, key: Bool, window_s: float = 0.003) -> float:
    """Frequency just after the half-amplitude point minus that at the element's end: the median."""
    w = int(window_s * SLOW_HZ)
    starts = np.flatnonzero(np.diff(key.astype(int)) == 1) + 1
    stops = np.flatnonzero(np.diff(key.astype(int)) == -1) + 1
    found = []
    for a in starts:
        later = stops[stops > a]
        if later.size and later[0] - a > 6 * w:
            b = int(later[0])
            early, late = phase[a + w] - phase[a], phase[b - w] - phase[(a + b) // 2]
            found.append((early / w - late / (b - w - (a + b) // 2)) * SLOW_HZ / (2 * np.pi))
    return float(np.median(found)) if found else 0.0


def _slow_frequency(scene: Scene, t: Array) -> Array:
    t = t - MARGIN_S
    f = scene.drift_hz_per_min / 60 * (t - t.mean())
    if scene.warm_up:
        size, tau = scene.warm_up
        f = f + size * np.exp(-t / tau)
    for when, size in scene.steps:
        f = f + size * (t > when)
    if scene.wobble:
        peak, cycle = scene.wobble
        f = f + peak * np.sin(2 * np.pi * t / cycle + 1.0)
    return f


def _band_noise(scene: Scene, n: int, angle: Array, rng: np.random.Generator) -> Array:
    """White noise at the aerial for the asked carrier-to-noise ratio, with sferics and bursts."""
    if scene.only == "silence":
        return np.zeros(n)
    density = 0.5 / (10 ** (scene.snr_db / 10) * 2500)  # carrier of amplitude 1; per hertz, one-sided
    noise = rng.standard_normal(n)
    swell = np.ones(n)
    if scene.sferics_per_s:
        for at in rng.uniform(0, n, rng.poisson(scene.sferics_per_s * n / FAST_HZ)).astype(int):
            length = int(FAST_HZ * rng.uniform(0.0005, 0.003))
            swell[at : at + length] += (
                3 * min(rng.pareto(1.6) + 1, 30) * np.exp(-3 * np.arange(length) / length)[: n - at]
            )
    if scene.bursts:
        per_cycle, db, length_s = scene.bursts
        if per_cycle:
            turns = np.mod(receiver.faster(angle, n) * per_cycle / (2 * np.pi) + 0.3, 1)
            rate = per_cycle * (angle[-1] - angle[0]) / (2 * np.pi) / (angle.size / SLOW_HZ)
            swell += (10 ** (db / 20) - 1) * (turns < length_s * rate)
        else:
            for at in rng.uniform(0, n, rng.poisson(25 * n / FAST_HZ)).astype(int):
                swell[at : at + int(length_s * FAST_HZ)] = 10 ** (db / 20)
    return noise * swell * np.sqrt(density * FAST_HZ / 2)


def _other_signals(scene: Scene, n: int, rng: np.random.Generator) -> Array:
    out = np.zeros(n)
    slow = n // STEP
    for other in scene.others:
        if other.keyed:
            fist = Fist(mark_scatter=0.04, gap_scatter=0.1)
            sent = send(
                "CQ DE Q9XYZ Q9XYZ PSE K ", other.wpm, rng.uniform(-3, 1), slow / SLOW_HZ + 2, fist, rng
            )
            keep = sent.on_s > 0
            shape = station.keyed_envelope(slow, sent.on_s[keep], sent.off_s[keep], "gauss", 0.006, 0.006)
        else:
            shape = np.ones(slow)
        walk = _walk(slow, 0.002, rng) * 0.02
        out += receiver.on_carrier(10 ** (other.dbc / 20) * shape, walk, scene.tone_hz + other.hz, n)
    if scene.voice_db is not None:
        speech = receiver.faster(babble(slow, rng), n)
        reference = 0.5 if scene.transmits else 0.5 / 10 ** (scene.snr_db / 10)
        carrier = np.exp(2j * np.pi * receiver.BEAT_HZ / FAST_HZ * np.arange(n))
        upper = receiver.signal.hilbert(speech) * carrier
        out += upper.real * np.sqrt(reference * 10 ** (scene.voice_db / 10) / np.mean(upper.real**2))
    return out


def babble(n: int, rng: np.random.Generator) -> Array:
    """Speech-like sound at SLOW_HZ: glottal pulses and hiss through moving formants, with pauses."""
    out = np.zeros(n)
    at = 0
    pitch = rng.uniform(90, 200)
    while at < n:
        length = int(SLOW_HZ * rng.uniform(0.09, 0.3))
        t = np.arange(length) / SLOW_HZ
        if rng.random() > 0.18:
            hz = pitch * (1 + 0.15 * rng.standard_normal() - 0.6 * rng.random() * t)
            pulses = np.diff(np.floor(np.cumsum(hz) / SLOW_HZ), prepend=0)
            source = pulses * 20 if rng.random() > 0.25 else rng.standard_normal(length)
            for centre, width in ((rng.uniform(300, 800), 80), (rng.uniform(900, 2200), 120), (2600, 180)):
                r = np.exp(-np.pi * width / SLOW_HZ)
                source = lfilter([1 - r], [1, -2 * r * np.cos(2 * np.pi * centre / SLOW_HZ), r * r], source)
            piece = source / (np.std(source) + 1e-9) * np.sin(np.pi * (t + 1e-3) / (t[-1] + 2e-3)) ** 0.7
            out[at : at + length] += piece[: n - at] * rng.uniform(0.4, 1)
        at += length + (int(SLOW_HZ * rng.uniform(0.15, 0.6)) if rng.random() < 0.15 else 0)
    return out


def _front_end(
    scene: Scene,
    clean: Array,
    rest: Array,
    angle: Array,
    settled: Bool,
    parts: dict[str, Any],
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """The radio-frequency stage: linear, or limiting, with hum on the limit and a strong signal's noise."""
    if scene.overload is None:
        return clean + rest, clean
    over = scene.overload
    n, slow = clean.size, angle.size
    hum = _ripple_factor(
        Supply(over.hum_dbc, full_wave=False, discharge_s=0.02, angle_share=over.angle_share),
        np.ones(slow),
        angle,
        settled,
    )
    rasp = station.shaped_noise(slow, "plateau", rng, 500.0) + 1j * station.shaped_noise(
        slow, "plateau", rng, 500.0
    )
    both = np.hypot(station.band_rms(rasp.real, 5, 500), station.band_rms(rasp.imag, 5, 500))
    rasp *= 10 ** (over.rasp_dbc / 20) / both
    parts["own_noise"] = parts["own_noise"] + rasp
    parts["hum"] = hum if parts["hum"] is None else parts["hum"] * hum
    limit = 10 ** (-over.drive_db / 20)
    moving = receiver.faster(np.abs(hum) * (1 + rasp.real), n)
    turn = receiver.faster(np.angle(hum) + rasp.imag, n)

    def stage(x: Array) -> Array:
        # the angle part: the signal's quarter-cycle neighbour added in proportion, right for small turns
        quarter = np.gradient(x) / (2 * np.pi * (receiver.BEAT_HZ + scene.tone_hz) / FAST_HZ)
        x = x * np.cos(turn) + quarter * np.sin(turn)
        x = x / (limit * moving)
        return moving * (receiver.hard_limit(x, -1, 1) if over.hard else receiver.soft_limit(x, 1.0))

    return stage(clean + rest), stage(clean)


def _receiver_hum(scene: Scene, angle: Array) -> tuple[Array, Array]:
    if scene.hum_on_receiver is None:
        return np.ones(angle.size), np.zeros(angle.size)
    everywhere = np.ones(angle.size, bool)
    factor = _ripple_factor(scene.hum_on_receiver, np.ones(angle.size), angle, everywhere)
    return np.abs(factor), np.unwrap(np.angle(factor))


def _full_amplitude(clean: Array, settled: Bool) -> float:
    power = np.mean(clean[: settled.size * STEP].reshape(-1, STEP) ** 2, axis=1)
    return float(np.sqrt(2 * np.median(power[settled])))


def _loudness(x: Array) -> float:
    return float(np.sqrt(2 * np.mean(x**2))) or 1.0


def _own_track(scene: Scene, clean: Array, hum_phase: Array, slow_phase: Array) -> NDArray[np.complex128]:
    """The noise-free tone at complex baseband, drift removed."""
    track = receiver.analytic_audio(clean)
    t = np.arange(track.size) / SLOW_HZ
    return np.asarray(track * np.exp(-1j * (2 * np.pi * scene.tone_hz * t + slow_phase + hum_phase)))


def _polynomial(scene: Scene, full: float) -> tuple[float, float]:
    return scene.detector_second / full, scene.detector_third / full**2


def _audio_filter(scene: Scene) -> Array:
    return np.asarray(receiver.signal.butter(3, [200, 3000], "bandpass", fs=FAST_HZ, output="sos"))


def _audio_stages(scene: Scene, audio: Array, full: float) -> tuple[Array, Array, Any]:
    second, third = _polynomial(scene, full)
    audio = audio + second * audio**2 + third * audio**3
    if scene.audio_drive_db is not None:
        limit = full * 10 ** (-scene.audio_drive_db / 20)
        if scene.audio_hard:
            audio = receiver.hard_limit(audio, -limit * scene.audio_other_side, limit)
        else:
            audio = receiver.soft_limit(audio, limit)
        if scene.audio_filter_after:
            audio = receiver.signal.sosfilt(_audio_filter(scene), audio)
    harmonics, bend = _audio_harmonics(scene, full, None)
    return audio, harmonics, bend


def _audio_harmonics(scene: Scene, full: float, rails: float | None) -> tuple[Array, Any]:
    """Harmonics of one cycle through the same stages, and the bend of the tone's own amplitude.

    `rails` is the recorder's limit, in the unit of the audio.
    """

    def chain(level: float) -> NDArray[np.complex128]:
        def stages(wave: Array) -> Array:
            second, third = _polynomial(scene, full)
            x = full * level * wave
            x = x + second * x**2 + third * x**3
            if scene.audio_drive_db is not None:
                limit = full * 10 ** (-scene.audio_drive_db / 20)
                low = -limit * scene.audio_other_side
                x = np.clip(x, low, limit) if scene.audio_hard else limit * np.tanh(x / limit)
            return x

        lines = receiver.one_cycle(stages)
        f = np.arange(lines.size) * scene.tone_hz
        if scene.audio_drive_db is not None and scene.audio_filter_after:
            inside = f < 0.49 * FAST_HZ
            lines[inside] *= receiver.signal.sosfreqz(_audio_filter(scene), f[inside], fs=FAST_HZ)[1]
            lines[~inside] = 0
        lines[f > 0.48 * scene.rate] = 0
        lines[0] = 0
        if rails is not None:
            wave = np.fft.irfft(lines * (lines.size - 1), 2 * (lines.size - 1))
            lines = np.fft.rfft(np.clip(wave, -rails, rails)) / (lines.size - 1)
        return lines

    levels = np.linspace(0, 2, 33)[1:]
    through = np.array([abs(chain(a)[1]) for a in levels])
    lines = np.abs(chain(1.0))
    f = np.arange(lines.size) * scene.tone_hz
    kept = np.where(f <= 0.45 * scene.rate, lines, 0) / lines[1]

    def bend(z: NDArray[np.complex128]) -> NDArray[np.complex128]:
        size = np.abs(z)
        bent = np.interp(size, np.append(0, levels), np.append(0, through))
        return np.asarray(z / np.maximum(size, 1e-12) * bent)

    return kept, bend


def _ground_loop(
    scene: Scene, out: Array, angle: Array, full: float, rng: np.random.Generator
) -> tuple[Array, dict[float, float]]:
    if scene.comb_dbc is None:
        return out, {}
    lines, sizes = recorder.mains_comb(angle, out.size, scene.rate, full * 10 ** (scene.comb_dbc / 20), rng)
    mains = (angle[-1] - angle[0]) / (2 * np.pi) * SLOW_HZ / (angle.size - 1)
    return out + lines, {k * mains: 20 * np.log10(a / full) for k, a in enumerate(sizes, 1)}


def _levelled(scene: Scene, out: Array, full: float, key: Bool) -> tuple[Array, float, float | None]:
    """Recording level, rails; share of key-down samples at the rails, and the rails in the audio's unit."""
    if scene.clip_db is None:
        peak = float(np.max(np.abs(out), initial=0.0))
        return (out * 10 ** (scene.peak_dbfs / 20) / peak if peak else out), 0.0, None
    rails = full * 10 ** (-scene.clip_db / 20)
    down = key[np.minimum((np.arange(out.size) * SLOW_HZ / scene.rate).astype(int), key.size - 1)]
    held = np.abs(out) >= rails
    return np.clip(out / rails, -1, 1) * scene.quieter, float(held[down].mean()), rails


def _stored(scene: Scene, out: Array, rng: np.random.Generator) -> tuple[Array, list[tuple[float, float]]]:
    gaps: list[tuple[float, float]] = []
    if scene.gaps:
        out, gaps = recorder.with_gaps(out, scene.rate, *[scene.gaps[0], rng, scene.gaps[1]])
    out = recorder.quantised(out, scene.bits, rng, scene.dither)
    if scene.codec:
        out = recorder.through_codec(out, scene.rate, scene.codec)
    return out, gaps
