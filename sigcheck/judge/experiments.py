"""Experiments: what to change before recording again, what each cause predicts, which one to propose.

An experiment sorts causes by what becomes of their mark (the symptom that they made). Each has two
or three outcomes; a cause predicts one, or either of two with the probabilities written beside it.
What is not listed predicts the ``otherwise`` outcome. Every prediction is let be wrong one time in ten.

Physics behind the predictions: what modulates the signal at its source, or multiplies it later,
keeps its level relative to the tone when the signal is weakened; a limiting stage recovers, so its
marks fall faster than the signal; what is added after the gain, or reaches the receiver by another
way, rises relative to the tone. Supply hum goes with the supply.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from sigcheck.judge.shapes import Experiment
from sigcheck.judge.tables import CAUSES, NAMES, NO_FAULT

WRONG = 0.1  # share of predictions from physics that turn out wrong (judgement)

# Putting things back and recording again takes a few minutes whatever the experiment.
OVERHEAD_MINUTES = 3.0

SOMETHING_ELSE = "something else"


@dataclass(frozen=True, kw_only=True)
class Trial:
    """One experiment as data.

    ``outcomes`` maps a key to its text, in which ``{mark}`` stands for the symptom in question;
    ``predicts`` maps a cause to an outcome's key, or to the probabilities of several.
    """

    title: str
    do: str
    minutes: int
    parts: str
    care: str
    outcomes: Mapping[str, str]
    otherwise: str
    predicts: Mapping[str, str | Mapping[str, float]]
    id: str | None = None  # where it is not the table's key: what a comparison calls this change
    marks: frozenset[str] | None = None  # None: it says something about every mark

    def chances(self, cause: str) -> dict[str, float]:
        """Probability of each outcome if this is the cause."""
        said = self.predicts.get(cause, self.otherwise)
        sure = {said: 1.0} if isinstance(said, str) else said
        even = WRONG / len(self.outcomes)
        return {key: (1.0 - WRONG) * sure.get(key, 0.0) + even for key in self.outcomes}


_LESS = "{mark}: gone or clearly weaker relative to the tone"
_SAME = "{mark}: the same relative to the tone"
_MORE = "{mark}: stronger relative to the tone"

# The recorder and the audio path: what they do does not depend on where the signal came from.
_AUDIO_PATH = (
    "audio-overdrive",
    "recorder-dropouts",
    "recorder-clock",
    "recorder-processing",
    "microphone-pickup",
)
_RECEIVER = (
    "receiver-overload", "receiver-supply-hum", "receiver-drift", "receiver-oscillator-noise",
    "receiver-pulling", "gain-control",
)  # fmt: skip

_BY_PAD: Mapping[str, str | Mapping[str, float]] = {
    "receiver-overload": {"less": 0.9, "same": 0.1},  # unchanged if the signal goes round the pad
    "receiver-pulling": {"less": 0.9, "same": 0.1},
    "gain-control": "less",
    "audio-overdrive": {"same": 0.6, "less": 0.4},  # a gain control keeps the audio level
    "audio-ground-loop": {"more": 0.5, "same": 0.5},  # likewise
    "mains-remodulation": {"same": 0.5, "more": 0.5},  # its path does not pass the pad
    "co-channel-station": "more",
    "local-noise": "more",
    "broadcast-breakthrough": {"less": 0.5, "more": 0.5},  # on the tone, or added
    "recorder-processing": {"less": 0.3, "same": 0.4, "more": 0.3},
    "weak-path": "more",
}

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
        outcomes={
            "stays": "{mark}: still there, so the transmitter does not make it",
            "goes": "{mark}: goes with the transmitter",
        },
        otherwise="goes",
        predicts={
            "audio-ground-loop": "stays",
            "co-channel-station": "stays",
            "broadcast-breakthrough": {"stays": 0.7, "goes": 0.3},
            "local-noise": {"stays": 0.85, "goes": 0.15},  # its own supply may be the noise
            "recorder-dropouts": "stays",
            "microphone-pickup": {"stays": 0.5, "goes": 0.5},
        },
    ),
    "recording-level": Trial(
        title="Turn the recording level down",
        do="Turn the recorder's input down by 10 dB and record; put it back, turn the receiver's "
        "volume down by 10 dB and record again.",
        minutes=2,
        parts="none",
        care='Switch off "enhancements" of a computer\'s input first.',
        outcomes={"less": _LESS, "same": _SAME},
        otherwise="same",
        predicts={
            "audio-overdrive": {"less": 0.9, "same": 0.1},
            "recorder-processing": {"less": 0.5, "same": 0.5},
            "microphone-pickup": {"less": 0.3, "same": 0.7},
        },
    ),
    "gain-control-off": Trial(
        title="Gain control off",
        do="Switch off gain control, noise reduction, blanker and automatic notch, turn the radio- "
        "frequency gain down by hand until nothing limits, and record again.",
        minutes=2,
        parts="none",
        care="Mind your ears: without gain control the next signal may be loud.",
        outcomes={"less": _LESS, "same": _SAME},
        otherwise="same",
        predicts={
            "gain-control": "less",
            "receiver-overload": {"less": 0.8, "same": 0.2},
            "receiver-pulling": {"less": 0.3, "same": 0.7},
            "keying-leak": {"less": 0.3, "same": 0.7},
            "audio-overdrive": {"less": 0.5, "same": 0.5},
        },
    ),
    "attenuator": Trial(
        title="20 to 30 dB in the receiver's antenna lead",
        do="Put a pad of 20 to 30 dB into the receiver's antenna lead (or use a short wire indoors "
        "for an antenna) and record again.",
        minutes=5,
        parts="a pad",
        care="Never join a transmitter's output straight to a receiver. If the tone falls by clearly "
        "less than the pad, the signal goes round it or a stage was limiting.",
        outcomes={"less": _LESS, "same": _SAME, "more": _MORE},
        otherwise="same",
        predicts=_BY_PAD,
    ),
    "steady-station": Trial(
        title="Listen to a known steady signal",
        do="Transmitter off: receive a standard-frequency station, or a battery-powered crystal "
        "oscillator across the room, about as strong as the test signal, without changing "
        "anything on the receiver.",
        minutes=5,
        parts="a battery-powered crystal oscillator, or an antenna for a standard-frequency station",
        care="A weak station clears the receiver of hum, drift and noise, not of overload.",
        outcomes={
            "too": "{mark}: on the known signal too, so the receiving side makes it",
            "not": "{mark}: not on the known signal",
        },
        otherwise="not",
        predicts={
            "receiver-supply-hum": "too",
            "receiver-oscillator-noise": "too",
            "receiver-drift": "too",
            "audio-ground-loop": "too",
            "local-noise": "too",
            "broadcast-breakthrough": "too",
            "co-channel-station": {"too": 0.5, "not": 0.5},
            "gain-control": {"too": 0.3, "not": 0.7},  # only on a keyed signal
            "receiver-overload": {"too": 0.3, "not": 0.7},  # only where it is as strong
            "receiver-pulling": {"too": 0.2, "not": 0.8},
            "mains-remodulation": {"too": 0.25, "not": 0.75},
            "synthesiser-steps": {"too": 0.2, "not": 0.8},  # the receiver may step
            **dict.fromkeys(_AUDIO_PATH, "too"),
        },
    ),
    "audio-lead": Trial(
        title="Isolate the audio lead",
        do="Put an isolating transformer into the audio lead, or run the recorder on its own "
        "battery, or hold a microphone before the loudspeaker, and record again.",
        minutes=5,
        parts="an audio isolating transformer",
        care="Never lift a protective earth: isolate the audio, not the mains.",
        outcomes={"less": _LESS, "same": _SAME},
        otherwise="same",
        predicts={
            "audio-ground-loop": "less",
            "receiver-supply-hum": {"less": 0.15, "same": 0.85},
            "mains-remodulation": {"less": 0.3, "same": 0.7},
            "switching-supply": {"less": 0.15, "same": 0.85},
            "rf-feedback": {"less": 0.25, "same": 0.75},
            "broadcast-breakthrough": {"less": 0.4, "same": 0.6},
            "local-noise": {"less": 0.3, "same": 0.7},
            "receiver-overload": {"less": 0.1, "same": 0.9},
        },
    ),
    "battery": Trial(
        title="Transmitter on a battery",
        do="Run transmitter and keyer on a battery of the same voltage, with mains, USB, earth and "
        "keyer leads off and the old supply unplugged, and record again.",
        minutes=10,
        parts="a battery and a fuse",
        care="Right polarity, and a fuse at the battery. Inside mains supplies only the qualified. The "
        "frequency may shift a little, which is no fault.",
        outcomes={
            "less": "{mark}: gone or at least 10 dB weaker",
            "same": "{mark}: within 2 dB of before",
            "changed": "{mark}: changed by half or more either way",
        },
        otherwise="same",
        predicts={
            "transmitter-supply-hum": "less",
            "mains-remodulation": {"less": 0.6, "same": 0.2, "changed": 0.2},
            "magnetic-hum": {"less": 0.4, "same": 0.6},  # a live transformer near by keeps it
            "switching-supply": "less",
            "supply-sag": {"changed": 0.7, "less": 0.3},
            "parasitic-oscillation": {"same": 0.3, "changed": 0.7},
            "rf-feedback": {"less": 0.4, "same": 0.2, "changed": 0.4},
            "loose-connection": {"less": 0.3, "same": 0.7},
            "oscillator-noise": {"less": 0.15, "same": 0.85},
            "audio-ground-loop": {"less": 0.2, "same": 0.8},
            "local-noise": {"less": 0.2, "same": 0.8},
        },
    ),
    "receiver-battery": Trial(
        title="Receiver and recorder on batteries",
        do="Run receiver and recorder on batteries and record again.",
        minutes=10,
        parts="batteries and a fuse",
        care="Right polarity, and a fuse at the battery.",
        outcomes={"less": _LESS, "same": _SAME},
        otherwise="same",
        predicts={
            "receiver-supply-hum": "less",
            "audio-ground-loop": "less",
            "mains-remodulation": {"less": 0.4, "same": 0.6},
            "switching-supply": {"less": 0.15, "same": 0.85},
            "local-noise": {"less": 0.2, "same": 0.8},
        },
    ),
    "dummy-load": Trial(
        title="Transmitter into a shielded load",
        do="Let the transmitter work into a shielded dummy load and couple it closer to the receiver "
        "until the tone is as strong as before, then record again.",
        minutes=10,
        parts="a dummy load rated for the power",
        care="The load gets hot. Without restoring the level this only makes the signal weaker and clears nothing.",
        outcomes={
            "less": "{mark}: gone or at least 10 dB weaker",
            "same": "{mark}: about the same",
            "changed": "{mark}: its size or sign changes, or it jumps elsewhere",
        },
        otherwise="same",
        predicts={
            "mains-remodulation": "less",
            "rf-feedback": "less",
            "parasitic-oscillation": {"less": 0.5, "changed": 0.5},
            "oscillator-pulling": {"changed": 0.6, "same": 0.4},  # unless a stage pulls it, not the antenna
            "supply-sag": {"changed": 0.3, "same": 0.7},
            "loose-connection": {"less": 0.4, "same": 0.6},
            "path-fading": "less",
            "multipath-spread": "less",
            "path-doppler": "less",
        },
    ),
    "keying": Trial(
        title="Change the keying",
        do="Key the transmitter with another keyer or a plain switch, or change the capacitor that "
        "shapes its edges, and record again.",
        minutes=15,
        parts="another key, or a few capacitors",
        care="Dummy load and low power while the case is open; nothing above 50 V unless qualified.",
        outcomes={
            "less": "{mark}: better",
            "same": "{mark}: as before",
        },
        otherwise="same",
        predicts={
            "hard-keying": "less",
            "soft-keying": "less",
            "key-bounce": "less",
            "keyer-timing": "less",
            "keying-leak": {"less": 0.2, "same": 0.8},
            "synthesiser-settling": {"less": 0.2, "same": 0.8},
            "wrong-setting": {"less": 0.3, "same": 0.7},
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
        outcomes={"less": _LESS, "same": _SAME, "more": _MORE},
        otherwise="same",
        predicts={
            **_BY_PAD,
            "mains-remodulation": {"less": 0.3, "same": 0.3, "more": 0.4},
            "path-fading": {"less": 0.4, "same": 0.3, "more": 0.3},
            "weak-path": "more",
        },
    ),
    "other-receiver": Trial(
        title="Another receiver and recorder",
        do="Record with a second receiver or recorder of another kind at the same spot.",
        minutes=10,
        parts="a second receiver or recorder",
        care="Nothing is connected straight from a transmitter to a receiver or computer.",
        outcomes={"less": _LESS, "same": _SAME},
        otherwise="same",
        predicts={
            **dict.fromkeys((*_RECEIVER, *_AUDIO_PATH), "less"),
            "receiver-overload": {"less": 0.5, "same": 0.5},  # the other one is as close
            "audio-ground-loop": {"less": 0.6, "same": 0.4},
        },
    ),
    "warm-up": Trial(
        title="Let it warm up",
        do="Leave the receiver on for hours and let the transmitter work for an hour with the same "
        "covers and the same duty, then record again.",
        minutes=60,
        parts="none",
        care="Identify, and keep to the licence, while the transmitter runs; better into a dummy load.",
        outcomes={"less": "{mark}: a tenth or less of before", "same": "{mark}: as before"},
        otherwise="same",
        predicts={
            "warm-up": "less",
            "receiver-drift": {"less": 0.5, "same": 0.5},
            "synthesiser-steps": {"less": 0.5, "same": 0.5},
            "loose-connection": {"less": 0.2, "same": 0.8},
        },
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
    return _described(max(open_, key=lambda key: _bits_per_minute(TRIALS[key], field)), cause, field, name)


def _bits_per_minute(trial: Trial, field: Mapping[str, float]) -> float:
    return expected_bits(trial, field) / (trial.minutes + OVERHEAD_MINUTES)


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
        do=trial.do,
        minutes=trial.minutes,
        parts=trial.parts,
        care=trial.care,
        outcomes=outcomes,
    )


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
