"""Sidebands, distortion and noise on signals whose values follow from formulas.

All run the real path: survey, find, segment, refine, then the measurement.
"""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Measurements
from sigcheck.recording import from_samples
from tests.measure.plain_audio import Real, keyed, tone_and_noise

RATE = 12000.0


def measured(x: Real, rate_hz: float = RATE) -> Measurements:
    return measure(from_samples(np.asarray(x, np.float32), rate_hz)).measurements


def times(seconds: float) -> Real:
    return np.arange(round(seconds * RATE)) / RATE


@pytest.mark.parametrize("wpm", [None, 12.0, 15.0, 25.0])
@pytest.mark.parametrize("mains", [49.93, 60.04])
def test_am_and_pm_sidebands_have_level_nature_and_family(wpm: float | None, mains: float) -> None:
    """AM m/2, PM beta/2 (small index); through the gaps of keying as well."""
    t = times(25)
    envelope = np.ones(t.size) if wpm is None else keyed(t, wpm=wpm)
    am, pm = 10 ** (-32 / 20) * 2, 10 ** (-35 / 20) * 2
    envelope = envelope * (1 + am * np.cos(2 * np.pi * 2 * mains * t + 1))
    x, _ = tone_and_noise(
        np.random.default_rng(1), seconds=25, snr_db=30, envelope=envelope, phase=pm * np.sin(2 * np.pi * mains * t)
    )
    lines = measured(x).lines
    at = {round(b.offset_hz / mains): b for b in lines.sidebands if b.family}
    # 30 dB in 2500 Hz over some 10 s of key-down: a line at -32 dBc stands 40 dB over its noise (0.1 dB)
    assert at[2].level_dbc == pytest.approx(-32, abs=0.4)
    assert (at[2].nature, at[2].family) == ("amplitude", "twice-mains")
    assert at[2].am_index == pytest.approx(am, rel=0.05)
    assert at[1].level_dbc == pytest.approx(-35, abs=0.4)
    assert (at[1].nature, at[1].family) == ("angle", "mains")
    assert at[1].pm_index_rad == pytest.approx(pm, rel=0.05)
    assert lines.mains_hz == pytest.approx(mains, abs=0.01)


@pytest.mark.parametrize("wpm", [8.0, 12.0, 15.0, 20.0, 25.0, 30.0])
def test_keying_alone_makes_no_lines(wpm: float) -> None:
    t = times(30)
    x, _ = tone_and_noise(np.random.default_rng(2), seconds=30, snr_db=35, envelope=keyed(t, wpm=wpm))
    assert [b for b in measured(x).lines.sidebands if b.level_dbc > -55] == []


def test_a_lone_line_is_a_spur_and_equal_am_and_pm_make_one_side() -> None:
    t = times(20)
    both = 0.04
    x, _ = tone_and_noise(
        np.random.default_rng(3),
        snr_db=35,
        envelope=1 + both * np.cos(2 * np.pi * 130 * t),
        phase=both * np.sin(2 * np.pi * 130 * t),
    )
    lines = measured(x).lines
    lone = [(s.frequency_hz, s.level_dbc) for s in (*lines.spurs, *lines.others)]
    # AM and PM of equal index in phase: one side doubles, index/2 + index/2, the other vanishes
    assert any(abs(f - 843.4) < 0.5 and abs(level - 20 * np.log10(both)) < 0.5 for f, level in lone)


def test_wandering_mains_keeps_its_level() -> None:
    """Real mains moves by tens of millihertz in ten seconds."""
    rng = np.random.default_rng(4)
    t = times(60)
    wander = np.interp(t, np.arange(0, 65, 5.0), np.cumsum(rng.normal(0, 0.015, 13)))
    phase = 2 * np.pi * np.cumsum(50.0 + wander) / RATE
    x, _ = tone_and_noise(rng, seconds=60, snr_db=30, envelope=1 + 0.05 * np.cos(2 * phase) + 0.03 * np.cos(4 * phase))
    strongest = {round(b.offset_hz / 100): b for b in measured(x).lines.sidebands}
    assert strongest[1].level_dbc == pytest.approx(20 * np.log10(0.025), abs=0.5)
    assert strongest[2].level_dbc == pytest.approx(20 * np.log10(0.015), abs=1.0)


def test_additive_hum_is_no_sideband_and_is_measured() -> None:
    t = times(25)
    x, _ = tone_and_noise(np.random.default_rng(5), seconds=25, snr_db=30, envelope=keyed(t, wpm=15), band=(60, 2700))
    x = x + 0.2 * 10 ** (-33 / 20) * np.cos(2 * np.pi * 150.12 * t)
    x = x + 0.2 * 10 ** (-45 / 20) * np.cos(2 * np.pi * 50.04 * t)
    m = measured(x)
    assert [b for b in m.lines.sidebands if b.level_dbc > -55] == []
    assert m.purity.hum_dbc == pytest.approx(-33, abs=0.5)
    assert m.purity.hum_hz == pytest.approx(150.12, abs=0.05)
    assert m.purity.mains_hz == pytest.approx(50.04, abs=0.01)


