"""Kinds of recordings: clean ones in all their variety, and one or two faults on top of them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from . import recorder, truth
from .keyer import Fist, beacon_text
from .receiver import Filter, GainControl
from .scene import Array, Chirp, Other, Overload, Scene, Simulated, Supply, Wiring, simulate
from .truth import Truth

Generator = np.random.Generator

# Causes that one recording cannot tell apart, so a diagnosis may name any of them first.
SUPPLY = {"transmitter-supply-hum", "receiver-supply-hum", "mains-remodulation"}
FAMILIES: dict[str, frozenset[str]] = {  # the raspy signals that must be told apart
    "supply-hum": frozenset({"transmitter-supply-hum", "receiver-supply-hum"}),
    "receiver-supply-hum": frozenset({"transmitter-supply-hum", "receiver-supply-hum"}),
    "mains-remodulation": frozenset({"mains-remodulation", "receiver-overload"}),
    "receiver-overload": frozenset({"mains-remodulation", "receiver-overload"}),
    "audio-overdrive": frozenset({"audio-overdrive"}),
}


def everyday(rng: Generator, *, keyed: bool) -> Scene:
    """A station, a path and a receiver without fault, drawn from all that is usual."""
    tone = rng.uniform(400, 1500)
    wide = rng.random() < 0.6
    family = str(rng.choice(["butter", "cheby1", "ellip"]))
    if wide:
        low, high = rng.uniform(200, 330), rng.uniform(2400, 3000)
    else:
        width = rng.choice([400, 500, 600])
        centre = max(tone + rng.uniform(-60, 60), width / 2 + 130)
        low, high = centre - width / 2, centre + width / 2
    choice = rng.choice(["off", "fast", "medium", "slow"], p=[0.25, 0.15, 0.3, 0.3])
    control = {
        "off": None,
        # a fast release that lifts the gain between elements needs an attack as fast as the edge,
        # or the receiver itself overshoots: that would no longer be a clean recording
        "fast": GainControl(rng.uniform(0.002, 0.003), rng.uniform(0.1, 0.25), rng.uniform(6, 15), 0.15),
        "medium": GainControl(rng.uniform(0.002, 0.006), rng.uniform(0.3, 0.8), rng.uniform(10, 30)),
        "slow": GainControl(rng.uniform(0.002, 0.015), rng.uniform(1.0, 2.0), rng.uniform(10, 40)),
    }[str(choice)]
    seconds = 10 + 50 * rng.beta(1, 3.5)
    wpm = rng.uniform(8, 25)
    if keyed:
        seconds = max(seconds, min(60.0, 40 * 1.2 * 5 / wpm))
    rate = int(rng.choice(recorder.RATES, p=[0.06, 0.12, 0.08, 0.12, 0.12, 0.1, 0.14, 0.18, 0.05, 0.03]))
    begin = rng.uniform(0.3, 3.0) if keyed or rng.random() < 0.4 else -1.0
    end = seconds + 1 if begin < 0 or rng.random() < 0.4 else seconds - rng.uniform(0.3, 0.15 * seconds)
    if rng.random() < 0.12:
        begin = max(begin, 0.45 * seconds)  # there for only part of the recording
    hand = keyed and rng.random() < 0.4
    fist = Fist(weight=rng.uniform(-0.08, 0.15))
    if hand:
        fist = Fist(
            dah_units=rng.uniform(2.85, 3.2),
            weight=rng.uniform(-0.05, 0.1),
            mark_scatter=rng.uniform(0.015, 0.04),
            gap_scatter=rng.uniform(0.03, 0.08),
            letter_gap_units=rng.uniform(2.8, 3.8),
            word_gap_units=rng.uniform(6.5, 9),
        )
    dit = 1.2 / wpm
    rise = rng.uniform(0.0042, max(0.0055, min(0.011, 0.16 * dit)))
    bits = int(rng.choice([8, 16, 24], p=[0.06, 0.74, 0.2]))
    codec = None
    if bits == 16 and rng.random() < 0.3:
        codec = str(rng.choice(["ogg", "mp3", "flac"]))
        if codec == "mp3" and not 16_000 <= rate <= 48_000:
            codec = "flac"
        if codec == "ogg" and not 8000 <= rate <= 48_000:
            codec = "flac"
    others: tuple[Other, ...] = ()
    if keyed and rng.random() < 0.15:
        others = (Other(_free_offset(rng, tone, low, high), rng.uniform(-45, -34), bool(rng.random() < 0.5)),)
    return Scene(
        seconds=seconds,
        keyed=keyed,
        tone_hz=tone,
        snr_db=rng.uniform(10, 40),
        wpm=wpm,
        text=beacon_text(rng),
        fist=fist,
        begin_s=begin,
        end_s=end,
        shape=str(rng.choice(["gauss", "linear", "rc"])),
        rise_s=rise,
        fall_s=rise * rng.uniform(0.95, 1.1),
        mains_hz=_mains(rng),
        noise_slope=str(rng.choice(["f2", "f3", "plateau"])),
        noise_rad=rng.uniform(0.001, 0.012),
        drift_hz_per_min=rng.uniform(-0.8, 0.8),
        sferics_per_s=rng.choice([0.0, 0.3, 0.7]),
        others=others,
        filter=Filter(low, high, family, int(rng.integers(3, 7))),
        control=control,
        detector_second=10 ** rng.uniform(-3.5, -2.3),
        detector_third=10 ** rng.uniform(-3.5, -2.0),
        comb_dbc=rng.uniform(-80, -50) if rng.random() < 0.5 else None,
        rate=rate,
        bits=bits,
        dither=bool(rng.random() < 0.5),
        codec=codec,
        peak_dbfs=rng.uniform(-4, -1) if bits == 8 else rng.uniform(-24, -2),
    )


def _mains(rng: Generator) -> float:
    return float(rng.uniform(49.85, 50.15) if rng.random() < 0.5 else rng.uniform(59.92, 60.08))


def _free_offset(rng: Generator, tone: float, low: float, high: float) -> float:
    """An offset inside the passband, at least 80 Hz from the tone and off its harmonics."""
    for _ in range(100):
        f = rng.uniform(low + 30, high - 30)
        apart = abs(f - tone) > 80 and min(abs(f - k * tone) for k in (2, 3, 4, 5)) > 60
        if apart and _off_the_mains(f - tone) and _off_the_mains(f):
            return float(f - tone)
    return 90.0 if tone + 90 < high else -90.0


def _off_the_mains(hz: float) -> bool:
    """Further than 4 Hz from every multiple of 50 and 60 Hz, or nobody could tell it from them."""
    return all(abs(hz - mains * round(hz / mains)) > 4 for mains in (50, 60))


def strong(rng: Generator, scene: Scene, low: float = 25, high: float = 42) -> None:
    """Enough signal that the fault can be heard."""
    scene.snr_db = rng.uniform(low, high)


def wide_open(rng: Generator, scene: Scene) -> None:
    """The wide filter, through which edges and far lines can be seen."""
    scene.filter = Filter(rng.uniform(200, 300), rng.uniform(2500, 3000), scene.filter.family, 5)


# --- one fault each ------------------------------------------------------------------------------


def supply_hum(rng: Generator, scene: Scene) -> None:
    strong(rng, scene)
    scene.supply = Supply(
        dbc=rng.uniform(-44, -20),
        full_wave=bool(rng.random() < 0.75),
        discharge_s=rng.uniform(0.01, 0.08),
        imbalance=rng.choice([0.0, rng.uniform(0.0, 0.1)]),
        angle_share=rng.uniform(0, 0.7),
        pushes=str(rng.choice(["phase", "frequency"])),
    )


def receiver_supply_hum(rng: Generator, scene: Scene) -> None:
    strong(rng, scene)
    scene.hum_on_receiver = Supply(
        rng.uniform(-42, -22), bool(rng.random() < 0.7), rng.uniform(0.01, 0.06), 0.05, rng.uniform(0, 0.8)
    )
    if rng.random() < 0.5 and scene.keyed:
        tone, band = scene.tone_hz, scene.filter
        scene.others = (
            Other(_free_offset(rng, tone, band.low_hz, band.high_hz), rng.uniform(-14, -6), False),
        )


def mains_remodulation(rng: Generator, scene: Scene) -> None:
    strong(rng, scene)
    scene.wiring = Wiring(
        rng.uniform(-42, -18),
        rng.uniform(0, 2 * np.pi),
        rng.uniform(0.75, 0.95),
        rng.uniform(0.01, 0.06),
        rng.uniform(0.1, 0.7),
    )


def receiver_overload(rng: Generator, scene: Scene) -> None:
    scene.snr_db = rng.uniform(45, 58)
    wide_open(rng, scene)
    scene.overload = Overload(
        rng.uniform(6, 18),
        rng.uniform(-40, -22),
        rng.uniform(0.1, 0.7),
        rng.uniform(-30, -20),
        bool(rng.random() < 0.4),
    )
    scene.detector_third = 10 ** rng.uniform(-0.9, -0.4)
    scene.detector_second = 10 ** rng.uniform(-2.2, -1.2)
    scene.others = ()


def audio_overdrive(rng: Generator, scene: Scene) -> None:
    strong(rng, scene, 20, 42)
    wide_open(rng, scene)
    scene.audio_hard = bool(rng.random() < 0.5)
    scene.audio_drive_db = rng.uniform(2, 12) if scene.audio_hard else rng.uniform(-1, 9)
    scene.audio_other_side = rng.choice([1.0, rng.uniform(0.6, 1.0)])
    scene.audio_filter_after = bool(rng.random() < 0.5)
    scene.tone_hz = rng.uniform(400, 950)
    scene.others = ()


def ground_loop(rng: Generator, scene: Scene) -> None:
    scene.comb_dbc = rng.uniform(-40, -6)


def magnetic_hum(rng: Generator, scene: Scene) -> None:
    strong(rng, scene)
    scene.magnetic_dbc = rng.uniform(-44, -24)


def switching_supply(rng: Generator, scene: Scene) -> None:
    strong(rng, scene, 28, 42)
    wide_open(rng, scene)
    hz = rng.uniform(130, 400)
    while not (_off_the_mains(hz) and _off_the_mains(2 * hz)):
        hz = rng.uniform(130, 400)
    scene.switching = (hz, rng.uniform(-42, -25), rng.uniform(0.0, 2.0))


def chirp_with_droop(rng: Generator, scene: Scene) -> None:
    strong(rng, scene, 20, 40)
    sign = -1 if rng.random() < 0.2 else 1
    scene.chirp = Chirp(sign * rng.uniform(12, 60), rng.uniform(0.012, 0.05), rng.uniform(1.2, 5))
    scene.control = None if rng.random() < 0.7 else scene.control


def chirp_alone(rng: Generator, scene: Scene) -> None:
    strong(rng, scene, 20, 40)
    scene.chirp = Chirp(rng.choice([-1, 1]) * rng.uniform(12, 80), rng.uniform(0.01, 0.04))


def key_clicks(rng: Generator, scene: Scene) -> None:
    strong(rng, scene, 20, 40)
    wide_open(rng, scene)
    scene.rise_s, scene.fall_s = rng.uniform(0.0002, 0.0018), rng.uniform(0.0002, 0.0018)
    if rng.random() < 0.3:
        scene.fall_s = 0.006  # one edge only


def soft_keying(rng: Generator, scene: Scene) -> None:
    strong(rng, scene, 15, 40)
    scene.wpm = rng.uniform(12, 25)
    scene.shape = str(rng.choice(["gauss", "linear"]))
    scene.rise_s = rng.uniform(0.38, 0.6) * 1.2 / scene.wpm
    scene.fall_s = scene.rise_s
    scene.fist = Fist()
    scene.control = None


def backwave(rng: Generator, scene: Scene) -> None:
    strong(rng, scene, 28, 42)
    scene.backwave_db = rng.uniform(-38, -15)
    scene.control = None if rng.random() < 0.6 else scene.control


def keyer_timing(rng: Generator, scene: Scene) -> None:
    if rng.random() < 0.6:
        scene.fist = Fist(
            mark_scatter=rng.uniform(0.12, 0.25), gap_scatter=rng.uniform(0.1, 0.2), letter_gap_units=3.5
        )
    else:
        scene.fist = Fist(dah_units=float(rng.choice([rng.uniform(1.9, 2.35), rng.uniform(3.8, 5)])))


def oscillator_noise(rng: Generator, scene: Scene) -> None:
    strong(rng, scene, 28, 42)
    scene.noise_slope = str(rng.choice(["f2", "plateau"]))
    scene.noise_rad = rng.uniform(0.06, 0.3)


def warm_up(rng: Generator, scene: Scene) -> None:
    _longer(rng, scene)
    scene.warm_up = (rng.choice([-1, 1]) * rng.uniform(8, 60), rng.uniform(0.3, 0.8) * scene.seconds)


def linear_drift(rng: Generator, scene: Scene) -> None:
    _longer(rng, scene)
    scene.drift_hz_per_min = rng.choice([-1, 1]) * rng.uniform(3, 60)


def equal_steps(rng: Generator, scene: Scene) -> None:
    _longer(rng, scene)
    size, every = rng.choice([-1, 1]) * rng.uniform(0.8, 6), rng.uniform(3, 6)
    scene.steps = tuple((float(t), float(size)) for t in np.arange(every, scene.seconds, every))


def jumps(rng: Generator, scene: Scene) -> None:
    _longer(rng, scene)
    times = np.sort(rng.uniform(0.2, 0.85, int(rng.integers(2, 6)))) * scene.seconds
    scene.steps = tuple((float(t), float(rng.choice([-1, 1]) * rng.uniform(2, 15))) for t in times)


def wobble(rng: Generator, scene: Scene) -> None:
    _longer(rng, scene, 50, 60)
    scene.wobble = (rng.uniform(1, 8), rng.uniform(10, 22))
    scene.begin_s, scene.end_s = min(scene.begin_s, 1.0), scene.seconds + 1


def _longer(rng: Generator, scene: Scene, low: float = 30, high: float = 60) -> None:
    old = scene.seconds
    scene.seconds = rng.uniform(low, high)
    scene.end_s += scene.seconds - old
    scene.begin_s = min(scene.begin_s, 3.0)


def clipped(rng: Generator, scene: Scene) -> None:
    scene.clip_db, scene.codec, scene.bits = rng.uniform(0.3, 9), None, 16
    scene.snr_db = rng.uniform(18, 40)
    scene.tone_hz = min(scene.tone_hz, 1000.0)
    wide_open(rng, scene)


def clipped_then_quieter(rng: Generator, scene: Scene) -> None:
    clipped(rng, scene)
    scene.quieter = rng.uniform(0.2, 0.8)


def dropouts(rng: Generator, scene: Scene) -> None:
    strong(rng, scene, 18, 40)
    scene.codec = None
    how = str(rng.choice(["zeros", "repeat", "cut"])) if not scene.keyed else "zeros"
    scene.gaps = (how, int(rng.integers(2, 7)))
    if not scene.keyed:
        scene.begin_s, scene.end_s = -1.0, scene.seconds + 1


def co_channel(rng: Generator, scene: Scene) -> None:
    strong(rng, scene, 15, 35)
    wide_open(rng, scene)
    band = scene.filter
    offset = _free_offset(rng, scene.tone_hz, band.low_hz, min(band.high_hz, scene.tone_hz + 800))
    scene.others = (Other(offset, rng.uniform(-20, -4), bool(rng.random() < 0.65), rng.uniform(12, 28)),)


def weak(rng: Generator, scene: Scene) -> None:
    scene.snr_db = rng.uniform(-5, -2.2) if scene.keyed else rng.uniform(-20, -12.5)
    scene.others, scene.comb_dbc = (), None


def fading(rng: Generator, scene: Scene) -> None:
    strong(rng, scene, 28, 40)
    _longer(rng, scene)
    scene.fading = (rng.uniform(0.75, 0.95), rng.uniform(0.08, 0.3))
    scene.control = None


def noise_bursts(rng: Generator, scene: Scene) -> None:
    strong(rng, scene, 18, 35)
    wide_open(rng, scene)
    per_cycle = float(rng.choice([0, 1, 2]))
    scene.bursts = (
        per_cycle,
        rng.uniform(18, 34),
        rng.uniform(0.0008, 0.0018) if per_cycle else rng.uniform(0.002, 0.004),
    )


# id of the fault: (how it is put in, causes, what may be named as well, symptoms of taste, can be steady)
Fault = tuple[Callable[[Generator, Scene], None], tuple[str, ...], set[str], set[str], str]
FAULTS: dict[str, Fault] = {
    "supply-hum": (supply_hum, ("transmitter-supply-hum",), SUPPLY, {"chirp"}, "both"),
    "receiver-supply-hum": (receiver_supply_hum, ("receiver-supply-hum",), SUPPLY, {"other-signal"}, "both"),
    "mains-remodulation": (mains_remodulation, ("mains-remodulation",), SUPPLY, set(), "both"),
    "receiver-overload": (
        receiver_overload, ("receiver-overload",), set(),
        {"noisy-tone", "key-clicks", "backwave", "overshoot"}, "both",
    ),
    "audio-overdrive": (audio_overdrive, ("audio-overdrive",), set(), {"key-clicks", "overshoot"}, "both"),
    "ground-loop": (ground_loop, ("audio-ground-loop",), set(), set(), "both"),
    "magnetic-hum": (magnetic_hum, ("magnetic-hum",), SUPPLY, set(), "both"),
    "switching-supply": (
        switching_supply, ("switching-supply",), {"parasitic-oscillation", "rf-feedback"}, set(), "both",
    ),
    "chirp-droop": (chirp_with_droop, ("supply-sag",), set(), {"overshoot"}, "keyed"),
    "chirp": (
        chirp_alone, ("oscillator-pulling",), {"synthesiser-settling", "receiver-pulling"}, {"overshoot"},
        "keyed",
    ),
    "key-clicks": (key_clicks, ("hard-keying",), set(), {"overshoot"}, "keyed"),
    "soft-keying": (soft_keying, ("soft-keying",), set(), {"keying-timing"}, "keyed"),
    "backwave": (backwave, ("keying-leak",), set(), set(), "keyed"),
    "keyer-timing": (keyer_timing, ("keyer-timing",), set(), set(), "keyed"),
    "oscillator-noise": (
        oscillator_noise, ("oscillator-noise",), {"receiver-oscillator-noise"},
        {"frequency-jumps", "frequency-wobble", "drift"}, "both",
    ),
    "warm-up": (warm_up, ("warm-up",), {"clock-drift", "receiver-drift"}, {"frequency-wobble"}, "both"),
    "linear-drift": (linear_drift, ("clock-drift",), {"warm-up", "receiver-drift"}, set(), "both"),
    "steps": (
        equal_steps, ("synthesiser-steps",), {"loose-connection"}, {"drift", "frequency-wobble"}, "both",
    ),
    "jumps": (jumps, ("loose-connection",), {"synthesiser-steps"}, {"drift", "frequency-wobble"}, "both"),
    "wobble": (wobble, ("temperature-cycling",), set(), {"drift"}, "both"),
    "clipped": (clipped, ("audio-overdrive",), set(), {"spur-lines", "key-clicks"}, "both"),
    "clipped-quieter": (
        clipped_then_quieter, ("audio-overdrive",), set(), {"spur-lines", "key-clicks"}, "both",
    ),
    "dropouts": (dropouts, ("recorder-dropouts",), set(), {"keying-timing"}, "both"),
    "co-channel": (co_channel, ("co-channel-station",), set(), {"spur-lines"}, "both"),
    "weak": (weak, ("weak-path",), set(), set(), "both"),
    "fading": (fading, ("path-fading",), set(), {"overshoot"}, "both"),
    "noise-bursts": (noise_bursts, ("local-noise",), set(), set(), "both"),
}  # fmt: skip

PAIRS = (
    ("supply-hum", "chirp"),
    ("ground-loop", "linear-drift"),
    ("key-clicks", "backwave"),
    ("mains-remodulation", "key-clicks"),
    ("oscillator-noise", "ground-loop"),
    ("audio-overdrive", "chirp"),
    ("co-channel", "supply-hum"),
    ("warm-up", "supply-hum"),
)
NOTHING = ("none-noise", "none-silence", "none-hum", "none-voice")
KINDS: tuple[str, ...] = ("clean-keyed", "clean-steady", *FAULTS, *(f"{a}+{b}" for a, b in PAIRS), *NOTHING)


def make(kind: str, rng: Generator) -> tuple[Array, int, Truth]:
    """One recording of the kind: samples (n,) with full scale 1, rate in Hz, and its truth."""
    if kind in NOTHING:
        return _nothing(kind, rng)
    clean = kind.startswith("clean")
    for _ in range(12):
        sim, answer = _attempt(kind, rng)
        if not clean or not (answer.symptoms or answer.near):
            return sim.samples, sim.rate, answer
    raise RuntimeError(f"{kind}: twelve draws in a row are not clean, last {answer}")


def _attempt(kind: str, rng: Generator) -> tuple[Simulated, Truth]:
    faults = [] if kind.startswith("clean") else kind.split("+")
    only_keyed = any(FAULTS[f][4] == "keyed" for f in faults)
    keyed = kind == "clean-keyed" or only_keyed or (kind != "clean-steady" and rng.random() < 0.65)
    scene = everyday(rng, keyed=keyed)
    for fault in faults:
        FAULTS[fault][0](rng, scene)
    sim = simulate(scene, rng)
    levels = truth.read(sim)
    found, near = truth.expected(levels)
    near |= {s for f in faults for s in FAULTS[f][3]}
    if not keyed:
        _steady_taste(sim, levels, found, near)
    if scene.codec in ("ogg", "mp3") and faults:
        near |= {"spur-lines"} | ({"rasp"} & found)  # a lossy codec's own marks about a strong fault
    if scene.control and "key-clicks" not in faults:
        near |= {
            "key-clicks",
            "overshoot",
        } & found  # a gain control that outruns the edge: true, but not the fault
    if scene.audio_hard and not scene.audio_filter_after:
        near.add("clipped-recording")  # flat tops below full scale may have been the recorder's
    begin, end = max(scene.begin_s, 0.0), min(scene.end_s + 60, scene.seconds)
    return sim, Truth(
        kind=kind,
        signal="keyed" if keyed else "steady",
        symptoms=frozenset(found - near),
        near=frozenset(near),
        causes=tuple(c for f in faults for c in FAULTS[f][1]) or ("no-fault",),
        accept=frozenset(c for f in faults for c in (*FAULTS[f][1], *FAULTS[f][2]))
        or frozenset({"no-fault"}),
        tone_hz=levels["tone_hz"],
        wpm=levels.get("wpm"),
        text=sim.sending.text(begin, end) if sim.sending and not sim.gaps else None,
        snr_db=scene.snr_db,
        lossy=scene.codec in ("ogg", "mp3"),
        levels=levels,
    )


def _steady_taste(sim: Simulated, levels: dict[str, float], found: set[str], near: set[str]) -> None:
    """What nobody can decide beside a tone that never stops."""
    if "other-signal" in found or levels.get("other_dbc", -200) > -52:
        near |= {"other-signal", "spur-lines"}  # a lone carrier may be either
    beside = [dbc for hz, dbc in sim.comb.items() if abs(hz - sim.scene.tone_hz) < 1000]
    if max(beside, default=-200.0) > -52:
        near |= {"hum-sidebands", "spur-lines", "other-signal"}  # additive mains lines among the sidebands
    heard_apart = sim.scene.begin_s > 0.5 or sim.scene.end_s < sim.scene.seconds - 0.5
    wide = sim.scene.filter.high_hz - sim.scene.filter.low_hz > 1500
    if "rasp" in found and not heard_apart and not (wide and levels["rasp_rise_db"] > 12):
        near.add("rasp")  # needs a key-up stretch, or a wide passband into which the noise fades


def _nothing(kind: str, rng: Generator) -> tuple[Array, int, Truth]:
    scene = everyday(rng, keyed=True)
    scene.transmits, scene.others, scene.codec = False, (), None
    scene.seconds = float(rng.uniform(8, 25))
    scene.only = kind.removeprefix("none-")
    scene.comb_dbc = float(rng.uniform(-10, 15)) if scene.only == "hum" else None
    if scene.only == "voice":
        scene.voice_db = float(rng.uniform(10, 25))
    sim = simulate(scene, rng)
    return sim.samples, sim.rate, Truth(kind=kind, signal="none")
