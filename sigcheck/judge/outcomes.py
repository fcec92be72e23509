"""What each cause predicts for its mark under each experiment, and how likely an observed change is.

A prediction is a mixture of *laws*. A law says by how many decibels the mark changes relative to the
tone: between two fixed numbers, or in proportion to the pad, or to the loss of the tone's own audio
level. Marks in hertz, seconds and shares change on the same scale (twice as much is 6 dB), so that "a
quarter for each 6 dB" is -2 dB per dB.

The physics: what modulates the signal at its source, or multiplies it later, keeps its level relative
to the tone. A product of order n beside the tone falls n - 1 dB per dB; a stage deep in limiting falls
little at first, so the law begins at half a dB per dB. What is added after the gain keeps its own
audio level. What does not pass the pad gains up to the whole of it. Shares other than that are
judgement; a prediction may be wrong one time in ten, for all marks of a cause together.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import product
from typing import Literal, NamedTuple

from sigcheck.judge.model import Posterior, Seen
from sigcheck.judge.readings import Shift
from sigcheck.judge.tables import MARKS

Change = Literal[
    "distance", "attenuator", "battery", "audio-lead", "warm-up", "dummy-load", "keying", "steady-station",
    "recording-level", "retune", "transmitter-off", "gain-control-off", "receiver-battery", "other-receiver",
    "other",
]  # fmt: skip
CHANGES: tuple[Change, ...] = Change.__args__  # type: ignore[attr-defined]

WRONG = 0.1  # share of predictions from physics that turn out wrong (judgement)

BY_PAD = ("attenuator", "distance")
DECIDES_NOTHING_DB = 10.0  # a stage 12 dB past its limit loses 2 to 6 dB of its marks by so much
DECIDES_DB = 20.0
PAD_UNKNOWN_DB = (10.0, 30.0)  # what is usually put in where nobody says how much

# Beyond the laws anything may happen; its density is that of one in thirty over 60 dB.
_BROAD = 0.03 / 60.0


class Law(NamedTuple):
    """A change between ``low`` and ``high`` dB, plus so many dB per dB of the pad, or of the tone's loss."""

    low: float
    high: float
    low_per_pad: float = 0.0
    high_per_pad: float = 0.0
    low_per_loss: float = 0.0
    high_per_loss: float = 0.0


LAWS: Mapping[str, Law] = {
    "same": Law(0.0, 0.0),
    "gone": Law(-60.0, -12.0),
    "less": Law(-40.0, -6.0),
    "more": Law(6.0, 25.0),
    "a little": Law(-8.0, 8.0),
    "anything": Law(-25.0, 25.0),
    "whatever": Law(-40.0, 30.0),
    "second order": Law(0.0, 0.0, -1.3, -0.8),
    "limiting": Law(0.0, 0.0, -3.0, -0.5),
    "products": Law(0.0, 0.0, -2.2, -0.8),
    "steeper": Law(0.0, 0.0, -3.0, -1.5),
    "towards it": Law(0.0, 0.0, -1.0, 0.0),  # down to its true value, hidden before by the gain control
    "round the pad": Law(0.0, 0.0, 0.0, 1.0),
    "by the pad": Law(0.0, 0.0, 0.7, 1.2),
    "audio level fixed": Law(0.0, 0.0, 0.0, 0.0, 1.0, 1.0),
    "with the audio level": Law(0.0, 0.0, 0.0, 0.0, -4.0, -0.5),
    "settled": Law(-60.0, -10.0),  # under a tenth after 2.3 time constants: -20 dB; a good deal of it at least
}


class Prediction(NamedTuple):
    """Probabilities of laws, and the physical reason."""

    laws: Mapping[str, float]
    why: str


def _one(law: str, why: str) -> Prediction:
    return Prediction({law: 1.0}, why)


def _two(first: str, share: float, second: str, why: str) -> Prediction:
    return Prediction({first: share, second: 1.0 - share}, why)


