"""Causes with their probability, the evidence for and against each, and what cannot be told apart."""

from __future__ import annotations

import math
from collections.abc import Mapping

from sigcheck.judge.evidence import Evidence, observe
from sigcheck.judge.experiments import propose
from sigcheck.judge.model import Posterior, Seen, row_of, weigh
from sigcheck.judge.shapes import Cause, Symptom
from sigcheck.judge.tables import CAUSES, MARKS, NO_FAULT, NO_FAULT_TEXT, SAME, TRAITS
from sigcheck.measure.results import Measurements
from sigcheck.plan import Plan

# Causes less likely than this are left out, unless one that is named cannot be told from them.
LISTED = 0.05
LISTED_SAME = 0.003
MOST_LISTED = 10
SAME_AS_LISTED = 0.2  # ... and it is at least this likely
# A cause that is no likelier than before anything was heard is not named either.
RAISED = 1.5

# Members of a set count as not told apart unless the evidence favours one 100 to 1: any trait is
# wrong one time in ten, and in such a set it takes two of them to tell.
TOLD_APART = 100.0

# Evidence is named where it changes the odds by this factor.
WORTH_FOR = 1.5
WORTH_AGAINST = 1.0 / 1.5
WORTH_NAMING = 0.15  # a mark that a cause makes less often than this is no argument for it
MOST_NAMED = 4


def find(
    m: Measurements,
    symptoms: tuple[Symptom, ...],
    not_measured: Mapping[str, object],
    plan: Plan | None = None,
) -> tuple[Cause, ...]:
    """Possible causes of the symptoms, most likely first.

    A recording without symptoms has the one entry ``no-fault``, with the probability that none of
    the causes is there as far as this recording could have shown it.
    """
    evidence = observe(m, symptoms, not_measured)
    priors = priors_for(plan)
    posterior = weigh(evidence.seen, priors)
    if m.signal.kind != "none" and not symptoms:
        return (_no_fault(_nothing_shown(evidence, posterior), evidence),)
    return _listed(evidence, posterior, priors)


def priors_for(plan: Plan | None) -> dict[str, float]:
    """Probabilities beforehand, with what the plan says of the receiver."""
    priors = {name: row.prior for name, row in CAUSES.items()}
    receiver = (plan or Plan()).receiver
    if receiver.gain_control is False:
        priors["gain-control"] = 0.001  # not 0: switches are forgotten
    if receiver.noise_reduction is not None:
        priors["recorder-processing"] *= 2.0 if receiver.noise_reduction else 0.7
    return priors


def alike(one: str, other: str, seen: Seen, posterior: Posterior, priors: Mapping[str, float]) -> bool:
    """Whether this recording cannot tell the two apart: they explain the same mark about as well."""
    if one == other or not any(one in group and other in group for group in SAME):
        return False
    if not any(there and _makes(one, mark) and _makes(other, mark) for mark, there in seen.marks.items()):
        return False
    ratio = posterior.likelihood_ratio(one, other, priors)
    return ratio is not None and 1.0 / TOLD_APART <= ratio <= TOLD_APART


def _makes(cause: str, mark: str) -> bool:
    """Whether the cause explains this symptom."""
    return MARKS[mark].is_symptom and _argues(mark, cause)


def _argues(mark: str, cause: str) -> bool:
    row = MARKS[mark].rows.get(cause)
    return row is not None and row.p >= WORTH_NAMING


# ---- the list ----------------------------------------------------------------------------------


def _listed(evidence: Evidence, posterior: Posterior, priors: Mapping[str, float]) -> tuple[Cause, ...]:
    chance = posterior.probability
    present = [name for name, there in evidence.seen.marks.items() if there]
    explaining = [c for c in CAUSES if any(_argues(mark, c) for mark in present)]
    ranked = sorted(explaining, key=lambda c: -chance[c])
    named = [c for c in ranked if chance[c] >= max(LISTED, RAISED * priors[c])] or ranked[:1]
    likely = [c for c in named if chance[c] >= SAME_AS_LISTED]
    named += [
        c
        for c in ranked
        if c not in named
        and chance[c] >= LISTED_SAME
        and any(alike(c, other, evidence.seen, posterior, priors) for other in likely)
    ]
    named = sorted(named, key=lambda c: -chance[c])[:MOST_LISTED]
    return tuple(_cause(c, named, evidence, posterior, priors) for c in named)


