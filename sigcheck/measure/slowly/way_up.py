"""Which way up shifted keying is: on the wrong sideband mark and space, or dit and dah, are exchanged.

The lengths of FSKCW mostly tell, those of DFCW never do: nearly every message reads as another one upside down. What
is left is that some signs have no opposite, how often letters are sent, and what is usual.
"""

from __future__ import annotations

import re
from dataclasses import replace
from difflib import SequenceMatcher
from typing import TYPE_CHECKING

import numpy as np

from sigcheck.measure.slowly.signal import SlowKeying

if TYPE_CHECKING:
    from sigcheck.plan import Plan

_UNKNOWN_COST = 4.0  # nats: the prior of a pattern that is no character
# Nats. Senders shift upwards at key-down (common practice, no source); one receiver in six is taken to turn that over
# where nobody says how it was set, one in twenty against what a plan says of it.
_USUAL_WAY_UP, _PLANNED_WAY_UP = 1.6, 3.0
_NAMED = 0.99  # probability, from which on the other reading is not worth a word
# Letters in a thousand of English text (from memory, not looked up). Half of what beacons send without a figure in it
# is taken for words, the rest for call signs and the like, in which any sign is as likely as another.
_PLAIN = dict(
    zip(
        "ETAOINSHRDLUCMFWYGPBVKXQJZ",
        (125, 93, 80, 76, 73, 71, 65, 51, 62, 38, 41, 27, 33, 25, 24, 19, 17, 19, 21, 15, 11, 5, 2, 1, 2, 1),
        strict=True,
    )
)
_WORDS, _SIGNS = 0.5, 38.0  # share of words; how many signs there are to choose from otherwise
_PROCEDURE, _KNOWN_WORD = ("DE", "VVV", "CQ", "TEST"), 4.0  # words of any beacon (Radio Regulations: DE), nats


def right_way_up(readings: list[SlowKeying], plan: Plan | None) -> SlowKeying | None:
    """The better of two readings, one upside down, which it may be by that probability; None where there is none."""
    if len(readings) < 2:
        return readings[0] if readings else None
    text = plan.main.text if plan is not None else None
    like = [_likeness(k.elements.decoded.text or "", text) if text else 0.0 for k in readings]
    if abs(like[0] - like[1]) > 0.3:
        return readings[int(np.argmax(like))]
    nats = [upright(k, plan) + _plausible(k.elements.decoded.text or "") for k in readings]
    lead = nats[0] - nats[1]
    better, worse = readings if lead > 0 else readings[::-1]
    sure = float(1.0 / (1.0 + np.exp(-min(abs(lead), 50.0))))
    other = worse.elements.decoded.text if sure < _NAMED else None
    return replace(better, elements=replace(better.elements, right_way_up=sure, exchanged=other))


def upright(k: SlowKeying, plan: Plan | None = None) -> float:
    """Nats for this way up: its lengths are those of Morse, its signs are in the table, and which way is usual."""
    unknown = (1.0 - k.elements.known) * len(k.elements.decoded.characters)
    lengths = 0.0 if k.mode == "dfcw" else float(k.misfits.sum())
    side = plan.receiver.sideband if plan is not None else None
    usual = _USUAL_WAY_UP if side is None else _PLANNED_WAY_UP
    # an lsb receiver turns over what it hears
    turned = k.inverted != (side == "lsb")
    return usual * (not turned) - lengths - _UNKNOWN_COST * unknown


def _plausible(text: str) -> float:
    """Nats of a text before it is heard; of words that occur twice only once, as a message that is repeated is no news.

    Upside down FSKCW reads as many short signs, each of them common, of which no message is made.
    """
    total = 0.0
    for word in dict.fromkeys(text.split()):
        signs = re.findall(r"\[.*?\]|\{.*?\}|.", word)
        anything = -len(signs) * float(np.log(_SIGNS))
        if word in _PROCEDURE:
            total += _KNOWN_WORD + anything
        elif word.isalpha():
            plain = float(np.log([max(_PLAIN.get(c, 0), 0.1) / 1e3 for c in signs]).sum())
            total += float(np.logaddexp(plain, anything)) + np.log(_WORDS)
        else:
            total += anything
    return float(total)


def _likeness(heard: str, text: str) -> float:
    """How much of what was heard is the text, repeated: 0..1."""
    one = " ".join(text.split()) + " "
    whole = one * (2 + len(heard) // len(one))
    same = SequenceMatcher(None, heard, whole, autojunk=False).get_matching_blocks()
    return sum(m.size for m in same if m.size > 1) / max(len(heard), 1)
