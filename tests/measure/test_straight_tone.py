"""A weak keyed tone as one straight course: slips and marks of noise are mended, what is not straight is left."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sigcheck.measure.audio.cells import Cells, cells
from sigcheck.measure.tone.following import Rough
from sigcheck.measure.tone.straight import Straight, straightened
from sigcheck.measure.track import Marks
from tests.measure.tones import Tone, key_edges, tone

EDGES = key_edges("VVV DE Q5KAP", 0.1, 1.0, 29.5)
NOISE_S = (0.3, 0.45)  # a mark where nothing is sent


def true_cycles(one: Tone, c: Cells) -> np.ndarray:
    off = one.frequency_hz - one.base.path_hz
    return np.interp(c.t, np.arange(off.size) / one.base.rate_hz, np.cumsum(off) / one.base.rate_hz)


def with_noise_mark(marks: Marks, rate_hz: float) -> Marks:
    a, b = (round(t * rate_hz) for t in NOISE_S)
    down = marks.down.copy()
    down[a:b] = True
    return replace(marks, down=down)


def measured(one: Tone, marks: Marks, wrong: np.ndarray | None = None) -> Straight | None:
    c = cells(one.base, marks.down)
    phase = true_cycles(one, c) + (0.0 if wrong is None else wrong)
    return straightened(one.base, marks, c, Rough(phase, True, 1.0))


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("rate", [0.0, 0.05])
def test_a_slipped_cycle_and_a_mark_of_noise_are_mended(seed: int, rate: float) -> None:
    t = np.arange(30 * 4800) / 4800
    one = tone(edges=EDGES, snr_db=-6, offset_hz=0.4 + rate * (t - 15), rng=np.random.default_rng(seed))
    marks = with_noise_mark(one.marks, one.base.rate_hz)
    c = cells(one.base, marks.down)
    # the phase followed into the noise, and a cycle lost at 12 s
    found = measured(one, marks, 1.0 * (c.t > 12.0) + 0.3 * (c.t < 0.5))
    assert found is not None
    off = found.rough.phase - true_cycles(one, found.cells)
    # C/N0 of 628 Hz over 14 s knows the phase to 0.0012 cycles in the middle, and at the ends three times less well
    assert np.ptp(off) < 0.03
    assert found.cells.t.min() > NOISE_S[1]


def test_edges_of_weak_marks_are_placed_along_the_phase() -> None:
    """Key-down that is 12 ms late at each edge comes right to about N0 / A^2 = 2.5 ms."""
    one = tone(edges=EDGES, snr_db=-8, offset_hz=0.0, rng=np.random.default_rng(5))
    late = replace(one.marks, down=np.roll(one.marks.down, round(0.012 * one.base.rate_hz)))
    found = measured(one, late)
    assert found is not None
    wrong = np.sum(found.heard != one.marks.down) / one.base.rate_hz / (2 * EDGES[0].size)
    assert wrong < 0.005  # 12 ms before; each cell is 4 ms


def test_strong_and_bent_tones_are_left_alone() -> None:
    strong = tone(edges=EDGES, snr_db=20, offset_hz=0.0)
    assert measured(strong, strong.marks) is None
    t = np.arange(30 * 4800) / 4800
    bent = tone(edges=EDGES, snr_db=-4, offset_hz=1.5 * np.sin(2 * np.pi * t / 11.0))
    assert measured(bent, bent.marks) is None
