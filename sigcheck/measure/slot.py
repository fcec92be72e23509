"""Four-tone slots: which of those heard is ours, what it does, and its path for the rest of the measuring.

:mod:`slot_search` finds the transmissions, :mod:`slot_fit` measures each. Here they are told apart:
the strongest is ours, with the earlier and later ones of the same station; what starts with it and
carries the same symbols a constant offset away is the same signal heard again (modulated by the
mains, say) and no other station; the rest are others.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure import carrier
from sigcheck.measure.results import Lines, OtherSignal, Purity, Sideband, Slot, SlotHeard, not_measured_names
from sigcheck.measure.slot_fit import (
    Fit,
    Symbols,
    fit,
    heard_again,
    offset_integrals,
    sighted_power,
    slope_doubt_hz,
    tone_sums,
    within,
)
from sigcheck.measure.slot_search import SPACING_HZ, SYMBOL_S, SYMBOLS, Narrow, Sighting, narrowed, search
from sigcheck.measure.spectrum import Survey
from sigcheck.measure.track import Baseband, Marks, Real

Products = NDArray[np.complex128]

_SAME_STATION_HZ = 12.0  # from one transmission to the next: twice its width
_MUCH_STRONGER = 100.0  # in power
_FAR_STRONGER = 3e4
_NOISE_DOUBT = 0.06  # of the noise density: the median of some hundred cells, and the band's ripple
_CLEAR_PHASE_DB = 35.0  # energy of a symbol over the noise density: 10 ms then show the phase to 0.1 rad
_SMEARED_HZ = 40.0
_SMEARED_KEYED_HZ = 150.0
_SMEARED_HUM_HZ = 8.0
_EXCESS_REACH_HZ = 350.0  # modulation up to 300 Hz counts
_ALIKE_DB = 3.0
_TOGETHER_S = 0.3  # copies start together: the coarse start's own doubt
_GUARD_S = 0.05  # left out at each end, where the receiver's filter and gain control settle
_MARGIN_S = 5.0  # looked at beyond a transmission, for its noise; two of one station are further apart
_AWAY_S = 0.5  # from a transmission before the band about it counts as quiet
_SPREAD_CELLS = 8  # to a symbol
_KEPT = 0.66  # of the autocorrelation, at the lag where the spread is read
_LONGEST_LAG = 0.15  # of the transmission, over which its coherence is looked at
_GROUPS = 9  # that the symbols are left out by, for the scatter of a mean


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
    return abs(one.centre_hz - ours[0].centre_hz) < _SAME_STATION_HZ and all(
        one.start_s > m.end_s - _MARGIN_S or end_s < m.begin_s + _MARGIN_S for m in ours
    )


def _same_symbols(a: Transmission, b: Transmission) -> bool | None:
    """Whether the symbols that both have differ by no more than noise explains; None of too few."""
    first, last = max(a.fit.first, b.fit.first), min(a.fit.last, b.fit.last)
    if last - first < SYMBOLS // 4:
        return None
    part = slice(first, last)
    differ = int(np.sum(a.fit.symbols[part] != b.fit.symbols[part]))
    doubt = float(sum(np.sum(1 - t.fit.posterior.max(axis=1)[part]) for t in (a, b)))
    return bool(differ <= doubt + 4 * np.sqrt(doubt) + 1)


# --- for the rest of the measuring -------------------------------------------------------------


def baseband(s: Survey, found: Found) -> tuple[Baseband, Real]:
    """The audio with the tones' changes and the drift of our transmissions taken off; and the whole path (n,).

    The baseband's own ``path_hz`` is the middle of the tones alone, so that what follows sees a steady
    or drifting tone there. Between transmissions the path stays at the middle.
    """
    times = np.arange(s.audio.size) / s.rate_hz
    path = np.full(times.size, found.main.centre_hz)
    middle = path.copy()
    bounds = [0.0, *(0.5 * (a.end_s + b.begin_s) for a, b in zip(found.ours, found.ours[1:], strict=False)), np.inf]
    for k, one in enumerate(found.ours):
        a, b = np.searchsorted(times, bounds[k : k + 2])
        if b - a > 1:
            path[a:b] = one.path_hz(times[a:b])
            middle[a:b] = one.middle_hz(times[a:b])
    return replace(carrier.shift(s, path), path_hz=middle), path


def marks(base: Baseband, found: Found) -> Marks:
    """Our transmissions as stretches of presence of a steady signal."""
    n, rate = base.z.size, base.rate_hz
    t = base.times_s
    on = np.array([max(one.begin_s, 0.0) for one in found.ours])
    off = np.array([min(one.end_s, n / rate) for one in found.ours])
    down, settled, up = np.zeros(n, bool), np.zeros(n, bool), np.ones(n, bool)
    for a, b in zip(on, off, strict=True):
        down[slice(*np.searchsorted(t, [a, b]))] = True
        settled[slice(*np.searchsorted(t, [a + _GUARD_S, b - _GUARD_S]))] = True
        up[slice(*np.searchsorted(t, [a - _AWAY_S, b + _AWAY_S]))] = False
    return Marks(
        keyed=False,
        on_s=on,
        off_s=off,
        cut_start=bool(found.ours[0].begin_s < 0.05),
        cut_end=bool(found.ours[-1].end_s > n / rate - 0.05),
        down=down,
        settled=settled,
        up=up,
        amplitude=float(np.sqrt(found.main.fit.power)),
    )


def is_ours(found: Found, tone: Baseband | carrier.NotFound, keying: str | None) -> bool:
    """Whether the test signal is the slot and not the tone that was found.

    The plan's word counts. Without it the slot is taken, which does not come about by chance, unless
    the other signal is much the stronger: then that is the one on the bench. A carrier without keying
    must be stronger by far.
    """
    if keying is not None or isinstance(tone, carrier.NotFound):
        return keying in (None, "four-tone")
    one = found.main
    at = np.clip(np.searchsorted(tone.times_s, [one.begin_s, one.end_s]), 0, tone.path_hz.size)
    path = tone.path_hz[slice(*at)]
    same = path.size > 0 and abs(float(np.median(path)) - one.centre_hz) < _SAME_STATION_HZ
    stronger = _FAR_STRONGER if _stays(tone) else _MUCH_STRONGER
    return same or carrier.strength(tone) < stronger * one.fit.power


def _stays(tone: Baseband) -> bool:
    """Whether the tone is there all the time at one level: a carrier that anybody may have left on."""
    step = max(1, round(0.1 * tone.rate_hz))
    count = tone.z.size // step
    power = np.abs(tone.z[: count * step].reshape(count, step).mean(axis=1)) ** 2
    low, high = np.quantile(power, [0.02, 0.9])
    return bool(low > 0.25 * high)


def other_stations(slots: tuple[Transmission, ...], carrier_power: float) -> tuple[OtherSignal, ...]:
    """Slots as other signals, levels relative to a carrier of that power (amplitude squared)."""
    return tuple(
        OtherSignal(
            frequency_hz=one.centre_hz,
            level_dbc=float(10 * np.log10(one.fit.power / max(carrier_power, 1e-30))),
            keyed=True,
            dips_with_ours=None,
            same_lines=None,
        )
        for one in slots
    )


def without_slots(others: tuple[OtherSignal, ...], places_hz: tuple[float, ...]) -> tuple[OtherSignal, ...]:
    """The other signals that are not tones of slots in these places."""
    return tuple(o for o in others if all(abs(hz - o.frequency_hz) > _SAME_STATION_HZ for hz in places_hz))


def without_smeared(lines: Lines, tone_hz: float, hum_hz: float | None) -> Lines:
    """The lines, less what other signals leave when our tones' changes are taken off theirs.

    A carrier that stays where it is moves against our tones: there it is smeared over some ten hertz,
    keying and slots over more; so are the lines of additive hum of fundamental ``hum_hz``. A pair of
    sidebands that are alike on both sides is ours all the same.
    """

    def smeared(hz: float, level_dbc: float) -> bool:
        if hum_hz is not None and abs(hz - hum_hz * round(hz / hum_hz)) < _SMEARED_HUM_HZ:
            return True
        return any(
            abs(hz - o.frequency_hz) < (_SMEARED_KEYED_HZ if o.keyed else _SMEARED_HZ) and level_dbc < o.level_dbc
            for o in lines.others
        )

    def beside_another(b: Sideband) -> bool:
        lower, upper = (-200.0 if side is None else side for side in (b.lower_dbc, b.upper_dbc))
        stronger = tone_hz + b.offset_hz * (1 if upper > lower else -1)
        return abs(upper - lower) > _ALIKE_DB and smeared(stronger, max(upper, lower))

    return replace(
        lines,
        sidebands=tuple(b for b in lines.sidebands if not beside_another(b)),
        spurs=tuple(s for s in lines.spurs if s.when == "key-up" or not smeared(s.frequency_hz, s.level_dbc)),
    )


def without_neighbours(purity: Purity, lines: Lines, tone_hz: float) -> Purity:
    """The purity, less the excess modulation where another signal's smear lies among it."""
    if all(abs(o.frequency_hz - tone_hz) > _EXCESS_REACH_HZ for o in lines.others):
        return purity
    names = [n for n in ("am_excess_percent", "pm_excess_rad") if getattr(purity, n) is not None]
    why = "another signal within 350 Hz mixes with the tones' changes"
    missing = {**purity.missing, **dict.fromkeys(names, why), **{f"{n}_sigma": why for n in names}}
    return replace(purity, missing=missing, am_excess_percent=None, am_excess_percent_sigma=None,
                   pm_excess_rad=None, pm_excess_rad_sigma=None)  # fmt: skip


