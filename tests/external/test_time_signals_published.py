"""Second pulses against the published formats of time-signal stations.

- NIST services: 5 ms of 1000 Hz (5 cycles, Fort Collins) or 1200 Hz (6 cycles, Kauai): US Navy training manual
  14193, table 3-1. Minute mark 800 ms: Reeve's measurement of the propagation delays to Anchorage. Seconds 29 and
  59 left out: from memory, not looked up. Doubled pulses 0.1 s later for UT1: NIST SP 432 (2002).
- HLA: 9 cycles of 1800 Hz in 5 ms, minute 800 ms, as its published list has it.
- CHU: 300 ms of 1000 Hz, 500 ms on the minute, second 29 left out: NRC.
- Signals in space travel 1000 km in 3.336 ms (speed of light).
"""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.ticks import measure_ticks
from tests.independent.time_signal import Chain, Path, Station, make

STATIONS = {
    "NIST Fort Collins": (Station(tick_hz=1000, tick_s=5 / 1000, doubled=(1, 2, 3), code_level=0.4), {}),
    "NIST Kauai": (Station(tick_hz=1200, tick_s=6 / 1200, tones=(600.0, 500.0), code_level=0.4), {}),
    "HLA": (Station(tick_hz=1800, tick_s=9 / 1800, tones=()), {"tick_hz": 1800.0}),
    "CHU": (Station(tick_s=0.3, mark_s=0.5, left_out=(29,), tones=()), {"tick_s": 0.3, "tick_hz": 1000.0}),
}


@pytest.mark.parametrize("name", STATIONS)
def test_the_second_the_minute_and_a_recorder_50_ppm_fast(name: str) -> None:
    """Start offset 0.2500 s, 20 dB in 2500 Hz: to 0.1 ms; 50 ppm to 0.3 ppm."""
    station, how = STATIONS[name]
    recording = make(station=station, chain=Chain(snr_db=20, rate_error_ppm=50.0), starts_at_s=20.75, seconds=100)
    found = measure_ticks(recording.samples, recording.rate_hz, **how)
    assert found.offset_s == pytest.approx(0.25, abs=1e-4)
    assert found.sample_rate_error_ppm == pytest.approx(50.0, abs=0.3)
    assert found.minute_at_s == pytest.approx(39.25 * (1 + 50e-6), abs=1e-4)


def test_propagation_over_4000_km() -> None:
    delay_s = 4 * 3.336e-3
    recording = make(station=Station(), chain=Chain(snr_db=20), paths=(Path(delay_s=delay_s),), seconds=60)
    found = measure_ticks(recording.samples, recording.rate_hz, delay_s=delay_s)
    assert found.offset_s == pytest.approx(recording.offset_s, abs=1e-4)


def test_the_makers_burst_has_the_published_spectrum() -> None:
    """Five cycles of 1 kHz: 99 % of the energy in 111..1682 Hz, rms frequency 999 Hz (computed from the format)."""
    t = np.arange(48000) / 48000.0 + 1.0
    power = np.abs(np.fft.rfft(Station(tones=()).audio(t), 48000 * 4)) ** 2
    f = np.fft.rfftfreq(48000 * 4, 1 / 48000)
    inside = power[(f > 111) & (f < 1682)].sum() / power.sum()
    # rms within the audio band, as the far lines of a cut burst go on for ever
    near = f < 6000
    assert inside == pytest.approx(0.99, abs=0.004)
    assert np.sqrt((f**2 * power)[near].sum() / power[near].sum()) == pytest.approx(999, rel=0.06)
