"""Two tones keyed in turn: each is silent while the other is on, and where the other one is."""

from __future__ import annotations

import numpy as np

from sigcheck.measure.slowly import runs as run
from sigcheck.measure.slowly.path import Band
from sigcheck.measure.slowly.runs import HIGH, LOW, Pair, Runs

WIDEST_SHIFT_HZ = 520.0


def elsewhere(runs: Runs, pair: Pair) -> bool:
    """Whether the tone is not off between its marks but somewhere else in the band, at several places perhaps."""
    c = run.cells(pair, 0.0)
    off = ~runs.on & (runs.length_s > 0.5 * float(np.median(runs.length_s)))
    density = float(np.median(pair.density[: pair.tones]))
    there = []
    for a, b in zip(run.positions(c, runs.start_s[off]), run.positions(c, runs.end_s[off]), strict=True):
        x = pair.low.z[a:b]
        if x.size < 16:
            continue
        window = np.hanning(x.size)
        power = np.abs(np.fft.fft(x * window)) ** 2 / (np.sum(window**2) * pair.low.rate_hz)
        noise = float(np.log(x.size)) + 3.0
        there.append(power.max() > noise + 0.3 * density * x.size / pair.low.rate_hz / 1.5)
    return len(there) > 1 and float(np.mean(there)) > 0.4


def apart(runs: Runs, pair: Pair) -> bool:
    """Whether each tone is silent while the other is on: two carriers side by side are not.

    Tones nearer than the resolution of a run show in each other's place anyway.
    """
    c = run.cells(pair, 0.0)
    at = [run.positions(c, v) for v in (runs.start_s, runs.end_s)]
    for tone in (LOW, HIGH):
        other = (runs.state == 1 - tone) & (runs.length_s * pair.shift_hz > 1.5)
        if other.sum() < 3:
            continue
        a, b = at[0][other], at[1][other]
        seconds = (b - a) * c.cell_s
        # a run's whole cycles of the shift leave nothing of its own tone in the other's place
        power = np.abs(c.total[tone, b] - c.total[tone, a]) ** 2 / seconds
        energy = c.energy[tone, b] - c.energy[tone, a]
        own = c.energy[1 - tone, b] - c.energy[1 - tone, a]
        leak = own / (np.pi * runs.length_s[other] * pair.shift_hz) ** 2
        if np.median(power) > 0.4 * np.median(energy) + 2.0 + np.median(leak):
            return False
    level = np.median(pair.density[:2], axis=1)
    return bool(pair.shift_hz > 40.0 or max(level) < 6.0 * min(level))


def where_when_off(wide: Band, pair: Pair, runs: Runs, dit_s: float) -> float | None:
    """Offset of a line that is there in the gaps and not in the marks, as strong as ours within 15 dB; or None."""
    from scipy import fft

    drift = np.interp(wide.times_s, pair.low.times_s, pair.path_hz) - wide.centre_hz
    z = wide.z * np.exp(-2j * np.pi * np.cumsum(drift) / wide.rate_hz)
    length = max(64, round(0.8 * dit_s * wide.rate_hz))
    size = fft.next_fast_len(length)
    hz = fft.fftfreq(size, 1 / wide.rate_hz)
    window = np.hanning(length).astype(np.float32)
    means = []
    for on in (True, False):
        starts = []
        for a, b in zip(runs.start_s[runs.on == on], runs.end_s[runs.on == on], strict=True):
            i, j = (round((v - wide.first_s) * wide.rate_hz) for v in (a, b))
            count = min(3, round((j - i) / length))
            starts += [i + max(0, (j - i - count * length) // 2) + q * length for q in range(count)]
        starts = [v for v in starts if 0 <= v <= z.size - length][:300]
        if len(starts) < 3:
            return None
        frames = np.stack([z[v : v + length] for v in starts]) * window
        spectra = fft.fft(frames, size, axis=1)
        means.append(np.mean(spectra.real**2 + spectra.imag**2, axis=0))
    near = np.abs(hz) < 2.0 / dit_s + 1.0
    ours = float(means[0][near].max())
    gain = np.where((np.abs(hz) > 5.0) & (np.abs(hz) < WIDEST_SHIFT_HZ), means[1] - 1.5 * means[0], 0.0)
    k = int(np.argmax(gain))
    floor = float(np.median(means[1]))
    return float(hz[k]) if gain[k] > max(0.03 * ours, 4.0 * floor) else None