# --- into the result ---------------------------------------------------------------------------


def measure_slot(
    found: Found,
    *,
    symbols: tuple[int, ...] | None = None,
    start_utc: datetime | None = None,
    repeat_s: float | None = None,
    passband_hz: tuple[float, float] | None = None,
) -> Slot:
    """The slot family of our main transmission, and the others of ours compared with it.

    Parameters
    ----------
    symbols : the plan's symbols.
    start_utc, repeat_s : time of the recording's first sample and the slots' period; with both the
        start is counted from the slot boundary.
    passband_hz : the receiver's. Its filter delays by some unknown part of, or more than, the inverse of
        its width, and the sigma of the start holds that.
    """
    main = found.main
    f, course = main.fit, main.fit.course
    missing = not_measured_names(Slot, "only shifted keying has a shift")
    values: dict[str, object] = {}
    start, origin = main.start_s, "recording"
    if start_utc is not None and repeat_s is not None:
        start, origin = since_boundary(start_utc, start, repeat_s), "slot"
    delay_s = 1 / max(passband_hz[1] - passband_hz[0], 50.0) if passband_hz is not None else 0.0
    errors, why = _errors(f, symbols)
    values["symbol_errors"] = errors
    spread = frequency_spread(f)
    if spread is None:
        why_spread = "too weak or too short to see the tones' width"
        missing.update(frequency_spread_hz=why_spread, frequency_spread_hz_sigma=why_spread)
    else:
        values["frequency_spread_hz"], values["frequency_spread_hz_sigma"] = spread
    clarity, clarity_sigma = symbol_clarity(f)
    drift_hz, drift_sigma = drift(f)
    same = [_same_symbols(one, main) for one in found.ours if one is not main]
    told = [answer for answer in same if answer is not None]
    values["same_symbols"] = all(told) if told else None
    values |= {
        "kind": "four-tone",
        "start_offset_s": start,
        "start_offset_s_sigma": float(np.hypot(f.sigma[0], delay_s)),
        "start_offset_from": origin,
        "symbol_s": course.symbol_s,
        "symbol_s_sigma": float(f.sigma[1]),
        "tone_spacing_hz": course.spacing_hz,
        "tone_spacing_hz_sigma": float(f.sigma[2]),
        "symbols": tuple(int(k) for k in f.symbols[f.first : f.last]),
        "first_symbol": f.first,
        "expected_symbol_errors": main.expected_errors,
        "symbol_clarity": clarity,
        "symbol_clarity_sigma": clarity_sigma,
        "coherent_symbols": f.together,
        "drift_hz": drift_hz,
        "drift_hz_sigma": drift_sigma,
        "complete": main.complete,
        "heard": tuple(_heard(one, found) for one in found.ours),
    }
    missing = {k: v for k, v in missing.items() if values.get(k) is None}
    if errors is None:
        missing["symbol_errors"] = why
    if values["same_symbols"] is None:
        missing["same_symbols"] = "one transmission: nothing to compare it with"
    return Slot(missing=missing, **values)  # type: ignore[arg-type]


