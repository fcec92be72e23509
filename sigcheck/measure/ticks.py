"""Second pulses of a time-signal station: where the seconds lie in the recording, and how fast it counts them.

A pulse is a few milliseconds of tone. Its phase is no help: beside a receiver's dial it turns from second to
second by an unknown amount, so each pulse is timed by the envelope of a matched filter. First what repeats sharply
every second is taken for the pulses (`ticks_fold.py`); then each pulse is timed by itself; then a straight line
through all of them gives the second and the recorder's rate (`seconds_line.py`).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.results import Ticks, not_measured_family
from sigcheck.measure.seconds.fold import FEWEST, Coarse, fold
from sigcheck.measure.seconds.line import Arrivals, Seconds, first_boundary, fit_seconds, robust_line
from sigcheck.measure.spectrum import AUDIO_TOP_HZ, Survey, peak_bin, running_median, survey
from sigcheck.measure.track import Complex, Real

TICK_S = 0.005  # length of the commonest second pulse
_SLACK_S = 0.006  # a hop of the fold either side: where a single pulse is looked for
_SEEN = 12.0  # E/N0 of a pulse to be used: noise alone reaches it once in some thousand looks
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
        offset_s=first_boundary(line.offset_s - delay_s, line.period_s),
        offset_s_sigma=line.offset_s_sigma,
        minute_at_s=None if minute is None else minute - delay_s,
        sample_rate_error_ppm=1e6 * (line.period_s - 1.0),
        sample_rate_error_ppm_sigma=1e6 * line.period_s_sigma,
        ticks_used=line.used,
        scatter_s=line.scatter_s,
        missing=missing,
    )


def locate(s: Survey, *, tick_hz: float | None = None, tick_s: float = TICK_S) -> Arrivals | str:
    """Find and time the pulses; the reason in plain words where there are none."""
    seconds = s.audio.size / s.rate_hz
    if seconds < FEWEST + 2:
        return f"{seconds:.1f} s hold too few second pulses: record a minute or more"
    coarse = fold(s, tick_hz, tick_s)
    if coarse is None:
        return "nothing repeats every second: no second pulses were found (--tick-hz and --tick-ms say how they sound)"
    found = _time_each(s, coarse, tick_s)
    if found.second.size < FEWEST or robust_line(found.second, found.time_s, found.energy)[2] > _MOST_SCATTER_S:
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


# --- each pulse by itself --------------------------------------------------------------------------


def _time_each(s: Survey, coarse: Coarse, tick_s: float) -> Arrivals:
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
        if seen.sum() < FEWEST:
            break
        offset, period, scatter = robust_line(use[seen], (at + late)[seen], energy[seen])
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
