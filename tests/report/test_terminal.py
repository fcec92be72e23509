"""The terminal's summary: order, words, width, and nothing that steers the terminal."""

from __future__ import annotations

import re

import pytest
from examples_for_report import clean, faulty, no_signal
from hypothesis import given
from hypothesis import strategies as st

from sigcheck.report import words
from sigcheck.report.terminal import summary

EXAMPLES = {"faulty": faulty, "clean": clean, "no-signal": no_signal}


def test_it_says_what_the_page_says_in_its_order() -> None:
    text = summary(faulty())
    order = [
        "Faulty: hum on the tone.",
        "carrier to noise density 58.6 dBHz",
        words.CAUSE,
        "57 %  hum from the transmitter's supply",
        "41 %  or the signal on the house wiring",
        "for      sidebands of twice the mains",
        "38 %  perhaps the oscillator warming up",
        words.NEXT,
        "Run the transmitter from a battery",
        "- hum on the tone: gone: then transmitter supply hum",
        words.WRONG,
        "fault hum on the tone  -28.9 ± 0.3 dBc (limit -40 dBc)",
        "note  chirp            12.4 ± 0.5 Hz (limit 5 Hz)",
        words.UNTESTED,
        "backwave, hum in the audio",
        "no compliance test",
    ]
    places = [text.index(phrase) for phrase in order]
    assert places == sorted(places)


def test_clean_accuses_nobody() -> None:
    text = summary(clean())
    assert text.startswith("Clean: nothing beyond its limit as far as could be seen.")
    assert words.CAUSE not in text and words.WRONG not in text


def test_no_signal_says_what_to_check() -> None:
    text = summary(no_signal())
    for what in ("No signal found.", "Check that the dial", "The sideband:", "The level:", "The transmitter:"):
        assert what in text
    assert words.UNTESTED not in text


@pytest.mark.parametrize("example", EXAMPLES)
@pytest.mark.parametrize("width", [32, 40, 60, 80, 200])
def test_it_keeps_to_the_width(example: str, width: int) -> None:
    # One word may be longer than a line; none in the examples is.
    assert max(len(line) for line in summary(EXAMPLES[example](), width=width).split("\n")) <= width


@pytest.mark.parametrize("example", EXAMPLES)
def test_colour_adds_nothing_but_colour(example: str) -> None:
    result = EXAMPLES[example]()
    coloured = summary(result, colour=True)
    assert "\x1b[" in coloured and "\x1b" not in summary(result)
    assert re.sub(r"\x1b\[[\d;]*m", "", coloured) == summary(result)


@given(st.text(), st.integers(-5, 300))
def test_texts_from_outside_do_not_steer_the_terminal(text: str, width: int) -> None:
    result = faulty()
    result["keying"]["text"] = text
    result["causes"][0]["text"] = f"a{text}"
    result["causes"][0]["for"] = [text]
    out = summary(result, width=width)
    assert all(c.isprintable() or c == "\n" for c in out)
