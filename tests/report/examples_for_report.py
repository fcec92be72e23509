"""Results as a report reads them, written by hand, and pictures' data of a signal that fits them.

The signal: Q5KAP, the garden-shed beacon of an invented club, keyed at 15 WPM, with sidebands of
twice the mains frequency, a chirp and a warm-up drift.
"""

from __future__ import annotations

import copy
from functools import cache
from typing import Any

import numpy as np

from sigcheck.measure.carrier import shift
from sigcheck.measure.results import Bursts, Drift, Health, Keying, Lines, Measurements, Purity, Signal
from sigcheck.measure.spectrum import survey
from sigcheck.measure.track import Marks, Track
from sigcheck.measure.views import Views, prepare

RATE_HZ = 12000.0
DURATION_S = 30.0
TONE_HZ = 702.1
DIT_S = 0.0801  # no whole number of mains periods, or hum would look like keying
MORSE = "...- ...- ...- / -.. . / --.- ..... -.- .- .--."


def _marks() -> tuple[np.ndarray, np.ndarray]:
    on, off, t = [], [], 0.8
    while True:
        for sign in MORSE + " / ":
            if sign in ".-":
                length = DIT_S if sign == "." else 3 * DIT_S
                if t + length > DURATION_S - 0.5:
                    return np.array(on), np.array(off)
                on.append(t)
                off.append(t + length)
                t += length + DIT_S
            else:
                t += 2 * DIT_S


def drift_hz(t: np.ndarray) -> np.ndarray:
    """Exponential warm-up, 8 Hz in all."""
    return 8.0 * (np.exp(-t / 12.0) - np.exp(-15.0 / 12.0))


@cache
def views() -> Views:
    """Pictures' data of the faulty signal."""
    rng = np.random.default_rng(5)
    t = np.arange(round(DURATION_S * RATE_HZ)) / RATE_HZ
    on, off = _marks()
    edges = np.ravel(np.column_stack([on, off]))
    k = np.searchsorted(edges, t)
    inside = k % 2 == 1
    keyed = np.interp(
        t, np.ravel(np.column_stack([edges - 0.003, edges + 0.003])), np.tile([0.0, 1.0, 1.0, 0.0], on.size)
    )
    since = t - on[np.clip(np.searchsorted(on, t + 0.02) - 1, 0, None)]
    path = TONE_HZ + drift_hz(t)
    phase = 2 * np.pi * np.cumsum(path) / RATE_HZ
    phase -= 2 * np.pi * 14.0 * 0.015 * np.exp(-np.clip(since, 0.0, None) / 0.015)
    hum = 2 * np.pi * 100.0 * t
    phase += 0.05 * np.cos(hum) + 0.01 * np.cos(2 * hum + 1)
    amplitude = 0.25 * keyed * (1 + 0.05 * np.cos(hum + 0.7) + 0.012 * np.cos(2 * hum))
    x = amplitude * np.cos(phase) + 0.004 * np.cos(2 * np.pi * 1350 * t)
    spectrum = np.fft.rfft(0.02 * rng.standard_normal(t.size))
    f = np.fft.rfftfreq(t.size, 1 / RATE_HZ)
    spectrum *= 1 / np.sqrt((1 + (300 / np.maximum(f, 1)) ** 12) * (1 + (f / 2700) ** 24))
    x = (x + np.fft.irfft(spectrum, t.size) + 1e-5 * rng.standard_normal(t.size)).astype(np.float32)
    seen = survey(x, RATE_HZ)
    at = np.arange(seen.audio.size) / seen.rate_hz
    base = shift(seen, TONE_HZ + drift_hz(at))
    k = np.clip(np.searchsorted(edges, at), 1, edges.size - 1)
    away = np.minimum(np.abs(at - edges[k - 1]), np.abs(at - edges[k])) > 0.02
    inside = np.searchsorted(edges, at) % 2 == 1
    carrier = np.full(at.size, 0.25, np.complex64)
    settled = inside & away
    carrier *= np.exp(1j * np.angle(np.mean(base.z[settled]))).astype(np.complex64)
    track = Track(
        base, Marks(True, on, off, False, False, inside, settled, ~inside & away, 0.25), carrier, True, TONE_HZ, 0.02
    )
    return prepare(x, RATE_HZ, track, _measurements("keyed"))


@cache
def silent_views() -> Views:
    """Pictures' data of noise alone."""
    noise = np.random.default_rng(1).standard_normal(round(10 * RATE_HZ)).astype(np.float32) * 0.01
    return prepare(noise, RATE_HZ, None, _measurements("none"))


