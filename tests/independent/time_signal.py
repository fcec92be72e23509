"""A time-signal station as a receiver's audio, built from its modulation law in continuous time.

The station's audio is a function of true time; the recorder samples the end of the chain at its own instants,
so that its rate error needs no resampling. Between them: double-sideband modulation of a carrier, paths with
their own delays and slow fading (delays act on the modulation law itself, exactly), envelope detection or a
product detector beside the carrier, a filter made of biquads or by masking a spectrum, noise, gain control.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Real = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Station:
    """What is sent. Second 0 of the minute is at ``minute_s`` of the recording's true time."""

    tick_hz: float = 1000.0
    tick_s: float = 0.005
    tick_level: float = 1.0
    mark_s: float = 0.8
    mark_hz: float | None = None  # of the long mark, the tick's where None
    left_out: tuple[int, ...] = (29, 59)
    doubled: tuple[int, ...] = ()  # seconds with a second tick 0.1 s later
    tones: tuple[float, ...] = (500.0, 600.0)  # of successive minutes, 0 for none; silent around each tick
    tone_level: float = 0.5
    code_level: float = 0.0  # subcarrier of 100 Hz, high for 0.17, 0.47 or 0.77 s

    def audio(self, t: Real) -> Real:
        """Modulation at true times ``t`` (0 is the start of a minute)."""
        second = np.floor(t)
        into = t - second
        of_minute = np.mod(second, 60).astype(int)
        minute = np.floor(t / 60).astype(int)
        out = np.zeros(t.size)
        burst = (into < self.tick_s) & ~np.isin(of_minute, (0, *self.left_out))
        out[burst] += self.tick_level * np.sin(2 * np.pi * self.tick_hz * into[burst])
        later = into - 0.1
        again = (later >= 0) & (later < self.tick_s) & np.isin(of_minute, self.doubled)
        out[again] += self.tick_level * np.sin(2 * np.pi * self.tick_hz * later[again])
        mark = (of_minute == 0) & (into < self.mark_s)
        out[mark] += self.tick_level * np.sin(2 * np.pi * (self.mark_hz or self.tick_hz) * into[mark])
        if self.tones and self.tone_level:
            hz = np.asarray(self.tones)[np.mod(minute, len(self.tones))]
            open_ = (into > 0.03) & (into < 0.99) & (of_minute < 45) & (of_minute > 0) & (hz > 0)
            out[open_] += self.tone_level * np.sin(2 * np.pi * hz[open_] * t[open_])
        if self.code_level:
            length = np.asarray([0.17, 0.47, 0.77])[np.mod(of_minute * 7 + 3, 3)]
            high = (into > 0.03) & (into < 0.03 + length)
            out += self.code_level * np.where(high, 1.0, 0.18) * np.sin(2 * np.pi * 100 * t)
        return out


@dataclass(frozen=True, kw_only=True)
class Path:
    """One way through the ionosphere: strength, delay, and how both wander."""

    gain: float = 1.0
    delay_s: float = 0.0
    fading_s: float | None = None  # correlation time of a Rayleigh gain; None: steady
    wander_s: float = 0.0  # rms of the delay's slow wander
    wander_time_s: float = 20.0


@dataclass(frozen=True, kw_only=True)
class Chain:
    """Receiver and recorder."""

    carrier_audio_hz: float | None = None  # product detector: where the carrier is heard; None: envelope detector
    passband_hz: tuple[float, float] | None = (300.0, 2700.0)
    filter: str = "mask"  # mask (no delay) | butter | ellip (causal)
    gain_control_s: float | None = None
    snr_db: float = 15.0  # of the tick over the noise in 2500 Hz
    level: float = 0.2
    rate_hz: float = 12000.0
    rate_error_ppm: float = 0.0
    hum: tuple[tuple[float, float], ...] = ()  # (hertz, level over the tick's) added after the filter


@dataclass(frozen=True, kw_only=True)
class Made:
    """The recording and the truth about it, times in seconds of the recording's nominal rate."""

    samples: NDArray[np.float32]
    rate_hz: float
    seconds_s: Real  # where the seconds begin
    minute_s: Real
    sample_rate_error_ppm: float
    offset_s: float = field(default=0.0)


