"""Find the test signal in the passband, follow it, and bring it to complex baseband.

Finding works on the survey spectrogram. The strongest narrow signal is the path through time and
frequency that gathers the most amplitude, found by dynamic programming: small steps are cheap (a
drifting oscillator, Doppler), a jump costs as much as a few seconds of signal (retuning), and gaps
cost nothing (keying). Mains hum and its harmonics are set aside when anything else is there.
A steady tone too weak for single frames is looked for in long coherent blocks instead.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.spectrum import Survey, passband, peak_bin, phasors, quiet_density, running_median
from sigcheck.measure.tone.is_tone import is_a_tone
from sigcheck.measure.tone.mains_family import (
    MAINS_HZ,
    MAINS_WANDER_HZ,
    fine_spectrum,
    hum_fundamental,
    ratio_of_noise,
)
from sigcheck.measure.tone.own_pieces import own_pieces
from sigcheck.measure.track import Baseband, Complex, Real

LOWEST_TONE_HZ = 150.0
HIGHEST_TONE_HZ = 5500.0
NEAR_HZ = 150.0  # how far from a stated tone is looked
_BLOCK_S = 0.3
_TURN_PART = 1 << 14  # samples that stay in the processor's cache
_STEP_BINS = 3
_MOST_HUM_LINES = 24
_SETTLED_SHARE = 0.4  # of the frames: speech keeps to one place in 0.3, a chirp that lasts a dit in 0.5
_KEYED_BINS = 4  # to either side, within which keying has nearly all its power
_LOUDER = 1.5  # in power: no doubt which of two signals is the stronger
_CLEAR_RATIO = 12.0  # a frame then places the tone to about a tenth of its bin
_LOW_HZ = 400.0  # up to here a steady line is one among few harmonics, all of them to be seen
_WEAK_LOW_HZ = 600.0  # and here where long blocks show them


@dataclass(frozen=True)
class Candidate:
    """A narrow signal found in the survey.

    ``block_bin`` (blocks,) is the path; ``level`` (blocks,) the noise-free power of its main lobe
    (A^2 units); ``ratio`` (blocks,) density over noise density.
    """

    block_bin: NDArray[np.intp]
    level: Real
    ratio: Real
    followed: NDArray[np.intp] | None = None  # the path before other stations' pieces were taken off it

    @property
    def strength(self) -> float:
        """Key-down power: the upper decile of the blocks' power."""
        return float(np.quantile(self.level, 0.9)) if self.level.size else 0.0

    @property
    def steady(self) -> bool:
        """There nearly all the time at nearly one frequency."""
        typical = np.quantile(self.level, 0.7)
        stays = float(np.mean(self.level > 0.25 * typical))
        wander = np.quantile(self.block_bin, 0.95) - np.quantile(self.block_bin, 0.05)
        return bool(stays > 0.93 and wander <= 2)


@dataclass(frozen=True)
class NotFound:
    """Why no test signal was found."""

    reason: str


