"""The lines in the modulation about the tone: found, fitted, named by nature and family.

Lines are found strongest first. The key's own pattern smears every line into side lobes; each line found
is therefore fitted and taken away, together with all found before it, ahead of the next search.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sigcheck.measure.lines.families import on_grid, other_family, shared_course
from sigcheck.measure.lines.fit import Fitted, Line, LineFit, Turn, cut_blocks, pairs, steady_hz
from sigcheck.measure.lines.humps import wandering_lines
from sigcheck.measure.lines.modulation import Modulation, modulation
from sigcheck.measure.lines.proof import keeps_phase
from sigcheck.measure.lines.search import (
    CHANCE_GIVEN,
    COHERENT_S,
    LEAST_DBC,
    LOWEST_AUDIO_HZ,
    WANDER_HZ,
    Periodogram,
    mains_fundamental,
)
from sigcheck.measure.results import LineFamily, Lines, Nature, Sideband, Spur
from sigcheck.measure.track import BAND_HZ, Complex

__all__ = ["Found", "Modulation", "find_lines", "modulation", "single_spurs"]

_MAX_ORDER = 20
_MAX_OTHER_LINES = 6
_MAX_DOUBTFUL = 6
_LEADING_ORDERS = 3
_SURE_MAINS_HZ = 0.1  # of a grid of 50 or 60 Hz: chance puts one line in 250 so near
_KEYING_ORDERS, _OFF_THE_RATE = 16, 2
_BLIND_ORDERS = 4  # of half the unit's rate: what elements leave there may be a lone line
_IN_STEP_TOP_HZ = 300.0
_IN_STEP_DB = 1.5  # what the course that elements share may take from a line that keeps step with them
_STEADY_SHARE = 0.98  # of a line's power that adds up over all blocks at one frequency: else it wanders
_WANDER_Q_HZ = 0.1  # walk in a second of a line that is not crystal-stable
_PIECES, _PIECES_REACH_HZ = 2, 2.0  # so many lines so close together are one that wanders
_PIECE_SHARE = 0.1  # of its neighbour's power: a line that keeps its phase leaves less beside itself
# Of a line's power, that is left about it: half a decibel; noise that its floor does not explain is less.
_LEFT, _LEFT_HZ, _LEFT_OFF = 0.12, 3.0, 0.01
_BESIDE_HUMP_HZ, _BESIDE_HUMP_DB = 45.0, 15.0
_BEYOND_BAND = 20.0  # over the noise in its resolution, for a line outside the passband


@dataclass(frozen=True)
class Found:
    """Lines in the modulation and what is left without them."""

    lines: Lines
    rest: Complex  # the modulation with all found lines taken out
    singles: tuple[tuple[float, float], ...]  # (offset_hz signed, level_dbc) of single-sided lines


def find_lines(m: Modulation, *, tone_hz: float, additive_mains_hz: float | None) -> Found:
    """All modulation lines between 5 Hz and the passband's edge (1 kHz at most).

    ``additive_mains_hz``: the fundamental of mains hum added in the audio, where any was seen; single
    lines on its grid are that hum, not sidebands.
    """
    blocks = cut_blocks(m, COHERENT_S)
    span_s = max((np.count_nonzero(m.use[b]) for b in blocks), default=0) / m.rate_hz
    if span_s < 0.2:
        missing = {k: "too little settled key-down time for a spectrum" for k in ("sideband_floor_dbc", "mains_hz")}
        missing["switching_hz"] = missing["mains_hz"]
        return Found(Lines(missing=missing), m.y.copy(), ())
    fit = LineFit(m, blocks)
    spectrum = Periodogram(m.y, m, blocks)
    others: list[Turn] = []
    doubtful: list[tuple[float, float]] = []  # (offset, power over the tone's) that does not keep its phase
    fitted = fit.fit(others)

    def add_others(more: Callable[[float], bool], ahead: list[Turn]) -> None:
        nonlocal spectrum, fitted
        while len(others) < _MAX_OTHER_LINES and len(doubtful) < _MAX_DOUBTFUL:
            peak = spectrum.strongest(exclude=[*fitted.offsets, *(f for f, _ in doubtful)])
            if peak is None or not more(peak):
                return
            turn = _other_turn(fit, spectrum, fitted.rest, peak)
            if not keeps_phase(fit, fitted.rest, turn, spectrum.noise_near(peak)):
                doubtful.append((peak, spectrum.level(peak)))
                continue
            others.append(turn)
            fitted = fit.fit([*ahead, *others])
            spectrum = Periodogram(fitted.rest, m, blocks)

    add_others(_far_from_mains, [])  # side lobes of such a line, stronger than any hum, would pass for mains
    mains = _mains_turn(fit, spectrum, fitted.rest)
    if mains is not None:
        fitted = fit.fit([mains, *others])
        spectrum = Periodogram(fitted.rest, m, blocks)
        add_others(lambda _: True, [mains])
        if others:  # the mains' course once more, without what stood beside it
            own = _with(fitted, mains, fit)
            lead = _leading(mains.orders, mains.mean_hz, spectrum)
            course = fit.follow(replace(mains, orders=lead), spectrum.noise_near(mains.mean_hz), rest=own)
            mains = replace(course, orders=mains.orders)
            fitted = fit.fit([mains, *others])
    else:
        add_others(lambda _: True, [])
    ahead = [] if mains is None else [mains]
    together = shared_course(fit, fitted, others, spectrum, walk_hz=_WANDER_Q_HZ)
    if together is not None:
        others[:] = together
        fitted = fit.fit([*ahead, *others])
        spectrum = Periodogram(fitted.rest, m, blocks)
        add_others(lambda _: True, ahead)
    rest = fitted.rest
    lines_found = fitted.lines(spectrum.noise_near)
    fundamental = None if mains is None else mains.mean_hz
    first = 0 if mains is None else len(mains.orders)
    crowded = _crowded(lines_found, first, doubtful)
    crowded |= {k for k in range(first, len(lines_found)) if _leaves_much(spectrum, lines_found[k], m)}
    lines_found = [line for k, line in enumerate(lines_found) if k not in crowded]
    known = [hz for k, hz in enumerate(fitted.offsets) if k not in crowded]
    whole = fit.put_back(fitted, {k: others[k - first] for k in crowded})
    humps = wandering_lines(whole, m, known, [fitted.offsets[k] for k in crowded])
    lines_found += humps
    sidebands, singles = _named(lines_found, fundamental, m, tone_hz, additive_mains_hz)
    if m.keyed:
        sidebands = [b for b in sidebands if not _beside_hump(b, humps)]
    humps_hz = [line.offset_hz for line in humps]
    sidebands, locked = _less_keying(other_family(sidebands, humps_hz)[0], m)
    blind = _blind_offsets(tone_hz, additive_mains_hz)
    zones = _blind_zones(m, blind)
    sidebands = [_doubtful_in_step(b, m) for b in sidebands]
    family, switching = other_family(sidebands, humps_hz)
    missing = {}
    if mains is None:
        missing["mains_hz"] = "no sidebands at mains frequencies stand out of the noise"
    if switching is None:
        missing["switching_hz"] = "no second family of equally spaced sidebands was found"
    lines = Lines(
        sidebands=tuple(family),
        sideband_floor_dbc=spectrum.floor_dbc(),
        mains_hz=fundamental,
        mains_hz_sigma=None if mains is None else _mains_sigma(lines_found[: len(mains.orders)], mains, m),
        switching_hz=switching,
        blind_hz=(*blind, *locked),
        blind_zones_hz=zones,
        missing=missing,
    )
    return Found(lines, rest, tuple(singles))


def _with(fitted: Fitted, turn: Turn, fit: LineFit) -> Complex:
    """The rest with the first turn's own lines put back."""
    out = fitted.rest.copy()
    k, count = len(turn.orders), len(fitted.offsets)
    for i, b in enumerate(fit.blocks):
        out[fit.where[b.place]] += b.centred(pairs(turn.cycles[i], turn.orders)) @ np.concatenate(
            [fitted.amplitude[i, :k], fitted.amplitude[i, count : count + k]]
        ).astype(np.complex64)
    return out


