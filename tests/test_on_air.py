"""Carrier, reference and clock: arithmetic done by hand in the test."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from sigcheck import Plan, diagnose, from_samples
from sigcheck.measure.on_air import clock_drift, next_starts, on_air, reference_formula
from sigcheck.measure.results import Keying, OnAir, Signal, Slot, not_measured_family
from sigcheck.recording import Recording

START = datetime(2026, 11, 1, 10, 2, 0, 250_000, tzinfo=UTC)
NO_SLOT = not_measured_family(Slot, "no slow mode")
NO_KEYING = not_measured_family(Keying, "steady")
WHOLE: dict[str, Any] = {
    "carrier": {"hz": 10_140_070.0, "reference_hz": 25e6},
    "timing": {"repeat_s": 120, "after_s": 1.0},
    "receiver": {"dial_hz": 10_138_700.0, "sideband": "usb", "error_ppm": 0.8, "error_ppm_sigma": 0.1},
    "recorder": {"sample_rate_error_ppm": -12.0, "sample_rate_error_ppm_sigma": 0.5},
}


def recording(start_utc: datetime | None = START) -> Recording:
    return from_samples(np.zeros(8000, np.float32), 8000.0, start_utc=start_utc, start_utc_sigma_s=0.1)


def heard(tone_hz: float | None = 1382.0, *, plan: dict[str, Any] = WHOLE, slot: Slot = NO_SLOT,
          present_s: tuple[float, float] | None = None, start_utc: datetime | None = START) -> OnAir:  # fmt: skip
    signal = Signal(
        kind="steady", tone_hz=tone_hz, tone_hz_sigma=0.03, present_s=present_s, missing={"tone_hz": "too weak"}
    )
    return on_air(signal, slot, NO_KEYING, Plan.from_dict(plan), recording(start_utc))


def test_without_a_plan_each_reason_says_what_is_lacking() -> None:
    missing = on_air(Signal(kind="steady", tone_hz=1500.0), NO_SLOT, NO_KEYING, None, recording(None)).missing
    assert "dial" in missing["carrier_hz"] and "--plan" in missing["carrier_hz"]
    assert "start" in missing["clock_correction_s"] and "dial" not in missing["clock_correction_s"]


def test_carrier_by_hand() -> None:
    """1 ppm at 10 MHz is 10 Hz: +0.8 ppm of 10138700 Hz is 8.11096 Hz; -12 ppm of 1382 Hz is -0.016584 Hz."""
    found = heard()
    assert found.carrier_hz == pytest.approx(10_138_700 + 8.11096 + 1382 - 0.016584, abs=1e-6)
    assert found.error_hz == pytest.approx(20.094376, abs=1e-6)
    assert found.error_ppm == pytest.approx(20.094376 / 10.14007, abs=1e-6)
    # 0.1 ppm of the dial is 1.01387 Hz, beside which 0.03 Hz of the tone is little
    assert found.carrier_hz_sigma == pytest.approx((1.01387**2 + 0.03**2 + (0.5e-6 * 1382) ** 2) ** 0.5)
    assert found.error_ppm_sigma == pytest.approx(found.carrier_hz_sigma / 10.14007)
    assert found.clock_correction_s is None and found.missing["clock_correction_s"]
    assert found.unexplained() == []


def test_lower_sideband_counts_downwards() -> None:
    plan = {"carrier": {"hz": 7_000_000.0}, "receiver": {"dial_hz": 7_001_000.0, "sideband": "lsb"}}
    found = heard(1010.0, plan=plan)
    assert found.carrier_hz == pytest.approx(6_999_990.0)
    assert found.error_hz == pytest.approx(-10.0)
    # uncalibrated: 10 ppm of the dial, 50 ppm of the tone
    assert found.carrier_hz_sigma == pytest.approx((70.01**2 + 0.0505**2 + 0.03**2) ** 0.5)
    assert found.corrected_reference_hz is None
    assert "reference" in found.missing["corrected_reference_hz"]


def test_the_corrected_reference_puts_the_carrier_right() -> None:
    """The synthesiser sends told-to-true off: entering the true reference must give the wanted carrier."""
    true_reference, told, wanted = 25_000_049.5, 25e6, 10_140_070.0
    sent = wanted * true_reference / told
    plan = WHOLE | {"receiver": {"dial_hz": 10_138_700.0, "sideband": "usb", "error_ppm": 0, "error_ppm_sigma": 0.01},
                    "recorder": {"sample_rate_error_ppm": 0}}  # fmt: skip
    found = heard(sent - 10_138_700.0, plan=plan)
    assert found.corrected_reference_hz == pytest.approx(true_reference, abs=1e-3)
    assert wanted * true_reference / found.corrected_reference_hz == pytest.approx(wanted, abs=1e-3)
    text = reference_formula(found, Plan.from_dict(plan))
    assert text == "reference x heard / wanted = 25000000 Hz x 10140090.08 Hz / 10140070 Hz = 25000049.50 Hz"


def test_a_late_start_asks_for_the_clock_to_be_put_forward() -> None:
    slot = replace(NO_SLOT, start_offset_s=2.4, start_offset_s_sigma=0.02, start_offset_from="slot")
    found = heard(slot=slot)
    assert found.clock_correction_s == pytest.approx(1.4)
    assert found.clock_correction_s_sigma == pytest.approx(np.hypot(0.02, 0.1))
    # from the recording's first sample, 10:02:00.25: 0.35 s into it is 0.4 s early
    slot = replace(slot, start_offset_s=0.35, start_offset_from="recording")
    assert heard(slot=slot).clock_correction_s == pytest.approx(-0.4)
    # in the odd minute
    slot = replace(slot, start_offset_s=61.0, start_offset_from="slot")
    assert abs(heard(slot=slot).clock_correction_s or 0) == pytest.approx(60.0)


def test_a_keyed_transmission_is_timed_only_where_it_is_seen_to_begin() -> None:
    assert heard(present_s=(4.75, 30.0)).clock_correction_s == pytest.approx(4.0)
    assert "beginning" in heard(present_s=(0.0, 30.0)).missing["clock_correction_s"]
    assert "UTC" in heard(present_s=(4.75, 30.0), start_utc=None).missing["clock_correction_s"]


def test_what_is_not_known_is_said() -> None:
    for plan, tone, word in (({}, 700.0, "dial"), (WHOLE, None, "too weak")):
        found = heard(tone, plan=plan)
        assert found.carrier_hz is None
        assert word in found.missing["carrier_hz"]
        assert found.unexplained() == []
        assert reference_formula(found, Plan.from_dict(plan)) is None


def test_next_starts() -> None:
    plan = Plan.from_dict({"timing": {"repeat_s": 120, "after_s": 1.0}})
    now = datetime(2026, 11, 1, 23, 57, 30, tzinfo=UTC)
    assert [f"{m:%d %H:%M:%S}" for m in next_starts(plan, now)] == ["01 23:58:01", "02 00:00:01", "02 00:02:01"]
    # 25 minutes: begun anew every hour; six hours: from midnight
    plan = Plan.from_dict({"timing": {"repeat_s": 1500}})
    assert [f"{m:%H:%M}" for m in next_starts(plan, now, 4)] == ["00:00", "00:25", "00:50", "01:00"]
    plan = Plan.from_dict({"timing": {"repeat_s": 21600}})
    assert [f"{m:%d %H:%M}" for m in next_starts(plan, now, 2)] == ["02 00:00", "02 06:00"]
    assert next_starts(Plan(), now) == ()


def test_clock_drift_by_hand() -> None:
    """A clock 20 ppm slow loses 1.728 s a day; 0.2 s late now, it passes 1 s in 0.8 / 1.728 days."""
    moments = [START + timedelta(hours=h) for h in (0, 2, 4, 6, 8)]
    late = [0.2 + 20e-6 * (m - moments[-1]).total_seconds() for m in moments]
    found = clock_drift(moments, late, [0.01] * 5, window_s=1.0)
    assert found is not None
    assert found.s_per_day == pytest.approx(1.728)
    assert found.late_s == pytest.approx(0.2)
    # sigma of a slope: sigma / sqrt(sum (t - mean)^2), t = 0, 2, 4, 6, 8 h
    assert found.s_per_day_sigma == pytest.approx(0.01 / np.sqrt(40) * 24)
    assert found.leaves_utc is not None
    assert (found.leaves_utc - moments[-1]).total_seconds() == pytest.approx(0.8 / 20e-6, abs=1)
    assert found.leaves_from_utc is not None and found.leaves_to_utc is not None
    assert found.leaves_from_utc < found.leaves_utc < found.leaves_to_utc


def test_clock_drift_covers_the_truth() -> None:
    rng = np.random.default_rng(4)
    moments = [START + timedelta(minutes=4 * k) for k in range(30)]
    day = np.array([(m - START).total_seconds() / 86400 for m in moments])
    pulls = []
    for _ in range(200):
        found = clock_drift(moments, -1.2 * day + 0.05 * rng.standard_normal(30), [0.05] * 30, window_s=1.0)
        assert found is not None
        pulls.append((found.s_per_day + 1.2) / found.s_per_day_sigma)
    # sigma of an rms of 200: 5 %; the sigma is at least that of the stated scatter, so rather too large
    assert 0.8 < np.sqrt(np.mean(np.square(pulls))) < 1.12


def test_one_slot_says_nothing_of_drift() -> None:
    assert clock_drift([START], [0.1], [0.1], window_s=1.0) is None
    assert clock_drift([START, START], [0.1, 0.2], [0.1, 0.1], window_s=1.0) is None


def test_it_reaches_the_result() -> None:
    t = np.arange(10 * 8000) / 8000
    rng = np.random.default_rng(1)
    x = 0.2 * np.cos(2 * np.pi * 1382.0 * t) + 0.01 * rng.standard_normal(t.size)
    result = diagnose(from_samples(x.astype(np.float32), 8000.0), Plan.from_dict(WHOLE)).to_dict()
    assert result["on_air"]["error_hz"] == pytest.approx(20.094, abs=0.1)
