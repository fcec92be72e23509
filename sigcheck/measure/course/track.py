"""The frequency as it is shown: track, repeated transmissions, stability."""

from __future__ import annotations

import numpy as np

from sigcheck.measure import stability
from sigcheck.measure.audio.cells import Cells
from sigcheck.measure.course.phase_record import MOST_BLOCKS, Record, groups_of_cells
from sigcheck.measure.results import StabilityPoint, TrackPoint
from sigcheck.measure.track import Marks, Real

_TRACK_SIGMA_HZ = 0.1  # longer blocks are shown where noise would exceed it
_ALLAN_STEP = 4  # phases averaged over a quarter of their spacing: white noise reads 6 % low at most


def shown_track(r: Record) -> tuple[TrackPoint, ...]:
    """Frequency around each time: what the phase gains from block to block, or the elements' own."""
    if r.is_phase:
        usual, blocks = float(np.median(r.var / (r.t.size / r.span_s))), float(r.t.size)
        # sigma of a difference of phases over its time: both fall as blocks grow, as length^-1.5
        sigma = np.sqrt(2 * usual * r.t.size / r.span_s) * r.t.size / r.span_s
        blocks = max(blocks * min(1.0, (_TRACK_SIGMA_HZ / sigma) ** (2 / 3)), 12.0)
        r = r.merged(int(blocks))
        same = np.diff(r.group) == 0
        apart = np.diff(r.t)[same]
        t = (0.5 * (r.t[1:] + r.t[:-1]))[same]
        bend, bend_hz = _bend(r, t)
        hz = np.diff(r.y - bend)[same] / apart + bend_hz
        sigmas = np.sqrt(r.var[1:] + r.var[:-1])[same] / apart
    else:
        r = r.merged(MOST_BLOCKS)
        t, hz, sigmas = r.t, r.y, np.sqrt(r.var)
    return tuple(
        TrackPoint(time_s=float(a), hz=float(r.base_hz + f), hz_sigma=float(s))
        for a, f, s in zip(t, hz, sigmas, strict=True)
    )


def _bend(r: Record, t: Real) -> tuple[Real, Real]:
    """Phase of the record's slow change of frequency (m,), and that change itself at the times ``t``.

    A block's mean phase is that of its mean time only where the frequency stands still: blocks of
    unequal length would make a drift look like noise, were it not taken out first.
    """
    if r.t.size < 8:
        return np.zeros(r.t.size), np.zeros(t.size)
    turns = np.column_stack([r.slope(), r.cubic()])
    columns = np.column_stack([r.offsets(), r.constant(), turns]) / np.sqrt(r.var)[:, None]
    slope, curve = np.linalg.lstsq(columns, r.y / np.sqrt(r.var), rcond=None)[0][-2:]
    u = t - r.middle_s
    return turns @ np.array([slope, curve]), slope * u + curve * u**2


def repeats_each_transmission(marks: Marks, r: Record) -> bool | str:
    """Whether every transmission drifts alike from its own start, or why that cannot be told.

    Each transmission's rate is fitted to its own frequencies; alike are rates of one sign whose
    scatter is small against them, with the frequency back near its start each time.
    """
    starts = transmission_starts(marks)
    if starts.size < 2:
        return "one transmission: nothing to compare it with"
    points = shown_track(r)
    t, hz, sigma = (np.array([getattr(p, name) for p in points]) for name in ("time_s", "hz", "hz_sigma"))
    which = np.searchsorted(starts, t, side="right") - 1
    rates, variances, begins = [], [], []
    for k in range(starts.size):
        inside = which == k
        if inside.sum() < 3:
            continue
        u, w = t[inside] - starts[k], 1 / sigma[inside] ** 2
        design = np.column_stack([np.ones_like(u), u])
        inverse = np.linalg.pinv(design.T @ (design * w[:, None]), hermitian=True)
        beta = inverse @ (design.T @ (w * hz[inside]))
        rates.append(beta[1])
        variances.append(inverse[1, 1])
        begins.append((beta[0], u[-1]))
    if len(rates) < 2:
        return "the transmissions are too short or too weak to compare their drift"
    rate, variance = np.array(rates), np.array(variances)
    mean = float(np.average(rate, weights=1 / variance))
    if abs(mean) < 4 / np.sqrt(np.sum(1 / variance)):
        return "no drift within the transmissions to compare"
    alike = np.abs(rate - mean) < np.maximum(0.5 * abs(mean), 3 * np.sqrt(variance))
    fall = np.diff([b for b, _ in begins])  # from one start to the next
    gone = abs(mean) * float(np.mean([length for _, length in begins]))
    return bool(alike.all() and np.median(np.abs(fall)) < 0.5 * gone)


def transmission_starts(marks: Marks) -> Real:
    """Starts of the transmissions: after a pause of 20 usual gaps and 3 s or more."""
    if not marks.keyed or marks.on_s.size < 4:
        return np.empty(0)
    gap = marks.on_s[1:] - marks.off_s[:-1]
    pause = gap > max(3.0, 20 * float(np.quantile(gap, 0.25)))
    return np.asarray(np.concatenate([marks.on_s[:1], marks.on_s[1:][pause]]))


def allan_deviations(c: Cells, reference: Real, r: Record) -> tuple[StabilityPoint, ...]:
    """Overlapping Allan deviation in Hz, from the phase on an even grid with its holes left open.

    Of several stretches without a common phase the longest is taken.
    """
    longest = int(np.argmax(np.bincount(r.group, r.seconds)))
    inside = groups_of_cells(c, r) == longest
    x, tau0 = _phase_grid(c.take(inside), np.asarray(reference[inside], np.float64))
    out: list[StabilityPoint] = []
    m = _ALLAN_STEP
    while 4 * m <= x.size:
        d = stability.oadev(x, tau0, m)
        if d is not None and d.count >= 3:
            seen = round(x.size * d.count / d.possible)  # fewer differences, fewer degrees of freedom
            freedom = stability.equivalent_freedom(max(seen, 2 * m + 2), m, stability.noise_exponent(x, m))
            low, high = stability.interval(d, freedom)
            out.append(StabilityPoint(tau_s=d.tau_s, adev_hz=d.value, low_hz=low, high_hz=high))
        m *= 2
    return tuple(out)


def _phase_grid(c: Cells, reference: Real) -> tuple[Real, float]:
    """Phase (cycles) at even times, NaN where there was no key-down, and the spacing."""
    rest = c.s * np.exp(-2j * np.pi * reference)
    power = float(np.median(np.abs(rest) / c.seconds)) ** 2
    span_s = float(c.t[-1] - c.t[0])
    wanted = max(span_s / 4096, 20 * c.noise_density / power, 0.02)
    size = max(1, int(np.ceil(wanted / c.length_s)))
    number = c.index // size
    starts = np.flatnonzero(np.diff(number, prepend=-1) != 0)
    seconds = np.add.reduceat(c.seconds, starts)
    t = np.add.reduceat(c.seconds * c.t, starts) / seconds
    total = reference + c.path_cycles
    y = np.add.reduceat(c.seconds * total, starts) / seconds
    y = y + np.angle(np.add.reduceat(rest, starts)) / (2 * np.pi)
    place = number[starts]
    middle = (place + 0.5) * size * c.length_s
    # a block only partly key-down is moved to the middle of its place along the phase
    y = y + np.interp(middle, c.t, total) - np.interp(t, c.t, total)
    x = np.full(int(place[-1] - place[0]) + 1, np.nan)
    x[place - place[0]] = np.where(seconds > 0.3 * size * c.length_s, y, np.nan)
    return np.asarray(x, np.float64), float(size * c.length_s)
