"""Measurements of a clean everyday recording, to be spoilt one number at a time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from sigcheck.measure.results import (
    Bursts,
    Drift,
    Harmonic,
    Health,
    Keying,
    Lines,
    Measurements,
    OtherSignal,
    Purity,
    Sideband,
    Signal,
    Step,
)

__all__ = ["Harmonic", "OtherSignal", "Step", "clean", "line", "mains", "steady"]


def clean(**changes: dict[str, Any]) -> Measurements:
    """A keyed signal at 16 WPM, 700 Hz, 40 dB, with nothing wrong; ``family={field: value}`` changes it."""
    m = Measurements(
        health=Health(
            peak_dbfs=-12.0, rms_dbfs=-18.0, dc_fraction=0.0, railed_fraction=0.0, clipped_fraction=0.0,
            silent_fraction=0.0, bits_used=16,
        ),
        signal=Signal(
            kind="keyed", tone_hz=700.0, tone_hz_sigma=0.001, snr_db=40.0, snr_db_sigma=0.2, cn0_dbhz=74.0,
            cn0_dbhz_sigma=0.2, key_down_fraction=0.48, present_s=(2.0, 58.0), level_dbfs=-12.5,
            passband_hz=(300.0, 2700.0), passband_limited_by="receiver", level_range_db=0.4, flutter_db=0.05,
        ),
        purity=Purity(
            sinad_db=38.0, thd_db=-58.0, thd_db_sigma=0.5, thd_floor_db=-70.0, even_dbc=-61.0, odd_dbc=-61.0,
            after_filter_dbc=-80.0, flat_top_share=0.97, am_percent=0.5, pm_rad=0.005, fm_hz=0.5,
            am_excess_percent=0.1, am_excess_percent_sigma=0.05, pm_excess_rad=0.002,
            pm_excess_rad_sigma=0.001, pm_excess_floor_rad=0.003, rasp_dbc=-43.5, rasp_dbc_sigma=0.1,
            rasp_rise_db=0.2,
            rasp_rise_db_sigma=0.5, hum_dbc=None, hum_floor_dbc=-66.0, voice_dbc=None,
            missing={"rasp_angle_share": "no noise beyond the additive floor", "mains_hz": "no mains line",
                     "hum_dbc": "no line above the floor", "hum_hz": "no line above the floor",
                     "voice_dbc": "not looked for"},
        ),
        lines=Lines(
            sideband_floor_dbc=-64.0, other_floor_dbc=-55.0,
            missing={"mains_hz": "no mains line", "switching_hz": "no such line"},
        ),
        bursts=Bursts(
            burst_over_floor_db=0.0, burst_time_fraction=0.0, gain_recovery_db=0.3,
            missing={"burst_rate_hz": "random", "gain_recovery_s": "no recovery"},
        ),
        keying=Keying(
            text="VVV DE Q5KAP VVV DE Q5KAP", text_confidence=0.99, character_confidence=(0.99,) * 20,
            n_elements=80, dit_s=0.075, dit_s_sigma=1e-5, wpm=16.0, wpm_sigma=0.002, dah_dit_ratio=3.0,
            dah_dit_ratio_sigma=0.002, weighting=0.0, weighting_sigma=0.001, element_jitter=0.004,
            element_jitter_sigma=0.001, rise_s=5e-3, rise_s_sigma=5e-5, fall_s=5.5e-3, fall_s_sigma=5e-5,
            rise_limit_s=4e-4, overshoot_db=0.1, overshoot_db_sigma=0.05, droop_db=0.1, droop_db_sigma=0.05,
            chirp_hz=0.3, chirp_hz_sigma=0.2, chirp_settle_s=None, broken_starts=0.0, backwave_db=None,
            backwave_floor_db=-60.0, missing={"chirp_settle_s": "no chirp", "backwave_db": "below the floor"},
        ),
        drift=Drift(
            rate_hz_per_min=0.05, rate_hz_per_min_sigma=0.01, total_hz=0.05, total_hz_sigma=0.01,
            model="constant",
            missing={"time_constant_s": "no warm-up", "cycle_s": "no cycle", "cycle_peak_hz": "no cycle",
                     "equal_steps": "no steps", "repeats_each_transmission": "one transmission"},
        ),
        sample_rate_hz=12000.0,
        duration_s=60.0,
    )  # fmt: skip
    return replace(m, **{name: replace(getattr(m, name), **fields) for name, fields in changes.items()})


def steady(**changes: dict[str, Any]) -> Measurements:
    """The same as a steady tone over the whole recording: no keying, no key-up."""
    m = clean(signal={"kind": "steady", "present_s": (0.0, 60.0), "key_down_fraction": 1.0})
    m = replace(m, keying=Keying(missing={name: "a steady tone has no edges" for name in _KEYING}))
    return replace(m, **{name: replace(getattr(m, name), **fields) for name, fields in changes.items()})


_KEYING = tuple(name for name in Keying.__dataclass_fields__ if name != "missing")


def line(
    offset_hz: float, level_dbc: float, *, angle: float = 0.02, family: str | None = None, sigma: float = 0.3
) -> Sideband:
    """A sideband with this angle share; ``family`` None is a spur."""
    nature = "amplitude" if angle < 0.1 else "angle" if angle > 0.9 else "mixed"
    total = 2.0 * 10.0 ** (level_dbc / 20.0)
    return Sideband(
        offset_hz=offset_hz, level_dbc=level_dbc, level_dbc_sigma=sigma,
        lower_dbc=level_dbc, upper_dbc=level_dbc,
        am_index=total * (1 - angle) ** 0.5, pm_index_rad=total * angle**0.5, angle_share=angle,
        nature=nature, family=family,  # type: ignore[arg-type]
    )  # fmt: skip


def mains(levels: dict[float, float], *, angle: float = 0.02, hz: float = 50.0) -> dict[str, Any]:
    """The ``lines`` family with mains sidebands: offset -> level in dBc."""
    families = {offset: "twice-mains" if round(offset / hz) % 2 == 0 else "mains" for offset in levels}
    return {
        "sidebands": tuple(line(f, level, angle=angle, family=families[f]) for f, level in levels.items()),
        "mains_hz": hz,
    }
