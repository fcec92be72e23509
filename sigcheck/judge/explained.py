"""Lines that belong to something with its own name, and are no symptom of their own.

Arithmetic on frequencies that were measured: an overdriven audio stage makes harmonics of the tone and products with
whatever else is there; a recorder folds what lies above half its rate; keying, chirp and hum sit beside a harmonic as
they sit beside the tone. A gain control carries the keying's rhythm, ours or another's, into the amplitude of all that
is there. And where no noise blurs a recording's coarse steps, rounding to them makes lines.
"""

from __future__ import annotations

from math import inf, log10

from sigcheck.measure.results import Measurements, Nature
from sigcheck.measure.tone.nonlinear import products

# What a harmonic brings along: the keying's sidebands, and those of hum.
_KEYING_REACH_HZ, _HUM_REACH_HZ = 60.0, 400.0
_AS_STRONG_DB = 3.0
# A harmonic of a chirping tone is spread over n times the chirp, and read too low by about the spreading.
_SPREAD_DB, _SPREAD_FROM_HZ = 10.0, 5.0
# Products n f + k g of the tone and another signal: 2 f - g of two equal tones is 9.5 dB above the third harmonic
# (the binomial coefficient 3), and what is weaker makes weaker ones.
_PRODUCT_ORDER, _PRODUCT_DB, _PRODUCT_REACH_HZ = 5, 12.0, 6.0
# Harmonics folded at half the sample rate. Those of a clipped tone fall as 1/n or faster.
_FOLDED_ORDER, _FOLDED_DB, _FOLDED_REACH_HZ = 40, 6.0, 2.0
_BUS_REACH_HZ = 2.0
# Rounding: half a step of noise makes its error a noise of its own, whatever is rounded; less leaves lines.
_BLURS_STEPS = 0.5
# The strongest harmonic of a rounded sine of amplitude A steps, over A = 3 to 1000 (its spectrum computed): at most
# -9.6 dB - 26.7 dB log10 A (the Bessel functions J_n of 2 pi A fall as its cube root); two may fall on one place.
_ROUNDED_DB, _ROUNDED_SLOPE_DB, _ROUNDED_MARGIN_DB = -9.6, 80.0 / 3.0, 3.0
# A gain control at work: so far it opens at key-up, so loud must another station be to pump it. What it does is slower
# than the keying that drives it, and beside a line of hum that much weaker than that.
_GAIN_OPENS_DB, _PUMPS_DBC, _PUMPED_HZ, _BESIDE_HUM_DB = 3.0, -25.0, 30.0, 20.0
# A furnished room's echo dies away by 60 dB in its reverberation time, at most a second (common practice, no source).
_ECHO_DB_S = 60.0
# What it leaves of one element in the next comes with the keying: at its own few hertz, and on multiples of half the
# unit's rate when a machine keys; no stronger than it begins, half a dit before the backwave is read.
_ECHO_UNITS, _ECHO_BINS = 2.0, 2.0
_PULLED = 0.03  # turns in a dit by which an echo that is coming up moves the tone's own frequency as it is read
_ECHO_REACH_HZ = 60.0  # in the gaps the echo's own keying, 50 ms and more long, is heard within so much of the tone
# Keying at 26 WPM with edges of 3 ms, the fastest that are no clicks: 26 to 27 dB below its carrier lies beyond 80 Hz
# from it (the spectra of edges of three shapes computed; 29 to 32 dB with 5 ms).
_CLICKS_DB, _CLICKS_REACH_HZ = 27.0, 600.0


def explained(m: Measurements, hz: float, level_dbc: float, *, pair: bool = False) -> bool:
    """Whether a line at this audio frequency belongs to a stronger thing that has its own name.

    ``pair``: two like sides, as no voice and no note beside the tone makes them for long.
    """
    p = m.purity
    if level_dbc < rounding_lines_dbc(m):
        return True
    if p.voice_dbc is not None and level_dbc < p.voice_dbc and not pair:
        return True
    hum = p.hum_dbc is not None and p.mains_hz is not None and level_dbc < p.hum_dbc + _AS_STRONG_DB
    if hum and _on_mains(m, hz):
        return True
    return _of_a_harmonic(m, hz, level_dbc) or _product(m, hz, level_dbc) or _folded(m, hz, level_dbc)


