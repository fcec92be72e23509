"""The audio lead and the recorder: hum loop, level, clipping, clock, dropouts, quantising."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from sigcheck.errors import SettingError
from sigcheck.synth import signals
from sigcheck.synth.signals import MainsPhase, Real


@dataclass(frozen=True, kw_only=True)
class Overdrive:
    """An audio stage driven into its curve before the recorder.

    ``hard``: flat tops at the limit; else tanh, with ``bias`` for even harmonics. ``drive_db`` is the
    peak of the key-down tone over the limit.
    """

    drive_db: float = 3.0
    hard: bool = False
    bias: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Dropout:
    """A stretch lost: zeros, the last sample held, the stretch before repeated, or cut out altogether."""

    time_s: float
    length_s: float
    how: Literal["zeros", "held", "repeat", "missing"] = "zeros"


@dataclass(frozen=True, kw_only=True)
class Recorder:
    """All settings of lead and recorder.

    ``level_dbfs`` is the key-down tone at the gain control's target (control off: as it arrives
    without a pad); ``turned_down_db`` a level change after the converter, so that rails end up below
    full scale. ``hum`` maps orders of the mains to levels in dBFS (0 dBFS: full-scale sine).
    """

    level_dbfs: float = -14.0
    turned_down_db: float = 0.0
    overdrive: Overdrive | None = None
    hum: Mapping[int, float] = field(default_factory=lambda: {1: -84.0, 2: -90.0, 3: -86.0})
    hiss_dbfs: float = -82.0  # rms of the recorder's own noise
    rate_error_ppm: float = 0.0  # positive: it takes more samples than its nominal rate
    dropouts: tuple[Dropout, ...] = ()
    dc_fraction: float = 0.0005
    bits: int | None = 16


def overdriven(x: Real, overdrive: Overdrive, peak: float) -> Real:
    """Samples ``x`` after the stage, which has gain 1 for small ones; ``peak`` is the key-down tone's."""
    limit = peak * signals.from_db(-overdrive.drive_db)
    if overdrive.hard:
        return np.clip(x, -limit, limit)
    rest = np.tanh(overdrive.bias)
    return np.asarray(limit * (np.tanh(x / limit + overdrive.bias) - rest) / (1.0 - rest**2))


def record(settings: Recorder, audio: Real, audio_rate_hz: float, up: int, down: int, mains: MainsPhase,
           rng: np.random.Generator, *, quiet: bool = False) -> Real:
    """Samples (m,) in -1..1 at ``audio_rate_hz`` x ``up`` / ``down``.

    ``audio`` (n,) has the gain control's target at amplitude 1. ``quiet`` leaves hiss, dropouts and
    quantising out.
    """
    rate_hz = audio_rate_hz * up / down
    peak = signals.from_db(settings.level_dbfs)
    x = signals.change_rate(audio, up, 1, edge=0.98) * peak
    if settings.overdrive is not None:
        stage = settings.overdrive
        x = signals.finely(x, audio_rate_hz * up, lambda y: overdriven(y, stage, peak))
    x = signals.change_rate(x, 1, down)
    phi = mains(signals.times(x.size, rate_hz))
    x = x + settings.dc_fraction
    for order, level_dbfs in settings.hum.items():
        x += signals.from_db(level_dbfs) * np.cos(order * phi + 2.4 * order)
    if not quiet:
        x += signals.from_db(settings.hiss_dbfs) * rng.standard_normal(x.size)
    # A converter overloads in its modulator, before its decimation filter, and once more at its codes.
    if np.abs(x).max() > 1.0:
        x = signals.finely(x, rate_hz, lambda y: np.clip(y, -1.0, 1.0))
    x = np.clip(x, -1.0, 1.0) * signals.from_db(-settings.turned_down_db)
    if quiet:
        return x
    # From the end, since a missing stretch moves what follows.
    for lost in sorted(settings.dropouts, key=lambda d: -d.time_s):
        x = _lose(x, lost, rate_hz)
    return x if settings.bits is None else quantised(x, settings.bits)


def quantised(x: Real, bits: int) -> Real:
    """Rounded to the steps of a converter with ``bits``, its highest code one step below 1."""
    steps = float(2 ** (bits - 1))
    return np.asarray(np.clip(np.rint(x * steps), -steps, steps - 1.0) / steps)


def _lose(x: Real, lost: Dropout, rate_hz: float) -> Real:
    begin, count = int(lost.time_s * rate_hz), max(1, int(lost.length_s * rate_hz))
    end = begin + count
    if begin < count or end >= x.size:
        raise SettingError(f"a dropout of {lost.length_s:g} s at {lost.time_s:g} s lies outside the "
                           "recording: move it or make the recording longer")
    if lost.how == "missing":
        return np.delete(x, slice(begin, end))
    x[begin:end] = {"zeros": 0.0, "held": x[begin - 1], "repeat": x[begin - count : begin]}[lost.how]
    return x
