"""The analyser judged on recordings made in another way than those it was built with.

The bars are the ones that the project sets itself: of clean recordings at least nine in ten without
any symptom, of raspy ones at least eight in ten told apart (supply hum; re-modulation or overload;
overdrive). Seeds are fixed; `python -m tests.independent.examine` tries others and lists every kind.
"""

from __future__ import annotations

import functools

import pytest

from .cases import FAMILIES, FAULTS, KINDS, NOTHING
from .examine import Row, examine, report

SEED = 100


@functools.cache
def rows(kind: str, n: int) -> tuple[Row, ...]:
    """`n` recordings of a kind, examined once."""
    return tuple(examine(kind, SEED + i) for i in range(n))


def all_rows(kinds: tuple[str, ...], n: int) -> list[Row]:
    """Examined recordings of several kinds."""
    return [row for kind in kinds for row in rows(kind, n)]


def in_full(found: list[Row]) -> str:
    """The examiner's report, for the message of a failed test."""
    return "\n" + report(found, list_bad=True)


@pytest.mark.parametrize("n", [8, pytest.param(60, marks=pytest.mark.slow)])
def test_clean_recordings_have_no_symptom(n: int) -> None:
    found = all_rows(("clean-keyed", "clean-steady"), n)
    good = sum(row.error is None and not row.symptoms for row in found)
    assert good >= 0.9 * len(found), in_full(found)


@pytest.mark.parametrize("n", [3, pytest.param(25, marks=pytest.mark.slow)])
def test_raspy_recordings_are_told_apart(n: int) -> None:
    found = all_rows(tuple(FAMILIES), n)
    good = sum(row.error is None and row.told_apart() for row in found)
    assert good >= 0.8 * len(found), in_full(found)


def test_nothing_is_no_signal() -> None:
    found = all_rows(("none-noise", "none-silence"), 2)
    assert all(row.error is None and row.verdict == "no-signal" for row in found), in_full(found)


def test_hum_alone_is_mostly_no_signal() -> None:
    # A line of hum a few decibels over the noise may still pass for a weak steady tone (one in eight of
    # recordings that nothing was tuned on).
    found = all_rows(("none-hum",), 6)
    good = sum(row.error is None and row.verdict == "no-signal" for row in found)
    assert good >= len(found) - 1, in_full(found)


@pytest.mark.slow
def test_no_recording_of_any_kind_ends_in_an_exception() -> None:
    found = all_rows(KINDS, 2)
    assert not any(row.error for row in found), in_full(found)


# Of each fault at least three in four recordings show what is wrong (or say that noise hides it), and name
# a cause that a careful listener may name; speech is left out, for it may be taken for a keyed signal.
@pytest.mark.slow
@pytest.mark.parametrize("kind", [*FAULTS, "none-noise", "none-silence", "none-hum"])
def test_each_fault_is_seen_and_named(kind: str) -> None:
    found = list(rows(kind, 8))
    if kind in NOTHING:
        assert all(row.verdict == "no-signal" for row in found), in_full(found)
        return
    assert sum(not row.missed for row in found) >= 6, in_full(found)
    assert sum(row.named() or row.in_set() for row in found) >= 6, in_full(found)


@pytest.mark.slow
def test_tone_speed_and_text_of_clean_recordings() -> None:
    found = [row for row in rows("clean-keyed", 60) if row.error is None and row.signal == "keyed"]
    assert len(found) >= 58
    # at 10 dB in 2500 Hz and above, 10 s and longer: a tone is good to far less than 0.1 Hz, speed to 1 %
    assert sum(abs(row.tone_error_hz or 0.0) < 0.1 for row in found) >= 0.95 * len(found), in_full(found)
    assert sum(abs(row.wpm_error or 0.0) < 0.01 for row in found) >= 0.95 * len(found), in_full(found)
    assert sum((row.character_errors or 0.0) < 0.05 for row in found) >= 0.95 * len(found), in_full(found)
