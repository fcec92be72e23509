"""The page: one self-contained HTML file from a saved result and its views."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

from sigcheck.quantities import quantity, show, show_number
from sigcheck.report import hearing, words
from sigcheck.report.gauges import gauges, limit_for_path, source_for_path, untested, value_cell
from sigcheck.report.settings import setting_lines
from sigcheck.report.templates import environment

if TYPE_CHECKING:
    from sigcheck.measure.views import Views

Result = Mapping[str, Any]

# Families of the result in the order of the tables, with what has to be said in place.
_SECTIONS = {
    "signal": ("The signal", "What a listener far away hears depends on the path, which this does not show."),
    "purity": ("Purity of the tone", "Key-down only. What lies outside the receiver's passband is not seen."),
    "lines": ("Lines", ""),
    "keying": ("Keying", "The edges are those of transmitter and passband together."),
    "drift": ("Frequency", "Of transmitter and receiver together: either may have moved."),
    "slot": ("Slot", ""),
    "on_air": ("On the air", ""),
    "copy": ("Copy", ""),
    "ticks": ("Time signals", ""),
    "noise": ("Noise", ""),
    "recording": ("The recording itself", ""),
}

_LONGEST_FACT = 48  # characters of the text; the whole of it stands in the table

# What an older result may not say of itself and of its recording.
_OLD: dict[str, Any] = {"symptoms": [], "notes": [], "version": "", "schema": ""}
_RECORDING: dict[str, Any] = dict.fromkeys(
    ("path", "sha256", "duration_s", "start_utc", "start_utc_sigma_s", "start_utc_source", "steps", "remarks")
)

# First in their family, whatever order the result has.
_FIRST = ("cn0_dbhz", "tone_hz")

# Said elsewhere on the page, or lists too long to read.
_ELSEWHERE = {
    "recording.path", "recording.sha256", "recording.start_utc", "recording.start_utc_sigma_s",
    "recording.start_utc_source", "recording.steps", "recording.remarks",
    "keying.character_confidence", "drift.fit_hz", "drift.track",
}  # fmt: skip

_RECORDS = {
    "sidebands": ("Sidebands of the tone", (
        "offset_hz", "level_dbc", "lower_dbc", "upper_dbc", "am_index", "pm_index_rad", "angle_share",
        "nature", "family",
    )),
    "spurs": ("Other lines", ("frequency_hz", "level_dbc", "when")),
    "others": ("Other signals in the passband", (
        "frequency_hz", "level_dbc", "keyed", "dips_with_ours", "same_lines", "drifts_with_ours",
    )),
    "purity.harmonics": ("Audio harmonics", ("order", "dbc", "after_filter")),
    "purity.skirt": ("Noise beside the tone", ("offset_hz", "dbc_hz", "am_dbc_hz", "pm_dbc_hz")),
    "drift.steps": ("Frequency jumps", ("time_s", "size_hz")),
    "drift.allan": ("Stability", ("tau_s", "adev_hz", "low_hz", "high_hz")),
    "recording.dropouts": ("Gaps", ("time_s", "length_s", "how")),
}  # fmt: skip


@dataclass(frozen=True)
class Row:
    """One quantity of a table."""

    label: str
    value: str
    spread: str
    unit: str
    limit: str
    source: str  # of the limit
    how: str
    is_text: bool


@dataclass(frozen=True)
class Table:
    """The quantities of one family."""

    title: str
    remark: str
    rows: Sequence[Row]


@dataclass(frozen=True)
class Records:
    """A list of lines, steps and the like: column headings and cells."""

    title: str
    headings: Sequence[str]
    rows: Sequence[Sequence[str]]


def render(result: Result, views: Views | None) -> str:
    """The whole page.

    Parameters
    ----------
    result : as `Result.to_dict` gives it, or read back from its JSON.
    views : the pictures' data; None makes a page without pictures that says so.
    """
    made: list[Any] = []
    missing: list[str] = []
    heard: list[Any] = []
    if views is not None:
        from sigcheck.report.pictures import pictures
        from sigcheck.report.sounds import clips

        made, missing = pictures(result, views)
        heard = clips(views.sound, faulty=bool(result.get("symptoms")))
    from sigcheck.report import turns

    head, lead = words.heading(result)
    recording = _RECORDING | dict(result.get("recording") or {})
    name = PurePath(str(recording.get("path") or "recording")).name
    return environment().get_template("page.html.j2").render(
        r=_OLD | dict(result) | {"recording": recording},
        head=head,
        lead=lead,
        title=f"{words.VERDICTS.get(result.get('verdict', ''), 'Not judged')}: {name}",
        name=name,
        facts=facts(result),
        causes=result.get("causes") or [],
        hearing=hearing,
        settings=setting_lines(result),
        turns=turns.turns(result),
        worse=turns.worse(result),
        turns_title=turns.TITLE,
        turns_shown=turns.SHOWN,
        accused=bool(words.accused(result)),
        companions=words.companions(result),
        also=[c for c in words.rest(result) if c["probability"] >= words.LIKELY][:2],
        gauges=gauges(result),
        untested=untested(result),
        pictures=made,
        clips=heard,
        without_pictures=views is None,
        missing=missing,
        tables=list(_tables(result)),
        records=list(_records(result)),
        unmeasured=_unmeasured(result),
        plan=list(_flat(result.get("plan") or {})),
        has_signal=(result.get("signal") or {}).get("kind") not in (None, "none"),
    )  # fmt: skip


def card(result: Result) -> str:
    """A few lines of HTML for a notebook: verdict, what is wrong, likely causes, the experiment."""
    head, lead = words.heading(result)
    template = environment().get_template("card.html.j2")
    return template.render(
        r=result, head=head, lead=lead, accused=bool(words.accused(result)), causes=result.get("causes") or []
    )


def facts(result: Result) -> list[str]:
    """The signal in a few words, carrier to noise density first."""
    signal, keying = result.get("signal") or {}, result.get("keying") or {}
    if signal.get("kind") in (None, "none"):
        return [f"{show('recording.duration_s', (result.get('recording') or {}).get('duration_s'))} of audio"]
    out = []
    if signal.get("cn0_dbhz") is not None:
        out.append(f"carrier to noise density {show('signal.cn0_dbhz', signal['cn0_dbhz'])}")
    kind = words.KINDS.get(signal["kind"], str(signal["kind"]))
    if signal.get("tone_hz") is not None:
        kind += f" at {show('signal.tone_hz', signal['tone_hz'], signal.get('tone_hz_sigma'))}"
    out.append(kind)
    if keying.get("wpm") is not None:
        out.append(show("keying.wpm", keying["wpm"]))
    if keying.get("text"):
        text = str(keying["text"])
        out.append(f"“{text if len(text) <= _LONGEST_FACT else text[: _LONGEST_FACT - 1] + '…'}”")
    return out


def _tables(result: Result) -> Iterator[Table]:
    for family, (title, remark) in _SECTIONS.items():
        values = result.get(family) or {}
        names = sorted(values, key=lambda n: _FIRST.index(n) if n in _FIRST else len(_FIRST))
        rows = [_row(result, family, name) for name in names if _is_shown(family, name, values[name])]
        if rows:
            yield Table(title, remark, rows)


def _is_shown(family: str, name: str, value: Any) -> bool:
    path = f"{family}.{name}"
    if value is None or name.endswith("_sigma") or path in _ELSEWHERE:
        return False
    # Lists of records have tables of their own; an empty list says nothing.
    return not isinstance(value, list | tuple) or bool(value and not isinstance(value[0], Mapping))


def _row(result: Result, family: str, name: str) -> Row:
    path = f"{family}.{name}"
    values = result[family]
    value, spread, unit = value_cell(path, values[name], values.get(f"{name}_sigma"))
    row = quantity(path)
    limit = limit_for_path(path, result)
    is_text = isinstance(values[name], str | bool) or (isinstance(values[name], list | tuple) and len(values[name]) > 4)
    source = source_for_path(path, result) if limit else ""
    return Row(row.label, value, spread, unit, limit, source, row.how, is_text)


def _records(result: Result) -> Iterator[Records]:
    for place, (title, columns) in _RECORDS.items():
        family, _, name = place.partition(".")
        entries = result.get(family) or ()
        if name:
            entries = (entries or {}).get(name) or ()
        if not entries:
            continue
        rows = [
            [show_number(f"{place}.{c}", e.get(c), e.get(f"{c}_sigma")).replace("not measured", "–") for c in columns]
            for e in entries
        ]
        yield Records(title, [_heading(f"{place}.{c}") for c in columns], rows)


def _heading(path: str) -> str:
    row = quantity(path)
    return f"{row.label}, {row.display_unit}" if row.display_unit else row.label


def _unmeasured(result: Result) -> list[tuple[str, list[str]]]:
    """What was not measured, gathered by reason."""
    reasons: dict[str, list[str]] = {}
    for path, why in (result.get("not_measured") or {}).items():
        if not path.startswith("symptoms.") and not path.endswith("_sigma") and isinstance(why, str):
            reasons.setdefault(why, []).append(quantity(path).label)
    return [(why, list(dict.fromkeys(labels))) for why, labels in reasons.items()]


def _flat(value: Any, path: str = "") -> Iterator[tuple[str, str]]:
    """A plan as lines of name and value."""
    if isinstance(value, Mapping):
        for key, inner in value.items():
            yield from _flat(inner, f"{path}.{key}" if path else str(key))
    elif isinstance(value, list | tuple) and value and isinstance(value[0], Mapping):
        for k, inner in enumerate(value):
            yield from _flat(inner, path if len(value) == 1 else f"{path} {k + 1}")
    else:
        yield path, value if isinstance(value, str) else json.dumps(value, default=str)
