"""Second pulses of a time-signal station: where the seconds lie in the recording, and how fast it counts them.

A pulse is a few milliseconds of tone. Its phase is no help: beside a receiver's dial it turns from second to
second by an unknown amount, so each pulse is timed by the envelope of a matched filter. First the audio is
folded over one second in every band at once, and what repeats sharply is taken for the pulses; then each pulse
is timed by itself; then a straight line through all of them gives the second and the recorder's rate.

The timing scatter is more than noise: a path through the ionosphere wanders over seconds and minutes. So the
line is fitted under white scatter plus a wander of unknown size and speed, and the uncertainty is averaged over
what the residuals allow of both (restricted maximum likelihood on a grid, as of Patterson & Thompson 1971, from
memory, not looked up).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.results import Ticks, not_measured_family
from sigcheck.measure.spectrum import AUDIO_TOP_HZ, Survey, peak_bin, running_median, survey
from sigcheck.measure.track import Complex, Real

TICK_S = 0.005  # length of the commonest second pulse
_LOWEST_HZ = 250.0  # below it lie mains hum and the slow code subcarriers of such stations
_HIGHEST_HZ = 4000.0  # above every voice passband; pulses beyond are found when their frequency is given
_FRAME_S = 0.0107  # a Hann frame is then as wide as the pulse is long
_BLOCK_S = 20.0  # within it a recorder 250 ppm off slips by no more than one hop
_MOST_PPM = 400.0  # twice the worst sound card (common practice, no source)
_FIRST_LOOK_S = 300.0
_LONG_S = 0.02  # longer pulses fill too much of the second to stand out as a peak; their beginning does
_CLEAR = 7.5  # standard deviations: noise reaches 5 in as many cells as are searched
_SLACK_S = 0.006  # a hop of the fold either side: where a single pulse is looked for
_SEEN = 12.0  # E/N0 of a pulse to be used: noise alone reaches it once in some thousand looks
_FEWEST = 6
_MOST_SCATTER_S = 0.0009  # a search of 2 ms either side that finds nothing in particular scatters by 1.5 ms
_MOST_BEFORE = 0.3  # a pulse at the threshold, E/N0 12, has noise of 1/12 before it
_BEFORE_S = 0.0095  # stations keep silent some 10 ms before a pulse and 25 ms after: there steady tones
_AFTER_S = 0.024  # of other origin can be heard alone, and are taken off the pulse
_LINE_OVER = 10.0  # power over the noise density from which such a tone matters
_MOST_LINES = 4
_LINES_APART_HZ = 60.0  # nearer ones can't be told apart in that time
_OVERSAMPLE = 8
_MARK_STEP_S = 0.01
_SHORTEST_MARK_S = 0.25  # of a minute; the stations use 0.3 to 0.8 s
_HOUR_MARK_HZ = 1500.0
_GROUPS = 120  # points that the line is fitted through


@dataclass(frozen=True)
class Arrivals:
    """Each second pulse that was timed.

    ``second`` (n,) counts from the first second boundary in the recording, ``time_s`` (n,) is the pulse's
    beginning, ``energy`` (n,) its E/N0; ``tick_hz`` its audio frequency, ``length_s`` the length assumed.
    """

    second: NDArray[np.int64]
    time_s: Real
    energy: Real
    tick_hz: float
    length_s: float


@dataclass(frozen=True)
class Seconds:
    """A straight line through the arrivals: second k begins at ``offset_s + k * period_s``."""

    offset_s: float
    offset_s_sigma: float
    period_s: float
    period_s_sigma: float
    scatter_s: float
    used: int


@dataclass(frozen=True)
class _Coarse:
    hz: float
    phase_s: float  # beginning of the pulse at the recording's start, modulo 1 s
    period_s: float
    stretch_s: tuple[float, float]  # of the recording, in which they were found


def measure_ticks(
    x: NDArray[np.float32],
    rate_hz: float,
    *,
    tick_hz: float | None = None,
    tick_s: float = TICK_S,
    delay_s: float = 0.0,
    surveyed: Survey | None = None,
) -> Ticks:
    """Time the second pulses in one channel.

    Parameters
    ----------
    x : (n,) samples.
    tick_hz : audio frequency of the pulses; None looks everywhere from 250 to 4000 Hz.
    tick_s : their length.
    delay_s : how much later than UTC they are heard (path, and the receiver's filter if known).
    surveyed : the survey of ``x`` where it is at hand.

    Returns
    -------
    Ticks, all None with the reason where there are no pulses.
    """
    top = max(AUDIO_TOP_HZ, 1.5 * (tick_hz or 0.0))
    s = survey(x, rate_hz, top_hz=min(top, rate_hz / 2)) if surveyed is None else surveyed
    found = locate(s, tick_hz=tick_hz, tick_s=tick_s)
    if isinstance(found, str):
        return not_measured_family(Ticks, found)
    line = fit_seconds(found)
    missing: dict[str, str] = {}
    minute = _minute(s, found, line)
    if minute is None:
        missing["minute_at_s"] = "no long mark of a minute was heard"
    return Ticks(
        offset_s=_first_boundary(line.offset_s - delay_s, line.period_s),
        offset_s_sigma=line.offset_s_sigma,
        minute_at_s=None if minute is None else minute - delay_s,
        sample_rate_error_ppm=1e6 * (line.period_s - 1.0),
        sample_rate_error_ppm_sigma=1e6 * line.period_s_sigma,
        ticks_used=line.used,
        scatter_s=line.scatter_s,
        missing=missing,
    )


def _first_boundary(at_s: float, period_s: float) -> float:
    return float(at_s - period_s * np.floor(at_s / period_s))


def locate(s: Survey, *, tick_hz: float | None = None, tick_s: float = TICK_S) -> Arrivals | str:
    """Find and time the pulses; the reason in plain words where there are none."""
    seconds = s.audio.size / s.rate_hz
    if seconds < _FEWEST + 2:
        return f"{seconds:.1f} s hold too few second pulses: record a minute or more"
    coarse = _fold(s, tick_hz, tick_s)
    if coarse is None:
        return "nothing repeats every second: no second pulses were found (--tick-hz and --tick-ms say how they sound)"
    found = _time_each(s, coarse, tick_s)
    if found.second.size < _FEWEST or _robust_line(found.second, found.time_s, found.energy)[2] > _MOST_SCATTER_S:
        return "what repeats every second is too weak or too irregular to be timed"
    if _share_before(s, found) > _MOST_BEFORE:
        return "what repeats every second is no pulse that begins out of silence"
    return found


def _share_before(s: Survey, found: Arrivals) -> float:
    """Power just before the pulses over that in them, at their frequency: keying that happens to repeat has much."""
    gap_s = found.length_s + 0.002
    power = [
        _envelope(_pieces(s, found.time_s - early, 0.0, found.length_s + 0.002)[0], s.rate_hz, found.tick_hz,
                  found.length_s)[1][:, 0]
        for early in (gap_s, 0.0)
    ]  # fmt: skip
    return float(np.median(power[0])) / max(float(np.median(power[1])), 1e-30)


# --- what repeats every second ---------------------------------------------------------------------


def _fold(s: Survey, tick_hz: float | None, tick_s: float) -> _Coarse | None:
    """Band, position and period of what repeats sharply every second, in the first stretch that shows it."""
    span = round(_FIRST_LOOK_S * s.rate_hz)
    for first in range(0, s.audio.size, span):
        piece = s.audio[first : first + span + span // 4]
        if piece.size < (_FEWEST + 2) * s.rate_hz:
            break
        found = _fold_stretch(piece, s.rate_hz, tick_hz, tick_s)
        if found is not None:
            hz, begins, period = found
            from_s = first / s.rate_hz
            return _Coarse(hz, _first_boundary(begins + from_s, period), period, (from_s, from_s + _FIRST_LOOK_S))
    return None


def _fold_stretch(
    audio: Complex, rate_hz: float, tick_hz: float | None, tick_s: float
) -> tuple[float, float, float] | None:
    """Audio frequency, beginning modulo 1 s, and period."""
    length = 1 << round(np.log2(_FRAME_S * rate_hz))
    hop = length // 2
    power = _short_spectra(audio, length, hop)
    at_s = (np.arange(power.shape[0]) * hop + length / 2) / rate_hz
    bin_hz = rate_hz / length
    bands = np.arange(int(np.ceil(_LOWEST_HZ / bin_hz)), min(int(_HIGHEST_HZ / bin_hz), length - 2))
    if tick_hz is not None:
        bands = np.unique(np.clip(round(tick_hz / bin_hz) + np.arange(-1, 2), 1, length - 1))
    phases = round(rate_hz / hop)
    folded, middle_s = _fold_blocks(power[:, bands], at_s, phases)
    # a pulse longer than a frame is gathered over its length
    kernel = max(1, round(tick_s * phases))
    wide = max(1, round(_LONG_S * phases))

    def contrast(line: Real) -> Real:
        return _peak(line, kernel) if tick_s <= _LONG_S else _rise(line, wide)

    # the scatter of a fold of noise is the same in every band: one that happens to have little is no better for it
    scatter = 1.4826 * np.median(np.abs(contrast(folded.sum(axis=0))), axis=0)
    scatter = np.maximum(scatter, max(float(np.median(scatter)), 1e-12))
    best = (0.0, 0.0, 0, 0)
    step_ppm = 1e6 / phases / max(middle_s[-1] + _BLOCK_S / 2, _BLOCK_S)
    for ppm in np.arange(-np.ceil(_MOST_PPM / step_ppm), np.ceil(_MOST_PPM / step_ppm) + 1) * step_ppm:
        line = np.zeros(folded.shape[1:])
        for block, t in zip(folded, middle_s, strict=True):
            line += np.roll(block, -round(1e-6 * ppm * t * phases), axis=0)
        score = contrast(line) / scatter
        k = int(np.argmax(score))
        if score.flat[k] > best[0]:
            best = (float(score.flat[k]), float(ppm), *divmod(k, score.shape[1]))
    value, ppm, phase, _ = best
    if value < _CLEAR:
        return None
    # the beginning of the pulse: the fold gathers centres of frames over the kernel
    begins = (phase + 0.5) / phases - tick_s / 2 if tick_s <= _LONG_S else phase / phases
    if tick_hz is None:  # the contrast is nearly as good beside the pulse's own band: there most power comes in
        within = phase if tick_s <= _LONG_S else (phase + wide // 2) % phases
        there = ((at_s * (1 - 1e-6 * ppm)) % 1.0 * phases).astype(int) % phases == within
        gain = np.median(power[there][:, bands], axis=0) - np.median(power[:, bands], axis=0)
        tick_hz = float(bands[int(np.argmax(gain))]) * bin_hz
    return tick_hz, float(begins), 1.0 + 1e-6 * float(ppm)


def _short_spectra(audio: Complex, length: int, hop: int) -> NDArray[np.float32]:
    from scipy import fft

    window = (0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(length) + 0.5) / length)).astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(audio, length)[::hop]
    spectra = fft.fft(frames * window, axis=1, overwrite_x=True)
    return np.asarray(spectra.real**2 + spectra.imag**2, np.float32)


def _fold_blocks(power: NDArray[Any], at_s: Real, phases: int) -> tuple[Real, Real]:
    """Mean level over its own block's median at each position within the second: (blocks, phases, bands).

    Logarithmic, so that one crash of static counts no more than a few clear pulses.
    """
    blocks = max(1, int(at_s[-1] // _BLOCK_S))
    block = np.minimum((at_s / _BLOCK_S).astype(int), blocks - 1)
    index = ((at_s % 1.0) * phases).astype(int) % phases
    out = np.empty((blocks, phases, power.shape[1]))
    for b in range(blocks):
        part, place = power[block == b], index[block == b]
        level = np.log1p(part / np.maximum(np.median(part[::3], axis=0), 1e-30))
        order = np.argsort(place, kind="stable")
        first = np.searchsorted(place[order], np.arange(phases))
        count = np.diff(first, append=place.size)
        sums = np.add.reduceat(level[order], np.minimum(first, place.size - 1), axis=0)
        out[b] = np.where(count[:, None] > 0, sums / np.maximum(count, 1)[:, None], np.log1p(1.0))
    middles = np.array([at_s[block == b].mean() for b in range(blocks)])
    return out, middles


def _peak(line: Real, kernel: int) -> Real:
    """How far each place in the fold (phases, bands) stands above the rest of its band."""
    wide = np.concatenate([line[-kernel:], line, line[:kernel]])
    total = np.cumsum(np.concatenate([np.zeros((1, line.shape[1])), wide]), axis=0)
    first = kernel - kernel // 2 + np.arange(line.shape[0])
    smooth = (total[first + kernel] - total[first]) / kernel
    return np.asarray(smooth - np.median(smooth, axis=0))


def _rise(line: Real, width: int) -> Real:
    """How far the fold (phases, bands) rises at each place."""
    total = np.cumsum(np.concatenate([line[-width:], line, line[:width]]), axis=0)
    total = np.concatenate([np.zeros((1, line.shape[1])), total])
    k = width + np.arange(line.shape[0])
    return np.asarray((total[k + width] - 2 * total[k] + total[k - width]) / width)


# --- each pulse by itself --------------------------------------------------------------------------


def _time_each(s: Survey, coarse: _Coarse, tick_s: float) -> Arrivals:
    """Arrival of every pulse by a matched filter's envelope; the search narrows as the line is known better."""
    offset, period, hz = coarse.phase_s, coarse.period_s, coarse.hz
    slack = _SLACK_S
    everyone = np.arange(int((s.audio.size / s.rate_hz - offset) / period) + 1)
    at = offset + everyone * period
    use = everyone[(at >= coarse.stretch_s[0]) & (at < coarse.stretch_s[1])]
    lines_hz = _steady_lines(s, hz)
    for turn in range(3):
        at = offset + use * period
        pieces, from_s = _pieces(s, at, _BEFORE_S, tick_s + _AFTER_S)
        pieces = _without_lines(pieces, from_s - at, s.rate_hz, lines_hz, tick_s)
        if turn == 0:
            hz = _burst_hz(pieces, from_s - at, s.rate_hz, hz, tick_s)
        late, peak = _matched(pieces, from_s - at, s.rate_hz, hz, tick_s, slack)
        energy = peak / _idle_output(s, at, hz, tick_s)
        seen = energy > _SEEN
        if seen.sum() < _FEWEST:
            break
        offset, period, scatter = _robust_line(use[seen], (at + late)[seen], energy[seen])
        slack = float(np.clip(6 * scatter + 0.001, 0.002, _SLACK_S))
        if turn < 2:
            use = everyone
    return Arrivals(use[seen], (at + late)[seen], energy[seen], hz, tick_s)


def _pieces(s: Survey, at_s: Real, before_s: float, after_s: float) -> tuple[Complex, Real]:
    """Audio about each time, (n, m), silence beyond the recording; and the time of each piece's first sample."""
    first = np.round((at_s - before_s) * s.rate_hz).astype(int)
    index = first[:, None] + np.arange(int(np.ceil((before_s + after_s) * s.rate_hz)) + 1)
    inside = (index >= 0) & (index < s.audio.size)
    return np.where(inside, s.audio[np.clip(index, 0, s.audio.size - 1)], 0), first / s.rate_hz


def _steady_lines(s: Survey, hz: float) -> Real:
    """Frequencies of steady tones near enough to disturb the pulses: carriers, hum."""
    quiet = s.low_density
    over = quiet / np.maximum(running_median(quiet, max(3, round(150.0 / s.bin_hz) | 1)), 1e-30)
    over[np.abs(s.bins_hz - hz) > 1500.0] = 0.0
    lines: list[float] = []
    for k in np.argsort(quiet * (over > _LINE_OVER))[::-1][: 8 * _MOST_LINES]:
        f = peak_bin(quiet, int(k)) * s.bin_hz
        if over[k] > _LINE_OVER and len(lines) < _MOST_LINES and all(abs(f - g) > _LINES_APART_HZ for g in lines):
            lines.append(f)
    return np.array(lines)


def _without_lines(pieces: Complex, from_s: Real, rate_hz: float, lines_hz: Real, tick_s: float) -> Complex:
    """The pieces less each line as it is heard in the station's silence about the pulse."""
    if lines_hz.size == 0:
        return pieces
    t = np.arange(pieces.shape[1]) / rate_hz
    into = float(np.median(from_s)) + t
    idle = (into < -0.0005) | (into > tick_s + 0.0015)
    tones = np.exp(2j * np.pi * lines_hz * t[:, None]).astype(np.complex64)
    levels = pieces[:, idle] @ np.linalg.pinv(tones[idle]).T
    return np.asarray(pieces - levels @ tones.T, np.complex64)


def _burst_hz(pieces: Complex, from_s: Real, rate_hz: float, hz: float, tick_s: float) -> float:
    """Audio frequency of the pulses: where their powers, added, are greatest; sharper for longer pulses."""
    t = np.arange(pieces.shape[1]) / rate_hz
    into = float(np.median(from_s)) + t
    for length_s in sorted({min(tick_s, 0.01), tick_s}):
        part = (into > -0.003) & (into < length_s + 0.003)
        grid = hz + np.linspace(-0.6, 0.6, 61) / (length_s if length_s > 0.01 else min(length_s, TICK_S))
        power = (np.abs(pieces[:, part] @ np.exp(-2j * np.pi * t[part, None] * grid)) ** 2).sum(axis=0)
        hz = float(np.interp(peak_bin(power, int(np.argmax(power))), np.arange(grid.size), grid))
    return hz


def _matched(
    pieces: Complex, from_s: Real, rate_hz: float, hz: float, tick_s: float, slack_s: float
) -> tuple[Real, Real]:
    """How much later than expected each pulse begins, and the matched filter's output power there.

    ``from_s`` (n,) is the time of each piece's first sample after the expected beginning.
    """
    lags, power = _envelope(pieces, rate_hz, hz, tick_s)
    late = from_s[:, None] + lags
    power = np.where(np.abs(late) <= slack_s, power, 0.0)
    k = np.clip(np.argmax(power, axis=1), 1, power.shape[1] - 2)
    row = np.arange(k.size)
    a, b, c = power[row, k - 1], power[row, k], power[row, k + 1]
    curve = a - 2 * b + c
    part = np.where(curve < 0, 0.5 * (a - c) / np.where(curve < 0, curve, 1.0), 0.0)
    return late[row, k] + np.clip(part, -0.5, 0.5) * (lags[1] - lags[0]), b


def _envelope(pieces: Complex, rate_hz: float, hz: float, tick_s: float) -> tuple[Real, Real]:
    """Squared output of the filter matched to a burst that begins at each lag (m,) after the piece's start.

    Scaled so that a burst of amplitude A gives A^2.
    The burst's spectrum is taken in closed form, so its length need not be a whole number of samples.
    """
    from scipy import fft

    n = fft.next_fast_len(pieces.shape[1] + int(tick_s * rate_hz) + 2)
    middle = round(hz / rate_hz * n)
    f = ((np.arange(n) - middle + n // 2) % n - n // 2 + middle) / n * rate_hz  # nearest alias to the pulse
    f = np.where(f < 0, f + rate_hz, np.where(f >= rate_hz, f - rate_hz, f))
    off = f - hz
    burst = np.sinc(off * tick_s) * np.exp(-1j * np.pi * off * tick_s)
    output = fft.fft(pieces, n, axis=1) * np.conj(burst)
    wide = np.zeros((pieces.shape[0], n * _OVERSAMPLE), complex)
    wide[:, np.round((f - middle * rate_hz / n) / rate_hz * n).astype(int) % (n * _OVERSAMPLE)] = output
    last = int((pieces.shape[1] - tick_s * rate_hz) * _OVERSAMPLE)
    envelope = fft.ifft(wide, axis=1, overwrite_x=True)[:, : max(last, 3)] * _OVERSAMPLE
    return np.arange(envelope.shape[1]) / (rate_hz * _OVERSAMPLE), np.abs(envelope) ** 2


def _idle_output(s: Survey, at_s: Real, hz: float, tick_s: float) -> float:
    """Mean output power of the same filter where no pulse is.

    By the quarter quantile of exponential powers: a station's tones between the pulses fill part of the time.
    """
    power = []
    for away in [a for a in (0.35, 0.55, 0.8) if tick_s + 0.02 < a < 0.98 - tick_s] or [0.5]:
        pieces, _ = _pieces(s, at_s + away, 0.0, tick_s + 0.002)
        power.append(_envelope(pieces, s.rate_hz, hz, tick_s)[1][:, 0])
    typical = float(np.quantile(np.concatenate(power), 0.25) / -np.log(0.75))
    return max(typical, 1e-30)


# --- a straight line through them ------------------------------------------------------------------


def _robust_line(second: NDArray[np.int64], time_s: Real, energy: Real) -> tuple[float, float, float]:
    """Offset, period and scatter; pulses far from the line count little (Tukey's biweight)."""
    k = second.astype(float)
    centre = k.mean()
    design = np.stack([np.ones(k.size), k - centre], axis=1)
    excess = time_s - k  # the period is near 1 s: keeps precision
    weight = np.minimum(energy, 10 * np.median(energy))
    beta = np.array([np.median(excess), 0.0])
    scatter = 0.0
    for turn in range(12):
        r = excess - design @ beta
        scatter = max(1.4826 * float(np.median(np.abs(r))), 1e-7)
        far = np.abs(r) / ((6.0 if turn > 1 else 12.0) * scatter)
        w = weight * np.where(far < 1, (1 - far**2) ** 2, 0.0)
        if np.count_nonzero(w) < 3:
            break
        beta = np.linalg.lstsq(design * np.sqrt(w)[:, None], excess * np.sqrt(w), rcond=None)[0]
    return float(beta[0] - beta[1] * centre), float(1.0 + beta[1]), scatter


def fit_seconds(found: Arrivals) -> Seconds:
    """The line through the arrivals, with sigmas that hold the path's wander as far as the residuals show it."""
    offset, period, scatter = _robust_line(found.second, found.time_s, found.energy)
    residual = found.time_s - (offset + found.second * period)
    near = np.abs(residual) < 5 * scatter
    k, r, energy = found.second[near].astype(float), residual[near], found.energy[near]
    k, r, energy = _grouped(k, r, energy)
    beta, cov = _line_under_wander(k, r, energy)
    return Seconds(
        offset_s=offset + beta[0],
        offset_s_sigma=float(np.sqrt(cov[0, 0])),
        period_s=period + beta[1],
        period_s_sigma=float(np.sqrt(cov[1, 1])),
        scatter_s=float(np.sqrt(np.mean(residual[near] ** 2))),
        used=int(near.sum()),
    )


def _grouped(k: Real, r: Real, energy: Real) -> tuple[Real, Real, Real]:
    """Neighbouring pulses of long recordings as one point each: their energies add."""
    each = -(-k.size // _GROUPS)
    if each == 1:
        return k, r, energy
    group = np.arange(k.size) // each
    total = np.asarray(np.bincount(group, energy), float)
    return np.bincount(group, energy * k) / total, np.bincount(group, energy * r) / total, total


def _line_under_wander(k: Real, r: Real, energy: Real) -> tuple[Real, Real]:
    """Offset at second 0 and slope of r against k, and their covariance, averaged over what the scatter may be.

    Candidates: white scatter, by the pulses' energies or alike for all, alone or with a wander of 1/3 to 20 times
    its variance whose correlation falls exponentially over 1.5 s to the whole recording.
    """
    span = max(float(k[-1] - k[0]), 4.0)
    design = np.stack([np.ones(k.size), k - k.mean()], axis=1)
    apart = np.abs(k[:, None] - k[None, :])
    times = np.geomspace(1.5, span, 4)
    wanders = [np.exp(-apart / time) for time in times]
    fits = []
    for variance in (energy.mean() / energy, np.ones(k.size)):
        for ratio in (0.0, 0.33, 2.0, 20.0):
            for wander in wanders if ratio else wanders[:1]:
                prior = 0.25 / 12 if ratio else 0.25
                fits.append((*_one_fit(design, r, np.diag(variance) + ratio * wander), prior))
    betas = np.array([fit[0] for fit in fits])
    covs = np.array([fit[1] for fit in fits])
    logs = np.array([fit[2] for fit in fits])
    weight = np.array([fit[3] for fit in fits])
    weight = weight * np.exp(logs - logs.max())
    weight /= weight.sum()
    mean = weight @ betas
    spread = betas - mean
    cov = np.einsum("i,ijk->jk", weight, covs) + np.einsum("i,ij,ik->jk", weight, spread, spread)
    back = np.array([[1.0, -k.mean()], [0.0, 1.0]])
    return back @ mean, back @ cov @ back.T


def _one_fit(design: Real, r: Real, shape: Real) -> tuple[Real, Real, float]:
    """Generalised least squares under a covariance known but for its scale: estimate, covariance, log likelihood."""
    root = np.linalg.cholesky(shape)
    a, b = np.linalg.solve(root, design), np.linalg.solve(root, r)
    normal = a.T @ a
    beta = np.linalg.solve(normal, a.T @ b)
    free = r.size - 2
    rest = max(float(np.sum((b - a @ beta) ** 2)), 1e-24)
    log = -float(np.log(np.diag(root)).sum()) - 0.5 * float(np.linalg.slogdet(normal)[1]) - 0.5 * free * np.log(rest)
    return beta, rest / max(free - 2, 1) * np.linalg.inv(normal), log


# --- the minute ------------------------------------------------------------------------------------


def _minute(s: Survey, found: Arrivals, line: Seconds) -> float | None:
    """When the first minute begins whose long mark is heard: tone on from its second on, longer than the others."""
    count = int((s.audio.size / s.rate_hz - line.offset_s) / line.period_s) + 1
    at = line.offset_s + np.arange(count) * line.period_s
    level = np.sqrt(np.median(found.energy))
    best: float | None = None
    for hz in {found.tick_hz, _HOUR_MARK_HZ} if found.tick_hz < 0.9 * _HOUR_MARK_HZ else {found.tick_hz}:
        lasts = _lasts_s(s, at, hz, level, found.length_s)
        long = np.flatnonzero(lasts > max(_SHORTEST_MARK_S, float(np.median(lasts)) + 0.15))
        if long.size and np.all((long - long[0]) % 60 == 0) and (best is None or at[long[0]] < best):
            best = float(at[long[0]])
    return best


def _lasts_s(s: Survey, at_s: Real, hz: float, level: float, tick_s: float) -> Real:
    """How long the tone stays on after each second, to 10 ms."""
    steps = round(0.95 / _MARK_STEP_S)
    pieces, _ = _pieces(s, at_s, 0.0, 0.97)
    t = np.arange(pieces.shape[1]) / s.rate_hz
    n = round(_MARK_STEP_S * s.rate_hz)
    turned = (pieces * np.exp(-2j * np.pi * hz * t).astype(np.complex64))[:, : steps * n]
    amplitude = np.abs(turned.reshape(len(pieces), -1, n).mean(axis=2))
    idle = _idle_output(s, at_s, hz, _MARK_STEP_S) ** 0.5
    tick = level * _idle_output(s, at_s, hz, tick_s) ** 0.5
    on = amplitude > max(0.4 * tick, 1.5 * idle)
    # one step in five may be lost in the noise
    share = np.cumsum(on, axis=1) / np.arange(1, on.shape[1] + 1)
    good = on & (share > 0.8)
    return np.where(good.any(axis=1), (on.shape[1] - np.argmax(good[:, ::-1], axis=1)) * _MARK_STEP_S, 0.0)
