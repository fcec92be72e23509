"""The transmitter: keying, supply, oscillator. Yields its complex envelope about its own frequency.

Frequencies are offsets from the nominal one; amplitude 1 is the settled key-down carrier.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from sigcheck.errors import SettingError
from sigcheck.synth import signals
from sigcheck.synth.signals import Complex, MainsPhase, Real, Rectifier

EdgeShape = Literal["raised-cosine", "linear", "gaussian", "rc"]

# International Morse code: letters, figures and signs of Rec. ITU-R M.1677-1, Annex 1.
MORSE = {
    "A": ".-", "B": "-...", "C": "-.-.", "D": "-..", "E": ".", "F": "..-.", "G": "--.", "H": "....",
    "I": "..", "J": ".---", "K": "-.-", "L": ".-..", "M": "--", "N": "-.", "O": "---", "P": ".--.",
    "Q": "--.-", "R": ".-.", "S": "...", "T": "-", "U": "..-", "V": "...-", "W": ".--", "X": "-..-",
    "Y": "-.--", "Z": "--..", "1": ".----", "2": "..---", "3": "...--", "4": "....-", "5": ".....",
    "6": "-....", "7": "--...", "8": "---..", "9": "----.", "0": "-----", ".": ".-.-.-", ",": "--..--",
    ":": "---...", "?": "..--..", "'": ".----.", "-": "-....-", "/": "-..-.", "(": "-.--.",
    ")": "-.--.-", '"': ".-..-.", "=": "-...-", "+": ".-.-.", "@": ".--.-.",
}  # fmt: skip

# Part of the whole transition T between 10 and 90 % of the amplitude; for rc T is the time constant
# and for gaussian 8 standard deviations (closed forms: 1 - 0.2, arccos(0.8) ..., ln 9, 2 erfinv(0.8) ...).
RISE_OF_TRANSITION = {"linear": 0.8, "raised-cosine": 0.590334, "rc": 2.197225, "gaussian": 2.563103 / 8.0}


@dataclass(frozen=True, kw_only=True)
class Keying:
    """What is keyed, and how.

    ``rise_s`` and ``fall_s`` run from 10 to 90 % of the amplitude. ``weighting`` is the mark's share
    of dit + gap less 0.5; ``jitter`` the scatter of each mark and gap over its own length.
    """

    mode: Literal["cw", "steady"] = "cw"
    text: str = "VVV DE Q5KAP"
    wpm: float = 15.0
    shape: EdgeShape = "raised-cosine"
    rise_s: float = 0.005
    fall_s: float = 0.005
    weighting: float = 0.0
    dah_dit_ratio: float = 3.0
    jitter: float = 0.004
    leak_db: float | None = None  # amplitude left at key-up, relative to key-down
    bounces: int = 0  # how often the contact opens again after each closure
    bounce_s: float = 0.003  # length of each of those openings, and of the contact between them
    start_s: float = 1.0
    stop_s: float = 5.0  # before the end of the recording

    @property
    def dit_s(self) -> float:
        """Half of dit + following gap, in seconds (PARIS: 50 dits a word)."""
        return 1.2 / self.wpm


@dataclass(frozen=True, kw_only=True)
class Load:
    """What a key-down does to supply and oscillator: one exponential for amplitude and frequency.

    With ``droop_db`` it is a supply that sags through its source resistance into its reservoir;
    without, an oscillator pulled by its load or a synthesiser that settles.
    """

    chirp_hz: float = 1.0  # frequency at the first instant of a key-down less the settled one
    droop_db: float = 0.0  # amplitude at the first instant over the settled one
    settle_s: float = 0.02
    recover_s: float = 0.02


@dataclass(frozen=True, kw_only=True)
class Supply:
    """Mains ripple on the final stage and the oscillator's supply.

    ``am_depth`` and ``pushing_hz`` are the peaks of the strongest ripple line.
    """

    rectifier: Rectifier = "full-wave"
    discharge_cycles: float = 3.0
    imbalance: float = 0.004
    am_depth: float = 0.0004
    pushing_hz: float = 0.02


@dataclass(frozen=True, kw_only=True)
class Switching:
    """Ripple of a switching supply that has come down to audio rates (light load, beating converters)."""

    hz: float = 437.0
    wander_hz: float = 3.0
    am_depth: float = 0.04
    pm_rad: float = 0.02


@dataclass(frozen=True, kw_only=True)
class Parasitic:
    """A final stage that oscillates by itself while it is driven: one line, nobody's harmonic."""

    offset_hz: float = 613.0
    level_db: float = -32.0
    wander_hz: float = 2.0