def find(s: Survey, *, tone_hz: float | None = None, top_hz: float | None = None) -> Baseband | NotFound:
    """Find the test signal in the survey, follow it and shift it to 0 Hz.

    Parameters
    ----------
    tone_hz : where to look (within 150 Hz), or None to search the whole audio.
    top_hz : highest frequency of the recording worth searching (below half its rate).

    Returns
    -------
    Baseband, or NotFound with the reason in plain words.
    """
    if not np.any(s.density > 0):
        return NotFound("the recording is silent: check the audio lead, the level and the channel")
    quiet = s.low_density
    true_noise = quiet_density(s)
    noise = _floor(s, true_noise, quiet)
    low, high = LOWEST_TONE_HZ, min(HIGHEST_TONE_HZ, 0.97 * s.rate_hz, top_hz or np.inf)
    if tone_hz is not None:
        low, high = max(20.0, tone_hz - NEAR_HZ), min(0.97 * s.rate_hz, tone_hz + NEAR_HZ)
    first, last = int(np.ceil(low / s.bin_hz)), int(high / s.bin_hz)
    if last - first < 2 * _STEP_BINS + 3:
        return NotFound(f"nothing can be looked for between {low:.0f} and {high:.0f} Hz at this sample rate")
    blocks, frames_per_block = _blocks(s, noise)
    hum_counts = tone_hz is not None
    candidate, rival, hum_hz = _strongest_signal(blocks, noise, s, first, last, hum_counts=hum_counts)
    if candidate is not None:
        path = _refined_path(s, candidate, noise, frames_per_block)
        if np.quantile(candidate.ratio, 0.9) < _CLEAR_RATIO:
            # single frames place such a tone badly: trust long blocks where they see one nearby
            middle = float(np.median(candidate.block_bin)) * s.bin_hz
            near = max(low, middle - 20.0), min(high, middle + 20.0)
            weak = _weak_steady_tone(s, noise, *near, hum_counts=hum_counts)
            if weak is not None and hum_hz is not None and _off_grid(weak, hum_hz) < 0.002 * weak + 0.5:
                return NotFound("only mains hum stands out of the noise: check dial, sideband, level and start time")
            path = path if weak is None else np.full(s.audio.size, weak)
        clear = np.quantile(candidate.ratio, 0.9) >= _CLEAR_RATIO
        base = None if path is None else shift(s, path, true_noise)
        if clear and candidate.followed is not None:  # of a melody one note may look like a tone
            whole = _refined_path(s, replace(candidate, block_bin=candidate.followed), noise, frames_per_block)
            base = base if whole is not None and is_a_tone(shift(s, whole, true_noise)) else None
        if base is None or (clear and not is_a_tone(base)):
            return NotFound("what is there wanders like speech or music: no steady or keyed tone was found")
        return _as_tone(s, rival, noise, true_noise, frames_per_block) or base
    weak = _weak_steady_tone(s, noise, low, high, hum_hz, hum_counts=hum_counts)
    if weak is None:
        return NotFound("no tone stands out of the noise: check dial, sideband, level and start time")
    return shift(s, np.full(s.audio.size, weak), true_noise)


def _off_grid(hz: float, fundamental: float) -> float:
    return abs(hz - fundamental * round(hz / fundamental))


def shift(s: Survey, path_hz: Real, noise: Real | None = None) -> Baseband:
    """Baseband of the audio along a given path (n,) in Hz; ``noise`` as of ``quiet_density``."""
    if noise is None:
        noise = quiet_density(s)
    # A noise-free recording has only leakage and rounding, 130 dB/Hz down: no passband shows in that.
    noise = np.maximum(noise, 1e-12 * float(s.density.max()))
    tone = float(np.median(path_hz[::16]))  # it is smooth
    low, high, seen = passband(noise, s.bin_hz, tone)
    return Baseband(
        rate_hz=s.rate_hz,
        audio=s.audio,
        path_hz=path_hz,
        z=s.audio * turn(path_hz, s.rate_hz),
        noise_density=_near_density(noise, s.bin_hz, tone, low, high),
        passband_hz=(low, high),
        passband_from_noise=seen,
    )


def strength(base: Baseband) -> float:
    """Key-down power (A^2) of a found signal within some 50 Hz, for choosing between channels."""
    step = max(1, round(0.02 * base.rate_hz))
    n = base.z.size // step
    power = np.abs(base.z[: n * step].reshape(n, step).mean(axis=1)) ** 2
    return float(np.quantile(power, 0.9)) if n else 0.0


