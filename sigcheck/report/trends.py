"""The picture of a history: rows of one quantity each over a common time axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from sigcheck.report.figures import CURVE, FAULT, HAIR, INK, MUTED, NOTE, Real, _apart, _draw, _heading, _limits

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from sigcheck.report.figures import Mark

_ROW_IN = 1.35
_MOST_TICKS = 7
_STEPS_MIN = (1, 2, 5, 10, 20, 30, 60, 120, 180, 360, 720)
_STEPS_D = (*(m / 1440 for m in _STEPS_MIN), 1, 2, 4, 7, 14, 28, 56, 91, 182, 365, 730)


@dataclass(frozen=True)
class Line:
    """One row: values (n,) and sigmas, NaN where not measured, with its limits where it has any."""

    title: str
    values: Real
    sigmas: Real
    note: float | None = None
    fault: float | None = None
    least: float = 1.0  # height of the row at least, so that a steady quantity looks steady


def trends(
    times: Real, dated: bool, lines: Sequence[Line], states: Sequence[str], marks: Sequence[Mark], alt: str
) -> str:
    """Rows over one axis.

    Parameters
    ----------
    times : (n,) days since 1970 (UTC), or numbers of the recordings where not ``dated``.
    states : (n,) "fault", "note" or "good": shape and colour of the points.
    marks : the user's notes, a vertical line each, named on top.
    """
    margin = 0.03 * max(float(np.ptp(times)), 0.02 if dated else 1.0)
    height = _ROW_IN * len(lines) + 0.75

    def paint(figure: Figure) -> None:
        for k, line in enumerate(lines):
            bottom = (0.45 + _ROW_IN * (len(lines) - 1 - k)) / height
            axes = figure.add_axes((0.115, bottom, 0.80, (_ROW_IN - 0.4) / height))
            axes.yaxis.grid(True, color=HAIR, linewidth=0.5)
            axes.set_xlim(times.min() - margin, times.max() + margin)
            _points(axes, times, line, states)
            for mark in marks:
                axes.axvline(mark.x, color=MUTED, linewidth=0.8, dashes=(1, 2))
            if k == 0:
                for mark in _apart(marks, float(np.ptp(times)) / 22, 20):
                    axes.annotate(mark.label, (mark.x, 1.0), (3, 0), xycoords=("data", "axes fraction"),
                                  textcoords="offset points", va="top", fontsize=9.5, color=INK)  # fmt: skip
            if k < len(lines) - 1:
                axes.tick_params(labelbottom=False)
            else:
                _time_axis(axes, dated)

    return _draw("trends", alt, paint, height_in=height)


def _points(axes: Axes, times: Real, line: Line, states: Sequence[str]) -> None:
    known = np.isfinite(line.values)
    axes.plot(times[known], line.values[known], color=CURVE, linewidth=0.7)
    spread = np.where(np.isfinite(line.sigmas), 1.96 * line.sigmas, 0.0)
    axes.vlines(times[known], (line.values - spread)[known], (line.values + spread)[known], color=CURVE, linewidth=0.8)
    for state, shape, colour, size in (("good", "o", CURVE, 3.0), ("note", "D", NOTE, 4.0), ("fault", "s", FAULT, 4.6)):
        these = known & np.array([s == state for s in states])
        axes.plot(times[these], line.values[these], shape, color=colour, markersize=size)
    low, high = float((line.values - spread)[known].min()), float((line.values + spread)[known].max())
    half = max(0.55 * (high - low), 0.5 * line.least)
    axes.set_ylim(0.5 * (low + high) - 1.1 * half, 0.5 * (low + high) + 1.1 * half)
    axes.ticklabel_format(axis="y", style="plain", useOffset=False)
    axes.locator_params(axis="y", nbins=4)
    low, high = axes.get_ylim()
    _limits(axes, *(v if v is not None and low < v < high else None for v in (line.note, line.fault)))
    _heading(axes, line.title)


def _time_axis(axes: Axes, dated: bool) -> None:
    axes.set_xlabel("time, UTC" if dated else "recording", loc="right", labelpad=3)
    if not dated:
        axes.locator_params(axis="x", integer=True)
        return
    low, high = axes.get_xlim()
    step = next((s for s in _STEPS_D if (high - low) / s <= _MOST_TICKS), high - low)
    ticks = step * np.arange(np.ceil(low / step), np.floor(high / step) + 1)
    axes.set_xticks(ticks, [_moment(t, step) for t in ticks])


def _moment(day: float, step: float) -> str:
    moment = datetime.fromtimestamp(round(86400 * day), UTC)
    if step >= 28:
        return f"{moment:%b %Y}"
    # The date stands where a day begins, the time elsewhere.
    return f"{moment:%d %b}" if step >= 1 or moment.hour == moment.minute == 0 else f"{moment:%H:%M}"
