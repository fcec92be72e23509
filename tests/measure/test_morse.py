"""Reading Morse: the code table, speeds and fists, and what must not be read."""

from __future__ import annotations

import os
from pathlib import Path

import keyed_audio as audio
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigcheck.measure.morse import CODE, classify, decode

TEXT = "VVV DE Q5KAP Q5KAP LOC AB12CD PWR 0.2 W = TEST 73 + K "


def errors(sent: str, read: str | None) -> float:
    """Edit distance over the length sent."""
    row = np.arange(len(read or "") + 1)
    for i, a in enumerate(sent, 1):
        before = row.copy()
        row[0] = i
        for j, b in enumerate(read or "", 1):
            row[j] = min(before[j] + 1, row[j - 1] + 1, before[j - 1] + (a != b))
    return float(row[-1]) / len(sent)


def test_code_is_that_of_the_recommendation() -> None:
    # Rec. ITU-R M.1677-1, Annex 1, part I, as two transcriptions give it
    for sign, pattern in audio.CODE.items():
        assert CODE[pattern] == sign
    # lengths in units without the letter gap, counted from the table's elements
    lengths = {"A": 5, "E": 1, "T": 3, "J": 13, "Q": 13, "0": 19, "5": 9, "?": 15, "=": 13, "+": 13, "@": 17}
    patterns = {sign: pattern for pattern, sign in CODE.items()}
    for sign, units in lengths.items():
        elements = patterns[sign]
        assert sum(3 if e == "-" else 1 for e in elements) + len(elements) - 1 == units


@pytest.mark.parametrize("wpm", [5, 12, 20, 35, 60])
def test_even_sending_at_any_speed(wpm: float) -> None:
    on, off = audio.key_times(TEXT * 2, 1.2 / wpm)
    read = decode(on, off)
    assert read.text == (TEXT * 2).strip()
    assert read.confidence == pytest.approx(1.0, abs=1e-3)
    assert read.timing is not None
    assert read.timing.unit_s == pytest.approx(1.2 / wpm, rel=1e-3)  # 1.2 s / WPM: the standard word
    assert read.timing.dah_s / read.timing.dit_s == pytest.approx(3.0, rel=1e-3)


def test_slow_keying_differs_in_scale_only() -> None:
    on, off = audio.key_times("Q5KAP", 30.0)
    read = decode(on, off)
    assert read.text == "Q5KAP"
    assert read.timing is not None and read.timing.unit_s == pytest.approx(30.0, rel=1e-3)


@pytest.mark.parametrize(
    ("fist", "most"),
    [
        ({"weighting": 0.16}, 0.0),  # gaps two thirds of the dits
        ({"weighting": -0.15}, 0.0),
        ({"jitter": 0.08}, 0.0),
        ({"jitter": 0.15}, 0.01),
        ({"jitter": 0.15, "ratio": 4.5}, 0.01),
        # dahs of 2.4 dits and 15 %: neighbours are under three deviations from the middle between them
        ({"jitter": 0.15, "ratio": 2.4}, 0.05),
        ({"jitter": 0.12, "ratio": 4.2, "letter": 2.5, "gap_jitter": 0.25}, 0.03),
        ({"weighting": 0.13, "jitter": 0.03, "gap_jitter": 0.2}, 0.01),
        ({"jitter": 0.1, "letter": 4.5, "word": 12.0, "gap_jitter": 0.2}, 0.02),
    ],
)
def test_fists(fist: dict[str, float], most: float) -> None:
    rates = []
    for seed in range(6):
        on, off = audio.key_times(TEXT * 3, 0.08, seed=seed, **fist)
        rates.append(errors((TEXT * 3).strip(), decode(on, off).text))
    assert np.mean(rates) <= most