def _crowded(fitted: Sequence[Line], first: int, doubtful: Sequence[tuple[float, float]]) -> frozenset[int]:
    """Which of the fitted lines, from the ``first`` on, are pieces of one that wanders: many close together.

    The ``doubtful`` count with them. What is far weaker than its neighbour is no piece beside it but what
    is left of it.
    """
    own = [(line.offset_hz, max(line.upper, line.lower, 1e-20)) for line in fitted[first:]]
    return frozenset(
        first + k
        for k, (hz, power) in enumerate(own)
        if sum(abs(f - hz) < _PIECES_REACH_HZ and p > _PIECE_SHARE * power for f, p in [*own, *doubtful]) >= _PIECES
    )


def _leaves_much(rest: Periodogram, line: Line, m: Modulation) -> bool:
    """Whether about a line that was followed more is left than a line that is followed leaves."""
    k, reach = round(line.offset_hz / rest.bin_hz), round((_LEFT_HZ + _LEFT_OFF * line.offset_hz) / rest.bin_hz)
    part = slice(max(1, k - reach), k + reach + 1)
    noise = rest.noise_upper[part] + rest.noise_lower[part]
    over = float((rest.upper[part] + rest.lower[part] - noise).sum())
    scatter = float(np.sqrt((noise**2).sum() / rest.blocks))  # neighbouring bins, and sides, are not independent
    # the key's pattern leaves of a line, so near to it, about the share of the time that it is down
    left = over * rest.bin_hz / m.rate_hz / float(m.use.mean())
    return over > 4 * scatter and left > _LEFT * (line.upper + line.lower)