SAME = _one("same", "made by or multiplied on the signal elsewhere: it keeps its level relative to the tone")

_PAD: dict[str, Prediction] = {
    "receiver-overload": Prediction({"products": 0.5, "limiting": 0.4, "same": 0.1}, "products fall faster than the "
                                    "signal, from deep limiting late; the same where the signal goes round the pad"),
    "receiver-pulling": _two("second order", 0.5, "steeper", "injection: harmonics of the beat fall with the signal, "
                             "the shift in hertz with its square"),
    "gain-control": _two("less", 0.9, "same", "less to control, nothing below its threshold"),
    "audio-overdrive": _two("with the audio level", 0.9, "same", "flat tops follow the audio level, which a gain "
                            "control holds"),
    "audio-ground-loop": _two("audio level fixed", 0.8, "same", "added after the gain: it keeps its own audio level, "
                              "unless the recorder was turned down with it"),
    "recorder-processing": _one("anything", "it has thresholds of its own"),
    "keying-leak": _two("same", 0.6, "towards it", "a gain control had lifted it at key-up"),
    "broadcast-breakthrough": _two("second order", 0.5, "steeper", "detected in the front end, or carried over to "
                                   "the tone there"),
    "mains-remodulation": _two("same", 0.5, "round the pad", "its second path does not pass the pad"),
    "local-noise": _two("same", 0.7, "round the pad", "picked up by the antenna, or by the leads behind the pad"),
    "weak-path": _one("round the pad", "the receiver's own noise takes over"),
    "microphone-pickup": _one("audio level fixed", "the room does not know of the pad"),
}  # fmt: skip

