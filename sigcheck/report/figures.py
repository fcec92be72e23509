"""The figures of a report as SVG text.

Each function takes arrays and ready-made labels, draws one message, and returns one ``<svg>``
element to stand inside a page. Text stays text. Colours are the page's CSS variables (with a
fallback each, so that a figure taken out of the page still shows), which lets one figure serve a
light and a dark page and paper. Curves differ by weight or dash as well as by colour, and are
labelled where they run instead of in a legend.

Matplotlib's object interface is used alone: no pyplot, no current figure. The few settings that
can only be given as defaults are set for the length of one drawing and restored.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.symbol_view import SymbolView, ToneView
from sigcheck.measure.views import AudioSpectrum, Beside, Edge, Level, Spectrogram, Stretch

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Real = NDArray[np.floating[Any]]

WIDTH_IN = 5.6
HEIGHT_IN = 3.1
_MINUS = "\N{MINUS SIGN}"

# Stand-ins that Matplotlib can carry, and what they become in the page.
INK, MUTED, HAIR, CURVE, SECOND, BAND, NOTE, FAULT = (f"#0{k}0{k}0{k + 1}" for k in range(1, 9))
_CSS = {
    INK: "var(--ink, #1b2126)",
    MUTED: "var(--muted, #66707a)",
    HAIR: "var(--hair, #d5dade)",
    CURVE: "var(--curve, #14597d)",
    SECOND: "var(--second, #a4511c)",
    BAND: "var(--band, #bcd3df)",
    NOTE: "var(--note, #8a6a12)",
    FAULT: "var(--fault, #a3262a)",
}

# Paper to ink by way of sage and teal: CIE lightness falls evenly from 97 to 12, so it reads the
# same in grey, and hue only helps. (Computed in CIE L*a*b*, D65, then rounded to sRGB.)
_PAPER_TO_INK = (
    "#faf8f2", "#d0dec8", "#96c6b6", "#6aaaa9", "#448d9a", "#2a7089", "#1d5275", "#133558", "#0a1f40",
)  # fmt: skip
_COLOUR_STEPS = 32  # two decibels of a 60 dB range; the eye tells no more, and the picture stays small

_SETTINGS: dict[str, Any] = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.size": 10.0,
    "text.parse_math": False,
    "axes.unicode_minus": True,
    "axes.edgecolor": MUTED,
    "axes.labelcolor": MUTED,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "axes.facecolor": "none",
    "figure.facecolor": "none",
    "savefig.facecolor": "none",
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelsize": 9.5,
    "ytick.labelsize": 9.5,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.major.size": 3.0,
    "ytick.major.size": 3.0,
    "text.color": INK,
    "lines.linewidth": 1.1,
    "path.simplify_threshold": 0.3,
}


@dataclass(frozen=True)
class Mark:
    """A place to name in a figure: ``x`` on the axis of time or frequency, ``y`` where it has one."""

    x: float
    label: str
    y: float | None = None


# --- the drawing frame ---------------------------------------------------------------------------


def _draw(name: str, alt: str, paint: Callable[[Figure], None], *, height_in: float = HEIGHT_IN) -> str:
    """Run ``paint`` on an empty figure and return it as an inline SVG element."""
    import matplotlib
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    settings: Any = _SETTINGS | {"svg.hashsalt": name}
    with matplotlib.rc_context(settings):
        figure = Figure(figsize=(WIDTH_IN, height_in))
        FigureCanvasSVG(figure)
        paint(figure)
        out = io.StringIO()
        figure.savefig(out, format="svg", metadata=dict.fromkeys(("Creator", "Date", "Format", "Type")))
    return _inline(out.getvalue(), name, alt)


def _inline(svg: str, name: str, alt: str) -> str:
    """The ``<svg>`` element alone, its ids made unique in the page, its colours the page's."""
    from markupsafe import escape

    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', svg)
    svg = re.sub(r'(href="#|url\(#)', rf"\1{name}-", svg)
    svg = re.sub(r"font: ([\d.]+px) [^;\"]*", r"font: \1 var(--sans, sans-serif)", svg)
    for stand_in, colour in _CSS.items():
        svg = svg.replace(stand_in, colour)
    svg = re.sub(r'<svg ([^>]*?)width="[^"]*" ?', r"<svg \1", svg, count=1)
    svg = re.sub(r'<svg ([^>]*?)height="[^"]*" ?', r"<svg \1", svg, count=1)
    return svg.replace("<svg ", f'<svg role="img" aria-label="{escape(alt)}" ', 1).strip()


