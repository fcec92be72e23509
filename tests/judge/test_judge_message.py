"""The copied text against the planned one."""

from __future__ import annotations

import math
import random

import pytest

from sigcheck.judge.message import at_least, compare, misreadings

SENT = "VVV DE Q5KAP"
PLAIN = "VVVDEQ5KAP"


@pytest.mark.parametrize("start", range(10))
def test_any_rotation_and_part_of_the_message_is_the_message(start):
    endless = PLAIN * 4
    for length in (1, 5, 10, 23):
        assert misreadings(endless[start : start + length], PLAIN) == 0


def test_one_wrong_character_is_one_misreading():
    assert misreadings("VVVDEQ5KBP", PLAIN) == 1
    assert misreadings("VVVDEQ5KP", PLAIN) == 1  # lost
    assert misreadings("VVVDEQ5KAAP", PLAIN) == 1  # added


def test_a_boundary_misread_spoils_two_characters_but_is_one_misreading():
    assert misreadings("VVVDEQ5KEXP", PLAIN) == 1  # A read as two
    assert misreadings("VVVDEQ5XYP", PLAIN) == 1
    assert misreadings("VVVDEXYZUP", PLAIN) == 2


def test_lost_characters_across_the_seam_count_too():
    assert misreadings("VVVDEVVVDE", PLAIN) == 3  # five lost in a run


def test_poisson_tail_against_the_direct_sum():
    # closed form: 1 - sum of exp(-m) m^k / k!
    for mean in (0.03, 0.5, 4.0):
        for count in (1, 2, 5, 9):
            direct = 1 - sum(math.exp(-mean) * mean**k / math.factorial(k) for k in range(count))
            assert at_least(count, mean) == pytest.approx(direct, rel=1e-6, abs=1e-12)


def test_noise_makes_no_wrong_message():
    """Characters misread as often as the decoder states: called wrong in one of a thousand at most."""
    rng = random.Random(5)
    alarms = 0
    for _ in range(300):
        confidence = rng.choice((0.7, 0.9, 0.99))
        text = [c if rng.random() < confidence else rng.choice("ETANIM") for c in PLAIN * 4]
        result = compare("".join(text), [confidence] * len(text), confidence, SENT)
        assert result is not None
        alarms += result[1] < 1e-3
    assert alarms <= 2  # 0.3 expected; three or more would happen once in 280 runs of an honest test


def test_another_message_is_seen_through_the_noise():
    rng = random.Random(6)
    for _ in range(50):
        text = [c if rng.random() < 0.9 else rng.choice("ETANIM") for c in "CQDEQ7XYZ" * 4]
        result = compare("".join(text), [0.9] * len(text), 0.9, SENT)
        assert result is not None and result[1] < 1e-3


def test_the_same_wrong_letter_in_each_repeat_is_no_chance():
    result = compare("VVV DE Q5KUP " * 3, [0.995] * 30, 0.995, SENT)
    assert result is not None and result[0] == 3 and result[1] < 1e-3


def test_spaces_may_have_a_confidence_or_not():
    text = "VVV DE Q5KAP VVV"
    for confidences in ([0.9] * 13, [0.9] * len(text), []):
        assert compare(text, confidences, 0.9, SENT) == (0, 1.0)


def test_too_little_was_copied_to_compare():
    assert compare("VVV", [0.9] * 3, 0.9, SENT) is None


@pytest.mark.parametrize("text", ["QVV DE Q5KAP VVV DE Q5KAX", "QQV DE Q5KAP", "VVV DE Q5KQX"])
def test_the_first_and_the_last_character_count(text):
    """The decoder leaves out what the recording's ends cut, or is less sure of it: what it is sure of was sent."""
    result = compare(text, [1.0] * len(text.replace(" ", "")), 1.0, "VVV DE Q5KAP")
    assert result is not None and result[0] >= 1
    doubtful = [0.5, *[1.0] * (len(text.replace(" ", "")) - 2), 0.5]
    cut = compare(text, doubtful, 1.0, "VVV DE Q5KAP")
    assert cut is not None and cut[1] > 1e-3