def test_a_letter_gap_cut_short_is_read_by_how_long_signs_are_here() -> None:
    """Between E and N a gap of 1.9 units, near the geometric mean of 1 and 3.5: among short signs it ends one.

    Where all signs are long, as figures are, the same gap between the same elements lies inside one.
    """
    rng = np.random.default_rng(3)
    for signs, joined in (("ETAINMEETTANIMSE", "EN"), ("0123456789", "R")):
        text = "".join(rng.choice(list(signs), 100)) + "EN" + "".join(rng.choice(list(signs), 20))
        on, off, at = [], [], 0.0
        for sign in text:
            for k, element in enumerate(audio.CODE[sign]):
                at += (1 + 0.15 * rng.standard_normal()) * 0.1 if k else 0.0
                on.append(at)
                at += (3.0 if element == "-" else 1.0) * (1 + 0.08 * rng.standard_normal()) * 0.1
                off.append(at)
            at += 0.35 * (1 + 0.12 * rng.standard_normal())
        first = sum(len(audio.CODE[sign]) for sign in text[:100])
        late = 0.19 - (on[first + 1] - off[first])
        times = np.array(on), np.array(off)
        for moved in times:
            moved[first + 1 :] += late
        times[1][first] = off[first]
        assert decode(*times).text == text[:100] + joined + text[102:]


def test_speed_may_wander() -> None:
    on, off = audio.key_times(TEXT * 4, 0.08)
    stretch = np.linspace(0.8, 1.25, 200)
    clock = np.concatenate([[0.0], np.cumsum(stretch)]) * (off[-1] + 1) / stretch.size
    at = np.linspace(0.0, off[-1] + 1, clock.size)
    read = decode(np.interp(on, at, clock), np.interp(off, at, clock))
    assert errors((TEXT * 4).strip(), read.text) < 0.01


def test_gaps_of_a_half_automatic_key() -> None:
    # such a key times the gaps after its dits; those beside dahs are the hand's and twice as long
    on, off = audio.key_times(TEXT * 2, 0.05)
    dah = off - on > 0.1
    inside = on[1:] - off[:-1] < 0.07
    later = np.concatenate([[0.0], np.cumsum(np.where(inside & (dah[:-1] & dah[1:]), 0.04, 0.0))])
    assert errors((TEXT * 2).strip(), decode(on + later, off + later).text) < 0.02


@pytest.mark.parametrize(
    ("fast", "slow", "letter_s", "word_s"), [(18, 5, 1.5684, 3.6596), (13, 5, 1.4429, 3.3668)]
)
def test_stretched_spacing(fast: float, slow: float, letter_s: float, word_s: float) -> None:
    # QEX, April 1990: characters at one speed, the text at another; gaps as its formula gives them
    dit = 1.2 / fast
    on, off = audio.key_times(TEXT, dit, letter=letter_s / dit, word=word_s / dit)
    assert decode(on, off).text == TEXT.strip()
    timing = classify(on, off)
    assert timing.gaps_s[1] == pytest.approx(letter_s, rel=0.02)


def test_unknown_signs_are_shown_as_their_elements() -> None:
    on, off = audio.key_times("PARIS PARIS", 0.1)
    extra_on, extra_off = [], []
    t = off[-1] + 0.7
    for e in ".-.-..":
        extra_on.append(t)
        t += 0.1 if e == "." else 0.3
        extra_off.append(t)
        t += 0.1
    read = decode(np.append(on, extra_on), np.append(off, extra_off))
    assert read.text == "PARIS PARIS [.-.-..]"


def test_procedure_signs() -> None:
    # end of work, wait, understood, error: M.1677-1 (the first three from memory, not looked up)
    on, off = audio.key_times("PARIS PARIS PARIS", 0.1)
    for pattern in ("...-.-", ".-...", "...-.", "........"):
        starts = off[-1] + 0.7 + np.cumsum([0.0] + [0.2 if e == "." else 0.4 for e in pattern[:-1]])
        on = np.append(on, starts)
        off = np.append(off, starts + [0.1 if e == "." else 0.3 for e in pattern])
    assert decode(on, off).text == "PARIS PARIS PARIS {end of work} {wait} {understood} {error}"


