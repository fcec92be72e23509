"""What a slow-keyed signal was read as: its elements and text, its course, and whether all of that convinces."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from sigcheck.measure import morse
from sigcheck.measure.slowly.fit import PathFit
from sigcheck.measure.slowly.lengths import misfits
from sigcheck.measure.slowly.runs import Pair, Runs
from sigcheck.measure.track import Mask, Real

Mode = Literal["qrss", "fskcw", "dfcw"]

SHORTEST_DIT_S = 0.5  # nobody keys slower by hand or reads it by ear (common practice, no source)
LEAST_ELEMENTS = 8
_LEAST_EACH = 1.7  # elements a character: plain text has 2.5 and more, chance spells mostly E and T
LEAST_KNOWN = 0.75  # of the characters, in the code table
_LEAST_CONFIDENCE = 0.5
_PLAIN_CONFIDENCE = 0.97  # of the text, with a course that explains the frequencies: no other reading is looked for
_PLAIN_SCATTER = 1.6
_PLAIN_BENDS = 2.5
_PLAIN_REST = 0.1  # of the shift, or of what a dit resolves
_MOST_REST = 0.3  # of the shift, or of what a dit resolves, that the frequencies of the runs may scatter
_LEAST_SHIFT_DITS = 0.3  # shift times dit: a dit tells no smaller one from none
LEAST_GAIN = 30.0  # nats over noise, for the best of some thousands of paths, scales and shifts
EDGES_ENERGY = 1000.0  # 30 dB: single edges are then seen to some hundredths of a dit
_LEAST_DIT_ENERGY = 8.0  # 9 dB: below it text is guesswork
_LEAST_DFCW_ENERGY = 15.0  # 11.8 dB: its gaps, the only thing that ends a character, may hold half of that or less
_NARROW_CYCLES = 1.2  # shift times dit
_NARROW_CONFIDENCE = 0.9
_LEAST_TONE_ENERGY = 12.0  # 10.8 dB: noncoherent decisions between two tones then err once in 800 (exp(-E/2) / 2)
_MOST_MISFIT = 1.3  # mean over the lengths; exponential lengths, as of a loose contact, have 2.5
_MOST_SPREAD = 0.2  # of the lengths about their classes: machines key slow modes


@dataclass(frozen=True)
class Elements:
    """Dits and dahs: times (n,), kinds (n,), and what the text is read from."""

    on_s: Real
    off_s: Real
    dah: Mask
    sure: Real  # probability of each element's tone or presence, gaps beside it included
    decoded: morse.Decoded
    right_way_up: float = 1.0  # probability that mark and space (dah and dit) are not exchanged
    exchanged: str | None = None  # what it reads if they are, where that can't be ruled out
    cut: int = 0  # elements at the beginning that the recording cuts, and so are no part of ``decoded``

    @property
    def known(self) -> float:
        """Share of the characters that are in the code table."""
        signs = [c.sign for c in self.decoded.characters]
        return float(np.mean([not s.startswith("[") for s in signs])) if signs else 0.0

    @property
    def confidences(self) -> tuple[float, ...]:
        """Probability of each character, the doubt about its elements included."""
        middle = self.middle_s
        total = np.concatenate([[0.0], np.cumsum(np.log(np.maximum(self.sure, 1e-12)))])
        own = np.array([c.confidence for c in self.decoded.characters])
        first = np.searchsorted(middle, [c.start_s for c in self.decoded.characters], "right")
        last = np.searchsorted(middle, [c.end_s for c in self.decoded.characters], "left")
        return tuple((self.right_way_up * own * np.exp(total[last] - total[first])).tolist())

    @property
    def confidence(self) -> float:
        """Their mean; 0 where there are none."""
        return float(np.mean(self.confidences)) if self.decoded.characters else 0.0

    @property
    def middle_s(self) -> Real:
        """Middles of the elements, on the time scale of the decoded characters."""
        return 0.5 * (self.on_s + self.off_s)


@dataclass(frozen=True)
class SlowKeying:
    """A slow-keyed signal as it was read.

    ``inverted``: it is readable only with mark and space (dah and dit) exchanged, as on the wrong sideband;
    ``fit.shift_hz`` is positive all the same. ``dit_s`` is the rough length used while reading.
    """

    mode: Mode
    inverted: bool
    pair: Pair
    runs: Runs
    fit: PathFit
    elements: Elements
    dit_s: float
    score: float

    @property
    def dit_energy(self) -> float:
        """Energy of a dit over noise density."""
        use = self.pair.density[: self.pair.tones]
        return float(np.median(use)) * self.dit_s

    @property
    def tones_told(self) -> bool:
        """Whether a dit tells its tone from the other one.

        Over a dit two tones of unknown phase have a correlation of sinc(shift times dit): none at 1/dit, 0.64 at half
        of that. What is left of the energy to tell them apart by is 1 less that: 4.4 dB are lost at 0.5/dit.
        """
        if self.pair.tones == 1:
            return True
        cycles = self._cycles
        clear = self.dit_energy * (1.0 - abs(float(np.sinc(cycles)))) > _LEAST_TONE_ENERGY
        # nearer than a dit resolves, one doubtful element puts its neighbours in doubt, and the length of a dit too
        sure = self.elements.confidence > _NARROW_CONFIDENCE * self.elements.right_way_up
        return clear and (not self.narrow or sure)

    @property
    def _cycles(self) -> float:
        return self.fit.shift_hz * self.dit_s

    @property
    def narrow(self) -> bool:
        """Whether the two tones are hardly farther apart than a dit resolves."""
        return self._cycles <= _NARROW_CYCLES

    @property
    def plain(self) -> bool:
        """Whether it is so clear that no other reading need be tried."""
        follows = self.fit.scatter < _PLAIN_SCATTER or self.fit.rest_hz < _PLAIN_REST * self._resolved_hz
        sure = self.elements.confidence > _PLAIN_CONFIDENCE * self.elements.right_way_up
        return follows and sure and self.fit.bends < _PLAIN_BENDS

    @property
    def misfits(self) -> Real:
        """How ill each length is one of Morse, see :func:`misfits`."""
        e = self.elements
        unit_s = e.decoded.timing.unit_s if e.decoded.timing is not None else self.dit_s
        return misfits(e.on_s, e.off_s, unit_s)

    @property
    def _resolved_hz(self) -> float:
        """What frequencies must be told apart to read this."""
        return min(self.fit.shift_hz, 1.0 / self.dit_s) if self.pair.tones == 2 else 1.0 / self.dit_s

    @property
    def _shift_is_seen(self) -> bool:
        least = max(_LEAST_SHIFT_DITS / self.dit_s, 5 * self.fit.shift_sigma)
        return self.pair.tones == 1 or self.fit.shift_hz > least

    @property
    def shifts(self) -> bool:
        """Whether there plainly are two tones with a rhythm, though the text may be in doubt."""
        seen = self.pair.tones == 2 and self._shift_is_seen and self.score > LEAST_GAIN
        return seen and self.elements.known >= LEAST_KNOWN and self.elements.on_s.size >= LEAST_ELEMENTS

    @property
    def convincing(self) -> bool:
        """Whether this is slow keying beyond doubt."""
        e = self.elements
        return (
            e.decoded.text is not None
            and e.on_s.size >= LEAST_ELEMENTS
            and len(e.decoded.characters) >= 3
            and e.known >= LEAST_KNOWN
            and e.confidence >= _LEAST_CONFIDENCE * e.right_way_up
            and self.score > LEAST_GAIN
            and self.dit_energy > (_LEAST_DFCW_ENERGY if self.mode == "dfcw" else _LEAST_DIT_ENERGY)
            and self.tones_told
            and self.dit_s >= 0.8 * SHORTEST_DIT_S
            and self._shift_is_seen
            and self.fit.usual_rest_hz < _MOST_REST * self._resolved_hz
            and _tells_kinds(e)
            and e.on_s.size >= _LEAST_EACH * len(e.decoded.characters)
            and (self.mode == "dfcw" or float(self.misfits.mean()) < _MOST_MISFIT)
            and (e.decoded.timing is None or e.decoded.timing.mark_spread < _MOST_SPREAD)
        )


@dataclass(frozen=True)
class Refused:
    """Shifted keying that is there and can't be read; why, in plain words."""

    reason: str


def _tells_kinds(e: Elements) -> bool:
    """Both dits and dahs: a row of equal lengths may be anything that toggles."""
    share = float(np.mean(e.dah)) if e.dah.size else 0.0
    return 0.05 < share < 0.95
