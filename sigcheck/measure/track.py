"""The arrays that the measurements share: the audio at complex baseband and the key-down mask.

Conventions, the same everywhere in ``measure/``:

=============  ==================================================================================
``audio``      complex64 (n,), the analytic audio: only positive frequencies of the recording,
               sampled at ``rate_hz``, so it holds the audio from 0 to ``rate_hz``. A real tone
               A cos(2 pi f t + phi) appears as A exp(j(2 pi f t + phi)): |audio| is amplitude.
``path_hz``    float64 (n,), the smooth audio frequency that was followed.
``z``          complex64 (n,), ``audio`` shifted down by the path's phase: the tone sits near 0 Hz.
noise density  E|w|^2 per hertz of the complex noise w in ``audio`` and ``z``: for a carrier of
               amplitude A, C/N0 = A^2 / noise_density.
times          seconds from the first sample of the recording; sample k of ``z`` is at k / rate_hz.
=============  ==================================================================================
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sigcheck.measure.audio.cells import Cells

Complex = NDArray[np.complex64]
Real = NDArray[np.floating[Any]]
Mask = NDArray[np.bool_]

BAND_HZ = 1006.0  # modulation and keying are looked at this far on either side of the tone
BAND_TAPER_HZ = 200.0  # over which that band falls to nothing


def runs(mask: Mask) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and one-past-last index of each run of True."""
    if not mask.size:
        return np.zeros(0, np.intp), np.zeros(0, np.intp)
    inside = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    edges = np.concatenate([[0] if mask[0] else [], inside, [mask.size] if mask[-1] else []]).astype(np.intp)
    return edges[::2], edges[1::2]


def pieces(first: NDArray[np.intp], count: NDArray[np.intp], stride: int) -> NDArray[np.intp]:
    """``count`` (n,) starts each from ``first`` (n,) on, ``stride`` apart."""
    nth = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    return np.asarray(np.repeat(first, count) + nth * stride)


@dataclass(frozen=True)
class Baseband:
    """The found signal at complex baseband, before its keying is known."""

    rate_hz: float
    audio: Complex
    path_hz: Real
    z: Complex
    noise_density: float  # per Hz, in the passband near the tone, at key-up where that is heard
    passband_hz: tuple[float, float]
    passband_from_noise: bool  # False: no band edge seen, the recording's own band stands

    @property
    def times_s(self) -> Real:
        """Time of each sample, shape (n,)."""
        return np.arange(self.z.size) / self.rate_hz

    @property
    def middle_hz(self) -> float:
        """Median of the path, which is smooth: every 16th sample will do."""
        return float(np.median(self.path_hz[::16]))


@dataclass(frozen=True)
class Marks:
    """The key-down stretches ("marks"), shared by all measurements.

    ``on_s`` and ``off_s`` are the half-amplitude crossings, shape (n_marks,); a mark cut by the
    recording's beginning or end has ``cut_start`` / ``cut_end`` set and its own edge there is not
    an edge of the keying. For a steady signal there is one mark (or one per stretch of presence).
    """

    keyed: bool
    on_s: Real
    off_s: Real
    cut_start: bool
    cut_end: bool
    down: Mask  # (n,) between the half-amplitude crossings
    settled: Mask  # (n,) down, less a guard after each on and before each off
    up: Mask  # (n,) key-up, less a guard after each off and before each on, within and beyond the transmission
    amplitude: float  # typical key-down amplitude (median over settled samples)
    mark_p: Real | None = None  # (n_marks,) probability of there being each mark, where that is known
    gap_p: Real | None = None  # (n_marks - 1,) and of each gap between them
    likely_on_s: Real | None = None  # (n_marks,) edges where the rhythm and all of what is heard put them: for
    likely_off_s: Real | None = None  # reading weak signals, whose crossings noise moves; not for timing


@dataclass(frozen=True)
class Track:
    """The followed signal: baseband, marks and the refined carrier.

    ``carrier`` is the smooth complex amplitude of the tone in ``z`` (drift, slow fading and slow
    phase; nothing faster than about 5 Hz), defined where ``settled`` is true and interpolated
    between, so that ``z / carrier - 1`` is AM + j PM for small modulation.
    """

    base: Baseband
    marks: Marks
    carrier: Complex  # (n,)
    coherent: bool  # the phase runs on through key-up (an oscillator that keeps running)
    tone_hz: float
    tone_hz_sigma: float
    tone_missing: str | None = None  # why tone_hz is no measurement (too little signal), or None
    heard: Mask | None = None  # (n,) where a weak tone's own phase shows it, sharper than ``marks.down``
    known_cells: tuple[tuple[Mask, Cells], ...] = ()  # of this ``base``, where they have been summed already

    @cached_property
    def cells(self) -> Cells:
        """The key-down signal in cells of 4 ms."""
        return self.cells_of(self.marks.down if self.heard is None else self.heard)

    def cells_of(self, mask: Mask) -> Cells:
        """Cells of 4 ms where ``mask`` (n,) holds and the tone is heard."""
        from sigcheck.measure.audio.cells import cells

        for known, found in self.known_cells:
            if known is mask:
                return found
        return cells(self.base, mask if self.heard is None else mask & self.heard)

    @cached_property
    def band(self) -> tuple[Complex, float]:
        """``z`` within ``BAND_HZ`` of the tone, and its rate; sample k is at k / rate."""
        from sigcheck.measure.spectrum import slice_band

        return slice_band(self.base.z, self.base.rate_hz, -BAND_HZ, BAND_HZ, taper_hz=BAND_TAPER_HZ)

    @cached_property
    def settled_power(self) -> float:
        """Mean key-down power of the carrier (A^2); a static crash that the carrier followed counts for little."""
        power = np.abs(self.carrier[::48][self.marks.settled[::48]]) ** 2  # it is smooth: one in 8 ms will do
        if not power.size:
            power = np.abs(self.carrier[self.marks.settled]) ** 2
        return float(np.mean(np.minimum(power, 4 * np.median(power)), dtype=np.float64)) + 1e-30
