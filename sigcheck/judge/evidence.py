"""What a recording shows of the marks and traits of `sigcheck.judge.tables`, in words too."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from sigcheck.judge.explained import dies_away
from sigcheck.judge.model import Seen
from sigcheck.judge.rules_band import noise_swing_db
from sigcheck.judge.rules_tone import mains_lines, other_lines
from sigcheck.judge.ruling import ratio
from sigcheck.judge.shapes import Symptom
from sigcheck.judge.tables import MARKS, TRAITS
from sigcheck.measure.results import Measurements, Sideband

# Differences in dB from which one of two is called the stronger; within them both are there.
FAMILY_DB = 10.0
ORDER_DB = 6.0
# Lines so much weaker than the strongest decide nothing about its nature.
LINE_DEPTH_DB = 15.0


@dataclass(frozen=True)
class Evidence:
    """Marks and traits as seen, and a phrase with the measured number for each."""

    seen: Seen
    mark_words: Mapping[str, str]
    trait_words: Mapping[str, str]


def observe(m: Measurements, symptoms: tuple[Symptom, ...], not_measured: Mapping[str, object]) -> Evidence:
    """Collect the evidence.

    Parameters
    ----------
    symptoms, not_measured : as `sigcheck.judge.symptoms.find` returns them; a symptom that is in
        neither was looked for and is absent.
    """
    if m.signal.kind == "none":
        return Evidence(Seen({"no-signal": True}, {}), {"no-signal": "no signal was found"}, {})
    marks: dict[str, bool] = {}
    words: dict[str, str] = {}
    found = {s.id: s.text.partition(" (limit")[0] for s in symptoms}
    for name, mark in MARKS.items():
        if mark.is_symptom and f"symptoms.{name}" not in not_measured:
            marks[name] = name in found
            words[name] = found.get(name) or _absent(name, m)
    for name, look in _MARKS.items():
        result = look(m)
        if result is not None:
            marks[name], words[name] = result
    traits: dict[str, int] = {}
    trait_words: dict[str, str] = {}
    for name, look_up in _TRAITS.items():
        parent = TRAITS[name].parent
        state = look_up(m) if parent is None or marks.get(parent) else None
        if state is not None:
            traits[name], trait_words[name] = TRAITS[name].states.index(state[0]), state[1]
    if m.signal.kind == "steady" and marks.get("spur-lines") and not marks.get("other-signal", True):
        del marks["other-signal"], words["other-signal"]  # without key-up a lone carrier may be either
    notes = {s.id: _beyond(s) for s in symptoms if s.severity == "note" and s.id in marks}
    return Evidence(Seen(marks, traits, notes), words, trait_words)


def _beyond(symptom: Symptom) -> float:
    """Probability that a note truly lies beyond its limit: by the scatter of its value alone."""
    width = symptom.sigma or 0.0
    if width <= 0.0:
        return 1.0
    return 0.5 * (1.0 + math.erf(abs(abs(symptom.value) - abs(symptom.limit)) / width / math.sqrt(2.0)))


# ---- marks that are absent, in words -----------------------------------------------------------


def _absent(name: str, m: Measurements) -> str:
    number = _ABSENT_NUMBER[name](m) if name in _ABSENT_NUMBER else None
    plain = _ABSENT[name]
    return plain if number is None else f"{plain} ({number})"


_ABSENT: Mapping[str, str] = {
    "hum-sidebands": "no mains sidebands on the tone",
    "spur-lines": "no lines beside the tone apart from mains",
    "harmonic-distortion": "hardly any audio harmonics",
    "rasp": "no rasp",
    "noisy-tone": "no phase noise beyond the additive noise",
    "audio-hum": "no hum in the audio at key-up",
    "key-clicks": "the edges are not hard",
    "slow-keying": "the edges are short against the dit",
    "chirp": "no chirp",
    "backwave": "no backwave",
    "overshoot": "no overshoot",
    "keying-timing": "element lengths are regular",
    "drift": "no drift",
    "frequency-jumps": "no frequency jumps",
    "frequency-wobble": "no wobble of the frequency",
    "other-signal": "no other signal of any strength in the passband",
    "voice-breakthrough": "no voice or music",
    "noise-bursts": "no bursts of noise",
    "clipped-recording": "no samples held at the rails",
    "dropouts": "no gaps in the recording",
    "fading": "the level is steady",
    "weak-signal": "the signal is strong enough",
    "off-frequency": "on the planned frequency",
    "off-time": "on the planned time",
    "off-speed": "at the planned speed",
    "off-shift": "with the planned shift",
    "wrong-message": "the planned text was sent",
}


def _number(value: float | None, form: str) -> str | None:
    return None if value is None else form.format(value)


def _strongest_mains(m: Measurements) -> str | None:
    lines = mains_lines(m)
    if lines:
        return f"{lines[0].level_dbc:.0f} dBc at {lines[0].offset_hz:.0f} Hz"
    return _number(m.lines.sideband_floor_dbc, "below {:.0f} dBc")


_ABSENT_NUMBER: Mapping[str, Callable[[Measurements], str | None]] = {
    "hum-sidebands": _strongest_mains,
    "spur-lines": lambda m: _number(m.lines.sideband_floor_dbc, "below {:.0f} dBc"),
    "harmonic-distortion": lambda m: _number(m.purity.thd_db, "{:.0f} dB"),
    "rasp": lambda m: _number(m.purity.rasp_rise_db, "the noise rises {:.0f} dB with the key"),
    "noisy-tone": lambda m: _number(m.purity.pm_excess_rad, "{:.3f} rad"),
    "audio-hum": lambda m: _number(m.purity.hum_dbc, "{:.0f} dBc"),
    "slow-keying": lambda m: _number(m.keying.rise_s and 1e3 * m.keying.rise_s, "{:.1f} ms"),
    "key-clicks": lambda m: _number(m.keying.rise_s and 1e3 * m.keying.rise_s, "{:.1f} ms"),
    "chirp": lambda m: _number(m.keying.chirp_hz, "{:+.1f} Hz"),
    "backwave": lambda m: _number(m.keying.backwave_db, "{:.0f} dB"),
    "overshoot": lambda m: _number(m.keying.overshoot_db, "{:.1f} dB"),
    "keying-timing": lambda m: _number(
        m.keying.element_jitter and 100 * m.keying.element_jitter, "{:.1f} % of scatter"
    ),
    "drift": lambda m: _number(m.drift.rate_hz_per_min, "{:+.2f} Hz/min"),
    "fading": lambda m: _number(m.signal.level_range_db, "{:.1f} dB"),
}


# ---- marks that are no symptoms ----------------------------------------------------------------


def _droop(m: Measurements) -> tuple[bool, str] | None:
    droop, sigma = m.keying.droop_db, m.keying.droop_db_sigma or 0.0
    if droop is None or 2.5 * sigma > 1.0 > droop - 2.5 * sigma:
        return None
    if droop >= 1.0:  # a dB is a tenth of the voltage: more than a sound supply gives way
        return True, f"the level sags {droop:.1f} dB within an element"
    return False, f"the level holds within an element ({droop:.1f} dB)"


def _broken(m: Measurements) -> tuple[bool, str] | None:
    share = m.keying.broken_starts
    if share is None:
        return None
    words = f"{100 * share:.0f} % of the elements open again just after they begin"
    return (True, words) if share > 0.05 else (False, "elements begin without a break")


def _flutter(m: Measurements) -> tuple[bool, str] | None:
    """Level changes of more than 3 dB over the recording, or 1.5 dB within 0.2 s, that noise does not make."""
    swing, flutter = m.signal.level_range_db, m.signal.flutter_db
    if swing is None and flutter is None:
        return None
    if flutter is not None and flutter > 1.5:
        return True, f"the level flutters by {flutter:.1f} dB within 0.2 s"
    if swing is None:
        return False, f"the level does not flutter ({flutter:.1f} dB)"
    if swing > 3.0:
        return (True, f"the level swings {swing:.1f} dB") if swing > 2.0 * noise_swing_db(m) else None
    return False, f"the level is steady within {swing:.1f} dB"


_MARKS: Mapping[str, Callable[[Measurements], tuple[bool, str] | None]] = {
    "droop": _droop,
    "broken-elements": _broken,
    "flutter": _flutter,
}


# ---- traits ------------------------------------------------------------------------------------


def _mains_order(line: Sideband, mains_hz: float | None) -> int | None:
    """Multiple of the mains frequency at which a sideband lies."""
    if mains_hz:
        return max(round(line.offset_hz / mains_hz), 1)
    return line.order if line.family == "mains" else None


def _hum_family(m: Measurements) -> tuple[str, str] | None:
    """Which multiples of the mains frequency are the stronger: odd ones, or even ones (twice mains)."""
    mains_hz = m.lines.mains_hz or m.purity.mains_hz
    odd = even = None
    for line in reversed(mains_lines(m)):  # the strongest of each comes last
        order = _mains_order(line, mains_hz)
        is_even = order % 2 == 0 if order is not None else line.family == "twice-mains"
        if is_even:
            even = line
        else:
            odd = line
    if odd is None and even is None:
        return None
    if odd is None or (even is not None and even.level_dbc > odd.level_dbc + FAMILY_DB):
        assert even is not None
        words = f"sidebands mostly at twice mains ({even.offset_hz:.0f} Hz)"
        if odd is None or even.level_dbc > odd.level_dbc + 2 * FAMILY_DB:
            return "twice", words
        return (
            "mostly twice",
            f"{words}, with weaker ones at {odd.offset_hz:.0f} Hz ({odd.level_dbc:.0f} dBc)",
        )
    if even is None or odd.level_dbc > even.level_dbc + FAMILY_DB:
        return (
            "mains",
            f"sidebands mostly at the mains frequency and its odd multiples ({odd.offset_hz:.0f} Hz)",
        )
    return "both", (
        f"sidebands at both {odd.offset_hz:.0f} Hz ({odd.level_dbc:.0f} dBc) "
        f"and {even.offset_hz:.0f} Hz ({even.level_dbc:.0f} dBc)"
    )


def _hum_nature(m: Measurements) -> tuple[str, str] | None:
    lines = mains_lines(m)
    if not lines:
        return None
    strong = [s for s in lines if s.level_dbc > lines[0].level_dbc - LINE_DEPTH_DB]
    power = [ratio(s.level_dbc - lines[0].level_dbc) for s in strong]
    share = sum(p * s.angle_share for p, s in zip(power, strong, strict=True)) / sum(power)
    where = f"sidebands at {strong[0].offset_hz:.0f} Hz" if len(strong) == 1 else "the mains sidebands"
    if share < 0.4:
        words = f"{where} are {100 * (1 - share):.0f} % amplitude"
        return ("amplitude" if share < 0.1 else "mostly amplitude"), words
    words = f"{where} are {100 * share:.0f} % angle"
    return ("mixed" if share <= 0.9 else "angle"), words


def _hum_angle_course(m: Measurements) -> tuple[str, str] | None:
    """Slope of ln(angle power / amplitude power) over ln(frequency), from the strongest line to the
    strongest at least an octave from it: -2 for pushing, 0 for a path or a stage without memory."""
    lines = mains_lines(m)
    far = [s for s in lines[1:] if not 0.55 < s.offset_hz / lines[0].offset_hz < 1.9]
    if not far or far[0].level_dbc < lines[0].level_dbc - LINE_DEPTH_DB:
        return None
    low, high = sorted((lines[0], far[0]), key=lambda s: s.offset_hz)
    if not any(0.08 < s.angle_share < 0.92 for s in (low, high)):
        return None  # nearly pure in both: the small part is what noise left of it
    odds = [min(max(s.angle_share, 0.02), 0.98) for s in (low, high)]
    change = math.log(odds[1] / (1 - odds[1])) - math.log(odds[0] / (1 - odds[0]))
    slope = change / math.log(high.offset_hz / low.offset_hz)
    words = (
        f"{100 * low.angle_share:.0f} % angle at {low.offset_hz:.0f} Hz, "
        f"{100 * high.angle_share:.0f} % at {high.offset_hz:.0f} Hz"
    )
    return ("falling" if slope < -1.0 else "rising" if slope > 1.0 else "alike"), words


def _hum_on_others(m: Measurements) -> tuple[str, str] | None:
    told = [o for o in m.lines.others if o.same_lines is not None]
    if not told:
        return None
    same = next((o for o in told if o.same_lines), None)
    if same is not None:
        return "yes", f"the carrier at {same.frequency_hz:.0f} Hz has the same sidebands"
    return "no", f"the carrier at {told[0].frequency_hz:.0f} Hz is free of these sidebands"


def _harmonic_place(m: Measurements) -> tuple[str, str] | None:
    """Are there harmonics above the receiver's filter, where only later stages can have made them?"""
    p, band = m.purity, m.signal.passband_hz
    if p.thd_db is None or band is None or m.signal.tone_hz is None:
        return None
    # A filter that cuts at all leaves less than this of what was made before it (35 dB).
    least_dbc = p.thd_db - 35.0
    if p.after_filter_dbc is not None and p.after_filter_dbc > least_dbc:
        return "above the filter", (
            f"harmonics above the passband's end at {band[1]:.0f} Hz ({p.after_filter_dbc:.0f} dBc)"
        )
    # None there means something only where harmonics of the kind that is heard would lie there.
    odd, even = p.odd_dbc, p.even_dbc
    orders = [3, 5] if odd is not None and (even is None or odd > even) else [2, 4]
    room = [n for n in orders if band[1] < n * m.signal.tone_hz < 0.45 * m.sample_rate_hz]
    heard = p.thd_floor_db is not None and p.thd_floor_db < least_dbc
    if room and heard and m.signal.passband_limited_by != "recording":
        return "inside", f"no harmonics above the passband's end at {band[1]:.0f} Hz"
    return None