def turn(path_hz: Real, rate_hz: float) -> Complex:
    """exp(-j phase) along a frequency path (n,), the phase in float64 and starting at 0."""
    if path_hz.size and path_hz.min() == path_hz.max():  # as most are: one part turned further and further
        each = -float(path_hz[0]) / rate_hz
        starts, part = (phasors(each * np.arange(*r)) for r in ((0, path_hz.size, _TURN_PART), (0, _TURN_PART, 1)))
        return np.asarray((starts[:, None] * part).ravel()[: path_hz.size])
    out = np.empty(path_hz.size, np.complex64)
    before = -0.5 * float(path_hz[0]) if path_hz.size else 0.0  # by trapezoids: half of the first and of the last
    for first in range(0, path_hz.size, _TURN_PART):
        path, part = path_hz[first : first + _TURN_PART], out[first : first + _TURN_PART]
        total = np.cumsum(path)
        cycles = (total - 0.5 * path + before) * (1 / rate_hz)
        before += float(total[-1])
        cycles -= np.floor(cycles)
        angle = (-2 * np.pi * cycles).astype(np.float32)
        np.cos(angle, out=part.real)
        np.sin(angle, out=part.imag)
    return out


def _floor(s: Survey, noise: Real, quiet: Real) -> Real:
    """Noise to compare with when searching: never the near-nothing outside the receiver's passband.

    30 dB under the loudest noise counts as outside; and in a noise-free recording there is rounding
    noise at best, so ratios are kept finite at 140 dB under the peak.
    """
    # At a filter's edge the running median steps down while noise still comes through: let the louder
    # side reach over. A 50 Hz filter is narrower than that median: a shorter one keeps its hump.
    reach = max(1, round(75.0 / s.bin_hz))
    noise = np.maximum(noise, running_median(quiet, max(3, round(50.0 / s.bin_hz) | 1)))
    noise = np.lib.stride_tricks.sliding_window_view(np.pad(noise, reach, mode="edge"), 2 * reach + 1).max(axis=1)
    searched = noise[round(200.0 / s.bin_hz) :]
    loudest = float(searched.max()) if searched.size else float(noise.max())
    return np.maximum(noise, max(1e-3 * loudest, 1e-14 * float(s.density.max())))


def _near_density(noise: Real, bin_hz: float, tone_hz: float, low: float, high: float) -> float:
    f = np.arange(noise.size) * bin_hz
    inside = (f > low + 2 * bin_hz) & (f < high - 2 * bin_hz)
    near = inside & (np.abs(f - tone_hz) < 600.0) & (np.abs(f - tone_hz) > 40.0)
    chosen = near if near.sum() >= 4 else inside
    return float(np.median(noise[chosen])) if chosen.any() else float(np.median(noise))


