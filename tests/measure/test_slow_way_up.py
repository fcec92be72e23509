"""Shifted keying on the wrong sideband, far drifts, and how sure the signs of slow keying are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Measurements
from sigcheck.plan import Plan
from sigcheck.recording import from_samples
from sigcheck.report.settings import setting_lines
from tests.independent.slow import Slow, heard_text, samples

DITS = Slow(mode="dfcw", text="5KAP 6UNM ", dit_s=0.8, seconds=70.0, begin_s=4.0, snr_db=0.0, seed=21)


def measured(s: Slow, plan: dict[str, object] | None = None) -> Measurements:
    recording = from_samples(samples(s).astype(np.float32), s.rate)
    return measure(recording, plan=None if plan is None else Plan.from_dict(plan)).measurements


def spells(text: str | None, s: Slow) -> bool:
    return text is not None and len(text) > 4 and text[:-1].strip() in heard_text(s)


@pytest.mark.parametrize("inverted", [False, True])
def test_dits_and_dahs_exchanged_read_both_ways(inverted: bool) -> None:
    """K is -.-, upside down .-. or R: nothing in the lengths tells, so neither text is given as sure."""
    s = replace(DITS, inverted=inverted)
    m = measured(s)
    k = m.keying
    assert spells(k.text, s) or any(spells(other, s) for other in k.other_readings)
    assert k.text_confidence is not None and k.text_confidence < 0.95 and k.other_readings
    lines = setting_lines({"keying": {"other_readings": k.other_readings}})
    assert any("upside down" in line for line in lines)


@pytest.mark.parametrize("inverted", [False, True])
def test_the_planned_sideband_tells_the_way_up(inverted: bool) -> None:
    """Audio of an lsb receiver is the dial less what is on the air: it turns over what a usb one leaves."""
    s = replace(DITS, inverted=inverted)
    m = measured(s, {"receiver": {"sideband": "lsb" if inverted else "usb"}})
    assert spells(m.keying.text, s)
    assert m.slot.shift_hz == pytest.approx(-s.shift_hz if inverted else s.shift_hz, abs=0.05)


@pytest.mark.parametrize("inverted", [False, True])
def test_a_sign_without_an_opposite_tells(inverted: bool) -> None:
    """V (...-) upside down would be ---., which Rec. ITU-R M.1677-1 does not have."""
    s = replace(DITS, text="VVV DE Q5KAP ", inverted=inverted, seed=22)
    m = measured(s)
    assert spells(m.keying.text, s)
    assert m.keying.text_confidence is not None and m.keying.text_confidence > 0.9


@pytest.mark.parametrize("inverted", [False, True])
def test_lengths_tell_shifted_morse(inverted: bool) -> None:
    """15 dB in a dit: upside down the gaps between words would be marks of seven units, the text all E and T."""
    s = replace(DITS, mode="fskcw", text="QMXIE ", snr_db=-18.0, seconds=110.0, inverted=inverted, seed=23)
    k = measured(s).keying
    assert spells(k.text, s)
    assert not k.other_readings


def test_drift_beyond_the_band_about_the_tone() -> None:
    """1.3 Hz a second, as a receiver that slides: 90 Hz over the recording."""
    s = replace(DITS, mode="fskcw", text="Q7W8E ", drift_hz_per_min=78.0, shift_hz=5.0, tone_hz=900.0, seed=24)
    m = measured(s)
    assert m.slot.kind == "fskcw" and spells(m.keying.text, s)
    assert m.drift.rate_hz_per_min == pytest.approx(78.0, abs=0.1)


@pytest.mark.slow
def test_certainty_is_that_of_the_letters() -> None:
    """12 to 14 dB in a dit: signs are wrong here and there, and as often as their confidence says.

    Sixty signs of which p is right scatter by sqrt(p (1 - p) / 60), 0.06 at most; three times that are allowed.
    """
    right, said = [], []
    for seed in range(6):
        s = replace(DITS, mode="fskcw", text="QMXIE ", snr_db=-19.5 - 0.4 * (seed % 3), seconds=90.0, seed=30 + seed)
        k = measured(s).keying
        if k.text is None:
            continue
        whole, heard = heard_text(s).replace(" ", ""), k.text.replace(" ", "")
        if len(heard) != len(k.character_confidence):
            continue  # with a pattern in brackets: its places can't be counted so simply
        places = [[a == b for a, b in zip(heard, whole[i:], strict=False)] for i in range(5)]
        right += max(places, key=sum)
        said += k.character_confidence
    assert len(right) > 40
    assert np.mean(right) > np.mean(said) - 0.18
