"""Morse text from key-down times, by likelihood.

The marks are cut into characters in every possible way: a character's probability is that of its
marks being dits and dahs of its pattern, of the gaps inside it being short and the one after it long.
Signs of as many elements count as likely as one another, but for rare punctuation; how often one, two,
three ... elements make a sign is counted in a first reading: language is rich in short signs, figures are
long. No dictionary and no expected text takes part: the text is what was heard.

Code table: Rec. ITU-R M.1677-1, Annex 1, part I (letters, figures, punctuation and procedure signs
as two transcriptions give them; é, understood, wait, end of work and starting signal from memory,
not looked up).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from operator import add

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigcheck.measure.keyed.morse_timing import Timing, classify
from sigcheck.measure.track import Real

__all__ = ["CODE", "Character", "Decoded", "Timing", "classify", "decode"]

_SIGNS = {
    "A": ".-", "B": "-...", "C": "-.-.", "D": "-..", "E": ".", "É": "..-..", "F": "..-.", "G": "--.",
    "H": "....", "I": "..", "J": ".---", "K": "-.-", "L": ".-..", "M": "--", "N": "-.", "O": "---",
    "P": ".--.", "Q": "--.-", "R": ".-.", "S": "...", "T": "-", "U": "..-", "V": "...-", "W": ".--",
    "X": "-..-", "Y": "-.--", "Z": "--..",
    "1": ".----", "2": "..---", "3": "...--", "4": "....-", "5": ".....",
    "6": "-....", "7": "--...", "8": "---..", "9": "----.", "0": "-----",
    ".": ".-.-.-", ",": "--..--", ":": "---...", "?": "..--..", "'": ".----.", "-": "-....-",
    "/": "-..-.", "(": "-.--.", ")": "-.--.-", '"': ".-..-.", "=": "-...-", "+": ".-.-.", "@": ".--.-.",
    "{understood}": "...-.", "{error}": "........", "{wait}": ".-...", "{end of work}": "...-.-",
    "{starting signal}": "-.-.-",
}  # fmt: skip
CODE = {pattern: sign for sign, pattern in _SIGNS.items()}

_LONGEST = 12  # elements in one (then surely unknown) character
_UNKNOWN = 0.01  # share of characters that are not in the table (prior, common practice)
_RARE = 0.1  # how often punctuation and procedure signs are sent, against letters and figures
_COMMON_SIGNS = "/?=+.,"
_LENGTHS_KNOWN = 60.0  # characters that a sign's usual number of elements is worth against those counted
_INSIDE = 0.6  # share of gaps that lie inside a character, where nothing is known of the text
_WORD_END = 0.25  # of those between characters
_GAP_SHARE = np.array([0.60, 0.30, 0.10])
_LEAST_MARKS = 3
_NEVER = -1e9  # logarithm of a probability
# Log-likelihood that must be gained over lengths without classes before text is claimed: noise cut
# into exponential lengths gains some 0.2 for each mark and gap, a fist with 15 % scatter 0.8.
_LEAST_EVIDENCE = 4.0
_EVIDENCE_EACH = 0.3


@dataclass(frozen=True)
class Character:
    """One character as heard."""

    sign: str  # as in the table; "[.-.-..]" where the elements are no character
    start_s: float
    end_s: float
    confidence: float
    ends_word: bool = False

    def less_sure(self, share: float) -> Character:
        """The same at that share of its probability."""
        return replace(self, confidence=self.confidence * share)


@dataclass(frozen=True)
class Decoded:
    """Text from key-down times; ``text`` is None where none can be claimed, ``reason`` says why."""

    text: str | None
    reason: str | None
    characters: tuple[Character, ...]
    timing: Timing | None
    rhythm: bool = False  # whether the times fall into dits and dahs at all

    @property
    def confidences(self) -> tuple[float, ...]:
        """Probability of each character being what was sent, given the key-down times."""
        return tuple(c.confidence for c in self.characters)

    @property
    def confidence(self) -> float | None:
        """Mean of the characters' probabilities."""
        return float(np.mean(self.confidences)) if self.characters else None


