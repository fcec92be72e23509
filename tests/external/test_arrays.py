"""The arrays of these checks themselves, against the formulas that they are meant to follow."""

from __future__ import annotations

import numpy as np
import pytest

from .arrays import elements, envelope, keyed, times, width_holding, width_within, word_lines
from .test_bandwidth_published import OCCUPIED


def test_standard_word_has_fifty_units_and_its_mean_power() -> None:
    on, off = elements("PARIS PARIS ", 0.1, 0.0)
    assert on[14] - on[0] == pytest.approx(5.0)
    # 22 of 50 units key-down: 0.4400, -3.565 dB
    share = (off[:14] - on[:14]).sum() / 5.0
    assert 10 * np.log10(share) == pytest.approx(-3.565, abs=0.001)


@pytest.mark.parametrize(("wpm", "edge_ms"), OCCUPIED)
def test_fourier_series_of_the_standard_word_gives_the_table(wpm: int, edge_ms: int) -> None:
    # one word is one period; the table's figures are whole lines, printed to a tenth
    spacing, lines = word_lines(wpm, edge_ms / 1000)
    occupied, within = OCCUPIED[wpm, edge_ms]
    assert width_holding(spacing, lines, 0.01) == pytest.approx(occupied, abs=0.05)
    assert width_within(spacing, lines, 26) == pytest.approx(within, abs=0.05)


@pytest.mark.parametrize(
    ("shape", "factor"), [("linear", 0.8), ("cosine", 0.5903), ("rc", 2.1972), ("gauss", 2.5631)]
)
def test_edges_have_their_build_up_time(shape: str, factor: float) -> None:
    t = times(0.3, 96_000)
    edge = envelope(t, [0.1], [0.25], shape, 0.004)
    first, last = (np.flatnonzero(edge > level)[0] for level in (0.1, 0.9))
    assert (last - first) / 96_000 == pytest.approx(factor * 0.004, abs=3e-5)
    first, last = (np.flatnonzero(edge > level)[-1] for level in (0.1, 0.9))
    assert (first - last) / 96_000 == pytest.approx(factor * 0.004, abs=3e-5)


def test_keyed_holds_whole_words_and_its_noise() -> None:
    x = keyed("PARIS ", 20, 12_000, seconds=10.0, cn0_dbhz=60.0)
    quiet = x[:10_000]
    # C/N0 of 60 dBHz: carrier power 0.125 over noise of 6000 Hz
    assert 10 * np.log10(0.125 / (quiet.var() / 6000)) == pytest.approx(60, abs=0.3)
    assert np.abs(x[-6000:]).max() < 0.25  # noise alone: sigma 0.027