@dataclass(frozen=True, kw_only=True)
class Skirt:
    """Noise beside a carrier: ``dbc_hz`` at ``at_hz`` on each side, falling by ``power`` x 10 dB a decade.

    Angle noise with power 0 is white phase noise, 2 white, 3 flicker, 4 random-walk frequency noise
    (IEEE Std 1139). Below ``from_hz`` it is level, above ``to_hz`` it falls by 40 dB a decade.
    """

    dbc_hz: float
    at_hz: float = 100.0
    power: float = 0.0
    from_hz: float = 0.5
    to_hz: float = 2500.0

    def density(self, f: Real) -> Real:
        """One-sided density of the modulation (rad^2 or 1 per Hz): twice the single-sideband level."""
        f = np.abs(f)
        level = 10.0 ** (self.dbc_hz / 10.0) * (self.at_hz / np.maximum(f, self.from_hz)) ** self.power
        return np.asarray(2.0 * level / (1.0 + (f / self.to_hz) ** 4))


@dataclass(frozen=True, kw_only=True)
class Drift:
    """Slow frequency changes. Random ones are drawn; ``jumps`` are (time_s, size_hz) given outright."""

    rate_hz_per_min: float = 0.0
    warm_up_hz: float = 0.0  # how far it still is from its final frequency at the first sample
    warm_up_s: float = 60.0
    cycle_peak_hz: float = 0.0
    cycle_s: float = 40.0
    jumps: tuple[tuple[float, float], ...] = ()
    jumps_per_min: float = 0.0
    jump_hz: float = 2.0
    equal_jumps: bool = False  # a synthesiser's steps: one size and one direction
    walk_hz: float = 0.0  # random walk: rms change in one second


@dataclass(frozen=True, kw_only=True)
class Transmitter:
    """All settings of the transmitter."""

    keying: Keying = field(default_factory=Keying)
    load: Load = field(default_factory=Load)
    supply: Supply = field(default_factory=Supply)
    magnetic_hz: float = 0.0  # peak deviation at the mains frequency from a transformer's field
    switching: Switching | None = None
    parasitic: Parasitic | None = None
    noise: tuple[Skirt, ...] = (Skirt(dbc_hz=-92.0, power=2.0), Skirt(dbc_hz=-105.0))
    drift: Drift = field(default_factory=lambda: Drift(rate_hz_per_min=0.2))


# --- keying --------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Marks:
    """Key closures and openings, shape (n_marks,), s; ``dah`` tells dahs from dits."""

    close_s: Real
    open_s: Real
    dah: np.ndarray[tuple[int], np.dtype[np.bool_]]


def elements(text: str) -> list[tuple[bool, int]]:
    """Each mark of a text as (dah, dits of gap after it); the last gap is a word gap.

    Raises
    ------
    SettingError : a character that the code does not have.
    """
    out: list[tuple[bool, int]] = []
    for word in text.upper().split():
        for character in word:
            if character not in MORSE:
                signs = " ".join(c for c in MORSE if not c.isalnum())
                raise SettingError(f"the text to key holds {character!r}, which Morse code does not have: "
                                   f"use letters, figures and {signs}")
            code = MORSE[character]
            out += [(sign == "-", 1) for sign in code]
            out[-1] = (out[-1][0], 3)
        out[-1] = (out[-1][0], 7)
    if not out:
        raise SettingError("the text to key is empty: give at least one character")
    return out


def keyed_marks(keying: Keying, duration_s: float, rng: np.random.Generator) -> Marks:
    """When the key closes and opens: as many whole texts as fit, or the beginning of one."""
    stop = duration_s - keying.stop_s
    if keying.mode == "steady":
        return Marks(np.array([keying.start_s]), np.array([stop]), np.array([True]))
    dit = keying.dit_s
    sequence = elements(keying.text)
    repeats = int((stop - keying.start_s) / (dit * sum(1 + gap for _, gap in sequence))) + 1
    dah = np.tile([is_dah for is_dah, _ in sequence], repeats)
    extra = 2.0 * keying.weighting * dit
    mark = np.where(dah, keying.dah_dit_ratio, 1.0) * dit + extra
    gap = np.tile([float(units) for _, units in sequence], repeats) * dit - extra
    scatter = np.clip(rng.standard_normal((2, mark.size)), -3.0, 3.0) * keying.jitter
    mark, gap = mark * (1.0 + scatter[0]), gap * (1.0 + scatter[1])
    close = keying.start_s + np.concatenate([[0.0], np.cumsum(mark + gap)[:-1]])
    fits = close + mark < stop
    if not fits.any():
        raise SettingError(f"nothing fits between {keying.start_s:g} s and {stop:g} s at {keying.wpm:g} WPM: "
                           "make the recording longer or the speed higher")
    count = int(np.count_nonzero(fits))
    count -= count % len(sequence) if count >= len(sequence) else 0
    return Marks(close[:count], (close + mark)[:count], dah[:count])


