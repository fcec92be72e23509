"""The page of frequency against time, and its few lines for the terminal."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np

from sigcheck.quantities import show
from sigcheck.report.figures import BAND, CURVE, SECOND, Real, _axes, _draw
from sigcheck.report.html import Records
from sigcheck.report.pictures import Picture
from sigcheck.report.templates import environment
from sigcheck.report.trends import _time_axis
from sigcheck.report.words import minus

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from sigcheck.drift_series import Part, Series

_Z95 = 1.96
_DAY_S = 86400.0
_COURSES = {
    "constant": "stays where it is",
    "linear": "drifts steadily",
    "warm-up": "settles as a warming oscillator does",
    "steps": "jumps",
    "cyclic": "swings to and fro",
    "random": "wanders at random",
}


def render_drift(series: Series) -> str:
    """The whole page, self-contained."""
    name = PurePath(series.parts[0].file).name
    count = len(series.parts)
    return environment().get_template("drift.html.j2").render(
        title=f"Frequency against time: {name}" + (f" and {count - 1} more" if count > 1 else ""),
        name=name if count == 1 else f"{count} recordings, {name} first",
        when=_when(series),
        head=headline(series),
        rows=list(rows(series)),
        pictures=_pictures(series),
        records=_records(series),
        unheard=[(p.file, p.missing) for p in series.parts if p.missing is not None],
    )  # fmt: skip


def headline(series: Series) -> str:
    """The whole of it in one sentence."""
    if len(series.parts) == 1:
        model, rate = series.parts[0].drift.model, series.rate_hz_per_min
        if series.parts[0].missing is not None or model is None or rate is None:
            return "No frequency could be followed."
        text = f"The frequency {_COURSES[model]}"
        if model != "linear":
            return f"{text}."
        return f"{text}: {_rate(rate, series.rate_hz_per_min_sigma)}."
    slope, sigma = series.rate_hz_per_min, series.rate_hz_per_min_sigma
    if slope is None or sigma is None:
        return "No frequency could be followed from one recording to the next."
    if series.returns:
        return "Each transmission drifts alike, and the next begins where the last began."
    if abs(slope) < _Z95 * sigma:
        return f"No drift over {len(series.parts)} recordings: {_rate(slope, sigma)}."
    way = "rises" if slope > 0 else "falls"
    return f"The frequency {way} over {len(series.parts)} recordings: {_rate(slope, sigma)}."


def rows(series: Series) -> Iterator[tuple[str, str]]:
    """What is said of the whole, as label and value; what can't be told with its reason."""
    missing = dict(series.missing)
    if len(series.parts) == 1:
        part, d = series.parts[0], series.parts[0].drift
        yield "Drift", _rate(series.rate_hz_per_min, series.rate_hz_per_min_sigma, missing.get("rate_hz_per_min"))
        yield "Change from first key-down to last", show("drift.total_hz", d.total_hz, d.total_hz_sigma)
        yield "Mean frequency", show("signal.tone_hz", part.tone_hz, part.tone_hz_sigma)
        if d.time_constant_s is not None:
            yield "Time constant", show("drift.time_constant_s", d.time_constant_s, d.time_constant_s_sigma)
        if d.cycle_s is not None:
            yield "Cycle", show("drift.cycle_s", d.cycle_s)
        return
    yield "Drift from recording to recording", _rate(
        series.rate_hz_per_min, series.rate_hz_per_min_sigma, missing.get("rate_hz_per_min")
    )
    if series.per_slot_hz is not None and series.slot_s is not None:
        value = show("drift.total_hz", series.per_slot_hz, series.per_slot_hz_sigma)
        yield f"Drift per slot of {series.slot_s:.4g} s", value
    yield "Drift within the recordings", _rate(
        series.within_hz_per_min, series.within_hz_per_min_sigma, missing.get("within_hz_per_min")
    )
    yield from _clock_rows(series)


def _clock_rows(series: Series) -> Iterator[tuple[str, str]]:
    """How the transmitter's clock runs; nothing is said of it where no plan tells when it should start."""
    clock = series.clock
    if clock is None:
        if any(p.late_s is not None for p in series.parts):
            yield "Transmitter's clock", f"not measured: {dict(series.missing).get('clock', 'too few starts')}"
        return
    yield "Last start, late by", show("on_air.clock_correction_s", clock.late_s, clock.late_s_sigma)
    certain = abs(clock.s_per_day) > _Z95 * clock.s_per_day_sigma
    way = "" if not certain else ", it loses" if clock.s_per_day > 0 else ", it gains"
    value = show("clock.s_per_day", clock.s_per_day, clock.s_per_day_sigma, unit="s/day")
    yield "Transmitter's clock", f"{value}{way}"
    yield f"Leaves its window of ± {series.window_s:g} s", _leaving(series, certain)


def _leaving(series: Series, certain: bool) -> str:
    clock = series.clock
    assert clock is not None
    if abs(clock.late_s) >= series.window_s:
        return "it is outside already"
    if not certain:
        soonest = clock.leaves_from_utc
        rest = "" if soonest is None else f"; at the fastest rate that fits, {_moment(soonest)}"
        return f"can't be told, no drift is seen yet{rest}"
    if clock.leaves_utc is None:
        return "not within ten years"
    first, last = clock.leaves_from_utc, clock.leaves_to_utc
    between = "" if first is None or last is None else f" (95 %: {_moment(first)} to {_moment(last)})"
    return f"{_moment(clock.leaves_utc)}{between}"


