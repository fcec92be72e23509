"""What to enter in the transmitter, in words."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from sigcheck.report.settings import setting_lines

NOW = datetime(2026, 11, 1, 10, 3, 0, tzinfo=UTC)


def result(**on_air: Any) -> dict[str, Any]:
    return {
        "on_air": on_air,
        "plan": {
            "carrier": {"hz": 10140070.0, "reference_hz": 25e6},
            "timing": {"repeat_s": 120, "after_s": 1},
            "receiver": {"dial_hz": 10138700.0, "sideband": "usb"},
        },
    }


FREQUENCY = {"carrier_hz": 10140090.1, "error_hz": 20.1, "error_ppm": 1.98, "corrected_reference_hz": 25000049.56}


def test_the_sum_is_shown() -> None:
    sigmas = {"carrier_hz_sigma": 1.0, "error_hz_sigma": 1.0, "error_ppm_sigma": 0.1,
              "corrected_reference_hz_sigma": 2.5}  # fmt: skip
    first, second = setting_lines(result(**FREQUENCY, **sigmas))
    assert first == "Carrier on 10140090 ± 1 Hz, off by +20 ± 1 Hz (+2.0 ± 0.1 ppm)"
    assert second == (
        "Enter as the reference: reference x heard / wanted = 25000000 Hz x 10140090.1 Hz / 10140070 Hz = 25000049.6 Hz"
    )


def test_an_uncalibrated_receiver_corrects_nothing() -> None:
    lines = setting_lines(result(**FREQUENCY, carrier_hz_sigma=101.0, error_hz_sigma=101.0, error_ppm_sigma=10.0))
    assert "calibrate them before correcting anything" in lines[1]
    assert len(lines) == 2


def test_the_clock() -> None:
    late = setting_lines(result(clock_correction_s=1.4, clock_correction_s_sigma=0.1), NOW)
    assert late == [
        "It starts 1.4 ± 0.1 s late: put the transmitter's clock forward by that much",
        "The next starts should be at 10:04:01, 10:06:01, 10:08:01 UTC",
    ]
    early = setting_lines(result(clock_correction_s=-1.4, clock_correction_s_sigma=0.1))
    assert early == ["It starts 1.4 ± 0.1 s early: put the transmitter's clock back by that much"]
    right = setting_lines(result(clock_correction_s=0.1, clock_correction_s_sigma=0.29))
    assert "when it should" in right[0]


def test_nothing_measured_says_nothing() -> None:
    assert setting_lines({}) == []
    assert setting_lines(result()) == []
    assert setting_lines({"on_air": None, "plan": {"sent": {"from": "a newer version"}}}) == []


def test_the_wrong_minute() -> None:
    (line,) = setting_lines(result(clock_correction_s=-59.2, clock_correction_s_sigma=0.3))
    assert line.startswith("It starts in the wrong minute, 1 min early, and 0.8 s off within it")


def test_settings_taken_for_one_another() -> None:
    slow = {"plan": {"sent": {"keying": "qrss", "dit_s": 6.0}}, "keying": {"dit_s": 0.2}}  # 1.2 / 0.2 = 6 WPM
    assert "set as a speed" in setting_lines(slow)[0]
    fast = {"plan": {"sent": {"keying": "cw", "speed_wpm": 6}}, "keying": {"dit_s": 6.1}}
    assert "set as the length of a dit" in setting_lines(fast)[0]
    right = {"plan": {"sent": {"keying": "cw", "speed_wpm": 6}}, "keying": {"dit_s": 0.2}}
    assert setting_lines(right) == []
    shifted = {"keying": "fskcw", "dit_s": 6.0, "shift_hz": 5.0}
    # audio of an lsb receiver is the dial less what is on the air, so an upward shift goes down there
    for side, other, heard in (("lsb", "usb", 5.0), ("usb", "lsb", -5.0)):
        inverted = {"plan": {"sent": shifted, "receiver": {"sideband": side}}, "slot": {"shift_hz": heard}}
        assert f"may have stood on {other}" in setting_lines(inverted)[0]
        assert setting_lines({**inverted, "slot": {"shift_hz": -heard}}) == []
