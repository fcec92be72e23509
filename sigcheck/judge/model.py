"""From what was seen to the probability of each cause: exact, over up to three causes at once.

The model is that of `sigcheck.judge.tables`. Two things keep it cheap without approximation. An
absent mark multiplies the odds of each cause that would have made it by (1 - p), whatever else is
active, so absent marks are folded into the odds beforehand. And a cause that makes none of the
present marks is then independent of everything else, so only the others are enumerated.

More than three of those at once are left out: a fourth costs another factor of about its prior, a
few per cent.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from sigcheck.judge.tables import CAUSES, MARKS, TRAITS, Trait

# A trait of the whole recording takes its row from the active causes that have one; this weight
# lets `otherwise` speak only where there is none.
_FAINT = 1e-9


@dataclass(frozen=True)
class Seen:
    """What a recording shows: marks looked for, and the states of traits (as an index)."""

    marks: Mapping[str, bool]
    traits: Mapping[str, int]


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
    return Posterior(
        probability={c: min(p, 1.0) for c, p in probability.items()}, nothing=nothing, sets=shares
    )


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


def _enumerate(
    seen: Seen, present: list[str], candidates: list[str], odds: Mapping[str, float]
) -> Iterator[tuple[tuple[str, ...], float]]:
    """Each combination of up to three candidates with its unnormalised probability."""
    # For a mark: probability that a cause does not make it. For a trait: the cause's weight, and
    # weight times the probability of the state that was seen.
    silent = {
        c: [1.0 - MARKS[m].rows[c].p if c in MARKS[m].rows else 1.0 for m in present] for c in candidates
    }
    relevant = [
        (TRAITS[t], state) for t, state in seen.traits.items() if TRAITS[t].parent in (None, *present)
    ]
    voices = {c: [_voice(trait, state, c) for trait, state in relevant] for c in candidates}
    no_cause = [1.0 - MARKS[m].leak for m in present]
    leaks = [_leak(trait, state) for trait, state in relevant]

    def likelihood(silence: list[float], voice: list[tuple[float, float]]) -> float:
        value = 1.0
        for q in silence:
            value *= 1.0 - q
        for weight, share in voice:
            value *= share / weight
        return value

    def join(
        silence: list[float], voice: list[tuple[float, float]], cause: str
    ) -> tuple[list[float], list[tuple[float, float]]]:
        return (
            [a * b for a, b in zip(silence, silent[cause], strict=True)],
            [(w + x, s + y) for (w, s), (x, y) in zip(voice, voices[cause], strict=True)],
        )

    yield (), likelihood(no_cause, leaks)
    for i, a in enumerate(candidates):
        with_a = join(no_cause, leaks, a)
        yield (a,), odds[a] * likelihood(*with_a)
        for j in range(i + 1, len(candidates)):
            b = candidates[j]
            with_b = join(*with_a, b)
            yield (a, b), odds[a] * odds[b] * likelihood(*with_b)
            for c in candidates[j + 1 :]:
                yield (a, b, c), odds[a] * odds[b] * odds[c] * likelihood(*join(*with_b, c))


def _voice(trait: Trait, state: int, cause: str) -> tuple[float, float]:
    if trait.parent is None:
        weight = 1.0 if cause in trait.rows else 0.0
    else:
        row = MARKS[trait.parent].rows.get(cause)
        weight = row.p if row is not None else 0.0
    return weight, weight * row_of(trait, cause)[state]


def _leak(trait: Trait, state: int) -> tuple[float, float]:
    weight = _FAINT if trait.parent is None else MARKS[trait.parent].leak
    return weight, weight * trait.otherwise[state]
