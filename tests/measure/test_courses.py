"""Courses of frequency and the search for them, on records whose values are closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sigcheck.measure.course.phase_record import Record
from sigcheck.measure.course.search import Course, best_cycle, best_tau, fast_wave, refined
from sigcheck.measure.course.steps import best_steps, confirmed, fewer_steps, is_even_stair, joined, placed

SIGMA = 1e-3  # cycles, or hertz


def record(*, is_phase: bool = True, n: int = 120, seconds: float = 60.0, key: bool = False) -> Record:
    """Even blocks; ``key``: each is 0.3 s of key-down in its middle, of 0.5 s."""
    edges = np.linspace(0, seconds, n + 1)
    first, last = edges[:-1], edges[1:]
    if key:
        first, last = first + 0.1, last - 0.1
    t = 0.5 * (first + last)
    return Record(
        is_phase=is_phase, base_hz=700.0, t=t, y=np.zeros(n), var=np.full(n, SIGMA**2), seconds=last - first,
        spread=(last - first) ** 2 / 12, first=first, last=last, group=np.zeros(n, np.intp), middle_s=seconds / 2,
        start_s=0.0, runs=np.column_stack([first, last]),
    )  # fmt: skip


def noisy(r: Record, y: np.ndarray, seed: int = 1) -> Record:
    return replace(r, y=y + SIGMA * np.random.default_rng(seed).standard_normal(r.t.size))


@pytest.mark.parametrize("is_phase", [True, False])
@pytest.mark.parametrize("tau", [4.0, 17.0])
def test_the_time_constant_is_found(is_phase: bool, tau: float) -> None:
    r = record(is_phase=is_phase)
    r = noisy(r, 3.0 * r.decay(tau) + 0.2 * r.constant())
    assert refined(Course("warm-up", tau_s=best_tau(r)), r).tau_s == pytest.approx(tau, rel=0.01)


@pytest.mark.parametrize("slope", [True, False])
def test_the_rate_of_a_cycle_is_found(slope: bool) -> None:
    r = record()
    y = r.waves(0.0613) @ np.array([0.5, -0.4]) + 0.02 * slope * r.slope()
    found = best_cycle(noisy(r, y), slope)
    assert found == pytest.approx(0.0613, rel=0.005)


def test_a_cycle_faster_than_the_blocks_are_merged_is_a_line_and_noise_is_none() -> None:
    r = record(n=600)
    wave = fast_wave(noisy(r, r.waves(1.37) @ np.array([0.1, 0.05])))
    assert wave is not None
    assert wave.hz == pytest.approx(1.37, abs=4 * wave.hz_sigma)
    assert wave.hz_sigma < 1e-3
    assert np.hypot(*wave.size) == pytest.approx(np.hypot(0.1, 0.05), abs=4 * wave.sigma)
    assert fast_wave(noisy(r, np.zeros(600))) is None


@pytest.mark.parametrize(
    "course",
    [Course("warm-up", tau_s=12.0), Course("cyclic", cycle_hz=0.07), Course("steps", slope=True, steps_s=(9.27, 33.3))],
)
@pytest.mark.parametrize("is_phase", [True, False])
def test_tangents_are_the_change_with_the_place(course: Course, is_phase: bool) -> None:
    """Against the difference of the course itself, moved a little either way."""
    r = record(is_phase=is_phase, key=True)
    sizes = np.array([0.3, 1.0, -0.7][: course.columns(r).shape[1]])
    tangents = course.tangents(r, sizes)
    little = 2e-4 if course.cycle_hz is None else 2e-6
    for k in range(tangents.shape[1]):
        by = little * (np.arange(tangents.shape[1]) == k)
        change = (course.moved(by, r).columns(r) - course.moved(-by, r).columns(r)) @ sizes / (2 * little)
        assert tangents[:, k] == pytest.approx(change, abs=0.02 * np.abs(change).max())


def test_hinges_know_where_the_key_was_down() -> None:
    """A step within a block that has a gap: against fine sums over the key-down."""
    r = record(n=60, key=True)
    two = r.merged(30)  # 0.8 s down in 2 s: from 0.1 to 0.9 and from 1.1 to 1.9
    fine = np.arange(0, 60, 1e-3) + 5e-4
    down = (fine % 1.0 > 0.1) & (fine % 1.0 < 0.9)
    for at in (20.5, 21.0, 21.7):
        whole = np.where(fine > at, fine - at, 0.0)
        block = slice(20000, 22000)
        expected = whole[block][down[block]].mean()
        assert two.hinges(np.array([at]))[10, 0] == pytest.approx(expected, abs=1e-3)
    # the slope of a straight line through the phase of one element with a bend in it, by least squares
    f = record(n=60, key=True, is_phase=False)
    u = np.linspace(0, 0.8, 8001)
    for x in (0.2, 0.5, 0.9):
        bent = np.maximum(u - 0.8 * x, 0.0)
        expected = np.polyfit(u, bent, 1)[0]
        assert f.hinges(np.array([20.1 + 0.8 * x]))[20, 0] == pytest.approx(expected, abs=1e-3)


def test_steps_are_found_placed_and_counted() -> None:
    r = record(key=True)
    truth = (11.27, 30.0, 47.91)
    r = noisy(r, r.hinges(np.array(truth)) @ np.array([0.8, -1.5, 0.4]))
    found = best_steps(r, Course("constant"), 20.0, 10)
    base = Course("constant").design(r)
    found = fewer_steps(found, base, r, 20.0)
    # the phase knows a place to some sigma / size = 2 ms
    assert found == pytest.approx(truth, abs=0.01)
    assert best_steps(noisy(record(), np.zeros(120)), Course("constant"), 20.0, 10) == ()


def test_two_steps_beside_each_other_are_one() -> None:
    assert joined([10.0, 10.3, 25.0], np.array([1.0, 3.0, 2.0]), 0.3) == pytest.approx([10.225, 25.0])
    r = record()
    r = noisy(r, r.hinges(np.array([20.1])) @ np.array([1.0]))
    assert fewer_steps((19.9, 20.4), Course("constant").design(r), r, 20.0) == pytest.approx((20.1,), abs=0.01)


def test_a_stair_is_even_or_not() -> None:
    r = record()
    even, uneven = (10.0, 20.0, 30.0, 40.0, 50.0), (10.0, 14.0, 30.0, 33.0, 50.0)
    base = Course("constant").design(r)
    for places, expected in ((even, True), (uneven, False)):
        one = noisy(r, r.hinges(np.array(places)) @ np.full(5, 0.5))
        assert is_even_stair(tuple(placed(one, base, list(places))), base, one) is expected


def test_what_the_elements_contradict_is_no_step() -> None:
    """A cycle lost at 20 s looks like two steps with opposite signs; the elements' frequencies stand still."""
    r = record(key=True)
    y = 1.0 * (r.t > 20.0)
    base = Course("constant").design(r)
    still = noisy(record(is_phase=False, key=True), np.zeros(120))
    assert confirmed((19.6, 20.4), base, noisy(r, y), still) == ()
    moved = record(is_phase=False, key=True)
    real = r.hinges(np.array([20.13])) @ np.array([0.8])
    seen = noisy(moved, moved.hinges(np.array([20.13]))[:, 0] * 0.8)
    assert confirmed((20.13,), base, noisy(r, real), seen) == pytest.approx((20.13,))
