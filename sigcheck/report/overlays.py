"""Pictures of two recordings on common axes: before thin and dashed, after full."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from sigcheck.measure.views import Beside, Edge
from sigcheck.report.figures import CURVE, INK, SECOND, Real, _axes, _draw, _limits, _robust_floor

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Course = tuple[Real, Real, Real]
"""Times in s, frequencies in Hz and their sigmas."""


def _key(axes: Axes, first: float = 0.74) -> None:
    """Both curves by name, in their colour, along the top."""
    for x, word, colour in ((first, "- - before", SECOND), (0.985, "— after", CURVE)):
        axes.text(x, 0.97, word, transform=axes.transAxes, ha="right", va="top", fontsize=10.5, color=colour)


def _line(axes: Axes, x: Any, y: Any, *, before: bool, width: float = 1.3) -> None:
    if before:
        axes.plot(x, y, color=SECOND, linewidth=width, dashes=(4, 1.6), zorder=2)
    else:
        axes.plot(x, y, color=CURVE, linewidth=width, zorder=3)


def beside(before: Beside, after: Beside, alt: str, *, note: float | None, fault: float | None) -> str:
    """Spectra beside the tone."""

    def paint(figure: Figure) -> None:
        axes = _axes(figure, "offset from the tone, Hz", "level, dBc", right=0.925)
        floor = min(_robust_floor(before.dbc), _robust_floor(after.dbc), -60.0)
        for view, first in ((before, True), (after, False)):
            _line(axes, view.offset_hz, np.maximum(view.dbc, floor), before=first, width=0.9)
        axes.plot([0, 0], [floor, 0], color=INK, linewidth=1.6)
        _limits(axes, note, fault)
        reach = float(min(before.offset_hz[-1], after.offset_hz[-1]))
        axes.set(ylim=(floor, 14.0), xlim=(-reach, reach))
        _key(axes)

    return _draw("overlay-beside", alt, paint)


def tracks(before: Course, after: Course, alt: str) -> str:
    """Frequency against time, each from its own mean."""

    def paint(figure: Figure) -> None:
        axes = _axes(figure, "time in each recording, s", "audio frequency from its mean, Hz")
        reach = 0.5
        for (time_s, hz, sigma_hz), first in ((before, True), (after, False)):
            away = hz - float(np.mean(hz))
            reach = max(reach, float(np.quantile(np.abs(away), 0.98)) + float(np.median(sigma_hz)))
            _line(axes, time_s, away, before=first)
        last = float(max(before[0][-1], after[0][-1]))
        axes.set(ylim=(-1.15 * reach, 1.45 * reach), xlim=(0.0, last))
        _key(axes)

    return _draw("overlay-track", alt, paint)


def edges(pairs: Sequence[tuple[Edge, Edge, str]], alt: str) -> str:
    """The average element's edges; each pair with its word (key down, key up)."""

    def paint(figure: Figure) -> None:
        for k, (before, after, word) in enumerate(pairs):
            axes = _axes(figure, "ms", f"amplitude, {word}")
            axes.set_position((0.09 + 0.48 * k, 0.16, 0.4, 0.72))
            top = 1.1
            for edge, first in ((before, True), (after, False)):
                _line(axes, 1e3 * edge.time_s, edge.amplitude, before=first)
                top = max(top, float(edge.amplitude.max()))
            axes.set(xlim=(-20.0, 20.0), ylim=(0.0, 1.3 * top))
            _key(axes, first=0.55)

    return _draw("overlay-edges", alt, paint)