def _harmonic_order(m: Measurements) -> tuple[str, str] | None:
    odd, even = m.purity.odd_dbc, m.purity.even_dbc
    if odd is None and even is None:
        return None
    if even is None or (odd is not None and odd > even + ORDER_DB):
        return "odd", "the harmonics are odd" + ("" if odd is None else f" ({odd:.0f} dBc)")
    if odd is None or even > odd + ORDER_DB:
        return "even", f"the harmonics are even ({even:.0f} dBc)"
    return "both", f"odd ({odd:.0f} dBc) and even harmonics ({even:.0f} dBc)"


def _flat_tops(m: Measurements) -> tuple[str, str] | None:
    share = m.purity.flat_top_share
    if share is None:
        return None
    if share > 1.5:
        return "flat", f"flat tops: {share:.1f} times as long near the extremes as a sine"
    return "round", f"round tops ({share:.1f} times a sine's)"


def _audio_loud(m: Measurements) -> tuple[str, str] | None:
    level = m.signal.level_dbfs
    if level is None:
        return None
    if level > -4.0:
        return "loud", f"recorded close to full scale ({level:.0f} dBFS)"
    return "moderate", f"recorded {abs(level):.0f} dB below full scale"


def _rasp_nature(m: Measurements) -> tuple[str, str] | None:
    share = m.purity.rasp_angle_share
    if share is None:
        return None
    state = "amplitude" if share < 0.25 else "both" if share <= 0.8 else "angle"
    return state, f"the noise around the tone is {100 * share:.0f} % angle"