def _axes(figure: Figure, x_label: str, y_label: str, *, right: float = 0.965, left: float = 0.115) -> Axes:
    """One pair of axes: the upright label stands level above its axis, where it can be read."""
    inch = 1.0 / figure.get_figheight()
    axes = figure.add_axes((left, 0.5 * inch, right - left, 1.0 - 0.87 * inch))
    axes.set_xlabel(x_label, loc="right", labelpad=3)
    _heading(axes, y_label)
    axes.yaxis.grid(True, color=HAIR, linewidth=0.5)
    return axes


def _heading(axes: Axes, text: str) -> None:
    axes.annotate(text, (0.0, 1.0), (0, 9), xycoords="axes fraction", textcoords="offset points", color=MUTED)


def _word(axes: Axes, text: str, colour: str = INK) -> None:
    """What the picture shows, in its upper right corner."""
    axes.text(0.985, 0.95, text, transform=axes.transAxes, ha="right", va="top", fontsize=11, color=colour)


def _limits(axes: Axes, note: float | None, fault: float | None) -> None:
    """Where a note and a fault begin, named at the right end of each line."""
    for value, word, colour, dashes in ((note, "note", NOTE, (2, 2)), (fault, "fault", FAULT, (5, 2))):
        if value is not None:
            axes.axhline(value, color=colour, linewidth=0.8, dashes=dashes)
            axes.annotate(word, (1.0, value), (3, 0), xycoords=("axes fraction", "data"),
                          textcoords="offset points", va="center", color=colour, fontsize=9.5)  # fmt: skip


def _apart(marks: Sequence[Mark], gap: float, most: int) -> list[Mark]:
    """The first marks, in the order given, that stand at least ``gap`` from those kept before."""
    kept: list[Mark] = []
    for mark in marks:
        if len(kept) < most and all(abs(mark.x - k.x) >= gap for k in kept):
            kept.append(mark)
    return kept


def _robust_floor(db: Real, step: float = 10.0) -> float:
    """A round level just under nearly all of a curve."""
    return float(step * np.floor((np.quantile(db, 0.03) - 3.0) / step))


# --- the figures ---------------------------------------------------------------------------------


def spectrogram(view: Spectrogram, alt: str, *, lines: Sequence[Mark] = (), events: Sequence[Mark] = ()) -> str:
    """Level against time and audio frequency; ``lines`` named at the right, ``events`` along the top."""

    def paint(figure: Figure) -> None:
        from matplotlib.colors import LinearSegmentedColormap

        axes = _axes(figure, "time, s", "audio frequency, Hz", right=0.815)
        axes.yaxis.grid(False)
        db = view.db.astype(np.float32)
        top = round(float(np.quantile(db, 0.9995)))
        bottom = min(max(round(float(np.quantile(db, 0.4))), top - 70), top - 6)
        colours = LinearSegmentedColormap.from_list("paper", _PAPER_TO_INK, N=_COLOUR_STEPS)
        axes.imshow(
            db.T, origin="lower", aspect="auto", cmap=colours, vmin=bottom, vmax=top,
            interpolation="none", extent=(*_outer(view.time_s), *_outer(view.hz)),
        )  # fmt: skip
        span = float(view.hz[-1] - view.hz[0])
        for mark in _apart(lines, span / 14, 7):
            if view.hz[0] <= mark.x <= view.hz[-1]:
                axes.annotate(mark.label, (1.0, mark.x), (12, 0), xycoords=("axes fraction", "data"),
                              textcoords="offset points", va="center", fontsize=9.5,
                              arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.7})  # fmt: skip
        for mark in _apart(events, float(np.ptp(view.time_s)) / 7, 6):
            axes.annotate(mark.label, (mark.x, 1.0), (0, 7), xycoords=("data", "axes fraction"), ha="center",
                          textcoords="offset points", fontsize=9.5, color=FAULT,
                          arrowprops={"arrowstyle": "-", "color": FAULT, "linewidth": 0.8})  # fmt: skip
        unit = "dB from the tone" if bool(view.relative_to_tone) else "dBFS"
        _colour_key(figure, colours, f"{bottom}", f"{top} {unit}")

    return _draw("spectrogram", alt, paint)


def _outer(centres: Real) -> tuple[float, float]:
    """Outer edges of evenly spaced cells."""
    half = 0.5 * float(centres[1] - centres[0]) if centres.size > 1 else 0.5
    return float(centres[0]) - half, float(centres[-1]) + half


