"""Mean tone frequency at the physical limit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sigcheck.measure.audio.cells import CELL_S, Cells, cells, chirp_fit
from sigcheck.measure.course.noise_kernels import Wandering
from sigcheck.measure.course.oscillator_noise import Noise, NoiseFits, mixed
from sigcheck.measure.course.own_frequencies import element_frequencies
from sigcheck.measure.course.phase_record import (
    MOST_BLOCKS,
    NOISE_BLOCKS,
    Record,
    groups_of_cells,
    phase_record,
    with_breaks_at_gaps,
)
from sigcheck.measure.course.realised_mean import realised_mean
from sigcheck.measure.tone.following import SEARCH_HZ, follow, follow_weak
from sigcheck.measure.tone.phase_jumps import phase_jumps
from sigcheck.measure.tone.smooth_carrier import Follower, at_all_cells, smooth, to_samples
from sigcheck.measure.tone.straight import straightened
from sigcheck.measure.track import Baseband, Marks, Real, Track

_RARE = 0.05  # a wander less probable than this is not looked into
_DOUBTFUL_ENERGY = 2000.0  # over noise density: above it the power shows where the signal begins
_EDGE_S = 0.005  # rise of a usual edge
_EDGE_LEAST_S = 1e-4
_WANDERING: tuple[Wandering, ...] = ("flicker-fm", "random-walk-fm", "smooth-fm")
_ENOUGH_ELEMENTS = 8
_CONTRADICTED = 4.0  # sigmas
_KEYING_CYCLES = 1e-3  # by which keying, filter and gain control may turn the phase within an element
_UNLIKELY = 0.05  # of all wandering: a kind that is not looked into
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
    noise = Noise(record.merged(NOISE_BLOCKS), smooth=True)
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
    hertz, sigma = _averaged(record, fits, column)
    if record.runs.shape[0] >= _ENOUGH_ELEMENTS and fits.probability("white") < 0.5:
        # where the frequency moves fast the cycles between words may be miscounted: the elements know
        own = element_frequencies(c, settled, follower.phase)
        value, doubt = _mean_of_elements(own)
        keying = _KEYING_CYCLES / float(np.median(own.seconds))
        if abs(value - hertz) > _CONTRADICTED * np.hypot(sigma, doubt) + keying:
            return value, float(np.hypot(doubt, 0.5 * (value - hertz)))  # one of the two is right
    if record.runs.shape[0] > 1:
        sigma = float(np.hypot(sigma, _by_edges(c, settled, follower, record, _moving(noise, fits, design))))
    return hertz, sigma


def _mean_of_elements(record: Record) -> tuple[float, float]:
    noise = Noise(record.merged(NOISE_BLOCKS), smooth=True)
    return _averaged(record, noise.fits(noise.design(1)), noise.design(1).shape[1] - 1)


def _averaged(record: Record, fits: NoiseFits, column: int) -> tuple[float, float]:
    """Frequency in Hz and sigma over all noise candidates, the wandering ones by what the tone really did."""
    family = np.array(fits.family)
    weight = fits.weight.copy()
    # Of white frequency noise the whole time's mean is known to q / span (variance); what it was in the heard part
    # of it alone departs from that by q (1 / heard - 1 / span).
    heard = min(1.0, float(record.seconds.sum()) / max(record.span_s, 1e-9))
    apart = max(1.0, 1.0 / heard - 1.0) if record.is_phase else 1.0
    values = fits.beta[:, column].copy()
    variances = fits.cov[:, column, column] * np.where(family == "white-fm", apart, 1.0)
    wandering = np.isin(family, _WANDERING)
    share = float(weight[wandering].sum())
    weight[wandering] = 0.0
    if share > _RARE:
        for kind in _WANDERING:
            whole = fits.probability(kind)
            if whole > _UNLIKELY * share:  # the likeliest strength stands for all
                k = int(np.argmax(np.where(family == kind, fits.weight, -1.0)))
                weight[k] = whole
                values[k], sigma = realised_mean(record, kind, float(fits.power[k]), float(fits.scale[k]))
                variances[k] = sigma**2
    kept = weight > 0.0
    value, sigma = mixed(values[kept], np.sqrt(variances[kept]), weight[kept])
    return record.base_hz + value, sigma


def _moving(noise: Noise, fits: NoiseFits, design: Real) -> tuple[Real, Real]:
    """Times (m,) and the frequency there, its additive noise taken out."""
    r, smooth = noise.record, noise.smoothed(design, fits, int(np.argmax(fits.weight)))
    if not r.is_phase:
        return r.t, smooth
    same = np.diff(r.group) == 0
    return 0.5 * (r.t[1:] + r.t[:-1])[same], (np.diff(smooth) / np.diff(r.t))[same]


def _by_edges(c: Cells, settled: Cells, follower: Follower, record: Record, moving: tuple[Real, Real]) -> float:
    """Uncertainty of the mean frequency from not knowing exactly when the key was down, where the frequency moves.

    An edge of a usual 5 ms in noise of density N0 is placed to sqrt(N0 5 ms) / A, and no better than a
    tenth of a millisecond, as filter and keying bend it. And all elements are longer or shorter together as
    their edges are counted by time or by power.
    """
    t, hz = moving
    if t.size < 2:
        return 0.0
    power = float(np.median(follower.level)) ** 2
    edge = float(np.hypot(np.sqrt(c.noise_density * _EDGE_S / power), _EDGE_LEAST_S))
    off = np.interp(record.runs, t, hz)
    length = record.runs[:, 1] - record.runs[:, 0]
    off -= np.average(off.mean(axis=1), weights=length)
    common = _lost_at_edges(c, settled) * float(np.sum(off))
    return float(np.hypot(edge * np.sqrt(np.sum(off**2)), common)) / float(length.sum())


def _lost_at_edges(c: Cells, settled: Cells) -> float:
    """Seconds by which a mark is longer at each end than its energy is at its settled power."""
    if settled.t.size < 3:
        return 0.0
    energy, inner = (float(np.sum(np.abs(x.s) ** 2 / x.seconds - x.noise_density)) for x in (c, settled))
    lost = c.seconds.sum() - energy * settled.seconds.sum() / max(inner, 1e-300)
    return float(np.clip(lost / (2 * c.run_start.size), 0.0, _EDGE_S))
