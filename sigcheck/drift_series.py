"""Frequency against time over one recording or a series of them, such as the slots of a night.

>>> series = measure_series(["20261101T100200Z.flac", "20261101T100400Z.flac"])   # doctest: +SKIP
>>> series.rate_hz_per_min, series.rate_hz_per_min_sigma                          # doctest: +SKIP

Within a recording the drift is the measured one; from one recording to the next it is a straight
line through their mean frequencies, for which their start times must be known.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

import sigcheck
from sigcheck.errors import SettingError
from sigcheck.judge.limits import limits_for
from sigcheck.measure.on_air import ClockDrift, clock_drift
from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Drift, Measurements
from sigcheck.plan import Plan
from sigcheck.recording import load
from sigcheck.result import write_whole
from sigcheck.saved import load_result

SCHEMA = 1
_APART_HZ = 150.0  # two neighbours further apart are not one signal: so far is looked about a stated tone
_CERTAIN = 1.96  # of a normal distribution: 95 % lie within


@dataclass(frozen=True, kw_only=True)
class Part:
    """One recording of the series.

    ``at_s`` is the mean time of the key-down, to which ``tone_hz`` belongs. ``missing`` says why
    where there is no frequency. ``sha256`` is None where the audio is not at hand.
    """

    file: str
    start: datetime | None
    start_sigma_s: float | None
    duration_s: float
    sha256: str | None
    tone_hz: float | None
    tone_hz_sigma: float | None
    at_s: float | None
    drift: Drift
    missing: str | None
    late_s: float | None = None  # how late the transmission starts by the plan
    late_s_sigma: float | None = None
    late_missing: str = "there is no plan to tell when a transmission should start"

    @property
    def end(self) -> datetime | None:
        """Time of the last sample."""
        return None if self.start is None else self.start + timedelta(seconds=self.duration_s)


@dataclass(frozen=True)
class Series:
    """Recordings in the order of their time, and how the frequency moves over them.

    ``rate_hz_per_min`` is the slope from recording to recording (of the one recording where there is
    one), ``slot_s`` the usual time between two starts and ``per_slot_hz`` the slope over that;
    ``within_hz_per_min`` the mean drift rate inside the recordings. ``returns`` says that each drifts
    alike and begins again. ``clock`` is how the transmitter's clock runs by the starts of the transmissions,
    ``window_s`` how early or late one may start. None where it can't be told, ``missing`` says why.
    """

    parts: tuple[Part, ...]
    rate_hz_per_min: float | None = None
    rate_hz_per_min_sigma: float | None = None
    slot_s: float | None = None
    per_slot_hz: float | None = None
    per_slot_hz_sigma: float | None = None
    within_hz_per_min: float | None = None
    within_hz_per_min_sigma: float | None = None
    returns: bool | None = None
    middle_s: float | None = None  # of the straight line, from the first sample of all
    middle_hz: float | None = None
    middle_hz_sigma: float | None = None
    clock: ClockDrift | None = None
    window_s: float = 1.0
    missing: tuple[tuple[str, str], ...] = ()

    def offset_s(self, part: Part) -> float:
        """Start of a part after the start of the first one."""
        first = self.parts[0].start
        return 0.0 if part.start is None or first is None else (part.start - first).total_seconds()

    def to_dict(self) -> dict[str, Any]:
        """Plain data, every number finite."""
        names = ("rate_hz_per_min", "slot_s", "per_slot_hz", "within_hz_per_min", "returns")
        out: dict[str, Any] = {"schema": SCHEMA, "recordings": [_plain(p) for p in self.parts]}
        for name in names:
            out[name] = getattr(self, name)
            if hasattr(self, f"{name}_sigma"):
                out[f"{name}_sigma"] = getattr(self, f"{name}_sigma")
        out["clock"] = None if self.clock is None else _plain_clock(self.clock, self.window_s)
        return out | {"not_measured": dict(self.missing), "version": sigcheck.__version__}

    def to_json(self) -> str:
        """The JSON text."""
        return json.dumps(self.to_dict(), indent=1, allow_nan=False) + "\n"

    def to_csv(self) -> str:
        """The track, one line a point (RFC 4180): ``time_s`` from the first sample of the first recording."""
        out = io.StringIO()
        write = csv.writer(out, lineterminator="\r\n")
        write.writerow(["time_utc", "time_s", "frequency_hz", "frequency_hz_sigma", "fitted_hz", "recording"])
        for part in self.parts:
            fit: Sequence[float | str] = part.drift.fit_hz or [""] * len(part.drift.track)
            for point, fitted in zip(part.drift.track, fit, strict=True):
                moment = "" if part.start is None else _utc(part.start + timedelta(seconds=point.time_s))
                at = self.offset_s(part) + point.time_s
                shown = fitted if isinstance(fitted, str) else f"{fitted:.6f}"
                write.writerow(
                    [moment, f"{at:.3f}", f"{point.hz:.6f}", f"{point.hz_sigma:.6f}", shown, _inert(part.file)]
                )
        return out.getvalue()

    def save_csv(self, path: str | os.PathLike[str]) -> None:
        """Write the CSV, whole or not at all.

        Raises
        ------
        SaveError : the file cannot be written.
        """
        write_whole(path, self.to_csv().encode())


def measure_series(
    files: Sequence[str | os.PathLike[str]],
    plan: Plan | None = None,
    *,
    tone_hz: float | None = None,
    channel: int | None = None,
) -> Series:
    """Measure the frequency over one recording or several.

    Parameters
    ----------
    files : recordings, or results that were saved of them (``*.json``), in any order.
    plan : what was meant to be sent. Its start time is of use for one recording only.
    tone_hz, channel : as for `measure.pipeline.measure`.

    Raises
    ------
    RecordingError, ResultError : a file can't be read.
    SettingError : the files make no series: a start time is missing, two overlap or are the same, or
        they hold different signals.
    """
    if not files:
        raise SettingError("no recording was named; give one or more files")
    if len(files) > 1 and plan is not None:
        plan = replace(plan, recorder=replace(plan.recorder, start_utc=None, start_utc_sigma_s=None))
    parts = [_part(os.fspath(f), plan, tone_hz, channel) for f in files]
    return series_of(parts, window_s=_window_s(plan))


def series_of(parts: Sequence[Part], *, window_s: float = 1.0) -> Series:
    """Put parts in order and draw the line through them; errors as of `measure_series`."""
    ordered = _in_order(parts)
    series = Series(parts=ordered, window_s=window_s)
    return _one(series) if len(ordered) == 1 else _with_clock(_several(series))


def _window_s(plan: Plan | None) -> float:
    """How early or late a transmission may start: from there on it is a fault."""
    fault = limits_for(None if plan is None else plan.limits)["off-time"].fault
    assert fault is not None  # the table has one
    return fault


def _with_clock(series: Series) -> Series:
    """The series with how the transmitter's clock runs, from the transmissions that are seen to start."""
    told = [(_start(p), p.late_s, p.late_s_sigma or 0.0) for p in series.parts if p.late_s is not None]
    clock = clock_drift([t[0] for t in told], [t[1] for t in told], [t[2] for t in told], window_s=series.window_s)
    if clock is not None:
        return replace(series, clock=clock)
    reasons = [p.late_missing for p in series.parts if p.late_s is None]
    why = reasons[0] if reasons else "the transmissions lie too close together"
    return replace(series, missing=(*series.missing, ("clock", why)))


