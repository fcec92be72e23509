"""Lead and recorder: clipping series, quantising noise, clock, hum, dropouts."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.errors import SettingError
from sigcheck.synth import recorder as rec
from sigcheck.synth import signals

RATE = 24000.0


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def exact_mains(hz: float = 50.0) -> signals.MainsPhase:
    return signals.MainsPhase(np.array([0.0, 1e4]), np.zeros(2), hz)


def bare(**changes: object) -> rec.Recorder:
    return rec.Recorder(**{"hum": {}, "dc_fraction": 0.0, "level_dbfs": 0.0, **changes})  # type: ignore[arg-type]


def tone(hz: float, seconds: float = 2.0) -> np.ndarray:
    return np.cos(2.0 * np.pi * hz * np.arange(int(seconds * RATE)) / RATE + 0.3)


def recorded(settings: rec.Recorder, audio: np.ndarray, up: int = 1, down: int = 1, *, quiet: bool = True,
             hz: float = 50.0) -> np.ndarray:
    return rec.record(settings, audio, RATE, up, down, exact_mains(hz), rng(), quiet=quiet)


# Symmetric clipping of a unit sine at sin(alpha): b_1 = (2/pi)(alpha + sin alpha cos alpha), b_n likewise
# (closed form); dBc of H3, H5, H7 as tabulated from it, and b_1.
@pytest.mark.parametrize(
    ("level", "b1", "h3", "h5", "h7"),
    [(0.95, 0.986680, -38.10, -39.58, -41.94), (0.80, 0.895912, -21.74, -29.19, -68.98),
     (0.7071067811865476, 0.818310, -17.74, -31.72, -34.65), (0.50, 0.608998, -12.91, -26.88, -35.83)],
)  # fmt: skip
def test_flat_tops_have_the_series_of_a_clipped_sine(
    level: float, b1: float, h3: float, h5: float, h7: float
) -> None:
    stage = rec.Overdrive(drive_db=-20.0 * float(np.log10(level)), hard=True)
    sine = np.cos(2.0 * np.pi * np.arange(4096) / 4096)
    line = np.abs(np.fft.rfft(rec.overdriven(sine, stage, 1.0))) / 2048
    assert line[1] == pytest.approx(b1, abs=1e-5)
    dbc = 20.0 * np.log10(line[[3, 5, 7]] / line[1])
    # 4096 points a cycle place the corner to 1e-3 rad: it shows only where a harmonic nearly vanishes.
    assert dbc[:2] == pytest.approx([h3, h5], abs=0.02)
    assert dbc[2] == pytest.approx(h7, abs=0.5)
    assert line[2::2].max() < 1e-12  # symmetric: no even harmonics


def test_soft_overdrive_has_even_harmonics_by_its_bias_only() -> None:
    sine = np.cos(2.0 * np.pi * np.arange(1024) / 1024)
    odd, both = (np.abs(np.fft.rfft(rec.overdriven(sine, rec.Overdrive(bias=b), 1.0)))[2] for b in (0.0, 0.1))
    assert odd < 1e-9 < both


def test_clipping_in_the_converter_puts_samples_on_the_rails() -> None:
    x = recorded(bare(level_dbfs=6.0, turned_down_db=10.0), tone(713.0))
    rail = signals.from_db(-10.0)
    assert np.abs(x).max() == pytest.approx(rail)
    assert 0.15 < np.mean(np.abs(x) >= rail - 1e-9) < 2.0 * np.arccos(0.5) / np.pi  # the ideal share, 2/3
    line = np.abs(np.fft.rfft(x[: int(RATE)]))
    assert 20.0 * np.log10(line[3 * 713] / line[713]) == pytest.approx(-12.9, abs=0.4)  # 6 dB deep: -12.91
    assert np.abs(recorded(bare(level_dbfs=-1.0), tone(713.0))).max() < 0.9


@pytest.mark.parametrize(("bits", "sinad_db"), [(8, 49.858), (10, 61.950), (12, 74.004), (16, 98.090)])
def test_rounding_makes_the_noise_of_an_ideal_converter(bits: int, sinad_db: float) -> None:
    """20 log10(2^N sqrt 1.5) for full scale, here for 2^(N-1) - 1 steps; within 0.15 dB from 8 bits on."""
    rate, steps = 48000, 2.0 ** (bits - 1)
    t = np.arange(rate) / rate
    sine = (steps - 1.0) / steps * np.sin(2.0 * np.pi * 997.0 * t + 0.4)
    error = rec.quantised(sine, bits) - sine
    basis = np.column_stack([np.sin(2 * np.pi * 997 * t), np.cos(2 * np.pi * 997 * t), np.ones(rate)])
    error -= basis @ np.linalg.lstsq(basis, error, rcond=None)[0]
    assert 10.0 * np.log10(np.var(sine) / np.var(error)) == pytest.approx(sinad_db, abs=0.15)


def test_hum_is_added_whatever_the_tone_does() -> None:
    settings = bare(level_dbfs=-20.0, hum={1: -40.0, 3: -50.0})
    both, alone = (recorded(settings, a, hz=60.0) for a in (tone(1000.0), np.zeros(48000)))
    for x in (both, alone):
        line = np.abs(np.fft.rfft(x[:24000])) / 12000
        assert 20.0 * np.log10(line[[60, 180]]) == pytest.approx([-40.0, -50.0], abs=0.01)


def test_level_and_rates_up_and_down() -> None:
    for up, down in ((1, 1), (1, 3), (2, 1)):
        x = recorded(bare(level_dbfs=-14.0), tone(1000.0), up, down)
        rate = RATE * up / down
        line = np.abs(np.fft.rfft(x[: int(rate)])) / (rate / 2)
        assert 20.0 * np.log10(line[1000]) == pytest.approx(-14.0, abs=0.01)


@pytest.mark.parametrize("how", ["zeros", "held", "repeat", "missing"])
def test_each_kind_of_dropout(how: str) -> None:
    lost = rec.Dropout(time_s=0.7, length_s=0.05, how=how)  # type: ignore[arg-type]
    settings = bare(level_dbfs=-12.0, hiss_dbfs=-200.0, bits=None)
    whole = recorded(settings, tone(997.3), quiet=False)
    settings = bare(level_dbfs=-12.0, hiss_dbfs=-200.0, bits=None, dropouts=(lost,))
    x = recorded(settings, tone(997.3), quiet=False)
    begin, count = int(0.7 * RATE), int(0.05 * RATE)
    assert np.array_equal(x[:begin], whole[:begin])
    if how == "missing":
        assert x.size == whole.size - count
        assert np.array_equal(x[begin:], whole[begin + count :])
        return
    assert np.array_equal(x[begin + count :], whole[begin + count :])
    expected = {"zeros": 0.0, "held": whole[begin - 1], "repeat": whole[begin - count : begin]}[how]
    assert np.array_equal(x[begin : begin + count], np.broadcast_to(expected, count))


def test_a_dropout_outside_the_recording_is_refused() -> None:
    settings = bare(dropouts=(rec.Dropout(time_s=5.0, length_s=0.1),))
    with pytest.raises(SettingError, match=r"dropout of 0\.1 s at 5 s lies outside"):
        recorded(settings, tone(1000.0), quiet=False)
