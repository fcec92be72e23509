"""Morse timing by machine or by hand: when the key goes down and up, and which sign that was.

Signs after Rec. ITU-R M.1677-1 (letters, figures and the few marks that beacons use); lengths 1, 3
and gaps 1, 3, 7 units; a unit lasts 1.2 s / WPM.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_TABLE = """
A .-    B -...  C -.-.  D -..   E .     F ..-.  G --.   H ....  I ..    J .---  K -.-   L .-..  M --
N -.    O ---   P .--.  Q --.-  R .-.   S ...   T -     U ..-   V ...-  W .--   X -..-  Y -.--  Z --..
1 .---- 2 ..--- 3 ...-- 4 ....- 5 ..... 6 -.... 7 --... 8 ---.. 9 ----. 0 ----- / -..-. = -...- + .-.-.
"""
SIGNS: dict[str, str] = dict(zip(_TABLE.split()[::2], _TABLE.split()[1::2], strict=True))


@dataclass(frozen=True)
class Fist:
    """How evenly somebody keys. Scatters are standard deviations relative to the length itself."""

    dah_units: float = 3.0
    weight: float = 0.0  # units by which every mark is longer and every gap shorter
    mark_scatter: float = 0.0
    gap_scatter: float = 0.0
    letter_gap_units: float = 3.0
    word_gap_units: float = 7.0


@dataclass(frozen=True)
class Sending:
    """Key-down stretches in seconds, shape (n,), and each sign with its first and last moment."""

    on_s: NDArray[np.float64]
    off_s: NDArray[np.float64]
    is_dah: NDArray[np.bool_]
    signs: tuple[tuple[str, float, float], ...]

    def later(self, by_s: float) -> Sending:
        """The same, `by_s` later."""
        signs = tuple((sign, a + by_s, b + by_s) for sign, a, b in self.signs)
        return Sending(self.on_s + by_s, self.off_s + by_s, self.is_dah, signs)

    def text(self, begin_s: float, end_s: float) -> str:
        """What lies wholly between the two times, words parted by single blanks."""
        inside = [
            s
            for s, a, b in self.signs
            if (s == " " and begin_s <= a <= end_s) or (a >= begin_s and b <= end_s)
        ]
        return " ".join("".join(inside).split())


def beacon_text(rng: np.random.Generator) -> str:
    """An invented beacon's message (call signs that begin with Q are never allocated)."""
    letters = "".join(rng.choice(list("ABCDEFGHIJKLMNOPRSTUVWXYZ"), 3))
    call = f"Q{rng.integers(1, 10)}{letters}"
    power, square = rng.integers(1, 10), "".join(rng.choice(list("ABCDEFGHIJKLMNOPR"), 2))
    locator = f"{square}{rng.integers(10, 100)}"
    return str(
        rng.choice(
            [
                f"VVV DE {call} {call} {locator} ",
                f"{call} BEACON {locator} PWR 0R{power} W ",
                f"CQ TEST DE {call} {call} + ",
                f"VVV VVV {call}/B {locator} = SHED 73 ",
                f"DE {call} PSE QSL {power}00 MW ",
            ]
        )
    )


def send(
    text: str, wpm: float, start_s: float, end_s: float, fist: Fist, rng: np.random.Generator
) -> Sending:
    """Repeat `text` from `start_s` on until `end_s`; the last sign may be cut by the caller's window."""
    unit = 1.2 / wpm
    on, off, dah, signs = [], [], [], []
    now = start_s

    def gap(units: float) -> float:
        return unit * max(units - fist.weight, 0.2) * max(1 + fist.gap_scatter * rng.standard_normal(), 0.3)

    while now < end_s:
        for letter in text:
            if letter == " ":
                signs.append((" ", now, now))
                now += gap(fist.word_gap_units) - gap(fist.letter_gap_units)
                continue
            begin = now
            for k, element in enumerate(SIGNS[letter]):
                if k:
                    now += gap(1)
                units = (fist.dah_units if element == "-" else 1) + fist.weight
                on.append(now)
                now += unit * units * max(1 + fist.mark_scatter * rng.standard_normal(), 0.3)
                off.append(now)
                dah.append(element == "-")
            signs.append((letter, begin, now))
            now += gap(fist.letter_gap_units)
            if now >= end_s:
                break
    return Sending(np.array(on), np.array(off), np.array(dah), tuple(signs))
