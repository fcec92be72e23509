"""What the rest of the measuring sees of four-tone slots: our tones' changes taken off, other slots as others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sigcheck.measure import carrier
from sigcheck.measure.results import Lines, OtherSignal, Purity, Sideband
from sigcheck.measure.slot import SAME_STATION_HZ, Found, Transmission
from sigcheck.measure.spectrum import Survey
from sigcheck.measure.track import Baseband, Marks, Real

_MUCH_STRONGER = 100.0  # in power
_FAR_STRONGER = 3e4
_SMEARED_HZ = 40.0
_SMEARED_KEYED_HZ = 150.0
_SMEARED_HUM_HZ = 8.0
_EXCESS_REACH_HZ = 350.0  # modulation up to 300 Hz counts
_ALIKE_DB = 3.0
_GUARD_S = 0.05  # left out at each end, where the receiver's filter and gain control settle
_AWAY_S = 0.5  # from a transmission before the band about it counts as quiet


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
    same = path.size > 0 and abs(float(np.median(path)) - one.centre_hz) < SAME_STATION_HZ
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
    return tuple(o for o in others if all(abs(hz - o.frequency_hz) > SAME_STATION_HZ for hz in places_hz))


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