def _measurements(kind: Any) -> Measurements:
    found: dict[str, Any] = {} if kind == "none" else {"tone_hz": TONE_HZ, "passband_hz": (300.0, 2700.0)}
    return Measurements(health=Health(), signal=Signal(kind=kind, **found), purity=Purity(), lines=Lines(),
                        bursts=Bursts(), keying=Keying(), drift=Drift())  # fmt: skip


def _sideband(offset_hz: float, level_dbc: float, order: int) -> dict[str, Any]:
    return {
        "offset_hz": offset_hz,
        "level_dbc": level_dbc,
        "level_dbc_sigma": 0.3,
        "lower_dbc": level_dbc + 0.8,
        "upper_dbc": level_dbc - 0.9,
        "am_index": 0.05,
        "pm_index_rad": 0.05,
        "angle_share": 0.49,
        "nature": "mixed",
        "family": "twice-mains",
        "order": order,
    }


BATTERY = {
    "id": "battery",
    "title": "Run the transmitter from a battery",
    "do": "Feed transmitter and keyer from a battery of the same voltage, with every mains, USB, earth and keyer "
    "lead off and the old supply unplugged; record again.",
    "minutes": 10,
    "parts": "battery, fuse",
    "care": "Right polarity, and a fuse in the lead.",
    "outcomes": [
        {"outcome": "hum on the tone: gone", "meaning": "then transmitter supply hum"},
        {"outcome": "hum on the tone: 10 dB weaker or more", "meaning": "then mains re-modulation by that supply"},
        {
            "outcome": "hum on the tone: the same",
            "meaning": "then mains re-modulation elsewhere, or receiver supply hum",
        },
    ],
}
WARM = {
    "id": "warm-up",
    "title": "Let the transmitter run for an hour",
    "do": "Leave it on for an hour with the same covers and duty, then record again.",
    "minutes": 60,
    "parts": "none",
    "care": "Use the load or antenna that it was built for.",
    "outcomes": [{"outcome": "drift under a tenth", "meaning": "then warm-up"}],
}


def faulty() -> dict[str, Any]:
    """Hum sidebands whose cause can't be settled, with a chirp and a drift beside them."""
    return copy.deepcopy(_faulty())