def _spur_shape(m: Measurements) -> tuple[str, str] | None:
    lines = other_lines(m)
    family = [s for s in lines if s.family == "switching"]
    if len(family) >= 2:
        step = m.lines.switching_hz
        apart = "" if step is None else f" {step:.1f} Hz apart"
        return "family", f"{len(family)} lines{apart} on each side of the tone"
    if not lines and not m.lines.spurs:
        return None
    loudest_spur = max((s.level_dbc for s in m.lines.spurs), default=-math.inf)
    top = lines[0] if lines else None
    if top is not None and top.nature != "single" and top.level_dbc >= loudest_spur:
        return "pair", f"a pair of lines {top.offset_hz:.1f} Hz on either side of the tone"
    return "single", "a line on one side of the tone only"


def _spur_with_key(m: Measurements) -> tuple[str, str] | None:
    if m.signal.kind == "steady":
        return "not told", ""  # no argument either way, so no words
    return "with the key", "the line comes and goes with the key"


def _chirp_settling(m: Measurements) -> tuple[str, str] | None:
    k = m.keying
    if k.chirp_settle_s is None or k.dit_s is None:
        return None
    words = f"the frequency settles in {1e3 * k.chirp_settle_s:.0f} ms"
    return ("brief" if k.chirp_settle_s < 0.35 * k.dit_s else "long"), words


