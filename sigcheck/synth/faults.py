"""The faults by name: what each changes in a clean scenario, how it shows, and what one hears.

Strengths are set so that the symptom lies clearly beyond the limit of a fault at the defaults of
speed, filter and level; ``scenario_with`` combines several.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Any

from sigcheck.errors import SettingError
from sigcheck.synth.path import Bursts, Fading, Reflection, Station, Voice, Wiring
from sigcheck.synth.receiver import GainControl, Overload, Passband, Receiver
from sigcheck.synth.recorder import Dropout, Overdrive
from sigcheck.synth.scenario import Blame, Scenario
from sigcheck.synth.signals import Mains
from sigcheck.synth.transmitter import (
    Drift,
    Keying,
    Load,
    Parasitic,
    Skirt,
    Supply,
    Switching,
    Transmitter,
)

Change = Callable[[Scenario], Scenario]


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One fault: ``sounds`` is a sentence about what it is like to hear, ``shows`` its symptoms."""

    name: str
    cause: str
    shows: tuple[str, ...]
    sounds: str
    change: Change


def _transmitter(**changes: Any) -> Change:
    return lambda s: replace(s, transmitter=replace(s.transmitter, **changes))


def _keying(**changes: Any) -> Change:
    return lambda s: _transmitter(keying=replace(s.transmitter.keying, **changes))(s)


def _drift(**changes: Any) -> Change:
    return lambda s: _transmitter(drift=replace(s.transmitter.drift, **changes))(s)


def _path(**changes: Any) -> Change:
    return lambda s: replace(s, path=replace(s.path, **changes))


def _receiver(**changes: Any) -> Change:
    return lambda s: replace(s, receiver=replace(s.receiver, **changes))


def _recorder(**changes: Any) -> Change:
    return lambda s: replace(s, recorder=replace(s.recorder, **changes))


def _station_beside(s: Scenario) -> Scenario:
    """Another keyed station 230 Hz off, on the side where the passband has room."""
    tone_hz, high_hz = s.receiver.tone_hz, s.receiver.passband.high_hz
    beside = tone_hz + 230.0 if tone_hz + 330.0 < high_hz else tone_hz - 230.0
    return _path(stations=(*s.path.stations, Station(frequency_hz=beside, level_dbc=-4.0)))(s)


def _bursts(bursts: Bursts) -> Change:
    return lambda s: _path(bursts=(*s.path.bursts, bursts))(s)


def _noisier(skirt: Skirt) -> Change:
    return lambda s: _transmitter(noise=(*s.transmitter.noise, skirt))(s)


def _uncontrolled(change: Change) -> Change:
    """The change, and the gain control off, which would level most of it away."""
    return lambda s: _receiver(gain_control=None)(change(s))


def _overloaded(s: Scenario) -> Scenario:
    """A strong signal some metres away: it limits in the front end, and the gain control runs out."""
    # The receiver's own oscillator is no better than others: what reciprocal mixing it makes stays.
    noise = (*s.receiver.noise, Skirt(dbc_hz=-76.0))
    strong = replace(s.receiver, snr_db=s.receiver.snr_db + 32.0, overload=Overload(), noise=noise)
    control = s.receiver.gain_control and replace(s.receiver.gain_control, range_db=35.0)
    detector = replace(s.receiver.detector, headroom_db=12.0)
    return replace(s, receiver=replace(strong, gain_control=control, detector=detector),
                   recorder=replace(s.recorder, level_dbfs=s.recorder.level_dbfs - 6.0))


def _padded(s: Scenario) -> Scenario:
    """The same with 20 dB in the antenna lead."""
    return _receiver(pad_db=20.0)(_overloaded(s))


def _dropouts(s: Scenario) -> Scenario:
    """Four losses of four kinds, spread over the recording."""
    kinds = (("zeros", 0.03), ("held", 0.02), ("repeat", 0.025), ("missing", 0.017))
    lost = tuple(Dropout(time_s=part * s.duration_s, length_s=length, how=how)  # type: ignore[arg-type]
                 for part, (how, length) in zip((0.21, 0.38, 0.53, 0.69), kinds, strict=True))
    return _recorder(dropouts=lost)(s)


def _softened(s: Scenario) -> Scenario:
    """Edges of 0.6 dit."""
    edge_s = 0.6 * s.transmitter.keying.dit_s
    return _keying(rise_s=edge_s, fall_s=edge_s)(s)