PREDICTIONS: Mapping[str, Mapping[str, Prediction]] = {
    "attenuator": _PAD,
    "distance": _PAD | {
        "mains-remodulation": _one("anything", "house wiring and leads are coupled anew"),
        "co-channel-station": _one("by the pad", "the other station stays as strong"),
        "broadcast-breakthrough": _two("by the pad", 0.5, "same", "added: as strong as before; on the tone: a share "
                                       "of it"),
        "local-noise": _one("by the pad", "the noise stays as strong"),
        "path-fading": _one("anything", "another place in the pattern"),
        "multipath-spread": _one("anything", "likewise"),
        "path-doppler": _one("anything", "likewise"),
        "rf-feedback": _two("same", 0.7, "anything", "leads may have moved"),
        "switching-supply": _two("same", 0.8, "anything", "part of it may be radiated"),
    },
    "battery": {
        "transmitter-supply-hum": _one("gone", "no ripple from a battery"),
        "mains-remodulation": _two("less", 0.6, "anything", "the supply was the rectifier, or the way out of the "
                                   "house"),
        "magnetic-hum": _two("gone", 0.4, "same", "a live transformer near by keeps it"),
        "switching-supply": _one("gone", "no converter"),
        "supply-sag": _two("less", 0.7, "more", "a stiff battery sags less, a weak one more"),
        "parasitic-oscillation": _two("same", 0.3, "anything", "other leads, another voltage"),
        "rf-feedback": _two("less", 0.5, "anything", "leads that carried it are gone"),
        "receiver-overload": _two("same", 0.9, "less", "unless a lost lead was radiating"),
        "audio-ground-loop": _two("same", 0.8, "gone", "unless the loop ran through the keyer"),
        "oscillator-noise": _two("same", 0.85, "less", "unless the supply was noisy"),
        "loose-connection": _two("same", 0.7, "gone", "unless it is in the supply lead"),
        "local-noise": _two("same", 0.8, "gone", "unless it was the unplugged supply"),
        "keyer-timing": _two("same", 0.9, "anything", "a keyer may mind its supply"),
    },
    "audio-lead": {
        "audio-ground-loop": _one("gone", "the loop is open"),
        "receiver-overload": _two("same", 0.9, "less", "unless the lead led radio frequency in"),
        "receiver-supply-hum": _two("same", 0.85, "gone", "unless it came by the lead's screen"),
        "mains-remodulation": _two("same", 0.6, "anything", "the lead may be part of its path"),
        "switching-supply": _two("same", 0.85, "gone", "unless it came by the lead"),
        "rf-feedback": _two("same", 0.7, "anything", "the lead may touch keyer or transmitter"),
        "broadcast-breakthrough": _two("same", 0.6, "gone", "detected in the audio gear"),
        "local-noise": _two("same", 0.7, "gone", "unless it came by the lead"),
        "recorder-processing": _two("same", 0.7, "anything", "another input may be used"),
    },
    "warm-up": {
        "warm-up": _one("settled", "falls by a factor e in each time constant"),
        "receiver-drift": _two("settled", 0.5, "same", "the receiver warmed up too, or it drifts for another reason"),
        "parasitic-oscillation": _one("anything", "its place and strength go with temperature"),
        "loose-connection": _one("anything", "contacts move as they warm"),
        "synthesiser-steps": _two("less", 0.6, "same", "fewer corrections once it has settled"),
        "temperature-cycling": _two("same", 0.8, "anything", "the cycle may have changed"),
    },
    "dummy-load": {
        "mains-remodulation": _one("less", "nothing reaches the house wiring"),
        "rf-feedback": _one("gone", "no field about keyer and leads"),
        "parasitic-oscillation": _two("gone", 0.6, "anything", "another load, another stability"),
        "oscillator-pulling": _two("same", 0.4, "anything", "size or sign change if the antenna pulls"),
        "supply-sag": _two("same", 0.6, "anything", "another current drawn"),
        "transmitter-supply-hum": _one("a little", "another current drawn"),
        "keying-leak": _two("same", 0.6, "anything", "a leak radiated by the case does not know of the load"),
        "transmit-heating": _two("same", 0.8, "less", "unless mismatch heated it"),
        "loose-connection": _two("same", 0.6, "gone", "unless it is in the antenna lead"),
        "path-fading": _one("gone", "no path"),
        "multipath-spread": _one("gone", "no path"),
        "path-doppler": _one("gone", "no path"),
    },
    "keying": {
        "hard-keying": _one("less", "other edges"),
        "soft-keying": _one("less", "other edges"),
        "key-bounce": _one("gone", "other contacts"),
        "keyer-timing": _one("less", "another keyer"),
        "keying-leak": _two("same", 0.8, "less", "another key may block better"),
        "synthesiser-settling": _two("same", 0.8, "less", "a softer edge hides a part of it"),
        "oscillator-pulling": _two("same", 0.9, "a little", "a softer edge hides a part of it"),
        "wrong-setting": _two("same", 0.7, "gone", "the keyer held it"),
    },
    # The second recording is of another signal: what is on it too comes from this side.
    "steady-station": {
        "receiver-supply-hum": _one("same", "the receiver's hum is on every signal"),
        "receiver-oscillator-noise": _one("same", "the receiver's oscillator mixes with every signal"),
        "receiver-drift": _one("same", "every carrier moves alike"),
        "recorder-clock": _one("same", "every frequency is off in proportion"),
        "recorder-dropouts": _one("same", "whatever is recorded"),
        "recorder-processing": _two("same", 0.5, "anything", "it treats every signal"),
        "audio-overdrive": _two("same", 0.6, "anything", "at the same audio level"),
        "audio-ground-loop": _one("audio level fixed", "it is there without any signal"),
        "microphone-pickup": _two("same", 0.7, "anything", "the room is the same"),
        "broadcast-breakthrough": _two("same", 0.6, "anything", "with the transmitter off too"),
        "local-noise": _two("same", 0.6, "anything", "with the transmitter off too"),
        "co-channel-station": _two("same", 0.4, "gone", "if it is still there"),
        "mains-remodulation": _two("gone", 0.7, "anything", "a station near by may come by the wiring too"),
        "gain-control": _two("gone", 0.7, "same", "only on a keyed signal as strong"),
        "receiver-overload": _two("gone", 0.7, "anything", "only if it is as strong"),
        "receiver-pulling": _two("gone", 0.8, "anything", "only if it is as strong"),
        "synthesiser-steps": _two("gone", 0.8, "same", "the receiver may step"),
        "path-fading": _two("gone", 0.6, "anything", "the other path has its own pattern"),
        "multipath-spread": _two("gone", 0.6, "anything", "the other path has its own pattern"),
    },
    "recording-level": {
        "audio-overdrive": _two("gone", 0.75, "same", "unless it clips before the control that was turned"),
        "audio-ground-loop": _two("same", 0.5, "by the pad", "the recorder's control turns both down, the volume "
                                  "only the tone"),
        "broadcast-breakthrough": _two("same", 0.8, "by the pad", "unless it comes in behind the volume control"),
        "recorder-processing": _one("anything", "it has thresholds of its own"),
        "microphone-pickup": _two("same", 0.7, "less", "a small loudspeaker distorts less"),
    },
    "retune": {
        "soft-keying": _two("same", 0.7, "less", "a wider filter shows whether it was the filter"),
        "co-channel-station": _two("same", 0.7, "anything", "another part of the passband"),
        "audio-ground-loop": _one("audio level fixed", "it stays at its own audio frequency"),
        "recorder-processing": _one("anything", "a notch or a coder minds the frequency"),
    },
    "transmitter-off": {
        "audio-ground-loop": _one("same", "added in the audio"),
        "co-channel-station": _one("same", "another transmitter's"),
        "broadcast-breakthrough": _two("same", 0.7, "gone", "added, or on the tone"),
        "local-noise": _two("same", 0.85, "gone", "unless the transmitter's own supply made it"),
        "recorder-dropouts": _one("same", "whatever is recorded"),
        "microphone-pickup": _two("same", 0.5, "gone", "noises of the room stay"),
    },
    "gain-control-off": {
        "gain-control": _one("gone", "nothing is controlled"),
        "receiver-overload": _two("less", 0.8, "same", "nothing limits once the gain is down"),
        "receiver-pulling": _two("same", 0.7, "less", "less gain before the oscillator"),
        "keying-leak": _two("same", 0.6, "less", "a gain control had lifted it at key-up"),
        "audio-overdrive": _two("with the audio level", 0.8, "same", "flat tops follow the audio level"),
        "audio-ground-loop": _one("audio level fixed", "added after the gain"),
        "recorder-processing": _two("same", 0.5, "less", "noise reduction was part of it"),
        "supply-sag": _two("same", 0.7, "anything", "a gain control had flattened the droop"),
        "local-noise": _two("same", 0.6, "anything", "a blanker was at work"),
    },
    "receiver-battery": {
        "receiver-supply-hum": _one("gone", "no ripple from a battery"),
        "audio-ground-loop": _one("gone", "no loop without the mains"),
        "mains-remodulation": _two("same", 0.6, "less", "the receiver's mains lead was its way in"),
        "switching-supply": _two("same", 0.85, "gone", "unless it fed the receiver"),
        "local-noise": _two("same", 0.8, "less", "unless it came by the mains lead"),
        "receiver-overload": _two("same", 0.9, "less", "unless the mains lead was an antenna"),
    },
    "other-receiver": {
        "receiver-supply-hum": _one("gone", "another receiver"),
        "receiver-drift": _one("less", "another oscillator"),
        "receiver-oscillator-noise": _one("less", "another oscillator"),
        "receiver-pulling": _two("less", 0.7, "anything", "another oscillator"),
        "receiver-overload": _two("less", 0.5, "anything", "the other one is as close"),
        "gain-control": _two("gone", 0.7, "anything", "another control"),
        "audio-overdrive": _two("gone", 0.8, "anything", "other levels"),
        "audio-ground-loop": _two("gone", 0.5, "anything", "other leads"),
        "recorder-processing": _two("gone", 0.8, "anything", "another recorder"),
        "recorder-dropouts": _one("gone", "another recorder"),
        "recorder-clock": _two("gone", 0.7, "anything", "another clock"),
        "microphone-pickup": _two("gone", 0.7, "anything", "another way of recording"),
        "mains-remodulation": _two("same", 0.4, "anything", "another antenna, other leads"),
        "local-noise": _two("same", 0.6, "anything", "another antenna, other leads"),
        "soft-keying": _two("same", 0.7, "less", "another filter"),
        "co-channel-station": _two("same", 0.7, "anything", "another passband"),
    },
    "other": {},
}  # fmt: skip
"""Experiment -> cause -> prediction; for what is not listed see `prediction`."""

