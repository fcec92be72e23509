"""Where modulation lines stand out: periodograms in blocks of some eight seconds, averaged in power.

Mains wanders by tens of millihertz, so longer blocks would lose its harmonics. In pure noise the sum of
K blocks' powers over the noise follows a gamma distribution of shape K (one side of the tone) or 2 K
(a pair); a line counts where chance would exceed it once in some 1e8 cells, which leaves room for
what is not Gaussian in what keying leaves behind.

A pair is summed from its amplitude and its angle part, each over its own noise. An oscillator's noise is
angle alone: its two sides are the same noise twice, and summed as two they would exceed the limit of
independent ones a thousand times too often. The two quadratures are independent in either case.

Each sample counts by the carrier's power there, for the additive noise is even in the audio, not in what
was divided by a carrier that fades.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from sigcheck.measure.lines.modulation import Modulation
from sigcheck.measure.spectrum import fundamental_from_lines, peak_bin, running_median
from sigcheck.measure.track import BAND_HZ, Complex, Real

COHERENT_S = 8.0
WANDER_HZ = 0.15  # how far a block's mains fundamental is looked for from its mean
CHANCE = 1e-8  # of a cell of pure noise to count as a line
CHANCE_GIVEN = 1e-5  # of a cell at a place that another line has named
LEAST_DBC = -75.0  # weaker lines than any limit asks for are left in the noise
_MAINS = (50.0, 60.0)
_MAINS_SPAN_HZ = 1.0
_MAINS_USUAL_HZ = 0.3  # interconnected grids stay within 0.2 Hz in operation
_TELLING_ORDERS = 4  # rectified mains is strongest in its first harmonics
LOWEST_AUDIO_HZ = 60.0  # direct current, with the keying's own sidebands, comes through no receiver
_LOPSIDED = 11.0  # modulation is never more so from side to side; a lone carrier beside the tone is


@cache
def chance_limit(shape: int, chance: float) -> float:
    """What the sum of ``shape`` exponential variables of mean 1 exceeds with probability ``chance``."""
    from scipy.special import gammainccinv

    return float(gammainccinv(shape, chance))


class Periodogram:
    """Block-averaged periodogram of masked modulation, with its noise.

    ``upper`` and ``lower`` (bins,) are powers per block over the noise-equivalent number of samples: white
    noise of variance v per sample (at the carrier's rms) reads v in each. ``pair`` (bins,) is the sum over
    blocks of a pair's amplitude and angle powers, each over its own noise.
    """

    def __init__(self, y: Complex, m: Modulation, blocks: list[slice], *, floor_hz: float = 15.0) -> None:
        from scipy import fft

        longest = max(b.stop - b.start for b in blocks)
        self.size = fft.next_fast_len(2 * longest)
        stack = np.zeros((len(blocks), self.size), np.complex64)
        share = np.where(m.use, m.gain, np.float32(0.0)) ** 2
        weights = np.array([share[b].sum() for b in blocks], np.float64)
        for row, b in zip(stack, blocks, strict=True):
            row[: b.stop - b.start] = y[b] * share[b]
        spectra = fft.fft(stack, axis=1, overwrite_x=True)
        power = (spectra.real**2 + spectra.imag**2).sum(axis=0).astype(np.float64) / weights.sum()
        self.bin_hz = m.rate_hz / self.size
        half = min(self.size // 2, int(BAND_HZ / self.bin_hz))
        self.upper = power[: half + 1]
        self.lower = np.concatenate([power[:1], power[-1 : -half - 1 : -1]])
        self.blocks = len(blocks)
        self.each = spectra
        self.weights = weights
        self.effective = float((weights**2).sum() / weights.sum())  # samples that a line adds up over
        self.tone_hz = m.tone_hz
        self.reach = (max(0.0, -m.low_hz), max(0.0, m.high_hz))
        width = max(5, round(floor_hz / self.bin_hz) | 1)
        step = max(1, width // 60)
        self.noise_upper = _median_floor(self.upper, width, step, self.blocks)
        self.noise_lower = _median_floor(self.lower, width, step, self.blocks)
        self.first = max(2, round(m.lowest_hz / self.bin_hz))
        mirrored = np.concatenate([spectra[:, :1], spectra[:, -1 : -half - 1 : -1]], axis=1)
        # |Z(f) +- conj Z(-f)|^2 / 4 = (|Z(f)|^2 + |Z(-f)|^2 +- 2 Re Z(f) Z(-f)) / 4
        product = 2 * (spectra[:, : half + 1] * mirrored).real.sum(axis=0).astype(np.float64) / weights.sum()
        both = self.upper + self.lower
        am, pm = (np.maximum(both + part, 0.0) / 4 for part in (product, -product))
        self.noise_am = _median_floor(am, width, step, self.blocks)
        self.noise_pm = _median_floor(pm, width, step, self.blocks)
        sides = self.upper / self.noise_upper + self.lower / self.noise_lower
        # one quadrature's line far under the other's noise has neither level nor place: both must show it
        self.pair = self.blocks * np.minimum(sides, am / self.noise_am + pm / self.noise_pm)

    def pair_sum(self, f: Real) -> Real:
        """Blocks' powers of a line pair over the noise, summed over blocks and sides, at exact offsets.

        Where the passband cuts one side off, the other stands for both.
        """
        at, bins = f / self.bin_hz, np.arange(self.upper.size)
        upper = self.blocks * np.interp(at, bins, self.upper / self.noise_upper)
        lower = self.blocks * np.interp(at, bins, self.lower / self.noise_lower)
        pair = np.minimum(np.interp(at, bins, self.pair), _LOPSIDED * np.minimum(upper, lower))
        alone = np.where(self.reach[0] > self.reach[1], lower, upper)
        return np.asarray(np.where(f < min(self.reach), pair, 2 * alone))

    def pair_limit(self, chance: float) -> float:
        """What ``pair_sum`` exceeds by chance."""
        return chance_limit(2 * self.blocks, chance)

    def side_limit(self) -> float:
        """Mean power over noise of one side at which it counts."""
        return chance_limit(self.blocks, CHANCE) / self.blocks

    def followed(self, orders: list[int], fundamental: float, span_hz: float) -> Real:
        """The fundamental (blocks,) in each block, from all its harmonics together.

        Mains wanders, so each block is searched within ``span_hz`` of the mean; blocks in which the
        lines hardly stand out take what their neighbours say.
        """
        trial = fundamental + np.arange(-span_hz, span_hz + 1e-9, self.bin_hz / 4 / max(orders))
        bins = np.arange(self.upper.size)
        out = np.full(self.blocks, np.nan)
        for row in range(self.blocks):
            one = self.each[row]
            power = (one.real**2 + one.imag**2).astype(np.float64) / self.weights[row]
            both = power[: bins.size] + np.concatenate([power[:1], power[-1 : -bins.size : -1]])
            both /= self.noise_upper + self.noise_lower
            evidence = sum(np.interp(k * trial / self.bin_hz, bins, both) for k in orders)
            near = float(trial[int(np.argmax(evidence))])
            lines = [(k, peak_bin(both, round(k * near / self.bin_hz)) * self.bin_hz) for k in orders]
            weighed = [(k, f, float(both[round(f / self.bin_hz)])) for k, f in lines]
            weighed = [line for line in weighed if line[2] > 12.0]  # places a line to a fifth of its width
            if weighed:
                out[row] = fundamental_from_lines(weighed)
        known = np.flatnonzero(np.isfinite(out))
        if not known.size:
            return np.full(self.blocks, fundamental)
        return np.asarray(np.interp(np.arange(self.blocks), known, out[known]))

    def strongest(self, exclude: list[float]) -> float | None:
        """Offset of the line with the most power, among those that stand out; None when none does."""
        audible = np.abs(np.arange(self.lower.size) * self.bin_hz - self.tone_hz) > LOWEST_AUDIO_HZ
        lower = self.lower * audible
        ratio_upper, ratio_lower = self.upper / self.noise_upper, lower / self.noise_lower
        shown = np.maximum(ratio_upper, ratio_lower) > self.side_limit()
        both_reach = np.arange(shown.size) * self.bin_hz < min(self.reach)
        shown |= both_reach & (self.pair > self.pair_limit(CHANCE))
        shown[: self.first] = False
        guard = max(2, round(3.0 / (COHERENT_S * self.bin_hz)))
        for f in exclude:
            k = round(f / self.bin_hz)
            shown[max(0, k - guard) : k + guard + 1] = False
        if not shown.any():
            return None
        both = np.where(shown, np.maximum(self.upper, lower), 0.0)
        k = int(np.argmax(both))
        if both[k] / self.effective < 10 ** (LEAST_DBC / 10):
            return None
        side = self.upper if self.upper[k] >= lower[k] else self.lower
        return float(peak_bin(side, k) * self.bin_hz)

    def level(self, f: float) -> float:
        """Power of the stronger side at an offset over the tone's, noise included."""
        k = int(np.clip(round(f / self.bin_hz), 0, self.upper.size - 1))
        return float(max(self.upper[k], self.lower[k]) / self.effective)

    def noise_near(self, f: float) -> float:
        """Noise variance per sample near an offset, mean of both sides."""
        k = int(np.clip(round(f / self.bin_hz), 0, self.upper.size - 1))
        return float(0.5 * (self.noise_upper[k] + self.noise_lower[k]))

    def noises_near(self, f: float) -> tuple[float, float, float]:
        """Noise per sample near an offset: of a side, of the amplitude part, of the angle part."""
        k = int(np.clip(round(f / self.bin_hz), 0, self.upper.size - 1))
        return self.noise_near(f), float(self.noise_am[k]), float(self.noise_pm[k])

    def floor_dbc(self) -> float:
        """Level of the sides of a pair that would just have been detected, at a typical offset."""
        noise = float(np.median(np.concatenate([self.noise_upper, self.noise_lower])[self.first :]))
        over = self.pair_limit(CHANCE) / (2 * self.blocks) - 1.0
        return float(10 * np.log10(max(over * noise / self.effective, 1e-20)))


def _median_floor(power: Real, width: int, step: int, blocks: int) -> Real:
    coarse = power[: power.size // step * step].reshape(-1, step).mean(axis=1) if step > 1 else power
    # the median of a gamma distribution of shape k is about k (1 - 1/(9k))^3 (Wilson & Hilferty)
    shape = blocks * max(1.0, step / 2.0)
    level = running_median(coarse, max(5, width // step | 1)) / (1.0 - 1.0 / (9.0 * shape)) ** 3
    fine = np.repeat(level, step)
    return np.asarray(np.maximum(np.pad(fine, (0, power.size - fine.size), mode="edge"), 1e-20))


def mains_fundamental(p: Periodogram) -> float | None:
    """The mains frequency whose harmonics gather the most evidence, or None where none stands out."""
    found: float | None = None
    best = (-np.inf, 0.0)
    limit, given = p.pair_limit(CHANCE), p.pair_limit(CHANCE_GIVEN)
    for nominal in _MAINS:
        trial = np.arange(nominal - _MAINS_SPAN_HZ, nominal + _MAINS_SPAN_HZ, p.bin_hz / 16)
        evidence = np.zeros(trial.size)
        seen = np.zeros(trial.size, bool)
        for k in range(1, min(12, int(BAND_HZ / (nominal + _MAINS_SPAN_HZ))) + 1):
            if k * nominal < p.first * p.bin_hz:
                continue
            r = p.pair_sum(k * trial)
            evidence += np.where(r > given, r, 0.0)  # power over noise: the log-likelihood of a line
            if k <= _TELLING_ORDERS:
                seen |= r > limit
        evidence[~seen] = 0.0
        top = int(np.argmax(evidence))
        # copies that the keying makes of one family's line may gather upon the other's grid, all weaker
        # than itself; a line that both grids share decides nothing
        strongest = max(p.level(k * float(trial[top])) for k in range(1, _TELLING_ORDERS + 1))
        rank = (float(np.round(10 * np.log10(strongest + 1e-20))), float(evidence[top]))
        if evidence[top] > 0.0 and rank > best:
            best, found = rank, float(trial[top])
    if found is None:
        return None
    orders = [k for k in range(1, 13) if p.pair_sum(np.array([k * found]))[0] > given]
    odd_one = min(abs(found - nominal) for nominal in _MAINS) > _MAINS_USUAL_HZ
    if odd_one and (len(orders) < 2 or math.gcd(*orders) > 2):
        return None  # a lone line so far off is more likely something else
    both = p.upper + p.lower
    lines = [
        (k, peak_bin(both, round(k * found / p.bin_hz)) * p.bin_hz, float(p.pair_sum(np.array([k * found]))[0]))
        for k in orders
    ]
    lines = [line for line in lines if abs(line[1] - line[0] * found) < 2 * p.bin_hz]
    return fundamental_from_lines(lines) if lines else found
