"""One frozen set of settings, and the chain that makes a recording of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from sigcheck.errors import SettingError
from sigcheck.synth import signals
from sigcheck.synth.path import Path, added, burst_power, modulation, path_gain
from sigcheck.synth.receiver import Receiver, Reception, receive
from sigcheck.synth.recorder import Recorder, record
from sigcheck.synth.signals import Complex, Mains, MainsPhase, Real
from sigcheck.synth.transmitter import Emission, Transmitter, transmit


@dataclass(frozen=True, kw_only=True)
class Blame:
    """A cause at work in a scenario, and the symptoms by which it may show."""

    cause: str
    shows: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """Everything that decides a recording. The defaults make a clean one, as an everyday receiver gives it.

    ``blames`` name the causes at work; the truth keeps those of which a symptom is really there.
    """

    duration_s: float = 30.0
    rate_hz: int = 12000
    seed: int = 1
    mains: Mains = field(default_factory=Mains)
    transmitter: Transmitter = field(default_factory=Transmitter)
    path: Path = field(default_factory=Path)
    receiver: Receiver = field(default_factory=Receiver)
    recorder: Recorder = field(default_factory=Recorder)
    blames: tuple[Blame, ...] = ()

    def __post_init__(self) -> None:
        if not 6000 <= self.rate_hz <= 192000:
            raise SettingError(f"the sample rate is {self.rate_hz} Hz: give 6000 to 192000 Hz")
        if not 1.0 <= self.duration_s <= 600.0:  # ten minutes take some 3 GB
            raise SettingError(f"the recording would be {self.duration_s:g} s long: give 1 to 600 s")
        keying = self.transmitter.keying
        if not 0.1 <= keying.wpm <= 100.0:
            raise SettingError(f"the speed is {keying.wpm:g} WPM: give 0.1 to 100 WPM")
        if keying.start_s + keying.stop_s > self.duration_s - 0.5:
            raise SettingError(f"a recording of {self.duration_s:g} s has no room for a signal between its "
                               f"first {keying.start_s:g} s and last {keying.stop_s:g} s: make it longer")
        if not 100.0 <= self.receiver.tone_hz < 0.45 * self.rate_hz:
            raise SettingError(f"the tone of {self.receiver.tone_hz:g} Hz does not fit a sample rate of "
                               f"{self.rate_hz} Hz: give 100 Hz to {0.45 * self.rate_hz:g} Hz")
        if not 40.0 <= self.mains.hz <= 70.0:
            raise SettingError(f"the mains frequency is {self.mains.hz:g} Hz: give 40 to 70 Hz")


@dataclass(frozen=True)
class Run:
    """The samples and what happened on the way, for the truth. Arrays but ``samples`` are at ``inner_hz``."""

    samples: Real
    inner_hz: float
    mains: MainsPhase
    emission: Emission
    path_gain: Complex
    bursts: Real
    reception: Reception


def inner_rates(rate_hz: float) -> tuple[float, int, int]:
    """The chain's own rate, 24 to 48 kHz (room for edges and harmonics), and up and down to ``rate_hz``."""
    if rate_hz < 24000.0:
        factor = int(np.ceil(24000.0 / rate_hz))
        return rate_hz * factor, 1, factor
    factor = int(rate_hz // 24000.0)
    return rate_hz / factor, factor, 1


def run(scenario: Scenario, *, quiet: bool = False) -> Run:
    """The recording of a scenario.

    ``quiet`` makes the same recording without any noise, dropout or rounding: what a perfect
    listener would have heard.
    """
    drawn = np.random.default_rng(scenario.seed).spawn(8)
    settings = scenario.receiver
    # A recorder whose clock runs fast samples the same world more densely.
    true_rate_hz = scenario.rate_hz * (1.0 + 1e-6 * scenario.recorder.rate_error_ppm)
    rate_hz, up, down = inner_rates(true_rate_hz)
    n = int(np.ceil(scenario.duration_s * rate_hz / down)) * down

    mains = signals.mains_phase(drawn[0], scenario.mains, n / rate_hz)
    emission = transmit(scenario.transmitter, n, rate_hz, mains, drawn[1], quiet=quiet)
    ours = emission.envelope * modulation(scenario.path, n, rate_hz, mains, drawn[2])
    faded = path_gain(scenario.path, n, rate_hz, drawn[3])
    ours = ours * (faded * np.exp(2j * np.pi * settings.tone_hz * signals.times(n, rate_hz)))
    others = added(scenario.path, n, rate_hz, drawn[4])
    bursts = np.zeros(n)
    for each, source in zip(scenario.path.bursts, drawn[5].spawn(len(scenario.path.bursts)), strict=True):
        bursts += burst_power(each, n, rate_hz, mains, source)
    reception = receive(settings, ours, others, bursts, rate_hz, mains, drawn[6], quiet=quiet)
    samples = record(scenario.recorder, reception.audio, rate_hz, up, down, mains, drawn[7], quiet=quiet)
    return Run(samples, rate_hz, mains, emission, faded, bursts, reception)