def _cause(
    cause: str, named: list[str], evidence: Evidence, posterior: Posterior, priors: Mapping[str, float]
) -> Cause:
    speaks_for, speaks_against = _arguments(cause, evidence, priors)
    same = tuple(c for c in named if alike(cause, c, evidence.seen, posterior, priors))
    mark = _main_mark(cause, evidence)
    makers = MARKS[mark].rows if mark else {}
    rivals = {c: posterior.probability[c] * makers[c].p for c in named if c in makers}
    return Cause(
        id=cause,
        text=CAUSES[cause].text,
        probability=posterior.probability[cause],
        evidence_for=speaks_for,
        against=speaks_against,
        same_as=same,
        experiment=propose(cause, rivals, mark),
    )


def _no_fault(probability: float, evidence: Evidence) -> Cause:
    clean = sorted(name for name, there in evidence.seen.marks.items() if not there and MARKS[name].is_symptom)
    main = [c for c in ("hum-sidebands", "harmonic-distortion", "rasp", "drift", "chirp") if c in clean]
    return Cause(
        id=NO_FAULT,
        text=NO_FAULT_TEXT,
        probability=probability,
        evidence_for=tuple(evidence.mark_words[name] for name in (main or clean)[:MOST_NAMED]),
        against=tuple(w for name, w in evidence.mark_words.items() if evidence.seen.marks[name])[:MOST_NAMED],
        same_as=(),
        experiment=propose(NO_FAULT, {NO_FAULT: probability}, None),
    )


def _nothing_shown(evidence: Evidence, posterior: Posterior) -> float:
    """Probability that no cause is there of those that this recording could have shown.

    A cause whose own mark was out of sight (a clock without a plan) says nothing about this recording.
    """
    shown = {c for name in evidence.seen.marks for c, row in MARKS[name].rows.items() if row.p >= 0.5}
    unseen = math.prod(1.0 - p for c, p in posterior.probability.items() if c not in shown)
    return min(posterior.nothing / unseen, 1.0) if unseen > 0 else posterior.nothing


# ---- evidence in words -------------------------------------------------------------------------


def _arguments(cause: str, evidence: Evidence, priors: Mapping[str, float]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The strongest evidence for and against, each by how much it changes the odds of this cause."""
    weights: list[tuple[float, str]] = []
    for name, there in evidence.seen.marks.items():
        row = MARKS[name].rows.get(cause)
        if row is None:
            continue
        if there and not _argues(name, cause):
            continue
        leak = evidence.seen.leak(name)
        # Against the leak's odds for a mark that is there: the cause is one way to explain it.
        ratio = (1.0 - (1.0 - leak) * (1.0 - row.p)) / leak if there else 1.0 - row.p
        weights.append((ratio, evidence.mark_words[name]))
    for name, state in evidence.seen.traits.items():
        usual = _usual(cause, name, state, evidence, priors)
        if usual is not None and evidence.trait_words[name]:
            weights.append((row_of(TRAITS[name], cause)[state] / usual, evidence.trait_words[name]))
    speaks_for = sorted((w for w in weights if w[0] > WORTH_FOR), reverse=True)
    against = sorted(w for w in weights if w[0] < WORTH_AGAINST)
    return tuple(t for _, t in speaks_for[:MOST_NAMED]), tuple(t for _, t in against[:MOST_NAMED])


def _usual(cause: str, name: str, state: int, evidence: Evidence, priors: Mapping[str, float]) -> float | None:
    """Probability of the trait's state if another cause made the mark; None where it says nothing."""
    trait = TRAITS[name]
    if cause not in trait.rows:
        return None
    if trait.parent is None:
        return trait.otherwise[state]
    makers = MARKS[trait.parent].rows
    if cause not in makers:
        return None
    weights = {c: priors[c] * row.p for c, row in makers.items() if c != cause}
    leak = evidence.seen.leak(trait.parent)
    total = leak + sum(weights.values())
    share = sum(w * row_of(trait, c)[state] for c, w in weights.items())
    return (share + leak * trait.otherwise[state]) / total


def _main_mark(cause: str, evidence: Evidence) -> str | None:
    """The present mark that this cause makes most readily."""
    present = [name for name, there in evidence.seen.marks.items() if there and cause in MARKS[name].rows]
    return max(present, key=lambda name: MARKS[name].rows[cause].p, default=None)
