"""Four-tone slots: which of those heard is ours.

:mod:`slot_search` finds the transmissions, :mod:`slot_fit` measures each. Here they are told apart:
the strongest is ours, with the earlier and later ones of the same station; what starts with it and
carries the same symbols a constant offset away is the same signal heard again (modulated by the
mains, say) and no other station; the rest are others. What the rest of the measuring sees of them is
in :mod:`slot_path`, what is told of ours in :mod:`slot_values`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sigcheck.measure.slots.band import Narrow, narrowed
from sigcheck.measure.slots.course import tone_sums
from sigcheck.measure.slots.fit import Fit, fit, heard_again, sighted_power, slope_doubt_hz
from sigcheck.measure.slots.protocol import SYMBOLS
from sigcheck.measure.slots.search import Sighting, search
from sigcheck.measure.spectrum import Survey
from sigcheck.measure.track import Real

SAME_STATION_HZ = 12.0  # from one transmission to the next: twice its width
_NOISE_DOUBT = 0.06  # of the noise density: the median of some hundred cells, and the band's ripple
_CLEAR_PHASE_DB = 35.0  # energy of a symbol over the noise density: 10 ms then show the phase to 0.1 rad
_TOGETHER_S = 0.3  # copies start together: the coarse start's own doubt
_MARGIN_S = 5.0  # looked at beyond a transmission, for its noise; two of one station are further apart


@dataclass(frozen=True)
class Transmission:
    """One transmission: its fit, and the narrow band that it was made on."""

    fit: Fit
    band: Narrow

    @property
    def hz(self) -> float:
        """The middle of the narrow band that it was fitted on."""
        return self.band.hz

    @property
    def start_s(self) -> float:
        """Start of the first of 162 symbols, heard or not."""
        return self.fit.course.start_s

    @property
    def begin_s(self) -> float:
        """Start of the first symbol heard."""
        return self.start_s + self.fit.first * self.fit.course.symbol_s

    @property
    def end_s(self) -> float:
        """End of the last symbol heard."""
        return self.start_s + self.fit.last * self.fit.course.symbol_s

    @property
    def centre_hz(self) -> float:
        """Mean audio frequency of the middle between the lowest and the highest tone, over what was heard."""
        at = np.linspace(self.begin_s, self.end_s, 65)
        return self.hz + float(self.fit.course.slow_hz(0.5 * (at[1:] + at[:-1])).mean())

    @property
    def been_hz(self) -> tuple[float, ...]:
        """Where that middle is at the start, in the middle and at the end."""
        return tuple(float(hz) for hz in self.middle_hz(np.linspace(self.begin_s, self.end_s, 3)))

    @property
    def centre_hz_sigma(self) -> float:
        """Standard uncertainty of that mean."""
        return float(self.fit.sigma[3])

    @property
    def steady_doubt_hz(self) -> float:
        """What taking the tones' changes off leaves uncertain in the frequency of the middle."""
        return slope_doubt_hz(self.fit)

    @property
    def phase_is_clear(self) -> bool:
        """Whether a jump of the phase is neither the noise's nor the keying's: enough of it, and it runs on."""
        return self.fit.energy_db > _CLEAR_PHASE_DB and self.fit.together >= 8

    @property
    def cn0_dbhz(self) -> tuple[float, float]:
        """Carrier over noise density beside the tones, and its sigma."""
        energy = self.fit.power * self.fit.course.symbol_s / self.fit.noise_density
        scatter = np.sqrt((1 + 2 * energy) / (self.fit.last - self.fit.first)) / energy
        sigma = 10 / np.log(10) * float(np.hypot(scatter, _NOISE_DOUBT))
        return float(10 * np.log10(self.fit.power / self.fit.noise_density)), sigma

    @property
    def complete(self) -> bool:
        """Whether all symbols were heard."""
        return self.fit.first == 0 and self.fit.last == SYMBOLS

    @property
    def expected_errors(self) -> float:
        """Symbols that noise alone makes wrong, as their own energies tell."""
        return float(np.sum(1 - self.fit.posterior.max(axis=1)[self.fit.first : self.fit.last]))

    def middle_hz(self, t: Real) -> Real:
        """Audio frequency of the middle of the tones at the times ``t``, held beyond what was heard."""
        nodes = np.linspace(self.begin_s, self.end_s, 1025)  # straight lines between are 1e-6 Hz off
        return np.asarray(self.hz + np.interp(t, nodes, self.fit.course.slow_hz(nodes)))

    def path_hz(self, t: Real) -> Real:
        """Mean instantaneous audio frequency around each of the evenly spaced times ``t`` (n,).

        The mean over the sample's own time: a change of tone then turns the phase by what it should
        wherever it falls between two samples.
        """
        course, step = self.fit.course, float(t[1] - t[0])
        v = course.place(t)
        turned = tone_sums(course, self.fit.symbols, np.clip(v + 0.5 * step / course.symbol_s, 0, SYMBOLS))
        turned = turned - tone_sums(course, self.fit.symbols, np.clip(v - 0.5 * step / course.symbol_s, 0, SYMBOLS))
        return np.asarray(self.middle_hz(t) + course.spacing_hz * course.symbol_s / step * turned)