def _colour_key(figure: Figure, colours: Any, low: str, high: str) -> None:
    """The range of levels from paper to ink, in the corner below the picture."""
    key = figure.add_axes((0.125, 0.024, 0.09, 0.03), frameon=False)
    steps = np.linspace(0.0, 1.0, _COLOUR_STEPS)[None, :]
    key.imshow(steps, cmap=colours, aspect="auto", interpolation="none")
    key.set(xticks=[], yticks=[])
    for x, text, side in ((-0.05, low, "right"), (1.05, high, "left")):
        key.text(x, 0.5, text.replace("-", _MINUS), transform=key.transAxes, ha=side, va="center",
                 fontsize=9.5, color=MUTED)  # fmt: skip


def beside(
    view: Beside,
    alt: str,
    *,
    named: Sequence[Mark] = (),
    note: float | None = None,
    fault: float | None = None,
) -> str:
    """Level beside the tone; the tone itself a line up to 0 dBc; ``named`` lines with their level ``y``."""

    def paint(figure: Figure) -> None:
        axes = _axes(figure, "offset from the tone, Hz", "level, dBc", right=0.925)
        floor = min(_robust_floor(view.dbc), -60.0)
        axes.fill_between(view.offset_hz, view.dbc, floor, where=view.offset_hz < 0, color=BAND, linewidth=0)
        axes.fill_between(view.offset_hz, view.dbc, floor, where=view.offset_hz > 0, color=BAND, linewidth=0)
        for side in (view.offset_hz < 0, view.offset_hz > 0):
            axes.plot(view.offset_hz[side], view.dbc[side], color=CURVE, linewidth=0.8)
        axes.plot([0, 0], [floor, 0], color=INK, linewidth=1.6)
        axes.annotate("tone", (0, 0), (0, 3), textcoords="offset points", ha="center", color=INK)
        _limits(axes, note, fault)
        for mark in _apart(named, 55.0, 10):
            if mark.y is not None and view.offset_hz[0] + 30.0 < mark.x < view.offset_hz[-1] - 30.0:
                axes.annotate(mark.label, (mark.x, mark.y), (0, 3), textcoords="offset points", ha="center",
                              fontsize=9.5)  # fmt: skip
        axes.set_ylim(floor, 6.0)
        axes.set_xlim(view.offset_hz[0], view.offset_hz[-1])

    return _draw("beside", alt, paint)


def modulation(view: Beside, alt: str, *, named: Sequence[Mark] = ()) -> str:
    """Amplitude modulation above, angle modulation below, on one scale of levels."""

    def paint(figure: Figure) -> None:
        low = min(_robust_floor(view.am_dbc), _robust_floor(view.pm_dbc))
        high = float(max(view.am_dbc.max(), view.pm_dbc.max(), low + 30.0)) + 9.0
        reach = float(min(view.side_hz[-1], max([420.0] + [1.2 * m.x for m in named])))
        rows = (("amplitude", view.am_dbc, 0.565, CURVE), ("angle", view.pm_dbc, 0.15, SECOND))
        for word, db, bottom, colour in rows:
            axes = figure.add_axes((0.115, bottom, 0.85, 0.315))
            axes.fill_between(view.side_hz, db, low, color=BAND, linewidth=0)
            axes.plot(view.side_hz, db, color=colour, linewidth=0.9)
            axes.yaxis.grid(True, color=HAIR, linewidth=0.5)
            _word(axes, word, colour)
            axes.set(xlim=(0.0, reach), ylim=(low, high))
            for mark in _apart(named, reach / 12, 6):
                near = np.abs(view.side_hz - mark.x) < 3.0
                if near.any() and float(db[near].max()) > low + 12.0:
                    axes.annotate(mark.label, (mark.x, float(db[near].max())), (0, 2),
                                  textcoords="offset points", ha="center", fontsize=9.5)  # fmt: skip
            if word == "amplitude":
                axes.tick_params(labelbottom=False)
                _heading(axes, "level on each side, dBc")
            else:
                axes.set_xlabel("offset from the tone, Hz", loc="right", labelpad=3)

    return _draw("modulation", alt, paint)


