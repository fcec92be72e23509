"""Two recordings compared: what changed, what is gone, and which cause the outcome leaves standing.

A change is called from twice its standard deviation on, which holds the scatter of both recordings
and what moving and reconnecting things changes by itself. "Gone" is said only where the second
recording would have shown it, "new" only where the first would have.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

from sigcheck.errors import PlanError, ResultError, SettingError
from sigcheck.judge import symptoms as judge_symptoms
from sigcheck.judge.causes import LISTED, RAISED, alike, priors_for
from sigcheck.judge.causes import find as find_causes
from sigcheck.judge.evidence import observe
from sigcheck.judge.experiments import propose
from sigcheck.judge.model import Posterior, weigh
from sigcheck.judge.outcomes import (
    BY_PAD,
    CHANGES,
    DECIDES_DB,
    DECIDES_NOTHING_DB,
    Change,
    Setting,
    odds_for,
    weigh_outcome,
)
from sigcheck.judge.readings import DB_PER_SHARE, MARKS, Reading, Shift, read_all, shift
from sigcheck.judge.ruling import Case
from sigcheck.judge.shapes import Cause, Severity, Symptom
from sigcheck.judge.tables import CAUSES, NAMES, NO_FAULT
from sigcheck.judge.tables import MARKS as MAKERS
from sigcheck.measured_changes import Condition, Row, changes_of, conditions_of
from sigcheck.recording import Recording
from sigcheck.result import Result, diagnose, write_whole
from sigcheck.saved import SavedResult, from_dict, load_result, transmissions_of
from sigcheck.several import mode_of

if TYPE_CHECKING:
    from sigcheck.measure.views import Views
    from sigcheck.plan import Plan

Outcome = Literal["fixed", "better", "same", "worse", "not-comparable"]
Source = str | os.PathLike[str] | Recording | Result | SavedResult | Mapping[str, Any]

SCHEMA = 1

# A mark that was so much stronger than what would now be seen is gone, whatever noise hides below.
SHOWN_DB = 10.0

TRIFLE_DB = 6.0  # a note that came or went by less was near its limit in both (judgement)

SPLIT = 4.0  # from this factor on an outcome has told two causes apart (judgement)

# These weaken or replace our signal on purpose, so a weaker one is no news.
_OTHER_SIGNAL = {
    "steady-station": "the second recording is of another signal, so only the causes are weighed",
    "transmitter-off": "the transmitter was off, so what the second recording holds is not its signal",
}
_ADDED = frozenset({"audio-hum", "other-signal", "noise-bursts", "voice-breakthrough", "weak-signal"})
_POINTS: Mapping[Severity, float] = {"fault": 2.0, "note": 1.0}

_HOW: Mapping[str, str] = {
    "attenuator": "with {pad} in the receiver's antenna lead",
    "distance": "with the signal weakened{by}",
    "battery": "with the transmitter on a battery",
    "audio-lead": "with the audio lead isolated",
    "warm-up": "after warming up",
    "dummy-load": "into a shielded load",
    "keying": "with other keying",
    "steady-station": "on a known steady signal",
    "recording-level": "at a lower recording level",
    "retune": "on another dial setting",
    "transmitter-off": "with the transmitter off",
    "gain-control-off": "with the gain control off",
    "receiver-battery": "with the receiver on a battery",
    "other-receiver": "on another receiver",
    "other": "after the change",
}


@dataclass(frozen=True, eq=False, kw_only=True)
class Comparison:
    """What became of a signal between two recordings.

    ``causes`` are those of the first recording's signal after weighing the outcome, most likely
    first; ``chance_before`` their probabilities before it. ``borderline`` names the symptoms that
    only one of the two has though they changed by no more than the scatter; they count as still
    there. ``unseen_before`` are symptoms that the first recording could not have shown.
    """

    before: SavedResult
    after: SavedResult
    changed: Change | None
    by_db: float | None
    changes: tuple[Row, ...]
    conditions: tuple[Condition, ...]
    gone: tuple[str, ...]
    hidden: tuple[str, ...]
    new: tuple[str, ...]
    still: tuple[str, ...]
    borderline: tuple[str, ...]
    unseen_before: tuple[str, ...]
    causes: tuple[Cause, ...]
    chance_before: Mapping[str, float]
    verdict: Outcome
    reason: str
    remarks: tuple[str, ...]
    _sources: tuple[Source, Source]

    def to_dict(self) -> dict[str, Any]:
        """The comparison as plain data that JSON can hold."""
        causes = [cause.to_dict() | {"probability_before": self.chance_before.get(cause.id)} for cause in self.causes]
        return {
            "schema": SCHEMA,
            "before": _identity(self.before),
            "after": _identity(self.after),
            "changed": self.changed,
            "by_db": self.by_db,
            "verdict": self.verdict,
            "reason": self.reason,
            "changes": [row.to_dict() for row in self.changes],
            "conditions": [row.to_dict() for row in self.conditions],
            "symptoms": {
                "gone": list(self.gone),
                "hidden": list(self.hidden),
                "new": list(self.new),
                "still": list(self.still),
                "borderline": list(self.borderline),
                "unseen_before": list(self.unseen_before),
            },
            "causes": causes,
            "remarks": list(self.remarks),
            "version": self.after.data.get("version"),
        }

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

    def views(self) -> tuple[Views | None, Views | None]:
        """Arrays for the pictures of both; None where only a result without them was given."""
        first, second = (_views(source) for source in self._sources)
        return first, second

    def _repr_html_(self) -> str:
        from sigcheck.report.comparison_page import comparison_card

        return comparison_card(self.to_dict())


def compare(
    before: Source,
    after: Source,
    changed: str | None = None,
    by_db: float | None = None,
    *,
    plan: Plan | None = None,
) -> Comparison:
    """Compare two recordings of one signal, or their saved results.

    Parameters
    ----------
    before, after : paths of recordings or of saved results (JSON), or objects of either.
    changed : what was changed between them, one of `CHANGES`; None: not said, the causes stay.
    by_db : the pad in dB (or what a level was turned down by).
    plan : what was meant to be sent, for recordings; saved results carry their own.

    Raises
    ------
    SettingError : ``changed`` or ``by_db`` is not one that is known.
    RecordingError, ResultError : a file can't be read or is neither.
    """
    change, pad_db = _checked_change(changed), _checked_pad(by_db)
    sources = _of_one_mode(_opened(before, plan), _opened(after, plan))
    first, second = (_saved(source) for source in sources)
    try:
        return _Judge(first, second, change, pad_db, sources).comparison()
    except (ArithmeticError, ValueError) as error:
        raise ResultError(
            f"{first.where}, {second.where}: hold numbers that no measurement gives ({error}); "
            "diagnose the recordings again"
        ) from error


def _checked_change(changed: str | None) -> Change | None:
    if changed is None:
        return None
    known: dict[str, Change] = {name: name for name in CHANGES}
    if changed not in known:
        near = get_close_matches(changed, known, n=1, cutoff=0.0)[0]
        raise SettingError(f"changed: {changed!r} is not known; did you mean {near!r}? ({', '.join(known)})")
    return known[changed]


def _checked_pad(by_db: float | None) -> float | None:
    if by_db is None:
        return None
    if not 0.0 < by_db <= 120.0:  # also refuses what is no number
        raise SettingError(f"by_db: {by_db:g} dB is no pad; give the dB by which it was made weaker, such as 20")
    return float(by_db)


# ---- the two sides -----------------------------------------------------------------------------


def _opened(source: Source, plan: Plan | None) -> Source:
    """A recording diagnosed; everything else as it is."""
    if isinstance(source, Recording):
        return diagnose(source, plan)
    if isinstance(source, str | os.PathLike) and not _is_json(source):
        return diagnose(source, plan)
    return source


def _of_one_mode(before: Source, after: Source) -> tuple[Source, Source]:
    """Both as they are, or of several transmissions in a recording the longest that both hold one like."""
    if not (several := _transmissions_of(before)) and not _transmissions_of(after):
        return before, after
    one = several or [(mode_of(_saved(before).measurements), 0.0, before)]
    other = _transmissions_of(after) or [(mode_of(_saved(after).measurements), 0.0, after)]
    alike = [(a[1] + b[1], a[2], b[2]) for a in one for b in other if a[0] == b[0]]
    return max(alike, key=lambda pair: pair[0])[1:] if alike else (before, after)


def _transmissions_of(source: Source) -> list[tuple[str | None, float, Source]]:
    """Mode, length and result of each of several transmissions; none of a recording with one."""
    if isinstance(source, Result):
        return [(one.mode, one.end_s - one.start_s, one.result) for one in source.transmissions]
    saved = _saved(source)
    return [(one.mode, one.seconds, one.result) for one in transmissions_of(saved)]


def _saved(source: Source) -> SavedResult:
    if isinstance(source, SavedResult):
        return source
    if isinstance(source, Result):
        data = source.to_dict()
        return from_dict(data, str(data["recording"]["path"] or "the recording"))
    if isinstance(source, Mapping):
        return from_dict(source)
    if isinstance(source, str | os.PathLike):
        return load_result(source)
    raise SettingError(f"a {type(source).__name__} can't be compared; give recordings or saved results")


def _is_json(path: str | os.PathLike[str]) -> bool:
    """By its ending, else by how it begins: no audio format begins with a brace."""
    if os.fsdecode(os.fspath(path)).lower().endswith(".json"):
        return True
    try:
        with open(path, "rb") as file:
            return file.read(64).removeprefix(b"\xef\xbb\xbf").lstrip()[:1] == b"{"
    except (OSError, ValueError):
        return False  # the reader of recordings says what is wrong with it


def _views(source: Source) -> Views | None:
    if isinstance(source, Result):
        return source.views()
    if isinstance(source, str | os.PathLike):
        from sigcheck.measure.views import Views

        beside = Path(source).with_suffix(".npz")
        return Views.load(beside) if beside.is_file() else None
    return None


def _identity(side: SavedResult) -> dict[str, Any]:
    recording = side.data.get("recording") or {}
    return {
        "path": recording.get("path"),
        "sha256": side.sha256,
        "verdict": side.verdict,
        "duration_s": side.measurements.duration_s,
        "sample_rate_hz": side.measurements.sample_rate_hz,
        "notes": side.data.get("notes") or [],
    }


# ---- judging -----------------------------------------------------------------------------------


class _Judge:
    def __init__(
        self,
        before: SavedResult,
        after: SavedResult,
        changed: Change | None,
        by_db: float | None,
        sources: tuple[Source, Source],
    ) -> None:
        self.before, self.after = before, _by_the_same_limits(before, after)
        self.changed, self.by_db, self.sources = changed, by_db, sources
        self.readings = tuple(
            read_all(s.measurements, s.plan, s.symptoms, s.not_measured) for s in (self.before, self.after)
        )
        self.was = {s.id: s for s in self.before.symptoms}
        self.now = {s.id: s for s in self.after.symptoms}

    def comparison(self) -> Comparison:
        """Everything in its order."""
        obstacle = self._obstacle()
        heard = obstacle is None and self.after.measurements.signal.kind != "none"
        self.shifts = self._shifts() if obstacle is None else {}
        sets = self._sorted() if heard and self.changed not in _OTHER_SIGNAL else _Sets()
        verdict: Outcome = "not-comparable"
        if obstacle is not None:
            reason = obstacle
        elif self.changed in _OTHER_SIGNAL:
            reason = _OTHER_SIGNAL[self.changed]
        else:
            verdict, reason = self._verdict(sets)
            if sets.hidden and verdict != "not-comparable":
                reason += f"; {_names(sets.hidden)} hidden by noise now"
        causes, chances = self._causes()
        m = [s.measurements for s in (self.before, self.after)]
        return Comparison(
            before=self.before,
            after=self.after,
            changed=self.changed,
            by_db=self.by_db,
            changes=tuple(changes_of(m[0], m[1], self.readings[0], self.readings[1], self._slopes())) if heard else (),
            conditions=tuple(conditions_of(m[0], m[1])) if obstacle is None else (),
            gone=tuple(sets.gone),
            hidden=tuple(sets.hidden),
            new=tuple(sets.new),
            still=tuple(sets.still),
            borderline=tuple(sets.borderline),
            unseen_before=tuple(sets.unseen_before),
            causes=causes,
            chance_before=chances,
            verdict=verdict,
            reason=reason,
            remarks=tuple(self._remarks()),
            _sources=self.sources,
        )

    def _obstacle(self) -> str | None:
        """Why the two can't be compared."""
        one, two = self.before, self.after
        if (
            one.sha256 is not None
            and one.sha256 == two.sha256
            and (one.measurements.channel == two.measurements.channel)
        ):
            return "both are the same recording"
        kinds = [s.measurements.signal.kind for s in (one, two)]
        if kinds[0] == "none":
            return "the first recording holds no signal"
        if self.changed in _OTHER_SIGNAL:
            return None
        if kinds[1] == "none":
            return "the second recording holds no signal: look at dial, sideband, level, and whether it was sending"
        modes = [_mode(s) for s in (one, two)]
        if modes[0] != modes[1]:
            return f"the first is {modes[0]}, the second {modes[1]}: their limits and measures are not the same"
        return None

    def _shifts(self) -> dict[str, Shift]:
        """What became of each mark that the first recording has."""
        if self.after.measurements.signal.kind == "none":
            return dict(self._left_without_a_signal())
        pairs = {name: shift(name, self.readings[0][name], self.readings[1][name]) for name in MARKS}
        return {name: s for name, s in pairs.items() if s is not None}

    def _left_without_a_signal(self) -> Iterator[tuple[str, Shift]]:
        """What can be said with no tone to compare with: what stays in the noise, and other signals."""
        for name in ("noise-bursts", "dropouts"):
            if name in self.was and f"symptoms.{name}" not in self.after.not_measured:
                gone = name not in self.now
                yield name, Shift(db=-40.0 if gone else 0.0, sigma_db=2.0)
        if "other-signal" in self.was:
            yield "other-signal", Shift(db=-40.0, sigma_db=2.0)  # it would have been taken for the signal

    # -- symptoms

    def _sorted(self) -> _Sets:
        sets = _Sets()
        for name in dict.fromkeys((*self.was, *self.now)):
            getattr(sets, self._fate(name, sets)).append(name)
        return sets

    def _fate(self, name: str, sets: _Sets) -> str:
        moved = self.shifts.get(name)
        if name in self.was and name in self.now:
            return "still"
        here = self.after if name in self.was else self.before
        unseen = here.not_measured.get(f"symptoms.{name}")
        if isinstance(unseen, str):
            return "hidden" if name in self.was else "unseen_before"
        if name in self.was:
            certain = moved is not None and moved.holds != "at least" and moved.db <= -SHOWN_DB
            seen = unseen is None and (moved is None or moved.fell or MARKS[name].read is None)
            at_bound, fate, other = "at most", "gone", "hidden"
        else:
            certain = moved is not None and moved.holds != "at most" and moved.db >= SHOWN_DB
            seen = unseen is None and (moved is None or moved.rose or MARKS[name].read is None)
            at_bound, fate, other = "at least", "new", "unseen_before"
        if certain or seen:
            return fate
        if unseen is None and moved is not None and moved.holds != at_bound:
            sets.borderline.append(name)
            return "still"
        return other

    # -- verdict

    def _verdict(self, sets: _Sets) -> tuple[Outcome, str]:
        good, bad = self._for_the_better(sets), self._for_the_worse(sets)
        score = sum(good.values()) - sum(bad.values())
        main = [s for s in self.was.values() if s.severity == "fault"] or list(self.was.values())
        faults_left = [n for n, s in self.now.items() if s.severity == "fault" and not self._expected(n)]
        if main and good and not bad and not faults_left and all(s.id in sets.gone for s in main):
            rest = [n for n in sets.still if n in self.now]
            left = f"; {_names(rest)} {_stay(rest)} as a remark" if rest else ""
            return "fixed", f"{_names([s.id for s in main])} gone{left}"
        told = [f"{_names(list(good))} {'gone or ' if set(good) & set(sets.gone) else ''}less"] if good else []
        told += [f"{_names(list(bad))} {'new or ' if set(bad) & set(sets.new) else ''}more"] if bad else []
        if score > 0:
            return "better", "; ".join(told)
        if score < 0:
            return "worse", "; ".join(told)
        if good:
            return "same", f"some is better and some is worse: {'; '.join(told)}"
        if main and all(s.id in sets.hidden for s in main):
            why = f"the second recording could not have shown {_names([s.id for s in main])}"
            return "not-comparable", f"{why}: hidden is not gone"
        if sets.unseen_before:
            return "same", (
                f"nothing that both could show has changed; {_names(sets.unseen_before)}: seen now, and the first "
                "recording could not have shown it"
            )
        if not self.was and not self.now:
            return "same", "neither has anything beyond its limit, as far as could be seen"
        return "same", "nothing changed by more than the scatter"

    def _for_the_better(self, sets: _Sets) -> dict[str, float]:
        out = {name: self._points(name, self.was[name]) for name in sets.gone}
        for name in (*sets.still, *sets.hidden):
            moved = self.shifts.get(name)
            if name in self.was and moved is not None and moved.fell and moved.stands_out:
                out[name] = 0.5 * _POINTS[self.was[name].severity]
        return {name: points for name, points in out.items() if points}

    def _for_the_worse(self, sets: _Sets) -> dict[str, float]:
        out = {name: self._points(name, self.now[name]) for name in sets.new}
        for name in sets.still:
            moved = self.shifts.get(name)
            if name in self.now and moved is not None and moved.rose and moved.stands_out:
                out[name] = 0.5 * _POINTS[self.now[name].severity]
        return {name: points for name, points in out.items() if points and not self._expected(name)}

    def _points(self, name: str, symptom: Symptom) -> float:
        """What a symptom that came or went counts; a note only where it did so by more than a trifle."""
        if symptom.severity == "fault":
            return _POINTS["fault"]
        moved = self.shifts.get(name)
        trifling = moved is not None and moved.holds == "exactly" and abs(moved.db) < TRIFLE_DB
        near = 2.0 if symptom.unit in ("dB", "dBc") and name != "overshoot" else 0.2 * abs(symptom.limit)
        about_the_limit = abs(abs(symptom.value) - abs(symptom.limit)) < max(2.0 * (symptom.sigma or 0.0), near)
        return 0.0 if trifling or about_the_limit else _POINTS["note"]

    def _expected(self, name: str) -> bool:
        """A mark that only seems stronger because the signal was made weaker on purpose."""
        if self.changed not in (*BY_PAD, "recording-level") or name not in _ADDED:
            return False
        moved = self.shifts.get(name)
        most_db = (30.0 if self.by_db is None else self.by_db) + 6.0
        return moved is None or moved.db <= most_db

    # -- causes

    def _setting(self) -> Setting | None:
        if self.changed is None:
            return None
        levels = [s.measurements.signal.level_dbfs for s in (self.before, self.after)]
        loss = None if levels[0] is None or levels[1] is None else levels[0] - levels[1]
        return Setting(change=self.changed, by_db=self.by_db, loss_db=loss)

    def _causes(self) -> tuple[tuple[Cause, ...], dict[str, float]]:
        b = self.before
        listed = find_causes(b.measurements, b.symptoms, b.not_measured, b.plan)
        setting = self._setting()
        marks = {n: s for n, s in self.shifts.items() if n in self.was and s.holds != "at least"}
        if setting is None or not setting.decides or not marks or not self.was:
            return listed, {c.id: c.probability for c in listed}
        evidence, priors = observe(b.measurements, b.symptoms, b.not_measured), priors_for(b.plan)
        posterior = weigh(evidence.seen, priors)
        then = weigh_outcome(posterior, evidence.seen, marks, setting)
        ids = [c.id for c in listed if c.id != NO_FAULT]
        was = posterior.probability
        ids += [c for c, p in then.probability.items() if c not in ids and p >= max(LISTED, RAISED * was[c])]
        old = {c.id: c for c in listed}
        chance = then.probability
        out = []
        for cause in sorted(ids, key=lambda c: -chance[c]):
            fits, misfits = self._told(cause, marks, setting)
            mine = [n for n in marks if cause in MAKERS[n].rows]
            mark = max(mine, key=lambda n: MAKERS[n].rows[cause].p, default=None)
            rivals = {c: chance[c] * MAKERS[mark].rows[c].p for c in ids if mark and c in MAKERS[mark].rows}
            known = old.get(cause)
            out.append(
                Cause(
                    id=cause,
                    text=CAUSES[cause].text,
                    probability=chance[cause],
                    evidence_for=(*fits, *(known.evidence_for if known else ())),
                    against=(*misfits, *(known.against if known else ())),
                    same_as=tuple(
                        c
                        for c in ids
                        if alike(cause, c, evidence.seen, posterior, priors)
                        and not _split(cause, c, posterior, then, priors)
                    ),
                    experiment=propose(cause, rivals, mark, frozenset({setting.change})),
                )
            )
        return tuple(out), {c: was[c] for c in ids}

    def _told(self, cause: str, marks: Mapping[str, Shift], setting: Setting) -> tuple[list[str], list[str]]:
        """What the outcome says for and against one cause, in words."""
        fits, misfits = [], []
        for name, moved in marks.items():
            if cause not in MAKERS[name].rows:
                continue
            odds = odds_for(cause, name, moved, setting)
            words = f"{NAMES[name]}: {describe(name, moved, self.readings)} {how(setting.change, setting.by_db)}"
            if odds >= 1.5:
                fits.append(words)
            elif odds <= 1.0 / 1.5:
                misfits.append(words)
        return fits, misfits

    def _slopes(self) -> dict[str, float]:
        """Change of each mark per dB of the pad, where the pad is large enough to judge by."""
        if self.changed not in BY_PAD or self.by_db is None or self.by_db < DECIDES_DB:
            return {}
        return {n: s.db / self.by_db for n, s in self.shifts.items() if s.holds == "exactly"}

    def _remarks(self) -> Iterator[str]:
        if self.changed is None:
            yield "It was not said what was changed (--changed), so the causes are those of the first recording alone."
        if self.changed in BY_PAD:
            yield from self._on_the_pad()
        if self.changed == "dummy-load":
            yield 'A shielded load weakens the signal too: unless it was coupled closer, this is also "distance".'

    def _on_the_pad(self) -> Iterator[str]:
        if self.by_db is None:
            yield "The pad's value was not given (--by-db); 10 to 30 dB were assumed."
            return
        if self.by_db < DECIDES_NOTHING_DB:
            yield f"Less than {DECIDES_NOTHING_DB:.0f} dB decides nothing about the causes: take 20 dB or more."
            return
        if self.by_db < DECIDES_DB:
            yield "A receiver deep in limiting may need 20 dB or more to show it."
        setting = self._setting()
        loss = None if setting is None else setting.loss_db
        control = self.before.plan.receiver.gain_control
        if loss is None:
            return
        if control is False and loss < self.by_db - 6.0:
            yield (
                f"The tone became {loss:.0f} dB weaker, clearly less than the pad: either the signal goes round it, "
                "or a stage was limiting."
            )
        elif control is not False and loss < 0.5 * self.by_db:
            yield (
                f"The tone's audio level fell by {max(loss, 0.0):.0f} dB only, as with a gain control that is on: what "
                "is made in the audio stages then stays as it was."
            )


