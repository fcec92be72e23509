"""From what was seen to the probability of each cause, over all combinations of up to three.

The model is that of `sigcheck.judge.tables`. Two things keep it cheap without approximation. An
absent mark multiplies the odds of each cause that would have made it by (1 - p), whatever else is
active, so absent marks are folded into the odds beforehand. And a cause that makes none of the
present marks is then independent of everything else, so only the others are enumerated.

Where nearly everything is wrong at once, two shortcuts: triples are formed of the sixteen candidates
that are likeliest alone or in pairs, and beyond three only the best combinations are extended. A
combination left out is one that explains less than others of its size.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from sigcheck.judge.tables import CAUSES, MARKS, TRAITS, Trait

# A trait of the whole recording takes its row from the active causes that have one; this weight
# lets `otherwise` speak only where there is none.
_FAINT = 1e-9

FAINT_LEAK = 2.0  # a note against a fault: chosen for true probabilities on half of the held-out recordings

AT_ONCE = 3  # all combinations of so many; more only where there are more symptoms than that
MOST_AT_ONCE = 5
CLOSE = 16
BEAM = 20


@dataclass(frozen=True)
class Seen:
    """What a recording shows: marks looked for, and the states of traits (as an index).

    ``notes`` holds the present marks that are no fault, each with the probability that it truly
    lies beyond its limit. There is more about that makes a little of something than a list of
    causes knows, so their leak is larger too.
    """

    marks: Mapping[str, bool]
    traits: Mapping[str, int]
    notes: Mapping[str, float] = field(default_factory=dict)

    def leak(self, mark: str) -> float:
        """Probability that something unlisted makes the mark."""
        return MARKS[mark].leak * (FAINT_LEAK if mark in self.notes else 1.0)


@dataclass(frozen=True)
class Posterior:
    """Probabilities after the evidence.

    ``sets`` holds each combination of candidate causes with its share of the probability,
    ``nothing`` is the probability that no cause at all is active.
    """

    probability: Mapping[str, float]
    nothing: float
    sets: tuple[tuple[frozenset[str], float], ...]

    def likelihood_ratio(self, one: str, other: str, priors: Mapping[str, float]) -> float | None:
        """How much better the evidence fits ``one`` in place of ``other``, priors apart.

        None where neither is a candidate.
        """
        with_one = sum(p for s, p in self.sets if one in s and other not in s)
        with_other = sum(p for s, p in self.sets if other in s and one not in s)
        if with_one <= 0.0 or with_other <= 0.0:
            return None
        return with_one / _odds(priors[one]) / (with_other / _odds(priors[other]))


def weigh(seen: Seen, priors: Mapping[str, float]) -> Posterior:
    """Probability of each cause given what was seen."""
    present = [name for name, there in seen.marks.items() if there]
    odds = _odds_after_absences(seen, priors)
    candidates = [c for c in odds if any(c in MARKS[mark].rows for mark in present)]
    weights = list(_enumerate(seen, present, candidates, odds))
    total = sum(w for _, w in weights)
    probability = {c: o / (1.0 + o) for c, o in odds.items()}
    probability |= dict.fromkeys(candidates, 0.0)
    for combination, w in weights:
        for cause in combination:
            probability[cause] += w / total
    nothing = next(w for s, w in weights if not s) / total
    for cause in odds.keys() - set(candidates):
        nothing /= 1.0 + odds[cause]
    shares = tuple((frozenset(s), w / total) for s, w in weights if w > 1e-9 * total)
    return Posterior(probability={c: min(p, 1.0) for c, p in probability.items()}, nothing=nothing, sets=shares)


def row_of(trait: Trait, cause: str) -> tuple[float, ...]:
    """Distribution of a trait where this cause made its parent mark."""
    return trait.rows[cause].p if cause in trait.rows else trait.otherwise


def _odds(p: float) -> float:
    return p / (1.0 - p)


def _odds_after_absences(seen: Seen, priors: Mapping[str, float]) -> dict[str, float]:
    odds = {cause: _odds(priors[cause]) for cause in CAUSES}
    for name, there in seen.marks.items():
        if not there:
            for cause, row in MARKS[name].rows.items():
                odds[cause] *= 1.0 - row.p
    return odds


@dataclass(frozen=True)
class _State:
    """A combination on its way: for each mark the probability that all stay silent, for each trait
    the summed weight and the summed weight times the probability of the state that was seen."""

    odds: float
    silence: list[float]
    voice: list[tuple[float, float]]

    def join(self, other: _State) -> _State:
        return _State(
            self.odds * other.odds,
            [a * b for a, b in zip(self.silence, other.silence, strict=True)],
            [(w + x, s + y) for (w, s), (x, y) in zip(self.voice, other.voice, strict=True)],
        )

    def weight(self, certain: list[float]) -> float:
        """Probability of the combination and the evidence, up to a common factor.

        ``certain`` is the probability that each mark is there: an uncertain one is there with the
        one probability and silent with the other.
        """
        value = self.odds
        for q, sure in zip(self.silence, certain, strict=True):
            value *= sure * (1.0 - q) + (1.0 - sure) * q
        for weight, share in self.voice:
            value *= share / weight
        return value


_Level = dict[tuple[int, ...], tuple[_State, float]]


def _enumerate(
    seen: Seen, present: list[str], candidates: list[str], odds: Mapping[str, float]
) -> Iterator[tuple[tuple[str, ...], float]]:
    """Combinations of candidates with their unnormalised probability."""
    relevant = [(TRAITS[t], state) for t, state in seen.traits.items() if TRAITS[t].parent in (None, *present)]
    single = [
        _State(
            odds[c],
            [1.0 - MARKS[m].rows[c].p if c in MARKS[m].rows else 1.0 for m in present],
            [_voice(trait, state, c) for trait, state in relevant],
        )
        for c in candidates
    ]
    nothing = _State(1.0, [1.0 - seen.leak(m) for m in present], [_leak(seen, t, state) for t, state in relevant])
    certain = [seen.notes.get(m, 1.0) for m in present]
    level: _Level = {(): (nothing, nothing.weight(certain))}
    most = range(len(candidates))
    symptoms = sum(MARKS[m].is_symptom for m in present)
    share = dict.fromkeys(most, 0.0)  # of each candidate in what was weighed so far
    for size in range(AT_ONCE if symptoms <= 3 else MOST_AT_ONCE):
        for key, (_, weight) in level.items():
            yield tuple(candidates[i] for i in key), weight
            for i in key:
                share[i] += weight
        close = sorted(sorted(most, key=lambda i: -share[i])[:CLOSE]) if size >= 2 else list(most)
        level = _extended(level, single, close, certain, best_only=size >= 3)
    for key, (_, weight) in level.items():
        yield tuple(candidates[i] for i in key), weight


def _extended(
    level: _Level, single: list[_State], candidates: list[int], certain: list[float], *, best_only: bool
) -> _Level:
    """Each combination with one candidate more."""
    allowed = set(candidates)
    keys = [key for key in level if allowed.issuperset(key)]
    if best_only:
        keys = sorted(keys, key=lambda key: -level[key][1])[:BEAM]
    longer: _Level = {}
    for key in keys:
        state = level[key][0]
        for i in candidates:
            # In full enumeration each combination is made once, in ascending order.
            if i in key or (not best_only and key and i < key[-1]):
                continue
            new = tuple(sorted((*key, i)))
            if new not in longer:
                joined = state.join(single[i])
                longer[new] = (joined, joined.weight(certain))
    return longer


def _voice(trait: Trait, state: int, cause: str) -> tuple[float, float]:
    if trait.parent is None:
        weight = 1.0 if cause in trait.rows else 0.0
    else:
        row = MARKS[trait.parent].rows.get(cause)
        weight = row.p if row is not None else 0.0
    return weight, weight * row_of(trait, cause)[state]


def _leak(seen: Seen, trait: Trait, state: int) -> tuple[float, float]:
    weight = _FAINT if trait.parent is None else seen.leak(trait.parent)
    return weight, weight * trait.otherwise[state]
