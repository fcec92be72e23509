"""The page of a comparison: verdict, what changed, which cause is left, both signals overlaid."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from sigcheck.judge.limits import limits_for
from sigcheck.quantities import show
from sigcheck.report import compare_words as told
from sigcheck.report.pictures import Picture
from sigcheck.report.templates import environment
from sigcheck.report.words import minus

if TYPE_CHECKING:
    from sigcheck.comparison import Comparison
    from sigcheck.measure.views import Views
    from sigcheck.report.overlays import Course
    from sigcheck.report.sounds import Clip
    from sigcheck.saved import SavedResult

Views2 = tuple["Views | None", "Views | None"]


def render_comparison(comparison: Comparison) -> str:
    """The whole page, self-contained."""
    c = comparison.to_dict()
    made, missing = _pictures(comparison)
    names = [told.name_of(c[side]) for side in ("before", "after")]
    causes = told.accused(c)
    return environment().get_template("compare.html.j2").render(
        c=c,
        told=told,
        title=f"{told.VERDICTS[c['verdict']]}: {names[0]} and {names[1]}",
        name=f"{names[0]} → {names[1]}",
        causes=causes,
        same=[x for x in causes[1:] if causes and x["id"] in causes[0]["same_as"]],
        called=told.told_rows(c),
        unchanged=told.same_rows(c),
        conditions=list(told.conditions(c)),
        pictures=made,
        clips=_clips(comparison),
        missing=missing,
    )  # fmt: skip


def comparison_card(c: Mapping[str, Any]) -> str:
    """A few lines of HTML for a notebook; ``c`` as `Comparison.to_dict` gives it."""
    template = environment().get_template("compare_card.html.j2")
    return template.render(c=c, told=told, called=told.told_rows(c)[:6], causes=told.accused(c)[:3])


def _pictures(comparison: Comparison) -> tuple[list[Picture], list[str]]:
    """The overlays that can be drawn, and what the others lack."""
    views = comparison.views()
    made: list[Picture] = []
    missing: list[str] = []
    for title, drawn in (
        ("Beside the tone", _beside(comparison, views)),
        ("Average element", _edges(views)),
        ("Frequency against time", _tracks(comparison)),
    ):
        if isinstance(drawn, str):
            missing.append(f"{title}: {drawn}")
        else:
            made.append(Picture(drawn[0], title, minus(drawn[1]), drawn[2]))
    return made, missing


def _clips(comparison: Comparison) -> list[Clip]:
    """Before and after for the ear, where both recordings are at hand."""
    before, after = comparison.views()
    if before is None or after is None:
        return []
    from sigcheck.report.sounds import clips_of_two

    return clips_of_two(before.sound, after.sound)


Drawn = tuple[str, str, str] | str
"""Name, caption and SVG; or why there is none."""


def _lacking(views: Views2) -> str | None:
    absent = [word for view, word in zip(views, ("first", "second"), strict=True) if view is None]
    if not absent:
        return None
    return f"the pictures' data of the {' and the '.join(absent)} were not given (they stand beside a report's JSON)"


def _beside(comparison: Comparison, views: Views2) -> Drawn:
    from sigcheck.report import overlays

    if views[0] is None or views[1] is None:
        return str(_lacking(views))
    if views[0].beside is None or views[1].beside is None:
        return "one of the recordings does not allow it"
    limit = limits_for(comparison.before.plan.limits)["hum-sidebands"]
    caption = "Both spectra with the tone itself taken out, key-down only, in dB from each one's own tone."
    svg = overlays.beside(
        views[0].beside, views[1].beside, "Spectra beside the tone, before and after.",
        note=limit.note, fault=limit.fault,
    )  # fmt: skip
    return "overlay-beside", caption, svg


def _edges(views: Views2) -> Drawn:
    from sigcheck.report import overlays

    if views[0] is None or views[1] is None:
        return str(_lacking(views))
    pairs = []
    for name, word in (("on_edge", "key down"), ("off_edge", "key up")):
        one, two = getattr(views[0], name), getattr(views[1], name)
        if one is not None and two is not None:
            pairs.append((one, two, word))
    if not pairs:
        return "at least one of the signals is not keyed, or its elements are too short"
    caption = "All elements of each recording laid over each other at half amplitude."
    return "overlay-edges", caption, overlays.edges(pairs, "Average edges of the keying, before and after.")


def _tracks(comparison: Comparison) -> Drawn:
    from sigcheck.report import overlays

    before, after = (_course(side) for side in (comparison.before, comparison.after))
    if before is None or after is None:
        return "at least one of the recordings has no course of its frequency"
    rates = [
        show("drift.rate_hz_per_min", s.measurements.drift.rate_hz_per_min, s.measurements.drift.rate_hz_per_min_sigma)
        for s in (comparison.before, comparison.after)
    ]
    caption = f"Drift {rates[0]} before, {rates[1]} after."
    return "overlay-track", caption, overlays.tracks(before, after, f"Frequency against time. {caption}")


def _course(side: SavedResult) -> Course | None:
    points = side.measurements.drift.track
    if len(points) < 3:
        return None
    time_s, hz, sigma_hz = (np.array([getattr(p, k) for p in points]) for k in ("time_s", "hz", "hz_sigma"))
    return time_s, hz, sigma_hz
