"""Breaks of the phase at an unchanged frequency: samples lost or repeated."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sigcheck.measure.audio.cells import Cells, unwrapped
from sigcheck.measure.results import Dropout
from sigcheck.measure.spectrum import phasors
from sigcheck.measure.tone.smooth_carrier import carrier_cycles
from sigcheck.measure.track import Real, Track

_JUMP_SIDE_S = 0.2  # how long the phase on either side is compared: whole cycles of mains hum
_JUMP_CYCLES = 0.04  # 0.25 rad: keying and fading turn the phase by less, and lost samples rarely
_JUMP_SIGMAS = 8.0


@dataclass(frozen=True)
class PhaseJump:
    """An abrupt turn of the phase at an unchanged frequency."""

    time_s: float
    cycles: float  # within half a cycle; whole ones do not show


def phase_jumps(c: Cells, phase: Real) -> tuple[PhaseJump, ...]:
    """Jumps of the phase within unbroken key-down of 0.6 s and more.

    On either side of each moment the phase is compared over 0.2 s, a common frequency taken out. A
    jump must stand far out of the additive noise and of what the phase does elsewhere, must fit
    better than a change of frequency at the same place, and the level must hold through it: in a
    deep fade the phase turns of itself.
    """
    side = max(4, round(_JUMP_SIDE_S / c.length_s))
    runs = np.append(c.run_start, c.t.size)
    found: list[PhaseJump] = []
    for a, b in pairwise(runs):
        if b - a >= 3 * side:
            found += _jumps_in(c.t[a:b], c.s[a:b], c.seconds[a:b], phase[a:b], c.noise_density, side)
    return tuple(found)


def _jumps_in(
    t: Real, s: NDArray[np.complex128], seconds: Real, phase: Real, density: float, side: int
) -> list[PhaseJump]:
    rest = s * phasors(-phase)
    level = float(np.median(np.abs(rest) / seconds))
    sigma = np.sqrt(density / (2 * level**2 * float(np.median(seconds)))) / (2 * np.pi)  # cycles, of one cell
    if sigma > 0.12:  # so noisy that the cells' own phases are ambiguous
        return []
    y = phase + unwrapped(rest)
    u = np.arange(side) + 0.5
    n, s1, s2 = 2 * side, 2 * u.sum(), 2 * (u**2).sum()
    weights = 2 * (s2 - s1 * u) / (s2 * n - s1**2)  # of a jump beside a slope, for the later side
    kernel = np.concatenate([weights[::-1] * -1, weights])
    jump = np.correlate(y, kernel, mode="valid")  # at the boundary before cell k + side
    noise = sigma * np.sqrt(float(kernel @ kernel))
    usual = 1.4826 * float(np.median(np.abs(jump)))
    limit = max(_JUMP_SIGMAS * noise, _JUMP_SIGMAS * usual, _JUMP_CYCLES)
    out: list[PhaseJump] = []
    # In noise the unwrapped phase slips by whole cycles now and then: these are no jumps.
    left = np.abs(jump - np.round(jump))
    while left.size and left.max() > limit and len(out) < 50:
        k = int(np.argmax(left))
        around = slice(k, k + 2 * side)
        if abs(jump[k]) < 0.5 and _is_clean_jump(y[around], np.abs(s[around]) / seconds[around], jump[k]):
            out.append(PhaseJump(float(0.5 * (t[k + side - 1] + t[k + side])), float(jump[k])))
        left[max(0, k - 2 * side) : k + 2 * side] = 0.0
    return out


def _is_clean_jump(y: Real, level: Real, jump: float) -> bool:
    """Whether a jump explains the phase far better than a kink, and the level holds meanwhile."""
    side = y.size // 2
    u = np.arange(y.size) - y.size / 2 + 0.5
    straight = np.column_stack([np.ones_like(u), u])
    misfits = []
    for shape in (np.sign(u), np.maximum(u, 0.0), u**2):
        design = np.column_stack([straight, shape])
        misfits.append(float(np.sum((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2)))
    middle = level[side - 5 : side + 5].min()
    within = abs((y[side + 1] - y[side - 2]) / jump - 1.0) < 0.5  # the whole of it inside three cells
    return bool(misfits[0] < 0.4 * min(misfits[1:]) and within and middle > 0.4 * np.median(level))


def phase_breaks(track: Track) -> tuple[Dropout, ...]:
    """Jumps of the phase at an unchanged frequency: samples lost or repeated in the recorder.

    ``length_s`` is the shortest stretch of the tone that makes the jump; whole cycles more or fewer
    leave the same. Claimed only within steady signals and marks of 0.6 s and more.
    """
    if track.tone_missing is not None:
        return ()
    c = track.cells
    if c.t.size < 8:
        return ()
    jumps = phase_jumps(c, carrier_cycles(c, track))
    return tuple(
        Dropout(time_s=j.time_s, length_s=abs(j.cycles) / max(track.tone_hz, 1.0), how="phase-break") for j in jumps
    )
