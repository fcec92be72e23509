"""Noise that a gain control lifts in a pause is no keying."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.keyed.loud_pauses import true_marks
from sigcheck.measure.pipeline import measure
from sigcheck.measure.track import Baseband
from sigcheck.recording import from_samples
from tests.measure.plain_audio import band_noise
from tests.measure.tones import key_edges

RATE = 8000.0


@pytest.mark.parametrize("seed", range(4))
def test_a_pause_full_of_loud_noise_holds_no_characters(seed: int) -> None:
    """1.2 s before, between and after two messages the noise comes up to 5 dB below the tone after 0.3 s."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(22 * RATE)) / RATE
    envelope = np.zeros(t.size)
    for begin in (1.5, 12.0):
        starts, ends = key_edges("VVV DE Q5KAP", 0.06, begin, begin + 9.0)
        for start, end in zip(starts[:34], ends[:34], strict=True):  # one message
            envelope = np.maximum(envelope, np.clip(np.minimum(t - start, end - t) / 0.005, 0, 1))
    # the control's gain on the noise: down at once with the signal, up again after 0.3 s without it
    heard = np.convolve(envelope > 0.5, np.ones(round(0.3 * RATE)))[: t.size] > 0
    noise = band_noise(rng, t.size, RATE, 1.0 / 700.0, 450, 1150)
    x = 0.2 * envelope * np.cos(2 * np.pi * 800 * t) + 0.08 * noise * np.where(heard, 0.05, 1.0)
    m = measure(from_samples(x.astype(np.float32), RATE)).measurements
    assert m.keying.text is not None
    assert m.keying.text.count("VVV DE Q5KAP") == 2
    assert len(m.keying.text.replace(" ", "")) == 20


def test_a_chirping_tone_is_one_and_noise_of_any_level_is_none() -> None:
    rng = np.random.default_rng(1)
    rate, n = 2000.0, 20000
    z = 0.3 * (rng.standard_normal(n) + 1j * rng.standard_normal(n))
    on = np.arange(0.1, 9.0, 0.4)
    off = on + 0.1
    for k, (a, b) in enumerate(zip(on, off, strict=True)):
        if k % 5:
            i, j = round(a * rate), round(b * rate)
            s = np.arange(j - i) / rate
            z[i:j] = np.exp(2j * np.pi * (40 * 0.02 * (1 - np.exp(-s / 0.02)))) + 0.1 * z[i:j]
    base = Baseband(
        z=z, rate_hz=rate, path_hz=np.full(n, 800.0), audio=np.zeros(n, np.float32), noise_density=1e-4,
        passband_hz=(300.0, 1300.0), passband_from_noise=True,
    )  # fmt: skip
    assert true_marks(base, on, off)[1].tolist() == [bool(k % 5) for k in range(on.size)]
    assert true_marks(base, on[::5], off[::5])[1].all()  # nothing looks like a tone: nothing is dropped


def test_noise_that_a_fast_control_lifts_half_way_is_no_faded_mark() -> None:
    """Behind a 250 Hz filter the noise comes up between letters, but not as far as the marks: they are no fades."""
    rng = np.random.default_rng(7)
    t = np.arange(round(40 * RATE)) / RATE
    starts, ends = key_edges("VVV DE Q5KAP", 0.0764, 0.7, 38.0)
    envelope = np.zeros(t.size)
    for start, end in zip(starts, ends, strict=True):
        envelope = np.maximum(envelope, np.clip(np.minimum(t - start, end - t) / 0.004 + 0.5, 0, 1))
    noise = band_noise(rng, t.size, RATE, 0.02 / 2500.0 / 10**1.9, 525, 775)  # 19 dB
    x = 0.2 * envelope * np.cos(2 * np.pi * 655 * t) + noise
    level, held = np.abs(x[:: round(0.001 * RATE)]), 0.0
    gain = np.empty(level.size)
    for k, now in enumerate(level):  # up at once, down with 0.12 s
        held = max(float(now), held * np.exp(-0.001 / 0.12))
        gain[k] = 1.0 / max(held, 1e-3)
    x = 0.2 * x * np.interp(np.arange(x.size), np.arange(gain.size) * round(0.001 * RATE), gain)
    text = measure(from_samples(x.astype(np.float32), RATE)).measurements.keying.text or ""
    assert text.count("Q5KAP") >= 3 and text.count("VVV") >= 3, text


@pytest.mark.parametrize("seed", range(3))
def test_noise_that_has_come_up_before_the_first_mark_is_no_faded_one(seed: int) -> None:
    """Behind a 700 Hz filter it comes up to 19 dB below the marks and no further: it is noise all the same."""
    rng = np.random.default_rng([7, seed])
    t = np.arange(round(20 * RATE)) / RATE
    starts, ends = key_edges("VVV DE Q5KAP", 0.06, 1.0, 19.0)
    envelope = np.zeros(t.size)
    for start, end in zip(starts, ends, strict=True):
        envelope = np.maximum(envelope, np.clip(np.minimum(t - start, end - t) / 0.005, 0, 1))
    noise = band_noise(rng, t.size, RATE, 1.0 / 700.0, 700, 1400)
    heard = np.convolve(envelope > 0.5, np.ones(round(0.25 * RATE)))[: t.size] > 0
    # in some 60 Hz a tenth of the passband's noise is heard
    lifted = 10 ** (-9 / 20) * 0.2 / 2**0.5
    x = 0.2 * envelope * np.cos(2 * np.pi * 1036 * t) + lifted * noise * np.where(heard, 0.05, 1.0)
    m = measure(from_samples(x.astype(np.float32), RATE)).measurements
    assert m.keying.text is not None and m.keying.text.startswith("VVV DE Q5KAP")
    assert m.signal.level_range_db == pytest.approx(0.0, abs=1.0)