def _beside_hump(b: Sideband, humps: Sequence[Line]) -> bool:
    """Whether a line may be what the key's pattern sets beside a line that wanders, and no fit took away."""
    return any(
        0.0 < abs(line.offset_hz - b.offset_hz) < _BESIDE_HUMP_HZ
        and b.level_dbc < _db(max(line.upper, line.lower)) - _BESIDE_HUMP_DB
        for line in humps
    )


def _far_from_mains(hz: float) -> bool:
    """Whether an offset is none of the strong harmonics of either mains frequency, which may be off by 1 %."""
    return all(abs(hz - k * mains) > 0.01 * hz + 0.1 for mains in (50.0, 60.0) for k in range(1, 9))


def _mains_turn(fit: LineFit, spectrum: Periodogram, rest: Complex) -> Turn | None:
    """The mains with all its harmonics that stand out in ``rest``, its wander followed; None where none does."""
    mains = mains_fundamental(spectrum)
    if mains is None:
        return None
    top = min(_MAX_ORDER, int((BAND_HZ - 5.0) / mains))
    lowest = spectrum.first * spectrum.bin_hz
    every = [k for k in range(1, top + 1) if k * mains > lowest]
    given = spectrum.pair_limit(CHANCE_GIVEN)
    orders = [k for k in every if spectrum.pair_sum(np.array([k * mains]))[0] > given]
    orders = [k for k in orders if spectrum.level(k * mains) > 10 ** (LEAST_DBC / 10)]
    if not orders:
        return None
    turn = fit.straight(spectrum.followed(orders[:6], mains, WANDER_HZ), orders)
    lead = _leading(orders, mains, spectrum)
    turn = fit.follow(replace(turn, orders=lead), spectrum.noise_near(lead[0] * mains), rest=rest)
    turn = replace(turn, orders=orders)
    # along the course that was found, weak high harmonics add up that wander had smeared
    rest = fit.fit([turn], rest).rest
    hidden = [k for k in every if k not in orders]
    if hidden:
        upper, lower, am, pm = fit.sums(rest, turn, hidden)
        noise, am_noise, pm_noise = np.array([spectrum.noises_near(k * mains) for k in hidden]).T
        both = np.minimum(upper + lower, 11 * np.minimum(upper, lower)) / noise
        both = np.minimum(both, am / am_noise + pm / pm_noise)
        faint = (upper + lower) / fit.where.size < 10 ** (LEAST_DBC / 10)
        orders = sorted([*orders, *np.array(hidden)[(both > given) & ~faint].tolist()])
    return Turn(turn.cycles, orders, turn.hz)


