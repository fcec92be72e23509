"""The strip of measured quantities against their limits.

A gauge shows one quantity on a scale of three zones: good, note, fault. The zones have the same
width for every quantity, whatever its limits are, so that the eye compares at once; within them
the scale is linear for decibels and logarithmic for everything else. State is told by position, by
the marker's shape and by the word, never by colour alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from sigcheck.judge.limits import Limit, limits_for
from sigcheck.judge.tables import NAMES
from sigcheck.quantities import quantity, show, show_number

State = Literal["good", "note", "fault"]

NOTE_AT, FAULT_AT = 0.56, 0.78  # where the zones of note and fault begin, as shares of the width
_Z95 = 1.96

Reading = tuple[float | None, float | None, float | None]
"""Value, its sigma, and the level that noise would have hidden where nothing was found."""


@dataclass(frozen=True)
class Gauge:
    """One row of the strip. Positions are shares of the width, 0..1."""

    id: str
    label: str
    state: State
    value: str
    limits: str
    source: str
    at: float
    low: float
    high: float
    below: bool  # nothing was found: the value is what noise would have hidden


@dataclass(frozen=True)
class Untested:
    """A symptom that this recording could not show, and why."""

    id: str
    label: str
    why: str


def gauges(result: Mapping[str, Any]) -> list[Gauge]:
    """Gauges of everything that could be judged, faults first, then notes."""
    table = limit_table(result)
    found = {s["id"]: s for s in result.get("symptoms") or ()}
    rows = [_of_symptom(s, table) for s in found.values()]
    hidden = untested_ids(result)
    for symptom, read in _READ.items():
        if symptom not in found and symptom not in hidden:
            rows.append(_of_reading(symptom, _row_of(symptom, result, table), read(result)))
    order = {"fault": 0, "note": 1, "good": 2}
    return sorted((g for g in rows if g is not None), key=lambda g: order[g.state])


def untested(result: Mapping[str, Any]) -> list[Untested]:
    """What could not be looked for."""
    table = limit_table(result)
    out = []
    for symptom in untested_ids(result):
        why = result["not_measured"][f"symptoms.{symptom}"]
        if not isinstance(why, str):
            row = table.get(symptom)
            unit = row.unit if row is not None else None
            side = "upwards" if row is None or row.direction == "above" else "downwards"
            level = show(f"symptoms.{symptom}", why, unit=unit)
            why = f"noise hides it: would have been seen from {level} {side}"
        out.append(Untested(symptom, quantity(f"symptoms.{symptom}").label, why))
    return out


def untested_ids(result: Mapping[str, Any]) -> list[str]:
    """Ids of the symptoms that ``not_measured`` speaks of."""
    keys = result.get("not_measured") or {}
    return [k.removeprefix("symptoms.") for k in keys if k.startswith("symptoms.")]


def name_of(symptom: str) -> str:
    """Plain name of a symptom, the one that the verdict uses."""
    return NAMES.get(symptom) or quantity(f"symptoms.{symptom}").label


def limits_text(row: Limit, path: str) -> str:
    """Both limits in words, scaled and with the unit as the quantity at ``path`` is shown."""
    if row.note is None and row.fault == 0.0:
        return "fault: any"
    parts = [
        f"{word} {_round_limit(path, value, row.unit)}"
        for word, value in (("note", row.note), ("fault", row.fault))
        if value is not None
    ]
    unit = _shown_unit(path, row.unit)
    return f"{', '.join(parts)} {unit}".rstrip()


def limit_for_path(path: str, result: Mapping[str, Any]) -> str:
    """Text of the limits that a measured quantity stands under, empty where there are none."""
    symptom = _LIMITED.get(path)
    if symptom is None:
        return ""
    row = _row_of(symptom, result, limit_table(result))
    return "" if row is None else limits_text(row, path)


def source_for_path(path: str, result: Mapping[str, Any]) -> str:
    """Where the limits that a measured quantity stands under come from, empty where there are none."""
    symptom = _LIMITED.get(path)
    row = None if symptom is None else _row_of(symptom, result, limit_table(result))
    return "" if row is None else row.source


# --- how a symptom's quantity stands in a result -----------------------------------------------


def _get(result: Mapping[str, Any], family: str, name: str) -> Any:
    return (result.get(family) or {}).get(name)


def _plain(family: str, name: str, *, floor: str = "", size: bool = False) -> Callable[[Mapping[str, Any]], Reading]:
    def read(result: Mapping[str, Any]) -> Reading:
        value = _get(result, family, name)
        if value is not None and size:
            value = abs(value)
        return value, _get(result, family, f"{name}_sigma"), _get(result, family, floor) if floor else None

    return read


def _strongest(lines: Iterable[Mapping[str, Any]], floor: float | None) -> Reading:
    top = max(lines, key=lambda line: line["level_dbc"], default=None)
    return (None, None, floor) if top is None else (top["level_dbc"], top.get("level_dbc_sigma"), floor)


def _mains_sidebands(result: Mapping[str, Any]) -> Reading:
    ours = [s for s in result.get("sidebands") or () if s["family"] in ("mains", "twice-mains")]
    return _strongest(ours, _get(result, "lines", "sideband_floor_dbc"))


def _spurs(result: Mapping[str, Any]) -> Reading:
    lines = [s for s in result.get("sidebands") or () if s["family"] not in ("mains", "twice-mains")]
    lines += [s for s in result.get("spurs") or () if s["when"] == "key-down"]
    return _strongest(lines, _get(result, "lines", "sideband_floor_dbc"))


def _others(result: Mapping[str, Any]) -> Reading:
    return _strongest(result.get("others") or (), _get(result, "lines", "other_floor_dbc"))


def _fastest_edge(result: Mapping[str, Any]) -> Reading:
    keying = result.get("keying") or {}
    edges = [(keying.get(name), keying.get(f"{name}_sigma")) for name in ("rise_s", "fall_s")]
    known = [(float(value), sigma) for value, sigma in edges if value is not None]
    return (*min(known, key=lambda edge: edge[0]), None) if known else (None, None, None)


def _largest_step(result: Mapping[str, Any]) -> Reading:
    steps = _get(result, "drift", "steps") or ()
    top = max(steps, key=lambda s: abs(s["size_hz"]), default=None)
    return (None, None, None) if top is None else (abs(top["size_hz"]), top["size_hz_sigma"], None)


def _gaps(result: Mapping[str, Any]) -> Reading:
    gaps = _get(result, "recording", "dropouts")
    return (None if gaps is None else float(len(gaps)), None, None)


_READ: dict[str, Callable[[Mapping[str, Any]], Reading]] = {
    "weak-signal": _plain("signal", "snr_db"),
    "hum-sidebands": _mains_sidebands,
    "spur-lines": _spurs,
    "harmonic-distortion": _plain("purity", "thd_db", floor="thd_floor_db"),
    "rasp": _plain("purity", "rasp_dbc"),
    "noisy-tone": _plain("purity", "pm_excess_rad", floor="pm_excess_floor_rad"),
    "audio-hum": _plain("purity", "hum_dbc", floor="hum_floor_dbc"),
    "voice-breakthrough": _plain("purity", "voice_dbc"),
    "key-clicks": _fastest_edge,
    "chirp": _plain("keying", "chirp_hz", size=True),
    "backwave": _plain("keying", "backwave_db", floor="backwave_floor_db"),
    "overshoot": _plain("keying", "overshoot_db"),
    "keying-timing": _plain("keying", "element_jitter"),
    "drift": _plain("drift", "rate_hz_per_min", size=True),
    "frequency-jumps": _largest_step,
    "frequency-wobble": _plain("drift", "cycle_peak_hz"),
    "other-signal": _others,
    "noise-bursts": _plain("noise", "burst_over_floor_db"),
    "fading": _plain("signal", "level_range_db"),
    "clipped-recording": _plain("recording", "clipped_fraction"),
    "dropouts": _gaps,
}

# The measured quantities that a table shows together with a limit.
_LIMITED = {
    "signal.snr_db": "weak-signal",
    "signal.level_range_db": "fading",
    "purity.thd_db": "harmonic-distortion",
    "purity.pm_excess_rad": "noisy-tone",
    "purity.rasp_dbc": "rasp",
    "purity.hum_dbc": "audio-hum",
    "purity.voice_dbc": "voice-breakthrough",
    "keying.rise_s": "key-clicks",
    "keying.fall_s": "key-clicks",
    "keying.chirp_hz": "chirp",
    "keying.backwave_db": "backwave",
    "keying.overshoot_db": "overshoot",
    "keying.element_jitter": "keying-timing",
    "drift.rate_hz_per_min": "drift",
    "drift.cycle_peak_hz": "frequency-wobble",
    "noise.burst_over_floor_db": "noise-bursts",
    "recording.clipped_fraction": "clipped-recording",
}

# Rows of the table of limits that stand for a symptom with another measure or kind of signal.
_VARIANTS = {
    "weak-signal": ("weak-signal", "weak-signal-steady", "weak-signal-slow", "weak-signal-slot"),
    "chirp": ("chirp", "chirp-slow"),
    "drift": ("drift", "drift-slot", "drift-slow"),
    "keying-timing": ("keying-timing", "keying-ratio"),
    "noise-bursts": ("noise-bursts", "noise-bursts-time"),
}


def limit_table(result: Mapping[str, Any]) -> dict[str, Limit]:
    """The limits, with those of the plan put in."""
    said = (result.get("plan") or {}).get("limits") or {}
    return limits_for({row: (pair.get("note"), pair.get("fault")) for row, pair in said.items()})


def _row_of(symptom: str, result: Mapping[str, Any], table: Mapping[str, Limit]) -> Limit | None:
    """The row that a quantity which is within its limit is held against; None where none fits."""
    kind = _get(result, "signal", "kind")
    if symptom == "weak-signal":
        variants = {"steady": "weak-signal-steady", "four-tone": "weak-signal-slot"}
        return table[variants.get(kind, "weak-signal")]
    if symptom in ("chirp", "drift") and kind not in ("steady", "keyed"):
        return None  # judged against the dit or the slot, which this quantity alone does not tell
    return table.get(symptom)


def _of_symptom(symptom: Mapping[str, Any], table: Mapping[str, Limit]) -> Gauge | None:
    rows = [table[r] for r in _VARIANTS.get(symptom["id"], (symptom["id"],)) if r in table]
    rows = [r for r in rows if r.unit == symptom["unit"]] or rows
    # Of several with one unit the one that holds the limit which was crossed.
    rows.sort(key=lambda r: symptom["limit"] not in (r.note, r.fault))
    if not rows:
        return None
    return _gauge(symptom["id"], rows[0], symptom["severity"], symptom["value"], symptom.get("sigma"), False)


def _of_reading(symptom: str, row: Limit | None, reading: Reading) -> Gauge | None:
    value, sigma, floor = reading
    first = None if row is None else row.note if row.note is not None else row.fault
    if row is None or first is None:
        return None
    if value is None:
        return None if floor is None else _gauge(symptom, row, "good", floor, None, True)
    if row.beyond(value, first):
        return None  # judged together with another quantity: no fault, yet not "good" by this scale
    return _gauge(symptom, row, "good", value, sigma, False)


def _gauge(symptom: str, row: Limit, state: State, value: float, sigma: float | None, below: bool) -> Gauge:
    path = f"symptoms.{symptom}"
    text = show(path, value, sigma, unit=row.unit)
    reach = _Z95 * (sigma or 0.0)
    size = abs(value) if row.unit not in _DECIBELS else value
    ends = sorted(_position(row, v) for v in (size - reach, size + reach))
    return Gauge(
        id=symptom,
        label=quantity(path).label if state == "good" else name_of(symptom),
        state=state,
        value=f"below {text}" if below else text,
        limits=limits_text(row, path),
        source=row.source,
        at=_position(row, size),
        low=ends[0],
        high=ends[1],
        below=below,
    )


_DECIBELS = frozenset({"dB", "dBc", "dBFS", "dBHz"})


def _position(row: Limit, value: float) -> float:
    """Place of a value on the gauge, 0..1; beyond the ends it stands at the end."""
    if row.note is None:
        return 0.5 * (1 + FAULT_AT) if row.beyond(value, row.fault or 0.0) else 0.0
    if row.fault is None or row.fault == row.note:
        return 0.5 * (1 + NOTE_AT) if row.beyond(value, row.note) else 0.5 * NOTE_AT
    if row.unit in _DECIBELS:
        steps = (value - row.note) / (row.fault - row.note)
    elif value <= 0.0 or row.note <= 0.0 or row.fault <= 0.0:
        steps = -math.inf if row.direction == "above" else math.inf
    else:
        steps = math.log(value / row.note) / math.log(row.fault / row.note)
    return min(max(NOTE_AT + steps * (FAULT_AT - NOTE_AT), 0.0), 1.0)


def _shown_unit(path: str, unit: str) -> str:
    row = quantity(path)
    return row.display_unit if unit == row.unit else unit


def _round_limit(path: str, value: float, unit: str) -> str:
    row = quantity(path)
    return f"{value * (row.scale if unit == row.unit else 1.0):g}"


def limit_value(symptom: Mapping[str, Any]) -> str:
    """The limit that a symptom crossed: a round number, without the decimals of a measurement."""
    path, unit = f"symptoms.{symptom['id']}", symptom["unit"]
    return f"{_round_limit(path, symptom['limit'], unit)} {_shown_unit(path, unit)}".rstrip()


def value_cell(path: str, value: object, sigma: float | None = None) -> tuple[str, str, str]:
    """Value, sigma and unit as the three cells of a table."""
    number, _, spread = show_number(path, value, sigma).partition(" ± ")
    unit = quantity(path).display_unit if not isinstance(value, str | bool) else ""
    return number, spread, unit