def _ground_loop(s: Scenario) -> Scenario:
    """Mains and its multiples, the odd ones stronger (a transformer's iron), against the tone's level."""
    against_tone = {1: -14.0, 2: -26.0, 3: -19.0, 4: -38.0, 5: -29.0, 7: -34.0, 9: -41.0}
    return _recorder(hum={order: s.recorder.level_dbfs + level for order, level in against_tone.items()})(s)


def _flown_past(s: Scenario) -> Scenario:
    """A distant, slow flight whose closest point lies in the middle of the recording."""
    return _path(reflection=Reflection(level_db=-1.5, shift_hz=1.2, pass_s=s.duration_s))(s)


_LINES = ("hum-sidebands", "spur-lines")
_CLIPPED = ("harmonic-distortion", "clipped-recording")

_ALL = (
    # receiver and house
    Fault(name="receiver-overload", cause="receiver-overload",
          shows=("hum-sidebands", "rasp", "harmonic-distortion", "overshoot", "noisy-tone", "key-clicks"),
          sounds="a loud, rough tone that rasps and hums, with a hiss that comes and goes with the key",
          change=_overloaded),
    Fault(name="receiver-overload-padded", cause="receiver-overload", shows=("hum-sidebands", "rasp"),
          sounds="the overloaded receiver again with 20 dB in its antenna lead: now the tone is clean",
          change=_padded),
    Fault(name="mains-remodulation", cause="mains-remodulation", shows=_LINES,
          sounds="a buzzing, slightly hollow tone, as if a second one were switched a hundred times a second",
          change=_path(wiring=Wiring())),
    Fault(name="receiver-supply-hum", cause="receiver-supply-hum", shows=_LINES,
          sounds="a humming tone, and every other signal in the passband hums alike",
          change=_receiver(hum_am=0.05, hum_pushing_hz=1.5)),
    Fault(name="receiver-drift", cause="receiver-drift", shows=("drift",),
          sounds="the pitch slides, and everything else in the passband slides with it",
          change=_receiver(drift=Drift(rate_hz_per_min=-16.0))),
    Fault(name="receiver-oscillator-noise", cause="receiver-oscillator-noise", shows=("noisy-tone", "rasp"),
          sounds="a hoarse tone in a hiss that is there only while a signal is",
          change=_receiver(noise=(Skirt(dbc_hz=-46.0),))),
    Fault(name="gain-control", cause="gain-control", shows=("overshoot", "key-clicks"),
          sounds="each element begins with a thump, and the noise surges up in the gaps",
          change=lambda s: _recorder(level_dbfs=s.recorder.level_dbfs - 8.0)(_receiver(
              gain_control=GainControl(attack_s=0.025, hang_s=0.0, release_s=0.06, threshold_db=10.0))(s))),
    # transmitter supply
    Fault(name="supply-hum", cause="transmitter-supply-hum", shows=_LINES,
          sounds="a tone with a hum an octave above the mains riding on it, gone when the key is up",
          change=_transmitter(supply=Supply(am_depth=0.08, pushing_hz=1.5))),
    Fault(name="supply-hum-half-wave", cause="transmitter-supply-hum", shows=_LINES,
          sounds="a tone with a deep hum at the mains frequency riding on it, gone when the key is up",
          change=_transmitter(supply=Supply(rectifier="half-wave", am_depth=0.08, pushing_hz=1.5))),
    Fault(name="magnetic-hum", cause="magnetic-hum", shows=_LINES,
          sounds="a faintly trembling tone: its pitch, not its loudness, shakes with the mains",
          change=_transmitter(magnetic_hz=3.0)),
    Fault(name="switching-supply", cause="switching-supply", shows=("spur-lines",),
          sounds="a whistle or two beside the tone that wander and do not belong to the mains",
          change=_transmitter(switching=Switching())),
    Fault(name="supply-sag", cause="supply-sag", shows=("chirp", "overshoot", "key-clicks"),
          sounds="each element begins with a chirp and fades a little, like a bird",
          change=_transmitter(load=Load(chirp_hz=42.0, droop_db=1.6, settle_s=0.03, recover_s=0.03))),
    # keying
    Fault(name="key-clicks", cause="hard-keying", shows=("key-clicks",),
          sounds="sharp clicks at the beginning and end of each element, heard well beside the tone",
          change=_keying(shape="linear", rise_s=0.0003, fall_s=0.0003)),
    Fault(name="soft-keying", cause="soft-keying", shows=("slow-keying",),
          sounds="woolly elements that swell and sink, hard to tell apart at speed",
          change=_softened),
    Fault(name="keying-leak", cause="keying-leak", shows=("backwave",),
          sounds="the tone never quite goes: a weak one stays in the gaps",
          change=_keying(leak_db=-24.0)),
    Fault(name="keyer-timing", cause="keyer-timing", shows=("keying-timing",),
          sounds="limping Morse: dits and dahs of all lengths",
          change=_keying(jitter=0.26)),
    Fault(name="key-bounce", cause="key-bounce", shows=("key-clicks", "keying-timing", "overshoot"),
          sounds="each element stutters and scratches at its beginning",
          change=_keying(bounces=2, bounce_s=0.004, rise_s=0.0008, fall_s=0.0008)),
    # oscillator
    Fault(name="oscillator-noise", cause="oscillator-noise", shows=("noisy-tone", "rasp"),
          sounds="a hoarse tone with a rustle about it, whatever its strength",
          change=_noisier(Skirt(dbc_hz=-45.0, power=1.0, from_hz=3.0))),
    Fault(name="oscillator-pulling", cause="oscillator-pulling", shows=("chirp",),
          sounds="each element begins with a chirp, at an even loudness",
          change=_transmitter(load=Load(chirp_hz=-38.0, settle_s=0.035, recover_s=0.035))),
    Fault(name="synthesiser-settling", cause="synthesiser-settling", shows=("chirp",),
          sounds="the same short yelp at the beginning of every element",
          change=_transmitter(load=Load(chirp_hz=55.0, settle_s=0.012, recover_s=0.0002))),
    Fault(name="warm-up", cause="warm-up", shows=("drift",),
          sounds="the pitch slides, fast at first and then slower and slower",
          change=lambda s: _drift(warm_up_hz=max(18.0, 1.1 * s.duration_s), warm_up_s=0.6 * s.duration_s)(s)),
    Fault(name="clock-drift", cause="clock-drift", shows=("drift",),
          sounds="the pitch slides steadily one way",
          change=_drift(rate_hz_per_min=14.0)),
    Fault(name="temperature-cycling", cause="temperature-cycling", shows=("frequency-wobble", "drift"),
          sounds="the pitch swings slowly up and down and up again",
          change=lambda s: _drift(cycle_peak_hz=5.0, cycle_s=max(0.4 * s.duration_s, 8.0))(s)),
    Fault(name="loose-connection", cause="loose-connection", shows=("frequency-jumps",),
          sounds="the pitch jumps at odd moments, there and back",
          change=_drift(jumps_per_min=14.0, jump_hz=7.0)),
    Fault(name="synthesiser-steps", cause="synthesiser-steps", shows=("frequency-jumps",),
          sounds="the pitch climbs in small equal steps",
          change=_drift(jumps_per_min=14.0, jump_hz=4.0, equal_jumps=True)),
    Fault(name="parasitic-oscillation", cause="parasitic-oscillation", shows=("spur-lines",),
          sounds="a second, unrelated whistle that comes and goes with the key",
          change=_transmitter(parasitic=Parasitic())),
    # audio and recorder
    Fault(name="audio-overdrive", cause="audio-overdrive", shows=_CLIPPED,
          sounds="a hard, edgy tone, like a small loudspeaker turned up too far",
          change=_recorder(overdrive=Overdrive(drive_db=3.0, bias=0.1))),
    Fault(name="clipped-recording", cause="audio-overdrive", shows=_CLIPPED,
          sounds="a harsh tone with its tops cut off flat",
          change=_recorder(level_dbfs=4.0)),
    Fault(name="clipped-then-turned-down", cause="audio-overdrive", shows=_CLIPPED,
          sounds="a harsh tone with its tops cut off flat, at a moderate level all the same",
          change=_recorder(level_dbfs=4.0, turned_down_db=13.0)),
    Fault(name="ground-loop", cause="audio-ground-loop", shows=("audio-hum",),
          sounds="a steady hum under everything, key up or down",
          change=_ground_loop),
    Fault(name="dropouts", cause="recorder-dropouts", shows=("dropouts",),
          sounds="short gaps, stutters and clicks in everything, noise included",
          change=_dropouts),
    # band and path
    Fault(name="co-channel-station", cause="co-channel-station", shows=("other-signal",),
          sounds="another station's Morse beside ours, at its own speed",
          change=_station_beside),
    Fault(name="broadcast-voice", cause="broadcast-breakthrough", shows=("voice-breakthrough",),
          sounds="somebody speaks behind the tone",
          change=_path(voice=Voice(level_dbc=-14.0))),
    Fault(name="broadcast-on-tone", cause="broadcast-breakthrough", shows=("voice-breakthrough",),
          sounds="the tone itself murmurs with somebody's speech",
          change=_path(voice=Voice(level_dbc=-17.0, on_tone=True))),
    Fault(name="mains-bursts", cause="local-noise", shows=("noise-bursts",),
          sounds="a rasping buzz of sparks twice a mains cycle, key up or down",
          change=_bursts(Bursts(level_db=32.0))),
    Fault(name="static-crashes", cause="local-noise", shows=("noise-bursts",),
          sounds="crackles and crashes at random, as before a thunderstorm",
          change=_bursts(Bursts(level_db=25.0, decay_s=0.012, every="random", per_second=5.0,
                                spread_db=3.0))),
    Fault(name="weak-path", cause="weak-path", shows=("weak-signal",),
          sounds="a thin tone deep in the noise",
          change=_receiver(snr_db=-8.0)),
    Fault(name="path-fading", cause="path-fading", shows=("fading",),
          sounds="the signal swells and sinks over seconds (the gain control, which would hide it, is off)",
          change=_uncontrolled(_path(fading=Fading(spread_hz=0.4, steady_db=-10.0, slow_db=3.0)))),
    Fault(name="multipath-flutter", cause="multipath-spread", shows=("fading", "noisy-tone"),
          sounds="the signal flutters and shivers many times a second",
          change=_path(fading=Fading(spread_hz=6.0, steady_db=-3.0))),
    Fault(name="aircraft", cause="path-doppler", shows=("fading", "noisy-tone", "frequency-wobble"),
          sounds="the tone beats with a ghost of itself, fast, slow and fast again (the gain control is off)",
          change=_uncontrolled(_flown_past)),
)  # fmt: skip

