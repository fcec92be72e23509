"""A result: everything measured on one recording, what was concluded from it, and how to save it."""

from __future__ import annotations

import json
import math
import os
import tempfile
from collections.abc import Set
from dataclasses import asdict, dataclass, is_dataclass, replace
from datetime import UTC
from pathlib import Path
from typing import TYPE_CHECKING, Any

import sigcheck
from sigcheck.calibration import without_the_chains_own
from sigcheck.errors import SaveError
from sigcheck.judge import Diagnosis
from sigcheck.judge import diagnose as judge
from sigcheck.measure.pipeline import Measured, measure
from sigcheck.measure.results import Family, Measurements
from sigcheck.measure.track import Track
from sigcheck.recording import Recording, load
from sigcheck.several import mode_of, parts, planned_for

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from sigcheck.measure.views import Views
    from sigcheck.plan import Plan

SCHEMA = 1
# where each family stands in the JSON; the families' lists of lines stand at its top level
SECTION = {"health": "recording", "lines": "lines", "bursts": "noise"}
TOP_LEVEL = ("sidebands", "spurs", "others")


@dataclass(frozen=True, eq=False)
class Transmission:
    """One of several transmissions in a recording; the times in ``result`` count from its own beginning."""

    start_s: float
    end_s: float
    mode: str
    result: Result

    def to_dict(self) -> dict[str, Any]:
        """The place in the recording, and all that the transmission's own result holds."""
        own = self.result.to_dict()
        kept = {k: v for k, v in own.items() if k not in ("schema", "transmissions", "notes", "version")}
        return {"start_s": self.start_s, "end_s": self.end_s, "mode": self.mode, **kept}


