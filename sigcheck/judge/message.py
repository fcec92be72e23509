"""Does the copied text differ from the planned one by more than noise explains?

A recording begins and ends anywhere in a message that repeats, so the copy is aligned with the
endless repetition of the plan's text: it may start at any character and stop at any other. Spaces
are left out, since a gap read too short or too long is a matter of timing, not of the message.

One misread boundary between two characters spoils both, so an unbroken run of r differing
characters counts as ceil(r / 2) misreadings. Their number under noise alone is about Poisson with
the sum of the characters' error probabilities as its mean.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

# A perfectly keyed character is still misread now and then (a static crash, a key bounce), more
# often than a decoder's own confidence admits: one in a thousand (judgement).
LEAST_ERROR_PROBABILITY = 1e-3

# More does not decide better, and the alignment costs time in proportion.
LONGEST_COPY = 300


def misreadings(copy: str, sent: str) -> int:
    """Fewest misreadings that turn a part of the endlessly repeated ``sent`` into ``copy``.

    Parameters
    ----------
    copy, sent : characters without spaces; ``sent`` not empty.
    """
    period = len(sent)
    # matched[j], edited[j]: fewest misreadings with the copy so far ending before sent[j]; in
    # "edited" one edit of a pair is open, so that the next one is free.
    matched: list[float] = [0.0] * period
    edited: list[float] = [math.inf] * period
    for character in copy:
        new_matched = [math.inf] * period
        new_edited = [math.inf] * period
        for j in range(period):
            before = j - 1  # Python's -1 is the period's last place: the text repeats
            if character == sent[before]:
                new_matched[j] = min(matched[before], edited[before])
            # another character in this place, or one that was never sent
            new_matched[j] = min(new_matched[j], edited[before], edited[j])
            new_edited[j] = min(matched[before], matched[j]) + 1.0
        for j in range(2 * period):  # characters missing from the copy; twice round, as they may wrap
            here, before = j % period, (j - 1) % period
            new_matched[here] = min(new_matched[here], new_edited[before])
            new_edited[here] = min(new_edited[here], new_matched[before] + 1.0)
        matched, edited = new_matched, new_edited
    return int(min(min(matched), min(edited)))


def at_least(count: int, mean: float) -> float:
    """Probability of ``count`` or more Poisson events of this mean.

    >>> at_least(0, 2.0)
    1.0
    >>> round(at_least(1, 0.1), 4)      # 1 - exp(-0.1)
    0.0952
    """
    if count <= 0:
        return 1.0
    # Summed from the first term up: 1 - (the rest) would lose small tails to rounding.
    term = math.exp(-mean + count * math.log(mean) - math.lgamma(count + 1)) if mean > 0 else 0.0
    total, k = 0.0, count
    while term > total * 1e-12 and k < count + 1000:
        total += term
        k += 1
        term *= mean / k
    return min(total, 1.0)


def compare(text: str, confidences: Sequence[float], confidence: float | None, sent: str) -> tuple[int, float] | None:
    """Misreadings of the planned text in the copied one, and how likely noise alone makes as many.

    Parameters
    ----------
    text : as copied, spaces allowed.
    confidences : probability of each copied character, spaces counted or not; may be empty.
    confidence : their mean, used where there is not one for each.
    sent : the plan's text.

    Returns
    -------
    (misreadings, probability), or None where fewer than four whole characters were copied.
    """
    wanted = "".join(sent.upper().split())
    copied = list(text.upper())
    if len(confidences) == sum(not c.isspace() for c in copied):
        weights = iter(confidences)
        pairs = [(c, next(weights)) for c in copied if not c.isspace()]
    elif len(confidences) == len(copied):
        pairs = [(c, w) for c, w in zip(copied, confidences, strict=True) if not c.isspace()]
    else:
        pairs = [(c, 0.9 if confidence is None else confidence) for c in copied if not c.isspace()]
    # a character that the recording's ends may have cut is left out by the decoder, or less sure
    whole = pairs[:LONGEST_COPY]
    if not wanted or len(whole) < 4:
        return None
    count = misreadings("".join(c for c, _ in whole), wanted)
    mean = sum(max(1.0 - w, LEAST_ERROR_PROBABILITY) for _, w in whole)
    return count, at_least(count, mean)