def decode(
    on_s: ArrayLike,
    off_s: ArrayLike,
    *,
    cut_start: bool = False,
    cut_end: bool = False,
    heard_s: tuple[float, float] | None = None,
    mark_p: ArrayLike | None = None,
    gap_p: ArrayLike | None = None,
    likely_s: tuple[ArrayLike, ArrayLike] | None = None,
) -> Decoded:
    """Read the text that key-down times spell.

    Parameters
    ----------
    on_s, off_s : key-down and key-up times in seconds, shape (n_marks,), rising.
    cut_start, cut_end : the first or last mark goes on beyond the recording; its character is left out.
    heard_s : when the recording begins and ends. A character whose next gap is cut by that may go on.
    mark_p, gap_p : (n_marks,) and (n_marks - 1,) probabilities that there is a mark and a gap at all.
    likely_s : the same times as a known rhythm makes them likely. They are read; but whether there is a rhythm at
        all, times must tell that know of none.
    """
    on, off = np.asarray(on_s, np.float64), np.asarray(off_s, np.float64)
    whole = slice(1 if cut_start else 0, on.size - 1 if cut_end else on.size)
    sure_marks = np.ones(on.size) if mark_p is None else np.asarray(mark_p, np.float64)
    sure_gaps = np.ones(max(on.size - 1, 0)) if gap_p is None else np.asarray(gap_p, np.float64)
    sure_gaps = sure_gaps[whole.start : max(whole.stop - 1, whole.start)]
    on, off, sure_marks = on[whole], off[whole], sure_marks[whole]
    if on.size < _LEAST_MARKS:
        return Decoded(None, "too few key-down elements to tell dits from dahs", (), None)
    timing = classify(on, off)
    if timing.evidence < _LEAST_EVIDENCE + _EVIDENCE_EACH * 2 * on.size or timing.mark_spread > 0.4:
        return Decoded(None, "the key-down times do not fall into dits and dahs", (), timing)
    if likely_s is not None:
        on, off = (np.asarray(v, np.float64)[whole] for v in likely_s)
        timing = classify(on, off)
    characters = list(_characters(on, off, timing, sure_marks, sure_gaps))
    if heard_s is not None:
        at_start = 0.0 if cut_start else _goes_on(on[0] - heard_s[0], timing)
        at_end = 0.0 if cut_end else _goes_on(heard_s[1] - off[-1], timing)
        characters[0] = characters[0].less_sure(1 - at_start)
        characters[-1] = characters[-1].less_sure(1 - at_end)
        cut_start, cut_end = cut_start or at_start > 0.5, cut_end or at_end > 0.5
    characters = characters[int(cut_start) : len(characters) - int(cut_end)]
    if not characters:
        return Decoded(None, "no whole character in the recording", (), timing, True)
    known = np.mean([not c.sign.startswith("[") for c in characters])
    if known < 0.5:
        return Decoded(None, "most of what was heard forms no Morse characters", (), timing, True)
    text = "".join(c.sign + " " * c.ends_word for c in characters).strip()
    return Decoded(text, None, tuple(characters), timing, True)


def _goes_on(silence_s: float, t: Timing) -> float:
    """Probability that a character goes on after a gap that the recording's end cuts at this length."""
    z = (math.log(max(silence_s, 1e-4)) - np.log(t.gaps_s)) / t.gap_spread
    longer = _GAP_SHARE * [0.5 * math.erfc(float(v) / math.sqrt(2)) for v in z]
    return float(longer[0] / max(longer.sum(), 1e-9))


