"""The arithmetic of the fit and the rewriting of the tables; the fit itself needs a thousand recordings."""

from __future__ import annotations

from pathlib import Path

import pytest

from sigcheck.judge import tables

from .fit_judge import BELIEF, Counts, fitted_mark, fitted_trait, rewritten


def counted(cause: str, mark: str, seen: int, looked: int) -> Counts:
    counts = Counts()
    counts.looked[mark, cause], counts.seen[mark, cause] = looked, seen
    counts.fitted_causes.add(cause)
    return counts


def test_a_belief_weighs_as_much_as_that_many_recordings() -> None:
    counts = counted("hard-keying", "key-clicks", 6, 12)
    expected = (6 + 0.9 * BELIEF) / (12 + BELIEF)
    assert fitted_mark(counts, "key-clicks", "hard-keying", 0.9) == pytest.approx(expected, abs=5e-4)


def test_causes_that_cannot_be_told_apart_are_fitted_together() -> None:
    counts = counted("transmitter-supply-hum", "rasp", 10, 20)
    assert fitted_mark(counts, "rasp", "receiver-supply-hum", 0.04) == fitted_mark(
        counts, "rasp", "transmitter-supply-hum", 0.04
    )


def test_a_distribution_adds_up() -> None:
    counts = Counts()
    counts.states["rasp-nature", "oscillator-noise"].update({2: 25, 1: 4})
    row = fitted_trait(counts, "rasp-nature", "oscillator-noise", (0.02, 0.16, 0.82))
    assert sum(row) == pytest.approx(1.0) and row[2] > 0.8 and all(p > 0 for p in row)


def test_the_tables_are_rewritten_in_place_and_again_alike() -> None:
    source = Path(tables.__file__).read_text(encoding="utf-8")
    counts = counted("hard-keying", "key-clicks", 6, 12)
    once = rewritten(source, counts)
    names: dict[str, object] = {}
    exec(compile(once, "tables", "exec"), names)
    row = names["MARKS"]["key-clicks"].rows["hard-keying"]  # type: ignore[index]
    believed = tables.MARKS["key-clicks"].rows["hard-keying"].believed
    assert row.believed == believed and row.p == pytest.approx((6 + BELIEF * believed) / (12 + BELIEF), abs=5e-4)
    assert rewritten(once, counts) == once