def _split(one: str, other: str, before: Posterior, then: Posterior, priors: Mapping[str, float]) -> bool:
    """Whether the outcome told the two apart."""
    ratios = [p.likelihood_ratio(one, other, priors) for p in (before, then)]
    if ratios[0] is None or ratios[1] is None:
        return False
    return not 1.0 / SPLIT <= ratios[1] / ratios[0] <= SPLIT


class _Sets:
    def __init__(self) -> None:
        self.gone: list[str] = []
        self.hidden: list[str] = []
        self.new: list[str] = []
        self.still: list[str] = []
        self.borderline: list[str] = []
        self.unseen_before: list[str] = []


def _by_the_same_limits(before: SavedResult, after: SavedResult) -> SavedResult:
    """The second one judged by the limits of the first, where their plans set different ones."""
    if dict(before.plan.limits) == dict(after.plan.limits):
        return after
    plan = replace(after.plan, limits=before.plan.limits)
    try:
        found, unseen = judge_symptoms.find(after.measurements, plan)
    except PlanError as error:
        raise ResultError(f"{before.where}: {error}") from None
    return replace(after, symptoms=found, not_measured=unseen, plan=plan)


def _mode(side: SavedResult) -> str:
    kind = side.measurements.signal.kind
    if kind == "keyed" and Case(side.measurements, side.plan, {}).slow:
        return "slowly keyed"
    return {"steady": "a steady tone", "keyed": "keyed", "shifted": "shifted", "four-tone": "a four-tone slot"}[kind]


