"""The one table from a measured quantity to its unit, label, display scale and number format.

A quantity is named by its path in the saved result, lists without an index: ``"purity.thd_db"``,
``"keying.rise_s"``, ``"sidebands.level_dbc"``, ``"symptoms.key-clicks"``. Figures, terminal,
page and the texts of symptoms all print numbers through `show`, so that the same number looks
the same everywhere::

    show("sidebands.level_dbc", -28.31, 0.42)   ->  "-28.3 ± 0.4 dBc"
    show("keying.rise_s", 0.0049, 0.0001)       ->  "4.9 ± 0.1 ms"
    show("keying.fall_s", None)                 ->  "not measured"

Values are kept in the unit that the field's name carries (seconds, hertz, fractions of one) and
only shown scaled (milliseconds, per cent).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Any

NOT_MEASURED = "not measured"

# Beyond these no measured quantity lies and rounding to digits loses its sense.
_TOO_LARGE = 1e15
_TOO_SMALL = 1e-12


@dataclass(frozen=True)
class Quantity:
    """How one quantity is named and printed.

    ``unit`` is the unit of the stored value, ``""`` for a number, a fraction of one or a text.
    The shown number is the stored one times ``scale``, in ``shown_unit``. Without a standard
    uncertainty it gets ``decimals`` decimals, or ``significant`` digits where that is set (for
    quantities that span decades). ``how`` says in one sentence how the number was found.
    """

    label: str
    unit: str = ""
    decimals: int = 1
    how: str = ""
    scale: float = 1.0
    shown_unit: str = ""
    significant: int | None = None
    signed: bool = False

    @property
    def display_unit(self) -> str:
        """Unit of the shown number, ``""`` where it has none."""
        return self.shown_unit or self.unit


def _ms(label: str, how: str = "", decimals: int = 1) -> Quantity:
    return Quantity(label, "s", decimals, how, scale=1e3, shown_unit="ms")


def _percent(label: str, how: str = "", decimals: int = 1, *, signed: bool = False) -> Quantity:
    return Quantity(label, "", decimals, how, scale=100.0, shown_unit="%", signed=signed)


def _share(label: str, how: str = "") -> Quantity:
    """A fraction that may be as small as one sample in a million."""
    return Quantity(label, "", 1, how, scale=100.0, shown_unit="%", significant=2)


_q = Quantity

_TABLE: dict[str, dict[str, Quantity]] = {
    "recording": {
        "path": _q("file"),
        "sha256": _q("SHA-256 of the file"),
        "sample_rate_hz": _q("sample rate", "Hz", 0),
        "duration_s": _q("length", "s", 1),
        "channels": _q("channels", "", 0),
        "channel": _q("channel used", "", 0,
                      "The one with the strongest tone, unless one was chosen; counted from 0."),
        "start_utc": _q("start (UTC)", how="From the plan, the file's own header or its name."),
        "start_utc_sigma_s": _q("uncertainty of the start", "s", 2),
        "peak_dbfs": _q("peak level", "dBFS", 1, "Largest sample against full scale."),
        "rms_dbfs": _q("mean level", "dBFS", 1, "Root mean square; a full-scale sine is 0 dBFS."),
        "dc_fraction": _q("direct current", "", 2, "Mean of the samples against full scale.",
                          scale=100.0, shown_unit="%", signed=True),
        "rail_low": _q("lower rail", "", 3, "Value at which the waveform is held; 1 is full scale."),
        "rail_high": _q("upper rail", "", 3, "Value at which the waveform is held; 1 is full scale."),
        "railed_fraction": _share("samples at the rails", "Share of all samples held at a rail."),
        "clipped_fraction": _share("clipped samples", "Share of the key-down samples held at a rail."),
        "silent_fraction": _share("digital silence", "Share of the time in which the samples do not change."),
        "bits_used": _q("resolution used", "bit", 0, "Step between the sample values that occur."),
        "dropouts.time_s": _q("gap at", "s", 3),
        "dropouts.length_s": _ms("gap length"),
        "dropouts.how": _q("kind of gap"),
    },
    "signal": {
        "kind": _q("kind of signal"),
        "tone_hz": _q("tone", "Hz", 2,
                      "Mean frequency of the key-down signal, by least squares on its phase."),
        "snr_db": _q("signal in 2500 Hz", "dB", 1, "Carrier power over the noise power in 2500 Hz."),
        "cn0_dbhz": _q("carrier to noise density", "dBHz", 1,
                       "Key-down carrier power over the noise power per hertz near the tone."),
        "key_down_fraction": _percent("key-down share",
                                      "Key-down time between the first and the last key-down.", 0),
        "present_s": _q("signal present", "s", 1, "From the first key-down to the last key-up."),
        "level_dbfs": _q("tone level", "dBFS", 1, "Key-down level; a full-scale sine is 0 dBFS."),
        "passband_hz": _q("passband", "Hz", 0, "Where the noise in the recording falls by 6 dB."),
        "passband_limited_by": _q("passband set by"),
        "level_range_db": _q("fading", "dB", 1, "5 to 95 % range of the key-down level averaged over 0.2 s."),
        "flutter_db": _q("flutter", "dB", 2, "Level changes within 0.2 s (rms), additive noise taken out."),
    },
    "purity": {
        "sinad_db": _q("SINAD", "dB", 1, "Everything over everything but the tone, key down."),
        "thd_db": _q("harmonic distortion", "dB", 1, "All audio harmonics together, relative to the tone."),
        "thd_floor_db": _q("harmonic distortion that noise hides", "dB", 1),
        "harmonics.order": _q("harmonic", "", 0),
        "harmonics.dbc": _q("level", "dBc", 1, "Audio harmonic relative to the tone, key down."),
        "harmonics.after_filter": _q("made after the receiver's filter"),
        "even_dbc": _q("even harmonics", "dBc", 1, "Sum of the powers of the even harmonics."),
        "odd_dbc": _q("odd harmonics", "dBc", 1, "Sum of the powers of the odd harmonics from the third."),
        "after_filter_dbc": _q("harmonics above the passband", "dBc", 1,
                               "They cannot have passed the receiver's filter, so they were made after it."),
        "tops": _q("tops of the wave", "", 0, "Flat or soft, by how its harmonics fall."),
        "intermod_dbc": _q("third-order product", "dBc", 1, "Of the tone and another signal, 2 f1 - f2 or 2 f2 - f1."),
        "intermod_hz": _q("that product at", "Hz", 1),
        "intermod_floor_dbc": _q("product that noise hides", "dBc", 1),
        "flat_top_share": _q("flat tops", "", 2, "Time spent near the extremes of a cycle; 1 for a sine."),
        "am_percent": _q("amplitude modulation", "%", 2, "Residual, rms, 5 to 300 Hz, as received."),
        "pm_rad": _q("phase modulation", "rad", 3, "Residual, rms, 5 to 300 Hz, as received."),
        "fm_hz": _q("frequency modulation", "Hz", 2, "Residual, rms, 5 to 300 Hz, as received."),
        "am_excess_percent": _q("amplitude noise of the tone", "%", 2,
                                "What is left of the amplitude modulation without lines and additive noise."),
        "pm_excess_rad": _q("phase noise of the tone", "rad", 3,
                            "What is left of the phase modulation without lines and additive noise."),
        "pm_excess_floor_rad": _q("phase noise that additive noise hides", "rad", 3),
        "skirt.offset_hz": _q("offset", "Hz", 0),
        "skirt.dbc_hz": _q("noise density", "dBc/Hz", 1, "Mean of both sides, lines taken out."),
        "skirt.am_dbc_hz": _q("amplitude part", "dBc/Hz", 1),
        "skirt.pm_dbc_hz": _q("angle part", "dBc/Hz", 1),
        "rasp_dbc": _q("rasp", "dBc", 1,
                       "Key-down noise within 500 Hz of the tone, edges and lines taken out."),
        "rasp_rise_db": _q("rise of the noise with the key", "dB", 1,
                           "That noise over the noise 5 to 20 ms after key-up.", signed=True),
        "rasp_angle_share": _percent("angle share of the rasp", "Share of angle modulation in it.", 0),
        "mains_hz": _q("mains frequency", "Hz", 3, "From the additive mains lines."),
        "hum_dbc": _q("additive hum", "dBc", 1, "Strongest mains line that stays when the key is up."),
        "hum_hz": _q("that line at", "Hz", 1),
        "hum_floor_dbc": _q("additive hum that noise hides", "dBc", 1),
        "voice_dbc": _q("voice or music", "dBc", 1,
                        "Speech- or music-like modulation on or beside the tone."),
        "voice_floor_dbc": _q("voice that noise hides", "dBc", 1,
                              "At this level speech would be heard nine times in ten."),
    },
    "sidebands": {
        "offset_hz": _q("offset", "Hz", 2),
        "level_dbc": _q("level", "dBc", 1, "Line relative to the tone, rms of the two sides, key down."),
        "lower_dbc": _q("lower side", "dBc", 1),
        "upper_dbc": _q("upper side", "dBc", 1),
        "am_index": _percent("amplitude modulation"),
        "pm_index_rad": _q("phase modulation", "rad", 3),
        "angle_share": _percent("angle share", "Share of angle modulation in the line's power.", 0),
        "nature": _q("nature"),
        "family": _q("family"),
        "order": _q("order", "", 0),
    },
    "spurs": {
        "frequency_hz": _q("audio frequency", "Hz", 1),
        "level_dbc": _q("level", "dBc", 1, "Line in the audio relative to the tone."),
        "when": _q("heard"),
    },
    "others": {
        "frequency_hz": _q("audio frequency", "Hz", 1),
        "level_dbc": _q("level", "dBc", 1, "Other signal relative to the tone."),
        "keyed": _q("keyed"),
        "dips_with_ours": _q("weaker while our key is down"),
        "same_lines": _q("has the same sidebands"),
        "drifts_with_ours": _q("drifts with our tone"),
    },
    "lines": {
        "sideband_floor_dbc": _q("sideband that noise hides", "dBc", 1,
                                 "Level per side above which a line would have been seen."),
        "mains_hz": _q("mains frequency in the sidebands", "Hz", 3,
                       "Common fundamental of the mains families."),
        "switching_hz": _q("spacing of the other family", "Hz", 2),
        "bus_hz": _q("comb of a digital bus in the audio", "Hz", 2),
        "bus_dbc": _q("strongest line of that comb", "dBc", 1),
        "other_floor_dbc": _q("other signal that noise hides", "dBc", 1),
        "blind_hz": _q("offsets that can't be judged", "Hz", 1,
                       "Keying or the mains lines lie there themselves."),
        "blind_zones_hz": _q("where keying hides lines", "Hz", 2,
                             "Ranges of offset about multiples of the keying's rate and the mains lines in the audio."),
    },
    "noise": {
        "burst_over_floor_db": _q("bursts over the noise", "dB", 1,
                                  "Typical burst in 1 ms over the noise floor."),
        "burst_time_fraction": _share("time in bursts"),
        "burst_rate_hz": _q("burst rate", "Hz", 1),
        "gain_recovery_db": _q("gain recovery", "dB", 1, "Rise of the noise through key-up."),
        "gain_recovery_s": _ms("time of gain recovery", "", 0),
    },
    "keying": {
        "text": _q("text"),
        "text_confidence": _percent("confidence in the text", "Mean probability of the characters.", 0),
        "character_confidence": _percent("confidence in each character", "", 0),
        "other_readings": _q("or else it says", "", 0,
                             "What it reads with the two tones exchanged, as the wrong sideband does."),
        "n_elements": _q("elements", "", 0),
        "dit_s": _ms("dit", "Half of a dit and the gap after it, so that weighting does not touch it."),
        "wpm": _q("speed", "WPM", 1, "1.2 s over the dit."),
        "dah_dit_ratio": _q("dah to dit", "", 2, "From dah and dit each with the gap after it."),
        "weighting": _percent("weighting", "Mark share of a dit and its gap, less a half.", signed=True),
        "element_jitter": _percent("element scatter", "Scatter about the mean length of the class."),
        "rise_s": _ms("rise", "10 to 90 % of the amplitude, edges averaged.", 2),
        "fall_s": _ms("fall", "90 to 10 % of the amplitude, edges averaged.", 2),
        "rise_limit_s": _ms("fastest edge that the passband lets through", "", 2),
        "overshoot_db": _q("overshoot", "dB", 1, "Peak after the edge over the settled level."),
        "droop_db": _q("droop", "dB", 2, "Level lost from the beginning to the end of an element."),
        "chirp_hz": _q("chirp", "Hz", 1,
                       "Frequency at half amplitude less the settled frequency.", signed=True),
        "chirp_settle_s": _ms("chirp settles in"),
        "broken_starts": _percent("broken elements", "Share that opens again within its first third."),
        "backwave_db": _q("backwave", "dB", 1, "Tone left at key-up relative to key-down."),
        "backwave_floor_db": _q("backwave that noise hides", "dB", 1),
        "backwave_decay_db_per_s": _q("backwave dies away by", "dB/s", 0,
                                      "Through the gaps, as a room's echo does; a leak stays."),
        "occupied_bandwidth_hz": _q("occupied bandwidth", "Hz", 0, "99 % of the power, noise floor removed."),
        "bandwidth_26db_hz": _q("bandwidth at -26 dB", "Hz", 0),
        "necessary_bandwidth_hz": _q("necessary bandwidth", "Hz", 0, "From the keying speed."),
        "designator": _q("designator of the emission"),
        "click_dbc": _q("keying energy far out", "dBc", 1, "Beyond 5 dit rates on either side of the tone."),
    },
    "drift": {
        "rate_hz_per_min": _q("drift", "Hz/min", 2, "Straight line through the frequency.", signed=True),
        "total_hz": _q("change over the recording", "Hz", 2, "Last less first value of the fitted model.",
                       signed=True),
        "model": _q("course of the frequency"),
        "time_constant_s": _q("time constant", "s", 0, "Of an exponential approach."),
        "steps.time_s": _q("step at", "s", 1),
        "steps.size_hz": _q("step", "Hz", 2, signed=True),
        "equal_steps": _q("equal steps"),
        "cycle_s": _q("period of the wobble", "s", 1),
        "cycle_peak_hz": _q("wobble, peak", "Hz", 2),
        "repeats_each_transmission": _q("same course in each transmission"),
        "allan.tau_s": _q("averaging time", "s", 2),
        "allan.adev_hz": _q("Allan deviation", "Hz", 3, significant=2),
        "allan.low_hz": _q("68 % interval from", "Hz", 3, significant=2),
        "allan.high_hz": _q("68 % interval to", "Hz", 3, significant=2),
        "track.time_s": _q("time", "s", 1),
        "track.hz": _q("frequency", "Hz", 2),
        "fit_hz": _q("fitted frequency", "Hz", 2),
    },
    "slot": {
        "kind": _q("kind of slot"),
        "start_offset_s": _q("start", "s", 2, "From the slot boundary.", signed=True),
        "symbol_s": _ms("symbol"),
        "tone_spacing_hz": _q("tone spacing", "Hz", 3),
        "shift_hz": _q("shift", "Hz", 2),
        "symbol_errors": _q("wrong symbols", "", 0),
        "first_symbol": _q("first symbol heard", "", 0),
        "expected_symbol_errors": _q("wrong symbols to be expected", "", 1, "By noise alone."),
        "symbol_clarity": _percent("symbol clarity", "", 0),
        "coherent_symbols": _q("symbols with one phase", "", 0),
        "frequency_spread_hz": _q("spread of the tones", "Hz", 2),
        "drift_hz": _q("drift over the transmission", "Hz", 2, signed=True),
        "complete": _q("complete"),
        "same_symbols": _q("same symbols each time"),
    },
    "ticks": {
        "offset_s": _q("first second boundary", "s", 4),
        "minute_at_s": _q("minute at", "s", 2),
        "sample_rate_error_ppm": _q("error of the sample rate", "ppm", 2, signed=True),
        "ticks_used": _q("ticks used", "", 0),
        "scatter_s": _ms("scatter of the ticks", "Of single pulses about the fitted seconds.", 3),
    },
    "receiver": {
        "error_ppm": _q("error of the dial", "ppm", 2, "How much higher it listens than it shows.", signed=True),
    },
    "on_air": {
        "carrier_hz": _q("carrier on the air", "Hz", 1, "From dial, sideband and tone."),
        "error_hz": _q("off the wanted frequency by", "Hz", 1, signed=True),
        "error_ppm": _q("off the wanted frequency by", "ppm", 2, signed=True),
        "corrected_reference_hz": _q("reference to set instead", "Hz", 1),
        "clock_correction_s": _q("set the clock by", "s", 2, signed=True),
    },
    "copy": {
        "text_confidence": _percent("confidence in the text", "", 0),
        "margin_db": _q("margin before the copy breaks", "dB", 1),
        "penalty_db": _q("lost against a perfect signal", "dB", 1),
        "first_obstacle": _q("first obstacle"),
    },
    # The value that a symptom is judged by. Its stored unit is the one here, except for those whose
    # measure depends on the kind of signal; they say so by the unit they carry (see `show`).
    "symptoms": {
        "hum-sidebands": _q("hum on the tone", "dBc", 1, "Strongest sideband of the mains families."),
        "spur-lines": _q("spurious lines", "dBc", 1,
                         "Strongest key-down line outside the mains families and the tone's harmonics."),
        "harmonic-distortion": _q("audio harmonics", "dB", 1,
                                  "All audio harmonics relative to the tone."),
        "rasp": _q("rasp", "dBc", 1,
                   "Key-down noise within 500 Hz of the tone, where it rises with the key."),
        "noisy-tone": _q("phase noise", "rad", 3, "Excess over the additive noise."),
        "audio-hum": _q("hum in the audio", "dBc", 1, "Strongest mains line that stays when the key is up."),
        "key-clicks": _ms("fastest edge", "The faster of rise and fall.", 2),
        "slow-keying": _q("slowest edge over the dit", "", 2, "The passband's own part taken out."),
        "chirp": _q("chirp", "Hz", 1, "Frequency at half amplitude less the settled frequency."),
        "backwave": _q("backwave", "dB", 1, "Tone left at key-up relative to key-down."),
        "overshoot": _q("overshoot", "dB", 1, "Peak after the edge over the settled level."),
        "keying-timing": _q("element timing", "", 2, "Scatter of the lengths, or dah to dit off 3."),
        "drift": _q("drift", "Hz/min", 2),
        "frequency-jumps": _q("frequency jump", "Hz", 2, "The largest step."),
        "frequency-wobble": _q("frequency wobble", "Hz", 2, "Peak of the cyclic part."),
        "other-signal": _q("other signal", "dBc", 1, "The strongest in the passband, relative to the tone."),
        "voice-breakthrough": _q("voice or music", "dBc", 1),
        "noise-bursts": _q("noise bursts", "dB", 1, "Typical burst in 1 ms over the noise floor."),
        "clipped-recording": _share("clipped samples", "Share of the key-down samples held at a rail."),
        "dropouts": _q("gaps in the recording", "", 0, "Missing or repeated stretches."),
        "fading": _q("fading", "dB", 1, "5 to 95 % range of the key-down level."),
        "weak-signal": _q("signal strength", "dB", 1, "Carrier over the noise in 2500 Hz."),
        "off-frequency": _q("off the planned frequency", "Hz", 1, signed=True),
        "off-time": _q("off the planned time", "s", 2, signed=True),
        "off-speed": _percent("off the planned speed", signed=True),
        "off-shift": _percent("off the planned shift", signed=True),
        "wrong-message": _q("differences from the planned message", "", 0),
    },
    "causes": {
        "probability": _percent("probability", "", 0),
    },
}

QUANTITIES: Mapping[str, Quantity] = MappingProxyType(
    {f"{family}.{name}": row for family, rows in _TABLE.items() for name, row in rows.items()}
)
"""Every quantity of the result by its path."""

# By the unit that a field's name ends in, longest first; for keys that the table does not know yet.
_UNIT_BY_ENDING = {
    "_hz_per_min": "Hz/min", "_dbc_hz": "dBc/Hz", "_percent": "%", "_dbhz": "dBHz", "_dbfs": "dBFS",
    "_dbc": "dBc", "_ppm": "ppm", "_rad": "rad", "_db": "dB", "_hz": "Hz", "_s": "s",
}  # fmt: skip


def quantity(path: str) -> Quantity:
    """Row for a path; one made from the name where the table has none (a newer result)."""
    known = QUANTITIES.get(path)
    if known is not None:
        return known
    name = path.rpartition(".")[2]
    for ending, unit in _UNIT_BY_ENDING.items():
        if f"_{name}".endswith(ending):
            return Quantity(name.removesuffix(ending).replace("_", " "), unit, significant=3)
    return Quantity(name.replace("_", " "), significant=3)


def show(path: str, value: object, sigma: float | None = None, *, unit: str | None = None) -> str:
    """Text for a value as a person reads it, with its unit.

    Parameters
    ----------
    path : path of the quantity in the result, lists without an index.
    value : number in the quantity's stored unit; text, flag or several numbers are shown too.
    sigma : its standard uncertainty in the same unit; both are rounded to one digit of it.
    unit : stored unit of this value where it is not the table's.
    """
    row = _row(path, unit)
    return _with_unit(_text(row, value, sigma), row.display_unit if _is_numeric(value) else "")


def show_number(path: str, value: object, sigma: float | None = None, *, unit: str | None = None) -> str:
    """As `show`, without the unit: for a table whose heading carries it."""
    return _text(_row(path, unit), value, sigma)


def _row(path: str, unit: str | None) -> Quantity:
    row = quantity(path)
    if unit is None or unit in (row.unit, row.display_unit):
        # A value that comes in the shown unit (ms for an edge) must not be scaled once more.
        if unit is not None and unit != row.unit:
            return replace(row, unit=unit, scale=1.0, shown_unit="")
        return row
    return Quantity(row.label, unit, how=row.how, significant=3, signed=row.signed)


def _is_numeric(value: object) -> bool:
    if isinstance(value, Sequence) and not isinstance(value, str):
        return len(value) > 0 and all(_is_numeric(v) for v in value)
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _with_unit(text: str, unit: str) -> str:
    if not unit:
        return text
    return f"{text} {unit}"


def _text(row: Quantity, value: Any, sigma: float | None) -> str:
    if value is None:
        return NOT_MEASURED
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    if isinstance(value, Sequence):
        joint = " to " if len(value) == 2 else ", "
        return joint.join(_text(row, v, None) for v in value) or "none"
    if not math.isfinite(value):
        return NOT_MEASURED
    number = value * row.scale
    if sigma is None or not math.isfinite(sigma) or sigma <= 0.0:
        return _rounded(number, _decimals(row, number), row.signed)
    spread = sigma * row.scale
    decimals = _decimals_of_sigma(spread)
    return f"{_rounded(number, decimals, row.signed)} ± {_rounded(spread, decimals, False)}"


def _decimals(row: Quantity, number: float) -> int:
    if row.significant is None:
        return row.decimals
    return _decimals_for(number, row.significant)


def _decimals_for(number: float, significant: int) -> int:
    """Decimals (negative: tens, hundreds) that leave so many significant digits."""
    if not _TOO_SMALL < abs(number) < _TOO_LARGE:
        return 0
    return significant - 1 - math.floor(math.log10(abs(number)))


def _decimals_of_sigma(spread: float) -> int:
    """Decimals that leave one digit of what is printed: 0.096 becomes 0.1, not 0.10."""
    decimals = _decimals_for(spread, 1)
    return _decimals_for(round(spread, decimals), 1)


def _rounded(number: float, decimals: int, signed: bool) -> str:
    if abs(number) >= _TOO_LARGE:
        return f"{number:.3g}"
    value = round(number, decimals)
    if value == 0.0:
        value = 0.0  # no "-0.0"
    sign = "+" if signed and value != 0.0 else ""
    return f"{value:{sign}.{max(decimals, 0)}f}"