def since_boundary(start_utc: datetime, at_s: float, repeat_s: float) -> float:
    """Time of ``at_s`` in the recording since the nearest boundary of periods counted from the hour."""
    of_hour = start_utc.minute * 60 + start_utc.second + start_utc.microsecond * 1e-6
    return float((of_hour + at_s + 0.5 * repeat_s) % repeat_s - 0.5 * repeat_s)


def _errors(f: Fit, symbols: tuple[int, ...] | None) -> tuple[int | None, str]:
    if symbols is None:
        return None, "the plan names no symbols"
    if len(symbols) != SYMBOLS:
        return None, f"the plan names {len(symbols)} symbols; a transmission has {SYMBOLS}"
    sent: Symbols = np.array(symbols, np.intp)[f.first : f.last]
    return int(np.sum(f.symbols[f.first : f.last] != sent)), ""


def _heard(one: Transmission, found: Found) -> SlotHeard:
    f = one.fit
    part = slice(max(f.first, found.main.fit.first), min(f.last, found.main.fit.last))
    drift_hz, drift_sigma = drift(f)
    return SlotHeard(
        start_s=one.start_s,
        start_s_sigma=float(f.sigma[0]),
        tone_hz=one.centre_hz,
        tone_hz_sigma=float(f.sigma[3]),
        level_db=float(10 * np.log10(f.power / found.main.fit.power)),
        energy_db=f.energy_db,
        drift_hz=drift_hz,
        drift_hz_sigma=drift_sigma,
        complete=one.complete,
        symbol_differences=int(np.sum(f.symbols[part] != found.main.fit.symbols[part])),
        same_symbols=_same_symbols(one, found.main),
    )