def _leading(orders: list[int], mains: float, spectrum: Periodogram) -> list[int]:
    """The few harmonics that say most of the course (power times order squared), and the clearest one."""
    clear = {k: spectrum.pair_sum(np.array([k * mains]))[0] for k in orders}
    telling = sorted(orders, key=lambda k: -(k**2) * clear[k])[:_LEADING_ORDERS]
    return sorted({*telling, max(orders, key=lambda k: clear[k])})


def _other_turn(fit: LineFit, spectrum: Periodogram, rest: Complex, peak: float) -> Turn:
    """A line's turn: of one frequency where it keeps its phase over the recording, else followed."""
    parts = fit.of(rest)
    hz, together, apart = steady_hz(parts, peak, 0.6 * spectrum.bin_hz + 0.02)
    noise = spectrum.noise_near(peak)
    # each block's own frequency and phases gather some four times the noise more by chance
    if together > _STEADY_SHARE * apart or apart - together < (8 * len(parts) + 10) * noise:
        return fit.straight(np.full(len(parts), hz), [1])
    turn = fit.straight(spectrum.followed([1], peak, 3 * WANDER_HZ), [1])
    return fit.follow(turn, noise, walk_hz=_WANDER_Q_HZ, rest=rest)


def _named(
    fitted: list[Line], mains: float | None, m: Modulation, tone_hz: float, additive_mains_hz: float | None
) -> tuple[list[Sideband], list[tuple[float, float]]]:
    """(modulation lines, strongest first; single-sided ones that are spurs)."""
    sidebands, singles = [], []
    for line in fitted:
        side = _sideband(line, mains, m)
        if side is None or abs(line.offset_hz - tone_hz) < 3.0:
            continue  # direct current below, the second harmonic above
        if side.nature == "single":
            sign = 1.0 if line.upper > line.lower else -1.0
            at = tone_hz + sign * line.offset_hz
            if additive_mains_hz is not None and on_grid(at, additive_mains_hz, 0.5):
                continue
            if at < LOWEST_AUDIO_HZ:
                continue  # direct current and hum, with the keying's own sidebands
            if at > 1.5 * tone_hz and on_grid(at, tone_hz, 40.0):
                continue  # a harmonic of the tone, with its keying
            if additive_mains_hz is not None and at > 1.5 * tone_hz:
                product = abs(at - tone_hz * round(at / tone_hz))
                if on_grid(product, additive_mains_hz, 0.5):
                    continue  # hum and the tone in a stage that distorts
            near = mains is not None and on_grid(line.offset_hz, mains, _SURE_MAINS_HZ)
            if side.family is None or ((side.order or 0) > 6 and not near):
                singles.append((sign * line.offset_hz, side.level_dbc))
                continue
        sidebands.append(side)
    return _without_ghosts(sorted(sidebands, key=lambda b: -b.level_dbc)), singles


