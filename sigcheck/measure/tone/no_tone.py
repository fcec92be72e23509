"""Sounds that a search for tones finds and that are none: speech, music, static."""

from __future__ import annotations

from sigcheck.measure.results import Purity, Signal

# Sound beside the tone that comes and goes with it, over the tone's own power. The worst oscillators and
# flutter stay below a half; vowels, whose pitch glides and whose harmonics lie within 500 Hz, have as much again.
_OWN_NOISE = 0.7
# And no keyed signal is that uneven within its elements unless it flutters, which swings by less (measured over
# Rayleigh fading: 5 to 95 % of the level averaged over 0.2 s are 13 dB apart at 3 Hz of spread).
_SWING_DB = 18.0


def no_tone(clean: Purity, signal: Signal) -> str | None:
    """Why the signal that was found is no test signal, or None."""
    if signal.kind != "keyed" or clean.rasp_dbc is None or clean.rasp_rise_db is None:
        return None
    own = 10 ** (clean.rasp_dbc / 10) - 10 ** ((clean.rasp_dbc - clean.rasp_rise_db) / 10)
    if own < _OWN_NOISE or signal.level_range_db is None or signal.level_range_db < _SWING_DB:
        return None
    return "what comes and goes here is no tone but sound all around one, as speech, music and static are"
