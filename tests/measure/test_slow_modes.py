"""Slow keying: found without a plan, down to 16 dB of energy in a dit; and never where there is none."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from sigcheck.measure import carrier, slow, spectrum
from sigcheck.measure.keyed import segmentation
from sigcheck.measure.pipeline import measure
from sigcheck.plan import Plan
from sigcheck.recording import from_samples
from tests.independent.slow import Slow, heard_text, samples

RATE = 6000


def read(x: NDArray[Any], plan: Plan | None = None) -> slow.SlowKeying | None:
    survey = spectrum.survey(x.astype(np.float32), RATE, top_hz=RATE / 2)
    found = carrier.find(survey, top_hz=0.48 * RATE)
    if isinstance(found, carrier.NotFound):
        return slow.search(survey, plan)
    heard = slow.find(survey, found, segmentation.segment(found), plan)
    return heard if isinstance(heard, slow.SlowKeying) else None


def spells(heard: str | None, s: Slow) -> bool:
    """What was heard is part of the message; the last character may have been cut by the end of the recording."""
    return heard is not None and len(heard) >= 5 and heard[:-1].strip() in heard_text(s)


# -26 dB in 2500 Hz: C/N0 of 8 dBHz, so a dit of 6 s holds 15.8 dB over the noise density
WEAK = Slow(seconds=600, dit_s=6, snr_db=-26, shift_hz=5)


@pytest.mark.parametrize(
    ("s", "mode"),
    [
        (replace(WEAK, mode="qrss", seed=3, drift_hz_per_min=0.3, control_db=20), "qrss"),
        (replace(WEAK, mode="fskcw", seed=4, drift_hz_per_min=0.5, shift_hz=1.0), "fskcw"),
        (replace(WEAK, mode="dfcw", seed=5, shift_hz=0.5), "dfcw"),
    ],
    ids=lambda v: v if isinstance(v, str) else "",
)
def test_weak(s: Slow, mode: str) -> None:
    found = read(samples(s))
    assert found is not None and found.mode == mode
    assert not found.inverted
    assert spells(found.elements.decoded.text, s)
    # scatter of the levels of some fifteen dits, each of energy E to sqrt(2 E): 0.3 dB; the noise 0.5 dB
    assert 10 * np.log10(found.dit_energy) == pytest.approx(15.8, abs=1.5)
    if mode != "qrss":
        assert abs(found.fit.shift_hz - s.shift_hz) < 4 * found.fit.shift_sigma


@pytest.mark.parametrize(
    "s",
    [
        Slow(mode="fskcw", shift_hz=4, hum_dbc=-20, broken_phase=True),
        Slow(mode="fskcw", dit_s=1, shift_hz=400, inverted=True, snr_db=5, seconds=120),
        Slow(mode="dfcw", element_gap=0.33, letter_gap=1.0),
    ],
    ids=["hum", "wide-inverted", "short-gaps"],
)
def test_strong_measured_as_a_whole(s: Slow) -> None:
    m = measure(from_samples(samples(s).astype(np.float32), RATE)).measurements
    assert m.signal.kind == "shifted"
    assert m.slot.kind == s.mode
    assert spells(m.keying.text, s)
    assert m.keying.dit_s == pytest.approx(s.dit_s, rel=0.01)
    assert m.slot.shift_hz == pytest.approx(-s.shift_hz if s.inverted else s.shift_hz, abs=0.01)
    # the lower tone; the pull of a one-pole reactance is gone when the elements' guard has passed
    assert m.signal.tone_hz == pytest.approx(s.tone_hz, abs=0.01)
    assert m.signal.snr_db == pytest.approx(s.snr_db, abs=1.0)
    assert all(abs(o.frequency_hz - s.tone_hz - s.shift_hz) > 20 for o in m.lines.others)
    assert not [name for family in m.families().values() for name in family.unexplained()]


def test_planned_text_never_fills_in() -> None:
    s = Slow(mode="fskcw")
    plan = Plan.from_dict({"sent": {"keying": "fskcw", "text": "QQ1QQ", "dit_s": 3.0, "shift_hz": 4.0}})
    found = read(samples(s), plan)
    assert found is not None
    assert spells(found.elements.decoded.text, s)


def _tone(hz: NDArray[Any], snr_db: float = 0.0) -> NDArray[Any]:
    noise = np.random.default_rng(7).standard_normal(hz.size)
    return np.cos(2 * np.pi * np.cumsum(hz) / RATE) + noise * np.sqrt(10 ** (-snr_db / 10) / 2500 * RATE / 4)


T = np.arange(120 * RATE) / RATE
RANDOM = np.random.default_rng(3)
LOOSE = np.searchsorted(np.cumsum(RANDOM.exponential(4, 80)), T) % 2
STEPS = np.cumsum(RANDOM.choice([-1, 0, 1], 25))[(T // 5).astype(int)]


@pytest.mark.parametrize(
    "x",
    [
        RANDOM.standard_normal(T.size),
        _tone(700.0 + STEPS),
        _tone(700.0 + 3.0 * (T // 4 % 2)),
        _tone(700.0 + 3.0 * LOOSE),
        LOOSE * _tone(700.0 + 0 * T),
        _tone(700.0 + 0.05 * T),
        _tone(700.0 + 0 * T, -26.0),
        _tone(700.0 + 0 * T) + 0.5 * np.cos(2 * np.pi * 712.0 * T),
    ],
    ids=["noise", "steps", "toggle", "two-levels", "loose", "drift", "weak-steady", "two-carriers"],
)
def test_what_is_not_slow_keying(x: NDArray[Any]) -> None:
    assert read(x) is None