def edges(on: Edge | None, off: Edge | None, alt: str, *, rise: str, fall: str) -> str:
    """The average rise and fall side by side with their 10 and 90 % marks."""

    def paint(figure: Figure) -> None:
        for left, edge, word, text in ((0.09, on, "key down", rise), (0.57, off, "key up", fall)):
            axes = figure.add_axes((left, 0.16, 0.4, 0.72))
            axes.yaxis.grid(True, color=HAIR, linewidth=0.5)
            axes.set(ylim=(0.0, 1.25), yticks=[0.0, 0.5, 1.0])
            axes.set_xlabel("ms", loc="right", labelpad=3)
            _heading(axes, f"amplitude, {word}")
            if edge is None:
                axes.text(0.5, 0.5, "not measured", transform=axes.transAxes, ha="center", color=MUTED)
                axes.set(xticks=[])
                continue
            ms = 1e3 * edge.time_s
            # The edge itself in the middle, wide enough to see what it settles to.
            met = edge.ten_ninety_s.size > 0
            reach = max(4e3 * float(np.ptp(edge.ten_ninety_s)), 12.0) if met else 20.0
            shown = (ms > -reach) & (ms < reach)
            axes.plot(ms[shown], edge.amplitude[shown], color=CURVE, linewidth=1.5)
            axes.set_xlim(max(-reach, float(ms[0])), min(reach, float(ms[-1])))
            axes.set_ylim(0.0, 1.2 * max(1.1, float(edge.amplitude[shown].max())))
            if met:
                ends = 1e3 * np.sort(edge.ten_ninety_s)
                levels = [0.1, 0.9] if word == "key down" else [0.9, 0.1]
                axes.plot(ends, levels, "o", color=INK, markersize=3.5)
                axes.vlines(ends, 0, levels, color=INK, linewidth=0.7)
            _word(axes, text)

    return _draw("edges", alt, paint)


def chirp(on: Edge, alt: str, *, chirp_hz: float, label: str) -> str:
    """Frequency of the average element as the key goes down."""

    def paint(figure: Figure) -> None:
        axes = _axes(figure, "time after half amplitude, ms", "frequency from the settled one, Hz")
        known = np.isfinite(on.frequency_hz)
        ms, hz = 1e3 * on.time_s[known], on.frequency_hz[known]
        axes.axhline(0.0, color=MUTED, linewidth=0.8)
        axes.plot(ms, hz, color=CURVE, linewidth=1.5)
        # The first instant, half noise, may swing out of the picture; the chirp itself may not.
        reach = max(2.0, 1.15 * float(np.quantile(np.abs(hz), 0.96)), 1.3 * abs(chirp_hz))
        axes.set(ylim=(-reach, reach), xlim=(min(0.0, float(ms[0])), float(ms[-1])))
        _word(axes, label)

    return _draw("chirp", alt, paint)


def elements(view: Stretch, alt: str) -> str:
    """Amplitude of some typical elements."""

    def paint(figure: Figure) -> None:
        axes = _axes(figure, "time in the recording, s", "amplitude, key-down = 1")
        axes.fill_between(view.time_s, view.amplitude, 0.0, color=BAND, linewidth=0)
        axes.plot(view.time_s, view.amplitude, color=CURVE, linewidth=0.9)
        top = max(1.2, 1.05 * float(view.amplitude.max()))
        axes.set(xlim=(view.time_s[0], view.time_s[-1]), ylim=(0.0, top))
        if top < 2.0:
            axes.set_yticks([0.0, 0.5, 1.0])

    return _draw("elements", alt, paint, height_in=0.7 * HEIGHT_IN)


def track(
    time_s: Real,
    hz: Real,
    sigma_hz: Real,
    fit_hz: Real,
    alt: str,
    *,
    label: str,
    steps: Sequence[Mark] = (),
) -> str:
    """Frequency against time with its 95 % interval, and the fitted course."""

    def paint(figure: Figure) -> None:
        axes = _axes(figure, "time in the recording, s", "audio frequency, Hz")
        axes.fill_between(time_s, hz - 1.96 * sigma_hz, hz + 1.96 * sigma_hz, color=BAND, linewidth=0)
        axes.plot(time_s, hz, ".", color=CURVE, markersize=2.6)
        if fit_hz.size == time_s.size:
            axes.plot(time_s, fit_hz, color=SECOND, linewidth=1.5)
        middle, spread = float(np.median(hz)), float(np.ptp(hz))
        # A steady tone must look steady: never less than a hertz of height.
        low, high = float((hz - 2 * sigma_hz).min()), float((hz + 2 * sigma_hz).max())
        half = max(0.5, 0.55 * (high - low)) if spread > 0 else 0.5
        centre = 0.5 * (low + high) if spread > 0 else middle
        axes.set(ylim=(centre - half, centre + 1.25 * half), xlim=(time_s[0], time_s[-1]))
        axes.ticklabel_format(useOffset=False)
        for mark in _apart(steps, float(np.ptp(time_s)) / 8, 8):
            axes.axvline(mark.x, color=FAULT, linewidth=0.8, dashes=(3, 2))
            axes.annotate(mark.label, (mark.x, 1.0), (3, -2), xycoords=("data", "axes fraction"), va="top",
                          textcoords="offset points", fontsize=9.5, color=FAULT)  # fmt: skip
        if not steps:
            _word(axes, label)

    return _draw("track", alt, paint)