@pytest.mark.parametrize("snr_db", [20.0, 40.0])
def test_residual_modulation_of_additive_noise_alone(snr_db: float) -> None:
    """AM and PM rms = sqrt(b / (C/N0)) each, b = 300 Hz; so no excess is claimed."""
    x, _ = tone_and_noise(np.random.default_rng(6), seconds=20, snr_db=snr_db)
    p = measured(x).purity
    expected = np.sqrt(295 / 10 ** ((snr_db + 33.98) / 10))
    assert p.pm_rad == pytest.approx(expected, rel=0.05)
    assert p.am_percent == pytest.approx(100 * expected, rel=0.05)
    assert p.pm_excess_rad is not None and p.pm_excess_rad_sigma is not None
    assert p.pm_excess_rad < max(0.03, 3 * p.pm_excess_rad_sigma)
    assert p.fm_hz == pytest.approx(np.sqrt(300**3 / (3 * 10 ** ((snr_db + 33.98) / 10))), rel=0.1)


def test_oscillator_noise_shows_as_angle_excess_and_rasp() -> None:
    rng = np.random.default_rng(7)
    t = times(25)
    spectrum = np.fft.rfft(rng.standard_normal(t.size))
    f = np.fft.rfftfreq(t.size, 1 / RATE)
    spectrum[(f < 5) | (f > 300)] = 0
    phase = np.fft.irfft(spectrum, t.size)
    phase *= 0.08 / phase.std()
    x, _ = tone_and_noise(rng, seconds=25, snr_db=25, envelope=keyed(t, wpm=15), phase=phase)
    p = measured(x).purity
    # elements of 80 and 240 ms cannot hold the slowest of 5..300 Hz: their mean takes some per cent away
    assert p.pm_excess_rad == pytest.approx(0.08, rel=0.08)
    assert p.am_excess_percent is not None and p.am_excess_percent < 2.0
    assert p.rasp_rise_db is not None and p.rasp_rise_db > 3.0


def test_clean_keyed_signal_has_no_rise_of_noise() -> None:
    for seed, snr_db in enumerate((15.0, 25.0, 35.0)):
        t = times(25)
        x, _ = tone_and_noise(np.random.default_rng(seed), seconds=25, snr_db=snr_db, envelope=keyed(t, wpm=18))
        rise = measured(x).purity.rasp_rise_db
        assert rise is not None and rise < 2.0


@pytest.mark.parametrize(("level", "thd_db", "third"), [(0.9, -27.49, -29.67), (0.8, -20.94, -21.74)])
def test_clipping_makes_the_odd_harmonics_of_theory(level: float, thd_db: float, third: float) -> None:
    """Fourier series of a symmetrically clipped sine, harmonics to 0.45 of the rate."""
    t = np.arange(15 * 48000) / 48000.0
    x = 0.2 * np.clip(np.cos(2 * np.pi * 700.3 * t), -level, level)
    x = x + 1e-4 * np.random.default_rng(8).standard_normal(t.size)
    p = measured(x, 48000.0).purity
    assert p.thd_db == pytest.approx(thd_db, abs=0.1)
    assert {h.order: h.dbc for h in p.harmonics}[3] == pytest.approx(third, abs=0.1)
    assert p.even_dbc is None or p.even_dbc < -60
    assert p.flat_top_share is not None and p.flat_top_share > 1.5


def test_harmonics_are_found_below_the_noise_of_a_frame() -> None:
    """A third harmonic at -40 dBc in a keyed signal of 15 dB in 2500 Hz."""
    t = times(30)
    envelope = keyed(t, wpm=15)
    x, _ = tone_and_noise(np.random.default_rng(9), seconds=30, snr_db=15, envelope=envelope, hz=713.4)
    x = x + 0.2 * 10 ** (-36 / 20) * envelope * np.cos(3 * 2 * np.pi * 713.4 * t)
    p = measured(x).purity
    assert p.thd_db is not None and p.thd_db_sigma is not None
    assert p.thd_db_sigma < 1.5  # 70 frames of 0.16 s: the noise lies 19 dB under the line
    assert p.thd_db == pytest.approx(-36, abs=3 * p.thd_db_sigma)


def test_other_carriers_are_listed_with_level_and_rhythm() -> None:
    t = times(30)
    x, _ = tone_and_noise(np.random.default_rng(10), seconds=30, snr_db=35, envelope=keyed(t, wpm=15))
    x = x + 0.02 * np.cos(2 * np.pi * 1234 * t) + 0.05 * keyed(t, wpm=22, pattern="QA5 ") * np.cos(2 * np.pi * 1610 * t)
    others = {round(o.frequency_hz / 10): o for o in measured(x).lines.others}
    assert others[123].level_dbc == pytest.approx(-20, abs=1.0)
    assert not others[123].keyed
    assert others[161].level_dbc == pytest.approx(-12, abs=2.5)
    assert others[161].keyed
    assert len(others) == 2