def how(changed: str, by_db: float | None) -> str:
    """The experiment as it stands behind a finding."""
    pad = "a pad" if by_db is None else f"{by_db:g} dB"
    return _HOW[changed].format(pad=pad, by="" if by_db is None else f" by {by_db:g} dB")


def describe(name: str, moved: Shift, readings: Sequence[Mapping[str, Reading]]) -> str:
    """A mark's change in a few words."""
    if MARKS[name].scale == "level":
        size = f"{abs(moved.db):.0f} dB"
        if moved.holds == "at most":
            return f"at least {size} weaker" if moved.db < 0 else "not seen"
        if not moved.is_clear:
            return f"the same ({moved.db:+.1f} dB)"
        return f"{size} {'weaker' if moved.db < 0 else 'stronger'}"
    factor = math.exp(moved.db / DB_PER_SHARE)
    if moved.holds == "at most":
        return "gone" if factor < 0.3 else "not seen"
    if not moved.is_clear:
        return f"the same ({100 * (factor - 1):+.0f} %)"
    return f"{factor:.2g} times as much"


def _names(ids: Sequence[str]) -> str:
    names = [NAMES.get(n, n) for n in dict.fromkeys(ids)]
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _stay(ids: Sequence[str]) -> str:
    return "stays" if len(ids) == 1 else "stay"


VERDICTS: tuple[Outcome, ...] = get_args(Outcome)