def _drift_course(m: Measurements) -> tuple[str, str] | None:
    model, tau = m.drift.model, m.drift.time_constant_s
    if model is None:
        return None
    words = {
        "warm-up": "the drift dies away exponentially" + ("" if tau is None else f", time constant {tau:.0f} s"),
        "linear": "the drift is steady",
        "steps": "the frequency moves in steps",
        "cyclic": "the frequency goes to and fro",
        "random": "the frequency wanders without a pattern",
        "constant": "the frequency hardly moves",
    }
    return model, words[model]


def _drift_repeats(m: Measurements) -> tuple[str, str] | None:
    repeats = m.drift.repeats_each_transmission
    if repeats is None:
        return None
    return ("yes", "each transmission drifts alike") if repeats else ("no", "transmissions do not drift alike")


def _drift_on_others(m: Measurements) -> tuple[str, str] | None:
    told = [o for o in m.lines.others if o.drifts_with_ours is not None]
    if not told:
        return None
    same = next((o for o in told if o.drifts_with_ours), None)
    if same is not None:
        return "yes", f"the carrier at {same.frequency_hz:.0f} Hz drifts alike"
    return "no", f"the carrier at {told[0].frequency_hz:.0f} Hz does not drift with it"


def _jumps_equal(m: Measurements) -> tuple[str, str] | None:
    d = m.drift
    if d.equal_steps is None or len(d.steps) < 5:  # fewer show neither equality nor chance
        return None
    sizes = sorted(abs(s.size_hz) for s in d.steps)
    if d.equal_steps:
        return "equal", f"{len(sizes)} equal steps of {sizes[len(sizes) // 2]:.1f} Hz"
    return "unequal", f"{len(sizes)} jumps of {sizes[0]:.1f} to {sizes[-1]:.1f} Hz"