# --- one recording -------------------------------------------------------------------------------


def _part(file: str, plan: Plan | None, tone_hz: float | None, channel: int | None) -> Part:
    if Path(file).suffix.lower() == ".json":
        saved = load_result(file)
        recording = saved.data.get("recording") or {}
        start = recording.get("start_utc")
        moment = None if start is None else datetime.fromisoformat(str(start))
        return _of(file, saved.measurements, moment, recording.get("start_utc_sigma_s"), saved.sha256)
    sound = load(file, plan=plan)
    if tone_hz is not None and not 0 < tone_hz < sound.sample_rate_hz / 2:
        raise SettingError(f"{file}: {tone_hz:g} Hz is not in it, it holds 0 to {sound.sample_rate_hz / 2:g} Hz")
    found = measure(sound, channel=channel, tone_hz=tone_hz, plan=plan).measurements
    return _of(file, found, sound.start_utc, sound.start_utc_sigma_s, sound.sha256)


def _of(file: str, m: Measurements, start: datetime | None, sigma: float | None, sha256: str | None) -> Part:
    signal = m.signal
    missing = None
    if signal.tone_hz is None:
        missing = signal.missing.get("tone_hz") or signal.missing.get("kind") or "no signal"
    return Part(
        file=file,
        start=start,
        start_sigma_s=sigma,
        duration_s=m.duration_s,
        sha256=sha256 or None,
        tone_hz=signal.tone_hz,
        tone_hz_sigma=signal.tone_hz_sigma,
        at_s=None if signal.tone_hz is None else _mean_time(m),
        drift=m.drift,
        missing=missing,
        late_s=m.on_air.clock_correction_s,
        late_s_sigma=m.on_air.clock_correction_s_sigma,
        late_missing=m.on_air.missing.get("clock_correction_s") or m.on_air.missing.get("carrier_hz") or "no signal",
    )