def drift(f: Fit) -> tuple[float, float]:
    """Frequency at the end of what was heard less that at its start, and its sigma.

    How many terms the course needs is not known: straight, bent and more are averaged by how likely each is (by
    Schwarz's criterion, from memory, not looked up), and the sigma holds how far they differ. By energy alone no
    more than a straight course is told.
    """
    course, terms = f.course, len(f.course.hz)
    ends = 2 * (course.start_s + course.symbol_s * np.array([f.first, f.last]) - course.from_s) / course.span_s - 1
    weight = np.diff(np.polynomial.legendre.legvander(ends, terms - 1), axis=0)[0]
    hz, covariance = np.array(course.hz), f.covariance[3:, 3:]
    values, variances, costs = [], [], []
    for kept in range(2, terms + 1 if f.together > 1 else 3):
        use, out = slice(0, kept), slice(kept, terms)
        pull = covariance[use, out] @ np.linalg.pinv(covariance[out, out], hermitian=True)
        values.append(float(weight[use] @ (hz[use] - pull @ hz[out])))
        variances.append(float(weight[use] @ (covariance[use, use] - pull @ covariance[out, use]) @ weight[use]))
        worse = hz[out] @ np.linalg.pinv(covariance[out, out], hermitian=True) @ hz[out]
        costs.append(0.5 * float(worse) + 0.5 * np.log(f.last - f.first) * kept)
    share = np.exp(min(costs) - np.array(costs))
    share /= share.sum()
    value = float(share @ values)
    variance = float(share @ (np.array(variances) + (np.array(values) - value) ** 2))
    return value, float(np.hypot(np.sqrt(max(variance, 0.0)), _unfollowed_hz(f)))


def _unfollowed_hz(f: Fit) -> float:
    """What the terms that the course does not have may add at its ends, as the last two that it has fall off."""
    before, last = (abs(v) for v in f.course.hz[-2:])
    if last < 3 * f.sigma[-1]:
        return 0.0
    ratio = min(last / max(before, 1e-12), 0.8)
    return float(last * ratio / (1 - ratio))