FAULTS: Mapping[str, Fault] = {fault.name: fault for fault in _ALL}
"""All faults by name."""


def fault(name: str) -> Fault:
    """The fault of that name, or else the first that has ``name`` for a cause.

    Raises
    ------
    SettingError : no such fault; the message names the nearest ones.
    """
    by_cause = {each.cause: each for each in reversed(_ALL)}
    if name in FAULTS or name in by_cause:
        return FAULTS.get(name) or by_cause[name]
    showing = [each.name for each in _ALL if name in each.shows and len(each.shows) <= 3]
    near = showing or get_close_matches(name, {**by_cause, **FAULTS}, n=1)
    hint = f"did you mean {' or '.join(near[:3])}?" if near else "list them with --list"
    raise SettingError(f"there is no fault called {name!r}: {hint}")


def scenario_with(names: Iterable[str], base: Scenario | None = None) -> Scenario:
    """A scenario with the named faults at work, on a clean one (or ``base``). "clean" adds nothing."""
    out = base or Scenario()
    for name in names:
        if name == "clean":
            continue
        each = fault(name)
        out = replace(each.change(out), blames=(*out.blames, Blame(cause=each.cause, shows=each.shows)))
    return out


def with_narrow_filter(scenario: Scenario, width_hz: float) -> Scenario:
    """The same through a crystal filter of ``width_hz`` about the tone, as for Morse."""
    low_hz = scenario.receiver.tone_hz - 0.5 * width_hz
    band = Passband(low_hz=low_hz, high_hz=low_hz + width_hz, kind="crystal", order=3)
    return _receiver(passband=band)(scenario)


def clean_scenario(
    *, seconds: float = 30.0, rate_hz: int = 12000, tone_hz: float = 740.0, wpm: float = 15.0,
    snr_db: float = 28.0, mains_hz: float = 50.0, seed: int = 1,
) -> Scenario:  # fmt: skip
    """A clean scenario of the given length and signal; ``wpm`` 0 is a steady carrier.

    Raises
    ------
    SettingError : a setting out of range.
    """
    if not -40.0 <= snr_db <= 100.0:
        raise SettingError(f"the signal-to-noise ratio is {snr_db:g} dB: give -40 to 100 dB")
    if seed < 0:
        raise SettingError(f"the seed is {seed}: give 0 or a positive whole number")
    off_s = min(5.0, 0.15 * seconds)
    keying = Keying(start_s=min(1.0, 0.05 * seconds), stop_s=off_s)
    keying = replace(keying, mode="steady") if wpm == 0.0 else replace(keying, wpm=wpm)
    return Scenario(
        duration_s=seconds, rate_hz=rate_hz, seed=seed, mains=Mains(hz=mains_hz),
        transmitter=Transmitter(keying=keying), receiver=Receiver(tone_hz=tone_hz, snr_db=snr_db),
    )  # fmt: skip