def skirt(
    offset_hz: Real,
    dbc_hz: Real,
    additive_dbc_hz: float,
    alt: str,
    *,
    parts: Sequence[tuple[float, float | None, float | None]] = (),
) -> str:
    """Noise density beside the tone; ``parts`` are (offset, amplitude part, angle part) in dBc/Hz."""

    def paint(figure: Figure) -> None:
        axes = _axes(figure, "offset from the tone, Hz", "noise density, dBc/Hz", right=0.79)
        axes.set_xscale("log")
        axes.axhline(additive_dbc_hz, color=MUTED, linewidth=0.9, dashes=(4, 2))
        axes.plot(offset_hz, dbc_hz, color=CURVE, linewidth=1.5)
        labels = [(float(dbc_hz[-1]), "together", CURVE), (additive_dbc_hz, "added noise", MUTED)]
        every = [dbc_hz, np.array([additive_dbc_hz])]
        for column, word, shape, filled in ((1, "amplitude", "s", "none"), (2, "angle", "^", "full")):
            known = [(p[0], p[column]) for p in parts if p[column] is not None]
            if known:
                x, y = (np.array(v, float) for v in zip(*known, strict=True))
                axes.plot(x, y, shape, color=SECOND, markersize=4, fillstyle=filled)
                labels.append((float(y[-1]), word, SECOND))
                every.append(y)
        values = np.concatenate(every)
        low, high = float(values.min()) - 4.0, float(values.max()) + 6.0
        axes.set(ylim=(low, max(high, low + 20.0)), xlim=(0.9 * offset_hz[0], 1.1 * offset_hz[-1]))
        _plain_decades(axes.xaxis)
        _stacked(axes, labels)

    return _draw("skirt", alt, paint)


def _stacked(axes: Axes, labels: list[tuple[float, str, str]]) -> None:
    """Labels at the right end at their curves' heights, pushed apart where they would overlap."""
    low, high = axes.get_ylim()
    gap = 0.085 * (high - low)
    at = -np.inf
    for value, text, colour in sorted(labels):
        at = max(value, at + gap)
        axes.annotate(text, (1.0, at), (5, 0), xycoords=("axes fraction", "data"), textcoords="offset points",
                      va="center", color=colour, fontsize=9.5)  # fmt: skip


def _plain_decades(axis: Any) -> None:
    """Ticks at 1, 2 and 5 of each decade, written as plain numbers."""
    from matplotlib.ticker import LogLocator, NullLocator

    axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    axis.set_major_formatter(lambda v, _: f"{v:g}")
    axis.set_minor_locator(NullLocator())


def audio(view: AudioSpectrum, alt: str, *, named: Sequence[Mark] = ()) -> str:
    """The whole audio spectrum with the key down and with the key up."""

    def paint(figure: Figure) -> None:
        axes = _axes(figure, "audio frequency, Hz", "level, dBc", right=0.86)
        # Outside the receiver's passband there may be next to nothing: keep to 90 dB.
        floor = max(min(_robust_floor(view.down_dbc), -60.0), -90.0)
        labels = [(float(np.clip(np.median(view.down_dbc[-9:]), floor, 0)), "key down", CURVE)]
        axes.plot(view.hz, np.maximum(view.down_dbc, floor), color=CURVE, linewidth=1.1)
        if view.up_dbc.size:
            axes.plot(view.hz, np.maximum(view.up_dbc, floor), color=SECOND, linewidth=0.9, dashes=(3, 1.2))
            labels.append((float(np.clip(np.median(view.up_dbc[-9:]), floor, 0)), "key up", SECOND))
        axes.set(ylim=(floor, 9.0), xlim=(0.0, view.hz[-1]))
        _stacked(axes, labels)
        for mark in _apart(named, float(view.hz[-1]) / 11, 9):
            if 0.0 < mark.x < view.hz[-1]:
                near = np.abs(view.hz - mark.x) <= 2.0 * float(view.resolution_hz)
                level = float(view.down_dbc[near].max())
                if view.up_dbc.size:
                    level = max(level, float(view.up_dbc[near].max()))
                axes.annotate(mark.label, (mark.x, max(level, floor)), (0, 3), textcoords="offset points",
                              ha="center", fontsize=9.5)  # fmt: skip

    return _draw("audio", alt, paint)