def _characters(on: Real, off: Real, t: Timing, mark_p: Real, gap_p: Real) -> Iterator[Character]:
    """The most probable characters, each with its probability.

    Summing over all ways to cut the marks into characters (forward and backward) gives each character
    its probability.
    """
    n = on.size
    spans = _Spans.of(t)
    length_odds = _length_odds(_best_cuts(_by_end(spans.weights(np.zeros(_LONGEST)))))
    weight = spans.weights(length_odds)
    forward = _summed(_by_end(weight))
    # backward is forward on the mirrored marks
    backward = _summed(weight[::-1, ::-1].tolist())[::-1]
    around = np.concatenate([[1.0], gap_p, [1.0]])  # a mark missed beside a character is one too few in it
    cuts = _best_cuts(_by_end(weight))
    for (i, j), (pattern, share) in zip(cuts, spans.readings(cuts, length_odds), strict=True):
        p = math.exp(min(forward[i] + float(weight[i, j - i - 1]) + backward[j] - forward[n], 0.0)) * share
        p *= float(np.prod(mark_p[i:j]) * np.prod(around[i : j + 1]))
        ends_word = j < n and bool(t.gap_p[j - 1, 2] > t.gap_p[j - 1, 1])
        yield Character(CODE.get(pattern, f"[{pattern}]"), float(on[i]), float(off[j - 1]), p, ends_word)


@cache
def _patterns(n: int) -> tuple[tuple[str, ...], NDArray[np.float64], Real]:
    """Signs of n elements: patterns, dahs (patterns, n) as ones, logarithms of how often each is sent."""
    often = {p: 1.0 if s.isalnum() and s != "É" else 0.5 if s in _COMMON_SIGNS else _RARE for p, s in CODE.items()}
    total = sum(often.values())
    here = tuple(p for p in CODE if len(p) == n)
    dahs = np.array([[e == "-" for e in p] for p in here], np.float64).reshape(-1, n)
    return here, dahs, np.log([often[p] / total for p in here])


def _length_odds(cuts: list[tuple[int, int]]) -> Real:
    """Logarithm of how much more often signs of 1, 2, ... 12 elements are sent than by the table, by those read."""
    counted = np.bincount([j - i for i, j in cuts], minlength=_LONGEST + 1)[1:]
    usual = np.array([float(np.exp(_patterns(k)[2]).sum()) for k in range(1, _LONGEST + 1)])
    shares = (counted + _LENGTHS_KNOWN * usual) / (counted.sum() + _LENGTHS_KNOWN)
    return np.where(usual > 0, np.log(np.maximum(shares, 1e-9) / np.maximum(usual, 1e-9)), 0.0)


@dataclass(frozen=True)
class _Spans:
    """What the marks i .. i + k - 1 may be, for k = 1 .. 12; what holds a list has the entry of k at k - 1."""

    marks: Real  # (n, 2) log-densities
    known: list[Real]  # (n - k + 1,) log-probability of being any sign of k elements
    unknown: list[Real]  # (n - k + 1,) of being none: each mark as likely a dit as a dah
    gaps: list[Real]  # (n - k + 1,) of the gaps inside and of the one after

    @classmethod
    def of(cls, t: Timing) -> _Spans:
        n = t.mark_log.shape[0]
        before = np.concatenate([[0.0], np.cumsum(t.gap_log[:, 0])])
        letter, word = t.gap_log[:, 1] + math.log(1 - _WORD_END), t.gap_log[:, 2] + math.log(_WORD_END)
        ends = np.append(np.logaddexp(letter, word), 0.0)
        either = np.logaddexp(t.mark_log[:, 0], t.mark_log[:, 1])
        spans = cls(t.mark_log, [], [], [])
        for k in range(1, min(_LONGEST, n) + 1):
            signs = len(_patterns(k)[0])
            spans.known.append(_log_sum(_each_sign(t.mark_log, k)) if signs else np.full(n - k + 1, _NEVER))
            strangers = 1 - signs / 2**k  # the patterns that are one are taken off
            price = math.log(strangers * _UNKNOWN * (1 - _INSIDE) / _INSIDE) if strangers else _NEVER
            sums = np.lib.stride_tricks.sliding_window_view(either, k).sum(axis=1)
            spans.unknown.append(sums + price + k * math.log(0.5 * _INSIDE))
            spans.gaps.append(before[k - 1 :] - before[: n - k + 1] + ends[k - 1 :])
        return spans

    def weights(self, length_odds: Real) -> Real:
        """Log-probability of being one character, (n, 12), with the odds of :func:`_length_odds`."""
        n = self.marks.shape[0]
        weight = np.full((n, _LONGEST), _NEVER)
        for k, (known, unknown, gaps) in enumerate(zip(self.known, self.unknown, self.gaps, strict=True), 1):
            weight[: n - k + 1, k - 1] = np.logaddexp(known + length_odds[k - 1], unknown) + gaps
        return weight

    def readings(self, cuts: list[tuple[int, int]], length_odds: Real) -> list[tuple[str, float]]:
        """The most probable pattern of each of the spans (i, j) of marks i .. j - 1, and its share of all patterns'."""
        out = [("", 0.0)] * len(cuts)
        for k in {j - i for i, j in cuts}:
            which = [c for c, (i, j) in enumerate(cuts) if j - i == k]
            first = np.array([cuts[c][0] for c in which])
            known = _each_sign(self.marks, k, first) + length_odds[k - 1]
            unknown = self.unknown[k - 1][first]
            total = np.logaddexp(self.known[k - 1][first] + length_odds[k - 1], unknown)
            for c, signs, strange, whole in zip(which, known, unknown.tolist(), total.tolist(), strict=True):
                best = int(np.argmax(signs)) if signs.size else -1
                if best >= 0 and signs[best] > strange:
                    out[c] = _patterns(k)[0][best], math.exp(signs[best] - whole)
                else:
                    pattern, sure = self._each_mark(*cuts[c])
                    out[c] = pattern, sure * math.exp(strange - whole)
        return out

    def _each_mark(self, i: int, j: int) -> tuple[str, float]:
        """The pattern of the likelier of dit and dah at each of the marks i .. j - 1, and its probability."""
        odds = self.marks[i:j, 1] - self.marks[i:j, 0]
        pattern = "".join("-" if v > 0 else "." for v in odds)
        return pattern, float(np.prod(1 / (1 + np.exp(-np.abs(odds)))))


