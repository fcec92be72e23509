"""Scenarios for fitting the judge's tables and for trying them: everyday stations with faults of all strengths.

The faults of `sigcheck.synth` come at one strength each, for the ear. Here each cause draws its own, from
barely heard to gross, on a station, receiver and recorder that are drawn too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from sigcheck.judge.tables import CAUSES
from sigcheck.synth.faults import clean_scenario, scenario_with, with_narrow_filter
from sigcheck.synth.path import Bursts, Fading, Reflection, Station, Voice, Wiring
from sigcheck.synth.receiver import GainControl, Overload
from sigcheck.synth.recorder import Dropout, Overdrive
from sigcheck.synth.scenario import Blame, Scenario
from sigcheck.synth.transmitter import Drift, Load, Parasitic, Skirt, Supply, Switching

Rng = np.random.Generator
Draw = Callable[[Rng, Scenario], Scenario]

KEYED_ONLY = frozenset(
    {
        "gain-control",
        "supply-sag",
        "hard-keying",
        "soft-keying",
        "keying-leak",
        "keyer-timing",
        "key-bounce",
        "oscillator-pulling",
        "synthesiser-settling",
        "receiver-overload",
    }
)

# Causes of which a recording can show only one: their marks would be the same numbers.
_DRIFTS = frozenset(
    {"warm-up", "clock-drift", "receiver-drift", "temperature-cycling", "loose-connection", "synthesiser-steps"}
)
_CHIRPS = frozenset({"supply-sag", "oscillator-pulling", "synthesiser-settling"})
_EDGES = frozenset({"hard-keying", "soft-keying", "key-bounce"})
_FADES = frozenset({"path-fading", "multipath-spread", "path-doppler"})
_GAINS = frozenset({"gain-control", "receiver-overload"}) | _FADES
EXCLUSIVE = (_DRIFTS, _CHIRPS, _EDGES, _FADES, _GAINS, frozenset({"weak-path", "receiver-overload"}))


def everyday(rng: Rng, *, keyed: bool, seconds: float = 20.0) -> Scenario:
    """A station, a receiver and a recorder without fault."""
    base = clean_scenario(
        seconds=seconds,
        rate_hz=int(rng.choice([8000, 11025, 12000, 16000])),
        tone_hz=float(rng.uniform(450.0, 1100.0)),
        wpm=float(rng.uniform(10.0, 24.0)) if keyed else 0.0,
        snr_db=float(rng.uniform(14.0, 44.0)),
        mains_hz=float(rng.uniform(49.85, 50.15) if rng.random() < 0.6 else rng.uniform(59.92, 60.08)),
        seed=int(rng.integers(1, 2**31)),
    )
    if rng.random() < 0.4:
        base = with_narrow_filter(base, float(rng.uniform(450.0, 700.0)))
    if rng.random() < 0.25:
        base = _receiver(base, gain_control=None)
    rise_s = float(rng.uniform(0.0042, 0.007))
    return _keying(base, rise_s=rise_s, fall_s=rise_s, jitter=float(rng.uniform(0.0, 0.02)))


def draw(rng: Rng, causes: Sequence[str]) -> Scenario:
    """An everyday scenario with these causes at work."""
    keyed = bool(KEYED_ONLY.intersection(causes)) or rng.random() < 0.75
    scenario = everyday(rng, keyed=keyed)
    for cause in causes:
        scenario = replace(
            DRAWS[cause](rng, scenario), blames=(*scenario.blames, Blame(cause=cause, shows=_SHOWS[cause]))
        )
    return scenario


def some_causes(rng: Rng, count: int) -> tuple[str, ...]:
    """Causes drawn by their priors, none that excludes another."""
    names = list(DRAWS)
    weight = np.array([CAUSES[c].prior / (1.0 - CAUSES[c].prior) for c in names])
    while True:
        taken = rng.choice(len(names), size=count, replace=False, p=weight / weight.sum())
        causes = tuple(names[i] for i in taken)
        if all(len(group.intersection(causes)) <= 1 for group in EXCLUSIVE):
            return causes


def _transmitter(s: Scenario, **changes: Any) -> Scenario:
    return replace(s, transmitter=replace(s.transmitter, **changes))


def _keying(s: Scenario, **changes: Any) -> Scenario:
    return _transmitter(s, keying=replace(s.transmitter.keying, **changes))


def _path(s: Scenario, **changes: Any) -> Scenario:
    return replace(s, path=replace(s.path, **changes))


def _receiver(s: Scenario, **changes: Any) -> Scenario:
    return replace(s, receiver=replace(s.receiver, **changes))


def _recorder(s: Scenario, **changes: Any) -> Scenario:
    return replace(s, recorder=replace(s.recorder, **changes))


def _log(rng: Rng, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _sign(rng: Rng) -> float:
    return 1.0 if rng.random() < 0.5 else -1.0


# ---- receiver and house ------------------------------------------------------------------------


def _overload(rng: Rng, s: Scenario) -> Scenario:
    s = scenario_with(["receiver-overload"], s)
    stage = Overload(
        drive_db=float(rng.uniform(5.0, 14.0)),
        hum_depth=_log(rng, 0.02, 0.12),
        am_pm_rad=float(rng.uniform(0.1, 0.35)),
        noise_dbc_hz=float(rng.uniform(-52.0, -42.0)),
        angle_noise_dbc_hz=float(rng.uniform(-62.0, -52.0)),
    )
    return replace(_receiver(s, overload=stage), blames=s.blames[:-1])


def _control(rng: Rng, s: Scenario) -> Scenario:
    control = GainControl(
        attack_s=_log(rng, 0.012, 0.04), hang_s=0.0, release_s=_log(rng, 0.04, 0.2), threshold_db=10.0
    )
    return _recorder(_receiver(s, gain_control=control), level_dbfs=s.recorder.level_dbfs - 8.0)


def _wiring(rng: Rng, s: Scenario) -> Scenario:
    return _path(
        s,
        wiring=Wiring(
            level_db=float(rng.uniform(-26.0, -10.0)),
            angle_rad=float(rng.uniform(0.0, 6.28)),
            conduction=float(rng.uniform(0.1, 0.25)),
            imbalance=float(rng.uniform(0.3, 0.9)),
        ),
    )


def _supply(rng: Rng, s: Scenario) -> Scenario:
    rectifier: Any = "full-wave" if rng.random() < 0.75 else "half-wave"
    return _transmitter(
        s,
        supply=Supply(
            rectifier=rectifier,
            am_depth=_log(rng, 0.01, 0.15),
            pushing_hz=_log(rng, 0.1, 4.0),
            imbalance=_log(rng, 0.002, 0.05),
        ),
    )


def _overloud(rng: Rng, s: Scenario) -> Scenario:
    how = rng.random()
    if how < 0.4:
        return _recorder(
            s,
            overdrive=Overdrive(
                drive_db=float(rng.uniform(1.0, 8.0)), bias=float(rng.uniform(0.0, 0.2)), hard=bool(rng.random() < 0.4)
            ),
        )
    loud = _recorder(s, level_dbfs=float(rng.uniform(1.5, 9.0)))
    return loud if how < 0.7 else _recorder(loud, turned_down_db=float(rng.uniform(3.0, 20.0)))


# ---- band, path, recorder ----------------------------------------------------------------------


def _loop(rng: Rng, s: Scenario) -> Scenario:
    top = float(rng.uniform(-38.0, -8.0)) + s.recorder.level_dbfs
    orders = {1: 0.0, 2: -12.0, 3: -5.0, 4: -24.0, 5: -15.0, 7: -20.0, 9: -27.0}
    return _recorder(s, hum={n: top + level + float(rng.normal(0.0, 3.0)) for n, level in orders.items()})


def _lost(rng: Rng, s: Scenario) -> Scenario:
    kinds: list[Any] = ["zeros", "held", "repeat", "missing"]
    at = np.sort(rng.uniform(0.15, 0.7, int(rng.integers(1, 5)))) * s.duration_s
    return _recorder(
        s,
        dropouts=tuple(
            Dropout(time_s=float(t), length_s=_log(rng, 0.008, 0.06), how=kinds[int(rng.integers(4))]) for t in at
        ),
    )


def _station(rng: Rng, s: Scenario) -> Scenario:
    band, tone_hz = s.receiver.passband, s.receiver.tone_hz
    reach = [hz for hz in (band.high_hz - tone_hz - 40.0, -(tone_hz - band.low_hz - 40.0)) if abs(hz) > 120.0]
    offset = float(np.sign(end := float(rng.choice(reach or [150.0]))) * rng.uniform(100.0, min(abs(end), 600.0)))
    kind: Any = "keyed" if rng.random() < 0.75 else "steady"
    one = Station(
        frequency_hz=tone_hz + offset,
        level_dbc=float(rng.uniform(-22.0, -3.0)),
        kind=kind,
        wpm=float(rng.uniform(14.0, 26.0)),
    )
    return _path(s, stations=(one,))


def _bursts(rng: Rng, s: Scenario) -> Scenario:
    if rng.random() < 0.6:
        each = Bursts(level_db=float(rng.uniform(22.0, 36.0)), decay_s=_log(rng, 0.0004, 0.001))
    else:
        each = Bursts(
            level_db=float(rng.uniform(18.0, 30.0)),
            decay_s=_log(rng, 0.006, 0.02),
            every="random",
            per_second=float(rng.uniform(2.0, 7.0)),
            spread_db=3.0,
        )
    return _path(s, bursts=(each,))


def _weak(rng: Rng, s: Scenario) -> Scenario:
    keyed = s.transmitter.keying.mode == "cw"
    return _receiver(s, snr_db=float(rng.uniform(-7.0, -1.0) if keyed else rng.uniform(-20.0, -12.0)))


def _skirt(rng: Rng, s: Scenario) -> Skirt:
    close = rng.random() < 0.5
    return Skirt(dbc_hz=float(rng.uniform(-56.0, -42.0)), power=1.0 if close else 0.0, from_hz=3.0 if close else 0.5)


def _warm(rng: Rng, s: Scenario) -> Scenario:
    tau_s = s.duration_s * float(rng.uniform(0.3, 1.0))
    return _drift(s, warm_up_hz=_sign(rng) * _log(rng, 3.0, 30.0), warm_up_s=tau_s)


def _drift(s: Scenario, **changes: Any) -> Scenario:
    return _transmitter(s, drift=replace(s.transmitter.drift, **changes))


def _dit_s(s: Scenario) -> float:
    return s.transmitter.keying.dit_s


def _noisier(s: Scenario, skirt: Skirt) -> Scenario:
    return _transmitter(s, noise=(*s.transmitter.noise, skirt))


DRAWS: Mapping[str, Draw] = {
    "receiver-overload": _overload,
    "mains-remodulation": _wiring,
    "receiver-supply-hum": lambda r, s: _receiver(s, hum_am=_log(r, 0.008, 0.12), hum_pushing_hz=_log(r, 0.1, 4.0)),
    "receiver-drift": lambda r, s: _receiver(s, drift=Drift(rate_hz_per_min=_sign(r) * _log(r, 3.0, 40.0))),
    "receiver-oscillator-noise": lambda r, s: _receiver(s, noise=(*s.receiver.noise, _skirt(r, s))),
    "gain-control": _control,
    "transmitter-supply-hum": _supply,
    "magnetic-hum": lambda r, s: _transmitter(s, magnetic_hz=_log(r, 0.5, 6.0)),
    "switching-supply": lambda r, s: _transmitter(
        s,
        switching=Switching(
            hz=float(r.uniform(130.0, 900.0)),
            wander_hz=_log(r, 0.5, 5.0),
            am_depth=_log(r, 0.01, 0.1),
            pm_rad=_log(r, 0.005, 0.06),
        ),
    ),
    "supply-sag": lambda r, s: _transmitter(
        s,
        load=Load(
            chirp_hz=_sign(r) * _log(r, 8.0, 60.0),
            droop_db=float(r.uniform(0.8, 3.0)),
            settle_s=(t := _log(r, 0.012, 0.05)),
            recover_s=t,
        ),
    ),
    "hard-keying": lambda r, s: _keying(s, shape="linear", rise_s=(t := _log(r, 0.0002, 0.002)), fall_s=t),
    "soft-keying": lambda r, s: _keying(s, rise_s=(t := float(r.uniform(0.35, 0.8)) * _dit_s(s)), fall_s=t),
    "keying-leak": lambda r, s: _keying(s, leak_db=float(r.uniform(-42.0, -12.0))),
    "keyer-timing": lambda r, s: (
        _keying(s, jitter=float(r.uniform(0.1, 0.28)))
        if r.random() < 0.6
        else _keying(s, dah_dit_ratio=float(r.choice([r.uniform(2.1, 2.5), r.uniform(3.5, 4.4)])))
    ),
    "key-bounce": lambda r, s: _keying(
        s, bounces=int(r.integers(1, 4)), bounce_s=_log(r, 0.002, 0.006), rise_s=0.0008, fall_s=0.0008
    ),
    "oscillator-noise": lambda r, s: _noisier(s, _skirt(r, s)),
    "oscillator-pulling": lambda r, s: _transmitter(
        s, load=Load(chirp_hz=_sign(r) * _log(r, 8.0, 60.0), settle_s=(t := _log(r, 0.012, 0.05)), recover_s=t)
    ),
    "synthesiser-settling": lambda r, s: _transmitter(
        s, load=Load(chirp_hz=_sign(r) * _log(r, 15.0, 80.0), settle_s=_log(r, 0.008, 0.02), recover_s=0.0002)
    ),
    "warm-up": _warm,
    "clock-drift": lambda r, s: _drift(s, rate_hz_per_min=_sign(r) * _log(r, 3.0, 40.0)),
    "temperature-cycling": lambda r, s: _drift(s, cycle_peak_hz=_log(r, 1.0, 8.0), cycle_s=float(r.uniform(6.0, 12.0))),
    "loose-connection": lambda r, s: _drift(s, jumps_per_min=float(r.uniform(8.0, 20.0)), jump_hz=_log(r, 1.0, 12.0)),
    "synthesiser-steps": lambda r, s: _drift(
        s, jumps_per_min=float(r.uniform(12.0, 24.0)), jump_hz=_log(r, 1.0, 8.0), equal_jumps=True
    ),
    "parasitic-oscillation": lambda r, s: _transmitter(
        s,
        parasitic=Parasitic(
            offset_hz=float(r.uniform(120.0, 400.0)),
            level_db=float(r.uniform(-44.0, -20.0)),
            wander_hz=_log(r, 0.5, 4.0),
        ),
    ),
    "audio-overdrive": _overloud,
    "audio-ground-loop": _loop,
    "recorder-dropouts": _lost,
    "co-channel-station": _station,
    "broadcast-breakthrough": lambda r, s: _path(
        s, voice=Voice(level_dbc=float(r.uniform(-30.0, -12.0)), on_tone=bool(r.random() < 0.5))
    ),
    "local-noise": _bursts,
    "weak-path": _weak,
    "path-fading": lambda r, s: _receiver(
        _path(
            s, fading=Fading(spread_hz=float(r.uniform(0.2, 0.6)), steady_db=float(r.uniform(-20.0, -6.0)), slow_db=3.0)
        ),
        gain_control=None,
    ),
    "multipath-spread": lambda r, s: _path(
        s, fading=Fading(spread_hz=float(r.uniform(3.0, 10.0)), steady_db=float(r.uniform(-8.0, 2.0)))
    ),
    "path-doppler": lambda r, s: _receiver(
        _path(
            s,
            reflection=Reflection(
                level_db=float(r.uniform(-4.0, -1.0)), shift_hz=_log(r, 0.8, 4.0), pass_s=s.duration_s
            ),
        ),
        gain_control=None,
    ),
}
"""Each cause that can be synthesised."""

_SHOWS: Mapping[str, tuple[str, ...]] = {
    "receiver-overload": ("hum-sidebands", "rasp", "harmonic-distortion", "overshoot", "noisy-tone", "key-clicks"),
    "mains-remodulation": ("hum-sidebands",),
    "receiver-supply-hum": ("hum-sidebands",),
    "receiver-drift": ("drift",),
    "receiver-oscillator-noise": ("noisy-tone", "rasp"),
    "gain-control": ("overshoot", "key-clicks"),
    "transmitter-supply-hum": ("hum-sidebands",),
    "magnetic-hum": ("hum-sidebands",),
    "switching-supply": ("spur-lines",),
    "supply-sag": ("chirp", "overshoot"),
    "hard-keying": ("key-clicks",),
    "soft-keying": ("slow-keying",),
    "keying-leak": ("backwave",),
    "keyer-timing": ("keying-timing",),
    "key-bounce": ("key-clicks", "keying-timing", "overshoot"),
    "oscillator-noise": ("noisy-tone", "rasp"),
    "oscillator-pulling": ("chirp",),
    "synthesiser-settling": ("chirp",),
    "warm-up": ("drift",),
    "clock-drift": ("drift",),
    "temperature-cycling": ("frequency-wobble",),
    "loose-connection": ("frequency-jumps",),
    "synthesiser-steps": ("frequency-jumps",),
    "parasitic-oscillation": ("spur-lines",),
    "audio-overdrive": ("harmonic-distortion", "clipped-recording"),
    "audio-ground-loop": ("audio-hum",),
    "recorder-dropouts": ("dropouts",),
    "co-channel-station": ("other-signal",),
    "broadcast-breakthrough": ("voice-breakthrough",),
    "local-noise": ("noise-bursts",),
    "weak-path": ("weak-signal",),
    "path-fading": ("fading",),
    "multipath-spread": ("fading", "noisy-tone"),
    "path-doppler": ("fading", "noisy-tone", "frequency-wobble"),
}
