"""Lines that belong to something with its own name, and are no symptom of their own.

Arithmetic on frequencies that were measured: an overdriven audio stage makes harmonics of the tone and products with
whatever else is there; a recorder folds what lies above half its rate; keying, chirp and hum sit beside a harmonic as
they sit beside the tone.
"""

from __future__ import annotations

from math import log10

from sigcheck.measure.results import Measurements

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


def explained(m: Measurements, hz: float, level_dbc: float) -> bool:
    """Whether a line at this audio frequency belongs to a stronger thing that has its own name."""
    p = m.purity
    if p.voice_dbc is not None and level_dbc < p.voice_dbc:
        return True
    hum = p.hum_dbc is not None and p.mains_hz is not None and level_dbc < p.hum_dbc + _AS_STRONG_DB
    if hum and _on_mains(m, hz):
        return True
    return _of_a_harmonic(m, hz, level_dbc) or _product(m, hz, level_dbc) or _folded(m, hz, level_dbc)


def _on_mains(m: Measurements, offset_hz: float) -> bool:
    mains_hz = m.lines.mains_hz or m.purity.mains_hz
    return mains_hz is not None and abs(offset_hz - mains_hz * round(offset_hz / mains_hz)) < 1.5


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
        for k in range(1, _PRODUCT_ORDER + 1):
            for n in range(k - _PRODUCT_ORDER, _PRODUCT_ORDER - k + 1):
                if (n, k) != (0, 1) and abs(abs(n * tone_hz + k * other.frequency_hz) - hz) < _PRODUCT_REACH_HZ:
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