def of_gain_control(m: Measurements, offset_hz: float, level_dbc: float, nature: Nature) -> bool:
    """Whether a line is what a gain control, driven by our keying or another station's, does to the amplitude."""
    pumped = any(o.keyed and o.level_dbc > _PUMPS_DBC for o in m.lines.others)
    if pumped and nature == "amplitude" and offset_hz < _PUMPED_HZ:
        return True
    dit_s, opens_db = m.keying.dit_s, m.bursts.gain_recovery_db
    if m.signal.kind != "keyed" or not dit_s or opens_db is None or opens_db < _GAIN_OPENS_DB:
        return False
    slowest_hz = 1.2 / dit_s
    if nature == "amplitude" and offset_hz < slowest_hz:
        return True
    hum = [b for b in m.lines.sidebands if b.family in ("mains", "twice-mains")]
    return any(abs(offset_hz - b.offset_hz) < slowest_hz and level_dbc < b.level_dbc - _BESIDE_HUM_DB for b in hum)


def dies_away(m: Measurements) -> bool | None:
    """Whether what is left of the tone at key-up falls as a room's echo does; None where that can't be told."""
    decay, sigma = m.keying.backwave_decay_db_per_s, m.keying.backwave_decay_db_per_s_sigma
    if decay is None or sigma is None or abs(decay - _ECHO_DB_S) < sigma:
        return None
    return decay > _ECHO_DB_S


def of_echo(m: Measurements, offset_hz: float, level_dbc: float) -> bool:
    """Whether a line beside the tone may be what a room's echo leaves of each element in those that follow."""
    k = m.keying
    if not dies_away(m) or k.backwave_db is None or k.backwave_decay_db_per_s is None:
        return False
    if not k.dit_s or not m.duration_s:
        return False
    if level_dbc > k.backwave_db + k.backwave_decay_db_per_s * 0.5 * k.dit_s:
        return False
    return offset_hz < _ECHO_UNITS / k.dit_s or _in_step(offset_hz, k.dit_s, m.duration_s)


def echo_in_gaps(m: Measurements, hz: float) -> bool:
    """Whether what is heard beside the tone at key-up is a room's echo of the tone, keyed by its own gaps."""
    dit_s, tone_hz = m.keying.dit_s, m.signal.tone_hz
    if not dies_away(m) or not dit_s or not m.duration_s or tone_hz is None:
        return False
    offset_hz = abs(hz - tone_hz)
    return offset_hz < _ECHO_REACH_HZ and _in_step(offset_hz, dit_s, m.duration_s, _PULLED / dit_s)


def _in_step(offset_hz: float, dit_s: float, duration_s: float, doubt_hz: float = 0.0) -> bool:
    """Whether an offset is a multiple of half the unit's rate, as near as the recording's length lets it be told."""
    half_rate_hz = 0.5 / dit_s
    off_hz = abs(offset_hz - half_rate_hz * max(round(offset_hz / half_rate_hz), 1))
    return off_hz < _ECHO_BINS / duration_s + doubt_hz


def rounding_lines_dbc(m: Measurements) -> float:
    """Level up to which a line may be made by the recording's own steps; -inf where noise blurs these."""
    steps_db = _bare_steps_db(m)
    return -inf if steps_db is None else _ROUNDED_DB + _ROUNDED_MARGIN_DB - _ROUNDED_SLOPE_DB * steps_db / 20.0


def rounding_noise_dbc(m: Measurements) -> float:
    """Level up to which noise may be made by them: all of the rounding error's power, 1/12 of a step squared."""
    steps_db = _bare_steps_db(m)
    return -inf if steps_db is None else -10 * log10(6.0) - steps_db + _ROUNDED_MARGIN_DB


def clicks_of_others_dbc(m: Measurements) -> float:
    """Level up to which noise beside the tone may be what other stations' keying leaves there; -inf without any."""
    tone_hz = m.signal.tone_hz
    if tone_hz is None:
        return -inf
    near = [o.level_dbc for o in m.lines.others if o.keyed and abs(o.frequency_hz - tone_hz) < _CLICKS_REACH_HZ]
    return max(near) - _CLICKS_DB if near else -inf