def level(view: Level, alt: str) -> str:
    """Key-down level against time."""

    def paint(figure: Figure) -> None:
        axes = _axes(figure, "time in the recording, s", "key-down level from its median, dB")
        axes.plot(view.time_s, view.db, color=CURVE, linewidth=1.1)
        reach = max(3.0, 1.2 * float(np.abs(view.db).max()))
        axes.set(ylim=(-reach, reach), xlim=(view.time_s[0], view.time_s[-1]))

    return _draw("level", alt, paint, height_in=0.7 * HEIGHT_IN)


def symbols(view: SymbolView, alt: str) -> str:
    """Where each symbol of a four-tone slot lies, with the four tones as they move."""

    def paint(figure: Figure) -> None:
        axes = _axes(figure, "time in the recording, s", "audio frequency, Hz", right=0.93)
        spacing, half = float(view.spacing_hz), 0.5 * float(view.symbol_s)
        for k in range(4):
            line = view.middle_hz + (k - 1.5) * spacing
            axes.plot(view.time_s, line, color=HAIR, linewidth=0.9, zorder=1)
            axes.annotate(f"{k}", (1.0, float(line[-1])), (5, 0), xycoords=("axes fraction", "data"), va="center",
                          textcoords="offset points", color=MUTED, fontsize=9.5)  # fmt: skip
        wanted = view.middle_hz + (view.tone - 1.5) * spacing
        there = np.abs(view.hz - wanted) < 0.5 * spacing
        axes.hlines(view.hz[there], view.time_s[there] - half, view.time_s[there] + half, color=CURVE, linewidth=2.2)
        axes.plot(view.time_s[~there], view.hz[~there], "s", color=FAULT, markersize=3.2, fillstyle="none")
        axes.ticklabel_format(useOffset=False)
        axes.set_xlim(view.time_s[0] - 2 * half, view.time_s[-1] + 2 * half)

    return _draw("symbols", alt, paint)


def tones(view: ToneView, alt: str) -> str:
    """The elements of shifted keying on their two tones, which may drift."""

    def paint(figure: Figure) -> None:
        axes = _axes(figure, "time in the recording, s", "audio frequency, Hz", right=0.93)
        for name, line in (("low", view.low_hz), ("high", view.high_hz)):
            axes.plot(view.middle_s, line, color=HAIR, linewidth=0.9, zorder=1)
            axes.annotate(name, (1.0, float(line[-1])), (5, 0), xycoords=("axes fraction", "data"), va="center",
                          textcoords="offset points", color=MUTED, fontsize=9.5)  # fmt: skip
        there = view.on_tone
        axes.hlines(view.hz[there], view.on_s[there], view.off_s[there], color=CURVE, linewidth=2.6)
        axes.plot(view.middle_s[~there], view.hz[~there], "s", color=FAULT, markersize=3.2, fillstyle="none")
        axes.ticklabel_format(useOffset=False)
        room = 0.02 * float(view.off_s[-1] - view.on_s[0])
        axes.set_xlim(view.on_s[0] - room, view.off_s[-1] + room)
        margin = 0.8 * float((view.high_hz - view.low_hz).max())
        axes.set_ylim(float(view.low_hz.min()) - margin, float(view.high_hz.max()) + margin)

    return _draw("tones", alt, paint)


def stability(tau_s: Real, adev_hz: Real, alt: str, *, low_hz: Real | None = None, high_hz: Real | None = None) -> str:
    """Allan deviation of the tone against averaging time, both logarithmic."""

    def paint(figure: Figure) -> None:
        axes = _axes(figure, "averaging time, s", "Allan deviation, Hz", left=0.14)
        axes.set(xscale="log", yscale="log")
        if low_hz is not None and high_hz is not None:
            axes.vlines(tau_s, low_hz, high_hz, color=CURVE, linewidth=0.9)
        axes.plot(tau_s, adev_hz, "o-", color=CURVE, markersize=3.5, linewidth=1.0)
        _plain_decades(axes.xaxis)
        _plain_decades(axes.yaxis)

    return _draw("stability", alt, paint)
