"""Experiments: what to change before recording again, what each cause predicts, which one to propose.

An experiment sorts causes by what becomes of their mark (the symptom that they made). Each has two
or three outcomes; a cause predicts one, or either of two with the probabilities written beside it.
What is not listed predicts the ``otherwise`` outcome. Every prediction is let be wrong one time in ten.

What each cause predicts for its mark, and why, stands in `sigcheck.judge.outcomes`, by which two
recordings are compared too; here a predicted change becomes one of the outcomes that a person would
name. Only where the outcome is no change of level (a line that stays at its own audio frequency, a
setting that was wrong) an experiment has predictions of its own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from sigcheck.judge.outcomes import WRONG, prediction
from sigcheck.judge.shapes import Experiment
from sigcheck.judge.tables import CAUSES, NAMES, NO_FAULT

# What becomes of a mark under each law, as a person sees it. Whether a gain control holds the audio
# level is not known beforehand.
_SEEN_AS: Mapping[str, Mapping[str, float]] = {
    "same": {"same": 1.0},
    "a little": {"same": 1.0},
    "gone": {"less": 1.0},
    "less": {"less": 1.0},
    "settled": {"less": 1.0},
    "products": {"less": 1.0},
    "limiting": {"less": 1.0},
    "steeper": {"less": 1.0},
    "second order": {"less": 1.0},
    "towards it": {"same": 0.5, "less": 0.5},
    "with the audio level": {"same": 0.6, "less": 0.4},
    "audio level fixed": {"same": 0.5, "more": 0.5},
    "round the pad": {"same": 0.4, "more": 0.6},
    "by the pad": {"more": 1.0},
    "more": {"more": 1.0},
}
_OTHER_NAMES: Mapping[str, Mapping[str, str]] = {
    "steady-station": {"same": "too", "more": "too", "less": "not"},
    "transmitter-off": {"same": "stays", "more": "stays", "less": "goes"},
}

# Putting things back and recording again takes a few minutes whatever the experiment.
OVERHEAD_MINUTES = 3.0

QUICK_MINUTES = 2
QUICK_SHARE = 0.4  # of what the most telling one tells (judgement)

SOMETHING_ELSE = "something else"


@dataclass(frozen=True, kw_only=True)
class Trial:
    """One experiment as data.

    ``outcomes`` maps a key to its text, in which ``{mark}`` stands for the symptom in question.
    ``change`` is the row of predicted changes that it has; without one ``predicts`` maps a cause to
    an outcome's key, or to the probabilities of several, and ``otherwise`` is that of all others.
    """

    title: str
    do: str
    minutes: int
    parts: str
    care: str
    outcomes: Mapping[str, str]
    change: str | None = None
    otherwise: str = ""
    predicts: Mapping[str, str | Mapping[str, float]] = field(default_factory=dict)
    id: str | None = None  # where it is not the table's key: what a comparison calls this change
    marks: frozenset[str] | None = None  # None: it says something about every mark

    def chances(self, cause: str) -> dict[str, float]:
        """Probability of each outcome if this is the cause."""
        sure = self._said(cause)
        even = WRONG / len(self.outcomes)
        return {key: (1.0 - WRONG) * sure.get(key, 0.0) + even for key in self.outcomes}

    def _said(self, cause: str) -> Mapping[str, float]:
        if self.change is None:
            said = self.predicts.get(cause, self.otherwise)
            return {said: 1.0} if isinstance(said, str) else said
        out = dict.fromkeys(self.outcomes, 0.0)
        for law, share in prediction(self.change, cause).laws.items():
            for key, part in self._named(law).items():
                out[key] += share * part
        return out

    def _named(self, law: str) -> Mapping[str, float]:
        """The outcomes that a person would name where this law holds."""
        seen = _SEEN_AS.get(law)
        if seen is None:  # anything may happen
            return dict.fromkeys(self.outcomes, 1.0 / len(self.outcomes))
        names = _OTHER_NAMES.get(self.change or "", {})
        there: dict[str, float] = {}
        for key, part in seen.items():
            key = names.get(key, key)
            if key not in self.outcomes:
                key = "changed" if "changed" in self.outcomes else next(iter(names.values()), "same")
            there[key] = there.get(key, 0.0) + part
        return there


_LESS = "{mark}: gone or clearly weaker relative to the tone"
_SAME = "{mark}: the same relative to the tone"
_MORE = "{mark}: stronger relative to the tone"

TRIALS: Mapping[str, Trial] = {
    "retune": Trial(
        title="Retune the receiver",
        do="Turn the receiver's dial by some 137 Hz and record again, then turn it back; use a wider "
        "filter if there is one.",
        minutes=1,
        parts="none",
        care="Nothing else may change between the two recordings.",
        outcomes={
            "moves": "{mark}: moves with the tone and keeps its distance from it",
            "stays": "{mark}: stays at its own audio frequency",
            "filter": "{mark}: better with the wider filter",
        },
        otherwise="moves",
        predicts={
            "audio-ground-loop": "stays",
            "local-noise": "stays",
            "microphone-pickup": "stays",
            "recorder-dropouts": "stays",
            "soft-keying": {"moves": 0.7, "filter": 0.3},
        },
        # audio harmonics move by their order's multiple wherever they are made, and what happens to
        # the tone itself (chirp, drift, rasp) moves with it in any case
        marks=frozenset(
            {
                "hum-sidebands",
                "audio-hum",
                "spur-lines",
                "other-signal",
                "voice-breakthrough",
                "noise-bursts",
                "slow-keying",
                "backwave",
            }
        ),
    ),
    "transmitter-off": Trial(
        title="Listen without the transmitter",
        do="Record 20 s with the transmitter switched off and the receiver untouched.",
        minutes=1,
        parts="none",
        care="Leave the gain, the dial and the leads as they are.",
        change="transmitter-off",
        outcomes={
            "stays": "{mark}: still there, so the transmitter does not make it",
            "goes": "{mark}: goes with the transmitter",
        },
    ),
    "recording-level": Trial(
        title="Turn the recording level down",
        do="Turn the recorder's input down by 10 dB and record; put it back, turn the receiver's "
        "volume down by 10 dB and record again.",
        minutes=2,
        parts="none",
        care='Switch off "enhancements" of a computer\'s input first.',
        change="recording-level",
        outcomes={"less": _LESS, "same": _SAME},
    ),
    "gain-control-off": Trial(
        title="Gain control off",
        do="Switch off gain control, noise reduction, blanker and automatic notch, turn the radio-frequency "
        "gain down by hand until nothing limits, and record again.",
        minutes=2,
        parts="none",
        care="Mind your ears: without gain control the next signal may be loud.",
        change="gain-control-off",
        outcomes={"less": _LESS, "same": _SAME},
    ),
    "attenuator": Trial(
        title="20 to 30 dB in the receiver's antenna lead",
        do="Put a pad of 20 to 30 dB into the receiver's antenna lead (or use a short wire indoors "
        "for an antenna) and record again.",
        minutes=5,
        parts="a pad",
        care="Never join a transmitter's output straight to a receiver. If the tone falls by clearly "
        "less than the pad, the signal goes round it or a stage was limiting.",
        change="attenuator",
        outcomes={"less": _LESS, "same": _SAME, "more": _MORE},
    ),
    "steady-station": Trial(
        title="Listen to a known steady signal",
        do="Transmitter off: receive a standard-frequency station, or a battery-powered crystal "
        "oscillator across the room, about as strong as the test signal, without changing "
        "anything on the receiver.",
        minutes=5,
        parts="a battery-powered crystal oscillator, or an antenna for a standard-frequency station",
        care="A weak station clears the receiver of hum, drift and noise, not of overload.",
        change="steady-station",
        outcomes={
            "too": "{mark}: on the known signal too, so the receiving side makes it",
            "not": "{mark}: not on the known signal",
        },
    ),
    "audio-lead": Trial(
        title="Isolate the audio lead",
        do="Put an isolating transformer into the audio lead, or run the recorder on its own "
        "battery, or hold a microphone before the loudspeaker, and record again.",
        minutes=5,
        parts="an audio isolating transformer",
        care="Never lift a protective earth: isolate the audio, not the mains.",
        change="audio-lead",
        outcomes={"less": _LESS, "same": _SAME},
    ),
    "battery": Trial(
        title="Transmitter on a battery",
        do="Run transmitter and keyer on a battery of the same voltage, with mains, USB, earth and "
        "keyer leads off and the old supply unplugged, and record again.",
        minutes=10,
        parts="a battery and a fuse",
        care="Right polarity, and a fuse at the battery. Inside mains supplies only the qualified. The "
        "frequency may shift a little, which is no fault.",
        change="battery",
        outcomes={
            "less": "{mark}: gone or at least 10 dB weaker",
            "same": "{mark}: within 2 dB of before",
            "changed": "{mark}: changed by half or more either way",
        },
    ),
    "receiver-battery": Trial(
        title="Receiver and recorder on batteries",
        do="Run receiver and recorder on batteries and record again.",
        minutes=10,
        parts="batteries and a fuse",
        care="Right polarity, and a fuse at the battery.",
        change="receiver-battery",
        outcomes={"less": _LESS, "same": _SAME},
    ),
    "dummy-load": Trial(
        title="Transmitter into a shielded load",
        do="Let the transmitter work into a shielded dummy load and couple it closer to the receiver "
        "until the tone is as strong as before, then record again.",
        minutes=10,
        parts="a dummy load rated for the power",
        care="The load gets hot. Without restoring the level this only makes the signal weaker and clears nothing.",
        change="dummy-load",
        outcomes={
            "less": "{mark}: gone or at least 10 dB weaker",
            "same": "{mark}: about the same",
            "changed": "{mark}: its size or sign changes, or it jumps elsewhere",
        },
    ),
    "keying": Trial(
        title="Change the keying",
        do="Key the transmitter with another keyer or a plain switch, or change the capacitor that "
        "shapes its edges, and record again.",
        minutes=15,
        parts="another key, or a few capacitors",
        care="Dummy load and low power while the case is open; nothing above 50 V unless qualified.",
        change="keying",
        outcomes={
            "less": "{mark}: better",
            "same": "{mark}: as before",
        },
    ),
    "distance": Trial(
        title="Move the receiver away",
        do="Move the receiver and its antenna (rather than the transmitter, whose leads and earth "
        "would change too) and record again.",
        minutes=20,
        parts="none",
        care="Use the same mains outlets and leads, or two things change at once. Antennas belong away "
        "from power lines.",
        change="distance",
        outcomes={"less": _LESS, "same": _SAME, "more": _MORE},
    ),
    "other-receiver": Trial(
        title="Another receiver and recorder",
        do="Record with a second receiver or recorder of another kind at the same spot.",
        minutes=10,
        parts="a second receiver or recorder",
        care="Nothing is connected straight from a transmitter to a receiver or computer.",
        change="other-receiver",
        outcomes={"less": _LESS, "same": _SAME},
    ),
    "warm-up": Trial(
        title="Let it warm up",
        do="Leave the receiver on for hours and let the transmitter work for an hour with the same "
        "covers and the same duty, then record again.",
        minutes=60,
        parts="none",
        care="Identify, and keep to the licence, while the transmitter runs; better into a dummy load.",
        change="warm-up",
        outcomes={"less": "{mark}: a tenth or less of before", "same": "{mark}: as before"},
    ),
    "settings": Trial(
        id="other",
        title="Check the settings",
        do="Compare what was entered with the plan (frequency, reference, speed, shift, text), set "
        "the clock from a time signal, and record again.",
        minutes=5,
        parts="none",
        care="Identify, and keep to the licence, while the transmitter runs.",
        outcomes={"less": "{mark}: gone", "same": "{mark}: as before"},
        otherwise="same",
        predicts={
            "wrong-setting": "less",
            "clock-not-set": "less",
            "keyer-timing": {"less": 0.2, "same": 0.8},
        },
    ),
    "other": Trial(
        title="Record again, longer",
        do="Change nothing and record again for ten minutes or longer.",
        minutes=10,
        parts="none",
        care="Identify, and keep to the licence, while the transmitter runs.",
        outcomes={
            "pattern": "{mark}: comes again in the same way (equal steps, the same course or rhythm)",
            "chance": "{mark}: comes again at random, each time another size",
            "gone": "{mark}: does not come again",
        },
        otherwise="pattern",
        predicts={
            "loose-connection": "chance",
            "synthesiser-steps": "pattern",
            "path-fading": {"chance": 0.7, "gone": 0.3},
            "path-doppler": {"gone": 0.8, "pattern": 0.2},
            "multipath-spread": {"chance": 0.7, "gone": 0.3},
            "recorder-dropouts": {"chance": 0.7, "gone": 0.3},
            "local-noise": {"pattern": 0.4, "chance": 0.4, "gone": 0.2},
            "warm-up": "gone",
            NO_FAULT: "gone",
        },
    ),
}

# Where only one experiment tests a cause in its own way, whatever its rivals.
_OWN_TRIAL: Mapping[str, str] = {
    "hard-keying": "keying",
    "key-bounce": "keying",
    "keyer-timing": "keying",
    "soft-keying": "retune",
    "wrong-setting": "settings",
    "clock-not-set": "settings",
    "recorder-clock": "steady-station",
    "recorder-dropouts": "other-receiver",
    "clock-drift": "steady-station",
    "path-doppler": "other",
    "weak-path": "steady-station",
    NO_FAULT: "other",
}

# Without a signal a known one tells whether the receiver would have heard it.
_MISSING = (
    (
        "the known signal is heard",
        "receiver, lead and recorder are in order: look at the transmitter, its frequency and its power",
    ),
    (
        "the known signal is not heard either",
        "look at the dial, the sideband, the level and the audio lead",
    ),
)

_OWN_MEANING: Mapping[str, Mapping[str, str]] = {
    "soft-keying": {"filter": "the receiver's filter was too narrow"},
    NO_FAULT: {
        "pattern": "then there is something after all: judge that recording",
        "chance": "then there is something after all: judge that recording",
        "gone": "the signal stays clean",
    },
}


def propose(
    cause: str, rivals: Mapping[str, float], mark: str | None, changed: frozenset[str] = frozenset()
) -> Experiment:
    """The experiment that tells most about one cause for its cost in minutes.

    Parameters
    ----------
    cause : the cause in question.
    rivals : how likely this cause, and each other that may have made the same mark, is its maker.
    mark : id of the mark that they explain; None where the signal as a whole is in question.
    changed : experiments that were done already, not to be proposed again.
    """
    field = _field(cause, rivals)
    name = "the signal" if mark is None else NAMES[mark]
    if mark == "no-signal":
        return replace(_described("steady-station", cause, field, name), outcomes=_MISSING)
    own = _OWN_TRIAL.get(cause)
    lone = sum(p for c, p in field.items() if c not in (cause, SOMETHING_ELSE)) < 0.05 * field[cause]
    if own is not None and own not in changed and (lone or cause == NO_FAULT):
        return _described(own, cause, field, name)
    telling = [key for key, t in TRIALS.items() if t.marks is None or mark in t.marks]
    open_ = [key for key in telling if key not in changed] or telling
    return _described(_best(open_, field), cause, field, name)


def _best(keys: Sequence[str], field: Mapping[str, float]) -> str:
    """The most information for the minutes; what takes a minute or two comes first if it tells enough."""
    bits = {key: expected_bits(TRIALS[key], field) for key in keys}
    quick = [k for k in keys if TRIALS[k].minutes <= QUICK_MINUTES and bits[k] >= QUICK_SHARE * max(bits.values())]
    return max(quick or keys, key=lambda key: bits[key] / (TRIALS[key].minutes + OVERHEAD_MINUTES))


def expected_bits(trial: Trial, field: Mapping[str, float]) -> float:
    """Information that the outcome is expected to give about which cause of the field it is, in bits."""
    total = sum(field.values())
    outcome = dict.fromkeys(trial.outcomes, 0.0)
    within = 0.0
    for cause, weight in field.items():
        p = weight / total
        for key, chance in trial.chances(cause).items():
            outcome[key] += p * chance
            within -= p * _plog(chance)
    # mutual information = H(outcome) - H(outcome | cause)
    return max(-sum(_plog(p) for p in outcome.values()) - within, 0.0)


def after(trial: Trial, outcome: str, field: Mapping[str, float]) -> dict[str, float]:
    """Probability of each cause of the field once this outcome was seen."""
    joint = {cause: weight * trial.chances(cause)[outcome] for cause, weight in field.items()}
    total = sum(joint.values())
    return {cause: p / total for cause, p in joint.items()}


def _field(cause: str, rivals: Mapping[str, float]) -> dict[str, float]:
    """The cause, its rivals, and a rest for what nobody thought of: never less than a tenth."""
    field = {c: max(p, 1e-6) for c, p in rivals.items()}
    field.setdefault(cause, 1e-6)
    field[SOMETHING_ELSE] = max(0.1 * sum(field.values()), 1.0 - sum(field.values()))
    return field


def _plog(p: float) -> float:
    return p * math.log2(p) if p > 0 else 0.0


def _described(name: str, cause: str, field: Mapping[str, float], mark: str) -> Experiment:
    trial = TRIALS[name]
    said = _OWN_MEANING.get(cause, {})
    told = [key for key in trial.outcomes if key in said or _possible(trial, key, field)]
    outcomes = tuple(
        (trial.outcomes[key].format(mark=mark), said.get(key) or _meaning(trial, key, field))
        for key in (told if len(told) > 1 else trial.outcomes)
    )
    return Experiment(
        id=trial.id or name,
        title=trial.title,
        do=f"{trial.do} {_how_to_record(trial.id or name)}",
        minutes=trial.minutes,
        parts=trial.parts,
        care=trial.care,
        outcomes=outcomes,
    )


def _how_to_record(change: str) -> str:
    by = " --by-db DB" if change in ("attenuator", "distance", "recording-level") else ""
    return f"Record it as long as before and compare: sigcheck compare BEFORE AFTER --changed {change}{by}"


def _possible(trial: Trial, outcome: str, field: Mapping[str, float]) -> bool:
    """Whether any cause in question predicts this outcome."""
    return any(trial.chances(cause)[outcome] > WRONG for cause in field)


def _meaning(trial: Trial, outcome: str, field: Mapping[str, float]) -> str:
    """Which causes the outcome leaves standing, and which it all but rules out."""
    then = after(trial, outcome, field)
    named = {c: p for c, p in then.items() if c != SOMETHING_ELSE}
    standing = sorted((c for c, p in named.items() if p >= 0.15), key=lambda c: -named[c])
    total = sum(field.values())
    cleared = [c for c in named if c not in standing and field[c] / total >= 0.1 and named[c] < 0.1]
    parts = []
    if standing:
        parts.append("then " + " or ".join(f"{name_of(c)} ({100 * named[c]:.0f} %)" for c in standing))
    else:
        parts.append("then none of the causes named here")
    if cleared:
        parts.append("hardly " + " or ".join(name_of(c) for c in cleared))
    return ", ".join(parts)


def name_of(cause: str) -> str:
    """Plain words for a cause's id."""
    return CAUSES[cause].text if cause in CAUSES else cause