def _bare_steps_db(m: Measurements) -> float | None:
    """The tone's amplitude over a step of the recording's resolution, where no noise blurs the steps."""
    s, bits = m.signal, m.health.bits_used
    if bits is None or s.level_dbfs is None or s.cn0_dbhz is None or s.passband_hz is None:
        return None
    steps_db = s.level_dbfs + 20 * log10(2.0) * (bits - 1)
    snr_db = s.cn0_dbhz - 10 * log10(max(s.passband_hz[1] - s.passband_hz[0], 1.0))
    noise_db = steps_db - 10 * log10(2.0) - snr_db  # the tone's rms is 3 dB below its amplitude
    return steps_db if steps_db >= 0.0 and noise_db < 20 * log10(_BLURS_STEPS) else None


def of_bus(m: Measurements, hz: float) -> bool:
    """Whether a carrier is one of the comb that a digital bus leaves in the audio."""
    step_hz = m.lines.bus_hz
    if step_hz is None or step_hz < 1.0:
        return False
    return abs(hz - step_hz * round(hz / step_hz)) < _BUS_REACH_HZ


def _on_mains(m: Measurements, offset_hz: float) -> bool:
    mains_hz = m.lines.mains_hz or m.purity.mains_hz
    return mains_hz is not None and mains_hz > 1.0 and abs(offset_hz - mains_hz * round(offset_hz / mains_hz)) < 1.5


def _of_a_harmonic(m: Measurements, hz: float, level_dbc: float) -> bool:
    """A harmonic of the tone, or what keying, chirp and hum set beside it."""
    tone_hz, harmonics = m.signal.tone_hz, m.purity.harmonics
    if not tone_hz or not harmonics:
        return False
    spread_db = _SPREAD_DB if abs(m.keying.chirp_hz or 0.0) > _SPREAD_FROM_HZ else _AS_STRONG_DB
    for harmonic in harmonics:
        away_hz = abs(hz - harmonic.order * tone_hz)
        if away_hz < _KEYING_REACH_HZ and level_dbc < harmonic.dbc + spread_db:
            return True
    # Hum and the tone together also give the products whose own harmonic cancels (even ones of a symmetric limiter).
    order = max(round(hz / tone_hz), 2)
    away_hz = abs(hz - order * tone_hz)
    strongest_dbc = max(h.dbc for h in harmonics)
    return away_hz < _HUM_REACH_HZ and _on_mains(m, away_hz) and level_dbc < strongest_dbc + _AS_STRONG_DB


def _product(m: Measurements, hz: float, level_dbc: float) -> bool:
    """A product of the tone and another signal, where the chain is seen to distort."""
    tone_hz, harmonics = m.signal.tone_hz, m.purity.harmonics
    if not tone_hz or not harmonics:
        return False
    strongest_dbc = max(h.dbc for h in harmonics)
    for other in m.lines.others:
        if level_dbc > strongest_dbc + min(other.level_dbc, 0.0) + _PRODUCT_DB:
            continue
        for n, k, at_hz in products(tone_hz, other.frequency_hz, _PRODUCT_ORDER):
            if (n, k) != (0, 1) and abs(at_hz - hz) < _PRODUCT_REACH_HZ:
                return True
    return False


def _folded(m: Measurements, hz: float, level_dbc: float) -> bool:
    """A harmonic beyond half the sample rate, folded back."""
    tone_hz, harmonics, rate_hz = m.signal.tone_hz, m.purity.harmonics, m.sample_rate_hz
    if not tone_hz or not harmonics or rate_hz <= 0:
        return False
    top = max(harmonics, key=lambda h: h.dbc)
    first = int(0.5 * rate_hz / tone_hz) + 1
    for n in range(max(first, 2), _FOLDED_ORDER + 1):
        folded_hz = abs((n * tone_hz + rate_hz / 2) % rate_hz - rate_hz / 2)
        near = abs(folded_hz - hz) < _FOLDED_REACH_HZ
        if near and level_dbc < top.dbc - 20 * log10(n / top.order) + _FOLDED_DB:
            return True
    return False
