"""Retuned, or another station for a while: the path of the followed tone."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.tone.own_pieces import own_pieces

OURS, OTHER = 62, 99


def blocks(rng: np.random.Generator, ours: slice, other: slice, level: float) -> np.ndarray:
    """Power (60, 200) over noise of mean 1, our signal 40 dB over it; without ours a gain control adds 15 dB."""
    power = rng.exponential(1.0, (60, 200, 8)).mean(axis=2)
    power[other, OTHER] += level * 1e4
    power[ours, OURS] += 1e4
    away = np.ones(60, bool)
    away[ours] = False
    power[away] *= 30.0
    return power


@pytest.mark.parametrize("level", [0.3, 0.01])
def test_another_station_that_goes_on_when_ours_stops_is_not_followed(level: float) -> None:
    power = blocks(np.random.default_rng(1), slice(5, 40), slice(0, 60), level)
    path = np.where((np.arange(60) >= 5) & (np.arange(60) < 40), OURS, OTHER)
    assert set(own_pieces(path, power, jump=3)) == {OURS}


def test_a_retuned_transmitter_is_followed() -> None:
    power = blocks(np.random.default_rng(2), slice(0, 30), slice(30, 60), 1.0)
    path = np.where(np.arange(60) < 30, OURS, OTHER)
    np.testing.assert_array_equal(own_pieces(path, power, jump=3), path)


def test_a_slide_through_silence_is_a_jump_too() -> None:
    power = blocks(np.random.default_rng(3), slice(0, 40), slice(0, 60), 0.05)
    power[38:50, OTHER] = 1.0  # the other pauses, and meanwhile the path creeps over at small cost
    path = np.concatenate([np.full(38, OURS), np.linspace(OURS, OTHER, 13).astype(int)[:12], np.full(10, OTHER)])
    assert np.all(np.abs(own_pieces(path, power, jump=3)[:38] - OURS) == 0)
    assert np.all(own_pieces(path, power, jump=3)[50:] <= OURS + 6)


def test_a_steady_path_is_left_alone() -> None:
    power = blocks(np.random.default_rng(4), slice(0, 60), slice(0, 0), 0.0)
    path = np.full(60, OURS)
    assert own_pieces(path, power, jump=3) is path
