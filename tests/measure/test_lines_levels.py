"""Levels, places and natures of modulation lines against their bound, on recordings made of formulas."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.lines.fit import Block, steady_hz
from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Measurements
from sigcheck.recording import from_samples
from tests.independent.lines_examined import Found, run
from tests.measure.plain_audio import Real, keyed, tone_and_noise

RATE = 8000.0


def measured(x: Real, rate_hz: float = RATE) -> Measurements:
    return measure(from_samples(np.asarray(x, np.float32), rate_hz)).measurements


def times(seconds: float) -> Real:
    return np.arange(round(seconds * RATE)) / RATE


def judged(rows: list[Found]) -> tuple[float, float, float, float]:
    """(rms of error over bound, share within 1 dB, share placed to 0.01 Hz, share of right nature)."""
    found = [r for r in rows if r.error_db is not None]
    ratio = [r.error_db / np.hypot(r.bound_db, 0.05) for r in found if r.error_db is not None]
    within = [abs(r.error_db or 9.0) < 1.0 for r in rows]
    placed = [abs(r.error_hz) < 0.01 for r in found]
    return (
        float(np.sqrt(np.mean(np.square(ratio)))),
        float(np.mean(within)),
        float(np.mean(placed)),
        float(np.mean([r.nature_right for r in found])),
    )


def test_lines_come_out_at_their_bound_through_any_keying() -> None:
    """24 dB over the noise in its own resolution: 0.27 dB of scatter; ten recordings are worth some 20 lines."""
    rows, (_, loud, _) = run(10, 41, "some", 0.75, 0.0, False)
    strong = [r for r in rows if r.over_db > 24]
    ratio, within, placed, nature = judged(strong)
    # the rms of 20 normal values scatters by a sixth; a dit of 30 ms leaves half of itself to its edges
    assert ratio < 1.5
    assert within >= 0.95
    assert placed >= 0.9
    assert nature >= 0.95
    assert not loud


@pytest.mark.slow
def test_lines_over_hundreds_of_recordings() -> None:
    rows, (_, loud, mains) = run(200, 43, "some", 0.75, 0.0, False)
    strong = [r for r in rows if r.over_db > 24]
    ratio, within, placed, nature = judged(strong)
    assert ratio < 1.25
    assert within >= 0.95
    assert placed >= 0.9
    assert nature >= 0.95
    assert len(loud) <= 2
    assert not mains


@pytest.mark.slow
def test_clean_recordings_show_no_line_and_weak_lines_are_found() -> None:
    _, (_, loud, _) = run(200, 44, "none", 0.75, 0.0, False)
    assert len(loud) <= 2
    rows, _ = run(100, 45, "one", 0.75, 16.0, False)
    assert np.mean([r.error_db is not None for r in rows]) > 0.85


@pytest.mark.parametrize("wpm", [15.0, 24.0, 30.0])
@pytest.mark.parametrize("mains", [50.0, 60.0])
def test_keying_in_step_with_the_mains_hides_no_hum(wpm: float, mains: float) -> None:
    """At these speeds every element starts at the same phase of one mains frequency or the other."""
    t = times(20)
    m = 2 * 10 ** (-35 / 20)
    envelope = keyed(t, wpm=wpm) * (1 + m * np.cos(2 * np.pi * mains * t + 0.4))
    x, _ = tone_and_noise(np.random.default_rng(11), rate_hz=RATE, seconds=20, snr_db=32, envelope=envelope)
    hum = [b for b in measured(x).lines.sidebands if b.family == "mains"]
    assert hum and hum[0].level_dbc == pytest.approx(-35, abs=1.0)
    assert hum[0].nature == "amplitude"


@pytest.mark.parametrize("wpm", [8.0, 15.0, 18.75, 30.0, 40.0])
def test_no_speed_of_keying_looks_like_hum(wpm: float) -> None:
    """Dit rates of 6.7 to 33 Hz; 15, 18.75 and 37.5 WPM have multiples at 50 or 62.5 Hz."""
    t = times(20)
    envelope = keyed(t, wpm=wpm, edge_s=0.003)
    x, _ = tone_and_noise(np.random.default_rng(1), rate_hz=RATE, seconds=20, snr_db=40, envelope=envelope)
    lines = measured(x).lines
    assert [b for b in lines.sidebands if b.level_dbc > -55] == []
    assert lines.mains_hz is None


def test_a_wandering_harmonic_is_followed_with_its_fundamental() -> None:
    """The sixth harmonic of mains that wanders by 50 mHz moves by 0.3 Hz: alone it would smear."""
    rng = np.random.default_rng(12)
    t = times(30)
    wander = np.interp(t, np.arange(0, 33, 3.0), np.cumsum(rng.normal(0, 0.02, 11)))
    turn = 2 * np.pi * np.cumsum(60.0 + wander) / RATE
    am = 0.05 * np.cos(2 * turn) + 0.012 * np.cos(6 * turn + 1)
    x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=30, snr_db=35, envelope=keyed(t, wpm=20) * (1 + am))
    at = {b.order: b for b in measured(x).lines.sidebands if b.family}
    assert at[2].level_dbc == pytest.approx(20 * np.log10(0.025), abs=0.3)
    assert at[6].level_dbc == pytest.approx(20 * np.log10(0.006), abs=0.5)


def test_another_carrier_leaves_no_copies_at_the_keying_rate() -> None:
    t = times(20)
    x, _ = tone_and_noise(np.random.default_rng(13), rate_hz=RATE, seconds=20, snr_db=35, envelope=keyed(t, wpm=22))
    x = x + 0.08 * np.cos(2 * np.pi * 801.7 * t)
    lines = measured(x).lines
    assert [(round(o.frequency_hz), o.keyed) for o in lines.others] == [(802, False)]
    assert [b for b in lines.sidebands if b.level_dbc > -50] == []
    assert lines.spurs == ()


def test_two_lines_of_a_switching_supply_make_a_family() -> None:
    t = times(20)
    am = 0.03 * np.cos(2 * np.pi * 143.7 * t) + 0.015 * np.cos(2 * np.pi * 287.4 * t)
    x, _ = tone_and_noise(np.random.default_rng(14), rate_hz=RATE, seconds=20, snr_db=35,
                          envelope=keyed(t, wpm=18) * (1 + am))  # fmt: skip
    lines = measured(x).lines
    assert lines.switching_hz == pytest.approx(143.7, abs=0.02)
    assert {b.order for b in lines.sidebands if b.family == "switching"} == {1, 2}


@pytest.mark.parametrize("wpm", [None, 12.0, 20.0])
@pytest.mark.parametrize("hz_per_root_s", [0.03, 0.15, 0.6])
def test_a_converter_that_wanders_keeps_its_level_and_its_harmonics(wpm: float | None, hz_per_root_s: float) -> None:
    """Its rate walks at random: by 0.1 Hz in ten seconds a course is followed, by 2 Hz only humps are left."""
    rng = np.random.default_rng(15)
    t = times(25)
    steps = np.cumsum(rng.normal(0, hz_per_root_s * np.sqrt(0.5), 60))
    turn = 2 * np.pi * np.cumsum(163.0 + np.interp(t, 0.5 * np.arange(60), steps)) / RATE
    am = 0.06 * np.cos(turn) + 0.03 * np.cos(2 * turn + 1)
    envelope = (np.ones(t.size) if wpm is None else keyed(t, wpm=wpm)) * (1 + am)
    x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=25, snr_db=35, envelope=envelope)
    at = {b.order: b for b in measured(x).lines.sidebands if b.family == "switching"}
    # a hump's power over the noise in 24 Hz of it scatters by 0.1 dB; through the key's pattern its floor is less sure
    assert at[1].level_dbc == pytest.approx(20 * np.log10(0.03), abs=0.7)
    assert at[2].level_dbc == pytest.approx(20 * np.log10(0.015), abs=0.7)
    assert {at[1].nature, at[2].nature} == {"amplitude"}


def test_a_lines_frequency_is_found_alike_in_few_and_in_all_places() -> None:
    """Over four minutes a block's sum is taken at few places and drawn between them; the frequency is the line's."""
    rng = np.random.default_rng(8)
    rate, seconds, hz = 500.0, 240.0, 137.3127
    t = np.arange(round(seconds * rate)) / rate
    noise = rng.standard_normal(t.size) + 1j * rng.standard_normal(t.size)
    y = 0.01 * np.cos(2 * np.pi * hz * t + 0.4) + 0.02 * noise
    blocks = [
        Block(
            y=y[k].astype(np.complex64), t=t[k], place=slice(k[0], k[-1] + 1), elements=np.zeros(0, np.intp),
            gain=np.ones(k.size, np.float32),
        )
        for k in np.array_split(np.arange(t.size), 12)
    ]  # fmt: skip
    found, together, apart = steady_hz(blocks, hz + 0.02, 0.05)
    # Rife and Boorstyn's bound for a real wave in one of the two parts: sqrt(24) sigma / (2 pi A T sqrt(n)) = 19 uHz,
    # and as much noise again from the other part
    assert abs(found - hz) < 4 * 27e-6
    assert together == pytest.approx(2 * 0.005**2 * t.size, rel=0.1) and together < 1.001 * apart
