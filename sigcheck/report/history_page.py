"""The page of a history: how often something is wrong, what moves, the course of each quantity."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from sigcheck.judge.limits import limits_for
from sigcheck.quantities import quantity, show, show_number
from sigcheck.report.figures import Mark
from sigcheck.report.gauges import name_of
from sigcheck.report.html import Records
from sigcheck.report.pictures import Picture
from sigcheck.report.templates import environment
from sigcheck.report.words import VERDICTS, minus, percent

if TYPE_CHECKING:
    from sigcheck.history import Entry, History, Trend

# The rows of the picture: column of the history, path of the quantity, least height of the row.
_ROWS = (
    ("error_hz", "on_air.error_hz", 2.0),
    ("tone_hz", "signal.tone_hz", 2.0),
    ("rate_hz_per_min", "drift.rate_hz_per_min", 2.0),
    ("level_dbfs", "signal.level_dbfs", 4.0),
    ("cn0_dbhz", "signal.cn0_dbhz", 4.0),
    ("sinad_db", "purity.sinad_db", 4.0),
)
_PATHS = {column: path for column, path, _ in _ROWS}
_RANK = {"faulty": "fault", "usable": "note"}
_SHOWN_TEXT = 90  # characters of a note beside its place; the whole stands in the table


def render_history(history: History) -> str:
    """The whole page, self-contained."""
    entries = history.entries
    return environment().get_template("history.html.j2").render(
        title=f"History of {len(entries)} recordings",
        name=history.folder,
        when=_when(entries),
        head=headline(history),
        moved=list(moves(history)),
        faults=fault_counts(history),
        count=len(entries),
        pictures=_pictures(history),
        notes=[(k + 1, _start(e), text) for k, (e, text) in enumerate(_notes(entries))],
        records=_records(entries),
        skipped=history.skipped,
        undated=sum(e.start is None for e in entries),
    )  # fmt: skip


def history_card(history: History) -> str:
    """A few lines of HTML for a notebook."""
    return environment().get_template("history_card.html.j2").render(
        head=headline(history), moved=list(moves(history)), faults=fault_counts(history), count=len(history.entries),
        skipped=history.skipped,
    )  # fmt: skip


def headline(history: History) -> str:
    """The whole of it in one sentence."""
    entries, total = history.entries, len(history.entries)
    if not total:
        return "No results to read here."
    faulty = sum(e.verdict == "faulty" for e in entries)
    if not faulty:
        return f"No fault in {total} recording{'s' if total > 1 else ''}."
    text = f"Faulty in {faulty} of {total} recordings."
    if total == 1:
        text = "The one recording is faulty."
    (most, times), *_ = fault_counts(history)
    return f"{text} Most often: {most} ({times})."


def fault_counts(history: History) -> list[tuple[str, int]]:
    """Plain names of the faults and in how many recordings each was found, the commonest first."""
    return Counter(name_of(f) for e in history.entries for f in e.faults).most_common()


def moves(history: History) -> Iterator[tuple[str, str]]:
    """Each quantity that was measured often enough, and how it moves per day."""
    for column, path, _ in _ROWS:
        trend = history.trend(column)
        if trend is not None:
            yield _name(column), _told(path, trend)


def _name(column: str) -> str:
    return "frequency error" if column == "error_hz" else quantity(_PATHS[column]).label


def _heading(column: str) -> str:
    return f"{_name(column)}, {quantity(_PATHS[column]).display_unit}"


def _told(path: str, trend: Trend) -> str:
    unit = quantity(path).display_unit
    unit = "dB" if unit.startswith("dB") else unit  # a difference of levels has no reference
    if not trend.certain:
        return f"no trend: between {trend.low:+.2g} and {trend.high:+.2g} {unit} a day"
    word = "rises" if trend.per_day > 0 else "falls"
    ends = sorted((abs(trend.low), abs(trend.high)))
    return f"{word} by {abs(trend.per_day):.2g} {unit} a day (95 %: {ends[0]:.2g} to {ends[1]:.2g})"


def _pictures(history: History) -> list[Picture]:
    dated = sum(e.start is not None for e in history.entries) >= 2
    entries = [e for e in history.entries if e.start is not None] if dated else list(history.entries)
    if len(entries) < 2:
        return []
    from sigcheck.report.trends import Line, trends

    table = limits_for({})
    lines = []
    for column, _, least in _ROWS:
        values, sigmas = (
            np.array([np.nan if (v := part[column]) is None else v for part in parts], float)
            for parts in ([e.values for e in entries], [e.sigmas for e in entries])
        )
        if np.isfinite(values).sum() >= 2:
            lines.append(Line(_heading(column), values, sigmas, least=least))
    hum = np.array([np.nan if e.hum_dbc is None else e.hum_dbc for e in entries], float)
    if np.isfinite(hum).sum() >= 2:
        limit = table["hum-sidebands"]
        nothing = np.full(hum.size, np.nan)
        lines.append(Line("hum on the tone, dBc", hum, nothing, limit.note, limit.fault, least=10.0))
    if not lines:
        return []
    times = np.array([_day(e) if dated else k + 1.0 for k, e in enumerate(entries)], float)
    place = {id(e): t for e, t in zip(entries, times, strict=True)}
    marks = [
        Mark(float(place[id(e)]), f"{k + 1}") for k, (e, _) in enumerate(_notes(history.entries)) if id(e) in place
    ]
    states = [_RANK.get(e.verdict, "good") for e in entries]
    caption = "Squares: a fault was found then; diamonds: a note; discs: neither. Bars: 95 % interval."
    if marks:
        caption += " Dotted: your notes, by number."
    alt = f"Course over {len(entries)} recordings of {', '.join(line.title for line in lines)}."
    return [Picture("trends", "Course", minus(caption), trends(times, dated, lines, states, marks, alt))]


def _day(entry: Entry) -> float:
    assert entry.start is not None
    return entry.start.timestamp() / 86400.0


def _notes(entries: Sequence[Entry]) -> list[tuple[Entry, str]]:
    return [(e, text) for e in entries for text in e.notes]


def _start(entry: Entry) -> str:
    return "no start time" if entry.start is None else f"{entry.start:%Y-%m-%d %H:%M:%S} UTC"


def _when(entries: Sequence[Entry]) -> str:
    starts = [e.start for e in entries if e.start is not None]
    if not starts:
        return ""
    first, last = (f"{t:%Y-%m-%d}" for t in (min(starts), max(starts)))
    return first if first == last else f"{first} to {last}"


def _records(entries: Sequence[Entry]) -> Records:
    columns = [c for c, _, _ in _ROWS if any(e.values[c] is not None for e in entries)]
    headings = [_heading(c) for c in columns]
    rows = [
        [
            _start(e),
            e.recording,
            VERDICTS.get(e.verdict, e.verdict),
            *(show_number(_PATHS[c], e.values[c], e.sigmas[c]).replace("not measured", "–") for c in columns),
            "–" if e.hum_dbc is None else show("sidebands.level_dbc", e.hum_dbc),
            ", ".join(name_of(f) for f in e.faults) or "–",
            f"{e.cause} {percent(e.probability)}" if e.cause and e.probability is not None else "–",
            "; ".join(e.notes),
        ]
        for e in entries
    ]
    return Records(
        "Every recording",
        ["start", "recording", "verdict", *headings, "hum on the tone", "faults", "likely cause", "notes"],
        rows,
    )