@cache
def _faulty() -> dict[str, Any]:
    track = [{"time_s": s, "hz": TONE_HZ + float(drift_hz(np.array(s))) + 0.2 * float(np.sin(7 * s)),
              "hz_sigma": 0.15} for s in np.arange(1.0, 29.5, 0.4).tolist()]  # fmt: skip
    return {
        "schema": 1,
        "recording": {
            "path": "shed-evening-3.flac",
            "sha256": "9c56cc51b374c3ba189210d5b6d4bf57790d351c96c47c02190ecf1e430635ab",
            "sample_rate_hz": 12000.0,
            "duration_s": 30.0,
            "channels": 1,
            "channel": 0,
            "start_utc": "2026-11-01T10:02:00.250Z",
            "start_utc_sigma_s": 0.3,
            "start_utc_source": "plan",
            "lossy": False,
            "steps": [],
            "remarks": [],
            "peak_dbfs": -11.2,
            "rms_dbfs": -16.9,
            "dc_fraction": 0.00002,
            "rail_low": None,
            "rail_high": None,
            "railed_fraction": 0.0,
            "clipped_fraction": 0.0,
            "silent_fraction": 0.0,
            "bits_used": 16,
            "dropouts": [],
        },
        "signal": {
            "kind": "keyed",
            "tone_hz": TONE_HZ,
            "tone_hz_sigma": 0.02,
            "snr_db": 24.6,
            "snr_db_sigma": 0.3,
            "cn0_dbhz": 58.6,
            "cn0_dbhz_sigma": 0.3,
            "key_down_fraction": 0.49,
            "present_s": [0.8, 29.3],
            "level_dbfs": -12.0,
            "passband_hz": [300.0, 2700.0],
            "passband_limited_by": "receiver",
            "level_range_db": 0.6,
            "flutter_db": 0.1,
        },
        "purity": {
            "sinad_db": 21.3,
            "thd_db": -48.2,
            "thd_db_sigma": 1.2,
            "thd_floor_db": -52.0,
            "harmonics": [{"order": 2, "dbc": -49.0, "dbc_sigma": 1.0, "after_filter": False},
                          {"order": 3, "dbc": -56.0, "dbc_sigma": 2.0, "after_filter": False}],
            "even_dbc": -49.0,
            "odd_dbc": -56.0,
            "after_filter_dbc": None,
            "flat_top_share": 1.0,
            "am_percent": 3.9,
            "am_percent_sigma": 0.1,
            "pm_rad": 0.041,
            "pm_rad_sigma": 0.001,
            "fm_hz": 4.1,
            "am_excess_percent": 0.3,
            "am_excess_percent_sigma": 0.2,
            "pm_excess_rad": 0.004,
            "pm_excess_rad_sigma": 0.003,
            "pm_excess_floor_rad": 0.01,
            "skirt": [{"offset_hz": f, "dbc_hz": -54.0 - d, "am_dbc_hz": -57.5 - d, "pm_dbc_hz": -56.8 - d}
                      for f, d in ((10.0, 0.0), (30.0, 2.5), (100.0, 3.9), (300.0, 4.4))],
            "rasp_dbc": -38.0,
            "rasp_dbc_sigma": 0.8,
            "rasp_rise_db": 0.4,
            "rasp_rise_db_sigma": 0.3,
            "rasp_angle_share": None,
            "mains_hz": None,
            "mains_hz_sigma": None,
            "hum_dbc": None,
            "hum_dbc_sigma": None,
            "hum_hz": None,
            "hum_floor_dbc": -54.0,
            "voice_dbc": None,
        },
        "sidebands": [_sideband(100.02, -28.9, 1), _sideband(200.04, -41.5, 2)],
        "spurs": [],
        "others": [{"frequency_hz": 1350.0, "level_dbc": -35.9, "keyed": False, "dips_with_ours": False,
                    "same_lines": False, "drifts_with_ours": False}],
        "lines": {"sideband_floor_dbc": -58.0, "mains_hz": 50.01, "mains_hz_sigma": 0.004, "switching_hz": None,
                  "other_floor_dbc": -46.0, "blind_hz": []},
        "noise": {"burst_over_floor_db": 3.1, "burst_time_fraction": 0.0, "burst_rate_hz": None,
                  "gain_recovery_db": 0.2, "gain_recovery_s": None},
        "keying": {
            "text": "VVV DE Q5KAP VVV DE Q5KAP V",
            "text_confidence": 0.99,
            "character_confidence": [0.99] * 21,
            "n_elements": 93,
            "dit_s": 0.08,
            "dit_s_sigma": 0.0002,
            "wpm": 15.0,
            "wpm_sigma": 0.04,
            "dah_dit_ratio": 3.0,
            "dah_dit_ratio_sigma": 0.01,
            "weighting": 0.002,
            "weighting_sigma": 0.002,
            "element_jitter": 0.006,
            "element_jitter_sigma": 0.001,
            "rise_s": 0.0049,
            "rise_s_sigma": 0.0001,
            "fall_s": 0.0050,
            "fall_s_sigma": 0.0001,
            "rise_limit_s": 0.0003,
            "overshoot_db": 0.3,
            "overshoot_db_sigma": 0.1,
            "droop_db": 0.1,
            "droop_db_sigma": 0.05,
            "chirp_hz": 12.4,
            "chirp_hz_sigma": 0.5,
            "chirp_settle_s": 0.015,
            "broken_starts": 0.0,
            "backwave_db": None,
            "backwave_db_sigma": None,
            "backwave_floor_db": -47.0,
            "occupied_bandwidth_hz": 212.0,
            "bandwidth_26db_hz": 206.0,
            "necessary_bandwidth_hz": 62.5,
            "designator": "62H5A1A",
            "click_dbc": -31.0,
        },
        "drift": {
            "rate_hz_per_min": -8.6,
            "rate_hz_per_min_sigma": 0.3,
            "total_hz": -6.8,
            "total_hz_sigma": 0.2,
            "model": "warm-up",
            "time_constant_s": 12.0,
            "time_constant_s_sigma": 0.8,
            "steps": [],
            "equal_steps": None,
            "cycle_s": None,
            "cycle_peak_hz": None,
            "cycle_peak_hz_sigma": None,
            "repeats_each_transmission": None,
            "allan": [{"tau_s": tau, "adev_hz": a, "low_hz": 0.8 * a, "high_hz": 1.3 * a}
                      for tau, a in ((0.4, 0.13), (0.8, 0.11), (1.6, 0.14), (3.2, 0.24), (6.4, 0.4))],
            "track": track,
            "fit_hz": [TONE_HZ + float(drift_hz(np.array(p["time_s"]))) for p in track],
        },
        "symptoms": [
            {"id": "hum-sidebands", "severity": "fault", "value": -28.9, "sigma": 0.3, "unit": "dBc", "limit": -40.0,
             "text": "sidebands at 100 Hz and 200 Hz beside the tone, the strongest at -28.9 ± 0.3 dBc"},
            {"id": "chirp", "severity": "note", "value": 12.4, "sigma": 0.5, "unit": "Hz", "limit": 5.0,
             "text": "the tone starts 12.4 ± 0.5 Hz high and settles in 15 ms"},
            {"id": "drift", "severity": "note", "value": 8.6, "sigma": 0.3, "unit": "Hz/min", "limit": 2.0,
             "text": "the tone falls by 8.6 ± 0.3 Hz a minute"},
        ],
        "causes": [
            {"id": "transmitter-supply-hum", "text": "hum from the transmitter's supply", "probability": 0.57,
             "for": ["sidebands of twice the mains frequency, as a full-wave rectifier makes",
                     "amplitude and angle together, as when the oscillator is pushed by its supply",
                     "nothing at key-up"],
             "against": ["no droop in the element"],
             "same_as": ["mains-remodulation"], "experiment": BATTERY},
            {"id": "mains-remodulation", "text": "the signal on the house wiring, modulated by a rectifier and heard "
             "again", "probability": 0.41,
             "for": ["sidebands of twice the mains frequency in amplitude and angle",
                     "no harmonics and no rasp, so nothing is overloaded"],
             "against": ["no sidebands of the mains frequency itself"],
             "same_as": ["transmitter-supply-hum"], "experiment": BATTERY},
            {"id": "warm-up", "text": "the oscillator warming up", "probability": 0.38,
             "for": ["the frequency falls exponentially with a time constant of 12 ± 1 s"],
             "against": [], "same_as": [], "experiment": WARM},
            {"id": "oscillator-pulling", "text": "the oscillator pulled by the keyed stage", "probability": 0.35,
             "for": ["a chirp without droop in level"], "against": [], "same_as": ["synthesiser-settling"],
             "experiment": WARM},
            {"id": "synthesiser-settling", "text": "a synthesiser that settles after each key-down",
             "probability": 0.3, "for": ["the same error at each key-down"], "against": [],
             "same_as": ["oscillator-pulling"], "experiment": WARM},
        ],
        "verdict": "faulty",
        "sentence": "Faulty: hum on the tone. Most likely hum from the transmitter's supply, which this "
        "recording cannot tell from the signal on the house wiring, modulated by a rectifier and heard again. "
        "Next: run the transmitter from a battery.",
        "not_measured": {
            "purity.hum_dbc": "no mains line stands out at key-up",
            "purity.voice_dbc": "not looked for below 30 dB",
            "keying.backwave_db": "the noise at key-up hides it",
            "symptoms.backwave": -47.0,
            "symptoms.audio-hum": "no key-up stretch is long enough",
            "purity.after_filter_dbc": "no harmonic lies above the passband",
        },
        "notes": ["on the old supply", "second evening"],
        "plan": {"sent": [{"keying": "cw", "text": "VVV DE Q5KAP", "speed_wpm": 15.0}],
                 "receiver": {"dial_hz": 10138700.0, "sideband": "usb", "gain_control": False}},
        "version": "0.1.0",
    }  # fmt: skip