def _sideband(line: Line, mains: float | None, m: Modulation) -> Sideband | None:
    """The line pair in the result's terms, or None where nothing is left above the noise."""
    # What the filter's skirt lets through is as good as any: only noise out there is no line.
    clear = _BEYOND_BAND * line.noise / np.sqrt(line.blocks)
    above = line.offset_hz < m.high_hz or line.upper > clear
    below = line.offset_hz < -m.low_hz or line.lower > clear
    upper, lower = max(line.upper, 0.0) * above, max(line.lower, 0.0) * below
    if max(upper, lower) <= 2 * line.noise / np.sqrt(line.blocks):
        return None
    # |U +- conj(L)|^2 = |U|^2 + |L|^2 +- 2 Re(U L)
    both, product = upper + lower, 2 * line.cross.real * (above and below)
    am, pm = max(both + product, 0.0), max(both - product, 0.0)
    share = pm / max(am + pm, 1e-30)
    floor = line.noise / np.sqrt(line.blocks)
    cut = not (above and below)  # the passband takes one of the two sides away
    single = max(upper, lower) > 10 * max(min(upper, lower), floor)
    order = 0 if mains is None else round(line.offset_hz / mains)
    on_mains = mains is not None and order > 0 and abs(line.offset_hz - order * mains) < 0.05 + 0.002 * line.offset_hz
    nature: Nature = "amplitude" if share < 0.1 else "angle" if share > 0.9 else "mixed"
    if single and not (cut and on_mains):
        nature = "single"
    if cut and not on_mains and nature != "single":
        return None  # half a pair, too weak to say what it is
    power = max(upper, lower) if single else 0.5 * both
    sigma = 4.343 * np.sqrt(2 * power * line.noise / line.blocks) / power / (1.0 if single else np.sqrt(2.0))
    family: LineFamily | None = None
    if on_mains:
        family = "mains" if order % 2 else "twice-mains"
    return Sideband(
        offset_hz=line.offset_hz,
        level_dbc=_db(power),
        level_dbc_sigma=float(max(sigma, 0.01)),
        lower_dbc=_db(lower) if lower > floor else None,
        upper_dbc=_db(upper) if upper > floor else None,
        am_index=float(np.sqrt(am)),
        pm_index_rad=_angle_index(float(np.sqrt(pm))),
        angle_share=float(share),
        nature=nature,
        family=family,
        order=order if family else None,
    )


def _less_keying(sidebands: list[Sideband], m: Modulation) -> tuple[list[Sideband], tuple[float, ...]]:
    """Less what elements leave that do not settle alike, a chirp that depends on the gap before: (the rest, where).

    It stands at multiples of half the unit's rate (a dit with its gap lasts two units, a dah with its own four),
    several together and humps between them, where lines of another origin would stand alone. A mains line there is
    kept if it is stronger than all of these. At the unit's rate, its halves and twice it nobody can tell: a lone
    line there is not claimed.
    """
    if m.unit is None:
        return sidebands, ()
    unit, rate, seconds = m.unit, 0.5 / m.unit.seconds, m.y.size / m.rate_hz

    def on_rate(b: Sideband) -> bool:
        n = round(b.offset_hz / rate)
        return 1 <= n <= _KEYING_ORDERS and abs(b.offset_hz - n * rate) < unit.blind_hz(n, seconds)

    locked = [b for b in sidebands if on_rate(b)]
    # a converter's rate may lie there by chance, its harmonics will not all do so
    if sum(b.family == "switching" and b not in locked for b in sidebands) >= _OFF_THE_RATE:
        locked = [b for b in locked if b.family != "switching"]
    own = [b for b in locked if b.family not in ("mains", "twice-mains")]
    # a lone one of a family has others that the keying does not explain
    if len(locked) == 1 and own and own[0].family is None and own[0].offset_hz < (_BLIND_ORDERS + 0.5) * rate:
        return [b for b in sidebands if b is not own[0]], (own[0].offset_hz,)
    if not own or len(locked) < 2:
        return sidebands, ()
    top = max(b.level_dbc for b in own)
    kept = [
        b
        for b in sidebands
        if b.level_dbc > top or (b.family is not None and b not in locked) or b.offset_hz > _KEYING_ORDERS * rate
    ]
    return kept, tuple(sorted(b.offset_hz for b in locked if b not in kept))


def _db(power: float) -> float:
    return float(10 * np.log10(max(power, 1e-20)))