def _blocks(s: Survey, noise: Real) -> tuple[NDArray[np.float32], int]:
    """Power averaged over blocks of some 0.3 s, static crashes scaled down to the usual noise."""
    hop_s = float(s.frame_s[1]) if s.frame_s.size > 1 else 1.0
    per_block = max(1, round(_BLOCK_S / hop_s))
    first = max(1, round(200.0 / s.bin_hz))
    over = s.density[:, first::3] / noise[first::3].astype(np.float32)
    over.sort(axis=1)  # faster than looking for the middle one
    crash = over[:, over.shape[1] // 2] / np.log(2.0)
    weight = 1.0 / np.maximum(1.0, crash / 3.0)  # a gain control's own swing (some dB) is left alone
    count = -(-s.density.shape[0] // per_block)
    padded = np.zeros((count * per_block, s.density.shape[1]), np.float32)
    np.multiply(s.density, weight[:, None].astype(np.float32), out=padded[: s.density.shape[0]])
    return padded.reshape(count, per_block, -1).mean(axis=1), per_block


def _strongest_signal(
    blocks: NDArray[np.float32], noise: Real, s: Survey, first: int, last: int, *, hum_counts: bool
) -> tuple[Candidate | None, Candidate | None, float | None]:
    """The strongest narrow signal, mains hum set aside; one louder at key-down; and that hum's fundamental."""
    blocks = blocks.copy()
    whole = blocks.copy()  # what is set aside is still a companion of its comb's other lines
    hum_hz: float | None = None
    for _ in range(_MOST_HUM_LINES):
        candidate = _best_path(blocks, noise, s, first, last)
        if candidate is None:
            return None, None, hum_hz
        fundamental = None if hum_counts else _hum_fundamental(candidate, whole, s, noise)
        if fundamental is None:
            rival = _louder_at_key_down(blocks, candidate, noise, s, first, last)
            hum = rival is not None and not hum_counts and _hum_fundamental(rival, whole, s, noise) is not None
            return candidate, None if hum else rival, hum_hz
        hum_hz = hum_hz or fundamental
        _erase(blocks, candidate, noise)
    return None, None, hum_hz


def _as_tone(s: Survey, c: Candidate | None, noise: Real, true_noise: Real, per_block: int) -> Baseband | None:
    """The candidate at 0 Hz; None where there is none, or it is no tone."""
    if c is None or c.followed is not None:
        return None
    path = _refined_path(s, c, noise, per_block)
    base = None if path is None else shift(s, path, true_noise)
    return base if base is not None and is_a_tone(base) else None


def _louder_at_key_down(
    blocks: NDArray[np.float32], found: Candidate, noise: Real, s: Survey, first: int, last: int
) -> Candidate | None:
    """A signal that is stronger than the one found while its key is down, and lost to it by its gaps; or None."""
    rest = blocks.copy()
    _erase(rest, found, noise)
    over = np.maximum(rest[:, first:last].mean(axis=0) - noise[first:last], 0.0)
    top = first + int(np.argmax(over))
    around = over[max(0, top - first - _KEYED_BINS) : top - first + _KEYED_BINS + 1]
    if float(around.sum()) * s.bin_hz < 0.5 * float(found.level.mean()):
        return None  # so little in the mean holds no stronger key-down
    rival = _best_path(rest, noise, s, max(first, top - _KEYED_BINS), min(last, top + _KEYED_BINS + 1))
    return rival if rival is not None and rival.strength > _LOUDER * found.strength else None


def _best_path(
    blocks: NDArray[np.float32], noise: Real, s: Survey, first: int, last: int
) -> Candidate | None:
    amplitude = np.sqrt(np.maximum(blocks[:, first:last] - noise[first:last], 0.0))
    typical = float(np.quantile(amplitude.max(axis=1), 0.9)) or float(amplitude.max())
    if typical <= 0.0:
        return None
    gain = np.minimum(amplitude / typical, 1.0)
    bins = dynamic_path(gain, step_cost=0.03, jump_cost=4.0, reach=_STEP_BINS) + first
    followed = bins
    bins = own_pieces(bins, blocks, jump=_STEP_BINS)
    rows = np.arange(blocks.shape[0])
    ratio = np.max([blocks[rows, bins + d] / noise[bins + d] for d in (-1, 0, 1)], axis=0)
    # Gaussian noise averaged over a block exceeds four times its mean once in some thousand cells.
    if np.maximum(ratio - 4.0, 0.0).sum() < 25.0:
        return None
    lobe = sum(np.maximum(blocks[rows, bins + d] - noise[bins + d], 0.0) for d in (-1, 0, 1))
    changed = None if followed is bins else followed
    return Candidate(bins, np.asarray(lobe * s.bin_hz, np.float64), np.asarray(ratio, np.float64), changed)


def dynamic_path(gain: Real, *, step_cost: float, jump_cost: float, reach: int) -> NDArray[np.intp]:
    """Path of one bin per row that gathers the most ``gain`` (rows, bins), less the cost of moving.

    A move of d <= ``reach`` bins costs ``d * step_cost``, any longer one ``jump_cost``.
    """
    rows, bins = gain.shape
    # each row less its best: none is worse by more than a jump; beyond the ends there is nothing
    scores = np.full((rows, bins + 2 * reach), -np.inf, np.float32)
    inner = scores[:, reach : reach + bins]
    inner[0] = gain[0] - gain[0].max()
    gain = gain.astype(np.float32)
    either = np.empty(bins, np.float32)
    for r in range(1, rows):
        before, score = scores[r - 1], inner[r]
        np.maximum(inner[r - 1], -jump_cost, out=score)
        for d in range(1, reach + 1):
            np.maximum(before[reach - d : reach - d + bins], before[reach + d : reach + d + bins], out=either)
            either -= d * step_cost
            np.maximum(score, either, out=score)
        score += gain[r]
        score -= score.max()
    # where each bin came from is asked only along the path itself
    best = inner.argmax(axis=1).tolist()  # stands at 0
    costs = np.abs(np.arange(-reach, reach + 1)) * np.float32(step_cost)
    path = np.empty(rows, np.intp)
    path[-1] = here = best[-1]
    for r in range(rows - 1, 0, -1):
        offered = scores[r - 1, here : here + 2 * reach + 1] - costs
        k = int(offered.argmax())
        path[r - 1] = here = here + k - reach if offered[k] >= -jump_cost else best[r - 1]
    return path


def _hum_fundamental(c: Candidate, blocks: NDArray[np.float32], s: Survey, noise: Real) -> float | None:
    """Mains frequency of the comb of additive lines that a steady candidate belongs to; None if it stands alone.

    A line of the comb has companions one or two mains frequencies away that are not its own
    sidebands: they are not a symmetric weaker pair, and at the low end they are as strong as it.
    """
    if not c.steady:
        return None
    f = _exact_hz(s, float(np.median(c.block_bin)) * s.bin_hz)
    mean = blocks.mean(axis=0)

    def level(hz: float) -> float:
        k = round(hz / s.bin_hz)
        return float(mean[max(k - 1, 0) : k + 2].max()) if 0 <= k < mean.size else 0.0

    for mains in MAINS_HZ:
        order = round(f / mains)
        if order < 1 or abs(f / order - mains) > MAINS_WANDER_HZ:
            continue
        if order * mains <= _LOW_HZ:
            fine = fine_spectrum(s.audio, s.rate_hz, noise, s.bin_hz)
            return None if fine is None else hum_fundamental(fine, f)
        own = level(f)
        below = [level(k * mains) for k in range(1, order)]
        above = [level(k * mains) for k in range(order + 1, 2 * order)]
        strong_below = sum(b > 0.03 * own for b in below)
        mirrored = sum(min(b, a) > 0.1 * max(a, b) for b, a in zip(below[::-1], above, strict=False) if b > 0.03 * own)
        if strong_below >= 3 and mirrored < strong_below:
            return f / order
        # a carrier's own sidebands are 6 dB down at the most; a comb's lines are as strong as each other
        if sum(v > 0.35 * own for v in (*below, *above)) >= 2:
            return f / order
    return None


def _exact_hz(s: Survey, near_hz: float) -> float:
    """Frequency of a steady line near ``near_hz``, from one long block (a survey's bin is far too wide)."""
    from scipy import fft

    length = min(s.audio.size, round(8.0 * s.rate_hz))
    power = np.abs(fft.fft(s.audio[:length] * np.hanning(length).astype(np.float32))) ** 2
    bin_hz = s.rate_hz / length
    first, last = (int(np.clip((near_hz + d) / bin_hz, 2, length - 3)) for d in (-s.bin_hz, s.bin_hz))
    k = first + int(np.argmax(power[first : last + 1]))
    return peak_bin(power.astype(np.float64), k) * bin_hz


def _erase(blocks: NDArray[np.float32], c: Candidate, noise: Real) -> None:
    rows = np.arange(blocks.shape[0])
    for d in range(-4, 5):
        k = np.clip(c.block_bin + d, 0, blocks.shape[1] - 1)
        blocks[rows, k] = np.minimum(blocks[rows, k], noise[k])


def _refined_path(s: Survey, c: Candidate, noise: Real, per_block: int) -> Real | None:
    """Smooth audio frequency at each sample of the audio, or None where it is no tone."""
    frames = s.density.shape[0]
    coarse = np.repeat(c.block_bin, per_block)[:frames]
    rows = np.arange(frames)
    near = np.stack([s.density[rows, np.clip(coarse + d, 0, s.density.shape[1] - 1)] for d in range(-3, 4)])
    k = np.clip(coarse + np.argmax(near, axis=0) - 3, 1, s.density.shape[1] - 2)
    left, mid, right = (np.sqrt(s.density[rows, k + d].astype(np.float64)) for d in (-1, 0, 1))
    # A Hann main lobe of amplitude ratio a between the two largest bins sits (2a - 1)/(a + 1) off.
    side = np.where(right > left, 1.0, -1.0)
    a = np.maximum(left, right) / np.maximum(mid, 1e-30)
    hz = (k + side * np.clip((2 * a - 1) / (a + 1), -0.5, 0.5)) * s.bin_hz
    level = mid**2
    present = (level > 4 * noise[k]) & (level > 0.05 * np.quantile(level, 0.9))
    if present.sum() < 2:
        present = level >= np.sort(level)[-2:].min()
    weight = level / (level + np.quantile(level[present], 0.25) * 0.1) * present
    moves = _usual_move(hz, present)
    if moves >= s.bin_hz:
        # A strong chirp jumps from frame to frame, but each element settles at the same place; a pitch at none.
        rest = _place_of_rest(hz[present], 2 * s.bin_hz)
        if rest is not None:
            return np.full(s.audio.size, rest)
        if moves >= 2 * s.bin_hz:
            return None
    return _smooth_path(s, hz, present, weight)


def _usual_move(hz: Real, present: NDArray[np.bool_]) -> float:
    """From frame to frame, in Hz; 0 where there are too few to tell.

    Speech glides by tens of hertz, two bins and more; a chirp, seen through frames that catch dits at different
    ages, jumps by one or more; a low satellite moves under 10 Hz in one.
    """
    both = present[1:] & present[:-1]
    return float(np.median(np.abs(np.diff(hz)[both]))) if both.sum() >= 6 else 0.0


def _place_of_rest(hz: Real, width_hz: float) -> float | None:
    """Where a good part of the frames lie within ``width_hz`` of each other, or None."""
    ordered = np.sort(hz)
    count = np.searchsorted(ordered, ordered + width_hz) - np.arange(ordered.size)
    k = int(np.argmax(count))
    return float(np.median(ordered[k : k + count[k]])) if count[k] > _SETTLED_SHARE * ordered.size else None


def _smooth_path(s: Survey, hz: Real, present: NDArray[np.bool_], weight: Real) -> Real:
    t, f, w = s.frame_s[present], hz[present], weight[present]
    times = np.arange(s.audio.size) / s.rate_hz
    close = 0.45 * s.bin_hz
    middle = _weighted_median(f, w)
    if _share_outside(f - middle, w, close) < 0.1:
        return np.full(times.size, middle)
    slope, at0 = _line(t, f, w)
    if _share_outside(f - at0 - slope * t, w, close) < 0.1:
        return at0 + slope * times
    curve = _piecewise_path(t, f, w, times, jump=5 * s.bin_hz)
    # Frames cut by keying, static or fading scatter too: a curve must explain most of the scatter.
    left = _weighted_median(np.abs(f - np.interp(t, times, curve)), w)
    if left > 0.5 * _weighted_median(np.abs(f - at0 - slope * t), w):
        return at0 + slope * times if abs(slope) * np.ptp(t) > 2 * close else np.full(times.size, middle)
    return curve


def _piecewise_path(t: Real, f: Real, w: Real, times: Real, *, jump: float) -> Real:
    """Local straight lines over about a second, cut where the frequency jumps for good."""
    steady = running_median(f, 5) if f.size >= 5 else f
    cuts = np.flatnonzero(np.abs(np.diff(steady)) > jump) + 1
    out = np.empty(times.size)
    start = 0.0
    for piece in np.split(np.arange(f.size), cuts):
        tp, fp, wp = t[piece], steady[piece], w[piece]
        end = 0.5 * (tp[-1] + t[piece[-1] + 1]) if piece[-1] + 1 < f.size else np.inf
        inside = (times >= start) & (times < end)
        nodes, values = _local_lines(tp, fp, wp, width_s=0.8)
        out[inside] = np.interp(times[inside], nodes, values)
        start = end
    return out


def _local_lines(t: Real, f: Real, w: Real, *, width_s: float) -> tuple[Real, Real]:
    nodes = np.unique(np.concatenate([np.arange(t[0], t[-1], width_s / 2), t[-1:]]))
    values = np.empty(nodes.size)
    for i, node in enumerate(nodes):
        a, b = np.searchsorted(t, [node - 3 * width_s, node + 3 * width_s])
        if b - a < 3:
            values[i] = np.interp(node, t, f)
            continue
        x = t[a:b] - node
        k = w[a:b] * np.exp(-0.5 * (x / width_s) ** 2)
        s0, s1, s2 = k.sum(), (k * x).sum(), (k * x * x).sum()
        y0, y1 = (k * f[a:b]).sum(), (k * x * f[a:b]).sum()
        determinant = s0 * s2 - s1 * s1
        values[i] = (s2 * y0 - s1 * y1) / determinant if determinant > 1e-9 * s0 * s2 else y0 / max(s0, 1e-30)
    return nodes, values


def _weighted_median(f: Real, w: Real) -> float:
    order = np.argsort(f)
    total = np.cumsum(w[order])
    return float(f[order][np.searchsorted(total, 0.5 * total[-1])])


def _share_outside(residual: Real, w: Real, limit: float) -> float:
    return float(w[np.abs(residual) > limit].sum() / max(w.sum(), 1e-30))


def _line(t: Real, f: Real, w: Real) -> tuple[float, float]:
    """Weighted straight line, outliers down-weighted in a second round: (slope, value at t = 0)."""
    if np.ptp(t) == 0:
        return 0.0, float(np.average(f, weights=w))
    weight = w
    slope, at0 = 0.0, 0.0
    for _ in range(4):
        slope, at0 = np.polyfit(t, f, 1, w=np.sqrt(weight))
        residual = np.abs(f - at0 - slope * t)
        scale = max(float(np.median(residual)), 1e-6)
        weight = w / (1.0 + (residual / (3 * scale)) ** 2)
    return float(slope), float(at0)


def _weak_steady_tone(
    s: Survey, noise: Real, low: float, high: float, hum_hz: float | None = None, *, hum_counts: bool = False
) -> float | None:
    """Frequency of a steady tone that only long coherent blocks show, or None.

    The threshold lets pure noise through once in 10 000 recordings.
    """
    fine = fine_spectrum(s.audio, s.rate_hz, noise, s.bin_hz)
    if fine is None:
        return None
    f = fine.hz
    inside = (f > low) & (f < high)
    threshold = ratio_of_noise(fine.blocks, 1e-4, int(inside.sum()))
    ratio = np.where(inside, fine.ratio, 0.0)
    for _ in range(_MOST_HUM_LINES):
        if hum_hz is not None:  # where hum was seen, so it is among the other harmonics
            ratio[np.abs(f - hum_hz * np.round(f / hum_hz)) <= 0.004 * f + 1.0] = 0.0
        peak = int(np.argmax(ratio))
        # the wander of hum spreads it over more than the lines' places
        if ratio[peak] <= threshold * (3.0 if hum_hz is not None else 1.0):
            return None
        hum_hz = hum_fundamental(fine, float(f[peak])) if f[peak] < _WEAK_LOW_HZ and not hum_counts else None
        if hum_hz is None:
            return float(f[peak])
    return None