@dataclass(frozen=True, eq=False)
class Result:
    """One recording, measured and judged.

    ``to_dict()`` gives the JSON shape (schema 1); ``save(path)`` writes it. Where the recording holds several
    ``transmissions``, everything else is of the longest, and times count from its beginning.
    """

    recording: Recording
    measurements: Measurements
    diagnosis: Diagnosis
    plan: Plan | None
    notes: tuple[str, ...]
    _samples: NDArray[np.float32]
    _track: Track | None
    transmissions: tuple[Transmission, ...] = ()

    @property
    def verdict(self) -> str:
        """``clean``, ``usable``, ``faulty`` or ``no-signal``."""
        return self.diagnosis.verdict

    def views(self) -> Views:
        """Arrays for the pictures (made when asked for)."""
        from sigcheck.measure.views import prepare

        return prepare(self._samples, self.recording.sample_rate_hz, self._track, self.measurements)

    def to_dict(self) -> dict[str, Any]:
        """The result as plain data: only dict, list, str, int, float, bool and None, every number finite."""
        r, m = self.recording, self.measurements
        out: dict[str, Any] = {
            "schema": SCHEMA,
            "recording": {
                "path": r.path,
                "sha256": r.sha256,
                "sample_rate_hz": r.sample_rate_hz,
                "duration_s": r.duration_s,
                "channels": r.n_channels,
                "channel": m.channel,
                "start_utc": None if r.start_utc is None else _utc(r.start_utc),
                "start_utc_sigma_s": r.start_utc_sigma_s,
                "start_utc_source": r.start_utc_source,
                "lossy": r.lossy,
                "steps": list(m.steps_taken),
                "remarks": list(r.notes),
            }
        }
        missing: dict[str, Any] = {}
        if r.start_utc is None:
            missing["recording.start_utc"] = "neither the file nor a plan tells the start time in UTC"
        for name, family in m.families().items():
            section = SECTION.get(name, name)
            values = {k: v for k, v in asdict(family).items() if k != "missing"}
            for key in TOP_LEVEL:
                if key in values:
                    out[key] = values.pop(key)
            out.setdefault(section, {}).update(values)
            _explain(missing, section, family)
        out |= self.diagnosis.to_dict()
        hearing = self.diagnosis.hearing
        out["copy"] |= hearing.to_dict()
        if hearing.first_obstacle is None:
            missing["copy.first_obstacle"] = hearing.sentence
        out["not_measured"] = missing | dict(self.diagnosis.not_measured)
        out["transmissions"] = [one.to_dict() for one in self.transmissions]
        out["notes"] = list(self.notes)
        out["plan"] = None if self.plan is None else self.plan.to_dict()
        out["version"] = sigcheck.__version__
        plain: dict[str, Any] = _plain(out)
        return plain

    def to_json(self) -> str:
        """The JSON text."""
        return json.dumps(self.to_dict(), indent=1, allow_nan=False) + "\n"

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the JSON, whole or not at all.

        Raises
        ------
        SaveError : the file cannot be written.
        """
        write_whole(path, self.to_json().encode())

    def _repr_html_(self) -> str:
        from sigcheck.report.html import card

        return card(self.to_dict())


def diagnose(
    source: str | os.PathLike[str] | Recording,
    plan: Plan | None = None,
    *,
    tone_hz: float | None = None,
    channel: int | None = None,
    notes: tuple[str, ...] = (),
) -> Result:
    """Measure one recording and judge it.

    Parameters
    ----------
    source : path of an audio file, or a Recording.
    plan : what was meant to be sent and how it was received.
    tone_hz : look for the signal within 150 Hz of here.
    channel : counted from 0; None takes the one with the strongest tone.
    notes : the user's own words, kept with the result.

    Raises
    ------
    RecordingError : the audio cannot be read, or has no such channel.
    """
    recording = source.with_plan(plan) if isinstance(source, Recording) else load(source, plan=plan)
    measured = measure(recording, channel=channel, tone_hz=tone_hz, plan=plan)
    if measured.spans:
        found = _transmissions(recording, measured, plan, tone_hz, tuple(notes))
        if found:
            return _of_the_longest(_with_remarks(recording, {one.mode for one in found}, plan), found)
    recording = _with_remarks(recording, {mode_of(measured.measurements)}, plan)
    intended = planned_for(mode_of(measured.measurements), plan)
    if intended is not plan and intended is not None and plan is not None and intended.main != plan.main:
        measured = measure(recording, channel=channel, tone_hz=tone_hz, plan=intended)
    return _judged(recording, measured, intended, tuple(notes))


def _with_remarks(recording: Recording, heard: Set[str | None], plan: Plan | None) -> Recording:
    """With a remark for what a plan of several transmissions holds and was not heard."""
    if plan is None or len(plan.sent) < 2:
        return recording
    unheard = dict.fromkeys(one.keying for one in plan.sent if one.keying is not None and one.keying not in heard)
    remarks = tuple(f"the plan's {keying} was not heard in this recording" for keying in unheard)
    return replace(recording, notes=(*recording.notes, *remarks))


def _judged(recording: Recording, measured: Measured, plan: Plan | None, notes: tuple[str, ...]) -> Result:
    found = measured.measurements if plan is None else without_the_chains_own(measured.measurements, plan.chain)
    return Result(
        recording=recording,
        measurements=found,
        diagnosis=judge(found, plan),
        plan=plan,
        notes=notes,
        _samples=measured.samples,
        _track=measured.track,
    )


def _transmissions(
    recording: Recording, measured: Measured, plan: Plan | None, tone_hz: float | None, notes: tuple[str, ...]
) -> tuple[Transmission, ...]:
    found = parts(recording, measured.spans, channel=measured.measurements.channel, tone_hz=tone_hz, plan=plan)
    return tuple(
        Transmission(
            start_s=part.start_s,
            end_s=part.end_s,
            mode=part.mode,
            result=_judged(part.recording, part.measured, part.plan, notes),
        )
        for part in found
    )


def _of_the_longest(recording: Recording, found: tuple[Transmission, ...]) -> Result:
    """The longest one's result as that of the whole recording."""
    longest = max(found, key=lambda one: one.end_s - one.start_s)
    piece = longest.result.recording
    return replace(
        longest.result, recording=replace(recording, steps=piece.steps), transmissions=found
    )


def write_whole(path: str | os.PathLike[str], data: bytes) -> None:
    """Write a file so that it is there whole or not at all.

    Raises
    ------
    SaveError : the file cannot be written.
    """
    target = Path(path)
    try:
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
        try:
            with os.fdopen(handle, "wb") as f:
                f.write(data)
            os.chmod(name, 0o644)
            os.replace(name, target)
        except BaseException:
            os.unlink(name)
            raise
    except OSError as e:
        raise SaveError(f"{target}: cannot be written ({e.strerror or e}); name another place") from e


def _explain(missing: dict[str, Any], section: str, family: Family) -> None:
    for field, reason in family.missing.items():
        place = field if field in TOP_LEVEL else f"{section}.{field}"
        missing[place] = reason


def _utc(moment: Any) -> str:
    return str(moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z"))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if is_dataclass(value) and not isinstance(value, type):
        return _plain(asdict(value))
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        raise AssertionError("a measurement is neither finite nor None")
    return value