def bounced(marks: Marks, keying: Keying) -> Marks:
    """The same marks as a bouncing contact makes them: each begins with a few short closures."""
    if keying.bounces == 0:
        return marks
    step = 2.0 * keying.bounce_s * np.arange(keying.bounces + 1)
    close = marks.close_s[:, None] + step
    opened = close + keying.bounce_s
    opened[:, -1] = marks.open_s
    return Marks(close.ravel(), opened.ravel(), np.repeat(marks.dah, keying.bounces + 1))


def transition(shape: EdgeShape, x: Real) -> Real:
    """Amplitude 0..1 at part ``x`` (0..1) of a transition; not for rc, which never ends."""
    x = np.clip(x, 0.0, 1.0)
    if shape == "linear":
        return x
    if shape == "raised-cosine":
        return np.asarray(0.5 - 0.5 * np.cos(np.pi * x))
    from scipy.special import erf

    return np.asarray(0.5 + 0.5 * erf((x - 0.5) * 8.0 / np.sqrt(2.0)))


def relaxed(n: int, rate_hz: float, marks: Marks, on_s: float, off_s: float) -> Real:
    """State (n,) that runs to 1 at key-down and to 0 at key-up, exponentially, exact at every sample."""
    out = np.zeros(n)
    edges = np.column_stack([marks.close_s, marks.open_s]).ravel()
    bounds = np.append(np.ceil(edges * rate_hz), n).astype(int).clip(0, n)
    state = 0.0
    for i, (edge, begin, end) in enumerate(zip(edges, bounds[:-1], bounds[1:], strict=True)):
        target, tau = (1.0, on_s) if i % 2 == 0 else (0.0, off_s)
        t = np.arange(begin, end) / rate_hz - edge
        out[begin:end] = target + (state - target) * np.exp(-t / tau)
        until = (edges[i + 1] if i + 1 < edges.size else edge) - edge
        state = target + (state - target) * float(np.exp(-until / tau))
    return out


def keyed_amplitude(n: int, rate_hz: float, marks: Marks, keying: Keying) -> Real:
    """Amplitude (n,) of the keyed carrier, 0..1."""
    least_s = 2.0 / rate_hz  # a transition must not fall between two samples
    rise = max(keying.rise_s / RISE_OF_TRANSITION[keying.shape], least_s)
    fall = max(keying.fall_s / RISE_OF_TRANSITION[keying.shape], least_s)
    if keying.shape == "rc":
        return relaxed(n, rate_hz, marks, rise, fall)
    out = np.zeros(n)
    for close, opened in zip(marks.close_s, marks.open_s, strict=True):
        begin = max(int(close * rate_hz), 0)
        t = np.arange(begin, min(int((opened + fall) * rate_hz) + 2, n)) / rate_hz
        mark = transition(keying.shape, (t - close) / rise) - transition(keying.shape, (t - opened) / fall)
        # A closure within the last fall (bounce, very fast keying) takes over where it is higher.
        out[begin : begin + t.size] = np.maximum(out[begin : begin + t.size], mark)
    return out


def half_amplitude_times(marks: Marks, keying: Keying) -> tuple[Real, Real]:
    """When each mark's amplitude passes one half, up and down: where keying is timed."""
    part = float(np.log(2.0)) if keying.shape == "rc" else 0.5
    whole = RISE_OF_TRANSITION[keying.shape]
    return marks.close_s + part * keying.rise_s / whole, marks.open_s + part * keying.fall_s / whole


# --- frequency -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class DriftPath:
    """Frequency against time: ``trend_hz`` and ``cycle_hz`` (n,), ``jumps`` as (time_s, size_hz)."""

    trend_hz: Real
    cycle_hz: Real
    jumps: tuple[tuple[float, float], ...]

    def total_hz(self, rate_hz: float) -> Real:
        """All of it (n,)."""
        out = self.trend_hz + self.cycle_hz
        for at, size in self.jumps:
            out[int(at * rate_hz) :] += size
        return out


