"""Hum about the instantaneous tone: of a tone that is shifted, and of one that takes four."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.pipeline import measure
from sigcheck.recording import from_samples

RATE = 8000
AMPLITUDE_DBC, ANGLE_DBC = -35.0, -38.0
SYMBOL_S, SPACING_HZ = 8192 / 12000, 12000 / 8192  # of the open two-minute four-tone protocol


@pytest.mark.parametrize("kind", ["shifted", "four-tone"])
def test_hum_is_measured_relative_to_the_instantaneous_tone(kind: str) -> None:
    """AM index m gives sides of m/2, angle index b of b/2, whatever the tone does meanwhile."""
    rng = np.random.default_rng(81)
    t = np.arange(115 * RATE) / RATE
    if kind == "shifted":
        hz = 1000.0 + 5.0 * np.repeat(rng.integers(0, 2, 40), 3 * RATE)[: t.size]
        on = np.ones(t.size)
    else:
        symbol = np.floor((t - 1.0) / SYMBOL_S).astype(int)
        on = ((symbol >= 0) & (symbol < 162)).astype(float)
        hz = 1500.0 + SPACING_HZ * rng.integers(0, 4, 162)[np.clip(symbol, 0, 161)]
    mains = 50.03
    am = 2 * 10 ** (AMPLITUDE_DBC / 20) * np.cos(2 * np.pi * 2 * mains * t + 1)
    pm = 2 * 10 ** (ANGLE_DBC / 20) * np.sin(2 * np.pi * mains * t)
    x = 0.2 * on * (1 + am) * np.cos(2 * np.pi * np.cumsum(hz) / RATE + pm)
    x += 0.2 / np.sqrt(2) / 10 * np.sqrt(4000 / 2500) * rng.standard_normal(t.size)  # 20 dB in 2500 Hz
    lines = measure(from_samples(x.astype(np.float32), RATE)).measurements.lines
    found = {b.order: b for b in lines.sidebands if b.family}
    # 20 dB in 2500 Hz over 110 s: the noise in a line's own resolution is at -74 dBc, 0.1 dB; the shifts cost some
    assert found[2].nature == "amplitude" and found[2].level_dbc == pytest.approx(AMPLITUDE_DBC, abs=0.3)
    assert found[1].nature == "angle" and found[1].level_dbc == pytest.approx(ANGLE_DBC, abs=0.5)
    assert lines.mains_hz == pytest.approx(mains, abs=0.003)
    assert lines.spurs == ()