def _each_sign(marks: Real, k: int, first: NDArray[np.intp] | slice = slice(None)) -> Real:
    """Log-probability of the k marks from some (all) on being each sign of k elements, (spans, signs)."""
    _, dahs, often = _patterns(k)
    lengths = np.lib.stride_tricks.sliding_window_view(marks, k, axis=0)[first]  # (spans, 2, k)
    return np.asarray((lengths[:, 1] - lengths[:, 0]) @ dahs.T + lengths[:, 0].sum(axis=1)[:, None] + often)


def _log_sum(x: Real) -> Real:
    """Logarithm of the sum of exponentials over the last axis."""
    top = x.max(axis=-1, keepdims=True)
    return np.asarray(np.log(np.exp(x - top).sum(axis=-1)) + top[..., 0])


def _by_end(weight: Real) -> list[list[float]]:
    """The weights (n, 12) of spans by the mark that they begin with and their length, by the one that they end with.

    In each of the n rows the longest comes first.
    """
    n = weight.shape[0]
    out = np.full((n, _LONGEST), _NEVER)
    for k in range(1, min(_LONGEST, n) + 1):
        out[k - 1 :, _LONGEST - k] = weight[: n - k + 1, k - 1]
    return list(out.tolist())


def _summed(by_end: list[list[float]]) -> list[float]:
    """Log of the summed probability of all ways to cut the first 0 .. n marks into characters."""
    total = [_NEVER] * (_LONGEST - 1) + [0.0]
    for row in by_end:
        terms = list(map(add, total[-_LONGEST:], row))
        top = max(terms)
        total.append(top + math.log(sum([math.exp(v - top) for v in terms if v > top - 40.0])))
    return total[_LONGEST - 1 :]


def _best_cuts(by_end: list[list[float]]) -> list[tuple[int, int]]:
    """The most probable way to cut the marks into characters, as (first, one past the last) marks."""
    best, length = [_NEVER] * (_LONGEST - 1) + [0.0], []
    for row in by_end:
        terms = list(map(add, best[-_LONGEST:], row))
        best.append(max(terms))
        length.append(_LONGEST - terms.index(best[-1]))
    cuts, j = [], len(by_end)
    while j:
        cuts.append((j - length[j - 1], j))
        j -= length[j - 1]
    return cuts[::-1]