def _mean_time(m: Measurements) -> float:
    """Mean time of the key-down: each point of a track stands for as much of it as its sigma is small."""
    track = m.drift.track
    if len(track) < 3:
        first, last = m.signal.present_s or (0.0, m.duration_s)
        return 0.5 * (first + last)
    weight = np.array([p.hz_sigma for p in track]) ** -2.0
    return float(np.average([p.time_s for p in track], weights=weight))


# --- the order -----------------------------------------------------------------------------------


def _in_order(parts: Sequence[Part]) -> tuple[Part, ...]:
    if len(parts) == 1:
        return tuple(parts)
    for part in parts:
        if part.start is None:
            raise SettingError(
                f"{part.file}: its start time is not known, so it has no place in a series; put it into the "
                "name as 20261101T100200Z, or measure the recordings one by one"
            )
    ordered = tuple(sorted(parts, key=_start))
    seen: dict[str, str] = {}
    for part in ordered:
        if part.sha256 in seen:
            raise SettingError(f"{part.file} is the same recording as {seen[part.sha256]}; name it once")
        if part.sha256 is not None:
            seen[part.sha256] = part.file
    for before, after in pairwise(ordered):
        _refuse_overlap(before, after)
    _refuse_strangers(ordered)
    return ordered


def _start(part: Part) -> datetime:
    assert part.start is not None
    return part.start


def _refuse_overlap(before: Part, after: Part) -> None:
    over = before.duration_s - (_start(after) - _start(before)).total_seconds()
    doubt = 3.0 * float(np.hypot(before.start_sigma_s or 0.0, after.start_sigma_s or 0.0))
    if over > doubt + 0.05:
        raise SettingError(
            f"{before.file} and {after.file} overlap by {over:.1f} s by their start times; leave one out, or "
            "correct the time that is wrong"
        )


def _refuse_strangers(ordered: tuple[Part, ...]) -> None:
    heard = [p for p in ordered if p.tone_hz is not None]
    for before, after in pairwise(heard):
        apart = abs((after.tone_hz or 0.0) - (before.tone_hz or 0.0))
        if apart > _APART_HZ:
            raise SettingError(
                f"{after.file}: its tone at {after.tone_hz:.0f} Hz is {apart:.0f} Hz from that of {before.file}: "
                "another signal, or the dial was turned; leave it out, or say with --tone which is meant"
            )


# --- the line through them -----------------------------------------------------------------------


def _one(series: Series) -> Series:
    d = series.parts[0].drift
    why = series.parts[0].missing or "one recording: nothing to compare it with"
    missing = [("per_slot_hz", why), ("slot_s", why), ("returns", why)]
    if d.rate_hz_per_min is None:
        missing.append(("rate_hz_per_min", d.missing.get("rate_hz_per_min", why)))
        missing.append(("within_hz_per_min", d.missing.get("rate_hz_per_min", why)))
    return replace(
        series,
        rate_hz_per_min=d.rate_hz_per_min,
        rate_hz_per_min_sigma=d.rate_hz_per_min_sigma,
        within_hz_per_min=d.rate_hz_per_min,
        within_hz_per_min_sigma=d.rate_hz_per_min_sigma,
        missing=tuple(missing),
    )


def _several(series: Series) -> Series:
    slot_s = float(np.median(np.diff([series.offset_s(p) for p in series.parts])))
    series = replace(series, slot_s=slot_s)
    within = _mean_rate(series.parts)
    missing = []
    if within is None:
        missing.append(("within_hz_per_min", "no recording shows a drift rate"))
    else:
        series = replace(series, within_hz_per_min=within[0], within_hz_per_min_sigma=within[1])
    heard = [p for p in series.parts if p.tone_hz is not None]
    if len(heard) < 2:
        why = "fewer than two of the recordings hold a tone that can be placed"
        missing += [("rate_hz_per_min", why), ("per_slot_hz", why), ("returns", why)]
        return replace(series, missing=tuple(missing))
    t = np.array([series.offset_s(p) + (p.at_s or 0.0) for p in heard])
    hz = np.array([p.tone_hz for p in heard], float)
    sigma = np.array([_sigma_at_its_time(p) for p in heard])
    (middle_s, middle_hz, middle_sigma), (slope, slope_sigma) = _line(t, hz, sigma)
    series = replace(
        series,
        rate_hz_per_min=60 * slope,
        rate_hz_per_min_sigma=60 * slope_sigma,
        per_slot_hz=slope * slot_s,
        per_slot_hz_sigma=slope_sigma * slot_s,
        middle_s=middle_s,
        middle_hz=middle_hz,
        middle_hz_sigma=middle_sigma,
    )
    returns = _returns(series)
    if isinstance(returns, str):
        return replace(series, missing=(*missing, ("returns", returns)))
    return replace(series, returns=returns, missing=tuple(missing))