@dataclass(frozen=True)
class Found:
    """The slots of a recording: ours in order of time, where it is heard again, and other stations'."""

    ours: tuple[Transmission, ...]
    copies: tuple[float, ...]  # Hz
    others: tuple[Transmission, ...]

    @property
    def main(self) -> Transmission:
        """The one of ours with most symbols, the stronger of equals."""
        return max(self.ours, key=lambda t: (t.fit.last - t.fit.first > 0.95 * SYMBOLS, t.fit.power))


def find(s: Survey, *, near_hz: float | None = None, symbols: tuple[int, ...] | None = None) -> Found | None:
    """The four-tone slots of a recording, or None where there is none.

    Parameters
    ----------
    near_hz : look within 150 Hz of here only.
    symbols : what ours should send, if that is known.
    """
    seen = search(s, near_hz=near_hz)
    if not seen:
        return None
    known = np.array(symbols, np.intp) if symbols is not None and len(symbols) == SYMBOLS else None
    about = [
        narrowed(s.audio, s.rate_hz, np.array([one.centre_hz]), pieces=4,
                 start_s=max(0.0, one.start_s - _MARGIN_S), end_s=one.start_s + SYMBOLS * one.symbol_s + _MARGIN_S)[0]
        for one in seen
    ]  # fmt: skip
    strength = [sighted_power(band, one) for band, one in zip(about, seen, strict=True)]
    ours: list[Transmission] = []
    others: list[Transmission] = []
    copies: list[float] = []
    for k in np.argsort(strength)[::-1]:
        band, one = about[k], seen[k]
        if any(_is_copy(band, one, strong) for strong in (*ours, *others)):
            copies.append(one.centre_hz)
            continue
        mine = not ours or _of_one_station(one, ours)
        fitted = fit(band, one, known if mine else None, thorough=mine)
        if fitted is not None and fitted.last - fitted.first >= SYMBOLS // 4:
            (ours if mine else others).append(Transmission(fitted, band))
    if not ours:
        return None
    ours.sort(key=lambda t: t.begin_s)
    return Found(tuple(ours), tuple(copies), tuple(others))


def _is_copy(band: Narrow, one: Sighting, strong: Transmission) -> bool:
    """Whether it starts with a stronger one and carries the same symbols: one signal, heard at two places."""
    together = abs(one.start_s - strong.start_s) < _TOGETHER_S
    return together and heard_again(band, strong.fit, one.centre_hz - band.hz)


def _of_one_station(one: Sighting, ours: list[Transmission]) -> bool:
    """Whether it is another transmission of ours: in the same place, at another time."""
    end_s = one.start_s + SYMBOLS * one.symbol_s
    return abs(one.centre_hz - ours[0].centre_hz) < SAME_STATION_HZ and all(
        one.start_s > m.end_s - _MARGIN_S or end_s < m.begin_s + _MARGIN_S for m in ours
    )


def same_symbols(a: Transmission, b: Transmission) -> bool | None:
    """Whether the symbols that both have differ by no more than noise explains; None of too few."""
    first, last = max(a.fit.first, b.fit.first), min(a.fit.last, b.fit.last)
    if last - first < SYMBOLS // 4:
        return None
    part = slice(first, last)
    differ = int(np.sum(a.fit.symbols[part] != b.fit.symbols[part]))
    doubt = float(sum(np.sum(1 - t.fit.posterior.max(axis=1)[part]) for t in (a, b)))
    return bool(differ <= doubt + 4 * np.sqrt(doubt) + 1)