# What our transmitter does is not on another signal, and goes with it.
_OTHERWISE: Mapping[str, Prediction] = {
    "steady-station": _one("gone", "another transmitter does not have it"),
    "transmitter-off": _one("gone", "the transmitter makes it"),
}

# Nothing listed made the mark, or the prediction is wrong: then nothing happens, or anything.
_UNKNOWN = Prediction({"same": 0.5, "whatever": 0.5}, "not known")


def prediction(change: str, cause: str) -> Prediction:
    """What the cause predicts for its mark under this experiment; unless listed, it keeps its level."""
    return PREDICTIONS[change].get(cause) or _OTHERWISE.get(change, SAME)


@dataclass(frozen=True, kw_only=True)
class Setting:
    """How an experiment was done.

    ``by_db`` is the pad, or what the level was turned down by; ``loss_db`` how much weaker the tone's own
    audio level became (None: not known). A gain control that was on holds it.
    """

    change: Change
    by_db: float | None = None
    loss_db: float | None = None

    @property
    def decides(self) -> bool:
        """Whether the outcome says anything about the causes."""
        if self.change == "other":
            return False
        return not (self.change in BY_PAD and self.by_db is not None and self.by_db < DECIDES_NOTHING_DB)

    def reach(self, law: Law) -> tuple[float, float]:
        """The law's interval in dB."""
        pad = PAD_UNKNOWN_DB if self.by_db is None else (self.by_db, self.by_db)
        loss = self.loss_db or 0.0
        if law.high_per_loss < 0:
            loss = max(loss, 0.0)  # overdrive follows the level down; where the tone is louder it says nothing
        low = law.low + min(law.low_per_pad * d for d in pad) + law.low_per_loss * loss
        high = law.high + max(law.high_per_pad * d for d in pad) + law.high_per_loss * loss
        return low, max(high, low)