def _edge_shape(m: Measurements) -> tuple[str, str] | None:
    rise, fall = m.keying.rise_s, m.keying.fall_s
    if not rise or not fall:
        return None
    words = f"rise {1e3 * rise:.0f} ms, fall {1e3 * fall:.0f} ms"
    if fall > 2.0 * rise:
        return "slow fall", words
    return ("slow rise" if rise > 2.0 * fall else "alike"), words


def _backwave_course(m: Measurements) -> tuple[str, str] | None:
    echo = dies_away(m)
    if echo is None:
        return None
    if echo:
        decay = m.keying.backwave_decay_db_per_s
        return "dies away", f"what is left at key-up dies away by {decay:.0f} dB in a second, as an echo does"
    return "stays", "what is left at key-up stays as long as the key is up"


def _burst_rhythm(m: Measurements) -> tuple[str, str] | None:
    rate, mains_hz = m.bursts.burst_rate_hz, m.lines.mains_hz or m.purity.mains_hz
    if rate is None:
        return "random", "the bursts come at random"
    near = (mains_hz,) if mains_hz else (50.0, 60.0)
    if any(abs(rate / (n * hz) - 1.0) < 0.02 for hz in near for n in (1, 2)):
        return "mains rate", f"{rate:.0f} bursts a second, the mains rate"
    return "another rate", f"{rate:.0f} bursts a second, not the mains rate"


def _strength(m: Measurements) -> tuple[str, str] | None:
    snr, p = m.signal.snr_db, m.purity
    if snr is None:
        return None
    key_up = m.signal.kind != "steady"
    if key_up and p.rasp_dbc is not None and p.rasp_rise_db is not None:
        # Noise that comes with the key is no measure of the signal's strength: what counts is the
        # noise at key-up, here in 1000 Hz, brought to 2500 Hz.
        snr = max(snr, p.rasp_rise_db - p.rasp_dbc - 4.0)
    elif not key_up and snr < 45.0:
        return None  # what sounds like noise may be the signal's own
    words = f"{snr:.0f} dB over the noise in 2500 Hz"
    if snr >= 45.0:
        return "strong", f"a very strong signal: {words}"
    return ("fair", f"a signal of fair strength: {words}") if snr >= 25.0 else ("weak", f"a weak signal: {words}")


def _gain_moves(m: Measurements) -> tuple[str, str] | None:
    swing = m.bursts.gain_recovery_db
    if swing is None:
        return None
    if swing >= 3.0:
        return "yes", f"the noise rises {swing:.0f} dB through key-up, so the gain recovers"
    return "no", f"the gain hardly moves at key-up ({swing:.1f} dB)"


_TRAITS: Mapping[str, Callable[[Measurements], tuple[str, str] | None]] = {
    "hum-family": _hum_family,
    "hum-nature": _hum_nature,
    "hum-angle-course": _hum_angle_course,
    "hum-on-others": _hum_on_others,
    "harmonic-place": _harmonic_place,
    "harmonic-order": _harmonic_order,
    "flat-tops": _flat_tops,
    "audio-loud": _audio_loud,
    "rasp-nature": _rasp_nature,
    "spur-shape": _spur_shape,
    "spur-with-key": _spur_with_key,
    "chirp-settling": _chirp_settling,
    "drift-course": _drift_course,
    "drift-repeats": _drift_repeats,
    "drift-on-others": _drift_on_others,
    "jumps-equal": _jumps_equal,
    "edge-shape": _edge_shape,
    "backwave-course": _backwave_course,
    "burst-rhythm": _burst_rhythm,
    "strength": _strength,
    "gain-moves": _gain_moves,
}
