"""Frequencies of single elements: what is not the oscillator's is taken off, what is stays.

All records are written down by hand: the truth is what was put in.
"""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.course.own_frequencies import alike_at_any_length, without_odd_ones
from sigcheck.measure.course.phase_record import Record
from sigcheck.measure.course.steps import confirmed, inside

DIT_S = 0.1
LENGTHS = (1, 1, 1, 3, 3, 1, 1, 1, 3, 1, 3, 1, 1, 3)  # in dits


def elements(hz: np.ndarray | float, seed: int = 1, *, count: int = 42, level: np.ndarray | float = 1.0) -> Record:
    """Elements of Morse a dit apart; their sigma goes as length^-1.5 / level (Cramer-Rao), 0.02 Hz for a dit."""
    rng = np.random.default_rng(seed)
    seconds = DIT_S * np.resize(np.array(LENGTHS, float), count)
    first = np.cumsum(seconds + DIT_S) - seconds
    var = (0.02 * (DIT_S / seconds) ** 1.5 / level) ** 2
    t = first + seconds / 2
    y = np.broadcast_to(np.asarray(hz, float), count) + np.sqrt(var) * rng.standard_normal(count)
    return Record(
        is_phase=False, base_hz=700.0, t=t, y=y, var=var, seconds=seconds, spread=seconds**2 / 12,
        first=first, last=first + seconds, group=np.zeros(count, np.intp),
        middle_s=float(np.average(t, weights=seconds)), start_s=float(first[0]),
    )  # fmt: skip


def test_a_chirp_pulls_dits_and_dahs_alike_once_it_is_taken_off() -> None:
    count = 42
    long = np.resize(np.array(LENGTHS), count) == 3
    r = elements(np.where(long, 0.0, 1.5))
    flat = alike_at_any_length(r)
    assert float(flat.y.std()) < 0.04
    assert float(np.average(flat.y, weights=r.seconds)) == pytest.approx(
        float(np.average(r.y, weights=r.seconds)), abs=1e-9
    )


def test_a_chirp_is_taken_off_beside_jumps_too() -> None:
    count = 42
    long = np.resize(np.array(LENGTHS), count) == 3
    jumps = np.where(np.arange(count) > 8, 6.0, 0.0) - np.where(np.arange(count) > 17, 8.0, 0.0)
    flat = alike_at_any_length(elements(np.where(long, 0.0, 1.0) + jumps))
    rest = flat.y - jumps
    # the sum of some ten dits' differences: their sigma over the root of that many, three times
    assert abs(float(rest[long].mean() - rest[~long].mean())) < 0.03


@pytest.mark.parametrize("at", [0, 1, 20, 40, 41])
def test_one_odd_element_is_left_out(at: int) -> None:
    hz = np.zeros(42)
    hz[at] = 5.0
    assert without_odd_ones(elements(hz)).t.size == 41


def test_faint_marks_before_and_after_a_transmission_are_left_out() -> None:
    hz, level = np.zeros(42), np.ones(42)
    hz[:3], level[:3] = (1.6, -3.7, 16.0), 0.1
    hz[-2:], level[-2:] = (-4.0, 2.0), 0.1
    assert without_odd_ones(elements(hz, level=level)).t.size == 37


def test_a_faded_element_on_the_frequency_stays() -> None:
    level = np.ones(42)
    level[10:20] = 0.15
    assert without_odd_ones(elements(0.0, level=level)).t.size == 42


def test_jumps_and_stairs_stay() -> None:
    hz = np.where(np.arange(42) % 12 < 6, 0.0, 3.0)
    assert without_odd_ones(elements(hz)).t.size == 42
    assert without_odd_ones(elements(np.arange(42) // 7 * 2.0)).t.size == 42


def test_a_step_that_the_elements_show_is_confirmed_and_one_that_they_don_t_refuted() -> None:
    shown = elements(np.where(np.arange(42) > 20, 2.0, 0.0))
    at = 0.5 * float(shown.last[20] + shown.first[21])
    flat = elements(0.0, seed=2)
    base = np.ones((42, 1))
    assert confirmed((at,), base, shown, shown) == pytest.approx((at,))
    assert confirmed((at,), base, shown, flat) == ()


def test_a_drift_confirms_no_step() -> None:
    """Over all elements a drift of 4 Hz looks like half as much of a step: only the nearest are asked."""
    stepped = elements(np.where(np.arange(42) > 20, 2.0, 0.0))
    drifting = elements(np.linspace(-2.0, 2.0, 42), seed=3)
    at = 0.5 * float(stepped.last[20] + stepped.first[21])
    assert confirmed((at,), np.ones((42, 1)), stepped, drifting) == ()


def test_steps_need_two_elements_or_three_blocks_on_each_side() -> None:
    r = elements(0.0)
    between = 0.5 * (r.last[:-1] + r.first[1:])
    assert inside(list(between), r) == list(between[1:-1])