def likelihood(expected: Prediction, seen: Shift, setting: Setting) -> float:
    """Density per dB of the observed change under a prediction; a probability where it is a bound."""
    broad = _BROAD if seen.holds == "exactly" else 0.03
    return broad + 0.97 * sum(
        share * _density(*setting.reach(LAWS[law]), seen) for law, share in expected.laws.items()
    )


def _density(low: float, high: float, seen: Shift) -> float:
    """Of a change spread evenly over low..high and blurred by the scatter, at what was seen."""
    sigma = max(seen.sigma_db, 1e-3)
    if seen.holds == "exactly":
        if high - low < 1e-6:
            return math.exp(-0.5 * ((seen.db - low) / sigma) ** 2) / (sigma * math.sqrt(2.0 * math.pi))
        return (_below((seen.db - low) / sigma) - _below((seen.db - high) / sigma)) / (high - low)
    if high - low < 1e-6:
        under = _below((seen.db - low) / sigma)
    else:  # mean of the normal distribution over the interval, by its integral x P(x) + p(x)
        a, b = (seen.db - high) / sigma, (seen.db - low) / sigma
        under = (_area(b) - _area(a)) / (b - a)
    return under if seen.holds == "at most" else 1.0 - under


def _below(x: float) -> float:
    return 0.5 * math.erfc(-x / math.sqrt(2.0))