def symbol_clarity(f: Fit) -> tuple[float, float]:
    """Share of the symbols' energy that is in their own tones, noise removed, and its sigma.

    Each tone's energy counts with the probability that it is the symbol's: to count the strongest
    would take noise for clarity. The scatter comes from leaving out groups of symbols.
    """
    rows = slice(f.first, f.last)
    energy = np.abs(f.sums[rows]) ** 2 - f.noise_density * f.course.symbol_s
    own, all_ = np.sum(f.posterior[rows] * energy, axis=1), energy.sum(axis=1)
    group = np.arange(own.size) * _GROUPS // own.size
    part = np.array([own[group != k].sum() / max(all_[group != k].sum(), 1e-30) for k in range(_GROUPS)])
    sigma = np.sqrt((_GROUPS - 1) / _GROUPS * np.sum((part - part.mean()) ** 2))
    return float(np.clip(own.sum() / max(all_.sum(), 1e-30), 0.0, 1.0)), float(sigma)


def frequency_spread(f: Fit) -> tuple[float, float] | None:
    """Twice the standard deviation of the tone's own spectrum in Hz, drift and symbols removed; and sigma.

    A Gaussian spectrum of standard deviation s makes the autocorrelation exp(-(2 pi s lag)^2 / 2).
    It is read at the longest lag at which two thirds are left: there noise matters least and the
    shape still is that of any smooth spectrum.
    """
    cells, cell_s, noise = _cells(f)
    if cells.size < 64:
        return None
    # where the phase starts afresh only what lies within one symbol can be compared, and wholly within it
    cells = cells[:, 1:-1] if f.together == 1 else cells
    width_of = cells.shape[1] if f.together == 1 else cells.size
    cells = cells.reshape(-1, width_of)
    longest = width_of - 2 if f.together == 1 else round(_LONGEST_LAG * cells.size)
    lags = np.unique(np.round(np.geomspace(1, max(longest, 2), 24)).astype(np.intp))
    parts = np.array([_lagged(cells, int(m)) for m in lags])  # (lags, groups)

    def width(products: Products) -> float:
        level = np.abs(products.sum(axis=1))
        # level at lag 0 without the noise: as a parabola's top
        zero = max(level[0] + (level[0] - level[1]) / (int(lags[1]) ** 2 - 1), 1e-30)
        kept = level / zero
        last = int(np.argmax(kept < _KEPT)) if np.any(kept < _KEPT) else lags.size - 1
        curve = max(-2 * float(np.log(np.clip(kept[last], 1e-3, 1.0))), 0.0)
        return float(np.sqrt(abs(curve)) / (2 * np.pi * float(lags[last]) * cell_s))

    level = float(np.abs(parts.sum(axis=1)[0]))
    doubt = noise / np.sqrt(cells.size)
    if level < 4 * doubt:
        return None
    groups = parts.shape[1]
    left_out = np.array([width(np.delete(parts, k, axis=1)) for k in range(groups)])
    sigma = np.sqrt((groups - 1) / groups * np.sum((left_out - left_out.mean()) ** 2))
    # what noise in the autocorrelation can pass for at the longest lag
    floor = np.sqrt(2 * min(doubt * np.sqrt(1 + 2 * level / noise) / level, 1.0)) / (2 * np.pi * lags[-1] * cell_s)
    return 2 * width(parts), 2 * float(np.hypot(sigma, floor))


def whole_power(one: Transmission) -> float:
    """Power of the tone with all its width (amplitude squared), within 6 Hz."""
    cells, _, noise = _cells(one.fit)
    return max(float(np.mean(np.abs(cells) ** 2)) - noise, 1e-3 * one.fit.power)


@dataclass(frozen=True)
class NominalEnergies:
    """What a receiver by the book has of a transmission, over the noise density and less the noise.

    ``own`` and ``other`` (groups,) are mean energies on a symbol's own and on its other possible tone;
    the groups are nine stretches of time, in each the symbols of the two lower and of the two upper
    tones apart, as drift moves them towards and away from their others. ``scintillation`` is the
    variance of the own tone's energy from symbol to symbol over its squared mean: 0 for a steady signal,
    1 for one that fades faster than the symbols change.
    """

    own: Real
    other: Real
    scintillation: float


