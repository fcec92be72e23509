"""Slow keying where it is hard: shifts that a dit hardly resolves, fading, curved drift, strong neighbours."""

from __future__ import annotations

from dataclasses import replace
from difflib import SequenceMatcher

import numpy as np
import pytest

from sigcheck.measure.pipeline import Measured, measure
from sigcheck.measure.slowly.fit import ToneFit, fit_path
from sigcheck.measure.slowly.text import gap_classes
from sigcheck.plan import Plan
from sigcheck.recording import from_samples
from tests.independent.slow import Slow, heard_text, samples


def measured(s: Slow, plan: Plan | None = None) -> Measured:
    return measure(from_samples(samples(s).astype(np.float32), s.rate), plan=plan)


def text_of(s: Slow, plan: Plan | None = None) -> str:
    text = measured(s, plan).measurements.keying.text
    assert text is not None
    return text


NARROW = Slow(dit_s=1.0, seconds=75.0, begin_s=3.0, snr_db=-5.0)


@pytest.mark.parametrize(
    "s",
    [
        # two tones are orthogonal over a dit at 1/dit; at half of that the noncoherent correlation is sinc(1/2) = 0.64,
        # so a fifth of the energy's root tells them apart: 29 dB in a dit leave plenty
        replace(NARROW, mode="fskcw", shift_hz=0.5, seed=1),
        replace(NARROW, mode="dfcw", shift_hz=0.5, seed=2, element_gap=0.5, letter_gap=1.5, drift_hz_per_min=0.2),
        replace(NARROW, mode="fskcw", shift_hz=1.0, seed=3, drift_hz_per_min=-0.3, broken_phase=True),
        replace(NARROW, mode="dfcw", text="EE5TQ K ", shift_hz=0.7, seed=4, element_gap=0.5, letter_gap=1.5),
    ],
    ids=["fskcw-half", "dfcw-half", "fskcw-one", "dfcw-dits-first"],
)
def test_narrow_shift_is_read(s: Slow) -> None:
    assert text_of(s)[:-1].strip() in heard_text(s)


def test_narrow_and_weak_is_refused_or_right() -> None:
    """14 dB in a dit and half of 1/dit: not a text that nobody sent."""
    s = replace(NARROW, mode="fskcw", shift_hz=0.5, snr_db=-20.0, seed=5)
    text = measured(s).measurements.keying.text
    assert text is None or text[1:-1].strip() in heard_text(s)


@pytest.mark.parametrize("mode", ["qrss", "fskcw", "dfcw"])
def test_fading_of_12_db(mode: str) -> None:
    s = Slow(mode=mode, dit_s=1.0, seconds=80.0, snr_db=-6.0, fading_db=12.0, seed=7)  # type: ignore[arg-type]
    assert text_of(s)[:-1].strip() in heard_text(s)


@pytest.mark.parametrize(("begin_s", "snr_db"), [(1.5, 15.0), (5.0, 15.0), (5.0, 30.0)])
def test_first_signs_of_half_second_dits(begin_s: float, snr_db: float) -> None:
    """A strong tone's own keying is no noise, by which the level of what follows would be divided."""
    s = Slow(mode="qrss", dit_s=0.5, seconds=55.0, begin_s=begin_s, snr_db=snr_db, settle_s=0.005, rise_s=0.01)
    assert text_of(s).startswith("Q5KAP")


def test_curved_drift_is_no_shift() -> None:
    s = Slow(mode="fskcw", dit_s=1.0, seconds=80.0, shift_hz=3.0, curve_hz=4.0, snr_db=-5.0, seed=9)
    slot = measured(s).measurements.slot
    assert slot.shift_hz is not None and slot.shift_hz_sigma is not None
    # 4 sigma, and what the pull of the one-pole reactance leaves of itself at an element's guarded ends
    assert abs(slot.shift_hz - 3.0) < 4 * slot.shift_hz_sigma + 0.005


