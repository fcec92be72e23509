"""Every measurement of two recordings side by side, with its change and what that means."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from sigcheck.judge.readings import MARKS, PUTTING_BACK_DB, PUTTING_BACK_SHARE, Reading
from sigcheck.measure.results import Measurements
from sigcheck.quantities import quantity

Better = Literal["less", "more"]


@dataclass(frozen=True, kw_only=True)
class Row:
    """One measurement before and after.

    ``before`` or ``after`` None: not seen, and then ``change`` is a bound ("at most", "at least")
    that comes from ``before_floor`` or ``after_floor``, the size from which on it would have been
    seen. All in ``unit``. ``slope``: change in dB per dB of the pad.
    """

    measure: str
    label: str
    before: float | None
    after: float | None
    change: float
    change_sigma: float
    holds: Literal["exactly", "at most", "at least"]
    unit: str
    verdict: Literal["better", "worse", "same"]
    symptom: str | None
    before_floor: float | None = None
    after_floor: float | None = None
    slope: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """The JSON shape."""
        return dict(self.__dict__)


@dataclass(frozen=True, kw_only=True)
class Condition:
    """Something that is neither good nor bad: where the tone was, how loud, how long."""

    measure: str
    label: str
    before: float
    after: float
    change: float
    unit: str

    def to_dict(self) -> dict[str, Any]:
        """The JSON shape."""
        return dict(self.__dict__)


@dataclass(frozen=True, kw_only=True)
class _Measure:
    """``enough``: beyond it more of the good does no more good (edges of more than 5 ms); ``near``: the
    nearer to it the better."""

    path: str
    better: Better
    symptom: str | None = None
    read: Callable[[Measurements], Reading] | None = None
    level: bool = True
    enough: float | None = None
    near: float | None = None
    share: float = PUTTING_BACK_SHARE
    level_db: float = PUTTING_BACK_DB
    extra: float = 0.0  # what changes by itself where neither 2 dB nor 10 % says it


def _field(path: str, *, size: bool = False) -> Callable[[Measurements], Reading]:
    family, _, name = path.partition(".")

    def read(m: Measurements) -> Reading:
        values = m.families()[family]
        value = getattr(values, name)
        if size and value is not None:
            value = abs(value)
        return Reading(value=value, sigma=getattr(values, f"{name}_sigma", None))

    return read


def _size(path: str, better: Better = "less", *, symptom: str | None = None, extra: float = 0.0) -> _Measure:
    return _Measure(path=path, better=better, symptom=symptom, read=_field(path, size=True), level=False, extra=extra)


def _mark(symptom: str, path: str | None = None, *, level: bool = True, enough: float | None = None) -> _Measure:
    better: Better = "more" if symptom == "key-clicks" else "less"
    return _Measure(
        path=path or f"symptoms.{symptom}", better=better, symptom=symptom, level=level, enough=enough,
        share=MARKS[symptom].share, level_db=MARKS[symptom].level_db,
    )  # fmt: skip


# The usual edge, and a fifth of a dit: faster or slower ones are a matter of taste up to there.
_USUAL_EDGE_S = 5e-3
_USUAL_SHARE = 0.2

MEASURES: tuple[_Measure, ...] = (
    _mark("hum-sidebands"),
    _mark("spur-lines"),
    _mark("harmonic-distortion", "purity.thd_db"),
    _mark("rasp"),
    _mark("noisy-tone", "purity.pm_excess_rad", level=False),
    _mark("audio-hum", "purity.hum_dbc"),
    _mark("key-clicks", level=False, enough=_USUAL_EDGE_S),
    _mark("slow-keying", level=False, enough=_USUAL_SHARE),
    _mark("chirp", "keying.chirp_hz", level=False),
    _mark("backwave", "keying.backwave_db"),
    _size("keying.overshoot_db", symptom="overshoot", extra=0.5),
    _size("keying.element_jitter", symptom="keying-timing", extra=0.01),
    _Measure(path="keying.dah_dit_ratio", better="less", symptom="keying-timing", level=False, near=3.0,
             read=_field("keying.dah_dit_ratio"), share=0.02),
    _mark("drift", "drift.rate_hz_per_min", level=False),
    _mark("frequency-jumps", level=False),
    _mark("frequency-wobble", "drift.cycle_peak_hz", level=False),
    _mark("other-signal"),
    _mark("voice-breakthrough", "purity.voice_dbc"),
    _mark("noise-bursts", "noise.burst_over_floor_db"),
    _mark("clipped-recording", "recording.clipped_fraction", level=False),
    _size("signal.level_range_db", symptom="fading", extra=1.0),
    _Measure(path="signal.snr_db", better="more", symptom="weak-signal", read=_field("signal.snr_db")),
    _Measure(path="signal.cn0_dbhz", better="more", read=_field("signal.cn0_dbhz")),
    _Measure(path="purity.sinad_db", better="more", read=_field("purity.sinad_db")),
    _size("purity.am_excess_percent", extra=0.2),
    _size("keying.droop_db", extra=0.3),
    _Measure(path="keying.weighting", better="less", level=False, near=0.0, extra=0.02,
             read=_field("keying.weighting")),
    _Measure(path="copy.margin_db", better="more", read=_field("copy.margin_db")),
)  # fmt: skip

_CONDITIONS = (
    "signal.tone_hz", "signal.level_dbfs", "keying.wpm", "keying.rise_s", "keying.fall_s", "drift.total_hz",
    "recording.duration_s", "recording.sample_rate_hz",
)  # fmt: skip


def changes_of(
    before: Measurements,
    after: Measurements,
    read_before: Mapping[str, Reading],
    read_after: Mapping[str, Reading],
    slopes: Mapping[str, float],
) -> Iterator[Row]:
    """The measurements that both recordings say something about."""
    for measure in MEASURES:
        if measure.read is not None:
            pair = measure.read(before), measure.read(after)
        else:
            assert measure.symptom is not None
            pair = read_before[measure.symptom], read_after[measure.symptom]
        row = _row(measure, *pair, slopes.get(measure.symptom or ""))
        if row is not None:
            yield row


def _row(measure: _Measure, before: Reading, after: Reading, slope: float | None) -> Row | None:
    one, two = (r.value if r.value is not None else r.floor for r in (before, after))
    if one is None or two is None or (before.value is None and after.value is None):
        return None
    holds: Literal["exactly", "at most", "at least"] = "exactly"
    if after.value is None:
        holds = "at most"
    elif before.value is None:
        holds = "at least"
    change = two - one
    back = measure.extra + (measure.level_db if measure.level else measure.share * max(abs(one), abs(two)))
    sigmas = [r.sigma or 0.0 for r in (before, after) if r.value is not None]
    sigma = math.hypot(*sigmas, 0.5 * back)
    path = quantity(measure.path)
    return Row(
        measure=measure.path,
        label=path.label,
        before=before.value,
        after=after.value,
        change=change,
        change_sigma=sigma,
        holds=holds,
        unit=path.unit,
        verdict=_judged(measure, one, two, sigma, holds),
        symptom=measure.symptom,
        before_floor=before.floor if before.value is None else None,
        after_floor=after.floor if after.value is None else None,
        slope=slope,
    )


def _judged(
    measure: _Measure, before: float, after: float, sigma: float, holds: str
) -> Literal["better", "worse", "same"]:
    if measure.enough is not None:
        keep = min if measure.better == "more" else max
        before, after = keep(before, measure.enough), keep(after, measure.enough)
    if measure.near is not None:
        before, after = abs(before - measure.near), abs(after - measure.near)
    change = after - before
    if abs(change) <= 2.0 * sigma or (holds == "at most" and change > 0) or (holds == "at least" and change < 0):
        return "same"
    return "better" if (change < 0) == (measure.better == "less") else "worse"


def conditions_of(before: Measurements, after: Measurements) -> Iterator[Condition]:
    """What else the two recordings were like."""
    for path in _CONDITIONS:
        family, _, name = path.partition(".")
        if family == "recording":
            pair = getattr(before, name), getattr(after, name)
        else:
            pair = getattr(before.families()[family], name), getattr(after.families()[family], name)
        if pair[0] is not None and pair[1] is not None:
            row = quantity(path)
            yield Condition(
                measure=path, label=row.label, before=pair[0], after=pair[1], change=pair[1] - pair[0], unit=row.unit
            )
