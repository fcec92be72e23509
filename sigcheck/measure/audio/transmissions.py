"""Several transmissions in one recording: where one kind of sending ends and another begins.

A beacon may send Morse, slow keying and a four-tone slot in turn, its carrier idle between. Here the recording is
only divided into spans that may be transmissions of their own; what each is, its own measurement says.

What is looked at is the strongest narrow signal, within some 150 Hz. *Fast* sending is a run of short elements. The
rest of what is on the air changes its level or its frequency now and then: *slow* keying and slots. A carrier that
does neither is idle. Pauses divide nothing: a beacon that repeats its text after a minute is one transmission.
Only signals that stand well out of the noise are divided.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.spectrum import Survey, quiet_density, slice_band
from sigcheck.measure.track import Mask, Real

_REACH_HZ = 150.0
_NEAR_HZ = 60.0
_WHOLE = 0.75  # of the strongest power near by
_SMOOTH_S = 0.012  # of the amplitude: an element of 30 ms is still seen
_CLEAR = 30.0  # power over the noise in that time, from which on single elements are sure
_BLOCK_S = 0.5
_SEEN_FOR_S = 3.0  # a fade may last so long: the level just before still counts
_ABSENT = 0.02  # of the strongest power: what is weaker is not this signal
_FAST_S = 0.8  # longest element of Morse: a dah at 5 WPM lasts 0.72 s
_FAST_GAP_S = 3.0  # a pause between words at 3 WPM
_FAST_ELEMENTS = 12  # three characters or more
_FAST_LEAST_S = 3.0
_IDLE_S = 5.0  # a carrier between two runs of Morse: a longer one may be another transmission
_STEP_S = 0.5  # over which the frequency is averaged in slow keying
_STEP_HZ = 0.8  # a four-tone slot steps by 1.46 Hz, FSKCW and DFCW by more
_LULL = 12.0  # of the usual time between two changes: there one slow transmission ends
_LULL_S = 8.0
_SLOT_LEAST_S = 60.0  # on the air without Morse, from which on a slot is looked for
_CHANGES = 8  # of a slow transmission, at least
_PAD_S = 2.0
_USEFUL_S = 2.0  # of silence, to hear the noise in

Index = NDArray[np.intp]
Pace = Literal["fast", "slow", "idle"]


@dataclass(frozen=True)
class Span:
    """A stretch of the recording that may be a transmission of its own."""

    start_s: float
    end_s: float
    pace: Pace
    clear_before_s: float = 0.0  # silence on both sides, as far as it is of use
    clear_after_s: float = 0.0

    @property
    def seconds(self) -> float:
        """Its length."""
        return self.end_s - self.start_s


@dataclass(frozen=True)
class _Runs:
    """Key-down runs (n,) in seconds."""

    on_s: Real
    off_s: Real

    @property
    def length_s(self) -> Real:
        return self.off_s - self.on_s


def spans(s: Survey, slots: Callable[[], Sequence[tuple[float, float]]]) -> tuple[Span, ...]:
    """The spans that may be transmissions of their own, in order; none where the recording holds one kind only.

    ``slots`` tells begin and end of each four-tone transmission of the strongest station; it is called only where
    one may be there beside something else.
    """
    centre_hz = _strongest_hz(s)
    if centre_hz is None or not _of_two_kinds(s, centre_hz):
        return ()
    z, rate = slice_band(s.audio, s.rate_hz, centre_hz - _REACH_HZ, centre_hz + _REACH_HZ, taper_hz=50.0)
    noise = float(np.interp(centre_hz, s.bins_hz, quiet_density(s)))
    runs = _runs(z, rate, noise)
    if runs is None:
        return ()
    fast = _fast(runs)
    long = runs.length_s[runs.length_s > 2 * _STEP_S].sum()
    if long < _IDLE_S:
        return ()
    known = [Span(a, b, "slow") for a, b in slots()] if long > _SLOT_LEAST_S else []
    fast = [span for span in fast if not any(span.start_s < k.end_s and k.start_s < span.end_s for k in known)]
    apart = sorted([*fast, *known], key=lambda span: span.start_s)
    found = sorted([*apart, *_slow(z, rate, runs, apart)], key=lambda span: span.start_s)
    sent = [span for span in found if span.pace != "idle"]
    alike = len({span.pace for span in sent}) < 2 and len(sent) in (len(fast), len(known))
    return () if len(sent) < 2 or alike else tuple(_with_silence(span, runs, z.size / rate) for span in found)


def _with_silence(span: Span, runs: _Runs, end_s: float) -> Span:
    slack = 2 * _SMOOTH_S
    before = np.append(0.0, runs.off_s[runs.on_s < span.start_s - slack]).max()
    after = np.append(end_s, runs.on_s[runs.off_s > span.end_s + slack]).min()
    clear = [float(np.clip(t, 0.0, _USEFUL_S)) for t in (span.start_s - before, after - span.end_s)]
    return replace(span, clear_before_s=clear[0], clear_after_s=clear[1])


def _strongest_hz(s: Survey) -> float | None:
    """Where the strongest narrow signal is for most of the time that anything stands out."""
    first = int(np.ceil(_REACH_HZ / s.bin_hz)) + 1
    if s.density.shape[1] <= first or not np.any(s.density > 0):
        return None
    peak = first + np.argmax(s.density[:, first:], axis=1)
    amplitude = np.sqrt(s.density[np.arange(peak.size), peak].astype(np.float64))
    return float(np.argmax(np.bincount(peak, amplitude, s.density.shape[1])) * s.bin_hz)


def _of_two_kinds(s: Survey, centre_hz: float) -> bool:
    """A first look, by the survey: there are seconds of unbroken carrier, and something else too.

    Within a frame of 0.16 s Morse is broken: its power stays below that of a whole frame of carrier.
    """
    first, last = (round((centre_hz + side * _NEAR_HZ) / s.bin_hz) for side in (-1, 1))
    power = s.density[:, max(first, 0) : last + 1].sum(axis=1).astype(np.float64)
    hop_s = float(s.frame_s[1] - s.frame_s[0]) if s.frame_s.size > 1 else np.inf
    if power.size < _IDLE_S / hop_s:
        return False
    reach = max(round(_SEEN_FOR_S / hop_s), 1)
    near = np.lib.stride_tricks.sliding_window_view(np.pad(power, reach, mode="edge"), 2 * reach + 1)
    level = near[:, ::4].max(axis=1)
    there = level > _ABSENT * np.quantile(power, 0.95)
    whole = there & (power > _WHOLE * level)
    edges = np.flatnonzero(np.diff(whole.astype(np.int8), prepend=0, append=0))
    length_s = (edges[1::2] - edges[::2]) * hop_s
    unbroken_s = float(length_s[length_s > 2 * _STEP_S].sum())
    broken = there & ~whole & (power > _ABSENT * level)
    return unbroken_s > _IDLE_S and (float(broken.sum()) * hop_s > 1.0 or unbroken_s > _SLOT_LEAST_S)


def _runs(z: NDArray[np.complex64], rate: float, noise_density: float) -> _Runs | None:
    width = max(round(_BLOCK_S * rate), 1)
    count = z.size // width
    if count < 4:
        return None
    n = max(round(_SMOOTH_S * rate), 1)
    total = np.cumsum(np.abs(z) ** 2, dtype=np.float64)
    total = np.concatenate([np.zeros(n // 2 + 1), total, np.full(n, total[-1])])
    power = (total[n:] - total[:-n])[: z.size] / n
    blocks = np.quantile(power[: count * width].reshape(count, width), 0.9, axis=1)
    reach = round(_SEEN_FOR_S / _BLOCK_S)
    padded = np.pad(blocks, reach, mode="edge")
    level = np.quantile(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1), 0.85, axis=1)
    noise = noise_density * 2 * _REACH_HZ
    strongest = float(np.quantile(level, 0.9))
    if strongest < _CLEAR * noise:
        return None
    upper = np.interp(np.arange(z.size) / width - 0.5, np.arange(count), level)
    on = power > np.maximum(0.25 * upper, max(_ABSENT * strongest, 4 * noise))
    edges = np.flatnonzero(np.diff(on.astype(np.int8), prepend=0, append=0))
    start, end = edges[::2] / rate, edges[1::2] / rate
    if not start.size:
        return None
    joined = np.append(start[1:] - end[:-1] > _SMOOTH_S, True)
    start, end = start[np.append(True, joined[:-1])], end[joined]
    kept = end - start > _SMOOTH_S
    return _Runs(start[kept], end[kept]) if kept.any() else None


def _fast(runs: _Runs) -> list[Span]:
    """Runs of short elements; what only a pause or a short carrier divides is one."""
    short = runs.length_s < _FAST_S
    out: list[Span] = []
    for members in _groups(np.flatnonzero(short), runs, _FAST_GAP_S):
        span = Span(float(runs.on_s[members[0]]), float(runs.off_s[members[-1]]), "fast")
        if members.size < _FAST_ELEMENTS or span.seconds < _FAST_LEAST_S:
            continue
        between = (runs.on_s > out[-1].end_s) & (runs.off_s < span.start_s) if out else np.zeros(0, bool)
        if out and not np.any(runs.length_s[between] > _IDLE_S):
            out[-1] = Span(out[-1].start_s, span.end_s, "fast")
        else:
            out.append(span)
    return out


def _groups(which: Index, runs: _Runs, most_gap_s: float) -> list[Index]:
    """Consecutive runs with gaps no longer than ``most_gap_s``."""
    if not which.size:
        return []
    apart = (np.diff(which) > 1) | (runs.on_s[which[1:]] - runs.off_s[which[:-1]] > most_gap_s)
    return np.split(which, np.flatnonzero(apart) + 1)


def _slow(z: NDArray[np.complex64], rate: float, runs: _Runs, known: list[Span]) -> list[Span]:
    """What is on the air between the known spans: slow sending where it changes, an idle carrier where not."""
    out: list[Span] = []
    limits = [0.0, *(t for span in known for t in (span.start_s, span.end_s)), z.size / rate]
    for begin, end in zip(limits[::2], limits[1::2], strict=True):
        inside = (runs.off_s > begin) & (runs.on_s < end) & (runs.length_s > 2 * _STEP_S)
        if not inside.any():
            continue
        on, off = np.maximum(runs.on_s[inside], begin), np.minimum(runs.off_s[inside], end)
        changes = _changes(z, rate, on, off, begin, end)
        parts = _parts(changes)
        for first, last in parts:
            pad = max(_PAD_S, 2 * float(np.median(np.diff(changes[(changes >= first) & (changes <= last)]))))
            # what is on the air just before the first change and after the last one belongs to it, for a while
            before = on[(on < first - _STEP_S) & (off > first - _STEP_S)]
            after = off[(on < last + _STEP_S) & (off > last + _STEP_S)]
            start = max(float(before[0]), first - pad) if before.size else first
            finish = min(float(after[0]), last + pad) if after.size else last
            out.append(Span(max(begin, start), min(end, finish), "slow"))
        if not parts and float((off - on).sum()) > _IDLE_S:
            out.append(Span(float(on[0]), float(off[-1]), "idle"))
    return out


def _changes(z: NDArray[np.complex64], rate: float, on: Real, off: Real, begin: float, end: float) -> Real:
    """Times at which the level goes or comes, or the frequency steps."""
    edges = np.concatenate([on, off])
    edges = edges[(edges > begin + _STEP_S) & (edges < end - _STEP_S)]
    steps = [_steps(z, rate, a, b) for a, b in zip(on, off, strict=True)]
    return np.sort(np.concatenate([edges, *steps]))


def _steps(z: NDArray[np.complex64], rate: float, start_s: float, end_s: float) -> Real:
    """Times in one key-down run at which the frequency averaged over half a second is another than just before."""
    a, b = round((start_s + 0.05) * rate), round((end_s - 0.05) * rate)
    hop = max(round(0.5 * _STEP_S * rate), 1)
    turned = z[a + 1 : b] * np.conj(z[a : b - 1]) if b - a > 4 * hop else z[:0]
    count = turned.size // hop
    if count < 5:
        return np.empty(0)
    hz = np.angle(turned[: count * hop].reshape(count, hop).sum(axis=1)) * rate / (2 * np.pi)
    moved: Mask = np.abs(hz[2:] - hz[:-2]) > _STEP_HZ
    first = np.flatnonzero(np.diff(moved.astype(np.int8), prepend=0) == 1)
    return np.asarray((a + (first + 1.5) * hop) / rate)


def _parts(changes: Real) -> list[tuple[float, float]]:
    """First and last change of each stretch in which changes come steadily."""
    if changes.size < _CHANGES:
        return []
    apart = np.diff(changes)
    near = np.lib.stride_tricks.sliding_window_view(np.pad(apart, 3, mode="edge"), 7)
    usual = np.median(near, axis=1)
    before, after = np.append(usual[0], usual[:-1]), np.append(usual[1:], usual[-1])
    lull = (apart > _LULL * np.minimum(before, after)) & (apart > _LULL_S)
    groups = np.split(changes, np.flatnonzero(lull) + 1)
    return [(float(g[0]), float(g[-1])) for g in groups if g.size >= _CHANGES]
