"""Mean tone frequency at the physical limit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sigcheck.measure.cells import CELL_S, Cells, cells, chirp_fit
from sigcheck.measure.following import SEARCH_HZ, follow, follow_weak
from sigcheck.measure.oscillator_noise import Noise, NoiseFits
from sigcheck.measure.own_frequencies import element_frequencies
from sigcheck.measure.phase_jumps import phase_jumps
from sigcheck.measure.phase_record import (
    MOST_BLOCKS,
    NOISE_BLOCKS,
    Record,
    groups_of_cells,
    phase_record,
    with_breaks_at_gaps,
)
from sigcheck.measure.smooth_carrier import Follower, at_all_cells, smooth, to_samples
from sigcheck.measure.straight_tone import straightened
from sigcheck.measure.track import Baseband, Marks, Real, Track

_RARE = 0.05  # a wander less probable than this is not looked into
_DOUBTFUL_ENERGY = 2000.0  # over noise density: above it the power shows where the signal begins
_EDGE_S = 0.005  # rise of a usual edge
_EDGE_LEAST_S = 1e-4
_RATE_PRETEST = 3.0  # a drift rate below three sigma is taken as none: the mean is then sharper


def refine(base: Baseband, marks: Marks) -> Track:
    """Find the exact frequency and the carrier of a signal already followed to within 15 Hz.

    Parameters
    ----------
    base : Baseband
        ``z`` with the tone near 0 Hz.
    marks : Marks
        Its key-down stretches.

    Returns
    -------
    Track
        ``tone_hz`` is the mean audio frequency of the key-down signal: with a steady drift, that at
        the mean time of the key-down. Its sigma holds additive noise (the Cramer-Rao bound) and,
        where the phase shows more, oscillator noise. Where the frequency wanders the mean is what
        it was on average while the key was down. ``tone_missing`` says why where the signal is too
        weak to place; ``tone_hz`` is then the followed path's and the sigma the search range's.
    """
    marks = _to_the_ends(base, marks)
    c = cells(base, marks.down)
    settled = cells(base, marks.settled) if marks.keyed else c
    rough = follow(c, settled, keyed=marks.keyed) if c.t.size >= 3 else None
    if rough is None:
        return _lost(base, marks)
    straight = straightened(base, marks, c, rough) if marks.keyed else None
    if straight is not None:
        rough, c = straight.rough, straight.cells
        settled = cells(base, marks.settled & straight.heard)
    follower = smooth(c, rough)
    carrier = to_samples(*at_all_cells(base, c, follower), c.samples, base.z.size)
    tone, sigma = _mean_frequency(c, settled, follower)
    return Track(
        base=base,
        marks=marks,
        carrier=carrier,
        coherent=follower.coherent,
        tone_hz=tone,
        tone_hz_sigma=sigma,
        heard=None if straight is None else straight.heard,
        known_cells=((marks.down, c), (marks.settled, settled)) if straight is None else (),
    )


def _to_the_ends(base: Baseband, marks: Marks) -> Marks:
    """A weak steady signal's mark, stretched to the recording's ends where the tone adds up there too.

    Its ends are doubtful as long as power alone is looked at. Along the phase of what was heard, a
    stretch with the tone raises |sum|^2 over its length, one without lowers it.
    """
    end_s = base.z.size / base.rate_hz
    if marks.keyed or marks.on_s.size != 1 or marks.off_s[0] - marks.on_s[0] > end_s - 2 * CELL_S:
        return marks
    if marks.amplitude**2 * (marks.off_s[0] - marks.on_s[0]) > _DOUBTFUL_ENERGY * base.noise_density:
        return marks
    c = cells(base, np.ones(base.z.size, bool))
    inside = (c.t >= marks.on_s[0]) & (c.t < marks.off_s[0])
    heard = follow_weak(c.take(inside)) if inside.sum() > 8 else None
    if heard is None:
        return marks
    course = np.polynomial.Polynomial.fit(c.t[inside], heard.phase, 2)(c.t)
    off = np.linspace(-1.0, 1.0, 33) / float(marks.off_s[0] - marks.on_s[0])
    running = np.cumsum(np.exp(-2j * np.pi * (course + off[:, None] * c.t)) * c.s, axis=1)
    best = (0.0, marks.on_s[0], marks.off_s[0])
    for on in (marks.on_s[0], 0.0):
        for end in (marks.off_s[0], end_s):
            a, b = np.searchsorted(c.t, [on, end])
            sums = running[:, b - 1] - (running[:, a - 1] if a else 0.0)
            best = max(best, (float(np.max(np.abs(sums)) ** 2) / (end - on), on, end))
    _, on, end = best
    t = base.times_s
    down = (t >= on) & (t < end)
    grown = down & ~marks.down
    return replace(
        marks,
        on_s=np.array([on]),
        off_s=np.array([end]),
        cut_start=marks.cut_start or on == 0.0,
        cut_end=marks.cut_end or end == end_s,
        down=down,
        settled=marks.settled | grown,
        up=marks.up & ~down,
    )


def _lost(base: Baseband, marks: Marks) -> Track:
    """The track of a signal that noise hides: the path as it was followed, and no more."""
    n = base.z.size
    return Track(
        base=base,
        marks=marks,
        carrier=np.full(n, marks.amplitude or 1.0, np.complex64),
        coherent=False,
        tone_hz=float(np.mean(base.path_hz)) if n else 0.0,
        tone_hz_sigma=SEARCH_HZ / np.sqrt(3.0),
        tone_missing="too little signal above the noise to place the tone's frequency",
    )


def _mean_frequency(c: Cells, settled: Cells, follower: Follower) -> tuple[float, float]:
    """Mean key-down audio frequency in Hz and its sigma."""
    if not follower.coherent:
        return _mean_of_elements(element_frequencies(c, settled, follower.phase))
    breaks = np.array([jump.time_s for jump in phase_jumps(c, follower.phase)])
    record = with_breaks_at_gaps(phase_record(c, follower.phase, most=MOST_BLOCKS, breaks_s=breaks))
    noise = Noise(record.merged(NOISE_BLOCKS))
    middle_s = noise.record.middle_s
    order, fits = 2, noise.fits(noise.design(2))
    rate, rate_sigma = fits.average(noise.design(2).shape[1] - 1)
    if abs(rate) < _RATE_PRETEST * rate_sigma:
        order, fits = 1, noise.fits(noise.design(1))
    design = noise.design(order)
    column = design.shape[1] - order
    if fits.probability("white") > 0.5:  # additive noise alone: the likelihood of the samples themselves
        group = groups_of_cells(c, record)
        beta, cov = chirp_fit(c, follower.phase, order=order, middle_s=middle_s, group=group)
        fits.beta[0, column] = beta[0]
        fits.cov[0, column, column] = cov[0, 0] * fits.scale[0]
    value, sigma = _with_realised_mean(record, noise, design, fits, column)
    if order == 2:
        sigma = float(np.hypot(sigma, rate * _middle_sigma(c, follower)))
    return record.base_hz + value, sigma


def _middle_sigma(c: Cells, follower: Follower) -> float:
    """How surely the mean time of the key-down is known, in seconds: each edge of each mark is off a little.

    An edge of a usual 5 ms in noise of density N0 is placed to sqrt(N0 5 ms) / A, and no better than a
    tenth of a millisecond, as filter and keying bend it.
    """
    if c.run_start.size < 2:
        return 0.0  # the recording's own ends are exact
    power = float(np.median(follower.level)) ** 2
    edge = float(np.hypot(np.sqrt(c.noise_density * _EDGE_S / power), _EDGE_LEAST_S))
    ends = np.concatenate([c.t[c.run_start], c.t[np.append(c.run_start[1:] - 1, c.t.size - 1)]])
    return edge * float(np.sqrt(np.sum((ends - np.average(c.t, weights=c.seconds)) ** 2))) / float(c.seconds.sum())


def _mean_of_elements(record: Record) -> tuple[float, float]:
    noise = Noise(record.merged(NOISE_BLOCKS))
    design = noise.design(1)
    fits = noise.fits(design)
    value, sigma = _with_realised_mean(record, noise, design, fits, design.shape[1] - 1)
    return record.base_hz + value, sigma


def _with_realised_mean(fine: Record, noise: Noise, design: Real, fits: NoiseFits, column: int) -> tuple[float, float]:
    """Frequency and sigma over all noise candidates, the wandering ones by what the tone really did."""
    share = fits.probability("random-walk-fm")
    values, variances = list(fits.beta[:, column]), list(fits.cov[:, column, column])
    weights = list(fits.weight)
    weights = [0.0 if f == "random-walk-fm" else w for f, w in zip(fits.family, weights, strict=True)]
    # Of white frequency noise the whole time's mean is known to q / span (variance); what it was in the heard part
    # of it alone departs from that by q (1 / heard - 1 / span).
    heard = min(1.0, float(fine.seconds.sum()) / max(fine.span_s, 1e-9))
    apart = max(1.0, 1.0 / heard - 1.0) if fine.is_phase else 1.0
    variances = [v * apart if f == "white-fm" else v for f, v in zip(fits.family, variances, strict=True)]
    if share > _RARE:
        mean, sigma = _realised_mean(fine, noise, design, fits)
        values.append(mean)
        variances.append(sigma**2)
        weights.append(share)
    value = float(np.average(values, weights=weights))
    inner = np.array(variances) + (np.array(values) - value) ** 2
    return value, float(np.sqrt(np.average(inner, weights=weights)))


def _realised_mean(fine: Record, noise: Noise, design: Real, fits: NoiseFits) -> tuple[float, float]:
    """Mean frequency that a wandering tone had while the key was down.

    From the fine blocks as they are, or from the merged ones freed of noise but blurred, whichever
    is the more certain.
    """
    weights = fine.frequency_weights()
    direct = float(weights @ fine.y)
    noise_sigma = float(np.sqrt(weights**2 @ fine.var))
    direct_sigma = np.hypot(noise_sigma, fine.gap_sigma())
    k, _ = fits.best("random-walk-fm")
    smooth, sigma = noise.realised_mean(design, fits, k)
    merged = float(noise.record.frequency_weights() @ noise.record.y)
    blur = max(abs(merged - direct) - 2 * noise_sigma, 0.0)
    smooth_sigma = float(np.sqrt(sigma**2 + blur**2 + noise.record.gap_sigma() ** 2))
    return (direct, float(direct_sigma)) if direct_sigma <= smooth_sigma else (smooth, smooth_sigma)