@pytest.mark.slow
@pytest.mark.parametrize("mode", ["qrss", "fskcw"])
def test_planned_slow_keying_beside_a_stronger_carrier(mode: str) -> None:
    s = Slow(mode=mode, dit_s=2.0, seconds=120.0, snr_db=-5.0, others=((830.0, 10.0),), seed=10)  # type: ignore[arg-type]
    plan = Plan.from_dict({"sent": {"keying": mode, "dit_s": 2.0}})
    m = measured(s, plan).measurements
    assert m.keying.text is not None and m.keying.text[:-1].strip() in heard_text(s)
    assert m.signal.tone_hz == pytest.approx(s.tone_hz, abs=0.1)
    assert any(abs(o.frequency_hz - 830.0) < 1.0 for o in m.lines.others)


def test_course_is_as_smooth_as_the_runs_allow() -> None:
    """Straight: the shift's sigma is that of a line and a step. Bent: the step is still found."""
    rng = np.random.default_rng(11)
    t = np.arange(60.0)
    high = rng.random(60) < 0.5
    for bend, most in ((0.0, 1.15), (3.0, 2.0)):
        errors, sigmas = [], []
        for _ in range(300):
            hz = 800.0 + 0.02 * t + bend * np.exp(-t / 15.0) + 0.5 * high + 0.05 * rng.standard_normal(60)
            fit = fit_path(ToneFit(t, hz, np.full(60, 0.05**2), high, np.arange(60)))
            assert fit is not None
            errors.append(fit.shift_hz - 0.5)
            sigmas.append(fit.shift_sigma)
        columns = np.column_stack([np.ones(60), t, high])
        bound = 0.05 * np.sqrt(np.linalg.inv(columns.T @ columns)[2, 2])  # closed form of least squares
        assert np.std(errors) < most * bound
        # 95 % intervals; 300 trials scatter by 1.3 %, so the upper one is 3 sigma; a scatter below 1 is not believed
        assert 0.917 < np.mean(np.abs(errors) < 1.96 * np.array(sigmas)) < 0.99


def test_tones_too_near_for_the_signal_are_named() -> None:
    """12 dB in a dit and half of 1/dit leave 8 dB to tell the tones apart by: no text, and the reason."""
    s = replace(NARROW, mode="fskcw", shift_hz=0.5, snr_db=-19.0, seconds=90.0, seed=12)
    k = measured(s).measurements.keying
    assert k.text is None
    assert k.missing["text"]


@pytest.mark.parametrize("inner", [0.33, 0.5, 1.0])
def test_gaps_of_dfcw_are_sorted_by_their_own_scatter(inner: float) -> None:
    """Many gaps inside characters, a few between words: the many are no two kinds, the few not pooled with letters'.

    1, 3 and 6 times the inner gap, which scatter by 2.5 / 30 of a dit as noise makes them at 14.8 dB in a dit.
    """
    rng = np.random.default_rng(13)
    true = np.array([0] * 22 + [1] * 8 + [2] * 2)
    wrong, sure = 0, []
    for _ in range(40):
        gap = inner * np.array([1.0, 3.0, 6.0])[true] + rng.normal(0.0, 2.5 / 30, true.size)
        kind, probability = gap_classes(2.0 * gap, 2.0, 30.0)
        wrong += int(np.sum(kind != true))
        sure.append(float(np.mean(1 - probability)))
    assert wrong <= 12  # of 1280; the probabilities expect fewer than that, too
    assert 32 * sum(sure) <= 25


def test_weak_dfcw_with_short_gaps_is_no_gibberish() -> None:
    """14.3 dB in a dit, a third of it in a gap: here and there a sign may be wrong, but not the message."""
    s = Slow(
        mode="dfcw", dit_s=1.0, shift_hz=3.0, seconds=60.0, element_gap=0.33, letter_gap=1.0, snr_db=-19.7, seed=14
    )
    text = measured(s).measurements.keying.text
    assert text is None or SequenceMatcher(None, text, heard_text(s)[: len(text) + 3]).ratio() > 0.7