def make(
    *,
    station: Station,
    chain: Chain,
    paths: tuple[Path, ...] = (Path(),),
    seconds: float = 120.0,
    starts_at_s: float = 12.34,
    seed: int = 0,
) -> Made:
    """A recording of ``seconds`` that begins ``starts_at_s`` after a minute."""
    rng = np.random.default_rng(seed)
    true_rate = chain.rate_hz * (1 + 1e-6 * chain.rate_error_ppm)
    n = round(seconds * chain.rate_hz)
    t = np.arange(n) / true_rate
    received = np.zeros(n, complex)
    for path in paths:
        late = path.delay_s + path.wander_s * _slow(t, path.wander_time_s, rng).real
        gain = path.gain * (np.ones(n) if path.fading_s is None else _slow(t, path.fading_s, rng))
        modulation = station.audio(t + starts_at_s - late)
        received += gain * (1.0 + 0.5 * modulation / station.tick_level)
    if chain.carrier_audio_hz is None:
        audio = np.abs(received)
        audio = 2 * (audio - audio.mean())
    else:
        spectrum = np.fft.fft(received * np.exp(2j * np.pi * chain.carrier_audio_hz * t))
        spectrum[n // 2 :] = 0  # the sideband filter lets nothing through below the beat oscillator
        audio = 4 * np.fft.ifft(spectrum).real
    noise_rms = np.sqrt(0.5 / 10 ** (chain.snr_db / 10) / 2500 * chain.rate_hz / 2)
    audio = _filtered(audio + noise_rms * rng.standard_normal(n), chain)
    if chain.gain_control_s:
        audio = audio / _level(audio, chain.gain_control_s * chain.rate_hz)
        audio = audio / np.abs(audio).max() * 4
    for hz, level in chain.hum:
        audio = audio + level * np.sin(2 * np.pi * hz * t + rng.uniform(0, 6))
    audio = audio * chain.level / max(1.0, np.abs(audio).max() * chain.level / 0.9)
    first = np.ceil(starts_at_s)
    whole = np.arange(first, starts_at_s + t[-1])
    scale = 1 + 1e-6 * chain.rate_error_ppm
    return Made(
        samples=audio.astype(np.float32),
        rate_hz=chain.rate_hz,
        seconds_s=(whole - starts_at_s) * scale,
        minute_s=(whole[np.mod(whole, 60) == 0] - starts_at_s) * scale,
        sample_rate_error_ppm=chain.rate_error_ppm,
        offset_s=float((first - starts_at_s) * scale),
    )


def bound_of_one_tick_s(station: Station, chain: Chain) -> float:
    """Cramer-Rao bound of one tick's arrival from its envelope: phase unknown, white noise, the passband masked.

    var = 1 / ((2 pi b)^2 2E/N0), b the rms width of the burst's spectrum about its mean, E the energy in the band.
    """
    f = np.arange(1.0, 6000.0, 1.0)
    s = np.sinc((f - station.tick_hz) * station.tick_s) ** 2
    if chain.passband_hz is not None:
        s = np.where((f > chain.passband_hz[0]) & (f < chain.passband_hz[1]), s, 0.0)
    mean = (f * s).sum() / s.sum()
    width = np.sqrt((((f - mean) ** 2) * s).sum() / s.sum())
    inside = s.sum() * station.tick_s  # of the burst's energy: sinc^2 integrates to 1 / length
    energy_over_n0 = 2500 * 10 ** (chain.snr_db / 10) * station.tick_s * inside
    return float(1 / (2 * np.pi * width * np.sqrt(2 * energy_over_n0)))


def bound_of_rate_ppm(seconds_s: Real, one_tick_s: float) -> float:
    """What single bounds leave of the slope of a straight line through the ticks at these times."""
    return float(1e6 * one_tick_s / np.sqrt(((seconds_s - seconds_s.mean()) ** 2).sum()))


def _slow(t: Real, correlation_s: float, rng: np.random.Generator) -> NDArray[np.complex128]:
    """Complex Gaussian of unit power with a Gaussian autocorrelation of this time."""
    knots = np.arange(-4 * correlation_s, t[-1] + 5 * correlation_s, correlation_s / 4)
    white = rng.standard_normal(knots.size) + 1j * rng.standard_normal(knots.size)
    shape = np.exp(-(np.arange(-8, 9) / 4 / 0.7) ** 2)
    smooth = np.convolve(white, shape / np.sqrt(2 * (shape**2).sum()), "same")
    return np.interp(t, knots, smooth.real) + 1j * np.interp(t, knots, smooth.imag)


def _filtered(x: Real, chain: Chain) -> Real:
    if chain.passband_hz is None:
        return x
    low, high = chain.passband_hz
    high = min(high, 0.47 * chain.rate_hz)
    if chain.filter == "mask":
        f = np.fft.rfftfreq(x.size, 1 / chain.rate_hz)
        return np.asarray(np.fft.irfft(np.fft.rfft(x) * ((f > low) & (f < high)), x.size))
    made = signal.butter if chain.filter == "butter" else signal.ellip
    order = (4,) if chain.filter == "butter" else (5, 0.5, 50)
    return np.asarray(signal.sosfilt(made(*order, [low, high], "bandpass", fs=chain.rate_hz, output="sos"), x))


def _level(x: Real, release: float) -> Real:
    """Peak level that a gain control holds: up within a millisecond, down at its release time."""
    block = max(1, round(release / 200))
    peaks = np.abs(np.pad(x, (0, -x.size % block))).reshape(-1, block).max(axis=1)
    held, out = 1e-3, np.empty(peaks.size)
    keep = np.exp(-block / release)
    for k, peak in enumerate(peaks):
        held = max(peak, held * keep)
        out[k] = held
    return np.maximum(np.repeat(out, block)[: x.size], 0.1 * np.median(out))