def clean() -> dict[str, Any]:
    """The same beacon with nothing to say against it."""
    result = faulty()
    result["symptoms"] = []
    result["sidebands"] = []
    result["keying"]["chirp_hz"] = 0.4
    result["drift"] |= {"rate_hz_per_min": -0.12, "rate_hz_per_min_sigma": 0.1, "total_hz": -0.06, "model": "constant"}
    result["causes"] = [
        {"id": "no-fault", "text": "nothing wrong as far as could be heard", "probability": 0.96,
         "for": ["every quantity is within its limit"], "against": [], "same_as": [],
         "experiment": WARM | {"title": "Record again another day", "minutes": 1, "outcomes": []}},
    ]  # fmt: skip
    result["verdict"] = "clean"
    result["sentence"] = "Clean: nothing beyond its limit as far as could be seen."
    return result


def no_signal() -> dict[str, Any]:
    """Nothing found: most families are None."""
    result = faulty()
    reason = "no tone stands out of the noise: check dial, sideband, level and start time"
    missing: dict[str, Any] = {"recording.start_utc": "neither the file nor a plan tells the start time in UTC"}
    for family in ("signal", "purity", "lines", "noise", "keying", "drift"):
        for key in result[family]:
            result[family][key] = () if isinstance(result[family][key], list) else None
        missing |= {f"{family}.{k}": reason for k, v in result[family].items() if v is None and "_sigma" not in k}
    result["signal"]["kind"] = "none"
    result["sidebands"], result["others"], result["symptoms"], result["causes"] = [], [], [], []
    result["recording"] |= {"start_utc": None, "start_utc_sigma_s": None, "clipped_fraction": None, "peak_dbfs": -31.0}
    result["not_measured"] = missing
    result["verdict"] = "no-signal"
    result["sentence"] = (
        "No signal found: check that the dial puts the tone into the passband, that the sideband is right, "
        "that the level is right, and that the transmitter was sending."
    )
    result["notes"], result["plan"] = [], None
    return result
