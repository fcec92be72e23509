"""The judge's knowledge as data: causes, what they leave in a recording, and how often.

Causes are independent yes or no, with the probability that one is there before anything was heard:
a home-built transmitter, tested a few metres from the receiver, by somebody who asks what is wrong.

*Marks* are yes or no in a recording: the symptoms, and a few more that are no fault themselves.
Each active cause makes a mark with its own probability, something unlisted with the ``leak``::

    P(mark absent | causes) = (1 - leak) * product over active causes of (1 - p)          (noisy or)

*Traits* tell causes of the same mark apart and have several states. The mark's strongest line comes
from one of the active causes that can make it, so a trait's distribution is the mean of their rows,
weighted by how readily each makes the ``parent`` mark; ``otherwise`` is the row of the leak and of
causes not listed.

Each row has a believed probability with its reason: physics, let be wrong about one time in ten, or
judgement from common practice. Where the cause can be synthesised the last number is the one in use,
fitted to recordings by `tests/benchmarks/fit_judge.py`, with the belief as if it had been seen thirty times.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple


class CauseRow(NamedTuple):
    """A cause: plain words, the probability beforehand, and the signature in one line."""

    text: str
    prior: float
    why: str


class MarkRow(NamedTuple):
    """A cause makes the mark, for the physical reason ``why``: how often one would believe, and how
    often it did in synthesised recordings (fitted and smoothed; None: it can't be synthesised)."""

    believed: float
    why: str
    fitted: float | None = None

    @property
    def p(self) -> float:
        """The probability that the model uses."""
        return self.believed if self.fitted is None else self.fitted


class TraitRow(NamedTuple):
    """Probabilities of the trait's states where this cause made the parent mark: believed, why, fitted."""

    believed: tuple[float, ...]
    why: str
    fitted: tuple[float, ...] | None = None

    @property
    def p(self) -> tuple[float, ...]:
        """The probabilities that the model uses."""
        return self.believed if self.fitted is None else self.fitted


class Leak(NamedTuple):
    """How often something unlisted makes a mark: believed, and fitted."""

    believed: float
    fitted: float | None = None


@dataclass(frozen=True)
class Mark:
    """A yes-or-no feature. ``is_symptom``: it has a limit and is reported by itself."""

    unlisted: Leak
    rows: dict[str, MarkRow]
    is_symptom: bool = True

    @property
    def leak(self) -> float:
        """The probability that the model uses."""
        return self.unlisted.believed if self.unlisted.fitted is None else self.unlisted.fitted


@dataclass(frozen=True)
class Trait:
    """A feature with several states; ``parent`` None: it holds for the recording as a whole."""

    parent: str | None
    states: tuple[str, ...]
    otherwise: tuple[float, ...]
    rows: dict[str, TraitRow]


_c, _l, _m, _t = CauseRow, Leak, MarkRow, TraitRow

CAUSES: dict[str, CauseRow] = {
    # house and receiver
    "receiver-overload": _c(
        "receiver overload from a nearby transmitter", 0.12,
        "a stage limits: audio harmonics, hum and noise of the stage on the tone, overshoot"),
    "mains-remodulation": _c(
        "re-modulation by a rectifier on the house wiring", 0.05,
        "a switched path beside the direct one: both mains families, amplitude and angle"),
    "receiver-supply-hum": _c(
        "hum on the receiver's own supply", 0.015,
        "the same sidebands on every signal in the passband"),
    "receiver-drift": _c(
        "drift of the receiver's oscillator", 0.02,
        "every carrier in the passband moves alike"),
    "receiver-oscillator-noise": _c(
        "noise of the receiver's own oscillator", 0.01,
        "reciprocal mixing: the same skirt on every carrier"),
    "receiver-pulling": _c(
        "pulling of the receiver's oscillator by the strong signal", 0.01,
        "injection shifts the oscillator while the key is down"),
    "gain-control": _c(
        "a slow or hard gain control in the receiver", 0.04,
        "full gain meets the edge: overshoot, then a sag, without distortion"),
    # transmitter supply
    "transmitter-supply-hum": _c(
        "hum on the transmitter's supply", 0.10,
        "ripple modulates the output stage; the oscillator is pushed by it too"),
    "magnetic-hum": _c(
        "a mains transformer's field in the oscillator", 0.02,
        "the field is at the mains frequency itself"),
    "switching-supply": _c(
        "a switching supply on the transmitter", 0.04,
        "ripple at the converter's own rate, not the mains'"),
    "supply-sag": _c(
        "a transmitter supply that sags under key-down", 0.06,
        "level and frequency settle together"),
    # keying
    "hard-keying": _c(
        "keying edges too hard", 0.07,
        "no shaping: edges as fast as the stage"),
    "soft-keying": _c(
        "keying edges too soft for the speed", 0.03,
        "time constants too long for the dit"),
    "keying-leak": _c(
        "leakage of the oscillator at key-up", 0.05,
        "the keyed stage does not block the running oscillator"),
    "keyer-timing": _c(
        "the keyer's timing", 0.05,
        "element lengths scatter or the ratio is wrong"),
    "key-bounce": _c(
        "bounce of the key or relay", 0.03,
        "contacts open again after the first touch"),
    # oscillator
    "oscillator-noise": _c(
        "noise of the transmitter's oscillator", 0.04,
        "an angle-noise skirt that comes and goes with the key"),
    "oscillator-pulling": _c(
        "pulling of the oscillator at key-down", 0.05,
        "the load or field changes: chirp, level steady"),
    "synthesiser-settling": _c(
        "settling of the synthesiser at each key-down", 0.03,
        "a loop's transient, the same each time"),
    "warm-up": _c(
        "warm-up of the oscillator", 0.08,
        "exponential approach to a final temperature"),
    "clock-drift": _c(
        "clock drift", 0.05,
        "room temperature or ageing: slow and nearly steady"),
    "transmit-heating": _c(
        "heating of the oscillator by transmitting", 0.03,
        "the same drift in each transmission, recovering between"),
    "temperature-cycling": _c(
        "temperature cycling around the oscillator", 0.02,
        "a heater, fan or draught comes and goes"),
    "loose-connection": _c(
        "a loose connection", 0.04,
        "contacts change at random moments by random amounts"),
    "synthesiser-steps": _c(
        "steps of the synthesiser", 0.02,
        "equal steps of its tuning or correction"),
    "parasitic-oscillation": _c(
        "an unstable final stage", 0.02,
        "its own oscillation mixes with the carrier while the key is down"),
    "rf-feedback": _c(
        "the transmitter's own field in keyer, oscillator or leads", 0.02,
        "radio frequency detected in low-level circuits while the key is down"),
    # audio and recorder
    "audio-overdrive": _c(
        "audio overdrive in the receiver's output or the recorder's input", 0.07,
        "flat tops: odd harmonics, also above the receiver's filter; beside the tone all is clean"),
    "audio-ground-loop": _c(
        "a ground loop in the audio lead", 0.06,
        "mains current on the screen adds lines, key up or down"),
    "recorder-dropouts": _c(
        "samples lost by the recorder", 0.03,
        "buffers lost or repeated by a busy computer"),
    "recorder-clock": _c(
        "a wrong sample rate of the recorder", 0.01,
        "every audio frequency wrong in proportion"),
    "recorder-processing": _c(
        "processing in the recorder (automatic level, noise suppression, coding)", 0.03,
        "automatic level, noise suppression or lossy coding"),
    "microphone-pickup": _c(
        "recording through the air by a microphone", 0.02,
        "the room's echo lengthens the fall and fills the gaps"),
    # band and path
    "co-channel-station": _c(
        "another station on the frequency", 0.05,
        "a signal with its own rhythm"),
    "broadcast-breakthrough": _c(
        "breakthrough of a broadcast", 0.02,
        "voice or music detected in the front end"),
    "local-noise": _c(
        "local electrical noise", 0.05,
        "bursts from lamps, motors or supplies, key up or down"),
    "weak-path": _c(
        "too little signal here, nothing else wrong", 0.06,
        "path, antenna or power"),
    "path-fading": _c(
        "fading on the path", 0.03,
        "two paths add and cancel as they change"),
    "multipath-spread": _c(
        "flutter by scattering on the path", 0.015,
        "many moving paths: level and phase vary fast"),
    "path-doppler": _c(
        "a moving reflector or transmitter", 0.01,
        "the path's length changes: a smooth frequency curve"),
    # settings
    "wrong-setting": _c(
        "a setting other than planned", 0.05,
        "frequency, speed, shift or text as entered"),
    "clock-not-set": _c(
        "a clock that is not set", 0.03,
        "starts early or late"),
}  # fmt: skip

MARKS: dict[str, Mark] = {
    "hum-sidebands": Mark(_l(0.004, 0.0033), {
        "transmitter-supply-hum": _m(0.98, "its definition: ripple on the signal", 0.982),
        "receiver-supply-hum": _m(0.98, "its definition: ripple on an oscillator or gain of the receiver", 0.982),
        "mains-remodulation": _m(0.98, "its definition: a rectifier switches a path at the mains rate", 0.985),
        "magnetic-hum": _m(0.98, "its definition: mains field in a coil of the oscillator", 0.985),
        "receiver-overload": _m(0.5, "a limiting stage passes the hum of its own limit on to the tone", 0.714),
        "rf-feedback": _m(0.1, "radio frequency upsets the regulator, ripple gets through"),
        "audio-overdrive": _m(0.05, "limiting the sum of tone and audio hum mixes them", 0.026),
        "switching-supply": _m(0.05, "its input ripple is at twice mains", 0.031),
        "local-noise": _m(0.02, "bursts at the mains rate move the gain control", 0.015),
    }),
    "spur-lines": Mark(_l(0.006, 0.0059), {
        "switching-supply": _m(0.96, "its definition: ripple at the converter's rate", 0.976),
        "parasitic-oscillation": _m(0.85, "products of carrier and oscillation", 0.875),
        "rf-feedback": _m(0.6, "the loop hunts at its own rate"),
        "receiver-overload": _m(0.12, "third-order products with another station", 0.071),
        "co-channel-station": _m(0.25, "beside a steady tone a lone carrier looks like a spur", 0.127),
        "transmitter-supply-hum": _m(0.03, "strong hum leaves lines off the mains families' grid", 0.022),
        "mains-remodulation": _m(0.03, "likewise", 0.017),
        "recorder-processing": _m(0.05, "lossy coding leaves lines"),
        "broadcast-breakthrough": _m(0.25, "its carrier beats with the tone; vowels make lines", 0.132),
        "synthesiser-steps": _m(0.05, "fractional spurs", 0.026),
    }),
    "harmonic-distortion": Mark(_l(0.006, 0.0011), {
        "audio-overdrive": _m(0.97, "its definition: a stage at its rails", 0.985),
        "receiver-overload": _m(0.85, "the product detector or a later stage is driven out of its range", 0.792),
        "receiver-pulling": _m(0.5, "a pulled oscillator makes the beat's own second harmonic", 0.167),
        "microphone-pickup": _m(0.25, "small loudspeakers distort"),
        "recorder-processing": _m(0.1, "a limiter in the recorder"),
        "gain-control": _m(0.02, "a control so fast that it follows the cycle", 0.01),
    }),
    "rasp": Mark(_l(0.006, 0.0034), {
        "oscillator-noise": _m(0.92, "its definition: noise that comes with the carrier", 0.964),
        "receiver-oscillator-noise": _m(0.92, "its definition: the carrier mixed with a noisy oscillator", 0.964),
        "receiver-overload": _m(0.7, "noise of a stage at its limit, on amplitude and phase", 0.842),
        "multipath-spread": _m(0.4, "the signal itself is spread into noise", 0.465),
        "rf-feedback": _m(0.25, "regulators and oscillator disturbed at random"),
        "parasitic-oscillation": _m(0.2, "an unstable stage is noisy", 0.162),
        "switching-supply": _m(0.2, "a wandering converter smears its lines", 0.176),
        "recorder-processing": _m(0.2, "noise suppression mutes the gaps; coding noise follows the tone"),
        "mains-remodulation": _m(0.08, "a contact or rectifier that crackles", 0.063),
        "magnetic-hum": _m(0.03, "strong lines leave a residue", 0.024),
        "transmitter-supply-hum": _m(0.04, "strong lines leave a residue", 0.026),
        "loose-connection": _m(0.15, "a crackling contact", 0.125),
        "audio-overdrive": _m(0.03, "clipping mixes noise from other harmonics' surroundings to the tone", 0.022),
        "co-channel-station": _m(0.2, "another signal within 500 Hz counts as noise", 0.184),
        "key-bounce": _m(0.05, "contacts that chatter", 0.044),
        "broadcast-breakthrough": _m(0.5, "speech on the tone is noise beside it", 0.619),
        "path-fading": _m(0.25, "the faster part of the fading lies beside the tone", 0.208),
        "path-doppler": _m(0.25, "the beat of two paths lies beside the tone", 0.214),
        "local-noise": _m(0.25, "bursts that open and close the gain", 0.274),
        "supply-sag": _m(0.08, "the tail of a strong chirp lies beside the tone", 0.06),
        "oscillator-pulling": _m(0.08, "the tail of a strong chirp lies beside the tone", 0.047),
        "synthesiser-settling": _m(0.08, "the tail of a strong chirp lies beside the tone", 0.047),
    }),
    "noisy-tone": Mark(_l(0.008, 0.0056), {
        "oscillator-noise": _m(0.85, "phase noise within 300 Hz", 0.95),
        "receiver-oscillator-noise": _m(0.85, "likewise, of the receiver's oscillator", 0.95),
        "receiver-overload": _m(0.35, "the phase part of the limiting stage's noise", 0.27),
        "multipath-spread": _m(0.6, "phase varies with the paths", 0.786),
        "loose-connection": _m(0.2, "jitter of a bad contact", 0.119),
        "switching-supply": _m(0.2, "a wandering converter smears its lines", 0.122),
        "parasitic-oscillation": _m(0.2, "an unstable stage is noisy", 0.113),
        "rf-feedback": _m(0.25, "the oscillator is disturbed at random"),
        "recorder-processing": _m(0.1, "coding noise"),
        "transmitter-supply-hum": _m(0.06, "strong lines leave a residue", 0.02),
        "mains-remodulation": _m(0.08, "strong lines leave a residue", 0.041),
        "magnetic-hum": _m(0.08, "strong lines leave a residue", 0.04),
        "synthesiser-steps": _m(0.1, "many small steps", 0.085),
        "synthesiser-settling": _m(0.2, "the transient reaches into the element", 0.2),
        "oscillator-pulling": _m(0.15, "a slow tail of the chirp", 0.15),
        "supply-sag": _m(0.2, "a slow tail of the chirp", 0.2),
        "broadcast-breakthrough": _m(0.3, "speech on the tone", 0.179),
        "local-noise": _m(0.25, "bursts shake the phase", 0.167),
        "co-channel-station": _m(0.15, "its keying lies beside the tone", 0.112),
        "path-fading": _m(0.2, "phase turns as paths cancel", 0.107),
        "path-doppler": _m(0.05, "several moving paths", 0.032),
    }),
    "audio-hum": Mark(_l(0.01, 0.0042), {
        "audio-ground-loop": _m(0.97, "its definition: mains lines added to the audio", 0.985),
        "receiver-supply-hum": _m(0.12, "the same supply feeds the audio stage", 0.055),
        "microphone-pickup": _m(0.2, "transformers and fans in the room"),
        "receiver-overload": _m(0.02, "direct conversion demodulates the hum of its own mixer", 0.01),
        "local-noise": _m(0.05, "bursts at the mains rate have lines at its multiples", 0.031),
        "co-channel-station": _m(0.06, "its carrier stays at key-up, and may lie near a mains harmonic", 0.089),
    }),
    "key-clicks": Mark(_l(0.008, 0.0018), {
        "hard-keying": _m(0.97, "its definition", 0.985),
        "key-bounce": _m(0.3, "a relay's contacts make hard edges", 0.638),
        "audio-overdrive": _m(0.06, "clipping cuts the top off the edge, what is left is steeper", 0.04),
        "receiver-overload": _m(0.1, "likewise in the limiting stage", 0.173),
        "recorder-processing": _m(0.05, "a gate opens suddenly"),
    }),
    "slow-keying": Mark(_l(0.006, 0.0024), {
        "soft-keying": _m(0.96, "its definition", 0.98),
        "microphone-pickup": _m(0.35, "the room's echo lengthens the fall"),
        "multipath-spread": _m(0.1, "late paths lengthen the fall", 0.062),
        "supply-sag": _m(0.04, "a level that never settles looks like a long edge", 0.02),
        "gain-control": _m(0.04, "likewise", 0.037),
        "recorder-processing": _m(0.08, "a slow gate"),
    }),
    "chirp": Mark(_l(0.006, 0.0079), {
        "supply-sag": _m(0.8, "voltage pushes the oscillator", 0.898),
        "oscillator-pulling": _m(0.96, "its definition", 0.985),
        "synthesiser-settling": _m(0.92, "its definition, where the transient lasts into the element", 0.973),
        "receiver-pulling": _m(0.9, "the shift follows the key", 0.966),
        "rf-feedback": _m(0.15, "the field reaches the oscillator"),
        "transmit-heating": _m(0.03, "fast heating of a small crystal"),
    }),
    "droop": Mark(_l(0.15, 0.0361), {
        "supply-sag": _m(0.85, "its definition: the level falls within the element", 0.658),
        "gain-control": _m(0.5, "the control closes during the element", 0.75),
        "receiver-overload": _m(0.2, "the control acts on top of the limiting", 0.103),
        "recorder-processing": _m(0.2, "automatic level"),
    }, is_symptom=False),
    "backwave": Mark(_l(0.006, 0.003), {
        "keying-leak": _m(0.96, "its definition", 0.963),
        "microphone-pickup": _m(0.6, "the room's echo fills the gap"),
        "co-channel-station": _m(0.15, "a weak carrier on the very frequency", 0.098),
        "gain-control": _m(0.03, "the gain opens at key-up by more than the noise tells", 0.019),
        "receiver-overload": _m(0.05, "limiting cuts the key-down level, so the leak looks stronger", 0.025),
        "audio-overdrive": _m(0.03, "likewise in the audio", 0.018),
    }),
    "overshoot": Mark(_l(0.008, 0.0018), {
        "gain-control": _m(0.9, "full gain meets the edge", 0.948),
        "receiver-overload": _m(0.4, "the gain control has far to go", 0.2),
        "supply-sag": _m(0.3, "the reservoir is full at first", 0.15),
        "recorder-processing": _m(0.25, "automatic level"),
        "hard-keying": _m(0.03, "a filter rings on a hard edge, by less than 1 dB", 0.015),
    }),
    "keying-timing": Mark(_l(0.01, 0.0024), {
        "keyer-timing": _m(0.96, "its definition", 0.978),
        "key-bounce": _m(0.4, "broken elements count twice", 0.241),
        "rf-feedback": _m(0.15, "the keyer is disturbed by the field"),
        "recorder-dropouts": _m(0.25, "lost samples shorten elements", 0.153),
        "local-noise": _m(0.03, "bursts break elements", 0.016),
        "path-fading": _m(0.1, "deep fades break elements", 0.062),
        "microphone-pickup": _m(0.1, "echo lengthens marks unevenly"),
        "weak-path": _m(0.1, "noise moves the edges", 0.057),
        "co-channel-station": _m(0.08, "its elements mix with ours", 0.047),
        "wrong-setting": _m(0.05, "an unusual weighting or ratio was entered"),
        "soft-keying": _m(0.05, "dits that never reach full level", 0.025),
        "multipath-spread": _m(0.1, "fades cut elements short", 0.138),
    }),
    "broken-elements": Mark(_l(0.01, 0.0094), {
        "key-bounce": _m(0.92, "its definition: elements open again soon after they begin", 0.959),
        "rf-feedback": _m(0.2, "the keyer resets under its own field"),
        "loose-connection": _m(0.15, "the supply or key lead opens", 0.094),
        "recorder-dropouts": _m(0.1, "a gap near an edge", 0.061),
    }, is_symptom=False),
    "drift": Mark(_l(0.003, 0.0018), {
        "warm-up": _m(0.96, "its definition", 0.979),
        "clock-drift": _m(0.96, "its definition", 0.985),
        "receiver-drift": _m(0.96, "its definition", 0.985),
        "transmit-heating": _m(0.85, "its definition, where a transmission is long enough"),
        "path-doppler": _m(0.8, "a changing speed along the path", 0.706),
        "temperature-cycling": _m(0.25, "part of a cycle looks like drift", 0.208),
        "loose-connection": _m(0.06, "jumps add up", 0.06),
        "synthesiser-steps": _m(0.08, "steps that follow a drift", 0.08),
        "oscillator-noise": _m(0.04, "noise close in wanders", 0.019),
    }),
    "frequency-wobble": Mark(_l(0.004, 0.0026), {
        "temperature-cycling": _m(0.96, "its definition", 0.977),
        "transmit-heating": _m(0.25, "heating and cooling in turn"),
        "path-doppler": _m(0.15, "a swinging antenna or reflector", 0.096),
        "loose-connection": _m(0.06, "jumps to and fro", 0.03),
        "warm-up": _m(0.03, "a thermostat that hunts", 0.015),
        "receiver-drift": _m(0.05, "the receiver's own cycle", 0.017),
        "oscillator-noise": _m(0.05, "noise close in looks like a cycle for a while", 0.017),
    }),
    "frequency-jumps": Mark(_l(0.004, 0.001), {
        "loose-connection": _m(0.95, "its definition", 0.907),
        "synthesiser-steps": _m(0.95, "its definition", 0.924),
        "rf-feedback": _m(0.1, "the oscillator is kicked by its own field"),
        "temperature-cycling": _m(0.03, "fast swings look like jumps", 0.017),
        "receiver-drift": _m(0.03, "a receiver that tunes in steps", 0.01),
        "receiver-overload": _m(0.02, "injection locks and lets go", 0.01),
        "recorder-dropouts": _m(0.05, "a phase break looks like a brief jump", 0.042),
        "oscillator-noise": _m(0.04, "popcorn noise", 0.024),
        "co-channel-station": _m(0.05, "the tone that is followed changes from one to the other", 0.025),
        "path-doppler": _m(0.1, "the stronger path changes over to the other", 0.152),
        "path-fading": _m(0.08, "the phase turns as paths cancel", 0.132),
    }),
    "other-signal": Mark(_l(0.012, 0.0022), {
        "co-channel-station": _m(0.8, "its definition, unless it is on the very frequency", 0.883),
        "broadcast-breakthrough": _m(0.3, "the broadcast's carrier as a beat", 0.15),
        "receiver-overload": _m(0.06, "products with other stations", 0.03),
        "switching-supply": _m(0.06, "a harmonic of the converter falls into the passband", 0.039),
        "parasitic-oscillation": _m(0.05, "it runs on at key-up", 0.028),
    }),
    "voice-breakthrough": Mark(_l(0.003), {
        "broadcast-breakthrough": _m(0.95, "its definition", 0.959),
        "co-channel-station": _m(0.08, "a telephony station", 0.08),
        "microphone-pickup": _m(0.15, "somebody speaks in the room"),
    }),
    "noise-bursts": Mark(_l(0.01, 0.0018), {
        "local-noise": _m(0.95, "its definition", 0.975),
        "switching-supply": _m(0.03, "it radiates", 0.018),
        "loose-connection": _m(0.02, "sparks", 0.01),
        "recorder-dropouts": _m(0.08, "gaps click", 0.04),
        "microphone-pickup": _m(0.08, "knocks in the room"),
        "broadcast-breakthrough": _m(0.06, "syllables are bursts", 0.08),
    }),
    "clipped-recording": Mark(_l(0.002, 0.001), {
        "audio-overdrive": _m(0.4, "the converter's or an amplifier's hard rails; softer stages leave none", 0.533),
        "receiver-overload": _m(0.03, "the audio is loud too", 0.015),
        "recorder-processing": _m(0.03, "a limiter in the recorder"),
        "local-noise": _m(0.02, "bursts reach the rails, seldom in the key-down share", 0.01),
        "weak-path": _m(0.1, "the gain turned up for it until the noise clips", 0.133),
    }),
    "dropouts": Mark(_l(0.003, 0.0013), {
        "recorder-dropouts": _m(0.98, "its definition", 0.94),
        "recorder-processing": _m(0.1, "a gate or a codec's lost frames"),
    }),
    "fading": Mark(_l(0.006, 0.0022), {
        "path-fading": _m(0.93, "its definition", 0.963),
        "multipath-spread": _m(0.3, "slow part of the flutter", 0.491),
        "recorder-processing": _m(0.15, "automatic level"),
        "loose-connection": _m(0.15, "an antenna or supply contact", 0.075),
        "supply-sag": _m(0.04, "a battery at its end", 0.02),
        "path-doppler": _m(0.15, "the reflector's path beats with the direct one", 0.329),
        "co-channel-station": _m(0.05, "a carrier on the same frequency beats with ours", 0.058),
        "gain-control": _m(0.03, "the gain moves between the elements", 0.015),
        "weak-path": _m(0.05, "noise makes the level of an element uncertain", 0.078),
    }),
    # Level changes of some dB, faster or slower, that are not the keying's.
    "flutter": Mark(_l(0.03, 0.0098), {
        "multipath-spread": _m(0.9, "its definition: many paths add and cancel", 0.95),
        "path-fading": _m(0.9, "two paths add and cancel", 0.948),
        "path-doppler": _m(0.7, "the reflector's path beats with the direct one", 0.809),
        "broadcast-breakthrough": _m(0.4, "speech on the tone's amplitude", 0.317),
        "loose-connection": _m(0.3, "a bad contact", 0.15),
        "recorder-processing": _m(0.3, "automatic level"),
        "co-channel-station": _m(0.15, "its elements add to ours", 0.125),
        "local-noise": _m(0.15, "bursts move the gain", 0.275),
        "rf-feedback": _m(0.15, "the level is disturbed"),
        "supply-sag": _m(0.15, "the level falls within each element", 0.075),
        "gain-control": _m(0.1, "the level falls within each element", 0.25),
        "receiver-overload": _m(0.08, "the gain control hunts", 0.04),
        "transmitter-supply-hum": _m(0.04, "hum that beats with the keying", 0.013),
        "receiver-supply-hum": _m(0.04, "likewise", 0.013),
        "mains-remodulation": _m(0.08, "the second path comes and goes", 0.04),
        "weak-path": _m(0.1, "noise on the level", 0.226),
        "key-bounce": _m(0.06, "broken starts differ from element to element", 0.083),
    }, is_symptom=False),
    "weak-signal": Mark(_l(0.01, 0.0017), {
        "weak-path": _m(0.97, "its definition", 0.984),
        "path-fading": _m(0.1, "a fade during the whole recording", 0.052),
        "local-noise": _m(0.1, "noise covers the signal", 0.083),
        "wrong-setting": _m(0.03, "tuned to the filter's edge"),
    }),
    "off-frequency": Mark(_l(0.01), {
        "wrong-setting": _m(0.5, "a frequency or reference entered wrong, or the dial set wrong"),
        "warm-up": _m(0.1, "not there yet", 0.1),
        "clock-drift": _m(0.1, "long ago set", 0.1),
        "receiver-drift": _m(0.15, "the dial reads wrong", 0.15),
        "recorder-clock": _m(0.02, "100 ppm of a tone are a tenth of a hertz"),
    }),
    "off-time": Mark(_l(0.005), {
        "clock-not-set": _m(0.96, "its definition"),
        "wrong-setting": _m(0.1, "another period or delay was entered"),
    }),
    "off-speed": Mark(_l(0.005), {
        "wrong-setting": _m(0.4, "another speed was entered"),
        "keyer-timing": _m(0.1, "a timing element is off its value", 0.1),
    }),
    "off-shift": Mark(_l(0.005), {
        "wrong-setting": _m(0.3, "another shift was entered"),
    }),
    "wrong-message": Mark(_l(0.004), {
        "wrong-setting": _m(0.4, "another text was entered"),
        "keyer-timing": _m(0.08, "gaps so short that characters run together", 0.08),
        "key-bounce": _m(0.15, "extra elements", 0.15),
        "rf-feedback": _m(0.08, "the keyer's memory is disturbed"),
        "recorder-dropouts": _m(0.05, "characters are lost", 0.05),
        "co-channel-station": _m(0.05, "its characters are copied instead", 0.05),
    }),
    "no-signal": Mark(_l(0.02), {
        "weak-path": _m(0.5, "under the noise", 0.5),
        "wrong-setting": _m(0.5, "dial, sideband or frequency put it outside the passband"),
    }, is_symptom=False),
}  # fmt: skip

TRAITS: dict[str, Trait] = {
    # Even multiples of the mains frequency alone (the odd ones 20 dB weaker), mostly (10 dB), neither,
    # or mostly the odd ones.
    "hum-family": Trait("hum-sidebands", ("twice", "mostly twice", "both", "mains"),
                        (0.35, 0.15, 0.25, 0.25), {
        "transmitter-supply-hum": _t((0.52, 0.16, 0.16, 0.16), "a full-wave rectifier's ripple is at twice mains, a half-wave one's at mains", (0.616, 0.124, 0.193, 0.067)),
        "receiver-supply-hum": _t((0.52, 0.16, 0.16, 0.16), "likewise", (0.616, 0.124, 0.193, 0.067)),
        "mains-remodulation": _t((0.08, 0.22, 0.53, 0.17), "a rectifier conducts once or twice a cycle, unevenly", (0.057, 0.16, 0.698, 0.085)),
        "magnetic-hum": _t((0.01, 0.02, 0.1, 0.87), "a transformer's field has the mains frequency", (0.005, 0.01, 0.05, 0.935)),
        "receiver-overload": _t((0.35, 0.2, 0.25, 0.2), "whatever hum the limiting stage's supply has", (0.652, 0.107, 0.134, 0.107)),
        "switching-supply": _t((0.7, 0.15, 0.1, 0.05), "the ripple behind its rectifier", (0.7, 0.15, 0.1, 0.05)),
    }),
    # Share of angle modulation in the power of the mains lines: below 0.1, 0.4, 0.9, above.
    "hum-nature": Trait("hum-sidebands", ("amplitude", "mostly amplitude", "mixed", "angle"),
                        (0.3, 0.2, 0.35, 0.15), {
        "transmitter-supply-hum": _t((0.44, 0.26, 0.22, 0.08), "the output follows the supply, the oscillator is pushed a little", (0.611, 0.228, 0.133, 0.028)),
        "receiver-supply-hum": _t((0.44, 0.26, 0.22, 0.08), "no recording of one signal tells it from the transmitter's", (0.611, 0.228, 0.133, 0.028)),
        "mains-remodulation": _t((0.13, 0.2, 0.55, 0.12), "the second path's phase is arbitrary, so the angle share is sin^2 of it", (0.165, 0.217, 0.492, 0.126)),
        "magnetic-hum": _t((0.02, 0.05, 0.18, 0.75), "the field tunes the coil: frequency modulation", (0.01, 0.025, 0.09, 0.875)),
        "receiver-overload": _t((0.42, 0.25, 0.28, 0.05), "the limit moves with the hum: amplitude, with some conversion to phase", (0.439, 0.259, 0.204, 0.098)),
    }),
    # How the ratio of angle to amplitude goes with the modulation frequency.
    "hum-angle-course": Trait("hum-sidebands", ("falling", "alike", "rising"), (0.4, 0.4, 0.2), {
        "transmitter-supply-hum": _t((0.7, 0.22, 0.08), "pushing shifts the frequency alike at each ripple frequency, so the phase swings by 1/f", (0.784, 0.149, 0.067)),
        "receiver-supply-hum": _t((0.7, 0.22, 0.08), "likewise", (0.784, 0.149, 0.067)),
        "mains-remodulation": _t((0.12, 0.68, 0.2), "one path's phase divides every line alike", (0.072, 0.808, 0.12)),
        "magnetic-hum": _t((0.35, 0.55, 0.1), "all angle", (0.35, 0.55, 0.1)),
        "receiver-overload": _t((0.2, 0.6, 0.2), "conversion at the limit has no memory", (0.22, 0.512, 0.268)),
    }),
    # Do other carriers in the passband have our sidebands?
    "hum-on-others": Trait("hum-sidebands", ("yes", "no"), (0.03, 0.97), {
        "receiver-supply-hum": _t((0.92, 0.08), "the receiver's hum is on every signal", (0.92, 0.08)),
        "receiver-overload": _t((0.3, 0.7), "cross-modulation reaches weak signals too", (0.3, 0.7)),
        "audio-overdrive": _t((0.3, 0.7), "mixed in the audio with all that is there", (0.3, 0.7)),
    }),
    "harmonic-place": Trait("harmonic-distortion", ("above the filter", "inside"), (0.4, 0.6), {
        "audio-overdrive": _t((0.75, 0.25), "made after the filter, so nothing cuts them off", (0.871, 0.129)),
        "receiver-overload": _t((0.45, 0.55), "made at the detector: behind the receiver's main filter, before an audio filter", (0.676, 0.324)),
        "receiver-pulling": _t((0.45, 0.55), "likewise", (0.45, 0.55)),
        "microphone-pickup": _t((0.8, 0.2), "the loudspeaker comes last"),
        "recorder-processing": _t((0.8, 0.2), "the recorder comes last"),
    }),
    # Odd or even harmonics stronger by 6 dB, or neither.
    "harmonic-order": Trait("harmonic-distortion", ("odd", "even", "both"), (0.35, 0.3, 0.35), {
        "audio-overdrive": _t((0.62, 0.1, 0.28), "both tops flat alike; one rail alone makes even ones", (0.777, 0.05, 0.173)),
        "receiver-overload": _t((0.35, 0.28, 0.37), "a balanced detector odd, a single-ended one even", (0.625, 0.162, 0.213)),
        "receiver-pulling": _t((0.1, 0.6, 0.3), "Adler's beat has its second harmonic first", (0.1, 0.6, 0.3)),
        "microphone-pickup": _t((0.3, 0.4, 0.3), "cones are not symmetrical"),
    }),
    "flat-tops": Trait("harmonic-distortion", ("flat", "round"), (0.2, 0.8), {
        "audio-overdrive": _t((0.45, 0.55), "held at its rails; filters behind turn the harmonics' phases", (0.642, 0.358)),
        "receiver-overload": _t((0.28, 0.72), "the filter behind rounds the waveform", (0.373, 0.627)),
        "microphone-pickup": _t((0.1, 0.9), "the room's echo rounds it"),
    }),
    "audio-loud": Trait("harmonic-distortion", ("loud", "moderate"), (0.15, 0.85), {
        "audio-overdrive": _t((0.5, 0.5), "at the recorder's full scale, unless an earlier stage clips", (0.417, 0.583)),
        "receiver-overload": _t((0.2, 0.8), "gain control holds the audio level", (0.115, 0.885)),
    }),
    "rasp-nature": Trait("rasp", ("amplitude", "both", "angle"), (0.25, 0.5, 0.25), {
        "oscillator-noise": _t((0.02, 0.16, 0.82), "an oscillator's own limiting removes amplitude noise", (0.009, 0.07, 0.921)),
        "receiver-oscillator-noise": _t((0.02, 0.16, 0.82), "likewise", (0.009, 0.07, 0.921)),
        "receiver-overload": _t((0.33, 0.53, 0.14), "noise on the limit is amplitude and, converted, phase", (0.481, 0.343, 0.176)),
        "multipath-spread": _t((0.1, 0.8, 0.1), "scattered waves have both", (0.105, 0.816, 0.079)),
        "recorder-processing": _t((0.2, 0.7, 0.1), "additive by nature: both alike"),
        "mains-remodulation": _t((0.2, 0.6, 0.2), "the second path's phase is arbitrary", (0.2, 0.6, 0.2)),
        "broadcast-breakthrough": _t((0.75, 0.2, 0.05), "cross-modulation carries the amplitude over", (0.72, 0.244, 0.036)),
    }),
    "spur-shape": Trait("spur-lines", ("family", "pair", "single"), (0.1, 0.3, 0.6), {
        "switching-supply": _t((0.55, 0.33, 0.12), "harmonics of the converter's rate on both sides", (0.324, 0.527, 0.149)),
        "parasitic-oscillation": _t((0.25, 0.4, 0.35), "mixing products, more or less symmetrical", (0.132, 0.211, 0.657)),
        "rf-feedback": _t((0.30, 0.40, 0.30), "hunting modulates both sides"),
        "co-channel-station": _t((0.02, 0.05, 0.93), "a carrier has no partner on the other side", (0.02, 0.05, 0.93)),
        "receiver-overload": _t((0.1, 0.3, 0.6), "third-order products lie on one side or both", (0.1, 0.3, 0.6)),
    }),
    # A keyed signal shows whether the line comes and goes with it, a steady one does not.
    "spur-with-key": Trait("spur-lines", ("with the key", "not told"), (0.6, 0.4), {
        "co-channel-station": _t((0.05, 0.95), "it has its own rhythm, or none", (0.05, 0.95)),
    }),
    "chirp-settling": Trait("chirp", ("brief", "long"), (0.5, 0.5), {
        "synthesiser-settling": _t((0.75, 0.25), "a loop settles in some milliseconds", (0.75, 0.25)),
        "oscillator-pulling": _t((0.55, 0.45), "with the edge itself, or with the heat of the stage", (0.683, 0.317)),
        "receiver-pulling": _t((0.6, 0.4), "with the edge itself", (0.7, 0.3)),
        "supply-sag": _t((0.4, 0.6), "with the reservoir's time constant", (0.45, 0.55)),
    }),
    "drift-course": Trait("drift", ("warm-up", "linear", "steps", "cyclic", "random", "constant"),
                          (0.15, 0.35, 0.1, 0.1, 0.25, 0.05), {
        "warm-up": _t((0.78, 0.14, 0.01, 0.02, 0.04, 0.01), "exponential, its tail nearly straight", (0.886, 0.072, 0.005, 0.01, 0.021, 0.006)),
        "clock-drift": _t((0.1, 0.78, 0.01, 0.02, 0.06, 0.03), "far slower than the recording is long", (0.034, 0.926, 0.003, 0.007, 0.02, 0.01)),
        "receiver-drift": _t((0.44, 0.44, 0.02, 0.02, 0.06, 0.02), "the same physics on the other side", (0.148, 0.811, 0.007, 0.007, 0.02, 0.007)),
        "transmit-heating": _t((0.45, 0.25, 0.02, 0.20, 0.07, 0.01), "exponential in each transmission"),
        "temperature-cycling": _t((0.05, 0.1, 0.01, 0.75, 0.08, 0.01), "a cycle", (0.05, 0.1, 0.01, 0.75, 0.08, 0.01)),
        "path-doppler": _t((0.2, 0.25, 0.02, 0.18, 0.33, 0.02), "an S-shaped curve fits none of the models", (0.2, 0.25, 0.02, 0.18, 0.33, 0.02)),
        "loose-connection": _t((0.05, 0.1, 0.6, 0.03, 0.2, 0.02), "jumps add up", (0.05, 0.1, 0.6, 0.03, 0.2, 0.02)),
        "synthesiser-steps": _t((0.04, 0.1, 0.75, 0.03, 0.06, 0.02), "steps", (0.037, 0.094, 0.703, 0.059, 0.087, 0.02)),
        "oscillator-noise": _t((0.05, 0.15, 0.05, 0.1, 0.6, 0.05), "a random walk", (0.05, 0.15, 0.05, 0.1, 0.6, 0.05)),
    }),
    "drift-repeats": Trait("drift", ("yes", "no"), (0.05, 0.95), {
        "transmit-heating": _t((0.88, 0.12), "each transmission heats anew"),
        "path-doppler": _t((0.1, 0.9), "a reflector that comes again", (0.1, 0.9)),
    }),
    "drift-on-others": Trait("drift", ("yes", "no"), (0.05, 0.95), {
        "receiver-drift": _t((0.93, 0.07), "the receiver's oscillator moves every carrier", (0.93, 0.07)),
        "path-doppler": _t((0.1, 0.9), "by the same path", (0.1, 0.9)),
    }),
    "jumps-equal": Trait("frequency-jumps", ("equal", "unequal"), (0.2, 0.8), {
        "synthesiser-steps": _t((0.93, 0.07), "the step is the synthesiser's resolution", (0.778, 0.222)),
        "loose-connection": _t((0.06, 0.94), "no contact repeats its capacitance", (0.08, 0.92)),
    }),
    "edge-shape": Trait("slow-keying", ("slow fall", "alike", "slow rise"), (0.3, 0.5, 0.2), {
        "soft-keying": _t((0.25, 0.55, 0.2), "the same network for both edges, more or less", (0.125, 0.775, 0.1)),
        "microphone-pickup": _t((0.85, 0.12, 0.03), "an echo comes after"),
    }),
    "backwave-course": Trait("backwave", ("dies away", "stays"), (0.15, 0.85), {
        "keying-leak": _t((0.005, 0.995), "what passes an open key passes it as long as it is open"),
        "microphone-pickup": _t((0.95, 0.05), "an echo dies away, by 60 dB in a second or less"),
        "co-channel-station": _t((0.03, 0.97), "a carrier knows nothing of our key"),
    }),
    "burst-rhythm": Trait("noise-bursts", ("mains rate", "another rate", "random"), (0.3, 0.2, 0.5), {
        "local-noise": _t((0.6, 0.15, 0.25), "lamps, dimmers and supplies switch with the mains", (0.633, 0.075, 0.292)),
        "microphone-pickup": _t((0.02, 0.08, 0.90), "knocks"),
    }),
    # Carrier over noise in 2500 Hz: 45 dB or more, 25 dB or more, less.
    "strength": Trait(None, ("strong", "fair", "weak"), (0.28, 0.47, 0.25), {
        "receiver-overload": _t((0.55, 0.37, 0.08), "only a very strong signal reaches a stage's limit", (0.542, 0.418, 0.04)),
        "receiver-pulling": _t((0.55, 0.37, 0.08), "likewise", (0.194, 0.623, 0.183)),
        "weak-path": _t((0.01, 0.04, 0.95), "its definition", (0.006, 0.022, 0.972)),
    }),
    "gain-moves": Trait(None, ("yes", "no"), (0.5, 0.5), {
        "gain-control": _t((0.9, 0.1), "the noise rises through key-up as the gain recovers", (0.917, 0.083)),
    }),
}  # fmt: skip

# Sets that one recording cannot tell apart: with only the test signal in the passband their members
# leave the same marks. Within a set the probabilities follow the priors.
SAME: tuple[frozenset[str], ...] = (
    # supply hum of either side keeps its level in dBc under every change that the audio shows
    frozenset({"transmitter-supply-hum", "receiver-supply-hum", "mains-remodulation", "magnetic-hum"}),
    # the product of carrier and noisy oscillator does not say whose noise it was
    frozenset({"oscillator-noise", "receiver-oscillator-noise", "receiver-overload"}),
    # only the difference of the two oscillators is heard
    frozenset({"warm-up", "receiver-drift", "transmit-heating"}),
    frozenset({"clock-drift", "receiver-drift"}),
    frozenset({"oscillator-pulling", "synthesiser-settling", "receiver-pulling"}),
    # a gain control flattens a droop, and draws one where there is none
    frozenset({"supply-sag", "oscillator-pulling"}),
    # something on the tone's frequency at key-up
    frozenset({"keying-leak", "gain-control", "co-channel-station"}),
    frozenset({"switching-supply", "parasitic-oscillation", "rf-feedback", "co-channel-station"}),
    # fewer than five steps show neither equality nor chance
    frozenset({"loose-connection", "synthesiser-steps"}),
    frozenset({"path-fading", "recorder-processing", "loose-connection"}),
    # a moving reflector's copy fades the signal too
    frozenset({"path-fading", "path-doppler"}),
)

NAMES: dict[str, str] = {
    "hum-sidebands": "hum on the tone",
    "spur-lines": "spurious lines",
    "harmonic-distortion": "audio harmonics",
    "rasp": "a raspy tone",
    "noisy-tone": "phase noise",
    "audio-hum": "hum in the audio",
    "key-clicks": "key clicks",
    "slow-keying": "soft edges",
    "chirp": "chirp",
    "droop": "droop",
    "backwave": "backwave",
    "overshoot": "overshoot",
    "keying-timing": "uneven keying",
    "broken-elements": "broken elements",
    "drift": "drift",
    "frequency-wobble": "a wobbling frequency",
    "frequency-jumps": "frequency jumps",
    "other-signal": "another signal",
    "voice-breakthrough": "voice or music",
    "noise-bursts": "bursts of noise",
    "clipped-recording": "clipping",
    "dropouts": "gaps in the recording",
    "fading": "fading",
    "flutter": "an unsteady level",
    "weak-signal": "a weak signal",
    "off-frequency": "a frequency off the plan",
    "off-time": "a start off the plan",
    "off-speed": "a speed off the plan",
    "off-shift": "a shift off the plan",
    "wrong-message": "a text other than planned",
    "no-signal": "no signal",
}
"""Plain names of the marks, for sentences."""

NO_FAULT = "no-fault"
NO_FAULT_TEXT = "no fault"
