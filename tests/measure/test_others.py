"""Other signals beside a keyed one: what its own key leaves in the gaps is none, what is there is found."""

from __future__ import annotations

import numpy as np
import pytest
from plain_audio import keyed, tone_and_noise

from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Lines, OtherSignal
from sigcheck.recording import from_samples

RATE = 12000.0
TONE_HZ = 713.4


def others(leak_db: float, wpm: float, seed: int, *, beside: tuple[float, float] | None = None) -> list[OtherSignal]:
    t = np.arange(round(20 * RATE)) / RATE
    leak = 10 ** (leak_db / 20)
    x, t = tone_and_noise(
        np.random.default_rng(seed), envelope=leak + (1 - leak) * keyed(t, wpm=wpm, edge_s=0.01), snr_db=35.0
    )
    if beside is not None:
        x = x + np.float32(0.2 * 10 ** (beside[1] / 20)) * np.cos(2 * np.pi * (TONE_HZ + beside[0]) * t + 1)
    m = measure(from_samples(x.astype(np.float32), RATE)).measurements
    return [o for o in m.lines.others if o.level_dbc > -60]


@pytest.mark.parametrize(("wpm", "leak_db"), [(10.0, -15.0), (16.0, -25.0), (21.0, -20.0), (24.0, -33.0)])
def test_a_leak_keyed_by_its_own_gaps_is_no_other_signal(wpm: float, leak_db: float) -> None:
    assert others(leak_db, wpm, 31) == []


def test_a_carrier_beside_a_leak_is_found() -> None:
    # 20 dB under the leak, at a place that no multiple of the dit rate of 13.3 Hz comes near
    (one,) = others(-18.0, 16.0, 32, beside=(47.0, -38.0))
    assert one.frequency_hz == pytest.approx(TONE_HZ + 47.0, abs=0.2)
    assert one.level_dbc == pytest.approx(-38.0, abs=1.0) and not one.keyed


@pytest.mark.parametrize("hz", [100.07, 180.0, 350.1])
def test_the_gaps_pattern_makes_no_second_line_of_one(hz: float) -> None:
    """14 WPM: half the unit's rate is 5.8 Hz, and a copy there 10 dB below the line; 355.9 is six times 59.3."""
    t = np.arange(round(20 * RATE)) / RATE
    rng = np.random.default_rng(33)
    x, _ = tone_and_noise(rng, envelope=keyed(t, wpm=14), snr_db=35.0, hz=703.4, band=(80.0, 2700.0))
    x = x + np.float32(0.2 * 10 ** (-30 / 20)) * np.cos(2 * np.pi * hz * t)
    m = measure(from_samples(x.astype(np.float32), RATE)).measurements
    if hz < 200:
        assert m.lines.others == ()
        assert m.purity.hum_dbc == pytest.approx(-30.0, abs=0.5)
    else:
        assert [round(o.frequency_hz, 1) for o in m.lines.others] == [hz]
        assert m.purity.hum_dbc is None and "hum_dbc" in m.purity.missing


def steady(*, moves_hz: float, line_follows: bool) -> Lines:
    """A tone that moves in 30 s, as it warms up, with a line 20 dB below it that moves with it or stays."""
    t = np.arange(round(30 * RATE)) / RATE
    moved = moves_hz * np.exp(-t / 10.0)
    phase = 2 * np.pi * np.cumsum(TONE_HZ + moved) / RATE
    x, _ = tone_and_noise(np.random.default_rng(34), seconds=30.0, envelope=np.zeros(t.size), snr_db=30.0)
    offset = 2 * np.pi * 341.5 * t
    line = np.cos(phase + offset) if line_follows else np.cos(2 * np.pi * TONE_HZ * t + offset)
    x = x + np.float32(0.2) * np.cos(phase) + np.float32(0.02) * line
    return measure(from_samples(x.astype(np.float32), RATE)).measurements.lines


@pytest.mark.parametrize("line_follows", [True, False])
def test_a_line_that_moves_with_the_tone_is_its_own(line_follows: bool) -> None:
    lines = steady(moves_hz=8.0, line_follows=line_follows)
    own = [spur for spur in lines.spurs if spur.level_dbc > -40.0]
    foreign = [o for o in lines.others if o.level_dbc > -40.0]
    assert (len(own), len(foreign)) == ((1, 0) if line_follows else (0, 1))
    # a moving line may lose a tenth of its power to its course
    assert (own + foreign)[0].level_dbc == pytest.approx(-20.0, abs=0.5)


def test_a_station_beyond_the_passband_is_no_line_of_a_steady_tone() -> None:
    """It is keyed, and 36 dB below the tone once a filter of 250 Hz has let through what it does."""
    t = np.arange(round(40 * RATE)) / RATE
    rng = np.random.default_rng(35)
    x, _ = tone_and_noise(rng, seconds=40.0, snr_db=20.0, hz=1105.0, band=(960.0, 1210.0))
    x = x + np.float32(0.2 * 10 ** (-36 / 20)) * keyed(t, wpm=19, edge_s=0.005) * np.cos(2 * np.pi * 1406.0 * t)
    lines = measure(from_samples(x.astype(np.float32), RATE)).measurements.lines
    assert lines.spurs == () and lines.sidebands == ()
    assert [(round(o.frequency_hz), o.keyed) for o in lines.others] == [(1406, True)]
