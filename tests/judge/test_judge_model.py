"""Weighing: against arithmetic by hand and against summing over everything."""

from __future__ import annotations

import itertools
import math

import pytest

from sigcheck.judge.model import Seen, row_of, weigh
from sigcheck.judge.tables import CAUSES, MARKS, NAMES, SAME, TRAITS

PRIORS = {name: row.prior for name, row in CAUSES.items()}


def brute(seen: Seen, causes: list[str]) -> dict[str, float]:
    """Posterior by summing over all combinations of up to three, straight from the definition."""
    weights: dict[frozenset[str], float] = {}
    for size in range(4):
        for active in itertools.combinations(causes, size):
            w = math.prod(PRIORS[c] if c in active else 1 - PRIORS[c] for c in causes)
            for name, there in seen.marks.items():
                rows = MARKS[name].rows
                silent = (1 - seen.leak(name)) * math.prod(1 - rows[c].p for c in active if c in rows)
                sure = seen.notes.get(name, 1.0)
                w *= sure * (1 - silent) + (1 - sure) * silent if there else silent
            for name, state in seen.traits.items():
                trait = TRAITS[name]
                assert trait.parent is not None
                makers = [(c, MARKS[trait.parent].rows[c].p) for c in active if c in MARKS[trait.parent].rows]
                leak = seen.leak(trait.parent)
                total = leak + sum(p for _, p in makers)
                w *= (leak * trait.otherwise[state] + sum(p * row_of(trait, c)[state] for c, p in makers)) / total
            weights[frozenset(active)] = w
    total = sum(weights.values())
    return {c: sum(w for s, w in weights.items() if c in s) / total for c in causes}


@pytest.mark.parametrize(
    "seen",
    [
        Seen({"chirp": True, "droop": True}, {}),
        Seen({"chirp": True, "droop": False, "overshoot": False}, {"chirp-settling": 0}),
        Seen({"hum-sidebands": True, "rasp": False, "audio-hum": True}, {"hum-family": 2, "hum-nature": 1}),
        Seen({"overshoot": True, "droop": True, "chirp": False}, {}, {"overshoot": 0.7}),
    ],
    ids=["sag", "pull", "hum", "a note"],
)
def test_agrees_with_the_sum_over_everything(seen):
    got = weigh(seen, PRIORS)
    makers = [c for c in CAUSES if any(there and c in MARKS[m].rows for m, there in seen.marks.items())]
    want = brute(seen, makers)
    for cause in makers:
        assert got.probability[cause] == pytest.approx(want[cause], rel=1e-9), cause


def test_a_cause_that_nothing_speaks_of_keeps_its_prior():
    got = weigh(Seen({"chirp": True}, {}), PRIORS)
    assert got.probability["recorder-dropouts"] == pytest.approx(PRIORS["recorder-dropouts"])


def test_an_absent_mark_by_hand():
    # Bayes: 0.06 (1 - 0.8) / (0.06 (1 - 0.8) + 0.94)
    prior, p = PRIORS["supply-sag"], MARKS["chirp"].rows["supply-sag"].p
    got = weigh(Seen({"chirp": False}, {}), PRIORS).probability["supply-sag"]
    assert got == pytest.approx(prior * (1 - p) / (prior * (1 - p) + 1 - prior))


def test_nothing_active_by_hand():
    got = weigh(Seen({}, {}), PRIORS)
    assert got.nothing == pytest.approx(math.prod(1 - p for p in PRIORS.values()))


# ---- the tables ----------------------------------------------------------------------------------


def test_tables_speak_of_known_causes_in_probabilities():
    for name, mark in MARKS.items():
        assert 0 < mark.leak < 0.2, name
        assert mark.rows.keys() <= CAUSES.keys(), name
        assert all(0 < row.p < 1 and row.why for row in mark.rows.values()), name
    for name, trait in TRAITS.items():
        assert trait.rows.keys() <= CAUSES.keys(), name
        assert trait.parent is None or trait.parent in MARKS, name
        for row in (trait.otherwise, *(r.p for r in trait.rows.values())):
            assert len(row) == len(trait.states) and sum(row) == pytest.approx(1.0), name
            assert all(p > 0 for p in row), name


def test_every_mark_has_a_name_and_a_traits_cause_makes_its_mark():
    assert NAMES.keys() == MARKS.keys()
    for name, trait in TRAITS.items():
        if trait.parent is not None:
            assert trait.rows.keys() <= MARKS[trait.parent].rows.keys(), name


def test_every_cause_can_leave_a_mark():
    for cause in CAUSES.keys() - {"recorder-clock"}:  # one recording alone does not show it
        assert any(cause in mark.rows for mark in MARKS.values()), cause


def test_sets_hold_known_causes():
    for group in SAME:
        assert len(group) >= 2 and group <= CAUSES.keys()
