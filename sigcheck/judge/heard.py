"""Why might nobody hear it? The conditions of being copied far away, in the order in which they bite.

Each is passed, failed or unknown. A transmission outside its window is not even looked for; one that
drifts or has the wrong spacing is looked for in the wrong way; a dirty tone wastes its power; and what
is right in all that may still be too weak. The first that failed is the obstacle to remove first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sigcheck.judge.limits import LIMITS
from sigcheck.judge.shapes import Condition, Hearing, Symptom
from sigcheck.measure.results import Measurements

LOCAL_SNR_DB = 35.0  # a signal so strong was heard near by, and says nothing of the path (common practice, no source)


# (name, its symptoms, name of the obstacle, what is said where none of them is there)
_CONDITIONS: tuple[tuple[str, tuple[str, ...], str, str], ...] = (
    ("start inside the window", ("off-time",), "wrong start", "starts on time"),
    ("frequency", ("off-frequency",), "off frequency", "on the planned frequency"),
    ("speed and spacing", ("off-speed", "off-shift"), "wrong spacing or speed", "as it should be"),
    ("drift", ("drift", "frequency-jumps", "frequency-wobble"), "drift", "stays where it is"),
    (
        "tone purity",
        ("hum-sidebands", "spur-lines", "rasp", "noisy-tone", "chirp", "harmonic-distortion"),
        "dirty tone",
        "nothing that spoils it",
    ),
    ("keying", ("keying-timing", "slow-keying", "backwave", "key-clicks"), "bad keying", "clean"),
    ("text or symbols", ("wrong-message",), "wrong message", "as planned"),
)

# Of what does not concern every kind of signal, "unknown" would be noise in the list.
_NOT_ASKED: Mapping[str, frozenset[str]] = {
    "steady": frozenset({"speed and spacing", "keying", "text or symbols", "start inside the window"}),
    "four-tone": frozenset({"keying"}),
}


def hearing(m: Measurements, symptoms: Sequence[Symptom], not_measured: Mapping[str, object]) -> Hearing:
    """What stands between this signal and a distant listener, as far as the recording tells."""
    if m.signal.kind == "none":
        return Hearing(sentence="No signal was heard, so nothing can be said about its way to others.")
    skipped = _NOT_ASKED.get(m.signal.kind, frozenset())
    found = {s.id: s for s in symptoms}
    conditions = [_condition(row, found, not_measured) for row in _CONDITIONS if row[0] not in skipped]
    conditions.append(_margin(m))
    first = next((c for c in conditions if c.state == "failed"), None)
    return Hearing(
        conditions=tuple(conditions),
        first_obstacle=None if first is None else first.obstacle,
        sentence=_sentence(m, first, conditions),
    )


def _condition(
    row: tuple[str, tuple[str, ...], str, str], found: Mapping[str, Symptom], not_measured: Mapping[str, object]
) -> Condition:
    name, ids, obstacle, fine = row
    faults = [found[i] for i in ids if i in found and found[i].severity == "fault"]
    if faults:
        return Condition(name=name, state="failed", text="; ".join(_plain(s) for s in faults), obstacle=obstacle)
    unseen = [not_measured.get(f"symptoms.{i}") for i in ids]
    if all(u is not None for u in unseen):
        why = next((u for u in unseen if isinstance(u, str)), None) or _hidden(ids, unseen)
        return Condition(name=name, state="unknown", text=why, obstacle=obstacle)
    notes = [_plain(found[i]) for i in ids if i in found]
    text = f"bearable: {'; '.join(notes)}" if notes else fine
    return Condition(name=name, state="passed", text=text, obstacle=obstacle)


def _hidden(ids: Sequence[str], levels: Sequence[object]) -> str:
    shown = [f"{LIMITS[i].quantity} of {v:.3g} {LIMITS[i].unit}" for i, v in zip(ids, levels, strict=True)
             if isinstance(v, float)]  # fmt: skip
    return f"could not be told: {' and '.join(shown)} would not have been seen".replace(" would", " or less would", 1)


def _plain(symptom: Symptom) -> str:
    return symptom.text.partition(" (limit")[0]


def _margin(m: Measurements) -> Condition:
    copy = m.copy
    if copy.margin_db is None:
        why = copy.missing.get("margin_db", "not measured")
        return Condition(name="margin", state="unknown", text=why, obstacle="no margin")
    here = "" if not _local(m) else "; a recording made near by says nothing of the path"
    if copy.margin_db < 0:
        text = f"{-copy.margin_db:.0f} dB too weak to be copied"
        return Condition(name="margin", state="failed", text=text, obstacle="no margin")
    text = f"could be {copy.margin_db:.0f} dB weaker before the copy breaks{here}"
    return Condition(name="margin", state="passed", text=text, obstacle="no margin")


def _local(m: Measurements) -> bool:
    return m.signal.snr_db is not None and m.signal.snr_db > LOCAL_SNR_DB


def _sentence(m: Measurements, first: Condition | None, conditions: Sequence[Condition]) -> str:
    if first is not None:
        return f"The first thing in the way of a distant listener: {first.obstacle} ({first.text})."
    unknown = [c.name for c in conditions if c.state == "unknown"]
    if unknown:
        return f"Nothing seen here keeps a distant listener from copying it; not known: {', '.join(unknown)}."
    path = " What is left is the path, the antenna and the power." if _local(m) else ""
    return f"Nothing here keeps a distant listener from copying it.{path}"