def _sigma_at_its_time(part: Part) -> float:
    """Sigma of the frequency, with what a start time that is a little off makes of the drift."""
    rate = (part.drift.rate_hz_per_min or 0.0) / 60.0
    return float(np.hypot(part.tone_hz_sigma or 0.0, rate * (part.start_sigma_s or 0.0)))


def _mean_rate(parts: Sequence[Part]) -> tuple[float, float] | None:
    """Weighted mean of the drift rates inside the recordings; its sigma grows where they disagree."""
    known = [(p.drift.rate_hz_per_min, p.drift.rate_hz_per_min_sigma) for p in parts]
    rates = np.array([(r, s) for r, s in known if r is not None and s], float).reshape(-1, 2)
    if not len(rates):
        return None
    weight = rates[:, 1] ** -2.0
    mean = float(np.average(rates[:, 0], weights=weight))
    freedom = max(len(rates) - 1, 1)
    scatter = max(1.0, float(weight @ (rates[:, 0] - mean) ** 2) / freedom)
    return mean, float(np.sqrt(scatter / weight.sum()))


def _line(
    t: np.ndarray[Any, Any], hz: np.ndarray[Any, Any], sigma: np.ndarray[Any, Any]
) -> tuple[tuple[float, float, float], tuple[float, float]]:
    """Straight line by weighted least squares: (middle time, value and sigma there), (slope, its sigma).

    The oscillator wanders more from slot to slot than each tone's own sigma: a common variance is
    added until the scatter about the line is what it should be.
    """
    own = 0.0
    for _ in range(60):
        weight = 1.0 / (sigma**2 + own)
        middle = float(np.average(t, weights=weight))
        level = float(np.average(hz, weights=weight))
        lever = float(weight @ (t - middle) ** 2)
        slope = float(weight @ ((t - middle) * hz)) / lever
        left = hz - level - slope * (t - middle)
        if t.size < 3 or weight @ left**2 <= t.size - 2:
            break
        own = max(own, float(np.min(sigma)) ** 2 * 1e-2) * float(weight @ left**2) / (t.size - 2)
    return (middle, level, float(weight.sum() ** -0.5)), (slope, lever**-0.5)


def _returns(series: Series) -> bool | str:
    """Whether each recording drifts alike from its own beginning: the change within is gone at the next."""
    rate, sigma, slot_s = series.within_hz_per_min, series.within_hz_per_min_sigma, series.slot_s
    slope = series.rate_hz_per_min
    if rate is None or sigma is None or slope is None or not slot_s:
        return "no drift within the recordings is known"
    if abs(rate) < 3.0 * sigma:
        return "no drift within the recordings to compare"
    signs = [np.sign(p.drift.rate_hz_per_min) for p in series.parts if p.drift.rate_hz_per_min is not None]
    alike = float(np.mean(np.array(signs) == np.sign(rate)))
    return bool(alike > 0.8 and abs(slope) < 0.3 * abs(rate))


# --- plain data ----------------------------------------------------------------------------------


def _plain(part: Part) -> dict[str, Any]:
    d = part.drift
    return {
        "path": part.file,
        "sha256": part.sha256,
        "start_utc": None if part.start is None else _utc(part.start),
        "start_utc_sigma_s": part.start_sigma_s,
        "duration_s": part.duration_s,
        "at_s": part.at_s,
        "tone_hz": part.tone_hz,
        "tone_hz_sigma": part.tone_hz_sigma,
        "rate_hz_per_min": d.rate_hz_per_min,
        "rate_hz_per_min_sigma": d.rate_hz_per_min_sigma,
        "total_hz": d.total_hz,
        "total_hz_sigma": d.total_hz_sigma,
        "model": d.model,
        "track": [{"time_s": p.time_s, "hz": p.hz, "hz_sigma": p.hz_sigma} for p in d.track],
        "fit_hz": list(d.fit_hz),
        "late_s": part.late_s,
        "late_s_sigma": part.late_s_sigma,
        "not_measured": None if part.missing is None else part.missing,
    }


def _plain_clock(clock: ClockDrift, window_s: float) -> dict[str, Any]:
    numbers = ("late_s", "late_s_sigma", "s_per_day", "s_per_day_sigma")
    moments = ("leaves_utc", "leaves_from_utc", "leaves_to_utc")
    when = {name: getattr(clock, name) for name in moments}
    return (
        {name: getattr(clock, name) for name in numbers}
        | {name: None if moment is None else _utc(moment) for name, moment in when.items()}
        | {"window_s": window_s}
    )


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _inert(text: str) -> str:
    """Text that a spreadsheet takes as text: a leading = + - @ would be run as a formula."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text