def nominal_energies(one: Transmission) -> NominalEnergies:
    """Energies for a receiver that has the nominal spacing and symbol length and does not follow drift.

    It is tuned and timed as well as that allows. Symbols that should have been there and were not have
    no energy.
    """
    f, band = one.fit, one.band
    first, last = within(band, f.course)
    weight = np.where(((np.arange(SYMBOLS) >= f.first) & (np.arange(SYMBOLS) < f.last))[:, None], f.posterior, 0.0)
    middle = f.course.start_s + 0.5 * (f.first + f.last) * (f.course.symbol_s - SYMBOL_S)
    steady = replace(
        f.course, start_s=middle, symbol_s=SYMBOL_S, spacing_hz=SPACING_HZ,
        hz=(one.centre_hz - one.hz, *[0.0] * (len(f.course.hz) - 1)),
    )  # fmt: skip
    lead, own = np.zeros(SYMBOLS), np.ones(SYMBOLS)
    off_hz = np.arange(-1.2, 1.21, 0.2)
    places = (off_hz[:, None] + SPACING_HZ * (np.arange(4) - 1.5)).ravel()
    for late_s in np.arange(-0.12, 0.121, 0.04):
        sums = offset_integrals(band, replace(steady, start_s=middle + late_s), places)
        energy = np.abs(sums.reshape(SYMBOLS, off_hz.size, 4)) ** 2 / (f.noise_density * SYMBOL_S)
        gain = np.einsum("ki,kji->kj", weight, energy - energy[:, :, [2, 3, 0, 1]])
        best = int(np.argmax(gain.sum(axis=0)))
        if gain[:, best].sum() > lead.sum():
            lead, own = gain[:, best], np.sum(weight * energy[:, best], axis=1)
    stretch = np.arange(SYMBOLS) * _GROUPS // SYMBOLS
    group = np.where((np.arange(SYMBOLS) >= first) & (np.arange(SYMBOLS) < last), 2 * stretch + (f.symbols > 1), -1)
    heard = [np.flatnonzero(group == k) for k in range(2 * _GROUPS) if np.any(group == k)]
    absent = weight.sum(axis=1) == 0
    own, lead = np.where(absent, 0.0, own - 1), np.where(absent, 0.0, lead)
    excess = [own[k].var(ddof=1) - 1 - 2 * own[k].mean() for k in heard if k.size > 2]  # noise makes 1 + 2 E
    usual = [own[k].mean() ** 2 for k in heard if k.size > 2]
    return NominalEnergies(
        own=_drawn_together(own, heard),
        other=_drawn_together(own - lead, heard),
        scintillation=float(np.clip(np.mean(excess) / max(float(np.mean(usual)), 1e-30), 0.0, 2.0)),
    )


def _drawn_together(energy: Real, groups: list[NDArray[np.intp]]) -> Real:
    """Means of groups, nearer to the mean of all as far as noise makes them differ; none below 0."""
    part = np.array([energy[k].mean() for k in groups])
    noise = (1 + 2 * max(float(part.mean()), 0.0)) * float(np.mean([1 / k.size for k in groups]))
    kept = np.sqrt(max(1 - noise / max(float(part.var()), 1e-30), 0.0))
    return np.asarray(np.maximum(part.mean() + kept * (part - part.mean()), 0.0))


def _cells(f: Fit) -> tuple[Products, float, float]:
    """Means of what is left without the symbols, eight to a symbol (symbols, 8), their length, and their noise."""
    rest = f.rest[np.flatnonzero(f.rest)]
    count = (f.last - f.first) * _SPREAD_CELLS
    bounds = np.round(np.arange(count) * rest.size / count).astype(np.intp)
    size = np.diff(np.append(bounds, rest.size))
    cells = np.asarray(np.add.reduceat(rest, bounds) / size, np.complex128)
    cell_s = f.course.symbol_s / _SPREAD_CELLS
    return cells.reshape(-1, _SPREAD_CELLS), cell_s, f.noise_density / cell_s


def _lagged(cells: Products, lag: int) -> Products:
    """Lagged products within each row, summed by groups of neighbours, over the number of all."""
    product = (np.conj(cells[:, :-lag]) * cells[:, lag:]).ravel()
    return np.array([part.sum() for part in np.array_split(product, _GROUPS)], np.complex128) / product.size