def _moment(moment: datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M} UTC"


def summary(series: Series) -> str:
    """Headline, the numbers, and one line a recording."""
    out = [headline(series), ""]
    out += [f"{label:36} {minus(value)}" for label, value in rows(series)]
    if len(series.parts) > 1:
        out += ["", f"{'start':25}{'mean frequency':27}{'change within':23}course"]
        out += ["".join(f"{cell:{w}}" for cell, w in zip(_line(p), (25, 27, 23, 0), strict=True)) for p in series.parts]
    return "\n".join(line.rstrip() for line in out) + "\n"


def _line(part: Part) -> tuple[str, str, str, str]:
    if part.missing is not None:
        return _start(part), "–", "–", part.missing
    d = part.drift
    tone = minus(show("signal.tone_hz", part.tone_hz, part.tone_hz_sigma))
    change = "–" if d.total_hz is None else minus(show("drift.total_hz", d.total_hz, d.total_hz_sigma))
    return _start(part), tone, change, d.model or "too short to follow"


def _rate(value: float | None, sigma: float | None, why: str | None = None) -> str:
    if value is None:
        return f"not measured: {why}" if why else "not measured"
    return show("drift.rate_hz_per_min", value, sigma)


def _start(part: Part) -> str:
    return "no start time" if part.start is None else f"{part.start:%Y-%m-%d %H:%M:%S} UTC"


def _when(series: Series) -> str:
    starts = [f"{p.start:%Y-%m-%d %H:%M} UTC" for p in series.parts if p.start is not None]
    return "" if not starts else starts[0] if len(starts) == 1 else f"{starts[0]} to {starts[-1]}"


def _records(series: Series) -> Records:
    heads = ["start", "recording", "mean frequency", "change within", "course"]
    cells = [(_line(p)[0], PurePath(p.file).name, *_line(p)[1:]) for p in series.parts]
    return Records("Every recording", heads, cells)


def _pictures(series: Series) -> list[Picture]:
    shown = [p for p in series.parts if p.drift.track]
    if not shown:
        return []
    svg = course_figure(series, shown)
    many = len(shown) > 1
    caption = "Points: measured, with their 95 % interval in grey. Line: the fitted course" + (
        " within each recording; dashed: the straight line from recording to recording, with its 95 % band."
        if many
        else ", with its 95 % band."
    )
    return [Picture("course", "Frequency against time", caption, svg)]


def course_figure(series: Series, shown: list[Part]) -> str:
    """Track, fit and band over the time of day where it is known, else over the time in the recording."""
    dated = all(p.start is not None for p in shown)

    def place(part: Part, seconds: Any) -> Real:
        s = np.asarray(seconds, float)
        return s if not dated or part.start is None else part.start.timestamp() / _DAY_S + s / _DAY_S

    def paint(figure: Figure) -> None:
        axes = _axes(figure, "time in the recording, s", "audio frequency, Hz")
        low, high = np.inf, -np.inf
        for part in shown:
            t, hz, sigma = (
                np.array([getattr(p, name) for p in part.drift.track]) for name in ("time_s", "hz", "hz_sigma")
            )
            x = place(part, t)
            axes.vlines(x, hz - _Z95 * sigma, hz + _Z95 * sigma, color=BAND, linewidth=1.0)
            axes.plot(x, hz, ".", color=CURVE, markersize=2.6)
            fit, band = np.array(part.drift.fit_hz), np.array(part.drift.fit_hz_sigma)
            if fit.size == t.size:
                axes.plot(x, fit, color=SECOND, linewidth=1.5)
            if band.size == fit.size == t.size:
                axes.fill_between(x, fit - _Z95 * band, fit + _Z95 * band, color=SECOND, alpha=0.25, linewidth=0)
            low, high = min(low, float((hz - 2 * sigma).min())), max(high, float((hz + 2 * sigma).max()))
        if series.middle_s is not None:
            _paint_line(axes, series, place)
        half = max(0.5, 0.55 * (high - low))  # a steady tone must look steady
        axes.set_ylim(0.5 * (low + high) - half, 0.5 * (low + high) + half)
        axes.ticklabel_format(axis="y", useOffset=False)
        if dated:
            _time_axis(axes, True)

    alt = f"Frequency against time over {len(shown)} recording{'s' if len(shown) > 1 else ''}. {headline(series)}"
    return _draw("course", alt, paint)


def _paint_line(axes: Any, series: Series, place: Any) -> None:
    first, last = series.parts[0], series.parts[-1]
    t = np.linspace(0.0, series.offset_s(last) + last.duration_s, 60)
    from_middle = (t - (series.middle_s or 0.0)) / 60.0
    line = (series.middle_hz or 0.0) + (series.rate_hz_per_min or 0.0) * from_middle
    band = _Z95 * np.hypot(series.middle_hz_sigma or 0.0, (series.rate_hz_per_min_sigma or 0.0) * from_middle)
    x = place(first, t)
    axes.fill_between(x, line - band, line + band, color=BAND, alpha=0.5, linewidth=0)
    axes.plot(x, line, color=SECOND, linewidth=1.0, dashes=(4, 2))
