"""Slow keying against published timing and bandwidth, and the bound of frequency estimation."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure import carrier, slow, spectrum
from sigcheck.measure.keyed import segmentation
from sigcheck.measure.slowly import results as slow_results
from tests.independent.slow import Slow, samples

RATE = 6000


def _read(s: Slow) -> slow.SlowKeying:
    survey = spectrum.survey(samples(s).astype(np.float32), RATE, top_hz=RATE / 2)
    found = carrier.find(survey, top_hz=0.48 * RATE)
    assert not isinstance(found, carrier.NotFound)
    read = slow.find(survey, found, segmentation.segment(found))
    assert read is not None
    return read


# The standard word PARIS has 50 units and a unit lasts 1.2 s / WPM (Pierpont, The Art and Skill of
# Radio-Telegraphy, ch. 24); slow Morse is named by its dit, 3 s are 0.4 WPM (common practice, no source).
# Necessary bandwidth of telegraphy by shift, Bn = B + 2 D K, K = 1.2 (47 CFR 2.202(g), ITU-R SM.1138).
@pytest.mark.parametrize(("dit_s", "wpm", "width_hz"), [(1.0, 1.2, 7.0), (3.0, 0.4, 6.33)])
def test_standard_word_by_shift(dit_s: float, wpm: float, width_hz: float) -> None:
    s = Slow(mode="fskcw", text="PARIS ", dit_s=dit_s, shift_hz=5.0, seconds=110 * dit_s, snr_db=5.0)
    keying = slow_results.measure_keying(_read(s))
    assert keying.text is not None and keying.text.split()[:2] == ["PARIS", "PARIS"]
    # edges lie on a grid of 5 ms; a dit and its gap are averaged over some twenty of them
    assert keying.wpm == pytest.approx(wpm, rel=0.005)
    assert keying.dah_dit_ratio == pytest.approx(3.0, abs=0.02)  # Rec. ITU-R M.1677-1: 1 and 3 units
    assert keying.necessary_bandwidth_hz == pytest.approx(width_hz, abs=0.02)


def test_shift_at_the_bound() -> None:
    """Runs of unknown phase: var f = 6 / ((2 pi)^2 (C/N0) T^3) each (Rife and Boorstyn 1974, for many samples)."""
    errors, bounds = [], []
    for seed in range(4):
        s = Slow(mode="fskcw", dit_s=1.0, seconds=60, snr_db=-8.0, seed=seed, broken_phase=True)
        read = _read(s)
        runs = read.runs
        density = 2500 * 10 ** (s.snr_db / 10)
        weight = (2 * np.pi) ** 2 * density * runs.length_s**3 / 6
        bounds.append(sum(1 / weight[runs.state == state].sum() for state in (0, 1)))
        errors.append(read.fit.shift_hz - s.shift_hz)
        assert abs(errors[-1]) < 4 * read.fit.shift_sigma
    # The ends of each run are left out (up to 8 % on either side: half of the T^3) and the drift is left free:
    # twice the bound in deviation; of four, the rms scatters by 0.35 of itself, two of which and more are allowed.
    assert np.sqrt(np.mean(np.square(errors))) < 2.0 * 1.9 * np.sqrt(np.mean(bounds))