def drift_path(drift: Drift, n: int, rate_hz: float, rng: np.random.Generator) -> DriftPath:
    """Draw the slow frequency of one recording."""
    t = signals.times(n, rate_hz)
    walk, jump = rng.spawn(2)
    trend = drift.rate_hz_per_min / 60.0 * t
    if drift.warm_up_hz:
        trend = trend + drift.warm_up_hz * np.exp(-t / drift.warm_up_s)
    start = walk.uniform(0.0, 2.0 * np.pi)
    cycle = drift.cycle_peak_hz * np.sin(2.0 * np.pi * t / drift.cycle_s + start)
    if drift.walk_hz:
        step_s = 0.05
        count = int(n / rate_hz / step_s) + 2
        path = np.cumsum(walk.standard_normal(count)) * (drift.walk_hz * np.sqrt(step_s))
        trend = trend + np.interp(t, step_s * np.arange(count), path)
    return DriftPath(trend, cycle, drift.jumps + _drawn_jumps(drift, n / rate_hz, jump))


def _drawn_jumps(
    drift: Drift, duration_s: float, rng: np.random.Generator
) -> tuple[tuple[float, float], ...]:
    """Jumps at random times, at least two; a loose contact goes there and back, a synthesiser only on."""
    if not drift.jumps_per_min:
        return ()
    count = max(2, int(rng.poisson(drift.jumps_per_min * duration_s / 60.0)))
    at = np.sort(rng.uniform(0.12, 0.82, count)) * duration_s
    size = np.full(count, drift.jump_hz)
    if not drift.equal_jumps:
        size *= rng.uniform(0.6, 1.4, count) * np.where(np.arange(count) % 2, -1.0, 1.0)
    return tuple((float(t), float(s)) for t, s in zip(at, size, strict=True))


# --- all of it -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Emission:
    """What leaves the transmitter, and what the truth needs to know of it.

    ``envelope`` complex (n,); ``amplitude`` (n,) keying, droop and leak without ripple;
    ``keyed_hz`` (n,) the frequency that follows the key; ``drift`` the one that does not.
    """

    envelope: Complex
    amplitude: Real
    keyed_hz: Real
    drift: DriftPath
    marks: Marks


def transmit(settings: Transmitter, n: int, rate_hz: float, mains: MainsPhase, rng: np.random.Generator,
             *, quiet: bool = False) -> Emission:
    """The transmitter's complex envelope (n,) at ``rate_hz``; ``quiet`` leaves its random noise out."""
    keys, slow, skirts, lines = rng.spawn(4)
    keying, load = settings.keying, settings.load
    marks = keyed_marks(keying, n / rate_hz, keys)
    contacts = bounced(marks, keying)
    sag = relaxed(n, rate_hz, contacts, load.settle_s, load.recover_s)
    amplitude = keyed_amplitude(n, rate_hz, contacts, keying)
    leak = 0.0 if keying.leak_db is None else signals.from_db(keying.leak_db)
    amplitude = (leak + (1.0 - leak) * amplitude) * signals.from_db(load.droop_db) ** (1.0 - sag)
    keyed_hz = load.chirp_hz * (1.0 - sag)
    drift = drift_path(settings.drift, n, rate_hz, slow)

    phi = mains(signals.times(n, rate_hz))
    phase = signals.phase_of(keyed_hz + drift.total_hz(rate_hz), rate_hz)
    if not quiet:
        for skirt, source in zip(settings.noise, skirts.spawn(len(settings.noise)), strict=True):
            phase += signals.shaped_noise(source, n, rate_hz, skirt.density)
    ripple = signals.ripple_lines(settings.supply.rectifier, settings.supply.discharge_cycles,
                                  settings.supply.imbalance)
    pushed = signals.integrated(settings.supply.pushing_hz * ripple, mains.hz)
    pushed[1] += settings.magnetic_hz / mains.hz
    phase += signals.waveform(pushed, phi)
    level = amplitude * (1.0 + settings.supply.am_depth * signals.waveform(ripple, phi))
    if settings.switching is not None:
        line = np.cos(_straying(settings.switching.hz, settings.switching.wander_hz, n, rate_hz, lines))
        level *= 1.0 + settings.switching.am_depth * line
        phase += settings.switching.pm_rad * line
    envelope = level * np.exp(1j * phase)
    if settings.parasitic is not None:
        squeal = _straying(settings.parasitic.offset_hz, settings.parasitic.wander_hz, n, rate_hz, lines)
        # It needs drive, so it comes and goes with the square of the amplitude.
        strength = signals.from_db(settings.parasitic.level_db) * amplitude**2
        envelope += strength * np.exp(1j * (phase + squeal))
    return Emission(np.asarray(envelope), amplitude, keyed_hz, drift, marks)


def _straying(hz: float, rms_hz: float, n: int, rate_hz: float, rng: np.random.Generator) -> Real:
    """Phase of a line whose frequency strays by ``rms_hz`` within seconds."""
    return signals.phase_of(hz + signals.wander(rng, n, rate_hz, rms_hz, 3.0), rate_hz)