def test_nothing_is_filled_in() -> None:
    # the same word five times, one of them with an element missing: repetition mends nothing
    on, off = audio.key_times("PARIS " * 5, 0.1)
    per_word = on.size // 5
    lost = 2 * per_word + 4  # the third word's A loses its dit
    read = decode(np.delete(on, lost), np.delete(off, lost))
    assert read.text is not None
    assert read.text.count("PARIS") == 4
    assert read.text.startswith("PARIS PARIS P TRIS PARIS")  # a gap of five units is nearer seven than three


def test_noise_gives_no_text() -> None:
    rng = np.random.default_rng(3)
    read = 0
    for _ in range(60):
        times = np.cumsum(rng.exponential(0.1, 2 * rng.integers(3, 80)) + 0.01)
        read += decode(times[::2], times[1::2]).text is not None
    assert read <= 1


def test_too_little_is_refused_with_a_reason() -> None:
    for n in range(3):
        on = np.arange(n) * 0.2
        read = decode(on, on + 0.1)
        assert read.text is None and read.reason == "too few key-down elements to tell dits from dahs"


def test_characters_cut_by_the_recording_are_left_out() -> None:
    on, off = audio.key_times("PARIS PARIS", 0.1)
    read = decode(on[1:], off[1:], cut_start=True)  # P has lost its dit, and what is left of it is cut
    assert read.text == "ARIS PARIS"
    read = decode(on[:-1], off[:-1], cut_end=True)
    assert read.text == "PARIS PARI"


def test_confidence_follows_the_errors() -> None:
    right, claimed = [], []
    for seed in range(12):
        on, off = audio.key_times(TEXT, 0.08, jitter=0.2, ratio=2.6, seed=seed)
        read = decode(on, off)
        right.append(1 - errors(TEXT.strip(), read.text))
        claimed.append(read.confidence or 0.0)
    assert np.mean(right) < 0.97  # such a fist is hard to read,
    assert np.mean(claimed) == pytest.approx(np.mean(right), abs=0.06)  # and the reader knows it


@settings(max_examples=80, deadline=None)
@given(st.lists(st.floats(1e-4, 1e3), min_size=2, max_size=60))
def test_any_times_are_survived(steps: list[float]) -> None:
    times = np.cumsum(steps[: len(steps) // 2 * 2])
    read = decode(times[::2], times[1::2])
    assert (read.text is None) == (read.reason is not None)
    assert all(0.0 <= c <= 1.0 for c in read.confidences)


@pytest.mark.skipif("SIGCHECK_REAL_AUDIO" not in os.environ, reason="SIGCHECK_REAL_AUDIO is not set")
@pytest.mark.parametrize(
    ("name", "tone_hz", "unit_s", "ratio"),
    [
        ("keyed-beacon-168s.flac", 1258.5, 0.0795, 2.99),
        ("keyed-by-hand-60s.flac", 1488.6, 0.0480, 4.0),
        ("ident-tone-noisy-10s.flac", 1024.0, 0.1092, 3.0),
    ],
)
def test_real_signals_timing(name: str, tone_hz: float, unit_s: float, ratio: float) -> None:
    # lengths as read by eye from the envelope, to a per cent or so; the fist's dahs wander by more
    from sigcheck import recording
    from sigcheck.measure import carrier, spectrum
    from sigcheck.measure.keyed import segmentation

    rec = recording.load(Path(os.environ["SIGCHECK_REAL_AUDIO"]) / name)
    rate = rec.sample_rate_hz
    base = carrier.find(spectrum.survey(rec.channel(0), rate, top_hz=min(6000.0, rate / 2)), tone_hz=tone_hz)
    assert not isinstance(base, carrier.NotFound)
    marks = segmentation.segment(base)
    assert marks.keyed
    timing = classify(marks.on_s, marks.off_s)
    assert timing.unit_s == pytest.approx(unit_s, rel=0.06 if "hand" in name else 0.015)
    pair = timing.dah_s + timing.gaps_s[0]
    assert pair / timing.unit_s - 1 == pytest.approx(ratio, rel=0.1 if "hand" in name else 0.03)