def _area(x: float) -> float:
    """Integral of `_below` up to x."""
    return x * _below(x) + math.exp(-0.5 * min(x * x, 1400.0)) / math.sqrt(2.0 * math.pi)


# ---- weighing ----------------------------------------------------------------------------------

# Combinations less likely than this beforehand can't become the likely ones by one experiment.
_WORTH = 2e-5


def weigh_outcome(posterior: Posterior, seen: Seen, shifts: Mapping[str, Shift], setting: Setting) -> Posterior:
    """The causes' probabilities after what an experiment did to their marks.

    Each mark was made by one of the causes that are there, in proportion to how readily each makes it,
    or by something unlisted; what became of it is as likely as its maker predicts. Whether a cause's
    prediction holds is one draw for all of its marks.
    """
    if not setting.decides or not shifts:
        return posterior
    rows = {m: _Row(m, s, seen, setting) for m, s in shifts.items() if m in MARKS}
    weights = [(group, share * _likelihood_of(group, rows)) for group, share in posterior.sets if share > _WORTH]
    total = sum(w for _, w in weights)
    if total <= 0.0:
        return posterior
    known = {c for group, _ in posterior.sets for c in group}
    probability = dict(posterior.probability) | dict.fromkeys(known, 0.0)
    for group, w in weights:
        for cause in group:
            probability[cause] += w / total
    held = next((share for group, share in posterior.sets if not group), 0.0)
    empty = next((w for group, w in weights if not group), 0.0) / total
    return replace(
        posterior,
        probability={c: min(p, 1.0) for c, p in probability.items()},
        nothing=posterior.nothing * (empty / held if held > 0 else 0.0),
        sets=tuple((group, w / total) for group, w in weights),
    )


class _Row:
    """One mark: how readily each cause makes it, and how likely its change is then."""

    def __init__(self, mark: str, seen_shift: Shift, seen: Seen, setting: Setting) -> None:
        makers = MARKS[mark].rows
        self.readily = {c: row.p for c, row in makers.items()}
        self.leak = seen.leak(mark)
        self.unknown = likelihood(_UNKNOWN, seen_shift, setting)
        self.right = {c: likelihood(prediction(setting.change, c), seen_shift, setting) for c in makers}

    def of(self, group: Iterable[str], wrong: frozenset[str]) -> float:
        """Likelihood of the change when these causes are there and those predictions are wrong."""
        weight, value = self.leak, self.leak * self.unknown
        for cause in group:
            p = self.readily.get(cause, 0.0)
            weight += p
            value += p * (self.unknown if cause in wrong else self.right.get(cause, self.unknown))
        return value / weight


def _likelihood_of(group: frozenset[str], rows: Mapping[str, _Row]) -> float:
    makers = [c for c in group if any(c in row.readily for row in rows.values())]
    return sum(
        chance * math.prod(row.of(makers, wrong) for row in rows.values()) for chance, wrong in _faults(makers)
    )


def _faults(makers: list[str]) -> Iterator[tuple[float, frozenset[str]]]:
    """Which predictions are wrong, with the probability of each combination."""
    for flags in product((False, True), repeat=len(makers)):
        chance = math.prod(WRONG if flag else 1.0 - WRONG for flag in flags)
        yield chance, frozenset(c for c, flag in zip(makers, flags, strict=True) if flag)


def odds_for(cause: str, mark: str, seen_shift: Shift, setting: Setting) -> float:
    """How much more the mark's change fits this cause than an unknown one."""
    right = (1.0 - WRONG) * likelihood(prediction(setting.change, cause), seen_shift, setting)
    unknown = likelihood(_UNKNOWN, seen_shift, setting)
    return (right + WRONG * unknown) / unknown
