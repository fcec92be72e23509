"""Morse code table and timing against Rec. ITU-R M.1677-1 and published timing conventions."""

from __future__ import annotations

import numpy as np
import pytest

from .arrays import SIGNS, diagnosed, keyed

# A unit lasts 1.2 s / WPM, the standard word PARIS 50 units (Pierpont, The Art and Skill of
# Radio-Telegraphy, ch. 24).
DIT_MS = {5: 240.000, 10: 120.000, 12: 100.000, 13: 92.308, 15: 80.000, 20: 60.000, 25: 48.000, 30: 40.000,
          40: 30.000}  # fmt: skip


@pytest.mark.parametrize("sign", SIGNS)
def test_code_table(sign: str) -> None:
    from sigcheck.measure.morse import CODE

    pattern, units = SIGNS[sign]
    # the transcriptions' patterns, and their lengths counted from 1, 3 and 1 units (checks the typing here)
    assert sum({".": 1, "-": 3}[e] for e in pattern) + len(pattern) - 1 == units
    assert CODE[pattern] == sign


def test_error_sign_has_eight_dits() -> None:
    from sigcheck.measure.morse import CODE

    assert "........" in CODE


@pytest.mark.parametrize("wpm", DIT_MS)
def test_speed_of_the_standard_word(wpm: int) -> None:
    seconds = max(14.0, 3 * 60 / wpm + 2)
    result = diagnosed(keyed("PARIS ", wpm, 12_000, seconds=seconds, length_s=0.004), 12_000)["keying"]
    # 0.1 % of ideal keying: the edges are found to some tens of microseconds, averaged over the elements
    assert result["dit_s"] == pytest.approx(DIT_MS[wpm] / 1000, rel=0.001)
    assert result["wpm"] == pytest.approx(wpm, rel=0.001)
    # dah / dit 3 (Rec. ITU-R M.1677-1, Annex 1, spacing and length of the signals); a sample of 83 us at
    # the edges of a dit is 0.3 % of it at 40 WPM
    assert result["dah_dit_ratio"] == pytest.approx(3.0, abs=0.01)
    assert result["weighting"] == pytest.approx(0.0, abs=0.003)
    assert result["element_jitter"] < 0.01
    assert result["text"].split() == ["PARIS"] * len(result["text"].split())
    assert len(result["text"].split()) >= 3


def test_key_down_share_of_the_standard_word() -> None:
    # PARIS with its word gap: 22 of 50 units; from the first key-down to the last key-up 7 units fewer
    result = diagnosed(keyed("PARIS ", 20, 12_000, seconds=32.0), 12_000)
    words = 10
    assert result["keying"]["text"] == " ".join(["PARIS"] * words)
    assert result["signal"]["key_down_fraction"] == pytest.approx(22 * words / (50 * words - 7), abs=0.002)


def test_every_sign_is_read() -> None:
    letters = "THE QUICK BROWN FOX JUMPS OVER A LAZY DOG 1234567890 /=+?,.:'-()\"@ "
    result = diagnosed(keyed(letters, 25, 12_000, seconds=50.0), 12_000)["keying"]
    assert result["text"] == letters.strip()
    assert result["text_confidence"] > 0.95


def test_spaces_of_three_and_seven_units() -> None:
    # gaps 1, 3 and 7 units (Rec. ITU-R M.1677-1): letters and words are parted where they should be
    result = diagnosed(keyed("E T IE MA 5 ", 18, 12_000, seconds=30.0), 12_000)["keying"]
    words = result["text"].split()
    assert words[:5] == ["E", "T", "IE", "MA", "5"]
    assert np.all([w == ["E", "T", "IE", "MA", "5"][i % 5] for i, w in enumerate(words)])
