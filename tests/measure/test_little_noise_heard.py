"""Key-up with little noise heard: a filter as narrow as the gaps' own resolution, a recorder of coarse steps."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Measurements
from sigcheck.recording import from_samples
from tests.measure.plain_audio import Real, keyed, tone_and_noise

RATE = 8000.0
SECONDS = 40.0
TONE_HZ = 790.0


def heard(
    seed: int, *, snr_db: float, wpm: float, width_hz: float, poles: int, backwave: float = 0.0, step: float = 0.0
) -> Measurements:
    """A keyed tone through a Butterworth passband about 800 Hz, rounded to ``step``."""
    rng = np.random.default_rng([61, seed])
    t = np.arange(round(SECONDS * RATE)) / RATE
    envelope = backwave + (1 - backwave) * keyed(t, wpm=wpm)
    x, _ = tone_and_noise(
        rng, rate_hz=RATE, seconds=SECONDS, hz=TONE_HZ, snr_db=snr_db, envelope=envelope, band=(20.0, 3900.0)
    )
    band = 800.0 - width_hz / 2, 800.0 + width_hz / 2
    y: Real = signal.sosfilt(signal.butter(poles, band, "band", fs=RATE, output="sos"), x)
    if step:
        y = np.round(y / step) * step
    return measure(from_samples(y.astype(np.float32), RATE)).measurements


@pytest.mark.parametrize("poles", [4, 6])
@pytest.mark.parametrize("wpm", [18.0, 24.0])
def test_a_narrow_filters_noise_is_no_backwave(poles: int, wpm: float) -> None:
    """The noise beside the tone is weaker on the filter's flanks; what the tone's own bin holds more is no tone."""
    k = heard(1, snr_db=13.0, wpm=wpm, width_hz=250.0, poles=poles).keying
    assert k.backwave_db is None
    # three standard errors of some 200 gaps of 30 ms at that level: 13 + 34 - 15 + 23 - 5 dB, and gaps of half a dit
    assert k.backwave_floor_db is not None and k.backwave_floor_db < -43.0


def test_a_true_backwave_is_measured_through_a_narrow_filter() -> None:
    k = heard(2, snr_db=13.0, wpm=18.0, width_hz=250.0, poles=4, backwave=10 ** (-28.0 / 20)).keying
    assert k.backwave_db == pytest.approx(-28.0, abs=1.0)  # its own sigma is 0.4 dB


def test_what_coarse_steps_leave_of_the_noise_is_no_burst() -> None:
    """At 42 dB the noise scatters by a fifth of 8 bits' step: now and then it crosses one, and is a lump."""
    b = heard(3, snr_db=42.0, wpm=20.0, width_hz=800.0, poles=4, step=2.0**-7).bursts
    assert b.burst_over_floor_db is None and "steps of 8 bits" in b.missing["burst_over_floor_db"]


def test_noise_larger_than_the_steps_is_heard_as_before() -> None:
    b = heard(4, snr_db=20.0, wpm=20.0, width_hz=800.0, poles=4, step=2.0**-7).bursts
    assert b.burst_time_fraction is not None and "steps" not in b.missing.get("burst_over_floor_db", "")
