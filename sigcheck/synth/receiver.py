"""The receiver: front end, filter, gain control, product detector.

It works on the complex signal whose frequency axis is the audio's: a tone A exp(j 2 pi f t) comes
out as A cos(2 pi f t). Noise is white with density ``NOISE`` = 1 per hertz before the filter, so
the signal's strength says everything.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from sigcheck.synth import signals
from sigcheck.synth.signals import Complex, MainsPhase, Real
from sigcheck.synth.transmitter import Drift, DriftPath, Skirt, drift_path

NOISE = 1.0  # E|w|^2 per hertz of the band noise at the receiver


@dataclass(frozen=True, kw_only=True)
class Passband:
    """The filter. ``linear-phase``: a digital filter, flat with cosine skirts, -6 dB at the edges;
    ``crystal``: Butterworth, -3 dB at the edges, with the delay that a ladder of crystals has."""

    low_hz: float = 300.0
    high_hz: float = 2700.0
    kind: Literal["linear-phase", "crystal"] = "linear-phase"
    order: int = 5
    stop_db: float = -75.0  # what gets round the filter

    def response(self, f: Real) -> Complex:
        """Complex gain at the audio frequencies ``f`` (negative ones are the opposite sideband)."""
        centre, half = 0.5 * (self.low_hz + self.high_hz), 0.5 * (self.high_hz - self.low_hz)
        leak = signals.from_db(self.stop_db)
        if self.kind == "linear-phase":
            skirt = min(80.0, 0.6 * half)
            place = np.clip((half + 0.5 * skirt - np.abs(f - centre)) / skirt, 0.0, 1.0)
            return np.asarray(leak + (1.0 - leak) * np.sin(0.5 * np.pi * place) ** 2 + 0j)
        s = 1j * (f - centre) / half
        poles = np.exp(1j * np.pi * (2 * np.arange(self.order) + self.order + 1) / (2 * self.order))
        gain = np.ones(f.shape, dtype=np.complex128)
        for pole in poles:
            gain *= -pole / (s - pole)
        return np.asarray(leak + (1.0 - leak) * gain)

    def noise_bandwidth_hz(self) -> float:
        """Bandwidth of a rectangle of gain 1 that passes the same noise."""
        f = np.arange(self.low_hz - 3000.0, self.high_hz + 3000.0, 0.5)
        return float(np.sum(np.abs(self.response(f)) ** 2) * 0.5)

    def rise_limit_s(self, tone_hz: float) -> float:
        """10 to 90 % of the amplitude with which the filter answers a tone switched on at once."""
        rate_hz, n = 48000.0, 24000
        t = (np.arange(n) - n // 2) / rate_hz
        tone = np.where(t >= 0.0, np.exp(2j * np.pi * tone_hz * t), 0.0)
        answer = np.abs(signals.filtered(tone, rate_hz, self.response))
        answer /= np.median(answer[3 * n // 4 : 7 * n // 8])
        last = int(np.argmax(answer > 0.9))
        first = last - int(np.argmax(answer[last::-1] < 0.1))
        low = first + (0.1 - answer[first]) / (answer[first + 1] - answer[first])
        high = last - 1 + (0.9 - answer[last - 1]) / (answer[last] - answer[last - 1])
        return float((high - low) / rate_hz)


@dataclass(frozen=True, kw_only=True)
class Overload:
    """A limiting stage in the front end, whose limit hums and hisses.

    The stage is memoryless, L tanh(x / L), on the signal's waveform; ``drive_db`` is how far the
    nominal signal (before any pad) exceeds L. Hum and noise on L reach the tone only as far as it
    limits: third order and higher, so they fall faster than the signal. The phase turns with the
    compression, by ``am_pm_rad`` x (1 - gain), as a stage does whose capacitances swing with it; hum
    and noise of the supply are on that angle too.
    """

    drive_db: float = 10.0
    hum_depth: float = 0.07  # peak of its strongest line, relative to L
    am_pm_rad: float = 0.2
    noise_dbc_hz: float = -46.0  # single-sideband level that deep limiting would put on the tone
    noise_to_hz: float = 600.0
    hum_rad: float = 0.02  # peak of its strongest line on the angle, at full compression
    angle_noise_dbc_hz: float = -56.5  # as angle, likewise


def _limiting_table() -> tuple[Real, Real]:
    u = np.logspace(-3.0, 3.0, 1200)
    angle = (np.arange(256) + 0.5) * (np.pi / 512.0)  # a quarter of the cycle says it all
    sine = np.sin(angle)
    return np.log(u), 2.0 * np.mean(np.tanh(u[:, None] * sine) * sine, axis=1) / u


_LOG_U, _GAIN = _limiting_table()


def relative_gain(u: Real) -> Real:
    """Gain of L tanh(x / L) for a sine of amplitude ``u`` L: 1 when small, 4/(pi u) when large."""
    return np.interp(np.log(np.maximum(u, 1e-30)), _LOG_U, _GAIN)


def limiting_gain(
    drive: Real | float, overload: Overload, limit: Real | float = 1.0, turn_rad: Real | float = 0.0
) -> Complex:
    """Complex output (n,), in units of L, of the stage driven to a / L.

    ``limit`` is its limit just now over L, ``turn_rad`` what is on its angle beyond ``am_pm_rad``.
    """
    u = np.asarray(drive / limit, dtype=np.float64)
    gain = relative_gain(u)
    return np.asarray(drive * gain * np.exp(1j * (overload.am_pm_rad + turn_rad) * (1.0 - gain)))


@dataclass(frozen=True, kw_only=True)
class GainControl:
    """Automatic gain control: holds the level at 1 (the target).

    It begins ``threshold_db`` over the band noise (without a pad). Beyond ``range_db`` above the
    threshold it can do no more, and the level rises.
    """

    attack_s: float = 0.0008
    hang_s: float = 0.35
    release_s: float = 1.6
    threshold_db: float = 4.0
    range_db: float = 80.0


def control_gain(x: Complex, rate_hz: float, settings: GainControl, noise_rms: float) -> Real:
    """Gain (n,) that the control sets for the filtered signal ``x``, stepped 4000 times a second."""
    step = max(1, round(rate_hz / 4000.0))
    blocks = -(-x.size // step)
    level = np.abs(x)
    level = np.pad(level, (0, blocks * step - x.size)).reshape(blocks, step).max(axis=1)
    dt = step / rate_hz
    attack = 1.0 - float(np.exp(-dt / settings.attack_s))
    keep = float(np.exp(-dt / settings.release_s))
    hang = round(settings.hang_s / dt)
    held, waiting = float(level[0]), 0
    out = []
    for now in level.tolist():
        if now > held:
            held += attack * (now - held)
            waiting = hang
        elif waiting > 0:
            waiting -= 1
        else:
            held *= keep
            if held < now:
                held = now
        out.append(held)
    threshold = noise_rms * signals.from_db(settings.threshold_db)
    most = signals.from_db(settings.range_db)
    log_gain = -np.log(np.clip(np.array(out), threshold, threshold * most))
    middle = (np.arange(blocks) + 0.5) * step
    return np.asarray(np.exp(np.interp(np.arange(x.size), middle, log_gain)))


@dataclass(frozen=True, kw_only=True)
class Detector:
    """Product detector and audio stages: A tanh with a slight bias, so some second harmonic too.

    ``headroom_db`` is where tanh's limit lies over the gain control's target.
    """

    headroom_db: float = 24.0
    bias: float = 0.04


def detected(x: Complex, detector: Detector) -> Real:
    """Real audio (n,) of the complex signal."""
    limit = signals.from_db(detector.headroom_db)
    rest = np.tanh(detector.bias)
    return np.asarray(limit * (np.tanh(x.real / limit + detector.bias) - rest) / (1.0 - rest**2))


@dataclass(frozen=True, kw_only=True)
class Receiver:
    """All settings of the receiver. ``snr_db`` is our key-down carrier over the noise in 2500 Hz."""

    tone_hz: float = 740.0
    snr_db: float = 28.0
    pad_db: float = 0.0  # in the antenna lead
    antenna_share: float = 0.9  # part of the noise that comes by the antenna, so is padded too
    overload: Overload | None = None
    hum_am: float = 0.0  # supply hum of the receiver on every signal: peak of its strongest line
    hum_pushing_hz: float = 0.0
    noise: tuple[Skirt, ...] = (Skirt(dbc_hz=-108.0),)
    drift: Drift = field(default_factory=Drift)
    passband: Passband = field(default_factory=Passband)
    gain_control: GainControl | None = field(default_factory=GainControl)
    hand_gain: float | None = None  # with the control off; None: our nominal carrier comes to the target
    detector: Detector = field(default_factory=Detector)

    @property
    def amplitude(self) -> float:
        """Amplitude of our nominal carrier without a pad, in units where the noise density is 1."""
        return float(np.sqrt(NOISE * 2500.0) * signals.from_db(self.snr_db))


@dataclass(frozen=True)
class Reception:
    """What the receiver made of it: audio (n,), and for the truth its gain and its own drift."""

    audio: Real
    gain: Real
    drift: DriftPath


def receive(settings: Receiver, ours: Complex, others: Complex, bursts: Real, rate_hz: float,
            mains: MainsPhase, rng: np.random.Generator, *, quiet: bool = False) -> Reception:
    """Audio (n,) of our signal and the others, both of nominal amplitude 1, at the audio's frequencies.

    ``bursts`` (n,) is the power of impulsive noise relative to the band noise. ``quiet`` leaves all
    random noise out.
    """
    antenna, inner, limit_noise, own, slow = rng.spawn(5)
    n = ours.size
    phi = mains(signals.times(n, rate_hz))
    padded = signals.from_db(-settings.pad_db)
    x = (ours + others) * (settings.amplitude * padded)
    if not quiet:
        outside = np.sqrt(NOISE * settings.antenna_share * (1.0 + bursts)) * padded
        x = x + outside * signals.white(antenna, n, rate_hz, 1.0)
    if settings.overload is not None:
        x = _overloaded(x, settings, phi, rate_hz, limit_noise, quiet)
    if not quiet:
        x = x + signals.white(inner, n, rate_hz, NOISE * (1.0 - settings.antenna_share))

    drift = drift_path(settings.drift, n, rate_hz, slow)
    ripple = signals.ripple_lines("full-wave")
    pushed = signals.integrated(settings.hum_pushing_hz * ripple, mains.hz)
    phase = signals.phase_of(drift.total_hz(rate_hz), rate_hz) + signals.waveform(pushed, phi)
    if not quiet:
        for skirt, source in zip(settings.noise, own.spawn(len(settings.noise)), strict=True):
            phase += signals.shaped_noise(source, n, rate_hz, skirt.density)
    x = x * ((1.0 + settings.hum_am * signals.waveform(ripple, phi)) * np.exp(1j * phase))

    x = signals.filtered(x, rate_hz, settings.passband.response)
    gain = np.full(n, settings.hand_gain or 1.0 / settings.amplitude)
    if settings.gain_control is not None:
        noise_rms = np.sqrt(NOISE * settings.passband.noise_bandwidth_hz())
        gain = control_gain(x, rate_hz, settings.gain_control, float(noise_rms))
    return Reception(detected(x * gain, settings.detector), gain, drift)


def _overloaded(x: Complex, settings: Receiver, phi: Real, rate_hz: float, rng: np.random.Generator,
                quiet: bool) -> Complex:
    """The limiting stage on everything that the antenna brings, at complex baseband."""
    stage = settings.overload
    assert stage is not None
    L = settings.amplitude * signals.from_db(-stage.drive_db)
    hum = signals.waveform(signals.ripple_lines("full-wave"), phi)
    limit, turn = 1.0 + stage.hum_depth * hum, stage.hum_rad * hum
    if not quiet:
        for target, dbc_hz in ((limit, stage.noise_dbc_hz), (turn, stage.angle_noise_dbc_hz)):
            hiss = Skirt(dbc_hz=dbc_hz, to_hz=stage.noise_to_hz)
            target += signals.shaped_noise(rng, x.size, rate_hz, hiss.density)
    drive = np.abs(x) / L
    return np.asarray(x / np.maximum(drive, 1e-12) * limiting_gain(drive, stage, limit, turn))