def _without_ghosts(sidebands: list[Sideband]) -> list[Sideband]:
    """Less what a strong line leaves beside itself where its frequency is not fitted to the last digit."""
    kept: list[Sideband] = []
    for b in sidebands:
        if all(abs(a.offset_hz - b.offset_hz) > 3.0 or a.level_dbc - b.level_dbc < 35.0 for a in kept):
            kept.append(b)
    return kept


def _angle_index(ratio: float) -> float:
    """Index beta of which the first pair over the carrier is 2 J1/J0 = ``ratio`` (A&S 9.1; Newton)."""
    if ratio < 0.05:
        return ratio
    from scipy.special import j0, j1

    beta = min(ratio, 1.5)
    for _ in range(20):
        value = 2 * j1(beta) / j0(beta)
        slope = 2 * (1 - j1(beta) / (beta * j0(beta)) + (j1(beta) / j0(beta)) ** 2)
        beta = float(np.clip(beta - (value - ratio) / slope, 1e-6, 2.3))
    return beta


def _mains_sigma(fitted: list[Line], mains: Turn, m: Modulation) -> float:
    """Bound on the fundamental from the fitted harmonics, each worth its order squared."""
    information = 0.0
    for line, order in zip(fitted, mains.orders, strict=True):
        power = max(line.upper, 0.0) + max(line.lower, 0.0)
        information += order**2 * power / max(line.noise, 1e-20) * line.blocks
    # sigma_f = sqrt(6) / (pi T sqrt(E/N)) for one block of T seconds (Rife & Boorstyn 1974, complex data)
    span = min(COHERENT_S, m.y.size / m.rate_hz)
    return float(np.sqrt(6.0) / (np.pi * span) / np.sqrt(max(2 * information, 1e-9)) / np.sqrt(2.0)) + 1e-4


def _blind_offsets(tone_hz: float, additive_mains_hz: float | None) -> tuple[float, ...]:
    """Offsets at which the audio's own hum falls upon the tone's mains sidebands."""
    if additive_mains_hz is None or not on_grid(tone_hz, additive_mains_hz, 3.0):
        return ()
    return tuple(float(k * additive_mains_hz) for k in range(1, 7))


def _blind_zones(m: Modulation, additive: tuple[float, ...]) -> tuple[tuple[float, float], ...]:
    """Ranges of offset in which a line can't be told: from the keying's own, and from hum in the audio."""
    reach = 1.5 * m.rate_hz / m.y.size
    zones = [(hz - reach, hz + reach) for hz in additive]
    if m.unit is not None:
        seconds = m.y.size / m.rate_hz
        for n in _blind_orders(m.unit.seconds):
            middle, width = 0.5 * n / m.unit.seconds, m.unit.blind_hz(n, seconds)
            if m.lowest_hz < middle < max(m.high_hz, -m.low_hz):
                zones.append((middle - width, middle + width))
    return tuple(sorted((max(0.0, low), high) for low, high in zones))


def _blind_orders(unit_s: float) -> list[int]:
    """Multiples of half the unit's rate that a lone line may be, and those at which all elements begin alike."""
    in_step = range(2, int(_IN_STEP_TOP_HZ * 2 * unit_s) + 1, 2)
    return sorted({*range(1, _BLIND_ORDERS + 1), *in_step})


def _doubtful_in_step(b: Sideband, m: Modulation) -> Sideband:
    """A line with which all elements begin at the same phase is not told from what they do by themselves."""
    if m.unit is None:
        return b
    n = 2 * round(b.offset_hz * m.unit.seconds)
    if n < 2 or abs(b.offset_hz - 0.5 * n / m.unit.seconds) > m.unit.blind_hz(n, m.y.size / m.rate_hz):
        return b
    return replace(b, level_dbc_sigma=float(np.hypot(b.level_dbc_sigma, _IN_STEP_DB)))


def single_spurs(singles: tuple[tuple[float, float], ...], tone_hz: float) -> tuple[Spur, ...]:
    """Single-sided lines as spurs of the key-down audio."""
    return tuple(Spur(frequency_hz=tone_hz + f, level_dbc=level, when="key-down") for f, level in singles)
